/* SPDX-License-Identifier: GPL-3.0-or-later */
/* donut.c - frames of one telescope in, its wavefront and collimation out: find the rings, fit each
 * one, average, judge. */
#include "donut.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_FRAMES = 64 };

typedef struct {
    pl_donut d;
    const pl_donut_options *options;
    pl_optic optic;
    double pixel_um, focal_mm;
    pl_ringfits shot[MOST_FRAMES];
    pl_wavefit_scope scope;
    pl_side side[MOST_FRAMES]; /* of each frame; as if the first stood outside while unknown */
    int jobs;
} work;

/* ---- what is known of the telescope */

static pl_status scope_facts(work *w, pl_err *err)
{
    pl_facts *f = &w->d.facts;
    double aperture = 0;
    pl_status rc = pl_facts_need(f, "aperture_mm", &aperture, err);
    if (rc == PL_OK)
        rc = pl_facts_need(f, "focal_mm", &w->focal_mm, err);
    if (rc == PL_OK)
        rc = pl_facts_need(f, "pixel_um", &w->pixel_um, err);
    if (rc != PL_OK)
        return rc;
    if (f->mirror_focal_mm.from == PL_FROM_NOWHERE) {
        f->mirror_focal_mm = (pl_num){ w->focal_mm, PL_FROM_DEFAULT };
        pl_note(&w->d.notes,
                "the mirror's own focal length taken as focal_mm: with a corrector that "
                "changes it, lengths of the axis are wrong (--mirror-focal-mm)");
    }
    w->optic = (pl_optic){ .aperture_mm = aperture,
                           .f_ratio = w->focal_mm / aperture,
                           .obstruction = f->obstruction.v };
    return PL_OK;
}

static double um_per_arcsec(const work *w)
{
    return 1000 * w->focal_mm * PL_ARCSEC_RAD;
}

static void settle_wavelength(work *w)
{
    w->optic.lambda_um = w->options->wavelength_um;
    if (isfinite(w->optic.lambda_um))
        return;
    w->optic.lambda_um = w->d.mosaic[0] ? 0.53 : 0.55;
    pl_note(&w->d.notes, "wavelength %g um by default (--wavelength)", w->optic.lambda_um);
}

/* Never told the obstruction, the rings show it. */
static void settle_obstruction(work *w)
{
    double ratio[MOST_FRAMES];
    size_t n = 0;
    if (isfinite(w->optic.obstruction))
        return;
    for (size_t i = 0; i < w->d.frames; i++)
        if (w->shot[i].fits > 0)
            ratio[n++] = w->shot[i].ring[0].inner_px / w->shot[i].ring[0].outer_px;
    w->optic.obstruction = n ? fmax(0, fmin(0.8, pl_median(ratio, n))) : 0;
    pl_note(&w->d.notes, "obstruction %.2f, as the ring shows it (--obstruction)",
            w->optic.obstruction);
}

static void settle_scope(work *w)
{
    const pl_facts *f = &w->d.facts;
    double radius = w->optic.aperture_mm / 2;
    settle_wavelength(w);
    settle_obstruction(w);
    w->d.lambda_um = w->optic.lambda_um;
    w->d.obstruction = w->optic.obstruction;
    w->scope = (pl_wavefit_scope){
        .grid = { .light = { { w->optic.lambda_um, 1 } },
                  .lights = 1,
                  .f_ratio = w->optic.f_ratio,
                  .pixel_um = w->pixel_um,
                  .seeing_um = 0.7 * um_per_arcsec(w) },
        .aperture = { .obstruction = w->optic.obstruction },
        .seeing_um = 2.2 * um_per_arcsec(w),
        .last = w->options->last,
    };
    if (f->vanes.v > 0 && f->vane_mm.v > 0 && isfinite(f->vane_deg.v)) {
        w->scope.aperture.vanes = (int)f->vanes.v;
        w->scope.aperture.vane_width = f->vane_mm.v / radius;
        w->scope.aperture.vane_deg = f->vane_deg.v;
    }
}

