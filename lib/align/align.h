/* SPDX-License-Identifier: GPL-3.0-or-later */
/* align.h - from many stars to what the field says. Private to libplumb. */
#ifndef PL_ALIGN_H
#define PL_ALIGN_H

#include "../star/star.h"

#define PL_DEFAULT_GROWTH                                                                          \
    0.05 /* of FWHM that faults may cost, untold; common practice, no source */

#define PL_DEFAULT_ECCENTRICITY 0.42 /* of the typical star, untold; common practice, no source */

#define PL_W131_PER_A8                                                                             \
    8.485281374238571 /* coma, centre to rim, for each of Noll's (1976) RMS: 3 sqrt 8 */

/* ---- toward.c */

/* pl_toward - a direction in words: "towards the last column and row 1".
 * `deg` runs from +x (the last column) to +y (the last row). */
const char *pl_toward(double deg);

/* ---- turns.c */

typedef struct {
    char s[80];
} pl_phrase;

/* pl_turns_words - the size of a turn in eighths: "an eighth of a turn", "half a turn", "2 3/8
 * turns", "a hair (1/16 of a turn)"; what is less, in degrees: "a hair (7 degrees)". "-" for NaN.
 */
pl_phrase pl_turns_words(double turns);

/* ---- move.c */

/* pl_move_steps - whole steps of the motor: "31 steps in", or "out 57 steps, then in 26 to take up
 * the play".
 *   travel    in   steps, + = out
 *   slack     in   steps of play; NaN: unknown
 *   approach  in   "in", "out": the way of the last move; "": either
 *   named     in   say the way also where it is plain */
void pl_move_steps(double travel, double slack, const char *approach, bool named, char *out,
                   size_t size);

/* pl_move_say - "14 steps", "in 30 steps, then out 16 to take up the play", "an eighth of a turn of
 * the knob", both, or "" where neither a step nor a turn is known. */
void pl_move_say(const pl_travel *move, const pl_facts *facts, char *out, size_t size);

/* ---- centre.c */

/* pl_sensor_centre - the whole sensor's middle for a sub-frame whose place is known, else the
 * frame's. Gives: whether it is another than the frame's. */
bool pl_sensor_centre(const pl_facts *facts, int width_px, int height_px, double *x_px,
                      double *y_px);

/* ---- cells.c */

/* pl_cells_cut - cut the field into cells of about equal star count and average each.
 *   star   in   [n] used stars
 *   cell   out  [cells] malloc'd */
pl_status pl_cells_cut(const pl_star *star, size_t n, const pl_field *field, pl_cell **cell,
                       size_t *cells, pl_err *err);

/* ---- pattern.c */

/* Two components and their covariance. */
typedef struct {
    double x, y, xx, xy, yy;
} pl_vector;

enum { PL_PATTERN_STARS = 20 }; /* fewest that may tell a pattern */

/* pl_patterns_fit - the six patterns over the field, amplitudes with errors; meanings are left to
 * the verdict.
 *   star  in   [n] used stars
 *   out   out  all NaN when n < PL_PATTERN_STARS
 *   bowl, bowl_sigma  out  growth of ln FWHM with the squared radius, at the corner
 *   comatic, comatic_sigma  out  flare that grows outward from the centre, at the corner (+:
 * outward)
 *   vector  out  the components of those that have an angle (times their spin)
 *   unturned, unturned_outward, unturned_sigma  out  even and outward stretch had no turning been
 * told */
typedef struct {
    pl_pattern p[PL_PATTERNS];
    pl_vector vector[PL_PATTERNS], unturned;
    double unturned_outward, unturned_sigma;
    double bowl, bowl_sigma;
    double comatic, comatic_sigma;
} pl_pattern_fit;

/* Where the patterns are centred, and what counts as the corner: the frame's, or for a sub-frame
 * whose place is known the whole sensor's centre and the frame's half diagonal. */
typedef struct {
    double x_px, y_px, radius_px;
} pl_view;

pl_status pl_patterns_fit(const pl_star *star, size_t n, const pl_view *view, pl_pattern_fit *out,
                          pl_err *err);

/* ---- verdict.c */

/* pl_field_judge - tolerances, meanings and the verdict of a field whose numbers are in place. */
void pl_field_judge(pl_field *field, const pl_pattern_fit *fit);

#endif
