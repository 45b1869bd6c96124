/* SPDX-License-Identifier: GPL-3.0-or-later */
/* canvas.c - a sheet to draw on: text with known extents, labels that avoid each other, arrows. */
#include "canvas.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Of the font size: height of capitals; what letters and brackets reach above and below the line.
 */
#define CAP   0.73
#define ABOVE 0.78
#define BELOW 0.24

/* Cairo 1.16 fills an outline that found no room to grow as far as it got, and no status tells; but
 * whoever is refused memory leaves ENOMEM in errno. Asked before whatever could write over it. */
static void heed(pl_canvas *c)
{
    if (errno == ENOMEM)
        c->failed = PL_ENOMEM;
}

pl_status pl_canvas_new(int width, int height, bool red, pl_canvas **out, pl_err *err)
{
    if (width < 64 || height < 64 || width > 16384 || height > 16384)
        return pl_fail(err, PL_EARG, "a picture of %d x %d px; each side must be in [64, 16384]",
                       width, height);
    pl_canvas *c = calloc(1, sizeof *c);
    if (!c)
        return pl_fail(err, PL_ENOMEM, "out of memory for a picture");
    c->width = width;
    c->height = height;
    c->red = red;
    c->shortages = pl_memory_shortages();
    errno = 0;
    c->surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, width, height);
    c->cr = cairo_create(c->surface);
    if (cairo_status(c->cr) != CAIRO_STATUS_SUCCESS) {
        pl_canvas_free(c);
        return pl_fail(err, PL_ENOMEM, "out of memory for a picture of %d x %d px", width, height);
    }
    cairo_font_options_t *font = cairo_font_options_create();
    cairo_font_options_set_antialias(font, CAIRO_ANTIALIAS_GRAY);
    cairo_font_options_set_hint_style(font, CAIRO_HINT_STYLE_NONE);
    cairo_font_options_set_hint_metrics(font, CAIRO_HINT_METRICS_OFF);
    cairo_set_font_options(c->cr, font);
    cairo_font_options_destroy(font);
    cairo_set_line_join(c->cr, CAIRO_LINE_JOIN_ROUND);
    cairo_set_line_cap(c->cr, CAIRO_LINE_CAP_ROUND);
    pl_canvas_tone(c, PL_TONE_PAPER, 1);
    cairo_paint(c->cr);
    *out = c;
    return PL_OK;
}

void pl_canvas_free(pl_canvas *c)
{
    if (!c)
        return;
    cairo_destroy(c->cr);
    cairo_surface_destroy(c->surface);
    free(c->label);
    free(c->taken);
    free(c);
}

void pl_canvas_rgb(pl_canvas *c, pl_rgb rgb, double alpha)
{
    heed(c);
    cairo_set_source_rgba(c->cr, rgb.r, rgb.g, rgb.b, alpha);
}

void pl_canvas_tone(pl_canvas *c, pl_tone tone, double alpha)
{
    pl_canvas_rgb(c, pl_tone_rgb(c->red, tone), alpha);
}

/* ---- text */

static void set_font(pl_canvas *c, const pl_type *type)
{
    heed(c);
    cairo_select_font_face(c->cr, "sans-serif", CAIRO_FONT_SLANT_NORMAL,
                           type->bold ? CAIRO_FONT_WEIGHT_BOLD : CAIRO_FONT_WEIGHT_NORMAL);
    cairo_set_font_size(c->cr, type->size);
}

/* Clean text laid out: where its line starts and the box it takes. */
typedef struct {
    double x, y;
    pl_box box;
} layout;

static layout lay_out(pl_canvas *c, const pl_type *type, double x, double y, const char *clean)
{
    cairo_text_extents_t e;
    set_font(c, type);
    cairo_text_extents(c->cr, clean, &e);
    double left = fmin(0, e.x_bearing), right = fmax(e.x_advance, e.x_bearing + e.width);
    double w = right - left, size = type->size, tall = (ABOVE + BELOW) * size;
    layout l;
    if (type->up) {
        l.x = x + (1 - type->ax) * CAP * size;
        l.y = y + (1 - type->ay) * w;
        l.box = (pl_box){ l.x - ABOVE * size, l.y - right, tall, w };
    } else {
        l.x = x - type->ax * w - left;
        l.y = y + (1 - type->ay) * CAP * size;
        l.box = (pl_box){ l.x + left, l.y - ABOVE * size, w, tall };
    }
    return l;
}

static void keep_label(pl_canvas *c, pl_box box, const char *text)
{
    void *items = c->label;
    if (pl_grow(&items, &c->label_cap, c->labels, sizeof *c->label, NULL) != PL_OK)
        c->failed = PL_ENOMEM;
    c->label = items;
    if (c->labels == c->label_cap)
        return;
    pl_label *label = &c->label[c->labels++];
    label->box = box;
    snprintf(label->text, sizeof label->text, "%s", text);
}

