/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tolerance.c - tolerances in closed form. */
#include "optics.h"

#include <math.h>
#include <gsl/gsl_sf_bessel.h>

static pl_status check(const char *what, double v, bool good, const char *range, pl_err *err)
{
    return good ? PL_OK : pl_fail(err, PL_EARG, "%s %g is not in %s", what, v, range);
}

static pl_status check_ratio(double n, pl_err *err)
{
    return check("focal ratio", n, n >= 1 && n <= 50, "[1, 50]", err);
}

static pl_status check_obstruction(double e, pl_err *err)
{
    return check("obstruction", e, e >= 0 && e <= 0.8, "[0, 0.8]", err);
}

static pl_status check_light(double lambda_um, double f_ratio, pl_err *err)
{
    pl_status rc =
        check("wavelength in um", lambda_um, lambda_um > 0 && lambda_um <= 20, "(0, 20]", err);
    return rc == PL_OK ? check_ratio(f_ratio, err) : rc;
}

static pl_status check_growth(double fwhm_um, double f_ratio, double e, double growth, pl_err *err)
{
    pl_status rc = check("FWHM in um", fwhm_um, fwhm_um > 0 && fwhm_um <= 1e6, "(0, 1e6]", err);
    if (rc == PL_OK)
        rc = check_ratio(f_ratio, err);
    if (rc == PL_OK)
        rc = check_obstruction(e, err);
    return rc == PL_OK ? check("growth", growth, growth > 0 && growth <= 1, "(0, 1]", err) : rc;
}

pl_status pl_focus_depth(double lambda_um, double f_ratio, double *half_um, pl_err *err)
{
    pl_status rc = check_light(lambda_um, f_ratio, err);
    if (rc == PL_OK)
        *half_um = 2 * lambda_um * f_ratio * f_ratio;
    return rc;
}

pl_status pl_focus_zone_common(double lambda_um, double f_ratio, double *half_um, pl_err *err)
{
    pl_status rc = check_light(lambda_um, f_ratio, err);
    if (rc == PL_OK)
        *half_um = 2.44 * lambda_um * f_ratio * f_ratio;
    return rc;
}

/* A uniform annulus of outer diameter d has the variance d^2 (1 + e^2) / 16 along each axis; 8 ln 2
 * times that is what it adds to the square of a Gaussian's FWHM. */
pl_status pl_focus_depth_seeing(double fwhm_um, double f_ratio, double obstruction, double growth,
                                double *half_um, pl_err *err)
{
    pl_status rc = check_growth(fwhm_um, f_ratio, obstruction, growth, err);
    if (rc == PL_OK)
        *half_um = f_ratio * fwhm_um * sqrt((1 + growth) * (1 + growth) - 1) /
                   sqrt(log(2) / 2 * (1 + obstruction * obstruction));
    return rc;
}

/* The first zero lies at v = 3.83 for e = 0 and moves in to 2.6 for e = 0.8. */
pl_status pl_airy_radius(double lambda_um, double f_ratio, double obstruction, double *radius_um,
                         pl_err *err)
{
    pl_status rc = check_light(lambda_um, f_ratio, err);
    if (rc == PL_OK)
        rc = check_obstruction(obstruction, err);
    if (rc != PL_OK)
        return rc;
    double lo = 1.8, hi = 3.9, e = obstruction;
    for (int i = 0; i < 50; i++) {
        double v = (lo + hi) / 2;
        *(gsl_sf_bessel_J1(v) > e * gsl_sf_bessel_J1(e * v) ? &lo : &hi) = v;
    }
    *radius_um = lo / M_PI * lambda_um * f_ratio;
    return PL_OK;
}

