/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lsq.c - robust linear least squares on top of GSL. */
#include "base.h"

#include <math.h>
#include <stdlib.h>
#include <gsl/gsl_multifit.h>

struct fit {
    gsl_matrix *x, *cov;
    gsl_vector *y, *c, *r;
    gsl_multifit_robust_workspace *work;
};

static void release(struct fit *f)
{
    gsl_matrix_free(f->x);
    gsl_matrix_free(f->cov);
    gsl_vector_free(f->y);
    gsl_vector_free(f->c);
    gsl_vector_free(f->r);
    if (f->work)
        gsl_multifit_robust_free(f->work);
}

static bool reserve(struct fit *f, size_t n, size_t p)
{
    f->x = gsl_matrix_alloc(n, p);
    f->cov = gsl_matrix_alloc(p, p);
    f->y = gsl_vector_alloc(n);
    f->c = gsl_vector_alloc(p);
    f->r = gsl_vector_alloc(n);
    f->work = gsl_multifit_robust_alloc(gsl_multifit_robust_bisquare, n, p);
    return f->x && f->cov && f->y && f->c && f->r && f->work;
}

/* Scatter of the residuals in units of the errors given: MAD, so that outliers do not count. */
static double residual_scale(struct fit *f, size_t n, size_t p)
{
    gsl_multifit_linear_residuals(f->x, f->y, f->c, f->r);
    double s = pl_mad_sigma(f->r->data, n, 0.0);
    return s * sqrt((double)n / (double)(n - p));
}

/* Covariance (X'X)^-1 for unit errors, through the unweighted workspace of GSL. */
static int unit_covariance(struct fit *f, size_t n, size_t p)
{
    gsl_multifit_linear_workspace *w = gsl_multifit_linear_alloc(n, p);
    gsl_vector *c = gsl_vector_alloc(p);
    gsl_vector *one = gsl_vector_alloc(n);
    double chisq = 0;
    int bad = !w || !c || !one;
    if (!bad) {
        gsl_vector_set_all(one, 1.0);
        bad = gsl_multifit_wlinear(f->x, one, f->y, c, f->cov, &chisq, w);
    }
    gsl_vector_free(one);
    gsl_vector_free(c);
    if (w)
        gsl_multifit_linear_free(w);
    return bad;
}

pl_status pl_lsq_fit(const double *rows, const double *rhs, size_t n, size_t p, double *coef,
                     double *cov, double *scale, pl_err *err)
{
    if (n <= p)
        return pl_fail(err, PL_ENODATA, "%zu values cannot determine %zu unknowns", n, p);
    struct fit f = { 0 };
    pl_status st = PL_OK;
    if (!reserve(&f, n, p)) {
        st = pl_fail(err, PL_ENOMEM, "out of memory in a least-squares fit of %zu values", n);
        goto done;
    }
    for (size_t i = 0; i < n; i++) {
        gsl_vector_set(f.y, i, rhs[i]);
        for (size_t j = 0; j < p; j++)
            gsl_matrix_set(f.x, i, j, rows[i * p + j]);
    }
    /* GSL_EMAXITER leaves the best answer so far, which is good enough to go on with. */
    int rc = gsl_multifit_robust(f.x, f.y, f.c, f.cov, f.work);
    if ((rc && rc != GSL_EMAXITER) || unit_covariance(&f, n, p)) {
        st = pl_fail(err, PL_EARG, "the values do not determine the fit");
        goto done;
    }
    double s = residual_scale(&f, n, p);
    for (size_t j = 0; j < p; j++) {
        double c = gsl_vector_get(f.c, j), v = gsl_matrix_get(f.cov, j, j);
        if (!isfinite(c) || !(v < 1e12)) {
            st = pl_fail(err, PL_EARG, "the values do not determine the fit");
            goto done;
        }
    }
    for (size_t j = 0; j < p; j++) {
        coef[j] = gsl_vector_get(f.c, j);
        for (size_t k = 0; cov && k < p; k++)
            cov[j * p + k] = gsl_matrix_get(f.cov, j, k) * fmax(1.0, s * s);
    }
    if (scale)
        *scale = s;
done:
    release(&f);
    return st;
}
