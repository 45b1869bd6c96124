/* SPDX-License-Identifier: GPL-3.0-or-later */
/* work.h - one run of plumb-donut on its way: scope.c (what is known of the telescope),
 * find.c (rings and fits), combine.c (their mean), donut.c (the answer). Private to them. */
#ifndef PL_DONUTWORK_H
#define PL_DONUTWORK_H

#include "donut.h"

enum { PL_DONUT_FRAMES = 64 };

typedef struct {
    pl_donut d;
    const pl_donut_options *options;
    pl_optic optic;
    double pixel_um, focal_mm;
    pl_ringfits shot[PL_DONUT_FRAMES];
    pl_wavefit_scope scope;
    pl_side side[PL_DONUT_FRAMES]; /* of each frame; as if the first stood outside while unknown */
    double field_coma; /* um of Noll 8 and 7 for each mm from the middle; 0: none to be seen */
    int jobs;
} pl_donut_work;

/* ---- scope.c */

pl_status pl_donut_scope_facts(pl_donut_work *w, pl_err *err);

/* pl_donut_scope_settle - wavelength, obstruction, vanes: what the fits start from. Needs rings. */
void pl_donut_scope_settle(pl_donut_work *w);

double pl_donut_um_per_arcsec(const pl_donut_work *w);

/* ---- find.c */

/* pl_donut_find - open the frames' rings and fit them.
 * Gives: PL_ENODATA when none can be read: what is there instead, and what would help. */
pl_status pl_donut_find(pl_donut_work *w, const pl_frame *const *frame, pl_err *err);

/* ---- fieldcoma.c */

/* pl_donut_place - where a star stands, mm from the sensor's middle. */
void pl_donut_place(const pl_donut_work *w, const pl_wavefit *fit, double *x_mm, double *y_mm);

/* pl_donut_field_coma - sets field_coma, or place_coma_nm of the answer. */
pl_status pl_donut_field_coma(pl_donut_work *w, pl_err *err);

/* ---- combine.c */

/* pl_donut_as_outside - a fit's parameters, signs as if outside, errors widened by its misfit, coma
 * less what the field has there. */
pl_shared pl_donut_as_outside(const pl_donut_work *w, const pl_fitted *fit);

void pl_donut_tell_seeing(const pl_donut_work *w, const pl_wavefit *fit, pl_wavefront *out);

/* pl_donut_mean - the mean of all fits, into w->d: wave, side, centred_coma_nm, air_coma_nm. */
pl_status pl_donut_mean(pl_donut_work *w, pl_err *err);

#endif
