/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Level and noise of the sky on frames whose sky is known. */
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { W = 640, H = 448 };

typedef double level_fn(int x, int y);

static double flat(int x, int y)
{
    (void)x;
    (void)y;
    return 1000;
}

static double sloping(int x, int y)
{
    return 1000 + 0.5 * x + 0.3 * y;
}

static double coloured(int x, int y)
{
    static const double phase[4] = { 500, 900, 900, 700 };
    return phase[2 * (y & 1) + (x & 1)];
}

static double *sky_of(level_fn *level, double noise, uint64_t seed)
{
    double *v = malloc(sizeof *v * W * H);
    frames_dice dice = { seed };
    for (int i = 0; i < W * H; i++)
        v[i] = level(i % W, i / W) + noise * frames_normal(&dice);
    return v;
}

static pl_sky measure(const double *v)
{
    pl_frame *f = frames_memory(W, H, v);
    pl_sky sky = { 0 };
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_sky_measure(f, 1, &sky, &err), PL_OK), "%s", err.msg);
    pl_frame_free(f);
    return sky;
}

/* A cell's level comes from 256 pixels a phase: an error of noise / 16; the noise of 16 by 7 % a
 * cell. Limits: 5 sigma for the worst of all nodes. */
static void expect_level(const pl_sky *sky, level_fn *level, double noise, double slack)
{
    for (int p = 0; p < 4; p++)
        for (int y = 20; y < H - 20; y += 53)
            for (int x = 20; x < W - 20; x += 47) {
                float l, n;
                pl_sky_at(sky, p, x, y, &l, &n);
                int px = (x & ~1) + (p & 1), py = (y & ~1) + (p >> 1);
                cr_assert(epsilon_eq(dbl, l, level(px, py), 5 * noise / 16 + slack), "%d %d", x, y);
                cr_assert(epsilon_eq(dbl, n, noise, 0.25 * noise), "%d %d", x, y);
            }
    cr_expect(epsilon_eq(dbl, sky->noise_adu, noise, 0.015 * noise), "%g", sky->noise_adu);
}

Test(sky, flat)
{
    double *v = sky_of(flat, 10, 1);
    pl_sky sky = measure(v);
    expect_level(&sky, flat, 10, 0);
    cr_expect(epsilon_eq(dbl, sky.sky_adu, 1000, 0.3));
    pl_sky_clear(&sky);
    pl_sky_clear(&sky);
    free(v);
}

/* A gradient is level, not noise. Beyond the outermost nodes the mesh is flat: not looked at. */
Test(sky, sloping)
{
    double *v = sky_of(sloping, 10, 2);
    pl_sky sky = measure(v);
    cr_expect(epsilon_eq(dbl, sky.noise_adu, 10, 0.15));
    for (int y = 100; y < H - 100; y += 41)
        for (int x = 100; x < W - 100; x += 37) {
            float l;
            pl_sky_at(&sky, 0, x, y, &l, NULL);
            cr_assert(epsilon_eq(dbl, l, sloping(x, y), 4), "%d %d", x, y);
        }
    pl_sky_clear(&sky);
    free(v);
}

/* Each phase of a mosaic has its own level; merged, all have the mean. */
Test(sky, phases_apart_and_merged)
{
    double *v = sky_of(coloured, 10, 3);
    pl_sky sky = measure(v);
    expect_level(&sky, coloured, 10, 0);
    pl_sky_merge_phases(&sky);
    for (int p = 0; p < 4; p++)
        for (int i = 0; i < sky.nx * sky.ny; i++) {
            cr_assert(epsilon_eq(dbl, sky.level[p][i], 750, 2));
            cr_assert(epsilon_eq(dbl, sky.noise[p][i], 10, 1.5));
        }
    pl_sky_clear(&sky);
    free(v);
}

