/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plot.c - diagrams: axes with round numbers, curves, bands, points with errors. */
#include "canvas.h"

#include <math.h>

#define TICK  6.0 /* px from an upright axis to its numbers */
#define BELOW 9.0 /* px from a level one: clear of the upright one's in the corner */

double pl_tick_step(double lo, double hi, int wanted)
{
    double rough = fabs(hi - lo) / (wanted < 1 ? 1 : wanted);
    if (!(rough > 0) || !isfinite(rough))
        return NAN;
    double ten = pow(10, floor(log10(rough)));
    double lead = rough / ten;
    return ten * (lead < 1.5 ? 1 : lead < 3.5 ? 2 : lead < 7.5 ? 5 : 10);
}

pl_digits pl_tick_label(double v, double step)
{
    double decimals = ceil(-log10(step) - 1e-9);
    if (fabs(v) < 1e-9 * step)
        v = 0;
    return pl_fixed(v, decimals > 0 ? (int)fmin(decimals, 12) : 0);
}

static bool exists(const pl_axis *a)
{
    return a->lo != a->hi && isfinite(a->lo) && isfinite(a->hi);
}

static double fraction(const pl_axis *a, double v)
{
    return (v - a->lo) / (a->hi - a->lo);
}

double pl_plot_x(const pl_plot *plot, double v)
{
    return plot->box.x + plot->box.w * fraction(&plot->x, v);
}

double pl_plot_y(const pl_plot *plot, double v)
{
    return plot->box.y + plot->box.h * (1 - fraction(&plot->y, v));
}

double pl_plot_right(const pl_plot *plot, double v)
{
    return plot->box.y + plot->box.h * (1 - fraction(&plot->right, v));
}

/* One axis' ticks: value of tick i and how many there are. */
typedef struct {
    double first, step;
    int n;
} ticks;

static ticks ticks_of(const pl_axis *a, double length, double each)
{
    double step = a->step > 0 ? a->step : pl_tick_step(a->lo, a->hi, (int)fmax(2, length / each));
    ticks t = { NAN, step, 0 };
    double lo = fmin(a->lo, a->hi), hi = fmax(a->lo, a->hi);
    t.first = ceil(lo / t.step - 1e-9) * t.step;
    t.n = (int)floor((hi - t.first) / t.step + 1e-9) + 1;
    return t;
}

static ticks ticks_across(const pl_plot *plot, const pl_axis *a)
{
    return ticks_of(a, plot->box.w, 105);
}

static ticks ticks_along(const pl_plot *plot, const pl_axis *a)
{
    return ticks_of(a, plot->box.h, 62);
}

/* Widest number on an upright axis, px. */
static double numbers_width(pl_canvas *c, const pl_plot *plot, const pl_axis *a)
{
    const pl_type type = { .size = PL_SIZE_SMALL };
    ticks t = ticks_along(plot, a);
    double widest = 0;
    for (int i = 0; i < t.n; i++) {
        pl_digits d = pl_tick_label(t.first + i * t.step, t.step);
        widest = fmax(widest, pl_canvas_measure(c, &type, 0, 0, d.s).w);
    }
    return widest;
}

void pl_plot_fit(pl_canvas *c, pl_plot *plot, pl_box outer)
{
    const double line = 1.3 * PL_SIZE_SMALL, title = 1.5 * PL_SIZE_BODY;
    double top = line, bottom = BELOW + line, left, right = line * 1.5;
    if (exists(&plot->top))
        top = BELOW + line + (plot->top.title ? title : 0);
    if (plot->x.title)
        bottom += title;
    plot->box = (pl_box){ outer.x, outer.y + top, outer.w, outer.h - top - bottom };
    left = exists(&plot->y) ? TICK + numbers_width(c, plot, &plot->y) + (plot->y.title ? title : 0)
                            : 0;
    if (exists(&plot->right))
        right = TICK + numbers_width(c, plot, &plot->right) + (plot->right.title ? title : 0);
    plot->box.x += left;
    plot->box.w -= left + right;
}

/* Numbers and title of a level axis at picture height y; `way` +1 below it, -1 above. */
static void level_axis(pl_canvas *c, const pl_plot *plot, const pl_axis *a, double y, int way)
{
    pl_type type = {
        .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = 0.5, .ay = way > 0 ? 0 : 1
    };
    ticks t = ticks_across(plot, a);
    for (int i = 0; i < t.n; i++) {
        double v = t.first + i * t.step, x = plot->box.x + plot->box.w * fraction(a, v);
        pl_canvas_tone(c, PL_TONE_FAINT, 1);
        cairo_set_line_width(c->cr, 1.2);
        cairo_move_to(c->cr, x, y);
        cairo_line_to(c->cr, x, y + way * (TICK - 2));
        cairo_stroke(c->cr);
        pl_canvas_text(c, &type, x, y + way * (BELOW + 4), pl_tick_label(v, t.step).s);
    }
    type.size = PL_SIZE_BODY;
    type.tone = PL_TONE_INK;
    if (a->title)
        pl_canvas_text_in(c, &type, plot->box.x + plot->box.w / 2,
                          y + way * (BELOW + 4 + 1.45 * PL_SIZE_SMALL), plot->box.w, a->title);
}

