/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-check - between two exposures: shoot on or refocus, is it focus or the air, which way, and
 * is it worth the time. */
#include "cli.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { FIRST = 0x400, REFERENCE = 0x500 };

static const cli_option options[] = {
    CLI_CHECK_OPTIONS(FIRST),
    { "moved", FIRST + 4, "UM", "a pair: the drawtube moved so far between the two, + = out" },
    { "reference", REFERENCE, "FILE", "an exposure known to be good" },
    { NULL, 0, NULL, NULL },
};

struct own {
    pl_check_options check;
    pl_surface surface;
    bool calibrated;
    const char *reference;
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
    .facts = cli_check_facts,
    .own = own,
};

static pl_status measure(const cli *c, const char *file, pl_field *out, pl_err *err)
{
    pl_frame *frame = NULL;
    pl_status st = pl_frame_open(file, c->jobs, &frame, err);
    if (st == PL_OK)
        st = pl_field_measure(frame, &c->facts, PL_CHECK_STARS, c->jobs, out, err);
    pl_frame_free(frame);
    return st;
}

/* Exposures on their way; [files] each. */
struct night {
    pl_field *field;
    pl_check *check; /* of the first `checks` that could be measured */
    size_t checks;
    pl_status *st;
    pl_err *err;
};

static int draw(const cli *c, const pl_check *check, const char *file)
{
    pl_err err = { PL_OK, "" };
    char *path = cli_output_path(c, c->png, file, ".png");
    pl_status st = path ? pl_check_draw(check, file, c->red, path, &err) : PL_ENOMEM;
    free(path);
    return st == PL_OK ? EXIT_WITHIN : cli_failed(c, file, &err);
}

static int report(const cli *c, const pl_check *check, const char *file)
{
    if (cli_print(c, c->json ? pl_check_json(check, file) : pl_check_text(check, file)) !=
        EXIT_WITHIN)
        return EXIT_UNMEASURED;
    if (c->png && draw(c, check, file) != EXIT_WITHIN)
        return EXIT_UNMEASURED;
    return check->verdict.state == PL_OUTSIDE ? EXIT_OUTSIDE : EXIT_WITHIN;
}

/* The answer of a measured frame; its stars are not needed any more. */
static int answer(const cli *c, const struct own *o, const pl_field *reference, struct night *n,
                  int i)
{
    pl_check *check = &n->check[n->checks];
    pl_err *err = &n->err[i];
    if (n->st[i] == PL_OK)
        n->st[i] = pl_check_frame(&n->field[i], o->calibrated ? &o->surface : NULL, reference,
                                  &o->check, c->jobs, check, err);
    if (n->st[i] != PL_OK)
        return cli_failed(c, c->file[i], err);
    if (n->checks && !c->json)
        puts("");
    n->checks++;
    pl_check_follow(n->check, n->checks, &o->check);
    return report(c, check, c->file[i]);
}

/* The sharpest of those given; NULL when they are too few to compare. */
static const pl_field *best_of(const cli *c, const struct night *n)
{
    const pl_field **measured = calloc((size_t)c->files, sizeof *measured);
    size_t count = 0;
    for (int i = 0; measured && i < c->files; i++)
        if (n->st[i] == PL_OK)
            measured[count++] = &n->field[i];
    const pl_field *best = count > 1 ? measured[pl_check_best(measured, count)] : NULL;
    free(measured);
    return best;
}

/* Without a surface and a reference all are measured before the first is told. */
static int check_all(const cli *c, const struct own *o, const pl_field *reference, struct night *n)
{
    bool wait = !o->calibrated && !reference && c->files > 1;
    int status, worst = EXIT_WITHIN;
    for (int i = 0; i < c->files; i++) {
        cli_progress(c, i, c->files);
        n->st[i] = measure(c, c->file[i], &n->field[i], &n->err[i]);
        if (wait)
            continue;
        status = answer(c, o, reference, n, i);
        worst = status > worst ? status : worst;
        pl_field_clear(&n->field[i]);
    }
    cli_progress(c, c->files, c->files);
    reference = wait ? best_of(c, n) : reference;
    for (int i = 0; wait && i < c->files; i++) {
        status = answer(c, o, reference, n, i);
        worst = status > worst ? status : worst;
    }
    return worst;
}

static int check_frames(const cli *c, const struct own *o)
{
    pl_err err = { PL_OK, "" };
    size_t files = (size_t)c->files;
    pl_field reference = { 0 };
    struct night n = { .field = calloc(files, sizeof *n.field),
                       .check = calloc(files, sizeof *n.check),
                       .st = calloc(files, sizeof *n.st),
                       .err = calloc(files, sizeof *n.err) };
    bool room = n.field && n.check && n.st && n.err;
    pl_status st = room ? PL_OK : PL_ENOMEM;
    if (room && o->reference)
        st = measure(c, o->reference, &reference, &err);
    int status = st == PL_OK ? check_all(c, o, o->reference ? &reference : NULL, &n)
                             : cli_failed(c, o->reference, &err);
    for (size_t i = 0; room && i < files; i++)
        pl_field_clear(&n.field[i]);
    for (size_t i = 0; i < n.checks; i++)
        pl_check_clear(&n.check[i]);
    pl_field_clear(&reference);
    free(n.field);
    free(n.check);
    free(n.st);
    free(n.err);
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
    int status = st == PL_OK ? report(c, &check, c->file[1]) : cli_failed(c, c->file[i - 1], &err);
    pl_check_clear(&check);
    pl_field_clear(&field[0]);
    pl_field_clear(&field[1]);
    return status;
}

/* -1 to go on, else the exit status. */
static int check_words(const cli *c, const struct own *o)
{
    if (c->files == 0)
        return cli_misuse(c, "name at least one FITS frame");
    if (o->check.pair && c->files != 2)
        return cli_misuse(c, "--moved goes with two frames, the second after the move");
    if (o->check.pair && o->reference)
        return cli_misuse(c, "--moved and --reference do not go together");
    for (int i = 0; i < c->files; i++)
        if (!cli_spares_output(c, c->png, c->file[i], ".png", o->reference))
            return EXIT_UNMEASURED;
    return c->png ? cli_check_outputs(c) : -1;
}

static int run(const cli *c, struct own *o)
{
    int status = check_words(c, o);
    if (status < 0)
        status = cli_surface(c, &o->surface, &o->calibrated);
    if (status >= 0)
        return status;
    return o->check.pair ? check_pair(c, o) : check_frames(c, o);
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
