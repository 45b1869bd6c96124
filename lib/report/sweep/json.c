/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.c - a series through focus as one line of JSON, schema 1 (plumb-json(5)). */
#include "../json.h"
#include "../surface_json.h"
#include "sweep.h"

#include <math.h>

static void frame(pl_json o, const pl_sweep_frame *f, const char *file)
{
    pl_json_text(o, "file", file, NULL);
    pl_json_digits(o, "position_steps", f->position_steps, PL_JSON_PLACES);
    pl_json_number(o, "position_um", f->position_um);
    pl_json_measured(o, "defocus_um", f->defocus_um, f->defocus_sigma_um);
    pl_json_measured(o, "fwhm_px", f->fwhm_px, f->fwhm_sigma_px);
    pl_json_number(o, "hfd_px", f->hfd_px);
    pl_json_number(o, "eccentricity", f->eccentricity);
    pl_json_measured(o, "seeing_arcsec", f->seeing_arcsec, f->seeing_sigma_arcsec);
    pl_json_number(o, "temperature_c", f->temperature_c);
    pl_json_count(o, "stars", f->stars);
    pl_json_bool(o, "used", f->used);
    pl_json_text(o, "flags", f->reason, NULL);
}

static void travel(pl_json o, const pl_travel *m)
{
    pl_json_number(o, "sensor_um", m->sensor_um);
    pl_json_number(o, "drawtube_um", m->drawtube_um);
    pl_json_number(o, "steps", m->steps);
    pl_json_number(o, "turns", m->turns);
}

static void best(pl_json t, const pl_sweep *s)
{
    pl_json_digits(t, "best_position_steps", s->best_steps, PL_JSON_PLACES);
    pl_json_number(t, "best_position_steps_sigma", s->best_steps_sigma);
    /* drawtube, from the first frame */
    pl_json_number(t, "best_position_um", s->frames ? -s->frame[0].position_um : NAN);
    pl_json_number(t, "best_focus_um_sigma", s->best_sigma_um);
    pl_json_measured(t, "last_um", s->last_um, s->last_sigma_um);
    travel(pl_json_object(t, "move"), &s->move);
    pl_json_bool(t, "outside", s->outside);
    pl_json_number(t, "best_fwhm_px", s->best_fwhm_px);
    pl_json_number(t, "best_fwhm_arcsec", s->best_fwhm_arcsec);
    pl_json_number(t, "best_hfd_px", s->best_hfd_px);
    pl_json_number(t, "seeing_arcsec", s->seeing_arcsec);
}

static void focuser(pl_json t, const pl_sweep *s)
{
    pl_json_measured(t, "backlash_um", s->backlash_um, s->backlash_sigma_um);
    pl_json_measured(t, "blur_scale", s->blur_scale, s->blur_scale_sigma);
    pl_json_number(t, "step_um", s->step_um);
    pl_json_number(t, "zone_um", s->zone_um);
    pl_json_measured(t, "red_um", s->red_um, s->red_sigma_um);
    pl_json_measured(t, "blue_um", s->blue_um, s->blue_sigma_um);
}

static void astigmatism(pl_json t, const pl_sweep *s)
{
    pl_json_measured(t, "astigmatism_um", s->astigmatism_um, s->astigmatism_sigma_um);
    pl_json_measured(t, "astigmatism_nm", s->astigmatism_nm, s->astigmatism_sigma_nm);
    pl_json_measured(t, "astigmatism_deg", s->astigmatism_deg, s->astigmatism_sigma_deg);
}

static void exposure(pl_json t, const pl_facts *f)
{
    pl_json_text(t, "date_obs", f->date_obs.s, NULL);
    pl_json_number(t, "exposure_s", f->exposure_s.v);
    pl_json_text(t, "object", f->object.s, NULL);
    pl_json_text(t, "filter", f->filter.s, NULL);
}

char *pl_sweep_json(const pl_sweep *s, const char *const *file)
{
    bool ok = true;
    pl_verdict verdict = pl_sweep_verdict(s);
    pl_json t = pl_json_begin(&ok, "plumb-sweep", file, s->frames, &s->notes);
    pl_json_verdict(t, &verdict);
    pl_json_text(t, "mosaic", s->mosaic[0] ? s->mosaic : "none", NULL);
    pl_json_count(t, "frames_used", s->used);
    pl_json_bool(t, "positions", s->positions);
    pl_json_bool(t, "side_known", s->side_known);
    best(t, s);
    focuser(t, s);
    astigmatism(t, s);
    /* at the sensor, from the first frame */
    pl_json_surface(t, &s->surface, s->frames ? -s->frame[0].defocus_um : NAN, s->best_sigma_um);
    exposure(t, &s->facts);
    json_t *list = pl_json_list(t, "frames");
    for (size_t i = 0; i < s->frames; i++)
        frame(pl_json_item(list, t.ok), &s->frame[i], file[i]);
    return pl_json_line(t);
}
