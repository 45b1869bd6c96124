/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Turns of a knob in words; by hand: the nearest eighth, quarter or whole turn. */
#include "../../lib/align/align.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>

struct turn_row {
    double turns;
    char want[40];
};

ParameterizedTestParameters(turns, in_words)
{
    static struct turn_row rows[] = {
        { 0, "no turn at all" },
        { 0.0013, "no turn at all" }, /* half a degree is 0.00139 */
        { 0.0028, "a hair (1 degree)" },
        { 0.02, "a hair (7 degrees)" },
        { 0.06, "a hair (1/16 of a turn)" },
        { 0.09, "a hair (1/16 of a turn)" },
        { 0.1, "an eighth of a turn" },
        { 0.13, "an eighth of a turn" },
        { -0.13, "an eighth of a turn" },
        { 0.19, "a quarter of a turn" },
        { 0.25, "a quarter of a turn" },
        { 0.38, "three eighths of a turn" },
        { 0.5, "half a turn" },
        { 0.6, "five eighths of a turn" },
        { 0.75, "three quarters of a turn" },
        { 0.9, "seven eighths of a turn" },
        { 0.95, "1 turn" },
        { 1.02, "1 turn" },
        { 1.1, "1 1/8 turns" },
        { 2.5, "2 1/2 turns" },
        { 2.97, "3 turns" },
        { 3.13, "3 1/4 turns" },
        { 9.99, "10 turns" },
        { 10.4, "10 turns" },
        { 120.6, "121 turns" },
        { 1e300, "1e+300 turns" },
        { NAN, "-" },
        { INFINITY, "-" },
    };
    return cr_make_param_array(struct turn_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct turn_row *r, turns, in_words)
{
    pl_phrase got = pl_turns_words(r->turns);
    cr_expect(eq(str, got.s, r->want), "%g", r->turns);
}
