/* SPDX-License-Identifier: GPL-3.0-or-later */
/* settings.c - values of options that several programs take. */
#include "align.h"

#include <string.h>

pl_status pl_set_number(const char *name, const char *value, double lo, double hi, double *out,
                        pl_err *err)
{
    double v;
    if (!pl_number(value, &v) || !(v >= lo && v <= hi))
        return pl_fail(err, PL_EARG, "--%s is \"%.40s\"; a number from %g to %g is wanted", name,
                       value, lo, hi);
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
