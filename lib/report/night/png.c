/* SPDX-License-Identifier: GPL-3.0-or-later */
/* png.c - the sheet of a night: defocus in its zone against time, temperature below it, thin
 * strips of air, stretch and noise, and the grades. */
#include "night.h"
#include "../sheet.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum {
    W = 1600,
    H = 1280,
    MARGIN = PL_SHEET_MARGIN,
    TOP = 150,
    FOCUS = 400, /* heights */
    STRIP = 118,
    GRADES = 108,
    FOOT = 56,
    LEFT = 172, /* all strips begin and end at the same columns */
    RIGHT = 30
};

/* Series of the night over hours since its first exposure. */
struct sheet {
    pl_canvas *c;
    const pl_night *n;
    double *hour, *v, *w, *sigma; /* [subs] */
    double start_s, end_h;
};

typedef double value(const pl_sub *s);

static double of_defocus(const pl_sub *s)
{
    return isfinite(s->defocus_um) ? s->defocus_um : s->size_um;
}
static double of_zone(const pl_sub *s)
{
    return s->zone_um;
}
static double of_temperature(const pl_sub *s)
{
    return s->temperature_c;
}
static double of_width(const pl_sub *s)
{
    return isfinite(s->seeing_arcsec) ? s->seeing_arcsec
           : isfinite(s->fwhm_arcsec) ? s->fwhm_arcsec
                                      : s->fwhm_px;
}
static double of_shape(const pl_sub *s)
{
    return s->eccentricity;
}
static double of_noise(const pl_sub *s)
{
    return 1 / sqrt(s->worth_sky);
}

static void take(struct sheet *s, value *of, double *out)
{
    for (size_t i = 0; i < s->n->subs; i++)
        out[i] = of(&s->n->sub[i]);
}

/* Range of v, with a margin; false when nothing is known. */
static bool range(const double *v, size_t n, double least, double *lo, double *hi)
{
    double a = INFINITY, b = -INFINITY;
    for (size_t i = 0; i < n; i++)
        if (isfinite(v[i])) {
            a = fmin(a, v[i]);
            b = fmax(b, v[i]);
        }
    if (!(b >= a))
        return false;
    double room = fmax((b - a) * 0.12, (least - (b - a)) / 2);
    *lo = a - room;
    *hi = b + room;
    return true;
}

/* ---- time */

static void hours(struct sheet *s)
{
    double first = NAN, last = NAN;
    for (size_t i = 0; i < s->n->subs; i++) {
        double t = s->n->sub[i].time_s;
        first = isnan(first) ? t : first;
        last = isfinite(t) ? t : last;
    }
    s->start_s = floor(first / 3600) * 3600;
    for (size_t i = 0; i < s->n->subs; i++)
        s->hour[i] = isnan(first) ? (double)i : (s->n->sub[i].time_s - s->start_s) / 3600;
    s->end_h = isnan(first) ? (double)s->n->subs : (last - s->start_s) / 3600;
}

static pl_plot strip(struct sheet *s, double y, double height, double lo, double hi)
{
    size_t n = s->n->subs;
    double from = s->hour[0], room = 0;
    for (size_t i = 0; i < n && isnan(from); i++)
        from = s->hour[i];
    room = fmax(0.02, (s->end_h - from) * 0.02);
    return (pl_plot){ .box = { MARGIN + LEFT, y, W - 2 * MARGIN - LEFT - RIGHT, height },
                      .x = { from - room, s->end_h + room, NULL, 0 },
                      .y = { lo, hi, NULL, 0 } };
}

/* Step between labelled times, hours. */
static double time_step(double span)
{
    static const double steps[] = { 1 / 12.0, 1 / 6.0, 0.25, 0.5, 1, 2, 3, 6, 12 };
    size_t i = 0;
    while (i + 1 < PL_ARRAY_LEN(steps) && span / steps[i] > 12)
        i++;
    double step = steps[i];
    while (span / step > 12)
        step *= 2;
    return step;
}

static void clock_marks(struct sheet *s, const pl_plot *p, bool labels)
{
    const pl_type type = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = 0.5 };
    double step = time_step(p->x.hi - p->x.lo);
    bool timed = isfinite(s->start_s);
    for (double h = ceil(p->x.lo / step) * step; h <= p->x.hi; h += step) {
        double x = pl_plot_x(p, h);
        pl_canvas_tone(s->c, PL_TONE_RULE, 0.7);
        cairo_set_line_width(s->c->cr, 1);
        cairo_move_to(s->c->cr, x, p->box.y);
        cairo_line_to(s->c->cr, x, p->box.y + p->box.h);
        cairo_stroke(s->c->cr);
        if (labels && timed)
            pl_canvas_text(s->c, &type, x, p->box.y + p->box.h + 8,
                           pl_night_clock(s->start_s + h * 3600).s);
    }
}

