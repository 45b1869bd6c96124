/* SPDX-License-Identifier: GPL-3.0-or-later */
/* nlsq.c - nonlinear least squares: GSL's Levenberg-Marquardt with More's scaling on the normal
 * equations (its variant for many values, which leaves J'J to us: most rows are mostly zeros), and
 * around it rounds of reweighting with Huber's weights, then Tukey's bisquare as in lsq.c.
 * Derivatives are told, or central differences. tests/unit/test_nlsq.c holds it against NIST and
 * scipy.
 */
#include "base.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <gsl/gsl_blas.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_multilarge_nlinear.h>

enum { STEPS = 2000, ROUNDS = 50 };

static const double TUNE = 4.685, HUBER = 1.345, NEAR = 0.1,
                    SETTLED = 1e-4, /* of a parameter's sigma */
    STEP = 6e-6,     /* cube root of the rounding error: best for central differences */
    STILL = 1e-8,    /* a last step moves the residuals by this part of them at most, */
    STILL_X = 1e-11, /* or a parameter by this part of it */
    OFFSET = 1e3,    /* where it ends, what is left to gain is at most so many such steps */
    OUTSIDE = 1e100; /* residual where the model has none: no step leads there */

typedef struct {
    const pl_nlsq *problem;
    double *size;      /* [p] how large each parameter is, for the steps of its derivative */
    double *at;        /* [p] where jacobian was taken */
    double *probe;     /* [p] */
    double *up, *down; /* [n] residuals on both sides, or scratch */
    double *rest;      /* [n] residuals of the answer */
    double *weight;    /* [n] */
    double *jacobian;  /* [n][p], without weights */
    double *inverse;   /* [p][p] of the weighted normal matrix */
    double *last;      /* [p] parameters a round ago */
    size_t *used;      /* [p] */
    bool known;        /* jacobian and sizes are */
} fit;

static bool residuals(const fit *f, const double *x, double *out)
{
    if (!f->problem->rest(x, f->problem->ctx, out))
        return false;
    for (size_t i = 0; i < f->problem->n; i++)
        if (!isfinite(out[i]))
            return false;
    return true;
}

/* One column of the Jacobian with the given step; its length, or NaN when the model ends there. */
static double column(fit *f, const double *x, size_t j, double step)
{
    size_t n = f->problem->n, p = f->problem->p;
    memcpy(f->probe, x, p * sizeof *x);
    f->probe[j] = x[j] + step;
    double above = f->probe[j];
    bool up = residuals(f, f->probe, f->up);
    f->probe[j] = x[j] - step;
    double below = f->probe[j];
    bool down = residuals(f, f->probe, f->down);
    if (!up || !down) { /* at the edge of its range: from one side */
        f->probe[j] = x[j];
        if (up == down || !residuals(f, f->probe, up ? f->down : f->up))
            return NAN;
        *(up ? &below : &above) = x[j];
    }
    double sum = 0, width = above - below;
    for (size_t i = 0; i < n; i++) {
        double d = width > 0 ? (f->up[i] - f->down[i]) / width : 0;
        f->jacobian[i * p + j] = d;
        sum += d * d;
    }
    return sqrt(sum);
}

/* A parameter that starts at nothing has no size of its own: take a hundred times what moves the
 * residuals by one. */
static void first_size(fit *f, const double *x, size_t j)
{
    f->size[j] = fabs(x[j]);
    double length = f->size[j] > 0 ? column(f, x, j, STEP * f->size[j]) : 0;
    if (length * f->size[j] > 1e-8)
        return;
    length = column(f, x, j, 1e-6);
    if (length > 0)
        f->size[j] = 100 / length;
}

