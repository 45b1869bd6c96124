/* SPDX-License-Identifier: GPL-3.0-or-later */
/* surface.h - the focal surface. Part of plumb.h. */
#ifndef PL_PUBLIC_SURFACE_H
#define PL_PUBLIC_SURFACE_H

/* pl_surface - where best focus is over the sensor: S(x, y) = tilt_x x + tilt_y y + curvature
 * (r / half_diagonal)^2, um at the sensor relative to the frame's centre, + = further out, x and y
 * in mm from the centre. A sensor at z has a defocus of z - S there. Errors of the three terms are
 * those of `cov`, [tilt_x, tilt_y, curvature]. */
typedef struct {
    double tilt_x_um_mm, tilt_y_um_mm, curvature_um;
    double cov[3][3];
    double width_mm, height_mm;
    /* how a star's size answers */
    double blur_scale, blur_scale_sigma;            /* blur for each um of defocus over 1/N */
    double rest_x_um2, rest_y_um2, rest_corner_um2; /* square of the FWHM the optics add at the
                                                       right edge, the last row and the corners,
                                                       over the centre's */
    double rest_x_sigma_um2, rest_y_sigma_um2, rest_corner_sigma_um2; /* NaN: unknown */
    double seeing_um;                    /* FWHM of all but defocus at the centre, typical frame */
    double lambda_um;                    /* that was used */
    double best_steps, best_steps_sigma; /* focuser's number; NaN: none */
    double temperature_c;
    char date[32]; /* of the exposures, FITS; "" when unknown */
    int width_px, height_px;
    double pixel_um, binning;
    double focal_mm; /* of the telescope it was measured with */
} pl_surface;

/* The four outer corners: x1 = first column, y1 = first row. */
enum { PL_X1Y1, PL_X2Y1, PL_X1Y2, PL_X2Y2, PL_CORNERS };

/* What is told of a surface in words and numbers. */
typedef struct {
    double tilt_um_mm, tilt_arcmin, tilt_deg; /* direction in which best focus moves out */
    double tilt_sigma_um_mm, tilt_sigma_arcmin, tilt_sigma_deg;
    double across_um, across_sigma_um; /* tilt from corner to corner, in its own direction */
    double corner_um[PL_CORNERS], corner_sigma_um[PL_CORNERS];
} pl_surface_told;

/* pl_surface_at - S and its error at (x, y) mm from the centre; sigma may be NULL. */
PL_API double pl_surface_at(const pl_surface *s, double x_mm, double y_mm, double *sigma);
PL_API pl_surface_told pl_surface_tell(const pl_surface *s);

/* pl_surface_settings - what [surface] of a profile holds, for one pl_profile_set together with
 * other keys. Unknown numbers are written as "-", so that none of an older surface stays.
 *   out  out  [most], PL_SURFACE_SETTINGS to have all
 * Gives: how many there are. */
enum { PL_SURFACE_SETTINGS = 30 };
PL_API size_t pl_surface_settings(const pl_surface *s, pl_setting *out, size_t most);

/* pl_surface_save - write [surface] to a profile, as pl_profile_set does.
 * pl_surface_read - from [surface] of a profile, or from JSON of plumb-sweep or plumb-tilt in which
 * one object holds a surface. Numbers not told are NaN, `out` is untouched on failure.
 * Gives: PL_EIO, PL_ENODATA when the file holds no surface or its sign is not known, PL_EFORMAT
 * when what it holds is none. */
PL_API pl_status pl_surface_save(const pl_surface *s, const char *profile, pl_err *err);
PL_API pl_status pl_surface_read(const char *path, pl_surface *out, pl_err *err);

#endif
