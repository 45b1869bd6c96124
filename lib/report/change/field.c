/* SPDX-License-Identifier: GPL-3.0-or-later */
/* field.c - what changed over a field: the zones, once for size and once for stretch, in
 * the colours of better and worse; below them every fault, before and after. */
#include "change.h"
#include "../sheet.h"
#include "../field/map.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { W = 1600, GAP = 110, LIST_H = 480 };

static const double FULL_SIZE = 0.10,
                    FULL_STRETCH = 0.15; /* changes at the ramp's ends, at least */

/* One of the two maps. */
typedef struct {
    pl_canvas *c;
    const pl_field *field;
    const pl_changes *changes;
    bool size, up;
    double full;       /* change of a length at the ends of the ramp */
    double left, room; /* of the half of the sheet it stands in */
    pl_box box;
} zones;

static const pl_change *change_of(const zones *m, size_t k)
{
    const pl_zone_change *z = &m->changes->zone[k];
    return m->size ? &z->size : &z->stretch;
}

static double full_scale(const zones *m)
{
    double full = m->size ? FULL_SIZE : FULL_STRETCH;
    for (size_t k = 0; k < m->changes->columns * m->changes->rows; k++) {
        const pl_change *z = change_of(m, k);
        if (z->seen)
            full = fmax(full, fabs(z->change));
    }
    return full;
}

static pl_box zone_box(const zones *m, size_t k)
{
    size_t nx = m->changes->columns, ny = m->changes->rows, i = k % nx, j = k / nx;
    if (m->up)
        j = ny - 1 - j;
    double w = m->box.w / (double)nx, h = m->box.h / (double)ny;
    return (pl_box){ m->box.x + (double)i * w, m->box.y + (double)j * h, w, h };
}

/* Where a zone was not compared, or did not change: no colour. */
static void fill(const zones *m, const pl_change *z, pl_box b)
{
    if (z->seen)
        pl_canvas_rgb(m->c, pl_ramp_both(m->c->red, z->change / m->full), 1);
    else
        pl_canvas_tone(m->c, PL_TONE_PAPER, 1);
    cairo_rectangle(m->c->cr, b.x, b.y, b.w, b.h);
    cairo_fill_preserve(m->c->cr);
    pl_canvas_tone(m->c, PL_TONE_RULE, 1);
    cairo_set_line_width(m->c->cr, 1.5);
    cairo_stroke(m->c->cr);
}

static void zone_words(const zones *m, const pl_change *z, pl_box b)
{
    double lab[3];
    pl_to_oklab(pl_ramp_both(m->c->red, z->change / m->full), lab);
    bool bright = m->c->red && z->seen && lab[0] > 0.38;
    pl_type type = { .size = PL_SIZE_BODY,
                     .tone = bright    ? PL_TONE_PAPER
                             : z->seen ? PL_TONE_INK
                                       : PL_TONE_FAINT,
                     .bold = z->seen,
                     .ax = 0.5,
                     .ay = 0.5 };
    char text[120];
    double by = m->size ? 100 : 1;
    int places = m->size ? 0 : 2;
    if (isnan(z->chance))
        snprintf(text, sizeof text, "few stars");
    else
        snprintf(text, sizeof text, "%s%s \xe2\x86\x92 %s%s",
                 m->size && z->before > 0.005 ? "+" : "", pl_fixed(by * z->before, places).s,
                 m->size && z->after > 0.005 ? "+" : "", pl_fixed(by * z->after, places).s);
    double x = b.x + b.w / 2, y = b.y + b.h / 2;
    pl_canvas_text_in(m->c, &type, x, z->seen ? y - 12 : y, b.w - 8, text);
    type.size = PL_SIZE_SMALL;
    type.bold = false;
    if (z->seen)
        pl_canvas_text_in(m->c, &type, x, y + 13, b.w - 8,
                          z->state == PL_BETTER  ? "better"
                          : z->state == PL_WORSE ? "worse"
                                                 : "moved");
}

