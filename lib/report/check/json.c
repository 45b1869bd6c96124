/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.c - one exposure's focus and air as one line of JSON, schema 1 (plumb-json(5)). */
#include "../json.h"
#include "../report.h"

#include <math.h>

static void stars(pl_json t, const pl_check *c)
{
    double scale = c->scale_arcsec_px;
    pl_json_count(t, "stars_used", c->stars);
    pl_json_measured(t, "fwhm_px", c->fwhm_px, c->fwhm_sigma_px);
    pl_json_measured(t, "fwhm_arcsec", c->fwhm_px * scale, c->fwhm_sigma_px * scale);
    pl_json_measured(t, "eccentricity", c->eccentricity, c->eccentricity_sigma);
    pl_json_measured(t, "chi", c->chi, c->chi_sigma);
    pl_json_measured(t, "elongation_deg", c->elongation_deg, c->elongation_sigma_deg);
    pl_json_measured(t, "sky_adu", c->sky_adu, NAN);
    pl_json_measured(t, "noise_adu", c->noise_adu, NAN);
    pl_json_number(t, "light_adu_s", c->light_adu_s);
    pl_json_count(t, "trails", c->trails);
}

static void focus(pl_json t, const pl_check *c)
{
    const pl_sense *s = &c->sense;
    double each = -1 / c->move.sensor_um; /* the move leads back */
    double steps = c->move.steps * each, turns = c->move.turns * each;
    pl_json_measured(t, "defocus_um", s->defocus_um, s->defocus_sigma_um);
    pl_json_measured(t, "defocus_steps", s->defocus_um * steps, s->defocus_sigma_um * fabs(steps));
    pl_json_measured(t, "defocus_turns", s->defocus_um * turns, s->defocus_sigma_um * fabs(turns));
    pl_json_measured(t, "defocus_size_um", s->size_um, s->size_sigma_um);
    pl_json_bool(t, "sign_known", s->sign_known);
    pl_json_bool(t, "surface_known", s->surface_known);
    pl_json_bool(t, "surface_fits", s->surface_known && s->surface_fits);
    pl_json_number(t, "surface_chi2", s->chi2);
    pl_json_number(t, "surface_chi2_gain", s->gain);
    pl_json_count(t, "surface_freedom", s->freedom);
    pl_json_number(t, "other_side_chi2", s->other_side);
    pl_json_measured(t, "seeing_arcsec", s->seeing_arcsec, s->seeing_sigma_arcsec);
    pl_json_number(t, "usual_arcsec", s->usual_arcsec);
    pl_json_measured(t, "focused_px", s->focused_px, s->focused_sigma_px);
    pl_json_number(t, "zone_um", s->zone_um);
    pl_json_text(t, "reason", s->reason, NULL);
}

char *pl_check_json(const pl_check *c, const char *file)
{
    bool ok = true;
    pl_json t = pl_json_begin(&ok, "plumb-check", &file, 1, &c->notes);
    pl_json_verdict(t, &c->verdict);
    focus(t, c);
    stars(t, c);
    pl_json_text(t, "mosaic", c->mosaic[0] ? c->mosaic : "none", NULL);
    pl_json_measured(t, "softer", c->softer, c->softer_sigma);
    pl_json_number(t, "star_ratio", c->star_ratio);
    pl_json_number(t, "drift_um_h", c->drift_um_h);
    pl_json_count(t, "drift_frames", c->drift_of);
    pl_json_number(t, "drift_cost_s", c->drift_cost_s);
    pl_json_number(t, "refocus_cost_s", c->refocus_cost_s);
    pl_json_exposure(t, &c->facts);
    return pl_json_line(t);
}
