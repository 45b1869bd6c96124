/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.c - the object "change" in a program's line of JSON (plumb-json(5)). */
#include "change.h"
#include "../donut/donut.h"
#include "../report.h"

#include <math.h>

static void compared(pl_json o, const pl_change *k)
{
    pl_json_measured(o, "before", k->before, k->before_sigma);
    pl_json_measured(o, "after", k->after, k->after_sigma);
    pl_json_measured(o, "change", k->change, k->change_sigma);
    pl_json_measured(o, "moved", k->moved, k->moved_sigma);
    pl_json_number(o, "moved_deg", k->moved_deg);
    pl_json_number(o, "tolerance", k->tolerance);
    pl_json_number(o, "chance", k->chance);
    pl_json_bool(o, "seen", k->seen);
    pl_json_text(o, "state", pl_change_word(k->state), NULL);
    pl_json_text(o, "text", k->text, NULL);
}

static void zones(pl_json t, const pl_changes *c)
{
    if (!c->zone)
        return;
    pl_json_count(t, "columns", c->columns);
    pl_json_count(t, "rows", c->rows);
    json_t *list = pl_json_list(t, "zones");
    for (size_t k = 0; k < c->columns * c->rows; k++) {
        const pl_zone_change *z = &c->zone[k];
        pl_json o = pl_json_item(list, t.ok);
        pl_json_digits(o, "x_px", pl_fits_px(z->x_px), PL_JSON_PLACES);
        pl_json_digits(o, "y_px", pl_fits_px(z->y_px), PL_JSON_PLACES);
        pl_json_count(o, "before_stars", z->before_stars);
        pl_json_count(o, "after_stars", z->after_stars);
        compared(pl_json_object(o, "size"), &z->size);
        compared(pl_json_object(o, "stretch"), &z->stretch);
    }
}

void pl_json_changes(pl_json t, const pl_changes *c, const char *const *against, size_t n)
{
    pl_json o = pl_json_object(t, "change");
    json_t *list;
    if (n == 1)
        pl_json_text(o, "against", against[0], NULL);
    else if ((list = pl_json_list(o, "against")))
        for (size_t i = 0; i < n; i++) {
            char *name = pl_clean(against[i], PL_CLEAN_VALID, NULL);
            if (!name || json_array_append_new(list, json_string(name)) != 0)
                *t.ok = false;
            free(name);
        }
    pl_json_text(o, "state", pl_change_word(c->state), NULL);
    pl_json_text(o, "text", c->text, NULL);
    pl_json_text(o, "action", c->action, NULL);
    list = pl_json_list(o, "items");
    for (size_t i = 0; i < c->items; i++) {
        pl_json k = pl_json_item(list, t.ok);
        pl_json_text(k, "name", c->item[i].name, NULL);
        pl_json_text(k, "unit", c->item[i].unit, NULL);
        compared(k, &c->item[i]);
    }
    zones(o, c);
    list = pl_json_list(o, "notes");
    for (size_t i = 0; list && i < c->notes.n; i++)
        if (json_array_append_new(list, json_string(c->notes.item[i])) != 0)
            *t.ok = false;
}

char *pl_field_json_against(const pl_field *f, const char *file, bool with_stars,
                            const pl_changes *changes, const char *against)
{
    bool ok = true;
    pl_json t = pl_json_field(&ok, f, file, with_stars);
    pl_json_changes(t, changes, &against, 1);
    return pl_json_line(t);
}

char *pl_donut_json_against(const pl_donut *d, const char *const *file, const pl_changes *changes,
                            const char *const *against, size_t n)
{
    bool ok = true;
    pl_json t = pl_json_donut(&ok, d, file);
    pl_json_changes(t, changes, against, n);
    return pl_json_line(t);
}

char *pl_tilt_json_against(const pl_tilt *tilt, const char *file, const pl_changes *changes,
                           const char *against)
{
    bool ok = true;
    pl_json t = pl_json_tilt(&ok, tilt, file);
    pl_json_changes(t, changes, &against, 1);
    return pl_json_line(t);
}
