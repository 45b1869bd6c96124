/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-sweep - where best focus is, how sure, and whether the sensor is square, from a series of
 * exposures through focus. */
#include "cli.h"

#include <stdio.h>
#include <stdlib.h>

enum { FIRST = 0x400, SAVE = 0x500, STARS = 200, MOST_FRAMES = 200, MOST_TOLD = 4 };

static const cli_option options[] = {
    { "positions", FIRST, "LIST", "the focuser's numbers, one a frame: 4980,5000,5020" },
    { "no-positions", FIRST + 1, NULL, "a manual focuser: the blur tells where each frame stood" },
    { "first", FIRST + 2, "in|out", "side of focus of the first frame, when there are no numbers" },
    { "wavelength", FIRST + 3, "UM", "wavelength, um (default 0.53 on a mosaic, else 0.55)" },
    { "save", SAVE, NULL, "write [surface] and what was learnt of the focuser to the profile" },
    { NULL, 0, NULL, NULL },
};

struct own {
    pl_sweep_options sweep;
    pl_surface known;
    bool save;
};

static const char *const facts[] = {
    "aperture_mm", "focal_mm",       "mirror_focal_mm", "obstruction", "pixel_um",    "mosaic",
    "gain_e_adu",  "saturation_adu", "step_um",         "outward",     "um_per_turn", "carries",
    "backlash_um", "approach",       "fwhm_growth",     "row_order",   NULL,
};

static int own(void *ctx, int letter, const char *value, pl_err *err)
{
    struct own *o = ctx;
    if (letter != SAVE)
        return pl_sweep_set(&o->sweep, options[letter - FIRST].name, value, err) == PL_OK ? 0 : -1;
    o->save = true;
    return 0;
}

static const cli_program program = {
    .name = "plumb-sweep",
    .usage = "[OPTION]... FRAME FRAME FRAME...",
    .about = "Reads a series of exposures through focus, in the order they were taken: where best\n"
             "focus is, which way and how far to go, and whether the sensor is square. Positions\n"
             "come from the headers, from --positions or from the file names; without any, the\n"
             "blur tells them.\n",
    .status = "  0  square within what focus allows, or cannot tell\n"
              "  1  outside: act\n"
              "  2  best focus could not be measured\n",
    .frames = true,
    .together = true,
    .options = options,
    .facts = facts,
    .own = own,
};

/* A series on its way; [files] each. */
struct series {
    pl_field *field;
    pl_sweep_shot *shot;
    pl_err *why;
};

/* A frame without usable stars does not spoil the others; one that is no frame does. */
static int measure_one(const cli *c, struct series *s, int i)
{
    pl_frame *frame = NULL;
    pl_err *why = &s->why[i];
    pl_status st = pl_frame_open(c->file[i], c->jobs, &frame, why);
    if (st == PL_OK) {
        st = pl_field_measure(frame, &c->facts, STARS, c->jobs, &s->field[i], why);
        pl_frame_free(frame);
        if (st == PL_OK || st == PL_ENODATA) {
            s->shot[i] = (pl_sweep_shot){ c->file[i], st == PL_OK ? &s->field[i] : NULL, why->msg };
            return EXIT_WITHIN;
        }
    }
    return cli_failed(c, c->file[i], why);
}

static int report(const cli *c, const struct own *o, const pl_sweep *sweep)
{
    pl_err err = { PL_OK, "" };
    const char *const *file = (const char *const *)c->file;
    if (cli_print(c, c->json ? pl_sweep_json(sweep, file) : pl_sweep_text(sweep, file)))
        return EXIT_UNMEASURED;
    if (c->png && pl_sweep_draw(sweep, file, c->red, c->png, &err) != PL_OK)
        return cli_failed(c, NULL, &err);
    if (o->save && pl_sweep_save(sweep, c->profile, &err) != PL_OK)
        return cli_failed(c, c->profile, &err);
    return sweep->verdict.state == PL_OUTSIDE ? EXIT_OUTSIDE : EXIT_WITHIN;
}

