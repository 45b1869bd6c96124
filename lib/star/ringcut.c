/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ringcut.c - one wide object's pixels above its own sky.
 *
 * The sky is a plane through the clipped means of 36 sectors of an annulus outside the rim; light
 * of other objects is left out by the map of the search, and what stays of it pulls a robust fit of
 * sectors little. */
#include "ring.h"

#include <math.h>
#include <stdlib.h>

enum { SECTORS = 36, FEWEST = 6, FEWEST_SECTORS = 9 };

static int min_int(int a, int b)
{
    return a < b ? a : b;
}

/* Whose bin a pixel lies in (see pl_ring_map). */
static int32_t owner(const pl_ring_map *map, int x, int y)
{
    int bx = min_int(x / PL_RING_BIN, map->w - 1), by = min_int(y / PL_RING_BIN, map->h - 1);
    return map->of[(size_t)by * (size_t)map->w + (size_t)bx];
}

int pl_ring_direction(double dx, double dy, int parts)
{
    double ax = fabs(dx), ay = fabs(dy), most = fmax(ax, ay);
    if (!(most > 0))
        return 0;
    double z = fmin(ax, ay) / most, q = z * z;
    double a =
        z * (0.9998660 + q * (-0.3302995 + q * (0.1801410 + q * (-0.0851330 + q * 0.0208351))));
    a = ay > ax ? M_PI_2 - a : a;
    a = dx < 0 ? M_PI - a : a;
    a = dy < 0 ? 2 * M_PI - a : a;
    return (int)(a / (2 * M_PI) * parts + 0.5) % parts;
}

static double distance(const pl_ring_cut *c, int i, double x, double y)
{
    return pl_ring_distance(c->x0 + i % c->w - x, c->y0 + i / c->w - y);
}

/* Count what is clipped or missing in the disc, and take out other colours and other objects. */
static void choose_pixels(const pl_ring_site *s, size_t seed, pl_ring_cut *c)
{
    const pl_ring_seed *at = &s->map->seed[seed];
    double inside = 0, clipped = 0, absent = 0;
    for (int i = 0; i < c->w * c->h; i++) {
        int x = c->x0 + i % c->w, y = c->y0 + i / c->w;
        if (s->mosaic[0] && s->mosaic[2 * (y & 1) + (x & 1)] != 'G') {
            c->v[i] = NAN;
            continue;
        }
        int32_t of = owner(s->map, x, y);
        if (of == (int32_t)seed + 1 || distance(c, i, at->x_px, at->y_px) < at->r_px) {
            inside++;
            clipped += c->v[i] >= s->saturation;
            absent += !isfinite(c->v[i]);
        }
        if (of > 0 && of != (int32_t)seed + 1)
            c->v[i] = NAN;
    }
    c->clipped = clipped / inside;
    c->absent = absent / inside;
}

/* Mean and scatter of the values within 2.5 sigma of their median (2.5: common practice; 1.0476:
 * what that takes off a Gaussian's sigma). */
static double clipped_mean(double *v, size_t n, double *sigma)
{
    double c = pl_median(v, n), sum = 0, sq = 0, m = 0;
    double *rest = v + n; /* room for as many again */
    for (size_t i = 0; i < n; i++)
        rest[i] = v[i] - c;
    double limit = 2.5 * pl_mad_sigma(rest, n, 0);
    for (size_t i = 0; i < n; i++)
        if (fabs(v[i] - c) <= limit) {
            sum += v[i] - c;
            sq += (v[i] - c) * (v[i] - c);
            m++;
        }
    *sigma = 1.0476 * sqrt(fmax(0, sq / m - (sum / m) * (sum / m)));
    return c + sum / m;
}

struct sector {
    double level, sigma, x, y; /* mean, scatter of a pixel; where, from the centre in units of r */
    size_t n;
};

/* The annulus' sectors. masked: leave out all light of the map.
 *   spare  [2 w h] */
static int survey(const pl_ring_site *s, const pl_ring_seed *at, const pl_ring_cut *c, bool masked,
                  double *spare, struct sector sector[SECTORS])
{
    double lo = 1.25 * at->r_px + 4, hi = 1.6 * at->r_px + 14;
    int good = 0;
    for (int k = 0; k < SECTORS; k++) {
        struct sector q = { 0 };
        double way = k * 2 * M_PI / SECTORS, far = hi * 1.01;
        int x0 = (int)floor(at->x_px + fmin(0, far * cos(way)) - 0.1 * hi),
            x1 = (int)ceil(at->x_px + fmax(0, far * cos(way)) + 0.1 * hi),
            y0 = (int)floor(at->y_px + fmin(0, far * sin(way)) - 0.1 * hi),
            y1 = (int)ceil(at->y_px + fmax(0, far * sin(way)) + 0.1 * hi);
        for (int y = y0 > c->y0 ? y0 : c->y0; y <= min_int(y1, c->y0 + c->h - 1); y++)
            for (int x = x0 > c->x0 ? x0 : c->x0; x <= min_int(x1, c->x0 + c->w - 1); x++) {
                double dx = x - at->x_px, dy = y - at->y_px, d2 = dx * dx + dy * dy;
                float v = c->v[(size_t)(y - c->y0) * (size_t)c->w + (size_t)(x - c->x0)];
                if (d2 < lo * lo || d2 > hi * hi || !isfinite(v) ||
                    pl_ring_direction(dx, dy, SECTORS) != k || (masked && owner(s->map, x, y) != 0))
                    continue;
                spare[q.n++] = v;
                q.x += dx / at->r_px;
                q.y += dy / at->r_px;
            }
        if (q.n >= FEWEST) {
            q.x /= (double)q.n;
            q.y /= (double)q.n;
            q.level = clipped_mean(spare, q.n, &q.sigma);
            sector[good++] = q;
        }
    }
    return good;
}

