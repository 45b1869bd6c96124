/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Measurements from JSON and turns as a person writes them; values by hand. */
#include "../../lib/align/turn/turn.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static char path[] = "/tmp/plumb-turnread-XXXXXX";

static void begin(void)
{
    close(mkstemp(path));
}

static void end(void)
{
    unlink(path);
}

TestSuite(turnread, .init = begin, .fini = end);

static pl_status take(const char *text, pl_turn_entry *e, pl_err *err)
{
    FILE *f = fopen(path, "w");
    fputs(text, f);
    fclose(f);
    return pl_turn_measured(path, e, err);
}

#define DONUT                                                                                      \
    "{\"program\":\"plumb-donut\",\"width_px\":640,\"height_px\":440,\"axis_error_mm\":2,"         \
    "\"axis_error_mm_sigma\":0.1,\"axis_error_deg\":30,\"axis_allowed_mm\":0.75,"                  \
    "\"date_obs\":\"2031-10-09T19:38:00\",\"donuts\":["

Test(turnread, the_axis_of_plumb_donut)
{
    pl_turn_entry e;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int,
                 take(DONUT "{\"used\":true,\"snr\":10,\"x_px\":100,\"y_px\":200}]}\n", &e, &err),
                 PL_OK),
              "%s", err.msg);
    cr_expect(eq(int, e.kind, PL_TURN_COMA));
    cr_expect(epsilon_eq(dbl, e.x, 2 * sqrt(3) / 2, 1e-12), "2 cos 30");
    cr_expect(epsilon_eq(dbl, e.y, 1, 1e-12), "2 sin 30");
    cr_expect(epsilon_eq(dbl, e.xx, 0.01, 1e-12));
    cr_expect(epsilon_eq(dbl, e.allowed, 0.75, 1e-12));
    cr_expect(eq(int, e.width_px, 640));
    cr_expect(eq(str, e.date, "2031-10-09T19:38:00"));
    cr_expect(eq(dbl, e.turn[0], 0));
}

Test(turnread, the_star_is_where_the_light_is)
{
    pl_turn_entry e;
    cr_assert(eq(int,
                 take(DONUT "{\"used\":true,\"snr\":30,\"x_px\":100,\"y_px\":200},"
                            "{\"used\":false,\"snr\":99,\"x_px\":900,\"y_px\":900},"
                            "{\"used\":true,\"snr\":10,\"x_px\":200,\"y_px\":300}]}",
                      &e, NULL),
                 PL_OK));
    cr_expect(epsilon_eq(dbl, e.star_x_px, 110, 1e-9), "(900 x 100 + 100 x 200) / 1000");
    cr_expect(epsilon_eq(dbl, e.star_y_px, 210, 1e-9));
}

Test(turnread, the_last_line_counts)
{
    pl_turn_entry e;
    cr_assert(eq(int,
                 take("{\"program\":\"plumb-donut\",\"axis_error_mm\":9}\n" DONUT
                      "{\"used\":true,\"snr\":1,\"x_px\":1,\"y_px\":1}]}\n\n",
                      &e, NULL),
                 PL_OK));
    cr_expect(epsilon_eq(dbl, e.y, 1, 1e-12));
}

Test(turnread, the_tilt_of_plumb_sweep)
{
    pl_turn_entry e;
    cr_assert(eq(int,
                 take("{\"program\":\"plumb-sweep\",\n \"side_known\":true,\"zone_um\":8,\n"
                      "\"surface\":{\"tilt_x_um_mm\":1.5,\"tilt_x_um_mm_sigma\":0.2,"
                      "\"tilt_y_um_mm\":-0.5,\"tilt_y_um_mm_sigma\":0.1,"
                      "\"tilt_xy_correlation\":0.5,\"width_mm\":24,\"height_mm\":10}}",
                      &e, NULL),
                 PL_OK));
    cr_expect(eq(int, e.kind, PL_TURN_TILT));
    cr_expect(epsilon_eq(dbl, e.x, 1.5, 1e-12));
    cr_expect(epsilon_eq(dbl, e.xy, 0.01, 1e-12), "0.5 x 0.2 x 0.1");
    cr_expect(epsilon_eq(dbl, e.yy, 0.01, 1e-12));
    cr_expect(epsilon_eq(dbl, e.allowed, 16.0 / 26, 1e-12),
              "8 um up and 8 down over a diagonal of 26 mm");
}

