/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sweep.h - what words, JSON and picture of a series through focus share. Private to
 * `report`. */
#ifndef PL_SWEEP_REPORT_H
#define PL_SWEEP_REPORT_H

#include "../canvas.h"

/* pl_sweep_says - "best focus at 5003.2 +- 0.9 steps; from the last frame: 31 steps in". */
void pl_sweep_says(const pl_sweep *sweep, pl_string *out);

/* pl_sweep_position - "5003.2 +- 0.9", with as many digits as a person needs. */
void pl_sweep_position(const pl_sweep *sweep, pl_string *out);

/* pl_sweep_moves - the way from the last frame to best focus, in what the hand or motor counts:
 * "31 steps in", "out 57 steps, then in 26" (backlash taken up), "an eighth of a turn inward". */
void pl_sweep_moves(const pl_sweep *sweep, pl_string *out);

/* pl_sweep_verdict - the sweep's, what it leaves unsaid filled in. */
pl_verdict pl_sweep_verdict(const pl_sweep *sweep);

/* pl_sweep_against - a departure against what is allowed, with two sigma in hand. */
pl_state pl_sweep_against(double departure, double sigma, double allowed);

/* pl_sweep_tilt_state, pl_sweep_bend_state - of the sensor's tilt, and of the focal surface's
 * curvature: half of either is what the best compromise leaves at the worst corner. */
pl_state pl_sweep_tilt_state(const pl_sweep *sweep);
pl_state pl_sweep_bend_state(const pl_sweep *sweep);

/* pl_sweep_has_surface - tilt was measured; the curvature may be unknown. */
bool pl_sweep_has_surface(const pl_sweep *sweep);

/* pl_sweep_next - what to do about collimation, spacing, tilt and focus: a sentence each, in that
 * order.
 *   step  in  [0, PL_SWEEP_STEPS) */
enum { PL_SWEEP_STEPS = 4 };
void pl_sweep_next(const pl_sweep *sweep, int step, pl_string *out);

/* pl_sweep_map - best focus over the sensor, as lines in um, in a box of the picture: the frame,
 * its edges named, what lies within the zone shaded. */
void pl_sweep_map(pl_canvas *c, const pl_sweep *sweep, pl_box room);

/* pl_sweep_curve - FWHM against the focuser's position, in a box of the picture. */
void pl_sweep_curve(pl_canvas *c, const pl_sweep *sweep, pl_box room);

/* pl_sweep_canvas - the picture as drawn, before it is written: tests look at its labels. */
pl_status pl_sweep_canvas(const pl_sweep *sweep, const char *const *file, bool red, pl_canvas **out,
                          pl_err *err);

#endif
