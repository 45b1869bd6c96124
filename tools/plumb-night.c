/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-night - the night as one page: how focus drifted and why, when to refocus next time, which
 * exposures to keep. */
#include "cli.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LIST = 0x400, BATCH = 16 };

static const cli_option options[] = {
    { "kept", LIST + PL_KEEP, "FILE", "write the names of exposures to keep, a line each" },
    { "doubtful", LIST + PL_DOUBTFUL, "FILE", "write those that are doubtful" },
    { "dropped", LIST + PL_DROP, "FILE", "write those to drop" },
    { NULL, 0, NULL, NULL },
};

struct own {
    const char *list[PL_DROP + 1];
    pl_surface surface;
    bool calibrated;
};

static const char *const facts[] = {
    "aperture_mm", "focal_mm",    "mirror_focal_mm", "obstruction", "pixel_um",
    "mosaic",      "gain_e_adu",  "saturation_adu",  "step_um",     "outward",
    "carries",     "fwhm_growth", "eccentricity",    "row_order",   NULL,
};

static int own(void *ctx, int letter, const char *value, pl_err *err)
{
    struct own *o = ctx;
    (void)err;
    o->list[letter - LIST] = value;
    return 0;
}

static const cli_program program = {
    .name = "plumb-night",
    .usage = "[OPTION]... FRAME...|LOG.jsonl...",
    .about =
        "Sums up a night, from its frames or from what plumb-check --json or plumb-watch said of\n"
        "them: how focus drifted with temperature and altitude, when it left the zone and what\n"
        "that cost, how often to refocus next time, and which exposures to keep, with the\n"
        "reason.\n",
    .status = "  0  focus stayed in its zone, or cannot tell\n"
              "  1  focus left the zone in time that counts: refocus oftener\n"
              "  2  nothing could be measured\n",
    .frames = true,
    .together = true,
    .piped = true,
    .options = options,
    .facts = facts,
    .own = own,
};

/* Frames that stand next to each other on the command line, several at a time. */
static int measure(const cli *c, const struct own *o, int from, int to, pl_subs *subs)
{
    pl_err err = { PL_OK, "" };
    const pl_surface *surface = o->calibrated ? &o->surface : NULL;
    for (int i = from; i < to; i += BATCH) {
        size_t n = (size_t)(to - i < BATCH ? to - i : BATCH);
        cli_progress(c, i, c->files);
        if (pl_subs_measure((const char *const *)c->file + i, n, &c->facts, surface, c->jobs, subs,
                            &err) != PL_OK)
            return cli_failed(c, NULL, &err);
    }
    return EXIT_WITHIN;
}

static int gather(const cli *c, const struct own *o, pl_subs *subs)
{
    int status = EXIT_WITHIN;
    for (int i = 0; i < c->files && status == EXIT_WITHIN;) {
        pl_err err = { PL_OK, "" };
        int end = i;
        while (end < c->files && !pl_subs_is_log(c->file[end]))
            end++;
        status = measure(c, o, i, end, subs);
        if (end < c->files && status == EXIT_WITHIN &&
            pl_subs_read(c->file[end], subs, &err) != PL_OK)
            status = cli_failed(c, c->file[end], &err);
        i = end + 1;
    }
    cli_progress(c, c->files, c->files);
    return status;
}

static int write_lists(const cli *c, const struct own *o, const pl_night *night)
{
    for (int g = PL_KEEP; g <= PL_DROP; g++) {
        pl_err err = { PL_OK, "" };
        if (!o->list[g])
            continue;
        for (size_t i = 0; i < night->subs; i++)
            if (night->sub[i].grade == (pl_grade)g && strchr(night->sub[i].file, '\n')) {
                cli_complain(c, o->list[g],
                             "a file's name holds a line break, which a list would "
                             "make two of: not written; rename the file");
                return EXIT_UNMEASURED;
            }
        char *text = pl_night_list(night, (pl_grade)g);
        pl_status st = text ? pl_write_whole(o->list[g], text, strlen(text), &err) : PL_ENOMEM;
        free(text);
        if (st != PL_OK)
            return cli_failed(c, o->list[g], &err);
    }
    return EXIT_WITHIN;
}

static int report(const cli *c, const struct own *o, const pl_night *night)
{
    pl_err err = { PL_OK, "" };
    if (cli_print(c, c->json ? pl_night_json(night) : pl_night_text(night)) != EXIT_WITHIN)
        return EXIT_UNMEASURED;
    if (c->png && pl_night_draw(night, c->red, c->png, &err) != PL_OK)
        return cli_failed(c, NULL, &err);
    if (write_lists(c, o, night) != EXIT_WITHIN)
        return EXIT_UNMEASURED;
    return night->verdict.state == PL_OUTSIDE ? EXIT_OUTSIDE : EXIT_WITHIN;
}

/* What is written is nothing that is read, and no two outputs are one file. */
static bool spares(const cli *c, const struct own *o)
{
    const char *const out[] = { c->png, o->list[PL_KEEP], o->list[PL_DOUBTFUL], o->list[PL_DROP] };
    for (size_t i = 0; i < sizeof out / sizeof *out; i++) {
        if (!cli_spares_inputs(c, out[i]))
            return false;
        for (size_t j = 0; j < i; j++)
            if (out[i] && out[j] && cli_same_file(out[i], out[j])) {
                cli_complain(c, out[i], "was named for two things; give each a file of its own");
                return false;
            }
    }
    return true;
}

static void tell_unmeasured(const cli *c, const pl_sub *sub, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if (!sub[i].measured)
            cli_complain(c, sub[i].file, sub[i].why);
}

static int run(const cli *c, struct own *o)
{
    pl_err err = { PL_OK, "" };
    pl_subs subs = { NULL, 0, 0, { NULL, 0, 0 } };
    pl_night night;
    if (c->files == 0)
        return cli_misuse(c, "name the frames of a night, or a log of them");
    int status = spares(c, o) ? cli_surface(c, &o->surface, &o->calibrated) : EXIT_UNMEASURED;
    if (status >= 0)
        return status;
    status = gather(c, o, &subs);
    if (status == EXIT_WITHIN && pl_night_sum(&subs, &c->facts, &night, &err) != PL_OK) {
        tell_unmeasured(c, subs.sub, subs.subs);
        status = cli_failed(c, NULL, &err);
    } else if (status == EXIT_WITHIN) {
        if (!c->quiet)
            tell_unmeasured(c, night.sub, night.subs);
        status = report(c, o, &night);
        pl_night_clear(&night);
    }
    pl_subs_clear(&subs);
    return status;
}

int main(int argc, char **argv)
{
    cli c;
    struct own o = { .calibrated = false };
    int rc = cli_parse(&program, argc, argv, &c, &o);
    if (rc < 0)
        rc = run(&c, &o);
    return cli_close(&c, rc);
}
