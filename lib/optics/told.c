/* SPDX-License-Identifier: GPL-3.0-or-later */
/* told.c - the optics as facts tell them. */
#include "optics.h"

#include <math.h>

static const double OBSTRUCTION = 0.33; /* untold; common practice, no source */

pl_status pl_optic_told(const pl_facts *f, bool mosaic, double lambda_um, pl_optic *out,
                        double *focal_mm, double *pixel_um, pl_notes *notes, pl_err *err)
{
    double aperture = 0;
    pl_status rc = pl_facts_need(f, "aperture_mm", &aperture, err);
    if (rc == PL_OK)
        rc = pl_facts_need(f, "focal_mm", focal_mm, err);
    if (rc == PL_OK)
        rc = pl_facts_need(f, "pixel_um", pixel_um, err);
    if (rc != PL_OK)
        return rc;
    *out = (pl_optic){ .aperture_mm = aperture,
                       .f_ratio = *focal_mm / aperture,
                       .obstruction = f->obstruction.v,
                       .lambda_um = lambda_um };
    if (f->obstruction.from == PL_FROM_NOWHERE) {
        out->obstruction = OBSTRUCTION;
        pl_note(notes, "obstruction %.2f by default (--obstruction)", OBSTRUCTION);
    }
    if (isnan(lambda_um)) {
        out->lambda_um = mosaic ? 0.53 : 0.55;
        pl_note(notes, "wavelength %g um by default (--wavelength)", out->lambda_um);
    }
    return pl_optic_check(out, err);
}
