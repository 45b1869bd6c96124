/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sense.h - one exposure's defocus from the widths of its stars over a known focal surface. Private
 * to libplumb.
 *
 * The data are ln FWHM in cells, as in sweep.h; the answer is what the optics room says a fitted
 * profile reads at z - S(x, y). One exposure, or two of which the second stands a known way from
 * the first. */
#ifndef PL_SENSE_H
#define PL_SENSE_H

#include "../sweep/sweep.h"

enum { PL_SENSE_FRAMES = 2, PL_SENSE_STARS = 20 }; /* in a frame, at least */

/* Unknowns. Nothing in here depends on which of the surface's terms are of any size. */
enum {
    PL_SE_Z = 0, /* um, of the first frame */
    PL_SE_TILT_X,
    PL_SE_TILT_Y,
    PL_SE_CURVE,
    PL_SE_REST_X, /* um^2, see pl_surface */
    PL_SE_REST_Y,
    PL_SE_REST_R,
    PL_SE_AIR, /* then [frames] ln um */
    PL_SE_UNKNOWNS = PL_SE_AIR + PL_SENSE_FRAMES
};

/* The data, and what is expected of the unknowns. */
typedef struct {
    size_t frames, cells;
    pl_sweep_cell cell[PL_SENSE_FRAMES * PL_SWEEP_CELLS];
    pl_sizes sizes[PL_SENSE_FRAMES];
    double offset_um[PL_SENSE_FRAMES];   /* added to z */
    double width_mm, height_mm, half_mm; /* of what the surface is told for */
    double known[PL_SE_AIR];             /* of the surface; [PL_SE_Z] is not looked at */
    double whiten[3][3];                 /* turns its first three errors into units */
    double rest_sigma_um2[3];            /* right edge, last row, corners */
    double tie_sigma;                    /* of ln air between the frames */
    double air, air_sigma;               /* ln air expected */
    double near_um; /* places so near to each other are one, whatever their sides */
} pl_sense_model;

/* One fit. */
typedef struct {
    double x[PL_SE_UNKNOWNS];
    double chi2; /* expectations included */
    double cov[PL_SE_UNKNOWNS][PL_SE_UNKNOWNS];
} pl_sense_fit;

/* pl_sense_known - the surface's terms and errors into the model. */
void pl_sense_known(pl_sense_model *m, const pl_surface *surface, double air2_um2);

/* pl_sense_freedom - degrees of freedom of a fit with z free. */
size_t pl_sense_freedom(const pl_sense_model *m);

/* pl_sense_solve - least squares from fit->x.
 *   held  in   z stays
 * Gives: false when there is no minimum; the fit is then as it was. */
bool pl_sense_solve(const pl_sense_model *m, bool held, pl_sense_fit *fit);

/* pl_sense_loosen - chi square that a fit gains when the surface's tilt and curvature may be what
 * they like. */
double pl_sense_loosen(const pl_sense_model *m, const pl_sense_fit *fit);

/* pl_sense_width - median over the field of ln FWHM, um, as one frame's fit reads it. */
double pl_sense_width(const pl_sense_model *m, const double *x, size_t frame, double z_um);

/* pl_sense_cell_width - ln FWHM, um, expected of a cell of the data. */
double pl_sense_cell_width(const pl_sense_model *m, const double *x, size_t cell);

/* What all defoci say together. */
typedef struct {
    pl_sense_fit best;          /* z free */
    double z_um, z_sigma;       /* over what lies on its side of focus, or near it */
    double far_um;              /* |z| that was looked at */
    double size_um, size_sigma; /* |z| of the last frame, over all z */
    double air, air_sigma;      /* its ln air */
    double elsewhere;           /* chance that z lies on the other side, and not near the best */
    double other_side;          /* chi square of the other side less the best one's */
} pl_sense_search;

/* pl_sense_look - all z, on both sides.
 * Gives: false when nothing fits at all. */
bool pl_sense_look(const pl_sense_model *m, double far_um, int jobs, pl_sense_search *out);

#endif
