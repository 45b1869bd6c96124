/* SPDX-License-Identifier: GPL-3.0-or-later */
/* aperture.c - the pupil of a Newtonian on a grid: disc, secondary (which may sit off centre),
 * vanes.
 *
 * An edge is spread over its two nearest cells by the linear B-spline (a triangle): along the
 * grid's axes areas come out exact for any position, elsewhere on average, and the derivative by
 * the secondary's position is continuous. */
#include "optics.h"

#include <math.h>

/* A number and its derivatives by shadow_x and shadow_y. */
struct dual {
    double v, dx, dy;
};

static struct dual times(struct dual a, struct dual b)
{
    return (struct dual){ a.v * b.v, a.v * b.dx + a.dx * b.v, a.v * b.dy + a.dy * b.v };
}

static struct dual less(struct dual a, struct dual b)
{
    return (struct dual){ a.v - b.v, a.dx - b.dx, a.dy - b.dy };
}

/* Part of a cell inside an edge `d` cells away (positive: inside). */
static struct dual soft(struct dual d)
{
    if (d.v <= -1 || d.v >= 1)
        return (struct dual){ d.v > 0, 0, 0 };
    double slope = 1 - fabs(d.v);
    return (struct dual){ 0.5 + d.v - d.v * fabs(d.v) / 2, slope * d.dx, slope * d.dy };
}

/* The distance of (x, y), seen from the shadow's centre, along a unit vector: offset + x c + y s.
 */
static struct dual along(double offset, double x, double y, double c, double s, double cell)
{
    return (struct dual){ (offset + x * c + y * s) / cell, -c / cell, -s / cell };
}

/* A vane runs from the secondary's centre outward along (c, s). */
static struct dual past_vane(double half, double x, double y, double c, double s, double cell)
{
    const struct dual one = { 1, 0, 0 };
    struct dual covered =
        less(soft(along(half, x, y, -s, c, cell)), soft(along(-half, x, y, -s, c, cell)));
    return less(one, times(covered, soft(along(0, x, y, c, s, cell))));
}

static struct dual past_shadow(const pl_aperture *a, double x, double y, double cell)
{
    double r = hypot(x, y);
    if (!(a->obstruction > 0) || r == 0)
        return (struct dual){ !(a->obstruction > 0), 0, 0 };
    return soft((struct dual){ (r - a->obstruction) / cell, -x / (r * cell), -y / (r * cell) });
}

void pl_aperture_fill(const pl_aperture *a, const double *x, const double *y, size_t n, double cell,
                      pl_opening *out)
{
    enum { VANES = 16 };
    int vanes = a->vanes < VANES ? a->vanes : VANES;
    double c[VANES], s[VANES];
    for (int k = 0; k < vanes; k++) {
        double t = (a->vane_deg + 360.0 * k / a->vanes) * M_PI / 180;
        c[k] = cos(t);
        s[k] = sin(t);
    }
    for (size_t i = 0; i < n; i++) {
        double dx = x[i] - a->shadow_x, dy = y[i] - a->shadow_y, r2 = x[i] * x[i] + y[i] * y[i];
        struct dual d = { r2 < (1 - cell) * (1 - cell) ? 1 : (1 - sqrt(r2)) / cell, 0, 0 };
        struct dual open = soft(d);
        if (open.v > 0)
            open = times(open, past_shadow(a, dx, dy, cell));
        for (int k = 0; k < vanes && open.v > 0; k++)
            open = times(open, past_vane(a->vane_width / 2, dx, dy, c[k], s[k], cell));
        out[i] = (pl_opening){ open.v, open.dx, open.dy };
    }
}
