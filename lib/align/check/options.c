/* SPDX-License-Identifier: GPL-3.0-or-later */
/* options.c - what plumb-check is told besides the facts. */
#include "../align.h"

#include <math.h>
#include <string.h>

#define ROW(name, field, unit, lo, hi)                                                             \
    {                                                                                              \
        name, unit, lo, hi, offsetof(pl_check_options, field)                                      \
    }

static const pl_option table[] = {
    ROW("moved", sense.moved_um, "um", -1e4, 1e4),
    ROW("wavelength", sense.wavelength_um, "um", 0.3, 2),
    ROW("remaining", remaining_min, "min", 0, 1440),
    ROW("refocus-cost", refocus_cost_s, "s", 0, 86400),
    ROW("drift", drift_um_h, "um an hour", -1e4, 1e4),
};

pl_check_options pl_check_defaults(void)
{
    return (pl_check_options){ pl_sense_defaults(), false, NAN, NAN, NAN };
}

pl_status pl_check_set(pl_check_options *options, const char *name, const char *value, pl_err *err)
{
    double v;
    const pl_option *row = pl_option_named(table, PL_ARRAY_LEN(table), name);
    pl_status st = pl_option_read(row, name, value, &v, err);
    if (st != PL_OK)
        return st;
    bool moved = strcmp(name, "moved") == 0;
    if (moved && v == 0)
        return pl_fail(err, PL_EARG,
                       "--moved is 0: without a move two exposures tell no more than one");
    *(double *)(void *)((char *)options + row->offset) = v;
    options->pair |= moved;
    return PL_OK;
}
