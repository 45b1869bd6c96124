/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plan.c - a vector before and after an adjustment, each with the ellipse of two standard
 * errors, over what is tolerable, between the frame's edges by name. */
#include "change.h"

#include <math.h>
#include <stdio.h>

enum { HEADING = 60 };

static const double ERRORS = 2; /* that an ellipse shows */

/* From the vector's unit to the picture. */
typedef struct {
    pl_canvas *c;
    const pl_change_plan *plan;
    pl_box box;
    double x, y, px; /* the origin, and px for each unit */
} plane;

static double reach(const pl_change_arrow *a)
{
    double error = fmax(a->along, a->across);
    return a->length + (isfinite(error) ? ERRORS * error : 0);
}

static double scale_of(const pl_change_plan *p)
{
    double most = fmax(reach(&p->before), reach(&p->after));
    most = fmax(most, 1.25 * sqrt(p->limit_x * p->limit_y)); /* fmax leaves out what is unknown */
    return most > 0 ? 0.42 / most : 1;
}

static double turned(const plane *p, double deg)
{
    return (p->plan->up ? -1 : 1) * deg * M_PI / 180;
}

static void at(const plane *p, const pl_change_arrow *a, double *x, double *y)
{
    *x = p->x + p->px * a->length * cos(turned(p, a->deg));
    *y = p->y + p->px * a->length * sin(turned(p, a->deg));
}

static void ellipse(const plane *p, const pl_change_arrow *a, pl_tone tone, double alpha)
{
    cairo_t *cr = p->c->cr;
    double x, y;
    at(p, a, &x, &y);
    cairo_save(cr);
    cairo_translate(cr, x, y);
    cairo_rotate(cr, isfinite(a->axis_deg) ? turned(p, a->axis_deg) : 0);
    cairo_scale(cr, fmax(2, ERRORS * a->along * p->px), fmax(2, ERRORS * a->across * p->px));
    cairo_new_sub_path(cr);
    cairo_arc(cr, 0, 0, 1, 0, 2 * M_PI);
    cairo_restore(cr);
    pl_canvas_tone(p->c, tone, alpha);
    cairo_fill_preserve(cr);
    pl_canvas_tone(p->c, tone, 1);
    cairo_set_line_width(cr, 1.5);
    cairo_stroke(cr);
}

static void vector(const plane *p, const pl_change_arrow *a, pl_tone tone, double width)
{
    double x, y;
    at(p, a, &x, &y);
    pl_canvas_tone(p->c, tone, 1);
    if (hypot(x - p->x, y - p->y) > 16)
        pl_canvas_arrow(p->c, p->x, p->y, x, y, width);
    for (int i = 0; i <= 20; i++) /* names keep off the arrow */
        pl_canvas_take(p->c, (pl_box){ p->x + (x - p->x) * i / 20 - 6,
                                       p->y + (y - p->y) * i / 20 - 6, 12, 12 });
}

static void edges(const plane *p)
{
    pl_type t = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = 0.5, .ay = 0, .halo = true };
    const pl_box b = p->box;
    bool up = p->plan->up;
    pl_canvas_tone(p->c, PL_TONE_RULE, 1);
    cairo_set_line_width(p->c->cr, 1.5);
    cairo_rectangle(p->c->cr, b.x, b.y, b.w, b.h);
    cairo_move_to(p->c->cr, b.x, p->y);
    cairo_line_to(p->c->cr, b.x + b.w, p->y);
    cairo_move_to(p->c->cr, p->x, b.y);
    cairo_line_to(p->c->cr, p->x, b.y + b.h);
    cairo_stroke(p->c->cr);
    pl_canvas_text(p->c, &t, p->x, b.y + 6, up ? "towards the last row" : "towards row 1");
    t.ay = 1;
    pl_canvas_text(p->c, &t, p->x, b.y + b.h - 6, up ? "towards row 1" : "towards the last row");
    t.up = true;
    t.ay = 0.5;
    t.ax = 0;
    pl_canvas_text(p->c, &t, b.x + 6, p->y, "towards column 1");
    t.ax = 1;
    pl_canvas_text(p->c, &t, b.x + b.w - 6, p->y, "towards the last column");
}

static void limit(const plane *p)
{
    const double dash[] = { 9, 6 };
    cairo_t *cr = p->c->cr;
    double x = p->px * p->plan->limit_x, y = p->px * p->plan->limit_y;
    if (!(x > 0) || !(y > 0))
        return;
    cairo_new_sub_path(cr);
    for (int i = 0, n = p->plan->straight ? 4 : 120; i < n; i++)
        cairo_line_to(cr, p->x + x * cos(2 * M_PI * i / n), p->y + y * sin(2 * M_PI * i / n));
    cairo_close_path(cr);
    pl_canvas_tone(p->c, PL_TONE_SHADE, 1);
    cairo_fill_preserve(cr);
    pl_canvas_tone(p->c, PL_TONE_FAINT, 1);
    cairo_set_dash(cr, dash, 2, 0);
    cairo_set_line_width(cr, 1.8);
    cairo_stroke(cr);
    cairo_set_dash(cr, NULL, 0, 0);
}

static void name(const plane *p, const pl_change_arrow *a, pl_tone tone, const char *words)
{
    const pl_type type = { .size = PL_SIZE_BODY, .tone = tone, .bold = true, .halo = true };
    double x, y, t = (a->axis_deg - a->deg) * M_PI / 180;
    char text[80];
    at(p, a, &x, &y);
    snprintf(
        text, sizeof text, "%s: %s %s", words,
        pl_measured(a->length, hypot(a->along * cos(t), a->across * sin(t)), p->plan->decimals).s,
        p->plan->unit);
    pl_canvas_place(p->c, &type, x, y, 14, p->box, text);
}

static void heading(const plane *p, pl_box box)
{
    const pl_type head = { .size = PL_SIZE_HEAD, .tone = PL_TONE_INK, .bold = true };
    const pl_type body = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    pl_canvas_text(p->c, &head, box.x, box.y, p->plan->title);
    pl_canvas_text_in(p->c, &body, box.x, box.y + 28, box.w,
                      p->plan->limit_x > 0
                          ? "ellipses: two standard errors; dashed: what this air lets pass"
                          : "ellipses: two standard errors");
}

void pl_change_draw_plan(pl_canvas *c, pl_box box, const pl_change_plan *plan)
{
    plane p = { .c = c,
                .plan = plan,
                .box = { box.x, box.y + HEADING, box.w, box.w },
                .x = box.x + box.w / 2,
                .y = box.y + HEADING + box.w / 2,
                .px = box.w * scale_of(plan) };
    heading(&p, box);
    cairo_save(c->cr);
    cairo_rectangle(c->cr, p.box.x, p.box.y, p.box.w, p.box.h);
    cairo_clip(c->cr);
    limit(&p);
    ellipse(&p, &plan->before, PL_TONE_FAINT, 0.25);
    ellipse(&p, &plan->after, PL_TONE_ACCENT, 0.35);
    cairo_restore(c->cr);
    edges(&p);
    vector(&p, &plan->before, PL_TONE_FAINT, 3);
    vector(&p, &plan->after, PL_TONE_ACCENT, 5);
    name(&p, &plan->before, PL_TONE_FAINT, "before");
    name(&p, &plan->after, PL_TONE_ACCENT, "after");
}
