/* SPDX-License-Identifier: GPL-3.0-or-later */
/* panel.c - beside the map: the numbers and the patterns that stand out; below it: how to read the
 * marks. */
#include "map.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const pl_type head = { .size = PL_SIZE_HEAD, .tone = PL_TONE_INK, .bold = true };
static const pl_type body = { .size = PL_SIZE_BODY, .tone = PL_TONE_INK };
static const pl_type faint = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
static const pl_type huge = { .size = 38, .tone = PL_TONE_INK, .bold = true };

/* A heading over a hairline. Gives: the height used. */
static double heading(const pl_map *m, double x, double y, double w, const char *text)
{
    pl_canvas_text_in(m->c, &head, x, y, w, text);
    pl_canvas_tone(m->c, PL_TONE_RULE, 1);
    cairo_set_line_width(m->c->cr, 1.5);
    cairo_move_to(m->c->cr, x, y + 27);
    cairo_line_to(m->c->cr, x + w, y + 27);
    cairo_stroke(m->c->cr);
    return 42;
}

/* ---- numbers */

/* A number in large, what it is above, its error and more below. */
static void big(const pl_map *m, double x, double y, double w, const char *what, const char *value,
                const char *below)
{
    pl_canvas_text_in(m->c, &faint, x, y, w, what);
    pl_canvas_text_in(m->c, &huge, x, y + 26, w, value);
    pl_canvas_text_in(m->c, &faint, x, y + 71, w, below);
}

static double small_row(const pl_map *m, double x, double y, double w, const char *what,
                        const char *value)
{
    pl_type right = body;
    right.ax = 1;
    double used = pl_canvas_text_in(m->c, &faint, x, y, 0.5 * w, what).w;
    pl_canvas_text_in(m->c, &right, x + w, y - 1, w - used - 16, value);
    return 27;
}

double pl_panel_numbers(const pl_map *m, double x, double y, double w)
{
    const pl_field *f = m->field;
    double k = m->unit_px, top = y;
    char text[160], below[160];
    int decimals = pl_decimals(f->fwhm_sigma_px * k, 2);
    snprintf(text, sizeof text, "%s%s", pl_fixed(f->fwhm_px * k, decimals > 3 ? 3 : decimals).s,
             m->unit[0] == 'a' ? "\"" : " px");
    snprintf(below, sizeof below, "+- %s %s", pl_fixed(f->fwhm_sigma_px * k, decimals).s, m->unit);
    big(m, x, y, 0.6 * w - 8, "FWHM", isfinite(f->fwhm_px) ? text : "-", below);
    snprintf(below, sizeof below, f->chi > 3 * f->chi_sigma ? "along %s deg" : "no axis stands out",
             pl_fixed(f->elongation_deg, 0).s);
    snprintf(text, sizeof text, "%s%s", f->eccentricity < f->eccentricity_sigma ? "< " : "",
             pl_fixed(fmax(f->eccentricity, f->eccentricity_sigma), 2).s);
    big(m, x + 0.6 * w, y, 0.4 * w, "eccentricity", isfinite(f->eccentricity) ? text : "-", below);
    y += 112;
    snprintf(text, sizeof text, "%s px", pl_measured(f->fwhm_px, f->fwhm_sigma_px, 2).s);
    if (m->unit[0] == 'a')
        y += small_row(m, x, y, w, "FWHM", text);
    snprintf(text, sizeof text, "%s px", pl_measured(f->hfd_px, f->hfd_sigma_px, 2).s);
    y += small_row(m, x, y, w, "half-flux diameter", text);
    snprintf(text, sizeof text, "%zu of %zu", f->used, f->found);
    y += small_row(m, x, y, w, "stars used", text);
    snprintf(text, sizeof text, "%s, noise %s ADU", pl_signif(f->sky_adu, 5).s,
             pl_signif(f->noise_adu, 3).s);
    y += small_row(m, x, y, w, "sky", text);
    return y - top;
}

/* ---- patterns */

/* A small plan of the frame on which the pattern shows its direction. */
typedef struct {
    const pl_map *m;
    double x, y, half_w, half_h; /* centre, half sides, px */
} plan;

static plan plan_at(const pl_map *m, double x, double y)
{
    double aspect = m->box.w / m->box.h, half = 27;
    plan p = { m, x + half, y + half, half, half };
    if (aspect > 1)
        p.half_h = fmax(half / aspect, 12);
    else
        p.half_w = fmax(half * aspect, 12);
    pl_canvas_tone(m->c, PL_TONE_FAINT, 0.8);
    cairo_set_line_width(m->c->cr, 1.2);
    cairo_rectangle(m->c->cr, p.x - p.half_w, p.y - p.half_h, 2 * p.half_w, 2 * p.half_h);
    cairo_stroke(m->c->cr);
    pl_canvas_tone(m->c, PL_TONE_ACCENT, 1);
    return p;
}

static void dash_at(const plan *p, double x, double y, double dx, double dy, double half)
{
    cairo_set_line_width(p->m->c->cr, 3);
    cairo_move_to(p->m->c->cr, x - half * dx, y - half * dy);
    cairo_line_to(p->m->c->cr, x + half * dx, y + half * dy);
    cairo_stroke(p->m->c->cr);
}

