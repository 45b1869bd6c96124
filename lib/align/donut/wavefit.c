/* SPDX-License-Identifier: GPL-3.0-or-later */
/* wavefit.c - the wavefront behind one donut: Levenberg-Marquardt (GSL) on the image by FFT and its
 * exact derivatives.
 *
 * Trust: a focal ratio wrong by 3 % scales defocus by 3 % and the fit does not show it. */
#include "wavemodel.h"

#include <gsl/gsl_blas.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_multilarge_nlinear.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { STEPS = 30 };

static const double LEFT_OUT = 0.03; /* at most this part of the pixels */
static const double WILD = 5;        /* sigma at which a pixel is left out */
static const double NO_FIT = 50;     /* chi square over degrees of freedom: wrong start */
static const double FARTHEST = 0.35; /* from the centre a secondary may sit, pupil radii */
static const double HOPELESS = 0.15; /* of the light unexplained: no answer */
static const double HOME = 0.025;    /* of the light unexplained: no other start is tried */

struct problem {
    pl_wavemodel m;
    int free[PL_WF_N]; /* parameters that move; the others keep their value */
    size_t frees, rows;
    size_t *row;        /* [rows] pixel of each row */
    double *weight;     /* [area] 1 / sigma; 0: masked */
    double *jacobian;   /* [rows + PRIORS][frees], as it was last asked for */
    double at[PL_WF_N]; /* p then */
    bool fresh;         /* the next gradient is computed, not the last one used again */
    double renew;       /* gain of a step, in chi squares, after which one is computed */
};

/* What is known beforehand: how far, in pupil radii, the obstruction may be told wrong, and a
 * secondary may sit off centre. Each is one more row of the fit. */
static const struct {
    int parameter;
    double sigma;
} prior[] = { { PL_WF_OBSTRUCTION, 0.02 }, { PL_WF_SHADOW_X, 0.15 }, { PL_WF_SHADOW_Y, 0.15 } };

enum { PRIORS = PL_ARRAY_LEN(prior) };

/* ---- GSL's view of it */

static bool take(struct problem *w, const gsl_vector *v)
{
    for (size_t k = 0; k < w->frees; k++)
        w->m.p[w->free[k]] = gsl_vector_get(v, k);
    double bore = w->m.p[PL_WF_OBSTRUCTION], seeing_um = exp(w->m.p[PL_WF_LN_SEEING]);
    return seeing_um >= w->m.scope->grid.seeing_um && seeing_um < 1000 && bore >= 0 &&
           hypot(w->m.p[PL_WF_SHADOW_X], w->m.p[PL_WF_SHADOW_Y]) < fmin(FARTHEST, 1 - bore);
}

static double expected(const struct problem *w, int parameter)
{
    const pl_aperture *a = &w->m.scope->aperture;
    return parameter == PL_WF_OBSTRUCTION ? a->obstruction
           : parameter == PL_WF_SHADOW_X  ? a->shadow_x
                                          : a->shadow_y;
}

static int residuals(const gsl_vector *v, void *ctx, gsl_vector *f)
{
    struct problem *w = ctx;
    if (!take(w, v) ||
        !pl_wavemodel_compute(&w->m, false)) { /* so bad that the step is not taken */
        gsl_vector_set_all(f, 1e6);
        return GSL_SUCCESS;
    }
    for (size_t r = 0; r < w->rows; r++) {
        size_t i = w->row[r];
        gsl_vector_set(f, r, (pl_wavemodel_at(&w->m, i) - w->m.stamp->value[i]) * w->weight[i]);
    }
    for (size_t k = 0; k < PRIORS; k++)
        gsl_vector_set(f, w->rows + k,
                       (w->m.p[prior[k].parameter] - expected(w, prior[k].parameter)) /
                           prior[k].sigma);
    return GSL_SUCCESS;
}

