/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plan.h - the plan of plate and sensor, as the person behind the camera sees them. Private to
 * `report`. */
#ifndef PL_TILT_PLAN_H
#define PL_TILT_PLAN_H

#include "../canvas.h"

/* pl_tilt_plan - drawn inside the box. Where the frame's edges are not known as the hand finds
 * them, the frame as it is stored, first row at the bottom, and no screws. */
void pl_tilt_plan(pl_canvas *c, const pl_tilt *tilt, pl_box box);

#endif
