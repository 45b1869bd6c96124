/* SPDX-License-Identifier: GPL-3.0-or-later */
/* zone.c - one telescope's whole answer: every tolerance, where the facts allow it, in the units
 * one turns and types. */
#include "optics.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define GROWTH_DEFAULT  0.05
#define COMA_GROWTH_MAX 0.5
enum { THIRD_ORDER_ARCMIN = 60 }; /* 1 degree: the formulas were checked to half of it */

/* What is being put together. */
struct work {
    const pl_facts *facts;
    const pl_zone_options *opt;
    pl_zone z;
};

/* An option's value; a default is named. */
static double told(struct work *w, const pl_num *num, const char *option, const char *unit)
{
    if (num->from == PL_FROM_DEFAULT)
        pl_note(&w->z.notes, "--%s %g%s%s by default", option, num->v, *unit ? " " : "", unit);
    return num->v;
}

static bool known(const pl_num *num)
{
    return num->from != PL_FROM_NOWHERE;
}

/* ---- telescope */

static double obstruction_of(struct work *w, double aperture)
{
    const pl_facts *f = w->facts;
    if (known(&f->obstruction))
        return f->obstruction.v;
    if (known(&f->secondary_mm) && f->secondary_mm.v <= 0.8 * aperture) {
        pl_note(&w->z.notes, "obstruction %.3g, taken from the secondary's size",
                f->secondary_mm.v / aperture);
        return f->secondary_mm.v / aperture;
    }
    pl_note(&w->z.notes, "obstruction none by default (--obstruction, [scope] obstruction)");
    return 0;
}

static pl_status telescope(struct work *w, pl_err *err)
{
    pl_optic *o = &w->z.optic;
    pl_status rc = pl_facts_need(w->facts, "aperture_mm", &o->aperture_mm, err);
    if (rc == PL_OK)
        rc = pl_facts_need(w->facts, "focal_mm", &w->z.focal_mm, err);
    if (rc != PL_OK)
        return rc;
    o->f_ratio = w->z.focal_mm / o->aperture_mm;
    if (!(o->f_ratio >= 1 && o->f_ratio <= 50))
        return pl_fail(err, PL_EARG,
                       "focal_mm %g over aperture_mm %g is f/%.3g; f/1 to f/50 can be "
                       "answered",
                       w->z.focal_mm, o->aperture_mm, o->f_ratio);
    o->obstruction = obstruction_of(w, o->aperture_mm);
    o->seeing_arcsec = told(w, &w->opt->seeing, "seeing", "arcsec");
    o->lambda_um = told(w, &w->opt->wavelength, "wavelength", "um");
    return pl_optic_check(o, err);
}

/* A corrector of magnification m that rides in the drawtube turns drawtube travel dx into m^2 dx at
 * the sensor (longitudinal magnification). */
static pl_status mirror(struct work *w, pl_err *err)
{
    const pl_facts *f = w->facts;
    pl_zone *z = &w->z;
    z->mirror_focal_mm = known(&f->mirror_focal_mm) ? f->mirror_focal_mm.v : z->focal_mm;
    if (!known(&f->mirror_focal_mm))
        pl_note(&z->notes, "mirror_focal_mm %g, the same as focal_mm, by default", z->focal_mm);
    z->mirror_ratio = z->mirror_focal_mm / z->optic.aperture_mm;
    if (!(z->mirror_ratio >= 1 && z->mirror_ratio <= 50))
        return pl_fail(err, PL_EARG,
                       "mirror_focal_mm %g over aperture_mm %g is f/%.3g; f/1 to f/50 "
                       "can be answered",
                       z->mirror_focal_mm, z->optic.aperture_mm, z->mirror_ratio);
    z->magnification = z->focal_mm / z->mirror_focal_mm;
    if (f->carries.from == PL_FROM_NOWHERE && z->magnification != 1)
        pl_note(&z->notes, "carries corrector by default (--carries, [focuser] carries)");
    return PL_OK;
}

/* ---- picture */

static void camera(struct work *w)
{
    const pl_facts *f = w->facts;
    pl_zone *z = &w->z;
    z->pixel_um = f->pixel_um.v;
    double mm_px = z->pixel_um * 1e-3;
    z->scale_arcsec_px = mm_px / z->focal_mm / PL_ARCSEC_RAD;
    z->width_deg = 2 * atan(f->width_px.v * mm_px / 2 / z->focal_mm) * 180 / M_PI;
    z->height_deg = 2 * atan(f->height_px.v * mm_px / 2 / z->focal_mm) * 180 / M_PI;
    z->diagonal_mm =
        known(&w->opt->field) ? w->opt->field.v : hypot(f->width_px.v, f->height_px.v) * mm_px;
    if (isnan(z->pixel_um))
        pl_note(&z->missing, "scale, sampling, donut: give --pixel-um or [camera] pixel_um");
    if (isnan(z->diagonal_mm))
        pl_note(&z->missing,
                "field, sensor tilt, corner: give --field, or the sensor's --width-px, "
                "--height-px and --pixel-um ([camera])");
}

