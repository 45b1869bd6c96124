/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sweepmodel.c - what the widths of a whole series should be, and least squares on them. */
#include "sweep.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Unknowns are fitted in units in which they are of order one; expectations (1 sigma) in theirs:
 * wide enough that any telescope that takes pictures fits in. */
static const double UNIT[PL_SW_SHARED] = { 10, 1, 1, 5, 10, 10, 10, 0.1, 0.1, 10 };
static const double TILT_SIGMA = 30, CURVE_SIGMA = 100, LASH_SIGMA = 100, BLIND_SIGMA = 1000;

enum { FIRM_SHARED = 8 }; /* expectations besides each frame's air */

size_t pl_sweep_unknowns(const pl_sweep_model *m)
{
    return PL_SW_SHARED + m->w->frames * (m->blind ? 2 : 1);
}

/* Where the drawtube is when the focuser says `at`: it follows within half the play of what pushes
 * it (the play operator), having come the way of the first move. */
static double dragged(const double *at, size_t frame, double play)
{
    double half = fabs(play) / 2, y = at[0];
    size_t first = 1;
    while (first <= frame && at[first] == at[0])
        first++;
    if (first <= frame)
        y -= at[first] > at[0] ? half : -half;
    for (size_t i = 1; i <= frame; i++)
        y = fmax(at[i] - half, fmin(at[i] + half, y));
    return y;
}

double pl_sweep_defocus(const pl_sweep_model *m, const double *x, size_t frame)
{
    const pl_sweep_work *w = m->w;
    if (m->blind)
        return x[PL_SW_SHARED + w->frames + frame];
    double at = m->lash ? dragged(w->at_um, frame, x[PL_SW_LASH]) : w->at_um[frame];
    return exp(x[PL_SW_SCALE]) * (at - x[PL_SW_BEST]);
}

double pl_sweep_focal(const pl_sweep_work *w, const double *x, double x_mm, double y_mm)
{
    double r2 = (x_mm * x_mm + y_mm * y_mm) / (w->half_mm * w->half_mm);
    return x[PL_SW_TILT_X] * x_mm + x[PL_SW_TILT_Y] * y_mm + x[PL_SW_CURVE] * r2;
}

double pl_sweep_ln_fwhm(const pl_sweep_work *w, const double *x, size_t frame, double defocus_um,
                        double air_um, double x_mm, double y_mm)
{
    double r2 = (x_mm * x_mm + y_mm * y_mm) / (w->half_mm * w->half_mm);
    double rest = x[PL_SW_REST_X] * 2 * x_mm / w->width_mm +
                  x[PL_SW_REST_Y] * 2 * y_mm / w->height_mm + x[PL_SW_REST_R] * r2;
    double air2 = air_um * air_um, least = 0.1 * air2;
    return pl_sizes_at(&w->sizes[frame], defocus_um - pl_sweep_focal(w, x, x_mm, y_mm),
                       sqrt(fmax(air2 + rest, least)));
}

/* ---- least squares */

/* The unknowns that are free, packed and in their units. */
struct fit {
    const pl_sweep_model *m;
    size_t *free; /* [p] index in x */
    double *x;    /* all of them */
    size_t p, n;
};

static double unit_of(const struct fit *f, size_t index)
{
    if (index < PL_SW_SHARED)
        return UNIT[index];
    return index < PL_SW_SHARED + f->m->w->frames ? 0.1 : 10;
}

static bool is_free(const pl_sweep_model *m, size_t index)
{
    return index == PL_SW_BEST    ? !m->blind
           : index == PL_SW_SCALE ? m->scale
           : index == PL_SW_LASH  ? m->lash
                                  : true;
}

static void unpack(const struct fit *f, const double *packed)
{
    for (size_t i = 0; i < f->p; i++)
        f->x[f->free[i]] = packed[i] * unit_of(f, f->free[i]);
}