/* The Jacobian at m.p. */
static void fill_jacobian(struct problem *w)
{
    const double *slope[PL_WF_N];
    double times[PL_WF_N], *to = w->jacobian;
    for (size_t k = 0; k < w->frees; k++)
        slope[k] = pl_wavemodel_slope(&w->m, w->free[k], &times[k]);
    for (size_t r = 0; r < w->rows; r++, to += w->frees) {
        double weight = w->weight[w->row[r]];
        for (size_t k = 0; k < w->frees; k++)
            to[k] = times[k] * slope[k][w->row[r]] * weight;
    }
    for (size_t r = 0; r < PRIORS; r++, to += w->frees)
        for (size_t k = 0; k < w->frees; k++)
            to[k] = w->free[k] == prior[r].parameter ? 1 / prior[r].sigma : 0;
    memcpy(w->at, w->m.p, sizeof w->at);
}

static bool moved(const struct problem *w)
{
    for (size_t k = 0; k < PL_WF_N; k++)
        if (w->at[k] != w->m.p[k])
            return true;
    return false;
}

/* J'J of n rows, [p][p], lower half. */
PL_WIDE static void square(const double *jacobian, size_t n, size_t p, double *restrict normal)
{
    memset(normal, 0, p * p * sizeof *normal);
    for (size_t r = 0; r < n; r++, jacobian += p)
        for (size_t a = 0; a < p; a++)
            for (size_t b = 0; b <= a; b++)
                normal[a * p + b] += jacobian[a] * jacobian[b];
}

/* J u or J' u, and J' J when there is room for it: then the Jacobian is wanted anew. */
static int slopes(CBLAS_TRANSPOSE_t way, const gsl_vector *v, const gsl_vector *u, void *ctx,
                  gsl_vector *out, gsl_matrix *normal)
{
    struct problem *w = ctx;
    size_t n = w->rows + PRIORS, p = w->frees;
    if (!take(w, v))
        return GSL_EDOM;
    if (moved(w)) {
        if (w->fresh && !pl_wavemodel_compute(&w->m, true))
            return GSL_EDOM;
        fill_jacobian(w);
    }
    gsl_vector_set_zero(out);
    const double *row = w->jacobian;
    for (size_t r = 0; r < n; r++, row += p) {
        double sum = 0, by = way == CblasTrans ? gsl_vector_get(u, r) : 0;
        for (size_t k = 0; k < p; k++)
            if (way == CblasTrans)
                out->data[k] += row[k] * by;
            else
                sum += row[k] * gsl_vector_get(u, k);
        if (way != CblasTrans)
            gsl_vector_set(out, r, sum);
    }
    if (normal)
        square(w->jacobian, n, p, normal->data);
    return GSL_SUCCESS;
}

/* ---- one descent */

static void set_free(struct problem *w)
{
    bool hole = w->m.scope->aperture.obstruction > 0;
    w->frees = 0;
    for (int k = 0; k < PL_WF_N; k++) {
        bool wave = k < PL_WF_SHADOW_X;
        bool bore = k == PL_WF_SHADOW_X || k == PL_WF_SHADOW_Y || k == PL_WF_OBSTRUCTION;
        if (wave ? k <= pl_wavefit_of(w->m.scope->last) : !bore || hole)
            w->free[w->frees++] = k;
    }
}

/* The inverse of J'J, which the priors keep from being singular. GSL's own covariance does not look
 * whether it got its memory. */
static bool covariance(const struct problem *w, gsl_matrix *cov)
{
    square(w->jacobian, w->rows + PRIORS, w->frees, cov->data);
    return gsl_linalg_cholesky_decomp1(cov) == 0 && gsl_linalg_cholesky_invert(cov) == 0;
}

/* Go down until a step gains less than `enough` of chi square. Gives: chi square; NaN on failure.
 *   refresh  in  compute gradients while steps gain much; near the answer the last one serves on,
 *                since it hardly changes there and an image costs a fifth of it
 *   cov      out the covariance, of an easy ring by the gradient at the start; NULL: not wanted */
