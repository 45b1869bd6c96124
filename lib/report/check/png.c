/* SPDX-License-Identifier: GPL-3.0-or-later */
/* png.c - the sheet of one exposure. Each part of the field stands at the height of its own
 * best focus along the optical axis; the curve is what one telescope in one air makes of them from
 * where the sensor stands. To its right the same parts on the sensor with their own defocus;
 * without a surface these alone, with their widths. */
#include "../report.h"
#include "../sheet.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum {
    W = 1600,
    H = 1000,
    MARGIN = PL_SHEET_MARGIN,
    LEFT = 960,
    RIGHT = 1010,
    TOP = 132,
    FOOT = 60,
    MAP = 470
};

/* ---- widths along the axis */

static bool has_heights(const pl_sense *s)
{
    return s->cells > 0 && isfinite(s->cell[0].focal_um);
}

static double local_width(const pl_sense *s, double defocus_um)
{
    double at = (defocus_um / s->far_um + 1) / 2 * (PL_SENSE_CURVE - 1);
    int i = (int)floor(at);
    if (!(at >= 0 && i + 1 < PL_SENSE_CURVE))
        return NAN;
    return s->local_px[i] + (at - i) * (s->local_px[i + 1] - s->local_px[i]);
}

static void axes(const pl_sense *s, pl_plot *p)
{
    double z = isfinite(s->defocus_um) ? s->defocus_um : 0;
    double lo = fmin(0, z), hi = fmax(0, z), low = INFINITY, high = 0;
    for (size_t i = 0; i < s->cells; i++) {
        const pl_sense_cell *q = &s->cell[i];
        lo = fmin(lo, q->focal_um);
        hi = fmax(hi, q->focal_um);
        low = fmin(low, fmin(q->fwhm_px - q->fwhm_sigma_px, local_width(s, 0)));
        high = fmax(high, q->fwhm_px + q->fwhm_sigma_px);
    }
    double wide = fmax(0.12 * (hi - lo), 4), tall = fmax(0.1 * (high - low), 0.02 * high);
    p->x = (pl_axis){ lo - wide, hi + wide, "height along the axis, um (+ is further out)", 0 };
    p->y = (pl_axis){ fmax(0, low - tall), high + 2.5 * tall, "FWHM, px", 0 };
}

static void depth(pl_canvas *c, const pl_sense *s, const pl_plot *p)
{
    const double x[] = { s->defocus_um - s->zone_um, s->defocus_um + s->zone_um };
    const double lo[] = { p->y.lo, p->y.lo }, hi[] = { p->y.hi, p->y.hi };
    pl_canvas_tone(c, PL_TONE_SHADE, 1);
    pl_plot_band(c, p, x, lo, hi, 2);
}

static void curve(pl_canvas *c, const pl_sense *s, const pl_plot *p)
{
    enum { N = 161 };
    double x[N], y[N];
    for (int i = 0; i < N; i++) {
        x[i] = p->x.lo + (p->x.hi - p->x.lo) * i / (N - 1);
        y[i] = local_width(s, s->defocus_um - x[i]);
    }
    pl_canvas_tone(c, PL_TONE_ACCENT, 1);
    pl_plot_line(c, p, x, y, N, 4, 0);
}

static void upright(pl_canvas *c, const pl_plot *p, double at, double part, double dash,
                    const char *text)
{
    double y = p->y.lo + part * (p->y.hi - p->y.lo);
    const double x[] = { at, at }, up[] = { p->y.lo, y };
    const pl_type type = { .size = PL_SIZE_BODY, .tone = PL_TONE_INK, .bold = true, .halo = true };
    pl_plot_line(c, p, x, up, 2, dash > 0 ? 1.5 : 3, dash);
    pl_canvas_place(c, &type, pl_plot_x(p, at), pl_plot_y(p, y), 12, p->box, text);
}