/* ---- strips */

/* Frame, level hairlines with their numbers, the name at the left. */
static void frame(struct sheet *s, const pl_plot *p, const char *name, const char *unit, int wanted)
{
    const pl_type number = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = 1, .ay = 0.5 };
    const pl_type head = { .size = PL_SIZE_BODY, .tone = PL_TONE_INK };
    const pl_type small = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    double step = pl_tick_step(p->y.lo, p->y.hi, wanted);
    clock_marks(s, p, false);
    for (double v = ceil(p->y.lo / step) * step; v <= p->y.hi; v += step) {
        double y = pl_plot_y(p, v);
        pl_canvas_tone(s->c, PL_TONE_RULE, 0.7);
        cairo_set_line_width(s->c->cr, 1);
        cairo_move_to(s->c->cr, p->box.x, y);
        cairo_line_to(s->c->cr, p->box.x + p->box.w, y);
        cairo_stroke(s->c->cr);
        if (y > p->box.y + 8 && y < p->box.y + p->box.h - 8)
            pl_canvas_text(s->c, &number, p->box.x - 6, y, pl_tick_label(v, step).s);
    }
    pl_canvas_tone(s->c, PL_TONE_FAINT, 1);
    cairo_set_line_width(s->c->cr, 1.2);
    cairo_rectangle(s->c->cr, p->box.x, p->box.y, p->box.w, p->box.h);
    cairo_stroke(s->c->cr);
    pl_canvas_text(s->c, &head, MARGIN, p->box.y + 2, name);
    pl_canvas_text(s->c, &small, MARGIN, p->box.y + 26, unit);
}

static double point_size(const struct sheet *s)
{
    return s->n->subs > 120 ? 2.5 : 4;
}

/* One quantity; a step line where it is smooth, points where each exposure counts. */
static void quantity(struct sheet *s, double y, const char *name, const char *unit, value *of,
                     double least, double limit)
{
    const pl_type none = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = 0.5, .ay = 0.5 };
    double lo = 0, hi = 1;
    take(s, of, s->v);
    bool known = range(s->v, s->n->subs, least, &lo, &hi);
    if (isfinite(limit))
        hi = fmax(hi, limit * 1.1);
    pl_plot p = strip(s, y, STRIP, lo, hi);
    frame(s, &p, name, unit, 3);
    if (!known) {
        pl_canvas_text(s->c, &none, p.box.x + p.box.w / 2, p.box.y + p.box.h / 2, "not known");
        return;
    }
    if (isfinite(limit)) {
        const double ends[2] = { p.x.lo, p.x.hi }, at[2] = { limit, limit };
        pl_canvas_tone(s->c, PL_TONE_FAINT, 1);
        pl_plot_line(s->c, &p, ends, at, 2, 1.5, 6);
    }
    pl_canvas_tone(s->c, PL_TONE_INK, 1);
    if (of == of_temperature)
        pl_plot_line(s->c, &p, s->hour, s->v, s->n->subs, 2, 0);
    else
        pl_plot_points(s->c, &p, s->hour, s->v, NULL, s->n->subs, point_size(s));
}

/* ---- defocus */

static void limits(struct sheet *s, double *lo, double *hi)
{
    double zone = isfinite(s->n->zone_um) ? s->n->zone_um : 10;
    *lo = -1.6 * zone;
    *hi = 1.6 * zone;
    for (size_t i = 0; i < s->n->subs; i++)
        if (isfinite(s->v[i])) {
            double e = isfinite(s->sigma[i]) ? s->sigma[i] : 0;
            *lo = fmin(*lo, s->v[i] - e - 0.1 * zone);
            *hi = fmax(*hi, s->v[i] + e + 0.1 * zone);
        }
}

static void band(struct sheet *s, const pl_plot *p)
{
    take(s, of_zone, s->w);
    for (size_t i = 0; i < s->n->subs; i++) {
        double zone = isfinite(s->w[i]) ? s->w[i] : s->n->zone_um;
        s->w[i] = zone;
    }
    double *low = malloc((s->n->subs + 1) * sizeof *low);
    if (!low) {
        s->c->failed = PL_ENOMEM;
        return;
    }
    for (size_t i = 0; i < s->n->subs; i++)
        low[i] = -s->w[i];
    pl_canvas_tone(s->c, PL_TONE_SHADE, 1);
    pl_plot_band(s->c, p, s->hour, low, s->w, s->n->subs);
    free(low);
}

