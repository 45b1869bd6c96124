/* SPDX-License-Identifier: GPL-3.0-or-later */
/* settings.c - values of options that are no facts of the telescope: numbers by a table, and a side
 * of focus. */
#include "base.h"

#include <string.h>

const pl_option *pl_option_named(const pl_option *table, size_t n, const char *name)
{
    for (size_t i = 0; i < n; i++)
        if (strcmp(table[i].name, name) == 0)
            return &table[i];
    return NULL;
}

pl_status pl_option_read(const pl_option *row, const char *name, const char *value, double *out,
                         pl_err *err)
{
    double v;
    if (!row)
        return pl_fail(err, PL_EARG, "there is no option called %.40s", name);
    if (!pl_number(value, &v) || !(v >= row->lo && v <= row->hi))
        return pl_fail(err, PL_EARG, "--%s is \"%.40s\"; a number from %g to %g%s%s is wanted",
                       name, value, row->lo, row->hi, *row->unit ? " " : "", row->unit);
    *out = v;
    return PL_OK;
}

pl_status pl_set_side(const char *name, const char *value, pl_side *out, pl_err *err)
{
    if (strcmp(value, "out") != 0 && strcmp(value, "in") != 0)
        return pl_fail(err, PL_EARG, "--%s is \"%.40s\"; in or out is wanted", name, value);
    *out = strcmp(value, "out") == 0 ? PL_SIDE_OUT : PL_SIDE_IN;
    return PL_OK;
}
