/* SPDX-License-Identifier: GPL-3.0-or-later */
/* scope.c - what plumb-donut knows of the telescope before it fits. */
#include "work.h"

#include <math.h>
#include <string.h>

/* How far the ring's hole may differ from what was told of the obstruction; blur and fringes make
 * up to 0.05 of it. */
static const double HOLE_DIFFERS = 0.12;

pl_status pl_donut_scope_facts(pl_donut_work *w, pl_err *err)
{
    pl_facts *f = &w->d.facts;
    double aperture = 0;
    pl_status rc = pl_facts_need(f, "aperture_mm", &aperture, err);
    if (rc == PL_OK)
        rc = pl_facts_need(f, "focal_mm", &w->focal_mm, err);
    if (rc == PL_OK)
        rc = pl_facts_need(f, "pixel_um", &w->pixel_um, err);
    if (rc != PL_OK)
        return rc;
    if (f->mirror_focal_mm.from == PL_FROM_NOWHERE) {
        f->mirror_focal_mm = (pl_num){ w->focal_mm, PL_FROM_DEFAULT };
        pl_note(&w->d.notes,
                "the mirror's own focal length taken as focal_mm: with a corrector that "
                "changes it, lengths of the axis are wrong (--mirror-focal-mm)");
    }
    w->optic = (pl_optic){ .aperture_mm = aperture,
                           .f_ratio = w->focal_mm / aperture,
                           .obstruction = f->obstruction.v };
    return PL_OK;
}

double pl_donut_um_per_arcsec(const pl_donut_work *w)
{
    return 1000 * w->focal_mm * PL_ARCSEC_RAD;
}

static void settle_wavelength(pl_donut_work *w)
{
    w->optic.lambda_um = w->options->wavelength_um;
    if (isfinite(w->optic.lambda_um))
        return;
    w->optic.lambda_um = w->d.mosaic[0] ? 0.53 : 0.55;
    pl_note(&w->d.notes, "wavelength %g um by default (--wavelength)", w->optic.lambda_um);
}

/* Hole over rim of the frames' first rings, where they are whole; NaN when none is. */
static double hole_seen(const pl_donut_work *w)
{
    double ratio[PL_DONUT_FRAMES];
    size_t n = 0;
    for (size_t i = 0; i < w->d.frames; i++) {
        const pl_ringfits *s = &w->shot[i];
        if (s->fits > 0 && !s->odd && isfinite(s->ring[0].inner_px))
            ratio[n++] = s->ring[0].inner_px / s->ring[0].outer_px;
    }
    return n ? fmax(0, fmin(0.8, pl_median(ratio, n))) : NAN;
}

/* The obstruction as told, unless the rings plainly show another. */
static void settle_obstruction(pl_donut_work *w)
{
    double told = w->optic.obstruction, seen = hole_seen(w);
    if (isfinite(told) && !(fabs(told - seen) > HOLE_DIFFERS))
        return;
    w->optic.obstruction = isfinite(seen) ? seen : 0.33;
    if (isfinite(told))
        pl_note(&w->d.notes, "obstruction told as %.2f, but the ring shows %.2f, which is used",
                told, seen);
    else
        pl_note(&w->d.notes, "obstruction %.2f, %s (--obstruction)", w->optic.obstruction,
                isfinite(seen) ? "as the ring shows it" : "a guess");
}

void pl_donut_scope_settle(pl_donut_work *w)
{
    const pl_facts *f = &w->d.facts;
    double radius = w->optic.aperture_mm / 2;
    settle_wavelength(w);
    settle_obstruction(w);
    w->d.lambda_um = w->optic.lambda_um;
    w->d.obstruction = w->optic.obstruction;
    w->scope = (pl_wavefit_scope){
        .grid = { .light = { { w->optic.lambda_um, 1 } },
                  .lights = 1,
                  .f_ratio = w->optic.f_ratio,
                  .pixel_um = w->pixel_um,
                  .pixel = true,
                  .seeing_um = 0.7 * pl_donut_um_per_arcsec(w) },
        .aperture = { .obstruction = w->optic.obstruction },
        .seeing_um = 2.2 * pl_donut_um_per_arcsec(w),
        .last = w->options->last,
    };
    if (f->vanes.v > 0 && f->vane_mm.v > 0 && isfinite(f->vane_deg.v)) {
        w->scope.aperture.vanes = (int)f->vanes.v;
        w->scope.aperture.vane_width = f->vane_mm.v / radius;
        w->scope.aperture.vane_deg = f->vane_deg.v;
    }
}
