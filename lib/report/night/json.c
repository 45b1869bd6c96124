/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.c - a night as one line of JSON, schema 1 (plumb-json(5)). */
#include "../json.h"
#include "night.h"
#include "../report.h"

#include <math.h>
#include <stdlib.h>

static void utc(pl_json t, const char *key, double time_s)
{
    char date[32] = "";
    if (isfinite(time_s))
        pl_date_utc(time_s, date);
    pl_json_text(t, key, date, NULL);
}

static void sub(pl_json o, const pl_sub *s)
{
    pl_json_text(o, "file", s->file, NULL);
    utc(o, "time_utc", s->time_s);
    pl_json_number(o, "exposure_s", s->exposure_s);
    pl_json_number(o, "temperature_c", s->temperature_c);
    pl_json_number(o, "altitude_deg", s->altitude_deg);
    pl_json_number(o, "airmass", s->airmass);
    pl_json_digits(o, "position_steps", s->position_steps, PL_JSON_PLACES);
    pl_json_measured(o, "defocus_um", s->defocus_um, s->defocus_sigma_um);
    pl_json_measured(o, "defocus_size_um", s->size_um, s->size_sigma_um);
    pl_json_number(o, "zone_um", s->zone_um);
    pl_json_measured(o, "seeing_arcsec", s->seeing_arcsec, s->seeing_sigma_arcsec);
    pl_json_measured(o, "fwhm_px", s->fwhm_px, s->fwhm_sigma_px);
    pl_json_number(o, "fwhm_arcsec", s->fwhm_arcsec);
    pl_json_number(o, "eccentricity", s->eccentricity);
    pl_json_number(o, "stars_used", s->stars);
    pl_json_number(o, "sky_adu", s->sky_adu);
    pl_json_number(o, "noise_adu", s->noise_adu);
    pl_json_number(o, "worth", s->measured ? s->worth : NAN);
    pl_json_text(o, "grade", pl_grade_word(s->grade), NULL);
    pl_json_text(o, "cause", pl_cause_word(s->cause), NULL);
    pl_json_text(o, "reason", s->reason, NULL);
}

static void refocus(pl_json o, const pl_night *n, const pl_refocus *r)
{
    utc(o, "time_utc", n->sub[r->after].time_s);
    pl_json_text(o, "before_file", n->sub[r->after].file, NULL);
    pl_json_digits(o, "from_steps", r->from_steps, PL_JSON_PLACES);
    pl_json_digits(o, "to_steps", r->to_steps, PL_JSON_PLACES);
    pl_json_number(o, "from_defocus_um", r->from_um);
    pl_json_number(o, "to_defocus_um", r->to_um);
    pl_json_number(o, "temperature_c", n->sub[r->after].temperature_c);
}

static void numbers(pl_json t, const pl_night *n)
{
    pl_json_measured(t, "thermal_um_per_c", n->thermal_um_c, n->thermal_sigma_um_c);
    pl_json_measured(t, "thermal_alone_um_per_c", n->alone_um_c, n->alone_sigma_um_c);
    pl_json_measured(t, "flexure_um_per_deg", n->flexure_um_deg, n->flexure_sigma_um_deg);
    pl_json_bool(t, "temperature_inseparable", n->inseparable);
    pl_json_number(t, "lag_min", n->lag_min);
    pl_json_measured(t, "drift_um_h", n->drift_um_h, n->drift_sigma_um_h);
    pl_json_number(t, "cooling_c_h", n->cooling_c_h);
    pl_json_number(t, "zone_um", n->zone_um);
    pl_json_number(t, "refocus_every_c", n->refocus_every_c);
    pl_json_number(t, "refocus_every_min", n->refocus_every_min);
    pl_json_number(t, "not_before_min", n->not_before_min);
    pl_json_number(t, "seeing_arcsec", n->seeing_arcsec);
    pl_json_number(t, "seeing_zenith_arcsec", n->zenith_arcsec);
    pl_json_number(t, "exposed_s", n->exposed_s);
    pl_json_number(t, "lost_to_focus_s", isfinite(n->zone_um) ? n->lost_s : NAN);
    utc(t, "left_zone_utc", n->left < n->subs ? n->sub[n->left].time_s : NAN);
    pl_json_count(t, "kept", n->kept);
    pl_json_count(t, "doubtful", n->doubtful);
    pl_json_count(t, "dropped", n->dropped);
}

char *pl_night_json(const pl_night *n)
{
    bool ok = true;
    const char **file = calloc(n->subs + 1, sizeof *file);
    if (!file)
        return NULL;
    for (size_t i = 0; i < n->subs; i++)
        file[i] = n->sub[i].file;
    pl_json t = pl_json_begin(&ok, "plumb-night", file, n->subs, &n->notes);
    free(file);
    pl_json_verdict(t, &n->verdict);
    numbers(t, n);
    json_t *events = pl_json_list(t, "refocus_events");
    for (size_t r = 0; r < n->refocuses; r++)
        refocus(pl_json_item(events, &ok), n, &n->refocus[r]);
    json_t *frames = pl_json_list(t, "frames");
    for (size_t i = 0; i < n->subs; i++)
        sub(pl_json_item(frames, &ok), &n->sub[i]);
    return pl_json_line(t);
}
