/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Spot marks as people write them, and as they should not. */
#include "../../lib/base/base.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

static pl_status read_text(const char *text, size_t n, pl_laser_sheets *out, pl_err *err)
{
    char path[] = "/tmp/plumb-marks-XXXXXX";
    int fd = mkstemp(path);
    cr_assert(0 <= fd && write(fd, text, n) == (ssize_t)n && close(fd) == 0);
    pl_status rc = pl_laser_read(path, out, err);
    unlink(path);
    return rc;
}

Test(lasermarks, far_and_near_in_any_order_with_remarks)
{
    static const char text[] = "\xEF\xBB\xBF# hall, tape from the face\r\n"
                               "at 5000 mm\r\n0 3.5 -12\r\n\r\n90\t1e1 .5 # smudged, \xE9\r\n"
                               "-180 0 0\r\n  at 800\n0 1 2\n120 3 4\n240 5 6";
    pl_laser_sheets s;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, read_text(text, sizeof text - 1, &s, &err), PL_OK), "%s", err.msg);
    cr_assert(eq(sz, s.sheets, 2));
    cr_expect(eq(dbl, s.sheet[0].at_mm, 800));
    cr_expect(eq(dbl, s.sheet[1].at_mm, 5000));
    cr_assert(eq(sz, s.sheet[1].marks, 3));
    cr_expect(eq(dbl, s.sheet[1].mark[0].y_mm, -12));
    cr_expect(eq(dbl, s.sheet[1].mark[1].x_mm, 10));
    cr_expect(eq(dbl, s.sheet[1].mark[2].turned_deg, -180));
    cr_expect(eq(dbl, s.sheet[0].mark[2].y_mm, 6));
}

struct bad {
    char text[120];
    int code;
    char words[64];
};

ParameterizedTestParameters(lasermarks, bad_ones_are_told_in_words)
{
    static struct bad rows[] = {
        { "", PL_ENODATA, "holds no mark" },
        { "# nothing yet\n\n", PL_ENODATA, "holds no mark" },
        { "at 5000\n", PL_ENODATA, "0 marks at 5000 mm" },
        { "at 5000\n0 1 2\n", PL_ENODATA, "1 mark at 5000 mm; a circle needs 3" },
        { "at 5000\n0 1 2\n90 1 2\n", PL_ENODATA, "2 marks at 5000 mm" },
        { "0 1 2\nat 5000\n", PL_EFORMAT, "line 1: a mark before its distance" },
        { "at 5000\n0 1 nan\n", PL_EFORMAT, "line 2: \"nan\" is no y" },
        { "at 5000\n0 inf 1\n", PL_EFORMAT, "line 2: \"inf\" is no x" },
        { "at 5000\n0 3,5 1\n", PL_EFORMAT, "with a point and no comma" },
        { "at 5000\n0 1 1e9\n", PL_EFORMAT, "line 2: y of 1e+09; up to 1000 is believed" },
        { "at 5000\n400 1 1\n", PL_EFORMAT, "line 2: angle of 400" },
        { "at 5000\n0 1\n", PL_EFORMAT, "line 2: three numbers are wanted" },
        { "at 5000\n0 1 2 3\n", PL_EFORMAT, "line 2: three numbers are wanted" },
        { "at 5000\n0 1 2 3 4 5 6\n", PL_EFORMAT, "line 2: three numbers are wanted" },
        { "at 5\n", PL_EFORMAT, "a distance of 5 mm; at least 100" },
        { "at -5000\n", PL_EFORMAT, "at least 100 is wanted" },
        { "at 1e7\n", PL_EFORMAT, "up to 100000 is believed" },
        { "at\n", PL_EFORMAT, "\"at\" takes one number" },
        { "at 5 m\n", PL_EFORMAT, "\"at\" takes one number" },
        { "at five\n", PL_EFORMAT, "\"five\" is no distance" },
        { "at 5000\nat 5000\n", PL_EFORMAT, "5000 mm a second time" },
        { "at 5000\nat 800\nat 900\n", PL_EFORMAT, "a third distance" },
        { "at 5000\n0 1 \xE2\x88\x92\x32\n", PL_EFORMAT, "line 2 is no plain text" },
        { "at 5000\n\xFF\xFE\n", PL_EFORMAT, "line 2 is no plain text" },
    };
    return cr_make_param_array(struct bad, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct bad *r, lasermarks, bad_ones_are_told_in_words)
{
    pl_laser_sheets s = { .sheets = 99 };
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, read_text(r->text, strlen(r->text), &s, &err), r->code), "%s", r->text);
    cr_expect(ne(ptr, strstr(err.msg, r->words), NULL), "%s", err.msg);
    cr_expect(eq(sz, s.sheets, 99), "untouched");
}