/* A plane through the sectors: [0] at the centre, [1], [2] slopes a radius; a constant when they do
 * not surround the object. */
static void fit_plane(const struct sector *q, int n, double noise, double plane[3])
{
    double row[SECTORS][3], rhs[SECTORS];
    for (int k = 0; k < n; k++) {
        double sigma = noise > 0 ? noise / sqrt((double)q[k].n) : 1;
        row[k][0] = 1 / sigma;
        row[k][1] = q[k].x / sigma;
        row[k][2] = q[k].y / sigma;
        rhs[k] = q[k].level / sigma;
    }
    if (n < SECTORS / 2 ||
        pl_lsq_fit(&row[0][0], rhs, (size_t)n, 3, plane, NULL, NULL, NULL) != PL_OK) {
        for (int k = 0; k < n; k++)
            rhs[k] = q[k].level;
        plane[0] = pl_median(rhs, (size_t)n);
        plane[1] = plane[2] = 0;
    }
}

static pl_status take_sky(const pl_ring_site *s, const pl_ring_seed *at, pl_ring_cut *c,
                          pl_err *err)
{
    struct sector q[SECTORS];
    double sigma[SECTORS], plane[3];
    double *spare = malloc(sizeof *spare * 2 * (size_t)c->w * (size_t)c->h);
    if (!spare)
        return pl_fail(err, PL_ENOMEM, "out of memory for a ring's sky");
    int n = survey(s, at, c, true, spare, q);
    if (n < FEWEST_SECTORS)
        n = survey(s, at, c, false, spare, q);
    free(spare);
    if (n < FEWEST_SECTORS)
        return pl_fail(err, PL_ENODATA, "no sky around a ring");
    for (int k = 0; k < n; k++)
        sigma[k] = q[k].sigma;
    c->noise = pl_median(sigma, (size_t)n);
    fit_plane(q, n, c->noise, plane);
    c->sky = plane[0];
    for (int i = 0; i < c->w * c->h; i++) {
        double u = (c->x0 + i % c->w - at->x_px) / at->r_px;
        double v = (c->y0 + i / c->w - at->y_px) / at->r_px;
        c->v[i] -= (float)(plane[0] + plane[1] * u + plane[2] * v);
    }
    return PL_OK;
}

pl_status pl_ring_cut_new(const pl_ring_site *site, size_t seed, pl_ring_cut *out, pl_err *err)
{
    const pl_ring_seed *at = &site->map->seed[seed];
    int r = (int)ceil(1.6 * at->r_px) + 15;
    int cx = (int)lround(at->x_px), cy = (int)lround(at->y_px);
    pl_ring_cut c = { .x0 = cx > r ? cx - r : 0, .y0 = cy > r ? cy - r : 0 };
    c.w = min_int(cx + r, site->frame->width - 1) - c.x0 + 1;
    c.h = min_int(cy + r, site->frame->height - 1) - c.y0 + 1;
    c.share = site->mosaic[0] ? 0.5 : 1;
    c.v = malloc(sizeof *c.v * (size_t)c.w * (size_t)c.h);
    pl_status st = c.v ? pl_frame_read(site->frame, c.x0, c.y0, c.w, c.h, c.v, err)
                       : pl_fail(err, PL_ENOMEM, "out of memory for a ring");
    if (st == PL_OK) {
        choose_pixels(site, seed, &c);
        st = take_sky(site, at, &c, err);
    }
    if (st != PL_OK && st != PL_ENODATA) {
        pl_ring_cut_clear(&c);
        return st;
    }
    if (st == PL_ENODATA)
        c.sky = c.noise = NAN;
    *out = c;
    return st;
}

void pl_ring_cut_clear(pl_ring_cut *cut)
{
    free(cut->v);
    cut->v = NULL;
}

/* The mixed second difference of a square of pixels of one colour, whose noise is that of one
 * pixel; NaN when a corner is not to be used. Fringes and slopes of a ring leave little in it. */
static double twist(const pl_ring_cut *c, int i, double x, double y, double inner, double outer)
{
    int step = c->share < 1 ? 2 : 1;
    if (i % c->w + step >= c->w || i / c->w + step >= c->h)
        return NAN;
    const int corner[4] = { i, i + step, i + step * c->w, i + step * (c->w + 1) };
    for (int k = 0; k < 4; k++) {
        double r = distance(c, corner[k], x, y);
        if (r < inner || r > outer)
            return NAN;
    }
    return 0.5 * ((double)c->v[corner[0]] - c->v[corner[1]] - c->v[corner[2]] + c->v[corner[3]]);
}

pl_status pl_ring_cut_noise(pl_ring_cut *c, double x, double y, double inner, double outer,
                            pl_err *err)
{
    size_t all = (size_t)c->w * (size_t)c->h, n = 0, m = 0;
    double *d = malloc(sizeof *d * 2 * all);
    if (!d)
        return pl_fail(err, PL_ENOMEM, "out of memory for a ring");
    double *light = d + all;
    for (int i = 0; i < c->w * c->h; i++) {
        double r = distance(c, i, x, y), t;
        if (r < inner || r > outer || !isfinite(c->v[i]))
            continue;
        light[m++] = c->v[i];
        t = twist(c, i, x, y, inner, outer);
        if (isfinite(t))
            d[n++] = t;
    }
    double level = pl_median(light, m);
    double sigma = n >= 20 ? pl_mad_sigma(d, n, 0) : pl_mad_sigma(light, m, level);
    c->photon = level > 0 ? fmax(0, (sigma * sigma - c->noise * c->noise) / level) : 0;
    free(d);
    return PL_OK;
}
