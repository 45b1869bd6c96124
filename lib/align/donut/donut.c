/* SPDX-License-Identifier: GPL-3.0-or-later */
/* donut.c - frames of one telescope in, its wavefront and collimation out. */
#include "work.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- the stars */

static void take_ring(const pl_ring *r, pl_donut_star *s)
{
    s->x_px = r->x_px;
    s->y_px = r->y_px;
    s->outer_px = r->outer_px;
    s->inner_px = r->inner_px;
    s->hole_dx_px = r->hole_dx_px;
    s->hole_dy_px = r->hole_dy_px;
    s->hole_sigma_px = r->hole_sigma_px;
    s->centre_sigma_px = r->centre_sigma_px;
    s->snr = r->snr;
    memcpy(s->rim_px, r->rim_px, sizeof s->rim_px);
    memcpy(s->rim_sigma_px, r->rim_sigma_px, sizeof s->rim_sigma_px);
    memcpy(s->bore_px, r->bore_px, sizeof s->bore_px);
    memcpy(s->bore_sigma_px, r->bore_sigma_px, sizeof s->bore_sigma_px);
}

/* Stamp and model change hands. */
static void take_fit(const pl_donut_work *w, pl_fitted *f, pl_donut_star *s)
{
    pl_shared shared = pl_donut_as_outside(w, f);
    if (w->side[s->frame] == PL_SIDE_IN)
        pl_wavefront_flip(&shared);
    pl_wavefront_tell(&shared, &w->optic, w->d.side != PL_SIDE_UNKNOWN, &s->wave);
    pl_donut_tell_seeing(w, &f->wave, &s->wave);
    s->used = true;
    s->misfit = f->wave.chi2;
    s->unexplained = f->wave.unexplained;
    s->snr = f->wave.snr;
    s->side_px = f->stamp.size;
    s->x0_px = f->stamp.x0;
    s->y0_px = f->stamp.y0;
    s->seen = f->stamp.value;
    s->model = f->wave.model;
    for (int i = 0; i < s->side_px * s->side_px; i++)
        if (f->stamp.use[i] <= 0)
            s->seen[i] = NAN;
    f->stamp.value = NULL;
    f->wave.model = NULL;
}

static void add_star(pl_donut_work *w, pl_ringfits *shot, size_t k)
{
    pl_donut_star *s = &w->d.star[w->d.stars++];
    *s = (pl_donut_star){ .frame = (size_t)(shot - w->shot), .misfit = NAN };
    take_ring(&shot->ring[k], s);
    if (k < shot->fits && shot->fit[k].done)
        take_fit(w, &shot->fit[k], s);
    else
        snprintf(s->reason, sizeof s->reason, "%s",
                 k < shot->fits && !shot->odd    ? "no wavefront describes its light"
                 : shot->ring[k].kind == PL_RING ? "not needed"
                                                 : pl_ring_kind_name(shot->ring[k].kind));
    w->d.used += s->used;
}

/* Used ones first, in the order of frames and rings. */
static pl_status list_stars(pl_donut_work *w, pl_err *err)
{
    size_t all = 0;
    for (size_t i = 0; i < w->d.frames; i++)
        all += w->shot[i].rings;
    w->d.star = calloc(all + 1, sizeof *w->d.star);
    if (!w->d.star)
        return pl_fail(err, PL_ENOMEM, "out of memory for %zu donuts", all);
    for (int pass = 0; pass < 2; pass++)
        for (size_t i = 0; i < w->d.frames; i++)
            for (size_t k = 0; k < w->shot[i].rings; k++)
                if ((k < w->shot[i].fits && w->shot[i].fit[k].done) == (pass == 0))
                    add_star(w, &w->shot[i], k);
    return PL_OK;
}

/* ---- doubts */

/* Where the secondary belongs, off the axis; NaN when the facts do not tell. */
static double shadow_expected(const pl_facts *f)
{
    pl_secondary place;
    if (!isfinite(f->secondary_mm.v) || !isfinite(f->secondary_to_focus_mm.v) ||
        pl_secondary_place(f->aperture_mm.v, f->mirror_focal_mm.v, f->secondary_mm.v,
                           f->secondary_to_focus_mm.v, &place, NULL) != PL_OK)
        return NAN;
    return place.offset_mm;
}

static void note_shadow(pl_donut *d)
{
    const pl_wavefront *v = &d->wave;
    double expected = shadow_expected(&d->facts);
    bool off = v->shadow_mm > 3 * v->shadow_sigma_mm && v->shadow_mm > 1;
    if (isfinite(expected) && fabs(v->shadow_mm - expected) > 3 + 3 * v->shadow_sigma_mm)
        pl_note(
            &d->notes,
            "the secondary's shadow lies %.1f mm off the mirror's centre, %.1f mm are by design: "
            "look where the secondary sits",
            v->shadow_mm, expected);
    else if (off && isfinite(expected))
        pl_note(
            &d->notes,
            "the secondary's shadow lies %.1f mm off the mirror's centre, %.1f mm are by design: "
            "no error of collimation",
            v->shadow_mm, expected);
    else if (off)
        pl_note(
            &d->notes,
            "the secondary's shadow lies %.1f mm off the mirror's centre: usually by design on a "
            "fast Newtonian (plumb-zone tells how far), no error of collimation",
            v->shadow_mm);
}