static void expectations(const struct fit *f, double *rest)
{
    const pl_sweep_model *m = f->m;
    const double *x = f->x;
    double steep = m->blind ? 1 : m->scale_sigma;
    *rest++ = x[PL_SW_TILT_X] / TILT_SIGMA;
    *rest++ = x[PL_SW_TILT_Y] / TILT_SIGMA;
    *rest++ = x[PL_SW_CURVE] / CURVE_SIGMA;
    for (int k = PL_SW_REST_X; k <= PL_SW_REST_R; k++)
        *rest++ = x[k] / m->rest_sigma_um2;
    *rest++ = x[PL_SW_SCALE] / steep;
    *rest++ = x[PL_SW_LASH] / LASH_SIGMA;
    for (size_t i = 0; i < m->w->frames; i++)
        *rest++ = (x[PL_SW_SHARED + i] - x[PL_SW_TYPICAL]) / (m->air_sigma * m->air_loose[i]);
    for (size_t i = 0; m->blind && i < m->w->frames; i++)
        *rest++ = x[PL_SW_SHARED + m->w->frames + i] / BLIND_SIGMA;
}

static bool residuals(const double *packed, void *ctx, double *rest)
{
    const struct fit *f = ctx;
    const pl_sweep_work *w = f->m->w;
    unpack(f, packed);
    double defocus = NAN, air = NAN;
    size_t frame = SIZE_MAX;
    for (size_t i = 0; i < w->cells; i++) {
        const pl_sweep_cell *c = &w->cell[i];
        if (c->frame != frame) {
            frame = c->frame;
            defocus = pl_sweep_defocus(f->m, f->x, frame);
            air = exp(f->x[PL_SW_SHARED + frame]);
        }
        double want = pl_sweep_ln_fwhm(w, f->x, frame, defocus, air, c->x_mm, c->y_mm);
        rest[i] = (c->ln_fwhm - want) / c->sigma;
        if (!isfinite(rest[i]))
            return false;
    }
    expectations(f, rest + w->cells);
    return true;
}

/* Bisquare loss with errors taken as they are: what starts are compared by. */
static double loss(const double *rest, size_t robust, size_t n)
{
    const double c = 4.685;
    double sum = 0;
    for (size_t i = 0; i < n; i++) {
        double u = rest[i] / c, t = fmax(0, 1 - u * u);
        sum += i < robust ? c * c / 3 * (1 - t * t * t) : rest[i] * rest[i];
    }
    return sum;
}

static void spread(const struct fit *f, const double *packed, size_t all, double *cov)
{
    memset(cov, 0, sizeof *cov * all * all);
    for (size_t i = 0; i < f->p; i++)
        for (size_t j = 0; j < f->p; j++)
            cov[f->free[i] * all + f->free[j]] =
                packed[i * f->p + j] * unit_of(f, f->free[i]) * unit_of(f, f->free[j]);
}

pl_status pl_sweep_fit(const pl_sweep_model *m, double *x, double *cov, double *cost, pl_err *err)
{
    size_t all = pl_sweep_unknowns(m), firm = FIRM_SHARED + m->w->frames * (m->blind ? 2 : 1);
    struct fit f = { .m = m, .n = m->w->cells + firm };
    double *room = malloc(sizeof *room * (2 * all + all * all + f.n));
    f.free = malloc(sizeof *f.free * all);
    if (!room || !f.free) {
        free(room);
        free(f.free);
        return pl_fail(err, PL_ENOMEM, "out of memory");
    }
    double *packed = room, *packed_cov = room + 2 * all, *rest = packed_cov + all * all;
    f.x = room + all;
    memcpy(f.x, x, sizeof *x * all);
    for (size_t i = 0; i < all; i++)
        if (is_free(m, i)) {
            packed[f.p] = x[i] / unit_of(&f, i);
            f.free[f.p++] = i;
        }
    pl_nlsq problem = { residuals, &f, f.n, firm, f.p, true };
    pl_status rc = pl_nlsq_fit(&problem, packed, cov ? packed_cov : NULL, NULL, NULL, err);
    if (rc == PL_OK && residuals(packed, &f, rest)) {
        memcpy(x, f.x, sizeof *x * all);
        if (cov)
            spread(&f, packed_cov, all, cov);
        if (cost)
            *cost = loss(rest, m->w->cells, f.n);
    }
    free(room);
    free(f.free);
    return rc;
}
