/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plan.c - plate and sensor as seen from behind the camera: the screws where the hand finds
 * them, the frame's edges by name, lines of equal best focus over the sensor. */
#include "plan.h"
#include "tilt.h"
#include "../../align/tilt/tilt.h"

#include <math.h>
#include <stdio.h>

enum { GRID = 48, DISC = 19 };

/* From the sensor's millimetres to the picture. */
struct plan {
    pl_canvas *c;
    const pl_tilt *t;
    pl_box box;
    double x, y, radius;  /* middle, and the screws' distance, px */
    double scale;         /* px for each mm of the sensor */
    double columns, rows; /* rad */
};

static double picture_x(const struct plan *p, double x_mm, double y_mm)
{
    return p->x + p->scale * (x_mm * cos(p->columns) + y_mm * cos(p->rows));
}

static double picture_y(const struct plan *p, double x_mm, double y_mm)
{
    return p->y - p->scale * (x_mm * sin(p->columns) + y_mm * sin(p->rows));
}

/* ---- lines of equal best focus */

/* Where the level crosses the side from a to b, in mm; false when it does not. */
static bool crossing(const pl_tilt *t, const double a[2], const double b[2], double level,
                     double out[2])
{
    double u = pl_surface_at(&t->surface, a[0], a[1], NULL) - level;
    double v = pl_surface_at(&t->surface, b[0], b[1], NULL) - level;
    if ((u < 0) == (v < 0))
        return false;
    double f = u / (u - v);
    out[0] = a[0] + f * (b[0] - a[0]);
    out[1] = a[1] + f * (b[1] - a[1]);
    return true;
}

/* In a triangle a level crosses two sides or none. */
static void triangle(const struct plan *p, double corner[3][2], double level)
{
    double at[3][2];
    int n = 0;
    for (int i = 0; i < 3; i++)
        n += crossing(p->t, corner[i], corner[(i + 1) % 3], level, at[n]);
    if (n != 2)
        return;
    cairo_move_to(p->c->cr, picture_x(p, at[0][0], at[0][1]), picture_y(p, at[0][0], at[0][1]));
    cairo_line_to(p->c->cr, picture_x(p, at[1][0], at[1][1]), picture_y(p, at[1][0], at[1][1]));
}

static void line_at(const struct plan *p, double level)
{
    double w = p->t->surface.width_mm, h = p->t->surface.height_mm;
    cairo_new_path(p->c->cr);
    for (int i = 0; i < GRID; i++)
        for (int j = 0; j < GRID; j++) {
            double x0 = w * ((double)i / GRID - 0.5), x1 = x0 + w / GRID;
            double y0 = h * ((double)j / GRID - 0.5), y1 = y0 + h / GRID;
            double lower[3][2] = { { x0, y0 }, { x1, y0 }, { x0, y1 } };
            double upper[3][2] = { { x1, y1 }, { x0, y1 }, { x1, y0 } };
            triangle(p, lower, level);
            triangle(p, upper, level);
        }
    cairo_stroke(p->c->cr);
}

/* Well inside the frame. */
static bool is_inside(const struct plan *p, double x_mm, double y_mm)
{
    double rim = 20 / p->scale;
    return fabs(x_mm) < p->t->surface.width_mm / 2 - rim &&
           fabs(y_mm) < p->t->surface.height_mm / 2 - rim;
}

/* The number stands where the level crosses the line along the slope. */
static void number_at(const struct plan *p, double level, pl_box frame)
{
    char text[32];
    double a = p->t->told.tilt_deg * M_PI / 180;
    double reach = 0.5 * hypot(p->t->surface.width_mm, p->t->surface.height_mm), last = NAN;
    const pl_type type = {
        .size = PL_SIZE_SMALL, .tone = PL_TONE_INK, .halo = true, .ax = 0.5, .ay = 0.5
    };
    snprintf(text, sizeof text, level > 0 ? "+%g" : "%g", level);
    for (int i = -GRID; i <= GRID; i++) {
        double x = reach * i / GRID * cos(a), y = reach * i / GRID * sin(a);
        double off = pl_surface_at(&p->t->surface, x, y, NULL) - level;
        if ((off < 0) != (last < 0) && !isnan(last)) {
            double px = picture_x(p, x, y), py = picture_y(p, x, y);
            pl_box b = pl_canvas_measure(p->c, &type, px, py, text);
            if (is_inside(p, x, y) && pl_canvas_free_at(p->c, b, frame, 2))
                pl_canvas_text(p->c, &type, px, py, text);
            return;
        }
        last = off;
    }
}

/* A plane where the curvature is not known. */
static pl_surface drawn(const pl_surface *s)
{
    pl_surface d = *s;
    if (isnan(d.curvature_um))
        d.curvature_um = 0;
    return d;
}

