/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-donut - which way the collimation is off and how far, from stars out of focus. */
#include "cli.h"

#include <stdio.h>
#include <stdlib.h>

enum { FIRST = 0x400, HAND = 0x500, SAVE };

static const cli_option options[] = {
    { "side", FIRST, "in|out", "side of focus the sensor stands on (of the first frame)" },
    { "pair", FIRST + 1, NULL, "two frames, one on each side of focus" },
    { "terms", FIRST + 2, "11|15", "last Zernike term fitted, Noll's number (default 11)" },
    { "seeing", FIRST + 3, "ARCSEC", "FWHM the tolerance is for (default: as the donuts show)" },
    { "wavelength", FIRST + 4, "UM", "wavelength, um (default 0.53 on a mosaic, else 0.55)" },
    { "hand", HAND, NULL, "a hand covers the tube's mouth at the focuser: tell where that lies" },
    { "save", SAVE, NULL, "with --hand: write focuser_deg to the profile" },
    { NULL, 0, NULL, NULL },
};

struct own {
    pl_donut_options donut;
    bool hand, save;
};

static const char *const facts[] = {
    "aperture_mm",    "focal_mm",   "mirror_focal_mm", "corrected", "obstruction",
    "vanes",          "vane_mm",    "vane_deg",        "pixel_um",  "mosaic",
    "saturation_adu", "gain_e_adu", "exposure_s",      "step_um",   "outward",
    "focuser_deg",    "carries",    "fwhm_growth",     NULL,
};

static int own(void *ctx, int letter, const char *value, pl_err *err)
{
    struct own *o = ctx;
    if (letter == HAND)
        o->hand = true;
    else if (letter == SAVE)
        o->save = true;
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

static int failed(const cli *c, const char *file, const pl_err *err)
{
    cli_complain(c, file, err->msg[0] ? err->msg : "out of memory");
    return EXIT_UNMEASURED;
}

static int report(const cli *c, const pl_donut *donut)
{
    pl_err err = { PL_OK, "" };
    const char *const *file = (const char *const *)c->file;
    char *text = c->json ? pl_donut_json(donut, file) : pl_donut_text(donut, file);
    if (!text)
        return failed(c, NULL, &err);
    fputs(text, stdout);
    free(text);
    if (c->png && pl_donut_draw(donut, file, c->red, c->png, &err) != PL_OK)
        return failed(c, NULL, &err);
    return donut->verdict.state == PL_OUTSIDE ? EXIT_OUTSIDE : EXIT_WITHIN;
}

static int save_hand(const cli *c, const pl_hand *hand)
{
    pl_err err = { PL_OK, "" };
    pl_setting where = { .section = "scope", .key = "focuser_deg" };
    snprintf(where.value, sizeof where.value, "%.1f", hand->focuser_deg);
    if (pl_profile_set(c->profile, &where, 1, &err) != PL_OK)
        return failed(c, c->profile, &err);
    return EXIT_WITHIN;
}

static int find_hand(const cli *c, const struct own *o, const pl_frame *frame)
{
    pl_err err = { PL_OK, "" };
    pl_hand hand;
    if (pl_hand_find(frame, &c->facts, o->donut.side, c->jobs, &hand, &err) != PL_OK)
        return failed(c, c->file[0], &err);
    char *text = c->json ? pl_hand_json(&hand, c->file[0]) : pl_hand_text(&hand, c->file[0]);
    if (!text)
        return failed(c, NULL, &err);
    fputs(text, stdout);
    free(text);
    return o->save ? save_hand(c, &hand) : EXIT_WITHIN;
}

static int measure(const cli *c, const struct own *o, pl_frame **frame)
{
    pl_err err = { PL_OK, "" };
    pl_donut donut;
    for (int i = 0; i < c->files; i++)
        if (pl_frame_open(c->file[i], c->jobs, &frame[i], &err) != PL_OK)
            return failed(c, c->file[i], &err);
    if (o->hand)
        return find_hand(c, o, frame[0]);
    if (pl_donut_measure((const pl_frame *const *)frame, (size_t)c->files, &c->facts, &o->donut,
                         c->jobs, &donut, &err) != PL_OK)
        return failed(c, c->files == 1 ? c->file[0] : NULL, &err);
    int status = report(c, &donut);
    pl_donut_clear(&donut);
    return status;
}

static bool given_twice(const cli *c)
{
    for (int i = 0; i < c->files && c->files <= 64; i++) /* more are refused anyway */
        for (int j = 0; j < i; j++)
            if (cli_same_file(c->file[i], c->file[j]))
                return true;
    return false;
}

static int run(const cli *c, const struct own *o)
{
    if (c->files == 0)
        return cli_misuse(c, "name at least one FITS frame");
    if (o->hand && (c->files != 1 || c->png))
        return cli_misuse(c, "--hand takes one frame, and draws no picture");
    if (o->save && (!o->hand || !c->profile || o->donut.side == PL_SIDE_UNKNOWN))
        return cli_misuse(c, "--save goes with --hand, --side and --profile");
    if (o->donut.pair && c->files != 2)
        return cli_misuse(c, "--pair takes two frames, one on each side of focus");
    if (!cli_spares_inputs(c, c->png))
        return EXIT_UNMEASURED;
    if (given_twice(c))
        return cli_misuse(c, "the same frame was given twice");
    pl_frame **frame = calloc((size_t)c->files, sizeof *frame);
    pl_err err = { PL_OK, "" };
    int status = frame ? measure(c, o, frame) : failed(c, NULL, &err);
    for (int i = 0; frame && i < c->files; i++)
        pl_frame_free(frame[i]);
    free(frame);
    return status;
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
