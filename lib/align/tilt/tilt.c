/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tilt.c - is the sensor square, is it worth touching, and what must be turned. */
#include "tilt.h"
#include "../align.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Without a corrector a mirror's field is curved by itself, and no spacing is to blame. */
static bool has_corrector(const pl_facts *f)
{
    return strcmp(f->corrected.s, "no") != 0;
}

/* Best focus between centre and corners leaves half of the curvature to both. */
static bool bends_too_much(const pl_tilt *t)
{
    double um = fabs(t->surface.curvature_um), sigma = sqrt(t->surface.cov[2][2]);
    double sure = isnan(sigma) ? 0 : sigma;
    return um - sure > 2 * t->allowed_um && um > 3 * sure;
}

static void remark_curvature(pl_tilt *t)
{
    if (isnan(t->surface.curvature_um))
        pl_note(&t->notes, "curvature is not known, so whether the corrector's spacing comes first "
                           "cannot be told");
    else if (bends_too_much(t) && !has_corrector(&t->facts))
        pl_note(&t->notes, "a mirror without corrector has a curved field of its own: no screw and "
                           "no spacing takes it away");
}

static void remark_plate(pl_tilt *t)
{
    const pl_screws *p = &t->plate;
    if (p->screws == 0)
        return;
    if (!p->kind[0] && t->named)
        pl_note(&t->notes, "kind pushpull by default: screws go both ways ([plate] kind)");
    if (isnan(p->pitch_mm))
        pl_note(&t->notes, "travel instead of turns: the thread is not known ([plate] pitch_mm)");
    if (isnan(p->clockwise))
        pl_note(&t->notes, "which way a screw moves the plate is not known: turn one and look "
                           "([plate] clockwise in or out)");
    if ((strcmp(p->kind, "push") == 0 && p->clockwise > 0) ||
        (strcmp(p->kind, "pull") == 0 && p->clockwise < 0))
        pl_note(&t->notes,
                "[plate] clockwise %s does not fit kind %s on a common thread: check "
                "which way the plate goes",
                p->clockwise > 0 ? "in" : "out", p->kind);
    if (t->named && strcmp(p->kind, "push") == 0)
        pl_note(&t->notes, "push screws can only press the plate out, towards you: the one that is "
                           "furthest in stays");
    if (t->named && strcmp(p->kind, "pull") == 0)
        pl_note(&t->notes, "pull screws can only draw the plate in, away from you: the one that is "
                           "furthest out stays");
}

static void remark_errors(pl_tilt *t)
{
    if (isnan(t->told.across_sigma_um))
        pl_note(&t->notes, "the surface tells no errors; it is taken as exact");
}

static void settle(pl_tilt *t)
{
    pl_verdict *v = &t->verdict;
    t->significant = pl_tilt_stands_out(&t->surface);
    t->spacing_first = bends_too_much(t) && has_corrector(&t->facts);
    v->state =
        isnan(t->allowed_um) ? PL_UNSURE : pl_tilt_state(&t->surface, &t->told, t->allowed_um);
    v->cause = v->state == PL_OUTSIDE ? PL_CAUSE_TILT : PL_CAUSE_NONE;
    if (t->spacing_first) {
        v->state = PL_OUTSIDE;
        v->cause = PL_CAUSE_SPACING;
    }
}

/* `out` holds notes already. */
static pl_status judge(pl_tilt *t, const pl_surface *s, const pl_facts *facts,
                       const pl_screws *plate, const pl_tilt_options *options, pl_err *err)
{
    pl_tilt_zone zone;
    pl_tilt_options defaults = pl_tilt_defaults();
    t->surface = *s;
    t->facts = *facts;
    t->told = pl_surface_tell(s);
    t->plate = plate ? *plate : (pl_screws){ .columns_deg = NAN, .rows_deg = NAN };
    pl_status rc = pl_tilt_zone_of(s, facts, options ? options : &defaults, &zone, &t->notes, err);
    if (rc != PL_OK)
        return rc;
    t->growth = zone.growth;
    t->seeing_arcsec = zone.seeing_arcsec;
    t->allowed_um = zone.allowed_um;
    pl_plate_solve(t);
    settle(t);
    remark_errors(t);
    remark_curvature(t);
    remark_plate(t);
    pl_tilt_words(t);
    return PL_OK;
}

