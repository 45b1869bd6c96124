/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-check - between two exposures: shoot on or refocus, is it focus or the air, which way, and
 * is it worth the time. */
#include "cli.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { FIRST = 0x400, REFERENCE = 0x500, STARS = 600 };

static const cli_option options[] = {
    { "moved", FIRST, "UM", "a pair: the drawtube moved so far between the two, + = out" },
    { "remaining", FIRST + 1, "MIN", "of the night: then the costs are told" },
    { "refocus-cost", FIRST + 2, "S", "time that refocusing takes" },
    { "drift", FIRST + 3, "UM_H", "how focus drifts, um an hour at the sensor, + = outward" },
    { "wavelength", FIRST + 4, "UM", "wavelength, um (default: the surface's)" },
    { "reference", REFERENCE, "FILE", "an exposure known to be good" },
    { NULL, 0, NULL, NULL },
};

struct own {
    pl_check_options check;
    pl_surface surface;
    bool calibrated;
    const char *reference;
};

static const char *const facts[] = {
    "aperture_mm", "focal_mm",       "mirror_focal_mm", "obstruction",  "pixel_um",    "mosaic",
    "gain_e_adu",  "saturation_adu", "step_um",         "outward",      "um_per_turn", "carries",
    "backlash_um", "approach",       "fwhm_growth",     "eccentricity", "row_order",   NULL,
};

static int own(void *ctx, int letter, const char *value, pl_err *err)
{
    struct own *o = ctx;
    if (letter != REFERENCE)
        return pl_check_set(&o->check, options[letter - FIRST].name, value, err) == PL_OK ? 0 : -1;
    o->reference = value;
    return 0;
}

static const cli_program program = {
    .name = "plumb-check",
    .usage = "[OPTION]... FRAME...",
    .about = "Reads ordinary exposures: how far from focus, which way, and how much of the stars'\n"
             "width is the air's, by the focal surface that plumb-sweep --save left in the "
             "profile.\n",
    .status = "  0  shoot on, or cannot tell\n"
              "  1  act\n"
              "  2  at least one frame could not be measured\n",
    .frames = true,
    .options = options,
    .facts = facts,
    .own = own,
};

static int failed(const cli *c, const char *file, const pl_err *err)
{
    cli_complain(c, file, err->msg[0] ? err->msg : "out of memory");
    return EXIT_UNMEASURED;
}

static pl_status measure(const cli *c, const char *file, pl_field *out, pl_err *err)
{
    pl_frame *frame = NULL;
    pl_status st = pl_frame_open(file, c->jobs, &frame, err);
    if (st == PL_OK)
        st = pl_field_measure(frame, &c->facts, STARS, c->jobs, out, err);
    pl_frame_free(frame);
    return st;
}

static int report(const cli *c, const pl_check *check, const char *file)
{
    pl_err err = { PL_OK, "" };
    char *text = c->json ? pl_check_json(check, file) : pl_check_text(check, file);
    if (!text)
        return failed(c, file, &err);
    fputs(text, stdout);
    free(text);
    return check->verdict.state == PL_OUTSIDE ? EXIT_OUTSIDE : EXIT_WITHIN;
}

static int check_one(const cli *c, const struct own *o, const pl_field *reference, const char *file)
{
    pl_err err = { PL_OK, "" };
    pl_field field = { 0 };
    pl_check check = { 0 };
    pl_status st = measure(c, file, &field, &err);
    if (st == PL_OK)
        st = pl_check_frame(&field, o->calibrated ? &o->surface : NULL, reference, &o->check,
                            c->jobs, &check, &err);
    int status = st == PL_OK ? report(c, &check, file) : failed(c, file, &err);
    pl_check_clear(&check);
    pl_field_clear(&field);
    return status;
}

static int check_pair(const cli *c, const struct own *o)
{
    pl_err err = { PL_OK, "" };
    pl_field field[2] = { { 0 }, { 0 } };
    pl_check check = { 0 };
    pl_status st = PL_OK;
    int i = 0;
    for (; i < 2 && st == PL_OK; i++)
        st = measure(c, c->file[i], &field[i], &err);
    if (st == PL_OK)
        st = pl_check_pair(field, o->calibrated ? &o->surface : NULL, &o->check, c->jobs, &check,
                           &err);
    int status = st == PL_OK ? report(c, &check, c->file[1]) : failed(c, c->file[i - 1], &err);
    pl_check_clear(&check);
    pl_field_clear(&field[0]);
    pl_field_clear(&field[1]);
    return status;
}

/* -1 to go on, else the exit status. No surface is an answer; a broken one is not. */
static int calibrated(const cli *c, struct own *o)
{
    pl_err err = { PL_OK, "" };
    if (!c->profile)
        return -1;
    pl_status st = pl_surface_read(c->profile, &o->surface, &err);
    o->calibrated = st == PL_OK;
    return st == PL_OK || st == PL_ENODATA ? -1 : failed(c, c->profile, &err);
}

static int run(const cli *c, struct own *o)
{
    if (c->files == 0)
        return cli_misuse(c, "name at least one FITS frame");
    if (o->check.pair && c->files != 2)
        return cli_misuse(c, "--moved goes with two frames, the second after the move");
    int status = calibrated(c, o), worst = EXIT_WITHIN;
    if (status >= 0)
        return status;
    if (o->check.pair)
        return check_pair(c, o);
    for (int i = 0; i < c->files; i++) {
        cli_progress(c, i, c->files);
        status = check_one(c, o, NULL, c->file[i]);
        worst = status > worst ? status : worst;
    }
    cli_progress(c, c->files, c->files);
    return worst;
}

int main(int argc, char **argv)
{
    cli c;
    struct own o = { .check = pl_check_defaults() };
    int rc = cli_parse(&program, argc, argv, &c, &o);
    if (rc < 0)
        rc = run(&c, &o);
    return cli_close(&c, rc);
}
