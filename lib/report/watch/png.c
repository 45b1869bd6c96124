/* SPDX-License-Identifier: GPL-3.0-or-later */
/* png.c - the night so far, three strips over one another: focus (its distance in the zone
 * allowed, or the stars' width where no focal surface tells it), the air, the stars' light. */
#include "../report.h"
#include "../sheet.h"

#include <math.h>
#include <stdlib.h>

enum { W = 1600, H = 1000, MARGIN = PL_SHEET_MARGIN, TOP = 84, FOOT = 44 };

/* What one strip shows. [PL_PAST] */
typedef struct {
    double v[PL_PAST], sigma[PL_PAST], zone[PL_PAST];
    double within[PL_PAST]; /* |v| is less, where v is not known; 0: nor is that */
    const char *title;
    double least; /* the axis spans at least so much */
    bool from_0;
} strip;

/* The level axis: minutes before the last exposure, or their numbers where a time is unknown or
 * the clock went back. */
static const char *times(const pl_history *h, double *x)
{
    bool clock = h->n > 1;
    for (size_t i = 1; i < h->n; i++)
        clock = clock && h->past[i].minutes >= h->past[i - 1].minutes;
    for (size_t i = 0; i < h->n; i++)
        x[i] =
            clock ? h->past[i].minutes - h->past[h->n - 1].minutes : (double)i - (double)(h->n - 1);
    return clock ? "minutes before the last exposure" : "exposures before the last one";
}

static bool knows_focus(const pl_history *h)
{
    for (size_t i = 0; i < h->n; i++)
        if (isfinite(h->past[i].defocus_um) || h->past[i].within_um > 0)
            return true;
    return false;
}

static strip focus_strip(const pl_history *h)
{
    strip s = { .title = "defocus, um (+ = out)", .least = 20 };
    bool focus = knows_focus(h);
    for (size_t i = 0; i < h->n; i++) {
        const pl_past *p = &h->past[i];
        s.v[i] = focus ? p->defocus_um : p->fwhm_px;
        s.sigma[i] = focus ? p->defocus_sigma_um : NAN;
        s.zone[i] = focus ? p->zone_um : NAN;
        s.within[i] = focus && !isfinite(p->defocus_um) && p->within_um > 0 ? p->within_um : 0;
    }
    if (!focus)
        s.title = "FWHM, px", s.least = 1;
    return s;
}

static strip air_strip(const pl_history *h)
{
    strip s = { .title = "air, arcsec", .least = 1, .from_0 = true };
    for (size_t i = 0; i < h->n; i++) {
        s.v[i] = h->past[i].seeing_arcsec;
        s.sigma[i] = s.zone[i] = NAN;
    }
    return s;
}

static strip light_strip(const pl_history *h)
{
    strip s = { .title = "light, %", .least = 100, .from_0 = true };
    for (size_t i = 0; i < h->n; i++) {
        s.v[i] = 100 * h->past[i].transparency;
        s.sigma[i] = 100 * h->past[i].transparency_sigma;
        s.zone[i] = NAN;
    }
    return s;
}

static pl_axis axis_of(const strip *s, size_t n)
{
    double lo = s->from_0 ? 0 : INFINITY, hi = -INFINITY;
    for (size_t i = 0; i < n; i++) {
        double zone = isfinite(s->zone[i]) ? s->zone[i] : -INFINITY;
        if (s->within[i] > 0)
            zone = fmax(zone, s->within[i]);
        if (isfinite(s->v[i])) {
            lo = fmin(lo, s->v[i]);
            hi = fmax(hi, s->v[i]);
        }
        lo = fmin(lo, -zone);
        hi = fmax(hi, zone);
    }
    if (!(hi >= lo))
        return (pl_axis){ 0, s->least, s->title, 0 };
    double more = fmax(0, s->least - (hi - lo)) / 2, room = 0.1 * fmax(hi - lo, s->least);
    return (pl_axis){ s->from_0 ? 0 : lo - more - room, hi + (s->from_0 ? 2 : 1) * more + room,
                      s->title, 0 };
}

static bool knows(const strip *s, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if (isfinite(s->v[i]) || s->within[i] > 0)
            return true;
    return false;
}