Test(lasermarks, what_is_no_text_no_file_or_too_much)
{
    pl_laser_sheets s;
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, read_text("at 5000\n0 1 2\n\0\1", 16, &s, &err), PL_EFORMAT));
    cr_expect(ne(ptr, strstr(err.msg, "it is no text"), NULL), "%s", err.msg);
    err = (pl_err){ PL_OK, "" };
    cr_expect(eq(int, pl_laser_read("/nowhere/marks.txt", &s, &err), PL_EIO));
    char many[2000] = "at 5000\n";
    for (int i = 0; i <= PL_LASER_MARKS; i++)
        snprintf(many + strlen(many), sizeof many - strlen(many), "%d 1 2\n", i);
    err = (pl_err){ PL_OK, "" };
    cr_expect(eq(int, read_text(many, strlen(many), &s, &err), PL_EFORMAT));
    cr_expect(ne(ptr, strstr(err.msg, "more than 64 marks"), NULL), "%s", err.msg);
}

/* ---- options */

ParameterizedTestParameters(lasermarks, bad_options)
{
    static struct bad rows[] = {
        { "reading 0", PL_EARG, "0.01 to 20" },
        { "reading nan", PL_EARG, "--reading is \"nan\"" },
        { "angle-error 90", PL_EARG, "0.1 to 30" },
        { "behind 1e5", PL_EARG, "-300 to 300" },
        { "lens -50", PL_EARG, "10 to 1000" },
        { "circle 5000", PL_EARG, "5000:12 is wanted" },
        { "circle 5000:", PL_EARG, "are wanted" },
        { "circle :12", PL_EARG, "are wanted" },
        { "circle 5:12", PL_EARG, "100 to 100000" },
        { "circle 5000:12mm", PL_EARG, "are wanted" },
        { "circle 5000:1e9", PL_EARG, "up to 2000" },
        { "seeing -1", PL_EARG, "--seeing is \"-1\"; a number from 0.1 to 60 arcsec is wanted" },
        { "nothing 1", PL_EARG, "no option called nothing" },
    };
    return cr_make_param_array(struct bad, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct bad *r, lasermarks, bad_options)
{
    pl_laser_options o = pl_laser_defaults();
    pl_err err = { PL_OK, "" };
    char name[32], value[32] = "";
    sscanf(r->text, "%31s %31s", name, value);
    cr_expect(eq(int, pl_laser_set(&o, name, value, &err), r->code));
    cr_expect(ne(ptr, strstr(err.msg, r->words), NULL), "%s", err.msg);
    cr_expect(eq(int, o.reading_mm.from, PL_FROM_DEFAULT));
    cr_expect(eq(sz, o.by_eye.sheets, 0));
}

Test(lasermarks, circles_by_eye_in_any_order_but_twice_each)
{
    pl_laser_options o = pl_laser_defaults();
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_laser_set(&o, "circle", "5000:12.5", &err), PL_OK));
    cr_expect(eq(int, pl_laser_set(&o, "circle", "5000:12", NULL), PL_EARG));
    cr_expect(eq(int, pl_laser_set(&o, "circle", "800:-3", &err), PL_OK), "%s", err.msg);
    cr_expect(eq(int, pl_laser_set(&o, "circle", "900:3", NULL), PL_EARG));
    cr_assert(eq(sz, o.by_eye.sheets, 2));
    cr_expect(eq(dbl, o.by_eye.sheet[0].across_mm, -3));
    cr_expect(eq(dbl, o.by_eye.sheet[1].at_mm, 5000));
    cr_expect(eq(dbl, o.by_eye.sheet[1].across_mm, 12.5));
    cr_expect(eq(sz, o.by_eye.sheet[1].marks, 0));
}
