/* SPDX-License-Identifier: GPL-3.0-or-later */
/* donut.h - from fitted donuts to what they say of the collimation. Private to libplumb. */
#ifndef PL_DONUT_H
#define PL_DONUT_H

#include "../align.h"
#include "wavefit.h"

/* ---- ringfit.c */

/* One frame on its way: its rings, the readable ones first, and their fits. */
typedef struct {
    pl_wavefit_stamp stamp;
    pl_wavefit wave;
    bool done;
    pl_status status; /* of the try; why, in err */
    pl_err err;
} pl_fitted;

typedef struct {
    const pl_frame *frame;
    char mosaic[8];
    double gain, saturation;
    pl_ring *ring; /* [rings] */
    size_t rings, fits;
    bool odd;       /* none is a whole ring: a fit holds only if it describes its pixels well */
    pl_fitted *fit; /* [fits] of the first so many rings */
} pl_ringfits;

/* pl_ringfits_open - find a frame's rings.
 *   told  in  facts that outrank the frame's header */
pl_status pl_ringfits_open(const pl_frame *frame, const pl_facts *told, int jobs, pl_ringfits *out,
                           pl_notes *notes, pl_err *err);
void pl_ringfits_clear(pl_ringfits *shot);

/* pl_ringfits_green - whether a pixel is of the colour that is measured. */
bool pl_ringfits_green(const pl_ringfits *s, int x, int y);

/* pl_ringfits_run - cut out and fit ring k < fits.
 *   scope  in  the gain is taken from the frame
 * Threads: different k of one shot, any threads. */
pl_status pl_ringfits_run(pl_ringfits *shot, size_t k, const pl_wavefit_scope *scope,
                          pl_wavefit_kept *kept, pl_err *err);

/* ---- wavefront.c */

/* What a fit says of the telescope: the first PL_WF_SHARED parameters. */
typedef struct {
    double p[PL_WF_SHARED];
    double cov[PL_WF_SHARED][PL_WF_SHARED]; /* 0 on the diagonal: not fitted */
} pl_shared;

pl_shared pl_wavefront_shared(const pl_wavefit *fit);

/* pl_wavefront_flip - the same donut seen as standing on the other side of focus. */
void pl_wavefront_flip(pl_shared *s);

/* pl_wavefront_tell - in the terms of the trade; the seeing is left NaN. */
void pl_wavefront_tell(const pl_shared *s, const pl_optic *optic, bool side_known,
                       pl_wavefront *out);

/* pl_wavefront_centred - coma (um: Noll 7 and 8) had the shadow been held at the centre: what the
 * covariance lets the coma follow the shadow by. */
void pl_wavefront_centred(const pl_shared *s, double *a7, double *a8);

/* ---- mean.c */

/* pl_wavefront_mean - of fits of one telescope, by their covariances; errors grow with the scatter.
 *   s      in   [n], signs of one side
 *   extra  in   [PL_WF_SHARED] variance that each has beside its covariance (the air)
 *   out    out  Noll 4, which differs from star to star, is averaged by itself */
pl_status pl_wavefront_mean(const pl_shared *s, size_t n, const double *extra, pl_shared *out,
                            pl_err *err);

/* ---- turbulence.c */

/* pl_turbulence_variance - of one Zernike coefficient over exposures of that length, um^2.
 *   j           in  Noll's, 4 .. 15
 *   seeing_rad  in  FWHM of the long-exposure air at that wavelength
 *   exposure_s  in  NaN: taken for an instant
 * Formula: Noll 1976's variance of the modes times (D / r0)^(5/3), averaged down at a wind of
 * 10 m/s. */
double pl_turbulence_variance(int j, const pl_optic *optic, double seeing_rad, double exposure_s);

/* ---- side.c */

/* pl_side_by_position - sides of frames taken at several positions of the focuser.
 *   travel_um   in   [n] at the sensor, + = out, from anywhere; NaN: unknown
 *   defocus_um  in   [n] magnitudes
 *   side        out  [n]; untouched when the positions do not settle it
 * Gives: whether they do. */
bool pl_side_by_position(const double *travel_um, const double *defocus_um, size_t n,
                         pl_side *side);

/* pl_side_by_shadow - a Newtonian's secondary sits off centre, away from the focuser.
 *   as_outside   in  the wavefront, signs as if outside
 *   focuser_deg  in  NaN: unknown */
pl_side pl_side_by_shadow(const pl_wavefront *as_outside, double focuser_deg);

/* ---- unroll.c */

enum { PL_UNROLLED = 121 };

/* Radii about the rim's centre against the direction on the sensor. */
typedef struct {
    double deg[PL_UNROLLED];
    double rim_px[PL_UNROLLED], bore_px[PL_UNROLLED]; /* rim and hole, as fitted */
    double still_px[PL_UNROLLED];                     /* the hole, were there no coma */
    double allowed_px;                                /* how far coma within tolerance moves it */
} pl_unrolled;

/* pl_donut_unroll - of a used star. */
void pl_donut_unroll(const pl_donut *donut, const pl_donut_star *star, pl_unrolled *out);

/* ---- collimation.c */

/* pl_collimation_judge - tolerances, the primary's axis and the verdict of a donut whose wavefront
 * is in place. */
pl_status pl_collimation_judge(pl_donut *donut, const pl_optic *optic, pl_err *err);

#endif
