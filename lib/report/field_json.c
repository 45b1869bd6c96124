/* SPDX-License-Identifier: GPL-3.0-or-later */
/* field_json.c - a field as one line of JSON, schema 1 (plumb-json(5)). */
#include "report.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define DIGITS  6  /* significant, of every number */
#define PLACES  8  /* of positions: thousandths of a pixel across any sensor */
#define PRINTED 12 /* more than any of them: what was rounded prints short */

/* Numbers are rounded in decimal first, so the same answer is the same bytes. */
static json_t *number(double v, int digits)
{
    return isfinite(v) ? json_real(pl_round_to(v, digits)) : json_null();
}

/* Adds to an object; false in `ok` once memory was short. */
typedef struct {
    json_t *object;
    bool *ok;
} to;

static void put(to t, const char *key, json_t *value)
{
    if (json_object_set_new(t.object, key, value) != 0)
        *t.ok = false;
}

static void put_number(to t, const char *key, double v)
{
    put(t, key, number(v, DIGITS));
}

static void put_count(to t, const char *key, size_t n)
{
    put(t, key, json_integer((json_int_t)n));
}

/* Text whose bytes may be anything; `changed` as pl_clean, may be NULL. Empty is null. */
static void put_text(to t, const char *key, const char *text, bool *changed)
{
    char *clean = pl_clean(text, PL_CLEAN_VALID, changed);
    put(t, key, !clean ? NULL : *clean ? json_string(clean) : json_null());
    free(clean);
}

static void put_digits(to t, const char *key, double v, double sigma, int digits)
{
    char twin[64];
    snprintf(twin, sizeof twin, "%s_sigma", key);
    put(t, key, number(v, digits));
    put_number(t, twin, sigma);
}

/* A measured number and its twin. */
static void put_measured(to t, const char *key, double v, double sigma)
{
    put_digits(t, key, v, sigma, DIGITS);
}

/* A position, counted from 1 as FITS does. */
static void put_position(to t, const char *key, double px, double sigma)
{
    put_digits(t, key, pl_fits_px(px), sigma, PLACES);
}

static to new_in(to parent, const char *key)
{
    to t = { json_object(), parent.ok };
    put(parent, key, t.object);
    return t;
}

static json_t *list_in(to parent, const char *key)
{
    json_t *list = json_array();
    put(parent, key, list);
    return list;
}

static to new_item(json_t *list, bool *ok)
{
    to t = { json_object(), ok };
    if (json_array_append_new(list, t.object) != 0)
        *ok = false;
    return t;
}

static void verdict(to t, const pl_verdict *v)
{
    to o = new_in(t, "verdict");
    put_text(o, "state", pl_state_word(v->state), NULL);
    put_text(o, "cause", pl_cause_word(v->cause), NULL);
    put_text(o, "text", v->text, NULL);
    put_text(o, "action", v->action, NULL);
}

static void exposure(to t, const pl_facts *f)
{
    put_number(t, "exposure_s", f->exposure_s.v);
    put_text(t, "date_obs", f->date_obs.s, NULL);
    put_number(t, "temperature_c", f->temperature_c.v);
    put(t, "position_steps", number(f->position_steps.v, PLACES));
    put_number(t, "altitude_deg", f->altitude_deg.v);
    put_number(t, "airmass", f->airmass.v);
    put_text(t, "object", f->object.s, NULL);
    put_text(t, "filter", f->filter.s, NULL);
}

static void counts(to t, const pl_field *f)
{
    put_count(t, "stars_found", f->found);
    put_count(t, "stars_fitted", f->fitted);
    put_count(t, "stars_used", f->used);
    put_count(t, "stars_saturated", f->kind[PL_SATURATED]);
    to o = new_in(t, "rejected");
    for (int k = PL_STAR + 1; k < PL_KINDS; k++)
        put_count(o, pl_kind_name((pl_kind)k), f->kind[k]);
}

static void shapes(to t, const pl_field *f)
{
    double scale = f->scale_arcsec_px;
    put_measured(t, "fwhm_px", f->fwhm_px, f->fwhm_sigma_px);
    put_measured(t, "fwhm_arcsec", f->fwhm_px * scale, f->fwhm_sigma_px * scale);
    put_measured(t, "hfd_px", f->hfd_px, f->hfd_sigma_px);
    put_measured(t, "hfd_arcsec", f->hfd_px * scale, f->hfd_sigma_px * scale);
    put_measured(t, "eccentricity", f->eccentricity, f->eccentricity_sigma);
    put_measured(t, "elongation_deg", f->elongation_deg, f->elongation_sigma_deg);
    put_measured(t, "chi", f->chi, f->chi_sigma);
    put_measured(t, "beta", f->beta, NAN);
    put_measured(t, "red_x_px", f->red_x_px, f->red_sigma_px);
    put_measured(t, "red_y_px", f->red_y_px, f->red_sigma_px);
    put_measured(t, "blue_x_px", f->blue_x_px, f->blue_sigma_px);
    put_measured(t, "blue_y_px", f->blue_y_px, f->blue_sigma_px);
}

