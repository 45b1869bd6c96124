/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile.h - the pixels a fit uses, packed, and a star's profile on them. Private to the star
 * room.
 *
 * Loops run over whole lanes of pixels; what is no pixel counts nought. */
#ifndef PL_PROFILE_H
#define PL_PROFILE_H

#include "star.h"

#include <string.h>

/* log2 and 2^x in float by argument reduction and polynomials; written without branches so that
 * they vectorise, and the same on every C library. Largest relative error of x^y: 3e-6, measured
 * against libm by tests/unit/test_moffat.c. */
PL_INTO float pl_fast_log2(float x)
{
    union {
        float f;
        int32_t i;
    } v = { x };
    int32_t e = (v.i - 0x3f3504f3) >> 23; /* so that the mantissa lies in [sqrt 1/2, sqrt 2) */
    v.i -= e * (1 << 23);
    float z = (v.f - 1) / (v.f + 1), q = z * z; /* log2 m = 2/ln 2 (z + z^3/3 + z^5/5 + ...) */
    float series = 1 + q * (0.33333333f + q * (0.2f + q * (0.14285714f + q * 0.11111111f)));
    return (float)e + 2.8853900818f * z * series;
}

PL_INTO float pl_fast_exp2(float x)
{
    const float whole = 0x1.8p23f; /* a float of this size holds whole numbers only */
    union {
        float f;
        uint32_t u;
    } k = { x + whole }, v, zero = { whole };
    int32_t n = (int32_t)(k.u - zero.u); /* nearest to x, which is above -4e6 here, or NaN */
    float r = (x - (k.f - whole)) * 0.69314718f;
    n = n < -126 ? -126 : n; /* below the smallest float: nothing */
    float p =
        1 + r * (1 + r * (0.5f + r * (0.16666667f + r * (0.041666667f + r * (0.0083333333f +
                                                                             r * 0.0013888889f)))));
    v.f = p;
    v.u += (uint32_t)n << 23;
    return v.f + 0 * r; /* NaN, that by now is any number, is NaN again */
}

enum { PL_DOTS = 4 }; /* columns that pl_dots takes at once */

/* A vector of the compiler's own: of four sums in a loop gcc 12 makes shuffles. The same bytes
 * where the processor has none so wide. */
typedef float pl_lanes __attribute__((vector_size(PL_LANES * sizeof(float))));

/* Sum of a * b onto `sum`. */
#define PL_ADD_LANES(sum, a, b)                                                                    \
    do {                                                                                           \
        pl_lanes b_;                                                                               \
        memcpy(&b_, b, sizeof b_);                                                                 \
        (sum) += (a)*b_;                                                                           \
    } while (0)

/* pl_dots - sums of row[i] * column[k][i] for PL_DOTS columns, in independent lanes.
 *   n    in   a multiple of PL_LANES
 *   out  out  [PL_DOTS] */
PL_INTO void pl_dots(const float *row, const float *const column[PL_DOTS], int n, double *out)
{
    pl_lanes part[PL_DOTS] = { { 0 } };
    for (int i = 0; i < n; i += PL_LANES) {
        pl_lanes r;
        memcpy(&r, row + i, sizeof r);
        PL_ADD_LANES(part[0], r, column[0] + i);
        PL_ADD_LANES(part[1], r, column[1] + i);
        PL_ADD_LANES(part[2], r, column[2] + i);
        PL_ADD_LANES(part[3], r, column[3] + i);
    }
    for (int k = 0; k < PL_DOTS; k++)
        out[k] = ((double)part[k][0] + part[k][4]) + ((double)part[k][1] + part[k][5]) +
                 ((double)part[k][2] + part[k][6]) + ((double)part[k][3] + part[k][7]);
}

/* pl_pack_stamp - a stamp's usable pixels, those that need finer integration first.
 *   p  in  the profile that will be laid on them, about: it tells how finely */
void pl_pack_stamp(const pl_stamp *stamp, const double p[PL_MF_N], pl_pack *out);

/* pl_pack_points - quadrature points along a pixel's side in a star's core; `slack` above 1 is
 * content with fewer. */
int pl_pack_points(const double p[PL_MF_N], double slack);

/* pl_profile_on - light (with its sky) and slopes on packed pixels.
 *   beta  in  whether the slope with 1 / beta is wanted; else it is left as it was */
void pl_profile_on(const pl_pack *pack, const double p[PL_MF_N], bool beta, pl_profile *out);

#endif