/* A hundred bright stars hardly lift it. */
Test(sky, stars_do_not_count)
{
    double *v = sky_of(flat, 10, 4);
    frames_dice dice = { 5 };
    for (int i = 0; i < 100; i++) {
        frames_star s = {
            W * frames_uniform(&dice), H * frames_uniform(&dice), 20000, 3.5, 0, 0, 3
        };
        frames_draw_near(v, W, H, &s);
    }
    pl_sky sky = measure(v);
    cr_expect(epsilon_eq(dbl, sky.sky_adu, 1000, 1.5), "%g", sky.sky_adu);
    cr_expect(epsilon_eq(dbl, sky.noise_adu, 10, 0.3), "%g", sky.noise_adu);
    pl_sky_clear(&sky);
    free(v);
}

/* A quarter of the frame blank: the rest as ever, the blank filled from its neighbours. */
Test(sky, blanks)
{
    double *v = sky_of(flat, 10, 6);
    for (int i = 0; i < W * H; i++)
        if (i % W < W / 2 && i / W < H / 2)
            v[i] = NAN;
    pl_sky sky = measure(v);
    expect_level(&sky, flat, 10, 1);
    pl_sky_clear(&sky);
    free(v);
}

/* A long frame blank but for one end: each node takes from the nearest that is not, in no time. */
Test(sky, blank_but_for_an_end, .timeout = 20)
{
    enum { LONG = 65535, SHORT = 16, END = 256 };
    double *v = malloc(sizeof *v * LONG * SHORT);
    for (int lying = 0; lying < 2; lying++) {
        int w = lying ? LONG : SHORT, h = lying ? SHORT : LONG;
        frames_dice dice = { 12 };
        for (int i = 0; i < w * h; i++)
            v[i] = (lying ? i % w : i / w) < END ? 1000 + 10 * frames_normal(&dice) : NAN;
        pl_frame *f = frames_memory(w, h, v);
        pl_sky sky = { 0 };
        cr_assert(eq(int, pl_sky_measure(f, 1, &sky, NULL), PL_OK));
        for (int p = 0; p < 4; p++) {
            size_t last = END / (size_t)sky.cell - 1, end = (size_t)sky.nx * (size_t)sky.ny - 1;
            cr_expect(epsilon_eq(flt, sky.level[p][last], 1000, 5 * 10.0f / 16));
            for (size_t i = last + 1; i <= end; i++)
                cr_assert(epsilon_eq(flt, sky.level[p][i], 1000, 5 * 10.0f / 16), "%zu", i);
        }
        pl_sky_clear(&sky);
        pl_frame_free(f);
    }
    free(v);
}

/* Coarse digits: noise of 0.7 of a step. Rounding adds 1/12 to the variance. */
Test(sky, coarse_digits)
{
    double *v = sky_of(flat, 0.7, 7);
    for (int i = 0; i < W * H; i++)
        v[i] = round(v[i]);
    pl_sky sky = measure(v);
    cr_expect(epsilon_eq(dbl, sky.noise_adu, sqrt(0.49 + 1.0 / 12), 0.03), "%g", sky.noise_adu);
    pl_sky_clear(&sky);
    free(v);
}

/* Interpolation: on a node its value, between two their mean, beyond the last one that one. */
Test(sky, interpolates)
{
    float level[4] = { 1, 3, 5, 11 }, noise[4] = { 1, 1, 1, 1 };
    pl_sky sky = { .nx = 2, .ny = 2, .cell = 10 }; /* nodes lie at 4.5 and 14.5 */
    static const struct {
        double x, y;
        float level;
    } at[] = { { -20, 4.5, 1 },  { -7.75, 4.5, 1 }, { 4.5, 4.5, 1 },
               { 9.5, 4.5, 2 },  { 14.5, 4.5, 3 },  { 19.5, 4.5, 3 },
               { 24.5, 4.5, 3 }, { 9.5, 9.5, 5 },   { 9.5, 100, 8 } };
    for (int p = 0; p < 4; p++) {
        sky.level[p] = level;
        sky.noise[p] = noise;
    }
    for (size_t i = 0; i < sizeof at / sizeof *at; i++) {
        float got;
        pl_sky_at(&sky, (int)i % 4, at[i].x, at[i].y, &got, NULL);
        cr_expect(epsilon_eq(flt, got, at[i].level, 1e-6f), "%g, %g", at[i].x, at[i].y);
    }
}