static void note_misfit(pl_donut *d)
{
    double worst = 0, part = 0;
    for (size_t i = 0; i < d->used; i++) {
        worst = fmax(worst, d->star[i].misfit);
        part = fmax(part, d->star[i].unexplained);
    }
    if (part > 0.02 || worst > 3)
        pl_note(
            &d->notes,
            "the fit leaves %.1f %% of the ring's light unexplained, %.1f times the noise: dew, "
            "drift, warm air in the tube, or are focal length, aperture and pixel size wrong?",
            100 * part, sqrt(worst));
}

static void note_doubts(pl_donut_work *w)
{
    pl_donut *d = &w->d;
    const pl_wavefront *v = &d->wave;
    double ideal = d->ideal_coma_nm;
    note_shadow(d);
    if (!w->options->pair && fabs(d->centred_coma_nm - v->coma_nm) > 0.2 * d->growth_coma_nm)
        pl_note(&d->notes,
                "taken for centred, the shadow would turn coma into %.0f nm; a pair of frames, one "
                "inside and one outside focus (--pair), settles it",
                d->centred_coma_nm);
    if (v->trefoil_nm - 2 * v->trefoil_sigma_nm > ideal)
        pl_note(&d->notes, "trefoil %.0f nm: a mirror pinched by its clips or cell?",
                v->trefoil_nm);
    if (v->astigmatism_nm - 2 * v->astigmatism_sigma_nm > ideal)
        pl_note(&d->notes,
                "astigmatism %.0f nm: a strained mirror or flat, warm air, or a star far from the "
                "middle",
                v->astigmatism_nm);
    if (d->place_coma_nm > 0.3 * d->growth_coma_nm)
        pl_note(&d->notes,
                "without a corrector the star's place alone makes %.0f nm of coma: bring it to the "
                "middle, or say --corrected yes",
                d->place_coma_nm);
    note_misfit(d);
}

static pl_status judge(pl_donut_work *w, pl_err *err)
{
    double seeing = w->options->seeing_arcsec;
    w->d.tolerance_seeing_arcsec = isfinite(seeing) ? seeing : w->d.wave.seeing_arcsec;
    if (!isfinite(seeing))
        pl_note(&w->d.notes, "tolerance for the %.2g arcsec that the donuts show (--seeing)",
                w->d.wave.seeing_arcsec);
    pl_status rc = pl_collimation_judge(&w->d, &w->optic, err);
    if (rc == PL_OK)
        note_doubts(w);
    return rc;
}

static pl_status answer(pl_donut_work *w, const pl_frame *const *frame, pl_err *err)
{
    pl_status rc = pl_donut_scope_facts(w, err);
    if (rc == PL_OK)
        rc = pl_donut_find(w, frame, err);
    if (rc == PL_OK)
        rc = pl_donut_mean(w, err);
    if (rc == PL_OK)
        rc = list_stars(w, err);
    return rc == PL_OK ? judge(w, err) : rc;
}

pl_status pl_donut_measure(const pl_frame *const *frame, size_t frames, const pl_facts *facts,
                           const pl_donut_options *options, int jobs, pl_donut *out, pl_err *err)
{
    if (frames < 1 || frames > PL_DONUT_FRAMES)
        return pl_fail(err, PL_EARG, "%zu frames; 1 to %d are wanted", frames, PL_DONUT_FRAMES);
    if (options->pair && frames != 2)
        return pl_fail(err, PL_EARG, "a pair is two frames, %zu were given", frames);
    pl_donut_work *w = calloc(1, sizeof *w);
    if (!w)
        return pl_fail(err, PL_ENOMEM, "out of memory for %zu frames", frames);
    w->options = options;
    w->jobs = jobs;
    w->d = (pl_donut){ .frames = frames,
                       .width_px = frame[0]->width,
                       .height_px = frame[0]->height,
                       .facts = *facts };
    pl_facts_merge(&w->d.facts, &frame[0]->facts);
    pl_status rc = answer(w, frame, err);
    for (size_t i = 0; i < frames && rc == PL_OK; i++)
        rc = pl_frame_settled(frame[i], err);
    if (rc == PL_OK) {
        *out = w->d;
        w->d = (pl_donut){ 0 };
    }
    pl_donut_clear(&w->d);
    for (size_t i = 0; i < frames; i++)
        pl_ringfits_clear(&w->shot[i]);
    free(w);
    return rc;
}

void pl_donut_clear(pl_donut *d)
{
    for (size_t i = 0; i < d->stars; i++) {
        free(d->star[i].seen);
        free(d->star[i].model);
    }
    free(d->star);
    pl_notes_clear(&d->notes);
    *d = (pl_donut){ 0 };
}
