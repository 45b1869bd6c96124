/* SPDX-License-Identifier: GPL-3.0-or-later */
/* detect.c - find bumps: a matched filter at three octaves on the frame binned 2 x 2.
 *
 * Binning by two turns a colour mosaic grey and quarters the work. Each scale is a binned map in
 * units of its own noise, smoothed by (1 2 1) x (1 2 1) / 6 (octave.c), which is within 6 % of the
 * best filter for stars up to sqrt 2 off its own width (2 s1 s2 / (s1^2 + s2^2), derived). An
 * undersampled star that falls on a corner of four bins is weak in that filter; so each maximum is
 * also tried with the boxes of 1 x 1 to 2 x 2 bins that hold it. */
#include "octave.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    EACH = 2,         /* bands of a thread: each reads some rows of its neighbours */
    LEAST_BAND = 128, /* rows, in bins of two pixels, of a band */
    SAMPLE = 307,     /* every so many cells the map's noise is looked at, or more rarely, */
    SAMPLES = 24000   /* so that there are not more than this */
};

static const float FIRST_LOOK = 2.8f; /* a filtered maximum above this is looked at more closely */
static const float KEEP = 3.8f;       /* and kept for the final cut above this */

struct list {
    pl_bump *item;
    size_t n, cap;
};

struct band {
    struct list found;
    struct list sample[PL_OCTAVES]; /* scores at fixed places, to learn the maps' noise */
    pl_err err;
};

