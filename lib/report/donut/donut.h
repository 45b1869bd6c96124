/* SPDX-License-Identifier: GPL-3.0-or-later */
/* donut.h - what words, JSON and picture of donuts share. Private to `report`. */
#ifndef PL_DONUT_REPORT_H
#define PL_DONUT_REPORT_H

#include "../canvas.h"

/* pl_side_word - "out", "in", or "" while it is unknown. */
const char *pl_side_word(pl_side side);

/* pl_donut_canvas - the picture as drawn, before it is written: tests look at its labels. */
pl_status pl_donut_canvas(const pl_donut *donut, const char *const *file, bool red, pl_canvas **out,
                          pl_err *err);

#endif