static void sensor(pl_canvas *c, const pl_sense *s, const pl_plot *p)
{
    char text[80];
    snprintf(text, sizeof text, "sensor, %s%s um", s->defocus_um > 0 ? "+" : "",
             pl_measured(s->defocus_um, s->defocus_sigma_um, 0).s);
    pl_canvas_tone(c, PL_TONE_INK, 1);
    upright(c, p, 0, 0.9, 6, "focus of the centre");
    upright(c, p, s->defocus_um, 0.96, 0, text);
}

static void cells(pl_canvas *c, const pl_sense *s, const pl_plot *p)
{
    pl_canvas_tone(c, PL_TONE_INK, 1);
    for (size_t i = 0; i < s->cells; i++) {
        const pl_sense_cell *q = &s->cell[i];
        pl_plot_points(c, p, &q->focal_um, &q->fwhm_px, &q->fwhm_sigma_px, 1, 5);
        double x = pl_plot_x(p, q->focal_um), y = pl_plot_y(p, q->fwhm_px);
        pl_canvas_take(c, (pl_box){ x - 6, y - 6, 12, 12 });
    }
}

static void along_axis(pl_canvas *c, const pl_sense *s, pl_box room)
{
    const pl_type head = { .size = PL_SIZE_HEAD, .tone = PL_TONE_INK, .bold = true };
    const pl_type body = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    pl_plot p = { .x = { 0 } };
    pl_box b = pl_canvas_text(c, &head, room.x, room.y, "Widths over the focal surface");
    pl_canvas_text_in(c, &body, b.x + b.w + 14, room.y + 4, room.w - b.w - 14,
                      s->sign_known
                          ? "dots: parts of the field; line: one air; band: depth of focus"
                          : "dots: parts of the field, at their own best focus");
    axes(s, &p);
    room.y += 34;
    room.h -= 34;
    pl_plot_fit(c, &p, room);
    if (s->sign_known)
        depth(c, s, &p);
    pl_plot_axes(c, &p);
    cells(c, s, &p);
    if (!s->sign_known)
        return;
    curve(c, s, &p);
    sensor(c, s, &p);
}

/* ---- the same on the sensor */

static double value_of(const pl_sense *s, const pl_sense_cell *q)
{
    return s->sign_known && isfinite(q->focal_um) ? s->defocus_um - q->focal_um : q->fwhm_px;
}

static void discs(pl_canvas *c, const pl_sense *s, pl_box b, bool top_down, double scale)
{
    const pl_type type = {
        .size = PL_SIZE_SMALL, .tone = PL_TONE_INK, .ax = 0.5, .ay = 0.5, .halo = true
    };
    bool local = s->sign_known && has_heights(s);
    double most = 2 * s->zone_um;
    for (size_t i = 0; i < s->cells; i++) {
        const pl_sense_cell *q = &s->cell[i];
        double x = b.x + b.w / 2 + scale * q->x_mm, v = value_of(s, q);
        double y = b.y + b.h / 2 + (top_down ? 1 : -1) * scale * q->y_mm;
        char text[64];
        snprintf(text, sizeof text, "%s%s", local && v >= 0.5 ? "+" : "",
                 pl_fixed(v, local ? 0 : 2).s);
        if (!pl_canvas_free_at(c, pl_canvas_measure(c, &type, x, y, text), b, 3))
            continue; /* its neighbour tells as much */
        if (local) {
            pl_canvas_rgb(c, pl_ramp_both(c->red, v / most), 1);
            cairo_arc(c->cr, x, y, 21, 0, 2 * M_PI);
            cairo_fill(c->cr);
        }
        pl_canvas_text(c, &type, x, y, text);
    }
}

