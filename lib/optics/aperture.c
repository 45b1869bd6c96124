/* SPDX-License-Identifier: GPL-3.0-or-later */
/* aperture.c - the pupil of a Newtonian on a grid: disc, secondary (which may sit off centre),
 * vanes. Edges are soft over one cell, so that areas and derivatives are smooth in the parameters.
 */
#include "optics.h"

#include <math.h>

/* Part of a cell inside an edge `d` cells away (positive: inside). */
static double soft(double d)
{
    return d <= -0.5 ? 0 : d >= 0.5 ? 1 : d + 0.5;
}

/* A vane runs from the secondary's centre outward under its angle. */
static double past_vanes(const pl_aperture *a, double x, double y, double cell)
{
    double open = 1;
    for (int i = 0; i < a->vanes; i++) {
        double t = (a->vane_deg + 360.0 * i / a->vanes) * M_PI / 180, c = cos(t), s = sin(t);
        double along = x * c + y * s, across = fabs(-x * s + y * c);
        double covered =
            soft((a->vane_width / 2 - across) / cell) - soft((-a->vane_width / 2 - across) / cell);
        if (along > 0)
            open *= 1 - covered;
    }
    return open;
}

double pl_aperture_at(const pl_aperture *a, double x, double y, double cell)
{
    double rim = soft((1 - hypot(x, y)) / cell);
    if (rim == 0)
        return 0;
    double dx = x - a->shadow_x, dy = y - a->shadow_y;
    double hole = a->obstruction > 0 ? soft((hypot(dx, dy) - a->obstruction) / cell) : 1;
    return hole == 0 || a->vanes == 0 ? rim * hole : rim * hole * past_vanes(a, dx, dy, cell);
}
