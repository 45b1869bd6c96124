/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Positions of the focuser from file names; the wanted numbers are read off the names by eye. */
#include "../../lib/align/align.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MOST = 7 };

struct names_row {
    char name[MOST][48]; /* "" ends */
    double want[MOST];
    char says[48]; /* of a refusal; "" when there are positions */
};

ParameterizedTestParameters(sweepnames, read)
{
    static struct names_row rows[] = {
        { { "f4980.fits", "f5000.fits", "f5020.fits" }, { 4980, 5000, 5020 }, "" },
        { { "f5020.fits", "f5000.fits", "f4980.fits" }, { 5020, 5000, 4980 }, "" },
        { { "/a/1/f10.fit", "/a/2/f30.fit", "/a/3/f20.fit" }, { 10, 30, 20 }, "" },
        /* a counter beside the position, before and behind it */
        { { "0001_pos4980.fits", "0002_pos5000.fits", "0003_pos5020.fits" },
          { 4980, 5000, 5020 },
          "" },
        { { "p4980-8.fits", "p5000-9.fits", "p5020-10.fits.fz" }, { 4980, 5000, 5020 }, "" },
        /* a frame of the counter was thrown away */
        { { "1_p90.fits", "2_p70.fits", "4_p50.fits", "5_p30.fits" }, { 90, 70, 50, 30 }, "" },
        /* what is alike in all is no position */
        { { "m31_30s_-10C_100.fits", "m31_30s_-10C_150.fits", "m31_30s_-10C_125.fits" },
          { 100, 150, 125 },
          "" },
        /* travel from a mark, with a sign; a dash that joins is none */
        { { "x_-40.fits", "x_0.fits", "x_40.fits" }, { -40, 0, 40 }, "" },
        { { "x--40.fits", "x-+0.fits", "x-+40.fits" }, { -40, 0, 40 }, "" },
        { { "x-40.fits", "x-60.fits", "x-90.fits" }, { 40, 60, 90 }, "" },
        /* dates and times of several habits */
        { { "2031-10-09_20-41-00_4980.fits", "2031-10-09_20-43-10_5000.fits",
            "2031-10-10_00-05-20_5020.fits" },
          { 4980, 5000, 5020 },
          "" },
        { { "20311009T204100-4980.fits", "20311009T204310-5000.fits", "20311010T000520-5020.fits" },
          { 4980, 5000, 5020 },
          "" },
        { { "a_20311009204100_8.fits", "a_20311009204320_3.fits", "a_20311009204410_5.fits" },
          { 8, 3, 5 },
          "" },
        { { "2031-10-09 20:41:00.123 40", "2031-10-09 20:43:10.456 50",
            "2031-10-09 20:44:10.007 60" },
          { 40, 50, 60 },
          "" },
        /* six digits are no time where there is no date */
        { { "f123400.fits", "f123410.fits", "f123420.fits" }, { 123400, 123410, 123420 }, "" },
        { { "f19991301.fits", "f19991401.fits", "f19991601.fits" },
          { 19991301, 19991401, 19991601 },
          "" }, /* no month */
        { { "a1.fits", "a2.fits", "a3.fits" }, { 0 }, "merely counts" },
        { { "a8.fits", "a9.fits", "a10.fits" }, { 0 }, "merely counts" },
        { { "a8.fits", "a8.fits", "a8.fits" }, { 0 }, "hold no position" },
        { { "dusk.fits", "dark.fits", "dawn.fits" }, { 0 }, "hold no position" },
        { { "a10b7.fits", "a20b9.fits", "a30b2.fits" }, { 0 }, "differ in 2 numbers" },
        { { "a10.fits", "a20.fits", "a30-1.fits" }, { 0 }, "not built alike" },
        { { "a12.5.fits", "a13.0.fits", "a14.7.fits" }, { 0 }, "belongs to a number" },
        { { "a12.5.fits", "a23.0.fits", "a34.7.fits" }, { 0 }, "differ in 2 numbers" },
        { { "4980.0001.fits", "5000.0002.fits", "5020.0003.fits" }, { 4980, 5000, 5020 }, "" },
        { { "m31.498.fits", "m31.500.fits", "m31.502.fits" }, { 498, 500, 502 }, "" },
        { { "2031-10-09_20-41-00.fits", "2031-10-09_20-43-10.fits", "2031-10-09_20-44-20.fits" },
          { 0 },
          "hold no position" },
        { { "a1234567890.fits", "a1234567990.fits", "a1234568890.fits" }, { 0 }, "no position" },
        { { "a10.fits" }, { 0 }, "one file name alone" },
        { { "\xff\x1b[0m9.fits", "\xff\x1b[0m4.fits", "\xff\x1b[0m7.fits" }, { 9, 4, 7 }, "" },
    };
    return cr_make_param_array(struct names_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct names_row *r, sweepnames, read)
{
    const char *name[MOST];
    double got[MOST];
    size_t n = 0;
    pl_err err = { PL_OK, "" };
    for (; n < MOST && r->name[n][0]; n++) {
        name[n] = r->name[n];
        got[n] = -7;
    }
    pl_status rc = pl_sweep_name_positions(name, n, got, &err);
    cr_expect(eq(int, rc, r->says[0] ? PL_ENODATA : PL_OK), "%s: %s", r->name[0], err.msg);
    cr_expect(ne(ptr, strstr(err.msg, r->says), NULL), "%s: %s", r->name[0], err.msg);
    for (size_t i = 0; i < n; i++)
        cr_expect(epsilon_eq(dbl, got[i], r->says[0] ? -7 : r->want[i], 0), "%s", r->name[i]);
}

/* More numbers than any name has, and very long ones. */
Test(sweepnames, odd_names)
{
    char many[3][400] = { { 0 } }, *s = many[0];
    const char *name[3] = { many[0], many[1], many[2] };
    double got[3];
    for (int i = 0; i < 99; i++)
        s += sprintf(s, "%d.", i % 10);
    memcpy(many[1], many[0], sizeof many[0]);
    memcpy(many[2], many[0], sizeof many[0]);
    memset(many[2] + 60, '7', 300);
    many[2][399] = '\0';
    cr_expect(ne(int, pl_sweep_name_positions(name, 3, got, NULL), PL_OK));
    name[0] = name[1] = name[2] = "";
    cr_expect(eq(int, pl_sweep_name_positions(name, 3, got, NULL), PL_ENODATA));
    name[0] = "2031";
    name[1] = "2031-1";
    name[2] = "2031-10-";
    cr_expect(eq(int, pl_sweep_name_positions(name, 3, got, NULL), PL_ENODATA));
}