static void draw_text(pl_canvas *c, const pl_type *type, layout at, const char *clean)
{
    cairo_save(c->cr);
    set_font(c, type);
    cairo_move_to(c->cr, at.x, at.y);
    if (type->up)
        cairo_rotate(c->cr, -M_PI / 2);
    if (type->halo) {
        cairo_text_path(c->cr, clean);
        cairo_set_line_width(c->cr, 0.44 * type->size);
        pl_canvas_tone(c, PL_TONE_PAPER, 1);
        cairo_stroke(c->cr);
        cairo_identity_matrix(c->cr);
        cairo_move_to(c->cr, at.x, at.y);
        if (type->up)
            cairo_rotate(c->cr, -M_PI / 2);
    }
    pl_canvas_tone(c, type->tone, 1);
    cairo_show_text(c->cr, clean);
    cairo_restore(c->cr);
    cairo_new_path(c->cr);
    keep_label(c, at.box, clean);
}

/* The text in valid UTF-8; notes the failure when memory is short. */
static char *clean_of(pl_canvas *c, const char *text)
{
    char *clean = pl_clean(text, PL_CLEAN_SHOWN, NULL);
    if (!clean)
        c->failed = PL_ENOMEM;
    return clean;
}

pl_box pl_canvas_measure(pl_canvas *c, const pl_type *type, double x, double y, const char *text)
{
    pl_box box = { x, y, 0, 0 };
    char *clean = clean_of(c, text);
    if (clean)
        box = lay_out(c, type, x, y, clean).box;
    free(clean);
    return box;
}

/* Takes the text, which may be NULL or empty. */
static pl_box put_text(pl_canvas *c, const pl_type *type, double x, double y, char *clean)
{
    pl_box box = { x, y, 0, 0 };
    if (clean && *clean) {
        layout at = lay_out(c, type, x, y, clean);
        draw_text(c, type, at, clean);
        box = at.box;
    }
    free(clean);
    return box;
}

pl_box pl_canvas_text(pl_canvas *c, const pl_type *type, double x, double y, const char *text)
{
    return put_text(c, type, x, y, clean_of(c, text));
}

/* Start of the UTF-8 character that s + i lies in. */
static size_t letter_start(const char *s, size_t i)
{
    while (i > 0 && ((unsigned char)s[i] & 0xc0) == 0x80)
        i--;
    return i;
}

/* `text` with all but the first `head` and last `tail` bytes replaced by dots, in `out`. */
static void cut_middle(char *out, const char *text, size_t n, size_t head, size_t tail)
{
    head = letter_start(text, head);
    size_t from = n - tail;
    while (from < n && ((unsigned char)text[from] & 0xc0) == 0x80)
        from++;
    memcpy(out, text, head);
    memcpy(out + head, "...", 3);
    memcpy(out + head + 3, text + from, n - from + 1);
}

/* Shortens clean text to `room` px, as much of it kept as fits: all in the front (tail = 0) or both
 * ends. Gives: malloc'd, NULL when not even three letters fit. */
static char *shortened(pl_canvas *c, const pl_type *type, double room, const char *clean, bool ends)
{
    size_t n = strlen(clean), lo = 3, hi = n;
    bool turned = type->up;
    char *out = malloc(n + 4), *best = NULL;
    if (!out) {
        c->failed = PL_ENOMEM;
        return NULL;
    }
    while (lo <= hi) { /* the largest number of kept bytes that fits */
        size_t keep = (lo + hi) / 2, tail = ends ? keep / 2 : 0;
        cut_middle(out, clean, n, keep - tail, tail);
        pl_box box = lay_out(c, type, 0, 0, out).box;
        if ((turned ? box.h : box.w) <= room) {
            free(best);
            if (!(best = strdup(out)))
                c->failed = PL_ENOMEM;
            lo = keep + 1;
        } else {
            hi = keep - 1;
        }
    }
    free(out);
    return best;
}

pl_box pl_canvas_text_in(pl_canvas *c, const pl_type *type, double x, double y, double room,
                         const char *text)
{
    char *clean = clean_of(c, text);
    pl_box whole = clean ? lay_out(c, type, x, y, clean).box : (pl_box){ x, y, 0, 0 };
    if ((type->up ? whole.h : whole.w) > room) {
        char *cut = shortened(c, type, room, clean, true);
        free(clean);
        clean = cut;
    }
    return put_text(c, type, x, y, clean);
}

/* Bytes of `s` that go on one line of `room` px: whole words, at least one, up to where a line may
 * break when there is such a place. Cuts s there for a moment. */
static size_t line_length(pl_canvas *c, const pl_type *type, double room, char *s)
{
    size_t fit = 0, good = 0;
    for (size_t i = strcspn(s, " ");; i += 1 + strcspn(s + i + 1, " ")) {
        char was = s[i];
        s[i] = '\0';
        bool fits = lay_out(c, type, 0, 0, s).box.w <= room;
        s[i] = was;
        if (!fits)
            return good ? good : fit ? fit : i;
        fit = i;
        if (!was)
            return fit;
        if (pl_may_break(s, i))
            good = i;
    }
}

