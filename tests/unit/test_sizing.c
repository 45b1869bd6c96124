/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_sizing.c - what a fitted width says of defocus and air. */
#include "../../lib/optics/optics.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>

static const double PIXEL_UM = 4.2;

static pl_sizing *table(void)
{
    pl_optic optic = { 280, 870.0 / 280, 0.33, 0.55, 0 };
    pl_sizing_range range = { 4, 24, 120, 90, true };
    pl_sizing *s = NULL;
    cr_assert(pl_sizing_new(&optic, PIXEL_UM, &range, 0, &s, NULL) == PL_OK);
    return s;
}

/* Source: printed by tests/reference/sizing.py (numpy images by two-dimensional FFT on square
 * pixels, scipy's least squares): nothing of lib/. Defocus, air, beta, disc, bright; FWHM, all um;
 * ln(width along x / along y) for each um of 6 by which the defocus along x is more.
 */
static const struct {
    double defocus, air, beta, radius, bright, fwhm, stretch;
} independent[] = {
    { 0, 10, 4, 40, 0, 10.2886, 0 },           { 0, 10, 4, 40, 6, 10.2315, 0 },
    { 25, 10, 4, 40, 2, 11.2643, 0.006426 },   { -25, 10, 4, 40, 2, 11.2643, -0.006426 },
    { 50, 8, 10, 55, 2, 13.8551, 0.011627 },   { 50, 14, 6, 60, 0, 17.8521, 0.006526 },
    { 90, 10, 100, 80, 0, 24.4039, 0.009036 }, { 90, 10, 100, 80, 4, 23.2404, 0.008273 },
    { 10, 6, 3, 30, 1, 6.4220, 0.006314 },     { 70, 16, 8, 80, 1, 22.4877, 0.006159 },
};

Test(sizing, as_numpy_and_scipy_have_it)
{
    pl_sizing *s = table();
    for (size_t i = 0; i < PL_ARRAY_LEN(independent); i++) {
        pl_reading how = { independent[i].beta, independent[i].radius, independent[i].bright };
        pl_sizes sizes;
        pl_sizing_read(s, &how, 0, &sizes);
        double fwhm =
            exp(pl_sizes_at(&sizes, independent[i].defocus, log(independent[i].air), NULL, NULL));
        cr_expect(fabs(fwhm / independent[i].fwhm - 1) < 0.005, "case %zu: %.4f um, not %.4f", i,
                  fwhm, independent[i].fwhm);
    }
    pl_sizing_free(s);
}

/* The interpolation between airs leaves a part of 1 %; 6 um apart it is of second order less than
 * that. */
Test(sizing, astigmatism_as_numpy_and_scipy_have_it)
{
    pl_sizing *s = table();
    for (size_t i = 0; i < PL_ARRAY_LEN(independent); i++) {
        pl_reading how = { independent[i].beta, independent[i].radius, independent[i].bright };
        pl_sizes sizes;
        pl_stretches stretches;
        pl_sizing_read(s, &how, 0, &sizes);
        pl_sizing_stretch(s, &how, &sizes, independent[i].air, &stretches);
        double got =
            pl_stretch_at(&stretches, &sizes, independent[i].defocus, log(independent[i].air));
        double want = independent[i].stretch;
        cr_expect(fabs(got - want) < 0.01 * fabs(want) + 1e-9, "case %zu: %.6f, not %.6f", i, got,
                  want);
    }
    pl_sizing_free(s);
}

Test(sizing, slopes_are_those_of_differences)
{
    pl_sizing *s = table();
    pl_reading how = { 4, 50, 2 };
    pl_sizes t;
    pl_sizing_read(s, &how, 0, &t);
    /* inside, on both sides, at the edge of the air, and beyond both ends */
    for (double z = -150; z <= 150; z += 7.3)
        for (double air = 3; air < 32; air *= 1.37) {
            double by_um, by_air, h = 1e-5, ln = log(air);
            pl_sizes_at(&t, z, ln, &by_um, &by_air);
            double um =
                (pl_sizes_at(&t, z + h, ln, NULL, NULL) - pl_sizes_at(&t, z - h, ln, NULL, NULL)) /
                (2 * h);
            double wide =
                (pl_sizes_at(&t, z, ln + h, NULL, NULL) - pl_sizes_at(&t, z, ln - h, NULL, NULL)) /
                (2 * h);
            cr_expect(epsilon_eq(dbl, by_um, um, 1e-7), "z %g air %g", z, air);
            cr_expect(epsilon_eq(dbl, by_air, wide, 1e-6), "z %g air %g", z, air);
        }
    pl_sizing_free(s);
}

/* A width read of a faint or a bright star, brought to the brightness of a third, is what that one
 * would have been read as. */
Test(sizing, brightness_is_evened_out)
{
    pl_sizing *s = table();
    double air = 10, typical = 2;
    for (double beta = 4; beta < 2000; beta *= 4) {
        pl_reading how = { beta, 70, typical };
        pl_brights b;
        pl_sizes want, got;
        pl_sizing_brights(s, &how, air, 0, &b);
        pl_sizing_read(s, &how, 0, &want);
        for (double bright = 0.1; bright < 60; bright *= 3) {
            how.bright = bright;
            pl_sizing_read(s, &how, 0, &got);
            for (double z = 8; z < 110; z += 7) {
                double as_read = pl_sizes_at(&got, z, log(air), NULL, NULL);
                double as_typical = pl_sizes_at(&want, z, log(air), NULL, NULL);
                double even = pl_brights_even(&b, as_read, bright, typical);
                /* the air of the table is the nearest of its steps, here within 7 % */
                cr_expect(fabs(even - as_typical) < 0.15 * fabs(as_read - as_typical) + 0.0025,
                          "beta %g bright %g z %g: %g, not %g from %g", beta, bright, z, even,
                          as_typical, as_read);
            }
        }
    }
    pl_sizing_free(s);
}

Test(sizing, even_and_growing)
{
    pl_sizing *s = table();
    pl_reading how = { 5, 60, 1 };
    pl_sizes t;
    pl_sizing_read(s, &how, 0, &t);
    for (double air = 4; air < 24; air *= 1.3) {
        double last = 0;
        for (double z = 0; z < 140; z += 3) {
            double here = pl_sizes_at(&t, z, log(air), NULL, NULL);
            cr_expect(epsilon_eq(dbl, here, pl_sizes_at(&t, -z, log(air), NULL, NULL), 1e-12));
            cr_expect(here > last, "air %g, z %g", air, z);
            last = here;
        }
    }
    pl_sizing_free(s);
}

Test(sizing, refusals)
{
    pl_optic optic = { 280, 3, 0.33, 0.55, 0 }, dark = optic;
    pl_sizing_range range = { 4, 24, 120, 90, true }, far = range, none = range;
    pl_sizing *s = NULL;
    pl_err err = { PL_OK, "" };
    dark.obstruction = 0.95;
    far.defocus_um = 5000;
    none.air_lo_um = 0;
    cr_expect(pl_sizing_new(&dark, 4, &range, 1, &s, &err) == PL_EARG);
    cr_expect(pl_sizing_new(&optic, 4, &far, 1, &s, &err) == PL_EARG);
    cr_expect(pl_sizing_new(&optic, 4, &none, 1, &s, &err) == PL_EARG);
    cr_expect(s == NULL);
}
