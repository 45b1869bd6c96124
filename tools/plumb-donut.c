/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-donut - which way the collimation is off and how far, from stars out of focus. */
#include "cli.h"

#include <stdio.h>
#include <stdlib.h>

enum { FIRST = 0x400, HAND = 0x500, SAVE, AGAINST, MOST_BEFORE = 64 };

static const cli_option options[] = {
    { "side", FIRST, "in|out", "side of focus the sensor stands on (of the first frame)" },
    { "pair", FIRST + 1, NULL, "two frames, one on each side of focus" },
    { "terms", FIRST + 2, "11|15", "last Zernike term fitted, Noll's number (default 11)" },
    { "seeing", FIRST + 3, "ARCSEC", "FWHM the tolerance is for (default: as the donuts show)" },
    { "wavelength", FIRST + 4, "UM", "wavelength, um (default 0.53 on a mosaic, else 0.55)" },
    { "hand", HAND, NULL, "a hand covers the tube's mouth at the focuser: tell where that lies" },
    { "save", SAVE, NULL, "with --hand: write focuser_deg to the profile" },
    { "against", AGAINST, "FILE",
      "a frame from before an adjustment (again for more of them): tell what changed" },
    { NULL, 0, NULL, NULL },
};

struct own {
    pl_donut_options donut;
    bool hand, save;
    const char *before[MOST_BEFORE];
    int befores;
};

static const char *const facts[] = {
    "aperture_mm",    "focal_mm",   "mirror_focal_mm", "corrected", "obstruction",
    "vanes",          "vane_mm",    "vane_deg",        "pixel_um",  "mosaic",
    "saturation_adu", "gain_e_adu", "exposure_s",      "step_um",   "outward",
    "focuser_deg",    "carries",    "fwhm_growth",     NULL,
};

static int add_before(struct own *o, const char *file, pl_err *err)
{
    if (o->befores < MOST_BEFORE) {
        o->before[o->befores++] = file;
        return 0;
    }
    err->code = PL_EARG;
    snprintf(err->msg, sizeof err->msg, "more than %d frames in --against", MOST_BEFORE);
    return -1;
}

static int own(void *ctx, int letter, const char *value, pl_err *err)
{
    struct own *o = ctx;
    if (letter == HAND)
        o->hand = true;
    else if (letter == SAVE)
        o->save = true;
    else if (letter == AGAINST)
        return add_before(o, value, err);
    else
        return pl_donut_set(&o->donut, options[letter - FIRST].name, value, err) == PL_OK ? 0 : -1;
    return 0;
}

static const cli_program program = {
    .name = "plumb-donut",
    .usage = "[OPTION]... FRAME...",
    .about =
        "Reads stars far out of focus, whose rings are pictures of the mirror: how far out of\n"
        "focus, which way the primary's axis is off and by how much, and what to tilt. All\n"
        "frames given belong to one state of the telescope and give one answer.\n",
    .status = "  0  collimated within tolerance, or cannot tell\n"
              "  1  outside: act\n"
              "  2  no donut could be read\n",
    .frames = true,
    .together = true,
    .options = options,
    .facts = facts,
    .own = own,
};

static int verdict_of(const pl_donut *donut)
{
    return donut->verdict.state == PL_OUTSIDE ? EXIT_OUTSIDE : EXIT_WITHIN;
}

static int report(const cli *c, const pl_donut *donut)
{
    pl_err err = { PL_OK, "" };
    const char *const *file = (const char *const *)c->file;
    if (cli_print(c, c->json ? pl_donut_json(donut, file) : pl_donut_text(donut, file)))
        return EXIT_UNMEASURED;
    if (c->png && pl_donut_draw(donut, file, c->red, c->png, &err) != PL_OK)
        return cli_failed(c, NULL, &err);
    return verdict_of(donut);
}

static int report_change(const cli *c, const struct own *o, const pl_donut *before,
                         const pl_donut *donut, const pl_changes *change)
{
    pl_err err = { PL_OK, "" };
    const char *const *file = (const char *const *)c->file;
    size_t n = (size_t)o->befores;
    if (c->json) {
        if (cli_print(c, pl_donut_json_against(donut, file, change, o->before, n)))
            return EXIT_UNMEASURED;
    } else {
        if (cli_print(c, pl_changes_text(change, file[0], o->before, n)))
            return EXIT_UNMEASURED;
        puts("");
        if (cli_print(c, pl_donut_text(donut, file)))
            return EXIT_UNMEASURED;
    }
    if (c->png && pl_donut_change_draw(before, donut, change, o->before[0], file[0], c->red, c->png,
                                       &err) != PL_OK)
        return cli_failed(c, NULL, &err);
    return verdict_of(donut);
}

static int save_hand(const cli *c, const pl_hand *hand)
{
    pl_err err = { PL_OK, "" };
    pl_setting where = { .section = "scope", .key = "focuser_deg" };
    snprintf(where.value, sizeof where.value, "%.1f", hand->focuser_deg);
    if (pl_profile_set(c->profile, &where, 1, &err) != PL_OK)
        return cli_failed(c, c->profile, &err);
    return EXIT_WITHIN;
}