/* Eight dashes on the way round, along the radius from (x, y) or across it. */
static void dashes_about(const plan *p, double x, double y, bool across)
{
    for (int i = 0; i < 8; i++) {
        double gx = p->x + 0.72 * p->half_w * (double[]){ -1, 0, 1, -1, 1, -1, 0, 1 }[i];
        double gy = p->y + 0.72 * p->half_h * (double[]){ -1, -1, -1, 0, 0, 1, 1, 1 }[i];
        double dx = gx - x, dy = gy - y, r = hypot(dx, dy);
        if (r < 5)
            continue;
        dash_at(p, gx, gy, (across ? -dy : dx) / r, (across ? dx : dy) / r, 4.5);
    }
}

static void three_corners(const plan *p, double deg)
{
    double reach = 0.85 * fmin(p->half_w, p->half_h);
    for (int i = 0; i < 3; i++) {
        double dx, dy;
        pl_map_turn(p->m, deg + 120 * i, &dx, &dy);
        (i ? cairo_line_to : cairo_move_to)(p->m->c->cr, p->x + reach * dx, p->y + reach * dy);
    }
    cairo_close_path(p->m->c->cr);
    cairo_fill(p->m->c->cr);
}

static void show_direction(const plan *p, int name, const pl_pattern *pattern)
{
    const pl_map *m = p->m;
    double dx, dy, reach = fmax(0.85 * fmin(p->half_w, p->half_h), 15);
    pl_map_turn(m, isfinite(pattern->angle_deg) ? pattern->angle_deg : 0, &dx, &dy);
    if (name == PL_OUTWARD_STRETCH) {
        dashes_about(p, p->x, p->y, pattern->amplitude < 0);
    } else if (name == PL_TURNING && isfinite(pattern->x_px) && isfinite(pattern->y_px)) {
        double fx = (pl_map_x(m, pattern->x_px) - m->box.x) / m->box.w * 2 - 1;
        double fy = (pl_map_y(m, pattern->y_px) - m->box.y) / m->box.h * 2 - 1;
        dashes_about(p, p->x + fx * p->half_w, p->y + fy * p->half_h, true);
    } else if (isfinite(pattern->angle_deg) && name == PL_CORNERED) {
        three_corners(p, pattern->angle_deg);
    } else if (isfinite(pattern->angle_deg) && name == PL_EVEN_STRETCH) {
        dash_at(p, p->x, p->y, dx, dy, reach);
    } else if (isfinite(pattern->angle_deg)) {
        pl_canvas_arrow(m->c, p->x - reach * dx, p->y - reach * dy, p->x + reach * dx,
                        p->y + reach * dy, 3);
    }
}

/* "22 %, 31 times its error"; moments and ellipticities have no unit a person would miss. */
static void pattern_amount(const pl_pattern *p, char *text, size_t size)
{
    bool share = p->unit && strcmp(p->unit, "fraction") == 0;
    snprintf(text, size, "%s%s, %s times its error",
             pl_signif(share ? 100 * p->amplitude : p->amplitude, 3).s, share ? " %" : "",
             pl_fixed(p->significance, 0).s);
}

static double one_pattern(const pl_map *m, int name, double x, double y, double w, int lines)
{
    const pl_pattern *p = &m->field->pattern[name];
    const pl_type words = { .size = PL_SIZE_SMALL, .tone = PL_TONE_INK };
    char text[200];
    plan at = plan_at(m, x, y);
    double left = x + 68, top = y;
    show_direction(&at, name, p);
    pl_type title = body;
    title.bold = true;
    pl_canvas_text_in(m->c, &title, left, y + 2, w - 68, pl_pattern_title((pl_pattern_name)name));
    pattern_amount(p, text, sizeof text);
    pl_canvas_text_in(m->c, &faint, left, y + 27, w - 68, text);
    y += 51;
    y += pl_canvas_wrap(m->c, &words, (pl_box){ left, y, w - 68, 0 }, lines, p->meaning);
    return fmax(y - top, 60) + 14;
}

/* The patterns that matter, the most significant first. Gives: how many. */
static int ranked(const pl_field *f, int order[PL_PATTERNS])
{
    int n = 0;
    for (int i = 0; i < PL_PATTERNS; i++) {
        if (!pl_pattern_matters(&f->pattern[i]))
            continue;
        int k = n++;
        for (; k > 0 && f->pattern[order[k - 1]].significance < f->pattern[i].significance; k--)
            order[k] = order[k - 1];
        order[k] = i;
    }
    return n;
}