/* Where there is no answer to list them in. */
static void tell_left_out(const cli *c, const struct series *s)
{
    char text[64];
    int n = 0;
    for (int i = 0; i < c->files; i++)
        if (!s->shot[i].field && n++ < MOST_TOLD)
            cli_complain(c, c->file[i], s->shot[i].why);
    if (n <= MOST_TOLD)
        return;
    snprintf(text, sizeof text, "and %d more frames that could not be measured", n - MOST_TOLD);
    cli_complain(c, NULL, text);
}

static int sweep_all(const cli *c, const struct own *o, struct series *s)
{
    pl_sweep sweep;
    pl_err err = { PL_OK, "" };
    int status = EXIT_WITHIN;
    for (int i = 0; i < c->files && status == EXIT_WITHIN; i++) {
        cli_progress(c, i, c->files);
        status = measure_one(c, s, i);
    }
    cli_progress(c, c->files, c->files);
    if (status != EXIT_WITHIN)
        return status;
    if (pl_sweep_series(s->shot, (size_t)c->files, &o->sweep, c->jobs, &sweep, &err) != PL_OK) {
        status = cli_failed(c, NULL, &err);
        tell_left_out(c, s);
        return status;
    }
    status = report(c, o, &sweep);
    pl_sweep_clear(&sweep);
    return status;
}

/* What a former series left in the profile; a broken one is no reason to stop: it is measured anew.
 */
static void read_known(const cli *c, struct own *o)
{
    pl_err err = { PL_OK, "" };
    if (!c->profile)
        return;
    pl_status st = pl_surface_read(c->profile, &o->known, &err);
    if (st == PL_OK)
        o->sweep.known = &o->known;
    else if (st != PL_ENODATA && !c->quiet)
        cli_complain(c, c->profile, err.msg);
}

/* The first frame that is; NULL: none. */
static const char *given_twice(const cli *c)
{
    for (int i = 0; i < c->files; i++)
        for (int j = 0; j < i; j++)
            if (cli_same_file(c->file[i], c->file[j]))
                return c->file[i];
    return NULL;
}

/* -1 to go on, else the exit status. */
static int check(const cli *c, const struct own *o)
{
    char text[96];
    if (c->files < 3)
        return cli_misuse(c, "name at least three FITS frames of one series");
    if (c->files > MOST_FRAMES)
        return cli_misuse(c, "more than 200 frames; a series of a dozen is enough");
    if (o->save && !c->profile)
        return cli_misuse(c, "--save goes with --profile");
    if (o->sweep.no_positions && o->sweep.positions)
        return cli_misuse(c, "--positions and --no-positions contradict each other");
    snprintf(text, sizeof text, "--positions names %zu for %d frames", o->sweep.positions,
             c->files);
    if (o->sweep.positions && o->sweep.positions != (size_t)c->files)
        return cli_misuse(c, text);
    if (!cli_spares_inputs(c, c->png))
        return EXIT_UNMEASURED;
    const char *twice = given_twice(c);
    if (twice)
        cli_complain(c, twice, "was given twice; name each frame once");
    return twice ? EXIT_UNMEASURED : -1;
}

static int run(const cli *c, struct own *o)
{
    int status = check(c, o);
    if (status >= 0)
        return status;
    size_t n = (size_t)c->files;
    pl_err err = { PL_OK, "" };
    struct series s = { calloc(n, sizeof *s.field), calloc(n, sizeof *s.shot),
                        calloc(n, sizeof *s.why) };
    read_known(c, o);
    status = s.field && s.shot && s.why ? sweep_all(c, o, &s) : cli_failed(c, NULL, &err);
    for (size_t i = 0; s.field && s.shot && i < n; i++)
        if (s.shot[i].field)
            pl_field_clear(&s.field[i]);
    free(s.field);
    free(s.shot);
    free(s.why);
    return status;
}

int main(int argc, char **argv)
{
    cli c;
    struct own o = { .sweep = pl_sweep_defaults() };
    int rc = cli_parse(&program, argc, argv, &c, &o);
    if (rc < 0)
        rc = run(&c, &o);
    pl_sweep_options_clear(&o.sweep);
    return cli_close(&c, rc);
}
