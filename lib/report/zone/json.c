/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.c - plumb-zone's answer for a program: one flat object on one line. */
#include "zone.h"
#include "../json.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { DIGITS = 7 }; /* all that any of these numbers means */

#define ROW(key, field)                                                                            \
    {                                                                                              \
        key, offsetof(pl_zone, field)                                                              \
    }
#define TRAVEL(key, field)                                                                         \
    ROW(key "_um", field.sensor_um), ROW(key "_drawtube_um", field.drawtube_um),                   \
        ROW(key "_steps", field.steps), ROW(key "_turns", field.turns)

static const struct {
    const char *key;
    size_t offset;
} table[] = {
    ROW("aperture_mm", optic.aperture_mm),
    ROW("focal_mm", focal_mm),
    ROW("mirror_focal_mm", mirror_focal_mm),
    ROW("obstruction", optic.obstruction),
    ROW("wavelength_um", optic.lambda_um),
    ROW("seeing_arcsec", optic.seeing_arcsec),
    ROW("f_ratio", optic.f_ratio),
    ROW("mirror_f_ratio", mirror_ratio),
    ROW("magnification", magnification),
    ROW("scale_arcsec_px", scale_arcsec_px),
    ROW("field_width_deg", width_deg),
    ROW("field_height_deg", height_deg),
    ROW("field_diagonal_mm", diagonal_mm),
    ROW("airy_diameter_um", airy_um),
    ROW("diffraction_fwhm_um", diffraction_fwhm_um),
    ROW("nyquist_pixel_um", nyquist_um),
    ROW("star_fwhm_um", fwhm_um),
    ROW("star_fwhm_arcsec", fwhm_arcsec),
    ROW("star_fwhm_px", fwhm_px),
    ROW("star_hfd_um", hfd_um),
    ROW("star_hfd_px", hfd_px),
    ROW("fwhm_growth", growth),
    TRAVEL("focus_allowed", allowed),
    TRAVEL("focus_quarter_wave", quarter),
    TRAVEL("focus_common_practice", common),
    TRAVEL("focus_2_percent", grow_2),
    TRAVEL("focus_5_percent", grow_5),
    TRAVEL("focus_10_percent", grow_10),
    ROW("focus_closed_form_um", closed_form_um),
    ROW("tilt_allowed_um_mm", tilt_um_mm),
    ROW("tilt_allowed_arcmin", tilt_arcmin),
    ROW("axis_allowed_mm", axis_mm),
    ROW("axis_allowed_arcmin", axis_arcmin),
    ROW("axis_allowed_coma_um", axis_coma_um),
    ROW("axis_moments_mm", axis_moments_mm),
    ROW("axis_ideal_mm", ideal_mm),
    ROW("axis_ideal_arcmin", ideal_arcmin),
    ROW("corner_coma_um", corner_coma_um),
    ROW("corner_coma_arcsec", corner_coma_arcsec),
    ROW("thermal_um_per_c", thermal_um_c),
    ROW("thermal_low_um_per_c", thermal_low_um_c),
    ROW("thermal_high_um_per_c", thermal_high_um_c),
    ROW("thermal_sensor_um_per_c", thermal_sensor_um_c),
    ROW("refocus_every_c", zone_c),
    ROW("secondary_needed_mm", secondary.needed_mm),
    ROW("secondary_offset_mm", secondary.offset_mm),
    ROW("secondary_concentric_mm", secondary.concentric_mm),
    ROW("secondary_lit_field_mm", secondary.lit_mm),
    ROW("donut_px", donut_px),
    TRAVEL("donut", donut),
    ROW("window_min", window_min),
    ROW("sub_s", sub_s),
    ROW("overhead_s", overhead_s),
    ROW("refocus_cost_s", refocus_cost_s),
    ROW("degrees_per_hour_c", degrees_per_hour),
    ROW("subs", subs),
    ROW("subs_undisturbed", subs_undisturbed),
    ROW("light_min", light_min),
    ROW("refocus_every_min", refocus_every_min),
    ROW("refocuses", refocuses),
    ROW("other_f_ratio", other_ratio),
    ROW("speed_ratio", speed),
};

static json_t *number(double v)
{
    if (!isfinite(v))
        return json_null();
    double round = pl_round_to(v, DIGITS);
    return fabs(round) < 1e9 && round == floor(round) ? json_integer((json_int_t)round)
                                                      : json_real(round);
}

static void sentences(json_t *list, const pl_zone *z, bool *ok)
{
    for (size_t i = 0; i < z->missing.n; i++)
        if (json_array_append_new(list, json_sprintf("left out: %s", z->missing.item[i])) != 0)
            *ok = false;
    for (size_t i = 0; i < z->notes.n; i++)
        if (json_array_append_new(list, json_string(z->notes.item[i])) != 0)
            *ok = false;
}

/* jansson takes no reference when it fails, and passes a failure on as NULL. */
char *pl_zone_json(const pl_zone *z)
{
    bool ok = true;
    pl_json t = { json_object(), &ok };
    pl_json_text(t, "program", "plumb-zone", NULL);
    pl_json_text(t, "version", PL_VERSION, NULL);
    pl_json_count(t, "schema", 1);
    for (size_t i = 0; i < PL_ARRAY_LEN(table); i++) {
        double v;
        memcpy(&v, (const char *)z + table[i].offset, sizeof v);
        if (json_object_set_new(t.object, table[i].key, number(v)) != 0)
            ok = false;
    }
    sentences(pl_json_list(t, "warnings"), z, &ok);
    return pl_json_line(t);
}
