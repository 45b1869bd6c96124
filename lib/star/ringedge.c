/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ringedge.c - where a round, blurred edge lies: a donut's rim, or its hole.
 *
 * Pixels are gathered in cells of direction and radius about the centre. The model is a uniform
 * disc under a Gaussian blur, times a level of each direction's own; it follows the edge by
 * Gauss-Newton, one shift for each direction, and a robust low-order Fourier series through the
 * shifts moves centre and shape. The radius itself comes from the mean profile, laid over itself
 * along that shape: the disc that would hold the same light. Blur moves no light in total, so this
 * equal-area radius is exact for any symmetric blur, where any fixed level is not: the quarter
 * level lies 0.7 sigma outside a Gaussian edge. An edge softened by diffraction alone has its
 * quarter level at the geometric edge (Fresnel), its half level 3 to 6 % of the radius inside, its
 * equal-area radius 1 to 2 % (computed for f/3.1 to f/5, 300 to 1200 um, 1.5 to 4 arcsec). All
 * derived here. */
#include "ring.h"

#include <gsl/gsl_sf_bessel.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { CELLS = 160, ROUNDS = 8, TABLE = 128, FEWEST_ANGLES = 12 };

static const double SETTLED = 0.05; /* of the errors: no further round is worth its time */

/* Cells [angle][radius]: pixels, their light and their radii summed up. */
struct polar {
    double step;
    int cells;
    double count[PL_RING_ANGLES][CELLS], light[PL_RING_ANGLES][CELLS],
        radius[PL_RING_ANGLES][CELLS];
    double profile[CELLS], weight[CELLS]; /* the mean over all angles, in units of their levels */
    double table[TABLE]; /* the disc's profile from `table_from` on; 1 below, 0 above */
    double table_from, table_step;
};

/* ---- the model */

/* exp(-z) I0(z); for most z by Hankel's series (Abramowitz & Stegun 9.7.1), whose next term is
 * 3e-10 there. */
static double scaled_i0(double z)
{
    double q = 1 / (8 * z);
    if (z < 60)
        return gsl_sf_bessel_I0_scaled(z);
    return (1 + q * (1 + q * (4.5 + q * (37.5 + q * 459.375)))) / sqrt(2 * M_PI * z);
}

/* Light of a unit disc of radius a under a Gaussian of sigma w at distance r: the integral over
 * rings t of exp(-(r^2 + t^2) / 2 w^2) I0(r t / w^2) t / w^2 (derived: a Gaussian averaged over a
 * circle). Midpoint rule over the 6 sigma that count. */
static double blurred_disc(double r, double a, double w)
{
    enum { POINTS = 32 };
    double from = fmax(0, r - 6 * w), to = fmin(a, r + 6 * w), sum = 0;
    if (!(to > from))
        return 0;
    double h = (to - from) / POINTS;
    for (int i = 0; i < POINTS; i++) {
        double t = from + (i + 0.5) * h, u = (r - t) / w;
        sum += exp(-0.5 * u * u) * scaled_i0(r * t / (w * w)) * t;
    }
    return sum * h / (w * w);
}

static void fill_table(struct polar *p, const pl_edge *e)
{
    p->table_from = fmax(0, e->at - 5 * e->blur);
    p->table_step = (e->at + 5 * e->blur - p->table_from) / (TABLE - 1);
    for (int i = 0; i < TABLE; i++)
        p->table[i] = blurred_disc(p->table_from + i * p->table_step, e->at, e->blur);
}

/* The disc and its slope at a radius. */
static double disc(const struct polar *p, double r, double *slope)
{
    double t = (fabs(r) - p->table_from) / p->table_step;
    int i = (int)floor(t);
    *slope = 0;
    if (i < 0)
        return p->table[0];
    if (i >= TABLE - 1)
        return p->table[TABLE - 1];
    *slope = (p->table[i + 1] - p->table[i]) / p->table_step * (r < 0 ? -1 : 1);
    return p->table[i] + (t - i) * (p->table[i + 1] - p->table[i]);
}

