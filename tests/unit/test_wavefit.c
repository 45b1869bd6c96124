/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The wavefront behind a donut, from images that the optics room did not make: the Fraunhofer
 * integral over the pupil as a plain sum, Zernikes as Noll 1976 prints them, air and pixels by
 * GSL's FFT, noise by GSL. */
#include "../../lib/align/donut/wavefit.h"

#include <complex.h>
#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_fft_complex.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

TestSuite(wavefit, .init = (void (*)(void))gsl_set_error_handler_off);

static const double LAMBDA = 0.55, RATIO = 3.1, PIXEL = 3.76, BORE = 0.35;

/* ---- the image of a star, by sums */

enum {
    SIDE = 76,
    SUB = 4, /* fine points a pixel: 0.94 um; diffraction ends at lambda N = 1.7 um */
    FINE = 512,
    SPAN = SIDE * SUB,
    CELLS = 240 /* across the pupil: the image's period is lambda N CELLS, 409 um or 109 px */
};

/* Noll 1976, table I, j = 4 .. 11. */
static double noll(int j, double r, double a)
{
    switch (j) {
    case 4:
        return sqrt(3) * (2 * r * r - 1);
    case 5:
        return sqrt(6) * r * r * sin(2 * a);
    case 6:
        return sqrt(6) * r * r * cos(2 * a);
    case 7:
        return sqrt(8) * (3 * r * r * r - 2 * r) * sin(a);
    case 8:
        return sqrt(8) * (3 * r * r * r - 2 * r) * cos(a);
    case 9:
        return sqrt(8) * r * r * r * sin(3 * a);
    case 10:
        return sqrt(8) * r * r * r * cos(3 * a);
    default:
        return sqrt(5) * (6 * pow(r, 4) - 6 * r * r + 1);
    }
}

typedef struct {
    double um[12];             /* Noll's j at [j] */
    double shadow_x, shadow_y; /* pupil radii */
    double x, y;               /* px, first pixel's centre 0 */
    double seeing_um;
} truth;

/* Share of a cell that light passes: 5 x 5 points. */
static double open_at(const truth *t, double x, double y, double side)
{
    int n = 0;
    for (int k = 0; k < 25; k++) {
        double u = x + (k % 5 - 2) * side / 5, v = y + (k / 5 - 2) * side / 5;
        n += hypot(u, v) < 1 && hypot(u - t->shadow_x, v - t->shadow_y) > BORE;
    }
    return n / 25.0;
}

/* exp(-2 pi i x u / (2 lambda N)) of each pupil column and each fine place: rays go to +2N grad W.
 */
static void turns(double complex *out, double middle_um)
{
    for (int i = 0; i < SPAN; i++)
        for (int k = 0; k < CELLS; k++) {
            double x = (2.0 * k + 1) / CELLS - 1, u = (i - 1.5) * PIXEL / SUB - middle_um;
            out[i * CELLS + k] = cexp(-I * M_PI * x * u / (LAMBDA * RATIO));
        }
}

/* Intensity on [SPAN][SPAN] fine points, SUB x SUB of them around each pixel's centre. */
static void diffract(const truth *t, double *out)
{
    double complex *pupil = calloc(CELLS * CELLS, sizeof *pupil);
    double complex *across = malloc(SPAN * CELLS * sizeof *across);
    double complex *down = malloc(SPAN * CELLS * sizeof *down);
    double complex *half = malloc(CELLS * SPAN * sizeof *half);
    for (int i = 0; i < CELLS * CELLS; i++) {
        double side = 2.0 / CELLS, x = (i % CELLS + 0.5) * side - 1,
               y = (i / CELLS + 0.5) * side - 1;
        double open = open_at(t, x, y, side), w = 0;
        for (int j = 4; j <= 11 && open > 0; j++)
            w += t->um[j] * noll(j, hypot(x, y), atan2(y, x));
        pupil[i] = open * cexp(I * 2 * M_PI / LAMBDA * w);
    }
    turns(across, t->x * PIXEL);
    turns(down, t->y * PIXEL);
    for (int v = 0; v < CELLS; v++)
        for (int i = 0; i < SPAN; i++) {
            double complex sum = 0;
            for (int k = 0; k < CELLS; k++)
                sum += pupil[v * CELLS + k] * across[i * CELLS + k];
            half[i * CELLS + v] = sum;
        }
    for (int y = 0; y < SPAN; y++)
        for (int x = 0; x < SPAN; x++) {
            double complex sum = 0;
            for (int v = 0; v < CELLS; v++)
                sum += half[x * CELLS + v] * down[y * CELLS + v];
            out[y * SPAN + x] = creal(sum) * creal(sum) + cimag(sum) * cimag(sum);
        }
    free(pupil);
    free(across);
    free(down);
    free(half);
}

