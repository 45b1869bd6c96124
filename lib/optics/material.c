/* SPDX-License-Identifier: GPL-3.0-or-later */
/* material.c - how much the materials of tubes and mirrors grow with temperature. */
#include "optics.h"

#include <string.h>

/* 1e-6 per C near 20 C, from two engineering tables that follow the CRC Handbook and Kaye & Laby
 * (second-hand). The ranges are those of alloys (aluminium 21 to 25, steel 11 to 13) and of the
 * lay-up of carbon fibre (0 to 3); where there is only one figure, its digits. */
static const struct {
    const char *name;
    double cte, low, high;
} table[] = {
    { "aluminium", 23.1, 21, 25 }, { "steel", 12, 10.8, 13 },    { "stainless", 17.3, 16, 18 },
    { "invar", 1.2, 1, 2 },        { "carbon", 1, 0, 3 },        { "borosilicate", 3.3, 3.2, 3.4 },
    { "silica", 0.55, 0.5, 0.6 },  { "soda-lime", 9, 8.5, 9.5 },
};

pl_status pl_material_cte(const char *material, double *cte, double *low, double *high, pl_err *err)
{
    for (size_t i = 0; i < PL_ARRAY_LEN(table); i++) {
        if (strcmp(table[i].name, material) != 0)
            continue;
        *cte = table[i].cte;
        if (low)
            *low = table[i].low;
        if (high)
            *high = table[i].high;
        return PL_OK;
    }
    return pl_fail(err, PL_EARG, "the expansion of \"%.40s\" is not known", material);
}
