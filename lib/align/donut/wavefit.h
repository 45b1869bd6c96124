/* SPDX-License-Identifier: GPL-3.0-or-later */
/* wavefit.h - the wavefront behind one donut, by least squares on the physical model. Private.
 *
 * One exposure cannot tell the side of focus: a pupil P with the wavefront W and the mirrored pupil
 * P(-x) with -W(-x) give the very same image. So a fit always speaks as if the star were outside
 * focus. On the other side the even terms (defocus, astigmatism, spherical) and the shadow's offset
 * change their sign; the odd ones (coma, trefoil) and the tilt do not. */
#ifndef PL_WAVEFIT_H
#define PL_WAVEFIT_H

#include "../../optics/optics.h"
#include "../../star/star.h"

/* Parameters of a fit. */
enum {
    PL_WF_WAVE,                                        /* Noll 4, 5 ... in um */
    PL_WF_SHADOW_X = PL_NOLL_LAST - PL_NOLL_FIRST + 1, /* of the secondary, pupil radii */
    PL_WF_SHADOW_Y,
    PL_WF_SHARED,           /* so many belong to the telescope, the rest to the one image */
    PL_WF_X = PL_WF_SHARED, /* frame, px */
    PL_WF_Y,
    PL_WF_LN_SEEING,   /* of the FWHM in um */
    PL_WF_OBSTRUCTION, /* pupil radii; held near what is known of it */
    PL_WF_FLUX,        /* ADU */
    PL_WF_SKY,         /* ADU */
    PL_WF_SKY_X,       /* ADU per stamp's side */
    PL_WF_SKY_Y,
    PL_WF_N
};

/* pl_wavefit_of - index of Noll's j among the parameters. */
static inline int pl_wavefit_of(int j)
{
    return PL_WF_WAVE + j - PL_NOLL_FIRST;
}

/* What a thread's fit leaves to its next one: the object that computed images of that size. Start
 * from { 0 }; free its psf in the end. */
typedef struct {
    pl_psf *psf;
    int size;
} pl_wavefit_kept;

/* What all donuts of one telescope are fitted with. */
typedef struct {
    pl_psf_grid grid;      /* size and oversample are chosen star by star */
    pl_aperture aperture;  /* shadow_x, shadow_y: where the fit starts */
    double seeing_um;      /* where the fit starts */
    double gain;           /* e/ADU */
    int last;              /* Noll's last j fitted, 11 or 15 */
    bool hasty;            /* of many rings: the first start must do */
    pl_wavefit_kept *kept; /* of the same grid; NULL: none */
} pl_wavefit_scope;

/* The pixels around one donut. */
typedef struct {
    int x0, y0, size; /* its square in the frame */
    float *value;     /* [size][size] ADU */
    float *use;       /* [size][size] 1: use, 0: masked */
    double sky_adu, noise_adu;
} pl_wavefit_stamp;

typedef struct {
    double p[PL_WF_N];
    double cov[PL_WF_N][PL_WF_N]; /* photon and read noise; rows of fixed parameters are 0 */
    double chi2;                  /* over degrees of freedom */
    size_t pixels, left_out;      /* used; of those taken for neighbours or hits */
    double snr;                   /* of one pixel where the ring is bright */
    double unexplained; /* what the model misses beyond the noise, part of the ring's light */
    float *model;       /* [size][size] ADU, malloc'd; NULL when the fit failed */
} pl_wavefit;

/* pl_wavefit_run - fit one donut.
 *   start  in   x, y (px), outer diameter (px), flux (ADU)
 *   out    out  whole, or untouched; free with pl_wavefit_clear
 * Gives: PL_ENODATA when no start leads to a fit that describes the pixels, PL_EARG when the image
 * is too wide to be computed. */
typedef struct {
    double x_px, y_px, outer_px, flux_adu;
} pl_wavefit_start;

pl_status pl_wavefit_run(const pl_wavefit_scope *scope, const pl_wavefit_stamp *stamp,
                         const pl_wavefit_start *start, pl_wavefit *out, pl_err *err);
void pl_wavefit_clear(pl_wavefit *wave);

#endif