struct bad {
    char text[400];
    int code;
    char said[60];
};

ParameterizedTestParameters(turnread, bad)
{
    static struct bad rows[] = {
        { "", PL_EFORMAT, "is no JSON" },
        { "good seeing tonight", PL_EFORMAT, "is no JSON" },
        { "[1,2]", PL_EFORMAT, "no object" },
        { "{\"program\":\"plumb-zone\"}", PL_ENODATA, "answer of plumb-zone" },
        { "{\"axis_error_mm\":null}", PL_ENODATA, "no axis error" },
        { "{\"axis_error_mm\":1,\"axis_error_deg\":2}", PL_ENODATA, "no axis error" },
        { "{\"axis_error_mm\":1,\"axis_error_deg\":2,\"axis_error_mm_sigma\":0.1,\"donuts\":["
          "{\"used\":true,\"snr\":9,\"x_px\":1,\"y_px\":1}]}",
          PL_ENODATA, "where the star stood" },
        { "{\"surface\":{\"tilt_x_um_mm\":1,\"tilt_y_um_mm\":1}}", PL_ENODATA, "no tilt" },
        { "{\"side_known\":false,\"surface\":{\"tilt_x_um_mm\":1}}", PL_ENODATA, "side_known" },
    };
    return cr_make_param_array(struct bad, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct bad *r, turnread, bad)
{
    pl_turn_entry e = { .x = 77 };
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, take(r->text, &e, &err), r->code), "%s", err.msg);
    cr_expect(strstr(err.msg, r->said) != NULL, "%s", err.msg);
    cr_expect(eq(dbl, e.x, 77));
}

/* ---- turns as they are written */

struct told {
    char text[20];
    int screw;
    double turns; /* NaN: refused */
};

ParameterizedTestParameters(turnread, told)
{
    static struct told rows[] = {
        { "A=1/4", 0, 0.25 }, { "B=-3/8", 1, -0.375 }, { "c=+0.125", 2, 0.125 },
        { "F=2", 5, 2 },      { "A=5/4", 0, 1.25 },    { "A=", 0, NAN },
        { "A", 0, NAN },      { "", 0, NAN },          { "G=1", 0, NAN },
        { "A=1/0", 0, NAN },  { "A=1/", 0, NAN },      { "A=/4", 0, NAN },
        { "A=1/-4", 0, NAN }, { "A=9", 0, NAN },       { "A=nan", 0, NAN },
        { "A:1", 0, NAN },    { "A=1/4cw", 0, NAN },
    };
    return cr_make_param_array(struct told, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct told *r, turnread, told)
{
    pl_turn_entry e = { .kind = PL_TURN_COMA };
    pl_status rc = pl_turn_told(&e, r->text, NULL);
    cr_expect(eq(int, rc, isnan(r->turns) ? PL_EARG : PL_OK), "%s", r->text);
    for (int k = 0; k < PL_SCREWS_MAX; k++)
        cr_expect(epsilon_eq(dbl, e.turn[k], k == r->screw && rc == PL_OK ? r->turns : 0, 1e-12));
}

Test(turnread, a_screw_told_twice_is_refused)
{
    pl_turn_entry e = { .kind = PL_TURN_COMA };
    cr_expect(eq(int, pl_turn_told(&e, "A=1/4", NULL), PL_OK));
    cr_expect(eq(int, pl_turn_told(&e, "a=1/8", NULL), PL_EARG));
    cr_expect(eq(dbl, e.turn[0], 0.25));
}
