/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Bumps above the sky: what must be found, what must not, and that nobody's thread count shows. */
#include "../../lib/star/star.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <limits.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { W = 640, H = 480, NX = 8, NY = 6, STEP = 80 };

static const double NOISE = 10, LIMIT = 4.4; /* the limit the star room uses */

static pl_bump *find(const double *v, int jobs, size_t *n)
{
    pl_frame *f = frames_memory(W, H, v);
    pl_sky sky = { 0 };
    pl_bump *b = NULL;
    cr_assert(eq(int, pl_sky_measure(f, jobs, &sky, NULL), PL_OK));
    cr_assert(eq(int, pl_detect(f, &sky, LIMIT, jobs, &b, n, NULL), PL_OK));
    pl_sky_clear(&sky);
    pl_frame_free(f);
    return b;
}

/* 48 stars far apart, at any place within the pixel. */
static double *field(double snr, double fwhm, double beta, double *x, double *y, uint64_t seed)
{
    double *v = calloc(W * H, sizeof *v);
    frames_dice dice = { seed };
    for (int k = 0; k < NX * NY; k++) {
        x[k] = STEP * (k % NX) + 30 + 20 * frames_uniform(&dice);
        y[k] = STEP * (k / NX) + 30 + 20 * frames_uniform(&dice);
        frames_star s = { x[k], y[k], frames_flux(snr, fwhm, NOISE * NOISE), fwhm, 0, 0, beta };
        frames_draw_near(v, W, H, &s);
    }
    frames_noise(v, W * H, NOISE * NOISE, 1e9, &dice);
    for (int i = 0; i < W * H; i++)
        v[i] += 1000;
    return v;
}

static int bumps_near(const pl_bump *b, size_t n, double x, double y, double r)
{
    int near = 0;
    for (size_t i = 0; i < n; i++)
        near += hypot(b[i].x_px - x, b[i].y_px - y) < r;
    return near;
}

struct row {
    double snr, fwhm, beta;
    int least; /* of 48 */
};

/* SNR is of the matched filter: at 10 with filters at most 6 % off the best one, binning included,
 * a miss below 4.4 sigma is a chance of one in 10^5; 47 allows for one unlucky corner of bins. */