/* ---- rings and fits */

static pl_status open_all(work *w, const pl_frame *const *frame, pl_err *err)
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

/* The kind of the brightest wide object of all frames. */
static pl_ring_kind brightest(const work *w)
{
    const pl_ring *best = NULL;
    for (size_t i = 0; i < w->d.frames; i++)
        for (size_t k = 0; k < w->shot[i].rings; k++) {
            const pl_ring *r = &w->shot[i].ring[k];
            if (!best || r->flux_adu > best->flux_adu)
                best = r;
        }
    return best ? best->kind : PL_RING_SMALL;
}

/* How far the drawtube moves out for a ring of 60 px. */
static pl_status too_small(const work *w, pl_err *err)
{
    const pl_facts *f = &w->d.facts;
    double m = w->focal_mm / f->mirror_focal_mm.v,
           rides = strcmp(f->carries.s, "camera") ? m * m : 1;
    double travel_mm = 60 * w->pixel_um * w->optic.f_ratio / rides / 1000;
    char steps[40] = "";
    if (isfinite(f->step_um.v))
        snprintf(steps, sizeof steps, " (%.0f steps)", 1000 * travel_mm / f->step_um.v);
    return pl_fail(err, PL_ENODATA,
                   "no donut large enough to read: rack out by %.1f mm%s from focus, for a ring of "
                   "60 px, and try again",
                   travel_mm, steps);
}

/* What the frames hold instead of readable donuts, and what would help. */
static pl_status nothing_to_read(const work *w, pl_err *err)
{
    static const char *const words[PL_RING_KINDS] = {
        [PL_RING_SATURATED] = "the donut is clipped: expose shorter, or take a fainter star",
        [PL_RING_CUT] = "the donut is cut by the frame's edge: bring the star to the middle",
        [PL_RING_OVERLAP] = "the donuts lie over each other: take a star that stands alone, or "
                            "defocus less",
        [PL_RING_BROKEN] =
            "no whole ring: the star is too faint, something shades the tube (a hand? --hand), or "
            "the mirrors are far off: align them by eye or laser first",
    };
    const char *why = words[brightest(w)];
    return why ? pl_fail(err, PL_ENODATA, "%s", why) : too_small(w, err);
}

/* A fit's place in the row of all fits. */
static pl_ringfits *shot_of(work *w, size_t item, size_t *k)
{
    pl_ringfits *s = w->shot;
    for (; item >= s->fits; s++)
        item -= s->fits;
    *k = item;
    return s;
}

static void fit_one(void *ctx, size_t item, int worker)
{
    (void)worker;
    work *w = ctx;
    size_t k;
    pl_ringfits *s = shot_of(w, item, &k);
    pl_ringfits_run(s, k, &w->scope, NULL);
}

