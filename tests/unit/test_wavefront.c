/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What fitted parameters say: the two sides of focus against images, errors against draws from a
 * normal distribution (GSL), the conditional mean against its closed form. */
#include "../../lib/align/donut/donut.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const pl_optic SCOPE = { 300, 3, 0.35, 0.55, 2.5 };

static pl_shared numbered(void)
{
    pl_shared s = { 0 };
    for (int a = 0; a < PL_WF_SHARED; a++) {
        s.p[a] = 0.01 * (a + 1);
        for (int b = 0; b < PL_WF_SHARED; b++)
            s.cov[a][b] = a == b ? 1 : 0.001 * (a + b);
    }
    return s;
}

/* ---- the other side of focus */

/* Noll 1976, table I: order n of j = 4 .. 15; then the shadow. Even orders and the shadow turn. */
static const int TURNS[PL_WF_SHARED] = { 1, 1, 1, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1 };

Test(wavefront, flip_turns_even_orders_and_the_shadow)
{
    pl_shared was = numbered(), s = was;
    pl_wavefront_flip(&s);
    for (int a = 0; a < PL_WF_SHARED; a++) {
        cr_expect(eq(dbl, s.p[a], TURNS[a] ? -was.p[a] : was.p[a]), "%d", a);
        for (int b = 0; b < PL_WF_SHARED; b++)
            cr_expect(eq(dbl, s.cov[a][b], TURNS[a] == TURNS[b] ? was.cov[a][b] : -was.cov[a][b]),
                      "%d, %d", a, b);
    }
    pl_wavefront_flip(&s);
    cr_expect(eq(int, memcmp(&s, &was, sizeof s), 0), "twice is nothing");
}

enum { SIDE = 64, AREA = SIDE * SIDE };

static void image_of(const pl_shared *s, double *out)
{
    pl_psf *psf;
    pl_err err = { PL_OK, "" };
    double zernike[PL_NOLL_MAX + 1] = { 0 };
    const pl_psf_grid grid = {
        .light = { { 0.55, 1 } }, .lights = 1, .f_ratio = 3, .pixel_um = 3.76, .size = SIDE
    };
    const pl_blur blur = { .seeing_um = 6, .pixel = true };
    const pl_aperture pupil = { .obstruction = 0.35,
                                .shadow_x = s->p[PL_WF_SHADOW_X],
                                .shadow_y = s->p[PL_WF_SHADOW_Y] };
    for (int j = PL_NOLL_FIRST; j <= PL_NOLL_LAST; j++)
        zernike[j] = s->p[pl_wavefit_of(j)];
    cr_assert(eq(int, pl_psf_new(&grid, &psf, &err), PL_OK), "%s", err.msg);
    pl_psf_set_blur(psf, &blur);
    pl_psf_set_aperture(psf, &pupil);
    cr_assert(pl_psf_image(psf, zernike, SIDE / 2, SIDE / 2, out));
    pl_psf_free(psf);
}

static double departs(const double *a, const double *b)
{
    double sum = 0, all = 0;
    for (int i = 0; i < AREA; i++) {
        sum += (a[i] - b[i]) * (a[i] - b[i]);
        all += a[i] * a[i];
    }
    return sqrt(sum / all);
}

/* P(-x) with -W(-x) gives the conjugate amplitude, so the same image. Exact but for the pupil's
 * edges on square cells: 1e-6. Any one parameter not turned shows: the smallest step, 20 nm, moves
 * percents of the light. */
Test(wavefront, both_sides_give_the_same_image)
{
    static double here[AREA], there[AREA];
    pl_shared s = { .p = { 1.2, .05, -.04, .06, -.08, .03, .05, -.04, .02, .03, -.02, .02 } };
    s.p[PL_WF_SHADOW_X] = 0.05;
    s.p[PL_WF_SHADOW_Y] = -0.03;
    image_of(&s, here);
    pl_wavefront_flip(&s);
    image_of(&s, there);
    cr_expect(lt(dbl, departs(here, there), 1e-6), "%g", departs(here, there));
    for (int a = 0; a < PL_WF_SHARED; a++) {
        s.p[a] = -s.p[a];
        image_of(&s, there);
        cr_expect(gt(dbl, departs(here, there), 0.01), "%d: %g", a, departs(here, there));
        s.p[a] = -s.p[a];
    }
}

/* ---- in the terms of the trade */

static void set(pl_shared *s, int j, double um, double sigma)
{
    int k = pl_wavefit_of(j);
    s->p[k] = um;
    s->cov[k][k] = sigma * sigma;
}

