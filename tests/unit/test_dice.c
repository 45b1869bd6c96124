/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Random numbers that depend on seed and place; civil dates. */
#include "../../lib/base/base.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <string.h>

/* First outputs of SplitMix64 from the state 1234567, as published with its reference code (quoted
 * from memory); the generator hands out their upper halves. */
Test(dice, is_splitmix64)
{
    const uint64_t want[] = { 6457827717110365317u, 3203168211198807973u, 9817491932198370423u,
                              4593380528125082431u, 16408922859458223821u };
    pl_dice dice;
    gsl_rng *rng = pl_dice_throw(&dice, 1, 2, 3);
    dice.state = 1234567;
    for (int i = 0; i < 5; i++)
        cr_expect(eq(u64, gsl_rng_get(rng), want[i] >> 32), "output %d", i);
}

Test(dice, depend_on_each_of_seed_purpose_and_place)
{
    pl_dice d[5];
    const uint64_t arg[5][3] = { { 1, 2, 3 }, { 1, 2, 3 }, { 2, 2, 3 }, { 1, 3, 3 }, { 1, 2, 4 } };
    unsigned long v[5];
    for (int i = 0; i < 5; i++)
        v[i] = gsl_rng_get(pl_dice_throw(&d[i], arg[i][0], arg[i][1], arg[i][2]));
    cr_expect(eq(ulong, v[0], v[1]));
    for (int i = 2; i < 5; i++)
        cr_expect(ne(ulong, v[0], v[i]), "%d", i);
}

/* Neighbouring rows must not follow each other: correlation of n pairs scatters by 1 / sqrt(n). */
Test(dice, neighbouring_places_are_independent)
{
    enum { N = 20000 };
    double sum = 0, mean = 0, square = 0;
    for (uint64_t i = 0; i < N; i++) {
        pl_dice a, b;
        double u = gsl_rng_uniform(pl_dice_throw(&a, 1, PL_OK, i)) - 0.5;
        double v = gsl_rng_uniform(pl_dice_throw(&b, 1, PL_OK, i + 1)) - 0.5;
        sum += u * v * 12 / N;
        mean += u / N;
        square += u * u * 12 / N;
    }
    cr_expect(lt(dbl, fabs(sum), 4 / sqrt(N)));
    cr_expect(lt(dbl, fabs(mean), 4 / sqrt(12.0 * N)));
    cr_expect(epsilon_eq(dbl, square, 1, 4 * sqrt(0.8 / N))); /* variance of 12 u^2 is 4/5 */
}

Test(date, moves_over_midnight_and_leap_days)
{
    const struct {
        const char *date;
        double seconds;
        const char *want;
    } rows[] = { { "2031-10-09T20:41:00", 60, "2031-10-09T20:42:00.000" },
                 { "2031-12-31T23:59:59.5", 0.5, "2032-01-01T00:00:00.000" },
                 { "2032-02-28T23:00:00", 3600, "2032-02-29T00:00:00.000" }, /* 2032: leap year */
                 { "2100-02-28T23:00:00", 3600, "2100-03-01T00:00:00.000" }, /* 2100: none */
                 { "2031-10-09", 1.2345, "2031-10-09T00:00:01.235" },
                 { "2031-01-01T00:00:00", -1, "2030-12-31T23:59:59.000" } };
    for (size_t i = 0; i < PL_ARRAY_LEN(rows); i++) {
        char out[32] = "";
        cr_expect(pl_date_later(rows[i].date, rows[i].seconds, out));
        cr_expect(eq(str, out, (char *)rows[i].want));
    }
}

Test(date, refuses_what_is_none)
{
    const char *const bad[] = { "", "tonight", "2031-13-01", "2031-10-09T25:00:00", "09.10.2031" };
    for (size_t i = 0; i < PL_ARRAY_LEN(bad); i++) {
        char out[32] = "untouched";
        cr_expect(not(pl_date_later(bad[i], 1, out)), "%s", bad[i]);
        cr_expect(eq(str, out, "untouched"));
    }
}
