/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stars.c - all stars of a frame: sky, bumps, colours, a first look for the frame's typical width
 * and beta, then the best N spread over the field. */
#include "star.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double DETECT_LIMIT = 4.1; /* of the matched filter */
static const double START_BETA = 3.5;

enum { FIRST_LOOK = 128, FIRST_LOOK_MOST = 800, ENOUGH_SHAPES = 24, COLOUR_STARS = 200 };

/* A bump's turn: brightest of each square of the field first, then the second of each, ... */
struct turn {
    size_t bump, rank;
};

struct crew {
    pl_site site;
    const struct turn *turn;
    unsigned free;
    const pl_weight *weight;
    pl_star *star;   /* [items] */
    size_t *bump_of; /* [items] */
    pl_extra *extra; /* [items], or NULL */
};

static int by_turn(const void *a, const void *b)
{
    const struct turn *p = a, *q = b;
    if (p->rank != q->rank)
        return p->rank < q->rank ? -1 : 1;
    return p->bump < q->bump ? -1 : p->bump > q->bump; /* bumps are sorted by brightness */
}

/* The order in which bumps are measured, so that the best N are spread over the field. */
static struct turn *take_turns(const pl_bump *b, size_t n, int width, int height, size_t best)
{
    double squares = fmax(1, (best ? (double)best : 800.0) / 4);
    double side = sqrt((double)width * height / squares);
    int gx = (int)ceil(width / side), gy = (int)ceil(height / side);
    struct turn *t = malloc(sizeof *t * (n + 1));
    size_t *count = calloc((size_t)gx * (size_t)gy, sizeof *count);
    for (size_t i = 0; t && count && i < n; i++) {
        int x = (int)(b[i].x_px / side), y = (int)(b[i].y_px / side);
        t[i] = (struct turn){ i, count[y * gx + x]++ };
    }
    if (t && count)
        qsort(t, n, sizeof *t, by_turn);
    else {
        free(t);
        t = NULL;
    }
    free(count);
    return t;
}

static void measure_item(void *ctx, size_t i, int worker)
{
    (void)worker;
    struct crew *c = ctx;
    pl_measure_star(&c->site, c->turn[i].bump, c->free, c->weight, &c->star[i],
                    c->extra ? &c->extra[i] : NULL);
    c->bump_of[i] = c->turn[i].bump;
}

static bool plausible(const pl_star *s)
{
    return s->kind == PL_STAR && s->fwhm_px > 1.0 && s->fwhm_minor_px > 0.9 &&
           s->fwhm_sigma_px < 0.15 * s->fwhm_px && s->eccentricity < 0.97;
}

struct weighted {
    double value, weight;
};

static int by_value(const void *a, const void *b)
{
    const struct weighted *p = a, *q = b;
    return p->value < q->value ? -1 : p->value > q->value;
}

/* 1 / beta of the frame: the mean weighted by errors, of what lies within 3 sigma of the weighted
 * median; the median itself near zero, where the bound cuts the scatter of a Gaussian's 1 / beta on
 * one side and would push a mean off. */
static double typical_invbeta(struct weighted *w, size_t n)
{
    const double near_bound = 0.03;
    double all = 0, half = 0, sum = 0, weight = 0;
    for (size_t i = 0; i < n; i++)
        all += w[i].weight;
    qsort(w, n, sizeof *w, by_value);
    size_t m = 0;
    while (m + 1 < n && (half += w[m].weight) < 0.5 * all)
        m++;
    double median = w[m].value;
    for (size_t i = 0; i < n; i++)
        if (pow(w[i].value - median, 2) * w[i].weight < 9) {
            sum += w[i].value * w[i].weight;
            weight += w[i].weight;
        }
    return median < near_bound ? median : sum / weight;
}

/* Median width and stretch of the plausible stars, and one beta for the frame: it hardly differs
 * over a field, and free it would cost every star a third of its accuracy in width. */
static void summarise_shapes(const struct crew *c, size_t n, pl_site *site)
{
    double width[FIRST_LOOK_MOST], major[FIRST_LOOK_MOST];
    struct weighted shape[FIRST_LOOK_MOST];
    size_t m = 0, spiky = 0;
    for (size_t i = 0; i < n; i++)
        if (plausible(&c->star[i])) {
            spiky += c->extra[i].spikes > 0;
            width[m] = c->star[i].fwhm_px;
            major[m] = c->star[i].fwhm_major_px / c->star[i].fwhm_px;
            double e = hypot(c->extra[i].invbeta_sigma, 0.004);
            shape[m++] = (struct weighted){ 1 / c->star[i].beta, 1 / (e * e) };
        }
    if (m < 3)
        return;
    site->fwhm = pl_median(width, m);
    site->stretch = fmin(2, pl_median(major, m));
    site->beta = 1 / typical_invbeta(shape, m);
    site->keep_spikes = spiky > m / 4; /* a drift left them, not a sensor full of hot pixels */
}