/* The Jacobian at x, unless it is there already; false where the model has none. */
static bool differentiate(fit *f, const double *x)
{
    size_t p = f->problem->p;
    if (f->known && memcmp(f->at, x, p * sizeof *f->at) == 0)
        return true;
    bool told = f->problem->slope;
    if (told) {
        memset(f->jacobian, 0, f->problem->n * p * sizeof *f->jacobian);
        if (!f->problem->slope(x, f->problem->ctx, f->jacobian))
            return false;
    }
    for (size_t j = 0; j < p; j++) {
        if (!f->known && !told)
            first_size(f, x, j);
        f->size[j] = fmax(f->size[j], fabs(x[j]));
        if (!told && isnan(column(f, x, j, STEP * f->size[j])))
            return false;
    }
    memcpy(f->at, x, p * sizeof *f->at);
    f->known = true;
    return true;
}

/* Add one row to the lower half of J'J: most rows depend on few of many unknowns. */
static void add_row(const double *row, size_t p, double weight, size_t *used, gsl_matrix *normal)
{
    size_t n = 0;
    for (size_t j = 0; j < p; j++)
        if (row[j] != 0)
            used[n++] = j;
    for (size_t a = 0; a < n; a++) {
        double w = weight * row[used[a]], *to = gsl_matrix_ptr(normal, used[a], 0);
        for (size_t b = 0; b <= a; b++)
            to[used[b]] += w * row[used[b]];
    }
}

/* out = J u or J'u of the weighted Jacobian, and J'J when there is room for it. */
static int derivatives(CBLAS_TRANSPOSE_t way, const gsl_vector *x, const gsl_vector *u, void *ctx,
                       gsl_vector *out, gsl_matrix *normal)
{
    fit *f = ctx;
    size_t n = f->problem->n, p = f->problem->p;
    if (!differentiate(f, x->data))
        return GSL_EDOM;
    gsl_vector_set_zero(out);
    if (normal)
        gsl_matrix_set_zero(normal);
    for (size_t i = 0; i < n; i++) {
        const double *row = f->jacobian + i * p;
        double root = sqrt(f->weight[i]);
        for (size_t j = 0; j < p; j++)
            if (way == CblasTrans)
                out->data[j] += root * row[j] * u->data[i];
            else
                out->data[i] += root * row[j] * u->data[j];
        if (normal)
            add_row(row, p, f->weight[i], f->used, normal);
    }
    return GSL_SUCCESS;
}

static int values(const gsl_vector *v, void *ctx, gsl_vector *out)
{
    fit *f = ctx;
    if (!residuals(f, v->data, out->data))
        gsl_vector_set_all(out, OUTSIDE);
    else
        for (size_t i = 0; i < f->problem->n; i++)
            out->data[i] *= sqrt(f->weight[i]);
    return GSL_SUCCESS;
}

/* True when the last step changed nothing that counts. */
static bool still(const fit *f, const gsl_multilarge_nlinear_workspace *w, double part)
{
    const gsl_vector *dx = w->dx;
    double length = gsl_blas_dnrm2(w->f);
    for (size_t j = 0; j < f->problem->p; j++) {
        double moved = fabs(gsl_vector_get(dx, j));
        double norm = sqrt(gsl_matrix_get(w->JTJ, j, j));
        if (moved * norm > part * length && moved > STILL_X * f->size[j])
            return false;
    }
    return true;
}

/* Inverse of the weighted normal matrix J'J; false when it is singular. Columns are brought to
 * like length first. */
static bool invert(const gsl_matrix *normal, double *inverse)
{
    size_t p = normal->size1;
    gsl_matrix_view m = gsl_matrix_view_array(inverse, p, p);
    gsl_vector *scale = gsl_vector_alloc(p);
    if (!scale) {
        pl_memory_short();
        return false;
    }
    gsl_matrix_memcpy(&m.matrix, normal);
    bool ok = true;
    for (size_t j = 0; j < p; j++) {
        double s = sqrt(inverse[j * p + j]);
        ok = ok && s > 0 && isfinite(s);
        gsl_vector_set(scale, j, s);
    }
    for (size_t j = 0; ok && j < p; j++)
        for (size_t k = 0; k <= j; k++)
            inverse[j * p + k] /= gsl_vector_get(scale, j) * gsl_vector_get(scale, k);
    ok = ok && !gsl_linalg_cholesky_decomp1(&m.matrix);
    for (size_t j = 0; ok && j < p; j++) /* what the others leave of it is rounding */
        ok = inverse[j * p + j] * inverse[j * p + j] > 1e-13;
    ok = ok && !gsl_linalg_cholesky_invert(&m.matrix);
    for (size_t j = 0; ok && j < p; j++)
        for (size_t k = 0; k < p; k++)
            inverse[j * p + k] /= gsl_vector_get(scale, j) * gsl_vector_get(scale, k);
    gsl_vector_free(scale);
    return ok;
}

