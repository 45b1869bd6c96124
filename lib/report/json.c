/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.c - objects of plumb-json(5). */
#include "json.h"

#include "report.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { PRINTED = 12 }; /* more digits than any number has: what was rounded prints short */

static void put(pl_json t, const char *key, json_t *value)
{
    if (json_object_set_new(t.object, key, value) != 0)
        *t.ok = false;
}

/* Numbers are rounded in decimal first, so the same answer is the same bytes. */
void pl_json_digits(pl_json t, const char *key, double v, int digits)
{
    put(t, key, isfinite(v) ? json_real(pl_round_to(v, digits)) : json_null());
}

void pl_json_number(pl_json t, const char *key, double v)
{
    pl_json_digits(t, key, v, PL_JSON_DIGITS);
}

void pl_json_count(pl_json t, const char *key, size_t n)
{
    put(t, key, json_integer((json_int_t)n));
}

void pl_json_bool(pl_json t, const char *key, bool yes)
{
    put(t, key, json_boolean(yes));
}

void pl_json_text(pl_json t, const char *key, const char *text, bool *changed)
{
    char *clean = pl_clean(text, PL_CLEAN_VALID, changed);
    put(t, key, !clean ? NULL : *clean ? json_string(clean) : json_null());
    free(clean);
}

static void put_twins(pl_json t, const char *key, double v, double sigma, int digits)
{
    char twin[64];
    snprintf(twin, sizeof twin, "%s_sigma", key);
    pl_json_digits(t, key, v, digits);
    pl_json_number(t, twin, sigma);
}

void pl_json_measured(pl_json t, const char *key, double v, double sigma)
{
    put_twins(t, key, v, sigma, PL_JSON_DIGITS);
}

void pl_json_position(pl_json t, const char *key, double px, double sigma)
{
    put_twins(t, key, pl_fits_px(px), sigma, PL_JSON_PLACES);
}

pl_json pl_json_object(pl_json parent, const char *key)
{
    pl_json t = { json_object(), parent.ok };
    put(parent, key, t.object);
    return t;
}

json_t *pl_json_list(pl_json parent, const char *key)
{
    json_t *list = json_array();
    put(parent, key, list);
    return list;
}

pl_json pl_json_item(json_t *list, bool *ok)
{
    pl_json t = { json_object(), ok };
    if (json_array_append_new(list, t.object) != 0)
        *ok = false;
    return t;
}

void pl_json_exposure(pl_json t, const pl_facts *f)
{
    pl_json_number(t, "exposure_s", f->exposure_s.v);
    pl_json_text(t, "date_obs", f->date_obs.s, NULL);
    pl_json_number(t, "temperature_c", f->temperature_c.v);
    pl_json_digits(t, "position_steps", f->position_steps.v, PL_JSON_PLACES);
    pl_json_number(t, "altitude_deg", f->altitude_deg.v);
    pl_json_number(t, "airmass", f->airmass.v);
    pl_json_text(t, "object", f->object.s, NULL);
    pl_json_text(t, "filter", f->filter.s, NULL);
}

static void warn(json_t *list, const char *text, bool *ok)
{
    char *clean = pl_clean(text, PL_CLEAN_VALID, NULL);
    if (!clean || json_array_append_new(list, json_string(clean)) != 0)
        *ok = false;
    free(clean);
}

/* "file", or "files" when there are several. */
static void names(pl_json t, const char *const *file, size_t files, bool *changed)
{
    if (files == 1) {
        pl_json_text(t, "file", file[0], changed);
        return;
    }
    json_t *list = pl_json_list(t, "files");
    for (size_t i = 0; i < files; i++) {
        bool here = false;
        char *clean = pl_clean(file[i], PL_CLEAN_VALID, &here);
        if (!clean || json_array_append_new(list, json_string(clean)) != 0)
            *t.ok = false;
        *changed |= here;
        free(clean);
    }
}

pl_json pl_json_begin(bool *ok, const char *program, const char *const *file, size_t files,
                      const pl_notes *warnings)
{
    bool changed = false;
    pl_json t = { json_object(), ok };
    pl_json_text(t, "program", program, NULL);
    pl_json_text(t, "version", PL_VERSION, NULL);
    pl_json_count(t, "schema", 1);
    names(t, file, files, &changed);
    json_t *list = pl_json_list(t, "warnings");
    for (size_t i = 0; i < warnings->n; i++)
        warn(list, warnings->item[i], ok);
    if (changed)
        warn(list, "a file name is not valid UTF-8; each such byte is written as U+FFFD", ok);
    return t;
}

void pl_json_verdict(pl_json t, const pl_verdict *v)
{
    pl_json o = pl_json_object(t, "verdict");
    pl_json_text(o, "state", pl_state_word(v->state), NULL);
    pl_json_text(o, "cause", pl_cause_word(v->cause), NULL);
    pl_json_text(o, "text", v->text, NULL);
    pl_json_text(o, "action", v->action, NULL);
}

static int more(const char *bytes, size_t n, void *out)
{
    pl_string_bytes(out, bytes, n);
    return 0; /* jansson passes over what fails at a key; the string keeps it */
}

char *pl_json_line(pl_json t)
{
    pl_string out = { .failed = !*t.ok };
    const size_t how = JSON_COMPACT | JSON_REAL_PRECISION(PRINTED);
    if (*t.ok && json_dump_callback(t.object, more, &out, how) != 0)
        out.failed = true;
    pl_string_bytes(&out, "\n", 1);
    json_decref(t.object);
    return pl_string_take(&out);
}
