/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-laser - is the alignment laser itself aligned, and what would its error do? */
#include "cli.h"

enum { FIRST = 0x300 };

static const cli_option options[] = {
    { "circle", FIRST, "PAIR", "by eye, as 5000:12: distance, circle's width" },
    { "reading", FIRST + 1, "MM", "error of a mark's x or y (default 0.5)" },
    { "angle-error", FIRST + 2, "DEG", "error of an angle, degrees (default 5)" },
    { "behind", FIRST + 3, "MM", "the focus lies so far behind the holder's face (0)" },
    { "lens", FIRST + 4, "MM", "focal length of the diverging lens (default 100)" },
    { "seeing", FIRST + 5, "ARCSEC", "FWHM of the air alone, long exposure (default 2.5)" },
    { "wavelength", FIRST + 6, "UM", "wavelength, um (default 0.55)" },
    { "field", FIRST + 7, "MM", "sensor's diagonal, mm (default: from width, height, pixel)" },
    { NULL, 0, NULL, NULL },
};

static const char *const facts[] = {
    "aperture_mm",           "focal_mm", "mirror_focal_mm", "obstruction", "secondary_mm",
    "secondary_to_focus_mm", "pixel_um", "width_px",        "height_px",   "carries",
    "fwhm_growth",           NULL,
};

static int own(void *ctx, int letter, const char *value, pl_err *err)
{
    return pl_laser_set(ctx, options[letter - FIRST].name, value, err) == PL_OK ? 0 : -1;
}

static const cli_program program = {
    .name = "plumb-laser",
    .usage = "[OPTION]... MARKS | --circle 5000:12 [--circle 1000:3]",
    .about = PL_LASER_EYES
    "\n" PL_LASER_SUN "\n\n"
    "Says whether the alignment laser is itself aligned, and what aligning a\n"
    "Newtonian with it would leave. Turn the laser in its holder before squared\n"
    "paper, at one or better two distances, and write into the file MARKS:\n"
    "  at 5000         mm from the holder's face to the paper\n"
    "  0   3.5  12.0   degrees turned, then x and y of the spot in mm; and so on,\n"
    "  45 -0.5  11.0   best in eight steps all the way round\n"
    "Or read the circle's width by eye, in mm, and tell it by --circle.\n",
    .status = "  0  trust it, or cannot tell\n"
              "  1  adjust it first, or use it only with a diverging (barlowed) beam\n"
              "  2  could not be measured\n",
    .frames = true,
    .together = true,
    .options = options,
    .facts = facts,
    .own = own,
};

static int show(const cli *c, const pl_laser *laser, const char *file)
{
    pl_err err = { PL_OK, "" };
    if (cli_print(c, c->json ? pl_laser_json(laser, file) : pl_laser_text(laser, file)))
        return EXIT_UNMEASURED;
    if (c->png && pl_laser_draw(laser, file, c->red, c->png, &err) != PL_OK)
        return cli_failed(c, NULL, &err);
    return laser->verdict.state == PL_OUTSIDE ? EXIT_OUTSIDE : EXIT_WITHIN;
}

static int run(const cli *c, const pl_laser_options *o)
{
    pl_err err = { PL_OK, "" };
    pl_laser_sheets sheets = o->by_eye;
    pl_laser laser;
    const char *file = c->files ? c->file[0] : NULL;
    if (c->files > 1)
        return cli_misuse(c, "one file holds the marks of both distances");
    if ((file != NULL) == (sheets.sheets > 0))
        return cli_misuse(c, file ? "either a file of marks, or --circle"
                                  : "give a file of marks, or --circle");
    if (!cli_spares_inputs(c, c->png))
        return EXIT_UNMEASURED;
    if (file && pl_laser_read(file, &sheets, &err) != PL_OK)
        return cli_failed(c, file, &err);
    if (pl_laser_judge(&sheets, &c->facts, o, &laser, &err) != PL_OK)
        return cli_failed(c, file, &err);
    int status = show(c, &laser, file);
    pl_laser_clear(&laser);
    return status;
}

int main(int argc, char **argv)
{
    cli c;
    pl_laser_options o = pl_laser_defaults();
    int rc = cli_parse(&program, argc, argv, &c, &o);
    if (rc < 0)
        rc = run(&c, &o);
    return cli_close(&c, rc);
}