/* FFT of [FINE][FINE], rows then columns. */
static void transform(double *z, gsl_fft_direction way)
{
    for (int i = 0; i < FINE; i++)
        gsl_fft_complex_radix2_transform(z + 2 * i * FINE, 1, FINE, way);
    for (int i = 0; i < FINE; i++)
        gsl_fft_complex_radix2_transform(z + 2 * i, FINE, FINE, way);
}

/* Long-exposure air: exp(-3.44 (lambda f / r0)^5/3) at f cycles per radian (Fried 1966), here per
 * um at the sensor, FWHM 0.976 lambda / r0. */
static void breathe(double *z, double seeing_um)
{
    for (int i = 0; i < FINE * FINE; i++) {
        double fx = (i % FINE < FINE / 2 ? i % FINE : i % FINE - FINE) / (FINE * PIXEL / SUB);
        double fy = (i / FINE < FINE / 2 ? i / FINE : i / FINE - FINE) / (FINE * PIXEL / SUB);
        double air = exp(-3.44 * pow(hypot(fx, fy) * seeing_um / 0.976, 5.0 / 3));
        z[2 * i] *= air;
        z[2 * i + 1] *= air;
    }
}

/* A star of unit light on SIDE x SIDE pixels, each the mean of its SUB x SUB points. */
static void star(const truth *t, double *out)
{
    double *fine = malloc(SPAN * SPAN * sizeof *fine), sum = 0;
    double *z = calloc(2 * FINE * FINE, sizeof *z);
    diffract(t, fine);
    for (int y = 0; y < SPAN; y++)
        for (int x = 0; x < SPAN; x++)
            z[2 * ((y + (FINE - SPAN) / 2) * FINE + x + (FINE - SPAN) / 2)] = fine[y * SPAN + x];
    transform(z, gsl_fft_forward);
    breathe(z, t->seeing_um);
    transform(z, gsl_fft_backward);
    memset(out, 0, SIDE * SIDE * sizeof *out);
    for (int y = 0; y < SPAN; y++)
        for (int x = 0; x < SPAN; x++) {
            double v = z[2 * ((y + (FINE - SPAN) / 2) * FINE + x + (FINE - SPAN) / 2)];
            out[y / SUB * SIDE + x / SUB] += v;
            sum += v;
        }
    for (int i = 0; i < SIDE * SIDE; i++)
        out[i] /= sum;
    free(fine);
    free(z);
}

static double um_of(double defocus_um)
{
    return defocus_um / (8 * RATIO * RATIO) / (2 * sqrt(3));
}

/* 500 um outside focus: a ring of 43 px. */
static truth usual(void)
{
    return (truth){ .um = { [4] = um_of(500),
                            [5] = 0.03,
                            [6] = -0.05,
                            [7] = 0.09,
                            [8] = -0.06,
                            [9] = 0.02,
                            [10] = -0.03,
                            [11] = 0.025 },
                    .shadow_x = 0.05,
                    .shadow_y = -0.03,
                    .x = 37.8,
                    .y = 37.3,
                    .seeing_um = 9 };
}

/* ---- a frame with noise, and its fit */

static const double SKY = 300, NOISE = 6, GAIN = 1.5;

typedef struct {
    float value[SIDE * SIDE], use[SIDE * SIDE];
    pl_wavefit_stamp stamp;
} frame;

