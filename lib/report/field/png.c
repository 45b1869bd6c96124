/* SPDX-License-Identifier: GPL-3.0-or-later */
/* png.c - the map of a field: the frame pale underneath, a segment for each star, lines of
 * equal FWHM; the verdict above, numbers beside, where it came from below. */
#include "map.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The sheet, px. A wide frame gets its panel below, any other beside. */
#define MARGIN   36.0
#define PANEL    400.0
#define GAP      30.0
#define LEFT     124.0 /* of the map: numbers and an edge's name */
#define RIGHT    34.0
#define ABOVE    30.0
#define BELOW    62.0
#define REJECTS  190.0 /* room they need */
#define FOOTER   74.0
#define WIDE     2.3 /* aspect from which the panel goes below */
#define WIDE_MAP 1230.0
#define SIDE_MAP 920.0
#define TALL_MAP 760.0

/* ---- marks */

/* 1 - b/a from chi = (a^2 - b^2) / (a^2 + b^2). */
static double ellipticity(double chi)
{
    return chi < 1 ? 1 - sqrt((1 - chi) / (1 + chi)) : 1;
}

static double star_ellipticity(const pl_star *s)
{
    return s->fwhm_major_px > 0 ? 1 - s->fwhm_minor_px / s->fwhm_major_px
                                : ellipticity(hypot(s->chi1, s->chi2));
}

/* Faint stars are stretched by their noise alone: only those that know their shape are drawn. */
static bool is_shown(const pl_star *s)
{
    const double most_error = 0.06;
    return s->kind == PL_STAR && !(s->chi_sigma > most_error) && isfinite(s->x_px) &&
           isfinite(s->y_px) && isfinite(s->angle_deg) && isfinite(star_ellipticity(s));
}

/* A scale at which all but the worst twentieth stay below 56 px; few scales, so that maps of one
 * night look alike. */
static void choose_bar(pl_map *m)
{
    static const double bar[] = { 0.1, 0.2, 0.5, 1 };
    static const double px_each[] = { 400, 200, 100, 50 };
    const pl_field *f = m->field;
    double *e = malloc((f->stars + 1) * sizeof *e), most = 0;
    size_t n = 0, k = 0;
    for (size_t i = 0; e && i < f->stars; i++)
        if (is_shown(&f->star[i]))
            e[n++] = star_ellipticity(&f->star[i]);
    if (n > 0)
        most = pl_quantile(e, n, 0.95);
    if (!e)
        pl_memory_short();
    free(e);
    while (k + 1 < PL_ARRAY_LEN(bar) && most * px_each[k] > 56)
        k++;
    m->bar = bar[k];
    m->bar_px = bar[k] * px_each[k];
}

static void dash(const pl_map *m, double x, double y, double deg, double e)
{
    double dx, dy, half = 0.5 * fmax(e / m->bar * m->bar_px, 1);
    pl_map_turn(m, deg, &dx, &dy);
    cairo_move_to(m->c->cr, x - half * dx, y - half * dy);
    cairo_line_to(m->c->cr, x + half * dx, y + half * dy);
}

static void star_marks(const pl_map *m)
{
    const pl_field *f = m->field;
    double thin = f->used > 800 ? 1.3 : 1.8;
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < f->stars; i++)
            if (is_shown(&f->star[i]))
                dash(m, pl_map_x(m, f->star[i].x_px), pl_map_y(m, f->star[i].y_px),
                     f->star[i].angle_deg, star_ellipticity(&f->star[i]));
        pl_canvas_tone(m->c, pass ? pl_map_star_tone(m) : PL_TONE_PAPER, pass ? 0.9 : 0.5);
        cairo_set_line_width(m->c->cr, pass ? thin : thin + 1.8);
        cairo_stroke(m->c->cr);
    }
}

static void zone_mark(const pl_map *m, const pl_cell *z)
{
    double x = pl_map_x(m, z->x_px), y = pl_map_y(m, z->y_px), chi = hypot(z->chi1, z->chi2);
    double e = ellipticity(chi), reach = 0.5 * e / m->bar * m->bar_px;
    bool telling = chi > 2 * z->chi_sigma && reach > 3;
    if (!isfinite(x) || !isfinite(y) || !isfinite(chi))
        return;
    for (int pass = 0; pass < 2; pass++) {
        pl_canvas_tone(m->c, pass ? PL_TONE_INK : PL_TONE_PAPER, pass ? 1 : 0.8);
        if (telling)
            dash(m, x, y, 90 / M_PI * atan2(z->chi2, z->chi1), e);
        else
            dash(m, x, y, 0, 0);
        cairo_set_line_width(m->c->cr, pass ? 5 : 8.5);
        cairo_stroke(m->c->cr);
    }
    reach = telling ? reach : 4;
    pl_canvas_take(m->c, (pl_box){ x - reach, y - reach, 2 * reach, 2 * reach });
}

