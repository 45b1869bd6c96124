/* SPDX-License-Identifier: GPL-3.0-or-later */
/* read.c - a measurement from the JSON of the programs that measure, turns as a person writes
 * them, and whether both belong into a log. */
#include "turn.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <jansson.h>

enum { MOST_BYTES = 64 << 20 };

static const double FAR = 0.05; /* of the frame's diagonal */

static double number(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    return json_is_number(v) ? json_number_value(v) : NAN;
}

static int whole(const json_t *o, const char *key)
{
    double v = number(o, key);
    return v >= 1 && v <= 1e6 ? (int)v : 0;
}

static void take_date(pl_turn_entry *e, const json_t *o, const char *key)
{
    const char *date = json_string_value(json_object_get(o, key));
    if (date && strlen(date) < sizeof e->date && strspn(date, "0123456789-T:.Z") == strlen(date))
        snprintf(e->date, sizeof e->date, "%s", date);
}

/* Where the stars that tell the coma stand, by what each weighs. */
static void place(pl_turn_entry *e, const json_t *o)
{
    double sum = 0, x = 0, y = 0;
    const json_t *list = json_object_get(o, "donuts"), *d;
    for (size_t i = 0; i < json_array_size(list); i++) {
        d = json_array_get(list, i);
        double snr = number(d, "snr"), w = snr * snr;
        if (!json_is_true(json_object_get(d, "used")) || !(w > 0 && w < 1e12) ||
            !isfinite(number(d, "x_px")) || !isfinite(number(d, "y_px")))
            continue;
        sum += w;
        x += w * number(d, "x_px");
        y += w * number(d, "y_px");
    }
    e->star_x_px = sum > 0 ? x / sum : NAN;
    e->star_y_px = sum > 0 ? y / sum : NAN;
    e->width_px = whole(o, "width_px");
    e->height_px = whole(o, "height_px");
}

static pl_status take_coma(const json_t *o, pl_turn_entry *e, pl_err *err)
{
    double mm = number(o, "axis_error_mm"), deg = number(o, "axis_error_deg");
    double sigma = number(o, "axis_error_mm_sigma");
    if (!(mm >= 0 && mm < 1e5) || !isfinite(deg) || !(sigma > 0 && sigma < 1e5))
        return pl_fail(err, PL_ENODATA,
                       "holds no axis error: axis_error_mm, its error and "
                       "axis_error_deg are wanted");
    e->x = mm * cos(deg * M_PI / 180);
    e->y = mm * sin(deg * M_PI / 180);
    e->xx = e->yy = sigma * sigma;
    e->xy = 0;
    e->allowed = number(o, "axis_allowed_mm");
    place(e, o);
    if (!isfinite(e->star_x_px) || e->width_px == 0 || e->height_px == 0)
        return pl_fail(err, PL_ENODATA,
                       "does not tell where the star stood (donuts, width_px, "
                       "height_px); measure again with this plumb-donut");
    take_date(e, o, "date_obs");
    return PL_OK;
}

static pl_status take_tilt(const json_t *o, const json_t *s, pl_turn_entry *e, pl_err *err)
{
    double sx = number(s, "tilt_x_um_mm_sigma"), sy = number(s, "tilt_y_um_mm_sigma");
    double rho = number(s, "tilt_xy_correlation"), across = number(o, "across_allowed_um");
    double w = number(s, "width_mm"), h = number(s, "height_mm");
    e->x = number(s, "tilt_x_um_mm");
    e->y = number(s, "tilt_y_um_mm");
    if (json_is_false(json_object_get(o, "side_known")))
        return pl_fail(err, PL_ENODATA,
                       "does not tell which way is out (side_known is false): "
                       "measure with positions, or with --first");
    if (!(fabs(e->x) < 1e5 && fabs(e->y) < 1e5 && sx > 0 && sy > 0 && sx < 1e5 && sy < 1e5))
        return pl_fail(err, PL_ENODATA,
                       "holds no tilt: surface.tilt_x_um_mm and tilt_y_um_mm with "
                       "their errors are wanted");
    e->xx = sx * sx;
    e->yy = sy * sy;
    e->xy = fabs(rho) < 1 ? rho * sx * sy : 0;
    if (!isfinite(across)) /* corners may be off by the zone, one up and one down */
        across = 2 * number(o, "zone_um");
    e->allowed = w > 0 && h > 0 ? across / hypot(w, h) : NAN;
    e->width_px = whole(o, "width_px");
    e->height_px = whole(o, "height_px");
    take_date(e, s, "date");
    return PL_OK;
}

static pl_status take_object(const json_t *o, pl_turn_entry *out, pl_err *err)
{
    pl_turn_entry e = { .kind = PL_TURN_COMA, .allowed = NAN, .star_x_px = NAN, .star_y_px = NAN };
    const char *program = json_string_value(json_object_get(o, "program"));
    const json_t *surface = json_object_get(o, "surface");
    pl_status rc;
    if (json_is_object(surface)) {
        e.kind = PL_TURN_TILT;
        rc = take_tilt(o, surface, &e, err);
    } else if (json_object_get(o, "axis_error_mm")) {
        rc = take_coma(o, &e, err);
    } else {
        return pl_fail(err, PL_ENODATA,
                       "holds neither coma nor tilt, but the answer of %.40s; that "
                       "of plumb-donut, plumb-sweep or plumb-tilt is wanted",
                       program ? program : "no program of this kind");
    }
    if (!(e.allowed > 0 && e.allowed < 1e5))
        e.allowed = NAN;
    if (rc == PL_OK)
        *out = e;
    return rc;
}

