/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sheet.c - what the sheets of all programs have alike: head, foot, rows of numbers. */
#include "sheet.h"

#include <math.h>
#include <stdlib.h>

enum { MARGIN = PL_SHEET_MARGIN, TITLE_Y = 28, ACTION_Y = 70, FOOT = 20, ROW = 30 };

void pl_sheet_title(pl_canvas *c, const char *words)
{
    pl_type type = { .size = PL_SIZE_TITLE, .tone = PL_TONE_INK, .bold = true };
    double room = c->width - 2 * MARGIN;
    while (type.size > PL_SIZE_HEAD && pl_canvas_measure(c, &type, MARGIN, TITLE_Y, words).w > room)
        type.size -= 1;
    pl_canvas_text_in(c, &type, MARGIN, TITLE_Y, room, words);
}

void pl_sheet_head(pl_canvas *c, const char *title, const char *action)
{
    const pl_type body = { .size = PL_SIZE_BODY, .tone = PL_TONE_INK };
    pl_sheet_title(c, title);
    pl_canvas_wrap(c, &body, (pl_box){ MARGIN, ACTION_Y, c->width - 2 * MARGIN, 0 }, 2, action);
}

void pl_sheet_foot(pl_canvas *c, pl_string *words, const char *program)
{
    const pl_type left = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ay = 1 };
    const pl_type right = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = 1, .ay = 1 };
    double y = c->height - FOOT;
    pl_box name = pl_canvas_text(c, &right, c->width - MARGIN, y, program);
    char *text = pl_string_take(words);
    if (text)
        pl_canvas_text_in(c, &left, MARGIN, y, name.x - 2 * MARGIN, text);
    else
        c->failed = PL_ENOMEM;
    free(text);
}

void pl_sheet_exposures(pl_string *out, const char *file, size_t frames, const pl_facts *f)
{
    pl_string_add(out, "%s", file);
    if (frames > 1)
        pl_string_add(out, " and %zu more", frames - 1);
    if (f->date_obs.s[0])
        pl_string_add(out, "   %s", f->date_obs.s);
    if (isfinite(f->exposure_s.v))
        pl_string_add(out, "   %s s", pl_signif(f->exposure_s.v, 4).s);
    if (isfinite(f->aperture_mm.v) && isfinite(f->focal_mm.v))
        pl_string_add(out, "   %s mm f/%s", pl_signif(f->aperture_mm.v, 4).s,
                      pl_signif(f->focal_mm.v / f->aperture_mm.v, 3).s);
}

double pl_sheet_row(pl_canvas *c, double x, double y, const char *what, const char *value)
{
    const pl_type left = { .size = PL_SIZE_BODY, .tone = PL_TONE_FAINT };
    const pl_type right = { .size = PL_SIZE_BODY, .tone = PL_TONE_INK, .ax = 1 };
    double end = c->width - MARGIN;
    pl_box b = pl_canvas_text(c, &left, x, y, what);
    pl_canvas_text_in(c, &right, end, y, end - x - b.w - 20, value);
    return y + ROW;
}

double pl_sheet_heading(pl_canvas *c, double x, double y, const char *text)
{
    const pl_type head = { .size = PL_SIZE_HEAD, .tone = PL_TONE_INK, .bold = true };
    const double ends[2] = { x, c->width - MARGIN }, at[2] = { y + 32, y + 32 };
    pl_canvas_text(c, &head, x, y, text);
    pl_canvas_tone(c, PL_TONE_RULE, 1);
    pl_canvas_line(c, ends, at, 2, 1.5);
    return y + 44;
}

void pl_sheet_edges(pl_canvas *c, pl_box b, bool up)
{
    pl_type t = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = 0.5, .ay = 1 };
    pl_canvas_text(c, &t, b.x + b.w / 2, b.y - 6, up ? "last row" : "row 1");
    t.ay = 0;
    pl_canvas_text(c, &t, b.x + b.w / 2, b.y + b.h + 6, up ? "row 1" : "last row");
    t.up = true;
    t.ay = 0.5;
    t.ax = 1;
    pl_canvas_text(c, &t, b.x - 6, b.y + b.h / 2, "column 1");
    t.ax = 0;
    pl_canvas_text(c, &t, b.x + b.w + 6, b.y + b.h / 2, "last column");
}

void pl_sheet_frame(pl_canvas *c, pl_box b, bool top_down)
{
    pl_sheet_edges(c, b, !top_down);
    pl_canvas_tone(c, PL_TONE_INK, 1);
    cairo_set_line_width(c->cr, 2);
    cairo_rectangle(c->cr, b.x, b.y, b.w, b.h);
    cairo_stroke(c->cr);
}

pl_status pl_sheet_write(pl_status drawn, pl_canvas *c, const char *png, const pl_chunk *chunk,
                         size_t n, pl_err *err)
{
    pl_status rc = drawn == PL_OK ? pl_canvas_write(c, png, chunk, n, err) : drawn;
    pl_canvas_free(c);
    return rc;
}
