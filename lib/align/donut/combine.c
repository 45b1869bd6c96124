/* SPDX-License-Identifier: GPL-3.0-or-later */
/* combine.c - from the fits of all frames to the one wavefront they share: what coma the field
 * has by itself, the side of focus, the air, the mean. */
#include "work.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* ---- one fit */

pl_shared pl_donut_as_outside(const pl_donut_work *w, const pl_fitted *fit)
{
    pl_shared s = pl_wavefront_shared(&fit->wave);
    double x, y;
    if (s.p[pl_wavefit_of(4)] < 0)
        pl_wavefront_flip(&s);
    pl_donut_place(w, &fit->wave, &x, &y);
    s.p[pl_wavefit_of(8)] -= w->field_coma * x;
    s.p[pl_wavefit_of(7)] -= w->field_coma * y;
    for (int a = 0; a < PL_WF_SHARED; a++)
        for (int b = 0; b < PL_WF_SHARED; b++)
            s.cov[a][b] *= fmax(1, fit->wave.chi2);
    return s;
}

void pl_donut_tell_seeing(const pl_donut_work *w, const pl_wavefit *fit, pl_wavefront *out)
{
    out->seeing_arcsec = exp(fit->p[PL_WF_LN_SEEING]) / pl_donut_um_per_arcsec(w);
    out->seeing_sigma_arcsec =
        out->seeing_arcsec * sqrt(fit->cov[PL_WF_LN_SEEING][PL_WF_LN_SEEING]);
}

/* ---- the mean */

/* All fits of one frame, averaged, signs as if outside. */
static pl_status mean_of_frame(const pl_donut_work *w, size_t i, pl_shared *out, bool *any,
                               pl_err *err)
{
    static const double none[PL_WF_SHARED] = { 0 };
    const pl_ringfits *s = &w->shot[i];
    pl_shared *fit = calloc(s->fits + 1, sizeof *fit);
    size_t n = 0;
    if (!fit)
        return pl_fail(err, PL_ENOMEM, "out of memory for %zu donuts", s->fits);
    for (size_t k = 0; k < s->fits; k++)
        if (s->fit[k].done)
            fit[n++] = pl_donut_as_outside(w, &s->fit[k]);
    *any = n > 0;
    pl_status rc = n ? pl_wavefront_mean(fit, n, none, out, err) : PL_OK;
    free(fit);
    return rc;
}

/* Two coefficients' scatter between frames against what photons and the air explain. */
static bool differ(const pl_shared *frame, size_t n, const double *foretold, int k)
{
    double mean = 0, off = 0, error = 0;
    for (size_t i = 0; i < n; i++)
        mean += frame[i].p[k] / (double)n;
    for (size_t i = 0; i < n; i++) {
        off += pow(frame[i].p[k] - mean, 2) / fmax(1, (double)n - 1);
        error += frame[i].cov[k][k] / (double)n;
    }
    return off > 25 * (foretold[k] + error);
}

static void note_moved(pl_donut_work *w, const pl_shared *frame, size_t n, const double *foretold)
{
    bool shadow =
        differ(frame, n, foretold, PL_WF_SHADOW_X) || differ(frame, n, foretold, PL_WF_SHADOW_Y);
    bool coma = differ(frame, n, foretold, pl_wavefit_of(7)) ||
                differ(frame, n, foretold, pl_wavefit_of(8));
    if (n > 1 && w->options->pair && (shadow || coma))
        pl_note(&w->d.notes,
                "the two frames contradict each other: do they truly stand on opposite "
                "sides of focus?");
    else if (n > 1 && coma)
        pl_note(&w->d.notes, "the frames differ by more than the air explains: was something moved "
                             "between them?");
}

/* The air's variance of each coefficient in one frame: foretold, and by the frames' own scatter. */
static void air_of(pl_donut_work *w, const pl_shared *frame, size_t n, double air[PL_WF_SHARED])
{
    enum { FORETOLD = 3 }; /* counts like so many frames */
    double seeing_rad = w->d.wave.seeing_arcsec * PL_ARCSEC_RAD, exposure = w->d.facts.exposure_s.v;
    for (int a = 0; a < PL_WF_SHARED; a++)
        air[a] = a < PL_WF_SHADOW_X
                     ? pl_turbulence_variance(a + PL_NOLL_FIRST, &w->optic, seeing_rad, exposure)
                     : 4e-6; /* a shadow seen to 0.2 % of the radius: fringes, pixels */
    note_moved(w, frame, n, air);
    for (int a = 0; a < PL_WF_SHADOW_X; a++) {
        double mean = 0, off = 0;
        if (a == pl_wavefit_of(4)) /* each frame has its own defocus */
            continue;
        for (size_t i = 0; i < n; i++)
            mean += frame[i].p[a] / (double)n;
        for (size_t i = 0; i < n; i++)
            off += fmax(0, pow(frame[i].p[a] - mean, 2) - frame[i].cov[a][a]);
        air[a] = (FORETOLD * air[a] + off) / (double)(FORETOLD + n - 1);
    }
    if (!isfinite(exposure))
        pl_note(&w->d.notes,
                "exposure unknown: the air's share of the errors is that of an instant");
}

