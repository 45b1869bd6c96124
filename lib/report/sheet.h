/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sheet.h - what the sheets of several programs share: title, rows of numbers, the frame's outline
 * with its edges named, footer. Private to `report`. */
#ifndef PL_SHEET_H
#define PL_SHEET_H

#include "canvas.h"

/* pl_sheet_title - across the top, smaller letters for a long one. */
void pl_sheet_title(pl_canvas *c, double margin, const char *words);

/* pl_sheet_row - a number, right-aligned, and what it is. Gives: where the next row begins. */
double pl_sheet_row(pl_canvas *c, double left, double right, double y, const char *what,
                    const char *value);

/* pl_sheet_frame - the outline of a frame and the names of its edges. */
void pl_sheet_frame(pl_canvas *c, pl_box box, bool top_down);

/* pl_sheet_footer - file, date, exposure, scope; the program at the right. */
void pl_sheet_footer(pl_canvas *c, double margin, const char *file, const pl_facts *facts,
                     const char *program);

#endif
