/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_sweepastig.c - two focal lines from frames whose stretch is made up. How a star's fitted
 * stretch answers to astigmatism is judged by test_sizing.c and, on frames rendered by others, by
 * tests/reference/sweep.py. */
#include "../../lib/align/sweep/sweep.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>

enum { MOST = 15 };

/* Nine frames, 4 um apart along (0.6, 0.8); z / (z^2 + 30^2) and 30^2 / (z^2 + 30^2) are the
 * answers of Gaussian stars: W^2 = A^2 + (z / N)^2 along each axis, 30 um being A N. */
static size_t nine(pl_sweep_stretch *f, double common1, double common2)
{
    for (int i = 0; i < 9; i++) {
        double z = 15.0 * (i - 4) + 4, d = z * z + 900;
        f[i] = (pl_sweep_stretch){ .var = 1e-6, .by_um = z / d, .fade = 900 / d };
        f[i].side = z > 0 ? 1 : -1;
        f[i].e[0] = 2.4 * f[i].by_um + common1 * f[i].fade;
        f[i].e[1] = 3.2 * f[i].by_um + common2 * f[i].fade;
    }
    return 9;
}

/* Without noise the answer is exact, whatever stretch is common to all frames. */
Test(sweepastig, exact)
{
    pl_sweep_stretch f[MOST];
    double um[2], sigma;
    gsl_set_error_handler_off();
    size_t n = nine(f, 0.05, -0.2);
    cr_assert(pl_sweep_lines(f, n, um, &sigma));
    cr_expect(epsilon_eq(dbl, um[0], 2.4, 1e-9));
    cr_expect(epsilon_eq(dbl, um[1], 3.2, 1e-9));
    for (size_t i = 0; i < n; i++)
        cr_expect(not(f[i].odd));
    /* by hand: errors of 1e-3 each and two unknowns a component */
    double ff = 0, fu = 0, uu = 0;
    for (size_t i = 0; i < n; i++) {
        ff += f[i].fade * f[i].fade;
        fu += f[i].fade * f[i].by_um;
        uu += f[i].by_um * f[i].by_um;
    }
    cr_expect(epsilon_eq(dbl, sigma, 1e-3 / sqrt(uu - fu * fu / ff), 1e-9));
}

/* A frame with a tracking error is left out: the answer is that of the others. */
Test(sweepastig, one_frame_gone_wrong)
{
    gsl_set_error_handler_off();
    for (size_t wrong = 0; wrong < 9; wrong++) {
        pl_sweep_stretch f[MOST];
        pl_dice dice;
        gsl_rng *rng = pl_dice_throw(&dice, 3, wrong, 1);
        double without[2], um[2], sigma_without, sigma;
        size_t n = nine(f, 0.01, 0.02);
        for (size_t i = 0; i < n; i++)
            for (int k = 0; k < 2; k++)
                f[i].e[k] += gsl_ran_gaussian(rng, 0.003);
        f[wrong].odd = true;
        cr_assert(pl_sweep_lines(f, n, without, &sigma_without));
        f[wrong].odd = false;
        f[wrong].e[0] += 0.1;
        f[wrong].e[1] -= 0.15;
        cr_assert(pl_sweep_lines(f, n, um, &sigma));
        cr_expect(f[wrong].odd, "frame %zu", wrong);
        cr_expect(epsilon_eq(dbl, um[0], without[0], 1e-9), "frame %zu", wrong);
        cr_expect(epsilon_eq(dbl, um[1], without[1], 1e-9), "frame %zu", wrong);
        cr_expect(epsilon_eq(dbl, sigma, sigma_without, 1e-9), "frame %zu", wrong);
    }
}

/* Series of a few frames, own parts of three sizes: errors are true. Of 2000 series with six
 * degrees of freedom the width is known to 2.5 % (Student's kurtosis). Where there is no own part
 * chance still finds some, and the fewer the frames the more: then errors are too wide, by no more
 * than a sixth. One honest series in a hundred may lose a frame, by exact weights; by estimated
 * ones two. */
Test(sweepastig, errors_are_true)
{
    enum { SERIES = 2000 };
    static const size_t frames[] = { 5, 7, 13 };
    static const double own[] = { 0, 0.002, 0.03 };
    gsl_set_error_handler_off();
    for (size_t c = 0; c < 9; c++) {
        size_t n = frames[c % 3], lost = 0;
        double sum = 0;
        for (size_t t = 0; t < SERIES; t++) {
            pl_sweep_stretch f[MOST];
            pl_dice dice;
            gsl_rng *rng = pl_dice_throw(&dice, 4, c, t);
            double um[2], sigma, far = gsl_ran_flat(rng, 40, 70), off = gsl_ran_flat(rng, -10, 10);
            for (size_t i = 0; i < n; i++) {
                double z = off + far * (2 * (double)i / ((double)n - 1) - 1), d = z * z + 900;
                f[i] = (pl_sweep_stretch){ .by_um = z / d, .fade = 900 / d };
                f[i].side = z > 0 ? 1 : -1;
                f[i].var = pow(0.002 * (1 + z * z / 900), 2);
                for (int k = 0; k < 2; k++)
                    f[i].e[k] = (k + 1) * f[i].by_um +
                                (0.02 + gsl_ran_gaussian(rng, own[c / 3])) * f[i].fade +
                                gsl_ran_gaussian(rng, sqrt(f[i].var));
            }
            cr_assert(pl_sweep_lines(f, n, um, &sigma) || n == 5);
            size_t odd = 0;
            for (size_t i = 0; i < n; i++)
                odd += f[i].odd;
            lost += odd > 0;
            if (n == 5 && odd)
                continue;
            sum += (pow((um[0] - 1) / sigma, 2) + pow((um[1] - 2) / sigma, 2)) / 2;
        }
        double width = sqrt(sum / (SERIES - (n == 5 ? (double)lost : 0)));
        cr_expect(width > (own[c / 3] > 0.002 ? 0.92 : 0.85) && width < 1.1,
                  "%zu frames, own part %g: width of pulls %.3f", n, own[c / 3], width);
        cr_expect(lost < 0.02 * SERIES, "%zu frames, own part %g: %zu lost one", n, own[c / 3],
                  lost);
    }
}

/* Four frames, or one alone on a side: it cannot be told. */
Test(sweepastig, too_few)
{
    pl_sweep_stretch f[MOST];
    double um[2] = { 7, 7 }, sigma = 7;
    gsl_set_error_handler_off();
    size_t n = nine(f, 0, 0);
    cr_expect(not(pl_sweep_lines(f + 2, 4, um, &sigma)));
    for (size_t i = 0; i < 4; i++)
        f[i].odd = i > 0;
    cr_expect(not(pl_sweep_lines(f, n, um, &sigma)), "one inside");
    for (size_t i = 0; i < n; i++) {
        f[i].odd = false;
        f[i].side = 0;
    }
    cr_expect(not(pl_sweep_lines(f, n, um, &sigma)), "no sides");
    cr_expect(eq(dbl, um[0], 7));
    cr_expect(eq(dbl, um[1], 7));
    cr_expect(eq(dbl, sigma, 7));
}