static pl_status star(struct work *w, pl_err *err)
{
    pl_zone *z = &w->z;
    pl_optic airless = z->optic;
    airless.seeing_arcsec = 0;
    pl_status rc = pl_airy_radius(z->optic.lambda_um, z->optic.f_ratio, z->optic.obstruction,
                                  &z->airy_um, err);
    if (rc == PL_OK)
        rc = pl_star_size(&airless, 0, &z->diffraction_fwhm_um, NULL, err);
    if (rc == PL_OK)
        rc = pl_star_size(&z->optic, 0, &z->fwhm_um, &z->hfd_um, err);
    z->airy_um *= 2;
    z->nyquist_um = z->optic.lambda_um * z->optic.f_ratio / 2;
    z->fwhm_arcsec = z->fwhm_um * 1e-3 / z->focal_mm / PL_ARCSEC_RAD;
    z->fwhm_px = z->fwhm_um / z->pixel_um;
    z->hfd_px = z->hfd_um / z->pixel_um;
    return rc;
}

/* ---- focus and tilt */

static pl_status depth(const struct work *w, double growth, pl_travel *out, pl_err *err)
{
    double um;
    pl_status rc = pl_star_depth(&w->z.optic, growth, &um, err);
    if (rc == PL_OK)
        *out = pl_travel_of(w->facts, um);
    return rc;
}

static pl_status seeing_depths(struct work *w, pl_err *err)
{
    pl_zone *z = &w->z;
    pl_status rc = depth(w, 0.02, &z->grow_2, err);
    if (rc == PL_OK)
        rc = depth(w, 0.05, &z->grow_5, err);
    if (rc == PL_OK)
        rc = depth(w, 0.10, &z->grow_10, err);
    if (rc == PL_OK)
        rc = depth(w, z->growth, &z->allowed, err);
    return rc;
}

static pl_status focus(struct work *w, pl_err *err)
{
    pl_zone *z = &w->z;
    double quarter, common;
    z->growth = known(&w->facts->fwhm_growth) ? w->facts->fwhm_growth.v : GROWTH_DEFAULT;
    if (!known(&w->facts->fwhm_growth))
        pl_note(&z->notes, "fwhm_growth %g by default ([tolerance] fwhm_growth)", z->growth);
    pl_status rc = pl_focus_depth(z->optic.lambda_um, z->optic.f_ratio, &quarter, err);
    if (rc == PL_OK)
        rc = pl_focus_zone_common(z->optic.lambda_um, z->optic.f_ratio, &common, err);
    if (rc == PL_OK)
        rc = pl_focus_depth_seeing(z->fwhm_um, z->optic.f_ratio, z->optic.obstruction, z->growth,
                                   &z->closed_form_um, err);
    if (rc != PL_OK)
        return rc;
    z->quarter = pl_travel_of(w->facts, quarter);
    z->common = pl_travel_of(w->facts, common);
    if (!known(&w->facts->step_um) && !known(&w->facts->um_per_turn))
        pl_note(&z->missing, "steps and turns: give --step-um or --um-per-turn ([focuser])");
    return seeing_depths(w, err);
}

static void tilt(struct work *w)
{
    pl_zone *z = &w->z;
    z->tilt_um_mm = z->allowed.sensor_um / (z->diagonal_mm / 2);
    z->tilt_arcmin = atan(z->tilt_um_mm * 1e-3) / PL_ARCMIN_RAD;
}

/* ---- collimation */

/* Axis error for a coma, in arcmin at the mirror and in mm at the sensor: the mirror's own ratio
 * rules the coma, the magnification carries the coma-free point to the sensor. */
static pl_status axis(const struct work *w, double w131_um, double *arcmin, double *mm, pl_err *err)
{
    const pl_zone *z = &w->z;
    pl_status rc = pl_coma_axis(z->optic.aperture_mm, z->mirror_ratio, w131_um, arcmin, err);
    *mm = tan(*arcmin * PL_ARCMIN_RAD) * z->mirror_focal_mm * z->magnification;
    return rc;
}

