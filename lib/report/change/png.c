/* SPDX-License-Identifier: GPL-3.0-or-later */
/* png.c - what the pictures of a change share: head, foot, and the list of faults, before
 * and after over one axis. */
#include "change.h"
#include "../sheet.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static double name_room(pl_box box)
{
    return fmin(190, 0.2 * box.w);
}

static double words_room(pl_box box)
{
    return fmin(330, 0.33 * box.w);
}

static void head(pl_canvas *c, const pl_changes *changes)
{
    const pl_type big = { .size = PL_SIZE_TITLE, .tone = PL_TONE_INK, .bold = true };
    const pl_type small = { .size = PL_SIZE_BODY, .tone = PL_TONE_INK };
    pl_box box = { PL_SHEET_MARGIN, 28, c->width - 2 * PL_SHEET_MARGIN, 0 };
    box.y += 2 + pl_canvas_wrap(c, &big, box, 2, changes->text);
    pl_canvas_wrap(c, &small, box, 2, changes->action);
}

pl_status pl_change_canvas(const pl_change_sheet *s, int width, int height, pl_canvas **out,
                           pl_err *err)
{
    pl_string words = { 0 };
    pl_status rc = pl_canvas_new(width, height, s->red, out, err);
    if (rc != PL_OK)
        return rc;
    head(*out, s->changes);
    pl_string_add(&words, "after: %s   before: %s", s->file, s->against);
    pl_sheet_foot(*out, &words, s->program);
    return PL_OK;
}

pl_status pl_change_write(pl_status drawn, pl_canvas *c, const pl_change_sheet *s, const char *png,
                          pl_err *err)
{
    const pl_chunk chunk[] = { { "Title", s->title },
                               { "Description", s->changes->text },
                               { "Source", s->file } };
    return pl_sheet_write(drawn, c, png, chunk, PL_ARRAY_LEN(chunk), err);
}

/* ---- the list */

static double most_of(const pl_change_line *line, size_t n, double limit)
{
    double most = isfinite(limit) ? 1.3 * limit : 0;
    for (size_t i = 0; i < n; i++) {
        const pl_change *k = line[i].change;
        double b = (fabs(k->before) + k->before_sigma) / line[i].unit,
               a = (fabs(k->after) + k->after_sigma) / line[i].unit;
        most = isfinite(b) ? fmax(most, b) : most;
        most = isfinite(a) ? fmax(most, a) : most;
    }
    return most > 0 ? 1.08 * most : 1;
}

static void bar(pl_canvas *c, const pl_plot *p, double v, double sigma, double y)
{
    double left = pl_plot_x(p, fmax(p->x.lo, v - sigma)),
           right = pl_plot_x(p, fmin(p->x.hi, v + sigma));
    cairo_set_line_width(c->cr, 1.8);
    cairo_move_to(c->cr, left, y);
    cairo_line_to(c->cr, right, y);
    for (int end = 0; end < 2; end++) {
        cairo_move_to(c->cr, end ? right : left, y - 5);
        cairo_line_to(c->cr, end ? right : left, y + 5);
    }
    cairo_stroke(c->cr);
}

/* Lengths: a fault that changed its sign is told in words. */
static void line_marks(pl_canvas *c, const pl_plot *p, const pl_change_line *l, double y)
{
    const pl_change *k = l->change;
    double b = fabs(k->before) / l->unit, a = fabs(k->after) / l->unit;
    if (!isfinite(a) || !isfinite(b))
        return;
    pl_tone tone = k->seen ? PL_TONE_ACCENT : PL_TONE_FAINT;
    pl_canvas_tone(c, tone, k->seen ? 0.7 : 0.5);
    cairo_set_line_width(c->cr, k->seen ? 4 : 2);
    cairo_move_to(c->cr, pl_plot_x(p, b), y);
    cairo_line_to(c->cr, pl_plot_x(p, a), y);
    cairo_stroke(c->cr);
    pl_canvas_tone(c, PL_TONE_FAINT, 1);
    bar(c, p, b, k->before_sigma / l->unit, y - 7);
    pl_canvas_tone(c, PL_TONE_INK, 1);
    bar(c, p, a, k->after_sigma / l->unit, y + 7);
    pl_canvas_tone(c, PL_TONE_PAPER, 1);
    cairo_arc(c->cr, pl_plot_x(p, b), y, 6, 0, 2 * M_PI);
    cairo_fill_preserve(c->cr);
    pl_canvas_tone(c, PL_TONE_FAINT, 1);
    cairo_set_line_width(c->cr, 2.2);
    cairo_stroke(c->cr);
    pl_canvas_tone(c, k->seen ? PL_TONE_ACCENT : PL_TONE_INK, 1);
    cairo_arc(c->cr, pl_plot_x(p, a), y, 6, 0, 2 * M_PI);
    cairo_fill(c->cr);
}

