/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ringfit.c - one frame's donuts: find the rings, cut out the readable ones, fit each. */
#include "donut.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { MARGIN_PX = 32, MOST_FITS = 24, MOST_TRIES = 3, LEAST_PX = 16, MOST_PX = 400 };

static const double DESCRIBED = 0.025; /* of an odd ring's light may stay unexplained ... */
static const double TELLING = 10;      /* ... where a pixel's signal to noise would show more */

/* A ring that coma or trefoil bent out of shape, or whose hole spherical closed: the model must
 * say.
 */
static bool may_be_ring(const pl_ring *r)
{
    bool odd = r->kind == PL_RING_BROKEN || r->kind == PL_RING_OVERLAP ||
               r->kind == PL_RING_SMALL ||
               (r->kind == PL_RING_FILLED && r->outer_px >= 2 * LEAST_PX);
    return odd && r->outer_px >= LEAST_PX && r->outer_px <= MOST_PX && isfinite(r->flux_adu) &&
           isfinite(r->noise_adu);
}

/* Whole rings; without any, the brightest odd ones are tried, moved to the front. */
static void choose(pl_ringfits *s)
{
    while (s->fits < s->rings && s->fits < MOST_FITS && s->ring[s->fits].kind == PL_RING)
        s->fits++;
    s->odd = s->fits == 0;
    for (size_t k = 0; s->odd && k < s->rings && s->fits < MOST_TRIES; k++)
        if (may_be_ring(&s->ring[k])) {
            pl_ring r = s->ring[k];
            s->ring[k] = s->ring[s->fits];
            s->ring[s->fits++] = r;
        }
}

pl_status pl_ringfits_open(const pl_frame *frame, const pl_facts *told, int jobs, pl_ringfits *out,
                           pl_notes *notes, pl_err *err)
{
    pl_ringfits s = { .frame = frame };
    pl_sky sky = { 0 };
    pl_facts facts = *told;
    pl_facts_merge(&facts, &frame->facts);
    pl_status rc = pl_sky_measure(frame, jobs, &sky, err);
    if (rc == PL_OK)
        rc = pl_mosaic_decide(frame, &sky, NULL, 0, &facts, 1, s.mosaic, notes, err);
    if (rc == PL_OK) {
        s.gain = pl_gain_of(&facts, &sky, notes);
        s.saturation = pl_saturation_of(frame, &facts);
        rc = pl_rings_find(frame, s.mosaic, s.saturation, jobs, &s.ring, &s.rings, err);
    }
    pl_sky_clear(&sky);
    if (rc != PL_OK)
        return rc;
    choose(&s);
    s.fit = calloc(s.fits + 1, sizeof *s.fit);
    if (!s.fit) {
        free(s.ring);
        return pl_fail(err, PL_ENOMEM, "out of memory for %zu donuts", s.fits);
    }
    *out = s;
    return PL_OK;
}

void pl_ringfits_clear(pl_ringfits *s)
{
    for (size_t k = 0; k < s->fits; k++) {
        pl_wavefit_clear(&s->fit[k].wave);
        free(s->fit[k].stamp.value);
        free(s->fit[k].stamp.use);
    }
    free(s->fit);
    free(s->ring);
    *s = (pl_ringfits){ 0 };
}

/* ---- stamps */

bool pl_ringfits_green(const pl_ringfits *s, int x, int y)
{
    return !s->mosaic[0] || s->mosaic[2 * (y & 1) + (x & 1)] == 'G';
}

/* Room around a ring; more where it is bent or its hole thrown far, since its light flares far. */
static double margin_of(const pl_ringfits *s, const pl_ring *r)
{
    double thrown = hypot(r->hole_dx_px, r->hole_dy_px) - 0.1 * r->outer_px;
    return MARGIN_PX + (s->odd ? 0.5 * r->outer_px : thrown > 0 ? 2 * thrown : 0);
}

static void mask_stamp(const pl_ringfits *s, const pl_ring *me, pl_wavefit_stamp *st)
{
    size_t side = (size_t)st->size, area = side * side;
    for (size_t i = 0; i < area; i++) {
        int x = st->x0 + (int)(i % side), y = st->y0 + (int)(i / side);
        bool use = isfinite(st->value[i]) && st->value[i] < s->saturation &&
                   pl_ringfits_green(s, x, y) &&
                   hypot(x - me->x_px, y - me->y_px) < (me->outer_px + margin_of(s, me)) / 2;
        for (size_t k = 0; use && k < s->rings; k++) {
            const pl_ring *o = &s->ring[k];
            use = o == me || !(hypot(x - o->x_px, y - o->y_px) < 0.55 * o->outer_px + 3);
        }
        st->use[i] = use;
    }
}

/* The square around a ring; what lies outside the frame is NaN. */
static pl_status cut_stamp(const pl_ringfits *s, const pl_ring *r, pl_wavefit_stamp *st,
                           pl_err *err)
{
    const pl_frame *f = s->frame;
    int size = 2 * (int)ceil((r->outer_px + margin_of(s, r)) / 2);
    st->size = size;
    st->x0 = (int)lround(r->x_px) - size / 2;
    st->y0 = (int)lround(r->y_px) - size / 2;
    st->sky_adu = r->sky_adu;
    st->noise_adu = r->noise_adu;
    size_t area = (size_t)size * (size_t)size;
    st->value = malloc(area * sizeof *st->value);
    st->use = malloc(area * sizeof *st->use);
    if (!st->value || !st->use)
        return pl_fail(err, PL_ENOMEM, "out of memory for a donut of %d px", size);
    for (size_t i = 0; i < area; i++)
        st->value[i] = NAN;
    int x0 = st->x0 < 0 ? 0 : st->x0, x1 = st->x0 + size > f->width ? f->width : st->x0 + size;
    for (int y = 0; y < size; y++) {
        int row = st->y0 + y;
        if (row < 0 || row >= f->height)
            continue;
        pl_status rc =
            pl_frame_read(f, x0, row, x1 - x0, 1, &st->value[y * size + x0 - st->x0], err);
        if (rc != PL_OK)
            return rc;
    }
    mask_stamp(s, r, st);
    return PL_OK;
}

pl_status pl_ringfits_run(pl_ringfits *s, size_t k, const pl_wavefit_scope *scope,
                          pl_wavefit_kept *kept, pl_err *err)
{
    const pl_ring *r = &s->ring[k];
    pl_fitted *f = &s->fit[k];
    pl_wavefit_scope mine = *scope;
    pl_wavefit_start start = { r->x_px, r->y_px, r->outer_px, r->flux_adu };
    mine.kept = kept;
    mine.gain = s->gain;
    mine.hasty = s->fits > MOST_TRIES;
    pl_status rc = cut_stamp(s, r, &f->stamp, err);
    if (rc == PL_OK)
        rc = pl_wavefit_run(&mine, &f->stamp, &start, &f->wave, err);
    f->done =
        rc == PL_OK && (!s->odd || (f->wave.unexplained < DESCRIBED && f->wave.snr > TELLING &&
                                    f->wave.left_out < f->wave.pixels / 100));
    return rc;
}
