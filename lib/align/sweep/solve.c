/* SPDX-License-Identifier: GPL-3.0-or-later */
/* solve.c - the best fit to a series: where to start, how far the air of one frame may differ
 * from that of the next, and, without positions, which frames stood on the other side. */
#include "sweep.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { AIR_ROUNDS = 4, STARTS_MAX = 6 };

/* Scatter of ln air between frames: expected before it is known, and its bounds. */
static const double AIR_SIGMA = 0.12, AIR_LEAST = 0.02, AIR_MOST = 0.3;
/* By how much the sharpest frame's air, were it in focus, is mostly better than the typical:
 * chosen, with SHARPEST_SIGMA, after made-up series whose air scatters by 0.12 to 0.15, a trial
 * that is not kept; tests/reference/sweep.py asks whether best focus and the places' errors are
 * right with it.
 */
static const double AIR_BETTER = 0.05;
static const double LASH_START = 10; /* um */
/* A frame this many sigma off is loosened: a gust or a guiding error, no part of the scatter. */
static const double AIR_ODD = 2;

double pl_sweep_level(const pl_sweep_work *w, size_t frame)
{
    double sum = 0, weight = 0;
    for (size_t i = 0; i < w->cells; i++)
        if (w->cell[i].frame == frame) {
            double v = 1 / (w->cell[i].sigma * w->cell[i].sigma);
            sum += v * w->cell[i].ln_fwhm;
            weight += v;
        }
    return sum / weight;
}

static size_t sharpest(const pl_sweep_work *w)
{
    size_t best = w->cell[0].frame;
    for (size_t i = best + 1; i < w->frames; i++)
        if (pl_sweep_level(w, i) < pl_sweep_level(w, best))
            best = i;
    return best;
}

/* ln of the air that gives a frame its width at that defocus, within a factor of 1.6 of `air`. */
static double air_for(const pl_sizes *sizes, double level, double defocus, double air)
{
    double lo = log(air / 1.6), hi = log(air * 1.6);
    for (int i = 0; i < 30; i++) {
        double mid = (lo + hi) / 2;
        *(pl_sizes_at(sizes, defocus, mid, NULL, NULL) < level ? &lo : &hi) = mid;
    }
    return (lo + hi) / 2;
}

void pl_sweep_start_air(const pl_sweep_model *m, double air, double *x)
{
    x[PL_SW_TYPICAL] = log(air);
    for (size_t i = 0; i < m->w->frames; i++)
        x[PL_SW_SHARED + i] =
            air_for(&m->w->sizes[i], pl_sweep_level(m->w, i), pl_sweep_defocus(m, x, i), air);
}

bool pl_sweep_try(const pl_sweep_model *m, double *x, double *best, double *best_cost, double *own)
{
    double cost = INFINITY;
    bool better = pl_sweep_fit(m, x, NULL, &cost, NULL) == PL_OK && cost < *best_cost;
    if (own)
        *own = cost;
    if (!better)
        return false;
    memcpy(best, x, sizeof *x * pl_sweep_unknowns(m));
    *best_cost = cost;
    return true;
}

/* Vertex of the parabola through the squares of the widths; NaN when it opens downwards. */
static double vertex(const pl_sweep_work *w)
{
    double rows[PL_SWEEP_FRAMES * 3], rhs[PL_SWEEP_FRAMES], c[3];
    size_t n = 0;
    for (size_t i = 0; i < w->frames; i++) {
        double at = w->at_um[i] / 100, square = exp(2 * pl_sweep_level(w, i));
        double weight = 1 / square; /* errors are a part of the square */
        if (isnan(square))
            continue;
        rows[3 * n] = weight;
        rows[3 * n + 1] = weight * at;
        rows[3 * n + 2] = weight * at * at;
        rhs[n++] = weight * square;
    }
    if (pl_lsq_fit(rows, rhs, n, 3, c, NULL, NULL, NULL) != PL_OK || !(c[2] > 0))
        return NAN;
    return -c[1] / (2 * c[2]) * 100;
}

/* Blur of the widest frame over its distance from the sharpest, in the numbers of at_um. */
static double rough_scale(const pl_sweep_work *w, size_t best, double air)
{
    size_t far = best;
    for (size_t i = 0; i < w->frames; i++)
        if (w->s.frame[i].used &&
            fabs(w->at_um[i] - w->at_um[best]) > fabs(w->at_um[far] - w->at_um[best]))
            far = i;
    if (far == best)
        return 1;
    double out = pl_sweep_how_far(&w->sizes[far], pl_sweep_level(w, far), air);
    return fmax(out, 1) / fabs(w->at_um[far] - w->at_um[best]);
}

