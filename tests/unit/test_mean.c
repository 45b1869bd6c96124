/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The mean of fits by their covariances, against numpy 1.24: W = inv(C + E), V = inv(sum W),
 * m = V sum W p, chi2 = sum (p - m) W (p - m). */
#include "../../lib/align/donut/donut.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <gsl/gsl_errno.h>
#include <math.h>
#include <string.h>

TestSuite(mean, .init = (void (*)(void))gsl_set_error_handler_off);

enum { A4, A7 = PL_WF_WAVE + 3, A8 = PL_WF_WAVE + 4, Y = PL_WF_SHADOW_Y };

static const int PART[] = { A7, A8, Y };
static const double NONE[PL_WF_SHARED];

/* Of (a7, a8, shadow y), with a defocus that has nothing to do with them. */
static pl_shared fit(const double p[3], const double c[3][3], double a4, double a4_sigma)
{
    pl_shared s = { 0 };
    for (int a = 0; a < 3; a++) {
        s.p[PART[a]] = p[a];
        for (int b = 0; b < 3; b++)
            s.cov[PART[a]][PART[b]] = 1e-6 * c[a][b];
    }
    s.p[A4] = a4;
    s.cov[A4][A4] = a4_sigma * a4_sigma;
    return s;
}

static void three(pl_shared s[3])
{
    s[0] = fit((double[]){ .020, .050, .030 },
               (const double[3][3]){ { 4, 1, -3 }, { 1, 9, 2 }, { -3, 2, 16 } }, 1.50, 0.001);
    s[1] = fit((double[]){ .026, .041, .018 },
               (const double[3][3]){ { 16, -2, 6 }, { -2, 4, 1 }, { 6, 1, 9 } }, 1.53, 0.002);
    s[2] = fit((double[]){ .012, .058, .044 },
               (const double[3][3]){ { 9, 0, 4 }, { 0, 25, -5 }, { 4, -5, 36 } }, 1.47, 0.001);
}

static void expect_mean(const pl_shared *got, const double p[3], const double c[3][3])
{
    for (int a = 0; a < 3; a++) {
        cr_expect(epsilon_eq(dbl, got->p[PART[a]], p[a], 1e-10), "p[%d] %.9g", a, got->p[PART[a]]);
        for (int b = 0; b < 3; b++)
            cr_expect(epsilon_eq(dbl, got->cov[PART[a]][PART[b]], c[a][b], 1e-13), "cov[%d][%d]", a,
                      b);
    }
}

/* The covariances are V times chi2 / 6 = 8.3037 and, with the air's, 6.7964: these fits scatter by
 * more than they say. */
Test(mean, against_numpy)
{
    pl_shared s[3], got;
    double air[PL_WF_SHARED] = { 0 };
    three(s);
    cr_assert(eq(int, pl_wavefront_mean(s, 3, NONE, &got, NULL), PL_OK));
    expect_mean(&got, (double[]){ 1.932430291e-02, 4.686836577e-02, 2.458814762e-02 },
                (const double[3][3]){ { 1.585067635e-05, -3.003443927e-07, 1.163169670e-06 },
                                      { -3.003443927e-07, 1.920710954e-05, 6.721819479e-06 },
                                      { 1.163169670e-06, 6.721819479e-06, 3.251295528e-05 } });
    air[A7] = 5e-6;
    air[A8] = 3e-6;
    cr_assert(eq(int, pl_wavefront_mean(s, 3, air, &got, NULL), PL_OK));
    expect_mean(&got, (double[]){ 1.937603209e-02, 4.754032694e-02, 2.464899102e-02 },
                (const double[3][3]){ { 2.676848278e-05, -3.686461290e-07, 3.073677941e-06 },
                                      { -3.686461290e-07, 2.509928701e-05, 4.256862899e-06 },
                                      { 3.073677941e-06, 4.256862899e-06, 2.909838053e-05 } });
    cr_expect(eq(dbl, got.p[pl_wavefit_of(5)], 0), "never fitted");
    cr_expect(eq(dbl, got.cov[pl_wavefit_of(5)][pl_wavefit_of(5)], 0));
}

/* In any order. */
Test(mean, order_does_not_matter)
{
    pl_shared s[3], a, b;
    three(s);
    cr_assert(eq(int, pl_wavefront_mean(s, 3, NONE, &a, NULL), PL_OK));
    pl_shared swapped[3] = { s[0], s[2], s[1] };
    cr_assert(eq(int, pl_wavefront_mean(swapped, 3, NONE, &b, NULL), PL_OK));
    for (int k = 0; k < PL_WF_SHARED; k++)
        cr_expect(epsilon_eq(dbl, a.p[k], b.p[k], 1e-14));
}

Test(mean, one_fit_is_itself)
{
    pl_shared s[3], got;
    double air[PL_WF_SHARED] = { 0 };
    three(s);
    air[A8] = 3e-6;
    cr_assert(eq(int, pl_wavefront_mean(s, 1, air, &got, NULL), PL_OK));
    for (int a = 0; a < PL_WF_SHARED; a++) {
        cr_expect(epsilon_eq(dbl, got.p[a], s[0].p[a], 1e-14), "%d", a);
        for (int b = 0; b < PL_WF_SHARED; b++)
            cr_expect(epsilon_eq(dbl, got.cov[a][b], s[0].cov[a][b] + (a == b ? air[a] : 0), 1e-18),
                      "%d, %d", a, b);
    }
}

