/* SPDX-License-Identifier: GPL-3.0-or-later */
/* turbulence.c - what the air of a short exposure adds to a wavefront. */
#include "donut.h"

#include <math.h>

static const double WIND_M_S = 10; /* common practice, no source */

double pl_turbulence_variance(int j, const pl_optic *optic, double seeing_rad, double exposure_s)
{
    /* Noll 1976, eq. A2, by radial order: rad^2 for D = r0 */
    static const double mode[] = { 0, 0.44888, 0.023218, 0.0061914, 0.0024539 };
    int n = 0, m = 0;
    if (!pl_noll_index(j, &n, &m) || n >= (int)PL_ARRAY_LEN(mode) || !(seeing_rad > 0))
        return 0;
    double d_um = 1000 * optic->aperture_mm, r0_um = 0.976 * optic->lambda_um / seeing_rad;
    double rad2 = mode[n] * pow(d_um / r0_um, 5.0 / 3);
    /* A mode of order n is white noise up to the frequency 0.3 (n + 1) V / D (Conan, Rousset &
     * Madec 1995, JOSA A 12, 1559, from memory): averages forget in half its period. */
    double knee_hz = 0.3 * (n + 1) * WIND_M_S / (optic->aperture_mm / 1000),
           memory_s = 0.5 / knee_hz;
    double calmer = isfinite(exposure_s) ? memory_s / (memory_s + exposure_s) : 1;
    return rad2 * calmer * pow(optic->lambda_um / (2 * M_PI), 2);
}
