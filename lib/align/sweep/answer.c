/* SPDX-License-Identifier: GPL-3.0-or-later */
/* answer.c - from fitted unknowns to what plumb-sweep says. */
#include "sweep.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A frame's mean ellipticity this far above the series' typical one, and so many sigma: smeared. */
static const double SMEARED = 0.08, SMEARED_SURE = 5;
/* Air this part wider than the typical is worth a word. */
static const double GUST = 1.2;
/* A frame with fewer than this part of the typical number of stars. */
static const double FEW = 0.4;
/* Sigma by which the surface must prefer one side to tell it. */
static const double SIDE_SURE = 3;

static double at(const double *cov, size_t all, size_t i, size_t j)
{
    return cov[i * all + j];
}

/* ---- the side of focus, without positions */

/* How much worse the known surface fits this one than its mirror image, in sigma. */
static double prefers(const pl_sweep_work *w, const double *x, const double *cov, size_t all)
{
    const pl_surface *k = w->options->known;
    double known[3] = { k->tilt_x_um_mm, k->tilt_y_um_mm, k->curvature_um }, sum = 0, norm = 0;
    for (int i = 0; i < 3; i++) {
        size_t j = PL_SW_TILT_X + (size_t)i;
        double var = at(cov, all, j, j) + k->cov[i][i];
        if (!(var > 0))
            continue;
        sum += x[j] * known[i] / var;
        norm += known[i] * known[i] / var;
    }
    return norm > 0 ? sum / sqrt(norm) : 0;
}

static bool same_sensor(const pl_sweep_work *w, const pl_surface *known)
{
    return fabs(known->width_mm - w->width_mm) < 0.01 * w->width_mm &&
           fabs(known->height_mm - w->height_mm) < 0.01 * w->height_mm;
}

static void mirror(const pl_sweep_work *w, double *x)
{
    for (size_t i = 0; i < w->frames; i++)
        x[PL_SW_SHARED + w->frames + i] *= -1;
    x[PL_SW_TILT_X] *= -1;
    x[PL_SW_TILT_Y] *= -1;
    x[PL_SW_CURVE] *= -1;
}

static void settle_side(pl_sweep_work *w, double *x, const double *cov, size_t all)
{
    size_t i = 0;
    while (i + 1 < w->frames && !w->s.frame[i].used)
        i++;
    size_t z = PL_SW_SHARED + w->frames + i;
    double first = x[z], surface = 0;
    if (w->by_order)
        pl_note(&w->s.notes, "the field is too even to tell sides: the frames are taken to have "
                             "gone through focus one way, in the order given");
    if (w->options->first != PL_SIDE_UNKNOWN) {
        if (i > 0)
            pl_note(&w->s.notes, "--first is taken for frame %zu, the first that could be used",
                    i + 1);
        w->s.side_known = fabs(first) > SIDE_SURE * sqrt(at(cov, all, z, z));
        if ((w->options->first == PL_SIDE_OUT) != (first > 0))
            mirror(w, x);
        if (!w->s.side_known)
            pl_note(&w->s.notes, "the first frame stood too near focus for --first to tell sides");
        return;
    }
    if (w->options->known && same_sensor(w, w->options->known))
        surface = prefers(w, x, cov, all);
    w->s.side_known = fabs(surface) > SIDE_SURE;
    if (surface < 0)
        mirror(w, x);
    pl_note(&w->s.notes,
            w->s.side_known ? "which side is out: as the saved surface shows it (if the sensor was "
                              "squared or turned since, tell --first)"
                            : "which side is out is not known: say where the first frame stood "
                              "(--first in or --first out)");
}

/* ---- frames */

static double typical(const pl_sweep_work *w, double (*value)(const pl_field *))
{
    double v[PL_SWEEP_FRAMES];
    for (size_t i = 0; i < w->frames; i++)
        v[i] = value(&w->field[i]);
    return pl_median(v, w->frames);
}

static double stretch(const pl_field *f)
{
    return f->chi;
}

static double stars(const pl_field *f)
{
    return (double)f->used;
}

/* What is odd about a frame, in words; "" when nothing is. */
static void remark(const pl_sweep_work *w, size_t i, double wider, pl_sweep_frame *f)
{
    const pl_field *field = &w->field[i];
    double more = field->chi - typical(w, stretch);
    if (!f->used)
        snprintf(f->reason, sizeof f->reason, "%zu stars: too few, or too faint to tell anything",
                 field->used);
    else if (more > SMEARED && more > SMEARED_SURE * field->chi_sigma)
        snprintf(f->reason, sizeof f->reason, "stars stretched at %.0f deg: tracking?",
                 field->elongation_deg);
    else if ((double)field->used < FEW * typical(w, stars))
        snprintf(f->reason, sizeof f->reason, "few stars: cloud?");
    else if (wider > GUST)
        snprintf(f->reason, sizeof f->reason, "air %.0f %% worse than in the others",
                 100 * (wider - 1));
}

/* Error of a frame's place without positions. Where the order alone told sides, it rests on the air
 * being like the others', and near focus a little air is a long way: further than slopes say. */