/* Equal fits: n of them are worth n times the information, and none scatters. */
Test(mean, equal_fits_gain_by_their_number)
{
    pl_shared s[4], got;
    three(s);
    s[1] = s[2] = s[3] = s[0];
    cr_assert(eq(int, pl_wavefront_mean(s, 4, NONE, &got, NULL), PL_OK));
    for (int a = 0; a < PL_WF_SHARED; a++) {
        cr_expect(epsilon_eq(dbl, got.p[a], s[0].p[a], 1e-14));
        for (int b = 0; b < PL_WF_SHARED; b++)
            cr_expect(epsilon_eq(dbl, got.cov[a][b], s[0].cov[a][b] / 4, 1e-17));
    }
}

/* Two fits of one number, p = +-d, sigma 1: chi2 = 2 d^2 on one degree of freedom, the mean's
 * variance 1/2 becomes d^2, that of the two values' scatter (by hand). */
Test(mean, errors_grow_with_the_scatter)
{
    pl_shared s[2] = { { .p = { 0 } }, { .p = { 0 } } }, got;
    s[0].cov[A8][A8] = s[1].cov[A8][A8] = 1;
    for (double d = 0.25; d < 5; d *= 2) {
        s[0].p[A8] = d;
        s[1].p[A8] = -d;
        cr_assert(eq(int, pl_wavefront_mean(s, 2, NONE, &got, NULL), PL_OK));
        cr_expect(epsilon_eq(dbl, got.cov[A8][A8], fmax(0.5, d * d), 1e-12), "%g", d);
        cr_expect(epsilon_eq(dbl, got.p[A8], 0, 1e-12));
    }
}

/* Outside, a fit knows coma + 3 shadow well (0.001) and coma - shadow / 3 not at all (1); inside it
 * is coma - 3 shadow. Each alone may be anything; both together know coma to 0.001 / sqrt 2 and the
 * shadow to a third of that: sums and differences of two well known numbers (by hand). */
static pl_shared blind(double sign, double coma, double shadow)
{
    pl_shared s = { 0 };
    const double u[2] = { 1 / sqrt(10), sign * 3 / sqrt(10) }; /* the direction known */
    const double v[2] = { -u[1], u[0] };
    const int at[2] = { A8, PL_WF_SHADOW_X };
    const double truth[2] = { coma, shadow };
    for (int a = 0; a < 2; a++) {
        s.p[at[a]] = truth[a] + 0.9 * v[a]; /* wrong by a lot where it is blind */
        for (int b = 0; b < 2; b++)
            s.cov[at[a]][at[b]] = 1e-7 * u[a] * u[b] + v[a] * v[b];
    }
    return s;
}

Test(mean, what_one_cannot_tell_is_left_to_the_other)
{
    pl_shared s[2] = { blind(1, 0.060, 0.040), blind(-1, 0.060, 0.040) }, got;
    cr_assert(eq(int, pl_wavefront_mean(s, 2, NONE, &got, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, got.p[A8], 0.060, 1e-5));
    cr_expect(epsilon_eq(dbl, got.p[PL_WF_SHADOW_X], 0.040, 1e-5));
    /* known: u.p to sqrt(1e-7), so coma + 3 shadow to 1e-3: coma to 1e-3 / sqrt 2 */
    cr_expect(epsilon_eq(dbl, sqrt(got.cov[A8][A8]), 1e-3 / sqrt(2), 1e-5));
    cr_expect(
        epsilon_eq(dbl, sqrt(got.cov[PL_WF_SHADOW_X][PL_WF_SHADOW_X]), 1e-3 / sqrt(18), 1e-5));
    double plain = (s[0].p[PL_WF_SHADOW_X] + s[1].p[PL_WF_SHADOW_X]) / 2;
    cr_expect(gt(dbl, fabs(plain - 0.040), 0.2), "a plain mean does not know");
}

/* By hand: 1.50, 1.53, 1.47, mean 1.5; sum of squares 0.0018 / (3 x 2) = 0.0003. */
Test(mean, defocus_by_itself)
{
    pl_shared s[3], got;
    three(s);
    cr_assert(eq(int, pl_wavefront_mean(s, 3, NONE, &got, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, got.p[A4], 1.50, 1e-12));
    cr_expect(epsilon_eq(dbl, got.cov[A4][A4], 0.0003, 1e-12));
    s[1].p[A4] = s[2].p[A4] = 1.50; /* no scatter: (1 + 4 + 1) 1e-6 / 9 */
    cr_assert(eq(int, pl_wavefront_mean(s, 3, NONE, &got, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, got.cov[A4][A4], 6e-6 / 9, 1e-15));
}

/* Nothing to average, or covariances that are none. */
Test(mean, refuses)
{
    pl_shared s[3], got = { .p = { 7 } };
    pl_err err = { PL_OK, "" };
    three(s);
    cr_expect(ne(int, pl_wavefront_mean(s, 0, NONE, &got, &err), PL_OK));
    cr_expect(ne(int, err.msg[0], 0));
    s[0].cov[A7][A8] = s[0].cov[A8][A7] = 1; /* more than the variances allow */
    cr_expect(ne(int, pl_wavefront_mean(s, 3, NONE, &got, NULL), PL_OK));
    pl_shared empty = { 0 };
    cr_expect(ne(int, pl_wavefront_mean(&empty, 1, NONE, &got, NULL), PL_OK));
    cr_expect(eq(dbl, got.p[0], 7), "untouched");
}
