/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bessel.h - Bessel functions by the thousand, for Hankel transforms. Private to optics. */
#ifndef PL_BESSEL_H
#define PL_BESSEL_H

#include "optics.h"

/* Values and first two derivatives of the orders 0 and 2 at one place. */
typedef struct {
    double j0[3], j2[3];
} pl_bessel_node;

/* pl_bessel - a table of both orders over [0, most]. Read only once made: any threads at once. */
typedef struct {
    pl_bessel_node *node;
    size_t nodes;
} pl_bessel;

/* pl_bessel_new - from GSL at every quarter.
 *   most  in   the largest argument that will be asked for
 * Gives: PL_ENOMEM. */
pl_status pl_bessel_new(double most, pl_bessel *out, pl_err *err);
void pl_bessel_clear(pl_bessel *table);

/* pl_bessel_row - J0 and J2 at times * at[i].
 *   at      in   [n] such that 0 <= times * at[i] <= most
 *   j0, j2  out  [n]; j2 may be NULL
 * Formula: the quintic through values, slopes and bends at both ends of a cell, whose error is at
 * most h^6 / 46080 of the sixth derivative (Hermite's remainder, textbook); that of J0 is at most
 * 5/16, of J2 15/64: below 2e-9. */
void pl_bessel_row(const pl_bessel *table, double times, const double *at, size_t n, double *j0,
                   double *j2);

#endif
