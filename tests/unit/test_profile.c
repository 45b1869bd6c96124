/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Reading profiles: what is taken, what is remarked on, what is refused. */
#include "../../lib/base/base.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static char folder[] = "/tmp/plumb-profile-XXXXXX";
static char path[64];

static void make_folder(void)
{
    cr_assert(ne(ptr, mkdtemp(folder), NULL));
    snprintf(path, sizeof path, "%s/scope[1].ini", folder); /* brackets are part of the name */
}

static void drop_folder(void)
{
    unlink(path);
    rmdir(path);
    rmdir(folder);
}

static void put(const char *text, size_t n)
{
    FILE *f = fopen(path, "w");
    cr_assert(ne(ptr, f, NULL));
    cr_assert(eq(sz, fwrite(text, 1, n, f), n));
    cr_assert(eq(int, fclose(f), 0));
}

TestSuite(profile, .init = make_folder, .fini = drop_folder);

/* Every number and word of the facts table that has a section is read from there. */
Test(profile, takes_every_key)
{
    size_t n, given = 0, used = 0;
    const pl_fact *rows = pl_facts_table(&n);
    char text[8192] = "# all\n";
    used = strlen(text);
    for (size_t i = 0; i < n; i++) {
        if (!rows[i].section)
            continue;
        char word[32] = "";
        if (rows[i].words)
            memcpy(word, rows[i].words, strcspn(rows[i].words, " "));
        else
            snprintf(word, sizeof word, "%g", rows[i].lo);
        used += (size_t)snprintf(text + used, sizeof text - used, "[%s]\n%s = %s\n",
                                 rows[i].section, rows[i].name, word);
    }
    put(text, used);
    pl_err err = { PL_OK, "" };
    pl_notes notes = { NULL, 0, 0 };
    pl_facts facts = pl_facts_unknown();
    cr_assert(eq(int, pl_profile_read(path, &facts, &notes, &err), PL_OK), "%s", err.msg);
    cr_expect(eq(sz, notes.n, 0));
    for (size_t i = 0; i < n; i++) {
        const char *field = (const char *)&facts + rows[i].offset;
        pl_source from = rows[i].lo > rows[i].hi ? ((const pl_text *)(const void *)field)->from
                                                 : ((const pl_num *)(const void *)field)->from;
        given += from == PL_FROM_PROFILE;
        cr_expect(eq(int, from, rows[i].section ? PL_FROM_PROFILE : PL_FROM_NOWHERE), "%s",
                  rows[i].name);
    }
    cr_expect(
        eq(sz, given, 29)); /* counted in the design: scope 14, camera 7, focuser 6, tolerance 2 */
    pl_notes_clear(&notes);
}

/* Windows line ends, byte order mark, remarks in any bytes, blanks, a point in a comma locale. */
Test(profile, takes_odd_texts)
{
    static const char text[] =
        "\xef\xbb\xbf# caf\xe9 \xff\r\n\r\n  [scope]  \r\naperture_mm  =  280.5 \r\n"
        "tube_material=ALUMINIUM\r\n[camera]\npixel_um=4.2";
    put(text, sizeof text - 1);
    pl_facts facts = pl_facts_unknown();
    pl_notes notes = { NULL, 0, 0 };
    pl_err err = { PL_OK, "" };
    setlocale(LC_ALL, "de_DE.UTF-8"); /* where it is installed */
    cr_assert(eq(int, pl_profile_read(path, &facts, &notes, &err), PL_OK), "%s", err.msg);
    setlocale(LC_ALL, "C");
    cr_expect(eq(dbl, facts.aperture_mm.v, 280.5));
    cr_expect(eq(dbl, facts.pixel_um.v, 4.2));
    cr_expect(eq(str, facts.tube_material.s, "aluminium"));
    cr_expect(eq(sz, notes.n, 0));
    pl_notes_clear(&notes);
}

struct note_row {
    char text[96], want[128];
};