static double descend(struct problem *w, bool refresh, double enough, gsl_matrix *cov)
{
    gsl_multilarge_nlinear_parameters how = gsl_multilarge_nlinear_default_parameters();
    how.solver = gsl_multilarge_nlinear_solver_cholesky;
    gsl_multilarge_nlinear_fdf fdf = {
        .f = residuals, .df = slopes, .n = w->rows + PRIORS, .p = w->frees, .params = w
    };
    gsl_multilarge_nlinear_workspace *gsl = gsl_multilarge_nlinear_alloc(
        gsl_multilarge_nlinear_trust, &how, w->rows + PRIORS, w->frees);
    gsl_vector *at = gsl_vector_alloc(w->frees);
    double chi2 = NAN, before = INFINITY;
    w->fresh = refresh;
    w->at[0] = NAN; /* rows and weights are others than before */
    if (gsl && at) {
        for (size_t k = 0; k < w->frees; k++)
            gsl_vector_set(at, k, w->m.p[w->free[k]]);
        int rc = gsl_multilarge_nlinear_init(at, &fdf, gsl);
        for (int i = 0; rc == GSL_SUCCESS && i < STEPS && !(before - chi2 < enough * chi2); i++) {
            w->fresh = refresh && !(cov && w->renew > 0) && !(before - chi2 < w->renew * chi2);
            before = i ? chi2 : INFINITY;
            rc = gsl_multilarge_nlinear_iterate(gsl);
            double norm = gsl_blas_dnrm2(gsl_multilarge_nlinear_residual(gsl));
            chi2 = norm * norm;
        }
        take(w, gsl_multilarge_nlinear_position(gsl));
        pl_wavemodel_compute(&w->m,
                             false); /* the last one computed may be a step that was not taken */
        if (cov)
            chi2 = covariance(w, cov) ? chi2 : NAN;
    }
    if (!gsl || !at)
        pl_memory_short();
    gsl_vector_free(at);
    gsl_multilarge_nlinear_free(gsl);
    return chi2;
}

/* ---- weights */

/* One over sigma, from the pixels themselves at first, then from the model. */
static void weigh(struct problem *w, bool modelled)
{
    const pl_wavefit_stamp *st = w->m.stamp;
    for (size_t i = 0; i < w->m.area; i++) {
        double star = modelled ? w->m.p[PL_WF_FLUX] * w->m.plane[i] : st->value[i] - st->sky_adu;
        double var = st->noise_adu * st->noise_adu + fmax(star, 0) / w->m.scope->gain;
        w->weight[i] = st->use[i] > 0 && isfinite(st->value[i]) ? 1 / sqrt(var) : 0;
    }
}

static void list_rows(struct problem *w)
{
    w->rows = 0;
    for (size_t i = 0; i < w->m.area; i++)
        if (w->weight[i] > 0)
            w->row[w->rows++] = i;
}

/* Linear loss: a pixel past two sigma pulls no harder than one at two (Huber 1964). */
static void soften(struct problem *w)
{
    for (size_t r = 0; r < w->rows; r++) {
        size_t i = w->row[r];
        double z = fabs(pl_wavemodel_at(&w->m, i) - w->m.stamp->value[i]) * w->weight[i];
        if (z > 2)
            w->weight[i] *= sqrt(2 / z);
    }
}

static int by_size(const void *a, const void *b)
{
    double p = *(const double *)a, q = *(const double *)b;
    return (p > q) - (p < q);
}

/* Leave out what no noise explains: a neighbour, a hit; the worst ones, and few. */
static size_t leave_out(struct problem *w)
{
    double *z = malloc((w->rows + 1) * sizeof *z);
    size_t gone = 0;
    if (!z) {
        pl_memory_short();
        return 0;
    }
    for (size_t r = 0; r < w->rows; r++)
        z[r] = fabs(pl_wavemodel_at(&w->m, w->row[r]) - w->m.stamp->value[w->row[r]]) *
               w->weight[w->row[r]];
    qsort(z, w->rows, sizeof *z, by_size);
    double limit = fmax(WILD, z[(size_t)((1 - LEFT_OUT) * (double)(w->rows - 1))]);
    free(z);
    for (size_t r = 0; r < w->rows; r++) {
        size_t i = w->row[r];
        if (fabs(pl_wavemodel_at(&w->m, i) - w->m.stamp->value[i]) * w->weight[i] > limit) {
            w->weight[i] = 0;
            gone++;
        }
    }
    return gone;
}