double pl_panel_patterns(const pl_map *m, double x, double y, double w)
{
    int order[PL_PATTERNS], n = ranked(m->field, order);
    double top = y;
    y += heading(m, x, y, w, "Patterns over the field");
    if (n == 0)
        return y +
               pl_canvas_wrap(m->c, &body, (pl_box){ x, y, w, 0 }, 3,
                              pl_patterns_known(m->field)
                                  ? "None stands out of the noise: even field."
                                  : "Too few stars to see any.") -
               top;
    for (int i = 0; i < n && i < 4; i++)
        y += one_pattern(m, order[i], x, y, w, i == 0 || n < 3 ? 7 : 4);
    char text[160] = "also: ";
    for (int i = 4; i < n; i++)
        snprintf(text + strlen(text), sizeof text - strlen(text), "%s%s", i > 4 ? ", " : "",
                 pl_pattern_title((pl_pattern_name)order[i]));
    if (n > 4)
        y += pl_canvas_wrap(m->c, &faint, (pl_box){ x, y, w, 0 }, 2, text);
    return y - top;
}

/* ---- what was left out */

double pl_panel_rejects(const pl_map *m, double x, double y, double w)
{
    double top = y;
    char text[40];
    y += heading(m, x, y, w, "Not used");
    for (int k = PL_STAR + 1; k < PL_KINDS; k++) {
        snprintf(text, sizeof text, "%zu", m->field->kind[k]);
        if (m->field->kind[k])
            y += small_row(m, x, y, w, pl_kind_name((pl_kind)k), text);
    }
    return y - top;
}

/* ---- legend */

enum { MARK_W = 78 }; /* room for a mark left of its words */

/* The legend fills rows of equally wide entries. */
typedef struct {
    const pl_map *m;
    double x, y, w; /* of the whole */
    int columns, n; /* entries a row, entries so far */
    double tall;    /* the tallest of this row */
} legend;

static void next_place(legend *g, double *x, double *y)
{
    if (g->n > 0 && g->n % g->columns == 0) {
        g->y += g->tall;
        g->tall = 0;
    }
    *x = g->x + g->w / g->columns * (g->n++ % g->columns);
    *y = g->y;
}

/* The words right of a mark at (x, y). */
static void entry(legend *g, double x, double y, const char *text)
{
    const pl_type words = { .size = PL_SIZE_SMALL, .tone = PL_TONE_INK };
    double w = g->w / g->columns - MARK_W - 14;
    double h = pl_canvas_wrap(g->m->c, &words, (pl_box){ x + MARK_W, y, w, 0 }, 3, text);
    g->tall = fmax(g->tall, h + 8);
}

static void bar_entry(legend *g, double length, double width, pl_tone tone, const char *text)
{
    pl_canvas *c = g->m->c;
    double x, y;
    next_place(g, &x, &y);
    pl_canvas_tone(c, tone, 1);
    cairo_set_line_width(c->cr, width);
    cairo_move_to(c->cr, x + 3, y + 7);
    cairo_line_to(c->cr, x + 3 + length, y + 7);
    cairo_stroke(c->cr);
    entry(g, x, y, text);
}

static void contour_entry(legend *g)
{
    const pl_map *m = g->m;
    double x, y;
    char text[100];
    next_place(g, &x, &y);
    for (int i = 0; i < 4; i++) {
        cairo_set_line_width(m->c->cr, 3);
        pl_canvas_rgb(m->c, pl_ramp(m->c->red, i / 3.0), 1);
        cairo_move_to(m->c->cr, x + 3 + 18 * i, y + 7);
        cairo_line_to(m->c->cr, x + 3 + 18 * i + 12, y + 7);
        cairo_stroke(m->c->cr);
    }
    snprintf(text, sizeof text, "equal FWHM, every %s %s",
             pl_tick_label(m->contour_step, m->contour_step).s, m->unit);
    entry(g, x, y, text);
}

/* A length on the frame: arcmin (arcsec) when the scale is known, px otherwise. */
static void distance_entry(legend *g)
{
    double scale = g->m->field->scale_arcsec_px, per_px = g->m->box.w / g->m->field->width_px;
    bool sky = isfinite(scale) && scale > 0;
    const char *unit = sky ? "arcmin" : "px";
    double each = sky ? per_px / scale * 60 : per_px; /* px of the picture */
    if (sky && 70 / each < 1) {
        unit = "arcsec";
        each /= 60;
    }
    double step = pl_tick_step(0, 45 / each, 1);
    char text[100];
    if (!(step * each > 2) || step * each > MARK_W - 8)
        return;
    snprintf(text, sizeof text, "%s %s along the frame", pl_tick_label(step, step).s, unit);
    bar_entry(g, step * each, 2, PL_TONE_FAINT, text);
}

double pl_panel_legend(const pl_map *m, double x, double y, double w)
{
    legend g = { m, x, y, w, (int)fmax(1, floor(w / 280)), 0, 0 };
    char text[160];
    g.columns = g.columns == 3 ? 2 : g.columns > 4 ? 4 : g.columns; /* four entries: no odd one */
    snprintf(text, sizeof text, "a star; this long: ellipticity %s", pl_signif(m->bar, 2).s);
    bar_entry(&g, m->bar_px, 2, pl_map_star_tone(m), text);
    if (m->field->cells)
        bar_entry(&g, m->bar_px, 5, PL_TONE_INK, "median of a zone; a dot: below its noise");
    if (m->has_contours)
        contour_entry(&g);
    distance_entry(&g);
    return g.y + g.tall - y;
}
