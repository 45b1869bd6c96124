/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Robust linear least squares: lines by hand, NIST's Norris data, odd points, refusals. */
#include "../../lib/base/base.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_fit.h>
#include <gsl/gsl_multifit.h>
#include <math.h>

TestSuite(lsq, .init = (void (*)(void))gsl_set_error_handler_off);

/* y = 3 + 2 x at x = -1, 0, 1: by hand (X'X)^-1 = diag(1/3, 1/2). */
Test(lsq, three_points_on_a_line)
{
    const double rows[] = { 1, -1, 1, 0, 1, 1 }, rhs[] = { 1, 3, 5 };
    double c[2], cov[4], scale;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_lsq_fit(rows, rhs, 3, 2, c, cov, &scale, &err), PL_OK), "%s", err.msg);
    cr_expect(epsilon_eq(dbl, c[0], 3, 1e-12));
    cr_expect(epsilon_eq(dbl, c[1], 2, 1e-12));
    cr_expect(epsilon_eq(dbl, cov[0], 1.0 / 3, 1e-12));
    cr_expect(epsilon_eq(dbl, cov[3], 0.5, 1e-12));
    cr_expect(epsilon_eq(dbl, cov[1], 0, 1e-12));
    cr_expect(epsilon_eq(dbl, cov[2], 0, 1e-12));
    cr_expect(epsilon_eq(dbl, scale, 0, 1e-12));
    cr_expect(eq(int, pl_lsq_fit(rows, rhs, 3, 2, c, NULL, NULL, NULL), PL_OK));
}

/* NIST StRD, linear regression, Norris: y, x; certified B0, B1 and their errors (data and values
 * from memory; plain least squares of these data gives all certified digits, see below). */
static const double norris[36][2] = {
    { 0.1, 0.2 },     { 338.8, 337.4 }, { 118.1, 118.2 }, { 888.0, 884.6 }, { 9.2, 10.1 },
    { 228.1, 226.5 }, { 668.5, 666.3 }, { 998.5, 996.3 }, { 449.1, 448.6 }, { 778.9, 777.0 },
    { 559.2, 558.2 }, { 0.3, 0.4 },     { 0.1, 0.6 },     { 778.1, 775.5 }, { 668.8, 666.9 },
    { 339.3, 338.0 }, { 448.9, 447.5 }, { 10.8, 11.6 },   { 557.7, 556.0 }, { 228.3, 228.1 },
    { 998.0, 995.8 }, { 888.8, 887.6 }, { 119.6, 120.2 }, { 0.3, 0.3 },     { 0.6, 0.3 },
    { 557.6, 556.8 }, { 339.3, 339.1 }, { 888.0, 887.2 }, { 998.5, 999.0 }, { 778.9, 779.0 },
    { 10.2, 11.1 },   { 117.6, 118.3 }, { 228.9, 229.2 }, { 668.4, 669.1 }, { 449.2, 448.9 },
    { 0.2, 0.5 },
};
static const double B0 = -0.262323073774029, B1 = 1.00211681802045, SD0 = 0.232818234301152,
                    SD1 = 0.429796848199937e-3, RESIDUAL_SD = 0.884796396144373;

/* A robust fit weighs by residual, so it may differ from the certified one: by less than that one's
 * error. The covariance is that of unit errors, which the residual's scatter turns into NIST's. */
