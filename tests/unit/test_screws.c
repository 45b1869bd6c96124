/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Screws of a profile: what is taken, what is refused and in which words. The right answers are
 * what stands in the text. */
#include "../../lib/plumb.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static char folder[] = "/tmp/plumb-screws-XXXXXX";
static char path[64];

static void make_folder(void)
{
    cr_assert(ne(ptr, mkdtemp(folder), NULL));
    snprintf(path, sizeof path, "%s/scope.ini", folder);
}

static void drop_folder(void)
{
    unlink(path);
    rmdir(folder);
}

static void put(const char *text)
{
    FILE *f = fopen(path, "w");
    cr_assert(ne(ptr, f, NULL));
    cr_assert(ge(int, fputs(text, f), 0));
    cr_assert(eq(int, fclose(f), 0));
}

TestSuite(screws, .init = make_folder, .fini = drop_folder);

Test(screws, takes_every_key)
{
    pl_err err = { PL_OK, "" };
    pl_screws s;
    put("[plate]\nradius_mm = 40\nangles_deg = 90, 210,330\npitch_mm = 0.7\nkind = pushpull\n"
        "clockwise = in\ncolumns_deg = 180\nrows_deg = -90\n"
        "[cell]\nradius_mm = 130\nangles_deg = 0 90\t-180 270\nclockwise = out\n");
    cr_assert(eq(int, pl_screws_read(path, "plate", &s, &err), PL_OK), "%s", err.msg);
    cr_expect(eq(sz, s.screws, 3));
    cr_expect(eq(dbl, s.radius_mm, 40));
    cr_expect(eq(dbl, s.angle_deg[0], 90));
    cr_expect(eq(dbl, s.angle_deg[1], 210));
    cr_expect(eq(dbl, s.angle_deg[2], 330));
    cr_expect(eq(dbl, s.pitch_mm, 0.7));
    cr_expect(eq(str, s.kind, "pushpull"));
    cr_expect(eq(dbl, s.clockwise, 1));
    cr_expect(eq(dbl, s.columns_deg, 180));
    cr_expect(eq(dbl, s.rows_deg, 270));
    cr_assert(eq(int, pl_screws_read(path, "cell", &s, &err), PL_OK), "%s", err.msg);
    cr_expect(eq(sz, s.screws, 4));
    cr_expect(eq(dbl, s.radius_mm, 130));
    cr_expect(eq(dbl, s.angle_deg[1], 90));
    cr_expect(eq(dbl, s.angle_deg[2], 180)); /* told as -180 */
    cr_expect(eq(dbl, s.clockwise, -1));
    cr_expect(isnan(s.pitch_mm) && isnan(s.columns_deg) && isnan(s.rows_deg));
    cr_expect(eq(str, s.kind, ""));
}

/* The same keys draw no remark where the facts are read. */
Test(screws, are_known_to_the_profile)
{
    pl_err err = { PL_OK, "" };
    pl_notes notes = { NULL, 0, 0 };
    pl_facts facts = pl_facts_unknown();
    put("[plate]\nradius_mm = 40\nangles_deg = 90,210,330\npitch_mm = 0.7\nkind = push\n"
        "clockwise = in\ncolumns_deg = 0\nrows_deg = 90\n"
        "[cell]\nradius_mm = 40\nangles_deg = 90,210,330\npitch_mm = 0.7\nkind = pull\n"
        "clockwise = out\ncolumns_deg = 0\nrows_deg = 90\n");
    cr_assert(eq(int, pl_profile_read(path, &facts, &notes, &err), PL_OK), "%s", err.msg);
    cr_expect(eq(sz, notes.n, 0));
    pl_notes_clear(&notes);
}

Test(screws, none_where_the_profile_has_none)
{
    pl_err err = { PL_OK, "" };
    pl_screws s;
    put("[scope]\nfocal_mm = 870\n");
    cr_assert(eq(int, pl_screws_read(path, "plate", &s, &err), PL_OK), "%s", err.msg);
    cr_expect(eq(sz, s.screws, 0));
    cr_expect(isnan(s.radius_mm) && isnan(s.pitch_mm) && isnan(s.clockwise));
    put("[plate]\ncolumns_deg = 0\nrows_deg = 270\n"); /* how the camera sits can be told alone */
    cr_assert(eq(int, pl_screws_read(path, "plate", &s, &err), PL_OK), "%s", err.msg);
    cr_expect(eq(sz, s.screws, 0));
    cr_expect(eq(dbl, s.rows_deg, 270));
}

struct refused {
    char text[120], words[80]; /* what the sentence must say: the key, and what was wanted */
};

ParameterizedTestParameters(screws, refuses)
{
    static struct refused rows[] = {
        { "radius_mm = 40\n", "radius_mm is given but not angles_deg" },
        { "angles_deg = 0,120,240\n", "angles_deg is given but not radius_mm" },
        { "radius_mm = 40\nangles_deg = 0,180\n", "angles_deg holds 2; wanted: 3 to 6" },
        { "radius_mm = 40\nangles_deg =\n", "angles_deg holds 0; wanted: 3 to 6" },
        { "radius_mm = 40\nangles_deg = 0,50,100,150,200,250,300\n", "holds more than 6" },
        { "radius_mm = 40\nangles_deg = 0,120,120\n", "120 and 120, less than 5 degrees apart" },
        { "radius_mm = 40\nangles_deg = 1,120,359\n", "1 and 359, less than 5" },
        { "radius_mm = 40\nangles_deg = 0,120,x\n", "angles_deg is \"x\"; a number" },
        { "radius_mm = 40\nangles_deg = 0,120,nan\n", "angles_deg is \"nan\"" },
        { "radius_mm = 40\nangles_deg = 0,120,999\n", "from -360 to 360" },
        { "radius_mm = -40\nangles_deg = 0,120,240\n", "radius_mm is \"-40\"; a number from 1" },
        { "radius_mm = 40mm\nangles_deg = 0,120,240\n", "radius_mm is \"40mm\"" },
        { "pitch_mm = 0\n", "pitch_mm is \"0\"; a number from 0.05" },
        { "kind = glue\n", "push, pull or pushpull is wanted" },
        { "clockwise = left\n", "in (away from you) or out (towards you)" },
        { "columns_deg = 0\nrows_deg = 180\n", "are 180 degrees apart" },
        { "columns_deg = 350\nrows_deg = 60\n", "are 70 degrees apart" },
    };
    return cr_make_param_array(struct refused, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct refused *r, screws, refuses)
{
    pl_err err = { PL_OK, "" };
    char text[160];
    pl_screws s = { .screws = 99 };
    snprintf(text, sizeof text, "[plate]\n%s", r->text);
    put(text);
    cr_expect(eq(int, pl_screws_read(path, "plate", &s, &err), PL_EFORMAT), "%s", r->text);
    cr_expect(ne(ptr, strstr(err.msg, r->words), NULL), "\"%s\" has no \"%s\"", err.msg, r->words);
    cr_expect(ne(ptr, strstr(err.msg, "[plate]"), NULL), "%s", err.msg);
    cr_expect(eq(sz, s.screws, 99)); /* untouched */
}

Test(screws, refuses_other_files_and_sections)
{
    pl_err err = { PL_OK, "" }, other = { PL_OK, "" };
    pl_screws s = { .screws = 99 };
    cr_expect(eq(int, pl_screws_read(path, "plate", &s, &err), PL_EIO));
    put("[scope]\nfocal_mm = 870\n");
    cr_expect(eq(int, pl_screws_read(path, "scope", &s, &other), PL_EARG));
    cr_expect(eq(sz, s.screws, 99));
}
