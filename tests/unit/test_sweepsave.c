/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a series leaves in the profile, and when it leaves nothing. */
#include "../../lib/align/align.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char BEFORE[] = "# mine\n[scope]\naperture_mm = 300\n[focuser]\noutward = -1\n";

struct save_row {
    double backlash, backlash_sigma, step, tilt;
    int step_told, side_known, outside;
    char backlash_um[16], step_um[16]; /* as they must stand there; "": not at all */
    char says[40];                     /* of a refusal; "" when it is saved */
    char what[32];
};

ParameterizedTestParameters(sweepsave, writes)
{
    static struct save_row rows[] = {
        { 62.5, 3, 4.5, 9, 1, 1, 0, "62.5", "", "", "backlash found" },
        { 5, 3, 4.5, 9, 1, 1, 0, "", "", "", "backlash in the noise" },
        { NAN, NAN, 4.5, 9, 1, 1, 0, "", "", "", "one direction only" },
        { NAN, NAN, 4.5126, 9, 0, 1, 0, "", "4.5126", "", "the blur told the step" },
        { 0.0421, 0.001, 0.007, 9, 0, 1, 0, "0.0421", "0.007", "", "a fine focuser" },
        { NAN, NAN, NAN, 9, 0, 1, 0, "", "", "", "no step at all" },
        { NAN, NAN, 0.000412, 9, 0, 1, 0, "", "0.000412", "", "a very fine focuser" },
        { NAN, NAN, 9876.5, 9, 0, 1, 0, "", "9876.5", "", "a coarse one" },
        { NAN, NAN, 1e-5, 9, 0, 1, 0, "", "", "", "finer than any" },
        { NAN, NAN, 1e9, 9, 0, 1, 0, "", "", "", "no step that can be" },
        { 62.5, 3, 4.5, 9, 0, 0, 0, "", "", "--first in or out", "side unknown" },
        { 62.5, 3, 4.5, 9, 0, 1, 1, "", "", "beyond the frames", "outside" },
        { 62.5, 3, 4.5, NAN, 0, 1, 0, "", "", "surface could not be told", "no surface" },
    };
    return cr_make_param_array(struct save_row, rows, sizeof rows / sizeof *rows);
}

static pl_sweep sweep_of(const struct save_row *r)
{
    pl_sweep s = { .side_known = r->side_known,
                   .outside = r->outside,
                   .backlash_um = r->backlash,
                   .backlash_sigma_um = r->backlash_sigma,
                   .step_um = r->step,
                   .facts = pl_facts_unknown() };
    s.surface = (pl_surface){ .tilt_x_um_mm = r->tilt,
                              .tilt_y_um_mm = -11,
                              .curvature_um = 4,
                              .width_mm = 20,
                              .height_mm = 15,
                              .width_px = 5000,
                              .height_px = 3750,
                              .pixel_um = 4,
                              .binning = 1,
                              .blur_scale = 1,
                              .blur_scale_sigma = 0.01,
                              .seeing_um = 10,
                              .lambda_um = 0.53,
                              .best_steps = 5003,
                              .best_steps_sigma = 1,
                              .temperature_c = NAN,
                              .date = "2031-10-09T20:12:00" };
    for (int i = 0; i < 3; i++)
        s.surface.cov[i][i] = 0.01;
    if (r->step_told)
        s.facts.step_um = (pl_num){ r->step, PL_FROM_PROFILE };
    return s;
}

/* The value of a key, "" when it is not there. */
static void value_of(const char *text, const char *key, char out[64])
{
    char line[40];
    snprintf(line, sizeof line, "\n%s=", key);
    const char *at = strstr(text, line);
    snprintf(out, 64, "%.*s", at ? (int)strcspn(at + strlen(line), "\n") : 0,
             at ? at + strlen(line) : "");
}

static void read_all(const char *path, char out[8192])
{
    FILE *f = fopen(path, "r");
    cr_assert(ne(ptr, f, NULL), "%s", path);
    out[fread(out, 1, 8191, f)] = '\0';
    fclose(f);
}

ParameterizedTest(struct save_row *r, sweepsave, writes)
{
    char path[] = "/tmp/plumb-save-XXXXXX", backup[40], text[8192], got[64];
    pl_sweep s = sweep_of(r);
    pl_err err = { PL_OK, "" };
    int fd = mkstemp(path);
    cr_assert(ge(int, fd, 0));
    cr_assert(eq(sz, (size_t)write(fd, BEFORE, strlen(BEFORE)), strlen(BEFORE)));
    close(fd);
    setlocale(LC_ALL, "de_DE.UTF-8"); /* where it is installed: a point all the same */
    pl_status rc = pl_sweep_save(&s, path, &err);
    setlocale(LC_ALL, "C");
    cr_expect(eq(int, rc, r->says[0] ? PL_ENODATA : PL_OK), "%s: %s", r->what, err.msg);
    cr_expect(ne(ptr, strstr(err.msg, r->says), NULL), "%s: %s", r->what, err.msg);
    read_all(path, text);
    snprintf(backup, sizeof backup, "%s~", path);
    if (r->says[0]) {
        cr_expect(eq(str, text, (char *)BEFORE), "%s", r->what);
        cr_expect(ne(int, access(backup, F_OK), 0), "%s: no backup", r->what);
    } else {
        value_of(text, "backlash_um", got);
        cr_expect(eq(str, got, r->backlash_um), "%s", r->what);
        value_of(text, "step_um", got);
        cr_expect(eq(str, got, r->step_um), "%s", r->what);
        cr_expect(ne(ptr, strstr(text, "# mine\n"), NULL));
        pl_surface back;
        cr_assert(eq(int, pl_surface_read(path, &back, &err), PL_OK), "%s", err.msg);
        cr_expect(epsilon_eq(dbl, back.tilt_x_um_mm, 9, 1e-9));
        cr_expect(epsilon_eq(dbl, back.tilt_y_um_mm, -11, 1e-9));
        pl_facts facts = pl_facts_unknown();
        pl_notes notes = { NULL, 0, 0 };
        cr_expect(eq(int, pl_profile_read(path, &facts, &notes, &err), PL_OK), "%s", err.msg);
        cr_expect(eq(sz, notes.n, 0), "a profile like any other");
        cr_expect(epsilon_eq(dbl, facts.outward.v, -1, 0), "the rest stays");
        cr_expect(r->step_um[0] ? fabs(facts.step_um.v / r->step - 1) < 1e-5
                                : isnan(facts.step_um.v));
        pl_notes_clear(&notes);
        unlink(backup);
    }
    unlink(path);
}

Test(sweepsave, nowhere_to_write)
{
    struct save_row r = { .tilt = 9, .side_known = 1, .backlash = NAN, .step = NAN };
    pl_sweep s = sweep_of(&r);
    cr_expect(eq(int, pl_sweep_save(&s, "/nowhere/p.ini", NULL), PL_EIO));
}
