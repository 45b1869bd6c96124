/* SPDX-License-Identifier: GPL-3.0-or-later */
/* blind.c - where frames without positions stood, roughly: how far by their blur, on which
 * side by the pattern that tilt and curvature draw on the field, or by their order.
 *
 * The square of the width grows as (z - S)^2, so over the field it slopes as -2 z grad S: the same
 * pattern in every frame, times the defocus and its sign. */
#include "sweep.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { TERMS = 4 }; /* level, x, y, r^2 */

/* What the air may do to ln FWHM from one frame to the next. */
static const double AIR_DOES = 0.35;
/* A frame so near focus has no side to speak of, um. */
static const double NEAR_UM = 5;
/* Growth of ln FWHM from the sharpest to the widest frame that the air alone may make. */
static const double AIR_ALONE = 0.3;
/* Difference of chi square that tells one side from the other. */
static const double SURE = 9;

struct slope {
    double level; /* ln um */
    double v[3];  /* of FWHM^2, each over its typical error */
};

static bool slope_of(const pl_sweep_work *w, size_t frame, struct slope *out, double sigma[3])
{
    double rows[PL_SWEEP_CELLS * TERMS], rhs[PL_SWEEP_CELLS], coef[TERMS], cov[TERMS * TERMS];
    size_t n = 0;
    for (size_t i = 0; i < w->cells; i++) {
        const pl_sweep_cell *c = &w->cell[i];
        if (c->frame != frame || n == PL_SWEEP_CELLS)
            continue;
        double x = 2 * c->x_mm / w->width_mm, y = 2 * c->y_mm / w->height_mm;
        double r2 = (c->x_mm * c->x_mm + c->y_mm * c->y_mm) / (w->half_mm * w->half_mm);
        double row[TERMS] = { 1, x, y, r2 - 1.0 / 3 };
        for (int k = 0; k < TERMS; k++)
            rows[n * TERMS + (size_t)k] = row[k] / c->sigma;
        rhs[n++] = c->ln_fwhm / c->sigma;
    }
    if (pl_lsq_fit(rows, rhs, n, TERMS, coef, cov, NULL, NULL) != PL_OK)
        return false;
    out->level = coef[0];
    double square = 2 * exp(2 * coef[0]); /* d FWHM^2 = 2 FWHM^2 d ln FWHM */
    for (int k = 0; k < 3; k++) {
        out->v[k] = square * coef[k + 1];
        sigma[k] = square * sqrt(cov[(k + 1) * TERMS + k + 1]);
    }
    return true;
}

/* Leading direction of the slopes, by power iteration from their largest. */
static void common_pattern(const struct slope *s, size_t n, double axis[3])
{
    size_t big = 0;
    for (size_t i = 1; i < n; i++)
        if (hypot(hypot(s[i].v[0], s[i].v[1]), s[i].v[2]) >
            hypot(hypot(s[big].v[0], s[big].v[1]), s[big].v[2]))
            big = i;
    memcpy(axis, s[big].v, sizeof s[big].v);
    for (int round = 0; round < 50; round++) {
        double next[3] = { 0 };
        for (size_t i = 0; i < n; i++) {
            double along = s[i].v[0] * axis[0] + s[i].v[1] * axis[1] + s[i].v[2] * axis[2];
            for (int k = 0; k < 3; k++)
                next[k] += along * s[i].v[k];
        }
        double length = hypot(hypot(next[0], next[1]), next[2]);
        for (int k = 0; k < 3; k++)
            axis[k] = length > 0 ? next[k] / length : 0;
    }
}

/* Where each frame's middle stood: by the pattern, and by the order, the sharpest one dividing the
 * series. Gives: whether there is a pattern at all. */
