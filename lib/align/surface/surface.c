/* SPDX-License-Identifier: GPL-3.0-or-later */
/* surface.c - the focal surface: where best focus is over the sensor, and what is told of it. */
#include "surface.h"
#include "../../optics/optics.h"

#include <math.h>

/* Error of a direction of which nothing is known: uniform over the circle. */
static const double NO_DIRECTION_DEG = 103.9; /* 180 / sqrt(3) */

static double half_diagonal(const pl_surface *s)
{
    return hypot(s->width_mm, s->height_mm) / 2;
}

/* Error of g . (tilt_x, tilt_y, curvature); what has no weight need not be known. */
static double sigma_of(const pl_surface *s, const double g[3])
{
    double sum = 0;
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++)
            if (g[i] != 0 && g[j] != 0)
                sum += g[i] * s->cov[i][j] * g[j];
    return sum < 0 ? 0 : sqrt(sum); /* rounding */
}

double pl_surface_at(const pl_surface *s, double x_mm, double y_mm, double *sigma)
{
    double h = half_diagonal(s), r2 = (x_mm * x_mm + y_mm * y_mm) / (h * h);
    if (sigma)
        *sigma = sigma_of(s, (const double[3]){ x_mm, y_mm, r2 });
    double plane = s->tilt_x_um_mm * x_mm + s->tilt_y_um_mm * y_mm;
    return r2 > 0 ? plane + s->curvature_um * r2 : plane;
}

static void tell_tilt(const pl_surface *s, pl_surface_told *t)
{
    double x = s->tilt_x_um_mm, y = s->tilt_y_um_mm, slope;
    t->tilt_um_mm = hypot(x, y);
    bool none = t->tilt_um_mm == 0; /* then no direction is better than another */
    double c = none ? 1 : x / t->tilt_um_mm, n = none ? 0 : y / t->tilt_um_mm;
    slope = t->tilt_um_mm * 1e-3;
    t->tilt_arcmin = atan(slope) / PL_ARCMIN_RAD;
    t->tilt_sigma_um_mm = sigma_of(s, (const double[3]){ c, n, 0 });
    t->tilt_sigma_arcmin = t->tilt_sigma_um_mm * 1e-3 / (1 + slope * slope) / PL_ARCMIN_RAD;
    double deg = atan2(y, x) * 180 / M_PI;
    t->tilt_deg = none ? NAN : deg < 0 ? deg + 360 : deg;
    double across = sigma_of(s, (const double[3]){ -n, c, 0 }) / t->tilt_um_mm * 180 / M_PI;
    t->tilt_sigma_deg = none ? NAN : across > NO_DIRECTION_DEG ? NO_DIRECTION_DEG : across;
    t->across_um = fabs(x) * s->width_mm + fabs(y) * s->height_mm;
    t->across_sigma_um =
        sigma_of(s, (const double[3]){ copysign(s->width_mm, x), copysign(s->height_mm, y), 0 });
}

pl_surface_told pl_surface_tell(const pl_surface *s)
{
    static const double side_x[PL_CORNERS] = { [PL_X2Y1] = 1, [PL_X2Y2] = 1 };
    static const double side_y[PL_CORNERS] = { [PL_X1Y2] = 1, [PL_X2Y2] = 1 };
    pl_surface_told t;
    tell_tilt(s, &t);
    for (int i = 0; i < PL_CORNERS; i++)
        t.corner_um[i] = pl_surface_at(s, (side_x[i] - 0.5) * s->width_mm,
                                       (side_y[i] - 0.5) * s->height_mm, &t.corner_sigma_um[i]);
    return t;
}

/* ---- as numbers */