static void expose(frame *f, const double *image, double flux, unsigned long seed)
{
    gsl_rng *dice = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(dice, seed);
    for (int i = 0; i < SIDE * SIDE; i++) {
        double light = flux * image[i];
        f->value[i] =
            (float)(SKY + light + gsl_ran_gaussian(dice, sqrt(NOISE * NOISE + light / GAIN)));
        f->use[i] = 1;
    }
    gsl_rng_free(dice);
    f->stamp = (pl_wavefit_stamp){ .x0 = 100,
                                   .y0 = 50,
                                   .size = SIDE,
                                   .value = f->value,
                                   .use = f->use,
                                   .sky_adu = SKY,
                                   .noise_adu = NOISE };
}

static pl_status fit(const frame *f, double outer_px, double flux, pl_wavefit *out)
{
    const pl_wavefit_scope scope = { .grid = { .light = { { LAMBDA, 1 } },
                                               .lights = 1,
                                               .f_ratio = RATIO,
                                               .pixel_um = PIXEL,
                                               .seeing_um = 3 },
                                     .aperture = { .obstruction = BORE },
                                     .seeing_um = 11,
                                     .gain = GAIN,
                                     .last = 11 };
    const pl_wavefit_start start = { 100 + 38.4, 50 + 36.8, outer_px, flux };
    return pl_wavefit_run(&scope, &f->stamp, &start, out, NULL);
}

static double sigma_of(const pl_wavefit *w, int k)
{
    return sqrt(w->cov[k][k]);
}

/* Each parameter within 5 of its own errors, and 1 nm (a pixel of four points a side against the
 * exact one), or 1 mm of 1000 in the shadow. */
static void expect_truth(const pl_wavefit *w, const truth *t, const char *what)
{
    for (int j = 4; j <= 11; j++) {
        int k = pl_wavefit_of(j);
        cr_expect(epsilon_eq(dbl, w->p[k], t->um[j], 5 * sigma_of(w, k) + 0.001), "%s: j = %d, %g",
                  what, j, sigma_of(w, k));
    }
    cr_expect(
        epsilon_eq(dbl, w->p[PL_WF_SHADOW_X], t->shadow_x, 5 * sigma_of(w, PL_WF_SHADOW_X) + 0.001),
        "%s", what);
    cr_expect(
        epsilon_eq(dbl, w->p[PL_WF_SHADOW_Y], t->shadow_y, 5 * sigma_of(w, PL_WF_SHADOW_Y) + 0.001),
        "%s", what);
    cr_expect(epsilon_eq(dbl, w->p[PL_WF_X], 100 + t->x, 5 * sigma_of(w, PL_WF_X) + 0.01), "%s",
              what);
    cr_expect(epsilon_eq(dbl, w->p[PL_WF_Y], 50 + t->y, 5 * sigma_of(w, PL_WF_Y) + 0.01), "%s",
              what);
    cr_expect(epsilon_eq(dbl, exp(w->p[PL_WF_LN_SEEING]), t->seeing_um, 0.3), "%s", what);
}

/* What is asked of plumb-donut: defocus 3 um + 1 %, coma 10 nm or 4 %, astigmatism 20 nm. */
static void expect_promise(const pl_wavefit *w, const truth *t, const char *what)
{
    double um = 8 * RATIO * RATIO * 2 * sqrt(3), defocus = t->um[4] * um;
    const double *p = w->p;
    cr_expect(epsilon_eq(dbl, p[pl_wavefit_of(4)] * um, defocus, 3 + 0.01 * defocus), "%s", what);
    cr_expect(lt(dbl, hypot(p[pl_wavefit_of(7)] - t->um[7], p[pl_wavefit_of(8)] - t->um[8]),
                 fmax(0.010, 0.04 * hypot(t->um[7], t->um[8]))),
              "%s", what);
    cr_expect(lt(dbl, hypot(p[pl_wavefit_of(5)] - t->um[5], p[pl_wavefit_of(6)] - t->um[6]), 0.020),
              "%s", what);
}

static const double BRIGHT = 3e6; /* ADU; some 2000 in a pixel of the ring, 50 sigma */

