/* SPDX-License-Identifier: GPL-3.0-or-later */
/* misalign.c - from what is wrong with the telescope to the wavefront of a star in its field. */
#include "optics.h"

#include <math.h>

/* A field position, as an angle seen from the primary. */
struct angle {
    double x, y;
};

static double mirror_ratio(const pl_misalign *m)
{
    return m->mirror_focal_mm / m->aperture_mm;
}

static struct angle from_axis(const pl_misalign *m, double x_mm, double y_mm)
{
    return (struct angle){ (x_mm - m->axis_x_mm) / m->focal_mm,
                           (y_mm - m->axis_y_mm) / m->focal_mm };
}

static void add_defocus(const pl_misalign *m, double x, double y, double *z)
{
    double n = m->focal_mm / m->aperture_mm, r = hypot(x, y) / m->half_diagonal_mm;
    double surface = m->tilt_x_um_mm * x + m->tilt_y_um_mm * y;
    if (m->curvature_um != 0)
        surface += m->curvature_um * r * r;
    z[4] += (m->defocus_um - surface) / (8 * n * n) / (2 * sqrt(3));
}

static void add_coma(const pl_misalign *m, struct angle t, double *z)
{
    double n = mirror_ratio(m), w131_um = m->aperture_mm * 1e3 / (32 * n * n) / (6 * sqrt(2));
    z[8] += w131_um * t.x;
    z[7] += w131_um * t.y;
}

/* W222 rho^2 cos^2(angle from t) = W222 / 2 (rho^2 + rho^2 cos 2(angle from t)). */
static void add_astigmatism(const pl_misalign *m, struct angle t, struct angle centre, double *z)
{
    double half_um = m->aperture_mm * 1e3 / (16 * mirror_ratio(m));
    double here = t.x * t.x + t.y * t.y, there = centre.x * centre.x + centre.y * centre.y;
    z[4] += half_um * (here - there) / (2 * sqrt(3));
    z[6] += half_um * (t.x * t.x - t.y * t.y) / sqrt(6);
    z[5] += half_um * 2 * t.x * t.y / sqrt(6);
}

void pl_misalign_wave(const pl_misalign *m, double x_mm, double y_mm, double *z)
{
    struct angle centre = from_axis(m, 0, 0), star = from_axis(m, x_mm, y_mm);
    for (int j = 0; j <= PL_NOLL_MAX; j++)
        z[j] = m->zernike_nm[j] * 1e-3;
    add_defocus(m, x_mm, y_mm, z);
    add_coma(m, m->corrected ? centre : star, z);
    if (!m->corrected)
        add_astigmatism(m, star, centre, z);
    double pinch = 3 * m->pinch_deg * M_PI / 180;
    z[10] += m->pinch_nm * 1e-3 * cos(pinch);
    z[9] += m->pinch_nm * 1e-3 * sin(pinch);
}
