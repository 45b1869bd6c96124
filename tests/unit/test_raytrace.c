/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pl_misalign_wave against exact rays: a paraboloid z = r^2 / 4f with its vertex at the origin, the
 * stop at the mirror, the sensor facing it at z = f; the mirror may be tilted about its vertex, and
 * a thin ideal lens (which images every point of a plane perfectly) may stand before the focus.
 *
 * Outside focus a ray from the mirror's +x side has crossed over to -x: the pupil as the frame
 * shows it is the mirror turned by 180 degrees. The wavefront is what fits the rays: shift = 2 N
 * grad W. */
#include "../../lib/optics/optics.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>

static const double F = 900, RADIUS = 150; /* f/3, mm */
static const double ARCMIN = M_PI / 10800;

struct vec {
    double x, y, z;
};

struct setup {
    double tilt;           /* of the mirror's axis towards +x, rad */
    double out_mm;         /* sensor beyond the focus */
    double magnify;        /* 0: no lens */
    double lens_mm;        /* before the mirror's focus */
    double star_x, star_y; /* tangents: where the star's image falls over F, mirror untilted */
};

static struct vec turn(struct vec v, double a)
{
    return (struct vec){ v.x * cos(a) + v.z * sin(a), v.y, v.z * cos(a) - v.x * sin(a) };
}

/* Intersection of a ray with z = at. */
static struct vec meet(struct vec p, struct vec d, double at)
{
    double t = (at - p.z) / d.z;
    return (struct vec){ p.x + t * d.x, p.y + t * d.y, at };
}

/* Where the ray through the pupil point (px, py) of the frame's pupil meets the sensor. */
static struct vec trace(const struct setup *s, double px, double py)
{
    struct vec in = turn((struct vec){ s->star_x, s->star_y, -1 }, -s->tilt);
    double x = -px * RADIUS, y = -py * RADIUS;
    struct vec hit = { x, y, (x * x + y * y) / (4 * F) };
    struct vec n = { -x / (2 * F), -y / (2 * F), 1 };
    double k = 2 * (in.x * n.x + in.y * n.y + in.z * n.z) / (n.x * n.x + n.y * n.y + 1);
    struct vec out = { in.x - k * n.x, in.y - k * n.y, in.z - k * n.z };
    hit = turn(hit, s->tilt);
    out = turn(out, s->tilt);
    if (s->magnify == 0)
        return meet(hit, out, F + s->out_mm);
    double b = s->lens_mm, power = 1 / (s->magnify * b) - 1 / b;
    struct vec lens = meet(hit, out, F - b);
    struct vec bent = { out.x / out.z - power * lens.x, out.y / out.z - power * lens.y, 1 };
    return meet(lens, bent, F - b + s->magnify * b + s->out_mm);
}

/* Noll's coefficients 2..13 of the wavefront in um, by least squares on the rays of a polar grid
 * relative to the ray through the vertex. */
static void wave(const struct setup *s, double *a)
{
    enum { RINGS = 8, SPOKES = 24, TERMS = 12, ROWS = 2 * RINGS * SPOKES };
    static double rows[ROWS * TERMS], rhs[ROWS];
    double n2 = 2 * F / (2 * RADIUS) * (s->magnify != 0 ? s->magnify : 1), h = 1e-3;
    struct vec chief = trace(s, 0, 0);
    for (int i = 0; i < RINGS * SPOKES; i++) {
        double r = sqrt((i / SPOKES + 0.5) / RINGS), t = 2 * M_PI * (i % SPOKES) / SPOKES;
        double x = r * cos(t), y = r * sin(t);
        struct vec p = trace(s, x, y);
        rhs[2 * i] = (p.x - chief.x) * 1e3 / n2;
        rhs[2 * i + 1] = (p.y - chief.y) * 1e3 / n2;
        for (int k = 0; k < TERMS; k++) {
            double *row = rows + (size_t)(2 * i) * TERMS;
            row[k] = (pl_zernike(k + 2, x + h, y) - pl_zernike(k + 2, x - h, y)) / (2 * h);
            row[TERMS + k] = (pl_zernike(k + 2, x, y + h) - pl_zernike(k + 2, x, y - h)) / (2 * h);
        }
    }
    cr_assert(eq(int, pl_lsq_fit(rows, rhs, ROWS, TERMS, a + 2, NULL, NULL, NULL), PL_OK));
}

static pl_misalign bare(void)
{
    return (pl_misalign){
        .aperture_mm = 2 * RADIUS, .focal_mm = F, .mirror_focal_mm = F, .half_diagonal_mm = 14
    };
}

/* The trace itself: against an exact trace made in numpy, 5 arcmin at f/3, f = 900:
 * tangential 27.53 um, sagittal 9.090 um. The formula 3 theta / (16 N^2) is within 1 %. */
Test(raytrace, tangential_coma)
{
    double theta = tan(5 * ARCMIN);
    struct setup s = { .star_x = theta };
    struct vec c = trace(&s, 0, 0), a = trace(&s, 1, 0), b = trace(&s, -1, 0), d = trace(&s, 0, 1);
    double tangential = ((a.x + b.x) / 2 - c.x) * 1e3, sagittal = (d.x - c.x) * 1e3;
    cr_expect(epsilon_eq(dbl, tangential, 27.53, 0.005));
    cr_expect(epsilon_eq(dbl, sagittal, 9.090, 0.005));
    cr_expect(epsilon_eq(dbl, tangential, 3 * theta / (16 * 9) * F * 1e3, 0.01 * tangential));
    cr_expect(tangential > 0, "outwards");
}

