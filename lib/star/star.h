/* SPDX-License-Identifier: GPL-3.0-or-later */
/* star.h - find stars, measure one star. Private to libplumb. */
#ifndef PL_STAR_H
#define PL_STAR_H

#include "../frame/frame.h"

/* ---- detect.c */

/* One bump above the sky. */
typedef struct {
    double x_px, y_px;
    float score;  /* matched-filter signal to noise at the best of the scales */
    int scale;    /* 0..2: filter of FWHM about 3, 6, 12 px */
} pl_bump;

/* pl_detect - matched filter at three octaves on the frame binned 2 x 2 (a colour mosaic turns grey
 * there), local maxima above `limit` sigma, one bump for each object.
 *   limit  in   in units of the filtered map's own noise
 *   bump   out  [n] malloc'd, brightest first
 * Same input, same list on any number of threads. */
pl_status pl_detect(const pl_frame *frame, const pl_sky *sky, double limit, int jobs,
                    pl_bump **bump, size_t *n, pl_err *err);

/* ---- stamp.c */

enum { PL_STAMP_MAX = 97 };

/* pl_stamp - the pixels around one star that a fit may use. */
typedef struct {
    int x0, y0, w, h;   /* its place in the frame */
    double sky;         /* level from the mesh, ADU */
    double var;         /* variance of one pixel of empty sky, ADU^2 */
    double gain;        /* e/ADU; photon noise of the star is flux / gain */
    double share;       /* fraction of the pixels inside that belong to the colour measured */
    float value[PL_STAMP_MAX * PL_STAMP_MAX]; /* [h][w] ADU */
    float use[PL_STAMP_MAX * PL_STAMP_MAX];   /* [h][w] 1: use, 0: masked */
} pl_stamp;

/* ---- moffat.c */

enum { PL_MF_FLUX, PL_MF_X, PL_MF_Y, PL_MF_SIZE, PL_MF_ETA1, PL_MF_ETA2, PL_MF_SKY, PL_MF_INVBETA,
       PL_MF_N };

/* pl_moffat - elliptical Moffat profile (Moffat 1969) integrated over square pixels, plus a constant:
 *   I = flux (beta - 1) k / (pi h^2) (1 + k u)^-beta,  k = 2^(1/beta) - 1,
 *   u = 1 on the half-maximum ellipse, whose half axes are h e^(+-eta), eta = hypot(eta1, eta2),
 *   major axis at half of atan2(eta2, eta1).
 * size = ln h. Both size and eta are free of bounds; 1/beta -> 0 is a Gaussian. */
typedef struct {
    double p[PL_MF_N];
    double cov[PL_MF_N][PL_MF_N]; /* rows of fixed parameters are 0 */
    double chi2;                  /* over degrees of freedom */
    double unit_info;             /* sum of (unit-flux model)^2 / variance: 1 / sigma_flux^2 */
    int pixels;
    bool converged;
} pl_moffat;

/* pl_moffat_fit - maximum likelihood by Levenberg-Marquardt, variances from the model itself.
 *   fit        inout  the start; then the answer, positions in frame pixels
 *   free_beta  in     also fit 1 / beta
 * Gives: false when it does not converge (fit holds the last try, converged = false). */
bool pl_moffat_fit(const pl_stamp *stamp, bool free_beta, pl_moffat *fit);

/* pl_moffat_model - the fitted profile without its sky on the stamp's pixels.
 *   model  out  [h][w] ADU */
void pl_moffat_model(const pl_stamp *stamp, const pl_moffat *fit, float *model);

/* ---- leftover.c: what the symmetric profile leaves: third and fourth moments, half-flux diameter */

void pl_leftover_measure(const pl_stamp *stamp, const pl_moffat *fit, const float *model,
                         pl_star *star);

/* ---- measure.c */

typedef struct {
    pl_star *star;      /* [stars] used ones first, by flux */
    size_t stars, used, found, fitted;
    size_t kind[PL_KINDS];
    double beta;        /* of the frame */
    char mosaic[8];
    double sky_adu, noise_adu;
} pl_stars;

/* pl_stars_measure - all of the star room: sky, bumps, shapes.
 *   facts  in   merged facts of this frame (gain, saturation, mosaic)
 *   best   in   fit at most so many, spread over the field; 0: all */
pl_status pl_stars_measure(const pl_frame *frame, const pl_facts *facts, size_t best, int jobs,
                           pl_stars *out, pl_notes *notes, pl_err *err);
void pl_stars_clear(pl_stars *stars);

#endif