Test(lsq, norris)
{
    double rows[72], rhs[36], c[2], cov[4], b0, b1, c00, c01, c11, ssq;
    gsl_fit_linear(&norris[0][1], 2, &norris[0][0], 2, 36, &b0, &b1, &c00, &c01, &c11, &ssq);
    cr_assert(epsilon_eq(dbl, b0, B0, 1e-12), "the data");
    cr_assert(epsilon_eq(dbl, b1, B1, 1e-13), "the data");
    cr_assert(epsilon_eq(dbl, sqrt(ssq / 34), RESIDUAL_SD, 1e-12), "the data");
    for (int i = 0; i < 36; i++) {
        rows[2 * i] = 1;
        rows[2 * i + 1] = norris[i][1];
        rhs[i] = norris[i][0];
    }
    cr_assert(eq(int, pl_lsq_fit(rows, rhs, 36, 2, c, cov, NULL, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, c[0], B0, SD0));
    cr_expect(epsilon_eq(dbl, c[1], B1, SD1));
    cr_expect(epsilon_eq(dbl, sqrt(cov[0] / cov[3]), SD0 / SD1, 1e-9 * SD0 / SD1));
    cr_expect(ge(dbl, sqrt(cov[0]), SD0 / RESIDUAL_SD * (1 - 1e-9)), "never below unit errors");
}

/* GSL's (2.7) own robust fit with the same weight function. */
static void gsl_robust(const double *rows, const double *rhs, size_t n, size_t p, double *c)
{
    gsl_matrix_const_view x = gsl_matrix_const_view_array(rows, n, p);
    gsl_vector_const_view y = gsl_vector_const_view_array(rhs, n);
    gsl_matrix *cov = gsl_matrix_alloc(p, p);
    gsl_vector_view coef = gsl_vector_view_array(c, p);
    gsl_multifit_robust_workspace *w =
        gsl_multifit_robust_alloc(gsl_multifit_robust_bisquare, n, p);
    gsl_multifit_robust(&x.matrix, &y.vector, &coef.vector, cov, w);
    gsl_multifit_robust_free(w);
    gsl_matrix_free(cov);
}

/* Plain noise and noise with a tenth of wild values. GSL also weighs down points by their leverage
 * and takes its scatter from the largest residuals' median: answers differ, by a part of an error.
 */
Test(lsq, agrees_with_gsl)
{
    enum { N = 200, P = 4 };
    double rows[N * P], rhs[N], mine[P], theirs[P], cov[P * P];
    frames_dice dice = { 8 };
    for (int wild = 0; wild < 2; wild++)
        for (int t = 0; t < 20; t++) {
            for (int i = 0; i < N; i++) {
                double x = 2 * frames_uniform(&dice) - 1, y = 2 * frames_uniform(&dice) - 1;
                const double row[P] = { 1, x, y, x * x + y * y };
                for (int j = 0; j < P; j++)
                    rows[i * P + j] = row[j];
                rhs[i] = 3 - x + 2 * y + frames_normal(&dice) + (wild && i % 10 == 0 ? 40 * x : 0);
            }
            cr_assert(eq(int, pl_lsq_fit(rows, rhs, N, P, mine, cov, NULL, NULL), PL_OK));
            gsl_robust(rows, rhs, N, P, theirs);
            for (int j = 0; j < P; j++)
                cr_expect(epsilon_eq(dbl, mine[j], theirs[j], 0.1 * sqrt(cov[j * P + j])),
                          "term %d, wild %d", j, wild);
        }
}

/* Errors: over 500 fits of 40 points the slope scatters by what the covariance says (3.2 %). */
Test(lsq, its_errors_are_right)
{
    enum { TRIALS = 500, N = 40 };
    double rows[2 * N], rhs[N], c[2], cov[4], sq = 0, var = 0;
    frames_dice dice = { 5 };
    for (int t = 0; t < TRIALS; t++) {
        for (int i = 0; i < N; i++) {
            rows[2 * i] = 1;
            rows[2 * i + 1] = i - 19.5;
            rhs[i] = 3 + 2 * (i - 19.5) + frames_normal(&dice);
        }
        cr_assert(eq(int, pl_lsq_fit(rows, rhs, N, 2, c, cov, NULL, NULL), PL_OK));
        sq += (c[1] - 2) * (c[1] - 2);
        var += cov[3];
    }
    cr_expect(epsilon_eq(dbl, sqrt(sq / var), 1, 0.12));
}

Test(lsq, odd_points_do_not_count)
{
    double rows[60], rhs[30], c[2], scale;
    frames_dice dice = { 6 };
    for (int i = 0; i < 30; i++) {
        rows[2 * i] = 1;
        rows[2 * i + 1] = i;
        rhs[i] = 5 - 0.5 * i + 0.01 * frames_normal(&dice) + (i % 10 == 3 ? 1000 : 0);
    }
    cr_assert(eq(int, pl_lsq_fit(rows, rhs, 30, 2, c, NULL, &scale, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, c[0], 5, 0.02));
    cr_expect(epsilon_eq(dbl, c[1], -0.5, 0.001));
    cr_expect(lt(dbl, scale, 0.03));
}

static void expect_refusal(const double *rows, const double *rhs, size_t n, size_t p,
                           pl_status want)
{
    double c[3] = { 7, 7, 7 }, cov[9] = { 7, 7, 7, 7, 7, 7, 7, 7, 7 }, scale = 7;
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_lsq_fit(rows, rhs, n, p, c, cov, &scale, &err), want), "%s", err.msg);
    cr_expect(eq(int, err.code, want));
    for (int i = 0; i < 9; i++)
        cr_expect(c[i % 3] == 7 && cov[i] == 7 && scale == 7, "untouched");
}

Test(lsq, refusals)
{
    const double line[] = { 1, -1, 1, 0, 1, 1, 1, 2 }, rhs[] = { 1, 3, 5, 7 };
    const double alike[] = { 1, 2, 1, 2, 1, 2, 1, 2 }, zero[8] = { 0 };
    const double hole[] = { 1, NAN, 5, 7 };
    expect_refusal(line, rhs, 2, 2, PL_ENODATA);
    expect_refusal(line, rhs, 0, 2, PL_ENODATA);
    expect_refusal(line, rhs, 4, 0, PL_EARG);
    expect_refusal(line, rhs, 40, 13, PL_EARG);
    expect_refusal(alike, rhs, 4, 2, PL_EARG);
    expect_refusal(zero, rhs, 4, 2, PL_EARG);
    expect_refusal(line, hole, 4, 2, PL_EARG);
}
