/* SPDX-License-Identifier: GPL-3.0-or-later */
/* surface.h - a focal surface as a list of named numbers: the keys of [surface] in a profile and of
 * `surface` in JSON. Private to libplumb. */
#ifndef PL_SURFACE_H
#define PL_SURFACE_H

#include "../../base/base.h"

/* The numbers, in the order in which they are written. */
enum {
    PL_SN_TILT_X = 0,
    PL_SN_TILT_X_SIGMA,
    PL_SN_TILT_Y,
    PL_SN_TILT_Y_SIGMA,
    PL_SN_CURVATURE,
    PL_SN_CURVATURE_SIGMA,
    PL_SN_XY, /* correlations */
    PL_SN_XC,
    PL_SN_YC,
    PL_SN_WIDTH_MM,
    PL_SN_HEIGHT_MM,
    PL_SN_WIDTH_PX,
    PL_SN_HEIGHT_PX,
    PL_SN_PIXEL,
    PL_SN_BINNING,
    PL_SN_FOCAL,
    PL_SN_BLUR,
    PL_SN_BLUR_SIGMA,
    PL_SN_REST_X,
    PL_SN_REST_X_SIGMA,
    PL_SN_REST_Y,
    PL_SN_REST_Y_SIGMA,
    PL_SN_REST_CORNER,
    PL_SN_REST_CORNER_SIGMA,
    PL_SN_SEEING,
    PL_SN_LAMBDA,
    PL_SN_STEPS,
    PL_SN_STEPS_SIGMA,
    PL_SN_TEMPERATURE,
    PL_SURFACE_NUMBERS
};

typedef struct {
    const char *key;
    double lo, hi; /* allowed */
} pl_surface_key;

/* pl_surface_keys - [PL_SURFACE_NUMBERS], static storage. The date, a text, comes after them. */
const pl_surface_key *pl_surface_keys(void);

/* pl_surface_to_numbers - and back; covariances as errors and correlations. */
void pl_surface_to_numbers(const pl_surface *s, double v[PL_SURFACE_NUMBERS]);

/* pl_surface_from_numbers - `v` within the ranges or NaN; the date is left alone.
 * Gives: PL_EFORMAT when a number is missing without which there is no surface, or the
 * correlations contradict each other. */
pl_status pl_surface_from_numbers(const double v[PL_SURFACE_NUMBERS], pl_surface *s, pl_err *err);

#endif
