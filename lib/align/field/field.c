/* SPDX-License-Identifier: GPL-3.0-or-later */
/* field.c - one frame from file to verdict. */
#include "../align.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { FEWEST_STARS = 5, ENOUGH_SHARP = 30 };

static const double SHARP_ERROR =
    0.05; /* relative error of FWHM of the stars that set the median */

static bool is_sharp(const pl_star *s)
{
    return s->fwhm_sigma_px < SHARP_ERROR * s->fwhm_px;
}

/* Median and its error of one number of the stars (at `offset` in pl_star) over the well measured
 * ones; over all when those are few. */
static void typical(const pl_field *f, size_t offset, double *work, double *centre, double *error)
{
    size_t n = 0, sharp = 0;
    for (size_t i = 0; i < f->used; i++)
        sharp += is_sharp(&f->star[i]);
    for (size_t i = 0; i < f->used; i++) {
        double v = *(const double *)(const void *)((const char *)&f->star[i] + offset);
        if (isfinite(v) && (sharp < ENOUGH_SHARP || is_sharp(&f->star[i])))
            work[n++] = v;
    }
    pl_robust_mean(work, n, centre, NULL, error);
}

#define TYPICAL(f, field, work, centre, error)                                                     \
    typical(f, offsetof(pl_star, field), work, centre, error)

/* Median square of the ellipticity; its noise adds 2 sigma^2, which is taken off. */
static void typical_square(const pl_field *f, double *work, double *centre, double *error)
{
    size_t n = 0;
    for (int all = 0; all < 2 && n < ENOUGH_SHARP; all++) {
        n = 0;
        for (size_t i = 0; i < f->used; i++) {
            const pl_star *s = &f->star[i];
            if (all || is_sharp(s))
                work[n++] = s->chi1 * s->chi1 + s->chi2 * s->chi2 - 2 * s->chi_sigma * s->chi_sigma;
        }
    }
    pl_robust_mean(work, n, centre, NULL, error);
}

static double eccentricity(double chi)
{
    return sqrt(2 * chi / (1 + chi));
}

static void summarise(pl_field *f, double *work)
{
    double e1, e2, s1, s2, square, square_error, ignored;
    TYPICAL(f, fwhm_px, work, &f->fwhm_px, &f->fwhm_sigma_px);
    TYPICAL(f, hfd_px, work, &f->hfd_px, &f->hfd_sigma_px);
    TYPICAL(f, chi1, work, &e1, &s1);
    TYPICAL(f, chi2, work, &e2, &s2);
    typical_square(f, work, &square, &square_error);
    f->chi = hypot(e1, e2);
    f->chi_sigma = sqrt(0.5 * (s1 * s1 + s2 * s2));
    double deg = 90 / M_PI * atan2(e2, e1);
    f->elongation_deg = deg < 0 ? deg + 180 : deg;
    f->elongation_sigma_deg = fmin(52, 90 / M_PI * f->chi_sigma / fmax(f->chi, 1e-9));
    double chi = sqrt(fmax(0, square)), high = sqrt(fmax(0, square) + square_error);
    f->eccentricity = eccentricity(chi);
    f->eccentricity_sigma = eccentricity(high) - f->eccentricity;
    TYPICAL(f, red_x_px, work, &f->red_x_px, &f->red_sigma_px);
    TYPICAL(f, red_y_px, work, &f->red_y_px, &ignored);
    TYPICAL(f, blue_x_px, work, &f->blue_x_px, &f->blue_sigma_px);
    TYPICAL(f, blue_y_px, work, &f->blue_y_px, &ignored);
}

/* Plate scale from pixel pitch and focal length: 206.265 um / mm (definition of the radian). */
static void set_scale(pl_field *f)
{
    f->scale_arcsec_px = 206.264806 * f->facts.pixel_um.v / f->facts.focal_mm.v;
    if (!isfinite(f->scale_arcsec_px))
        pl_note(&f->notes,
                "no arcseconds: pixel size or focal length unknown (--pixel-um, --focal-mm)");
}

