/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Half-flux diameter, third and fourth moments: closed forms, directions, and honest errors. */
#include "../../lib/star/star.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdlib.h>

enum { R = 16, SIDE = 2 * R + 1 };

static const double SKY = 50;

/* Fit a stamp of one or more stars drawn on it, then measure what is left. */
struct bench {
    pl_stamp st;
    pl_moffat fit;
    pl_seen seen;
    pl_star star;
};

static struct bench *bench_of(const frames_star *s, int n, double var)
{
    struct bench *b = calloc(1, sizeof *b);
    double v[SIDE * SIDE] = { 0 };
    b->st = (pl_stamp){ .x0 = 40 - R,
                        .y0 = 30 - R,
                        .w = SIDE,
                        .h = SIDE,
                        .sky = SKY,
                        .var = var,
                        .gain = 1e9,
                        .share = 1 };
    for (int i = 0; i < n; i++)
        frames_draw(v, b->st.x0, b->st.y0, SIDE, SIDE, &s[i]);
    for (int i = 0; i < SIDE * SIDE; i++) {
        b->st.value[i] = (float)(v[i] + SKY);
        b->st.use[i] = 1;
    }
    return b;
}

static bool measure(struct bench *b, double flux, double fwhm, double beta)
{
    double inv = isinf(beta) ? 0.001 : 1 / beta;
    pl_weight w = pl_weight_for(1 / inv);
    b->fit = (pl_moffat){ .p = { 0.8 * flux, 40.1, 30.1, log(0.5 * fwhm) + 0.1, 0, 0, SKY, inv } };
    if (!pl_moffat_fit(&b->st, PL_FREE_SHAPE, &b->fit, &b->seen))
        return false;
    pl_leftover_measure(&b->st, &b->fit, &b->seen, &w, &b->star);
    return true;
}

static void add_noise(struct bench *b, frames_dice *dice)
{
    for (int i = 0; i < SIDE * SIDE; i++)
        b->st.value[i] += (float)(sqrt(b->st.var) * frames_normal(dice));
}

/* A Gaussian's weight is itself: sigma = h / 1.17741, fourth moment <r^4> = 2 sigma^4, so 0. */
Test(leftover, weight_of_a_gaussian)
{
    pl_weight w = pl_weight_for(1000);
    cr_expect(epsilon_eq(dbl, w.ratio, 1 / 1.1774100225, 2e-3));
    cr_expect(epsilon_eq(dbl, w.kurtosis, 0, 5e-3));
    cr_expect(gt(dbl, pl_weight_for(3).kurtosis, pl_weight_for(5).kurtosis), "heavier wings");
    cr_expect(gt(dbl, pl_weight_for(5).kurtosis, w.kurtosis));
}

struct hfd_row {
    double beta, ratio;
};

/* Half-flux diameter over FWHM of a Moffat: sqrt((2^(1/(beta-1)) - 1) / (2^(1/beta) - 1)), derived
 * from the flux inside r (Moffat 1969); a Gaussian's is 1. Pixels widen it: HFD^2 grows by
 * 8 ln 2 / 12 for a Gaussian of variance 1/12 more; at FWHM 6 that is 0.6 %, so 1 % is allowed. */