/* W020 = 2 sqrt 3 a4 = defocus / (8 N^2): at f/3 a defocus of 300 um is 25/6 um of W020. */
Test(wavefront, defocus_and_spherical)
{
    pl_shared s = { 0 };
    pl_wavefront w;
    set(&s, 4, 300.0 / 72 / 3.4641016151377544, 0.001);
    set(&s, 11, -0.03, 0.002);
    pl_wavefront_tell(&s, &SCOPE, true, &w);
    cr_expect(epsilon_eq(dbl, w.defocus_um, 300, 1e-9));
    cr_expect(epsilon_eq(dbl, w.defocus_sigma_um, 0.001 * 3.4641016151377544 * 72, 1e-9));
    cr_expect(epsilon_eq(dbl, w.spherical_nm, -30, 1e-9));
    cr_expect(epsilon_eq(dbl, w.spherical_sigma_nm, 2, 1e-9));
    cr_expect(epsilon_eq(dbl, w.zernike_nm[11], -30, 1e-9));
    cr_expect(epsilon_eq(dbl, w.zernike_sigma_nm[11], 2, 1e-9));
    cr_expect(isnan(w.zernike_nm[12]) && isnan(w.zernike_sigma_nm[12]), "not fitted");
    cr_expect(isnan(w.zernike_nm[3]), "never fitted");
    cr_expect(isnan(w.seeing_arcsec) && isnan(w.seeing_sigma_arcsec));
}

/* Where on the rim the wave of one angular order is highest, by looking all around: Noll's even j
 * go with the cosine, odd ones with the sine. */
static double crest(int m, double cosine, double sine)
{
    double best = -INFINITY, at = 0;
    for (int i = 0; i < 36000 / m; i++) {
        double a = i * M_PI / 18000, v = cosine * cos(m * a) + sine * sin(m * a);
        if (v > best) {
            best = v;
            at = 0.01 * i;
        }
    }
    return at;
}

struct vector_row {
    double even, odd; /* um */
    char what[24];
};

ParameterizedTestParameters(wavefront, lengths_and_directions)
{
    static struct vector_row rows[] = { { .03, .04, "first quadrant" }, { -.03, .04, "second" },
                                        { -.03, -.04, "third" },        { .03, -.04, "fourth" },
                                        { .05, 0, "along x" },          { -.05, 0, "against x" },
                                        { 0, -.05, "against y" } };
    return cr_make_param_array(struct vector_row, rows, sizeof rows / sizeof *rows);
}

/* 3-4-5: 50 nm each. Directions to the step of the search. */
ParameterizedTest(struct vector_row *r, wavefront, lengths_and_directions)
{
    pl_shared s = { 0 };
    pl_wavefront w;
    set(&s, 8, r->even, .001);
    set(&s, 7, r->odd, .001);
    set(&s, 6, r->even, .001);
    set(&s, 5, r->odd, .001);
    set(&s, 10, r->even, .001);
    set(&s, 9, r->odd, .001);
    s.p[PL_WF_SHADOW_X] = r->even;
    s.p[PL_WF_SHADOW_Y] = r->odd;
    pl_wavefront_tell(&s, &SCOPE, true, &w);
    cr_expect(epsilon_eq(dbl, w.coma_nm, 50, 1e-9), "%s", r->what);
    cr_expect(epsilon_eq(dbl, w.astigmatism_nm, 50, 1e-9), "%s", r->what);
    cr_expect(epsilon_eq(dbl, w.trefoil_nm, 50, 1e-9), "%s", r->what);
    cr_expect(epsilon_eq(dbl, w.shadow_mm, 7.5, 1e-9), "of a radius of 150 mm");
    cr_expect(epsilon_eq(dbl, w.coma_deg, crest(1, r->even, r->odd), 0.0051), "%s", r->what);
    cr_expect(epsilon_eq(dbl, w.shadow_deg, crest(1, r->even, r->odd), 0.0051), "%s", r->what);
    cr_expect(epsilon_eq(dbl, w.astigmatism_deg, crest(2, r->even, r->odd), 0.0051), "%s", r->what);
    cr_expect(epsilon_eq(dbl, w.trefoil_deg, crest(3, r->even, r->odd), 0.0051), "%s", r->what);
    pl_wavefront_tell(&s, &SCOPE, false, &w);
    cr_expect(isnan(w.astigmatism_deg) && isnan(w.astigmatism_sigma_deg), "it turns by 90 degrees");
    cr_expect(epsilon_eq(dbl, w.astigmatism_nm, 50, 1e-9));
    cr_expect(epsilon_eq(dbl, w.coma_deg, crest(1, r->even, r->odd), 0.0051), "the same on both");
}

/* 40000 draws from the covariance: their scatter is known to 1 / sqrt(2 x 40000) = 0.35 %; 2 %
 * leaves 4 sigma and the square of sigma / length (1 / 25). */