/* The point the field turns about, where it lies on the map. */
static void turning_point(const pl_map *m)
{
    const pl_pattern *p = &m->field->pattern[PL_TURNING];
    const pl_type type = {
        .size = PL_SIZE_SMALL, .tone = PL_TONE_ACCENT, .bold = true, .halo = true
    };
    double x = pl_map_x(m, p->x_px), y = pl_map_y(m, p->y_px);
    if (!pl_pattern_matters(p) || !(x > m->box.x + 12) || !(x < m->box.x + m->box.w - 12) ||
        !(y > m->box.y + 12) || !(y < m->box.y + m->box.h - 12))
        return;
    for (int pass = 0; pass < 2; pass++) {
        pl_canvas_tone(m->c, pass ? PL_TONE_ACCENT : PL_TONE_PAPER, 1);
        cairo_set_line_width(m->c->cr, pass ? 3 : 6.5);
        cairo_move_to(m->c->cr, x - 9, y);
        cairo_line_to(m->c->cr, x + 9, y);
        cairo_move_to(m->c->cr, x, y - 9);
        cairo_line_to(m->c->cr, x, y + 9);
        cairo_stroke(m->c->cr);
    }
    pl_canvas_take(m->c, (pl_box){ x - 10, y - 10, 20, 20 });
    pl_canvas_place(m->c, &type, x, y, 16, m->box, "turns about");
}

/* ---- edges of the map */

/* A number at each round pixel along the bottom (`across`) or the left side. */
static void numbers(const pl_map *m, bool across)
{
    const pl_box *b = &m->box;
    int pixels = across ? m->field->width_px : m->field->height_px;
    double length = across ? b->w : b->h;
    double step = fmax(pl_tick_step(0, pixels, (int)fmax(1, length / 115)), 1);
    pl_type type = {
        .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = across ? 0.5 : 1, .ay = across ? 0 : 0.5
    };
    cairo_set_line_width(m->c->cr, 1.3);
    for (int i = 1; i * step <= pixels; i++) {
        double v = i * step;
        double at = across ? pl_map_x(m, v - 1) : pl_map_y(m, v - 1); /* v counts from 1 */
        pl_canvas_tone(m->c, PL_TONE_FAINT, 1);
        cairo_move_to(m->c->cr, across ? at : b->x, across ? b->y + b->h : at);
        cairo_line_to(m->c->cr, across ? at : b->x - 6, across ? b->y + b->h + 6 : at);
        cairo_stroke(m->c->cr);
        pl_canvas_text(m->c, &type, across ? at : b->x - 11, across ? b->y + b->h + 13 : at,
                       pl_fixed(v, 0).s);
    }
}

static void edges(const pl_map *m)
{
    const pl_box *b = &m->box;
    double x = b->x + b->w / 2, y = b->y + b->h / 2;
    pl_type level = { .size = PL_SIZE_SMALL, .tone = PL_TONE_INK, .ax = 0.5 };
    pl_type up = level;
    level.ay = 1;
    pl_canvas_tone(m->c, PL_TONE_INK, 1);
    cairo_set_line_width(m->c->cr, 1.6);
    cairo_rectangle(m->c->cr, b->x, b->y, b->w, b->h);
    cairo_stroke(m->c->cr);
    numbers(m, true);
    numbers(m, false);
    pl_canvas_text(m->c, &level, x, b->y - 10, m->top_down ? "row 1" : "last row");
    level.ay = 0;
    pl_canvas_text(m->c, &level, x, b->y + b->h + 40, m->top_down ? "last row" : "row 1");
    up = (pl_type){ .size = PL_SIZE_SMALL, .tone = PL_TONE_INK, .ax = 0, .ay = 0.5, .up = true };
    pl_canvas_text_in(m->c, &up, MARGIN, y, b->h, "column 1");
    pl_canvas_text_in(m->c, &up, b->x + b->w + 13, y, b->h, "last column");
}

/* ---- head and foot */

