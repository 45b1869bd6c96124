/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Neighbours through the squares are the neighbours found by looking at all. */
#include "../../lib/star/star.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>
#include <string.h>

enum { N = 500, W = 1000, H = 300 };

Test(nearby, finds_all_within_its_side)
{
    double x[N], y[N];
    frames_dice dice = { 1 };
    pl_nearby nb;
    cr_assert(eq(int, pl_nearby_new(W, H, N, &nb, NULL), PL_OK));
    for (size_t i = 0; i < N; i++) {
        x[i] = W * frames_uniform(&dice);
        y[i] = H * frames_uniform(&dice);
        pl_nearby_add(&nb, i, x[i], y[i]);
    }
    for (int k = 0; k < 200; k++) {
        double cx = (W + 40) * frames_uniform(&dice) - 20,
               cy = (H + 40) * frames_uniform(&dice) - 20;
        int seen[N] = { 0 };
        int64_t i;
        for (pl_nearby_walk w = pl_nearby_start(&nb, cx, cy); (i = pl_nearby_next(&w)) >= 0;)
            seen[i]++;
        for (int j = 0; j < N; j++) {
            cr_assert(le(int, seen[j], 1), "none twice");
            if (hypot(x[j] - cx, y[j] - cy) <= PL_NEARBY_SIDE)
                cr_assert(eq(int, seen[j], 1), "item %d", j);
        }
    }
    pl_nearby_clear(&nb);
    pl_nearby_clear(&nb);
}

Test(nearby, an_empty_field)
{
    pl_nearby nb;
    cr_assert(eq(int, pl_nearby_new(1, 1, 0, &nb, NULL), PL_OK));
    pl_nearby_walk w = pl_nearby_start(&nb, 0, 0);
    cr_expect(lt(i64, pl_nearby_next(&w), 0));
    pl_nearby_clear(&nb);
}