Test(wavefront, errors_of_length_and_direction)
{
    enum { DRAWS = 40000 };
    static double length[DRAWS], angle[DRAWS];
    const double x = 0.030, y = -0.040, sx = 0.0020, sy = 0.0008, rho = 0.6;
    pl_shared s = { 0 };
    pl_wavefront w;
    const int fold[] = { 1, 2, 3, 1 }, even[] = { 8, 6, 10 }, odd[] = { 7, 5, 9 };
    gsl_rng *dice = gsl_rng_alloc(gsl_rng_mt19937);
    double mean = 0, turn = 0, off = 0, off_turn = 0;
    for (int i = 0; i < DRAWS; i++) {
        double dx, dy;
        gsl_ran_bivariate_gaussian(dice, sx, sy, rho, &dx, &dy);
        length[i] = hypot(x + dx, y + dy);
        angle[i] = atan2(y + dy, x + dx) * 180 / M_PI;
        mean += length[i] / DRAWS;
        turn += angle[i] / DRAWS;
    }
    for (int i = 0; i < DRAWS; i++) {
        off += pow(length[i] - mean, 2) / DRAWS;
        off_turn += pow(angle[i] - turn, 2) / DRAWS;
    }
    gsl_rng_free(dice);
    for (int k = 0; k < 4; k++) {
        int a = k < 3 ? pl_wavefit_of(even[k]) : PL_WF_SHADOW_X;
        int b = k < 3 ? pl_wavefit_of(odd[k]) : PL_WF_SHADOW_Y;
        s.p[a] = x;
        s.p[b] = y;
        s.cov[a][a] = sx * sx;
        s.cov[b][b] = sy * sy;
        s.cov[a][b] = s.cov[b][a] = rho * sx * sy;
    }
    pl_wavefront_tell(&s, &SCOPE, true, &w);
    const double sigma[] = { w.coma_sigma_nm / 1000, w.astigmatism_sigma_nm / 1000,
                             w.trefoil_sigma_nm / 1000, w.shadow_sigma_mm / 150 };
    const double deg[] = { w.coma_sigma_deg, w.astigmatism_sigma_deg, w.trefoil_sigma_deg,
                           w.shadow_sigma_deg };
    for (int k = 0; k < 4; k++) {
        cr_expect(epsilon_eq(dbl, sigma[k] / sqrt(off), 1, 0.02), "%d: %g", k, sigma[k]);
        cr_expect(epsilon_eq(dbl, deg[k] * fold[k] / sqrt(off_turn), 1, 0.02), "%d: %g", k, deg[k]);
    }
}

/* Nothing known of a direction: even over the full turn, whose scatter is a turn / sqrt 12. */
Test(wavefront, a_direction_out_of_noise)
{
    pl_shared s = { 0 };
    pl_wavefront w;
    set(&s, 8, 0, 0.01);
    set(&s, 7, 0, 0.01);
    set(&s, 10, 1e-6, 0.01);
    set(&s, 9, 0, 0.01);
    pl_wavefront_tell(&s, &SCOPE, true, &w);
    cr_expect(epsilon_eq(dbl, w.coma_sigma_deg, 103.923, 0.001));
    cr_expect(epsilon_eq(dbl, w.trefoil_sigma_deg, 34.641, 0.001));
    cr_expect(epsilon_eq(dbl, w.coma_sigma_nm, 10, 1e-9));
    cr_expect(eq(dbl, w.coma_nm, 0));
}

/* ---- the shadow held at the centre */

/* Mean of a normal vector of which two components are known to be nought:
 * c - Ccs Css^-1 s (textbook). By hand for Css = [2 1; 1 3], inverse [3 -1; -1 2] / 5,
 * s = (0.04, -0.02): Css^-1 s = (0.028, -0.016). */
Test(wavefront, centred_is_the_conditional_mean)
{
    const int a7 = pl_wavefit_of(7), a8 = pl_wavefit_of(8), x = PL_WF_SHADOW_X, y = PL_WF_SHADOW_Y;
    double got7, got8;
    pl_shared s = { 0 };
    s.p[a7] = 0.030;
    s.p[a8] = 0.050;
    s.p[x] = 0.04;
    s.p[y] = -0.02;
    s.cov[x][x] = 2;
    s.cov[y][y] = 3;
    s.cov[x][y] = s.cov[y][x] = 1;
    s.cov[a7][a7] = s.cov[a8][a8] = 2;
    s.cov[a7][x] = s.cov[x][a7] = 0.5;
    s.cov[a7][y] = s.cov[y][a7] = -1;
    s.cov[a8][x] = s.cov[x][a8] = 1;
    s.cov[a8][y] = s.cov[y][a8] = 0.25;
    pl_wavefront_centred(&s, &got7, &got8);
    cr_expect(epsilon_eq(dbl, got7, 0.030 - (0.5 * 0.028 + -1 * -0.016), 1e-12));
    cr_expect(epsilon_eq(dbl, got8, 0.050 - (1 * 0.028 + 0.25 * -0.016), 1e-12));
    for (int a = 0; a < PL_WF_SHARED; a++) /* no hole: the shadow was not fitted */
        s.cov[a][x] = s.cov[x][a] = s.cov[a][y] = s.cov[y][a] = 0;
    pl_wavefront_centred(&s, &got7, &got8);
    cr_expect(eq(dbl, got7, 0.030));
    cr_expect(eq(dbl, got8, 0.050));
}
