/* SPDX-License-Identifier: GPL-3.0-or-later */
/* detect.c - find bumps: a matched filter at three octaves on the frame binned 2 x 2.
 *
 * Binning by two turns a colour mosaic grey and quarters the work. Each scale is a binned map in
 * units of its own noise, smoothed by (1 2 1) x (1 2 1) / 6 (octave.c), which is within 6 % of the
 * best filter for stars up to sqrt 2 off its own width (2 s1 s2 / (s1^2 + s2^2), derived). An
 * undersampled star that falls on a corner of four bins is weak in that filter; so each maximum is
 * also tried with the boxes of 1 x 1 to 2 x 2 bins that hold it (peak.c). */
#include "peak.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    EACH = 2,         /* bands of a thread: each reads some rows of its neighbours */
    LEAST_BAND = 128, /* rows, in bins of two pixels, of a band */
    SAMPLE = 307,     /* every so many cells the map's noise is looked at, or more rarely, */
    SAMPLES = 24000   /* so that there are not more than this */
};

struct search {
    const pl_frame *frame;
    const pl_sky *sky;
    pl_peaks *band; /* what is found in each */
    int bw, bh;     /* of the binned frame */
    int rows;       /* of a band */
    double limit;   /* of a score, sigma */
    size_t bands;
    double noise[PL_OCTAVES]; /* of the smoothed maps */
    size_t every;             /* cells from sample to sample */
    float *level, *inverse;   /* [sky->ny][bw] */
    float *room[PL_POOL_MAX]; /* each worker's rows, kept from band to band */
};

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

/* A row of bins in units of their noise about the sky; blanks become 0 (no evidence). */
PL_WIDE
static void level_row(const struct search *s, int by, float *restrict bin)
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
        float v = (bin[i] - sky) * inv;
        bin[i] = v == v ? v : 0.0f;
    }
}

/* What a worker goes along its band with. */
struct walk {
    pl_peaks *band;
    size_t every;
};

static pl_status look(void *ctx, const pl_octave *o, int y)
{
    struct walk *walk = ctx; /* as many samples of each scale */
    return pl_peaks_look(o, y, walk->every >> (2 * o->scale), walk->band);
}

static void search_band(void *ctx, size_t i, int worker)
{
    struct search *s = ctx;
    pl_peaks *band = &s->band[i];
    pl_octave octave[PL_OCTAVES];
    int first = (int)i * s->rows, end = first + s->rows < s->bh ? first + s->rows : s->bh, last;
    size_t size = pl_octaves_room(s->bw), pixels = 2 * (size_t)s->frame->width;
    if (!s->room[worker])
        s->room[worker] = malloc(sizeof(float) * (size + pixels));
    float *rows = s->room[worker];
    if (!rows) {
        pl_fail(&band->err, PL_ENOMEM, "out of memory for the search");
        return;
    }
    struct walk walk = { band, s->every };
    int y = pl_octaves_start(octave, s->bw, s->bh, first, end, rows, &last);
    for (pl_status st = PL_OK; y <= last && st == PL_OK; y++) {
        float *bin = pl_octave_row(&octave[0], y);
        st = pl_frame_bins(s->frame, y, rows + size, bin, &band->err);
        if (st != PL_OK)
            break;
        level_row(s, y, bin);
        st = pl_octaves_feed(octave, y, look, &walk);
    }
}

/* Of all that is cut for threads, bands alone may depend on how many there are: maxima and samples
 * are those of the whole map wherever it is cut (test_octave.c), and the list is sorted. */
static void plan_bands(struct search *s, int jobs)
{
    jobs = jobs < 1 ? pl_pool_cpus() : jobs < PL_POOL_MAX ? jobs : PL_POOL_MAX;
    int bands = jobs > 1 ? EACH * jobs : 1, most = s->bh / LEAST_BAND;
    bands = bands < most ? bands : most > 1 ? most : 1;
    s->rows = (s->bh + bands - 1) / bands;
    s->rows = (s->rows + 3) / 4 * 4;
    s->every = SAMPLE;
    while ((size_t)s->bw * (size_t)s->bh / s->every > SAMPLES)
        s->every = 2 * s->every + 1;
    s->bands = (size_t)((s->bh + s->rows - 1) / s->rows);
}

/* Noise of the smoothed map of one scale: 1 for white noise, more where neighbours are correlated
 * (stacks, interpolated colours) or the sky is full of structure. */
