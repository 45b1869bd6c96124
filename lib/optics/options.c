/* SPDX-License-Identifier: GPL-3.0-or-later */
/* options.c - what the evening is like: the settings of plumb-zone that are no facts of the
 * telescope, their ranges and their defaults. */
#include "optics.h"

#include <math.h>

#define ROW(name, field, unit, lo, hi)                                                             \
    {                                                                                              \
        name, unit, lo, hi, offsetof(pl_zone_options, field)                                       \
    }

static const pl_option table[] = {
    ROW("seeing", seeing, "arcsec", 0.1, 60),
    ROW("wavelength", wavelength, "um", 0.1, 20),
    ROW("window", window, "min", 0.1, 1440),
    ROW("sub", sub, "s", 0.001, 86400),
    ROW("overhead", overhead, "s", 0, 86400),
    ROW("refocus-cost", refocus_cost, "s", 0, 86400),
    ROW("degrees-per-hour", degrees_per_hour, "C", 0, 30),
    ROW("donut", donut, "px", 5, 5000),
    ROW("field", field, "mm", 0.1, 1000),
    ROW("other-ratio", other_ratio, "", 0.5, 100),
};

/* Common practice, no source, but the wavelength: the middle of what eyes see. */
pl_zone_options pl_zone_defaults(void)
{
    return (pl_zone_options){ .seeing = { 2.5, PL_FROM_DEFAULT },
                              .wavelength = { 0.55, PL_FROM_DEFAULT },
                              .window = { 60, PL_FROM_DEFAULT },
                              .sub = { 180, PL_FROM_DEFAULT },
                              .overhead = { 60, PL_FROM_DEFAULT },
                              .refocus_cost = { 120, PL_FROM_DEFAULT },
                              .degrees_per_hour = { 1, PL_FROM_DEFAULT },
                              .donut = { 60, PL_FROM_DEFAULT },
                              .field = { NAN, PL_FROM_NOWHERE },
                              .other_ratio = { 6, PL_FROM_DEFAULT } };
}

pl_status pl_zone_set(pl_zone_options *options, const char *name, const char *value, pl_err *err)
{
    double v;
    const pl_option *row = pl_option_named(table, PL_ARRAY_LEN(table), name);
    pl_status st = pl_option_read(row, name, value, &v, err);
    if (st == PL_OK)
        *(pl_num *)(void *)((char *)options + row->offset) = (pl_num){ v, PL_FROM_OPTION };
    return st;
}
