/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sheet.h - what the sheets of all programs have alike: head, foot, rows of numbers, a frame's
 * outline. Private to `report`. */
#ifndef PL_SHEET_H
#define PL_SHEET_H

#include "canvas.h"

enum { PL_SHEET_MARGIN = 40 };

/* pl_sheet_title - one line over the full width, in smaller letters where it is long. */
void pl_sheet_title(pl_canvas *c, const char *words);

/* pl_sheet_head - the title, below it what to do. */
void pl_sheet_head(pl_canvas *c, const char *title, const char *action);

/* pl_sheet_foot - at the left some words, at the right the program. Takes the words. */
void pl_sheet_foot(pl_canvas *c, pl_string *words, const char *program);

/* pl_sheet_exposures - "a.fits and 2 more   DATE   30 s   280 mm f/3.1", what is known of it. */
void pl_sheet_exposures(pl_string *out, const char *file, size_t frames, const pl_facts *facts);

/* pl_sheet_row - a name at x and its value at the right margin. Gives: where the next stands, y. */
double pl_sheet_row(pl_canvas *c, double x, double y, const char *what, const char *value);

/* pl_sheet_heading - over a hairline to the right margin. Gives: where what is below starts, y. */
double pl_sheet_heading(pl_canvas *c, double x, double y, const char *text);

/* pl_sheet_edges - the names of a frame's edges around its box.
 *   up  in  the last row is at the top */
void pl_sheet_edges(pl_canvas *c, pl_box box, bool up);

/* pl_sheet_frame - the outline of a frame and the names of its edges. */
void pl_sheet_frame(pl_canvas *c, pl_box box, bool top_down);

/* pl_sheet_write - write what was drawn, unless that failed already; frees the canvas. */
pl_status pl_sheet_write(pl_status drawn, pl_canvas *c, const char *png, const pl_chunk *chunk,
                         size_t n, pl_err *err);

#endif
