/* SPDX-License-Identifier: GPL-3.0-or-later */
/* surface_json.c - a focal surface as an object of plumb-json(5). */
#include "surface_json.h"
#include "../align/surface/surface.h"

static void corners(pl_json t, const char *key, const double um[PL_CORNERS])
{
    static const char *const name[PL_CORNERS] = {
        [PL_X1Y1] = "x1y1", [PL_X2Y1] = "x2y1", [PL_X1Y2] = "x1y2", [PL_X2Y2] = "x2y2"
    };
    pl_json o = pl_json_object(t, key);
    for (int i = 0; i < PL_CORNERS; i++)
        pl_json_number(o, name[i], um[i]);
}

void pl_json_surface(pl_json t, const pl_surface *s, double best_um, double best_sigma_um)
{
    pl_surface_told told = pl_surface_tell(s);
    pl_json o = pl_json_object(t, "surface");
    double v[PL_SURFACE_NUMBERS];
    pl_surface_to_numbers(s, v);
    pl_json_measured(o, "best_um", best_um, best_sigma_um);
    for (int i = 0; i < PL_SURFACE_NUMBERS; i++)
        pl_json_digits(o, pl_surface_keys()[i].key, v[i], PL_JSON_PLACES);
    pl_json_text(o, "date", s->date, NULL);
    pl_json_measured(o, "tilt_um_mm", told.tilt_um_mm, told.tilt_sigma_um_mm);
    pl_json_measured(o, "tilt_arcmin", told.tilt_arcmin, told.tilt_sigma_arcmin);
    pl_json_measured(o, "tilt_deg", told.tilt_deg, told.tilt_sigma_deg);
    pl_json_measured(o, "across_um", told.across_um, told.across_sigma_um);
    corners(o, "corner_um", told.corner_um);
    corners(o, "corner_um_sigma", told.corner_sigma_um);
}