/* ---- one donut */

/* Where to begin: the ring's width times `stretch`, and coma that throws the rim so many radii. */
typedef struct {
    double stretch, thrown_x, thrown_y;
} attempt;

/* The first one nearly always leads home; the others are for bent rings. */
static const attempt attempts[] = {
    { 1, 0, 0 },     { 1.1, 0, 0 },  { 0.9, 0, 0 },   { 1, 0.25, 0 },
    { 1, -0.25, 0 }, { 1, 0, 0.25 }, { 1, 0, -0.25 },
};

static void start_at(struct problem *w, const pl_wavefit_start *s, const attempt *a)
{
    const pl_psf_grid *g = &w->m.scope->grid;
    double n = g->f_ratio, defocus_um = s->outer_px * g->pixel_um * n * a->stretch;
    /* a7, a8 carry the rim's centre 8 sqrt(8) N away from where the rays of the axis fall */
    double coma_um = s->outer_px / 2 * g->pixel_um / (8 * sqrt(8) * n);
    memset(w->m.p, 0, sizeof w->m.p);
    w->m.p[pl_wavefit_of(4)] = defocus_um / (8 * n * n) / (2 * sqrt(3));
    w->m.p[pl_wavefit_of(7)] = a->thrown_y * coma_um;
    w->m.p[pl_wavefit_of(8)] = a->thrown_x * coma_um;
    w->m.p[PL_WF_SHADOW_X] = w->m.scope->aperture.shadow_x;
    w->m.p[PL_WF_SHADOW_Y] = w->m.scope->aperture.shadow_y;
    w->m.p[PL_WF_X] = s->x_px - a->thrown_x * s->outer_px / 2;
    w->m.p[PL_WF_Y] = s->y_px - a->thrown_y * s->outer_px / 2;
    w->m.p[PL_WF_LN_SEEING] = log(w->m.scope->seeing_um);
    w->m.p[PL_WF_OBSTRUCTION] = w->m.scope->aperture.obstruction;
    w->m.p[PL_WF_FLUX] = s->flux_adu;
    w->m.p[PL_WF_SKY] = w->m.stamp->sky_adu;
}

/* From one start to the answer: with weights from the pixels, then from the model and blunted, then
 * without the pixels that do not belong. Gives: chi square over degrees of freedom; NaN when it
 * fails. */
static double settle(struct problem *w, size_t *left_out, gsl_matrix *cov)
{
    weigh(w, false);
    list_rows(w);
    if (isnan(descend(w, true, 0.02, NULL)))
        return NAN;
    weigh(w, true);
    soften(w);
    if (isnan(descend(w, w->renew == 0, 0.001, NULL)))
        return NAN;
    weigh(w, true);
    *left_out = leave_out(w);
    list_rows(w);
    double chi2 = descend(w, true, 1e-7, cov);
    return chi2 / ((double)w->rows - (double)w->frees);
}

static pl_status make_room(struct problem *w, const pl_wavefit_scope *scope,
                           const pl_wavefit_stamp *stamp, pl_err *err)
{
    pl_status rc = pl_wavemodel_new(scope, stamp, &w->m, err);
    if (rc != PL_OK)
        return rc;
    w->row = malloc(w->m.area * sizeof *w->row);
    w->weight = malloc(w->m.area * sizeof *w->weight);
    w->jacobian = malloc((w->m.area + PRIORS) * PL_WF_N * sizeof *w->jacobian);
    if (!w->row || !w->weight || !w->jacobian)
        return pl_fail(err, PL_ENOMEM, "out of memory for a donut of %d px", stamp->size);
    return PL_OK;
}

