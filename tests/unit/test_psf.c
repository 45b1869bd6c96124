/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Images of stars against diffraction theory, geometry and the round image of starsize.c. */
#include "../../lib/optics/optics.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A star in the middle pixel (size / 2, size / 2) of a grid; the caller frees. */
static double *star(const pl_psf_grid *g, const pl_blur *b, const pl_aperture *a, const double *z)
{
    static const double flat[PL_NOLL_MAX + 1];
    pl_psf *p;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_psf_new(g, &p, &err), PL_OK), "%s", err.msg);
    double *image = malloc(pl_psf_area(p) * sizeof *image);
    if (b)
        pl_psf_set_blur(p, b);
    if (a)
        pl_psf_set_aperture(p, a);
    cr_assert(pl_psf_image(p, z ? z : flat, g->size / 2, g->size / 2, image));
    pl_psf_free(p);
    return image;
}

/* lambda N = 1 um. */
static pl_psf_grid unit(int size, double pixel_um)
{
    return (pl_psf_grid){
        .light = { { 0.5, 1 } }, .lights = 1, .f_ratio = 2, .pixel_um = pixel_um, .size = size
    };
}

/* Along the row from the middle: where the square root of the intensity comes down to a level. */
static double falls_to(const double *image, int size, double pixel_um, double level)
{
    const double *row = image + (size_t)(size / 2) * (size_t)size + size / 2;
    for (int i = 0; i < size / 2 - 1; i++)
        if (row[i + 1] < level * row[0]) {
            double a = sqrt(row[i]), b = sqrt(row[i + 1]), c = sqrt(level * row[0]);
            return pixel_um * (i + (a - c) / (a - b));
        }
    return NAN;
}

/* The first dark ring: the amplitude goes through nought between two pixels of which the first is
 * the last to fall. */
static double first_zero(const double *image, int size, double pixel_um)
{
    const double *row = image + (size_t)(size / 2) * (size_t)size + size / 2;
    int i = 1;
    while (row[i + 1] < row[i])
        i++;
    int k = row[i - 1] < row[i + 1] ? i - 1 : i; /* sides of the minimum: k, k + 1 */
    double a = sqrt(row[k]), b = sqrt(row[k + 1]);
    return pixel_um * (k + a / (a + b));
}

static double inside(const double *image, int size, double radius_px)
{
    double sum = 0;
    for (int y = 0; y < size; y++)
        for (int x = 0; x < size; x++)
            if (hypot(x - size / 2, y - size / 2) < radius_px)
                sum += image[(size_t)y * (size_t)size + (size_t)x];
    return sum;
}

/* ---- no air */

struct annular_row {
    double obstruction, zero, fwhm, encircled;
};

