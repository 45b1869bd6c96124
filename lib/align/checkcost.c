/* SPDX-License-Identifier: GPL-3.0-or-later */
/* checkcost.c - what refocusing costs of the time left, and what not refocusing costs. */
#include "check.h"

#include <math.h>

void pl_check_costs(pl_check *c, const pl_check_options *options)
{
    c->drift_um_h = options->drift_um_h;
    c->drift_cost_s = c->refocus_cost_s = NAN;
}