static void refocusings(struct sheet *s, const pl_plot *p)
{
    const pl_type type = {
        .size = PL_SIZE_SMALL, .tone = PL_TONE_INK, .ax = 1, .ay = 0, .halo = true, .up = true
    };
    const double dash[] = { 7, 5 };
    for (size_t r = 0; r < s->n->refocuses && !s->n->moving; r++) {
        size_t i = s->n->refocus[r].after;
        double h = i ? (s->hour[i] + s->hour[i - 1]) / 2 : s->hour[i], x = pl_plot_x(p, h);
        if (isnan(h))
            continue;
        pl_canvas_tone(s->c, PL_TONE_ACCENT, 1);
        cairo_save(s->c->cr);
        cairo_set_line_width(s->c->cr, 2);
        cairo_set_dash(s->c->cr, dash, 2, 0);
        cairo_move_to(s->c->cr, x, p->box.y);
        cairo_line_to(s->c->cr, x, p->box.y + p->box.h);
        cairo_stroke(s->c->cr);
        cairo_restore(s->c->cr);
        if (s->n->refocuses < 16)
            pl_canvas_text(s->c, &type, x - 4, p->box.y + 8, "refocused");
    }
}

static void defocus(struct sheet *s, double y)
{
    const pl_type none = { .size = PL_SIZE_BODY, .tone = PL_TONE_FAINT, .ax = 0.5, .ay = 0.5 };
    const pl_type small = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    bool known = false;
    double lo, hi;
    take(s, of_defocus, s->v);
    for (size_t i = 0; i < s->n->subs; i++) {
        const pl_sub *b = &s->n->sub[i];
        s->sigma[i] = isfinite(b->defocus_um) ? b->defocus_sigma_um : b->size_sigma_um;
        known |= isfinite(s->v[i]);
    }
    limits(s, &lo, &hi);
    pl_plot p = strip(s, y, FOCUS, lo, hi);
    if (known)
        band(s, &p);
    frame(s, &p, "defocus", "um, + = out", 7);
    if (!known)
        pl_canvas_text(s->c, &none, p.box.x + p.box.w / 2, p.box.y + p.box.h / 2,
                       "not known: no saved focal surface, or no optics told");
    refocusings(s, &p);
    pl_canvas_tone(s->c, PL_TONE_INK, 1);
    pl_plot_points(s->c, &p, s->hour, s->v, s->sigma, s->n->subs, point_size(s) + 0.5);
    if (known)
        pl_canvas_text(s->c, &small, MARGIN, p.box.y + 48, "shaded: zone");
}

/* ---- grades: a row each, told by shape and place */

static void mark(struct sheet *s, pl_grade g, double x, double y)
{
    cairo_t *cr = s->c->cr;
    double r = s->n->subs > 120 ? 4 : 6;
    pl_canvas_tone(s->c, g == PL_KEEP ? PL_TONE_FAINT : PL_TONE_INK, 1);
    cairo_set_line_width(cr, 2);
    cairo_new_path(cr);
    if (g == PL_KEEP) {
        cairo_move_to(cr, x, y - r);
        cairo_line_to(cr, x, y + r);
        cairo_stroke(cr);
    } else if (g == PL_DOUBTFUL) {
        cairo_arc(cr, x, y, r, 0, 2 * M_PI);
        cairo_stroke(cr);
    } else {
        cairo_rectangle(cr, x - r, y - r, 2 * r, 2 * r);
        cairo_fill(cr);
    }
}

static const char *short_cause(const pl_sub *s)
{
    if (!s->measured)
        return "not measured";
    switch (s->cause) {
    case PL_CAUSE_TRACKING:
        return "guiding";
    case PL_CAUSE_CLOUD:
        return "cloud";
    case PL_CAUSE_FOCUS:
        return "focus";
    case PL_CAUSE_AIR:
        return "air";
    default:
        return "sky";
    }
}

