/* SPDX-License-Identifier: GPL-3.0-or-later */
/* keep.c - a focal surface to and from a profile, and from JSON. */
#include "surface.h"
#include "../../optics/optics.h"

#include <glib.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

enum { MOST_BYTES = 64 << 20 };

static const char UNKNOWN[] = "-"; /* in a profile: an older number must not stay behind */

_Static_assert(PL_SURFACE_SETTINGS == PL_SURFACE_NUMBERS + 1, "the numbers and the date");

/* What has been read so far. */
struct reading {
    double v[PL_SURFACE_NUMBERS];
    char date[32];
    size_t taken;
};

static struct reading nothing(void)
{
    struct reading r = { .taken = 0 };
    for (int i = 0; i < PL_SURFACE_NUMBERS; i++)
        r.v[i] = NAN;
    return r;
}

/* The date when it is one; "" is unknown. */
static pl_status take_date(struct reading *r, const char *text, pl_err *err)
{
    char later[32];
    if (text[0] && !pl_date_later(text, 0, later))
        return pl_fail(err, PL_EFORMAT, "date is \"%.40s\"; a FITS date is wanted", text);
    snprintf(r->date, sizeof r->date, "%.31s", text);
    return PL_OK;
}

static pl_status within(const pl_surface_key *key, double v, pl_err *err)
{
    if (v >= key->lo && v <= key->hi)
        return PL_OK;
    return pl_fail(err, PL_EFORMAT, "%s is %g; a number from %g to %g is wanted", key->key, v,
                   key->lo, key->hi);
}

static pl_status done(const struct reading *r, pl_surface *out, pl_err *err)
{
    pl_surface s;
    pl_status rc = pl_surface_from_numbers(r->v, &s, err);
    if (rc != PL_OK)
        return rc;
    snprintf(s.date, sizeof s.date, "%s", r->date);
    *out = s;
    return PL_OK;
}

/* ---- profile */

/* The shortest decimal that reads back as the same number, with a point in every locale. */
static void spell(double v, char out[72])
{
    char text[G_ASCII_DTOSTR_BUF_SIZE] = "";
    double back = NAN;
    if (!isfinite(v)) {
        snprintf(out, 72, "%s", UNKNOWN);
        return;
    }
    for (int digits = 6; digits <= 17 && !(back == v); digits++) {
        char format[8];
        snprintf(format, sizeof format, "%%.%dg", digits);
        g_ascii_formatd(text, sizeof text, format, v);
        back = g_ascii_strtod(text, NULL);
    }
    snprintf(out, 72, "%s", text);
}

size_t pl_surface_settings(const pl_surface *s, pl_setting *out, size_t most)
{
    double v[PL_SURFACE_NUMBERS];
    pl_surface_to_numbers(s, v);
    for (size_t i = 0; i < PL_SURFACE_SETTINGS && i < most; i++) {
        bool number = i < PL_SURFACE_NUMBERS;
        out[i].section = "surface";
        out[i].key = number ? pl_surface_keys()[i].key : "date";
        if (number)
            spell(v[i], out[i].value);
        else
            snprintf(out[i].value, sizeof out[i].value, "%s", s->date[0] ? s->date : UNKNOWN);
    }
    return PL_SURFACE_SETTINGS;
}

pl_status pl_surface_save(const pl_surface *s, const char *profile, pl_err *err)
{
    pl_setting setting[PL_SURFACE_SETTINGS];
    size_t n = pl_surface_settings(s, setting, PL_SURFACE_SETTINGS);
    return pl_profile_set(profile, setting, n, err);
}

static pl_status take(void *ctx, const char *section, const char *key, const char *value,
                      pl_err *err)
{
    struct reading *r = ctx;
    bool unknown = strcmp(value, UNKNOWN) == 0;
    (void)section;
    r->taken++;
    if (strcmp(key, "date") == 0)
        return take_date(r, unknown ? "" : value, err);
    for (int i = 0; i < PL_SURFACE_NUMBERS; i++) {
        const pl_surface_key *row = &pl_surface_keys()[i];
        double v;
        if (strcmp(key, row->key) != 0)
            continue;
        if (unknown)
            return PL_OK;
        if (!pl_number(value, &v))
            return pl_fail(err, PL_EFORMAT, "%s is \"%.40s\"; a number or - is wanted", key, value);
        r->v[i] = v;
        return within(row, v, err);
    }
    return pl_fail(err, PL_EFORMAT, "%.40s is not known; let plumb-sweep --save write the surface",
                   key);
}

