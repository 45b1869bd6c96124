/* SPDX-License-Identifier: GPL-3.0-or-later */
/* turn.h - what words, JSON and picture of turns share. Private to `report`. */
#ifndef PL_TURN_REPORT_H
#define PL_TURN_REPORT_H

#include "../canvas.h"

/* pl_turn_unit - "mm", or "um/mm" of a tilt. */
const char *pl_turn_unit(const pl_turns *turns);

/* pl_turn_what - "axis" or "tilt": what a turn moves. */
const char *pl_turn_what(const pl_turns *turns);

/* pl_turn_behind - what the person stands behind: "the mirror cell", "the camera", "the screws". */
const char *pl_turn_behind(const pl_turns *turns);

/* pl_turn_words - "3/8 clockwise", "-" for none. */
pl_digits pl_turn_words(double turn);

/* pl_clock - a direction as on a clock's face, to the half hour: "12 o'clock", "half past 4". */
pl_digits pl_clock(double deg);

/* pl_turn_canvas - the picture as drawn, before it is written: tests look at its labels. */
pl_status pl_turn_canvas(const pl_turns *turns, const char *file, bool red, pl_canvas **out,
                         pl_err *err);

#endif
