/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb.h - the one public header of libplumb: measure how sharp, how round, how square and how
 * well collimated a telescope's frames are.
 *
 * The way through the house is frame -> star -> align -> report, with optics (pure physics) beside
 * it and base under everything. The library's manual are this file and the parts it includes, a
 * subject each, in this order.
 *
 * Conventions
 *   Units are in the names: _px _um _mm _arcsec _deg _adu _e _s _c _steps _turns.
 *   Inside the library the first pixel's centre is (0, 0), x along NAXIS1, y along NAXIS2 in file
 *   order. What a person or another program reads is FITS's (1, 1): `report` adds the one.
 *   Angles run from +x towards +y; an axis lies in [0, 180), a direction in [0, 360).
 *   A number that could not be measured is NaN, never 0. A sigma is one standard deviation.
 *   Functions that can fail give a pl_status and leave their outputs untouched on failure; the
 *   reason in words goes to the caller's pl_err, which may be NULL.
 *   One object belongs to one thread at a time; different objects may be used by any threads.
 *   The library prints nothing, never exits, reads no environment and keeps no changing state, but
 *   for the count of pl_memory_shortages and its threads: those that `jobs` asked for stay asleep
 *   until the process ends, with all signals blocked. A child of fork starts its own.
 *   GSL's default error handler aborts the program: call gsl_set_error_handler_off() before
 *   using libplumb, as plumb's own programs do; and see pl_malloc. */
#ifndef PLUMB_H
#define PLUMB_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define PL_VERSION "0.1.0"

#ifdef __cplusplus
extern "C" {
#endif

#include "plumb/base.h"
#include "plumb/optics.h"
#include "plumb/zone.h"
#include "plumb/sim.h"
#include "plumb/frame.h"
#include "plumb/star.h"
#include "plumb/verdict.h"
#include "plumb/field.h"
#include "plumb/donut.h"
#include "plumb/surface.h"
#include "plumb/tilt.h"
#include "plumb/change.h"
#include "plumb/turn.h"
#include "plumb/laser.h"
#include "plumb/sweep.h"
#include "plumb/check.h"
#include "plumb/night.h"
#include "plumb/watch.h"

#ifdef __cplusplus
}
#endif
#endif
