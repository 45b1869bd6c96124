/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Zernike polynomials against Noll 1976 and against what orthonormal means. */
#include "../../lib/optics/optics.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>

/* Mean of f(x, y) over the annulus: Gauss in r^2, equal steps in angle; exact for polynomials of a
 * degree far above twice the sixth. */
static double mean(double (*f)(int, int, double, double, double), int j, int k, double e)
{
    enum { SPOKES = 32 };
    pl_gauss rule = pl_gauss_rule(16);
    double sum = 0;
    for (int i = 0; i < rule.n; i++)
        for (int a = 0; a < SPOKES; a++) {
            double r = sqrt(e * e + (1 - e * e) * (1 + rule.x[i]) / 2);
            double t = 2 * M_PI * (a + 0.3) / SPOKES;
            sum += rule.w[i] / 2 / SPOKES * f(j, k, e, r * cos(t), r * sin(t));
        }
    return sum;
}

static double circular(int j, int k, double e, double x, double y)
{
    (void)e;
    return pl_zernike(j, x, y) * pl_zernike(k, x, y);
}

static double annular(int j, int k, double e, double x, double y)
{
    return pl_zernike_annular(j, e, x, y) * pl_zernike_annular(k, e, x, y);
}

/* By definition; 1e-12 is rounding. */
Test(zernike, are_orthonormal_over_the_disc)
{
    for (int j = 1; j <= PL_NOLL_MAX; j++)
        for (int k = 1; k <= j; k++)
            cr_expect(epsilon_eq(dbl, mean(circular, j, k, 0), j == k, 1e-12), "%d, %d", j, k);
}

Test(zernike, annular_are_orthonormal_over_the_annulus)
{
    const double e[] = { 0, 0.2, 0.33, 0.5 };
    for (int i = 0; i < 4; i++)
        for (int j = 1; j <= 11; j++)
            for (int k = 1; k <= j; k++)
                cr_expect(epsilon_eq(dbl, mean(annular, j, k, e[i]), j == k, 1e-12), "%d, %d", j,
                          k);
}

Test(zernike, annular_without_a_hole_are_circular)
{
    for (int j = 1; j <= 11; j++)
        cr_expect(
            epsilon_eq(dbl, pl_zernike_annular(j, 0, 0.4, -0.7), pl_zernike(j, 0.4, -0.7), 1e-14));
}

struct order_row {
    int j, n, m;
    double deg, at_rim; /* value on the rim in that direction */
    char form[24];
};