struct search {
    const pl_frame *frame;
    const pl_sky *sky;
    struct band *band;
    int bw, bh;               /* of the binned frame */
    int rows;                 /* of a band */
    size_t every;             /* cells from sample to sample */
    float *level, *inverse;   /* [sky->ny][bw] */
    float *room[PL_POOL_MAX]; /* each worker's rows, kept from band to band */
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

static void widen_row(void *ctx, size_t j, int worker)
{
    (void)worker;
    struct search *s = ctx;
    size_t n = (size_t)s->bw;
    pl_sky_bins(s->sky, (int)j, s->bw, s->level + j * n, s->inverse + j * n);
}

/* The sky's mesh, each row widened once to a column for each bin. */
static pl_status widen_sky(struct search *s, int jobs, pl_err *err)
{
    size_t all = (size_t)s->bw * (size_t)s->sky->ny;
    s->level = malloc(all * sizeof(float));
    s->inverse = malloc(all * sizeof(float));
    if (!s->level || !s->inverse)
        return pl_fail(err, PL_ENOMEM, "out of memory for the search");
    pl_pool_run(jobs, (size_t)s->sky->ny, widen_row, s);
    return PL_OK;
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

/* A row of a smoothed map and what lies around it. */
struct place {
    const pl_octave *o;
    int y;
    const float *around[PL_SMOOTH_ROWS]; /* smoothed rows from y - PL_AROUND on */
    const float **row;                   /* of y */
};

static bool is_peak(const struct place *p, int x)
{
    const float *a = p->row[-1] + x, *f = p->row[0] + x, *c = p->row[1] + x;
    float v = f[0];
    /* >= on one side, > on the other: a plateau of two gives one peak */
    return v > a[-1] && v > a[0] && v > a[1] && v > f[-1] && v >= f[1] && v >= c[-1] && v >= c[0] &&
           v >= c[1];
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
static pl_status weigh_peak(const struct place *p, int x, struct band *band)
{
    const float *above = p->row[-1] + x, *f = p->row[0] + x, *below = p->row[1] + x;
    float base = fmaxf(0, surroundings(p, x)), score = f[0] - base;
    if (p->o->scale == 0) /* 6 / 16: a level of the smoothed map in one cell of the other */
        score = fmaxf(score, best_box(p->o, x, p->y, base * (6.0f / 16)));
    if (score < KEEP)
        return PL_OK;
    int side = 2 << p->o->scale; /* of a cell, px */
    double cx = x + vertex(f[-1], f[0], f[1]), cy = p->y + vertex(above[0], f[0], below[0]);
    return keep(&band->found,
                (pl_bump){ (cx + 0.5) * side - 0.5, (cy + 0.5) * side - 0.5, score, p->o->scale },
                &band->err);
}

/* The map's noise is learnt from what stands above or below its surroundings; the median of eight
 * adds a tenth to it (measured on white noise by tests/unit/test_detect.c). */
static pl_status take_sample(const struct place *p, int x, struct band *band)
{
    float v = p->row[0][x] - surroundings(p, x);
    return keep(&band->sample[p->o->scale], (pl_bump){ .score = v / 1.1f }, &band->err);
}

enum { RUN = 32 };

/* Peaks are rare: whether any of a run of cells is bright is asked first, which vectorises. */
PL_WIDE
static void bright_runs(const float *f, int n, unsigned char *bright)
{
    for (; n >= RUN; n -= RUN, f += RUN, bright++) {
        int any = 0;
        for (int i = 0; i < RUN; i++)
            any |= f[i] > FIRST_LOOK;
        *bright = any != 0;
    }
    *bright = 1; /* the rest is looked at anyway */
}

static pl_status scan_run(const struct place *p, int x, int end, struct band *band)
{
    pl_status st = PL_OK;
    for (; x < end && st == PL_OK; x++)
        if (p->row[0][x] > FIRST_LOOK && is_peak(p, x))
            st = weigh_peak(p, x, band);
    return st;
}

/* What a worker goes along its band with. */
struct walk {
    struct search *s;
    struct band *band;
    unsigned char *bright; /* [bw / RUN + 1] */
};

static pl_status scan(void *ctx, const pl_octave *o, int y)
{
    struct walk *walk = ctx;
    struct place p = { .o = o, .y = y };
    for (int i = 0; i < PL_SMOOTH_ROWS; i++) /* rows beyond the border are not asked for */
        p.around[i] = pl_octave_smooth(o, y < PL_AROUND - i ? 0 : y + i - PL_AROUND);
    p.row = p.around + PL_AROUND;
    size_t every = walk->s->every >> (2 * o->scale); /* as many samples of each scale */
    size_t row = (size_t)y * (size_t)o->w, at = (row + 2 + every - 1) / every * every;
    int end = o->w - 2;
    pl_status st = PL_OK;
    bright_runs(p.row[0] + 2, end - 2, walk->bright);
    for (int x = 2, i = 0; x < end && st == PL_OK; x += RUN, i++)
        if (walk->bright[i])
            st = scan_run(&p, x, x + RUN < end ? x + RUN : end, walk->band);
    for (; at < row + (size_t)end && st == PL_OK; at += every)
        st = take_sample(&p, (int)(at - row), walk->band);
    return st;
}

static void search_band(void *ctx, size_t i, int worker)
{
    struct search *s = ctx;
    struct band *band = &s->band[i];
    pl_octave octave[PL_OCTAVES];
    int first = (int)i * s->rows, end = first + s->rows < s->bh ? first + s->rows : s->bh, last;
    int w = s->frame->width;
    size_t size = pl_octaves_room(s->bw), pixels = 2 * (size_t)w;
    if (!s->room[worker])
        s->room[worker] = malloc(sizeof(float) * (size + pixels) + (size_t)s->bw / RUN + 1);
    float *rows = s->room[worker];
    if (!rows) {
        pl_fail(&band->err, PL_ENOMEM, "out of memory for the search");
        return;
    }
    float *pix = rows + size;
    struct walk walk = { s, band, (unsigned char *)(pix + pixels) };
    int y = pl_octaves_start(octave, s->bw, s->bh, first, end, rows, &last);
    for (pl_status st = PL_OK; y <= last && st == PL_OK; y++) {
        st = pl_frame_read(s->frame, 0, 2 * y, w, 2, pix, &band->err);
        if (st != PL_OK)
            break;
        bin_row(s, pix, pix + w, y, pl_octave_row(&octave[0], y));
        st = pl_octaves_feed(octave, y, scan, &walk);
    }
}

/* Of all that is cut for threads, bands alone may depend on how many there are: maxima and samples
 * are those of the whole map wherever it is cut (test_octave.c), and the list is sorted. */
static size_t plan_bands(struct search *s, int jobs)
{
    jobs = jobs < 1 ? pl_pool_cpus() : jobs;
    int bands = jobs > 1 ? EACH * jobs : 1, most = s->bh / LEAST_BAND;
    bands = bands < most ? bands : most > 1 ? most : 1;
    s->rows = (s->bh + bands - 1) / bands;
    s->rows = (s->rows + 3) / 4 * 4;
    s->every = SAMPLE;
    while ((size_t)s->bw * (size_t)s->bh / s->every > SAMPLES)
        s->every = 2 * s->every + 1;
    return (size_t)((s->bh + s->rows - 1) / s->rows);
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
    double noise[PL_OCTAVES];
    for (int k = 0; k < PL_OCTAVES; k++) {
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
    size_t bands = plan_bands(&s, jobs);
    struct list all = { NULL, 0, 0 };
    s.band = calloc(bands, sizeof *s.band);
    if (!s.band)
        return pl_fail(err, PL_ENOMEM, "out of memory for the search");
    pl_status st = widen_sky(&s, jobs, err);
    if (st == PL_OK)
        pl_pool_run(jobs, bands, search_band, &s);
    if (st == PL_OK)
        st = gather(&s, bands, limit, &all, err);
    if (st == PL_OK)
        st = drop_shadows(&all, frame->width, frame->height, err);
    for (size_t i = 0; i < bands; i++) {
        free(s.band[i].found.item);
        for (int k = 0; k < PL_OCTAVES; k++)
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
