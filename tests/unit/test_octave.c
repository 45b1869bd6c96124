/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_octave.c - maps that go by row by row are those of the whole map, computed here plainly. */
#include "../../lib/star/octave.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>
#include <stdlib.h>

enum { W = 61, H = 115 };

struct whole {
    double map[PL_OCTAVES][H][W];
    int seen[PL_OCTAVES][H];
    double worst;
};

static double smoothed(const struct whole *a, const pl_octave *o, int y, int x)
{
    static const double tap[3] = { 1, 2, 1 };
    double sum = 0;
    if (y < 1 || x < 1 || y > o->h - 2 || x > o->w - 2)
        return 0;
    for (int j = 0; j < 3; j++)
        for (int i = 0; i < 3; i++)
            sum += tap[j] * tap[i] / 6 * a->map[o->scale][y + j - 1][x + i - 1];
    return sum;
}

static pl_status compare(void *ctx, const pl_octave *o, int y)
{
    struct whole *a = ctx;
    a->seen[o->scale][y]++;
    for (int r = y - PL_AROUND; r <= y + PL_AROUND; r++)
        for (int x = 0; r >= 0 && r < o->h && x < o->w; x++)
            a->worst = fmax(a->worst, fabs(pl_octave_smooth(o, r)[x] - smoothed(a, o, r, x)));
    for (int r = y - 1; r <= y + 1; r++)
        for (int x = 0; x < o->w; x++)
            a->worst = fmax(a->worst, fabs(pl_octave_row(o, r)[x] - a->map[o->scale][r][x]));
    return PL_OK;
}

static struct whole *random_map(void)
{
    struct whole *a = calloc(1, sizeof *a);
    frames_dice dice = { 7 };
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++)
            a->map[0][y][x] = (float)frames_normal(&dice);
    for (int k = 1; k < PL_OCTAVES; k++)
        for (int y = 0; y < H >> k; y++)
            for (int x = 0; x < W >> k; x++)
                a->map[k][y][x] =
                    (a->map[k - 1][2 * y][2 * x] + a->map[k - 1][2 * y][2 * x + 1] +
                     a->map[k - 1][2 * y + 1][2 * x] + a->map[k - 1][2 * y + 1][2 * x + 1]) /
                    2;
    return a;
}

/* Cut anyhow into bands, each row but the two at each border is looked at once, with the right rows
 * about it. Tolerance: sums of nine floats of order one. */
Test(octave, rows_are_those_of_the_whole_map)
{
    static const int band[] = { 4, 12, 40, 116 };
    for (size_t b = 0; b < PL_ARRAY_LEN(band); b++) {
        struct whole *a = random_map();
        float *room = calloc(pl_octaves_room(W), sizeof *room);
        for (int first = 0; first < H; first += band[b]) {
            pl_octave octave[PL_OCTAVES];
            int end = first + band[b] < H ? first + band[b] : H, last;
            int y = pl_octaves_start(octave, W, H, first, end, room, &last);
            for (; y <= last; y++) {
                for (int x = 0; x < W; x++)
                    pl_octave_row(&octave[0], y)[x] = (float)a->map[0][y][x];
                cr_assert(pl_octaves_feed(octave, y, compare, a) == PL_OK);
            }
        }
        cr_expect(a->worst < 1e-5, "bands of %d: off by %.2g", band[b], a->worst);
        for (int k = 0; k < PL_OCTAVES; k++)
            for (int y = 0; y < H >> k; y++)
                cr_expect(a->seen[k][y] == (y >= 2 && y < (H >> k) - 2),
                          "bands of %d, octave %d: row %d seen %d times", band[b], k, y,
                          a->seen[k][y]);
        free(room);
        free(a);
    }
}
