/* SPDX-License-Identifier: GPL-3.0-or-later */
/* check.c - one exposure's whole answer: what its stars are like, focus and air, a reference. */
#include "check.h"
#include "../optics/optics.h"

#include <math.h>
#include <string.h>

static void summarise(pl_check *c, const pl_field *f)
{
    c->scale_arcsec_px = f->scale_arcsec_px;
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
    memcpy(c->mosaic, f->mosaic, sizeof c->mosaic);
    c->facts = f->facts;
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
    c->star_ratio = (double)f->used / (double)reference->used;
}

static pl_status finish(pl_check *c, const pl_field *f, const pl_field *reference,
                        const pl_check_options *options, pl_check *out)
{
    c->move = pl_travel_of(&c->facts, -c->sense.defocus_um);
    compare(c, f, reference);
    pl_check_costs(c, options);
    pl_check_judge(c, f);
    *out = *c;
    return PL_OK;
}

pl_status pl_check_frame(const pl_field *field, const pl_surface *surface,
                         const pl_field *reference, const pl_check_options *options, int jobs,
                         pl_check *out, pl_err *err)
{
    pl_check_options plain = pl_check_defaults();
    pl_check c = { .drift_um_h = NAN };
    options = options ? options : &plain;
    summarise(&c, field);
    pl_status rc = pl_sense_frame(field, surface, &options->sense, jobs, &c.notes, &c.sense, err);
    if (rc == PL_OK)
        return finish(&c, field, reference, options, out);
    pl_check_clear(&c);
    return rc;
}

pl_status pl_check_pair(const pl_field *field, const pl_surface *surface,
                        const pl_check_options *options, int jobs, pl_check *out, pl_err *err)
{
    pl_check_options plain = pl_check_defaults();
    pl_check c = { .drift_um_h = NAN };
    options = options ? options : &plain;
    summarise(&c, &field[1]);
    pl_status rc = pl_sense_pair(field, surface, &options->sense, jobs, &c.notes, &c.sense, err);
    if (rc == PL_OK)
        return finish(&c, &field[1], NULL, options, out);
    pl_check_clear(&c);
    return rc;
}

void pl_check_clear(pl_check *check)
{
    if (!check)
        return;
    pl_notes_clear(&check->notes);
    *check = (pl_check){ 0 };
}