Test(wavefit, recovers_the_wavefront)
{
    static frame f;
    static double image[SIDE * SIDE];
    truth t = usual();
    pl_wavefit w;
    star(&t, image);
    expose(&f, image, BRIGHT, 1);
    cr_assert(eq(int, fit(&f, 43, BRIGHT, &w), PL_OK));
    expect_truth(&w, &t, "as it is");
    expect_promise(&w, &t, "as it is");
    cr_expect(epsilon_eq(dbl, w.chi2, 1, 0.15), "%g", w.chi2); /* 6 sigma of 5700 pixels, and 2 % */
    cr_expect(epsilon_eq(dbl, w.p[PL_WF_FLUX] / BRIGHT, 1, 0.02));
    cr_expect(epsilon_eq(dbl, w.p[PL_WF_SKY], SKY, 5));
    cr_expect(lt(dbl, sigma_of(&w, pl_wavefit_of(8)), 0.004));
    pl_wavefit_clear(&w);
    cr_expect(eq(ptr, w.model, NULL));

    /* a start wrong by a tenth, in width and light */
    for (double wrong = 0.9; wrong < 1.2; wrong += 0.2) {
        cr_assert(eq(int, fit(&f, wrong * 43, BRIGHT / wrong, &w), PL_OK));
        expect_truth(&w, &t, "started wrong");
        pl_wavefit_clear(&w);
    }

    /* green pixels of a mosaic alone */
    for (int i = 0; i < SIDE * SIDE; i++)
        if ((i % SIDE + i / SIDE) % 2) {
            f.use[i] = 0;
            f.value[i] = i % 3 ? NAN : 1e9F;
        }
    cr_assert(eq(int, fit(&f, 43, BRIGHT, &w), PL_OK));
    expect_truth(&w, &t, "mosaic");
    expect_promise(&w, &t, "mosaic");
    cr_expect(le(sz, w.pixels, SIDE * SIDE / 2));
    pl_wavefit_clear(&w);
}

/* The same telescope on the other side of focus: defocus, astigmatism, spherical and the shadow
 * turn and are told as if outside; coma and trefoil are what they are. */
Test(wavefit, inside_looks_like_outside)
{
    static frame f;
    static double image[SIDE * SIDE];
    static const int turns_round[] = { 4, 5, 6, 11 };
    truth t = usual(), inside = t;
    pl_wavefit w;
    for (int i = 0; i < 4; i++)
        inside.um[turns_round[i]] *= -1;
    inside.shadow_x *= -1;
    inside.shadow_y *= -1;
    star(&inside, image);
    expose(&f, image, BRIGHT, 2);
    cr_assert(eq(int, fit(&f, 43, BRIGHT, &w), PL_OK));
    expect_truth(&w, &t, "inside");
    pl_wavefit_clear(&w);
}

/* A hit that crosses the ring, a hot pixel, and a faint star in focus beside it, unmasked. */
Test(wavefit, hits_and_neighbours)
{
    static frame f;
    static double image[SIDE * SIDE];
    truth t = usual();
    pl_wavefit w;
    star(&t, image);
    expose(&f, image, BRIGHT, 3);
    for (int i = 0; i < 14; i++) {
        f.value[(20 + i) * SIDE + 25 + 2 * i] += 3000;
        f.value[(20 + i) * SIDE + 26 + 2 * i] += 1500;
    }
    f.value[38 * SIDE + 20] += 30000;
    for (int i = 0; i < SIDE * SIDE; i++) { /* FWHM 2.7 px, on the rim */
        double r2 = pow(i % SIDE - 58.3, 2) + pow(i / SIDE - 44.6, 2);
        f.value[i] += (float)(2500 * exp(-r2 / 2.6));
    }
    cr_assert(eq(int, fit(&f, 43, BRIGHT, &w), PL_OK));
    cr_expect(gt(sz, w.left_out, 25));
    cr_expect(le(sz, w.left_out, SIDE * SIDE * 3 / 100));
    expect_promise(&w, &t, "disturbed");
    pl_wavefit_clear(&w);
}

