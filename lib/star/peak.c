/* SPDX-License-Identifier: GPL-3.0-or-later */
/* peak.c - maxima of a smoothed map: which cells are one, where in it, and how far above what lies
 * around. */
#include "peak.h"

#include <math.h>
#include <stdlib.h>

static const float FIRST_LOOK = 2.8f; /* a filtered maximum above this is looked at more closely */
static const float KEEP = 3.8f;       /* and kept for the final cut above this */

pl_status pl_bumps_keep(pl_bumps *l, pl_bump b, pl_err *err)
{
    void *items = l->item;
    pl_status st = pl_grow(&items, &l->cap, l->n, sizeof b, err);
    l->item = items;
    if (st == PL_OK)
        l->item[l->n++] = b;
    return st;
}

/* A row of a smoothed map and what lies around it. */
struct place {
    const pl_octave *o;
    int y;
    const float *around[PL_SMOOTH_ROWS]; /* smoothed rows from y - PL_AROUND on */
    const float **row;                   /* of y */
};

#define LESSER(a, b)  ((a) < (b) ? (a) : (b))
#define GREATER(a, b) ((a) < (b) ? (b) : (a))

/* Without a branch that could go either way: each half sorted, then of the pairs (i, 3 - i) across
 * the lesser ones are the lower four and the greater ones the upper (Batcher 1968). */
static void sort_4(float v[4])
{
    float a = LESSER(v[0], v[1]), b = GREATER(v[0], v[1]), c = LESSER(v[2], v[3]),
          d = GREATER(v[2], v[3]);
    float low = GREATER(a, c), high = LESSER(b, d);
    v[0] = LESSER(a, c);
    v[1] = LESSER(low, high);
    v[2] = GREATER(low, high);
    v[3] = GREATER(b, d);
}

static float median_of_8(float v[8])
{
    sort_4(v);
    sort_4(v + 4);
    float lower = LESSER(v[0], v[7]), upper = GREATER(v[0], v[7]);
    for (int i = 1; i < 4; i++) {
        float lo = LESSER(v[i], v[7 - i]), hi = GREATER(v[i], v[7 - i]);
        lower = GREATER(lower, lo);
        upper = LESSER(upper, hi);
    }
    return lower + (upper - lower) / 2;
}

/* What lies around a place, for skies the mesh cannot follow (nebulae): median of the smoothed map
 * at eight places four cells off. */
static float surroundings(const struct place *p, int x)
{
    static const signed char way[8][2] = { { 4, 0 },  { 3, 3 },   { 0, 4 },  { -3, 3 },
                                           { -4, 0 }, { -3, -3 }, { 0, -4 }, { 3, -3 } };
    float v[8];
    int n = 0, w = p->o->w, h = p->o->h;
    if (x > 4 && p->y > 4 && x < w - 5 && p->y < h - 5) {
        for (int i = 0; i < 8; i++)
            v[i] = p->row[way[i][1]][x + way[i][0]];
        return median_of_8(v);
    }
    for (int i = 0; i < 8; i++) {
        int px = x + way[i][0], py = p->y + way[i][1];
        if (px > 0 && py > 0 && px < w - 1 && py < h - 1)
            v[n++] = p->row[way[i][1]][px];
    }
    return n ? pl_medianf(v, (size_t)n) : 0;
}

/* Best of the boxes of up to 2 x 2 cells that hold this cell, in sigma, each cell less `base`. */
static float best_box(const pl_octave *o, int x, int y, float base)
{
    const float *f = pl_octave_row(o, y) + x;
    float me = f[0] - base, best = me;
    for (int sx = -1; sx <= 1; sx += 2) {
        float side = f[sx] - base;
        best = fmaxf(best, (me + side) * (float)M_SQRT1_2);
        for (int sy = -1; sy <= 1; sy += 2) {
            const float *g = pl_octave_row(o, y + sy) + x;
            float up = g[0] - base, corner = g[sx] - base;
            best = fmaxf(best, (me + up) * (float)M_SQRT1_2);
            best = fmaxf(best, 0.5f * (me + side + up + corner));
        }
    }
    return best;
}

/* Peak of a parabola through three values, in cells, within half a cell whatever they are. */
static double vertex(float l, float m, float r)
{
    double bend = (double)l + r - 2.0 * m;
    double d = bend < 0 ? 0.5 * ((double)l - r) / bend : 0;
    return d >= 0.5 ? 0.5 : d > -0.5 ? d : -0.5; /* also of infinite ones */
}

