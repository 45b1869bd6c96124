/* SPDX-License-Identifier: GPL-3.0-or-later */
/* laser.h - what words, JSON and picture of a laser share. Private to `report`. */
#ifndef PL_LASER_REPORT_H
#define PL_LASER_REPORT_H

#include "../canvas.h"

/* pl_span_words - "3.21 +- 0.12", or "0.0 to 5.1" where one distance leaves it open. */
pl_digits pl_span_words(const pl_laser_span *span, double unit);

/* pl_span_with - the same with its unit behind; "more than is computed" where most is NaN. */
pl_digits pl_span_with(const pl_laser_span *span, double unit, const char *name);

/* pl_span_told - least and most are one. */
bool pl_span_told(const pl_laser_span *span);

/* pl_laser_canvas - the picture as drawn, before it is written: tests look at its labels. */
pl_status pl_laser_canvas(const pl_laser *laser, const char *file, bool red, pl_canvas **out,
                          pl_err *err);

#endif
