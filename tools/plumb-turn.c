/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-turn - which adjusting screw to turn, which way and how far: a log of turns and of what was
 * measured after them. */
#include "cli.h"

#include <string.h>

enum { FIRST = 0x400 };

static const cli_option options[] = {
    { "screws", FIRST, "cell|plate|N", "whose screws; N: that many, of which nothing is known" },
    { "free", FIRST + 1, NULL, "focus may move: any turns, not only such as add up to nought" },
    { "focuser", FIRST + 2, "DEG", "where the focuser lies, seen from behind: 0 right, 90 up" },
    { NULL, 0, NULL, NULL },
};

static const char *const facts[] = { "focal_mm", "focuser_deg", NULL };

static int own(void *ctx, int letter, const char *value, pl_err *err)
{
    return pl_turn_set(ctx, options[letter - FIRST].name, value, err) == PL_OK ? 0 : -1;
}

static const cli_program program = {
    .name = "plumb-turn",
    .usage = "learn LOG MEASURED.json [A=1/4 B=-1/8 ...] | advise LOG",
    .about =
        "Says which screw to turn, which way and how far, and learns from each turn. learn adds\n"
        "to LOG what was turned (+ clockwise as you see it, - counter-clockwise) and what\n"
        "plumb-donut --json, plumb-sweep --json or plumb-tilt --json measured after it; the\n"
        "first time nothing was turned. Both learn and advise then say what to turn next.\n",
    .status =
        "  0  within tolerance, or cannot tell: turn nothing\n"
        "  1  outside: turn what is told\n"
        "  2  no advice could be given; with learn, unless it says otherwise, nothing was added\n",
    .frames = true,
    .together = true,
    .piped = true,
    .options = options,
    .facts = facts,
    .own = own,
};

static int report(const cli *c, const pl_turns *turns, const char *log)
{
    pl_err err = { PL_OK, "" };
    if (cli_print(c, c->json ? pl_turn_json(turns, log) : pl_turn_text(turns, log)))
        return EXIT_UNMEASURED;
    if (c->png && pl_turn_draw(turns, log, c->red, c->png, &err) != PL_OK)
        return cli_failed(c, NULL, &err);
    return turns->verdict.state == PL_OUTSIDE ? EXIT_OUTSIDE : EXIT_WITHIN;
}

static int advise(const cli *c, const pl_turn_options *o, const char *path)
{
    pl_err err = { PL_OK, "" };
    pl_turn_log log;
    pl_turns turns;
    if (pl_turnlog_read(path, true, &log, &err) != PL_OK)
        return cli_failed(c, path, &err);
    int status;
    if (pl_turn_solve(&log, c->profile, &c->facts, o, &turns, &err) == PL_OK) {
        status = report(c, &turns, path);
        pl_turn_clear(&turns);
    } else {
        status = cli_failed(c, path, &err);
    }
    pl_turnlog_clear(&log);
    return status;
}

static int learn(const cli *c, const pl_turn_options *o, const char *path)
{
    pl_err err = { PL_OK, "" };
    pl_turn_log log;
    pl_turn_entry entry;
    if (pl_turn_measured(c->file[2], &entry, &err) != PL_OK)
        return cli_failed(c, c->file[2], &err);
    for (int i = 3; i < c->files; i++)
        if (pl_turn_told(&entry, c->file[i], &err) != PL_OK)
            return cli_misuse(c, err.msg);
    if (pl_turnlog_read(path, false, &log, &err) != PL_OK)
        return cli_failed(c, path, &err);
    pl_status rc = pl_turnlog_accepts(&log, &entry, &err);
    pl_turnlog_clear(&log);
    if (rc != PL_OK)
        return cli_failed(c, c->file[2], &err);
    if (pl_turnlog_append(path, &entry, &err) != PL_OK)
        return cli_failed(c, path, &err);
    int status = advise(c, o, path);
    if (status == EXIT_UNMEASURED)
        cli_complain(c, path, "the measurement was added all the same; go on with advise");
    return status;
}

static int run(const cli *c, const pl_turn_options *o)
{
    bool learns = c->files > 0 && strcmp(c->file[0], "learn") == 0;
    if (!learns && (c->files == 0 || strcmp(c->file[0], "advise") != 0))
        return cli_misuse(c, "say learn or advise first");
    if (learns && c->files < 3)
        return cli_misuse(c, "learn takes a log, a measurement, and what was turned before it");
    if (!learns && c->files != 2)
        return cli_misuse(c, "advise takes a log");
    if (!cli_spares_inputs(c, c->png))
        return EXIT_UNMEASURED;
    return learns ? learn(c, o, c->file[1]) : advise(c, o, c->file[1]);
}

int main(int argc, char **argv)
{
    cli c;
    pl_turn_options o = pl_turn_defaults();
    int rc = cli_parse(&program, argc, argv, &c, &o);
    if (rc < 0)
        rc = run(&c, &o);
    return cli_close(&c, rc);
}