/* Verdict and action over the full width. Gives: their height. */
static double title(pl_canvas *c, const pl_field *f, double w)
{
    const pl_type big = { .size = PL_SIZE_TITLE, .tone = PL_TONE_INK, .bold = true };
    const pl_type small = { .size = PL_SIZE_HEAD - 1, .tone = PL_TONE_INK };
    double y = MARGIN;
    y += pl_canvas_wrap(c, &big, (pl_box){ MARGIN, y, w, 0 }, 4,
                        f->verdict.text[0] ? f->verdict.text : "no verdict");
    y += 4 + pl_canvas_wrap(c, &small, (pl_box){ MARGIN, y, w, 0 }, 4, f->verdict.action);
    return y - MARGIN;
}

static void detail(pl_string *out, const char *text)
{
    if (*text)
        pl_string_add(out, "%s%s", out->n ? "   " : "", text);
}

static void footer(pl_canvas *c, const pl_field *f, const char *file)
{
    const pl_type bold = { .size = PL_SIZE_SMALL, .tone = PL_TONE_INK, .bold = true };
    const pl_type faint = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    const pl_type mark = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = 1 };
    const pl_facts *k = &f->facts;
    double w = c->width - 2 * MARGIN, y = c->height - FOOTER;
    pl_string out = { 0 };
    pl_canvas_tone(c, PL_TONE_RULE, 1);
    cairo_set_line_width(c->cr, 1.5);
    cairo_move_to(c->cr, MARGIN, y);
    cairo_line_to(c->cr, MARGIN + w, y);
    cairo_stroke(c->cr);
    double right = pl_canvas_text(c, &mark, MARGIN + w, y + 14, "plumb-field " PL_VERSION).w;
    pl_canvas_text_in(c, &bold, MARGIN, y + 14, w - right - 20, file);
    detail(&out, k->date_obs.s);
    if (isfinite(k->exposure_s.v))
        pl_string_add(&out, "%s%s s", out.n ? "   " : "", pl_signif(k->exposure_s.v, 6).s);
    detail(&out, k->filter.s);
    detail(&out, k->object.s);
    detail(&out, k->scope_name.s);
    detail(&out, k->camera_name.s);
    pl_string_add(&out, "%s%d x %d px", out.n ? "   " : "", f->width_px, f->height_px);
    if (isfinite(f->scale_arcsec_px))
        pl_string_add(&out, ", %s arcsec/px", pl_signif(f->scale_arcsec_px, 3).s);
    if (out.failed)
        c->failed = PL_ENOMEM;
    else
        pl_canvas_text_in(c, &faint, MARGIN, y + 40, w, out.s);
    free(out.s);
}

/* ---- the sheet */

/* Numbers and patterns, one above the other beside the map, side by side below it. Gives: the
 * height. */
static double panel(const pl_map *m, bool below, double x, double y, double w)
{
    if (!below) {
        double tall = pl_panel_numbers(m, x, y, w) + 30;
        tall += pl_panel_patterns(m, x, y + tall, w);
        if (tall < m->box.h - REJECTS && m->field->used < m->field->found)
            tall += 26 + pl_panel_rejects(m, x, y + tall + 26, w);
        return tall;
    }
    double narrow = 0.31 * w;
    return fmax(pl_panel_numbers(m, x, y, narrow),
                pl_panel_patterns(m, x + narrow + 60, y, w - narrow - 60));
}

/* Where everything goes. */
typedef struct {
    int width, height;
    bool below;
    double map_w, map_h, head, panel_x, panel_y, panel_w, legend_y, legend_w;
} sheet;

static sheet first_sheet(const pl_field *f)
{
    double aspect = (double)f->width_px / f->height_px;
    sheet s = { .below = aspect > WIDE };
    if (s.below) {
        s.map_w = WIDE_MAP;
        s.map_h = fmax(WIDE_MAP / aspect, 120);
        s.width = (int)(LEFT + s.map_w + RIGHT + MARGIN);
    } else {
        s.map_w = fmax(fmin(SIDE_MAP, TALL_MAP * aspect), 160);
        s.map_h = fmin(s.map_w / aspect, TALL_MAP);
        s.width = (int)(LEFT + s.map_w + RIGHT + GAP + PANEL + MARGIN);
    }
    s.panel_w = s.below ? s.width - 2 * MARGIN : PANEL;
    s.legend_w = fmax(s.map_w, 300); /* a narrow one reaches under the map's own right edge */
    return s;
}