ParameterizedTestParameters(detect, isolated_stars)
{
    static struct row rows[] = {
        { 10, 2, INFINITY, 47 },   { 10, 3, INFINITY, 48 },  { 10, 4.5, INFINITY, 48 },
        { 10, 8, INFINITY, 47 },   { 10, 12, INFINITY, 47 }, { 12, 3, 3, 47 },
        { 15, 1.3, INFINITY, 47 }, { 300, 3, 2.5, 48 },      { 300, 12, 4, 48 },
        { 3000, 2, 3, 48 },
    };
    return cr_make_param_array(struct row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct row *r, detect, isolated_stars)
{
    double x[NX * NY], y[NX * NY];
    double *v = field(r->snr, r->fwhm, r->beta, x, y, 21);
    size_t n;
    pl_bump *b = find(v, 1, &n);
    int found = 0;
    for (int k = 0; k < NX * NY; k++) {
        int near = bumps_near(b, n, x[k], y[k], 1.2 + 0.5 * r->fwhm);
        found += near > 0;
        cr_expect(le(int, near, 1), "one bump for a star");
    }
    cr_expect(ge(int, found, r->least), "SNR %g FWHM %g: %d of 48", r->snr, r->fwhm, found);
    cr_expect(le(sz, n, (size_t)found + 6), "SNR %g FWHM %g: %zu bumps", r->snr, r->fwhm, n);
    free(b);
    free(v);
}

/* Why a filter: at SNR 10 and FWHM 8 a star peaks at 1.7 sigma. A plain threshold that lets pass
 * no more noise than the filter's does (4.4 sigma) finds hardly any of them. */
Test(detect, a_plain_threshold_would_fail)
{
    double x[NX * NY], y[NX * NY];
    double peak = frames_flux(10, 8, 1) / (2 * M_PI * pow(8 / 2.3548, 2));
    cr_assert(epsilon_eq(dbl, peak, 1.66, 0.02));
    double *v = field(10, 8, INFINITY, x, y, 22);
    int plain = 0;
    for (int k = 0; k < NX * NY; k++) {
        bool above = false;
        for (int i = 0; i < W * H; i++)
            above |= hypot(i % W - x[k], i / W - y[k]) < 5 && v[i] > 1000 + LIMIT * NOISE;
        plain += above;
    }
    size_t n;
    pl_bump *b = find(v, 1, &n);
    int filtered = 0;
    for (int k = 0; k < NX * NY; k++)
        filtered += bumps_near(b, n, x[k], y[k], 5) > 0;
    cr_expect(lt(int, plain, NX *NY / 2), "%d by a threshold", plain);
    cr_expect(ge(int, filtered, NX *NY - 1), "%d by the filter", filtered);
    free(b);
    free(v);
}

/* Pure noise, twenty frames: a handful of bumps at most that the fits must then refuse. */
Test(detect, noise_alone)
{
    size_t all = 0;
    for (uint64_t seed = 1; seed <= 20; seed++) {
        double *v = calloc(W * H, sizeof *v);
        size_t n;
        frames_dice dice = { 1000 * seed };
        frames_noise(v, W * H, NOISE * NOISE, 1e9, &dice);
        free(find(v, 1, &n));
        all += n;
        free(v);
    }
    cr_expect(le(sz, all, 20 * 8), "%zu bumps in 20 frames of noise", all);
}

Test(detect, brightest_first_and_in_place)
{
    double x[NX * NY], y[NX * NY];
    double *v = field(200, 5, INFINITY, x, y, 23);
    size_t n;
    pl_bump *b = find(v, 1, &n);
    cr_assert(ge(sz, n, NX * NY));
    for (size_t i = 1; i < n; i++)
        cr_assert(le(flt, b[i].score, b[i - 1].score));
    for (int k = 0; k < NX * NY; k++)
        cr_expect(eq(int, bumps_near(b, n, x[k], y[k], 1.0), 1));
    /* the score is the SNR, less what filter and bins miss: not more than a fifth */
    cr_expect(epsilon_eq(dbl, b[NX * NY / 2].score, 180, 20), "%g", (double)b[NX * NY / 2].score);
    free(b);
    free(v);
}

Test(detect, any_number_of_threads)
{
    enum { TALL = 1300 }; /* several bands of the search */
    static const int jobs[] = { 2, 3, 4, 5, INT_MAX };
    double *v = calloc(200 * TALL, sizeof *v);
    frames_dice dice = { 24 };
    for (int k = 0; k < 80; k++) {
        frames_star s = {
            200 * frames_uniform(&dice), TALL * frames_uniform(&dice), 3000, 3, 0, 0, 4
        };
        frames_draw_near(v, 200, TALL, &s);
    }
    frames_noise(v, 200 * TALL, 100, 1, &dice);
    pl_frame *f = frames_memory(200, TALL, v);
    pl_sky sky = { 0 };
    pl_bump *one = NULL, *many = NULL;
    size_t n1, n;
    cr_assert(eq(int, pl_sky_measure(f, 1, &sky, NULL), PL_OK));
    cr_assert(eq(int, pl_detect(f, &sky, LIMIT, 1, &one, &n1, NULL), PL_OK));
    for (size_t k = 0; k < sizeof jobs / sizeof *jobs; k++) {
        cr_assert(eq(int, pl_detect(f, &sky, LIMIT, jobs[k], &many, &n, NULL), PL_OK));
        cr_assert(eq(sz, n, n1));
        for (size_t i = 0; i < n; i++)
            cr_assert(one[i].x_px == many[i].x_px && one[i].y_px == many[i].y_px &&
                      one[i].score == many[i].score && one[i].scale == many[i].scale);
        free(many);
    }
    cr_expect(ge(sz, n1, 60));
    free(one);
    pl_sky_clear(&sky);
    pl_frame_free(f);
    free(v);
}

/* Infinite and huge pixels give bumps no place outside the frame. */
Test(detect, beyond_all_numbers)
{
    static const double odd[] = { INFINITY, -INFINITY, 3e38, -3e38, 1e30 };
    double x[NX * NY], y[NX * NY];
    for (int k = 0; k < 5; k++) {
        size_t n;
        double *v = field(100, 3, INFINITY, x, y, 5);
        for (int i = 100 * W; i < 100 * W + W / 2; i++)
            v[i] = odd[k];
        for (int i = 300 * W + 7; i < 310 * W; i += W)
            v[i] = odd[k];
        pl_bump *b = find(v, 1, &n);
        for (size_t i = 0; i < n; i++)
            cr_assert(b[i].x_px >= -0.5 && b[i].x_px <= W - 0.5 && b[i].y_px >= -0.5 &&
                          b[i].y_px <= H - 0.5,
                      "%g: %g %g", odd[k], b[i].x_px, b[i].y_px);
        free(b);
        free(v);
    }
}
