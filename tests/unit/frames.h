/* SPDX-License-Identifier: GPL-3.0-or-later */
/* frames.h - little frames for the tests: FITS files written byte by byte (so that they can be
 * wrong in every way), and frames in memory. */
#ifndef FRAMES_H
#define FRAMES_H

#include "../../lib/frame/frame.h"

/* A folder of its own for one test; give both to TestSuite. */
void frames_begin(void);
void frames_end(void);

/* frames_path - "folder/name"; static storage, good for eight calls. */
const char *frames_path(const char *name);

void frames_put_bytes(const char *path, const void *bytes, size_t n);

/* A FITS image to be written as FITS 4.0 has it. */
typedef struct {
    int bitpix, width, height;
    int planes;        /* 0: two axes */
    const char *cards; /* more header cards, one a line; may be NULL */
    bool extension;    /* behind a primary HDU without pixels */
    size_t missing;    /* bytes cut off at the end of the file */
} frames_layout;

/* frames_put - write the file.
 *   stored  in  [planes][height][width] as stored, before BZERO and BSCALE; NULL: all 0 */
void frames_put(const char *path, const frames_layout *layout, const double *stored);

/* frames_pack - a tile-compressed image, through CFITSIO.
 *   type   in  RICE_1, GZIP_1, ...
 *   image  in  USHORT_IMG or FLOAT_IMG
 *   value  in  [height][width] physical */
void frames_pack(const char *path, int type, int image, int width, int height, const double *value);

/* frames_memory - a frame in memory; free with pl_frame_free.
 *   adu  in  [height][width] */
pl_frame *frames_memory(int width, int height, const double *adu);

/* A generator of its own, so that a test sees the same noise everywhere. */
typedef struct {
    uint64_t state;
} frames_dice;

double frames_uniform(frames_dice *dice); /* (0, 1) */
double frames_normal(frames_dice *dice);

/* ---- analytic stars; none of the library's star code */

typedef struct {
    double x, y, flux, fwhm; /* px, first pixel's centre 0; fwhm: geometric mean of the axes */
    double ecc, angle_deg;
    double beta; /* INFINITY: a Gaussian */
} frames_star;

/* frames_draw - add a star to [h][w] pixels whose first one lies at (x0, y0), integrated over each
 * pixel by Gauss-Legendre points: 4 x 4 where the star is wide, up to 16 x 16 where it is narrow.
 */
void frames_draw(double *image, int x0, int y0, int w, int h, const frames_star *star);

/* frames_draw_near - the same on a whole frame, out to 6 FWHM. */
void frames_draw_near(double *image, int w, int h, const frames_star *star);

/* frames_flux - total flux for a signal to noise: SNR = F / sqrt(4 pi sigma^2 B) for a Gaussian on
 * sky of variance B a pixel, the shape known (the background limit, derived). */
double frames_flux(double snr, double fwhm, double sky_var);

/* frames_noise - add Gaussian noise of variance sky_var + light / gain. */
void frames_noise(double *image, size_t n, double sky_var, double gain, frames_dice *dice);

#endif
