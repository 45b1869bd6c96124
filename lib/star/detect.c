/* SPDX-License-Identifier: GPL-3.0-or-later */
/* detect.c - find bumps: a matched filter at three octaves on the frame binned 2 x 2.
 *
 * Binning by two turns a colour mosaic grey and quarters the work. Each scale is a binned map in
 * units of its own noise, smoothed by (1 2 1) x (1 2 1) / 6, which is within 6 % of the best filter
 * for stars up to sqrt 2 off its own width (2 s1 s2 / (s1^2 + s2^2), derived). An undersampled star
 * that falls on a corner of four bins is weak in that filter; so each maximum is also tried with
 * the boxes of 1 x 1 to 2 x 2 bins that hold it. */
#include "star.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { SCALES = 3, BAND = 256, HALO = 24, SAMPLE = 307 }; /* rows in bins of two pixels */

static const float FIRST_LOOK = 2.8f; /* a filtered maximum above this is looked at more closely */
static const float KEEP = 3.8f;       /* and kept for the final cut above this */

struct list {
    pl_bump *item;
    size_t n, cap;
};

struct band {
    struct list found;
    struct list sample[SCALES]; /* scores at fixed places, to learn the maps' noise */
    pl_err err;
};

struct search {
    const pl_frame *frame;
    const pl_sky *sky;
    struct band *band;
    int bw, bh;               /* of the binned frame */
    float *level, *inverse;   /* [sky->ny][bw] */
    float *room[PL_POOL_MAX]; /* each worker's maps, kept from band to band */
};

static pl_status keep(struct list *l, pl_bump b, pl_err *err)
{
    void *items = l->item;
    pl_status st = pl_grow(&items, &l->cap, l->n, sizeof b, err);
    l->item = items;
    if (st == PL_OK)
        l->item[l->n++] = b;
    return st;
}

/* The sky's mesh, widened once to a column for each bin: the four phases' sum of levels, and one
 * over the noise of that sum. */
static pl_status widen_sky(struct search *s, pl_err *err)
{
    size_t n = (size_t)s->bw, all = n * (size_t)s->sky->ny;
    s->level = calloc(all, sizeof(float));
    s->inverse = calloc(all, sizeof(float));
    float *level = malloc(n * sizeof(float)), *noise = malloc(n * sizeof(float));
    pl_status st = PL_OK;
    if (!s->level || !s->inverse || !level || !noise)
        st = pl_fail(err, PL_ENOMEM, "out of memory for the search");
    for (int j = 0; j < s->sky->ny && st == PL_OK; j++) {
        float *sum = s->level + (size_t)j * n, *inv = s->inverse + (size_t)j * n;
        for (int p = 0; p < 4; p++) {
            pl_sky_row(s->sky, p, (j + 0.5) * s->sky->cell - 0.5, 0.5, 2, s->bw, level, noise);
            for (size_t i = 0; i < n; i++) {
                sum[i] += level[i];
                inv[i] += noise[i] * noise[i];
            }
        }
        for (size_t i = 0; i < n; i++)
            inv[i] = 1 / sqrtf(inv[i]);
    }
    free(level);
    free(noise);
    return st;
}

/* Two pixel rows -> one row of bins in units of their noise; blanks are 0 (no evidence). */
PL_WIDE
static void bin_row(const struct search *s, const float *top, const float *low, int by,
                    float *restrict out)
{
    size_t n = (size_t)s->bw;
    int last = s->sky->ny - 1;
    double t = (2 * by + 1.0) / s->sky->cell - 0.5;
    int j = t < 0 ? 0 : t >= last ? (last > 0 ? last - 1 : 0) : (int)t;
    float w = last == 0 || t < j ? 0.0f : t > j + 1 ? 1.0f : (float)(t - j);
    size_t row = (size_t)j * n, up = last > 0 ? n : 0;
    const float *l0 = s->level + row, *l1 = l0 + up, *i0 = s->inverse + row, *i1 = i0 + up;
    for (size_t i = 0; i < n; i++) {
        float sky = l0[i] + w * (l1[i] - l0[i]), inv = i0[i] + w * (i1[i] - i0[i]);
        float v = (top[2 * i] + top[2 * i + 1] + low[2 * i] + low[2 * i + 1] - sky) * inv;
        out[i] = v == v ? v : 0.0f;
    }
}