static void learn_noise(void *ctx, size_t scale, int worker)
{
    (void)worker;
    struct search *s = ctx;
    size_t n = 0;
    for (size_t i = 0; i < s->bands; i++)
        n += s->band[i].sample[scale].n;
    double *v = malloc(sizeof *v * (n + 1));
    s->noise[scale] = NAN; /* no memory */
    if (!v)
        return;
    n = 0;
    for (size_t i = 0; i < s->bands; i++)
        for (size_t j = 0; j < s->band[i].sample[scale].n; j++)
            v[n++] = s->band[i].sample[scale].item[j].score;
    double noise = n < 20 ? 1 : pl_mad_sigma(v, n, pl_median(v, n));
    free(v);
    s->noise[scale] = noise > 1 ? noise : 1;
}

static int by_score(const void *a, const void *b)
{
    const pl_bump *p = a, *q = b;
    if (p->score != q->score)
        return p->score < q->score ? 1 : -1;
    if (p->y_px != q->y_px)
        return p->y_px < q->y_px ? -1 : 1;
    if (p->x_px != q->x_px)
        return p->x_px < q->x_px ? -1 : 1;
    return p->scale - q->scale;
}

/* A band's scores in true sigma; what is left above the limit, from bright to faint. */
static void settle_band(void *ctx, size_t i, int worker)
{
    (void)worker;
    struct search *s = ctx;
    pl_bumps *found = &s->band[i].found;
    size_t n = 0;
    for (size_t j = 0; j < found->n; j++) {
        pl_bump b = found->item[j];
        b.score /= (float)s->noise[b.scale];
        if (b.score >= s->limit)
            found->item[n++] = b;
    }
    found->n = n;
    if (n)
        qsort(found->item, n, sizeof *found->item, by_score);
}

/* All bands' bumps in one list, from bright to faint. */
static pl_status merge(const struct search *s, pl_bumps *all, pl_err *err)
{
    size_t *at = calloc(s->bands, sizeof *at), n = 0;
    for (size_t i = 0; i < s->bands; i++)
        n += s->band[i].found.n;
    all->item = malloc(sizeof *all->item * (n + 1));
    if (!at || !all->item) {
        free(at);
        return pl_fail(err, PL_ENOMEM, "out of memory for the search");
    }
    for (all->n = 0; all->n < n; all->n++) {
        size_t best = s->bands;
        for (size_t i = 0; i < s->bands; i++)
            if (at[i] < s->band[i].found.n &&
                (best == s->bands ||
                 by_score(&s->band[i].found.item[at[i]], &s->band[best].found.item[at[best]]) < 0))
                best = i;
        all->item[all->n] = s->band[best].found.item[at[best]++];
    }
    free(at);
    return PL_OK;
}

static pl_status gather(struct search *s, int jobs, pl_bumps *all, pl_err *err)
{
    for (size_t i = 0; i < s->bands; i++)
        if (s->band[i].err.code != PL_OK)
            return pl_fail(err, s->band[i].err.code, "%s", s->band[i].err.msg);
    pl_pool_run(jobs, PL_OCTAVES, learn_noise, s);
    for (int k = 0; k < PL_OCTAVES; k++)
        if (!(s->noise[k] > 0))
            return pl_fail(err, PL_ENOMEM, "out of memory for the search");
    pl_pool_run(jobs, s->bands, settle_band, s);
    return merge(s, all, err);
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
static pl_status drop_shadows(pl_bumps *all, int width, int height, pl_err *err)
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
            double dx = o->x_px - b.x_px, dy = o->y_px - b.y_px, d2 = dx * dx + dy * dy;
            shadow = d2 < PL_NEARBY_SIDE * PL_NEARBY_SIDE && b.score < own_light(o, sqrt(d2));
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
        .frame = frame, .sky = sky, .bw = frame->width / 2, .bh = frame->height / 2, .limit = limit
    };
    plan_bands(&s, jobs);
    pl_bumps all = { NULL, 0, 0 };
    s.band = calloc(s.bands, sizeof *s.band);
    if (!s.band)
        return pl_fail(err, PL_ENOMEM, "out of memory for the search");
    pl_status st = widen_sky(&s, jobs, err);
    if (st == PL_OK)
        pl_pool_run(jobs, s.bands, search_band, &s);
    if (st == PL_OK)
        st = gather(&s, jobs, &all, err);
    if (st == PL_OK)
        st = drop_shadows(&all, frame->width, frame->height, err);
    for (size_t i = 0; i < s.bands; i++)
        pl_peaks_clear(&s.band[i]);
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
