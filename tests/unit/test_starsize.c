/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The wave-optics image of a star against independent computations: numpy 1.24 and scipy 1.10 (FFT
 * of the pupil, Hankel integrals), quoted with the digits they were printed with. */
#include "../../lib/optics/optics.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>

static pl_optic demo(double obstruction, double seeing)
{
    return (pl_optic){ 300, 3, obstruction, 0.55, seeing };
}

/* Gauss-Legendre integrates degree 2n - 1 exactly: x^2k over [-1, 1] is 2 / (2k + 1). */
Test(gauss, is_exact_for_polynomials)
{
    for (int n = 1; n <= PL_GAUSS_MAX; n++) {
        pl_gauss rule = pl_gauss_rule(n);
        for (int k = 0; 2 * k <= 2 * n - 1; k++) {
            double sum = 0;
            for (int i = 0; i < n; i++)
                sum += rule.w[i] * pow(rule.x[i], 2 * k);
            cr_assert(epsilon_eq(dbl, sum, 2.0 / (2 * k + 1), 1e-13), "n = %d, k = %d", n, k);
        }
    }
}

struct transfer_row {
    double obstruction, frequency, want, tol;
    char source[40];
};

ParameterizedTestParameters(pupil, transfer)
{
    static struct transfer_row rows[] = {
        { 0, 0.1, 0.87289, 5e-6, "Goodman's closed form" },
        { 0, 0.25, 0.68504, 5e-6, "Goodman's closed form" },
        { 0, 0.5, 0.39100, 5e-6, "Goodman's closed form" },
        { 0, 0.75, 0.14429, 5e-6, "Goodman's closed form" },
        { 0, 0.9, 0.03739, 5e-6, "Goodman's closed form" },
        { 0.33, 0.1, 0.8111, 3e-4, "autocorrelation on a grid, +-2e-4" },
        { 0.33, 0.25, 0.5413, 3e-4, "autocorrelation on a grid, +-2e-4" },
        { 0.33, 0.5, 0.3252, 3e-4, "autocorrelation on a grid, +-2e-4" },
        { 0.33, 0.75, 0.1619, 3e-4, "autocorrelation on a grid, +-2e-4" },
        { 0.33, 0.9, 0.0418, 3e-4, "autocorrelation on a grid, +-2e-4" },
    };
    return cr_make_param_array(struct transfer_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct transfer_row *r, pupil, transfer)
{
    static pl_column work[PL_COLUMNS_MAX];
    pl_gauss rule = pl_gauss_rule(16);
    double t = pl_pupil_transfer(&rule, r->obstruction, 0, 2 * r->frequency, work);
    cr_expect(epsilon_eq(dbl, t, r->want, r->tol), "%s", r->source);
}

/* The volume under the transfer function is the Strehl ratio: sinc^2 of the defocus. Integral over
 * the plane with the clear pupil's own volume as unit. */
Test(pupil, strehl_of_defocus)
{
    static pl_column work[PL_COLUMNS_MAX];
    pl_gauss rule = pl_gauss_rule(32), inner = pl_gauss_rule(16);
    const double waves[] = { 0, 0.25, 0.5, 1 }, want[] = { 1, 0.81057, 0.40528, 0 };
    double sum[4] = { 0 };
    for (int k = 0; k < 4; k++)
        for (int i = 0; i < rule.n; i++) {
            double s = 1 + rule.x[i];
            sum[k] += rule.w[i] * s * pl_pupil_transfer(&inner, 0, waves[k], s, work);
        }
    for (int k = 0; k < 4; k++)
        cr_expect(epsilon_eq(dbl, sum[k] / sum[0], want[k], 2e-5), "%g waves", waves[k]);
}

/* No air: FWHM and half-flux radius of the annular diffraction pattern in lambda N. */
struct bare_row {
    double obstruction, fwhm, half_flux_radius;
};

ParameterizedTestParameters(starsize, without_air)
{
    static struct bare_row rows[] = { { 0, 1.0290, 0.5348 },   { 0.1, 1.0233, 0.5404 },
                                      { 0.2, 1.0068, 0.5586 }, { 0.25, 0.9949, 0.5739 },
                                      { 0.3, 0.9811, 0.5952 }, { 0.33, 0.9720, 0.6119 },
                                      { 0.4, 0.9486, 0.6707 }, { 0.5, 0.9117, 1.2532 } };
    return cr_make_param_array(struct bare_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct bare_row *r, starsize, without_air)
{
    pl_optic o = demo(r->obstruction, 0);
    double fwhm, hfd;
    cr_assert(eq(int, pl_star_size(&o, 0, &fwhm, &hfd, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, fwhm / 1.65, r->fwhm, 1e-4));
    cr_expect(epsilon_eq(dbl, hfd / 3.3, r->half_flux_radius, 3e-4));
}

/* In focus, 2.5 arcsec: 2.580 and 2.628 arcsec. A very large aperture leaves the air alone: FWHM
 * the seeing's, half-flux diameter 1.1371 times that. */
Test(starsize, in_focus)
{
    double fwhm, hfd, arcsec = 900e3 * PL_ARCSEC_RAD;
    pl_optic o = demo(0, 2.5);
    cr_assert(eq(int, pl_star_size(&o, 0, &fwhm, NULL, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, fwhm / arcsec, 2.580, 6e-4));
    o.obstruction = 0.33;
    cr_assert(eq(int, pl_star_size(&o, 0, &fwhm, NULL, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, fwhm / arcsec, 2.628, 6e-4));
    o = (pl_optic){ 20000, 3, 0, 0.55, 2.5 };
    cr_assert(eq(int, pl_star_size(&o, 0, &fwhm, &hfd, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, fwhm / (60000e3 * PL_ARCSEC_RAD), 2.5, 2.5 * 2e-3));
    cr_expect(epsilon_eq(dbl, hfd / fwhm, 1.1371, 2e-3));
}

struct hfd_row {
    double defocus_um, clear_um, obstructed_um;
};

/* Half-flux diameter through focus, half of the TOTAL light, 300 mm f/3, 2.5 arcsec. */
ParameterizedTestParameters(starsize, half_flux)
{
    static struct hfd_row rows[] = {
        { 0, 13.13, 13.52 },   { 10, 13.28, 13.69 },  { 20, 13.75, 14.22 },  { 30, 14.50, 15.08 },
        { 40, 15.53, 16.24 },  { 50, 16.78, 17.65 },  { 60, 18.23, 19.27 },  { 80, 21.58, 22.96 },
        { 100, 25.34, 27.03 }, { 150, 35.79, 38.08 }, { 200, 47.02, 49.78 }, { 300, 70.37, 74.15 },
        { 400, 93.97, 99.03 },
    };
    return cr_make_param_array(struct hfd_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct hfd_row *r, starsize, half_flux)
{
    pl_optic clear = demo(0, 2.5), obstructed = demo(0.33, 2.5);
    double um;
    cr_assert(eq(int, pl_star_size(&clear, r->defocus_um, NULL, &um, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, um, r->clear_um, 0.012));
    cr_assert(eq(int, pl_star_size(&obstructed, -r->defocus_um, NULL, &um, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, um, r->obstructed_um, 0.012), "the other side of focus");
}

struct growth_row {
    double growth, clear_um, obstructed_um;
};

/* Defocus that widens the star by a fraction, same telescope. Their digits and 0.1 % of the search.
 */
ParameterizedTestParameters(starsize, depth)
{
    static struct growth_row rows[] = { { 0.02, 12.17, 11.37 },
                                        { 0.05, 19.08, 17.77 },
                                        { 0.10, 26.62, 24.70 },
                                        { 0.15, 32.21, 29.77 },
                                        { 0.20, 36.79, 33.88 } };
    return cr_make_param_array(struct growth_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct growth_row *r, starsize, depth)
{
    pl_optic clear = demo(0, 2.5), obstructed = demo(0.33, 2.5);
    double um;
    cr_assert(eq(int, pl_star_depth(&clear, r->growth, &um, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, um, r->clear_um, 0.03));
    cr_assert(eq(int, pl_star_depth(&obstructed, r->growth, &um, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, um, r->obstructed_um, 0.03));
}

/* Other seeings and ratios: 10 % at 1.5 and 4 arcsec; f/4 with the same aperture scales as N^2. */
Test(starsize, depth_elsewhere)
{
    const double seeing[] = { 1.5, 4 }, clear[] = { 18.20, 39.74 }, obstructed[] = { 17.28, 36.92 };
    double um;
    for (int i = 0; i < 2; i++) {
        pl_optic a = demo(0, seeing[i]), b = demo(0.33, seeing[i]);
        cr_assert(eq(int, pl_star_depth(&a, 0.1, &um, NULL), PL_OK));
        cr_expect(epsilon_eq(dbl, um, clear[i], 0.03));
        cr_assert(eq(int, pl_star_depth(&b, 0.1, &um, NULL), PL_OK));
        cr_expect(epsilon_eq(dbl, um, obstructed[i], 0.03));
    }
    pl_optic f4 = { 300, 4, 0, 0.55, 2.5 };
    cr_assert(eq(int, pl_star_depth(&f4, 0.1, &um, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, um, 47.3, 0.06));
}

/* The blur far from focus is the geometric annulus: half-flux diameter d sqrt((1 + e^2) / 2). 1 %
 * for what air and diffraction still add at 40 waves. */
Test(starsize, far_from_focus_is_geometric)
{
    pl_optic o = demo(0.33, 1);
    double hfd, defocus = 1600;
    cr_assert(eq(int, pl_star_size(&o, defocus, NULL, &hfd, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, hfd / (defocus / 3 * 0.7446), 1, 0.01));
}

/* ---- coma */

struct coma_row {
    double w131_um, clear, obstructed; /* FWHM over that without coma */
};

/* numpy FFT, pupil of 192 points with area-weighted edge in 768, 2.5 arcsec, area above half the
 * peak on a grid of 0.02 um; computed apart from this library. 3e-4 for the count of grid points.
 */
ParameterizedTestParameters(comatic, growth)
{
    static struct coma_row rows[] = { { 0.2, 1.00710, 1.00676 },
                                      { 0.5, 1.04514, 1.04291 },
                                      { 0.8, 1.11470, 1.11078 },
                                      { 1.1, 1.20607, 1.20662 },
                                      { 1.4, 1.29739, 1.31462 } };
    return cr_make_param_array(struct coma_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct coma_row *r, comatic, growth)
{
    const double e[] = { 0, 0.33 }, want[] = { r->clear, r->obstructed };
    for (int i = 0; i < 2; i++) {
        pl_optic o = demo(e[i], 2.5);
        double none, some;
        cr_assert(eq(int, pl_star_coma(&o, 0, &none, NULL), PL_OK));
        cr_assert(eq(int, pl_star_coma(&o, r->w131_um, &some, NULL), PL_OK));
        cr_expect(epsilon_eq(dbl, some / none, want[i], 3e-4), "e = %g", e[i]);
    }
}

/* Two ways to the same star in focus: the round one and the quarter plane. */
Test(comatic, agrees_with_the_round_image)
{
    const double seeing[] = { 0, 1, 2.5, 10 };
    for (int i = 0; i < 4; i++) {
        pl_optic o = demo(0.33, seeing[i]);
        double a, b;
        cr_assert(eq(int, pl_star_size(&o, 0, &a, NULL, NULL), PL_OK));
        cr_assert(eq(int, pl_star_coma(&o, 0, &b, NULL), PL_OK));
        cr_expect(epsilon_eq(dbl, a / b, 1, 1e-4), "seeing %g", seeing[i]);
    }
}

/* The limit is where the growth is, and the moments' estimate is as far below as its docstring
 * says. */
Test(comatic, limit)
{
    for (double seeing = 1.5; seeing <= 4; seeing += 1.25)
        for (double growth = 0.02; growth < 0.11; growth += 0.04) {
            pl_optic o = demo(0.33, seeing);
            double limit, none, some, moments;
            cr_assert(eq(int, pl_star_coma_limit(&o, growth, &limit, NULL), PL_OK));
            cr_assert(eq(int, pl_star_coma(&o, 0, &none, NULL), PL_OK));
            cr_assert(eq(int, pl_star_coma(&o, limit, &some, NULL), PL_OK));
            cr_expect(epsilon_eq(dbl, some / none - 1, growth, 2e-4 * growth));
            pl_coma_w131_moments(none, 3, 0.33, growth, &moments, NULL);
            cr_expect(epsilon_eq(dbl, moments / limit, 0.84, 0.11), "%g %g", seeing, growth);
        }
}

/* ---- refusals */

Test(starsize, refusals)
{
    const pl_optic bad[] = { { 9, 3, 0, .55, 2 },      { 300, 0.9, 0, .55, 2 },
                             { 300, 51, 0, .55, 2 },   { 300, 3, -0.1, .55, 2 },
                             { 300, 3, 0.81, .55, 2 }, { 300, 3, 0, 0, 2 },
                             { 300, 3, 0, .55, -1 },   { 300, 3, 0, .55, 61 },
                             { NAN, 3, 0, .55, 2 },    { 300, NAN, 0, .55, 2 },
                             { 300, 3, NAN, .55, 2 },  { 300, 3, 0, NAN, 2 },
                             { 300, 3, 0, .55, NAN },  { 3e4, 3, 0, .55, 2 } };
    for (size_t i = 0; i < PL_ARRAY_LEN(bad); i++) {
        pl_err err = { PL_OK, "" };
        double a = -7, b = -8;
        cr_expect(eq(int, pl_star_size(&bad[i], 0, &a, &b, &err), PL_EARG), "row %zu", i);
        cr_expect(eq(int, err.code, PL_EARG));
        cr_expect(eq(int, pl_star_depth(&bad[i], 0.05, &a, NULL), PL_EARG));
        cr_expect(eq(int, pl_star_coma(&bad[i], 0, &a, NULL), PL_EARG));
        cr_expect(eq(int, pl_star_coma_limit(&bad[i], 0.05, &a, NULL), PL_EARG));
        cr_expect(eq(dbl, a, -7));
        cr_expect(eq(dbl, b, -8));
    }
}

Test(starsize, refused_amounts)
{
    pl_optic o = demo(0, 2.5);
    double a = -7;
    cr_expect(eq(int, pl_star_size(&o, NAN, &a, NULL, NULL), PL_EARG));
    cr_expect(eq(int, pl_star_size(&o, 1e6, &a, NULL, NULL), PL_EARG));
    cr_expect(eq(int, pl_star_depth(&o, 0, &a, NULL), PL_EARG));
    cr_expect(eq(int, pl_star_depth(&o, NAN, &a, NULL), PL_EARG));
    cr_expect(eq(int, pl_star_depth(&o, 1.5, &a, NULL), PL_EARG));
    const pl_optic huge = { 20000, 1, 0, 0.1, 60 }; /* its depth is more waves than are computed */
    cr_expect(eq(int, pl_star_depth(&huge, 0.05, &a, NULL), PL_EARG));
    cr_expect(eq(int, pl_star_coma(&o, NAN, &a, NULL), PL_EARG));
    cr_expect(eq(int, pl_star_coma(&o, 1e3, &a, NULL), PL_EARG));
    cr_expect(eq(int, pl_star_coma_limit(&o, 0.6, &a, NULL), PL_EARG));
    cr_expect(eq(int, pl_star_coma_limit(&o, NAN, &a, NULL), PL_EARG));
    cr_expect(eq(dbl, a, -7));
}