const pl_surface_key *pl_surface_keys(void)
{
    static const pl_surface_key key[PL_SURFACE_NUMBERS] = {
        [PL_SN_TILT_X] = { "tilt_x_um_mm", -1e4, 1e4 },
        [PL_SN_TILT_X_SIGMA] = { "tilt_x_um_mm_sigma", 0, 1e6 },
        [PL_SN_TILT_Y] = { "tilt_y_um_mm", -1e4, 1e4 },
        [PL_SN_TILT_Y_SIGMA] = { "tilt_y_um_mm_sigma", 0, 1e6 },
        [PL_SN_CURVATURE] = { "curvature_um", -1e6, 1e6 },
        [PL_SN_CURVATURE_SIGMA] = { "curvature_um_sigma", 0, 1e8 },
        [PL_SN_XY] = { "tilt_xy_correlation", -1, 1 },
        [PL_SN_XC] = { "tilt_x_curvature_correlation", -1, 1 },
        [PL_SN_YC] = { "tilt_y_curvature_correlation", -1, 1 },
        [PL_SN_WIDTH_MM] = { "width_mm", 0.01, 10000 },
        [PL_SN_HEIGHT_MM] = { "height_mm", 0.01, 10000 },
        [PL_SN_WIDTH_PX] = { "width_px", 1, 1e6 },
        [PL_SN_HEIGHT_PX] = { "height_px", 1, 1e6 },
        [PL_SN_PIXEL] = { "pixel_um", 0.1, 1000 },
        [PL_SN_BINNING] = { "binning", 1, 64 },
        [PL_SN_FOCAL] = { "focal_mm", 1, 1e6 },
        [PL_SN_BLUR] = { "blur_scale", 0, 100 },
        [PL_SN_BLUR_SIGMA] = { "blur_scale_sigma", 0, 1e4 },
        [PL_SN_REST_X] = { "rest_x_um2", -1e6, 1e6 },
        [PL_SN_REST_X_SIGMA] = { "rest_x_um2_sigma", 0, 1e6 },
        [PL_SN_REST_Y] = { "rest_y_um2", -1e6, 1e6 },
        [PL_SN_REST_Y_SIGMA] = { "rest_y_um2_sigma", 0, 1e6 },
        [PL_SN_REST_CORNER] = { "rest_corner_um2", -1e6, 1e6 },
        [PL_SN_REST_CORNER_SIGMA] = { "rest_corner_um2_sigma", 0, 1e6 },
        [PL_SN_SEEING] = { "seeing_um", 0, 1e4 },
        [PL_SN_LAMBDA] = { "lambda_um", 0.1, 20 },
        [PL_SN_STEPS] = { "best_steps", -1e9, 1e9 },
        [PL_SN_STEPS_SIGMA] = { "best_steps_sigma", 0, 1e9 },
        [PL_SN_TEMPERATURE] = { "temperature_c", -90, 70 },
    };
    return key;
}

/* Without an error there is nothing to correlate. */
static double correlation(const pl_surface *s, int i, int j)
{
    double both = sqrt(s->cov[i][i]) * sqrt(s->cov[j][j]);
    return both == 0 ? 0 : fmax(-1, fmin(1, s->cov[i][j] / both));
}

void pl_surface_to_numbers(const pl_surface *s, double v[PL_SURFACE_NUMBERS])
{
    v[PL_SN_TILT_X] = s->tilt_x_um_mm;
    v[PL_SN_TILT_Y] = s->tilt_y_um_mm;
    v[PL_SN_CURVATURE] = s->curvature_um;
    v[PL_SN_TILT_X_SIGMA] = sqrt(s->cov[0][0]);
    v[PL_SN_TILT_Y_SIGMA] = sqrt(s->cov[1][1]);
    v[PL_SN_CURVATURE_SIGMA] = sqrt(s->cov[2][2]);
    bool bent = !isnan(s->cov[2][2]);
    v[PL_SN_XY] = correlation(s, 0, 1);
    v[PL_SN_XC] = bent ? correlation(s, 0, 2) : NAN;
    v[PL_SN_YC] = bent ? correlation(s, 1, 2) : NAN;
    v[PL_SN_WIDTH_MM] = s->width_mm;
    v[PL_SN_HEIGHT_MM] = s->height_mm;
    v[PL_SN_WIDTH_PX] = s->width_px > 0 ? s->width_px : NAN;
    v[PL_SN_HEIGHT_PX] = s->height_px > 0 ? s->height_px : NAN;
    v[PL_SN_PIXEL] = s->pixel_um;
    v[PL_SN_BINNING] = s->binning;
    v[PL_SN_FOCAL] = s->focal_mm > 0 ? s->focal_mm : NAN;
    v[PL_SN_BLUR] = s->blur_scale;
    v[PL_SN_BLUR_SIGMA] = s->blur_scale_sigma;
    v[PL_SN_REST_X] = s->rest_x_um2;
    v[PL_SN_REST_X_SIGMA] = s->rest_x_sigma_um2;
    v[PL_SN_REST_Y] = s->rest_y_um2;
    v[PL_SN_REST_Y_SIGMA] = s->rest_y_sigma_um2;
    v[PL_SN_REST_CORNER] = s->rest_corner_um2;
    v[PL_SN_REST_CORNER_SIGMA] = s->rest_corner_sigma_um2;
    v[PL_SN_SEEING] = s->seeing_um;
    v[PL_SN_LAMBDA] = s->lambda_um;
    v[PL_SN_STEPS] = s->best_steps;
    v[PL_SN_STEPS_SIGMA] = s->best_steps_sigma;
    v[PL_SN_TEMPERATURE] = s->temperature_c;
}

