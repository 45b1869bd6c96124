/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Each fault's pattern laid on made-up stars: found with its amplitude and direction, the others
 * not; errors honest; nothing seen in noise. */
#include "../../lib/align/align.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <gsl/gsl_errno.h>
#include <math.h>
#include <stdlib.h>

enum { W = 3000, H = 2000, N = 200 };

static const double CHI_ERR = 0.03, SIZE_ERR = 0.02, FLARE_ERR = 0.02;

/* The frame's own centre and half diagonal. */
static const pl_view whole = { 0.5 * (W - 1), 0.5 * (H - 1), 1802.7756377319946 };

TestSuite(pattern, .init = (void (*)(void))gsl_set_error_handler_off);

/* Everything that can be laid on a field; positions in half diagonals from the centre. */
struct faults {
    double even, even_deg, outward, turning, pivot_x, pivot_y;
    double slope, slope_deg, bowl, flare, flare_deg, comatic, corner, corner_deg;
};

static double rad(double deg)
{
    return deg * M_PI / 180;
}

static void make(pl_star *s, const struct faults *f, frames_dice *dice)
{
    double r = 0.5 * hypot(W, H);
    for (int i = 0; i < N; i++) {
        pl_star *t = &s[i];
        *t = (pl_star){ .x_px = W * frames_uniform(dice), .y_px = H * frames_uniform(dice) };
        double x = (t->x_px - 0.5 * (W - 1)) / r, y = (t->y_px - 0.5 * (H - 1)) / r;
        double px = x - f->pivot_x, py = y - f->pivot_y;
        t->chi1 = f->even * cos(2 * rad(f->even_deg)) + f->outward * (x * x - y * y) -
                  f->turning * (px * px - py * py) + CHI_ERR * frames_normal(dice);
        t->chi2 = f->even * sin(2 * rad(f->even_deg)) + f->outward * 2 * x * y -
                  f->turning * 2 * px * py + CHI_ERR * frames_normal(dice);
        t->fwhm_px = 3 * exp(f->slope * (x * cos(rad(f->slope_deg)) + y * sin(rad(f->slope_deg))) +
                             f->bowl * (x * x + y * y) + SIZE_ERR * frames_normal(dice));
        t->flare1 =
            f->flare * cos(rad(f->flare_deg)) + f->comatic * x + FLARE_ERR * frames_normal(dice);
        t->flare2 =
            f->flare * sin(rad(f->flare_deg)) + f->comatic * y + FLARE_ERR * frames_normal(dice);
        t->corner1 = f->corner * cos(3 * rad(f->corner_deg)) + FLARE_ERR * frames_normal(dice);
        t->corner2 = f->corner * sin(3 * rad(f->corner_deg)) + FLARE_ERR * frames_normal(dice);
        t->chi_sigma = CHI_ERR;
        t->fwhm_sigma_px = SIZE_ERR * t->fwhm_px;
        t->flare_sigma = t->corner_sigma = FLARE_ERR;
    }
}

static pl_pattern_fit fit(const struct faults *f, uint64_t seed)
{
    static pl_star s[N];
    frames_dice dice = { seed };
    pl_pattern_fit out;
    pl_err err = { PL_OK, "" };
    make(s, f, &dice);
    cr_assert(eq(int, pl_patterns_fit(s, N, &whole, &out, &err), PL_OK), "%s", err.msg);
    return out;
}

struct row {
    struct faults f;
    int name;
    double amplitude, angle, spin; /* spin 0: no angle */
};

ParameterizedTestParameters(pattern, alone)
{
    static struct row rows[] = {
        { { .even = 0.1, .even_deg = 30 }, PL_EVEN_STRETCH, 0.1, 30, 2 },
        { { .even = 0.1, .even_deg = 170 }, PL_EVEN_STRETCH, 0.1, 170, 2 },
        { { .outward = 0.15 }, PL_OUTWARD_STRETCH, 0.15, 0, 0 },
        { { .outward = -0.15 }, PL_OUTWARD_STRETCH, -0.15, 0, 0 },
        { { .slope = 0.1, .slope_deg = 200 }, PL_SIZE_SLOPE, 0.1, 200, 1 },
        { { .flare = 0.05, .flare_deg = 300 }, PL_FLARE, 0.05, 300, 1 },
        { { .corner = 0.05, .corner_deg = 100 }, PL_CORNERED, 0.05, 100, 3 },
        { { .turning = 0.2, .pivot_x = 0.6, .pivot_y = -0.3 }, PL_TURNING, 0.2, 0, 0 },
        { { .turning = 0.1, .pivot_x = -1.2, .pivot_y = 0.4 }, PL_TURNING, 0.1, 0, 0 },
    };
    return cr_make_param_array(struct row, rows, sizeof rows / sizeof *rows);
}

/* The one laid on stands out with its amplitude; the others stay below 4 sigma (where the verdict
 * begins to speak). */
ParameterizedTest(struct row *r, pattern, alone)
{
    pl_pattern_fit got = fit(&r->f, 61);
    const pl_pattern *p = &got.p[r->name];
    cr_expect(epsilon_eq(dbl, p->amplitude, r->amplitude, 5 * p->amplitude_sigma + 0.003));
    cr_expect(gt(dbl, p->significance, 6));
    if (r->spin > 0) {
        cr_expect(lt(dbl, fabs(remainder(p->angle_deg - r->angle, 360 / r->spin)), 5));
        cr_expect(p->angle_deg >= 0 && p->angle_deg < 360 / r->spin);
    }
    if (r->name == PL_TURNING) {
        double d = 0.5 * hypot(W, H);
        cr_expect(epsilon_eq(dbl, p->x_px, 0.5 * (W - 1) + r->f.pivot_x * d, 0.25 * d));
        cr_expect(epsilon_eq(dbl, p->y_px, 0.5 * (H - 1) + r->f.pivot_y * d, 0.25 * d));
    }
    for (int k = 0; k < PL_PATTERNS; k++)
        if (k != r->name)
            cr_expect(lt(dbl, got.p[k].significance, 4), "pattern %d: %.1f sigma", k,
                      got.p[k].significance);
}

