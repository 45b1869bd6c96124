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

/* ---- budget.c */

/* pl_zone_budget - how the window is spent; reads and fills the last block of the answer. */
void pl_zone_budget(pl_zone *zone);

#endif
