/* SPDX-License-Identifier: GPL-3.0-or-later */
/* night.h - what words, JSON and picture of a night share. Private to `report`. */
#ifndef PL_NIGHT_REPORT_H
#define PL_NIGHT_REPORT_H

#include "../canvas.h"

const char *pl_grade_word(pl_grade grade); /* "keep", "doubtful", "drop" */

/* pl_night_clock - "21:07" of a time, UTC; "-" when it is unknown. */
pl_digits pl_night_clock(double time_s);

/* pl_night_coefficient - best focus against temperature; pl_night_thermal - and what it is not. */
void pl_night_coefficient(const pl_night *night, pl_string *out);
void pl_night_thermal(const pl_night *night, pl_string *out);

/* pl_night_drift - how focus drifts when left alone, and how often to refocus. */
void pl_night_drift(const pl_night *night, pl_string *out);

/* pl_night_left - when focus left the zone, and what it cost. */
void pl_night_left(const pl_night *night, pl_string *out);

/* pl_night_air - seeing, and how much of its change standing low explains. */
void pl_night_air(const pl_night *night, pl_string *out);

/* pl_night_shape - what can and cannot be told of roundness and width. */
void pl_night_shape(const pl_night *night, pl_string *out);

/* pl_night_canvas - the picture as drawn, before it is written: tests look at its labels. */
pl_status pl_night_canvas(const pl_night *night, bool red, pl_canvas **out, pl_err *err);

#endif
