/* SPDX-License-Identifier: GPL-3.0-or-later */
/* side.c - which side of focus a frame stands on, from what one image cannot tell: the focuser's
 * positions, or a secondary that is known to sit off centre. */
#include "donut.h"

#include <math.h>

enum { MOST = 64 };

/* Of the defocus: to so much the frames must agree, and two of them disagree by more on any other
 * side. Rings tell a defocus to some 3 um + 1 %. */
static const double PLAIN = 0.1;

/* Root mean square of the best-focus positions that the frames imply when those up to `edge` um of
 * travel stand inside and the others outside. */
static double disagreement(const double *travel_um, const double *defocus_um, size_t n, double edge)
{
    double sum = 0, sum2 = 0;
    for (size_t i = 0; i < n; i++) {
        double best = travel_um[i] + (travel_um[i] <= edge ? 1 : -1) * defocus_um[i];
        sum += best / (double)n;
    }
    for (size_t i = 0; i < n; i++) {
        double best = travel_um[i] + (travel_um[i] <= edge ? 1 : -1) * defocus_um[i];
        sum2 += pow(best - sum, 2) / (double)n;
    }
    return sqrt(sum2);
}

/* An earlier frame stood at the same place: it splits them the same way. */
static bool seen_before(const double *travel_um, size_t k)
{
    for (size_t i = 0; i < k; i++)
        if (travel_um[i] == travel_um[k])
            return true;
    return false;
}

bool pl_side_by_position(const double *travel_um, const double *defocus_um, size_t n, pl_side *side)
{
    double best = INFINITY, second = INFINITY, at = NAN, typical = 0;
    if (n < 2 || n > MOST)
        return false;
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(travel_um[i]))
            return false;
        typical += defocus_um[i] / (double)n;
    }
    for (size_t k = 0; k <= n; k++) { /* inside: none, then those up to each frame's travel */
        double edge = k == 0 ? -INFINITY : travel_um[k - 1];
        if (k > 0 && seen_before(travel_um, k - 1))
            continue;
        double rms = disagreement(travel_um, defocus_um, n, edge);
        if (rms < best) {
            second = best;
            best = rms;
            at = edge;
        } else
            second = fmin(second, rms);
    }
    if (!(best < 0.25 * second && best < PLAIN * typical &&
          second > PLAIN * typical * sqrt(2 / (double)n)))
        return false;
    for (size_t i = 0; i < n; i++)
        side[i] = travel_um[i] <= at ? PL_SIDE_IN : PL_SIDE_OUT;
    return true;
}

pl_side pl_side_by_shadow(const pl_wavefront *as_outside, double focuser_deg)
{
    const pl_wavefront *w = as_outside;
    if (!isfinite(focuser_deg) || !(w->shadow_mm > 4 * w->shadow_sigma_mm))
        return PL_SIDE_UNKNOWN;
    double away = cos((w->shadow_deg - focuser_deg - 180) * M_PI / 180);
    return away > 0.5 ? PL_SIDE_OUT : away < -0.5 ? PL_SIDE_IN : PL_SIDE_UNKNOWN;
}
