/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-tilt - is the sensor square, and which screw of its plate to turn. */
#include "cli.h"

#include <math.h>
#include <stdio.h>

enum { FIRST = 0x400, AGAINST = 0x500, BEST = 600 };

static const cli_option options[] = {
    { "corners", FIRST, "LIST", "best focus, um, + = further out, at X1Y1,X2Y1,X1Y2,X2Y2" },
    { "error", FIRST + 1, "UM", "error of each of those four" },
    { "rotated", FIRST + 2, "DEG", "two surfaces: the camera was turned by DEG in between" },
    { "seeing", FIRST + 3, "ARCSEC", "FWHM the tolerance is for (default: the surface's own)" },
    { "wavelength", FIRST + 4, "UM", "wavelength, um (default: the surface's own)" },
    { "against", AGAINST, "FILE", "the surface from before an adjustment: tell what changed" },
    { NULL, 0, NULL, NULL },
};

struct own {
    pl_tilt_options tilt;
    const char *against;
};

static const char *const facts[] = {
    "aperture_mm", "focal_mm",     "mirror_focal_mm", "corrected",   "obstruction",
    "pixel_um",    "width_px",     "height_px",       "fwhm_growth", "mosaic",
    "gain_e_adu",  "eccentricity", "saturation_adu",  NULL,
};

static int own(void *ctx, int letter, const char *value, pl_err *err)
{
    struct own *o = ctx;
    if (letter != AGAINST)
        return pl_tilt_set(&o->tilt, options[letter - FIRST].name, value, err) == PL_OK ? 0 : -1;
    o->against = value;
    return 0;
}

static const cli_program program = {
    .name = "plumb-tilt",
    .usage = "[OPTION]... [SURFACE [--against BEFORE] | FRAME | --rotated DEG BEFORE AFTER]",
    .about =
        "Is the sensor square, is it worth touching, and which screw of its plate to turn. The\n"
        "surface is what plumb-sweep measured: its JSON, or a profile it was saved to (without a\n"
        "file: that of -p). One frame alone shows a slope without a sign.\n",
    .status = "  0  square within tolerance, or cannot tell\n"
              "  1  outside: act\n"
              "  2  there is nothing to judge\n",
    .frames = true,
    .together = true,
    .piped = true,
    .options = options,
    .facts = facts,
    .own = own,
};

static int print(const cli *c, char *text, const pl_verdict *verdict)
{
    if (cli_print(c, text))
        return EXIT_UNMEASURED;
    return verdict->state == PL_OUTSIDE ? EXIT_OUTSIDE : EXIT_WITHIN;
}

static int report(const cli *c, const pl_tilt *tilt, const char *file)
{
    pl_err err = { PL_OK, "" };
    int status =
        print(c, c->json ? pl_tilt_json(tilt, file) : pl_tilt_text(tilt, file), &tilt->verdict);
    if (status != EXIT_UNMEASURED && c->png &&
        pl_tilt_draw(tilt, file, c->red, c->png, &err) != PL_OK)
        status = cli_failed(c, c->png, &err);
    return status;
}

static int report_change(const cli *c, const pl_surface *before, const pl_tilt *tilt,
                         const pl_changes *change, const char *file, const char *against)
{
    pl_err err = { PL_OK, "" };
    int status;
    if (c->json) {
        status = print(c, pl_tilt_json_against(tilt, file, change, against), &tilt->verdict);
    } else {
        status = print(c, pl_changes_text(change, file, &against, 1), &tilt->verdict);
        if (status == EXIT_UNMEASURED)
            return status;
        puts("");
        status = print(c, pl_tilt_text(tilt, file), &tilt->verdict);
    }
    if (status != EXIT_UNMEASURED && c->png &&
        pl_tilt_change_draw(before, tilt, change, against, file, c->red, c->png, &err) != PL_OK)
        status = cli_failed(c, c->png, &err);
    return status;
}

static int of_corners(const cli *c, const pl_tilt_options *o, const pl_screws *plate)
{
    pl_err err = { PL_OK, "" };
    pl_tilt tilt;
    if (pl_tilt_corners(&c->facts, plate, o, &tilt, &err) != PL_OK)
        return cli_failed(c, NULL, &err);
    int status = report(c, &tilt, NULL);
    pl_tilt_clear(&tilt);
    return status;
}

static int compare(const cli *c, const pl_tilt *tilt, const char *file, const char *against)
{
    pl_err err = { PL_OK, "" };
    pl_surface before;
    pl_changes change = { 0 };
    if (pl_surface_read(against, &before, &err) != PL_OK)
        return cli_failed(c, against, &err);
    if (pl_surface_change(&before, &tilt->surface, tilt->allowed_um, &change, &err) != PL_OK)
        return cli_failed(c, file, &err);
    int status = report_change(c, &before, tilt, &change, file, against);
    pl_changes_clear(&change);
    return status;
}

