/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lsq.c - linear least squares that a few wild values cannot pull: rounds of reweighting with
 * Tukey's bisquare (Beaton & Tukey 1974, Technometrics 16, 147, from memory; tuning constant 4.685,
 * 95 % efficient for Gaussian errors). Normal equations, since the designs here have a handful of
 * terms of like size; GSL factors them. tests/unit/test_lsq.c holds it against gsl_multifit_robust.
 */
#include "base.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <gsl/gsl_linalg.h>

enum { MOST_TERMS = 12, ROUNDS = 30, FEW = 128 };

static const double TUNE = 4.685, SETTLED = 1e-4; /* of a coefficient's sigma */

/* Coefficients and inverse of the normal matrix for given weights; false when it is singular. */
static bool solve(const double *rows, const double *rhs, const double *weight, size_t n, size_t p,
                  double *coef, double *inverse)
{
    double a[MOST_TERMS * MOST_TERMS] = { 0 }, b[MOST_TERMS] = { 0 };
    for (size_t i = 0; i < n; i++) {
        const double *r = rows + i * p;
        for (size_t j = 0; j < p; j++) {
            double w = weight[i] * r[j];
            b[j] += w * rhs[i];
            for (size_t k = 0; k <= j; k++)
                a[j * p + k] += w * r[k];
        }
    }
    double diagonal[MOST_TERMS];
    for (size_t j = 0; j < p; j++)
        diagonal[j] = a[j * p + j];
    gsl_matrix_view m = gsl_matrix_view_array(a, p, p);
    if (gsl_linalg_cholesky_decomp1(&m.matrix))
        return false;
    for (size_t j = 0; j < p;
         j++) /* what the other terms leave of it is rounding: not determined */
        if (!(a[j * p + j] * a[j * p + j] > 1e-12 * diagonal[j]))
            return false;
    gsl_vector_view x = gsl_vector_view_array(coef, p);
    memcpy(coef, b, p * sizeof *coef);
    gsl_linalg_cholesky_svx(&m.matrix, &x.vector);
    if (gsl_linalg_cholesky_invert(&m.matrix))
        return false;
    memcpy(inverse, a, p * p * sizeof *a);
    return true;
}

static void residuals(const double *rows, const double *rhs, size_t n, size_t p, const double *coef,
                      double *out)
{
    for (size_t i = 0; i < n; i++) {
        out[i] = rhs[i];
        for (size_t j = 0; j < p; j++)
            out[i] -= coef[j] * rows[i * p + j];
    }
}

static double scatter(const double *rest, size_t n, size_t p, double *work)
{
    memcpy(work, rest, n * sizeof *work);
    return pl_mad_sigma(work, n, 0) * sqrt((double)n / (double)(n - p));
}

static void bisquare(const double *rest, size_t n, double scale, double *weight)
{
    for (size_t i = 0; i < n; i++) {
        double u = scale > 0 ? rest[i] / (TUNE * scale) : 0;
        weight[i] = fabs(u) < 1 ? (1 - u * u) * (1 - u * u) : 0;
    }
}

/* work: [3 n] */
static bool iterate(const double *rows, const double *rhs, size_t n, size_t p, double *coef,
                    double *inverse, double *scale, double *work)
{
    double *weight = work, *rest = work + n, *spare = work + 2 * n, last[MOST_TERMS];
    for (size_t i = 0; i < n; i++)
        weight[i] = 1;
    if (!solve(rows, rhs, weight, n, p, coef, inverse))
        return false;
    double unit[MOST_TERMS * MOST_TERMS]; /* for equal weights: the errors' covariance */
    memcpy(unit, inverse, p * p * sizeof *unit);
    for (int round = 0; round < ROUNDS; round++) {
        memcpy(last, coef, p * sizeof *last);
        residuals(rows, rhs, n, p, coef, rest);
        *scale = scatter(rest, n, p, spare);
        bisquare(rest, n, *scale, weight);
        if (!solve(rows, rhs, weight, n, p, coef, inverse))
            return false;
        double moved = 0;
        for (size_t j = 0; j < p; j++)
            moved = fmax(moved, fabs(coef[j] - last[j]) / sqrt(unit[j * p + j]));
        if (moved < SETTLED * fmax(1, *scale))
            break;
    }
    memcpy(inverse, unit, p * p * sizeof *unit);
    return true;
}

pl_status pl_lsq_fit(const double *rows, const double *rhs, size_t n, size_t p, double *coef,
                     double *cov, double *scale, pl_err *err)
{
    if (p == 0 || p > MOST_TERMS)
        return pl_fail(err, PL_EARG, "%zu terms; from 1 to %d can be fitted", p, MOST_TERMS);
    if (n <= p)
        return pl_fail(err, PL_ENODATA, "%zu values cannot determine %zu unknowns", n, p);
    double c[MOST_TERMS], inverse[MOST_TERMS * MOST_TERMS], s = 1;
    double few[3 * FEW], *many = n > FEW ? malloc(sizeof *many * 3 * n) : NULL;
    double *work = n > FEW ? many : few;
    if (!work)
        return pl_fail(err, PL_ENOMEM, "out of memory in a least-squares fit of %zu values", n);
    bool ok = iterate(rows, rhs, n, p, c, inverse, &s, work);
    free(many);
    for (size_t j = 0; ok && j < p; j++)
        ok = isfinite(c[j]);
    if (!ok)
        return pl_fail(err, PL_EARG, "the values do not determine the fit");
    memcpy(coef, c, p * sizeof *coef);
    for (size_t j = 0; cov && j < p * p; j++)
        cov[j] = inverse[j] * fmax(1, s * s);
    if (scale)
        *scale = s;
    return PL_OK;
}
