/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Moving air against Kolmogorov's statistics. */
#include "../../lib/optics/optics.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>
#include <stdlib.h>

/* Aperture 280 mm, r0 70 mm at 0.5 um, wind 10 m/s: (D / r0)^(5/3) = 10.079. */
static pl_screen *air(uint64_t seed)
{
    pl_screen_spec spec = { 70, 0.5, 280, 1e4, 30, seed };
    pl_screen *s;
    cr_assert(eq(int, pl_screen_new(&spec, &s, NULL), PL_OK));
    return s;
}

static const double STRENGTH = 10.0794; /* 4^(5/3) */

enum { SCREENS = 40, MOMENTS = 80 };
static const double BETWEEN_S = 0.084; /* three apertures of wind */

/* ---- structure function */

/* Sum over the moments of one screen and four directions of the squared difference, in rad^2 at 0.5
 * um, between points apart by `apart` apertures. */
static double differences(const pl_screen *screen, double apart)
{
    enum { WAYS = 4 };
    double sum = 0, x[WAYS + 1] = { 0 }, y[WAYS + 1] = { 0 }, um[WAYS + 1];
    for (int k = 0; k < WAYS; k++) {
        x[k + 1] = 2 * apart * cos(M_PI * k / WAYS);
        y[k + 1] = 2 * apart * sin(M_PI * k / WAYS);
    }
    for (int t = 0; t < MOMENTS; t++) {
        pl_screen_phase(screen, BETWEEN_S * t, x, y, WAYS + 1, um);
        for (int k = 1; k <= WAYS; k++)
            sum += (um[k] - um[0]) * (um[k] - um[0]) / WAYS;
    }
    return pow(2 * M_PI / 0.5, 2) * sum;
}

/* 6.88 (r / r0)^(5/3) (Fried 1966; 6.8839 exactly) from an eighth of the aperture to twice it. One
 * screen's mean scatters by 16 % to 25 %, as the long waves are the same in all its moments (seen
 * over a hundred others, whose mean was 2 % low, 4 % at the widest): 40 of them by 2.5 % to 4 %.
 * Four sigma, for there are ten such numbers here. */
Test(screen, structure_function)
{
    const double apart[] = { 0.125, 0.25, 0.5, 1, 2 }, tol[] = { 0.10, 0.11, 0.12, 0.14, 0.16 };
    double sum[5] = { 0 };
    for (int s = 0; s < SCREENS; s++) {
        pl_screen *screen = air((uint64_t)s + 1);
        for (int i = 0; i < 5; i++)
            sum[i] += differences(screen, apart[i]);
        pl_screen_free(screen);
    }
    for (int i = 0; i < 5; i++) {
        double got = sum[i] / (SCREENS * MOMENTS);
        double want = 6.8839 * pow(apart[i], 5.0 / 3) * STRENGTH;
        cr_expect(epsilon_eq(dbl, got / want, 1, tol[i]), "%g D: %g", apart[i], got / want);
    }
}

/* ---- Noll's variances */

enum { RINGS = 20, SPOKES = 40, POINTS = RINGS * SPOKES, ORDERS = 5, LAST = 21 };

/* Points of the disc and their weights: Gauss in r^2, even in angle, so that Zernikes are exactly
 * orthonormal and the large piston and tilt do not leak into the rest. */
static void disc(double *x, double *y, double *weight)
{
    pl_gauss rule = pl_gauss_rule(RINGS);
    for (int i = 0; i < POINTS; i++) {
        double r = sqrt((1 + rule.x[i / SPOKES]) / 2), t = 2 * M_PI * (i % SPOKES) / SPOKES;
        x[i] = r * cos(t);
        y[i] = r * sin(t);
        weight[i] = rule.w[i / SPOKES] / 2 / SPOKES;
    }
}

/* Adds the squares of one screen's coefficients, rad, to their order's sum. */
static void project(const pl_screen *screen, const double *x, const double *y,
                    double z[LAST + 1][POINTS], double *sum)
{
    static double um[POINTS];
    for (int t = 0; t < MOMENTS; t++) {
        pl_screen_phase(screen, BETWEEN_S * t, x, y, POINTS, um);
        for (int j = 2; j <= LAST; j++) {
            int n, m;
            double a = 0;
            for (size_t i = 0; i < POINTS; i++)
                a += um[i] * z[j][i];
            pl_noll_index(j, &n, &m);
            sum[n] += pow(a * 2 * M_PI / 0.5, 2) / (n + 1);
        }
    }
}

/* Variance of one mode by radial order (Noll 1976, eq. A2). From order 2 on one screen's
 * mean scatters by 9 % to 6.5 % (seen over 200 others, whose mean was right to 0.5 %), 40 of them
 * by 1.4 %; the tilts by 3.4 %. Four sigma as above. */
Test(screen, noll_variances)
{
    static double x[POINTS], y[POINTS], weight[POINTS], z[LAST + 1][POINTS];
    const double want[ORDERS + 1] = { 0, 0.44888, 0.023218, 0.0061914, 0.0024539, 0.0011904 };
    double sum[ORDERS + 1] = { 0 };
    disc(x, y, weight);
    for (int j = 2; j <= LAST; j++)
        for (size_t i = 0; i < POINTS; i++)
            z[j][i] = weight[i] * pl_zernike(j, x[i], y[i]);
    for (int s = 0; s < SCREENS; s++) {
        pl_screen *screen = air((uint64_t)s + 100);
        project(screen, x, y, z, sum);
        pl_screen_free(screen);
    }
    for (int n = 1; n <= ORDERS; n++) {
        double got = sum[n] / (SCREENS * MOMENTS) / STRENGTH / want[n];
        cr_expect(epsilon_eq(dbl, got, 1, n == 1 ? 0.14 : 0.06), "order %d: %g", n, got);
    }
}