static double place_sigma(const pl_sweep_work *w, const double *x, const double *cov, size_t all,
                          size_t frame)
{
    size_t air = PL_SW_SHARED + frame, z = air + w->frames;
    double sigma = sqrt(at(cov, all, z, z)), more = sqrt(at(cov, all, air, air)), by = 0;
    if (!w->by_order)
        return sigma;
    double ln = pl_sizes_at(&w->sizes[frame], x[z], x[air], NULL, NULL);
    for (int side = -1; side <= 1; side += 2)
        by = fmax(by, fabs(fabs(x[z]) -
                           pl_sweep_how_far(&w->sizes[frame], ln, exp(x[air] + side * more))));
    return fmax(sigma, by);
}

static void tell_frames(pl_sweep_work *w, const pl_sweep_model *m, const double *x,
                        const double *cov)
{
    size_t all = pl_sweep_unknowns(m), b = PL_SW_BEST, k = PL_SW_SCALE;
    double arcsec = 1 / (1000 * w->focal_mm * PL_ARCSEC_RAD), scale = exp(x[k]);
    for (size_t i = 0; i < w->frames; i++) {
        pl_sweep_frame *f = &w->s.frame[i];
        const pl_field *field = &w->field[i];
        size_t air = PL_SW_SHARED + i;
        f->defocus_um = m->blind && !f->used ? NAN : pl_sweep_defocus(m, x, i);
        double away = f->defocus_um / scale;
        f->defocus_sigma_um =
            m->blind ? (f->used ? place_sigma(w, x, cov, all, i) : NAN)
                     : scale * sqrt(fmax(0, at(cov, all, b, b) + away * away * at(cov, all, k, k) -
                                                2 * away * at(cov, all, b, k)));
        f->position_um = f->defocus_um / w->carried;
        f->fwhm_px = field->fwhm_px;
        f->fwhm_sigma_px = field->fwhm_sigma_px;
        f->hfd_px = field->hfd_px;
        f->eccentricity = field->eccentricity;
        f->seeing_arcsec = f->used ? exp(x[air]) * arcsec : NAN;
        f->seeing_sigma_arcsec = f->seeing_arcsec * sqrt(at(cov, all, air, air));
        f->temperature_c = field->facts.temperature_c.v;
        f->stars = field->used;
        remark(w, i, exp(x[air] - x[PL_SW_TYPICAL]), f);
    }
}

/* ---- best focus */

/* +1 when the number that counts is reached moving outward; -1 inward. */
static double last_way(const pl_sweep_work *w)
{
    const char *approach = w->s.facts.approach.s;
    size_t i = 1;
    while (i + 1 < w->frames && w->at_um[i] == w->at_um[0])
        i++;
    if (approach[0])
        return strcmp(approach, "out") == 0 ? 1 : -1;
    return w->at_um[i] > w->at_um[0] ? 1 : -1;
}

static void tell_play(pl_sweep_work *w, const pl_sweep_model *m, const double *x, const double *cov)
{
    size_t all = pl_sweep_unknowns(m), l = PL_SW_LASH;
    pl_sweep *s = &w->s;
    s->backlash_um = s->backlash_sigma_um = NAN;
    if (!m->lash)
        return;
    double drawtube = (isfinite(w->step_um) ? 1 : exp(x[PL_SW_SCALE])) / w->carried;
    s->backlash_um = fabs(x[l]) * drawtube;
    s->backlash_sigma_um = sqrt(at(cov, all, l, l)) * drawtube;
    pl_note(&s->notes, "with the play found, best focus is the number reached moving %s",
            last_way(w) > 0 ? "out" : "in");
}

static void tell_best(pl_sweep_work *w, const pl_sweep_model *m, const double *x, const double *cov)
{
    size_t all = pl_sweep_unknowns(m), b = PL_SW_BEST;
    pl_sweep *s = &w->s;
    s->best_steps = s->best_steps_sigma = NAN;
    s->step_um = w->step_um;
    if (!m->blind) {
        bool told = isfinite(w->step_um);
        double um_step = w->carried * (told ? w->step_um : 1), at_best = x[b];
        if (m->lash)
            at_best += last_way(w) * fabs(x[PL_SW_LASH]) / 2;
        s->best_steps = w->mean_steps + w->outward * at_best / um_step;
        double var = at(cov, all, b, b);
        if (m->lash)
            var += at(cov, all, PL_SW_LASH, PL_SW_LASH) / 4 +
                   last_way(w) * copysign(1, x[PL_SW_LASH]) * at(cov, all, b, PL_SW_LASH);
        s->best_steps_sigma = sqrt(fmax(0, var)) / um_step;
        s->best_sigma_um = sqrt(at(cov, all, b, b)) * exp(x[PL_SW_SCALE]);
        if (!told) {
            s->step_um = exp(x[PL_SW_SCALE]);
            pl_note(&s->notes,
                    "step_um is not told: the blur makes it %.3g um a step (--step-um, [focuser] "
                    "step_um)",
                    s->step_um);
        }
    }
    size_t last = w->frames - 1;
    while (m->blind && last > 0 && !s->frame[last].used)
        last--;
    s->last_um = s->frame[last].defocus_um;
    s->last_sigma_um = s->frame[last].defocus_sigma_um;
    if (m->blind)
        s->best_sigma_um = s->last_sigma_um;
    s->move = pl_travel_of(&s->facts, -s->last_um);
    if (!m->blind) /* so that it leads to the number given, whatever a step is */
        s->move.steps = w->outward * (s->best_steps - s->frame[last].position_steps);
}

