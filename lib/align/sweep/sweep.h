/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sweep.h - a series through focus, from stars to best focus and focal surface. Private to
 * libplumb.
 *
 * The data are ln FWHM in cells of each frame; the answer is what the optics room says a fitted
 * profile reads of a star at the cell's defocus in the frame's air (pl_sizing). Cells lie on the
 * sensor, as the focal surface does, so stars need not be matched between frames: a series may be
 * dithered, drift or turn. Every frame has an air of its own, drawn towards the series' typical one
 * as strongly as the frames themselves show. */
#ifndef PL_SWEEP_H
#define PL_SWEEP_H

#include "../../optics/optics.h"
#include "../align.h"

enum { PL_SWEEP_FRAMES = 200, PL_SWEEP_CELLS = 48 }; /* most, and most in a frame */

/* Part of a slope by which the optics' answer may be off: test_sizing.c allows widths 0.5 %. Of the
 * blur's scale; what it does to the rest of the answer sweep.c finds. */
#define PL_SWEEP_MODEL 0.007

typedef struct {
    size_t frame;
    double x_mm, y_mm;     /* from the sensor's middle */
    double ln_fwhm, sigma; /* um; mean of its stars */
    size_t stars;
} pl_sweep_cell;

/* How the brightness of a frame's stars enters their fitted widths. */
typedef struct {
    pl_brights table;
    double sky_adu; /* peak whose photons are as noisy as the sky */
    double typical; /* peak over that, of the stars that weigh most */
} pl_sweep_light;

/* What is asked for while the series is worked on. */
typedef struct {
    const pl_field *field; /* [frames]; borrowed */
    size_t frames;
    int jobs;
    const pl_sweep_options *options;
    pl_sweep s; /* the answer so far */
    pl_optic optic;
    double focal_mm, pixel_um, width_mm, height_mm, half_mm; /* half: of the diagonal */
    double carried, outward, step_um;                        /* step_um NaN: unknown */
    pl_sizing *sizing;
    pl_sizes *sizes;       /* [frames] */
    pl_sweep_light *light; /* [frames] */
    pl_sweep_cell *cell;   /* [cells], by frame */
    size_t cells;
    double *at_um; /* [frames] focuser's number as travel at the sensor, + = out, from their mean;
                      with an unknown step one um each. NULL without positions */
    double mean_steps, sharpest_um; /* FWHM of the sharpest cell */
    bool by_order; /* without positions: the order of the frames told their sides of focus */
} pl_sweep_work;

/* ---- cells.c */

/* pl_sweep_light_of - all but the table. */
pl_sweep_light pl_sweep_light_of(const pl_field *field);

/* pl_sweep_cut - one frame's stars in cells of about equal count.
 *   value_px, sigma_px  in  offsets in pl_star of the width and its error
 *   light  in   all widths are brought to its typical brightness; NULL: left as they are
 *   out    out  [at most PL_SWEEP_CELLS]
 * Gives: how many. */
size_t pl_sweep_cut(const pl_field *field, size_t frame, size_t value_px, size_t sigma_px,
                    const pl_sweep_light *light, pl_sweep_cell *out);

/* ---- scope.c */

/* pl_sweep_set_up - telescope, frames that belong together, positions. */
pl_status pl_sweep_set_up(pl_sweep_work *w, pl_err *err);

/* ---- sweep.c */

/* pl_sweep_reading - how a frame's stars were fitted, as the optics' room wants it told. */
pl_reading pl_sweep_reading(const pl_sweep_work *w, size_t frame);

/* ---- model.c */

enum {
    PL_SW_BEST = 0, /* um at the sensor, from the mean position; nought without positions */
    PL_SW_TILT_X,
    PL_SW_TILT_Y,
    PL_SW_CURVE,
    PL_SW_REST_X, /* um^2, see pl_surface */
    PL_SW_REST_Y,
    PL_SW_REST_R,
    PL_SW_TYPICAL, /* ln um, the air */
    PL_SW_SCALE,   /* ln of blur over what was told, or of step_um */
    PL_SW_LASH,    /* um at the sensor */
    PL_SW_SHARED   /* then [frames] ln air, and without positions [frames] defocus */
};

enum { PL_SWEEP_UNKNOWNS = PL_SW_SHARED + 2 * PL_SWEEP_FRAMES };

/* Which unknowns are free, and what is expected of them. */
typedef struct {
    const pl_sweep_work *w;
    bool blind;         /* no positions: each frame's defocus is unknown */
    bool scale, lash;   /* free; else held at what x says */
    double scale_sigma; /* of its ln, expected */
    double air_sigma;   /* scatter of ln air between frames */
    double *air_loose;  /* [frames] times air_sigma: a frame unlike the others */
    double air_ln;      /* ln um, expected of typical air without positions */
    double rest_sigma_um2;
} pl_sweep_model;