static int find_hand(const cli *c, const struct own *o, const pl_frame *frame)
{
    pl_err err = { PL_OK, "" };
    pl_hand hand;
    if (pl_hand_find(frame, &c->facts, o->donut.side, c->jobs, &hand, &err) != PL_OK)
        return cli_failed(c, c->file[0], &err);
    if (cli_print(c, c->json ? pl_hand_json(&hand, c->file[0]) : pl_hand_text(&hand, c->file[0])))
        return EXIT_UNMEASURED;
    return o->save ? save_hand(c, &hand) : EXIT_WITHIN;
}

/* Frames of one state of the telescope, and what they say. */
struct state {
    pl_frame **frame;
    int frames;
    pl_donut donut;
};

static int open_all(const cli *c, const char *const *file, int n, struct state *out)
{
    pl_err err = { PL_OK, "" };
    out->frame = calloc((size_t)n, sizeof(pl_frame *));
    if (!out->frame)
        return cli_failed(c, NULL, &err);
    for (out->frames = 0; out->frames < n; out->frames++)
        if (pl_frame_open(file[out->frames], c->jobs, &out->frame[out->frames], &err) != PL_OK)
            return cli_failed(c, file[out->frames], &err);
    return EXIT_WITHIN;
}

static void drop(struct state *s)
{
    pl_donut_clear(&s->donut);
    for (int i = 0; i < s->frames; i++)
        pl_frame_free(s->frame[i]);
    free(s->frame);
}

static int measure(const cli *c, const struct own *o, const char *const *file, struct state *s)
{
    pl_err err = { PL_OK, "" };
    if (pl_donut_measure((const pl_frame *const *)s->frame, (size_t)s->frames, &c->facts, &o->donut,
                         c->jobs, &s->donut, &err) == PL_OK)
        return EXIT_WITHIN;
    s->donut = (pl_donut){ 0 };
    return cli_failed(c, s->frames == 1 ? file[0] : NULL, &err);
}

static int answer(const cli *c, const struct own *o, struct state *s)
{
    const char *const *file = (const char *const *)c->file;
    int status = open_all(c, file, c->files, s);
    if (status == EXIT_WITHIN && o->hand)
        return find_hand(c, o, s->frame[0]);
    return status == EXIT_WITHIN ? measure(c, o, file, s) : status;
}

static int compare(const cli *c, const struct own *o, const struct state *after,
                   struct state *before)
{
    pl_err err = { PL_OK, "" };
    pl_changes change = { 0 };
    int status = open_all(c, o->before, o->befores, before);
    if (status == EXIT_WITHIN)
        status = measure(c, o, o->before, before);
    if (status != EXIT_WITHIN)
        return status;
    if (pl_donut_change(&before->donut, &after->donut, &change, &err) != PL_OK)
        return cli_failed(c, c->file[0], &err);
    status = report_change(c, o, &before->donut, &after->donut, &change);
    pl_changes_clear(&change);
    return status;
}

static int both(const cli *c, const struct own *o)
{
    struct state after = { 0 }, before = { 0 };
    int status = answer(c, o, &after);
    if (status == EXIT_WITHIN && !o->hand)
        status = o->befores ? compare(c, o, &after, &before) : report(c, &after.donut);
    drop(&after);
    drop(&before);
    return status;
}

/* Of all that are read, the first that is; NULL: none. */
static const char *given_twice(const cli *c, const struct own *o)
{
    for (int i = 0; i < c->files && c->files <= 64; i++) { /* more are refused anyway */
        for (int j = 0; j < i; j++)
            if (cli_same_file(c->file[i], c->file[j]))
                return c->file[i];
        for (int j = 0; j < o->befores; j++)
            if (cli_same_file(c->file[i], o->before[j]))
                return c->file[i];
    }
    for (int i = 0; i < o->befores; i++)
        for (int j = 0; j < i; j++)
            if (cli_same_file(o->before[i], o->before[j]))
                return o->before[i];
    return NULL;
}

static bool spares(const cli *c, const struct own *o)
{
    bool good = cli_spares_inputs(c, c->png);
    for (int i = 0; i < o->befores && good; i++)
        good = cli_spares_file(c, c->png, o->before[i]);
    return good;
}

static int run(const cli *c, const struct own *o)
{
    if (c->files == 0)
        return cli_misuse(c, "name at least one FITS frame");
    if (o->hand && (c->files != 1 || c->png || o->befores))
        return cli_misuse(c, "--hand takes one frame, compares nothing and draws no picture");
    if (o->save && (!o->hand || !c->profile || o->donut.side == PL_SIDE_UNKNOWN))
        return cli_misuse(c, "--save goes with --hand, --side and --profile");
    if (o->donut.pair && (c->files != 2 || (o->befores && o->befores != 2)))
        return cli_misuse(c, "--pair takes two frames, one on each side of focus");
    if (!spares(c, o))
        return EXIT_UNMEASURED;
    const char *twice = given_twice(c, o);
    if (twice)
        cli_complain(c, twice, "was given twice; name each frame once");
    return twice ? EXIT_UNMEASURED : both(c, o);
}

int main(int argc, char **argv)
{
    cli c;
    struct own o = { .donut = pl_donut_defaults() };
    int rc = cli_parse(&program, argc, argv, &c, &o);
    if (rc < 0)
        rc = run(&c, &o);
    return cli_close(&c, rc);
}
