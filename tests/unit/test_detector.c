/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The detector against photon transfer theory: mean = bias + e / g, variance = (e + r^2) / g^2 +
 * 1/12 (Janesick, Photon Transfer, from memory; the last term is rounding). */
#include "scenes.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { W = 400, H = 300, N = W * H };

static float light[N];
static uint16_t adu[N], again[N];

static void fill(float e)
{
    for (int i = 0; i < N; i++)
        light[i] = e;
}

static void mean_and_variance(const uint16_t *v, double *mean, double *variance)
{
    double sum = 0, square = 0;
    for (int i = 0; i < N; i++)
        sum += v[i];
    *mean = sum / N;
    for (int i = 0; i < N; i++)
        square += (v[i] - *mean) * (v[i] - *mean);
    *variance = square / (N - 1);
}

struct transfer {
    double electrons, gain, read_noise;
};

ParameterizedTestParameters(detector, photon_transfer)
{
    static struct transfer rows[] = { { 0, 1.2, 3 },     { 2, 0.5, 1.5 },  { 50, 1.2, 2 },
                                      { 990, 1.2, 2 },   { 1010, 1.2, 2 }, /* both ways to draw */
                                      { 20000, 0.8, 5 }, { 40000, 2, 0 } };
    return cr_make_param_array(struct transfer, rows, sizeof rows / sizeof *rows);
}

/* Tolerances: 4 standard errors; that of a variance is sqrt((2 + kurtosis) / N) of it, the excess
 * kurtosis of a Poisson number 1 / mean. */
ParameterizedTest(struct transfer *r, detector, photon_transfer)
{
    pl_detector d = { r->gain, r->read_noise, 300, 65535, true, 5 };
    double mean, variance, e = r->electrons;
    double want = (e + r->read_noise * r->read_noise) / (r->gain * r->gain) + 1 / 12.0;
    fill((float)e);
    pl_detector_read_out(&d, light, W, H, 1, adu);
    mean_and_variance(adu, &mean, &variance);
    cr_expect(epsilon_eq(dbl, mean, 300 + e / r->gain, 4 * sqrt(want / N)));
    double kurtosis = e > 0 ? 1 / e : 0;
    cr_expect(epsilon_eq(dbl, variance, want, 4 * want * sqrt((2 + kurtosis) / N)));
}

Test(detector, a_few_electrons_are_poisson_numbers)
{
    /* no read noise, gain 1: the part of pixels with k electrons is e^-m m^k / k! */
    pl_detector d = { 1, 0, 0, 65535, true, 9 };
    const double m = 1.5;
    double want = exp(-m);
    fill((float)m);
    pl_detector_read_out(&d, light, W, H, 1, adu);
    for (int k = 0; k < 6; k++) {
        double count = 0;
        for (int i = 0; i < N; i++)
            count += adu[i] == k;
        cr_expect(epsilon_eq(dbl, count / N, want, 4 * sqrt(want * (1 - want) / N)), "%d", k);
        want *= m / (k + 1);
    }
}

Test(detector, neighbours_and_rows_are_independent)
{
    pl_detector d = { 1, 10, 1000, 65535, true, 3 };
    double along = 0, up = 0;
    fill(0);
    pl_detector_read_out(&d, light, W, H, 1, adu);
    for (int y = 0; y < H - 1; y++)
        for (int x = 0; x < W - 1; x++) {
            double v = adu[y * W + x] - 1000.0;
            along += v * (adu[y * W + x + 1] - 1000.0) / 100 / N;
            up += v * (adu[(y + 1) * W + x] - 1000.0) / 100 / N;
        }
    cr_expect(lt(dbl, fabs(along), 4 / sqrt(N)));
    cr_expect(lt(dbl, fabs(up), 4 / sqrt(N)));
}

Test(detector, clips_at_both_ends)
{
    pl_detector d = { 1, 0, 100, 4095.7, false, 1 };
    fill(4200);
    light[0] = -500;
    light[1] = 3000.4F;
    pl_detector_read_out(&d, light, W, H, 1, adu);
    cr_expect(eq(u16, adu[0], 0));
    cr_expect(eq(u16, adu[1], 3100)); /* 3000.4 + 100, rounded */
    cr_expect(eq(u16, adu[2], 4095));
}

Test(detector, threads_change_nothing_seeds_do)
{
    pl_detector d = { 1.3, 4, 100, 65535, true, 77 };
    for (int i = 0; i < N; i++)
        light[i] = (float)(i % 997);
    pl_detector_read_out(&d, light, W, H, 1, adu);
    pl_detector_read_out(&d, light, W, H, 4, again);
    cr_expect(eq(int, memcmp(adu, again, sizeof adu), 0));
    d.seed++;
    pl_detector_read_out(&d, light, W, H, 1, again);
    int same = 0;
    for (int i = 0; i < N; i++)
        same += adu[i] == again[i];
    cr_expect(lt(int, same, N / 10)); /* chance: about 1 / (2 sqrt(pi) sigma), sigma ~ 17 */
}

Test(detector, faults_have_their_number_and_stay_or_move)
{
    pl_scene s = { .seed = 4, .hot_pixels = 30, .hot_adu = 5000 };
    static float other[N];
    int hot = 0, moved = 0;
    memset(light, 0, sizeof light);
    pl_detector_faults(&s, 0, 1.2, W, H, light);
    pl_detector_faults(&s, 1, 1.2, W, H, other);
    for (int i = 0; i < N; i++) {
        hot += light[i] > 0;
        cr_assert(le(flt, light[i], 2 * 6000.5F)); /* two may meet */
        cr_assert(eq(flt, light[i], other[i]));    /* a camera keeps them */
    }
    cr_expect(ge(int, hot, 29)); /* chance of one meeting: 30^2 / 2 / 120000 = 0.4 % */
    s.hot_pixels = 0;
    s.cosmic_rays = 10;
    memset(light, 0, sizeof light);
    memset(other, 0, sizeof other);
    pl_detector_faults(&s, 0, 1.2, W, H, light);
    pl_detector_faults(&s, 1, 1.2, W, H, other);
    for (int i = 0; i < N; i++)
        moved += light[i] != other[i];
    cr_expect(gt(int, moved, 10));
}