/* Chi square scatters by sqrt(2 / pixels): three of that are noise. */
static void grade(const struct problem *w, pl_wavefit *out)
{
    double peak = 0, sum = 0, n = 0;
    for (size_t r = 0; r < w->rows; r++)
        peak = fmax(peak, w->m.plane[w->row[r]]);
    for (size_t r = 0; r < w->rows; r++) {
        double star = w->m.plane[w->row[r]];
        if (star > peak / 3) {
            sum += w->m.p[PL_WF_FLUX] * star * w->weight[w->row[r]];
            n++;
        }
    }
    double excess = out->chi2 - 1 - 3 * sqrt(2 / (double)w->rows);
    out->snr = n > 0 ? sum / n : 0;
    out->unexplained = sqrt(fmax(0, excess)) / fmax(out->snr, 1e-9);
}

static pl_status hand_over(struct problem *w, const gsl_matrix *cov, double chi2, size_t left_out,
                           pl_wavefit *out, pl_err *err)
{
    pl_wavefit got = { .chi2 = chi2, .pixels = w->rows, .left_out = left_out };
    pl_wavemodel_compute(&w->m, false);
    grade(w, &got);
    memcpy(got.p, w->m.p, sizeof got.p);
    for (size_t a = 0; a < w->frees; a++)
        for (size_t b = 0; b < w->frees; b++)
            got.cov[w->free[a]][w->free[b]] = gsl_matrix_get(cov, a, b);
    got.model = malloc((w->m.area + 1) * sizeof *got.model);
    if (!got.model)
        return pl_fail(err, PL_ENOMEM, "out of memory for a donut");
    for (size_t i = 0; i < w->m.area; i++)
        got.model[i] = (float)pl_wavemodel_at(&w->m, i);
    *out = got;
    return PL_OK;
}

/* One attempt; `best` keeps the better of it and what was there before. */
static pl_status attempt_from(struct problem *w, const pl_wavefit_start *start, const attempt *a,
                              pl_wavefit *best, pl_err *err)
{
    size_t left_out = 0;
    w->renew = a == attempts ? 0.5 : 0; /* bent rings take every care */
    pl_status rc = PL_OK;
    start_at(w, start, a);
    gsl_matrix *cov = gsl_matrix_alloc(w->frees, w->frees);
    if (!cov)
        return pl_fail(err, PL_ENOMEM, "out of memory for a donut");
    double chi2 = settle(w, &left_out, cov);
    if (chi2 < (best->model ? best->chi2 : NO_FIT)) {
        pl_wavefit_clear(best);
        rc = hand_over(w, cov, chi2, left_out, best, err);
    }
    gsl_matrix_free(cov);
    return rc;
}

/* A false fit may throw out all that contradicts it. */
static bool is_home(const pl_wavefit *fit)
{
    return fit->unexplained < HOME && fit->left_out < fit->pixels / 100;
}

static pl_status search(struct problem *w, const pl_wavefit_start *start, pl_wavefit *out,
                        pl_err *err)
{
    pl_wavefit best = { .model = NULL };
    pl_status rc = PL_OK;
    set_free(w);
    for (size_t k = 0; k < PL_ARRAY_LEN(attempts) && rc == PL_OK; k++) {
        rc = attempt_from(w, start, &attempts[k], &best, err);
        if (best.model && (is_home(&best) || w->m.scope->hasty))
            break;
    }
    if (rc == PL_OK && (!best.model || best.unexplained > HOPELESS))
        rc = pl_fail(err, PL_ENODATA, "no wavefront describes this donut's light");
    if (rc == PL_OK)
        *out = best;
    else
        pl_wavefit_clear(&best);
    return rc;
}

pl_status pl_wavefit_run(const pl_wavefit_scope *scope, const pl_wavefit_stamp *stamp,
                         const pl_wavefit_start *start, pl_wavefit *out, pl_err *err)
{
    struct problem w = { .row = NULL };
    pl_status rc = make_room(&w, scope, stamp, err);
    if (rc == PL_OK)
        rc = search(&w, start, out, err);
    pl_wavemodel_clear(&w.m);
    free(w.row);
    free(w.weight);
    free(w.jacobian);
    return rc;
}

void pl_wavefit_clear(pl_wavefit *wave)
{
    free(wave->model);
    *wave = (pl_wavefit){ 0 };
}