double pl_canvas_wrap(pl_canvas *c, const pl_type *type, pl_box box, int lines, const char *text)
{
    pl_type t = *type;
    t.ax = t.ay = 0;
    t.up = false;
    double y = box.y, step = 1.3 * t.size;
    char *clean = clean_of(c, text);
    for (char *s = clean; s && *s && lines > 0; lines--, y += step) {
        size_t n = line_length(c, &t, box.w, s);
        char was = s[n];
        bool more = was != '\0' && s[n + strspn(s + n, " ")];
        if (lines > 1 || !more)
            s[n] = '\0';
        char *cut = lines == 1 && more ? shortened(c, &t, box.w, s, false) : NULL;
        pl_canvas_text_in(c, &t, box.x, y, box.w, cut ? cut : s);
        free(cut);
        s[n] = was;
        s += n + strspn(s + n, " ");
    }
    free(clean);
    return y - box.y;
}

/* ---- labels that keep out of each other's way */

static bool apart(pl_box a, pl_box b, double gap)
{
    return a.x + a.w + gap <= b.x || b.x + b.w + gap <= a.x || a.y + a.h + gap <= b.y ||
           b.y + b.h + gap <= a.y;
}

bool pl_canvas_free_at(const pl_canvas *c, pl_box box, pl_box frame, double gap)
{
    if (box.x < frame.x || box.y < frame.y || box.x + box.w > frame.x + frame.w ||
        box.y + box.h > frame.y + frame.h)
        return false;
    for (size_t i = 0; i < c->labels; i++)
        if (!apart(box, c->label[i].box, gap))
            return false;
    for (size_t i = 0; i < c->takens; i++)
        if (!apart(box, c->taken[i], gap))
            return false;
    return true;
}

void pl_canvas_take(pl_canvas *c, pl_box box)
{
    void *items = c->taken;
    if (pl_grow(&items, &c->taken_cap, c->takens, sizeof *c->taken, NULL) != PL_OK)
        c->failed = PL_ENOMEM;
    c->taken = items;
    if (c->takens < c->taken_cap)
        c->taken[c->takens++] = box;
}

bool pl_canvas_place(pl_canvas *c, const pl_type *type, double x, double y, double reach,
                     pl_box frame, const char *text)
{
    static const struct {
        double dx, dy;
    } way[] = { { 1, 0 },    { -1, 0 },    { 0, -1 },  { 0, 1 },
                { .8, -.8 }, { -.8, -.8 }, { .8, .8 }, { -.8, .8 } };
    for (size_t i = 0; i < 2 * PL_ARRAY_LEN(way); i++) {
        double dx = way[i % PL_ARRAY_LEN(way)].dx, dy = way[i % PL_ARRAY_LEN(way)].dy;
        double far = i < PL_ARRAY_LEN(way) ? reach : 2 * reach;
        pl_type t = *type;
        t.ax = dx > 0 ? 0 : dx < 0 ? 1 : 0.5;
        t.ay = dy > 0 ? 0 : dy < 0 ? 1 : 0.5;
        double px = x + far * dx, py = y + far * dy;
        if (pl_canvas_free_at(c, pl_canvas_measure(c, &t, px, py, text), frame, 2)) {
            pl_canvas_text(c, &t, px, py, text);
            return true;
        }
    }
    return false;
}

/* ---- strokes */

void pl_canvas_arrow(pl_canvas *c, double x0, double y0, double x1, double y1, double width)
{
    double dx = x1 - x0, dy = y1 - y0, length = hypot(dx, dy);
    if (!(length > 0))
        return;
    dx /= length;
    dy /= length;
    double head = fmin(length, 3.5 * width + 5), half = 0.42 * head;
    cairo_set_line_width(c->cr, width);
    cairo_move_to(c->cr, x0, y0);
    cairo_line_to(c->cr, x1 - 0.8 * head * dx, y1 - 0.8 * head * dy);
    cairo_stroke(c->cr);
    cairo_move_to(c->cr, x1, y1);
    cairo_line_to(c->cr, x1 - head * dx - half * dy, y1 - head * dy + half * dx);
    cairo_line_to(c->cr, x1 - 0.75 * head * dx, y1 - 0.75 * head * dy);
    cairo_line_to(c->cr, x1 - head * dx + half * dy, y1 - head * dy - half * dx);
    cairo_close_path(c->cr);
    cairo_fill(c->cr);
}

void pl_canvas_line(pl_canvas *c, const double *x, const double *y, size_t n, double width)
{
    bool down = false;
    cairo_set_line_width(c->cr, width);
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(x[i]) || !isfinite(y[i])) {
            down = false;
            continue;
        }
        (down ? cairo_line_to : cairo_move_to)(c->cr, x[i], y[i]);
        down = true;
    }
    cairo_stroke(c->cr);
}
