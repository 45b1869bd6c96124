/* SPDX-License-Identifier: GPL-3.0-or-later */
/* air.c - long-exposure Kolmogorov turbulence. Fried 1966, JOSA 56, 1372; Roddier 1981, Progress in
 * Optics XIX, section 4 (both from memory): transfer exp(-3.44 (b / r0)^(5/3)) at the baseline b,
 * and a FWHM of 0.976 lambda / r0. */
#include "optics.h"

#include <math.h>

static pl_status in_range(const char *what, double v, double lo, double hi, pl_err *err)
{
    if (!(v >= lo && v <= hi))
        return pl_fail(err, PL_EARG, "%s %g is not in [%g, %g]", what, v, lo, hi);
    return PL_OK;
}

pl_status pl_optic_check(const pl_optic *o, pl_err *err)
{
    pl_status rc = in_range("aperture in mm", o->aperture_mm, 10, 20000, err);
    if (rc == PL_OK)
        rc = in_range("focal ratio", o->f_ratio, 1, 50, err);
    if (rc == PL_OK)
        rc = in_range("obstruction", o->obstruction, 0, 0.8, err);
    if (rc == PL_OK)
        rc = in_range("wavelength in um", o->lambda_um, 0.1, 20, err);
    if (rc == PL_OK)
        rc = in_range("seeing in arcsec", o->seeing_arcsec, 0, 60, err);
    return rc;
}

/* Pupil radius over Fried's r0. */
static double radii(const pl_optic *o)
{
    double r0_mm = 0.976 * o->lambda_um * 1e-3 / (o->seeing_arcsec * PL_ARCSEC_RAD);
    return o->seeing_arcsec > 0 ? o->aperture_mm / 2 / r0_mm : 0;
}

double pl_air_transfer(const pl_optic *o, double s)
{
    return exp(-3.44 * pow(s * radii(o), 5.0 / 3.0));
}

double pl_air_reach(const pl_optic *o)
{
    double r = radii(o);
    return r > 2.1 ? 4.2 / r : 2; /* 3.44 x 4.2^(5/3) = 37.6: exp(-37.6) = 5e-17 */
}

double pl_air_width(const pl_optic *o, double waves)
{
    double air = M_PI * o->seeing_arcsec * PL_ARCSEC_RAD * o->aperture_mm * 1e3 / o->lambda_um;
    double blur = 8 * M_PI * fabs(waves);
    return sqrt(M_PI * M_PI * 1.06 + air * air + blur * blur);
}
