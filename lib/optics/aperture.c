/* SPDX-License-Identifier: GPL-3.0-or-later */
/* aperture.c - the pupil of a Newtonian on a grid: disc, secondary (which may sit off centre),
 * vanes.
 *
 * An edge is spread over the cells within PL_EDGE of it. The spread, 3 B1 - 2 B2 of B-splines,
 * keeps areas exact along the grid's axes and right on average elsewhere, has a continuous
 * derivative by the secondary's place, and no second moment: its transform 3 sinc^2 - 2 sinc^3 is 1
 * to fourth order, so that the light an edge diffracts is not weakened on its way over the image
 * (derived here; an area average, sinc, errs four times as much on a donut 40 % as wide as its
 * grid). The price: cells beside an edge open up to 1.1 and down to -0.1. */
#include "optics.h"

#include <math.h>

/* A number and its derivatives by shadow_x, shadow_y and the obstruction. */
struct dual {
    double v, dx, dy, dw;
};

static struct dual times(struct dual a, struct dual b)
{
    return (struct dual){ a.v * b.v, a.v * b.dx + a.dx * b.v, a.v * b.dy + a.dy * b.v,
                          a.v * b.dw + a.dw * b.v };
}

static struct dual less(struct dual a, struct dual b)
{
    return (struct dual){ a.v - b.v, a.dx - b.dx, a.dy - b.dy, a.dw - b.dw };
}

/* Integrals of the linear and of the quadratic B-spline from 0 to e >= 0, e <= PL_EDGE. */
static double linear(double e)
{
    return e < 1 ? e - e * e / 2 : 0.5;
}

static double quadratic(double e)
{
    double r = 1.5 - e;
    return e < 0.5 ? 0.75 * e - e * e * e / 3 : 0.5 - r * r * r / 6;
}

/* Part of a cell inside an edge `d` cells away (positive: inside). */
static struct dual soft(struct dual d)
{
    double e = fabs(d.v), r = 1.5 - e;
    if (e >= PL_EDGE)
        return (struct dual){ d.v > 0, 0, 0, 0 };
    double half = 3 * linear(e) - 2 * quadratic(e);
    double slope = 3 * fmax(0, 1 - e) - 2 * (e < 0.5 ? 0.75 - e * e : r * r / 2);
    return (struct dual){ d.v > 0 ? 0.5 + half : 0.5 - half, slope * d.dx, slope * d.dy,
                          slope * d.dw };
}

/* The distance of (x, y), seen from the shadow's centre, along a unit vector: offset + x c + y s.
 */
static struct dual along(double offset, double x, double y, double c, double s, double cell)
{
    return (struct dual){ (offset + x * c + y * s) / cell, -c / cell, -s / cell, 0 };
}

/* A vane runs from the secondary's centre outward along (c, s). */
static bool near_vane(double half, double x, double y, double c, double s, double cell)
{
    return fabs(y * c - x * s) <= half + PL_EDGE * cell && x * c + y * s >= -PL_EDGE * cell;
}

static struct dual past_vane(double half, double x, double y, double c, double s, double cell)
{
    const struct dual one = { 1, 0, 0, 0 };
    struct dual covered =
        less(soft(along(half, x, y, -s, c, cell)), soft(along(-half, x, y, -s, c, cell)));
    return less(one, times(covered, soft(along(0, x, y, c, s, cell))));
}

/* Most cells lie clear of the shadow's edge: for them its root is not taken. */
static struct dual past_shadow(double obstruction, double x, double y, double cell)
{
    const double edge = PL_EDGE * cell, r2 = x * x + y * y;
    double out = obstruction + edge, in = fmax(0, obstruction - edge);
    if (!(obstruction > 0) || r2 > out * out)
        return (struct dual){ 1, 0, 0, 0 };
    if (r2 == 0 || r2 < in * in)
        return (struct dual){ 0, 0, 0, 0 };
    double r = sqrt(r2);
    return soft(
        (struct dual){ (r - obstruction) / cell, -x / (r * cell), -y / (r * cell), -1 / cell });
}

static double within_rim(double x, double y, double cell)
{
    double r2 = x * x + y * y, in = fmax(0, 1 - PL_EDGE * cell);
    return r2 < in * in ? 1 : soft((struct dual){ (1 - sqrt(r2)) / cell, 0, 0, 0 }).v;
}