/* Faint, ten sigma in a pixel: errors are what they say. Coma, trefoil and the place of 8 draws, 48
 * values whose scatter is known to 1 / sqrt(96) = 10 %: 0.8 .. 1.3 is asked for, and 2 sigma. */
Test(wavefit, errors_are_what_they_say)
{
    enum { DRAWS = 8 };
    static frame f;
    static double image[SIDE * SIDE];
    truth t = usual();
    double pull = 0;
    star(&t, image);
    for (unsigned long seed = 1; seed <= DRAWS; seed++) {
        pl_wavefit w;
        expose(&f, image, 1.2e5, 100 + seed);
        cr_assert(eq(int, fit(&f, 42, 1e5, &w), PL_OK));
        for (int j = 7; j <= 10; j++) {
            int k = pl_wavefit_of(j);
            pull += pow((w.p[k] - t.um[j]) / sigma_of(&w, k), 2) / (6 * DRAWS);
        }
        pull += pow((w.p[PL_WF_X] - 100 - t.x) / sigma_of(&w, PL_WF_X), 2) / (6 * DRAWS);
        pull += pow((w.p[PL_WF_Y] - 50 - t.y) / sigma_of(&w, PL_WF_Y), 2) / (6 * DRAWS);
        pl_wavefit_clear(&w);
    }
    cr_expect(epsilon_eq(dbl, sqrt(pull), 1, 0.3), "%g", sqrt(pull));
}

/* ---- nonsense */

/* The outcome describes next to nothing of the light, or is refused. */
static bool is_no_fit(const frame *f, double outer, double flux, pl_wavefit *w)
{
    memset(w, 0x55, sizeof *w);
    pl_wavefit before = *w;
    pl_status rc = fit(f, outer, flux, w);
    if (rc != PL_OK) {
        cr_expect(eq(int, rc, PL_ENODATA));
        cr_expect(eq(int, memcmp(w, &before, sizeof before), 0), "untouched");
        return true;
    }
    bool none = w->unexplained > 0.02 || w->snr < 3 || !(w->p[pl_wavefit_of(4)] > 0);
    pl_wavefit_clear(w);
    return none;
}

Test(wavefit, refuses_a_filled_disc)
{
    static frame f;
    static double image[SIDE * SIDE];
    pl_wavefit w;
    for (int i = 0; i < SIDE * SIDE; i++) /* a galaxy's flat heart, say: 43 px, soft edge */
        image[i] = 1 / (1 + exp((hypot(i % SIDE - 38, i / SIDE - 38) - 21.5) / 1.2)) / 1450;
    expose(&f, image, BRIGHT, 4);
    cr_expect(is_no_fit(&f, 43, BRIGHT, &w));
}

Test(wavefit, refuses_noise)
{
    static frame f;
    static double image[SIDE * SIDE];
    pl_wavefit w;
    expose(&f, image, 0, 5);
    cr_expect(is_no_fit(&f, 43, 1000, &w));
}

/* Nothing left to fit, numbers that are none, a ring wider than can be computed. */
Test(wavefit, refuses_nonsense)
{
    static frame f;
    static double image[SIDE * SIDE];
    pl_wavefit w;
    expose(&f, image, 0, 5);
    for (int i = 0; i < SIDE * SIDE; i++)
        f.use[i] = 0;
    cr_expect(is_no_fit(&f, 43, BRIGHT, &w));
    for (int i = 0; i < SIDE * SIDE; i++) {
        f.use[i] = 1;
        f.value[i] = NAN;
    }
    cr_expect(is_no_fit(&f, 43, BRIGHT, &w));
    expose(&f, image, 0, 5);
    cr_expect(is_no_fit(&f, NAN, BRIGHT, &w));
    cr_expect(is_no_fit(&f, 5000, BRIGHT, &w));
    f.stamp.size = 0;
    memset(&w, 0, sizeof w);
    cr_expect(eq(int, fit(&f, 43, BRIGHT, &w), PL_EARG));
    cr_expect(eq(ptr, w.model, NULL));
}
