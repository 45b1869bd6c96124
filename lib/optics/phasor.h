/* SPDX-License-Identifier: GPL-3.0-or-later */
/* phasor.h - sines and cosines by the hundred thousand, in a loop several at a time: the angle from
 * the nearest quarter of a turn by its Taylor series, the quarters by whole numbers, no branches.
 */
#ifndef PL_PHASOR_H
#define PL_PHASOR_H

#include "../base/base.h"

#include <math.h>

/* pl_phasor - scale exp(2 pi i t), right to 3e-14 scale and the rounding of t.
 *   t       in   turns, |t| < 1e15
 *   re, im  out  real and imaginary part */
PL_INTO void pl_phasor(double scale, double t, double *re, double *im)
{
    const double whole = 0x1.8p52; /* a double of this size holds whole numbers only */
    const double sine[] = { 1. / 39916800, 1. / 362880, 1. / 5040, 1. / 120, 1. / 6, 1 };
    const double cosine[] = {
        1. / 479001600, 1. / 3628800, 1. / 40320, 1. / 720, 1. / 24, 1. / 2, 1
    };
    double quarters = (4 * t + whole) - whole;
    double m = quarters - 4 * ((0.25 * quarters + whole) - whole), mm = m * m; /* -2 ... 2 */
    double a = M_PI / 2 * (4 * t - quarters), q = -a * a;                      /* |a| <= pi / 4 */
    double s = 1. / 6227020800, c = 1. / 87178291200; /* 1 / 13!, 1 / 14! */
    for (int k = 0; k < 6; k++)
        s = sine[k] + q * s;
    for (int k = 0; k < 7; k++)
        c = cosine[k] + q * c;
    double even = scale * (1 - mm * (7 - mm) * (1. / 6)), odd = scale * (m * (4 - mm) * (1. / 3));
    *re = even * c - odd * (a * s);
    *im = even * (a * s) + odd * c;
}

#endif
