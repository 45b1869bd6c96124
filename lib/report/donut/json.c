/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.c - what donuts say as one line of JSON, schema 1 (plumb-json(5)). */
#include "donut.h"
#include "../json.h"
#include "../report.h"

#include <math.h>
#include <stdio.h>

static void zernikes(pl_json t, const pl_wavefront *w)
{
    pl_json nm = pl_json_object(t, "zernike_nm"), sigma = pl_json_object(t, "zernike_nm_sigma");
    for (int j = PL_NOLL_FIRST; j <= PL_NOLL_LAST; j++) {
        char key[8];
        snprintf(key, sizeof key, "%d", j);
        if (isnan(w->zernike_nm[j]))
            continue;
        pl_json_number(nm, key, w->zernike_nm[j]);
        pl_json_number(sigma, key, w->zernike_sigma_nm[j]);
    }
}

static void wavefront(pl_json t, const pl_wavefront *w)
{
    pl_json_measured(t, "defocus_um", w->defocus_um, w->defocus_sigma_um);
    zernikes(t, w);
    pl_json_measured(t, "coma_nm", w->coma_nm, w->coma_sigma_nm);
    pl_json_measured(t, "coma_deg", w->coma_deg, w->coma_sigma_deg);
    pl_json_measured(t, "astigmatism_nm", w->astigmatism_nm, w->astigmatism_sigma_nm);
    pl_json_measured(t, "astigmatism_deg", w->astigmatism_deg, w->astigmatism_sigma_deg);
    pl_json_measured(t, "trefoil_nm", w->trefoil_nm, w->trefoil_sigma_nm);
    pl_json_measured(t, "trefoil_deg", w->trefoil_deg, w->trefoil_sigma_deg);
    pl_json_measured(t, "spherical_nm", w->spherical_nm, w->spherical_sigma_nm);
    pl_json_measured(t, "secondary_shadow_mm", w->shadow_mm, w->shadow_sigma_mm);
    pl_json_measured(t, "secondary_shadow_deg", w->shadow_deg, w->shadow_sigma_deg);
    pl_json_measured(t, "seeing_arcsec", w->seeing_arcsec, w->seeing_sigma_arcsec);
}

static void star(pl_json o, const pl_donut_star *s)
{
    pl_json_count(o, "frame", s->frame + 1);
    pl_json_position(o, "x_px", s->x_px, s->centre_sigma_px);
    pl_json_position(o, "y_px", s->y_px, s->centre_sigma_px);
    pl_json_number(o, "outer_px", s->outer_px);
    pl_json_number(o, "inner_px", s->inner_px);
    pl_json_measured(o, "hole_dx_px", s->hole_dx_px, s->hole_sigma_px);
    pl_json_measured(o, "hole_dy_px", s->hole_dy_px, s->hole_sigma_px);
    pl_json_number(o, "snr", s->snr);
    pl_json_bool(o, "used", s->used);
    pl_json_text(o, "flags", s->reason, NULL);
    if (!s->used)
        return;
    wavefront(o, &s->wave);
    pl_json_number(o, "misfit", s->misfit);
    pl_json_number(o, "unexplained", s->unexplained);
}

static void tolerances(pl_json t, const pl_donut *d)
{
    pl_json_measured(t, "axis_error_mm", d->axis_mm, d->axis_sigma_mm);
    pl_json_measured(t, "axis_error_deg", d->axis_deg, d->axis_sigma_deg);
    pl_json_number(t, "coma_air_nm", d->air_coma_nm);
    pl_json_number(t, "coma_centred_nm", d->centred_coma_nm);
    pl_json_number(t, "coma_allowed_nm", d->growth_coma_nm);
    pl_json_number(t, "coma_ideal_nm", d->ideal_coma_nm);
    pl_json_number(t, "axis_allowed_mm", d->growth_mm);
    pl_json_number(t, "axis_ideal_mm", d->ideal_mm);
    pl_json_number(t, "tolerance_seeing_arcsec", d->tolerance_seeing_arcsec);
}

pl_json pl_json_donut(bool *ok, const pl_donut *d, const char *const *file)
{
    pl_json t = pl_json_begin(ok, "plumb-donut", file, d->frames, &d->notes);
    pl_json_verdict(t, &d->verdict);
    pl_json_text(t, "side", pl_side_word(d->side), NULL);
    pl_json_count(t, "width_px", (size_t)d->width_px);
    pl_json_count(t, "height_px", (size_t)d->height_px);
    pl_json_text(t, "mosaic", d->mosaic[0] ? d->mosaic : "none", NULL);
    pl_json_count(t, "donuts_used", d->used);
    wavefront(t, &d->wave);
    tolerances(t, d);
    pl_json_exposure(t, &d->facts);
    json_t *list = pl_json_list(t, "donuts");
    for (size_t i = 0; i < d->stars; i++)
        star(pl_json_item(list, t.ok), &d->star[i]);
    return t;
}

char *pl_donut_json(const pl_donut *d, const char *const *file)
{
    bool ok = true;
    return pl_json_line(pl_json_donut(&ok, d, file));
}
