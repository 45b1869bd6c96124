/* SPDX-License-Identifier: GPL-3.0-or-later */
/* canvas.h - the drawing board of every picture: colours, text that keeps out of other text's way,
 * axes, lines, PNG. Private to `report`.
 *
 * Picture coordinates are px, (0, 0) the top left corner, y down. Two looks: dark ink on paper, and
 * deep red on black (only the red channel is ever lit). A picture is drawn with tones, never with
 * numbers, so both looks come from the same code.
 * Everything that can fail while drawing is kept and told by pl_canvas_write. */
#ifndef PL_CANVAS_H
#define PL_CANVAS_H

#include "format.h"

#include <cairo.h>

#ifndef M_PI
#endif

/* ---- colour.c: no traffic lights; meaning is carried by words, lightness and dashes */

typedef struct {
    double r, g, b; /* sRGB, [0, 1] */
} pl_rgb;

typedef enum {
    PL_TONE_PAPER,  /* the ground */
    PL_TONE_PANEL,  /* a slightly different ground */
    PL_TONE_INK,    /* text and marks */
    PL_TONE_FAINT,  /* secondary text */
    PL_TONE_RULE,   /* hairlines, grid */
    PL_TONE_SHADE,  /* tolerance bands */
    PL_TONE_ACCENT, /* the one thing to look at */
    PL_TONES
} pl_tone;

pl_rgb pl_tone_rgb(bool red, pl_tone tone);

/* pl_ramp - a colour for t in [0, 1], dark (or dim) to light (or bright), clamped; even to the eye:
 * equal steps in t are equal steps in OkLab. Lightness alone orders it, for any eye. Ramp colours
 * are dark enough to be lines on paper. */
pl_rgb pl_ramp(bool red, double t);

/* pl_ramp_both - a colour for t in [-1, 1], clamped, about a pale middle: blue to -1, amber to +1,
 * which all common colour blindnesses tell apart; equal steps in t are equal steps in OkLab, pale
 * enough for ink on all of it. In the red look dim to bright: there words must tell the sign. */
pl_rgb pl_ramp_both(bool red, double t);

/* pl_mix - from a to b by t in [0, 1], straight in OkLab. */
pl_rgb pl_mix(pl_rgb a, pl_rgb b, double t);

/* OkLab (Bjorn Ottosson 2020, coefficients from memory; a test checks that they invert each other):
 * lab[0] lightness [0, 1], lab[1] green to red, lab[2] blue to yellow. */
void pl_to_oklab(pl_rgb rgb, double lab[3]);
pl_rgb pl_from_oklab(const double lab[3]);

/* ---- canvas.c */

typedef struct {
    double x, y, w, h; /* left, top, width, height, px */
} pl_box;

/* A text on the picture and the room its ink takes. */
typedef struct {
    pl_box box;
    char text[64]; /* its beginning */
} pl_label;

typedef struct {
    cairo_surface_t *surface;
    cairo_t *cr; /* for anything not offered here; leave its state as found (save, restore) */
    int width, height;
    bool red;
    pl_label *label; /* [labels] every text drawn so far */
    size_t labels, label_cap;
    pl_box *taken; /* [takens] marks that placed labels must keep off */
    size_t takens, taken_cap;
    pl_status failed; /* first failure while drawing */
    size_t shortages; /* pl_memory_shortages when it was new */
} pl_canvas;

/* How a text looks and which point of its box stands on (x, y). */
typedef struct {
    double size; /* px */
    pl_tone tone;
    bool bold;
    bool halo;     /* a rim of paper around the letters, for busy ground */
    double ax, ay; /* 0: left or top edge, 0.5: middle, 1: right or bottom edge */
    bool up;       /* written upwards (turned by 90 degrees); box and anchor are the turned ones */
} pl_type;

enum { PL_SIZE_TITLE = 30, PL_SIZE_HEAD = 21, PL_SIZE_BODY = 19, PL_SIZE_SMALL = 17 };

/* pl_canvas_new - a blank picture of paper, each side in [64, 16384] px. Free with pl_canvas_free.
 */
pl_status pl_canvas_new(int width, int height, bool red, pl_canvas **out, pl_err *err);
void pl_canvas_free(pl_canvas *c);

void pl_canvas_tone(pl_canvas *c, pl_tone tone, double alpha);
void pl_canvas_rgb(pl_canvas *c, pl_rgb rgb, double alpha);

/* pl_canvas_measure - the box the text would take at (x, y). Any bytes: they are cleaned first. */
pl_box pl_canvas_measure(pl_canvas *c, const pl_type *type, double x, double y, const char *text);

