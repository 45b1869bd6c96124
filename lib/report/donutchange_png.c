/* SPDX-License-Identifier: GPL-3.0-or-later */
/* donutchange_png.c - what changed between two answers from donuts: coma as an arrow before and
 * after, each with the ellipse of two standard errors, and what is tolerable; beside it the
 * wavefront's faults, before and after. */
#include "change_report.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { W = 1600, H = 960, TOP = 170, PLAN = 640, LIST_X = 780 };

static const double ERRORS = 2; /* that an ellipse shows */

typedef struct {
    pl_canvas *c;
    bool up;
    double x, y, px_per_nm; /* the origin */
} plane;

static double reach(const pl_wavefront *w)
{
    return w->coma_nm + ERRORS * w->coma_sigma_nm;
}

static void at(const plane *p, double nm, double deg, double *x, double *y)
{
    *x = p->x + p->px_per_nm * nm * cos(deg * M_PI / 180);
    *y = p->y + (p->up ? -1 : 1) * p->px_per_nm * nm * sin(deg * M_PI / 180);
}

static void ellipse(const plane *p, const pl_wavefront *w, pl_tone tone, double alpha)
{
    cairo_t *cr = p->c->cr;
    double x, y, along = ERRORS * w->coma_sigma_nm;
    double across = fmax(along, ERRORS * w->coma_nm * fmin(1, w->coma_sigma_deg * M_PI / 180));
    at(p, w->coma_nm, w->coma_deg, &x, &y);
    cairo_save(cr);
    cairo_translate(cr, x, y);
    cairo_rotate(cr, (p->up ? -1 : 1) * w->coma_deg * M_PI / 180);
    cairo_scale(cr, fmax(2, along * p->px_per_nm), fmax(2, across * p->px_per_nm));
    cairo_new_sub_path(cr);
    cairo_arc(cr, 0, 0, 1, 0, 2 * M_PI);
    cairo_restore(cr);
    pl_canvas_tone(p->c, tone, alpha);
    cairo_fill_preserve(cr);
    pl_canvas_tone(p->c, tone, 1);
    cairo_set_line_width(cr, 1.5);
    cairo_stroke(cr);
}

static void vector(const plane *p, const pl_wavefront *w, pl_tone tone, double width)
{
    double x, y;
    at(p, w->coma_nm, w->coma_deg, &x, &y);
    pl_canvas_tone(p->c, tone, 1);
    if (hypot(x - p->x, y - p->y) > 16)
        pl_canvas_arrow(p->c, p->x, p->y, x, y, width);
    for (int i = 0; i <= 20; i++) /* names keep off the arrow */
        pl_canvas_take(p->c, (pl_box){ p->x + (x - p->x) * i / 20 - 6,
                                       p->y + (y - p->y) * i / 20 - 6, 12, 12 });
}

static void edges(const plane *p, pl_box b)
{
    pl_type t = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = 0.5, .ay = 0 };
    pl_canvas_tone(p->c, PL_TONE_RULE, 1);
    cairo_set_line_width(p->c->cr, 1.5);
    cairo_rectangle(p->c->cr, b.x, b.y, b.w, b.h);
    cairo_move_to(p->c->cr, b.x, p->y);
    cairo_line_to(p->c->cr, b.x + b.w, p->y);
    cairo_move_to(p->c->cr, p->x, b.y);
    cairo_line_to(p->c->cr, p->x, b.y + b.h);
    cairo_stroke(p->c->cr);
    pl_canvas_text(p->c, &t, p->x, b.y + 6, p->up ? "towards the last row" : "towards row 1");
    t.ay = 1;
    pl_canvas_text(p->c, &t, p->x, b.y + b.h - 6, p->up ? "towards row 1" : "towards the last row");
    t.up = true;
    t.ay = 0.5;
    t.ax = 0;
    pl_canvas_text(p->c, &t, b.x + 6, p->y, "towards column 1");
    t.ax = 1;
    pl_canvas_text(p->c, &t, b.x + b.w - 6, p->y, "towards the last column");
}

static void limit(const plane *p, double nm)
{
    const double dash[] = { 9, 6 };
    cairo_t *cr = p->c->cr;
    cairo_new_sub_path(cr);
    cairo_arc(cr, p->x, p->y, nm * p->px_per_nm, 0, 2 * M_PI);
    pl_canvas_tone(p->c, PL_TONE_SHADE, 1);
    cairo_fill_preserve(cr);
    pl_canvas_tone(p->c, PL_TONE_FAINT, 1);
    cairo_set_dash(cr, dash, 2, 0);
    cairo_set_line_width(cr, 1.8);
    cairo_stroke(cr);
    cairo_set_dash(cr, NULL, 0, 0);
}

static void name(const plane *p, const pl_wavefront *w, pl_box frame, pl_tone tone,
                 const char *words)
{
    const pl_type type = { .size = PL_SIZE_BODY, .tone = tone, .bold = true, .halo = true };
    double x, y;
    char text[80];
    at(p, w->coma_nm, w->coma_deg, &x, &y);
    snprintf(text, sizeof text, "%s: %s nm", words, pl_measured(w->coma_nm, w->coma_sigma_nm, 1).s);
    pl_canvas_place(p->c, &type, x, y, 14, frame, text);
}