static bool guess(const pl_sweep_work *w, double air_um, double *by_pattern, double *by_order)
{
    struct slope slope[PL_SWEEP_FRAMES] = { { 0 } };
    double sigma[PL_SWEEP_FRAMES][3], typical[3] = { 0 }, axis[3], strength = 0;
    size_t sharpest = 0, told = 0;
    for (size_t i = 0; i < w->frames; i++) {
        bool ok = slope_of(w, i, &slope[i], sigma[i]);
        if (!ok)
            slope[i].level = pl_sweep_level(w, i);
        for (int k = 0; ok && k < 3; k++)
            typical[k] += sigma[i][k];
        told += ok;
        if (slope[i].level < slope[sharpest].level || isnan(slope[sharpest].level))
            sharpest = i;
    }
    for (size_t i = 0; i < w->frames; i++)
        for (int k = 0; k < 3; k++)
            slope[i].v[k] *= told ? (double)told / typical[k] : 0;
    common_pattern(slope, w->frames, axis);
    for (size_t i = 0; i < w->frames; i++) {
        double along = slope[i].v[0] * axis[0] + slope[i].v[1] * axis[1] + slope[i].v[2] * axis[2];
        double far = pl_sweep_how_far(&w->sizes[i], slope[i].level, air_um);
        strength += along * along;
        by_pattern[i] = along < 0 ? -far : far;
        by_order[i] = i < sharpest ? -far : far;
    }
    return strength > 25 + (double)w->frames; /* five sigma beyond chance */
}

static double growth(const pl_sweep_work *w)
{
    double least = INFINITY, most = -INFINITY;
    for (size_t i = 0; i < w->frames; i++) {
        double level = pl_sweep_level(w, i);
        least = fmin(least, level); /* NaN loses */
        most = fmax(most, level);
    }
    return most - least;
}

/* Whether widths fall to the sharpest frame and rise after it, but for what the air does. */
static bool one_way(const pl_sweep_work *w)
{
    double last = NAN, least = INFINITY;
    bool rising = false;
    for (size_t i = 0; i < w->frames; i++) {
        double level = pl_sweep_level(w, i);
        if (isnan(level))
            continue;
        least = fmin(least, level);
        if (level > least + AIR_DOES)
            rising = true;
        if (rising && level < last - AIR_DOES)
            return false;
        last = rising ? fmax(level, last) : level;
    }
    return true;
}

static bool fit_from(const pl_sweep_model *m, const double *defocus, double air, double *x,
                     double *best, double *cost)
{
    const pl_sweep_work *w = m->w;
    memset(x, 0, sizeof *x * pl_sweep_unknowns(m));
    memcpy(x + PL_SW_SHARED + w->frames, defocus, sizeof *x * w->frames);
    pl_sweep_start_air(m, air, x);
    return pl_sweep_try(m, x, best, cost, NULL);
}

/* One frame at a time to the other side of focus, and kept there when that fits better. Gives: how
 * many frames well out of focus fit about as well on either side. */
static size_t flip(const pl_sweep_model *m, double *x, double *best, double *cost)
{
    size_t all = pl_sweep_unknowns(m), z0 = PL_SW_SHARED + m->w->frames, doubtful = 0;
    for (size_t i = 0; i < m->w->frames; i++) {
        double here = best[z0 + i], before = *cost, own = INFINITY;
        memcpy(x, best, sizeof *x * all);
        x[z0 + i] = fabs(here) < NEAR_UM ? copysign(2 * NEAR_UM, -here) : -here;
        pl_sweep_try(m, x, best, cost, &own);
        bool crossed = x[z0 + i] * here < 0;
        doubtful += crossed && fabs(here) > 4 * NEAR_UM && fabs(own - before) < SURE;
    }
    return doubtful;
}

pl_status pl_sweep_search_blind(const pl_sweep_model *m, double air_um, double *work, double *x,
                                bool *by_order, pl_err *err)
{
    const pl_sweep_work *w = m->w;
    double pattern[PL_SWEEP_FRAMES], order[PL_SWEEP_FRAMES], cost = INFINITY;
    double grown = growth(w);
    if (grown < AIR_ALONE)
        return pl_fail(err, PL_ENODATA,
                       "the widest stars are only %.0f %% wider than the sharpest: without "
                       "positions that may be the air alone; take frames further from focus",
                       100 * (exp(grown) - 1));
    bool told = guess(w, air_um, pattern, order), unfolded = one_way(w);
    if (told && fit_from(m, pattern, air_um, work, x, &cost))
        told = flip(m, work, x, &cost) * 4 <= w->frames;
    *by_order = !told;
    if (!told && !unfolded)
        return pl_fail(err, PL_ENODATA,
                       "on which side of focus each frame stood cannot be told: the field is too "
                       "even to show it, and the frames do not go through focus one way; give "
                       "them in that order, or their positions (--positions)");
    if (!told)
        cost = INFINITY;
    if (unfolded)
        fit_from(m, order, air_um, work, x, &cost);
    return isfinite(cost) ? PL_OK
                          : pl_fail(err, PL_ENODATA,
                                    "the widths of the stars follow no curve through focus: move "
                                    "further to both sides");
}
