/* SPDX-License-Identifier: GPL-3.0-or-later */
/* check.c - one exposure's whole answer: what its stars are like, focus and air, a reference. */
#include "check.h"
#include "sense.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Exposures whose times differ by more are not compared by number of stars. */
static const double SAME_TIME = 0.1;

enum { DRIFT_OF = 3, BRIGHTEST = 5, FAINTEST = 20 };

double pl_check_light(const pl_field *f)
{
    double sum = 0;
    if (f->used < FAINTEST || !(f->facts.exposure_s.v > 0))
        return NAN;
    for (size_t i = BRIGHTEST - 1; i < FAINTEST; i++)
        sum += log(f->star[i].flux_adu);
    return exp(sum / (FAINTEST - BRIGHTEST + 1)) / f->facts.exposure_s.v;
}

static void summarise(pl_check *c, const pl_field *f)
{
    c->scale_arcsec_px = f->scale_arcsec_px;
    c->width_mm = f->width_px * f->facts.pixel_um.v / 1000;
    c->height_mm = f->height_px * f->facts.pixel_um.v / 1000;
    c->fwhm_px = f->fwhm_px;
    c->fwhm_sigma_px = f->fwhm_sigma_px;
    c->eccentricity = f->eccentricity;
    c->eccentricity_sigma = f->eccentricity_sigma;
    c->chi = f->chi;
    c->chi_sigma = f->chi_sigma;
    c->elongation_deg = f->elongation_deg;
    c->elongation_sigma_deg = f->elongation_sigma_deg;
    c->sky_adu = f->sky_adu;
    c->noise_adu = f->noise_adu;
    c->stars = f->used;
    c->light_adu_s = pl_check_light(f);
    c->trails = f->kind[PL_TRAIL];
    memcpy(c->mosaic, f->mosaic, sizeof c->mosaic);
    c->facts = f->facts;
    c->field = f->verdict;
    for (size_t i = 0; i < f->notes.n; i++)
        pl_note(&c->notes, "%s", f->notes.item[i]);
}

static void compare(pl_check *c, const pl_field *f, const pl_field *reference)
{
    c->softer = c->softer_sigma = c->star_ratio = NAN;
    c->with_reference = reference != NULL;
    if (!reference)
        return;
    double ratio = f->fwhm_px / reference->fwhm_px;
    c->softer = ratio - 1;
    c->softer_sigma =
        ratio * hypot(f->fwhm_sigma_px / f->fwhm_px, reference->fwhm_sigma_px / reference->fwhm_px);
    double time = f->facts.exposure_s.v / reference->facts.exposure_s.v;
    if (!(fabs(time - 1) > SAME_TIME)) /* a shorter exposure shows fewer; not told: alike */
        c->star_ratio = (double)f->used / (double)reference->used;
}

static void too_few(pl_sense *s, size_t stars)
{
    *s = (pl_sense){ .defocus_um = NAN,
                     .defocus_sigma_um = NAN,
                     .size_um = NAN,
                     .size_sigma_um = NAN,
                     .seeing_arcsec = NAN,
                     .seeing_sigma_arcsec = NAN,
                     .usual_arcsec = NAN,
                     .fwhm_px = NAN,
                     .focused_px = NAN,
                     .focused_sigma_px = NAN,
                     .zone_um = NAN,
                     .other_side = NAN,
                     .chi2 = NAN,
                     .gain = NAN };
    snprintf(s->reason, sizeof s->reason, "%zu usable stars: cloud, or a poor field", stars);
}

static void weigh(pl_check *c, double drift_um_h, size_t exposures, const pl_check_options *options)
{
    c->drift_um_h = drift_um_h;
    c->drift_of = exposures;
    pl_check_costs(c, options);
    pl_check_judge(c);
}