/* Born & Wolf 8.5 and 8.6, computed from the Bessel functions with scipy 1.10; lambda N. */
ParameterizedTestParameters(psf, diffraction)
{
    static struct annular_row rows[] = {
        { 0, 1.2197, 1.0290, 0.8378 },   { 0.1, 1.2051, 1.0233, 0.8184 },
        { 0.2, 1.1665, 1.0068, 0.7638 }, { 0.25, 1.1416, 0.9949, 0.7258 },
        { 0.3, 1.1145, 0.9811, 0.6824 }, { 0.33, 1.0977, 0.9720, 0.6543 },
        { 0.4, 1.0577, 0.9486, 0.5843 }, { 0.5, 1.0009, 0.9117, 0.4786 },
    };
    return cr_make_param_array(struct annular_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct annular_row *r, psf, diffraction)
{
    enum { SIZE = 1024 };
    const double px = 0.05;
    pl_psf_grid g = unit(SIZE, px);
    pl_aperture a = { .obstruction = r->obstruction };
    double *image = star(&g, NULL, &a, NULL);
    double zero = first_zero(image, SIZE, px), fwhm = 2 * falls_to(image, SIZE, px, 0.5);
    cr_expect(epsilon_eq(dbl, zero, r->zero, 0.002 * r->zero), "first dark ring");
    cr_expect(epsilon_eq(dbl, fwhm, r->fwhm, 0.002 * r->fwhm), "FWHM");
    cr_expect(
        epsilon_eq(dbl, inside(image, SIZE, r->zero / px), r->encircled, 0.005 * r->encircled),
        "encircled energy");
    free(image);
}

static double peak(double obstruction, int j, double amount_um)
{
    enum { SIZE = 256 };
    double z[PL_NOLL_MAX + 1] = { 0 };
    pl_psf_grid g = unit(SIZE, 0.5);
    pl_aperture a = { .obstruction = obstruction };
    z[j] = amount_um;
    double *image = star(&g, NULL, &a, z), top = image[SIZE / 2 * SIZE + SIZE / 2];
    free(image);
    return top;
}

/* A quarter wave of defocus: sinc^2 of the wave from hole to rim (Born & Wolf 9.1; Mahajan 1982).
 * 2e-4: edges of 128 cells across. */
Test(psf, quarter_wave)
{
    double a4 = 0.5 / 4 / (2 * sqrt(3));
    cr_expect(epsilon_eq(dbl, peak(0, 4, a4) / peak(0, 4, 0), 0.81057, 2e-4));
    cr_expect(epsilon_eq(dbl, peak(0, 4, -a4) / peak(0, 4, 0), 0.81057, 2e-4));
    cr_expect(epsilon_eq(dbl, peak(0.33, 4, a4) / peak(0.33, 4, 0), 0.84703, 2e-4));
    cr_expect(epsilon_eq(dbl, peak(0, 4, 2 * a4) / peak(0, 4, 0), 0.4053, 2e-4));
    cr_expect(epsilon_eq(dbl, peak(0, 4, 4 * a4) / peak(0, 4, 0), 0, 2e-4));
}

/* Peak and obstruction: (1 - e^2)^2 of the clear pupil's, per incoming light; ours has flux 1, so
 * one power of 1 - e^2 remains. */
Test(psf, obstruction_dims)
{
    cr_expect(epsilon_eq(dbl, peak(0.33, 4, 0) / peak(0, 4, 0), 1 - 0.33 * 0.33, 1e-4));
}

/* Marechal (Mahajan 1982): exp(-(2 pi sigma / lambda)^2) at sigma = lambda / 60, 0.98909. The next
 * term of the series, (2 pi sigma / lambda)^4 times at most the fourth moment's excess, is below
 * 3e-4 for all of these; the drop itself is 1.1e-2. */
Test(psf, marechal)
{
    double sigma = 0.5 / 60, want = exp(-pow(2 * M_PI / 60, 2)), best = peak(0, 4, 0);
    for (int j = 4; j <= PL_NOLL_MAX; j++)
        cr_expect(epsilon_eq(dbl, peak(0, j, sigma) / best, want, 3e-4), "Z%d", j);
}

/* ---- air */

/* FWHM of Kolmogorov air alone is 0.976 lambda / r0, which is what seeing_um is: a telescope 27
 * times r0 wide adds less than 0.2 %. */
Test(psf, kolmogorov)
{
    enum { SIZE = 128 };
    pl_psf_grid g = unit(SIZE, 3);
    pl_blur b = { .seeing_um = 28 };
    g.seeing_um = 28;
    double *image = star(&g, &b, NULL, NULL);
    cr_expect(epsilon_eq(dbl, 2 * falls_to(image, SIZE, 3, 0.5), 28, 0.01 * 28));
    free(image);
}

/* Telescope and air against the Hankel transform of the product of their transfer functions, in
 * focus and out; 0.2 %: reading a width off pixels of a twelfth of it. */
Test(psf, round_star)
{
    enum { SIZE = 128 };
    const double focal = 870, aperture = 280, defocus[] = { 0, 20, 35 };
    pl_optic o = { aperture, focal / aperture, 0.33, 0.53, 2.5 };
    double um = 2.5 * PL_ARCSEC_RAD * focal * 1e3;
    pl_psf_grid g = { .light = { { 0.53, 1 } },
                      .lights = 1,
                      .f_ratio = focal / aperture,
                      .pixel_um = 1,
                      .size = SIZE,
                      .seeing_um = um };
    pl_blur b = { .seeing_um = um };
    pl_aperture a = { .obstruction = 0.33 };
    for (int i = 0; i < 3; i++) {
        double z[PL_NOLL_MAX + 1] = { 0 }, want;
        z[4] = defocus[i] / (8 * g.f_ratio * g.f_ratio) / (2 * sqrt(3));
        double *image = star(&g, &b, &a, z);
        cr_assert(eq(int, pl_star_size(&o, defocus[i], &want, NULL, NULL), PL_OK));
        cr_expect(epsilon_eq(dbl, 2 * falls_to(image, SIZE, 1, 0.5), want, 0.002 * want), "%g um",
                  defocus[i]);
        free(image);
    }
}

/* Far from focus the blur is the geometric annulus |defocus| / N wide: half its light lies inside
 * d sqrt((1 + e^2) / 2), on both sides of focus. 1 % for what air and pixel add. */
Test(psf, blur_diameter)
{
    enum { SIZE = 160 };
    pl_psf_grid g = { .light = { { 0.53, 1 } },
                      .lights = 1,
                      .f_ratio = 3,
                      .pixel_um = 4,
                      .size = SIZE,
                      .seeing_um = 6 };
    pl_blur b = { .seeing_um = 6, .pixel = true };
    pl_aperture a = { .obstruction = 0.33 };
    for (double defocus = -900; defocus <= 900; defocus += 1800) {
        double z[PL_NOLL_MAX + 1] = { 0 }, d = fabs(defocus) / 3, r = 0;
        z[4] = defocus / 72 / (2 * sqrt(3));
        double *image = star(&g, &b, &a, z);
        while (inside(image, SIZE, r) < 0.5)
            r += 0.02;
        cr_expect(epsilon_eq(dbl, 2 * r * 4, d * sqrt((1 + 0.33 * 0.33) / 2), 0.01 * d), "%g",
                  defocus);
        free(image);
    }
}

/* ---- signs */

/* Mean of x^a y^b over an image, about its middle, pixels. */
static double moment(const double *image, int size, int a, int b)
{
    double sum = 0, all = 0;
    for (int y = 0; y < size; y++)
        for (int x = 0; x < size; x++) {
            double v = image[(size_t)y * (size_t)size + (size_t)x];
            sum += v * pow(x - size / 2, a) * pow(y - size / 2, b);
            all += v;
        }
    return sum / all;
}

static pl_psf_grid camera(int size)
{
    return (pl_psf_grid){ .light = { { 0.53, 1 } },
                          .lights = 1,
                          .f_ratio = 3.1,
                          .pixel_um = 4.2,
                          .size = size,
                          .seeing_um = 10.5 };
}

static const pl_blur seeing = { .seeing_um = 10.5, .pixel = true };

/* Rays move by +2 N grad W: a2 by 4 N a2 (grad 2 x = 2). 2 % for the light beyond the window. */
Test(psf, tilt_moves_the_image)
{
    enum { SIZE = 96 };
    pl_psf_grid g = camera(SIZE);
    double z[PL_NOLL_MAX + 1] = { 0 };
    z[2] = 1;
    z[3] = -0.5;
    double *image = star(&g, &seeing, NULL, z), px = 4 * 3.1 / 4.2;
    cr_expect(epsilon_eq(dbl, moment(image, SIZE, 1, 0), px, 0.02 * px));
    cr_expect(epsilon_eq(dbl, moment(image, SIZE, 0, 1), -0.5 * px, 0.02 * px));
    free(image);
}

/* Positive a8 flares to +x, positive a7 to +y (third moment about the centroid). */
Test(psf, coma_flares)
{
    enum { SIZE = 96 };
    pl_psf_grid g = camera(SIZE);
    for (int j = 7; j <= 8; j++) {
        double z[PL_NOLL_MAX + 1] = { 0 };
        z[j] = 0.3;
        double *image = star(&g, &seeing, NULL, z);
        int a = j == 8, b = j == 7;
        double m1 = moment(image, SIZE, a, b), m2 = moment(image, SIZE, 2 * a, 2 * b);
        double skew = moment(image, SIZE, 3 * a, 3 * b) - 3 * m1 * m2 + 2 * m1 * m1 * m1;
        cr_expect(skew > pow(m2, 1.5) * 0.05, "Z%d", j);
        free(image);
    }
}

/* Outside focus the donut shows the pupil as it is: a shadow moved by o to +x takes its light, e^2
 * of the whole, from there: the rest moves by -o e^2 / (1 - e^2) blur radii; inside focus to the
 * other side. 2 % as above. */
Test(psf, shadow_off_centre)
{
    enum { SIZE = 120 };
    pl_psf_grid g = camera(SIZE);
    const double e = 0.35, o = 0.1, radius_px = 600 / (2 * 3.1) / 4.2;
    pl_aperture a = { .obstruction = e, .shadow_x = o };
    double want = -o * e * e / (1 - e * e) * radius_px;
    for (int side = -1; side <= 1; side += 2) {
        double z[PL_NOLL_MAX + 1] = { 0 };
        z[4] = side * 600 / (8 * 3.1 * 3.1) / (2 * sqrt(3));
        double *image = star(&g, &seeing, &a, z);
        cr_expect(epsilon_eq(dbl, moment(image, SIZE, 1, 0), side * want, 0.02 * fabs(want)));
        cr_expect(epsilon_eq(dbl, moment(image, SIZE, 0, 1), 0, 0.02 * fabs(want)));
        free(image);
    }
}

/* ---- properties */

static const double spoilt[PL_NOLL_MAX + 1] = {
    [4] = 1.2, [5] = -0.05, [6] = 0.08, [7] = 0.1, [8] = -0.06, [9] = 0.03, [11] = 0.04
};

static pl_psf *two_lights(int size)
{
    pl_psf_grid g = camera(size);
    pl_psf *p;
    g.lights = 2;
    g.oversample = 4; /* the same for all that are compared */
    g.light[0] = (pl_light){ 0.5, 1 };
    g.light[1] = (pl_light){ 0.6, 3 };
    cr_assert(eq(int, pl_psf_new(&g, &p, NULL), PL_OK));
    pl_psf_set_blur(p, &(pl_blur){ 10.5, 3, 1, 35, true });
    pl_psf_set_aperture(p, &(pl_aperture){ 0.33, 0.04, -0.02, 3, 0.02, 20 });
    return p;
}

/* One pixel on is one pixel on: the period is the image's size here, so also at its sides. */
Test(psf, shift)
{
    enum { SIZE = 96 };
    pl_psf *p = two_lights(SIZE);
    static double a[SIZE * SIZE], b[SIZE * SIZE];
    cr_assert(pl_psf_image(p, spoilt, 40.3, 51.8, a));
    cr_assert(pl_psf_image(p, spoilt, 41.3, 49.8, b));
    for (int y = 0; y < SIZE; y++)
        for (int x = 0; x < SIZE; x++) {
            double was = a[(y + 2) % SIZE * SIZE + (x + SIZE - 1) % SIZE];
            cr_assert(epsilon_eq(dbl, b[y * SIZE + x], was, 1e-15));
        }
    pl_psf_free(p);
}

/* All the light that passes arrives, but what edges diffract beyond the grid; and neither place,
 * air, tracking nor pixel change the sum. */
Test(psf, light_is_conserved)
{
    enum { SIZE = 96 };
    pl_psf *p = two_lights(SIZE);
    static double a[SIZE * SIZE];
    double sum[4] = { 0 };
    for (int k = 0; k < 4; k++) {
        cr_assert(pl_psf_image(p, spoilt, 48 + 0.37 * k, 47 - 9 * k, a));
        for (int i = 0; i < SIZE * SIZE; i++)
            sum[k] += a[i];
        pl_psf_set_blur(p, &(pl_blur){ 11 + k, 2 * k, k, 80, k % 2 });
    }
    cr_expect(epsilon_eq(dbl, sum[0], 1, 0.01));
    for (int k = 1; k < 4; k++)
        cr_expect(epsilon_eq(dbl, sum[k], sum[0], 1e-9)); /* pixels see a little at 1 / pixel */
    pl_psf_free(p);
}

/* Wavelengths add by weight, each with its own air, ~ lambda^-1/5. */
Test(psf, wavelengths_add)
{
    enum { SIZE = 96 };
    const double lambda[] = { 0.5, 0.6 }, weight[] = { 0.25, 0.75 };
    static double both[SIZE * SIZE], sum[SIZE * SIZE], one[SIZE * SIZE];
    pl_psf *p = two_lights(SIZE);
    pl_psf_image(p, spoilt, 48, 48, both);
    pl_psf_free(p);
    for (int k = 0; k < 2; k++) {
        pl_psf_grid g = camera(SIZE);
        g.light[0].lambda_um = lambda[k];
        g.oversample = 4;
        cr_assert(eq(int, pl_psf_new(&g, &p, NULL), PL_OK));
        pl_psf_set_blur(p, &(pl_blur){ 10.5 * pow(lambda[k] / 0.5, -0.2), 3, 1, 35, true });
        pl_psf_set_aperture(p, &(pl_aperture){ 0.33, 0.04, -0.02, 3, 0.02, 20 });
        cr_assert(pl_psf_image(p, spoilt, 48, 48, one));
        pl_psf_free(p);
        for (int i = 0; i < SIZE * SIZE; i++)
            sum[i] += weight[k] * one[i];
    }
    for (int i = 0; i < SIZE * SIZE; i++)
        cr_assert(epsilon_eq(dbl, both[i], sum[i], 1e-12));
}

/* Tracking adds its variance along its axis: sigma 8 and 2 um at 30 degrees. 1 % for what wraps. */
Test(psf, jitter)
{
    enum { SIZE = 96 };
    pl_psf_grid g = camera(SIZE);
    pl_blur b = seeing;
    double *a = star(&g, &b, NULL, NULL), q[3], t = 30 * M_PI / 180;
    b.jitter_major_um = 8;
    b.jitter_minor_um = 2;
    b.jitter_deg = 30;
    double *c = star(&g, &b, NULL, NULL), even = (64 + 4) / 2.0, odd = (64 - 4) / 2.0;
    const double want[] = { even + odd * cos(2 * t), odd * sin(2 * t), even - odd * cos(2 * t) };
    for (int k = 0; k < 3; k++) {
        q[k] = (moment(c, SIZE, 2 - k, k) - moment(a, SIZE, 2 - k, k)) * 4.2 * 4.2;
        cr_expect(epsilon_eq(dbl, q[k], want[k], 0.64), "%d: %g", k, q[k]);
    }
    free(a);
    free(c);
}

/* A grid promised air and pixels may be coarser than one that samples the intensity fully; the
 * image is the same within the 1e-4 of stray light that is allowed. In focus, where most reaches
 * far. */
Test(psf, the_promise_of_air_costs_nothing)
{
    enum { SIZE = 64 };
    const double pixel[] = { 1.5, 2, 3, 3.76, 4.2 }, air[] = { 1, 2, 4, 7, 10 };
    for (int k = 0; k < 50; k++) {
        pl_psf_grid fine = camera(SIZE), coarse = camera(SIZE);
        pl_blur b = { .seeing_um = air[k % 5], .pixel = k >= 25 };
        fine.pixel_um = coarse.pixel_um = pixel[k / 5 % 5];
        coarse.pixel = b.pixel;
        fine.seeing_um = 0;
        coarse.seeing_um = b.seeing_um;
        double *want = star(&fine, &b, NULL, NULL), *got = star(&coarse, &b, NULL, NULL);
        double error = 0, all = 0;
        for (int i = 0; i < SIZE * SIZE; i++) {
            error += (got[i] - want[i]) * (got[i] - want[i]);
            all += want[i] * want[i];
        }
        cr_expect(sqrt(error / all) < 1e-4, "%g um pixels, %g um of air: %g", pixel[k / 5 % 5],
                  air[k % 5], sqrt(error / all));
        free(want);
        free(got);
    }
}

/* ---- threads */

struct crowd {
    double *image[8];
};

static void draw_one(void *ctx, size_t i, int worker)
{
    struct crowd *c = ctx;
    (void)worker;
    pl_psf_grid g = camera(i % 2 ? 64 : 92);
    c->image[i] = star(&g, &seeing, NULL, spoilt);
}

/* Objects made and used at the same time: the same bytes as one after the other. */
Test(psf, threads)
{
    struct crowd one = { { 0 } }, many = { { 0 } };
    pl_pool_run(1, 8, draw_one, &one);
    pl_pool_run(4, 8, draw_one, &many);
    for (int i = 0; i < 8; i++) {
        size_t bytes = sizeof(double) * (i % 2 ? 64 * 64 : 92 * 92);
        cr_expect(eq(int, memcmp(one.image[i], many.image[i], bytes), 0), "image %d", i);
        free(one.image[i]);
        free(many.image[i]);
    }
}

/* ---- derivatives */

enum { GRAD = 64, AREA = GRAD * GRAD };

struct point {
    double z[PL_NOLL_MAX + 1], x, y, seeing, shadow_x, shadow_y, obstruction;
};

static void image_at(pl_psf *p, const struct point *at, double *out)
{
    pl_psf_set_blur(p, &(pl_blur){ at->seeing, 3, 1, 35, true });
    pl_psf_set_aperture(p,
                        &(pl_aperture){ at->obstruction, at->shadow_x, at->shadow_y, 3, 0.02, 20 });
    cr_assert(pl_psf_image(p, at->z, at->x, at->y, out));
}

/* Against central differences of step h: relative difference over the image. Theirs is wrong by h^2
 * times the third derivative and by rounding / h. */
static void compare(pl_psf *p, const struct point *at, size_t offset, double h, const double *got,
                    const char *what)
{
    static double up[AREA], down[AREA];
    struct point a = *at, b = *at;
    *(double *)((char *)&a + offset) += h;
    *(double *)((char *)&b + offset) -= h;
    image_at(p, &a, up);
    image_at(p, &b, down);
    double error = 0, all = 0;
    for (int i = 0; i < AREA; i++) {
        double d = (up[i] - down[i]) / (2 * h);
        error += (d - got[i]) * (d - got[i]);
        all += d * d;
    }
    cr_expect(sqrt(error / all) < 1e-6, "by %s: %g", what, sqrt(error / all));
}

Test(psf, gradient)
{
    static const int term[] = { 2, 4, 5, 6, 7, 8, 9, 10, 11, 15, 22 };
    enum { TERMS = sizeof term / sizeof *term };
    static double image[AREA], plain[AREA], dz[TERMS * AREA], dx[AREA], dy[AREA], ds[AREA];
    static double du[AREA], dv[AREA], dw[AREA];
    struct point at = { .x = 31.3,
                        .y = 33.6,
                        .seeing = 10.5,
                        .shadow_x = 0.04,
                        .shadow_y = -0.02,
                        .obstruction = 0.33 };
    memcpy(at.z, spoilt, sizeof at.z);
    pl_psf *p = two_lights(GRAD);
    image_at(p, &at, plain);
    const pl_psf_slopes s = { image, dz, dx, dy, ds, { du, dv, dw } };
    cr_assert(pl_psf_gradient(p, at.z, at.x, at.y, term, TERMS, &s));
    for (int i = 0; i < AREA; i++)
        cr_assert(eq(dbl, image[i], plain[i]), "the same image");
    for (int k = 0; k < TERMS; k++)
        compare(p, &at, offsetof(struct point, z) + (size_t)term[k] * sizeof(double), 1e-5,
                dz + (size_t)k * AREA, "a Zernike term");
    compare(p, &at, offsetof(struct point, x), 1e-4, dx, "x");
    compare(p, &at, offsetof(struct point, y), 1e-4, dy, "y");
    compare(p, &at, offsetof(struct point, seeing), 1e-3, ds, "seeing");
    compare(p, &at, offsetof(struct point, shadow_x), 1e-7, du, "shadow x");
    compare(p, &at, offsetof(struct point, shadow_y), 1e-7, dv, "shadow y");
    compare(p, &at, offsetof(struct point, obstruction), 1e-7, dw, "obstruction");
    pl_psf_free(p);
}

/* What an object has computed before never shows: the bytes of a new one, image and slopes, after
 * any one thing, or none, is changed. */
Test(psf, remembers_nothing_that_has_changed)
{
    enum { THINGS = 6, ROUNDS = 42, OUT = 5 };
    static const int term[] = { 7 };
    static double out[2][OUT][AREA];
    pl_psf_grid g = camera(GRAD);
    double z[PL_NOLL_MAX + 1];
    const double *x, *y;
    pl_blur blur = { 10.5, 3, 1, 35, true };
    pl_aperture a = { 0.33, 0.04, -0.02, 3, 0.02, 20 };
    bool moved = false;
    pl_psf *p[2];
    memcpy(z, spoilt, sizeof z);
    cr_assert(eq(int, pl_psf_new(&g, &p[0], NULL), PL_OK));
    size_t cells = pl_psf_cells(p[0], &x, &y);
    double *phase = malloc(cells * sizeof *phase);
    for (int i = 0; i < ROUNDS; i++) {
        int thing = i % 7 % THINGS; /* 0: none */
        z[7] += thing == 1 ? 0.01 : 0;
        blur.seeing_um += thing == 2 ? 0.5 : 0;
        blur.jitter_deg += thing == 3 ? 5 : 0;
        a.obstruction += thing == 4 ? 0.01 : 0;
        moved ^= thing == 5;
        for (size_t c = 0; c < cells; c++) /* of new content in the same place */
            phase[c] = 0.1 * sin(3 * x[c] + i);
        cr_assert(eq(int, pl_psf_new(&g, &p[1], NULL), PL_OK));
        for (int k = 0; k < 2; k++) {
            double(*o)[AREA] = out[k];
            pl_psf_slopes s = { o[0], o[1], NULL, NULL, o[2], { o[3], NULL, o[4] } };
            pl_psf_set_blur(p[k], &blur);
            pl_psf_set_aperture(p[k], &a);
            if (k || moved || thing == 5)
                pl_psf_set_phase(p[k], moved ? phase : NULL);
            if (i % 3 == 0) {
                memset(o, 0, sizeof out[k]);
                cr_assert(pl_psf_image(p[k], z, 31.3, 33.6, o[0]));
            } else
                cr_assert(pl_psf_gradient(p[k], z, 31.3, 33.6, term, 1, &s));
        }
        cr_expect(eq(int, memcmp(out[0], out[1], sizeof out[0]), 0), "round %d, thing %d", i,
                  thing);
        pl_psf_free(p[1]);
    }
    pl_psf_free(p[0]);
    free(phase);
}

/* ---- an added phase */

/* The Zernikes handed over cell by cell are the Zernikes. */
Test(psf, added_phase)
{
    static double a[AREA], b[AREA];
    const double flat[PL_NOLL_MAX + 1] = { 0 }, *x, *y;
    pl_psf *p = two_lights(GRAD);
    size_t cells = pl_psf_cells(p, &x, &y);
    double *phase = calloc(cells, sizeof *phase);
    for (size_t c = 0; c < cells; c++)
        for (int j = 2; j <= PL_NOLL_MAX; j++)
            phase[c] += spoilt[j] * pl_zernike(j, x[c], y[c]);
    cr_assert(pl_psf_image(p, spoilt, 30, 30, a));
    pl_psf_set_phase(p, phase);
    cr_assert(pl_psf_image(p, flat, 30, 30, b));
    for (int i = 0; i < AREA; i++)
        cr_assert(epsilon_eq(dbl, a[i], b[i], 1e-13));
    pl_psf_free(p);
    free(phase);
}

/* ---- sizes and refusals */

/* A donut 800 um out of focus is 61 px wide; on its own size it fits, with all but 2 % of its
 * light, on a third of it it is refused. */
Test(psf, size)
{
    pl_psf_grid g = camera(4);
    double z[PL_NOLL_MAX + 1] = { 0 };
    z[4] = 800 / (8 * 3.1 * 3.1) / (2 * sqrt(3));
    g.size = pl_psf_size(&g, &seeing, z);
    cr_expect(g.size > 61 + 10 && g.size < 61 + 40, "%d", g.size);
    double *image = star(&g, &seeing, NULL, z), sum = inside(image, g.size, 1e9);
    cr_expect(sum > 0.98 && sum < 1.001, "%g", sum);
    free(image);
    g.size /= 3;
    pl_psf *p;
    static double out[AREA];
    cr_assert(eq(int, pl_psf_new(&g, &p, NULL), PL_OK));
    cr_expect(not(pl_psf_image(p, z, 10, 10, out)));
    cr_expect(isnan(out[0]) && isnan(out[g.size * g.size - 1]));
    for (int j = 2; j <= PL_NOLL_MAX; j++) {
        double lost[PL_NOLL_MAX + 1] = { 0 };
        lost[j] = NAN;
        cr_expect(not(pl_psf_image(p, lost, 10, 10, out)), "Z%d", j);
    }
    pl_psf_free(p);
    z[4] = 1e4;
    g.size = pl_psf_size(&g, &seeing, z);
    cr_expect(eq(int, pl_psf_new(&g, &p, NULL), PL_EARG));
}

Test(psf, refusals)
{
    pl_psf_grid good = camera(32), bad[15];
    for (size_t i = 0; i < PL_ARRAY_LEN(bad); i++)
        bad[i] = good;
    bad[0].lights = 0;
    bad[1].lights = PL_LIGHTS_MAX + 1;
    bad[2].light[0].lambda_um = NAN;
    bad[3].light[0].weight = 0;
    bad[4].f_ratio = 0.5;
    bad[5].f_ratio = NAN;
    bad[6].pixel_um = 0;
    bad[7].pixel_um = NAN;
    bad[8].size = 3;
    bad[9].size = 5000;
    bad[10].seeing_um = -1;
    bad[11].seeing_um = NAN;
    bad[12].oversample = 1; /* 4.2 um does not sample f/3.1 */
    bad[13].pixel_um = 900; /* would need hundreds of fine pixels a side */
    bad[14].size = 900;     /* 3600 a side, in five wavelengths: two gibibytes */
    for (bad[14].lights = 0; bad[14].lights < PL_LIGHTS_MAX; bad[14].lights++)
        bad[14].light[bad[14].lights] = (pl_light){ 0.5 + 0.02 * bad[14].lights, 1 };
    for (size_t i = 0; i < PL_ARRAY_LEN(bad); i++) {
        pl_psf *p = NULL;
        pl_err err = { PL_OK, "" };
        cr_expect(eq(int, pl_psf_new(&bad[i], &p, &err), PL_EARG), "row %zu", i);
        cr_expect(err.msg[0] && !p, "row %zu", i);
    }
    pl_psf_free(NULL);
}