/* Noll 1976, table I: order, and values read off the printed forms, R_n^m(1) = 1. */
ParameterizedTestParameters(zernike, noll)
{
    static struct order_row rows[] = {
        { 1, 0, 0, 20, 1, "1" },
        { 2, 1, 1, 0, 2, "2 r cos" },
        { 3, 1, 1, 90, 2, "2 r sin" },
        { 4, 2, 0, 70, 1.7320508, "root 3" },
        { 5, 2, 2, 45, 2.4494897, "root 6 sin 2" },
        { 6, 2, 2, 0, 2.4494897, "root 6 cos 2" },
        { 7, 3, 1, 90, 2.8284271, "root 8 sin" },
        { 8, 3, 1, 0, 2.8284271, "root 8 cos" },
        { 9, 3, 3, 30, 2.8284271, "root 8 sin 3" },
        { 10, 3, 3, 0, 2.8284271, "root 8 cos 3" },
        { 11, 4, 0, 10, 2.2360680, "root 5" },
        { 12, 4, 2, 0, 3.1622777, "root 10 cos 2" },
        { 13, 4, 2, 45, 3.1622777, "root 10 sin 2" },
        { 14, 4, 4, 0, 3.1622777, "root 10 cos 4" },
        { 15, 4, 4, 22.5, 3.1622777, "root 10 sin 4" },
        { 16, 5, 1, 0, 3.4641016, "root 12 cos" },
        { 17, 5, 1, 90, 3.4641016, "root 12 sin" },
        { 18, 5, 3, 0, 3.4641016, "root 12 cos 3" },
        { 19, 5, 3, 30, 3.4641016, "root 12 sin 3" },
        { 20, 5, 5, 0, 3.4641016, "root 12 cos 5" },
        { 21, 5, 5, 18, 3.4641016, "root 12 sin 5" },
        { 22, 6, 0, 80, 2.6457513, "root 7" },
    };
    return cr_make_param_array(struct order_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct order_row *r, zernike, noll)
{
    int n, m;
    double t = r->deg * M_PI / 180;
    cr_assert(pl_noll_index(r->j, &n, &m));
    cr_expect(eq(int, n, r->n));
    cr_expect(eq(int, m, r->m));
    cr_expect(epsilon_eq(dbl, pl_zernike(r->j, cos(t), sin(t)), r->at_rim, 1e-7), "%s", r->form);
}

Test(zernike, others_are_unknown)
{
    int n, m;
    cr_expect(not(pl_noll_index(0, &n, &m)));
    cr_expect(not(pl_noll_index(PL_NOLL_MAX + 1, &n, &m)));
    cr_expect(isnan(pl_zernike(0, 0, 0)) && isnan(pl_zernike(23, 0, 0)));
    cr_expect(isnan(pl_zernike_annular(12, 0.3, 0, 0)));
}

/* ---- Noll's residuals: how much of Kolmogorov's turbulence the first J leave */

/* Transform of Z_j at frequency k (cycles per radius) over pi: 2 i^m times the integral of
 * R(r) J_m(2 pi k r) r dr. R is read off our polynomial in the direction where its angular part is
 * 1. */
static double transform(int j, double k, const pl_gauss *rule)
{
    enum { PANELS = 3 };
    int n, m;
    pl_noll_index(j, &n, &m);
    double t = m && j % 2 ? M_PI / (2 * m) : 0, sum = 0;
    for (int p = 0; p < PANELS; p++)
        for (int i = 0; i < rule->n; i++) {
            double r = (p + (1 + rule->x[i]) / 2) / PANELS;
            sum += rule->w[i] / (2 * PANELS) * r * jn(m, 2 * M_PI * k * r) *
                   pl_zernike(j, r * cos(t), r * sin(t));
        }
    return 2 * sum / (m ? sqrt(2) : 1); /* the cosine squared is a half on average */
}

/* Integral over the plane of 0.0229 f^(-11/3) |Q|^2, in units of (D / r0)^(5/3); for j = 1 of
 * 1 - |Q|^2, which is all of the turbulence. k = s^3 takes the steepness at 0 away. */
static double variance(int j)
{
    enum { PANELS = 12 };
    const double end = 2.4; /* k = 13.8: beyond is below 1e-5 of the least, but for j = 1 */
    const double from = j == 1 ? 0.05 : 0; /* 1 - |Q|^2 is (pi k)^2 below, lost in rounding */
    pl_gauss rule = pl_gauss_rule(16), fine = pl_gauss_rule(32);
    double sum = 0;
    for (int p = 0; p < PANELS; p++)
        for (int i = 0; i < rule.n; i++) {
            double s = from + (end - from) * (p + (1 + rule.x[i]) / 2) / PANELS, k = s * s * s;
            double q = transform(j, k, &fine);
            double light = j == 1 ? 1 - q * q : q * q;
            sum += rule.w[i] * (end - from) / (2 * PANELS) * 3 * s * s * pow(k, -8.0 / 3) * light;
        }
    if (j == 1)
        sum += 3 * M_PI * M_PI * from + 0.6 * pow(end, -5); /* and k^(-8/3) beyond the end */
    /* 0.0229 from the structure function's exact constant 6.88388 by the gamma functions of its
     * transform, as in screen.c; computed with scipy */
    return 2 * M_PI * 0.0228956 * pow(2, -5.0 / 3) * sum;
}

/* The exact row of Noll's table IV (recomputed with the constant 6.8839, scipy): to 0.1 % and half
 * a unit of its last digit. The printed row agrees with it to 0.5 %. */
Test(zernike, noll_residuals)
{
    const double exact[] = { 1.0324, .5835, .1347, .1114, .0882, .0650, .0588,
                             .0526,  .0464, .0402, .0378, .0353, .0329, .0304,
                             .0280,  .0268, .0256, .0244, .0232, .0220, .0208 };
    const double printed[] = { 1.0299, .582,  .134,  .111,  .0880, .0648, .0587,
                               .0525,  .0463, .0401, .0377, .0352, .0328, .0304,
                               .0279,  .0267, .0255, .0243, .0232, .0220, .0208 };
    double left = variance(1);
    for (int j = 1; j <= 21; j++) {
        left -= j > 1 ? variance(j) : 0;
        cr_expect(epsilon_eq(dbl, left, exact[j - 1], 0.001 * exact[j - 1] + 5e-5), "J = %d", j);
        cr_expect(epsilon_eq(dbl, left, printed[j - 1], 0.005 * printed[j - 1] + 5e-5), "J = %d",
                  j);
    }
}

/* ---- wavefronts as polynomials */

Test(wave, is_the_sum_of_its_zernikes)
{
    pl_wave w = { 0 };
    double x[] = { 0, 0.3, -0.7, 0.1, -0.2 }, y[] = { 0, -0.4, 0.6, 0.99, -0.9 };
    for (int j = 1; j <= PL_NOLL_MAX; j++)
        pl_wave_add(&w, j, 1.0 / (j + 2) - 0.1);
    pl_wave_add(&w, 0, 5);
    pl_wave_add(&w, PL_NOLL_MAX + 1, 5);
    for (int i = 0; i < 5; i++) {
        double row[PL_WAVE_DEGREE + 1], got = 0, want = 0;
        pl_wave_row(&w, y[i], row);
        for (int p = PL_WAVE_DEGREE; p >= 0; p--)
            got = got * x[i] + row[p];
        for (int j = 1; j <= PL_NOLL_MAX; j++)
            want += (1.0 / (j + 2) - 0.1) * pl_zernike(j, x[i], y[i]);
        cr_expect(epsilon_eq(dbl, got, want, 1e-13));
    }
}

/* Slopes on the rim by hand: root 3 (2 r^2 - 1) gives 4 root 3; root 8 (3 r^3 - 2 r) cos gives
 * 7 root 8 along x; root 5 (6 r^4 - 6 r^2 + 1) gives 12 root 5. */
Test(wave, reach)
{
    const int j[] = { 2, 4, 8, 11 };
    const double want[] = { 2, 4 * sqrt(3), 7 * sqrt(8), 12 * sqrt(5) };
    for (int i = 0; i < 4; i++) {
        pl_wave w = { 0 };
        pl_wave_add(&w, j[i], -0.5);
        cr_expect(epsilon_eq(dbl, pl_wave_reach(&w), 0.5 * want[i], 1e-12), "Z%d", j[i]);
    }
}
