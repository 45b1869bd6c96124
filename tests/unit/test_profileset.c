/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One key written into a profile: all else stays, byte for byte, and nothing is lost on failure. */
#include "../../lib/base/base.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static pl_status set_key(const char *path, const char *section, const char *key, const char *value,
                         pl_err *err)
{
    pl_setting s = { .section = section, .key = key };
    snprintf(s.value, sizeof s.value, "%s", value);
    return pl_profile_set(path, &s, 1, err);
}

TestSuite(profileset, .init = frames_begin, .fini = frames_end);

static void put(const char *path, const char *text)
{
    frames_put_bytes(path, text, strlen(text));
}

static const char *slurp(const char *path)
{
    static char text[4][4096];
    static int turn;
    char *t = text[turn++ % 4];
    FILE *f = fopen(path, "rb");
    if (!f)
        return "(no file)";
    t[fread(t, 1, 4095, f)] = 0;
    fclose(f);
    return t;
}

static bool is_there(const char *path)
{
    return access(path, F_OK) == 0;
}

struct set_row {
    char before[200], section[12], key[16], value[12], after[240], what[40];
};

ParameterizedTestParameters(profileset, one_key_changes)
{
    static struct set_row rows[] = {
        { "# my telescope\n[scope]\n# measured twice\naperture_mm = 280\nfocuser_deg = "
          "10\nfocal_mm=870\n\n# the camera\n[camera]\npixel_um=3.76\n",
          "scope", "focuser_deg", "123.5",
          "# my telescope\n[scope]\n# measured twice\naperture_mm=280\nfocuser_deg="
          "123.5\nfocal_mm=870\n\n# the camera\n[camera]\npixel_um=3.76\n",
          "a key changed in its place" },
        { "[scope]\naperture_mm=280\n\n[camera]\npixel_um=3.76\n", "scope", "focuser_deg", "90",
          "[scope]\naperture_mm=280\nfocuser_deg=90\n\n[camera]\npixel_um=3.76\n",
          "a key added to its section" },
        { "[camera]\npixel_um=3.76\n", "scope", "focuser_deg", "90",
          "[camera]\npixel_um=3.76\n\n[scope]\nfocuser_deg=90\n", "a section added" },
        { "", "scope", "focuser_deg", "90", "[scope]\nfocuser_deg=90\n", "an empty file" },
    };
    return cr_make_param_array(struct set_row, rows, sizeof rows / sizeof *rows);
}

/* A text without its blanks around "=" and its blank lines: those may move. */
static const char *bare(const char *text)
{
    static char out[4][4096];
    static int turn;
    char *o = out[turn++ % 4], *start = o;
    for (const char *c = text; *c; c++) {
        if ((*c == ' ' && (c[1] == '=' || (c > text && c[-1] == '='))) ||
            (*c == '\n' && (c == text || c[-1] == '\n')))
            continue;
        *o++ = *c;
    }
    *o = 0;
    return start;
}

ParameterizedTest(struct set_row *r, profileset, one_key_changes, .init = frames_begin,
                  .fini = frames_end)
{
    const char *path = frames_path("scope.ini"), *old = frames_path("scope.ini~");
    pl_err err = { PL_OK, "" };
    put(path, r->before);
    cr_assert(eq(int, set_key(path, r->section, r->key, r->value, &err), PL_OK), "%s: %s", r->what,
              err.msg);
    cr_expect(eq(str, (char *)bare(slurp(path)), (char *)bare(r->after)), "%s", r->what);
    cr_expect(eq(str, (char *)slurp(old), r->before), "as it was, to the byte");
}

Test(profileset, missing_file_is_begun)
{
    const char *path = frames_path("new.ini");
    pl_facts facts = pl_facts_unknown();
    pl_notes notes = { NULL, 0, 0 };
    cr_assert(eq(int, set_key(path, "scope", "focuser_deg", "123.5", NULL), PL_OK));
    cr_expect(not(is_there(frames_path("new.ini~"))), "there was nothing to keep");
    cr_assert(eq(int, pl_profile_read(path, &facts, &notes, NULL), PL_OK));
    cr_expect(eq(dbl, facts.focuser_deg.v, 123.5));
    cr_expect(eq(sz, notes.n, 0));
    pl_notes_clear(&notes);
}

/* A profile that can be read can be written to and still says the same: byte order mark, line ends
 * of two bytes, remarks in any bytes, blanks. */
Test(profileset, odd_texts_keep_their_meaning)
{
    static const char *const texts[] = {
        "# caf\xe9 \xff\n[scope]\naperture_mm = 280.5\n[camera]\npixel_um=4.2\n",
        "[scope]\r\naperture_mm = 280.5\r\n\r\n[camera]\r\npixel_um=4.2\r\n",
        "\xef\xbb\xbf[scope]\naperture_mm = 280.5\n[camera]\npixel_um=4.2\n",
        "# so far\n  [scope]  \n  aperture_mm  =  280.5 \n[camera]\npixel_um=4.2",
        "[scope]\naperture_mm = 280.5\n[camera]\npixel_um=4.2\n[scope]\nobstruction=0.3\n",
        "[scope]\naperture_mm = 280.5\n[camera]\npixel_um=4.2\n[lunch]\nsoup=noodles\n",
    };
    for (size_t i = 0; i < PL_ARRAY_LEN(texts); i++) {
        char name[16];
        snprintf(name, sizeof name, "%zu.ini", i);
        const char *path = frames_path(name);
        pl_facts before = pl_facts_unknown(), after = pl_facts_unknown();
        pl_notes notes = { NULL, 0, 0 };
        pl_err err = { PL_OK, "" };
        put(path, texts[i]);
        cr_assert(eq(int, pl_profile_read(path, &before, &notes, &err), PL_OK), "%zu: %s", i,
                  err.msg);
        cr_expect(eq(int, set_key(path, "scope", "focuser_deg", "45", &err), PL_OK), "%zu: %s", i,
                  err.msg);
        cr_assert(eq(int, pl_profile_read(path, &after, &notes, NULL), PL_OK), "%zu: %s", i,
                  slurp(path));
        cr_expect(eq(dbl, after.focuser_deg.v, 45), "%zu: %s", i, slurp(path));
        after.focuser_deg = before.focuser_deg;
        cr_expect(eq(int, memcmp(&before, &after, sizeof before), 0), "%zu: %s", i, slurp(path));
        pl_notes_clear(&notes);
    }
}

