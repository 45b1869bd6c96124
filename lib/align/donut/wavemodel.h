/* SPDX-License-Identifier: GPL-3.0-or-later */
/* wavemodel.h - the image that a set of fit parameters foretells on a donut's pixels, and its
 * slopes. Private to wavefit.c. */
#ifndef PL_WAVEMODEL_H
#define PL_WAVEMODEL_H

#include "wavefit.h"

enum { PL_WAVEMODEL_TERMS = PL_WF_SHARED - 2 };

typedef struct {
    const pl_wavefit_scope *scope;
    const pl_wavefit_stamp *stamp;
    pl_psf *psf;
    size_t area;
    int terms, term[PL_WAVEMODEL_TERMS]; /* Noll's j */
    double p[PL_WF_N];                   /* the parameters: the caller's to set */
    double *plane;        /* the image of a star of flux 1 [area], then planes of slopes */
    double seen[PL_WF_N]; /* the p that the image was made for */
    bool good;            /* and whether that could be done */
} pl_wavemodel;

pl_status pl_wavemodel_new(const pl_wavefit_scope *scope, const pl_wavefit_stamp *stamp,
                           pl_wavemodel *out, pl_err *err);
void pl_wavemodel_clear(pl_wavemodel *m);

/* pl_wavemodel_compute - the image for p, and on demand its slopes.
 * Gives: false when such a wavefront cannot be computed. */
bool pl_wavemodel_compute(pl_wavemodel *m, bool slopes);

/* pl_wavemodel_at - ADU foretold at pixel i, sky included. */
double pl_wavemodel_at(const pl_wavemodel *m, size_t i);

/* pl_wavemodel_slope - its derivative by one parameter: so many times what is given, [area]. */
const double *pl_wavemodel_slope(const pl_wavemodel *m, int parameter, double *times);

#endif
