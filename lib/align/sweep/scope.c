/* SPDX-License-Identifier: GPL-3.0-or-later */
/* scope.c - what a series is of: frames that belong together, one telescope, positions. */
#include "sweep.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool differs(double a, double b)
{
    return isfinite(a) && isfinite(b) && fabs(a - b) > 1e-3 * fabs(a);
}

static pl_status together(const pl_sweep_work *w, pl_err *err)
{
    const pl_field *a = &w->field[0];
    if (w->frames < 3)
        return pl_fail(err, PL_ENODATA,
                       "%zu frames: three or more are needed, better seven, from well inside best "
                       "focus to well outside",
                       w->frames);
    if (w->frames > PL_SWEEP_FRAMES)
        return pl_fail(err, PL_EARG, "%zu frames: at most %d are taken at once", w->frames,
                       PL_SWEEP_FRAMES);
    for (size_t i = 1; i < w->frames; i++) {
        const pl_field *b = &w->field[i];
        if (b->width_px != a->width_px || b->height_px != a->height_px)
            return pl_fail(err, PL_EARG,
                           "frame %zu is %d x %d pixels, the first %d x %d: a series is of one "
                           "camera and binning",
                           i + 1, b->width_px, b->height_px, a->width_px, a->height_px);
        if (strcmp(b->mosaic, a->mosaic) != 0)
            return pl_fail(err, PL_EARG,
                           "frame %zu is %s, the first is %s: a series is of one camera", i + 1,
                           b->mosaic[0] ? "a colour mosaic" : "mono",
                           a->mosaic[0] ? "a colour mosaic" : "mono");
        if (differs(b->facts.pixel_um.v, a->facts.pixel_um.v) ||
            differs(b->facts.binning_x.v, a->facts.binning_x.v))
            return pl_fail(err, PL_EARG,
                           "frame %zu has another pixel size or binning than the first", i + 1);
        if (differs(b->facts.focal_mm.v, a->facts.focal_mm.v))
            return pl_fail(err, PL_EARG, "frame %zu has another focal length than the first",
                           i + 1);
    }
    return PL_OK;
}

/* The same exposure given again and again: stars in the same place to the last digit. */
static bool same_exposure(const pl_field *a, const pl_field *b)
{
    return a->used > 0 && a->used == b->used && a->star[0].x_px == b->star[0].x_px &&
           a->star[0].flux_adu == b->star[0].flux_adu && a->fwhm_px == b->fwhm_px;
}

static pl_status all_different(const pl_sweep_work *w, pl_err *err)
{
    for (size_t i = 1; i < w->frames; i++)
        for (size_t j = 0; j < i; j++)
            if (same_exposure(&w->field[i], &w->field[j]))
                return pl_fail(err, PL_EARG,
                               "frames %zu and %zu are the same exposure: give each once", j + 1,
                               i + 1);
    return PL_OK;
}

static pl_status telescope(pl_sweep_work *w, pl_err *err)
{
    pl_status rc = pl_optic_told(&w->s.facts, w->s.mosaic[0] != '\0', w->options->wavelength_um,
                                 &w->optic, &w->focal_mm, &w->pixel_um, &w->s.notes, err);
    if (rc != PL_OK)
        return rc;
    w->width_mm = w->field[0].width_px * w->pixel_um / 1000;
    w->height_mm = w->field[0].height_px * w->pixel_um / 1000;
    w->half_mm = hypot(w->width_mm, w->height_mm) / 2;
    return PL_OK;
}

static void focuser(pl_sweep_work *w)
{
    const pl_facts *f = &w->s.facts;
    w->carried = pl_carried(f);
    pl_carried_note(f, &w->s.notes);
    w->outward = f->outward.v < 0 ? -1 : 1;
    if (w->at_um && f->outward.from == PL_FROM_NOWHERE)
        pl_note(&w->s.notes, "outward is +1 by default: larger numbers move out (--outward)");
    w->step_um = f->step_um.v;
}

/* Told by the user, else the headers'. NULL when there are none. */
static pl_status numbers(pl_sweep_work *w, double *step, bool *any, pl_err *err)
{
    size_t known = 0, last = 0;
    for (size_t i = 0; i < w->frames; i++) {
        step[i] = w->options->position_steps ? w->options->position_steps[i]
                                             : w->field[i].facts.position_steps.v;
        if (isfinite(step[i]))
            known++;
        else
            last = i;
    }
    *any = false;
    if (w->options->no_positions || known == 0)
        return PL_OK;
    if (known < w->frames)
        return pl_fail(err, PL_EARG,
                       "frame %zu has no focuser position, others have: give all by --positions, "
                       "or --no-positions",
                       last + 1);
    for (size_t i = 1; i < w->frames; i++)
        *any |= step[i] != step[0];
    if (!*any && w->options->position_steps)
        return pl_fail(err, PL_EARG, "all positions are %g: focus never moved", step[0]);
    if (!*any)
        pl_note(&w->s.notes,
                "every header gives the position %g: not believed, the blur tells where each stood",
                step[0]);
    return PL_OK;
}

static pl_status positions(pl_sweep_work *w, pl_err *err)
{
    double *step = calloc(w->frames, sizeof *step), sum = 0;
    bool any = false;
    if (!step)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    pl_status rc = numbers(w, step, &any, err);
    for (size_t i = 0; i < w->frames; i++) {
        w->s.frame[i].position_steps = rc == PL_OK && any ? step[i] : NAN;
        sum += step[i];
    }
    w->mean_steps = sum / (double)w->frames;
    w->s.positions = any;
    w->at_um = any ? step : NULL;
    if (!any)
        free(step);
    return rc;
}

pl_status pl_sweep_set_up(pl_sweep_work *w, pl_err *err)
{
    w->s.facts = w->field[0].facts;
    snprintf(w->s.mosaic, sizeof w->s.mosaic, "%s", w->field[0].mosaic);
    pl_status rc = together(w, err);
    if (rc == PL_OK)
        rc = all_different(w, err);
    if (rc == PL_OK)
        rc = telescope(w, err);
    if (rc == PL_OK)
        rc = positions(w, err);
    if (rc != PL_OK)
        return rc;
    focuser(w);
    double um = w->outward * w->carried * (isfinite(w->step_um) ? w->step_um : 1);
    for (size_t i = 0; w->at_um && i < w->frames; i++)
        w->at_um[i] = (w->at_um[i] - w->mean_steps) * um;
    return PL_OK;
}