/* Unknown names get the nearest known one; those of later programs are known. */
ParameterizedTestParameters(profile, remarks)
{
    static struct note_row rows[] = {
        { "[scope]\napperture_mm=280\nfocal_mm=870\n",
          "[scope] apperture_mm is not known and was not "
          "read; is [scope] aperture_mm meant?" },
        { "[scope]\npixel_um=4\nfocal_mm=870\n",
          "[scope] pixel_um is not known and was not read; is [camera] pixel_um meant?" },
        { "[scope]\nfocal_mm=870\n[cell]\nkind=push\npich_mm=1\n",
          "[cell] pich_mm is not known and was not read; is [plate] pitch_mm meant?" },
        { "[scope]\nfocal_mm=870\n[Camera]\npixel_um=4\n",
          "section [Camera] is not known and was not read; is [camera] meant?" },
        { "[scope]\nfocal_mm=870\n[observatory]\nx=1\n",
          "section [observatory] is not known and was not read" },
        { "[scope]\nfocal_mm=870\n[surface]\nanything=1\n[plate]\nradius_mm=1\nclockwise=in\n",
          "" },
    };
    return cr_make_param_array(struct note_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct note_row *r, profile, remarks)
{
    put(r->text, strlen(r->text));
    pl_facts facts = pl_facts_unknown();
    pl_notes notes = { NULL, 0, 0 };
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_profile_read(path, &facts, &notes, &err), PL_OK), "%s", err.msg);
    cr_expect(eq(dbl, facts.focal_mm.v, 870));
    cr_assert(eq(sz, notes.n, r->want[0] ? 1 : 0));
    if (notes.n)
        cr_expect(eq(str, notes.item[0], r->want));
    pl_notes_clear(&notes);
}

struct refusal_row {
    char text[80], says[80];
};

ParameterizedTestParameters(profile, refused)
{
    static struct refusal_row rows[] = {
        { "", "holds no setting" },
        { "# only a remark\n", "holds no setting" },
        { "[scope]\n", "holds no setting" },
        { "aperture_mm=280\n", "line 1: a key stands before the first [section]" },
        { "[scope]\n\naperture_mm 280\n", "line 3: wanted: [section], key = value" },
        { "[scope\naperture_mm=280\n", "line 1: a section is written [name]" },
        { "[scope]\n=280\n", "line 2: wanted" },
        { "[scope]\naperture_mm=28\x01\n", "line 2: a control character" },
        { "\x7f\x45LF\x01\x02\x03 binary\n", "not a text" },
        { "[scope]\naperture_mm=280mm\n", "[scope] aperture_mm is \"280mm\"; a plain number" },
        { "[scope]\naperture_mm=280,5\n", "a plain number is wanted" },
        { "[scope]\naperture_mm=nan\n", "a plain number is wanted" },
        { "[scope]\naperture_mm=\n", "a plain number is wanted" },
        { "[scope]\naperture_mm=-280\n", "it must lie in [10, 20000]" },
        { "[scope]\naperture_mm=1e99\n", "it must lie in" },
        { "[scope]\ntube_material=cheese\n", "it must be one of: aluminium" },
        { "[scope]\naperture_mm=280\n[camera]\npixel_um=0\n",
          "[camera] pixel_um is 0; it must lie" },
    };
    return cr_make_param_array(struct refusal_row, rows, sizeof rows / sizeof *rows);
}

static void expect_refusal(pl_status want, const char *says)
{
    pl_facts facts = pl_facts_unknown(), before = facts;
    pl_notes notes = { NULL, 0, 0 };
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_profile_read(path, &facts, &notes, &err), want), "%s", err.msg);
    cr_expect(ne(ptr, strstr(err.msg, says), NULL), "\"%s\" without \"%s\"", err.msg, says);
    cr_expect(eq(int, memcmp(&facts, &before, sizeof facts), 0));
    cr_expect(eq(int, pl_profile_read(path, &facts, NULL, NULL), want));
    pl_notes_clear(&notes);
}

ParameterizedTest(struct refusal_row *r, profile, refused)
{
    put(r->text, strlen(r->text));
    expect_refusal(PL_EFORMAT, r->says);
}

Test(profile, refuses_what_is_no_file)
{
    expect_refusal(PL_EIO, "cannot be opened: No such file");
    cr_assert(eq(int, mkdir(path, 0700), 0));
    expect_refusal(PL_EIO, "is a directory");
    rmdir(path);
    cr_assert(eq(int, mkfifo(path, 0600), 0)); /* without a writer: must not wait */
    expect_refusal(PL_EIO, "is a pipe; a profile is a file");
}

Test(profile, refuses_what_is_no_text)
{
    static const char zeros[] = "[scope]\naperture_mm=280\n\0\0\0";
    put(zeros, sizeof zeros);
    expect_refusal(PL_EFORMAT, "not a text");
    put("x", 1);
    cr_assert(eq(int, truncate(path, 100 << 20), 0)); /* 100 MB, sparse */
    expect_refusal(PL_EFORMAT, "1 MiB at most");
}