static void contours(const struct plan *p)
{
    const pl_tilt *t = p->t;
    double most = 0.5 * t->told.across_um + fmax(0, fabs(t->surface.curvature_um));
    most = isnan(most) ? 0.5 * t->told.across_um : most;
    double step = pl_tick_step(-most, most, 6);
    int n = step > 0 ? (int)(most / step) : 0;
    double w = t->surface.width_mm, h = t->surface.height_mm;
    double x = fabs(w / 2 * cos(p->columns)) + fabs(h / 2 * cos(p->rows));
    double y = fabs(w / 2 * sin(p->columns)) + fabs(h / 2 * sin(p->rows));
    pl_box frame = { p->x - p->scale * x, p->y - p->scale * y, 2 * p->scale * x, 2 * p->scale * y };
    cairo_set_line_width(p->c->cr, 1.6);
    for (int i = -n; i <= n; i++) {
        pl_canvas_rgb(p->c, pl_ramp(p->c->red, 0.15 + 0.6 * (i + n) / fmax(1, 2.0 * n)), 1);
        line_at(p, i * step);
    }
    int stride = n > 4 ? 2 : 1; /* dense lines: every other number */
    for (int i = -n / stride; i <= n / stride && isfinite(t->told.tilt_deg); i++)
        number_at(p, i * stride * step, frame);
}

/* ---- the frame */

static void edge(const struct plan *p, double x_mm, double y_mm, const char *name)
{
    double x = picture_x(p, x_mm, y_mm), y = picture_y(p, x_mm, y_mm);
    double d = hypot(x - p->x, y - p->y), dx = (x - p->x) / d, dy = (y - p->y) / d;
    const pl_type type = {
        .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .halo = true, .ax = 0.5, .ay = 0.5
    };
    pl_box b = pl_canvas_measure(p->c, &type, x, y, name); /* off the edge, however it slants */
    double off = 6 + 0.5 * (fabs(dx) * b.w + fabs(dy) * b.h);
    pl_canvas_text(p->c, &type, x + off * dx, y + off * dy, name);
}

static void sensor(const struct plan *p)
{
    double w = p->t->surface.width_mm / 2, h = p->t->surface.height_mm / 2;
    const double x[4] = { -w, w, w, -w }, y[4] = { -h, -h, h, h };
    for (int i = 0; i < 4; i++)
        cairo_line_to(p->c->cr, picture_x(p, x[i], y[i]), picture_y(p, x[i], y[i]));
    cairo_close_path(p->c->cr);
    pl_canvas_tone(p->c, PL_TONE_PANEL, 1);
    cairo_fill_preserve(p->c->cr);
    pl_canvas_tone(p->c, PL_TONE_INK, 1);
    cairo_set_line_width(p->c->cr, 2.5);
    cairo_stroke(p->c->cr);
    contours(p);
    edge(p, -w, 0, "column 1");
    edge(p, w, 0, "last column");
    edge(p, 0, -h, "row 1");
    edge(p, 0, h, "last row");
}

/* ---- the screws */

/* A turn about the screw, as the person sees it. */
static void turning(const struct plan *p, double x, double y, int direction)
{
    double r = DISC + 10, from = -0.75 * M_PI, to = 0.6 * M_PI;
    double end = direction > 0 ? to : M_PI - to, start = direction > 0 ? from : M_PI - from;
    cairo_new_path(p->c->cr);
    if (direction > 0)
        cairo_arc(p->c->cr, x, y, r, start, end);
    else
        cairo_arc_negative(p->c->cr, x, y, r, start, end);
    pl_canvas_tone(p->c, PL_TONE_ACCENT, 1);
    cairo_set_line_width(p->c->cr, 3.5);
    cairo_stroke(p->c->cr);
    double ex = x + r * cos(end), ey = y + r * sin(end), s = direction > 0 ? 1 : -1;
    pl_canvas_arrow(p->c, ex, ey, ex - 15 * s * sin(end), ey + 15 * s * cos(end), 3.5);
}

/* What to do there: one line, or two. */
static void words(const struct plan *p, size_t i, double dx, double dy)
{
    const pl_tilt_screw *s = &p->t->screw[i];
    char first[64], part[32];
    const char *second = s->direction > 0   ? "clockwise"
                         : s->direction < 0 ? "counter-clockwise"
                         : s->travel_um > 0 ? "away from you"
                                            : "towards you";
    bool rest = p->t->part > 0 && s->hand_turns == 0;
    pl_part_say(s->hand_turns, p->t->part ? p->t->part : 1, part, sizeof part);
    if (p->t->part == 0)
        snprintf(first, sizeof first, "%s um", pl_fixed(fabs(s->travel_um), 0).s);
    else
        snprintf(first, sizeof first, rest ? "leave" : "%s %s", part,
                 s->hand_turns > 1 ? "turns" : "turn");
    pl_type type = { .size = PL_SIZE_HEAD,
                     .tone = rest ? PL_TONE_FAINT : PL_TONE_ACCENT,
                     .bold = !rest,
                     .halo = true,
                     .ax = 0.5 };
    double x = p->x + p->radius * dx, y = p->y + p->radius * dy, gap = DISC + 22;
    y += dy < -0.3 ? -gap - (rest ? 24 : 50) : gap; /* above the upper ones, below the others */
    pl_canvas_text(p->c, &type, x, y, first);
    if (!rest)
        pl_canvas_text(p->c, &type, x, y + 26, second);
}