static void shape_terms(int k, double term[PL_EDGE_SHAPE])
{
    double a = k * 2 * M_PI / PL_RING_ANGLES;
    const double t[PL_EDGE_SHAPE] = { 1,          cos(a),     sin(a),    cos(2 * a),
                                      sin(2 * a), cos(3 * a), sin(3 * a) };
    memcpy(term, t, sizeof t);
}

static double shape_at(const double shape[PL_EDGE_SHAPE], int k)
{
    double term[PL_EDGE_SHAPE], sum = 0;
    shape_terms(k, term);
    for (int j = 0; j < PL_EDGE_SHAPE; j++)
        sum += shape[j] * term[j];
    return sum;
}

/* ---- the pixels */

static void gather(const pl_ring_cut *c, const pl_edge *e, struct polar *p)
{
    memset(p->count, 0, sizeof p->count);
    memset(p->light, 0, sizeof p->light);
    memset(p->radius, 0, sizeof p->radius);
    p->step = fmax(0.5, e->hi / (CELLS - 1));
    p->cells = (int)(e->hi / p->step) + 1;
    p->cells = p->cells > CELLS ? CELLS : p->cells;
    int y0 = (int)ceil(e->y - e->hi) - c->y0, y1 = (int)floor(e->y + e->hi) - c->y0;
    int x0 = (int)ceil(e->x - e->hi) - c->x0, x1 = (int)floor(e->x + e->hi) - c->x0;
    for (int y = y0 > 0 ? y0 : 0; y <= y1 && y < c->h; y++)
        for (int x = x0 > 0 ? x0 : 0; x <= x1 && x < c->w; x++) {
            float v = c->v[(size_t)y * (size_t)c->w + (size_t)x];
            double dx = c->x0 + x - e->x, dy = c->y0 + y - e->y, d2 = dx * dx + dy * dy;
            if (!(v == v) || d2 >= e->hi * e->hi || d2 < e->lo * e->lo)
                continue;
            double r = sqrt(d2);
            int k = pl_ring_direction(dx, dy, PL_RING_ANGLES), i = (int)(r / p->step);
            if (i >= p->cells)
                continue;
            p->count[k][i]++;
            p->light[k][i] += v;
            p->radius[k][i] += r;
        }
}

/* ---- one direction */

struct sums {
    double tt, tv, gt, gv, gg, bt, bv, bg, bb;
};

/* Level of one direction, how far its edge lies outside the model's, and how much softer it is. */
static void fit_angle(const pl_ring_cut *c, const struct polar *p, pl_edge *e, int k)
{
    double along = shape_at(e->shape, k);
    double noise2 = c->noise * c->noise, guess = fmax(0, isfinite(e->level[k]) ? e->level[k] : 0);
    double least = noise2 + 1e-8 * guess * guess; /* frames without noise */
    struct sums s = { 0 };
    for (int i = 0; i < p->cells; i++) {
        double n = p->count[k][i], slope;
        if (!(n > 0))
            continue;
        double r = p->radius[k][i] / n, v = p->light[k][i] / n;
        double t = disc(p, r - along, &slope), g = -slope;
        if (e->hole) {
            t = 1 - t;
            g = slope;
        }
        double w = n / (least + c->photon * guess * t);
        s.tt += w * t * t;
        s.tv += w * t * v;
        s.gt += w * g * t;
        s.gv += w * g * v;
        s.gg += w * g * g;
        double b = -g * (e->at - (r - along)) / e->blur; /* derivative by the blur, of an edge */
        s.bt += w * b * t;
        s.bv += w * b * v;
        s.bg += w * b * g;
        s.bb += w * b * b;
    }
    double level = s.tv / s.tt, info = s.gg - s.gt * s.gt / s.tt;
    bool seen = level * sqrt(s.tt) > 3 && info > 0;
    e->level[k] = seen ? level : NAN;
    e->shift[k] = seen ? (s.gv - level * s.gt) / (level * info) : NAN;
    e->shift_sigma[k] = seen ? 1 / (level * sqrt(info)) : NAN;
    double left = s.bv - level * s.bt - level * e->shift[k] * s.bg;
    e->soft[k] = seen && s.bb > 0 ? left / (level * s.bb * e->blur) : NAN;
    e->soft_sigma[k] = seen && s.bb > 0 ? 1 / (level * sqrt(s.bb) * e->blur) : NAN;
    double most = 2.5 * e->blur + 1; /* beyond it a linear step means nothing but a direction */
    if (e->shift_sigma[k] > 2 * most)
        e->shift[k] = NAN;
    else
        e->shift[k] = fmin(most, fmax(-most, e->shift[k]));
}

