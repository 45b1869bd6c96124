/* SPDX-License-Identifier: GPL-3.0-or-later */
/* model.c - what the widths of a whole series should be, and least squares on them. */
#include "sweep.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Unknowns are fitted in units in which they are of order one; expectations (1 sigma) in theirs:
 * wide enough that any telescope that takes pictures fits in. */
static const double UNIT[PL_SW_SHARED] = { 10, 1, 1, 5, 10, 10, 10, 0.1, 0.1, 10 };
static const double TILT_SIGMA = 30, CURVE_SIGMA = 100, LASH_SIGMA = 100, BLIND_SIGMA = 1000;
/* Without positions, in an even field, any air finer than the sharpest frame explains all frames,
 * each at a distance of its own: that frame is taken to be near focus, within this much of ln air.
 */
static const double SHARPEST_SIGMA = 0.1;

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

/* How the width at a place answers; see pl_sweep_ln_fwhm. */
struct answer {
    double ln_fwhm, by_um, by_air, by_rest; /* by local defocus, by ln air, by um^2 of the rest */
    double x, y, r2;                        /* the place, of the edges and the corner */
};

static struct answer answer_at(const pl_sweep_work *w, const double *x, size_t frame,
                               double defocus_um, double air_um, double x_mm, double y_mm)
{
    struct answer a = { .x = 2 * x_mm / w->width_mm, .y = 2 * y_mm / w->height_mm };
    a.r2 = (x_mm * x_mm + y_mm * y_mm) / (w->half_mm * w->half_mm);
    double rest = x[PL_SW_REST_X] * a.x + x[PL_SW_REST_Y] * a.y + x[PL_SW_REST_R] * a.r2;
    double air2 = air_um * air_um, sum = air2 + rest, least = 0.1 * air2, by_width;
    bool held = sum < least;
    double size2 = held ? least : sum;
    a.ln_fwhm = pl_sizes_at(&w->sizes[frame], defocus_um - pl_sweep_focal(w, x, x_mm, y_mm),
                            0.5 * log(size2), &a.by_um, &by_width);
    a.by_air = by_width * (held ? 1 : air2 / size2);
    a.by_rest = held ? 0 : by_width / (2 * size2);
    return a;
}

double pl_sweep_ln_fwhm(const pl_sweep_work *w, const double *x, size_t frame, double defocus_um,
                        double air_um, double x_mm, double y_mm)
{
    return answer_at(w, x, frame, defocus_um, air_um, x_mm, y_mm).ln_fwhm;
}

double pl_sweep_how_far(const pl_sizes *sizes, double ln_fwhm, double air_um)
{
    double lo = 0, hi = sizes->z_step * (PL_SIZING_Z - 1);
    for (int i = 0; i < 40; i++) {
        double mid = (lo + hi) / 2;
        *(pl_sizes_at(sizes, mid, log(air_um), NULL, NULL) < ln_fwhm ? &lo : &hi) = mid;
    }
    return (lo + hi) / 2;
}

/* ---- least squares */