static void zones(to t, const pl_field *f)
{
    json_t *list = list_in(t, "zones");
    for (size_t i = 0; i < f->cells; i++) {
        const pl_cell *z = &f->cell[i];
        to o = new_item(list, t.ok);
        put(o, "x_px", number(pl_fits_px(z->x_px), PLACES));
        put(o, "y_px", number(pl_fits_px(z->y_px), PLACES));
        put_number(o, "x_mm", z->x_mm);
        put_number(o, "y_mm", z->y_mm);
        put_count(o, "stars", z->stars);
        put_measured(o, "fwhm_px", z->fwhm_px, z->fwhm_sigma_px);
        put_measured(o, "eccentricity", z->eccentricity, z->eccentricity_sigma);
        put_number(o, "angle_deg", z->angle_deg);
        put_measured(o, "chi1", z->chi1, z->chi_sigma);
        put_measured(o, "chi2", z->chi2, z->chi_sigma);
    }
}

static void patterns(to t, const pl_field *f)
{
    json_t *list = list_in(t, "patterns");
    for (int i = 0; i < PL_PATTERNS; i++) {
        const pl_pattern *p = &f->pattern[i];
        to o = new_item(list, t.ok);
        put_text(o, "name", pl_pattern_title(i), NULL);
        put_measured(o, "amplitude", p->amplitude, p->amplitude_sigma);
        put_text(o, "unit", p->unit ? p->unit : "", NULL);
        put_number(o, "significance", p->significance);
        put_number(o, "tolerance", p->tolerance);
        put_number(o, "angle_deg", p->angle_deg);
        put(o, "x_px", number(pl_fits_px(p->x_px), PLACES));
        put(o, "y_px", number(pl_fits_px(p->y_px), PLACES));
        put_text(o, "meaning", p->meaning, NULL);
    }
}

static void star(to o, const pl_star *s)
{
    put_position(o, "x_px", s->x_px, s->x_sigma_px);
    put_position(o, "y_px", s->y_px, s->y_sigma_px);
    put_measured(o, "flux_adu", s->flux_adu, s->flux_sigma_adu);
    put_number(o, "peak_adu", s->peak_adu);
    put_number(o, "sky_adu", s->sky_adu);
    put_number(o, "snr", s->snr);
    put_measured(o, "fwhm_px", s->fwhm_px, s->fwhm_sigma_px);
    put_measured(o, "fwhm_major_px", s->fwhm_major_px, s->fwhm_major_sigma_px);
    put_measured(o, "fwhm_minor_px", s->fwhm_minor_px, s->fwhm_minor_sigma_px);
    put_measured(o, "eccentricity", s->eccentricity, s->eccentricity_sigma);
    put_measured(o, "angle_deg", s->angle_deg, s->angle_sigma_deg);
    put_measured(o, "chi1", s->chi1, s->chi_sigma);
    put_measured(o, "chi2", s->chi2, s->chi_sigma);
    put_measured(o, "hfd_px", s->hfd_px, s->hfd_sigma_px);
    put_number(o, "beta", s->beta);
    put_number(o, "misfit", s->misfit);
    put_text(o, "flags", pl_kind_name(s->kind), NULL);
}

static void rests(to t, const pl_facts *facts)
{
    pl_known known[PL_RESTS];
    size_t n = pl_field_rests(facts, known);
    json_t *list = list_in(t, "facts");
    for (size_t i = 0; i < n; i++) {
        to o = new_item(list, t.ok);
        put_text(o, "name", known[i].name, NULL);
        if (isfinite(known[i].number))
            put_number(o, "value", known[i].number);
        else
            put_text(o, "value", known[i].value, NULL);
        put_text(o, "from", pl_source_name(known[i].from), NULL);
    }
}

static void warn(json_t *list, const char *text, bool *ok)
{
    char *clean = pl_clean(text, PL_CLEAN_VALID, NULL);
    if (!clean || json_array_append_new(list, json_string(clean)) != 0)
        *ok = false;
    free(clean);
}

static void common(to t, const pl_field *f, const char *file)
{
    bool changed = false;
    put_text(t, "program", "plumb-field", NULL);
    put_text(t, "version", PL_VERSION, NULL);
    put_count(t, "schema", 1);
    put_text(t, "file", file, &changed);
    json_t *list = list_in(t, "warnings");
    for (size_t i = 0; i < f->notes.n; i++)
        warn(list, f->notes.item[i], t.ok);
    if (changed)
        warn(list, "the file name is not valid UTF-8; each such byte is written as U+FFFD", t.ok);
    verdict(t, &f->verdict);
}

static void field(to t, const pl_field *f, bool with_stars)
{
    put_count(t, "width_px", (size_t)f->width_px);
    put_count(t, "height_px", (size_t)f->height_px);
    put_number(t, "scale_arcsec_px", f->scale_arcsec_px);
    put_text(t, "mosaic", f->mosaic[0] ? f->mosaic : "none", NULL);
    put_measured(t, "sky_adu", f->sky_adu, NAN);
    put_measured(t, "noise_adu", f->noise_adu, NAN);
    counts(t, f);
    shapes(t, f);
    exposure(t, &f->facts);
    zones(t, f);
    patterns(t, f);
    rests(t, &f->facts);
    if (!with_stars)
        return;
    json_t *list = list_in(t, "stars");
    for (size_t i = 0; i < f->stars; i++)
        star(new_item(list, t.ok), &f->star[i]);
}

char *pl_field_json(const pl_field *f, const char *file, bool with_stars)
{
    bool ok = true;
    to t = { json_object(), &ok };
    common(t, f, file);
    field(t, f, with_stars);
    char *text = ok ? json_dumps(t.object, JSON_COMPACT | JSON_REAL_PRECISION(PRINTED)) : NULL;
    json_decref(t.object);
    if (!text)
        return NULL;
    pl_string out = { 0 };
    pl_string_add(&out, "%s\n", text);
    free(text);
    return pl_string_take(&out);
}