/* pix: [2][width] */
static pl_status bin_band(const struct search *s, int r0, int rows, float *pix, float *out,
                          pl_err *err)
{
    int w = s->frame->width;
    pl_status st = PL_OK;
    for (int r = 0; r < rows && st == PL_OK; r++) {
        st = pl_frame_read(s->frame, 0, 2 * (r0 + r), w, 2, pix, err);
        if (st == PL_OK)
            bin_row(s, pix, pix + w, r0 + r, out + (size_t)r * (size_t)s->bw);
    }
    return st;
}

/* Four cells to one; a sum of four unit-noise values over 2 has unit noise again. */
PL_WIDE
static void halve(const float *in, int w, int h, float *out)
{
    size_t ow = (size_t)w / 2, oh = (size_t)h / 2;
    for (size_t y = 0; y < oh; y++) {
        const float *a = in + 2 * y * (size_t)w, *b = a + w;
        for (size_t x = 0; x < ow; x++)
            out[y * ow + x] = 0.5f * (a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1]);
    }
}

/* (1 2 1) x (1 2 1) / 6: unit noise in, unit noise out; the border stays 0. column: [w] scratch. */
PL_WIDE
static void smooth(const float *in, int w, int h, float *restrict column, float *restrict out)
{
    memset(out, 0, sizeof *out * (size_t)w);
    memset(out + (size_t)(h - 1) * (size_t)w, 0, sizeof *out * (size_t)w);
    for (int y = 1; y < h - 1; y++) {
        const float *b = in + (size_t)y * (size_t)w, *a = b - w, *c = b + w;
        float *restrict o = out + (size_t)y * (size_t)w;
        for (int x = 0; x < w; x++)
            column[x] = (a[x] + 2 * b[x] + c[x]) * (1.0f / 6);
        for (int x = 1; x < w - 1; x++)
            o[x] = column[x - 1] + 2 * column[x] + column[x + 1];
        o[0] = o[w - 1] = 0;
    }
}

static bool is_peak(const float *f, int w, size_t at)
{
    float v = f[at];
    const float *a = f + at - w, *c = f + at + w;
    /* >= on one side, > on the other: a plateau of two gives one peak */
    return v > a[-1] && v > a[0] && v > a[1] && v > f[at - 1] && v >= f[at + 1] && v >= c[-1] &&
           v >= c[0] && v >= c[1];
}

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
static float surroundings(const float *f, int w, int h, int x, int y)
{
    static const signed char way[8][2] = { { 4, 0 },  { 3, 3 },   { 0, 4 },  { -3, 3 },
                                           { -4, 0 }, { -3, -3 }, { 0, -4 }, { 3, -3 } };
    float v[8];
    int n = 0;
    if (x > 4 && y > 4 && x < w - 5 && y < h - 5) {
        const float *o = f + (size_t)y * (size_t)w + (size_t)x;
        for (int i = 0; i < 8; i++)
            v[i] = o[way[i][1] * (ptrdiff_t)w + way[i][0]];
        return median_of_8(v);
    }
    for (int i = 0; i < 8; i++) {
        int px = x + way[i][0], py = y + way[i][1];
        if (px > 0 && py > 0 && px < w - 1 && py < h - 1)
            v[n++] = f[(size_t)py * (size_t)w + (size_t)px];
    }
    return n ? pl_medianf(v, (size_t)n) : 0;
}

