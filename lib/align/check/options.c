/* SPDX-License-Identifier: GPL-3.0-or-later */
/* options.c - what plumb-check is told besides the facts. */
#include "../align.h"

#include <math.h>
#include <string.h>

#define ROW(name, field, lo, hi)                                                                   \
    {                                                                                              \
        name, lo, hi, offsetof(pl_check_options, field)                                            \
    }

static const struct {
    const char *name;
    double lo, hi;
    size_t offset;
} table[] = {
    ROW("moved", sense.moved_um, -1e4, 1e4),  ROW("wavelength", sense.wavelength_um, 0.3, 2),
    ROW("remaining", remaining_min, 0, 1440), ROW("refocus-cost", refocus_cost_s, 0, 86400),
    ROW("drift", drift_um_h, -1e4, 1e4),
};

pl_check_options pl_check_defaults(void)
{
    return (pl_check_options){ pl_sense_defaults(), false, NAN, NAN, NAN };
}

pl_status pl_check_set(pl_check_options *options, const char *name, const char *value, pl_err *err)
{
    double v;
    size_t i = 0;
    while (i < PL_ARRAY_LEN(table) && strcmp(table[i].name, name) != 0)
        i++;
    if (i == PL_ARRAY_LEN(table))
        return pl_fail(err, PL_EARG, "there is no option called %.40s", name);
    pl_status st = pl_set_number(name, value, table[i].lo, table[i].hi, &v, err);
    if (st != PL_OK)
        return st;
    if (strcmp(name, "moved") == 0 && v == 0)
        return pl_fail(err, PL_EARG,
                       "--moved is 0: without a move two exposures tell no more than "
                       "one");
    *(double *)(void *)((char *)options + table[i].offset) = v;
    options->pair |= strcmp(name, "moved") == 0;
    return PL_OK;
}