/* The panel's height depends on what is written: it is drawn once for its height alone. */
static pl_status measure(sheet *s, const pl_map *map, pl_err *err)
{
    pl_canvas *scratch = NULL;
    pl_status st = pl_canvas_new(64, 64, false, &scratch, err);
    if (st != PL_OK)
        return st;
    pl_map m = *map;
    m.c = scratch;
    m.has_contours = true;
    m.contour_step = 0.1;
    m.box = (pl_box){ 0, 0, s->map_w, s->map_h };
    s->head = MARGIN + title(scratch, m.field, s->width - 2 * MARGIN) + 16;
    s->legend_y = s->head + ABOVE + s->map_h + BELOW + 16;
    double left = s->legend_y + pl_panel_legend(&m, 0, 0, s->legend_w);
    s->panel_x = s->below ? MARGIN : s->width - MARGIN - PANEL;
    s->panel_y = s->below ? left + 22 : s->head + ABOVE;
    double right = s->panel_y + panel(&m, s->below, 0, 0, s->panel_w);
    s->height = (int)(fmax(left, right) + 20 + FOOTER);
    st = scratch->failed;
    pl_canvas_free(scratch);
    return st == PL_OK ? st : pl_fail(err, st, "out of memory for the map");
}

static pl_status draw(pl_map *m, const sheet *s, const pl_frame *frame, const char *file,
                      const pl_look *look, pl_err *err)
{
    m->box = (pl_box){ LEFT, s->head + ABOVE, s->map_w, s->map_h };
    pl_status st = PL_OK;
    if (frame && !look->plain)
        st = pl_underlay_draw(m, frame, look->jobs, err);
    if (st != PL_OK)
        return st;
    cairo_save(m->c->cr);
    cairo_rectangle(m->c->cr, m->box.x, m->box.y, m->box.w, m->box.h);
    cairo_clip(m->c->cr);
    star_marks(m);
    for (size_t i = 0; i < m->field->cells; i++)
        zone_mark(m, &m->field->cell[i]);
    turning_point(m);
    pl_contours_draw(m);
    cairo_restore(m->c->cr);
    edges(m);
    title(m->c, m->field, s->width - 2 * MARGIN);
    pl_panel_legend(m, m->box.x, s->legend_y, s->legend_w);
    panel(m, s->below, s->panel_x, s->panel_y, s->panel_w);
    footer(m->c, m->field, file);
    return PL_OK;
}

pl_status pl_field_canvas(const pl_field *field, const pl_frame *frame, const char *file,
                          const pl_look *look, pl_canvas **out, pl_err *err)
{
    if (field->width_px < 1 || field->height_px < 1)
        return pl_fail(err, PL_EARG, "a frame of %d x %d px cannot be drawn", field->width_px,
                       field->height_px);
    bool sky = isfinite(field->scale_arcsec_px) && field->scale_arcsec_px > 0;
    pl_map m = { .field = field,
                 .unit = sky ? "arcsec" : "px",
                 .unit_px = sky ? field->scale_arcsec_px : 1,
                 .top_down = strcmp(field->facts.row_order.s, "TOP-DOWN") == 0 };
    choose_bar(&m);
    sheet s = first_sheet(field);
    pl_status st = measure(&s, &m, err);
    if (st == PL_OK)
        st = pl_canvas_new(s.width, s.height, look->red, &m.c, err);
    if (st != PL_OK)
        return st;
    st = draw(&m, &s, frame, file, look, err);
    if (st == PL_OK)
        *out = m.c;
    else
        pl_canvas_free(m.c);
    return st;
}

pl_status pl_field_draw(const pl_field *field, const pl_frame *frame, const char *file,
                        const pl_look *look, const char *png, pl_err *err)
{
    pl_canvas *c = NULL;
    pl_status st = pl_field_canvas(field, frame, file, look, &c, err);
    if (st != PL_OK)
        return st;
    char words[400];
    snprintf(words, sizeof words,
             "Map of %zu stars: segments show elongation, lines equal FWHM. %s", field->used,
             field->verdict.action);
    const pl_chunk chunk[] = { { "Title", field->verdict.text[0] ? field->verdict.text : "plumb" },
                               { "Description", words },
                               { "Source", file } };
    st = pl_canvas_write(c, png, chunk, PL_ARRAY_LEN(chunk), err);
    pl_canvas_free(c);
    return st;
}
