/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.c - what to turn as one line of JSON, schema 1 (plumb-json(5)). */
#include "../json.h"
#include "../report.h"
#include "turn.h"
#include "../../align/turn/turn.h"

#include <math.h>
#include <stdio.h>

/* Keys carry the unit: _mm, or _um_mm of a tilt. */
static const char *with_unit(const pl_turns *t, const char *name, char key[48])
{
    snprintf(key, 48, "%s%s", name, t->now.kind == PL_TURN_COMA ? "_mm" : "_um_mm");
    return key;
}

static void vector(pl_json o, const pl_turns *t)
{
    const pl_turn_entry *e = &t->now;
    char key[48];
    double deg = fmod(atan2(e->y, e->x) * 180 / M_PI + 360, 360);
    pl_json_measured(o, with_unit(t, "off", key), t->length, t->sigma);
    pl_json_number(o, "off_deg", deg);
    pl_json_measured(o, with_unit(t, "off_x", key), e->x, sqrt(e->xx));
    pl_json_measured(o, with_unit(t, "off_y", key), e->y, sqrt(e->yy));
    pl_json_number(o, with_unit(t, "allowed", key), e->allowed);
    pl_json_number(o, with_unit(t, "left", key), t->left);
    pl_json_number(o, with_unit(t, "left_exact", key), t->left_exact);
    pl_json_measured(o, with_unit(t, "left_x", key), t->left_x, sqrt(fmax(0, t->left_xx)));
    pl_json_measured(o, with_unit(t, "left_y", key), t->left_y, sqrt(fmax(0, t->left_yy)));
}

static void screw(pl_json o, const pl_turns *t, size_t k)
{
    const pl_turn_screw *s = &t->screw[k];
    char name[2] = { (char)('A' + k), '\0' }, key[48];
    pl_json_text(o, "name", name, NULL);
    pl_json_number(o, "angle_deg", t->geometry.screws ? t->geometry.angle_deg[k] : NAN);
    pl_json_number(o, "turns", fabs(s->turn));
    pl_json_text(o, "direction", pl_turn_way(s->turn), NULL);
    pl_json_number(o, "exact_turns", fabs(s->exact));
    pl_json_number(o, "travel_um", s->travel_um);
    pl_json_measured(o, with_unit(t, "per_turn_x", key), s->x, s->x_sigma);
    pl_json_measured(o, with_unit(t, "per_turn_y", key), s->y, s->y_sigma);
}

char *pl_turn_json(const pl_turns *t, const char *file)
{
    bool ok = true;
    pl_json o = pl_json_begin(&ok, "plumb-turn", &file, 1, &t->notes);
    pl_json_verdict(o, &t->verdict);
    pl_json_text(o, "kind", t->now.kind == PL_TURN_COMA ? "coma" : "tilt", NULL);
    pl_json_text(o, "section", t->section, NULL);
    pl_json_count(o, "rounds", t->rounds);
    vector(o, t);
    pl_json_bool(o, "turn", t->turn);
    pl_json_bool(o, "trial", t->trial);
    pl_json_bool(o, "either_way", t->either_way);
    pl_json_bool(o, "part", t->part);
    pl_json_bool(o, "free", t->free);
    pl_json_number(o, "step_turns", t->turn ? t->step : NAN);
    pl_json_number(o, "focus_um", t->focus_um);
    pl_json_number(o, "columns_deg", t->columns_deg);
    pl_json_number(o, "rows_deg", t->rows_deg);
    pl_json_bool(o, "orientation_told", t->oriented);
    json_t *list = pl_json_list(o, "screws");
    for (size_t k = 0; k < t->screws; k++)
        screw(pl_json_item(list, o.ok), t, k);
    return pl_json_line(o);
}