static void on_sensor(pl_canvas *c, const pl_check *k, pl_box room)
{
    const pl_type head = { .size = PL_SIZE_HEAD, .tone = PL_TONE_INK, .bold = true };
    const pl_type body = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    const pl_sense *s = &k->sense;
    bool top_down = strcmp(k->facts.row_order.s, "TOP-DOWN") == 0, local = s->sign_known;
    pl_canvas_text_in(c, &head, room.x, room.y, room.w,
                      local ? "Defocus over the sensor, um" : "FWHM over the sensor, px");
    pl_box in = { room.x + 28, room.y + 60, room.w - 56, room.h - 60 - 64 };
    double scale = fmin(in.w / k->width_mm, in.h / k->height_mm);
    double w = scale * k->width_mm, h = scale * k->height_mm;
    pl_box b = { in.x + (in.w - w) / 2, in.y + (in.h - h) / 2, w, h };
    pl_sheet_frame(c, b, top_down);
    discs(c, s, b, top_down, scale);
    if (local)
        pl_canvas_text_in(c, &body, room.x, b.y + b.h + 36, room.w,
                          "+: the sensor is too far out there");
}

/* ---- numbers */

static void numbers(pl_canvas *c, const pl_check *told, double y)
{
    const pl_sense *s = &told->sense;
    char text[160];
    double z = s->sign_known ? s->defocus_um : s->size_um;
    snprintf(text, sizeof text, "%s um", pl_measured(z, s->size_sigma_um, 0).s);
    y = pl_sheet_row(c, RIGHT, y, s->sign_known ? "defocus, + = out" : "defocus, in or out",
                     isfinite(s->size_um) ? text : "not known");
    snprintf(text, sizeof text, "+-%s um", pl_fixed(s->zone_um, 0).s);
    if (isfinite(s->zone_um))
        y = pl_sheet_row(c, RIGHT, y, "allowed", text);
    snprintf(text, sizeof text, "%s arcsec",
             pl_measured(s->seeing_arcsec, s->seeing_sigma_arcsec, 2).s);
    y = pl_sheet_row(c, RIGHT, y, "the air", isfinite(s->seeing_arcsec) ? text : "not known");
    snprintf(text, sizeof text, "%s px", pl_measured(told->fwhm_px, told->fwhm_sigma_px, 2).s);
    y = pl_sheet_row(c, RIGHT, y, "FWHM", text);
    snprintf(text, sizeof text, "%s px", pl_measured(s->focused_px, s->focused_sigma_px, 2).s);
    if (s->sign_known)
        y = pl_sheet_row(c, RIGHT, y, "FWHM in focus, this air", text);
    snprintf(text, sizeof text, "%s min, %s", pl_fixed(told->drift_cost_s / 60, 1).s,
             pl_fixed(told->refocus_cost_s / 60, 1).s);
    if (isfinite(told->drift_cost_s))
        y = pl_sheet_row(c, RIGHT, y, "shooting on costs, refocusing", text);
    snprintf(text, sizeof text, "%zu", told->stars);
    pl_sheet_row(c, RIGHT, y, "stars", text);
}

pl_status pl_check_canvas(const pl_check *k, const char *file, bool red, pl_canvas **out,
                          pl_err *err)
{
    pl_string foot = { 0 };
    pl_canvas *c = NULL;
    pl_status rc = pl_canvas_new(W, H, red, &c, err);
    if (rc != PL_OK)
        return rc;
    pl_sheet_head(c, k->verdict.text, k->verdict.action);
    bool heights = has_heights(&k->sense);
    const pl_box left = { MARGIN, TOP, LEFT - MARGIN, H - TOP - FOOT };
    if (heights)
        along_axis(c, &k->sense, left);
    on_sensor(c, k, heights ? (pl_box){ RIGHT, TOP, W - MARGIN - RIGHT, MAP } : left);
    numbers(c, k, heights ? TOP + MAP + 24 : TOP + 60);
    pl_sheet_exposures(&foot, file, 1, &k->facts);
    pl_sheet_foot(c, &foot, "plumb-check " PL_VERSION);
    *out = c;
    return PL_OK;
}

pl_status pl_check_draw(const pl_check *k, const char *file, bool red, const char *png, pl_err *err)
{
    pl_canvas *c = NULL;
    const pl_chunk chunk[] = { { "Title", "focus and air of one exposure" },
                               { "Description", k->verdict.text } };
    pl_status rc = pl_check_canvas(k, file, red, &c, err);
    return pl_sheet_write(rc, c, png, chunk, PL_ARRAY_LEN(chunk), err);
}
