/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.c - a line of the log: what plumb-check says of the exposure, and what only a watcher
 * knows. */
#include "../json.h"
#include "../report.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char PROGRAM[] = "plumb-watch";

static void stamp(pl_json t, const pl_arrival *a, const char *digest)
{
    pl_json_text(t, "sha256", digest, NULL);
    if (json_object_set_new(t.object, "bytes", json_integer(a->bytes)) != 0 ||
        json_object_set_new(t.object, "modified_ns", json_integer(a->modified_ns)) != 0)
        *t.ok = false;
}

static void seen_by(pl_json t, const pl_followed *f)
{
    const pl_match *m = &f->match;
    double no = f->matched ? 1 : NAN; /* NaN times anything is unknown */
    pl_json_text(t, "reference", f->reference, NULL);
    pl_json_count(t, "stars_matched", f->matched ? m->stars : 0);
    pl_json_measured(t, "transparency", no * m->transparency, no * m->transparency_sigma);
    pl_json_measured(t, "spread", no * m->spread, no * m->spread_sigma);
    pl_json_number(t, "shift_x_px", no * m->shift_x_px);
    pl_json_number(t, "shift_y_px", no * m->shift_y_px);
    pl_json_number(t, "rotation_deg", no * m->rotation_deg);
    pl_json_digits(t, "minutes_since_2000", f->past.minutes, 12);
    pl_json_verdict(t, &f->verdict);
}

/* plumb-check's own line as an object again; NULL when memory is short. */
static json_t *check_object(const pl_check *check, const char *file)
{
    char *line = pl_check_json(check, file);
    json_t *o = line ? json_loads(line, 0, NULL) : NULL;
    free(line);
    return o;
}

char *pl_watch_json(const pl_followed *f, const pl_arrival *a, const char *digest)
{
    bool ok = true;
    pl_json t = { check_object(&f->check, a->path), &ok };
    if (!t.object)
        return NULL;
    pl_json_text(t, "program", PROGRAM, NULL);
    seen_by(t, f);
    stamp(t, a, digest);
    return pl_json_line(t);
}

char *pl_watch_donut_json(const pl_donut *d, const pl_arrival *a, const char *digest)
{
    bool ok = true;
    pl_json t = pl_json_donut(&ok, d, (const char *const *)&a->path);
    pl_json_text(t, "program", PROGRAM, NULL);
    stamp(t, a, digest);
    return pl_json_line(t);
}

char *pl_watch_error_json(const char *why, const pl_arrival *a, const char *digest)
{
    bool ok = true;
    const pl_notes none = { NULL, 0, 0 };
    pl_json t = pl_json_begin(&ok, PROGRAM, (const char *const *)&a->path, 1, &none);
    pl_json_text(t, "error", why, NULL);
    stamp(t, a, digest);
    return pl_json_line(t);
}