/* Somewhere in there. */
static void bars(pl_canvas *c, const pl_plot *p, const strip *s, const double *x, size_t n)
{
    const double middle = 0;
    pl_canvas_tone(c, PL_TONE_INK, 1);
    for (size_t i = 0; i < n; i++)
        if (s->within[i] > 0)
            pl_plot_points(c, p, &x[i], &middle, &s->within[i], 1, 0);
}

static void draw_strip(pl_canvas *c, const strip *s, const double *x, size_t n, const char *below,
                       pl_box box)
{
    double low[PL_PAST];
    double first = n ? x[0] : -1, room = 0.03 * fmax(1, -first);
    double step = first < -12 ? 0 : 1; /* no tick between two exposures */
    pl_plot p = { .x = { first - room, room, below, step }, .y = axis_of(s, n) };
    pl_plot_fit(c, &p, box);
    p.box.w -=
        p.box.x < MARGIN + 84 ? MARGIN + 84 - p.box.x : 0; /* strips begin below each other */
    p.box.x = fmax(p.box.x, MARGIN + 84);
    for (size_t i = 0; i < n; i++)
        low[i] = -s->zone[i];
    pl_canvas_tone(c, PL_TONE_SHADE, 1);
    pl_plot_band(c, &p, x, low, s->zone, n);
    pl_plot_axes(c, &p);
    const pl_type type = {
        .size = PL_SIZE_BODY, .tone = PL_TONE_FAINT, .halo = true, .ax = 0.5, .ay = 0.5
    };
    if (!knows(s, n))
        pl_canvas_text(c, &type, p.box.x + p.box.w / 2, p.box.y + p.box.h / 2, "not known");
    pl_canvas_tone(c, PL_TONE_RULE, 1);
    pl_plot_line(c, &p, x, s->v, n, 2, 0);
    bars(c, &p, s, x, n);
    pl_canvas_tone(c, PL_TONE_INK, 1);
    pl_plot_points(c, &p, x, s->v, s->sigma, n, 4.5);
    if (n) {
        pl_canvas_tone(c, PL_TONE_ACCENT, 1);
        pl_plot_points(c, &p, x + n - 1, s->v + n - 1, s->sigma + n - 1, 1, 7);
    }
}

static void words(pl_canvas *c, const pl_history *h, const char *title)
{
    pl_string foot = { 0 };
    pl_sheet_title(c, title);
    pl_string_add(&foot,
                  "%zu exposure%s; band: focus allowed; bar without a dot: somewhere in it, in or "
                  "out; light against the reference",
                  h->n, h->n == 1 ? "" : "s");
    pl_sheet_foot(c, &foot, "plumb-watch " PL_VERSION);
}

pl_status pl_watch_canvas(const pl_history *h, const char *title, bool red, pl_canvas **out,
                          pl_err *err)
{
    double x[PL_PAST];
    pl_canvas *c = NULL;
    pl_status rc = pl_canvas_new(W, H, red, &c, err);
    if (rc != PL_OK)
        return rc;
    const char *below = times(h, x);
    const strip s[] = { focus_strip(h), air_strip(h), light_strip(h) };
    const double part[] = { 0.42, 0.24, 0.34 }; /* the last one holds the level axis' title */
    double y = TOP, high = H - TOP - FOOT;
    words(c, h, title);
    for (int i = 0; i < 3; i++) {
        draw_strip(c, &s[i], x, h->n, i == 2 ? below : NULL,
                   (pl_box){ MARGIN, y, W - 2 * MARGIN, part[i] * high });
        y += part[i] * high;
    }
    *out = c;
    return PL_OK;
}

pl_status pl_watch_draw(const pl_history *h, const char *title, bool red, const char *png,
                        pl_err *err)
{
    pl_canvas *c = NULL;
    const pl_chunk chunk[] = { { "Title", "focus, air and light of the night so far" },
                               { "Description", title } };
    pl_status rc = pl_watch_canvas(h, title, red, &c, err);
    return pl_sheet_write(rc, c, png, chunk, PL_ARRAY_LEN(chunk), err);
}