/* Bates & Watts' relative offset (1981, Technometrics 23, 179, from memory): the share of the
 * residuals that a linear step could still take away. */
static bool square_on(const fit *f, const gsl_multilarge_nlinear_workspace *w, double part)
{
    size_t p = f->problem->p;
    double decrement = 0, sum = pow(gsl_blas_dnrm2(w->f), 2);
    for (size_t j = 0; j < p; j++)
        for (size_t k = 0; k < p; k++)
            decrement += gsl_vector_get(w->g, j) * f->inverse[j * p + k] * gsl_vector_get(w->g, k);
    return decrement <= pow(OFFSET * part, 2) * fmax(sum, 1e-6 * (double)f->problem->n);
}

typedef enum { FOUND, LOST, UNDETERMINED } outcome;

/* The minimum for the weights as they stand, from x, to a part of the residuals; inverse and rest
 * with it. */
static outcome minimise(fit *f, gsl_multilarge_nlinear_workspace *w, double part, double *x)
{
    size_t n = f->problem->n, p = f->problem->p;
    gsl_multilarge_nlinear_fdf what = { values, derivatives, NULL, n, p, f, 0, 0, 0, 0 };
    gsl_vector_const_view start = gsl_vector_const_view_array(x, p);
    if (gsl_multilarge_nlinear_init(&start.vector, &what, w))
        return LOST;
    bool ended = false;
    for (int step = 0; step < STEPS && !ended; step++) {
        int status = gsl_multilarge_nlinear_iterate(w);
        ended = status == GSL_ENOPROG || (!status && still(f, w, part));
        if (status && status != GSL_ENOPROG)
            return LOST;
    }
    memcpy(x, w->x->data, p * sizeof *x);
    if (!invert(w->JTJ, f->inverse))
        return UNDETERMINED;
    return residuals(f, x, f->rest) && ended && square_on(f, w, part) ? FOUND : LOST;
}

static double scatter(const fit *f)
{
    const pl_nlsq *a = f->problem;
    size_t measured = a->n - a->firm;
    double grow = sqrt((double)a->n / (double)(a->n - a->p));
    if (a->robust && measured > 0) {
        memcpy(f->up, f->rest, measured * sizeof *f->up);
        return pl_mad_sigma(f->up, measured, 0) * grow;
    }
    double sum = 0;
    for (size_t i = 0; i < a->n; i++)
        sum += f->rest[i] * f->rest[i];
    return sqrt(sum / (double)a->n) * grow;
}

/* Weights from the residuals: Huber's, which a third of wild values cannot lead astray from a plain
 * start, then Tukey's, which forgets them altogether. */
static void reweigh(fit *f, double scale, bool huber)
{
    for (size_t i = 0; i < f->problem->n - f->problem->firm; i++) {
        double u = scale > 0 ? fabs(f->rest[i]) / scale : 0, v = u / TUNE;
        f->weight[i] = huber ? fmin(1, HUBER / u) : v < 1 ? (1 - v * v) * (1 - v * v) : 0;
    }
}

static bool settled(const fit *f, const double *x, double moved)
{
    size_t p = f->problem->p;
    for (size_t j = 0; j < p; j++)
        if (fabs(x[j] - f->last[j]) > moved * sqrt(f->inverse[j * p + j]))
            return false;
    return true;
}

