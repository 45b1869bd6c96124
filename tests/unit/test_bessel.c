/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_bessel.c - the table of Bessel functions. */
#include "../../lib/optics/bessel.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>
#include <gsl/gsl_sf_bessel.h>

/* Source: printed by tests/reference/bessel.py (scipy.special.jn). */
static const struct {
    double v, j0, j2;
} scipy[] = {
    { 0, 1.000000000000000, 0.000000000000000 },
    { 0.01, 0.999975000156250, 0.000012499895834 },
    { 0.125, 0.996097563041985, 0.001950583109930 },
    { 0.6, 0.912004863497211, 0.043665096715842 },
    { 1.9, 0.281818559374385, 0.329925727692387 },
    { 2.404825557695773, -0.000000000000000, 0.431754807019681 },
    { 7.77, 0.221362201866217, -0.171022501199036 },
    { 33.3, 0.063338485947521, -0.055899317905390 },
    { 150.123, 0.007221147046239, -0.008083037922091 },
    { 612.5, -0.020136915282371, 0.020219072387839 },
};

/* Tolerance: the quintic's remainder, see bessel.h. */
static const double REMAINDER = 2e-9;

Test(bessel, as_scipy_has_it)
{
    pl_bessel table;
    cr_assert(pl_bessel_new(612.5, &table, NULL) == PL_OK);
    for (size_t i = 0; i < PL_ARRAY_LEN(scipy); i++) {
        double j0, j2;
        pl_bessel_row(&table, 1, &scipy[i].v, 1, &j0, &j2);
        cr_expect(fabs(j0 - scipy[i].j0) < REMAINDER, "J0(%g): %.12f", scipy[i].v, j0);
        cr_expect(fabs(j2 - scipy[i].j2) < REMAINDER, "J2(%g): %.12f", scipy[i].v, j2);
    }
    pl_bessel_clear(&table);
}

/* Everywhere between the nodes, against GSL's own. */
Test(bessel, never_farther_off_than_its_remainder)
{
    enum { PLACES = 20000 };
    static double at[PLACES], j0[PLACES], j2[PLACES];
    pl_bessel table;
    double most = 0;
    cr_assert(pl_bessel_new(100, &table, NULL) == PL_OK);
    for (int i = 0; i < PLACES; i++)
        at[i] = i / (PLACES - 1.0);
    pl_bessel_row(&table, 100, at, PLACES, j0, j2);
    for (int i = 0; i < PLACES; i++) {
        most = fmax(most, fabs(j0[i] - gsl_sf_bessel_J0(100 * at[i])));
        most = fmax(most, fabs(j2[i] - gsl_sf_bessel_Jn(2, 100 * at[i])));
    }
    cr_expect(most < REMAINDER, "%.3g", most);
    cr_expect(most > REMAINDER / 10, "the table is finer than it says: %.3g", most);
    pl_bessel_row(&table, 100, at, PLACES, j0, NULL); /* without the second order */
    pl_bessel_clear(&table);
}