/* Half a degree from the axis, signs and all: 1 % in coma, 2 % in astigmatism and the medial
 * surface (third order is 0.9 % and 1.5 % high there, by exact path lengths in numpy). */
Test(raytrace, field_of_a_bare_mirror)
{
    const double deg[] = { 0, 90, 135, 250 };
    for (int i = 0; i < 4; i++) {
        double t = tan(30 * ARCMIN), a[PL_NOLL_MAX + 1] = { 0 }, z[PL_NOLL_MAX + 1];
        double c = cos(deg[i] * M_PI / 180), d = sin(deg[i] * M_PI / 180);
        struct setup s = { .star_x = t * c, .star_y = t * d };
        pl_misalign m = bare();
        wave(&s, a);
        pl_misalign_wave(&m, t * c * F, t * d * F, z);
        double coma = hypot(z[7], z[8]), astigmatism = hypot(z[5], z[6]);
        for (int j = 4; j <= 8; j++) {
            double tol = j >= 7 ? 0.01 * coma : 0.02 * astigmatism;
            cr_expect(epsilon_eq(dbl, a[j], z[j], tol), "a%d at %g degrees", j, deg[i]);
        }
    }
}

/* The axis of a paraboloid, out of focus by 0.5 mm: W020 = d / (8 N^2) (1 - 1/(16 N^2)) to this
 * order by path lengths (Schroeder, from memory), rays at f/3 spread 0.7 % more than f/N says. */
Test(raytrace, defocus)
{
    struct setup s = { .out_mm = 0.5 };
    double a[PL_NOLL_MAX + 1] = { 0 }, z[PL_NOLL_MAX + 1];
    pl_misalign m = bare();
    m.defocus_um = 500;
    wave(&s, a);
    pl_misalign_wave(&m, 0, 0, z);
    cr_expect(epsilon_eq(dbl, a[4], z[4], 0.008 * z[4]));
    cr_expect(a[4] > 0);
}

/* Tangent of the star whose coma along x is none: the coma grows evenly, so by the rule of three.
 */
static double coma_free(double tilt)
{
    double a[PL_NOLL_MAX + 1], b[PL_NOLL_MAX + 1], step = 1e-3;
    struct setup s = { .tilt = tilt };
    wave(&s, a);
    s.star_x = step;
    wave(&s, b);
    return step * a[8] / (a[8] - b[8]);
}

/* A tilted primary moves the star by 2 f tau and the coma-free point by f tau. */
Test(raytrace, the_star_moves_twice_as_far_as_the_coma_free_point)
{
    const double tilt = 3 * ARCMIN;
    struct setup s = { .tilt = tilt };
    double star = trace(&s, 0, 0).x;
    s.star_x = coma_free(tilt);
    double free_x = trace(&s, 0, 0).x;
    cr_expect(epsilon_eq(dbl, star / (2 * F * tilt), 1, 1e-4));
    cr_expect(epsilon_eq(dbl, free_x / (F * tilt), 1, 1e-4));
    cr_expect(epsilon_eq(dbl, star / free_x, 2, 1e-4));
}

/* The same through pl_misalign: the coma of a star in the frame's middle, and of one elsewhere. */
Test(raytrace, tilted_primary)
{
    const double tilt = 3 * ARCMIN;
    pl_misalign m = bare();
    m.axis_x_mm = F * tan(tilt);
    for (int i = 0; i < 2; i++) {
        double a[PL_NOLL_MAX + 1] = { 0 }, z[PL_NOLL_MAX + 1];
        struct setup s = { .tilt = tilt, .star_x = -2 * tilt + 4e-3 * i, .star_y = 5e-3 * i };
        struct vec image = trace(&s, 0, 0);
        wave(&s, a);
        pl_misalign_wave(&m, image.x, image.y, z);
        double coma = hypot(z[7], z[8]);
        cr_expect(epsilon_eq(dbl, a[8], z[8], 0.01 * coma), "star %d", i);
        cr_expect(epsilon_eq(dbl, a[7], z[7], 0.01 * coma), "star %d", i);
        cr_expect(i == 1 || a[8] < 0, "flare away from the coma-free point at +x");
    }
}

/* An ideal corrector changes the scale and leaves the wave: the same mirror tilt, the star in the
 * middle of the sensor, the same coma in nm to 0.1 % at 0.75, at 1.15, and without; pl_misalign's
 * corrected telescope has it all over the field. */
Test(raytrace, a_corrector_leaves_the_coma_of_a_tilt)
{
    const double tilt = 3 * ARCMIN, magnify[] = { 0.75, 1.15 };
    struct setup without = { .tilt = tilt, .star_x = -2 * tilt };
    double a[PL_NOLL_MAX + 1], b[PL_NOLL_MAX + 1], z[PL_NOLL_MAX + 1];
    wave(&without, a);
    for (int i = 0; i < 2; i++) {
        struct setup with = without;
        with.magnify = magnify[i];
        with.lens_mm = 80;
        wave(&with, b);
        cr_expect(epsilon_eq(dbl, b[8], a[8], 1e-3 * fabs(a[8])), "times %g", magnify[i]);
        pl_misalign m = bare();
        m.focal_mm = F * magnify[i];
        m.corrected = true;
        m.axis_x_mm = F * magnify[i] * tan(tilt);
        pl_misalign_wave(&m, 9, -4, z);
        cr_expect(epsilon_eq(dbl, z[8], a[8], 0.01 * fabs(a[8])), "times %g", magnify[i]);
    }
}