static pl_status fit_all(work *w, pl_err *err)
{
    size_t items = 0, done = 0;
    bool odd = true;
    for (size_t i = 0; i < w->d.frames; i++)
        items += w->shot[i].fits;
    if (items == 0)
        return nothing_to_read(w, err);
    settle_scope(w);
    pl_pool_run(w->jobs, items, fit_one, w);
    for (size_t i = 0; i < items; i++) {
        size_t k;
        const pl_ringfits *s = shot_of(w, i, &k);
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

/* ---- the mean */

static pl_shared as_outside(const pl_wavefit *fit)
{
    pl_shared s = pl_wavefront_shared(fit);
    if (s.p[pl_wavefit_of(4)] < 0)
        pl_wavefront_flip(&s);
    for (int a = 0; a < PL_WF_SHARED; a++)
        for (int b = 0; b < PL_WF_SHARED; b++)
            s.cov[a][b] *= fmax(1, fit->chi2);
    return s;
}

static void tell_seeing(const work *w, const pl_wavefit *fit, pl_wavefront *out)
{
    out->seeing_arcsec = exp(fit->p[PL_WF_LN_SEEING]) / um_per_arcsec(w);
    out->seeing_sigma_arcsec =
        out->seeing_arcsec * sqrt(fit->cov[PL_WF_LN_SEEING][PL_WF_LN_SEEING]);
}

/* All fits of one frame, averaged, signs as if outside. */
static pl_status mean_of_frame(const work *w, size_t i, pl_shared *out, bool *any, pl_err *err)
{
    static const double none[PL_WF_SHARED] = { 0 };
    const pl_ringfits *s = &w->shot[i];
    pl_shared *fit = calloc(s->fits + 1, sizeof *fit);
    size_t n = 0;
    if (!fit)
        return pl_fail(err, PL_ENOMEM, "out of memory for %zu donuts", s->fits);
    for (size_t k = 0; k < s->fits; k++)
        if (s->fit[k].done)
            fit[n++] = as_outside(&s->fit[k].wave);
    *any = n > 0;
    pl_status rc = n ? pl_wavefront_mean(fit, n, none, out, err) : PL_OK;
    free(fit);
    return rc;
}

/* The air's variance of each coefficient in one frame: foretold, and by the frames' own scatter. */
static void air_of(work *w, const pl_shared *frame, size_t n, double air[PL_WF_SHARED])
{
    enum { FORETOLD = 3 }; /* counts like so many frames */
    double seeing_rad = w->d.wave.seeing_arcsec * PL_ARCSEC_RAD, exposure = w->d.facts.exposure_s.v;
    for (int a = 0; a < PL_WF_SHARED; a++) {
        double mean = 0, off = 0;
        air[a] = a < PL_WF_SHADOW_X
                     ? pl_turbulence_variance(a + PL_NOLL_FIRST, &w->optic, seeing_rad, exposure)
                     : 0;
        for (size_t i = 0; i < n; i++)
            mean += frame[i].p[a] / (double)n;
        for (size_t i = 0; i < n && a != pl_wavefit_of(4); i++) /* each has its own defocus */
            off += fmax(0, pow(frame[i].p[a] - mean, 2) - frame[i].cov[a][a]);
        if (a < PL_WF_SHADOW_X)
            air[a] = a == pl_wavefit_of(4) ? air[a]
                                           : (FORETOLD * air[a] + off) / (double)(FORETOLD + n - 1);
    }
    if (!isfinite(exposure))
        pl_note(&w->d.notes,
                "exposure unknown: the air's share of the errors is that of an instant");
}

static void mean_seeing(work *w)
{
    double sum = 0, weight = 0;
    for (size_t i = 0; i < w->d.frames; i++)
        for (size_t k = 0; k < w->shot[i].fits; k++) {
            pl_wavefront v;
            if (!w->shot[i].fit[k].done)
                continue;
            tell_seeing(w, &w->shot[i].fit[k].wave, &v);
            double one = 1 / (v.seeing_sigma_arcsec * v.seeing_sigma_arcsec);
            sum += one * v.seeing_arcsec;
            weight += one;
        }
    w->d.wave.seeing_arcsec = sum / weight;
    w->d.wave.seeing_sigma_arcsec = 1 / sqrt(weight);
}

/* How far the focuser stood out, at the sensor, um; NaN when header and profile do not tell. */
static double travel_of(const work *w, const pl_frame *frame)
{
    const pl_facts *f = &w->d.facts;
    double m = w->focal_mm / f->mirror_focal_mm.v,
           rides = strcmp(f->carries.s, "camera") ? m * m : 1;
    return frame->facts.position_steps.v * f->step_um.v * f->outward.v * rides;
}

/* Sides by what the user says, else by the focuser's positions, else as if the first stood outside.
 * Gives: whether they are known. */
static bool settle_sides(const work *w, const pl_shared *frame, const size_t *which, size_t n,
                         pl_side *side)
{
    double travel[MOST_FRAMES], defocus[MOST_FRAMES];
    pl_wavefront one;
    pl_side first = w->options->side, other = first;
    for (size_t i = 0; i < n; i++) {
        pl_wavefront_tell(&frame[i], &w->optic, false, &one);
        travel[i] = travel_of(w, w->shot[which[i]].frame);
        defocus[i] = one.defocus_um;
    }
    if (first == PL_SIDE_UNKNOWN && pl_side_by_position(travel, defocus, n, side))
        return true;
    if (w->options->pair)
        other = first == PL_SIDE_IN ? PL_SIDE_OUT : PL_SIDE_IN;
    for (size_t i = 0; i < n; i++)
        side[i] = which[i] == 0 ? first : other;
    return first != PL_SIDE_UNKNOWN;
}

/* The mean in the terms of the trade; a secondary known to sit off centre may tell the side. */
static void tell(work *w, pl_shared *mean, bool known)
{
    double a7, a8;
    pl_wavefront seeing = w->d.wave;
    pl_wavefront_tell(mean, &w->optic, known, &w->d.wave);
    w->d.side = known ? w->side[0] : pl_side_by_shadow(&w->d.wave, w->d.facts.focuser_deg.v);
    if (!known && w->d.side != PL_SIDE_UNKNOWN) {
        if (w->d.side == PL_SIDE_IN) {
            pl_wavefront_flip(mean);
            for (size_t i = 0; i < w->d.frames; i++)
                w->side[i] = w->side[i] == PL_SIDE_IN ? PL_SIDE_OUT : PL_SIDE_IN;
        }
        pl_wavefront_tell(mean, &w->optic, true, &w->d.wave);
        pl_note(&w->d.notes, "the side of focus is told by the secondary's shadow, which lies away "
                             "from the focuser");
    }
    w->d.wave.seeing_arcsec = seeing.seeing_arcsec;
    w->d.wave.seeing_sigma_arcsec = seeing.seeing_sigma_arcsec;
    pl_wavefront_centred(mean, &a7, &a8);
    w->d.centred_coma_nm = 1000 * hypot(a7, a8);
}

/* Frames from one side, taken for a pair, contradict each other in what turns with the side. */
static void note_unequal(work *w, const pl_shared *frame, size_t n)
{
    static const int turning[] = { PL_WF_SHADOW_X, PL_WF_SHADOW_Y };
    double off = 0;
    for (size_t i = 0; n == 2 && i < PL_ARRAY_LEN(turning); i++) {
        int k = turning[i];
        double error2 = frame[0].cov[k][k] + frame[1].cov[k][k] + 1e-5; /* 0.3 % of the radius */
        off = fmax(off, pow(frame[0].p[k] - frame[1].p[k], 2) / error2);
    }
    if (off > 25)
        pl_note(&w->d.notes,
                "the two frames disagree about where the secondary sits: do they truly "
                "stand on opposite sides of focus?");
}

static pl_status mean_of_all(work *w, pl_err *err)
{
    pl_shared frame[MOST_FRAMES], mean;
    double air[PL_WF_SHARED];
    size_t n = 0, which[MOST_FRAMES];
    pl_side side[MOST_FRAMES];
    pl_status rc = PL_OK;
    for (size_t i = 0; i < w->d.frames && rc == PL_OK; i++) {
        bool any = false;
        rc = mean_of_frame(w, i, &frame[n], &any, err);
        which[n] = i;
        n += any;
    }
    if (rc != PL_OK)
        return rc;
    bool known = settle_sides(w, frame, which, n, side);
    for (size_t i = 0; i < n; i++) {
        w->side[which[i]] = side[i];
        if (side[i] == PL_SIDE_IN)
            pl_wavefront_flip(&frame[i]);
    }
    if (n == 0)
        return pl_fail(err, PL_ENODATA, "no fit to average");
    if (w->options->pair)
        note_unequal(w, frame, n);
    mean_seeing(w);
    air_of(w, frame, n, air);
    rc = pl_wavefront_mean(frame, n, air, &mean, err);
    if (rc != PL_OK)
        return rc;
    int a4 = pl_wavefit_of(4); /* of the first frame: on the other side it is another */
    mean.p[a4] = frame[0].p[a4];
    mean.cov[a4][a4] = frame[0].cov[a4][a4] + air[a4];
    tell(w, &mean, known);
    w->d.air_coma_nm = 1000 * sqrt(air[pl_wavefit_of(8)] / (double)n);
    return PL_OK;
}

/* ---- the stars of the answer */

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
static void take_fit(const work *w, pl_fitted *f, pl_donut_star *s)
{
    pl_shared shared = as_outside(&f->wave);
    if (w->side[s->frame] == PL_SIDE_IN)
        pl_wavefront_flip(&shared);
    pl_wavefront_tell(&shared, &w->optic, w->d.side != PL_SIDE_UNKNOWN, &s->wave);
    tell_seeing(w, &f->wave, &s->wave);
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

static void add_star(work *w, pl_ringfits *shot, size_t k)
{
    pl_donut_star *s = &w->d.star[w->d.stars++];
    *s = (pl_donut_star){ .frame = (size_t)(shot - w->shot), .misfit = NAN };
    take_ring(&shot->ring[k], s);
    if (k < shot->fits && shot->fit[k].done)
        take_fit(w, &shot->fit[k], s);
    else
        snprintf(s->reason, sizeof s->reason, "%s",
                 k < shot->fits && !shot->odd ? "no wavefront describes its light"
                                              : pl_ring_kind_name(shot->ring[k].kind));
    w->d.used += s->used;
}

/* Used ones first, in the order of frames and rings. */
static pl_status list_stars(work *w, pl_err *err)
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

static void note_doubts(work *w)
{
    pl_donut *d = &w->d;
    const pl_wavefront *v = &d->wave;
    double ideal = d->ideal_coma_nm;
    if (v->shadow_mm > 3 * v->shadow_sigma_mm && v->shadow_mm > 1)
        pl_note(&d->notes,
                "the secondary's shadow lies %.1f mm off the mirror's centre: by design on a fast "
                "Newtonian, no error of collimation",
                v->shadow_mm);
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
    double worst = 0;
    for (size_t i = 0; i < d->used; i++)
        worst = fmax(worst, d->star[i].misfit);
    if (worst > 3)
        pl_note(&d->notes,
                "the model leaves %.1f times the noise; the errors were widened by as much: are "
                "focal length, aperture and pixel size right?",
                sqrt(worst));
}

static pl_status judge(work *w, pl_err *err)
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

static pl_status answer(work *w, const pl_frame *const *frame, pl_err *err)
{
    pl_status rc = scope_facts(w, err);
    if (rc == PL_OK)
        rc = open_all(w, frame, err);
    if (rc == PL_OK)
        rc = fit_all(w, err);
    if (rc == PL_OK)
        rc = mean_of_all(w, err);
    if (rc == PL_OK)
        rc = list_stars(w, err);
    return rc == PL_OK ? judge(w, err) : rc;
}

pl_status pl_donut_measure(const pl_frame *const *frame, size_t frames, const pl_facts *facts,
                           const pl_donut_options *options, int jobs, pl_donut *out, pl_err *err)
{
    if (frames < 1 || frames > MOST_FRAMES)
        return pl_fail(err, PL_EARG, "%zu frames; 1 to %d are wanted", frames, MOST_FRAMES);
    if (options->pair && frames != 2)
        return pl_fail(err, PL_EARG, "a pair is two frames, %zu were given", frames);
    work *w = calloc(1, sizeof *w);
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
