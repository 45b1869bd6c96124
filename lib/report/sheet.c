/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sheet.c - what the sheets of several programs share. */
#include "sheet.h"

#include <math.h>
#include <stdlib.h>

void pl_sheet_title(pl_canvas *c, double margin, const char *words)
{
    double room = c->width - 2 * margin;
    pl_type type = { .size = PL_SIZE_TITLE, .tone = PL_TONE_INK, .bold = true };
    while (type.size > PL_SIZE_HEAD && pl_canvas_measure(c, &type, margin, 28, words).w > room)
        type.size -= 1;
    pl_canvas_text_in(c, &type, margin, 28, room, words);
}

double pl_sheet_row(pl_canvas *c, double left, double right, double y, const char *what,
                    const char *value)
{
    const pl_type name = { .size = PL_SIZE_BODY, .tone = PL_TONE_FAINT };
    const pl_type number = { .size = PL_SIZE_BODY, .tone = PL_TONE_INK, .ax = 1 };
    pl_box b = pl_canvas_text(c, &name, left, y, what);
    pl_canvas_text_in(c, &number, right, y, right - left - b.w - 20, value);
    return y + 30;
}

void pl_sheet_frame(pl_canvas *c, pl_box b, bool top_down)
{
    pl_type t = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = 0.5, .ay = 1 };
    pl_canvas_text(c, &t, b.x + b.w / 2, b.y - 6, top_down ? "row 1" : "last row");
    t.ay = 0;
    pl_canvas_text(c, &t, b.x + b.w / 2, b.y + b.h + 6, top_down ? "last row" : "row 1");
    t.up = true;
    t.ay = 0.5;
    t.ax = 1;
    pl_canvas_text(c, &t, b.x - 6, b.y + b.h / 2, "column 1");
    t.ax = 0;
    pl_canvas_text(c, &t, b.x + b.w + 6, b.y + b.h / 2, "last column");
    pl_canvas_tone(c, PL_TONE_INK, 1);
    cairo_set_line_width(c->cr, 2);
    cairo_rectangle(c->cr, b.x, b.y, b.w, b.h);
    cairo_stroke(c->cr);
}

void pl_sheet_footer(pl_canvas *c, double margin, const char *file, const pl_facts *f,
                     const char *program)
{
    const pl_type left = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ay = 1 };
    const pl_type right = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = 1, .ay = 1 };
    double y = c->height - 20;
    pl_string words = { 0 };
    pl_string_add(&words, "%s", file);
    if (f->date_obs.s[0])
        pl_string_add(&words, "   %s", f->date_obs.s);
    if (isfinite(f->exposure_s.v))
        pl_string_add(&words, "   %s s", pl_signif(f->exposure_s.v, 4).s);
    if (isfinite(f->aperture_mm.v) && isfinite(f->focal_mm.v))
        pl_string_add(&words, "   %s mm f/%s", pl_signif(f->aperture_mm.v, 4).s,
                      pl_signif(f->focal_mm.v / f->aperture_mm.v, 3).s);
    pl_box name = pl_canvas_text(c, &right, c->width - margin, y, program);
    pl_canvas_text_in(c, &left, margin, y, name.x - 2 * margin, words.s ? words.s : "");
    free(pl_string_take(&words));
}