static void line_words(pl_canvas *c, const pl_change *k, pl_box box, double y)
{
    const pl_type name = { .size = PL_SIZE_BODY, .tone = PL_TONE_INK, .bold = k->seen, .ay = 0.5 };
    const pl_type words = { .size = PL_SIZE_SMALL,
                            .tone = k->seen ? PL_TONE_INK : PL_TONE_FAINT,
                            .ay = 0.5 };
    static const char *const state[] = {
        [PL_SAME] = "", [PL_BETTER] = "better: ", [PL_WORSE] = "worse: ", [PL_MIXED] = ""
    };
    char text[200];
    snprintf(text, sizeof text, "%s%.*s", state[k->state], (int)strcspn(k->text, ";:"), k->text);
    pl_canvas_text_in(c, &name, box.x, y, name_room(box) - 10, k->name);
    pl_canvas_text_in(c, &words, box.x + box.w - words_room(box), y, words_room(box), text);
}

static void key(pl_canvas *c, double x, double y)
{
    const pl_type words = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ay = 0.5 };
    for (int after = 0; after < 2; after++) {
        pl_canvas_tone(c, after ? PL_TONE_INK : PL_TONE_FAINT, 1);
        cairo_new_sub_path(c->cr);
        cairo_arc(c->cr, x + 8, y, 6, 0, 2 * M_PI);
        cairo_set_line_width(c->cr, 2.2);
        if (after)
            cairo_fill(c->cr);
        else
            cairo_stroke(c->cr);
        x += 34 + pl_canvas_text(c, &words, x + 22, y, after ? "after" : "before").w;
    }
}

void pl_change_list(pl_canvas *c, pl_box box, const pl_change_line *line, size_t n,
                    const char *title, double limit)
{
    const pl_type head = { .size = PL_SIZE_HEAD, .tone = PL_TONE_INK, .bold = true };
    pl_plot p = { .x = { 0, most_of(line, n, limit), title, 0 }, .y = { 0, 0, NULL, 0 } };
    pl_box words = pl_canvas_text(c, &head, box.x, box.y, "Fault by fault");
    key(c, words.x + words.w + 30, box.y + 11);
    pl_plot_fit(c, &p,
                (pl_box){ box.x + name_room(box), box.y + 36,
                          box.w - name_room(box) - words_room(box) - 20, box.h - 36 });
    if (isfinite(limit)) {
        double x = pl_plot_x(&p, fmin(limit, p.x.hi));
        pl_canvas_tone(c, PL_TONE_SHADE, 1);
        cairo_rectangle(c->cr, p.box.x, p.box.y, x - p.box.x, p.box.h);
        cairo_fill(c->cr);
    }
    pl_plot_axes(c, &p);
    for (size_t i = 0; i < n; i++) {
        double y = p.box.y + p.box.h * ((double)i + 0.5) / (double)n;
        line_marks(c, &p, &line[i], y);
        line_words(c, line[i].change, box, y);
    }
}

double pl_change_in_words(pl_canvas *c, const pl_change *k, pl_box box)
{
    const pl_type type = { .size = PL_SIZE_BODY, .tone = k->seen ? PL_TONE_INK : PL_TONE_FAINT };
    char text[400];
    int decimals = strncmp(k->unit, "nm", 2) == 0 || strcmp(k->unit, "um") == 0 ? 1 : 2;
    snprintf(text, sizeof text, "%s: %s before, %s %s after; %s", k->name,
             pl_measured(k->before, k->before_sigma, decimals).s,
             pl_measured(k->after, k->after_sigma, decimals).s, k->unit, k->text);
    return box.y + 8 + pl_canvas_wrap(c, &type, box, 2, text);
}
