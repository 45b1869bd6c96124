/* SPDX-License-Identifier: GPL-3.0-or-later */
/* find.c - the rings of all frames and their fits; in words what is there when none can be
 * read. */
#include "work.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static pl_status open_all(pl_donut_work *w, const pl_frame *const *frame, pl_err *err)
{
    for (size_t i = 0; i < w->d.frames; i++) {
        if (frame[i]->width != w->d.width_px || frame[i]->height != w->d.height_px)
            return pl_fail(err, PL_EARG, "the frames differ in size; take them one at a time");
        pl_status rc = pl_ringfits_open(frame[i], &w->d.facts, w->jobs, &w->shot[i],
                                        i ? NULL : &w->d.notes, err);
        if (rc != PL_OK)
            return rc;
    }
    memcpy(w->d.mosaic, w->shot[0].mosaic, sizeof w->d.mosaic);
    return PL_OK;
}

/* The brightest wide object of all frames; NULL when there is none. */
static const pl_ring *brightest(const pl_donut_work *w)
{
    const pl_ring *best = NULL;
    for (size_t i = 0; i < w->d.frames; i++)
        for (size_t k = 0; k < w->shot[i].rings; k++) {
            const pl_ring *r = &w->shot[i].ring[k];
            if (!best || r->flux_adu > best->flux_adu)
                best = r;
        }
    return best;
}

/* How far the drawtube stands from focus for a ring of 60 px. */
static pl_status too_small(const pl_donut_work *w, pl_err *err)
{
    double travel_mm = 60 * w->pixel_um * w->optic.f_ratio / pl_carried(&w->d.facts) / 1000;
    char steps[40] = "";
    if (isfinite(w->d.facts.step_um.v))
        snprintf(steps, sizeof steps, " (%.0f steps)", 1000 * travel_mm / w->d.facts.step_um.v);
    return pl_fail(err, PL_ENODATA,
                   "no donut large enough to read: rack out by %.1f mm%s from focus, for a ring of "
                   "60 px; if it stands there already, take a brighter star",
                   travel_mm, steps);
}

/* What the frames hold instead of readable donuts, and what would help. */
static pl_status nothing_to_read(const pl_donut_work *w, pl_err *err)
{
    static const char *const words[PL_RING_KINDS] = {
        [PL_RING_SATURATED] = "the donut is clipped: expose shorter, or take a fainter star",
        [PL_RING_CUT] = "the donut is cut by the frame's edge: bring the star to the middle",
        [PL_RING_OVERLAP] = "rings lie over each other, or one is bent by strong coma: take a star "
                            "that stands alone, further out of focus",
        [PL_RING_BROKEN] =
            "no whole ring: take a brighter star, further out of focus; if it is dark "
            "on one side, something shades the tube (a hand? --hand)",
        [PL_RING_FILLED] =
            "wide light without a hole: no donut, or too faint or too near focus for "
            "its hole; take a brighter star, further out of focus",
    };
    const pl_ring *r = brightest(w);
    return r && words[r->kind] ? pl_fail(err, PL_ENODATA, "%s", words[r->kind]) : too_small(w, err);
}

/* A fit's place in the row of all fits. */
static pl_ringfits *shot_of(pl_donut_work *w, size_t item, size_t *k)
{
    pl_ringfits *s = w->shot;
    for (; item >= s->fits; s++)
        item -= s->fits;
    *k = item;
    return s;
}

struct fitting {
    pl_donut_work *w;
    pl_wavefit_kept kept[PL_POOL_MAX]; /* each worker's */
};

static void fit_one(void *ctx, size_t item, int worker)
{
    struct fitting *f = ctx;
    size_t k;
    pl_ringfits *s = shot_of(f->w, item, &k);
    s->fit[k].status = pl_ringfits_run(s, k, &f->w->scope, &f->kept[worker], &s->fit[k].err);
}

static pl_status fit_all(pl_donut_work *w, pl_err *err)
{
    size_t items = 0, done = 0;
    bool odd = true;
    for (size_t i = 0; i < w->d.frames; i++)
        items += w->shot[i].fits;
    if (items == 0)
        return nothing_to_read(w, err);
    pl_donut_scope_settle(w);
    struct fitting fitting = { .w = w };
    pl_pool_run(w->jobs, items, fit_one, &fitting);
    for (size_t i = 0; i < PL_POOL_MAX; i++)
        pl_psf_free(fitting.kept[i].psf);
    for (size_t i = 0; i < items; i++) {
        size_t k;
        const pl_ringfits *s = shot_of(w, i, &k);
        if (s->fit[k].status == PL_ENOMEM || s->fit[k].status == PL_EIO)
            return pl_fail(err, s->fit[k].status, "%s", s->fit[k].err.msg);
        done += s->fit[k].done;
        odd &= s->odd;
    }
    if (done == 0 && odd)
        return nothing_to_read(w, err);
    if (done == 0)
        return pl_fail(
            err, PL_ENODATA,
            "a ring, but no telescope's: no wavefront describes its light; are aperture, "
            "focal length and pixel size right?");
    return PL_OK;
}

/* Frames whose donuts say nothing are named; a pair needs both. */
static pl_status tell_unread(pl_donut_work *w, pl_err *err)
{
    for (size_t i = 0; i < w->d.frames; i++) {
        size_t done = 0;
        for (size_t k = 0; k < w->shot[i].fits; k++)
            done += w->shot[i].fit[k].done;
        if (done > 0)
            continue;
        if (w->options->pair)
            return pl_fail(err, PL_ENODATA,
                           "a pair needs a donut in both frames: frame %zu has none "
                           "that can be read",
                           i + 1);
        pl_note(&w->d.notes, "frame %zu has no donut that can be read, and is left out", i + 1);
    }
    return PL_OK;
}

pl_status pl_donut_find(pl_donut_work *w, const pl_frame *const *frame, pl_err *err)
{
    pl_status rc = open_all(w, frame, err);
    if (rc == PL_OK)
        rc = fit_all(w, err);
    return rc == PL_OK ? tell_unread(w, err) : rc;
}
