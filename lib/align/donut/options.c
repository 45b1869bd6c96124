/* SPDX-License-Identifier: GPL-3.0-or-later */
/* options.c - the settings of plumb-donut that are no facts of the telescope. */
#include "donut.h"

#include <math.h>
#include <string.h>

static const pl_option table[] = {
    { "seeing", "arcsec", 0.3, 20, offsetof(pl_donut_options, seeing_arcsec) },
    { "wavelength", "um", 0.3, 2, offsetof(pl_donut_options, wavelength_um) },
};

pl_donut_options pl_donut_defaults(void)
{
    return (pl_donut_options){ .last = 11, .seeing_arcsec = NAN, .wavelength_um = NAN };
}

static pl_status set_last(const char *value, int *out, pl_err *err)
{
    if (strcmp(value, "11") != 0 && strcmp(value, "15") != 0)
        return pl_fail(err, PL_EARG, "--terms is \"%.40s\"; 11 or 15 is wanted", value);
    *out = strcmp(value, "11") == 0 ? 11 : 15;
    return PL_OK;
}

pl_status pl_donut_set(pl_donut_options *o, const char *name, const char *value, pl_err *err)
{
    if (strcmp(name, "side") == 0)
        return pl_set_side(name, value, &o->side, err);
    if (strcmp(name, "terms") == 0)
        return set_last(value, &o->last, err);
    if (strcmp(name, "pair") == 0) {
        o->pair = true;
        return PL_OK;
    }
    const pl_option *row = pl_option_named(table, PL_ARRAY_LEN(table), name);
    size_t offset = row ? row->offset : 0;
    return pl_option_read(row, name, value, (double *)(void *)((char *)o + offset), err);
}