static outcome solve(fit *f, gsl_multilarge_nlinear_workspace *w, double *x, double *scale)
{
    for (size_t i = 0; i < f->problem->n; i++)
        f->weight[i] = 1;
    outcome out = minimise(f, w, STILL, x);
    *scale = scatter(f);
    if (!f->problem->robust)
        return out;
    bool huber = true, over = false;
    for (int round = 0; out == FOUND && !over && round < ROUNDS; round++) {
        double moved = huber ? NEAR : SETTLED;
        memcpy(f->last, x, f->problem->p * sizeof *x);
        reweigh(f, *scale, huber);
        out = minimise(f, w, 0.01 * moved / sqrt((double)f->problem->n), x);
        *scale = scatter(f);
        bool rests = settled(f, x, moved * fmax(1, *scale));
        over = rests && !huber;
        huber = huber && !rests;
    }
    return out;
}

static bool start_fit(fit *f, const pl_nlsq *problem)
{
    size_t n = problem->n, p = problem->p;
    *f = (fit){ .problem = problem, .used = malloc(p * sizeof *f->used) };
    f->size = calloc(4 * n + 4 * p + n * p + p * p, sizeof *f->size);
    if (!f->size || !f->used)
        return false;
    f->at = f->size + p;
    f->probe = f->at + p;
    f->last = f->probe + p;
    f->up = f->last + p;
    f->down = f->up + n;
    f->rest = f->down + n;
    f->weight = f->rest + n;
    f->jacobian = f->weight + n;
    f->inverse = f->jacobian + n * p;
    return true;
}

static pl_status judge(outcome out, const pl_nlsq *problem, pl_err *err)
{
    if (out == UNDETERMINED)
        return pl_fail(err, PL_EARG, "the values do not determine the %zu unknowns of the fit",
                       problem->p);
    if (out == LOST)
        return pl_fail(err, PL_EARG, "the fit of %zu values did not come to rest", problem->n);
    return PL_OK;
}

static void hand_over(const fit *f, double scale, double *cov, double *weight)
{
    size_t n = f->problem->n, p = f->problem->p;
    for (size_t j = 0; cov && j < p * p; j++)
        cov[j] = f->inverse[j] * fmax(1, scale * scale);
    if (weight)
        memcpy(weight, f->weight, n * sizeof *weight);
}

pl_status pl_nlsq_fit(const pl_nlsq *problem, double *x, double *cov, double *scale, double *weight,
                      pl_err *err)
{
    size_t n = problem->n, p = problem->p;
    if (p == 0 || problem->firm > n)
        return pl_fail(err, PL_EARG, "a fit of %zu unknowns to %zu values", p, n);
    if (n <= p)
        return pl_fail(err, PL_ENODATA, "%zu values cannot determine %zu unknowns", n, p);
    gsl_multilarge_nlinear_parameters how = gsl_multilarge_nlinear_default_parameters();
    how.solver = gsl_multilarge_nlinear_solver_cholesky;
    gsl_multilarge_nlinear_workspace *w =
        gsl_multilarge_nlinear_alloc(gsl_multilarge_nlinear_trust, &how, n, p);
    fit f = { 0 };
    pl_status status = PL_OK;
    double *answer = malloc(p * sizeof *answer), s = 1;
    if (!w || !answer || !start_fit(&f, problem)) {
        status = pl_fail(err, PL_ENOMEM, "out of memory in a fit of %zu values", n);
    } else {
        memcpy(answer, x, p * sizeof *answer);
        status = residuals(&f, x, f.rest)
                     ? judge(solve(&f, w, answer, &s), problem, err)
                     : pl_fail(err, PL_EARG, "the fit starts where the model has no value");
    }
    if (!status) {
        memcpy(x, answer, p * sizeof *answer);
        hand_over(&f, s, cov, weight);
        if (scale)
            *scale = s;
    }
    free(f.size);
    free(f.used);
    free(answer);
    gsl_multilarge_nlinear_free(w);
    return status;
}