static void covariances(const double v[PL_SURFACE_NUMBERS], double cov[3][3])
{
    static const int at[3] = { PL_SN_TILT_X_SIGMA, PL_SN_TILT_Y_SIGMA, PL_SN_CURVATURE_SIGMA };
    const double r[3][3] = { { 1, v[PL_SN_XY], v[PL_SN_XC] },
                             { v[PL_SN_XY], 1, v[PL_SN_YC] },
                             { v[PL_SN_XC], v[PL_SN_YC], 1 } };
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++)
            cov[i][j] = r[i][j] * v[at[i]] * v[at[j]];
}

/* A table of correlations of real numbers has a determinant of nought at least. */
static bool possible(const double v[PL_SURFACE_NUMBERS])
{
    double a = v[PL_SN_XY], b = v[PL_SN_XC], c = v[PL_SN_YC];
    return !(1 + 2 * a * b * c - a * a - b * b - c * c < -1e-4); /* they may have been rounded */
}

pl_status pl_surface_from_numbers(const double v[PL_SURFACE_NUMBERS], pl_surface *s, pl_err *err)
{
    static const int must[] = { PL_SN_TILT_X, PL_SN_TILT_Y, PL_SN_WIDTH_MM, PL_SN_HEIGHT_MM };
    for (size_t i = 0; i < PL_ARRAY_LEN(must); i++)
        if (isnan(v[must[i]]))
            return pl_fail(err, PL_EFORMAT, "its surface has no %s",
                           pl_surface_keys()[must[i]].key);
    if (!possible(v))
        return pl_fail(err, PL_EFORMAT, "the correlations of its surface contradict each other");
    pl_surface made = { .tilt_x_um_mm = v[PL_SN_TILT_X],
                        .tilt_y_um_mm = v[PL_SN_TILT_Y],
                        .curvature_um = v[PL_SN_CURVATURE],
                        .width_mm = v[PL_SN_WIDTH_MM],
                        .height_mm = v[PL_SN_HEIGHT_MM],
                        .blur_scale = v[PL_SN_BLUR],
                        .blur_scale_sigma = v[PL_SN_BLUR_SIGMA],
                        .rest_x_um2 = v[PL_SN_REST_X],
                        .rest_x_sigma_um2 = v[PL_SN_REST_X_SIGMA],
                        .rest_y_um2 = v[PL_SN_REST_Y],
                        .rest_y_sigma_um2 = v[PL_SN_REST_Y_SIGMA],
                        .rest_corner_um2 = v[PL_SN_REST_CORNER],
                        .rest_corner_sigma_um2 = v[PL_SN_REST_CORNER_SIGMA],
                        .seeing_um = v[PL_SN_SEEING],
                        .lambda_um = v[PL_SN_LAMBDA],
                        .best_steps = v[PL_SN_STEPS],
                        .best_steps_sigma = v[PL_SN_STEPS_SIGMA],
                        .temperature_c = v[PL_SN_TEMPERATURE],
                        .pixel_um = v[PL_SN_PIXEL],
                        .binning = v[PL_SN_BINNING],
                        .focal_mm = v[PL_SN_FOCAL] };
    made.width_px = isnan(v[PL_SN_WIDTH_PX]) ? 0 : (int)v[PL_SN_WIDTH_PX];
    made.height_px = isnan(v[PL_SN_HEIGHT_PX]) ? 0 : (int)v[PL_SN_HEIGHT_PX];
    covariances(v, made.cov);
    *s = made;
    return PL_OK;
}