/* Best of the boxes of up to 2 x 2 cells that hold this cell, in sigma, each cell less `base`. */
static float best_box(const float *m, int w, size_t at, float base)
{
    float me = m[at] - base, best = me;
    for (int sx = -1; sx <= 1; sx += 2) {
        const float *o = m + (ptrdiff_t)at;
        float side = o[sx] - base;
        best = fmaxf(best, (me + side) * (float)M_SQRT1_2);
        for (int sy = -1; sy <= 1; sy += 2) {
            float up = o[(ptrdiff_t)sy * w] - base, corner = o[(ptrdiff_t)sy * w + sx] - base;
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

struct layer {
    const float *map, *smooth;
    int w, h, scale;
    int first, last; /* rows that belong to this band */
    int row0;        /* of the layer's first row in the whole frame */
};

/* A maximum of the smoothed map above its surroundings: keep it, with its place and its score. */
static pl_status weigh_peak(const struct layer *l, int x, int y, struct band *band)
{
    size_t at = (size_t)y * (size_t)l->w + (size_t)x;
    const float *f = l->smooth + at;
    float base = fmaxf(0, surroundings(l->smooth, l->w, l->h, x, y)), score = f[0] - base;
    if (l->scale == 0) /* 6 / 16: a level of the smoothed map in one cell of the other */
        score = fmaxf(score, best_box(l->map, l->w, at, base * (6.0f / 16)));
    if (score < KEEP)
        return PL_OK;
    int side = 2 << l->scale; /* of a cell, px */
    double cx = x + vertex(f[-1], f[0], f[1]);
    double cy = l->row0 + y + vertex(f[-l->w], f[0], f[l->w]);
    return keep(&band->found,
                (pl_bump){ (cx + 0.5) * side - 0.5, (cy + 0.5) * side - 0.5, score, l->scale },
                &band->err);
}

/* The map's noise is learnt from what stands above or below its surroundings; the median of eight
 * adds a tenth to it (measured on white noise by tests/unit/test_detect.c). */
static pl_status take_sample(const struct layer *l, int x, int y, struct band *band)
{
    float v = l->smooth[(size_t)y * (size_t)l->w + (size_t)x];
    v -= surroundings(l->smooth, l->w, l->h, x, y);
    return keep(&band->sample[l->scale], (pl_bump){ .score = v / 1.1f }, &band->err);
}

/* Peaks are rare: whether any of a run of pixels is bright is asked first, which vectorises. */
static bool any_bright(const float *f, int n)
{
    int bright = 0;
    for (int i = 0; i < n; i++)
        bright |= f[i] > FIRST_LOOK;
    return bright;
}

static pl_status scan_run(const struct layer *l, int y, int x0, int n, struct band *band)
{
    const float *f = l->smooth + (size_t)y * (size_t)l->w;
    pl_status st = PL_OK;
    if (!any_bright(f + x0, n))
        return PL_OK;
    for (int x = x0; x < x0 + n && st == PL_OK; x++)
        if (f[x] > FIRST_LOOK && is_peak(l->smooth, l->w, (size_t)y * (size_t)l->w + (size_t)x))
            st = weigh_peak(l, x, y, band);
    return st;
}

static pl_status scan(const struct layer *l, struct band *band)
{
    enum { RUN = 32 };
    size_t every = SAMPLE >> (2 * l->scale); /* as many samples of each scale */
    int last = l->last < l->h - 2 ? l->last : l->h - 2;
    for (int y = l->first > 2 ? l->first : 2; y < last; y++) {
        size_t row = (size_t)y * (size_t)l->w, at = (row + 2 + every - 1) / every * every;
        pl_status st = PL_OK;
        for (int x = 2; x < l->w - 2 && st == PL_OK; x += RUN)
            st = scan_run(l, y, x, x + RUN < l->w - 2 ? RUN : l->w - 2 - x, band);
        for (; at < row + (size_t)l->w - 2 && st == PL_OK; at += every)
            st = take_sample(l, (int)(at - row), y, band);
        if (st != PL_OK)
            return st;
    }
    return PL_OK;
}

static void search_band(void *ctx, size_t i, int worker)
{
    struct search *s = ctx;
    struct band *band = &s->band[i];
    int r0 = (int)i * BAND, r1 = r0 + BAND < s->bh ? r0 + BAND : s->bh;
    int top = r0 - HALO > 0 ? r0 - HALO : 0, end = r1 + HALO < s->bh ? r1 + HALO : s->bh;
    size_t size = (size_t)s->bw * (BAND + 2 * HALO);
    if (!s->room[worker])
        s->room[worker] = malloc(sizeof(float) * (2 * size + 2 * (size_t)s->frame->width));
    float *map = s->room[worker];
    if (!map) {
        pl_fail(&band->err, PL_ENOMEM, "out of memory for the search");
        return;
    }
    float *flat = map + size, *pix = flat + size;
    if (bin_band(s, top, end - top, pix, map, &band->err) == PL_OK) {
        int w = s->bw, h = end - top;
        for (int k = 0; k < SCALES && w >= 5 && h >= 5; k++) {
            smooth(map, w, h, pix, flat);
            struct layer l = { map, flat, w, h, k, (r0 - top) >> k, (r1 - top) >> k, top >> k };
            if (scan(&l, band) != PL_OK)
                break;
            halve(map, w, h, map);
            w /= 2;
            h /= 2;
        }
    }
}

/* Noise of the smoothed map of one scale: 1 for white noise, more where neighbours are correlated
 * (stacks, interpolated colours) or the sky is full of structure. */
static double map_noise(struct search *s, size_t bands, int scale, pl_err *err)
{
    size_t n = 0;
    for (size_t i = 0; i < bands; i++)
        n += s->band[i].sample[scale].n;
    double *v = malloc(sizeof *v * (n + 1));
    if (!v) {
        pl_fail(err, PL_ENOMEM, "out of memory for the search");
        return NAN;
    }
    n = 0;
    for (size_t i = 0; i < bands; i++)
        for (size_t j = 0; j < s->band[i].sample[scale].n; j++)
            v[n++] = s->band[i].sample[scale].item[j].score;
    double noise = n < 20 ? 1 : pl_mad_sigma(v, n, pl_median(v, n));
    free(v);
    return noise > 1 ? noise : 1;
}

static int by_score(const void *a, const void *b)
{
    const pl_bump *p = a, *q = b;
    if (p->score != q->score)
        return p->score < q->score ? 1 : -1;
    if (p->y_px != q->y_px)
        return p->y_px < q->y_px ? -1 : 1;
    return p->x_px < q->x_px ? -1 : p->x_px > q->x_px;
}

static pl_status gather(struct search *s, size_t bands, double limit, struct list *all, pl_err *err)
{
    double noise[SCALES];
    for (int k = 0; k < SCALES; k++) {
        noise[k] = map_noise(s, bands, k, err);
        if (!(noise[k] > 0))
            return PL_ENOMEM;
    }
    for (size_t i = 0; i < bands; i++) {
        if (s->band[i].err.code != PL_OK)
            return pl_fail(err, s->band[i].err.code, "%s", s->band[i].err.msg);
        for (size_t j = 0; j < s->band[i].found.n; j++) {
            pl_bump b = s->band[i].found.item[j];
            b.score /= (float)noise[b.scale];
            if (b.score >= limit && keep(all, b, err) != PL_OK)
                return PL_ENOMEM;
        }
    }
    if (all->n)
        qsort(all->item, all->n, sizeof *all->item, by_score);
    return PL_OK;
}

/* How bright, beside a bump, its own wings and the noise in them may look at distance d: the same
 * object within its core, three times a shallow Moffat (beta 2.5) and two sigma around it. */
static float own_light(const pl_bump *b, double d)
{
    double u = d / (1.75 * (1 << b->scale)); /* in half widths of a star that suits the scale */
    if (u < 1)
        return b->score;
    double t = 1 + 0.32 * u * u, wing = 3 / (t * t * sqrt(t));
    return (float)(b->score * wing + (u < 6 ? 2 : 0));
}

/* Walk from bright to faint, dropping what a brighter bump explains. */
static pl_status drop_shadows(struct list *all, int width, int height, pl_err *err)
{
    size_t kept = 0;
    pl_nearby near;
    pl_status st = pl_nearby_new(width, height, all->n, &near, err);
    if (st != PL_OK)
        return st;
    for (size_t i = 0; i < all->n; i++) {
        pl_bump b = all->item[i];
        bool shadow = false;
        int64_t k;
        for (pl_nearby_walk w = pl_nearby_start(&near, b.x_px, b.y_px);
             !shadow && (k = pl_nearby_next(&w)) >= 0;) {
            const pl_bump *o = &all->item[k];
            double d = hypot(o->x_px - b.x_px, o->y_px - b.y_px);
            shadow = d < PL_NEARBY_SIDE && b.score < own_light(o, d);
        }
        if (!shadow) {
            pl_nearby_add(&near, kept, b.x_px, b.y_px);
            all->item[kept++] = b;
        }
    }
    all->n = kept;
    pl_nearby_clear(&near);
    return PL_OK;
}

pl_status pl_detect(const pl_frame *frame, const pl_sky *sky, double limit, int jobs,
                    pl_bump **bump, size_t *n, pl_err *err)
{
    struct search s = {
        .frame = frame, .sky = sky, .bw = frame->width / 2, .bh = frame->height / 2
    };
    size_t bands = (size_t)(s.bh + BAND - 1) / BAND;
    struct list all = { NULL, 0, 0 };
    s.band = calloc(bands, sizeof *s.band);
    if (!s.band)
        return pl_fail(err, PL_ENOMEM, "out of memory for the search");
    pl_status st = widen_sky(&s, err);
    if (st == PL_OK)
        pl_pool_run(jobs, bands, search_band, &s);
    if (st == PL_OK)
        st = gather(&s, bands, limit, &all, err);
    if (st == PL_OK)
        st = drop_shadows(&all, frame->width, frame->height, err);
    for (size_t i = 0; i < bands; i++) {
        free(s.band[i].found.item);
        for (int k = 0; k < SCALES; k++)
            free(s.band[i].sample[k].item);
    }
    for (int i = 0; i < PL_POOL_MAX; i++)
        free(s.room[i]);
    free(s.band);
    free(s.level);
    free(s.inverse);
    if (st != PL_OK) {
        free(all.item);
        return st;
    }
    *bump = all.item;
    *n = all.n;
    return PL_OK;
}