/* The ramp with its two ends in words. */
static void scale(const zones *m)
{
    enum { STEPS = 40 };
    double wide = 150, x = m->box.x + m->box.w / 2 - wide / 2, y = m->box.y + m->box.h + 36;
    pl_type type = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = 1, .ay = 0.5 };
    char text[60];
    for (int i = 0; i < STEPS; i++) {
        pl_canvas_rgb(m->c, pl_ramp_both(m->c->red, 2.0 * i / (STEPS - 1) - 1), 1);
        cairo_rectangle(m->c->cr, x + wide * i / STEPS, y, wide / STEPS + 1, 16);
        cairo_fill(m->c->cr);
    }
    double full = m->size ? 100 * m->full : m->full;
    const char *unit = m->size ? " %" : "";
    snprintf(text, sizeof text, "better by %s%s", pl_signif(full, 2).s, unit);
    pl_canvas_text(m->c, &type, x - 10, y + 8, text);
    type.ax = 0;
    snprintf(text, sizeof text, "worse by %s%s", pl_signif(full, 2).s, unit);
    pl_canvas_text(m->c, &type, x + wide + 10, y + 8, text);
}

static void draw_map(zones *m)
{
    const pl_type head = { .size = PL_SIZE_HEAD, .tone = PL_TONE_INK, .bold = true };
    const pl_type body = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    m->full = full_scale(m);
    double y = m->box.y - 78;
    pl_canvas_text_in(m->c, &head, m->left, y, m->room,
                      m->size ? "Size, zone by zone" : "Stretch, zone by zone");
    pl_canvas_text_in(m->c, &body, m->left, y + 29, m->room,
                      m->size ? "how far FWHM departs from the mean of all zones, %"
                              : "ellipticity chi; 0 is round");
    for (size_t k = 0; k < m->changes->columns * m->changes->rows; k++) {
        fill(m, change_of(m, k), zone_box(m, k));
        zone_words(m, change_of(m, k), zone_box(m, k));
    }
    pl_sheet_frame(m->c, m->box, !m->up);
    scale(m);
}

/* Every fault in units of what is tolerable; FWHM, which has none, in words. */
static void list(pl_canvas *c, const pl_changes *changes, double y)
{
    pl_change_line line[PL_CHANGES_MAX];
    size_t n = 0;
    const pl_change *width = NULL;
    for (size_t i = 0; i < changes->items; i++)
        if (isfinite(changes->item[i].tolerance))
            line[n++] = (pl_change_line){ &changes->item[i], changes->item[i].tolerance };
        else
            width = &changes->item[i];
    pl_box box = { PL_SHEET_MARGIN, y, W - 2 * PL_SHEET_MARGIN, LIST_H };
    pl_change_list(c, box, line, n, "times what is tolerable (shaded: within)", 1);
    if (!width)
        return;
    const pl_type type = { .size = PL_SIZE_BODY, .tone = PL_TONE_INK };
    char text[320];
    snprintf(text, sizeof text, "FWHM %s px before, %s px after: %s",
             pl_measured(width->before, width->before_sigma, 2).s,
             pl_measured(width->after, width->after_sigma, 2).s, width->text);
    pl_canvas_text_in(c, &type, PL_SHEET_MARGIN, y + LIST_H + 8, W - 2 * PL_SHEET_MARGIN, text);
}

pl_status pl_field_change_canvas(const pl_field *after, const pl_change_sheet *s, pl_canvas **out,
                                 pl_err *err)
{
    double aspect = (double)after->width_px / after->height_px, side = PL_SHEET_MARGIN + 30;
    double half = (W - 2 * side - GAP) / 2, high = fmin(fmax(half / aspect, 160), 520);
    double top = 224, below = top + high + 84;
    pl_status rc = pl_change_canvas(s, W, (int)(below + LIST_H + 100), out, err);
    if (rc != PL_OK)
        return rc;
    double wide = fmin(half, fmax(high * aspect, 60));
    zones m = { .c = *out,
                .field = after,
                .changes = s->changes,
                .size = true,
                .up = strcmp(after->facts.row_order.s, "TOP-DOWN") != 0,
                .left = side,
                .room = half,
                .box = { side + (half - wide) / 2, top, wide, high } };
    draw_map(&m);
    m.size = false;
    m.left += half + GAP;
    m.box.x += half + GAP;
    draw_map(&m);
    list(*out, s->changes, below);
    return PL_OK;
}

pl_status pl_field_change_draw(const pl_field *after, const pl_changes *changes,
                               const char *against, const char *file, bool red, const char *png,
                               pl_err *err)
{
    pl_canvas *c = NULL;
    const pl_change_sheet s = { changes, "what changed over the field", file,
                                against, "plumb-field " PL_VERSION,     red };
    pl_status rc = pl_field_change_canvas(after, &s, &c, err);
    return pl_change_write(rc, c, &s, png, err);
}