/* A maximum of the smoothed map above its surroundings: keep it, with its place and its score. */
static pl_status weigh_peak(const struct place *p, int x, pl_peaks *peaks)
{
    const float *above = p->row[-1] + x, *f = p->row[0] + x, *below = p->row[1] + x;
    float base = fmaxf(0, surroundings(p, x)), score = f[0] - base;
    if (p->o->scale == 0) /* 6 / 16: a level of the smoothed map in one cell of the other */
        score = fmaxf(score, best_box(p->o, x, p->y, base * (6.0f / 16)));
    if (score < KEEP)
        return PL_OK;
    int side = 2 << p->o->scale; /* of a cell, px */
    double cx = x + vertex(f[-1], f[0], f[1]), cy = p->y + vertex(above[0], f[0], below[0]);
    return pl_bumps_keep(
        &peaks->found,
        (pl_bump){ (cx + 0.5) * side - 0.5, (cy + 0.5) * side - 0.5, score, p->o->scale },
        &peaks->err);
}

/* The map's noise is learnt from what stands above or below its surroundings; the median of eight
 * adds a tenth to it (measured on white noise by tests/unit/test_detect.c). */
static pl_status take_sample(const struct place *p, int x, pl_peaks *peaks)
{
    float v = p->row[0][x] - surroundings(p, x);
    return pl_bumps_keep(&peaks->sample[p->o->scale], (pl_bump){ .score = v / 1.1f }, &peaks->err);
}

enum { RUN = 32, RUNS = 64 };

PL_INTO int any_bright(const float *f, int n)
{
    int any = 0;
    for (int i = 0; i < n; i++)
        any |= f[i] > FIRST_LOOK;
    return any;
}

/* A bit for each of n cells that is above all eight around it; >= on one side, > on the other: a
 * plateau of two gives one peak. No branch, which vectorises. */
PL_INTO uint32_t peaks_among(const float *a, const float *f, const float *c, int n)
{
    static const uint32_t bit[RUN] = { 1u << 0,  1u << 1,  1u << 2,  1u << 3,  1u << 4,  1u << 5,
                                       1u << 6,  1u << 7,  1u << 8,  1u << 9,  1u << 10, 1u << 11,
                                       1u << 12, 1u << 13, 1u << 14, 1u << 15, 1u << 16, 1u << 17,
                                       1u << 18, 1u << 19, 1u << 20, 1u << 21, 1u << 22, 1u << 23,
                                       1u << 24, 1u << 25, 1u << 26, 1u << 27, 1u << 28, 1u << 29,
                                       1u << 30, 1u << 31 };
    uint32_t peaks = 0;
    for (int i = 0; i < n; i++) {
        float v = f[i];
        int top = (v > FIRST_LOOK) & (v > a[i - 1]) & (v > a[i]) & (v > a[i + 1]) & (v > f[i - 1]) &
                  (v >= f[i + 1]) & (v >= c[i - 1]) & (v >= c[i]) & (v >= c[i + 1]);
        peaks |= top ? bit[i] : 0;
    }
    return peaks;
}

/* The peaks of n cells from x on, in words of RUN bits. Where nothing is bright is seen first. */
PL_WIDE
static void find_peaks(const struct place *p, int x, int n, uint32_t *peak)
{
    const float *a = p->row[-1] + x, *f = p->row[0] + x, *c = p->row[1] + x;
    for (; n >= RUN; n -= RUN, a += RUN, f += RUN, c += RUN)
        *peak++ = any_bright(f, RUN) ? peaks_among(a, f, c, RUN) : 0;
    if (n)
        *peak = peaks_among(a, f, c, n);
}

static pl_status weigh_run(const struct place *p, int x, uint32_t peak, pl_peaks *peaks)
{
    pl_status st = PL_OK;
    for (; peak && st == PL_OK; peak &= peak - 1)
        st = weigh_peak(p, x + __builtin_ctz(peak), peaks);
    return st;
}

pl_status pl_peaks_look(const pl_octave *o, int y, size_t every, pl_peaks *peaks)
{
    uint32_t peak[RUNS];
    struct place p = { .o = o, .y = y };
    for (int i = 0; i < PL_SMOOTH_ROWS; i++) /* rows beyond the border are not asked for */
        p.around[i] = pl_octave_smooth(o, y < PL_AROUND - i ? 0 : y + i - PL_AROUND);
    p.row = p.around + PL_AROUND;
    size_t row = (size_t)y * (size_t)o->w, at = (row + 2 + every - 1) / every * every;
    int end = o->w - 2;
    pl_status st = PL_OK;
    for (int from = 2; from < end && st == PL_OK; from += RUN * RUNS) {
        int n = end - from < RUN * RUNS ? end - from : RUN * RUNS;
        find_peaks(&p, from, n, peak);
        for (int x = 0; x < n && st == PL_OK; x += RUN)
            st = weigh_run(&p, from + x, peak[x / RUN], peaks);
    }
    for (; at < row + (size_t)end && st == PL_OK; at += every)
        st = take_sample(&p, (int)(at - row), peaks);
    return st;
}

void pl_peaks_clear(pl_peaks *peaks)
{
    free(peaks->found.item);
    for (int k = 0; k < PL_OCTAVES; k++)
        free(peaks->sample[k].item);
}
