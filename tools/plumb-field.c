/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-field - how sharp and how round the stars are over the field, and which fault looks so. */
#include "cli.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { OPT_TABLE = 0x400, OPT_STARS, OPT_PLAIN, OPT_BEST, DEFAULT_BEST = 600 };

struct own {
    const char *table;
    bool stars, plain;
    size_t best;
};

static const cli_option options[] = {
    { "best", OPT_BEST, "N", "measure about N stars, spread over the field (0: all; default 600)" },
    { "stars", OPT_STARS, NULL, "with --json: list every star" },
    { "table", OPT_TABLE, "FILE",
      "write the stars as an ECSV table (several frames: a directory)" },
    { "plain", OPT_PLAIN, NULL, "with --png: leave the frame out of the picture" },
    { NULL, 0, NULL, NULL },
};

static const char *const facts[] = {
    "aperture_mm", "focal_mm",  "pixel_um",     "mosaic",      "saturation_adu",
    "gain_e_adu",  "row_order", "eccentricity", "fwhm_growth", NULL,
};

static int take(void *ctx, int letter, const char *value, pl_err *err)
{
    struct own *o = ctx;
    char *end;
    switch (letter) {
    case OPT_TABLE:
        o->table = value;
        return 0;
    case OPT_STARS:
        o->stars = true;
        return 0;
    case OPT_PLAIN:
        o->plain = true;
        return 0;
    default:
        errno = 0;
        o->best = strtoul(value, &end, 10);
        if (*value >= '0' && *value <= '9' && !*end && errno == 0)
            return 0;
        err->code = PL_EARG;
        snprintf(err->msg, sizeof err->msg, "--best is \"%.40s\"; a whole number is wanted", value);
        return -1;
    }
}

static const cli_program program = {
    .name = "plumb-field",
    .usage = "[OPTION]... FRAME...",
    .about = "Measures the stars of each FITS frame: how sharp, how round, and whether their\n"
             "shapes over the field look like tracking, tilt, spacing or collimation.\n",
    .status = "  0  within tolerance, or cannot tell\n"
              "  1  at least one frame is outside: act\n"
              "  2  at least one frame could not be measured\n",
    .frames = true,
    .options = options,
    .facts = facts,
    .own = take,
};

static pl_status write_table(const cli *c, const struct own *o, const pl_field *field,
                             const char *file, pl_err *err)
{
    char *path = cli_output_path(c, o->table, file, ".ecsv"), *text = pl_field_table(field, file);
    pl_status st = PL_ENOMEM;
    if (path && text)
        st = pl_write_whole(path, text, strlen(text), err);
    free(path);
    free(text);
    return st;
}

static pl_status draw(const cli *c, const struct own *o, const pl_field *field,
                      const pl_frame *frame, const char *file, pl_err *err)
{
    char *path = cli_output_path(c, c->png, file, ".png");
    pl_look look = { .red = c->red, .plain = o->plain, .jobs = c->jobs };
    pl_status st = path ? pl_field_draw(field, frame, file, &look, path, err) : PL_ENOMEM;
    free(path);
    return st;
}

static pl_status report(const cli *c, const struct own *o, const pl_field *field,
                        const pl_frame *frame, const char *file, pl_err *err)
{
    char *text = c->json ? pl_field_json(field, file, o->stars) : pl_field_text(field, file);
    pl_status st = text ? PL_OK : PL_ENOMEM;
    if (text)
        fputs(text, stdout);
    free(text);
    if (st == PL_OK && o->table)
        st = write_table(c, o, field, file, err);
    if (st == PL_OK && c->png)
        st = draw(c, o, field, frame, file, err);
    return st;
}

static int measure(const cli *c, const struct own *o, const char *file)
{
    pl_err err = { PL_OK, "" };
    pl_frame *frame = NULL;
    pl_field field;
    pl_status st = pl_frame_open(file, c->jobs, &frame, &err);
    if (st == PL_OK)
        st = pl_field_measure(frame, &c->facts, o->best, c->jobs, &field, &err);
    int status = EXIT_UNMEASURED;
    if (st == PL_OK) {
        st = report(c, o, &field, frame, file, &err);
        if (st == PL_OK)
            status = field.verdict.state == PL_OUTSIDE ? EXIT_OUTSIDE : EXIT_WITHIN;
        pl_field_clear(&field);
    }
    if (st != PL_OK)
        cli_complain(c, file, err.msg[0] ? err.msg : "out of memory");
    pl_frame_free(frame);
    return status;
}

/* Whether the file made from a frame is none that is read. */
static bool spares(const cli *c, const char *where, const char *file, const char *suffix)
{
    char *path = where ? cli_output_path(c, where, file, suffix) : NULL;
    bool good = !path || cli_spares_inputs(c, path);
    free(path);
    return good;
}

static int run(cli *c, const struct own *o)
{
    int worst = EXIT_WITHIN;
    if (c->files == 0)
        return cli_misuse(c, "name at least one FITS frame");
    for (int i = 0; i < c->files; i++)
        if (!spares(c, c->png, c->file[i], ".png") || !spares(c, o->table, c->file[i], ".ecsv"))
            return EXIT_UNMEASURED;
    if ((c->png || o->table) && cli_check_outputs(c) >= 0)
        return EXIT_UNMEASURED;
    for (int i = 0; i < c->files; i++) {
        cli_progress(c, i, c->files);
        if (i && !c->json)
            puts("");
        int status = measure(c, o, c->file[i]);
        worst = status > worst ? status : worst;
    }
    cli_progress(c, c->files, c->files);
    return worst;
}

int main(int argc, char **argv)
{
    cli c;
    struct own o = { .best = DEFAULT_BEST };
    int rc = cli_parse(&program, argc, argv, &c, &o);
    if (rc < 0)
        rc = run(&c, &o);
    return cli_close(&c, rc);
}
