/* SPDX-License-Identifier: GPL-3.0-or-later */
/* change.h - what words, JSON and pictures of a change share. Private to `report`. */
#ifndef PL_CHANGE_REPORT_H
#define PL_CHANGE_REPORT_H

#include "../canvas.h"
#include "../json.h"

/* pl_change_word - "better", "worse", "same", "mixed". */
const char *pl_change_word(pl_change_state state);

/* pl_json_changes - the object "change". */
void pl_json_changes(pl_json t, const pl_changes *changes, const char *const *against, size_t n);

/* ---- png.c: what the pictures share */

/* What every picture of a change says around it. */
typedef struct {
    const pl_changes *changes; /* verdict and what to do, over the full width */
    const char *title;         /* of the file */
    const char *file, *against, *program;
    bool red;
} pl_change_sheet;

/* pl_change_canvas - a canvas with head and foot on it. */
pl_status pl_change_canvas(const pl_change_sheet *s, int width, int height, pl_canvas **out,
                           pl_err *err);

/* pl_change_write - write what was drawn, unless that failed already; frees the canvas. */
pl_status pl_change_write(pl_status drawn, pl_canvas *c, const pl_change_sheet *s, const char *png,
                          pl_err *err);

/* One line of a list: a hollow dot before, a full one after, with their errors. */
typedef struct {
    const pl_change *change;
    double unit; /* what counts as 1 on the axis */
} pl_change_line;

/* pl_change_list - the lines over one axis, in a box.
 *   title  in  of the axis
 *   limit  in  where what is tolerable ends on it; NaN: nowhere */
void pl_change_list(pl_canvas *c, pl_box box, const pl_change_line *line, size_t n,
                    const char *title, double limit);

/* pl_change_in_words - one thing compared as a sentence, wrapped. Gives: where the next starts, y.
 */
double pl_change_in_words(pl_canvas *c, const pl_change *k, pl_box box);

/* ---- plan.c: a vector before and after, over the frame's edges by name */

typedef struct {
    double length, deg;             /* + = from column 1 and from row 1 */
    double along, across, axis_deg; /* half axes of one standard error, and where the first points;
                                       NaN: not known */
} pl_change_arrow;

typedef struct {
    const char *title, *unit;
    int decimals;
    pl_change_arrow before, after;
    double limit_x, limit_y; /* what may pass along columns and rows; NaN: not known */
    bool straight;           /* a rhombus between these, else an ellipse */
    bool up;                 /* row 1 is the lowest */
} pl_change_plan;

/* pl_change_draw_plan - a heading, then a square as wide as the box. */
void pl_change_draw_plan(pl_canvas *c, pl_box box, const pl_change_plan *plan);

/* pl_field_change_canvas, pl_donut_change_canvas, pl_tilt_change_canvas - as drawn: tests look at
 * their labels. */
pl_status pl_field_change_canvas(const pl_field *after, const pl_change_sheet *s, pl_canvas **out,
                                 pl_err *err);
pl_status pl_donut_change_canvas(const pl_donut *before, const pl_donut *after,
                                 const pl_change_sheet *s, pl_canvas **out, pl_err *err);
pl_status pl_tilt_change_canvas(const pl_surface *before, const pl_tilt *after,
                                const pl_change_sheet *s, pl_canvas **out, pl_err *err);

#endif
