/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The air's share of a Zernike coefficient, against Noll 1976 and a trial with moving air. */
#include "../../lib/align/donut/donut.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>

static const double ARCSEC = M_PI / 648000;

struct mode_row {
    int j;
    double want; /* rad^2 at D = r0 */
};

/* Variance of one mode by radial order: Noll 1976, eq. A2. */
ParameterizedTestParameters(turbulence, an_instant)
{
    static struct mode_row rows[] = { { 4, .023218 },   { 5, .023218 },   { 6, .023218 },
                                      { 7, .0061914 },  { 8, .0061914 },  { 9, .0061914 },
                                      { 10, .0061914 }, { 11, .0024539 }, { 12, .0024539 },
                                      { 13, .0024539 }, { 14, .0024539 }, { 15, .0024539 } };
    return cr_make_param_array(struct mode_row, rows, sizeof rows / sizeof *rows);
}

/* r0 = 44.29 mm at 2.5 arcsec and 0.55 um (0.976 lambda / r0, computed apart from this library,
 * four digits: 4e-4 in the variance). */
ParameterizedTest(struct mode_row *r, turbulence, an_instant)
{
    const pl_optic scope = { 300, 3, 0.33, 0.55, 2.5 };
    double um = 0.55 / (2 * M_PI), want = r->want * pow(300 / 44.29, 5.0 / 3) * um * um;
    double got = pl_turbulence_variance(r->j, &scope, 2.5 * ARCSEC, NAN);
    cr_expect(epsilon_eq(dbl, got / want, 1, 4e-4), "%d", r->j);
    cr_expect(
        epsilon_eq(dbl, pl_turbulence_variance(r->j, &scope, 2.5 * ARCSEC, 0) / got, 1, 1e-12));
}

/* Air bends all colours alike: with the seeing that falls as lambda^-1/5 the wavefront in um is the
 * same at every wavelength. */
Test(turbulence, the_same_in_every_colour)
{
    pl_optic green = { 300, 3, 0.33, 0.55, 2.5 }, red = green;
    red.lambda_um = 0.85;
    for (int j = 4; j <= 15; j++) {
        double a = pl_turbulence_variance(j, &green, 2.5 * ARCSEC, 1);
        double b = pl_turbulence_variance(j, &red, 2.5 * ARCSEC * pow(0.85 / 0.55, -0.2), 1);
        cr_expect(epsilon_eq(dbl, a / b, 1, 1e-9), "%d", j);
    }
}

/* A longer exposure is never worse, and one ten times as long has a tenth of the variance once it
 * is long against the tens of milliseconds of a 300 mm aperture (3 % of it at 1 s). */
Test(turbulence, averages_down)
{
    const pl_optic scope = { 300, 3, 0.33, 0.55, 2.5 };
    for (int j = 4; j <= 15; j++) {
        double before = pl_turbulence_variance(j, &scope, 2.5 * ARCSEC, NAN);
        for (double t = 0.001; t < 100; t *= 2) {
            double now = pl_turbulence_variance(j, &scope, 2.5 * ARCSEC, t);
            cr_expect(lt(dbl, now, before), "%d at %g s", j, t);
            before = now;
        }
        double one = pl_turbulence_variance(j, &scope, 2.5 * ARCSEC, 1),
               ten = pl_turbulence_variance(j, &scope, 2.5 * ARCSEC, 10);
        cr_expect(epsilon_eq(dbl, 10 * ten / one, 1, 0.03), "%d", j);
    }
}

struct trial_row {
    double exposure_s, coma_nm, astigmatism_nm;
};

/* Scatter seen in a trial with drifting Kolmogorov screens, 280 mm, 2.5 arcsec (numpy, apart from
 * this library). Wind and its profile differ by such factors from night to night: within 1.6. */
ParameterizedTestParameters(turbulence, as_in_the_trial)
{
    static struct trial_row rows[] = { { .1, 15, 34 }, { .3, 7, 18 }, { 1, 5, 8 }, { 3, 2, 5 } };
    return cr_make_param_array(struct trial_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct trial_row *r, turbulence, as_in_the_trial)
{
    const pl_optic scope = { 280, 3.1, 0.33, 0.55, 2.5 };
    double coma = 1000 * sqrt(pl_turbulence_variance(8, &scope, 2.5 * ARCSEC, r->exposure_s));
    double astigmatism =
        1000 * sqrt(pl_turbulence_variance(6, &scope, 2.5 * ARCSEC, r->exposure_s));
    cr_expect(lt(dbl, fabs(log(coma / r->coma_nm)), log(1.6)), "%g nm", coma);
    cr_expect(lt(dbl, fabs(log(astigmatism / r->astigmatism_nm)), log(1.6)), "%g nm", astigmatism);
}

Test(turbulence, nothing_to_say)
{
    const pl_optic scope = { 300, 3, 0.33, 0.55, 2.5 };
    cr_expect(eq(dbl, pl_turbulence_variance(8, &scope, 0, 1), 0), "no air");
    cr_expect(eq(dbl, pl_turbulence_variance(8, &scope, NAN, 1), 0), "unknown air");
    cr_expect(eq(dbl, pl_turbulence_variance(16, &scope, 2.5 * ARCSEC, 1), 0));
    cr_expect(eq(dbl, pl_turbulence_variance(0, &scope, 2.5 * ARCSEC, 1), 0));
}
