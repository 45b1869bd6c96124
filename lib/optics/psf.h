/* SPDX-License-Identifier: GPL-3.0-or-later */
/* psf.h - the inside of a pl_psf, shared by psf.c (object), psf_grid.c (sampling), psf_image.c
 * (pupil to intensity) and blur.c (intensity to pixels).
 *
 * One grid serves all wavelengths: n x n fine pixels of pixel / oversample. The amplitude at the
 * sensor is the transform of the pupil, whose radius is n fine / (2 lambda N) cells. Rows of the
 * arrays that are transformed in columns are padded to an odd number of cache lines: strides of a
 * power of two cost FFTW up to ten times as much (measured). */
#ifndef PL_PSF_H
#define PL_PSF_H

#include "optics.h"

#include <fftw3.h>

enum { PL_PSF_BLOCK = 8 }; /* columns of a spectrum transformed at a time */

/* What pl_psf_sample chooses. */
typedef struct {
    int oversample;
    int m, n; /* side of the image's period in sensor pixels and in fine ones */
} pl_psf_sampling;

/* A row of the pupil's cells. */
struct pl_run {
    size_t first;  /* of the cells */
    int at, count; /* in the grid's row */
    double y;
};

/* One wavelength's pupil. */
struct pl_view {
    double lambda_um, weight; /* weights sum to 1 */
    double side;              /* of a cell, pupil radii */
    int rows;
    struct pl_run *run; /* [rows] */
    size_t first, cells;
    pl_edge *edge; /* [edges] where its openings may move */
    size_t edges;
    double light, by[PL_BY_PUPIL]; /* sum of openings (a sum of squares would miss the edges), and
                                      of their derivatives */
    double air;                    /* what multiplies turbulence[] in the exponent */
    double *transfer;              /* [n][half] air, tracking and pixel */
    int *reach; /* [n] columns that each row of it lets through; it is not filled beyond */
};

struct pl_psf {
    pl_psf_grid grid;
    pl_psf_sampling sampling;
    int half;    /* columns of a real spectrum */
    int columns; /* of half_way: the widest pupil's, in whole blocks */
    int pitch, pitch_way, pitch_half, pitch_small; /* of rows: field, half_way, spectrum, small */
    struct pl_view view[PL_LIGHTS_MAX];
    size_t cells;  /* of all wavelengths */
    double *x, *y; /* [cells] pupil radii */
    pl_aperture aperture;
    double *open;           /* [cells] of it */
    double *gain;           /* [cells of the largest view] scratch */
    fftw_complex *turn;     /* [cells of the largest view] exp(-i k W), scaled to flux 1 */
    fftw_complex *lit;      /* [cells of the largest view] times what is open */
    const double *phase_um; /* [cells] borrowed, or NULL */
    pl_blur blur;
    int reach;              /* columns of the spectrum that any transfer lets through */
    double *box;            /* [half] what a pixel's width lets through */
    double *turbulence;     /* [n / 2 + 1][n / 2 + 1] (i^2 + j^2)^(5/6) */
    fftw_complex *half_way; /* [n][pitch_way] pupil, its columns transformed */
    fftw_complex *row_way;  /* [n] a row of it, nought beyond its columns */
    fftw_complex *field;    /* [n][pitch] amplitude */
    bool kept;              /* field and turn are this wave's, of the one wavelength: */
    pl_wave wave;
    fftw_complex *turned;                   /* [n] a row of its derivative */
    double *intensity;                      /* [n] a row */
    fftw_complex *spectrum;                 /* [n][pitch_half] */
    fftw_complex *small;                    /* [m][pitch_small] */
    double *weight;                         /* [half] scratch */
    double x_px;                            /* the position, and its phases: */
    fftw_complex *across, *down;            /* [m] times the norm, [n] */
    fftw_plan column_block, row;            /* of the pupil */
    fftw_plan spectrum_row, spectrum_block; /* of the intensity */
    fftw_plan to_image;
};

/* psf_grid.c */

/* pl_psf_box - what the width of a pixel lets through of a spatial frequency in cycles per pixel.
 */
double pl_psf_box(double frequency);

pl_status pl_psf_sample(const pl_psf_grid *grid, pl_psf_sampling *out, pl_err *err);

/* pl_psf_place - set where the axis falls, for the folds that follow. */
void pl_psf_place(pl_psf *p, double x_px, double y_px);

typedef enum { PL_FOLD_IMAGE, PL_FOLD_D_X, PL_FOLD_D_Y, PL_FOLD_D_SEEING } pl_fold;

/* The spectrum of an image, as far as any transfer lets through: row j of it from p->intensity, all
 * rows one after the other, then the columns. */
void pl_psf_transform_row(pl_psf *p, int j);
void pl_psf_transform_columns(pl_psf *p);

/* pl_psf_fold - blur and place p->spectrum, and add its image on the sensor's pixels.
 *   out  inout  [size][size] */
void pl_psf_fold(pl_psf *p, const struct pl_view *v, pl_fold what, double *out);

#endif