/* Faults together come apart again, with what has no row of its own (curvature, growing coma). */
Test(pattern, together)
{
    struct faults f = { .even = 0.08,
                        .even_deg = 120,
                        .outward = 0.2,
                        .slope = 0.08,
                        .slope_deg = 45,
                        .bowl = 0.1,
                        .flare = 0.04,
                        .flare_deg = 10,
                        .comatic = 0.06,
                        .corner = 0.03,
                        .corner_deg = 20 };
    pl_pattern_fit got = fit(&f, 62);
    const double want[PL_PATTERNS] = { 0.08, 0, 0.2, 0.08, 0.04, 0.03 };
    for (int k = 0; k < PL_PATTERNS; k++)
        cr_expect(epsilon_eq(dbl, got.p[k].amplitude, want[k], 5 * got.p[k].amplitude_sigma),
                  "%d: %g", k, got.p[k].amplitude);
    cr_expect(epsilon_eq(dbl, got.bowl, 0.1, 5 * got.bowl_sigma));
    cr_expect(epsilon_eq(dbl, got.comatic, 0.06, 5 * got.comatic_sigma));
}

/* 200 fields of pure noise: a pattern stands out at 4 sigma in hardly any. A vector of two Gaussian
 * components passes 4 sigma once in 3000 (exp(-8)); five patterns, 200 fields: 3 at most. */
Test(pattern, noise_shows_nothing)
{
    struct faults none = { 0 };
    int loud = 0;
    double sq = 0, var = 0;
    for (uint64_t seed = 1; seed <= 200; seed++) {
        pl_pattern_fit got = fit(&none, 7000 * seed);
        for (int k = 0; k < PL_PATTERNS; k++)
            loud += got.p[k].significance >= 4;
        sq += got.p[PL_OUTWARD_STRETCH].amplitude * got.p[PL_OUTWARD_STRETCH].amplitude;
        var += pow(got.p[PL_OUTWARD_STRETCH].amplitude_sigma, 2);
    }
    cr_expect(le(int, loud, 3), "%d patterns seen in noise", loud);
    cr_expect(epsilon_eq(dbl, sqrt(sq / var), 1, 0.25), "error of the amplitude: pull %.2f",
              sqrt(sq / var));
}

/* A tenth of wild stars does not make a pattern. */
Test(pattern, wild_stars_do_not_count)
{
    static pl_star s[N];
    frames_dice dice = { 63 };
    pl_pattern_fit got;
    make(s, &(struct faults){ 0 }, &dice);
    for (int i = 0; i < N; i += 10) {
        s[i].chi1 = 0.8;
        s[i].flare1 = 1;
        s[i].fwhm_px = 9;
    }
    cr_assert(eq(int, pl_patterns_fit(s, N, &whole, &got, NULL), PL_OK));
    for (int k = 0; k < PL_PATTERNS; k++)
        cr_expect(lt(dbl, got.p[k].significance, 4), "pattern %d: %.1f", k, got.p[k].significance);
}

/* A sub-frame whose place on the sensor is known: coma about the sensor's centre, far outside the
 * sub-frame, is coma that grows outward, not a flare alike everywhere. */
Test(pattern, about_another_centre)
{
    static pl_star s[N];
    frames_dice dice = { 65 };
    pl_view view = { -2000, 1500, 1800 };
    pl_pattern_fit got;
    make(s, &(struct faults){ 0 }, &dice);
    for (int i = 0; i < N; i++) {
        s[i].flare1 += 0.03 * (s[i].x_px - view.x_px) / view.radius_px;
        s[i].flare2 += 0.03 * (s[i].y_px - view.y_px) / view.radius_px;
    }
    cr_assert(eq(int, pl_patterns_fit(s, N, &view, &got, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, got.comatic, 0.03, 5 * got.comatic_sigma));
    cr_expect(lt(dbl, got.p[PL_FLARE].significance, 4));
}

/* Too few stars: NaN everywhere, no failure. All on one spot: an error, output untouched. */
Test(pattern, too_little_to_tell)
{
    static pl_star s[N];
    frames_dice dice = { 64 };
    pl_pattern_fit got;
    make(s, &(struct faults){ 0 }, &dice);
    cr_assert(eq(int, pl_patterns_fit(s, PL_PATTERN_STARS - 1, &whole, &got, NULL), PL_OK));
    for (int k = 0; k < PL_PATTERNS; k++)
        cr_expect(isnan(got.p[k].amplitude) && got.p[k].significance == 0 && got.p[k].unit[0]);
    cr_expect(isnan(got.bowl) && isnan(got.comatic));
    for (int i = 0; i < N; i++) {
        s[i].x_px = 100;
        s[i].y_px = 100;
    }
    got.bowl = 77;
    cr_expect(eq(int, pl_patterns_fit(s, N, &whole, &got, NULL), PL_EARG));
    cr_expect(eq(dbl, got.bowl, 77));
}
