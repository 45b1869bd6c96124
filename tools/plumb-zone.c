/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-zone - how exact must focus, collimation and sensor be for these optics and this air? */
#include "cli.h"

static const cli_option options[] = {
    { "seeing", 0x100, "ARCSEC", "FWHM of the air alone, long exposure (default 2.5)" },
    { "wavelength", 0x101, "UM", "wavelength, um (default 0.55)" },
    { "window", 0x102, "MIN", "clear sky to be used, minutes (default 60)" },
    { "sub", 0x103, "S", "exposure of one sub, s (default 180)" },
    { "overhead", 0x104, "S", "time lost with each sub, s (default 60)" },
    { "refocus-cost", 0x105, "S", "time one refocus takes, s (default 120)" },
    { "degrees-per-hour", 0x106, "C", "how fast the air cools, C (default 1)" },
    { "donut", 0x107, "PX", "donut wanted, outer diameter, px (default 60)" },
    { "field", 0x108, "MM", "sensor's diagonal, mm (default: from width, height, pixel)" },
    { "other-ratio", 0x109, "N", "focal ratio to compare speed with (default 6)" },
    { NULL, 0, NULL, NULL },
};

static const char *const facts[] = {
    "aperture_mm",
    "focal_mm",
    "mirror_focal_mm",
    "obstruction",
    "tube_material",
    "mirror_material",
    "tube_length_mm",
    "secondary_mm",
    "secondary_to_focus_mm",
    "pixel_um",
    "width_px",
    "height_px",
    "step_um",
    "um_per_turn",
    "carries",
    "fwhm_growth",
    NULL,
};

static int own(void *ctx, int letter, const char *value, pl_err *err)
{
    return pl_zone_set(ctx, options[letter - 0x100].name, value, err) == PL_OK ? 0 : -1;
}

static const cli_program program = {
    .name = "plumb-zone",
    .usage = "[OPTION]...",
    .about = "How exact focus, collimation and the sensor's tilt must be for one telescope in one\n"
             "seeing, how far it may cool before refocusing, and how many subs fit. At least\n"
             "--aperture-mm and --focal-mm are needed, on the command line or in a profile.\n",
    .status = "  0  answered\n  2  not answered: a fact is missing or out of range\n",
    .options = options,
    .facts = facts,
    .own = own,
};

static int show(const cli *c, const pl_zone *zone)
{
    pl_err err = { PL_OK, "" };
    if (cli_print(c, c->json ? pl_zone_json(zone) : pl_zone_text(zone)))
        return EXIT_UNMEASURED;
    if (c->png && pl_zone_draw(zone, c->red, c->png, &err) != PL_OK)
        return cli_failed(c, NULL, &err);
    return EXIT_WITHIN;
}

static int run(const cli *c, const pl_zone_options *evening)
{
    pl_err err = { PL_OK, "" };
    pl_zone zone;
    if (c->files > 0) {
        cli_complain(c, c->file[0], "no file is read here; a profile is given with --profile");
        return EXIT_UNMEASURED;
    }
    if (!cli_spares_inputs(c, c->png))
        return EXIT_UNMEASURED;
    if (pl_zone_compute(&c->facts, evening, &zone, &err) != PL_OK)
        return cli_failed(c, NULL, &err);
    int status = show(c, &zone);
    pl_zone_clear(&zone);
    return status;
}

int main(int argc, char **argv)
{
    cli c;
    pl_zone_options evening = pl_zone_defaults();
    int status = cli_parse(&program, argc, argv, &c, &evening);
    if (status < 0)
        status = run(&c, &evening);
    return cli_close(&c, status);
}