static void mean_seeing(pl_donut_work *w)
{
    double sum = 0, weight = 0;
    for (size_t i = 0; i < w->d.frames; i++)
        for (size_t k = 0; k < w->shot[i].fits; k++) {
            pl_wavefront v;
            if (!w->shot[i].fit[k].done)
                continue;
            pl_donut_tell_seeing(w, &w->shot[i].fit[k].wave, &v);
            double one = 1 / (v.seeing_sigma_arcsec * v.seeing_sigma_arcsec);
            sum += one * v.seeing_arcsec;
            weight += one;
        }
    w->d.wave.seeing_arcsec = sum / weight;
    w->d.wave.seeing_sigma_arcsec = 1 / sqrt(weight);
}

/* How far the focuser stood out, at the sensor, um; NaN when header and profile do not tell. */
static double travel_of(const pl_donut_work *w, const pl_frame *frame)
{
    const pl_facts *f = &w->d.facts;
    double out = isfinite(f->outward.v) ? copysign(1, f->outward.v) : NAN;
    return frame->facts.position_steps.v * f->step_um.v * out * pl_carried(&w->d.facts);
}

/* Sides by the focuser's positions, else by what the user says, else as if the first stood outside.
 *   known  out  whether they are more than that */
static pl_status settle_sides(const pl_donut_work *w, const pl_shared *frame, const size_t *which,
                              size_t n, pl_side *side, bool *known, pl_err *err)
{
    double travel[PL_DONUT_FRAMES], defocus[PL_DONUT_FRAMES];
    pl_wavefront one;
    pl_side told = w->options->side, other = told;
    for (size_t i = 0; i < n; i++) {
        pl_wavefront_tell(&frame[i], &w->optic, false, &one);
        travel[i] = travel_of(w, w->shot[which[i]].frame);
        defocus[i] = one.defocus_um;
    }
    *known = pl_side_by_position(travel, defocus, n, side);
    if (*known && told != PL_SIDE_UNKNOWN && which[0] == 0 && side[0] != told)
        return pl_fail(err, PL_EARG,
                       "--side says the first frame stands too far %s, the focuser's positions say "
                       "the other; is [focuser] outward right?",
                       told == PL_SIDE_IN ? "in" : "out");
    if (*known && w->options->pair && n == 2 && side[0] == side[1])
        return pl_fail(err, PL_EARG,
                       "no pair: by the focuser's positions both frames stand too far %s",
                       side[0] == PL_SIDE_IN ? "in" : "out");
    if (*known)
        return PL_OK;
    if (w->options->pair)
        other = told == PL_SIDE_IN ? PL_SIDE_OUT : PL_SIDE_IN;
    for (size_t i = 0; i < n; i++)
        side[i] = which[i] == 0 ? told : other;
    *known = told != PL_SIDE_UNKNOWN;
    return PL_OK;
}

/* The mean in the terms of the trade; a secondary known to sit off centre may tell the side. */
static void tell(pl_donut_work *w, pl_shared *mean, bool known, size_t first)
{
    double a7, a8;
    pl_wavefront seeing = w->d.wave;
    pl_wavefront_tell(mean, &w->optic, known, &w->d.wave);
    w->d.side = known ? w->side[first] : pl_side_by_shadow(&w->d.wave, w->d.facts.focuser_deg.v);
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

static pl_status mean_of_frames(pl_donut_work *w, pl_shared *frame, const size_t *which, size_t n,
                                pl_err *err)
{
    pl_shared mean;
    pl_side side[PL_DONUT_FRAMES];
    double air[PL_WF_SHARED];
    bool known = false;
    pl_status rc = settle_sides(w, frame, which, n, side, &known, err);
    for (size_t i = 0; i < n && rc == PL_OK; i++) {
        w->side[which[i]] = side[i];
        if (side[i] == PL_SIDE_IN)
            pl_wavefront_flip(&frame[i]);
    }
    if (rc != PL_OK)
        return rc;
    mean_seeing(w);
    air_of(w, frame, n, air);
    rc = pl_wavefront_mean(frame, n, air, &mean, err);
    if (rc != PL_OK)
        return rc;
    int a4 = pl_wavefit_of(4); /* of the first frame: on the other side it is another */
    mean.p[a4] = frame[0].p[a4];
    mean.cov[a4][a4] = frame[0].cov[a4][a4] + air[a4];
    tell(w, &mean, known, which[0]);
    w->d.air_coma_nm = 1000 * sqrt(air[pl_wavefit_of(8)] / (double)n);
    return PL_OK;
}

pl_status pl_donut_mean(pl_donut_work *w, pl_err *err)
{
    pl_shared frame[PL_DONUT_FRAMES];
    size_t n = 0, which[PL_DONUT_FRAMES];
    pl_status rc = pl_donut_field_coma(w, err);
    for (size_t i = 0; i < w->d.frames && rc == PL_OK; i++) {
        bool any = false;
        rc = mean_of_frame(w, i, &frame[n], &any, err);
        which[n] = i;
        n += any;
    }
    if (rc == PL_OK && n == 0)
        rc = pl_fail(err, PL_ENODATA, "no fit to average");
    return rc == PL_OK ? mean_of_frames(w, frame, which, n, err) : rc;
}
