/* SPDX-License-Identifier: GPL-3.0-or-later */
/* octave.c - smoothed maps of a frame at halved and halved scale, a few rows at a time.
 *
 * Smoothing is by (1 2 1) x (1 2 1) / 6: unit noise in, unit noise out; a map's border stays 0. */
#include "octave.h"

#include <string.h>

enum { HALO = 24 }; /* rows beyond those looked at: 6 of the coarsest octave */

size_t pl_octaves_room(int w)
{
    return (size_t)w * (PL_MAP_ROWS + PL_SMOOTH_ROWS) * 2;
}

static int most(int a, int b)
{
    return a > b ? a : b;
}

static int least(int a, int b)
{
    return a < b ? a : b;
}

int pl_octaves_start(pl_octave octave[PL_OCTAVES], int w, int h, int first, int end, float *room,
                     int *last)
{
    int top = most(0, first - HALO);
    *last = least(h, end + HALO) - 1;
    for (int k = 0; k < PL_OCTAVES; k++, w /= 2, h /= 2) {
        bool small = w < 5 || h < 5;
        octave[k] = (pl_octave){ .w = w,
                                 .h = h,
                                 .scale = k,
                                 .top = top >> k,
                                 .from = most(2, first >> k),
                                 .to = small ? 0 : least(h - 2, end >> k),
                                 .map = room,
                                 .smooth = room + (size_t)w * PL_MAP_ROWS };
        room += (size_t)w * (PL_MAP_ROWS + PL_SMOOTH_ROWS);
    }
    return top;
}

float *pl_octave_row(const pl_octave *o, int y)
{
    return o->map + (size_t)(y % PL_MAP_ROWS) * (size_t)o->w;
}

static float *smooth_row(const pl_octave *o, int y)
{
    return o->smooth + (size_t)(y % PL_SMOOTH_ROWS) * (size_t)o->w;
}

const float *pl_octave_smooth(const pl_octave *o, int y)
{
    return smooth_row(o, y);
}

/* Row b between a and c. */
PL_WIDE
static void smooth(const float *a, const float *b, const float *c, int w, float *restrict out)
{
    enum { PIECE = 512 };
    float column[PIECE + 2];
    for (int from = 1; from < w - 1; from += PIECE) {
        int n = from + PIECE < w - 1 ? PIECE : w - 1 - from;
        const float *pa = a + from - 1, *pb = b + from - 1, *pc = c + from - 1;
        float *restrict o = out + from;
        for (int x = 0; x < n + 2; x++)
            column[x] = (pa[x] + 2 * pb[x] + pc[x]) * (1.0f / 6);
        for (int x = 0; x < n; x++)
            o[x] = column[x] + 2 * column[x + 1] + column[x + 2];
    }
    out[0] = out[w - 1] = 0;
}

/* Four cells to one; a sum of four unit-noise values over 2 has unit noise again. n: to be made */
PL_WIDE
static void halve(const float *a, const float *b, size_t n, float *restrict out)
{
    for (size_t x = 0; x < n; x++)
        out[x] = 0.5f * (a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1]);
}

/* Row y has its neighbours above and below once the next one is written. */
static void smooth_at(const pl_octave *o, int y)
{
    if (y == 0 || y == o->h - 1)
        memset(smooth_row(o, y), 0, sizeof(float) * (size_t)o->w);
    else if (y > o->top && y >= o->from - PL_AROUND && y < o->to + PL_AROUND)
        smooth(pl_octave_row(o, y - 1), pl_octave_row(o, y), pl_octave_row(o, y + 1), o->w,
               smooth_row(o, y));
}

static pl_status look_at(const pl_octave *o, int y, pl_octave_look *look, void *ctx)
{
    return y >= o->from && y < o->to ? look(ctx, o, y) : PL_OK;
}

static pl_status take(const pl_octave *o, int y, pl_octave_look *look, void *ctx)
{
    pl_status st = PL_OK;
    if (y > 0)
        smooth_at(o, y - 1);
    st = look_at(o, y - 1 - PL_AROUND, look, ctx);
    if (y < o->h - 1)
        return st;
    smooth_at(o, y); /* the last row: what waited for more has all there is */
    for (int left = y - PL_AROUND; left < y && st == PL_OK; left++)
        st = look_at(o, left, look, ctx);
    return st;
}

pl_status pl_octaves_feed(const pl_octave octave[PL_OCTAVES], int y, pl_octave_look *look,
                          void *ctx)
{
    for (int k = 0; k < PL_OCTAVES; k++, y /= 2) {
        const pl_octave *o = &octave[k];
        if (y >= o->h)
            break;
        pl_status st = take(o, y, look, ctx);
        if (st != PL_OK || y % 2 == 0 || k + 1 == PL_OCTAVES)
            return st;
        if (y / 2 < o[1].h)
            halve(pl_octave_row(o, y - 1), pl_octave_row(o, y), (size_t)o[1].w,
                  pl_octave_row(o + 1, y / 2));
    }
    return PL_OK;
}
