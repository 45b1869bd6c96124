/* SPDX-License-Identifier: GPL-3.0-or-later */
/* laser.h - the parts of plumb-laser's answer. Private to libplumb. */
#ifndef PL_LASER_H
#define PL_LASER_H

#include "../align.h"

/* ---- circle.c */

/* pl_laser_fit - the circles of one or two sheets.
 *   clockwise  out  which way the spot runs
 * Gives: PL_ENODATA where the laser was hardly turned. */
pl_status pl_laser_fit(const pl_laser_sheets *sheets, const pl_laser_options *options,
                       pl_laser_circle *out, bool *clockwise, pl_err *err);

/* pl_laser_no_circle - one of which nothing is known. */
pl_laser_circle pl_laser_no_circle(void);

/* ---- fold.c */

/* A Newtonian, its laser's holder, and a lens on the holder's face. */
typedef struct {
    double focal_mm;    /* the primary's own */
    double to_focus_mm; /* from where the axes cross, on the flat, to the primary's focus */
    double offset_mm;   /* of the flat's middle, away from the focuser and towards the primary */
    double behind_mm;   /* from the holder's face to the focus */
    double lens_mm;     /* focal length of the diverging lens */
} pl_fold;

/* What an alignment leaves: where each pair of numbers begins, across the fold and along it. */
enum {
    PL_LEFT_FOCUSER = 0, /* the focuser's axis on the primary, from the centre, mm */
    PL_LEFT_AXIS = 2,    /* the primary's axis in the plane of its focus, from the focuser's, mm */
    PL_LEFT_TILT = 4,    /* of the primary's axis there against the focuser's, rad */
    PL_LEFT_SPREAD_AXIS = 6, /* both with the diverging lens */
    PL_LEFT_SPREAD_TILT = 8,
    PL_LEFT = 10
};

/* The beam at the holder's face: decentre (mm) and tilt (rad), both across the fold, then along. */
enum { PL_BEAM_X, PL_BEAM_Y, PL_BEAM_TILT_X, PL_BEAM_TILT_Y, PL_BEAM };

/* pl_fold_trace - align with this beam, and look.
 * Gives: false, and `left` untouched, for a beam that leads to no primary. */
bool pl_fold_trace(const pl_fold *fold, const double beam[PL_BEAM], double left[PL_LEFT]);

/* ---- beam.c */

/* A beam that fits the marks; its covariance. */
typedef struct {
    double at[PL_BEAM], cov[PL_BEAM][PL_BEAM];
} pl_laser_beam;

/* pl_laser_beams - from the circles; sets tilt, decentre and play.
 * Gives: how many: with one distance 2, all of it decentre, or all of it tilt. */
size_t pl_laser_beams(pl_laser *l, pl_laser_beam out[2]);

#define PL_SPAN_UNKNOWN ((pl_laser_span){ NAN, NAN, NAN })

/* pl_span_cover - wide enough for one value more. */
pl_laser_span pl_span_cover(pl_laser_span s, double value, double sigma);

/* pl_reach - how far the one-sigma ellipse reaches beyond the length of a vector. */
double pl_reach(double x, double y, double xx, double xy, double yy);

/* ---- left.c */

/* pl_laser_leave - what an alignment leaves, from the circles. */
pl_status pl_laser_leave(pl_laser *l, pl_err *err);

/* ---- advice.c */

/* pl_laser_advise - advice and verdict of a laser whose numbers are in place. */
void pl_laser_advise(pl_laser *l);

#endif
