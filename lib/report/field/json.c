/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.c - a field as one line of JSON, schema 1 (plumb-json(5)). */
#include "../json.h"
#include "../report.h"

#include <math.h>

static void counts(pl_json t, const pl_field *f)
{
    pl_json_count(t, "stars_found", f->found);
    pl_json_count(t, "stars_fitted", f->fitted);
    pl_json_count(t, "stars_used", f->used);
    pl_json_count(t, "stars_saturated", f->kind[PL_SATURATED]);
    pl_json o = pl_json_object(t, "rejected");
    for (int k = PL_STAR + 1; k < PL_KINDS; k++)
        pl_json_count(o, pl_kind_name((pl_kind)k), f->kind[k]);
}

static void shapes(pl_json t, const pl_field *f)
{
    double scale = f->scale_arcsec_px;
    pl_json_measured(t, "fwhm_px", f->fwhm_px, f->fwhm_sigma_px);
    pl_json_measured(t, "fwhm_arcsec", f->fwhm_px * scale, f->fwhm_sigma_px * scale);
    pl_json_measured(t, "hfd_px", f->hfd_px, f->hfd_sigma_px);
    pl_json_measured(t, "hfd_arcsec", f->hfd_px * scale, f->hfd_sigma_px * scale);
    pl_json_measured(t, "eccentricity", f->eccentricity, f->eccentricity_sigma);
    pl_json_measured(t, "elongation_deg", f->elongation_deg, f->elongation_sigma_deg);
    pl_json_measured(t, "chi", f->chi, f->chi_sigma);
    pl_json_measured(t, "beta", f->beta, NAN);
    pl_json_measured(t, "red_x_px", f->red_x_px, f->red_sigma_px);
    pl_json_measured(t, "red_y_px", f->red_y_px, f->red_sigma_px);
    pl_json_measured(t, "blue_x_px", f->blue_x_px, f->blue_sigma_px);
    pl_json_measured(t, "blue_y_px", f->blue_y_px, f->blue_sigma_px);
}

static void zones(pl_json t, const pl_field *f)
{
    json_t *list = pl_json_list(t, "zones");
    for (size_t i = 0; i < f->cells; i++) {
        const pl_cell *z = &f->cell[i];
        pl_json o = pl_json_item(list, t.ok);
        pl_json_digits(o, "x_px", pl_fits_px(z->x_px), PL_JSON_PLACES);
        pl_json_digits(o, "y_px", pl_fits_px(z->y_px), PL_JSON_PLACES);
        pl_json_number(o, "x_mm", z->x_mm);
        pl_json_number(o, "y_mm", z->y_mm);
        pl_json_count(o, "stars", z->stars);
        pl_json_measured(o, "fwhm_px", z->fwhm_px, z->fwhm_sigma_px);
        pl_json_measured(o, "eccentricity", z->eccentricity, z->eccentricity_sigma);
        pl_json_number(o, "angle_deg", z->angle_deg);
        pl_json_measured(o, "chi1", z->chi1, z->chi_sigma);
        pl_json_measured(o, "chi2", z->chi2, z->chi_sigma);
    }
}

static void patterns(pl_json t, const pl_field *f)
{
    json_t *list = pl_json_list(t, "patterns");
    for (int i = 0; i < PL_PATTERNS; i++) {
        const pl_pattern *p = &f->pattern[i];
        pl_json o = pl_json_item(list, t.ok);
        pl_json_text(o, "name", pl_pattern_title(i), NULL);
        pl_json_measured(o, "amplitude", p->amplitude, p->amplitude_sigma);
        pl_json_text(o, "unit", p->unit ? p->unit : "", NULL);
        pl_json_number(o, "significance", p->significance);
        pl_json_number(o, "tolerance", p->tolerance);
        pl_json_number(o, "angle_deg", p->angle_deg);
        pl_json_digits(o, "x_px", pl_fits_px(p->x_px), PL_JSON_PLACES);
        pl_json_digits(o, "y_px", pl_fits_px(p->y_px), PL_JSON_PLACES);
        pl_json_text(o, "meaning", p->meaning, NULL);
    }
}

static void star(pl_json o, const pl_star *s)
{
    pl_json_position(o, "x_px", s->x_px, s->x_sigma_px);
    pl_json_position(o, "y_px", s->y_px, s->y_sigma_px);
    pl_json_measured(o, "flux_adu", s->flux_adu, s->flux_sigma_adu);
    pl_json_number(o, "peak_adu", s->peak_adu);
    pl_json_number(o, "sky_adu", s->sky_adu);
    pl_json_number(o, "snr", s->snr);
    pl_json_measured(o, "fwhm_px", s->fwhm_px, s->fwhm_sigma_px);
    pl_json_measured(o, "fwhm_major_px", s->fwhm_major_px, s->fwhm_major_sigma_px);
    pl_json_measured(o, "fwhm_minor_px", s->fwhm_minor_px, s->fwhm_minor_sigma_px);
    pl_json_measured(o, "eccentricity", s->eccentricity, s->eccentricity_sigma);
    pl_json_measured(o, "angle_deg", s->angle_deg, s->angle_sigma_deg);
    pl_json_measured(o, "chi1", s->chi1, s->chi_sigma);
    pl_json_measured(o, "chi2", s->chi2, s->chi_sigma);
    pl_json_measured(o, "hfd_px", s->hfd_px, s->hfd_sigma_px);
    pl_json_number(o, "beta", s->beta);
    pl_json_number(o, "misfit", s->misfit);
    pl_json_text(o, "flags", pl_kind_name(s->kind), NULL);
}

static void rests(pl_json t, const pl_facts *facts)
{
    pl_known known[PL_RESTS];
    size_t n = pl_field_rests(facts, known);
    json_t *list = pl_json_list(t, "facts");
    for (size_t i = 0; i < n; i++) {
        pl_json o = pl_json_item(list, t.ok);
        pl_json_text(o, "name", known[i].name, NULL);
        if (isfinite(known[i].number))
            pl_json_number(o, "value", known[i].number);
        else
            pl_json_text(o, "value", known[i].value, NULL);
        pl_json_text(o, "from", pl_source_name(known[i].from), NULL);
    }
}

static void field(pl_json t, const pl_field *f, bool with_stars)
{
    pl_json_count(t, "width_px", (size_t)f->width_px);
    pl_json_count(t, "height_px", (size_t)f->height_px);
    pl_json_number(t, "scale_arcsec_px", f->scale_arcsec_px);
    pl_json_text(t, "mosaic", f->mosaic[0] ? f->mosaic : "none", NULL);
    pl_json_measured(t, "sky_adu", f->sky_adu, NAN);
    pl_json_measured(t, "noise_adu", f->noise_adu, NAN);
    counts(t, f);
    shapes(t, f);
    pl_json_exposure(t, &f->facts);
    zones(t, f);
    patterns(t, f);
    rests(t, &f->facts);
    if (!with_stars)
        return;
    json_t *list = pl_json_list(t, "stars");
    for (size_t i = 0; i < f->stars; i++)
        star(pl_json_item(list, t.ok), &f->star[i]);
}

pl_json pl_json_field(bool *ok, const pl_field *f, const char *file, bool with_stars)
{
    pl_json t = pl_json_begin(ok, "plumb-field", &file, 1, &f->notes);
    pl_json_verdict(t, &f->verdict);
    field(t, f, with_stars);
    return t;
}

char *pl_field_json(const pl_field *f, const char *file, bool with_stars)
{
    bool ok = true;
    return pl_json_line(pl_json_field(&ok, f, file, with_stars));
}
