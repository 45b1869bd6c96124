/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.c - plumb-laser's answer as one line of JSON, schema 1 (plumb-json(5)): flat keys; of
 * two distances those of the nearer begin with near_, those of the farther with far_. */
#include "../json.h"
#include "laser.h"
#include "../../align/laser/laser.h"

#include <math.h>
#include <stdio.h>

/* KEY, KEY_sigma; KEY itself is null where it lies anywhere from KEY_least to KEY_most. */
static void span(pl_json o, const char *key, const pl_laser_span *s)
{
    char name[80];
    pl_json_measured(o, key, pl_span_told(s) ? s->most : NAN, s->sigma);
    snprintf(name, sizeof name, "%s_least", key);
    pl_json_number(o, name, s->least);
    snprintf(name, sizeof name, "%s_most", key);
    pl_json_number(o, name, s->most);
}

static void circle(pl_json o, const char *which, const pl_laser_circle *c)
{
    struct {
        const char *name;
        double v, sigma;
    } part[] = {
        { "radius_mm", c->radius_mm, c->radius_sigma_mm },
        { "x_mm", c->seen.marks ? c->x_mm : NAN, sqrt(c->xx) },
        { "y_mm", c->seen.marks ? c->y_mm : NAN, sqrt(c->yy) },
        { "middle_x_mm", c->middle_x_mm, c->middle_sigma_mm },
        { "middle_y_mm", c->middle_y_mm, c->middle_sigma_mm },
    };
    struct {
        const char *name;
        double v;
    } plain[] = { { "at_mm", c->seen.at_mm },
                  { "scatter_mm", c->scatter_mm },
                  { "play_mm", c->play_mm },
                  { "long_mm", c->long_mm },
                  { "short_mm", c->short_mm },
                  { "odd_deg", c->odd >= 0 ? c->seen.mark[c->odd].turned_deg : NAN } };
    char key[64];
    for (size_t i = 0; i < PL_ARRAY_LEN(part); i++) {
        snprintf(key, sizeof key, "%s_%s", which, part[i].name);
        pl_json_measured(o, key, part[i].v, isnan(part[i].v) ? NAN : part[i].sigma);
    }
    for (size_t i = 0; i < PL_ARRAY_LEN(plain); i++) {
        snprintf(key, sizeof key, "%s_%s", which, plain[i].name);
        pl_json_number(o, key, plain[i].v);
    }
    snprintf(key, sizeof key, "%s_marks", which);
    pl_json_count(o, key, c->seen.marks);
}

static void laser(pl_json o, const pl_laser *l)
{
    span(o, "tilt_mrad", &l->tilt_mrad);
    span(o, "decentre_mm", &l->decentre_mm);
    pl_json_measured(o, "tilt_x_mrad", l->tilt_x_mrad, l->tilt_x_sigma_mrad);
    pl_json_measured(o, "tilt_y_mrad", l->tilt_y_mrad, l->tilt_y_sigma_mrad);
    pl_json_measured(o, "decentre_x_mm", l->decentre_x_mm, l->decentre_x_sigma_mm);
    pl_json_measured(o, "decentre_y_mm", l->decentre_y_mm, l->decentre_y_sigma_mm);
    pl_json_measured(o, "play_mrad", l->play_mrad, l->play_sigma_mrad);
    pl_json_bool(o, "clockwise", l->clockwise);
}

static void left(pl_json o, const char *how, const pl_laser_left *e)
{
    const struct {
        const char *name;
        const pl_laser_span *s;
    } part[] = {
        { "axis_error_mm", &e->axis_mm }, { "image_tilt_arcmin", &e->tilt_arcmin },
        { "w131_um", &e->coma_um },       { "coma_nm", &e->coma_nm },
        { "fwhm_growth", &e->growth },    { "corner_growth", &e->corner },
    };
    char key[64];
    for (size_t i = 0; i < PL_ARRAY_LEN(part); i++) {
        snprintf(key, sizeof key, "%s%s", how, part[i].name);
        span(o, key, part[i].s);
    }
    snprintf(key, sizeof key, "%sstate", how);
    pl_json_text(o, key, pl_state_word(e->state), NULL);
}

static void allowed(pl_json o, const pl_laser *l)
{
    pl_json_number(o, "focuser_allowed_mm", l->focuser_allowed_mm);
    pl_json_number(o, "axis_allowed_mm", l->axis_allowed_mm);
    pl_json_number(o, "image_tilt_allowed_arcmin", l->tilt_allowed_arcmin);
    pl_json_number(o, "w131_allowed_um", l->coma_allowed_um);
    pl_json_number(o, "coma_allowed_nm", l->coma_allowed_nm);
    pl_json_number(o, "fwhm_growth_allowed", l->growth_allowed);
    pl_json_number(o, "path_mm", l->path_mm);
}

char *pl_laser_json(const pl_laser *l, const char *file)
{
    static const char *const advice[] = { [PL_LASER_TRUST] = "trust",
                                          [PL_LASER_DIVERGE] = "diverge",
                                          [PL_LASER_ADJUST] = "adjust",
                                          [PL_LASER_HOLDER] = "holder",
                                          [PL_LASER_DOUBT] = "doubt" };
    const pl_laser_circle none = pl_laser_no_circle();
    bool ok = true;
    pl_notes warnings = { NULL, 0, 0 };
    pl_note(&warnings, "%s", PL_LASER_EYES);
    pl_note(&warnings, "%s", PL_LASER_SUN);
    for (size_t i = 0; i < l->notes.n; i++)
        pl_note(&warnings, "%s", l->notes.item[i]);
    pl_json o = pl_json_begin(&ok, "plumb-laser", &file, file ? 1 : 0, &warnings);
    pl_notes_clear(&warnings);
    pl_json_verdict(o, &l->verdict);
    pl_json_text(o, "advice", advice[l->advice], NULL);
    laser(o, l);
    span(o, "focuser_mm", &l->focuser_mm);
    pl_json_number(o, "focuser_play_mm", l->focuser_play_mm);
    left(o, "", &l->bare);
    left(o, "diverging_", &l->diverging);
    allowed(o, l);
    circle(o, "near", l->circles > 1 ? &l->circle[0] : &none);
    circle(o, "far", &l->circle[l->circles - 1]);
    return pl_json_line(o);
}
