/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Directions in words: +x is the last column, +y the last row. */
#include "../../lib/align/align.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>

struct row {
    double deg;
    char want[48];
};

ParameterizedTestParameters(toward, words)
{
    static struct row rows[] = {
        { 0, "towards the last column" },
        { 22.4, "towards the last column" },
        { -22.4, "towards the last column" },
        { 22.6, "towards the last column and the last row" },
        { 45, "towards the last column and the last row" },
        { 90, "towards the last row" },
        { 135, "towards column 1 and the last row" },
        { 180, "towards column 1" },
        { -180, "towards column 1" },
        { 225, "towards column 1 and row 1" },
        { 270, "towards row 1" },
        { -90, "towards row 1" },
        { 315, "towards the last column and row 1" },
        { 360, "towards the last column" },
        { 720 + 90, "towards the last row" },
        { -720 - 90, "towards row 1" },
        { NAN, "in no direction" },
        { INFINITY, "in no direction" },
    };
    return cr_make_param_array(struct row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct row *r, toward, words)
{
    cr_expect(eq(str, (char *)pl_toward(r->deg), r->want), "%g deg", r->deg);
}
