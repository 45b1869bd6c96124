/* SPDX-License-Identifier: GPL-3.0-or-later */
/* options.c - what the evening is like: the settings of plumb-zone that are no facts of the
 * telescope, their ranges and their defaults. */
#include "optics.h"

#include <math.h>
#include <string.h>

#define ROW(name, field, unit, preset, lo, hi)                                                     \
    {                                                                                              \
        name, unit, preset, lo, hi, offsetof(pl_zone_options, field)                               \
    }

/* The defaults are common practice, no source, but the wavelength: the middle of what eyes see. */
static const struct {
    const char *name, *unit;
    double preset, lo, hi; /* NaN: no default */
    size_t offset;
} table[] = {
    ROW("seeing", seeing, "arcsec", 2.5, 0.1, 60),
    ROW("wavelength", wavelength, "um", 0.55, 0.1, 20),
    ROW("window", window, "min", 60, 0.1, 1440),
    ROW("sub", sub, "s", 180, 0.001, 86400),
    ROW("overhead", overhead, "s", 60, 0, 86400),
    ROW("refocus-cost", refocus_cost, "s", 120, 0, 86400),
    ROW("degrees-per-hour", degrees_per_hour, "C", 1, 0, 30),
    ROW("donut", donut, "px", 60, 5, 5000),
    ROW("field", field, "mm", NAN, 0.1, 1000),
    ROW("other-ratio", other_ratio, "", 6, 0.5, 100),
};

static pl_num *field_of(pl_zone_options *options, size_t row)
{
    return (pl_num *)((char *)options + table[row].offset);
}

pl_zone_options pl_zone_defaults(void)
{
    pl_zone_options options;
    for (size_t i = 0; i < PL_ARRAY_LEN(table); i++)
        *field_of(&options, i) =
            (pl_num){ table[i].preset, isnan(table[i].preset) ? PL_FROM_NOWHERE : PL_FROM_DEFAULT };
    return options;
}

pl_status pl_zone_set(pl_zone_options *options, const char *name, const char *value, pl_err *err)
{
    double v;
    size_t i = 0;
    while (i < PL_ARRAY_LEN(table) && strcmp(table[i].name, name) != 0)
        i++;
    if (i == PL_ARRAY_LEN(table))
        return pl_fail(err, PL_EARG, "there is no option called %.40s", name);
    const char *gap = *table[i].unit ? ", " : "";
    if (!pl_number(value, &v))
        return pl_fail(err, PL_EARG, "--%s is \"%.60s\"; a plain number is wanted%s%s", name, value,
                       gap, table[i].unit);
    if (!(v >= table[i].lo && v <= table[i].hi))
        return pl_fail(err, PL_EARG, "--%s is %g; it must lie in [%g, %g]%s%s", name, v,
                       table[i].lo, table[i].hi, gap, table[i].unit);
    *field_of(options, i) = (pl_num){ v, PL_FROM_OPTION };
    return PL_OK;
}
