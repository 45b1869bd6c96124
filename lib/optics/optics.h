/* SPDX-License-Identifier: GPL-3.0-or-later */
/* optics.h - pure physics of the telescope, no pixels of a file. Private to libplumb.
 *
 * Inside this room pupil lengths are in pupil radii and the image radius is Born & Wolf's
 * v = pi r / (lambda N). A spatial frequency is the pupil shift s in [0, 2] it belongs to; then the
 * image is the Hankel transform of the transfer function with the kernel J0(v s). */
#ifndef PL_OPTICS_H
#define PL_OPTICS_H

#include "../base/base.h"

#define PL_ARCSEC_RAD (M_PI / 648000.0)
#define PL_ARCMIN_RAD (M_PI / 10800.0)

/* ---- gauss.c */

enum { PL_GAUSS_MAX = 32 };

/* Nodes and weights of Gauss-Legendre quadrature on [-1, 1]. */
typedef struct {
    int n;
    double x[PL_GAUSS_MAX], w[PL_GAUSS_MAX];
} pl_gauss;

/* pl_gauss_rule - n in [1, PL_GAUSS_MAX]. Newton on the Legendre polynomial (textbook). */
pl_gauss pl_gauss_rule(int n);

/* ---- pupil.c */

/* The overlap of two equal annuli shifted apart by s along x, cut in columns: at each column's x >=
 * 0 (measured from the middle) it reaches over low <= |y| <= high. */
typedef struct {
    double x, weight, low, high;
} pl_column;

enum { PL_COLUMNS_MAX = 2048 };

/* pl_pupil_columns - the columns of the overlap, weights such that the sum of weight * f(x) is the
 * integral of f over x > 0.
 *   panels  in   pieces an interval is cut into, for an f that oscillates
 *   out     out  [at most PL_COLUMNS_MAX]
 * Gives: how many. */
size_t pl_pupil_columns(const pl_gauss *rule, double obstruction, double s, int panels,
                        pl_column *out);

/* pl_pupil_transfer - transfer function of the annulus with `waves` of defocus (centre to rim). */
double pl_pupil_transfer(const pl_gauss *rule, double obstruction, double waves, double s,
                         pl_column *work);

/* ---- air.c */

pl_status pl_optic_check(const pl_optic *optic, pl_err *err);

/* pl_air_transfer - of the long-exposure air, at pupil shift s. */
double pl_air_transfer(const pl_optic *optic, double s);

/* pl_air_reach - the shift past which the air leaves nothing (1e-16), at most 2. */
double pl_air_reach(const pl_optic *optic);

/* pl_air_width - rough full width of a star's image in v, with a blur of so many waves of defocus.
 */
double pl_air_width(const pl_optic *optic, double waves);

/* ---- zernike.c: positions in pupil radii */

enum { PL_NOLL_MAX = 36 };

/* pl_noll_index - radial order n and |m| of Noll's j in [1, PL_NOLL_MAX]. */
bool pl_noll_index(int j, int *n, int *m);

/* pl_zernike - Noll's Z_j at (x, y), RMS 1 over the full disc; NaN for an unknown j. */
double pl_zernike(int j, double x, double y);

/* pl_zernike_annular - orthonormal over the annulus of that obstruction, j <= 11, else NaN. */
double pl_zernike_annular(int j, double obstruction, double x, double y);

/* ---- aperture.c */

/* The pupil in units of its radius. */
typedef struct {
    double obstruction;        /* radius of the secondary's shadow */
    double shadow_x, shadow_y; /* its centre */
    int vanes;
    double vane_width, vane_deg;
} pl_aperture;

/* pl_aperture_at - how open the cell around (x, y) is, [0, 1]. */
double pl_aperture_at(const pl_aperture *aperture, double x, double y, double cell);

/* ---- psf.c */

enum { PL_PSF_TERMS = 22 }; /* Noll's j of the wavefront, 2 .. 22 */

/* What an image is computed on. */
typedef struct {
    double lambda_um, f_ratio, pixel_um;
    int size; /* side of the image, sensor pixels; wide enough for the star and its blur twice */
    int oversample; /* fine pixels a side; < 1: as few as sample the amplitude */
} pl_psf_grid;

/* What softens an image between pupil and pixel; widths at the focal plane. */
typedef struct {
    double seeing_um;                /* FWHM of the long-exposure air; 0: none */
    double jitter_x_um, jitter_y_um; /* sigma of tracking */
    bool pixel;                      /* integrate over square pixels */
} pl_blur;

/* pl_psf - plans and buffers; one object, one thread. */
typedef struct pl_psf pl_psf;

/* pl_psf_side - the least even number >= least whose prime factors are 2, 3, 5 and 7. */
int pl_psf_side(double least);

pl_status pl_psf_new(const pl_psf_grid *grid, pl_psf **out, pl_err *err);
void pl_psf_free(pl_psf *psf);
void pl_psf_set_blur(pl_psf *psf, const pl_blur *blur);
void pl_psf_set_aperture(pl_psf *psf, const pl_aperture *aperture);

/* pl_psf_image - a star of flux 1.
 *   zernike_um  in   [PL_PSF_TERMS + 1] wavefront, um RMS of Noll's j at [j]
 *   x_px, y_px  in   where its axis falls, from the first pixel's centre
 *   out         out  [size][size] */
void pl_psf_image(pl_psf *psf, const double *zernike_um, double x_px, double y_px, double *out);

/* ---- budget.c */

/* pl_zone_budget - how the window is spent; reads and fills the last block of the answer. */
void pl_zone_budget(pl_zone *zone);

#endif