/* Frames lie on one side of best focus only, farther than their errors. */
static bool one_sided(const pl_sweep *s)
{
    size_t in = 0, out = 0;
    for (size_t i = 0; i < s->frames; i++) {
        const pl_sweep_frame *f = &s->frame[i];
        out += f->used && f->defocus_um > 2 * f->defocus_sigma_um;
        in += f->used && f->defocus_um < -2 * f->defocus_sigma_um;
    }
    return in == s->used || out == s->used;
}

static void tell_doubts(pl_sweep *s)
{
    size_t in = 0, out = 0;
    for (size_t i = 0; i < s->frames; i++) {
        in += s->frame[i].used && s->frame[i].defocus_um < 0;
        out += s->frame[i].used && s->frame[i].defocus_um > 0;
    }
    s->outside = one_sided(s);
    if (s->outside)
        pl_note(&s->notes, "best focus lies beyond the frames: go there and take the series "
                           "anew; the number is a guess ahead");
    else if (in < 2 || out < 2)
        pl_note(&s->notes,
                "%zu frame%s on one side of best focus: two or more on each side make "
                "it surer",
                in < out ? in : out, (in < out ? in : out) == 1 ? "" : "s");
}

/* ---- the surface */

static void tell_surface(pl_sweep_work *w, const pl_sweep_model *m, const double *x,
                         const double *cov)
{
    size_t all = pl_sweep_unknowns(m);
    pl_surface *f = &w->s.surface;
    const pl_facts *facts = &w->s.facts;
    *f = (pl_surface){
        .tilt_x_um_mm = x[PL_SW_TILT_X],
        .tilt_y_um_mm = x[PL_SW_TILT_Y],
        .curvature_um = x[PL_SW_CURVE],
        .width_mm = w->width_mm,
        .height_mm = w->height_mm,
        .blur_scale = w->s.blur_scale,
        .blur_scale_sigma = w->s.blur_scale_sigma,
        .rest_x_um2 = x[PL_SW_REST_X],
        .rest_y_um2 = x[PL_SW_REST_Y],
        .rest_corner_um2 = x[PL_SW_REST_R],
        .rest_x_sigma_um2 = sqrt(at(cov, all, PL_SW_REST_X, PL_SW_REST_X)),
        .rest_y_sigma_um2 = sqrt(at(cov, all, PL_SW_REST_Y, PL_SW_REST_Y)),
        .rest_corner_sigma_um2 = sqrt(at(cov, all, PL_SW_REST_R, PL_SW_REST_R)),
        .seeing_um = exp(x[PL_SW_TYPICAL]),
        .lambda_um = w->optic.lambda_um,
        .best_steps = w->s.best_steps,
        .best_steps_sigma = w->s.best_steps_sigma,
        .width_px = w->field[0].width_px,
        .height_px = w->field[0].height_px,
        .pixel_um = w->pixel_um,
        .binning = facts->binning_x.v,
        .focal_mm = w->focal_mm,
    };
    for (size_t i = 0; i < 3; i++)
        for (size_t j = 0; j < 3; j++)
            f->cov[i][j] = at(cov, all, PL_SW_TILT_X + i, PL_SW_TILT_X + j);
    double warm[PL_SWEEP_FRAMES];
    size_t n = 0;
    for (size_t i = 0; i < w->frames; i++)
        if (isfinite(w->s.frame[i].temperature_c))
            warm[n++] = w->s.frame[i].temperature_c;
    f->temperature_c = pl_median(warm, n);
    snprintf(f->date, sizeof f->date, "%.31s", facts->date_obs.s);
}

/* With positions --first is not needed, but may show that outward is wrong. */
static void doubt_side(pl_sweep_work *w)
{
    const pl_sweep_frame *f = &w->s.frame[0];
    bool sure = f->used && fabs(f->defocus_um) > SIDE_SURE * f->defocus_sigma_um;
    if (sure && w->options->first != PL_SIDE_UNKNOWN &&
        (w->options->first == PL_SIDE_OUT) != (f->defocus_um > 0))
        pl_note(&w->s.notes,
                "--first says the other side than the positions do: outward %+.0f is wrong, or "
                "--first",
                w->outward);
}

void pl_sweep_answer(pl_sweep_work *w, const pl_sweep_model *m, double *x, const double *cov)
{
    w->s.side_known = true;
    if (m->blind)
        settle_side(w, x, cov, pl_sweep_unknowns(m));
    tell_frames(w, m, x, cov);
    if (!m->blind)
        doubt_side(w);
    tell_best(w, m, x, cov);
    tell_play(w, m, x, cov);
    tell_doubts(&w->s);
    tell_surface(w, m, x, cov);
}