/* The turns of clear bumps, for the first look: a free fit of what may be noise is slow and tells
 * nothing. Where hardly any is clear, the brightest as they come. Gives: how many. */
static size_t clear_turns(const struct crew *c, size_t turns, struct turn *out)
{
    enum { FEW = 6, BRIGHTEST = 48 };
    const float clear = 8; /* sigma */
    size_t n = 0;
    for (size_t i = 0; i < turns && n < FIRST_LOOK_MOST; i++)
        if (c->site.bump[c->turn[i].bump].score >= clear)
            out[n++] = c->turn[i];
    if (n >= FEW)
        return n;
    n = turns < BRIGHTEST ? turns : BRIGHTEST;
    for (size_t i = 0; i < n; i++) /* bumps are sorted by brightness */
        out[i] = (struct turn){ i, 0 };
    return n;
}

/* Width, stretch and beta of the frame from its clearest bumps, with beta free. */
static void first_look(struct crew *c, size_t turns, int jobs)
{
    pl_extra extra[FIRST_LOOK_MOST];
    struct turn turn[FIRST_LOOK_MOST];
    struct crew look = *c;
    size_t n = 0, good = 0, clear = clear_turns(c, turns, turn);
    look.free = PL_FREE_ALL;
    while (n < clear && good < ENOUGH_SHAPES) {
        size_t next = n + FIRST_LOOK < clear ? n + FIRST_LOOK : clear;
        look.turn = turn + n;
        look.star = c->star + n;
        look.bump_of = c->bump_of + n;
        look.extra = extra + n;
        pl_pool_run(jobs, next - n, measure_item, &look);
        for (; n < next; n++)
            good += plausible(&c->star[n]);
    }
    look.star = c->star;
    look.extra = extra;
    summarise_shapes(&look, n, &c->site);
}

/* Measure turn by turn until `best` stars are in hand. Chunks are a fixed size: the answer does not
 * depend on the number of threads. */
static size_t measure_turns(struct crew *c, size_t turns, size_t best, int jobs)
{
    size_t n = 0, good = 0;
    while (n < turns && (best == 0 || good < best)) {
        size_t want = best ? best - good + (best - good) / 8 + 16 : turns;
        size_t next = n + want < turns ? n + want : turns;
        struct crew part = *c;
        part.turn += n;
        part.star += n;
        part.bump_of += n;
        pl_pool_run(jobs, next - n, measure_item, &part);
        for (; n < next; n++)
            good += c->star[n].kind == PL_STAR;
    }
    return n;
}

static void colour_item(void *ctx, size_t i, int worker)
{
    (void)worker;
    struct crew *c = ctx;
    if (c->star[i].kind == PL_STAR)
        pl_measure_colours(&c->site, c->bump_of[i], &c->star[i]);
}

static int by_use(const void *a, const void *b)
{
    const pl_star *p = a, *q = b;
    bool pu = p->kind == PL_STAR, qu = q->kind == PL_STAR;
    if (pu != qu)
        return pu ? -1 : 1;
    double pf = pu ? p->flux_adu : p->snr, qf = pu ? q->flux_adu : q->snr;
    if (pf != qf)
        return pf < qf ? 1 : -1;
    return p->y_px < q->y_px ? -1 : p->y_px > q->y_px;
}

double pl_gain_of(const pl_facts *facts, const pl_sky *sky, pl_notes *notes)
{
    if (facts->gain_e_adu.from != PL_FROM_NOWHERE)
        return facts->gain_e_adu.v;
    double var = sky->noise_adu * sky->noise_adu;
    if (sky->sky_adu < 3 * sky->noise_adu) {
        pl_note(notes, "gain unknown and the sky already taken off: errors count sky noise alone "
                       "(give --gain-e-adu)");
        return 1e12;
    }
    pl_note(notes,
            "gain unknown: %.3g e/ADU guessed from the sky's level and noise; with a pedestal it "
            "is less, and the errors of bright stars more (give --gain-e-adu)",
            sky->sky_adu / var);
    return sky->sky_adu / var;
}

double pl_saturation_of(const pl_frame *frame, const pl_facts *facts)
{
    if (facts->saturation_adu.from != PL_FROM_NOWHERE)
        return facts->saturation_adu.v;
    return frame->bitpix == 16 ? 65535 : frame->bitpix == 8 ? 255 : INFINITY;
}

