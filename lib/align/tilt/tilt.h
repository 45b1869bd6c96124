/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tilt.h - the parts of plumb-tilt's answer. Private to libplumb. */
#ifndef PL_TILT_H
#define PL_TILT_H

#include "../../base/base.h"

/* ---- zone.c */

typedef struct {
    double growth, seeing_arcsec, allowed_um; /* as in pl_tilt */
} pl_tilt_zone;

/* pl_tilt_zone_of - the defocus that may be spent; all it rests on by default is noted. */
pl_status pl_tilt_zone_of(const pl_surface *s, const pl_facts *facts,
                          const pl_tilt_options *options, pl_tilt_zone *out, pl_notes *notes,
                          pl_err *err);

/* pl_tilt_stands_out - more than noise gives once in a hundred. Errors that are not known count as
 * none. */
bool pl_tilt_stands_out(const pl_surface *s);

/* pl_tilt_state - a tilt of so much across, against what may pass. */
pl_state pl_tilt_state(const pl_surface *s, const pl_surface_told *told, double allowed_um);

/* ---- plate.c */

/* pl_plate_known - whether it is known where the frame's edges are as seen from behind. */
bool pl_plate_known(const pl_screws *plate);

/* pl_plate_solve - what each screw has to do, and what rounding leaves; shims in any case. Reads
 * surface, told, allowed_um and plate. */
void pl_plate_solve(pl_tilt *t);

/* pl_plate_lever_um - how far the plate must move at a screw's distance, towards the slope. */
double pl_plate_lever_um(const pl_tilt *t);

/* pl_plate_say - "1/16 turn clockwise", "1/16 turn (towards you)", "62 um away from you", "leave".
 */
void pl_plate_say(const pl_tilt *t, size_t screw, char *out, size_t size);

/* pl_part_say - "3/8", "1 1/4", "0" of a whole number of n-ths. */
void pl_part_say(double turns, int part, char *out, size_t size);

/* ---- words.c */

/* pl_tilt_acts - whether screws or shims are to be told: the tilt is too large, or may be. */
bool pl_tilt_acts(const pl_tilt *t);

/* pl_tilt_amount - "46.0 +- 4.2 um": the tilt from corner to corner. */
void pl_tilt_amount(const pl_surface_told *told, char *out, size_t size);

/* pl_tilt_words - the verdict's text and action; state and cause are in place. */
void pl_tilt_words(pl_tilt *t);

#endif