/* Numbers and title of an upright axis at picture column x; `way` -1 left of it, +1 right. */
static void upright_axis(pl_canvas *c, const pl_plot *plot, const pl_axis *a, double x, int way)
{
    pl_type type = {
        .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = way > 0 ? 0 : 1, .ay = 0.5
    };
    ticks t = ticks_along(plot, a);
    for (int i = 0; i < t.n; i++) {
        double v = t.first + i * t.step, y = plot->box.y + plot->box.h * (1 - fraction(a, v));
        pl_canvas_text(c, &type, x + way * TICK, y, pl_tick_label(v, t.step).s);
    }
    double off = TICK + numbers_width(c, plot, a) + 0.55 * PL_SIZE_BODY;
    type = (pl_type){
        .size = PL_SIZE_BODY, .tone = PL_TONE_INK, .ax = way > 0 ? 0 : 1, .ay = 0.5, .up = true
    };
    if (a->title)
        pl_canvas_text_in(c, &type, x + way * off, plot->box.y + plot->box.h / 2, plot->box.h,
                          a->title);
}

static void grid(pl_canvas *c, const pl_plot *plot)
{
    const pl_box *b = &plot->box;
    ticks tx = ticks_across(plot, &plot->x), ty = { 0 };
    if (exists(&plot->y))
        ty = ticks_along(plot, &plot->y);
    pl_canvas_tone(c, PL_TONE_RULE, 0.7);
    cairo_set_line_width(c->cr, 1);
    for (int i = 0; i < tx.n; i++) {
        double x = pl_plot_x(plot, tx.first + i * tx.step);
        cairo_move_to(c->cr, x, b->y);
        cairo_line_to(c->cr, x, b->y + b->h);
    }
    for (int i = 0; i < ty.n; i++) {
        double y = pl_plot_y(plot, ty.first + i * ty.step);
        cairo_move_to(c->cr, b->x, y);
        cairo_line_to(c->cr, b->x + b->w, y);
    }
    cairo_stroke(c->cr);
}

void pl_plot_axes(pl_canvas *c, const pl_plot *plot)
{
    const pl_box *b = &plot->box;
    if (!exists(&plot->x))
        return;
    grid(c, plot);
    pl_canvas_tone(c, PL_TONE_FAINT, 1);
    cairo_set_line_width(c->cr, 1.2);
    cairo_rectangle(c->cr, b->x, b->y, b->w, b->h);
    cairo_stroke(c->cr);
    level_axis(c, plot, &plot->x, b->y + b->h, 1);
    if (exists(&plot->y))
        upright_axis(c, plot, &plot->y, b->x, -1);
    if (exists(&plot->top))
        level_axis(c, plot, &plot->top, b->y, -1);
    if (exists(&plot->right))
        upright_axis(c, plot, &plot->right, b->x + b->w, 1);
}

static void clip(pl_canvas *c, const pl_plot *plot)
{
    cairo_save(c->cr);
    cairo_rectangle(c->cr, plot->box.x, plot->box.y, plot->box.w, plot->box.h);
    cairo_clip(c->cr);
    cairo_new_path(c->cr);
}

/* cairo counts in 24.8 fixed point: far outside the picture it would wrap around. */
static double tame(double px)
{
    return px < -1e5 ? -1e5 : px > 1e5 ? 1e5 : px;
}

void pl_plot_line(pl_canvas *c, const pl_plot *plot, const double *x, const double *y, size_t n,
                  double width, double dash)
{
    bool down = false;
    clip(c, plot);
    cairo_set_line_width(c->cr, width);
    if (dash > 0)
        cairo_set_dash(c->cr, &dash, 1, 0);
    for (size_t i = 0; i < n; i++) {
        bool known = isfinite(x[i]) && isfinite(y[i]);
        if (known)
            (down ? cairo_line_to : cairo_move_to)(c->cr, tame(pl_plot_x(plot, x[i])),
                                                   tame(pl_plot_y(plot, y[i])));
        down = known;
    }
    cairo_stroke(c->cr);
    cairo_restore(c->cr);
}

void pl_plot_band(pl_canvas *c, const pl_plot *plot, const double *x, const double *lo,
                  const double *hi, size_t n)
{
    clip(c, plot);
    for (size_t i = 0; i < n;) {
        size_t end = i;
        while (end < n && isfinite(x[end]) && isfinite(lo[end]) && isfinite(hi[end]))
            end++;
        for (size_t k = i; k < end; k++)
            cairo_line_to(c->cr, tame(pl_plot_x(plot, x[k])), tame(pl_plot_y(plot, hi[k])));
        for (size_t k = end; k > i; k--)
            cairo_line_to(c->cr, tame(pl_plot_x(plot, x[k - 1])), tame(pl_plot_y(plot, lo[k - 1])));
        cairo_fill(c->cr);
        i = end + 1;
    }
    cairo_restore(c->cr);
}

void pl_plot_points(pl_canvas *c, const pl_plot *plot, const double *x, const double *y,
                    const double *sigma, size_t n, double radius)
{
    clip(c, plot);
    cairo_set_line_width(c->cr, 1.5);
    for (size_t i = 0; i < n; i++) {
        double px = tame(pl_plot_x(plot, x[i])), py = tame(pl_plot_y(plot, y[i]));
        if (!isfinite(x[i]) || !isfinite(y[i]))
            continue;
        if (sigma && isfinite(sigma[i])) {
            cairo_move_to(c->cr, px, tame(pl_plot_y(plot, y[i] - sigma[i])));
            cairo_line_to(c->cr, px, tame(pl_plot_y(plot, y[i] + sigma[i])));
            cairo_stroke(c->cr);
        }
        cairo_new_sub_path(c->cr);
        cairo_arc(c->cr, px, py, radius, 0, 2 * M_PI);
        cairo_fill(c->cr);
    }
    cairo_restore(c->cr);
}