static pl_status prepare(const pl_frame *frame, const pl_facts *facts, int jobs, pl_sky *sky,
                         pl_bump **bump, size_t *bumps, pl_site *site, pl_notes *notes, pl_err *err)
{
    pl_spot spot[200];
    pl_status st = pl_sky_measure(frame, jobs, sky, err);
    if (st == PL_OK)
        st = pl_detect(frame, sky, DETECT_LIMIT, jobs, bump, bumps, err);
    if (st != PL_OK)
        return st;
    size_t n = *bumps < PL_ARRAY_LEN(spot) ? *bumps : PL_ARRAY_LEN(spot);
    for (size_t i = 0; i < n; i++)
        spot[i] = (pl_spot){ (*bump)[i].x_px, (*bump)[i].y_px };
    *site = (pl_site){
        .frame = frame, .sky = sky, .bump = *bump, .bumps = *bumps, .beta = START_BETA, .stretch = 1
    };
    st = pl_mosaic_decide(frame, sky, spot, n, facts, jobs, site->mosaic, notes, err);
    if (st == PL_OK && !site->mosaic[0])
        pl_sky_merge_phases(sky);
    site->gain = pl_gain_of(facts, sky, notes);
    site->saturation = pl_saturation_of(frame, facts);
    return st;
}

static void count(pl_stars *s)
{
    for (size_t i = 0; i < s->stars; i++)
        s->kind[s->star[i].kind]++;
    s->used = s->kind[PL_STAR];
    s->fitted = s->stars;
}

pl_status pl_stars_measure(const pl_frame *frame, const pl_facts *facts, size_t best, int jobs,
                           pl_stars *out, pl_notes *notes, pl_err *err)
{
    pl_sky sky = { 0 };
    pl_bump *bump = NULL;
    pl_nearby near = { 0 };
    struct turn *turn = NULL;
    pl_stars s = { 0 };
    struct crew crew = { 0 };
    atomic_bool unread = false;
    pl_weight weight;
    pl_status st = prepare(frame, facts, jobs, &sky, &bump, &s.found, &crew.site, notes, err);
    if (st == PL_OK)
        st = pl_nearby_new(frame->width, frame->height, s.found, &near, err);
    if (st != PL_OK)
        goto done;
    for (size_t i = 0; i < s.found; i++)
        pl_nearby_add(&near, i, bump[i].x_px, bump[i].y_px);
    crew.site.nearby = &near;
    crew.site.unread = &unread;
    crew.free = PL_FREE_SHAPE;
    if (best > s.found)
        best = 0;
    crew.turn = turn = take_turns(bump, s.found, frame->width, frame->height, best);
    crew.star = s.star = malloc(sizeof *s.star * (s.found + 1));
    crew.bump_of = malloc(sizeof *crew.bump_of * (s.found + 1));
    if (!turn || !s.star || !crew.bump_of) {
        st = pl_fail(err, PL_ENOMEM, "out of memory for %zu stars", s.found);
        goto done;
    }
    first_look(&crew, s.found, jobs);
    weight = pl_weight_for(crew.site.beta);
    crew.weight = &weight;
    s.stars = measure_turns(&crew, s.found, best, jobs);
    st = pl_vet_stars(&crew.site, crew.bump_of, s.star, s.stars, jobs, err);
    if (st == PL_OK && crew.site.mosaic[0])
        pl_pool_run(jobs, s.stars < COLOUR_STARS ? s.stars : COLOUR_STARS, colour_item, &crew);
    if (st == PL_OK && unread) /* no answer from what was left of it */
        st = pl_fail(err, PL_EIO,
                     "not all its stars could be read: it changed meanwhile, or the disc fails");
    if (st != PL_OK)
        goto done;
    qsort(s.star, s.stars, sizeof *s.star, by_use);
    count(&s);
    s.fwhm = crew.site.fwhm;
    s.beta = crew.site.beta;
    memcpy(s.mosaic, crew.site.mosaic, sizeof s.mosaic);
    s.sky_adu = sky.sky_adu;
    s.noise_adu = sky.noise_adu;
done:
    pl_sky_clear(&sky);
    pl_nearby_clear(&near);
    free(bump);
    free(turn);
    free(crew.bump_of);
    if (st != PL_OK)
        pl_stars_clear(&s);
    else
        *out = s;
    return st;
}

void pl_stars_clear(pl_stars *stars)
{
    free(stars->star);
    *stars = (pl_stars){ 0 };
}

const char *pl_kind_name(pl_kind kind)
{
    static const char *const name[PL_KINDS] = { "star",  "saturated", "blended", "edge", "sharp",
                                                "trail", "extended",  "faint",   "noise" };
    return (unsigned)kind < PL_KINDS ? name[kind] : "unknown";
}
