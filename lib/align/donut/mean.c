/* SPDX-License-Identifier: GPL-3.0-or-later */
/* mean.c - the mean of many fits of one telescope: generalised least squares, so that a direction
 * one fit cannot tell (coma against the shadow's offset) is left to the fits that can. */
#include "donut.h"

#include <gsl/gsl_linalg.h>
#include <math.h>

enum { ALL = PL_WF_SHARED };

/* The fitted parameters that belong to the telescope: all but the defocus. */
static size_t list(const pl_shared *s, int which[ALL])
{
    size_t n = 0;
    for (int a = 0; a < ALL; a++)
        if (a != pl_wavefit_of(4) && s->cov[a][a] > 0)
            which[n++] = a;
    return n;
}

/* sum: the information so far; out: its product with the parameters; work: one inverse */
typedef struct {
    size_t k;
    int which[ALL];
    gsl_matrix *work, *sum;
    gsl_vector *rhs, *mean;
} room;

static void clear(room *r)
{
    gsl_matrix_free(r->work);
    gsl_matrix_free(r->sum);
    gsl_vector_free(r->rhs);
    gsl_vector_free(r->mean);
}

static bool make(room *r, const pl_shared *s)
{
    r->k = list(s, r->which);
    if (r->k == 0)
        return false;
    r->work = gsl_matrix_alloc(r->k, r->k);
    r->sum = gsl_matrix_calloc(r->k, r->k);
    r->rhs = gsl_vector_calloc(r->k);
    r->mean = gsl_vector_calloc(r->k);
    return r->work && r->sum && r->rhs && r->mean;
}

/* work = the information of one fit. */
static bool information(room *r, const pl_shared *s, const double *extra)
{
    for (size_t a = 0; a < r->k; a++)
        for (size_t b = 0; b < r->k; b++)
            gsl_matrix_set(r->work, a, b,
                           s->cov[r->which[a]][r->which[b]] + (a == b ? extra[r->which[a]] : 0));
    return gsl_linalg_cholesky_decomp1(r->work) == 0 && gsl_linalg_cholesky_invert(r->work) == 0;
}

static double entry(const room *r, const pl_shared *s, size_t a)
{
    return s->p[r->which[a]] - gsl_vector_get(r->mean, a);
}

/* Deviation of one fit from the mean in units of its covariance, squared; work: its information. */
static double distance2(const room *r, const pl_shared *s)
{
    double sum = 0;
    for (size_t a = 0; a < r->k; a++)
        for (size_t b = 0; b < r->k; b++)
            sum += entry(r, s, a) * gsl_matrix_get(r->work, a, b) * entry(r, s, b);
    return sum;
}

static bool average(room *r, const pl_shared *s, size_t n, const double *extra, double *scatter)
{
    for (size_t i = 0; i < n; i++) {
        if (!information(r, &s[i], extra))
            return false;
        gsl_matrix_add(r->sum, r->work);
        for (size_t a = 0; a < r->k; a++)
            for (size_t b = 0; b < r->k; b++)
                *gsl_vector_ptr(r->rhs, a) += gsl_matrix_get(r->work, a, b) * s[i].p[r->which[b]];
    }
    if (gsl_linalg_cholesky_decomp1(r->sum) || gsl_linalg_cholesky_solve(r->sum, r->rhs, r->mean) ||
        gsl_linalg_cholesky_invert(r->sum))
        return false;
    double chi2 = 0;
    for (size_t i = 0; i < n; i++)
        chi2 += information(r, &s[i], extra) ? distance2(r, &s[i]) : 0;
    *scatter = n > 1 ? chi2 / ((double)(n - 1) * (double)r->k) : 1;
    return true;
}

/* Defocus: stars of a tilted field differ truly; the mean's error is their scatter's. */
static void mean_defocus(const pl_shared *s, size_t n, pl_shared *out)
{
    int k = pl_wavefit_of(4);
    double sum = 0, formal = 0, off = 0;
    for (size_t i = 0; i < n; i++) {
        sum += s[i].p[k] / (double)n;
        formal += s[i].cov[k][k] / (double)(n * n);
    }
    for (size_t i = 0; i < n; i++)
        off += pow(s[i].p[k] - sum, 2);
    out->p[k] = sum;
    out->cov[k][k] = n > 1 ? fmax(formal, off / (double)(n * (n - 1))) : formal;
}

pl_status pl_wavefront_mean(const pl_shared *s, size_t n, const double *extra, pl_shared *out,
                            pl_err *err)
{
    room r = { 0 };
    double scatter = 1;
    pl_shared mean = { 0 };
    bool done = n > 0 && make(&r, s) && average(&r, s, n, extra, &scatter);
    for (size_t a = 0; done && a < r.k; a++) {
        mean.p[r.which[a]] = gsl_vector_get(r.mean, a);
        for (size_t b = 0; b < r.k; b++)
            mean.cov[r.which[a]][r.which[b]] = gsl_matrix_get(r.sum, a, b) * fmax(1, scatter);
    }
    clear(&r);
    if (!done)
        return pl_fail(err, PL_ENOMEM, "the donuts' fits cannot be averaged");
    mean_defocus(s, n, &mean);
    *out = mean;
    return PL_OK;
}
