/* SPDX-License-Identifier: GPL-3.0-or-later */
/* budget.c - how the evening's window is spent: subs, overhead, refocusing. */
#include "optics.h"

#include <math.h>

/* Focus is set when the window opens; it is set again each time the cooling has used up the zone,
 * but not in the window's last moment. */
static void refocusing(pl_zone *z)
{
    z->refocus_every_min = z->refocuses = NAN;
    if (isnan(z->zone_c))
        return;
    z->refocus_every_min =
        z->degrees_per_hour > 0 ? 60 * z->zone_c / z->degrees_per_hour : INFINITY;
    z->refocuses = ceil(z->window_min / z->refocus_every_min) - 1;
    if (z->refocuses < 0)
        z->refocuses = 0;
}

/* Whole subs that fit in so many seconds; the rounding keeps 60 min / 4 min at 15. */
static double whole(double seconds, double each)
{
    return seconds > 0 ? floor(seconds / each * (1 + 1e-12)) : 0;
}

void pl_zone_budget(pl_zone *z)
{
    double window = 60 * z->window_min, each = z->sub_s + z->overhead_s;
    refocusing(z);
    z->subs_undisturbed = whole(window, each);
    z->subs = isnan(z->refocuses) ? z->subs_undisturbed
                                  : whole(window - z->refocuses * z->refocus_cost_s, each);
    z->light_min = z->subs * z->sub_s / 60;
    double ratio = z->other_ratio / z->optic.f_ratio;
    z->speed = ratio * ratio; /* common practice: light per area of the sensor */
}