/* pl_sweep_unknowns - how many numbers x has. */
size_t pl_sweep_unknowns(const pl_sweep_model *m);

/* pl_sweep_defocus - of the sensor's middle in one frame, um. */
double pl_sweep_defocus(const pl_sweep_model *m, const double *x, size_t frame);

/* pl_sweep_focal - S at a place, um. */
double pl_sweep_focal(const pl_sweep_work *w, const double *x, double x_mm, double y_mm);

/* pl_sweep_ln_fwhm - expected at a place, um, as that frame's fit would read it. */
double pl_sweep_ln_fwhm(const pl_sweep_work *w, const double *x, size_t frame, double defocus_um,
                        double air_um, double x_mm, double y_mm);

/* pl_sweep_how_far - defocus, um, at which a star is that wide in that air. */
double pl_sweep_how_far(const pl_sizes *sizes, double ln_fwhm, double air_um);

/* pl_sweep_fit - least squares from x.
 *   x     inout  [pl_sweep_unknowns]
 *   cov   out    [n][n], nought for what was held; may be NULL
 *   cost  out    robust chi square, expectations included */
pl_status pl_sweep_fit(const pl_sweep_model *m, double *x, double *cov, double *cost, pl_err *err);

/* ---- blind.c */

/* pl_sweep_search_blind - the best fit of a series without positions; which side of focus is the
 * positive one is open.
 *   air_um    in   width of a star in focus
 *   work, x   out  [pl_sweep_unknowns] room, and the answer
 *   by_order  out  whether the order of the frames, not the field's pattern, told their sides
 * Gives: PL_ENODATA when neither does. */
pl_status pl_sweep_search_blind(const pl_sweep_model *m, double air_um, double *work, double *x,
                                bool *by_order, pl_err *err);

/* ---- solve.c */

/* pl_sweep_level - mean ln FWHM of a frame, um; NaN when it has no cells. */
double pl_sweep_level(const pl_sweep_work *w, size_t frame);

/* pl_sweep_start_air - each frame's air, such that its width is had at the defocus x gives it. */
void pl_sweep_start_air(const pl_sweep_model *m, double air_um, double *x);

/* pl_sweep_try - fit from a start; kept when better than the best so far.
 *   cost  inout  of the best; what this one cost stands in `own`, which may be NULL */
bool pl_sweep_try(const pl_sweep_model *m, double *x, double *best, double *cost, double *own);

/* pl_sweep_refine - from a start to the fit, the air's scatter estimated along the way.
 * Gives: PL_ENODATA; x may have moved. */
pl_status pl_sweep_refine(pl_sweep_model *m, double *x, double *cov, pl_err *err);

/* pl_sweep_search - the best fit of all starts, the air's scatter estimated along the way.
 *   x, cov  out  malloc'd */
pl_status pl_sweep_search(pl_sweep_work *w, pl_sweep_model *m, double **x, double **cov,
                          pl_err *err);

/* ---- answer.c */

/* pl_sweep_answer - from the fit to everything plumb-sweep says, but for the check of the scale.
 *   x    inout  turned over when focus turns out to be on the other side
 *   cov  in     as pl_sweep_fit gives it */
void pl_sweep_answer(pl_sweep_work *w, const pl_sweep_model *m, double *x, const double *cov);

/* ---- expect.c */

/* pl_sweep_expect - defocus allowed each side, what best focus will look like, and the curve. */
pl_status pl_sweep_expect(pl_sweep_work *w, const double *x, pl_err *err);

/* ---- verdict.c */

/* pl_sweep_judge - the verdict of an answer that is else complete. */
void pl_sweep_judge(pl_sweep *s);

/* ---- colour.c */

/* pl_sweep_colours - red_um and blue_um of the answer, on a mosaic. */
void pl_sweep_colours(pl_sweep_work *w, const double *x);

/* ---- astig.c */

/* A frame's mean stretch, ln(major / minor) times (cos, sin) of twice the angle. */
typedef struct {
    double e[2], var; /* of each component, as its stars tell it */
    double by_um;     /* stretch for each um between two focal lines */
    double fade;      /* of a blur along one axis that stretches stars in focus by 1 */
    int side;         /* of focus: +1 outside, -1 inside, 0 cannot tell */
    bool odd;         /* left out */
} pl_sweep_stretch;

/* pl_sweep_lines - how far apart the focal lines are, as (cos, sin) of twice the axis along which
 * stars outside focus are stretched.
 *   frame     inout  [n] those that differ from all others are marked odd
 *   sigma_um  out    of either component
 * Gives: false with fewer than five frames, or two on a side; outputs untouched then. */
bool pl_sweep_lines(pl_sweep_stretch *frame, size_t n, double um[2], double *sigma_um);

/* pl_sweep_astigmatism - astigmatism_* of an answer that has its zone; NaN where it cannot be told.
 */
void pl_sweep_astigmatism(pl_sweep_work *w, const double *x);

#endif
