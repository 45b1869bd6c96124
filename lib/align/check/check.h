/* SPDX-License-Identifier: GPL-3.0-or-later */
/* check.h - one exposure between others: focus, air, tracking or cloud; shoot on or refocus.
 * Private to libplumb. */
#ifndef PL_CHECK_H
#define PL_CHECK_H

#include "../align.h"

/* pl_check_judge - the verdict of a check whose numbers are in place. */
void pl_check_judge(pl_check *check);

/* pl_check_side - "in" or "out": where the sensor stands too far, beyond doubt; else "". */
const char *pl_check_side(const pl_sense *sense);

/* pl_check_costs - drift_cost_s and refocus_cost_s, by drift_um_h. */
void pl_check_costs(pl_check *check, const pl_check_options *options);

/* ---- check.c */

/* pl_check_light - typical light of the 5th to the 20th brightest star, ADU a second: mean of
 * logarithms. They are the same stars all night. NaN: fewer, or no exposure time. */
double pl_check_light(const pl_field *field);

#endif
