/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.c - a tilt as one line of JSON, schema 1 (plumb-json(5)). */
#include "../report.h"
#include "../surface_json.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *direction(const pl_tilt_screw *s)
{
    return s->direction > 0 ? "clockwise" : s->direction < 0 ? "counter-clockwise" : "";
}

static void screws(pl_json t, const pl_tilt *tilt)
{
    json_t *list = pl_json_list(t, "screws");
    for (size_t i = 0; i < tilt->plate.screws && tilt->named; i++) {
        const pl_tilt_screw *s = &tilt->screw[i];
        const char name[2] = { (char)('A' + i), '\0' };
        pl_json o = pl_json_item(list, t.ok);
        pl_json_text(o, "name", name, NULL);
        pl_json_number(o, "angle_deg", tilt->plate.angle_deg[i]);
        pl_json_measured(o, "turns", s->turns, s->travel_sigma_um * 1e-3 / tilt->plate.pitch_mm);
        pl_json_text(o, "direction", direction(s), NULL);
        pl_json_measured(o, "travel_um", s->travel_um, s->travel_sigma_um);
        pl_json_number(o, "hand_turns", s->hand_turns);
    }
}

static void shims(pl_json t, const pl_tilt *tilt)
{
    pl_json o = pl_json_object(t, "shim_mm");
    pl_json_number(o, "x1y1", tilt->shim_mm[PL_X1Y1]);
    pl_json_number(o, "x2y1", tilt->shim_mm[PL_X2Y1]);
    pl_json_number(o, "x1y2", tilt->shim_mm[PL_X1Y2]);
    pl_json_number(o, "x2y2", tilt->shim_mm[PL_X2Y2]);
}

static void tolerance(pl_json t, double growth, double seeing, double allowed)
{
    pl_json_number(t, "zone_um", allowed);
    pl_json_number(t, "fwhm_growth", growth);
    pl_json_number(t, "tolerance_seeing_arcsec", seeing);
}

pl_json pl_json_tilt(bool *ok, const pl_tilt *tilt, const char *file)
{
    pl_json t = pl_json_begin(ok, "plumb-tilt", &file, file ? 1 : 0, &tilt->notes);
    pl_json_verdict(t, &tilt->verdict);
    pl_json_bool(t, "side_known", true);
    pl_json_surface(t, &tilt->surface, NAN, NAN);
    tolerance(t, tilt->growth, tilt->seeing_arcsec, tilt->allowed_um);
    pl_json_bool(t, "spacing_first", tilt->spacing_first);
    screws(t, tilt);
    pl_json_number(t, "hand_part_turns", tilt->part ? 1.0 / tilt->part : NAN);
    pl_json_number(t, "remains_um", tilt->remains_um);
    pl_json_number(t, "centre_um", tilt->centre_um);
    shims(t, tilt);
    return t;
}

char *pl_tilt_json(const pl_tilt *tilt, const char *file)
{
    bool ok = true;
    return pl_json_line(pl_json_tilt(&ok, tilt, file));
}

/* A plane; the names are those of `surface`. */
static void part(pl_json t, const char *key, const pl_surface *s, const pl_surface_told *told)
{
    pl_json o = pl_json_object(t, key);
    pl_json_measured(o, "tilt_x_um_mm", s->tilt_x_um_mm, sqrt(s->cov[0][0]));
    pl_json_measured(o, "tilt_y_um_mm", s->tilt_y_um_mm, sqrt(s->cov[1][1]));
    pl_json_measured(o, "tilt_um_mm", told->tilt_um_mm, told->tilt_sigma_um_mm);
    pl_json_measured(o, "tilt_arcmin", told->tilt_arcmin, told->tilt_sigma_arcmin);
    pl_json_measured(o, "tilt_deg", told->tilt_deg, told->tilt_sigma_deg);
    pl_json_measured(o, "across_um", told->across_um, told->across_sigma_um);
}

char *pl_tilt_parts_json(const pl_tilt_parts *p, const char *const *file)
{
    bool ok = true;
    pl_json t = pl_json_begin(&ok, "plumb-tilt", file, 2, &p->notes);
    pl_json_verdict(t, &p->verdict);
    pl_json_number(t, "rotated_deg", p->rotated_deg);
    pl_json_number(t, "error_gain", p->gain);
    pl_json_number(t, "slip_um", p->slip_um);
    part(t, "sensor", &p->sensor, &p->sensor_told);
    part(t, "tube", &p->tube, &p->tube_told);
    tolerance(t, p->growth, p->seeing_arcsec, p->allowed_um);
    return pl_json_line(t);
}

char *pl_tilt_hint_json(const pl_tilt_hint *h, const pl_field *f, const char *file)
{
    bool ok = true;
    pl_json t = pl_json_begin(&ok, "plumb-tilt", &file, 1, &f->notes);
    pl_json_verdict(t, &h->verdict);
    pl_json_bool(t, "side_known", false);
    pl_json_measured(t, "size_slope", h->slope, h->slope_sigma);
    pl_json_number(t, "size_slope_deg", h->slope_deg);
    pl_json_bool(t, "collimation_first", h->collimation_first);
    pl_json_count(t, "stars_used", f->used);
    pl_json_list(t, "screws");
    return pl_json_line(t);
}