/* ---- frozen flow */

/* After a time the air at a point is what was upwind of it: 10 m/s at 30 degrees move it by one
 * pupil radius in 14 ms. */
Test(screen, drifts_as_a_whole)
{
    pl_screen *s = air(7);
    double x[] = { 0.3, -0.5, 0.1 }, y[] = { 0.2, 0.6, -0.9 }, a[3], b[3];
    pl_screen_phase(s, 0.1 + 0.014, x, y, 3, a);
    for (int i = 0; i < 3; i++) {
        x[i] -= cos(30 * M_PI / 180);
        y[i] -= sin(30 * M_PI / 180);
    }
    pl_screen_phase(s, 0.1, x, y, 3, b);
    for (int i = 0; i < 3; i++)
        cr_expect(epsilon_eq(dbl, a[i], b[i], 1e-9));
    pl_screen_free(s);
}

/* The square has no seam: across each, steps are as between any neighbours. A walk over three laps
 * in steps of a thousandth of the aperture: no step is beyond eight typical ones. */
Test(screen, has_no_seams)
{
    enum { STEPS = 48000 };
    pl_screen *s = air(9);
    double zero = 0, last, now, sum = 0, most = 0;
    pl_screen_phase(s, 0, &zero, &zero, 1, &last);
    for (int i = 1; i <= STEPS; i++, last = now) {
        pl_screen_phase(s, i * 0.28e-4, &zero, &zero, 1, &now);
        sum += (now - last) * (now - last);
        most = fmax(most, fabs(now - last));
    }
    cr_expect(most < 8 * sqrt(sum / STEPS), "%g of %g", most, sqrt(sum / STEPS));
    pl_screen_free(s);
}

Test(screen, seeds)
{
    pl_screen *a = air(5), *b = air(5), *c = air(6);
    double x = 0.5, y = 0.5, u, v, w;
    pl_screen_phase(a, 0.3, &x, &y, 1, &u);
    pl_screen_phase(b, 0.3, &x, &y, 1, &v);
    pl_screen_phase(c, 0.3, &x, &y, 1, &w);
    cr_expect(eq(dbl, u, v));
    cr_expect(ne(dbl, u, w));
    pl_screen_free(a);
    pl_screen_free(b);
    pl_screen_free(c);
}

Test(screen, refusals)
{
    const pl_screen_spec bad[] = { { 0, 0.5, 280, 1, 0, 1 },    { NAN, 0.5, 280, 1, 0, 1 },
                                   { 70, 0, 280, 1, 0, 1 },     { 70, 0.5, NAN, 1, 0, 1 },
                                   { 70, 0.5, 280, NAN, 0, 1 }, { 70, 0.5, 280, 1, NAN, 1 },
                                   { 1e-3, 0.5, 280, 1, 0, 1 } };
    for (size_t i = 0; i < PL_ARRAY_LEN(bad); i++) {
        pl_screen *s = NULL;
        pl_err err = { PL_OK, "" };
        cr_expect(eq(int, pl_screen_new(&bad[i], &s, &err), PL_EARG), "row %zu", i);
        cr_expect(err.msg[0] && !s);
    }
    pl_screen_free(NULL);
}

/* ---- exposures */

/* Many moments make the long exposure: encircled light of the mean of 6 screens, 120 moments of
 * each, and of the long-exposure formula. The image's motion scatters by 22 % in variance from
 * screen to screen (above), 9 % for six; it is some half of the width's square in the long exposure
 * at D / r0 = 4, so the light within a radius of the core scatters by 5 %. */
Test(screen, many_moments_make_a_long_exposure)
{
    enum { SIZE = 64, AREA = SIZE * SIZE, LOOKS = 6 };
    static double mean[AREA], one[AREA], want[AREA];
    const double flat[PL_NOLL_MAX + 1] = { 0 };
    /* f/10: 0.976 x 0.5 um / 70 mm x 2.8 m = 19.52 um */
    pl_psf_grid g = {
        .light = { { 0.5, 1 } }, .lights = 1, .f_ratio = 10, .pixel_um = 4, .size = SIZE
    };
    pl_exposure when = { 0, 10, 120 };
    pl_psf *p;
    cr_assert(eq(int, pl_psf_new(&g, &p, NULL), PL_OK));
    for (int s = 0; s < LOOKS; s++) {
        pl_screen *screen = air((uint64_t)s + 200);
        cr_assert(eq(int, pl_screen_image(screen, p, flat, 32, 32, &when, one, NULL), PL_OK));
        for (int i = 0; i < AREA; i++)
            mean[i] += one[i] / LOOKS;
        pl_screen_free(screen);
    }
    pl_psf_set_blur(p, &(pl_blur){ .seeing_um = 19.52 });
    cr_assert(pl_psf_image(p, flat, 32, 32, want));
    pl_psf_free(p);
    for (double r = 2; r <= 8; r += 2) {
        double a = 0, b = 0;
        for (int i = 0; i < AREA; i++)
            if (hypot(i % SIZE - 32, i / SIZE - 32) < r) {
                a += mean[i];
                b += want[i];
            }
        cr_expect(epsilon_eq(dbl, a / b, 1, 0.08), "%g px: %g", r, a / b);
    }
}