/* A widened row against the four phases asked for one by one, from one node to many. */
Test(sky, bins_are_the_four_phases)
{
    enum { NODES = 5, CELL = 32, SPARE = 20 };
    float level[4][2 * NODES], noise[4][2 * NODES], sum[NODES * CELL / 2 + SPARE],
        inv[NODES * CELL / 2 + SPARE];
    for (int p = 0; p < 4; p++)
        for (int i = 0; i < 2 * NODES; i++) {
            level[p][i] = (float)(100 + (31 * i + 17 * p) % 23);
            noise[p][i] = (float)(5 + (13 * i + 7 * p) % 11);
        }
    for (int nx = 1; nx <= NODES; nx++) {
        pl_sky sky = { .nx = nx, .ny = 2, .cell = CELL };
        for (int p = 0; p < 4; p++) {
            sky.level[p] = level[p];
            sky.noise[p] = noise[p];
        }
        int bins = nx * CELL / 2 + SPARE;
        for (int row = 0; row < 2; row++) {
            pl_sky_bins(&sky, row, bins, sum, inv);
            for (int k = 0; k < bins; k++) {
                float l, n;
                double all = 0, var = 0;
                for (int p = 0; p < 4; p++) {
                    pl_sky_at(&sky, p, 2 * k + 0.5, row * CELL + 0.5 * CELL - 0.5, &l, &n);
                    all += l;
                    var += n * n;
                }
                cr_assert(ieee_ulp_eq(flt, sum[k], (float)all, 4), "%d: %g, not %g", k, sum[k],
                          all);
                cr_assert(ieee_ulp_eq(flt, inv[k], (float)(1 / sqrt(var)), 4));
            }
        }
    }
}

Test(sky, any_number_of_threads)
{
    double *v = sky_of(coloured, 10, 8);
    pl_frame *f = frames_memory(W, H, v);
    pl_sky one = { 0 }, many = { 0 };
    cr_assert(eq(int, pl_sky_measure(f, 1, &one, NULL), PL_OK));
    for (int jobs = 2; jobs <= 3; jobs++) {
        cr_assert(eq(int, pl_sky_measure(f, jobs, &many, NULL), PL_OK));
        size_t bytes = sizeof(float) * (size_t)(one.nx * one.ny);
        for (int p = 0; p < 4; p++) {
            cr_expect(eq(int, memcmp(one.level[p], many.level[p], bytes), 0));
            cr_expect(eq(int, memcmp(one.noise[p], many.noise[p], bytes), 0));
        }
        cr_expect(one.sky_adu == many.sky_adu && one.noise_adu == many.noise_adu);
        pl_sky_clear(&many);
    }
    pl_sky_clear(&one);
    pl_frame_free(f);
    free(v);
}

static void expect_refusal(int w, int h, double value, const char *says)
{
    double *v = malloc(sizeof *v * (size_t)(w * h));
    for (int i = 0; i < w * h; i++)
        v[i] = value;
    pl_frame *f = frames_memory(w, h, v);
    pl_sky sky = { .nx = 77 };
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_sky_measure(f, 2, &sky, &err), PL_ENODATA), "%d x %d of %g", w, h, value);
    cr_expect(ne(ptr, strstr(err.msg, says), NULL), "\"%s\" without \"%s\"", err.msg, says);
    cr_expect(eq(int, sky.nx, 77));
    pl_frame_free(f);
    free(v);
}

Test(sky, refusals)
{
    expect_refusal(1, 1, 5, "1 x 1");
    expect_refusal(15, 300, 5, "16 x 16");
    expect_refusal(3, 50000, 5, "16 x 16");
    expect_refusal(100, 80, 5, "same number");
    expect_refusal(16, 16, 65535, "same number");
    expect_refusal(100, 80, NAN, "blank");
}
