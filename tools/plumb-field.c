/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-field - how sharp and how round the stars are over the field, and which fault looks so. */
#include "cli.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { OPT_TABLE = 0x400, OPT_STARS, OPT_PLAIN, OPT_BEST, OPT_AGAINST, DEFAULT_BEST = 600 };

struct own {
    const char *table, *against;
    bool stars, plain;
    size_t best;
};

static const cli_option options[] = {
    { "best", OPT_BEST, "N", "measure about N stars, spread over the field (0: all; default 600)" },
    { "stars", OPT_STARS, NULL, "with --json: list every star" },
    { "table", OPT_TABLE, "FILE",
      "write the stars as an ECSV table (several frames: a directory)" },
    { "plain", OPT_PLAIN, NULL, "with --png: leave the frame out of the picture" },
    { "against", OPT_AGAINST, "FILE",
      "a frame from before an adjustment: tell, and with --png draw, what changed" },
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
    case OPT_AGAINST:
        o->against = value;
        return 0;
    default:
        errno = 0;
        o->best = strtoul(value, &end, 10);
        if (*value >= '0' && *value <= '9' && !*end && errno == 0)
            return 0;
        err->code = PL_EARG;
        snprintf(err->msg, sizeof err->msg,
                 "--best is \"%.40s\"; a whole number, 0 or more, is wanted", value);
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

/* A frame and its field, with what became of it since the frame before. */
struct shot {
    pl_frame *frame;
    pl_field field;
    pl_changes change; /* empty without a frame before */
};

static pl_status draw(const cli *c, const struct own *o, const struct shot *s, bool compared,
                      const char *file, pl_err *err)
{
    char *path = cli_output_path(c, c->png, file, ".png");
    pl_look look = { .red = c->red, .plain = o->plain, .jobs = c->jobs };
    pl_status st = !path ? PL_ENOMEM

                   : compared ? pl_field_change_draw(&s->field, &s->change, o->against, file,
                                                     c->red, path, err)
                              : pl_field_draw(&s->field, s->frame, file, &look, path, err);
    free(path);
    return st;
}

static pl_status print(char *text, const char *behind)
{
    bool whole = cli_is_whole(text);
    if (whole) {
        fputs(text, stdout);
        fputs(behind, stdout);
    }
    free(text);
    return whole ? PL_OK : PL_ENOMEM;
}

static pl_status tell(const cli *c, const struct own *o, const struct shot *s, bool compared,
                      const char *file)
{
    if (c->json)
        return print(compared
                         ? pl_field_json_against(&s->field, file, o->stars, &s->change, o->against)
                         : pl_field_json(&s->field, file, o->stars),
                     "");
    pl_status st =
        compared ? print(pl_changes_text(&s->change, file, &o->against, 1), "\n") : PL_OK;
    return st == PL_OK ? print(pl_field_text(&s->field, file), "") : st;
}

static pl_status report(const cli *c, const struct own *o, const struct shot *s,
                        const pl_field *before, const char *file, pl_err *err)
{
    pl_status st = tell(c, o, s, before, file);
    if (st == PL_OK && o->table)
        st = write_table(c, o, &s->field, file, err);
    if (st == PL_OK && c->png)
        st = draw(c, o, s, before, file, err);
    return st;
}

static pl_status take_shot(const cli *c, const struct own *o, const char *file, struct shot *out,
                           pl_err *err)
{
    pl_status st = pl_frame_open(file, c->jobs, &out->frame, err);
    return st == PL_OK ? pl_field_measure(out->frame, &c->facts, o->best, c->jobs, &out->field, err)
                       : st;
}

static void drop(struct shot *s)
{
    pl_field_clear(&s->field);
    pl_changes_clear(&s->change);
    pl_frame_free(s->frame);
}

static int measure(const cli *c, const struct own *o, const pl_field *before, const char *file)
{
    pl_err err = { PL_OK, "" };
    struct shot s = { 0 };
    int status = EXIT_UNMEASURED;
    pl_status st = take_shot(c, o, file, &s, &err);
    if (st == PL_OK && before)
        st = pl_field_change(before, &s.field, &s.change, &err);
    if (st == PL_OK)
        st = report(c, o, &s, before, file, &err);
    if (st == PL_OK)
        status = s.field.verdict.state == PL_OUTSIDE ? EXIT_OUTSIDE : EXIT_WITHIN;
    else
        cli_failed(c, file, &err);
    drop(&s);
    return status;
}

static int measure_all(const cli *c, const struct own *o, const pl_field *before)
{
    int worst = EXIT_WITHIN;
    for (int i = 0; i < c->files; i++) {
        cli_progress(c, i, c->files);
        if (i && !c->json)
            puts("");
        int status = measure(c, o, before, c->file[i]);
        worst = status > worst ? status : worst;
    }
    cli_progress(c, c->files, c->files);
    return worst;
}

/* The frame before is measured once. */
static int compare_all(const cli *c, const struct own *o)
{
    pl_err err = { PL_OK, "" };
    struct shot before = { 0 };
    int status = EXIT_UNMEASURED;
    if (take_shot(c, o, o->against, &before, &err) == PL_OK)
        status = measure_all(c, o, &before.field);
    else
        cli_failed(c, o->against, &err);
    drop(&before);
    return status;
}

static bool spares_all(const cli *c, const struct own *o, const char *file)
{
    return cli_spares_output(c, c->png, file, ".png", o->against) &&
           cli_spares_output(c, o->table, file, ".ecsv", o->against);
}

static int run(cli *c, const struct own *o)
{
    if (c->files == 0)
        return cli_misuse(c, "name at least one FITS frame");
    for (int i = 0; i < c->files; i++) {
        if (o->against && cli_same_file(o->against, c->file[i]))
            return cli_misuse(c, "--against names the frame itself; name one from before");
        if (!spares_all(c, o, c->file[i]))
            return EXIT_UNMEASURED;
    }
    if ((c->png || o->table) && cli_check_outputs(c) >= 0)
        return EXIT_UNMEASURED;
    return o->against ? compare_all(c, o) : measure_all(c, o, NULL);
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