/* W131 in um for each radian of axis error. */
static pl_status coma_per_radian(double aperture_mm, double mirror_ratio, double *um, pl_err *err)
{
    pl_status rc = check("aperture in mm", aperture_mm, aperture_mm > 0 && aperture_mm <= 20000,
                         "(0, 20000]", err);
    if (rc == PL_OK)
        rc = check_ratio(mirror_ratio, err);
    if (rc == PL_OK)
        *um = aperture_mm * 1e3 / (32 * mirror_ratio * mirror_ratio);
    return rc;
}

pl_status pl_coma_w131(double aperture_mm, double mirror_ratio, double axis_arcmin, double *w131_um,
                       pl_err *err)
{
    double um;
    pl_status rc =
        check("axis error in arcmin", axis_arcmin, fabs(axis_arcmin) <= 600, "[-600, 600]", err);
    if (rc == PL_OK)
        rc = coma_per_radian(aperture_mm, mirror_ratio, &um, err);
    if (rc == PL_OK)
        *w131_um = um * axis_arcmin * PL_ARCMIN_RAD;
    return rc;
}

pl_status pl_coma_axis(double aperture_mm, double mirror_ratio, double w131_um, double *axis_arcmin,
                       pl_err *err)
{
    double um;
    pl_status rc = check("coma in um", w131_um, fabs(w131_um) <= 1e6, "[-1e6, 1e6]", err);
    if (rc == PL_OK)
        rc = coma_per_radian(aperture_mm, mirror_ratio, &um, err);
    if (rc == PL_OK)
        *axis_arcmin = w131_um / um / PL_ARCMIN_RAD;
    return rc;
}

pl_status pl_coma_rms(double obstruction, double *fraction, pl_err *err)
{
    pl_status rc = check_obstruction(obstruction, err);
    double e = obstruction * obstruction;
    if (rc == PL_OK)
        *fraction = (1 - e) * sqrt((1 + e) * (1 + 4 * e + e * e)) / (sqrt(72) * (1 + e));
    return rc;
}

/* Rays of W = C r^3 cos(phi), unit u = 2 N C, m2 = (1 + e^2)/2, m4 = (1 + e^2 + e^4)/3: variance
 * along the coma u^2 (4.5 m4 - 4 m2^2), across it u^2 m4 / 2. Their mean times 8 ln 2 is added to
 * the square of the FWHM; derived here. */
pl_status pl_coma_w131_moments(double fwhm_um, double f_ratio, double obstruction, double growth,
                               double *w131_um, pl_err *err)
{
    pl_status rc = check_growth(fwhm_um, f_ratio, obstruction, growth, err);
    if (rc != PL_OK)
        return rc;
    double e = obstruction * obstruction, m2 = (1 + e) / 2, m4 = (1 + e + e * e) / 3;
    double mean = (4.5 * m4 - 4 * m2 * m2 + m4 / 2) / 2;
    double u = fwhm_um * sqrt(((1 + growth) * (1 + growth) - 1) / (8 * log(2) * mean));
    *w131_um = u / (2 * f_ratio);
    return PL_OK;
}

pl_status pl_thermal_shift(double tube_mm, double mirror_focal_mm, double tube_cte,
                           double mirror_cte, double *um_per_c, pl_err *err)
{
    pl_status rc =
        check("tube length in mm", tube_mm, tube_mm > 0 && tube_mm <= 1e5, "(0, 1e5]", err);
    if (rc == PL_OK)
        rc = check("focal length in mm", mirror_focal_mm,
                   mirror_focal_mm > 0 && mirror_focal_mm <= 1e5, "(0, 1e5]", err);
    if (rc == PL_OK)
        rc = check("expansion of the tube", tube_cte, fabs(tube_cte) <= 100, "[-100, 100]", err);
    if (rc == PL_OK)
        rc = check("expansion of the mirror", mirror_cte, fabs(mirror_cte) <= 100, "[-100, 100]",
                   err);
    if (rc == PL_OK)
        *um_per_c = -(tube_cte * tube_mm - mirror_cte * mirror_focal_mm) * 1e-3;
    return rc;
}
