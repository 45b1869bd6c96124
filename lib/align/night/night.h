/* SPDX-License-Identifier: GPL-3.0-or-later */
/* night.h - the parts of a night's sum. Private to libplumb.
 *
 * Each part fills its fields of pl_night from exposures in order of time. */
#ifndef PL_NIGHT_H
#define PL_NIGHT_H

#include "../align.h"

/* pl_sub_blank - one more exposure of which nothing is known yet.
 * Gives: borrowed, good until the next one; NULL, and subs as they were, when memory is short. */
pl_sub *pl_sub_blank(pl_subs *subs, const char *file, pl_err *err);

/* pl_sub_trust - forget what an exposure says of focus and air unless a saved focal surface told
 * it, and its stars are as that surface lets them be: without one, width is all there is. known,
 * fits  in  the surface */
void pl_sub_trust(pl_sub *sub, bool known, bool fits);

/* pl_night_moves - refocusings, and the stretches between them. */
pl_status pl_night_moves(pl_night *night, pl_err *err);

/* pl_night_focus - what moves best focus, and how fast: thermal, flexure, lag, drift, cadence.
 * What cannot be told is NaN. */
pl_status pl_night_focus(pl_night *night, pl_err *err);

/* What is usual for exposures of the same object, filter and exposure time; NaN: too few of them.
 */
typedef struct {
    double in_focus_px, noise_adu, airmass, trails; /* medians */
    double light, by_count;                         /* upper quartiles of pl_sub_light.. */
    double light_scatter, by_count_scatter;         /* of one exposure, as a fraction */
} pl_usual;

/* pl_night_usual
 *   out  out  [subs] malloc'd, for each exposure what is usual of its kind */
pl_status pl_night_usual(const pl_night *night, pl_usual **out, pl_err *err);

/* Of one exposure: the width that would be left in focus; the light of a bright star, the air's own
 * share given back; the same, up to a factor, as far as the number of stars tells it. */
double pl_sub_in_focus_px(const pl_sub *sub);
double pl_sub_light(const pl_sub *sub);
double pl_sub_light_by_count(const pl_sub *sub);

/* pl_night_grade - worth, grade and reason of each exposure. */
pl_status pl_night_grade(pl_night *night, pl_err *err);

/* pl_night_judge - the verdict, and what to do next time. */
void pl_night_judge(pl_night *night);

/* A robust straight fit of y against columns of x, an offset for each group. */
enum { PL_LINES_MAX = 3 };
typedef struct {
    size_t n, columns, groups;
    double *y, *sigma, *x[PL_LINES_MAX];
    size_t *group;              /* [n], below `groups` */
    double prior[PL_LINES_MAX]; /* sigma of a coefficient around 0 before looking; INFINITY: none */
} pl_lines;

typedef struct {
    double slope[PL_LINES_MAX], sigma[PL_LINES_MAX];
    double misfit; /* sum of squared residuals over their errors, each at most 16 */
} pl_lines_fit;

pl_status pl_lines_new(size_t n, pl_lines *out, pl_err *err);
void pl_lines_free(pl_lines *lines);

/* pl_lines_solve
 * Gives: PL_ENODATA when there are too few values, PL_EARG when they do not determine the slopes.
 */
pl_status pl_lines_solve(const pl_lines *lines, pl_lines_fit *out, pl_err *err);

#endif