static struct dual opening(const pl_aperture *a, const double *c, const double *s, int vanes,
                           double x, double y, double cell)
{
    double dx = x - a->shadow_x, dy = y - a->shadow_y;
    struct dual open = { within_rim(x, y, cell), 0, 0, 0 };
    if (open.v != 0)
        open = times(open, past_shadow(a->obstruction, dx, dy, cell));
    for (int k = 0; k < vanes && open.v != 0; k++)
        if (near_vane(a->vane_width / 2, dx, dy, c[k], s[k], cell))
            open = times(open, past_vane(a->vane_width / 2, dx, dy, c[k], s[k], cell));
    return open;
}

enum { VANES = 16, AT_ONCE = 64 };

/* Directions of the vanes. */
struct vanes {
    int n;
    double c[VANES], s[VANES];
};

/* What openings are not; see sort_out. */
static const double AT_RIM = -8, AT_EDGE = -9;

/* Of n <= AT_ONCE cells: 1 where a cell is clear of all edges, as most of a pupil is, 0 deep in the
 * shadow, AT_RIM where only the rim is near, AT_EDGE where it takes a closer look. */
PL_WIDE
static void sort_out(const pl_aperture *a, const struct vanes *v, const double *x, const double *y,
                     size_t n, double cell, double *restrict open)
{
    const double edge = PL_EDGE * cell, in = fmax(0, 1 - edge);
    const double out = a->obstruction > 0 ? a->obstruction + edge : 0;
    const double deep = a->obstruction > edge ? a->obstruction - edge : 0;
    double clear[AT_ONCE];
    for (size_t i = 0; i < n; i++) {
        double dx = x[i] - a->shadow_x, dy = y[i] - a->shadow_y;
        clear[i] = dx * dx + dy * dy - out * out;
    }
    for (int k = 0; k < v->n; k++)
        for (size_t i = 0; i < n; i++) {
            double dx = x[i] - a->shadow_x, dy = y[i] - a->shadow_y;
            double past = fabs(dy * v->c[k] - dx * v->s[k]) - a->vane_width / 2 - edge;
            clear[i] = clear[i] < past ? clear[i] : past;
        }
    for (size_t i = 0; i < n; i++) {
        double dx = x[i] - a->shadow_x, dy = y[i] - a->shadow_y;
        double within = x[i] * x[i] + y[i] * y[i] < in * in ? 1 : AT_RIM;
        double shut = dx * dx + dy * dy < deep * deep ? 0 : AT_EDGE;
        open[i] = clear[i] > 0 ? within : shut;
    }
}

size_t pl_aperture_edges(size_t n, size_t rows)
{
    /* cells within PL_EDGE of lines so long in all: of each vane two sides and two widths, at most
     * the pupil's own, and around the shadow; once more for where a line ends */
    size_t most = (size_t)(2 * PL_EDGE * (VANES * 4 + 2 * M_PI) + 1) * (rows + 4) * 2;
    return most < n ? most : n;
}

double pl_aperture_fill(const pl_aperture *a, const double *x, const double *y, size_t n,
                        double cell, double *open, pl_edge *edge, size_t *edges)
{
    struct vanes v = { .n = a->vanes < VANES ? a->vanes : VANES };
    double light = (double)n;
    *edges = 0;
    for (int k = 0; k < v.n; k++) {
        double t = (a->vane_deg + 360.0 * k / a->vanes) * M_PI / 180;
        v.c[k] = cos(t);
        v.s[k] = sin(t);
    }
    for (size_t first = 0; first < n; first += AT_ONCE)
        sort_out(a, &v, x + first, y + first, n - first < AT_ONCE ? n - first : AT_ONCE, cell,
                 open + first);
    for (size_t i = 0; i < n; i++) {
        if (open[i] == 1)
            continue;
        if (open[i] == AT_RIM) {
            open[i] = within_rim(x[i], y[i], cell);
        } else if (open[i] == AT_EDGE) {
            struct dual o = opening(a, v.c, v.s, v.n, x[i], y[i], cell);
            open[i] = o.v;
            if (o.dx != 0 || o.dy != 0 || o.dw != 0)
                edge[(*edges)++] = (pl_edge){ i, { o.dx, o.dy, o.dw } };
        }
        light += open[i] - 1;
    }
    return light;
}