static void grades(struct sheet *s, double y)
{
    const pl_type name = { .size = PL_SIZE_SMALL, .tone = PL_TONE_INK, .ax = 1, .ay = 0.5 };
    const pl_type why = { .size = PL_SIZE_SMALL, .tone = PL_TONE_INK, .halo = true, .ay = 0.5 };
    pl_plot p = strip(s, y, GRADES, 0, 1);
    const char *last = "";
    double until = 0;
    clock_marks(s, &p, true);
    for (int g = PL_KEEP; g <= PL_DROP; g++)
        pl_canvas_text(s->c, &name, p.box.x - 6, y + 14 + 28 * g, pl_grade_word((pl_grade)g));
    for (size_t i = 0; i < s->n->subs; i++)
        if (isfinite(s->hour[i]))
            mark(s, s->n->sub[i].grade, pl_plot_x(&p, s->hour[i]),
                 y + 14 + 28 * s->n->sub[i].grade);
    /* the reason beside the first of a run */
    for (size_t i = 0; i < s->n->subs; i++) {
        const pl_sub *b = &s->n->sub[i];
        const char *cause = b->grade == PL_DROP ? short_cause(b) : "";
        double x = pl_plot_x(&p, s->hour[i]) - 6;
        double w = pl_canvas_measure(s->c, &why, 0, 0, cause).w;
        if (cause[0] && cause != last && x > until && x + w < p.box.x + p.box.w) {
            pl_canvas_text(s->c, &why, x, y + 16 + 28 * (PL_DROP + 0.75), cause);
            until = x + w + 12;
        }
        last = cause;
    }
}

/* ---- words */

static void headline(struct sheet *s)
{
    const pl_type body = { .size = PL_SIZE_BODY, .tone = PL_TONE_INK };
    pl_string more = { 0 };
    pl_sheet_title(s->c, s->n->verdict.text);
    pl_string_add(&more, "%s. Temperature: ", s->n->verdict.action);
    pl_night_coefficient(s->n, &more);
    pl_canvas_wrap(s->c, &body, (pl_box){ MARGIN, 68, W - 2 * MARGIN, 0 }, 3, more.s ? more.s : "");
    free(pl_string_take(&more));
}

static void footer(struct sheet *s)
{
    char date[32] = "";
    pl_string words = { 0 };
    if (isfinite(s->start_s))
        pl_date_utc(s->start_s, date);
    pl_string_add(&words, "%s   %.10s UT   %zu exposures, %s min   %s", s->n->sub[0].file, date,
                  s->n->subs, pl_fixed(s->n->exposed_s / 60, 0).s, s->n->sub[0].object);
    pl_sheet_foot(s->c, &words, "plumb-night " PL_VERSION);
}

static void draw(struct sheet *s)
{
    double y = TOP;
    hours(s);
    headline(s);
    defocus(s, y);
    y += FOCUS + 14;
    quantity(s, y, "temperature", "C", of_temperature, 1, NAN);
    y += STRIP + 14;
    quantity(s, y, isfinite(s->n->seeing_arcsec) ? "air" : "FWHM",
             isfinite(s->n->sub[s->n->subs - 1].fwhm_arcsec) ? "arcsec" : "px", of_width, 0.2, NAN);
    y += STRIP + 14;
    quantity(s, y, "eccentricity", "-- allowed", of_shape, 0.2, s->n->facts.eccentricity.v);
    y += STRIP + 14;
    quantity(s, y, "noise of sky", "1 = usual", of_noise, 0.2, NAN);
    y += STRIP + 14;
    grades(s, y);
    footer(s);
}

pl_status pl_night_canvas(const pl_night *n, bool red, pl_canvas **out, pl_err *err)
{
    pl_canvas *c = NULL;
    pl_status rc = pl_canvas_new(W, H, red, &c, err);
    if (rc != PL_OK)
        return rc;
    double *room = calloc(4 * n->subs, sizeof *room);
    struct sheet s = { .c = c, .n = n, .hour = room };
    if (!room) {
        pl_canvas_free(c);
        return pl_fail(err, PL_ENOMEM, "out of memory");
    }
    s.v = room + n->subs;
    s.w = s.v + n->subs;
    s.sigma = s.w + n->subs;
    draw(&s);
    free(room);
    *out = c;
    return PL_OK;
}

pl_status pl_night_draw(const pl_night *n, bool red, const char *png, pl_err *err)
{
    pl_canvas *c = NULL;
    const pl_chunk chunk[] = { { "Title", "a night: defocus, temperature, air, shape, sky" },
                               { "Description", n->verdict.text } };
    pl_status rc = pl_night_canvas(n, red, &c, err);
    return pl_sheet_write(rc, c, png, chunk, PL_ARRAY_LEN(chunk), err);
}