static int of_surface(const cli *c, const struct own *o, const pl_screws *plate, const char *file)
{
    pl_err err = { PL_OK, "" };
    pl_surface surface;
    pl_tilt tilt;
    if (pl_surface_read(file, &surface, &err) != PL_OK ||
        pl_tilt_judge(&surface, &c->facts, plate, &o->tilt, &tilt, &err) != PL_OK)
        return cli_failed(c, file, &err);
    int status = o->against ? compare(c, &tilt, file, o->against) : report(c, &tilt, file);
    pl_tilt_clear(&tilt);
    return status;
}

static int of_two(const cli *c, const pl_tilt_options *o, const pl_screws *plate)
{
    pl_err err = { PL_OK, "" };
    const char *const *file = (const char *const *)c->file;
    pl_surface surface[2];
    pl_tilt_parts parts;
    for (int i = 0; i < 2; i++)
        if (pl_surface_read(file[i], &surface[i], &err) != PL_OK)
            return cli_failed(c, file[i], &err);
    if (pl_tilt_rotated(&surface[0], &surface[1], &c->facts, plate, o, &parts, &err) != PL_OK)
        return cli_failed(c, NULL, &err);
    int status =
        print(c, c->json ? pl_tilt_parts_json(&parts, file) : pl_tilt_parts_text(&parts, file),
              &parts.verdict);
    pl_tilt_parts_clear(&parts);
    return status;
}

static int of_frame(const cli *c, const char *file)
{
    pl_err err = { PL_OK, "" };
    pl_frame *frame = NULL;
    pl_field field;
    if (pl_frame_open(file, c->jobs, &frame, &err) != PL_OK ||
        pl_field_measure(frame, &c->facts, BEST, c->jobs, &field, &err) != PL_OK) {
        pl_frame_free(frame);
        return cli_failed(c, file, &err);
    }
    pl_tilt_hint hint = pl_tilt_of_field(&field);
    int status = print(c,
                       c->json ? pl_tilt_hint_json(&hint, &field, file)
                               : pl_tilt_hint_text(&hint, &field, file),
                       &hint.verdict);
    pl_field_clear(&field);
    pl_frame_free(frame);
    return status;
}

/* By its name: .fits, .fit, .fts, and those compressed. */
static bool is_frame(const char *file)
{
    size_t len;
    return cli_stem(file, &len)[len] != '\0';
}

static int choose(const cli *c, const struct own *o, const pl_screws *plate)
{
    if (!isnan(o->tilt.corner_um[0]))
        return of_corners(c, &o->tilt, plate);
    if (!isnan(o->tilt.rotated_deg))
        return of_two(c, &o->tilt, plate);
    if (c->files && is_frame(c->file[0]))
        return of_frame(c, c->file[0]);
    return of_surface(c, o, plate, c->files ? c->file[0] : c->profile);
}

/* What does not go together; NULL: it does. */
static const char *clash(const cli *c, const struct own *o)
{
    bool corners = !isnan(o->tilt.corner_um[0]), two = !isnan(o->tilt.rotated_deg);
    bool frame = !two && c->files == 1 && is_frame(c->file[0]);
    if (corners && (c->files || two || o->against))
        return "--corners stands alone: no file is read beside it";
    if (!isnan(o->tilt.corner_error_um) && !corners)
        return "--error goes with --corners";
    if (o->against && (two || frame))
        return "--against compares one surface with another, before and after an adjustment";
    if (two && c->files != 2)
        return "--rotated takes two surfaces, before and after";
    if (!two && c->files > 1)
        return "one surface is judged at a time; two go with --rotated or --against";
    if (!corners && !c->files && !c->profile)
        return "name a surface (JSON of plumb-sweep, or -p with a profile that holds one), a "
               "frame, or --corners";
    if (c->png && (two || frame))
        return "--png draws the plan for one surface or --corners";
    const char *first = c->files ? c->file[0] : c->profile, *other = two ? c->file[1] : o->against;
    if (other && cli_same_file(first, other))
        return "the same surface was given twice";
    return NULL;
}

static int run(const cli *c, const struct own *o)
{
    pl_err err = { PL_OK, "" };
    pl_screws plate;
    const char *why = clash(c, o);
    if (why)
        return cli_misuse(c, why);
    if (!cli_spares_inputs(c, c->png) || !cli_spares_file(c, c->png, o->against))
        return EXIT_UNMEASURED;
    if (c->profile && pl_screws_read(c->profile, "plate", &plate, &err) != PL_OK)
        return cli_failed(c, c->profile, &err);
    return choose(c, o, c->profile ? &plate : NULL);
}

int main(int argc, char **argv)
{
    cli c;
    struct own o = { .tilt = pl_tilt_defaults() };
    int rc = cli_parse(&program, argc, argv, &c, &o);
    if (rc < 0)
        rc = run(&c, &o);
    return cli_close(&c, rc);
}