static pl_status from_profile(const char *path, pl_surface *out, pl_err *err)
{
    struct reading r = nothing();
    pl_status rc = pl_profile_section(path, "surface", take, &r, err);
    if (rc != PL_OK)
        return rc;
    if (r.taken == 0)
        return pl_fail(err, PL_ENODATA,
                       "holds no [surface]; plumb-sweep --save writes one to a profile");
    return done(&r, out, err);
}

/* ---- JSON */

static pl_status take_member(struct reading *r, int i, const json_t *value, pl_err *err)
{
    if (!value || json_is_null(value))
        return PL_OK;
    const pl_surface_key *row = &pl_surface_keys()[i];
    if (!json_is_number(value))
        return pl_fail(err, PL_EFORMAT, "surface.%s is no number", row->key);
    r->v[i] = json_number_value(value);
    return within(row, r->v[i], err);
}

static pl_status from_object(const json_t *line, pl_surface *out, pl_err *err)
{
    struct reading r = nothing();
    const json_t *surface = json_object_get(line, "surface");
    const json_t *date = json_object_get(surface, "date");
    pl_status rc = PL_OK;
    if (json_is_false(json_object_get(line, "side_known")))
        return pl_fail(err, PL_ENODATA,
                       "does not know which side of focus is which (side_known is false): its "
                       "surface may be upside down; measure again with positions, or tell "
                       "plumb-sweep --first in|out");
    for (int i = 0; i < PL_SURFACE_NUMBERS && rc == PL_OK; i++)
        rc = take_member(&r, i, json_object_get(surface, pl_surface_keys()[i].key), err);
    if (!json_is_string(date))
        date = json_object_get(line, "date_obs");
    if (rc == PL_OK && json_is_string(date))
        rc = take_date(&r, json_string_value(date), err);
    return rc == PL_OK ? done(&r, out, err) : rc;
}

/* Object after object, until one with a surface has been found; a second one is one too many. */
static pl_status from_json(const char *text, size_t n, pl_surface *out, pl_err *err)
{
    pl_surface found;
    size_t surfaces = 0;
    pl_status rc = PL_OK;
    static const char gap[] = " \t\r\n";
    for (size_t used = strspn(text, gap); used < n && rc == PL_OK;) {
        json_error_t why;
        json_t *line = json_loadb(text + used, n - used, JSON_DISABLE_EOF_CHECK, &why);
        if (!line)
            return pl_fail(err, PL_EFORMAT, "is no JSON of plumb-sweep or plumb-tilt: %.120s",
                           why.text);
        if (json_is_object(json_object_get(line, "surface")) && ++surfaces == 1)
            rc = from_object(line, &found, err);
        json_decref(line);
        used += (size_t)why.position;
        used += strspn(text + used, gap);
    }
    if (rc != PL_OK)
        return rc;
    if (surfaces == 0)
        return pl_fail(err, PL_ENODATA,
                       "holds no surface; plumb-sweep --json and plumb-tilt --json write one");
    if (surfaces > 1)
        return pl_fail(err, PL_EFORMAT, "holds %zu surfaces; give the one line that is meant",
                       surfaces);
    *out = found;
    return PL_OK;
}

pl_status pl_surface_read(const char *path, pl_surface *out, pl_err *err)
{
    char *text = NULL;
    size_t n = 0;
    struct stat st;
    pl_status rc = pl_load_stream(path, "surface", MOST_BYTES, &text, &n, err);
    if (rc != PL_OK)
        return rc;
    bool json = text[strspn(text, " \t\r\n")] == '{';
    bool again = strcmp(path, "-") != 0 && stat(path, &st) == 0 && S_ISREG(st.st_mode);
    if (json)
        rc = from_json(text, n, out, err);
    free(text);
    if (!json && !again)
        return pl_fail(err, PL_EFORMAT,
                       "is no JSON of plumb-sweep or plumb-tilt; a profile is given by its name");
    return json ? rc : from_profile(path, out, err);
}