/* At the tolerated growth, both ways; left out where the coma is more than can be computed. */
static pl_status axis_in_seeing(struct work *w, pl_err *err)
{
    pl_zone *z = &w->z;
    pl_err why = { PL_OK, "" };
    double moments, unused, growth = fmin(z->growth, COMA_GROWTH_MAX);
    pl_status rc = pl_star_coma_limit(&z->optic, growth, &z->axis_coma_um, &why);
    if (rc == PL_EARG) {
        pl_note(&z->missing, "primary's axis in this seeing: %s", why.msg);
        return PL_OK;
    }
    if (rc != PL_OK)
        return pl_fail(err, rc, "%s", why.msg);
    if (growth < z->growth)
        pl_note(&z->notes, "primary's axis for a growth of %g, the most that is computed", growth);
    rc = axis(w, z->axis_coma_um, &z->axis_arcmin, &z->axis_mm, err);
    if (rc == PL_OK)
        rc = pl_coma_w131_moments(z->fwhm_um, z->optic.f_ratio, z->optic.obstruction, growth,
                                  &moments, err);
    return rc == PL_OK ? axis(w, moments, &unused, &z->axis_moments_mm, err) : rc;
}

static pl_status collimation(struct work *w, pl_err *err)
{
    pl_zone *z = &w->z;
    double rms;
    pl_status rc = pl_coma_rms(z->optic.obstruction, &rms, err);
    if (rc == PL_OK)
        rc = axis(w, z->optic.lambda_um / 14 / rms, &z->ideal_arcmin, &z->ideal_mm, err);
    if (rc == PL_OK)
        rc = axis_in_seeing(w, err);
    if (z->axis_arcmin > THIRD_ORDER_ARCMIN)
        pl_note(&z->notes,
                "an axis error of more than %d arcmin is past what third-order coma tells",
                THIRD_ORDER_ARCMIN);
    /* Tangential coma 3 theta / (16 N^2) of the bare mirror, at the corner's height theta f. */
    z->corner_coma_um = 3 * (z->diagonal_mm / 2 * 1e3) / (16 * z->mirror_ratio * z->mirror_ratio);
    z->corner_coma_arcsec = z->corner_coma_um * 1e-3 / z->mirror_focal_mm / PL_ARCSEC_RAD;
    return rc;
}

/* Where diffraction outdoes the air, the core of the image keeps its width while light leaves it:
 * then the wavefront is what counts, not the FWHM. */
static void diffraction_rules(struct work *w)
{
    pl_zone *z = &w->z;
    double arcsec = z->diffraction_fwhm_um * z->fwhm_arcsec / z->fwhm_um;
    if (!(arcsec > z->optic.seeing_arcsec))
        return;
    pl_note(&z->notes,
            "this air is finer than diffraction (%.3g arcsec): at most the quarter wave and "
            "lambda/14 are allowed, whatever the FWHM does",
            arcsec);
    z->diffraction_rules = true;
    if (z->allowed.sensor_um > z->quarter.sensor_um)
        z->allowed = z->quarter;
    if (!(z->axis_arcmin < z->ideal_arcmin)) {
        z->axis_arcmin = z->ideal_arcmin;
        z->axis_mm = z->ideal_mm;
    }
}

/* ---- temperature and secondary */

/* Tube between focuser and primary: told, or the mirror's focal length less what the flat folds
 * away (the flat sits before the focuser). */
static double tube_length(struct work *w)
{
    const pl_facts *f = w->facts;
    double folded = w->z.mirror_focal_mm - f->secondary_to_focus_mm.v;
    if (known(&f->tube_length_mm) || !(folded > 0))
        return f->tube_length_mm.v;
    pl_note(&w->z.notes, "tube_length_mm %g, the mirror's focal length less secondary_to_focus_mm",
            folded);
    return folded;
}

static pl_status thermal(struct work *w, pl_err *err)
{
    const pl_facts *f = w->facts;
    pl_zone *z = &w->z;
    double length = tube_length(w), t, t0, t1, m, m0, m1, um, low, high;
    if (!f->tube_material.s[0] || !f->mirror_material.s[0] || isnan(length)) {
        pl_note(&z->missing, "focus and temperature: give --tube-material, --mirror-material and "
                             "--tube-length-mm ([scope])");
        return PL_OK;
    }
    pl_status rc = pl_material_cte(f->tube_material.s, &t, &t0, &t1, err);
    if (rc == PL_OK)
        rc = pl_material_cte(f->mirror_material.s, &m, &m0, &m1, err);
    if (rc == PL_OK)
        rc = pl_thermal_shift(length, z->mirror_focal_mm, t, m, &um, err);
    if (rc == PL_OK)
        rc = pl_thermal_shift(length, z->mirror_focal_mm, t1, m0, &low, err);
    if (rc == PL_OK)
        rc = pl_thermal_shift(length, z->mirror_focal_mm, t0, m1, &high, err);
    if (rc != PL_OK)
        return rc;
    double sensor = z->magnification * z->magnification, tube = sensor / pl_carried(w->facts);
    z->thermal_sensor_um_c = um * sensor;
    z->thermal_um_c = um * tube;
    z->thermal_low_um_c = low * tube;
    z->thermal_high_um_c = high * tube;
    z->zone_c = z->allowed.sensor_um / fabs(z->thermal_sensor_um_c);
    return PL_OK;
}