/* The frame told about is the last one. */
static pl_status check(const pl_field *field, size_t frames, const pl_surface *surface,
                       const pl_field *reference, const pl_check_options *options, int jobs,
                       pl_check *out, pl_err *err)
{
    pl_check_options plain = pl_check_defaults();
    pl_check c = { .drift_um_h = NAN };
    const pl_field *f = &field[frames - 1];
    pl_status rc = PL_OK;
    options = options ? options : &plain;
    summarise(&c, f);
    if (frames == 1 && f->used < PL_SENSE_STARS)
        too_few(&c.sense, f->used);
    else
        rc = frames > 1
                 ? pl_sense_pair(field, surface, &options->sense, jobs, &c.notes, &c.sense, err)
                 : pl_sense_frame(field, surface, &options->sense, jobs, &c.notes, &c.sense, err);
    if (rc != PL_OK) {
        pl_check_clear(&c);
        return rc;
    }
    c.move = pl_travel_of(&c.facts, -c.sense.defocus_um);
    if (isfinite(c.move.drawtube_um))
        pl_carried_note(&c.facts, &c.notes);
    compare(&c, f, reference);
    weigh(&c, options->drift_um_h, 0, options);
    *out = c;
    return PL_OK;
}

pl_status pl_check_frame(const pl_field *field, const pl_surface *surface,
                         const pl_field *reference, const pl_check_options *options, int jobs,
                         pl_check *out, pl_err *err)
{
    return check(field, 1, surface, reference, options, jobs, out, err);
}

pl_status pl_check_pair(const pl_field *field, const pl_surface *surface,
                        const pl_check_options *options, int jobs, pl_check *out, pl_err *err)
{
    return check(field, 2, surface, NULL, options, jobs, out, err);
}

/* ---- drift */

/* Whether the focuser stood where it did in the last exposure, as far as is known. */
static bool stood(const pl_check *c, const pl_check *last)
{
    double a = c->facts.position_steps.v, b = last->facts.position_steps.v;
    return !(isfinite(a) && isfinite(b)) || a == b;
}

size_t pl_check_drift(const pl_check *check, size_t n, double *um_h, double *sigma)
{
    double s = 0, sx = 0, sy = 0, sxx = 0, sxy = 0, t, start = NAN;
    size_t count = 0;
    *um_h = *sigma = NAN;
    for (size_t i = 0; i < n; i++) {
        const pl_sense *f = &check[i].sense;
        if (!f->sign_known || !stood(&check[i], &check[n - 1]) ||
            !pl_date_seconds(check[i].facts.date_obs.s, &t))
            continue;
        start = count++ ? start : t;
        double x = (t - start) / 3600, w = 1 / (f->defocus_sigma_um * f->defocus_sigma_um);
        s += w;
        sx += w * x;
        sy += w * f->defocus_um;
        sxx += w * x * x;
        sxy += w * x * f->defocus_um;
    }
    double det = s * sxx - sx * sx;
    if (count < DRIFT_OF || !(det > 1e-9 * s * sxx))
        return count;
    *um_h = -(s * sxy - sx * sy) / det; /* focus that moves out leaves the sensor too far in */
    *sigma = sqrt(s / det);
    return count;
}

void pl_check_follow(pl_check *check, size_t n, const pl_check_options *options)
{
    double um_h, sigma;
    if (n == 0 || isfinite(options->drift_um_h))
        return;
    size_t of = pl_check_drift(check, n, &um_h, &sigma);
    if (fabs(um_h) > 2 * sigma)
        weigh(&check[n - 1], um_h, of, options);
}

size_t pl_check_best(const pl_field *const *field, size_t n)
{
    size_t most = 0, best = n;
    for (size_t i = 0; i < n; i++)
        most = field[i]->used > most ? field[i]->used : most;
    for (size_t i = 0; i < n; i++)
        if (2 * field[i]->used >= most && (best == n || field[i]->fwhm_px < field[best]->fwhm_px))
            best = i;
    return best == n ? 0 : best;
}

void pl_check_clear(pl_check *check)
{
    if (!check)
        return;
    pl_notes_clear(&check->notes);
    *check = (pl_check){ 0 };
}