/* The unknowns that are free, packed and in their units. */
struct fit {
    const pl_sweep_model *m;
    size_t *free; /* [p] index in x */
    size_t *slot; /* [all] index among the free ones; SIZE_MAX: held */
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
    if (m->blind)
        *rest++ = (x[PL_SW_TYPICAL] - m->air_ln) / SHARPEST_SIGMA;
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

/* d rest / d x[index], into a row of the Jacobian. */
static void put(const struct fit *f, double *row, size_t index, double slope)
{
    if (f->slot[index] != SIZE_MAX)
        row[f->slot[index]] = slope * unit_of(f, index);
}

static void cell_slopes(const struct fit *f, const pl_sweep_cell *c, double defocus, double by_lash,
                        double *row)
{
    const pl_sweep_work *w = f->m->w;
    size_t air = PL_SW_SHARED + c->frame, z = air + w->frames;
    struct answer a = answer_at(w, f->x, c->frame, defocus, exp(f->x[air]), c->x_mm, c->y_mm);
    double k = -1 / c->sigma, scale = exp(f->x[PL_SW_SCALE]);
    put(f, row, PL_SW_BEST, -k * a.by_um * scale);
    put(f, row, PL_SW_SCALE, k * a.by_um * defocus);
    put(f, row, PL_SW_LASH, k * a.by_um * scale * by_lash);
    if (f->m->blind)
        put(f, row, z, k * a.by_um);
    put(f, row, PL_SW_TILT_X, -k * a.by_um * c->x_mm);
    put(f, row, PL_SW_TILT_Y, -k * a.by_um * c->y_mm);
    put(f, row, PL_SW_CURVE, -k * a.by_um * a.r2);
    put(f, row, PL_SW_REST_X, k * a.by_rest * a.x);
    put(f, row, PL_SW_REST_Y, k * a.by_rest * a.y);
    put(f, row, PL_SW_REST_R, k * a.by_rest * a.r2);
    put(f, row, air, k * a.by_air);
}

/* The same order as expectations(). */
static void expected_slopes(const struct fit *f, double *row)
{
    const pl_sweep_model *m = f->m;
    double steep = m->blind ? 1 : m->scale_sigma;
    const double sigma[FIRM_SHARED] = {
        TILT_SIGMA,        TILT_SIGMA,        CURVE_SIGMA, m->rest_sigma_um2,
        m->rest_sigma_um2, m->rest_sigma_um2, steep,       LASH_SIGMA
    };
    const size_t index[FIRM_SHARED] = { PL_SW_TILT_X, PL_SW_TILT_Y, PL_SW_CURVE, PL_SW_REST_X,
                                        PL_SW_REST_Y, PL_SW_REST_R, PL_SW_SCALE, PL_SW_LASH };
    for (int i = 0; i < FIRM_SHARED; i++, row += f->p)
        put(f, row, index[i], 1 / sigma[i]);
    for (size_t i = 0; i < m->w->frames; i++, row += f->p) {
        double air = 1 / (m->air_sigma * m->air_loose[i]);
        put(f, row, PL_SW_SHARED + i, air);
        put(f, row, PL_SW_TYPICAL, -air);
    }
    if (!m->blind)
        return;
    put(f, row, PL_SW_TYPICAL, 1 / SHARPEST_SIGMA);
    row += f->p;
    for (size_t i = 0; i < m->w->frames; i++, row += f->p)
        put(f, row, PL_SW_SHARED + m->w->frames + i, 1 / BLIND_SIGMA);
}

static bool slopes(const double *packed, void *ctx, double *jacobian)
{
    const struct fit *f = ctx;
    const pl_sweep_work *w = f->m->w;
    unpack(f, packed);
    double defocus = NAN, by_lash = 0, lash = f->x[PL_SW_LASH], little = 1e-3;
    size_t frame = SIZE_MAX;
    for (size_t i = 0; i < w->cells; i++) {
        if (w->cell[i].frame != frame) {
            frame = w->cell[i].frame;
            defocus = pl_sweep_defocus(f->m, f->x, frame);
            if (f->m->lash)
                by_lash = (dragged(w->at_um, frame, lash + little) -
                           dragged(w->at_um, frame, lash - little)) /
                          (2 * little);
        }
        cell_slopes(f, &w->cell[i], defocus, by_lash, jacobian + i * f->p);
    }
    expected_slopes(f, jacobian + w->cells * f->p);
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
    size_t all = pl_sweep_unknowns(m),
           firm = FIRM_SHARED + (m->blind ? 1 + 2 * m->w->frames : m->w->frames);
    struct fit f = { .m = m, .n = m->w->cells + firm };
    double *room = malloc(sizeof *room * (2 * all + all * all + f.n));
    f.free = malloc(sizeof *f.free * 2 * all);
    if (!room || !f.free) {
        free(room);
        free(f.free);
        return pl_fail(err, PL_ENOMEM, "out of memory");
    }
    double *packed = room, *packed_cov = room + 2 * all, *rest = packed_cov + all * all;
    f.x = room + all;
    f.slot = f.free + all;
    memcpy(f.x, x, sizeof *x * all);
    for (size_t i = 0; i < all; i++) {
        f.slot[i] = is_free(m, i) ? f.p : SIZE_MAX;
        if (is_free(m, i)) {
            packed[f.p] = x[i] / unit_of(&f, i);
            f.free[f.p++] = i;
        }
    }
    pl_nlsq problem = { residuals, slopes, &f, f.n, firm, f.p, true };
    pl_status rc = pl_nlsq_fit(&problem, packed, cov ? packed_cov : NULL, NULL, NULL, err);
    if (rc == PL_OK && residuals(packed, &f, rest)) {
        memcpy(x, f.x, sizeof *x * all);
        if (cov)
            spread(&f, packed_cov, all, cov);
        if (cost)
            *cost = loss(rest, m->w->cells, f.n);
    } else if (rc == PL_OK)
        rc = pl_fail(err, PL_EARG, "the fit ends where the model has no value");
    free(room);
    free(f.free);
    return rc;
}
