/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Mechanics to wavefront by hand; test_raytrace.c holds it against exact rays. */
#include "../../lib/optics/optics.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>

static pl_misalign demo(void)
{
    return (pl_misalign){ .aperture_mm = 300,
                          .focal_mm = 900,
                          .mirror_focal_mm = 900,
                          .corrected = true,
                          .half_diagonal_mm = 14 };
}

static double z[PL_NOLL_MAX + 1];

static void expect(const pl_misalign *m, double x, double y, int j, double want, const char *why)
{
    pl_misalign_wave(m, x, y, z);
    cr_expect(epsilon_eq(dbl, z[j], want, 1e-4), "%s: a%d = %g, not %g", why, j, z[j], want);
}

Test(misalign, nothing_wrong_is_flat)
{
    pl_misalign m = demo();
    pl_misalign_wave(&m, 10, -7, z);
    for (int j = 0; j <= PL_NOLL_MAX; j++)
        cr_expect(eq(dbl, z[j], 0));
}

/* f/3: 72 um of defocus is one um of W020 = d / (8 N^2), a4 = W020 / 3.4641. */
Test(misalign, focal_surface)
{
    pl_misalign m = demo();
    m.defocus_um = 72;
    expect(&m, 5, 5, 4, 0.28868, "too far out is positive");
    m.defocus_um = 0;
    m.tilt_x_um_mm = 7.2;
    expect(&m, 10, 0, 4, -0.28868, "focus further out than the sensor");
    m.tilt_x_um_mm = 0;
    m.tilt_y_um_mm = 7.2;
    expect(&m, 3, -10, 4, 0.28868, "and nearer");
    m.tilt_y_um_mm = 0;
    m.curvature_um = 72;
    expect(&m, 14, 0, 4, -0.28868, "curvature at the half diagonal");
    expect(&m, 0, 7, 4, -0.07217, "a quarter at half of it");
    expect(&m, 0, 0, 4, 0, "none in the middle");
}

/* Schroeder ch. 6 by hand: 1 arcmin of the primary at f/3, D 300 moves the coma-free point 0.2618
 * mm and adds W131 = 0.3030 um: a8 = 0.3030 / 8.4853. The flare points away from the coma-free
 * point. */
Test(misalign, coma_with_a_corrector_is_the_same_everywhere)
{
    pl_misalign m = demo();
    m.axis_x_mm = 0.2618;
    expect(&m, 0, 0, 8, -0.03571, "coma-free point at +x");
    expect(&m, 10, 9, 8, -0.03571, "all over the field");
    expect(&m, 10, 9, 7, 0, "along x alone");
    m.axis_x_mm = 0;
    m.axis_y_mm = -0.2618;
    expect(&m, 0, 0, 7, 0.03571, "coma-free point at -y");
    expect(&m, 10, 9, 6, 0, "no astigmatism");
}

Test(misalign, coma_without_grows_from_the_coma_free_point)
{
    pl_misalign m = demo();
    m.corrected = false;
    m.axis_x_mm = 3;
    m.axis_y_mm = -2;
    expect(&m, 3, -2, 8, 0, "none there");
    expect(&m, 3, -2, 7, 0, "none there");
    expect(&m, 3.2618, -2, 8, 0.03571, "outwards to +x");
    expect(&m, 3, -2 - 0.2618, 7, -0.03571, "outwards to -y");
}

/* A corrector of 0.75: the axis error at the sensor is the same angle at the mirror, whose own
 * ratio rules the coma; defocus goes by the whole system's ratio, f/2.25. */
Test(misalign, two_focal_ratios)
{
    pl_misalign m = demo();
    m.focal_mm = 675;
    m.axis_x_mm = 0.2618 * 0.75;
    m.defocus_um = 72 * 0.75 * 0.75;
    expect(&m, 0, 0, 8, -0.03571, "same coma in um");
    expect(&m, 0, 0, 4, 0.28868, "same defocus in um of wave");
}

/* W222 = D theta^2 / (8 N); at 30 arcmin 0.952 um, a6 = W222 / 4.8990. Schroeder's table 6.1: at
 * 14.13 mm the medial surface lies 0.1109 mm nearer the mirror, tangential 0.2218 mm, sagittal 0: a
 * flat sensor is too far out, by twice as much along the field's direction. */
Test(misalign, astigmatism_without_a_corrector)
{
    pl_misalign m = demo();
    double h = 900 * tan(0.5 * M_PI / 180);
    m.corrected = false;
    expect(&m, h, 0, 6, 0.952 / 4.8990, "along x");
    expect(&m, 0, h, 6, -0.952 / 4.8990, "along y");
    expect(&m, h / sqrt(2), h / sqrt(2), 5, 0.952 / 4.8990, "along 45 degrees");
    expect(&m, h / sqrt(2), h / sqrt(2), 6, 0, "along 45 degrees");
    pl_misalign_wave(&m, 14.13, 0, z);
    cr_expect(epsilon_eq(dbl, z[4] * 2 * sqrt(3) * 72, 110.9, 0.1), "medial, um");
    m.axis_x_mm = 4;
    m.defocus_um = 72;
    expect(&m, 0, 0, 4, 0.28868, "the frame's centre keeps its defocus");
}

/* Trefoil: a corner where the rim is pushed out. Root 8 p cos 3 (angle - corner). */
Test(misalign, pinch_and_extra)
{
    pl_misalign m = demo();
    m.pinch_nm = 50;
    m.pinch_deg = 100;
    m.zernike_nm[11] = -30;
    m.zernike_nm[9] = 5;
    double c = cos(300 * M_PI / 180), s = sin(300 * M_PI / 180);
    expect(&m, 2, 3, 10, 0.05 * c, "cosine");
    expect(&m, 2, 3, 9, 0.05 * s + 0.005, "sine, and what is added");
    expect(&m, 2, 3, 11, -0.03, "added");
    double t = 100 * M_PI / 180, out = 0;
    for (int j = 9; j <= 10; j++)
        out += (j == 10 ? 0.05 * c : 0.05 * s) * pl_zernike(j, cos(t), sin(t));
    cr_expect(epsilon_eq(dbl, out, 0.05 * sqrt(8), 1e-12), "highest in the corner");
}