static void screw(const struct plan *p, size_t i)
{
    double a = p->t->plate.angle_deg[i] * M_PI / 180, dx = cos(a), dy = -sin(a);
    double x = p->x + p->radius * dx, y = p->y + p->radius * dy;
    const char name[2] = { (char)('A' + i), '\0' };
    const pl_type letter = {
        .size = PL_SIZE_HEAD, .tone = PL_TONE_PAPER, .bold = true, .ax = 0.5, .ay = 0.5
    };
    bool acts = pl_tilt_acts(p->t);
    cairo_new_path(p->c->cr);
    cairo_arc(p->c->cr, x, y, DISC, 0, 2 * M_PI);
    pl_canvas_tone(p->c, PL_TONE_INK, 1);
    cairo_fill(p->c->cr);
    pl_canvas_text(p->c, &letter, x, y, name);
    if (!acts)
        return;
    if (p->t->screw[i].direction != 0 && p->t->screw[i].hand_turns > 0)
        turning(p, x, y, p->t->screw[i].direction);
    words(p, i, dx, dy);
}

static void plate(const struct plan *p)
{
    cairo_new_path(p->c->cr);
    cairo_arc(p->c->cr, p->x, p->y, p->radius, 0, 2 * M_PI);
    pl_canvas_tone(p->c, PL_TONE_RULE, 1);
    cairo_set_line_width(p->c->cr, 2);
    cairo_stroke(p->c->cr);
}

/* ---- landmarks and the way out */

static void landmark(const struct plan *p, bool hand)
{
    const pl_type type = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    double x = p->box.x + 12, y = p->box.y + 74;
    pl_canvas_tone(p->c, PL_TONE_FAINT, 1);
    pl_canvas_arrow(p->c, x, y, x, y - 44, 2.5);
    pl_canvas_text(p->c, &type, x + 16, y - 44, hand ? "up, by the hand (90 deg)" : "last row");
    pl_canvas_text(p->c, &type, x + 16, y - 22,
                   hand ? "seen from behind the camera" : "the frame as it is stored");
}

/* Towards the side that must come out. */
static void way_out(const struct plan *p)
{
    const pl_surface_told *t = &p->t->told;
    double x = cos(t->tilt_deg * M_PI / 180), y = sin(t->tilt_deg * M_PI / 180);
    double dx = x * cos(p->columns) + y * cos(p->rows),
           dy = -x * sin(p->columns) - y * sin(p->rows);
    double reach = p->scale * 0.5 * hypot(p->t->surface.width_mm, p->t->surface.height_mm);
    double from = reach + 10, to = from + 55;
    const pl_type type = { .size = PL_SIZE_BODY,
                           .tone = PL_TONE_ACCENT,
                           .bold = true,
                           .halo = true,
                           .ax = 0.5 - 0.5 * dx };
    if (!isfinite(dx) || !pl_tilt_acts(p->t))
        return;
    pl_canvas_tone(p->c, PL_TONE_ACCENT, 1);
    pl_canvas_arrow(p->c, p->x + from * dx, p->y + from * dy, p->x + to * dx, p->y + to * dy, 4);
    if (p->t->named)
        return;
    double at = p->x + (to + 10) * dx, top = p->y + (to + 10) * dy + (dy < 0 ? -48 : 4);
    pl_canvas_text(p->c, &type, at, top, "must come out,");
    pl_canvas_text(p->c, &type, at, top + 24, "towards you");
}

void pl_tilt_plan(pl_canvas *c, const pl_tilt *t, pl_box box)
{
    bool hand = pl_plate_known(&t->plate);
    pl_tilt flat = *t;
    flat.surface = drawn(&t->surface);
    struct plan p = { .c = c,
                      .t = &flat,
                      .box = box,
                      .x = box.x + box.w / 2,
                      .y = box.y + box.h / 2 + 20,
                      .radius = 0.37 * fmin(box.w, box.h) };
    p.columns = hand ? t->plate.columns_deg * M_PI / 180 : 0;
    p.rows = hand ? t->plate.rows_deg * M_PI / 180 : M_PI / 2;
    p.scale = (t->named ? 0.58 : 0.86) * p.radius /
              (0.5 * hypot(t->surface.width_mm, t->surface.height_mm));
    if (t->named)
        plate(&p);
    sensor(&p);
    way_out(&p);
    for (size_t i = 0; i < t->plate.screws && t->named; i++)
        screw(&p, i);
    landmark(&p, hand);
}