pl_status pl_tilt_judge(const pl_surface *surface, const pl_facts *facts, const pl_screws *plate,
                        const pl_tilt_options *options, pl_tilt *out, pl_err *err)
{
    pl_tilt t = { .part = 0 };
    pl_status rc = judge(&t, surface, facts, plate, options, err);
    if (rc == PL_OK)
        *out = t;
    else
        pl_tilt_clear(&t);
    return rc;
}

void pl_tilt_clear(pl_tilt *tilt)
{
    if (tilt)
        pl_notes_clear(&tilt->notes);
}

/* ---- four corners */

/* Where nothing is known, nothing is claimed. */
static pl_surface blank(void)
{
    pl_surface s = { .curvature_um = NAN,
                     .blur_scale = NAN,
                     .blur_scale_sigma = NAN,
                     .rest_x_um2 = NAN,
                     .rest_x_sigma_um2 = NAN,
                     .rest_y_um2 = NAN,
                     .rest_y_sigma_um2 = NAN,
                     .rest_corner_um2 = NAN,
                     .rest_corner_sigma_um2 = NAN,
                     .seeing_um = NAN,
                     .lambda_um = NAN,
                     .best_steps = NAN,
                     .best_steps_sigma = NAN,
                     .temperature_c = NAN,
                     .binning = NAN };
    for (int i = 0; i < 3; i++)
        s.cov[i][2] = s.cov[2][i] = NAN;
    return s;
}

static pl_status frame_size(const pl_facts *facts, pl_surface *s, pl_err *err)
{
    double width = 0, height = 0;
    pl_status rc = pl_facts_need(facts, "pixel_um", &s->pixel_um, err);
    if (rc == PL_OK)
        rc = pl_facts_need(facts, "width_px", &width, err);
    if (rc == PL_OK)
        rc = pl_facts_need(facts, "height_px", &height, err);
    s->width_px = (int)width;
    s->height_px = (int)height;
    s->width_mm = width * s->pixel_um * 1e-3;
    s->height_mm = height * s->pixel_um * 1e-3;
    return rc;
}

/* The plane through four numbers is their differences; what it misses, the twist, has twice the
 * error of one number and is all there is to tell that error by. */
pl_status pl_tilt_corners(const pl_facts *facts, const pl_screws *plate,
                          const pl_tilt_options *options, pl_tilt *out, pl_err *err)
{
    pl_tilt t = { .part = 0 };
    pl_surface s = blank();
    const double *um = options->corner_um;
    double sigma = options->corner_error_um;
    double twist = um[PL_X1Y1] - um[PL_X2Y1] - um[PL_X1Y2] + um[PL_X2Y2];
    pl_status rc = frame_size(facts, &s, err);
    if (rc != PL_OK)
        return rc;
    if (isnan(sigma)) {
        sigma = fabs(twist) / 2;
        pl_note(&t.notes,
                "each corner taken to be good to %.2g um, from how far the four miss a plane: one "
                "look at the error, no more (--error)",
                sigma);
    }
    s.tilt_x_um_mm = (um[PL_X2Y1] + um[PL_X2Y2] - um[PL_X1Y1] - um[PL_X1Y2]) / (2 * s.width_mm);
    s.tilt_y_um_mm = (um[PL_X1Y2] + um[PL_X2Y2] - um[PL_X1Y1] - um[PL_X2Y1]) / (2 * s.height_mm);
    s.cov[0][0] = sigma * sigma / (s.width_mm * s.width_mm);
    s.cov[1][1] = sigma * sigma / (s.height_mm * s.height_mm);
    rc = judge(&t, &s, facts, plate, options, err);
    if (rc == PL_OK)
        *out = t;
    else
        pl_tilt_clear(&t);
    return rc;
}
