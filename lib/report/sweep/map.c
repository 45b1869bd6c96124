/* SPDX-License-Identifier: GPL-3.0-or-later */
/* map.c - where best focus lies over the sensor: lines of equal height in um, the part that
 * is within the zone while the centre is in focus, and the way best focus moves out. */
#include "../isoline.h"
#include "../sheet.h"
#include "sweep.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_LINES = 24, LINES_A_ZONE = 10 };

/* The frame as it lies in the picture, and the surface that is drawn. */
typedef struct {
    pl_canvas *c;
    pl_surface s; /* curvature 0 when it is unknown */
    pl_box box;
    bool top_down;
    double zone_um;
} sheet;

/* Millimetres from the centre of a place given as fractions of the picture's box. */
static double height_at(const sheet *m, double along, double down)
{
    double row = m->top_down ? down : 1 - down;
    return pl_surface_at(&m->s, (along - 0.5) * m->s.width_mm, (row - 0.5) * m->s.height_mm, NULL);
}

/* A pixel high strip where the surface is within the zone of the centre's focus. */
static void shade_strip(const sheet *m, int y)
{
    double down = (y + 0.5) / m->box.h, from = -1;
    int w = (int)m->box.w;
    for (int x = 0; x <= w; x++) {
        bool in = x < w && fabs(height_at(m, (x + 0.5) / m->box.w, down)) <= m->zone_um;
        if (in && from < 0)
            from = x;
        if (!in && from >= 0) {
            cairo_rectangle(m->c->cr, m->box.x + from, m->box.y + y, x - from, 1);
            from = -1;
        }
    }
}

static void shade(const sheet *m)
{
    if (!isfinite(m->zone_um))
        return;
    cairo_save(m->c->cr);
    cairo_set_antialias(m->c->cr, CAIRO_ANTIALIAS_NONE);
    pl_canvas_tone(m->c, PL_TONE_SHADE, 1);
    for (int y = 0; y < (int)m->box.h; y++)
        shade_strip(m, y);
    cairo_fill(m->c->cr);
    cairo_restore(m->c->cr);
}

static void lines(const sheet *m)
{
    double *v = malloc(PL_GRID * sizeof *v), lo = INFINITY, hi = -INFINITY;
    if (!v) {
        m->c->failed = PL_ENOMEM;
        return;
    }
    for (int i = 0; i < PL_GRID; i++) {
        double x = (double)(i % (PL_GRID_X + 1)) / PL_GRID_X - 0.5;
        double y = (double)(i / (PL_GRID_X + 1)) / PL_GRID_Y - 0.5;
        v[i] = pl_surface_at(&m->s, x * m->s.width_mm, y * m->s.height_mm, NULL);
        lo = fmin(lo, v[i]);
        hi = fmax(hi, v[i]);
    }
    double step = pl_tick_step(lo, hi, 7), least = m->zone_um / LINES_A_ZONE;
    if (hi - lo < least) { /* lines would draw its errors; the arrow has the middle */
        const pl_type t = { .size = PL_SIZE_SMALL, .tone = PL_TONE_INK, .ax = 0.5, .ay = 1 };
        char text[64];
        snprintf(text, sizeof text, "flat within %s um", pl_signif(hi - lo, 1).s);
        pl_canvas_text(m->c, &t, m->box.x + m->box.w / 2, m->box.y + m->box.h - 14, text);
        step = 0;
    }
    const pl_isolines map = { m->c, m->box, m->top_down, v, lo, hi };
    for (int i = 0; i < MOST_LINES && step > 0; i++) {
        double level = (ceil(lo / step) + i) * step;
        char text[64];
        if (level >= hi)
            break;
        snprintf(text, sizeof text, "%s%s um", level > 0.5 * step ? "+" : "",
                 pl_tick_label(level, step).s);
        pl_isoline_draw(&map, level, text);
    }
    free(v);
}

/* From the middle, the way best focus moves out; drawn before the numbers, which keep off it. */
static void arrow(const sheet *m)
{
    pl_surface_told t = pl_surface_tell(&m->s);
    double a = t.tilt_deg * M_PI / 180, length = 0.3 * fmin(m->box.w, m->box.h);
    double dx = length * cos(a), dy = (m->top_down ? 1 : -1) * length * sin(a);
    double x = m->box.x + m->box.w / 2, y = m->box.y + m->box.h / 2;
    if (!(t.tilt_um_mm > 2 * t.tilt_sigma_um_mm) || !isfinite(t.tilt_deg))
        return;
    pl_canvas_tone(m->c, PL_TONE_ACCENT, 1);
    pl_canvas_arrow(m->c, x - dx, y - dy, x + dx, y + dy, 5);
    for (int i = -4; i <= 4; i++)
        pl_canvas_take(m->c, (pl_box){ x + i * dx / 4 - 9, y + i * dy / 4 - 9, 18, 18 });
}

/* What is shown, below the frame. */
static void legend(const sheet *m, bool side_known, double y, pl_box room)
{
    pl_type t = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    char text[160];
    snprintf(text, sizeof text, "shaded: in focus when the centre is (+-%s um)",
             pl_signif(m->zone_um, 3).s);
    if (isfinite(m->zone_um))
        pl_canvas_text_in(m->c, &t, room.x, y, room.w, text);
    pl_canvas_text_in(m->c, &t, room.x, y + 24, room.w,
                      side_known ? "+ is further out; arrow: the way best focus moves out"
                                 : "+ is further out or further in: not known");
}

void pl_sweep_map(pl_canvas *c, const pl_sweep *sweep, pl_box room)
{
    const pl_type head = { .size = PL_SIZE_HEAD, .tone = PL_TONE_INK, .bold = true };
    sheet m = { .c = c, .s = sweep->surface, .zone_um = sweep->zone_um };
    pl_canvas_text_in(c, &head, room.x, room.y, room.w, "Best focus over the sensor, um");
    if (!pl_sweep_has_surface(sweep) || !(m.s.width_mm > 0) || !(m.s.height_mm > 0)) {
        const pl_type body = { .size = PL_SIZE_BODY, .tone = PL_TONE_FAINT };
        pl_canvas_text_in(c, &body, room.x, room.y + 44, room.w, "It could not be told.");
        return;
    }
    if (!isfinite(m.s.curvature_um))
        m.s.curvature_um = 0;
    pl_box in = { room.x + 28, room.y + 60, room.w - 56, room.h - 60 - 84 };
    double scale = fmin(in.w / m.s.width_mm, in.h / m.s.height_mm);
    double w = floor(fmax(8, scale * m.s.width_mm)), h = floor(fmax(8, scale * m.s.height_mm));
    m.box = (pl_box){ floor(in.x + (in.w - w) / 2), floor(in.y + (in.h - h) / 2), w, h };
    m.top_down = strcmp(sweep->facts.row_order.s, "TOP-DOWN") == 0;
    shade(&m);
    pl_sheet_frame(c, m.box, m.top_down);
    if (sweep->side_known)
        arrow(&m);
    lines(&m);
    double below = fmax(m.box.y + m.box.h + 32, m.box.y + m.box.h / 2 + 60);
    legend(&m, sweep->side_known, below, room);
}