static pl_status too_few(const pl_stars *s, pl_err *err)
{
    if (s->found == 0)
        return pl_fail(
            err, PL_ENODATA,
            "no stars stand above the sky (%.4g ADU, noise %.3g): cap on, clouds, or far out of "
            "focus?",
            s->sky_adu, s->noise_adu);
    const char *advice = s->kind[PL_SATURATED] > s->fitted / 2
                             ? "expose shorter"
                             : "expose longer, focus, or try another field";
    return pl_fail(
        err, PL_ENODATA,
        "usable stars: %zu, needed: %d (of %zu bumps: %zu saturated, %zu blended, %zu at the "
        "edge, %zu sharper than stars, %zu trails, %zu extended, %zu too faint): %s",
        s->used, FEWEST_STARS, s->found, s->kind[PL_SATURATED], s->kind[PL_BLENDED],
        s->kind[PL_EDGE], s->kind[PL_SHARP], s->kind[PL_TRAIL], s->kind[PL_EXTENDED],
        s->kind[PL_FAINT] + s->kind[PL_NOISE], advice);
}

static void take_over(pl_field *f, pl_stars *s)
{
    f->found = s->found;
    f->fitted = s->fitted;
    f->used = s->used;
    memcpy(f->kind, s->kind, sizeof f->kind);
    f->beta = s->beta;
    f->sky_adu = s->sky_adu;
    f->noise_adu = s->noise_adu;
    memcpy(f->mosaic, s->mosaic, sizeof f->mosaic);
    f->star = s->star;
    f->stars = s->stars;
    s->star = NULL;
}

static pl_view view_of(pl_field *f)
{
    pl_view v = { 0, 0, 0.5 * hypot(f->width_px, f->height_px) };
    if (pl_sensor_centre(&f->facts, f->width_px, f->height_px, &v.x_px, &v.y_px))
        pl_note(&f->notes,
                "a sub-frame: patterns are centred on the sensor's middle, column %.0f, row %.0f",
                v.x_px + 1, v.y_px + 1);
    return v;
}

static pl_status judge(pl_field *f, pl_err *err)
{
    pl_view view = view_of(f);
    pl_pattern_fit fit;
    double *work = malloc(sizeof *work * (f->used + 1));
    if (!work)
        return pl_fail(err, PL_ENOMEM, "out of memory for %zu stars", f->used);
    summarise(f, work);
    free(work);
    pl_status st = pl_cells_cut(f->star, f->used, f, &f->cell, &f->cells, err);
    if (st == PL_OK)
        st = pl_patterns_fit(f->star, f->used, &view, &fit, err);
    if (st == PL_OK)
        pl_field_judge(f, &fit);
    return st;
}

pl_status pl_field_measure(const pl_frame *frame, const pl_facts *facts, size_t best, int jobs,
                           pl_field *out, pl_err *err)
{
    pl_field f = { .width_px = frame->width, .height_px = frame->height, .facts = *facts };
    pl_stars stars = { 0 };
    pl_facts_merge(&f.facts, &frame->facts);
    for (size_t i = 0; i < frame->notes.n; i++)
        pl_note(&f.notes, "%s", frame->notes.item[i]);
    set_scale(&f);
    pl_status st = pl_stars_measure(frame, &f.facts, best, jobs, &stars, &f.notes, err);
    if (st == PL_OK && stars.used < FEWEST_STARS)
        st = too_few(&stars, err);
    if (st == PL_OK) {
        take_over(&f, &stars);
        st = judge(&f, err);
    }
    if (st == PL_OK)
        st = pl_frame_settled(frame, err);
    pl_stars_clear(&stars);
    if (st != PL_OK)
        pl_field_clear(&f);
    else
        *out = f;
    return st;
}

void pl_field_clear(pl_field *field)
{
    if (!field)
        return;
    free(field->star);
    free(field->cell);
    pl_notes_clear(&field->notes);
    *field = (pl_field){ 0 };
}