/* The last line that is not blank, cut off behind. */
static char *last_line(char *text)
{
    size_t n = strlen(text);
    while (n > 0 && isspace((unsigned char)text[n - 1]))
        text[--n] = '\0';
    char *end = strrchr(text, '\n');
    return end ? end + 1 : text;
}

pl_status pl_turn_measured(const char *path, pl_turn_entry *out, pl_err *err)
{
    char *text = NULL;
    size_t n = 0;
    json_error_t why;
    pl_status rc = pl_load_stream(path, "measurement", MOST_BYTES, &text, &n, err);
    if (rc != PL_OK)
        return rc;
    json_t *o = json_loads(last_line(text), JSON_REJECT_DUPLICATES, &why);
    if (!o) /* not in lines: the whole as one object */
        o = json_loads(text, JSON_REJECT_DUPLICATES, &why);
    if (json_is_object(o))
        rc = take_object(o, out, err);
    else
        rc = pl_fail(err, PL_EFORMAT,
                     "is no JSON (%.80s); what plumb-donut --json, plumb-sweep "
                     "--json or plumb-tilt --json prints is wanted",
                     o ? "no object" : why.text);
    json_decref(o);
    free(text);
    return rc;
}

/* "1/4", "-3/8", "+0.25" */
static bool turns(const char *text, double *v)
{
    double over;
    char left[32];
    const char *bar = strchr(text, '/');
    if (!bar)
        return pl_number(text, v);
    if ((size_t)(bar - text) >= sizeof left)
        return false;
    snprintf(left, sizeof left, "%.*s", (int)(bar - text), text);
    if (!pl_number(left, v) || !pl_number(bar + 1, &over) || !(over >= 1))
        return false;
    *v /= over;
    return true;
}

pl_status pl_turn_told(pl_turn_entry *e, const char *text, pl_err *err)
{
    double v;
    int k = toupper((unsigned char)text[0]) - 'A';
    if (k < 0 || k >= PL_SCREWS_MAX || text[1] != '=' || !turns(text + 2, &v))
        return pl_fail(err, PL_EARG,
                       "\"%.40s\" is no turn; A=1/4 is a quarter turn of screw A "
                       "clockwise, B=-1/8 an eighth of B counter-clockwise",
                       text);
    if (!(fabs(v) <= 8))
        return pl_fail(err, PL_EARG, "\"%.40s\": more than 8 turns at once", text);
    if (e->turn[k] != 0)
        return pl_fail(err, PL_EARG, "screw %c is told twice", 'A' + k);
    e->turn[k] = v;
    return PL_OK;
}

/* As written in the log, with seven digits. */
static bool is_same(const pl_turn_entry *a, const pl_turn_entry *b)
{
    return fabs(a->x - b->x) <= 1e-6 * fabs(a->x) && fabs(a->y - b->y) <= 1e-6 * fabs(a->y) &&
           fabs(a->xx - b->xx) <= 1e-6 * a->xx && fabs(a->yy - b->yy) <= 1e-6 * a->yy;
}

pl_status pl_turnlog_accepts(const pl_turn_log *log, const pl_turn_entry *e, pl_err *err)
{
    static const char *const what[] = { "coma", "tilt" };
    if (log->entries == 0) {
        for (int k = 0; k < PL_SCREWS_MAX; k++)
            if (e->turn[k] != 0)
                return pl_fail(err, PL_EARG,
                               "the log has no measurement from before the turns; "
                               "begin it with one and no turns");
        return PL_OK;
    }
    const pl_turn_entry *first = &log->entry[0];
    if (e->kind != first->kind)
        return pl_fail(err, PL_EARG,
                       "is a measurement of %s, and the log is one of %s; keep one log "
                       "for each",
                       what[e->kind], what[first->kind]);
    if (is_same(&log->entry[log->entries - 1], e))
        return pl_fail(err, PL_EARG,
                       "is in the log already, to the last digit; go on with plumb-turn advise, or "
                       "put a # before the log's last line and learn it anew");
    if (e->width_px && first->width_px &&
        (e->width_px != first->width_px || e->height_px != first->height_px))
        return pl_fail(err, PL_EARG,
                       "was measured on a frame of %d x %d pixels, the first of the log "
                       "on %d x %d; begin a new log",
                       e->width_px, e->height_px, first->width_px, first->height_px);
    double away = hypot(e->star_x_px - first->star_x_px, e->star_y_px - first->star_y_px);
    double diagonal = hypot(first->width_px, first->height_px);
    if (e->kind == PL_TURN_COMA && !(away <= FAR * diagonal))
        return pl_fail(err, PL_EARG,
                       "the star stood at %.0f, %.0f, %.0f px from that of the first "
                       "measurement at %.0f, %.0f; coma grows with the field, so bring "
                       "it within %.0f px of there and measure again",
                       e->star_x_px, e->star_y_px, away, first->star_x_px, first->star_y_px,
                       FAR * diagonal);
    return PL_OK;
}