static void draw_plane(pl_canvas *c, const pl_donut *before, const pl_donut *after)
{
    const pl_type head = { .size = PL_SIZE_HEAD, .tone = PL_TONE_INK, .bold = true };
    const pl_type body = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    pl_box b = { PL_CHANGE_MARGIN, TOP + 60, PLAN, PLAN };
    double most =
        fmax(1.25 * after->growth_coma_nm, fmax(reach(&before->wave), reach(&after->wave)));
    plane p = { c, strcmp(after->facts.row_order.s, "TOP-DOWN") != 0, b.x + b.w / 2, b.y + b.h / 2,
                0.42 * b.w / most };
    pl_canvas_text(c, &head, b.x, TOP, "Coma, from core to flare");
    pl_canvas_text_in(c, &body, b.x, TOP + 28, b.w,
                      "ellipses: two standard errors; dashed: what this air lets pass");
    cairo_save(c->cr);
    cairo_rectangle(c->cr, b.x, b.y, b.w, b.h);
    cairo_clip(c->cr);
    limit(&p, after->growth_coma_nm);
    ellipse(&p, &before->wave, PL_TONE_FAINT, 0.25);
    ellipse(&p, &after->wave, PL_TONE_ACCENT, 0.35);
    cairo_restore(c->cr);
    edges(&p, b);
    vector(&p, &before->wave, PL_TONE_FAINT, 3);
    vector(&p, &after->wave, PL_TONE_ACCENT, 5);
    name(&p, &before->wave, b, PL_TONE_FAINT, "before");
    name(&p, &after->wave, b, PL_TONE_ACCENT, "after");
}

/* ---- the list and the rest */

static const pl_change *called(const pl_changes *changes, const char *what)
{
    for (size_t i = 0; i < changes->items; i++)
        if (strcmp(changes->item[i].name, what) == 0)
            return &changes->item[i];
    return NULL;
}

static double in_words(pl_canvas *c, const pl_change *k, double y)
{
    const pl_type type = { .size = PL_SIZE_BODY, .tone = k->seen ? PL_TONE_INK : PL_TONE_FAINT };
    double w = W - PL_CHANGE_MARGIN - LIST_X;
    char text[400];
    int decimals = strcmp(k->unit, "mm") == 0 ? 2 : 1;
    snprintf(text, sizeof text, "%s: %s before, %s %s after; %s", k->name,
             pl_measured(k->before, k->before_sigma, decimals).s,
             pl_measured(k->after, k->after_sigma, decimals).s, k->unit, k->text);
    return y + 8 + pl_canvas_wrap(c, &type, (pl_box){ LIST_X, y, w, 0 }, 2, text);
}

static void list(pl_canvas *c, const pl_changes *changes)
{
    static const char *const in_nm[] = { "coma", "astigmatism", "trefoil", "spherical" };
    static const char *const other[] = { "axis error", "shadow offset", "defocus" };
    pl_change_line line[PL_ARRAY_LEN(in_nm)];
    size_t n = 0;
    for (size_t i = 0; i < PL_ARRAY_LEN(in_nm); i++) {
        const pl_change *k = called(changes, in_nm[i]);
        if (k)
            line[n++] = (pl_change_line){ k, 1 };
    }
    pl_change_list(c, (pl_box){ LIST_X, TOP, W - PL_CHANGE_MARGIN - LIST_X, 400 }, line, n,
                   "nm RMS", NAN);
    double y = TOP + 440;
    for (size_t i = 0; i < PL_ARRAY_LEN(other); i++) {
        const pl_change *k = called(changes, other[i]);
        if (k)
            y = in_words(c, k, y);
    }
}

pl_status pl_donut_change_canvas(const pl_donut *before, const pl_donut *after,
                                 const pl_changes *changes, const char *against, const char *file,
                                 bool red, pl_canvas **out, pl_err *err)
{
    pl_canvas *c = NULL;
    pl_status rc = pl_canvas_new(W, H, red, &c, err);
    if (rc != PL_OK)
        return rc;
    pl_change_head(c, changes);
    draw_plane(c, before, after);
    list(c, changes);
    pl_change_foot(c, file, against, "plumb-donut " PL_VERSION);
    *out = c;
    return PL_OK;
}

pl_status pl_donut_change_draw(const pl_donut *before, const pl_donut *after,
                               const pl_changes *changes, const char *against, const char *file,
                               bool red, const char *png, pl_err *err)
{
    pl_canvas *c = NULL;
    const pl_chunk chunk[] = { { "Title", "coma before and after" },
                               { "Description", changes->text },
                               { "Source", file } };
    pl_status rc = pl_donut_change_canvas(before, after, changes, against, file, red, &c, err);
    if (rc == PL_OK)
        rc = pl_canvas_write(c, png, chunk, PL_ARRAY_LEN(chunk), err);
    pl_canvas_free(c);
    return rc;
}