/* Directions far darker than the rest show no edge of their own: a vane, a gap. */
static void drop_dark(pl_edge *e)
{
    double v[PL_RING_ANGLES];
    size_t n = 0;
    for (int k = 0; k < PL_RING_ANGLES; k++)
        if (isfinite(e->level[k]))
            v[n++] = e->level[k];
    double median = pl_median(v, n);
    for (int k = 0; k < PL_RING_ANGLES; k++)
        if (!(e->level[k] > 0.4 * median))
            e->shift[k] = NAN;
}

/* ---- all directions */

/* A robust series through the shifts.
 *   coef, cov  out  of the terms
 *   scale      out  scatter about it over the shifts' own errors */
static bool fit_shape(pl_edge *e, double coef[PL_EDGE_SHAPE],
                      double cov[PL_EDGE_SHAPE * PL_EDGE_SHAPE], double *scale)
{
    double row[PL_RING_ANGLES][PL_EDGE_SHAPE], rhs[PL_RING_ANGLES], rest[PL_RING_ANGLES];
    size_t n = 0;
    for (int k = 0; k < PL_RING_ANGLES; k++) {
        if (!isfinite(e->shift[k]))
            continue;
        shape_terms(k, row[n]);
        for (int j = 0; j < PL_EDGE_SHAPE; j++)
            row[n][j] /= e->shift_sigma[k];
        rhs[n++] = e->shift[k] / e->shift_sigma[k];
    }
    if (n < FEWEST_ANGLES ||
        pl_lsq_fit(&row[0][0], rhs, n, PL_EDGE_SHAPE, coef, cov, scale, NULL) != PL_OK)
        return false;
    n = 0;
    for (int k = 0; k < PL_RING_ANGLES; k++)
        if (isfinite(e->shift[k]))
            rest[n++] = e->shift[k] - shape_at(coef, k);
    e->scatter = pl_mad_sigma(rest, n, 0);
    return true;
}

/* The mean profile along the edge's shape: each direction in units of its level. */
static void lay_over(struct polar *p, const pl_edge *e, const double coef[PL_EDGE_SHAPE])
{
    memset(p->profile, 0, sizeof p->profile);
    memset(p->weight, 0, sizeof p->weight);
    for (int k = 0; k < PL_RING_ANGLES; k++) {
        if (!isfinite(e->shift[k]))
            continue;
        double along = shape_at(e->shape, k) + shape_at(coef, k) - coef[0] - e->shape[0];
        for (int i = 0; i < p->cells; i++) {
            if (!(p->count[k][i] > 0))
                continue;
            double r = p->radius[k][i] / p->count[k][i] - along;
            int j = (int)(fmax(0, r) / p->step);
            if (j >= p->cells)
                continue;
            p->profile[j] += p->light[k][i] / e->level[k];
            p->weight[j] += p->count[k][i];
        }
    }
    double last = e->hole ? 0 : 1;
    for (int j = 0; j < p->cells; j++)
        last = p->profile[j] = p->weight[j] > 0 ? p->profile[j] / p->weight[j] : last;
}

/* Mean of the profile between two radii. */
static double flat_level(const struct polar *p, double lo, double hi)
{
    double sum = 0, n = 0;
    for (int j = (int)(lo / p->step); j <= (int)(hi / p->step) && j < p->cells; j++) {
        sum += p->profile[j] * p->weight[j];
        n += p->weight[j];
    }
    return sum / n;
}

/* Radius where the profile, seen from the ring, first falls below a level. */
static double crossing(const struct polar *p, double from, double level)
{
    int j = (int)(from / p->step);
    while (j + 1 < p->cells && p->profile[j + 1] >= level)
        j++;
    if (j + 1 >= p->cells)
        return NAN;
    double a = p->profile[j], b = p->profile[j + 1];
    return (j + 0.5 + (a > level ? (a - level) / (a - b) : 0)) * p->step;
}