static size_t places(const pl_sweep_work *w, size_t best, double *out)
{
    double lo = INFINITY, hi = -INFINITY;
    for (size_t i = 0; i < w->frames; i++) {
        lo = fmin(lo, w->at_um[i]);
        hi = fmax(hi, w->at_um[i]);
    }
    size_t n = 0;
    out[n++] = w->at_um[best];
    double middle = vertex(w);
    if (isfinite(middle))
        out[n++] = fmax(lo - (hi - lo), fmin(hi + (hi - lo), middle));
    if (w->at_um[best] == lo)
        out[n++] = lo - (hi - lo) / 3;
    if (w->at_um[best] == hi)
        out[n++] = hi + (hi - lo) / 3;
    return n;
}

static bool search_positions(const pl_sweep_model *m, double air, double *x, double *best)
{
    const pl_sweep_work *w = m->w;
    double cost = INFINITY, place[STARTS_MAX];
    size_t sharp = sharpest(w), n = places(w, sharp, place), all = pl_sweep_unknowns(m);
    double scale = m->scale ? rough_scale(w, sharp, air) : 1;
    int spread = m->scale ? 1 : 0;
    for (size_t i = 0; i < n; i++)
        for (int k = -spread; k <= spread; k++) {
            memset(x, 0, sizeof *x * all);
            x[PL_SW_BEST] = place[i];
            x[PL_SW_SCALE] = log(scale) + 0.4 * k;
            x[PL_SW_LASH] = m->lash ? LASH_START / scale : 0; /* at nought it has no slope */
            pl_sweep_start_air(m, air, x);
            pl_sweep_try(m, x, best, &cost, NULL);
        }
    return isfinite(cost);
}

/* How the air scattered, from the fit: each frame's difference and what is not known of it. */
static void learn_air(pl_sweep_model *m, const double *x, const double *cov)
{
    size_t n = m->w->frames, all = pl_sweep_unknowns(m), t = PL_SW_TYPICAL;
    double sum = 0, weights = 0;
    for (size_t i = 0; i < n; i++) {
        size_t k = PL_SW_SHARED + i;
        double d = x[k] - x[t];
        double unknown = cov[k * all + k] + cov[t * all + t] - 2 * cov[k * all + t];
        double weight = 1 / (m->air_loose[i] * m->air_loose[i]);
        sum += weight * (d * d + fmax(0, unknown));
        weights += weight;
    }
    sum *= (double)n / (double)(n - 1); /* their mean is theirs, too */
    m->air_sigma = fmax(AIR_LEAST, fmin(AIR_MOST, sqrt(sum / weights)));
    for (size_t i = 0; i < n; i++) {
        double off = fabs(x[PL_SW_SHARED + i] - x[t]) / m->air_sigma;
        m->air_loose[i] = off > AIR_ODD ? off / AIR_ODD : 1;
    }
}

static pl_status no_curve(pl_err *err)
{
    return pl_fail(err, PL_ENODATA,
                   "the widths of the stars follow no curve through focus: move further to both "
                   "sides, or look at the frames one by one (plumb-field)");
}

pl_status pl_sweep_refine(pl_sweep_model *m, double *x, double *cov, pl_err *err)
{
    for (int round = 0; round < AIR_ROUNDS; round++) {
        if (round > 0)
            learn_air(m, x, cov);
        if (pl_sweep_fit(m, x, cov, NULL, NULL) != PL_OK)
            return no_curve(err);
    }
    return PL_OK;
}

pl_status pl_sweep_search(pl_sweep_work *w, pl_sweep_model *m, double **x_out, double **cov_out,
                          pl_err *err)
{
    size_t all = pl_sweep_unknowns(m);
    double *x = malloc(sizeof *x * all), *work = malloc(sizeof *work * all),
           *cov = malloc(sizeof *cov * all * all);
    size_t sharp = sharpest(w);
    double level = pl_sweep_level(w, sharp), air = exp(level);
    pl_status rc = PL_OK;
    m->air_sigma = AIR_SIGMA;
    m->air_ln = air_for(&w->sizes[sharp], level, 0, air) + AIR_BETTER;
    if (!x || !work || !cov)
        rc = pl_fail(err, PL_ENOMEM, "out of memory");
    else if (m->blind)
        rc = pl_sweep_search_blind(m, air, work, x, &w->by_order, err);
    else if (!search_positions(m, air, work, x))
        rc = no_curve(err);
    if (rc == PL_OK)
        rc = pl_sweep_refine(m, x, cov, err);
    free(work);
    if (rc == PL_OK) {
        *x_out = x;
        *cov_out = cov;
        return PL_OK;
    }
    free(x);
    free(cov);
    return rc;
}
