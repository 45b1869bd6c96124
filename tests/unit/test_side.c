/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Sides of focus from the focuser's positions and from the secondary's shadow, by hand. */
#include "../../lib/align/donut/donut.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <string.h>

enum { MOST = 6 };

struct position_row {
    int n;
    double travel[MOST], defocus[MOST];
    char want[MOST + 2]; /* o: out, i: in; "" when nothing can be told */
    char what[48];
};

/* Best focus at 5000: outside it a frame at t has the defocus t - 5000, inside 5000 - t. */
ParameterizedTestParameters(side, by_position)
{
    static struct position_row rows[] = {
        { 2, { 5600, 4400 }, { 600, 600 }, "oi", "a pair" },
        { 2, { 4400, 5600 }, { 600, 600 }, "io", "the other way round" },
        { 2, { 5500, 5800 }, { 500, 800 }, "oo", "both outside" },
        { 2, { 4500, 4200 }, { 500, 800 }, "ii", "both inside" },
        { 3, { 4400, 5100, 5900 }, { 600, 100, 900 }, "ioo", "three across" },
        { 3, { 4000, 4500, 5700 }, { 1000, 500, 700 }, "iio", "three across, two inside" },
        { 4, { 5600, 4400, 5600, 4400 }, { 600, 600, 600, 600 }, "oioi", "two pairs" },
        { 2, { 5600, 4400 }, { 615, 588 }, "oi", "a pair, 3 um + 1 % off" },
        { 3, { 4400, 5500, 5900 }, { 608, 493, 911 }, "ioo", "three, 3 um + 1 % off" },
        { 3, { -600, 600, 900 }, { 600, 600, 900 }, "ioo", "counted from focus" },
        { 2, { 5000, 5000 }, { 600, 600 }, "", "one position" },
        { 2, { 0, 0 }, { 600, 600 }, "", "one position, nought" },
        { 3, { 0, 0, 0 }, { 600, 603, 597 }, "", "one position, three times" },
        { 2, { 5000, 5004 }, { 600, 592 }, "", "4 um apart, measured to 9 um" },
        { 2, { 5600, 4400 }, { 600, 900 }, "", "positions and rings disagree" },
        { 2, { 5600, NAN }, { 600, 600 }, "", "a position unknown" },
        { 2, { NAN, NAN }, { 600, 600 }, "", "all unknown" },
        { 2, { 5600, 4400 }, { 600, NAN }, "", "a defocus unknown" },
        { 1, { 5600 }, { 600 }, "", "one frame" },
        { 0, { 0 }, { 0 }, "", "none" },
    };
    return cr_make_param_array(struct position_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct position_row *r, side, by_position)
{
    pl_side got[MOST];
    memset(got, 0, sizeof got);
    bool told = pl_side_by_position(r->travel, r->defocus, (size_t)r->n, got);
    cr_assert(eq(int, told, r->want[0] != 0), "%s", r->what);
    for (int i = 0; i < r->n; i++)
        cr_expect(eq(int, got[i],
                     r->want[i] == 'o'   ? PL_SIDE_OUT
                     : r->want[i] == 'i' ? PL_SIDE_IN
                                         : PL_SIDE_UNKNOWN),
                  "%s: %d", r->what, i);
}

/* Defocus measured to 3 um + 1 %: never a wrong side, however far the frames are apart, and always
 * an answer once that is plain (a fifth of the defocus). */
Test(side, never_wrong_in_noise)
{
    gsl_rng *dice = gsl_rng_alloc(gsl_rng_mt19937);
    int wrong = 0, silent = 0;
    for (int i = 0; i < 20000; i++) {
        double near = 300 + 700 * gsl_rng_uniform(dice), gap = pow(10, 3 * gsl_rng_uniform(dice));
        double sign = gsl_rng_uniform(dice) < 0.5 ? 1 : -1, best = 10000 * gsl_rng_uniform(dice);
        const double travel[2] = { best + sign * near, best + sign * (near + gap) };
        double defocus[2];
        for (int k = 0; k < 2; k++) {
            double d = fabs(travel[k] - best);
            defocus[k] = d + gsl_ran_gaussian(dice, 3 + 0.01 * d);
        }
        pl_side got[2] = { PL_SIDE_UNKNOWN, PL_SIDE_UNKNOWN };
        pl_side truth = sign > 0 ? PL_SIDE_OUT : PL_SIDE_IN;
        if (pl_side_by_position(travel, defocus, 2, got))
            wrong += got[0] != truth || got[1] != truth;
        else
            silent += gap > 0.2 * near;
    }
    gsl_rng_free(dice);
    cr_expect(eq(int, wrong, 0), "%d wrong", wrong);
    cr_expect(lt(int, silent, 40), "%d silent", silent); /* of some 7000 */
}

Test(side, more_frames_than_it_takes)
{
    double travel[65], defocus[65];
    pl_side got[65] = { PL_SIDE_UNKNOWN };
    for (int i = 0; i < 65; i++) {
        travel[i] = 100 + 10 * i;
        defocus[i] = travel[i];
    }
    cr_expect(not(pl_side_by_position(travel, defocus, 65, got)));
    cr_expect(pl_side_by_position(travel, defocus, 64, got));
    cr_expect(eq(int, got[63], PL_SIDE_OUT));
}

struct shadow_row {
    double shadow_mm, sigma_mm, shadow_deg, focuser_deg;
    pl_side want;
    char what[40];
};

/* The secondary sits away from the focuser; inside focus the ring shows it turned by 180 deg. */
ParameterizedTestParameters(side, by_shadow)
{
    static struct shadow_row rows[] = {
        { 4, .2, 270, 90, PL_SIDE_OUT, "away from the focuser" },
        { 4, .2, 90, 90, PL_SIDE_IN, "towards it" },
        { 4, .2, 190, 350, PL_SIDE_OUT, "across nought" },
        { 4, .2, 20, 340, PL_SIDE_IN, "across nought" },
        { 4, .2, 320, 90, PL_SIDE_OUT, "50 degrees aside" },
        { 4, .2, 180, 90, PL_SIDE_UNKNOWN, "at right angles" },
        { 4, .2, 340, 90, PL_SIDE_UNKNOWN, "70 degrees aside" },
        { 4, 1.1, 270, 90, PL_SIDE_UNKNOWN, "hardly seen" },
        { 4, .2, 270, NAN, PL_SIDE_UNKNOWN, "focuser unknown" },
        { NAN, NAN, NAN, 90, PL_SIDE_UNKNOWN, "shadow unknown" },
    };
    return cr_make_param_array(struct shadow_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct shadow_row *r, side, by_shadow)
{
    pl_wavefront w = { .shadow_mm = r->shadow_mm,
                       .shadow_sigma_mm = r->sigma_mm,
                       .shadow_deg = r->shadow_deg };
    cr_expect(eq(int, pl_side_by_shadow(&w, r->focuser_deg), r->want), "%s", r->what);
}