/* Radius by area, and the blur of a rim. */
static bool size_up(const struct polar *p, pl_edge *e)
{
    double flat = flat_level(p, e->flat_lo, e->flat_hi);
    int from = (int)round((e->hole ? e->flat_lo : e->flat_hi) / p->step); /* a cell's border */
    double area = e->hole ? 0 : pow(from * p->step, 2);
    for (int j = e->hole ? 0 : from; j < (e->hole ? from : p->cells); j++) {
        double part = p->profile[j] / flat, ring = (2 * j + 1) * p->step * p->step;
        area += ring * (e->hole ? 1 - part : part);
    }
    if (!(flat > 0 && area > 0))
        return false;
    e->radius = sqrt(area);
    if (e->hole) {
        e->at = fmax(e->radius, 0.5);
        return true;
    }
    /* Gaussian quartiles lie 2 x 0.6745 sigma apart */
    double blur =
        (crossing(p, from * p->step, 0.25 * flat) - crossing(p, from * p->step, 0.75 * flat)) /
        1.349;
    if (!isfinite(blur))
        return false;
    e->blur = fmin(fmax(blur, 0.4), 0.4 * e->at);
    return true;
}

/* Move the model onto the edge. */
static void follow(pl_edge *e, const double coef[PL_EDGE_SHAPE])
{
    e->x += coef[1];
    e->y += coef[2];
    if (!e->hole)
        e->at = fmax(1, e->at + coef[0]);
    for (int j = 3; j < PL_EDGE_SHAPE; j++)
        e->shape[j] = fmin(fmax(e->shape[j] + coef[j], -0.3 * e->at), 0.3 * e->at);
}

static bool round_is_small(const double coef[PL_EDGE_SHAPE],
                           const double cov[PL_EDGE_SHAPE * PL_EDGE_SHAPE])
{
    for (int j = 1; j < PL_EDGE_SHAPE; j++)
        if (fabs(coef[j]) > SETTLED * sqrt(cov[j * PL_EDGE_SHAPE + j]))
            return false;
    return true;
}

/* Shifts become what the edge is beside its circle; wild ones are not seen. */
static void finish(pl_edge *e, const double coef[PL_EDGE_SHAPE],
                   const double cov[PL_EDGE_SHAPE * PL_EDGE_SHAPE], double scale)
{
    e->sigma = sqrt(0.5 * (cov[PL_EDGE_SHAPE + 1] + cov[2 * PL_EDGE_SHAPE + 2]));
    for (int k = 0; k < PL_RING_ANGLES; k++) {
        double rest = e->shift[k] - shape_at(coef, k);
        e->shift_sigma[k] *= fmax(1, scale);
        if (fabs(rest) > 5 * fmax(e->scatter, e->shift_sigma[k]))
            e->shift[k] = NAN;
        if (!isfinite(e->shift[k]))
            e->shift_sigma[k] = NAN;
        e->shift[k] += shape_at(e->shape, k) - coef[0];
    }
}

bool pl_edge_fit(const pl_ring_cut *cut, pl_edge *e)
{
    double coef[PL_EDGE_SHAPE], cov[PL_EDGE_SHAPE * PL_EDGE_SHAPE], scale;
    struct polar *p = malloc(sizeof *p);
    bool ok = p != NULL;
    if (!p)
        pl_memory_short();
    bool settled = false;
    for (int round = 0; ok && !settled && round < ROUNDS; round++) {
        gather(cut, e, p);
        fill_table(p, e);
        for (int k = 0; k < PL_RING_ANGLES; k++)
            fit_angle(cut, p, e, k);
        drop_dark(e);
        ok = fit_shape(e, coef, cov, &scale);
        if (ok) {
            lay_over(p, e, coef);
            ok = size_up(p, e);
        }
        settled = ok && round > 0 && round_is_small(coef, cov);
        if (ok && !settled && round < ROUNDS - 1)
            follow(e, coef);
    }
    if (ok)
        finish(e, coef, cov, scale);
    free(p);
    return ok;
}