struct refused_row {
    char text[64];
    int code;
    char what[32];
};

ParameterizedTestParameters(profileset, no_profile_is_left_alone)
{
    static struct refused_row rows[] = {
        { "SIMPLE  =                    T / no INI", PL_EFORMAT, "a picture's header" },
        { "aperture_mm=280\n", PL_EFORMAT, "a key before the first section" },
        { "[scope\naperture_mm=280\n", PL_EFORMAT, "a section not closed" },
        { "\x7f\x45LF\x01\x02\x03 binary\n", PL_EFORMAT, "binary" },
        { "dear diary,\ntoday I collimated\n", PL_EFORMAT, "prose" },
    };
    return cr_make_param_array(struct refused_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct refused_row *r, profileset, no_profile_is_left_alone, .init = frames_begin,
                  .fini = frames_end)
{
    const char *path = frames_path("x.ini");
    pl_err err = { PL_OK, "" };
    put(path, r->text);
    cr_expect(eq(int, set_key(path, "scope", "focuser_deg", "1", &err), r->code), "%s", r->what);
    cr_expect(ne(int, err.msg[0], 0), "%s", r->what);
    cr_expect(eq(int, strcspn(err.msg, "\n") == strlen(err.msg), 1), "one line");
    cr_expect(eq(str, (char *)slurp(path), r->text), "%s", r->what);
    cr_expect(not(is_there(frames_path("x.ini~"))), "%s", r->what);
}

/* A user may write anywhere, a folder that is none or a copy that cannot be made stops anyone. */
Test(profileset, what_cannot_be_written_is_left_alone)
{
    const char *path = frames_path("x.ini"), text[] = "[scope]\naperture_mm=280\n";
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, set_key(frames_path("no/such/x.ini"), "scope", "a", "1", &err), PL_EIO));
    cr_expect(ne(ptr, strstr(err.msg, "no/such/x.ini"), NULL), "%s", err.msg);
    put(path, text);
    cr_assert(eq(int, mkdir(frames_path("x.ini~"), 0700), 0)); /* where the copy should go */
    err = (pl_err){ PL_OK, "" };
    cr_expect(eq(int, set_key(path, "scope", "focuser_deg", "1", &err), PL_EIO));
    cr_expect(ne(ptr, strstr(err.msg, "x.ini~"), NULL), "%s", err.msg);
    cr_expect(eq(str, (char *)slurp(path), (char *)text));
    cr_expect(eq(int, set_key(frames_path(""), "scope", "a", "1", NULL), PL_EIO), "a folder");
}

/* Superuser writes into any folder: only others can see this. */
Test(profileset, unwritable_folder)
{
    const char *path = frames_path("x.ini"), text[] = "[scope]\naperture_mm=280\n";
    if (geteuid() == 0)
        cr_skip("the superuser may write anywhere");
    put(path, text);
    cr_assert(eq(int, chmod(frames_path(""), 0500), 0));
    cr_expect(eq(int, set_key(path, "scope", "focuser_deg", "1", NULL), PL_EIO));
    chmod(frames_path(""), 0700);
    cr_expect(eq(str, (char *)slurp(path), (char *)text));
    cr_expect(not(is_there(frames_path("x.ini~"))));
}

/* The second change keeps the state before it, not the first one. */
Test(profileset, copy_is_of_the_last_state)
{
    const char *path = frames_path("x.ini");
    put(path, "[scope]\naperture_mm=280\n");
    cr_assert(eq(int, set_key(path, "scope", "focuser_deg", "1", NULL), PL_OK));
    const char *between = slurp(path);
    cr_assert(eq(int, set_key(path, "scope", "focuser_deg", "2", NULL), PL_OK));
    cr_expect(eq(str, (char *)slurp(frames_path("x.ini~")), (char *)between));
}

Test(profileset, several_keys_leave_one_copy_of_the_file_as_it_was)
{
    const char *path = frames_path("x.ini"), text[] = "# mine\n[scope]\naperture_mm=280\n";
    const pl_setting two[] = { { "scope", "focuser_deg", "12" }, { "focuser", "step_um", "4.5" } };
    pl_facts facts = pl_facts_unknown();
    pl_notes notes = { NULL, 0, 0 };
    put(path, text);
    cr_assert(eq(int, pl_profile_set(path, two, 2, NULL), PL_OK));
    cr_assert(eq(int, pl_profile_read(path, &facts, &notes, NULL), PL_OK));
    cr_expect(eq(dbl, facts.aperture_mm.v, 280));
    cr_expect(eq(dbl, facts.focuser_deg.v, 12));
    cr_expect(eq(dbl, facts.step_um.v, 4.5));
    cr_expect(ne(ptr, strstr(slurp(path), "# mine"), NULL));
    cr_expect(eq(str, (char *)slurp(frames_path("x.ini~")), (char *)text));
    pl_notes_clear(&notes);
}
