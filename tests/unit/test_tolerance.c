/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Closed-form tolerances against values worked by hand or published. */
#include "../../lib/optics/optics.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <string.h>

/* ---- focus */

struct depth_row {
    double lambda_um, f_ratio, quarter_um, common_um, tol_um;
    char source[64];
};

ParameterizedTestParameters(tolerance, depth)
{
    static struct depth_row rows[] = {
        { 0.55, 3.0, 9.90, 12.08, 0.005, "by hand: 2 x 0.55 x 9, 2.44 x 0.55 x 9; printed digits" },
        { 0.55, 3.5, 13.475, 16.44, 0.005, "by hand: 2 x 0.55 x 12.25" },
        { 0.55, 4.0, 17.60, 21.47, 0.005, "by hand: 2 x 0.55 x 16; 42.94 / 2" },
        { 0.55, 5.0, 27.50, 33.55, 0.005, "by hand: 2 x 0.55 x 25" },
        { 1.0, 1.0, 2.0, 2.44, 1e-12, "by hand, lower end of the range" },
        { 1.0, 50.0, 5000, 6100, 1e-9, "by hand, upper end of the range" },
    };
    return cr_make_param_array(struct depth_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct depth_row *r, tolerance, depth)
{
    pl_err err = { PL_OK, "" };
    double quarter = -1, common = -1;
    cr_assert(eq(int, pl_focus_depth(r->lambda_um, r->f_ratio, &quarter, &err), PL_OK));
    cr_assert(eq(int, pl_focus_zone_common(r->lambda_um, r->f_ratio, &common, &err), PL_OK));
    cr_expect(epsilon_eq(dbl, quarter, r->quarter_um, r->tol_um), "%s", r->source);
    cr_expect(epsilon_eq(dbl, common, r->common_um, r->tol_um), "%s", r->source);
}

/* Exact on the axis of a paraboloid: W = dz (1 - cos u), tan(u / 2) = 1 / 4N. */
Test(tolerance, quarter_wave_is_paraxial)
{
    for (double n = 3; n <= 8; n += 0.5) {
        double u = 2 * atan(1 / (4 * n)), exact = 0.55 / 4 / (1 - cos(u)), um;
        cr_assert(eq(int, pl_focus_depth(0.55, n, &um, NULL), PL_OK));
        cr_expect(epsilon_eq(dbl, exact / um, 1 + 1 / (16 * n * n), 1e-6));
    }
}

struct seeing_row {
    double fwhm_um, obstruction, growth, want_um;
};

/* FWHM in focus of 300 mm f/3 in 2.5 arcsec: 2.580 arcsec clear, 2.628 arcsec with e = 0.33, times
 * 900 mm. Values of the formula worked with numpy 1.24, to their printed digits; 0.02 um for the
 * rounding of those FWHMs. */
ParameterizedTestParameters(tolerance, seeing)
{
    static struct seeing_row rows[] = {
        { 11.2573, 0, 0.02, 11.53 },    { 11.2573, 0, 0.05, 18.37 },
        { 11.2573, 0, 0.10, 26.29 },    { 11.2573, 0, 0.15, 32.58 },
        { 11.2573, 0, 0.20, 38.06 },    { 11.4667, 0.33, 0.02, 11.15 },
        { 11.4667, 0.33, 0.05, 17.76 }, { 11.4667, 0.33, 0.10, 25.42 },
        { 11.4667, 0.33, 0.15, 31.51 }, { 11.4667, 0.33, 0.20, 36.80 },
    };
    return cr_make_param_array(struct seeing_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct seeing_row *r, tolerance, seeing)
{
    double um = -1;
    pl_status rc = pl_focus_depth_seeing(r->fwhm_um, 3, r->obstruction, r->growth, &um, NULL);
    cr_assert(eq(int, rc, PL_OK));
    cr_expect(epsilon_eq(dbl, um, r->want_um, 0.02));
}

/* ---- diffraction */

struct airy_row {
    double obstruction, want; /* lambda N */
};

/* First dark ring of an annular pupil, scipy 1.10: zero of J1(v) - e J1(e v). Printed digits. */
ParameterizedTestParameters(tolerance, airy)
{
    static struct airy_row rows[] = { { 0, 1.2197 },    { 0.1, 1.2051 }, { 0.2, 1.1665 },
                                      { 0.25, 1.1416 }, { 0.3, 1.1145 }, { 0.33, 1.0977 },
                                      { 0.4, 1.0577 },  { 0.5, 1.0009 } };
    return cr_make_param_array(struct airy_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct airy_row *r, tolerance, airy)
{
    double um = -1;
    cr_assert(eq(int, pl_airy_radius(0.55, 4, r->obstruction, &um, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, um / (0.55 * 4), r->want, 6e-5));
}

/* ---- coma */

/* 1 arcmin at 300 mm: f/3 0.3030 um, f/4 0.310 waves of 0.55 um; by hand, printed digits. */
Test(tolerance, coma_of_an_axis_error)
{
    double um;
    cr_assert(eq(int, pl_coma_w131(300, 3, 1, &um, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, um, 0.3030, 5e-5));
    cr_assert(eq(int, pl_coma_w131(300, 4, 1, &um, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, um / 0.55, 0.310, 5e-4));
}

/* Exact optical path of a paraboloid f/3, 900 mm, 30 arcmin off axis: 9.013 um (numpy ray trace);
 * third order is 0.9 % high. */
Test(tolerance, coma_against_a_ray_trace)
{
    double um;
    cr_assert(eq(int, pl_coma_w131(300, 3, 30, &um, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, um / 9.013, 1, 0.01));
}

struct marechal_row {
    double f_ratio, radius_mm, tilt_arcmin;
};

/* Radius at which coma reaches lambda/14 RMS, 0.010667 N^3 mm at 0.55 um, by hand; the tilt is that
 * over the focal length of a 300 mm aperture. Exact ray traces lie 0.3 to 0.8 % higher. */
ParameterizedTestParameters(tolerance, marechal)
{
    static struct marechal_row rows[] = {
        { 3, 0.2880, 1.100 }, { 3.5, 0.4574, 1.4975 }, { 4, 0.6827, 1.956 }, { 5, 1.3334, 3.0558 }
    };
    return cr_make_param_array(struct marechal_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct marechal_row *r, tolerance, marechal)
{
    double rms, arcmin;
    cr_assert(eq(int, pl_coma_rms(0, &rms, NULL), PL_OK));
    cr_assert(eq(int, pl_coma_axis(300, r->f_ratio, 0.55 / 14 / rms, &arcmin, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, arcmin, r->tilt_arcmin, 1e-3));
    cr_expect(epsilon_eq(dbl, arcmin * PL_ARCMIN_RAD * 300 * r->f_ratio, r->radius_mm, 1e-4));
}

/* 1 / sqrt(72) clear; 0.119982 at e = 0.33 by numerical integration (numpy). */
Test(tolerance, balanced_coma)
{
    double rms;
    cr_assert(eq(int, pl_coma_rms(0, &rms, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, rms, 1 / sqrt(72), 1e-15));
    cr_assert(eq(int, pl_coma_rms(0.33, &rms, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, rms, 0.119982, 5e-7));
}

/* Variances of the coma's rays by ray sums (numpy), unit u = 2 N C: 1/2 and 1/6 clear, 0.4515 and
 * 0.1868 at e = 0.33. */
Test(tolerance, coma_by_moments)
{
    const double mean[] = { (0.5 + 1.0 / 6) / 2, (0.4515 + 0.1868) / 2 }, e[] = { 0, 0.33 };
    for (int i = 0; i < 2; i++) {
        double w131, f_ratio = 3, fwhm = 11;
        cr_assert(eq(int, pl_coma_w131_moments(fwhm, f_ratio, e[i], 0.05, &w131, NULL), PL_OK));
        double u = 2 * f_ratio * w131, wider = sqrt(fwhm * fwhm + 8 * log(2) * mean[i] * u * u);
        cr_expect(epsilon_eq(dbl, wider / fwhm, 1.05, 2e-5), "e = %g", e[i]);
    }
}

/* ---- temperature */

struct thermal_row {
    char tube[16], mirror[16];
    double tube_mm, want_um; /* inward on warming */
};

/* 900 mm f/3 by hand from the coefficients; the sign is that of the best position on warming. */
ParameterizedTestParameters(tolerance, thermal)
{
    static struct thermal_row rows[] = {
        { "aluminium", "borosilicate", 900, -17.82 },  { "steel", "borosilicate", 900, -7.83 },
        { "carbon", "borosilicate", 900, 2.07 },       { "aluminium", "soda-lime", 900, -12.69 },
        { "aluminium", "borosilicate", 650, -12.045 },
    };
    return cr_make_param_array(struct thermal_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct thermal_row *r, tolerance, thermal)
{
    double t, m, um;
    cr_assert(eq(int, pl_material_cte(r->tube, &t, NULL, NULL, NULL), PL_OK));
    cr_assert(eq(int, pl_material_cte(r->mirror, &m, NULL, NULL, NULL), PL_OK));
    cr_assert(eq(int, pl_thermal_shift(r->tube_mm, 900, t, m, &um, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, um, r->want_um, 0.005), "%s %s", r->tube, r->mirror);
}

/* Every material the facts allow has an expansion, inside its own range. */
Test(tolerance, materials_are_complete)
{
    size_t n, words = 0;
    const pl_fact *rows = pl_facts_table(&n);
    for (size_t i = 0; i < n; i++) {
        if (strcmp(rows[i].name, "tube_material") != 0)
            continue;
        for (const char *w = rows[i].words; *w; w += strcspn(w, " "), w += *w == ' ', words++) {
            char word[32] = "";
            double cte, low, high;
            memcpy(word, w, strcspn(w, " "));
            cr_assert(eq(int, pl_material_cte(word, &cte, &low, &high, NULL), PL_OK), "%s", word);
            cr_expect(le(dbl, low, cte));
            cr_expect(le(dbl, cte, high));
        }
    }
    cr_expect(eq(sz, words, 8));
    double cte = -7;
    cr_expect(eq(int, pl_material_cte("cheese", &cte, NULL, NULL, NULL), PL_EARG));
    cr_expect(eq(dbl, cte, -7));
}

/* ---- secondary */

struct flat_row {
    double to_focus_mm, want_mm, textbook_mm;
};

/* D 250, f 1000, m 70: the exact equation solved numerically (scipy), and the textbook's
 * m (D - m) / 4 (f - d), by hand. Printed digits. */
ParameterizedTestParameters(tolerance, flat)
{
    static struct flat_row rows[] = { { 180, 3.878, 3.841 },
                                      { 200, 3.977, 3.938 },
                                      { 220, 4.080, 4.038 },
                                      { 240, 4.189, 4.145 },
                                      { 260, 4.305, 4.257 } };
    return cr_make_param_array(struct flat_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct flat_row *r, tolerance, flat)
{
    pl_secondary s;
    cr_assert(eq(int, pl_secondary_place(250, 1000, 70, r->to_focus_mm, &s, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, s.offset_mm, r->want_mm, 6e-4));
    cr_expect(epsilon_eq(dbl, s.offset_mm, r->textbook_mm, 0.012 * r->textbook_mm));
}

/* Flats that just take the axial cone, d = 280, cone slopes 0.12549 (f/4) and 0.16783 (f/3), by
 * hand: the section's minor axis is 70.83 and 95.34 mm, its centre's offset 4.480 and 8.116 mm. A
 * flat sqrt(2) times as long as wide has to be wider by 1 / sqrt(1 - t^2); then all criteria agree
 * and nothing off the axis is fully lit. */
Test(tolerance, flat_that_just_fits)
{
    const double aperture[] = { 250, 300 }, focal[] = { 1000, 900 }, slope[] = { 0.12549, 0.16783 };
    const double minor[] = { 70.83, 95.34 }, offset[] = { 4.480, 8.116 };
    for (int i = 0; i < 2; i++) {
        pl_secondary s;
        double m = minor[i] / sqrt(1 - slope[i] * slope[i]);
        cr_assert(eq(int, pl_secondary_place(aperture[i], focal[i], m, 280, &s, NULL), PL_OK));
        cr_expect(epsilon_eq(dbl, s.needed_mm, m, 0.006));
        cr_expect(epsilon_eq(dbl, s.offset_mm, offset[i], 0.002));
        cr_expect(epsilon_eq(dbl, s.concentric_mm, offset[i], 0.002));
        cr_expect(lt(dbl, s.lit_mm, 0.02));
    }
}

/* Outline concentric: m = 70, d = 200, 220, 240 give 5.95, 5.43, 5.00 mm; by hand, printed digits.
 */
Test(tolerance, flat_with_concentric_outline)
{
    const double d[] = { 200, 220, 240 }, want[] = { 5.95, 5.43, 5.00 };
    for (int i = 0; i < 3; i++) {
        pl_secondary s;
        cr_assert(eq(int, pl_secondary_place(250, 1000, 70, d[i], &s, NULL), PL_OK));
        cr_expect(epsilon_eq(dbl, s.concentric_mm, want[i], 0.005));
    }
}

Test(tolerance, flat_refusals)
{
    const double bad[][4] = { { 250, 200, 70, 100 },  { 250, 1000, 250, 200 },
                              { 250, 1000, 0, 200 },  { 250, 1000, 70, 30 },
                              { 250, 1000, 70, 950 }, { NAN, 1000, 70, 200 },
                              { 250, NAN, 70, 200 },  { 250, 1000, NAN, 200 },
                              { 250, 1000, 70, NAN } };
    for (size_t i = 0; i < PL_ARRAY_LEN(bad); i++) {
        pl_secondary s = { -1, -2, -3, -4 };
        pl_err err = { PL_OK, "" };
        pl_status rc = pl_secondary_place(bad[i][0], bad[i][1], bad[i][2], bad[i][3], &s, &err);
        cr_expect(eq(int, rc, PL_EARG), "row %zu", i);
        cr_expect(eq(int, err.code, PL_EARG));
        cr_expect(eq(dbl, s.offset_mm, -2));
        cr_expect(eq(dbl, s.lit_mm, -4));
    }
}

/* ---- refusals: the right code, the output untouched */

static const double bad_ratio[] = { 0.99, 50.01, 0, -3, NAN, INFINITY };

Test(tolerance, refused_focal_ratios)
{
    for (size_t i = 0; i < PL_ARRAY_LEN(bad_ratio); i++) {
        double n = bad_ratio[i], out = -7;
        pl_err err = { PL_OK, "" };
        cr_expect(eq(int, pl_focus_depth(0.55, n, &out, &err), PL_EARG));
        cr_expect(ne(chr, err.msg[0], 0));
        cr_expect(eq(int, pl_focus_zone_common(0.55, n, &out, NULL), PL_EARG));
        cr_expect(eq(int, pl_focus_depth_seeing(11, n, 0, 0.05, &out, NULL), PL_EARG));
        cr_expect(eq(int, pl_airy_radius(0.55, n, 0, &out, NULL), PL_EARG));
        cr_expect(eq(int, pl_coma_w131(300, n, 1, &out, NULL), PL_EARG));
        cr_expect(eq(int, pl_coma_axis(300, n, 1, &out, NULL), PL_EARG));
        cr_expect(eq(int, pl_coma_w131_moments(11, n, 0, 0.05, &out, NULL), PL_EARG));
        cr_expect(eq(dbl, out, -7));
    }
}

Test(tolerance, refused_lights_and_lengths)
{
    const double bad[] = { 0, -1, 2e9, NAN, INFINITY };
    for (size_t i = 0; i < PL_ARRAY_LEN(bad); i++) {
        double out = -7;
        cr_expect(eq(int, pl_focus_depth(bad[i], 4, &out, NULL), PL_EARG));
        cr_expect(eq(int, pl_airy_radius(bad[i], 4, 0, &out, NULL), PL_EARG));
        cr_expect(eq(int, pl_focus_depth_seeing(bad[i], 4, 0, 0.05, &out, NULL), PL_EARG));
        cr_expect(eq(int, pl_focus_depth_seeing(11, 4, 0, bad[i], &out, NULL), PL_EARG));
        cr_expect(eq(int, pl_coma_w131(bad[i], 4, 1, &out, NULL), PL_EARG));
        cr_expect(eq(int, pl_thermal_shift(bad[i], 900, 23, 3, &out, NULL), PL_EARG));
        cr_expect(eq(int, pl_thermal_shift(900, bad[i], 23, 3, &out, NULL), PL_EARG));
        cr_expect(eq(dbl, out, -7));
    }
}

Test(tolerance, refused_obstructions_and_angles)
{
    const double bad[] = { -0.01, 0.81, NAN };
    double out = -7;
    for (size_t i = 0; i < PL_ARRAY_LEN(bad); i++) {
        cr_expect(eq(int, pl_airy_radius(0.55, 4, bad[i], &out, NULL), PL_EARG));
        cr_expect(eq(int, pl_coma_rms(bad[i], &out, NULL), PL_EARG));
        cr_expect(eq(int, pl_focus_depth_seeing(11, 4, bad[i], 0.05, &out, NULL), PL_EARG));
    }
    cr_expect(eq(int, pl_coma_w131(300, 4, NAN, &out, NULL), PL_EARG));
    cr_expect(eq(int, pl_coma_axis(300, 4, NAN, &out, NULL), PL_EARG));
    cr_expect(eq(int, pl_thermal_shift(900, 900, NAN, 3, &out, NULL), PL_EARG));
    cr_expect(eq(int, pl_thermal_shift(900, 900, 23, NAN, &out, NULL), PL_EARG));
    cr_expect(eq(dbl, out, -7));
}
