/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tilt.h - what words, JSON and picture of a tilt share. Private to `report`. */
#ifndef PL_TILT_REPORT_H
#define PL_TILT_REPORT_H

#include "../canvas.h"

/* pl_hand_where - "right", "upper right", "up" ...: a direction as the hand finds it, in degrees
 * counter-clockwise from the right. */
const char *pl_hand_where(double deg);

/* pl_tilt_by_hand - "1/8 clockwise", "1/16 (it goes in)", "leave", "-": for a column whose head
 * says that these are turns. */
void pl_tilt_by_hand(const pl_tilt *tilt, size_t screw, char *out, size_t size);

/* pl_tilt_rests - "growth", air and depth of focus that a verdict rests on, in a line; "" when
 * there is none. */
void pl_tilt_rests(double growth, double seeing_arcsec, double allowed_um, pl_string *out);

/* pl_tilt_canvas - the picture as drawn, before it is written: tests look at its labels. */
pl_status pl_tilt_canvas(const pl_tilt *tilt, const char *file, bool red, pl_canvas **out,
                         pl_err *err);

#endif