/* A flat that cannot be where the facts put it spoils this part alone. */
static void secondary(struct work *w)
{
    const pl_facts *f = w->facts;
    pl_zone *z = &w->z;
    pl_err why = { PL_OK, "" };
    if (!known(&f->secondary_mm) || !known(&f->secondary_to_focus_mm))
        pl_note(&z->missing,
                "secondary: give --secondary-mm and --secondary-to-focus-mm ([scope])");
    else if (pl_secondary_place(z->optic.aperture_mm, z->mirror_focal_mm, f->secondary_mm.v,
                                f->secondary_to_focus_mm.v, &z->secondary, &why) != PL_OK)
        pl_note(&z->missing, "secondary: %s", why.msg);
}

/* ---- the evening */

static void evening(struct work *w)
{
    const pl_zone_options *o = w->opt;
    pl_zone *z = &w->z;
    if (!isnan(z->pixel_um)) {
        z->donut_px = told(w, &o->donut, "donut", "px");
        z->donut = pl_travel_of(w->facts, z->donut_px * z->pixel_um * z->optic.f_ratio);
    }
    z->window_min = told(w, &o->window, "window", "min");
    z->sub_s = told(w, &o->sub, "sub", "s");
    z->overhead_s = told(w, &o->overhead, "overhead", "s");
    if (!isnan(z->zone_c)) {
        z->refocus_cost_s = told(w, &o->refocus_cost, "refocus-cost", "s");
        z->degrees_per_hour = told(w, &o->degrees_per_hour, "degrees-per-hour", "C");
    }
    z->other_ratio = told(w, &o->other_ratio, "other-ratio", "");
    pl_zone_budget(z);
}

/* Every number of the answer is a double until it is known. */
static pl_zone blank(void)
{
    const pl_travel none = { NAN, NAN, NAN, NAN };
    pl_zone z = { .donut = none, .donut_px = NAN, .secondary = { NAN, NAN, NAN, NAN } };
    z.thermal_um_c = z.thermal_low_um_c = z.thermal_high_um_c = z.thermal_sensor_um_c = NAN;
    z.axis_mm = z.axis_arcmin = z.axis_coma_um = z.axis_moments_mm = NAN;
    z.zone_c = z.refocus_cost_s = z.degrees_per_hour = NAN;
    return z;
}

static struct work begin(const pl_facts *facts, const pl_zone_options *options)
{
    return (struct work){ .facts = facts, .opt = options, .z = blank() };
}

/* What holds at any time of any evening. */
static pl_status tolerances(struct work *w, pl_err *err)
{
    pl_status rc = telescope(w, err);
    if (rc == PL_OK)
        rc = mirror(w, err);
    if (rc == PL_OK) {
        camera(w);
        rc = star(w, err);
    }
    if (rc == PL_OK)
        rc = focus(w, err);
    if (rc == PL_OK)
        rc = collimation(w, err);
    if (rc == PL_OK) {
        diffraction_rules(w);
        tilt(w);
    }
    return rc;
}

pl_status pl_zone_tolerances(const pl_facts *facts, const pl_zone_options *options, pl_zone *out,
                             pl_err *err)
{
    struct work w = begin(facts, options);
    pl_status rc = tolerances(&w, err);
    if (rc == PL_OK)
        *out = w.z;
    else
        pl_zone_clear(&w.z);
    return rc;
}

pl_status pl_zone_compute(const pl_facts *facts, const pl_zone_options *options, pl_zone *out,
                          pl_err *err)
{
    pl_zone_options defaults = pl_zone_defaults();
    struct work w = begin(facts, options ? options : &defaults);
    pl_status rc = tolerances(&w, err);
    if (rc == PL_OK)
        rc = thermal(&w, err);
    if (rc != PL_OK) {
        pl_zone_clear(&w.z);
        return rc;
    }
    secondary(&w);
    evening(&w);
    *out = w.z;
    return PL_OK;
}

void pl_zone_clear(pl_zone *zone)
{
    if (!zone)
        return;
    pl_notes_clear(&zone->notes);
    pl_notes_clear(&zone->missing);
}
