/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The frame binned down for a picture. */
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>

/* 5 x 4 binned by 2: means of squares by hand; the last column has no square. */
Test(thumb, means_of_squares)
{
    double v[20];
    float out[4] = { 7, 7, 7, 7 };
    for (int i = 0; i < 20; i++)
        v[i] = i;
    v[2] = NAN;
    v[10] = v[11] = v[15] = v[16] = NAN;
    pl_frame *f = frames_memory(5, 4, v);
    for (int jobs = 1; jobs <= 3; jobs++) {
        cr_assert(eq(int, pl_frame_thumb(f, 2, jobs, out, NULL), PL_OK));
        cr_expect(eq(flt, out[0], 3)); /* 0 1 5 6 */
        cr_expect(eq(flt, out[1], (3 + 7 + 8) / 3.0f));
        cr_expect(isnan(out[2]));
        cr_expect(eq(flt, out[3], 15)); /* 12 13 17 18 */
    }
    pl_frame_free(f);
}

Test(thumb, refusals)
{
    double v[20] = { 0 };
    float out[1] = { 7 };
    pl_frame *f = frames_memory(5, 4, v);
    static const int bad[] = { 0, -2, 5, 1000 };
    for (int i = 0; i < 4; i++)
        cr_expect(eq(int, pl_frame_thumb(f, bad[i], 1, out, NULL), PL_EARG), "bin %d", bad[i]);
    cr_expect(eq(flt, out[0], 7));
    pl_frame_free(f);
}