/* pl_canvas_text - draw it there, come what may; the box is kept. */
pl_box pl_canvas_text(pl_canvas *c, const pl_type *type, double x, double y, const char *text);

/* pl_canvas_text_in - as above, the middle cut out ("long...name.fits") until it is at most
 * `room` px long. Draws nothing when not even three letters fit. */
pl_box pl_canvas_text_in(pl_canvas *c, const pl_type *type, double x, double y, double room,
                         const char *text);

/* pl_canvas_wrap - a paragraph within box.w, from box.y down, at most `lines` lines (the last one
 * ends in "..." when there was more). Line height 1.3 sizes. Anchors are ignored: left, top. Gives:
 * the height used, px. */
double pl_canvas_wrap(pl_canvas *c, const pl_type *type, pl_box box, int lines, const char *text);

/* pl_canvas_free_at - nothing written or taken within `gap` px of the box, and all of it inside
 * `frame`. */
bool pl_canvas_free_at(const pl_canvas *c, pl_box box, pl_box frame, double gap);

/* pl_canvas_take - keep placed labels off this box. */
void pl_canvas_take(pl_canvas *c, pl_box box);

/* pl_canvas_place - a label beside a point, at the first free place of: right, left, above, below,
 * the four diagonals, then the same twice as far out. reach  in  distance from the point to the
 * box, px frame  in  must hold all of it Gives: whether it found room; it is left out otherwise. */
bool pl_canvas_place(pl_canvas *c, const pl_type *type, double x, double y, double reach,
                     pl_box frame, const char *text);

/* pl_canvas_arrow - a line with a solid head at (x1, y1). */
void pl_canvas_arrow(pl_canvas *c, double x0, double y0, double x1, double y1, double width);

/* pl_canvas_line - through n points in picture coordinates; a NaN lifts the pen. */
void pl_canvas_line(pl_canvas *c, const double *x, const double *y, size_t n, double width);

/* ---- plot.c: diagrams with axes */

typedef struct {
    double lo, hi;     /* at the left or bottom, at the right or top; lo > hi is allowed */
    const char *title; /* with its unit: "defocus, um" */
    double step;       /* between ticks; 0: chosen */
} pl_axis;             /* lo == hi: there is no such axis */

typedef struct {
    pl_box box; /* the field inside the axes, px; pl_plot_fit sets it */
    pl_axis x, y;
    pl_axis top, right; /* optional second scales over the same field, each over its whole length */
} pl_plot;

/* pl_tick_step - 1, 2 or 5 times a power of ten, giving about `wanted` steps from lo to hi. */
double pl_tick_step(double lo, double hi, int wanted);

/* pl_tick_label - `v` with the digits that a step asks for. */
pl_digits pl_tick_label(double v, double step);

/* pl_plot_fit - set plot->box so that axes, numbers and titles stay inside `outer`. */
void pl_plot_fit(pl_canvas *c, pl_plot *plot, pl_box outer);

/* pl_plot_axes - grid hairlines (of x and y), axes, numbers, titles. */
void pl_plot_axes(pl_canvas *c, const pl_plot *plot);

/* Data to picture. */
double pl_plot_x(const pl_plot *plot, double v);
double pl_plot_y(const pl_plot *plot, double v);
double pl_plot_right(const pl_plot *plot, double v);

/* pl_plot_line - a curve in the current colour, clipped to the field; NaN lifts the pen.
 *   dash  in  px on, px off; 0: solid */
void pl_plot_line(pl_canvas *c, const pl_plot *plot, const double *x, const double *y, size_t n,
                  double width, double dash);

/* pl_plot_band - the area between two curves in the current colour; NaN ends a piece. */
void pl_plot_band(pl_canvas *c, const pl_plot *plot, const double *x, const double *lo,
                  const double *hi, size_t n);

/* pl_plot_points - discs of `radius` px, each with its error bar when sigma is not NULL. */
void pl_plot_points(pl_canvas *c, const pl_plot *plot, const double *x, const double *y,
                    const double *sigma, size_t n, double radius);

/* ---- png.c */

/* A text chunk: tEXt when it is ASCII, iTXt otherwise; bytes are cleaned first. */
typedef struct {
    const char *key; /* "Title", "Description", ... */
    const char *text;
} pl_chunk;

/* pl_canvas_write - as PNG (8-bit RGB), whole or not at all; Software is added. The same picture
 * gives the same bytes. Gives: PL_ENOMEM when drawing ran out of memory, PL_EIO. */
pl_status pl_canvas_write(pl_canvas *c, const char *path, const pl_chunk *chunk, size_t chunks,
                          pl_err *err);

#endif