ParameterizedTestParameters(leftover, half_flux)
{
    static struct hfd_row rows[] = { { 2.5, 1.3559 }, { 3, 1.2624 },     { 3.5, 1.2078 },
                                     { 4, 1.1721 },   { 4.765, 1.1362 }, { 10, 1.0561 },
                                     { INFINITY, 1 } };
    return cr_make_param_array(struct hfd_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct hfd_row *r, leftover, half_flux)
{
    frames_star s = { 40.2, 29.9, 1e5, 6, 0, 0, r->beta };
    frames_dice dice = { 8 };
    struct bench *b = bench_of(&s, 1, pow(1e5 / frames_flux(2000, 6, 1), 2));
    add_noise(b, &dice);
    cr_assert(measure(b, 1e5, 6, r->beta));
    cr_expect(epsilon_eq(dbl, b->star.hfd_px / 6, r->ratio, 0.01 * r->ratio), "beta %g: %g",
              r->beta, b->star.hfd_px / 6);
    free(b);
}

/* A symmetric star leaves nothing: all within five of its errors, round or stretched. */
Test(leftover, symmetric_stars_leave_nothing)
{
    frames_dice dice = { 9 };
    for (int k = 0; k < 3; k++) {
        frames_star s = { 40.2, 29.9, 1e5, 4, 0.35 * k, 30, 4 };
        struct bench *b = bench_of(&s, 1, pow(1e5 / frames_flux(500, 4, 1), 2));
        add_noise(b, &dice);
        cr_assert(measure(b, 1e5, 4, 4));
        const pl_star *m = &b->star;
        cr_expect(lt(dbl, hypot(m->flare1, m->flare2), 5 * m->flare_sigma));
        cr_expect(lt(dbl, hypot(m->corner1, m->corner2), 5 * m->corner_sigma));
        cr_expect(lt(dbl, fabs(m->kurtosis - pl_weight_for(4).kurtosis), 5 * m->kurtosis_sigma));
        cr_expect(lt(dbl, m->flare_sigma, 0.02));
        free(b);
    }
}

/* One-sided light: a tenth of the flux one FWHM away. The flare points at it, wherever it is. */
Test(leftover, flare_points_at_the_extra_light)
{
    frames_dice dice = { 10 };
    double first = 0;
    for (int deg = 0; deg < 360; deg += 45) {
        double a = deg * M_PI / 180;
        frames_star s[2] = { { 40, 30, 9e4, 5, 0, 0, 4 },
                             { 40 + 5 * cos(a), 30 + 5 * sin(a), 1e4, 5, 0, 0, 4 } };
        struct bench *b = bench_of(s, 2, pow(1e5 / frames_flux(500, 5, 1), 2));
        add_noise(b, &dice);
        cr_assert(measure(b, 1e5, 5, 4));
        double f1 = b->star.flare1, f2 = b->star.flare2,
               off = remainder(atan2(f2, f1) - a, 2 * M_PI);
        first = deg ? first : hypot(f1, f2);
        cr_expect(gt(dbl, hypot(f1, f2), 5 * b->star.flare_sigma), "%d deg", deg);
        cr_expect(lt(dbl, fabs(off), 0.15), "%d deg: points at %g", deg,
                  atan2(f2, f1) * 180 / M_PI);
        cr_expect(epsilon_eq(dbl, hypot(f1, f2), first, 5 * b->star.flare_sigma), "%d deg", deg);
        free(b);
    }
}

/* Three lobes 120 degrees apart: a three-cornered star, a corner at the first one's angle. */
Test(leftover, corners_stand_where_they_are)
{
    frames_dice dice = { 11 };
    for (int deg = 0; deg < 120; deg += 20) {
        frames_star s[4] = { { 40, 30, 4e4, 5, 0, 0, 4 } };
        for (int k = 0; k < 3; k++) {
            double a = (deg + 120 * k) * M_PI / 180;
            s[k + 1] = (frames_star){ 40 + 3 * cos(a), 30 + 3 * sin(a), 2e4, 5, 0, 0, 4 };
        }
        struct bench *b = bench_of(s, 4, pow(1e5 / frames_flux(1000, 5, 1), 2));
        add_noise(b, &dice);
        cr_assert(measure(b, 1e5, 5, 4));
        double c1 = b->star.corner1, c2 = b->star.corner2;
        double at = atan2(c2, c1) / 3, off = remainder(at - deg * M_PI / 180, 2 * M_PI / 3);
        cr_expect(gt(dbl, hypot(c1, c2), 5 * b->star.corner_sigma), "%d deg", deg);
        cr_expect(lt(dbl, fabs(off), 0.15), "%d deg: corner at %g", deg, at * 180 / M_PI);
        cr_expect(lt(dbl, hypot(b->star.flare1, b->star.flare2), 5 * b->star.flare_sigma));
        free(b);
    }
}

/* 400 noisy stamps: each scatters by its own error (3.5 % from their number). */
Test(leftover, its_errors_are_right)
{
    enum { TRIALS = 400, KINDS = 6 };
    double sum[KINDS] = { 0 }, sq[KINDS] = { 0 }, err[KINDS] = { 0 };
    frames_dice dice = { 12 };
    frames_star s = { 40.2, 29.9, frames_flux(100, 4, 100), 4, 0.4, 30, 4 };
    struct bench *clean = bench_of(&s, 1, 100), *b = malloc(sizeof *b);
    int n = 0;
    for (int t = 0; t < TRIALS; t++) {
        *b = *clean;
        add_noise(b, &dice);
        if (!measure(b, s.flux, 4, 4))
            continue;
        const pl_star *m = &b->star;
        const double got[KINDS] = { m->hfd_px,  m->flare1,  m->flare2,
                                    m->corner1, m->corner2, m->kurtosis };
        const double sigma[KINDS] = { m->hfd_sigma_px, m->flare_sigma,  m->flare_sigma,
                                      m->corner_sigma, m->corner_sigma, m->kurtosis_sigma };
        for (int k = 0; k < KINDS; k++) {
            sum[k] += got[k];
            sq[k] += got[k] * got[k];
            err[k] += sigma[k];
        }
        n++;
    }
    cr_assert(ge(int, n, TRIALS - 4));
    static const char name[KINDS][12] = { "hfd",     "flare1",  "flare2",
                                          "corner1", "corner2", "kurtosis" };
    for (int k = 0; k < KINDS; k++) {
        double mean = sum[k] / n, pull = sqrt(sq[k] / n - mean * mean) / (err[k] / n);
        cr_expect(epsilon_eq(dbl, pull, 1, 0.25), "%s: pull %.3f", name[k], pull);
    }
    free(clean);
    free(b);
}
