/* SPDX-License-Identifier: GPL-3.0-or-later */
/* mkframe - makes FITS frames of invented skies, with a table of what is on them.
 * Here: the options, and the order of work. See mkframe.h for the other files. */
#include <getopt.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "mkframe.h"

void die(const char *fmt, ...)
{
    va_list ap;

    va_start(ap, fmt);
    fputs("mkframe: ", stderr);
    vfprintf(stderr, fmt, ap);
    fputc('\n', stderr);
    va_end(ap);
    exit(2);
}

void *must_alloc(size_t count, size_t size)
{
    void *p = calloc(count, size);

    if (!p)
        die("not enough memory for %zu values", count);
    return p;
}

bool parse_number(const char *text, double *value)
{
    char *end;

    *value = strtod(text, &end);
    return end != text && *end == '\0' && isfinite(*value);
}

/* One table serves parsing, checking, defaults and --help. */
enum type { TEXT, WHOLE, NUMBER, RANGE, BETA, LIST2, LIST3, FLAG, PAIR, HELP };

struct option_row {
    const char *name;
    enum type type;
    size_t offset;
    double lo, hi;      /* allowed, both included; for lists: of the first number */
    const char *preset; /* NULL: none */
    const char *unit, *help;
};

#define AT(field) offsetof(struct cfg, field)
static const struct option_row table[] = {
    { "out", TEXT, AT(out), 0, 0, NULL, "FILE", "the frame; required, replaced if it exists" },
    { "truth", TEXT, AT(truth), 0, 0, NULL, "FILE", "table of what is on it, CSV" },
    { "width", WHOLE, AT(width), 1, 200000, "1200", "PX", "columns" },
    { "height", WHOLE, AT(height), 1, 200000, "800", "PX", "rows" },
    { "bitpix", WHOLE, AT(bitpix), -64, 32, "16", "N", "8, 16 (unsigned), 32, -32 or -64" },
    { "compress", TEXT, AT(compress), 0, 0, "none", "KIND",
      "rice, gzip or none; rice on a float type is lossy" },
    { "seed", WHOLE, AT(seed), 0, 1e15, "1", "N", "same seed and options: same bytes" },
    { "mosaic", TEXT, AT(mosaic), 0, 0, "none", "PAT", "RGGB, GRBG, GBRG, BGGR or none" },
    { "bayerpat", TEXT, AT(bayerpat), 0, 0, NULL, "TEXT",
      "what the header says; unset: the truth, none: nothing" },
    { "roworder", TEXT, AT(roworder), 0, 0, NULL, "TEXT", "value of ROWORDER" },
    { "header", PAIR, 0, 0, 0, NULL, "KEY=VALUE", "one more keyword; repeatable" },
    { "bare", FLAG, AT(bare), 0, 0, NULL, NULL, "leave the default keywords out" },
    { "date-obs", TEXT, AT(date_obs), 0, 0, "2031-03-14T20:15:00", "TEXT", "DATE-OBS" },
    { "exptime", NUMBER, AT(exptime), 0, 1e6, "60", "S", "EXPTIME; scales nothing" },
    { "pixel-um", NUMBER, AT(pixel_um), 0.01, 1000, "3.76", "UM", "XPIXSZ, YPIXSZ" },
    { "focal-mm", NUMBER, AT(focal_mm), 1, 1e6, "870", "MM", "FOCALLEN" },
    { "aperture-mm", NUMBER, AT(aperture_mm), 1, 1e6, "280", "MM", "APTDIA" },
    { "sky", NUMBER, AT(sky), 0, 1e7, "400", "ADU", "sky in every colour" },
    { "sky-rgb", LIST3, AT(sky_rgb), 0, 1e7, NULL, "R,G,B",
      "sky of each colour, ADU; unset: --sky" },
    { "gain", NUMBER, AT(gain), 1e-4, 1e4, "1", "E/ADU", "electrons per ADU" },
    { "read-noise", NUMBER, AT(read_noise), 0, 1e4, "3", "E", "read noise, electrons" },
    { "pedestal", NUMBER, AT(pedestal), 0, 1e7, "500", "ADU", "added after the noise" },
    { "saturation", NUMBER, AT(saturation), 1, 1e9, "65535", "ADU",
      "clipped here (8 bit: at 255)" },
    { "no-noise", FLAG, AT(no_noise), 0, 0, NULL, NULL, "neither photon nor read noise" },
    { "wing", NUMBER, AT(wing), 1e-9, 1, "0.002", "SIGMA",
      "draw stars down to this part of a pixel's noise" },
    { "stars", WHOLE, AT(stars), -1, 1e7, "-1", "N", "random stars; -1: 200, or 0 with --list" },
    { "grid", FLAG, AT(grid), 0, 0, NULL, NULL, "stars on a jittered grid, apart from each other" },
    { "list", TEXT, AT(list), 0, 0, NULL, "FILE",
      "stars: rows x y flux_adu [fwhm ecc angle beta rg bg]" },
    { "border", NUMBER, AT(border), -1e4, 1e5, "0", "PX",
      "keep-out for random stars; negative: beyond the frame" },
    { "snr", RANGE, AT(snr), 1e-3, 1e7, "20:500", "LO:HI",
      "log-uniform flux SNR over sky and read noise" },
    { "flux", RANGE, AT(flux), 1e-6, 1e12, NULL, "LO:HI", "log-uniform flux, ADU; replaces --snr" },
    { "fwhm", RANGE, AT(fwhm), 0.5, 100, "3", "LO:HI",
      "px, before the pixel; geometric mean of the axes" },
    { "beta", BETA, AT(beta), 1.06, 100, "4", "LO:HI", "Moffat exponent, or gauss" },
    { "ecc", RANGE, AT(ecc), 0, 0.969, "0", "LO:HI", "eccentricity sqrt(1 - minor^2/major^2)" },
    { "angle", NUMBER, AT(angle), -360, 360, NULL, "DEG",
      "major axis, from +x to +y; unset: random" },
    { "rg", RANGE, AT(rg), 0, 100, "1", "LO:HI", "red/green flux of a star on a mosaic" },
    { "bg", RANGE, AT(bg), 0, 100, "1", "LO:HI", "blue/green flux of a star on a mosaic" },
    { "dispersion", LIST3, AT(dispersion), -20, 20, NULL, "R,B,DEG",
      "red and blue images set aside, px, px, direction" },
    { "stretch", LIST2, AT(stretch), 0, 0.95, NULL, "CHI,DEG",
      "even stretch; chi = (a^2-b^2)/(a^2+b^2)" },
    { "outward", NUMBER, AT(outward), -0.95, 0.95, "0", "CHI",
      "radial (negative: tangential), as r^2, value in the corner" },
    { "turning", LIST3, AT(turning), 0, 0.95, NULL, "CHI,X,Y",
      "rotation about (X, Y) px; chi half a diagonal away" },
    { "slope", LIST2, AT(slope), -0.9, 0.9, NULL, "FRAC,DEG",
      "FWHM grows along DEG, +-FRAC at the borders" },
    { "flare", LIST3, AT(flare), 0, 1, NULL, "F,PX,DEG",
      "part F of the light displaced; centroid kept" },
    { "corners", LIST3, AT(corners), 0, 1, NULL, "F,PX,DEG",
      "three images of F/3, 120 deg apart; centroid kept" },
    { "hot", WHOLE, AT(hot), 0, 1e7, "0", "N", "hot pixels, 200 ADU to saturation" },
    { "cosmics", WHOLE, AT(cosmics), 0, 1e6, "0", "N", "cosmic rays, 1 to 25 px" },
    { "trails", WHOLE, AT(trails), 0, 1000, "0", "N", "satellite trails" },
    { "trail-snr", RANGE, AT(trail_snr), 1e-3, 1e6, "5", "LO:HI",
      "peak of a trail over the noise of one pixel" },
    { "galaxies", WHOLE, AT(galaxies), 0, 1e5, "0", "N",
      "exponential ellipses, half-light radius 1.5 to 4 FWHM" },
    { "galaxy-snr", RANGE, AT(galaxy_snr), 1e-3, 1e6, "50:500", "LO:HI", "their flux SNR" },
    { "blends", WHOLE, AT(blends), 0, 1e6, "0", "N", "pairs of stars 0.8 to 2 FWHM apart" },
    { "saturated", WHOLE, AT(saturated), 0, 1e6, "0", "N",
      "stars with peaks 1.5 to 20 x saturation" },
    { "nebula", NUMBER, AT(nebula), 0, 1e7, "0", "ADU",
      "clumps of 40 to 300 px, up to this bright each" },
    { "gradient", NUMBER, AT(gradient), -2, 2, "0", "FRAC",
      "sky from 1-FRAC/2 to 1+FRAC/2 across" },
    { "gradient-angle", NUMBER, AT(gradient_angle), -360, 360, "30", "DEG",
      "direction in which it brightens" },
    { "vignette", NUMBER, AT(vignette), 0, 0.99, "0", "FRAC", "light lost in the corners" },
    { "dead-columns", WHOLE, AT(dead_columns), 0, 1e5, "0", "N", "columns without light" },
    { "nan", WHOLE, AT(nan), 0, 1e7, "0", "N", "NaN pixels; float types only" },
    { "help", HELP, 0, 0, 0, NULL, NULL, "this text" },
};
enum { OPTIONS = sizeof table / sizeof *table };

static void help(void)
{
    puts("usage: mkframe --out FILE [options]\n"
         "Makes a FITS frame of an invented sky. [default]; ranges take one value or LO:HI.\n");
    for (int i = 0; i < OPTIONS; i++) {
        char left[64], preset[32] = "";
        snprintf(left, sizeof left, "--%s %s", table[i].name, table[i].unit ? table[i].unit : "");
        if (table[i].preset)
            snprintf(preset, sizeof preset, " [%s]", table[i].preset);
        printf("  %-24s %s%s\n", left, table[i].help, preset);
    }
    puts("\nSNR = F_e / sqrt(4 pi (FWHM/2.3548)^2 B_e), F_e electrons of the star, B_e variance "
         "per pixel of\n"
         "sky and read noise at its place; on a mosaic as if every pixel were green.\n"
         "Truth: positions as in FITS (first pixel centre 1,1); class star, saturated (clipped), "
         "blended\n"
         "(another with 20 % of its flux within 2 FWHM), edge (within 2 FWHM), hot, cosmic "
         "(fwhm_major_px =\n"
         "length), trail (flux_adu, snr = peak), galaxy. isolated = 1: a star with no other of 5 % "
         "of its\n"
         "flux within 4 FWHM, no wing of 5 % of its peak, no trail, border or galaxy within 4 "
         "FWHM, no hot,\n"
         "cosmic, dead or NaN pixel within 2. With --flare or --corners the shape is that of one "
         "image.\n"
         "Exit status: 0 made, 2 not made.");
}

static void wrong(const struct option_row *o, const char *text)
{
    if (o->type == TEXT || o->type == PAIR)
        die("--%s '%s': %s is wanted", o->name, text, o->unit);
    die("--%s '%s': %s in [%g, %g] is wanted (see --help)", o->name, text, o->unit, o->lo, o->hi);
}

static double number_in(const struct option_row *o, const char *part, const char *whole)
{
    double v;

    if (!parse_number(part, &v) || v < o->lo || v > o->hi)
        wrong(o, whole);
    return v;
}

static void set_range(const struct option_row *o, struct range *r, const char *text)
{
    char copy[128];
    char *colon;

    if (o->type == BETA && strcmp(text, "gauss") == 0) {
        r->lo = r->hi = INFINITY;
        return;
    }
    if (strlen(text) >= sizeof copy)
        wrong(o, text);
    snprintf(copy, sizeof copy, "%s", text);
    colon = strchr(copy, ':');
    if (colon)
        *colon = '\0';
    r->lo = number_in(o, copy, text);
    r->hi = colon ? number_in(o, colon + 1, text) : r->lo;
    if (r->lo > r->hi)
        wrong(o, text);
}

/* The first number is held to the option's limits, the others need only be numbers. */
static void set_list(const struct option_row *o, double *v, int count, const char *text)
{
    char copy[128], *rest = copy, *part;
    int n = 0;

    if (strlen(text) >= sizeof copy)
        wrong(o, text);
    snprintf(copy, sizeof copy, "%s", text);
    for (; (part = strtok_r(rest, ",", &rest)) != NULL; n++)
        if (n == count || !parse_number(part, &v[n]))
            wrong(o, text);
    if (n != count || v[0] < o->lo || v[0] > o->hi)
        wrong(o, text);
}

static void set_pair(struct cfg *c, const struct option_row *o, const char *text)
{
    size_t key = strcspn(text, "=");

    if (text[key] != '=' || key < 1 || key > 8 || c->n_header == MAX_HEADER)
        wrong(o, text);
    c->header[c->n_header++] = text;
}

static void set_option(struct cfg *c, const struct option_row *o, const char *text)
{
    void *at = (char *)c + o->offset;
    double v;

    switch (o->type) {
    case TEXT:
        *(const char **)at = text;
        break;
    case WHOLE:
        v = number_in(o, text, text);
        if (v != floor(v))
            wrong(o, text);
        *(long *)at = (long)v;
        break;
    case NUMBER:
        *(double *)at = number_in(o, text, text);
        break;
    case RANGE:
    case BETA:
        set_range(o, at, text);
        break;
    case LIST2:
        set_list(o, at, 2, text);
        break;
    case LIST3:
        set_list(o, at, 3, text);
        break;
    case FLAG:
        *(bool *)at = true;
        break;
    case PAIR:
        set_pair(c, o, text);
        break;
    case HELP:
        help();
        exit(fflush(stdout) == 0 ? 0 : 2);
    }
}

static bool one_of(const char *text, const char *const *choice)
{
    for (; *choice; choice++)
        if (strcmp(text, *choice) == 0)
            return true;
    return false;
}

static void check(struct cfg *c)
{
    static const char *const mosaics[] = { "none", "RGGB", "GRBG", "GBRG", "BGGR", NULL };
    static const char *const kinds[] = { "none", "rice", "gzip", NULL };

    if (!c->out)
        die("--out FILE is wanted (see --help)");
    if (c->bitpix != 8 && c->bitpix != 16 && c->bitpix != 32 && c->bitpix != -32 &&
        c->bitpix != -64)
        die("--bitpix %ld: 8, 16, 32, -32 or -64 is wanted", c->bitpix);
    if (!one_of(c->mosaic, mosaics))
        die("--mosaic '%s': RGGB, GRBG, GBRG, BGGR or none is wanted", c->mosaic);
    if (!one_of(c->compress, kinds))
        die("--compress '%s': rice, gzip or none is wanted", c->compress);
    if (strcmp(c->compress, "rice") == 0 && c->bitpix == -64)
        die("--compress rice with --bitpix -64: take gzip, or -32");
    if (c->nan > 0 && c->bitpix > 0)
        die("--nan needs a float type: --bitpix -32 or -64");
    if (2.0 * c->border >= (double)(c->width < c->height ? c->width : c->height))
        die("--border %g leaves no room on %ld x %ld", c->border, c->width, c->height);
}

/* Defaults that hang on other options. */
static void settle(struct cfg *c)
{
    double top = c->bitpix == 8 ? 255.0 : c->bitpix == 16 ? 65535.0 : c->saturation;

    c->saturation = fmin(c->saturation, top);
    if (c->stars < 0)
        c->stars = c->list ? 0 : 200;
    if (!c->bayerpat)
        c->bayerpat = c->mosaic;
    if (isnan(c->sky_rgb[0]))
        c->sky_rgb[0] = c->sky_rgb[1] = c->sky_rgb[2] = c->sky;
}

static void parse(int argc, char **argv, struct cfg *c)
{
    struct option longs[OPTIONS + 1] = { { 0 } };
    int index, got;

    c->angle = c->flux.lo = c->flux.hi = c->sky_rgb[0] = NAN;
    for (int i = 0; i < OPTIONS; i++) {
        longs[i].name = table[i].name;
        longs[i].has_arg = table[i].unit ? required_argument : no_argument;
        if (table[i].preset)
            set_option(c, &table[i], table[i].preset);
    }
    while ((got = getopt_long(argc, argv, "", longs, &index)) != -1) {
        if (got != 0)
            exit(2); /* getopt has said why */
        set_option(c, &table[index], optarg);
    }
    if (optind < argc)
        die("'%s' is no option (see --help)", argv[optind]);
    check(c);
    settle(c);
}

static void set_colours(struct plane *p, const char *mosaic)
{
    for (int i = 0; i < 4; i++)
        p->colour[i] = strcmp(mosaic, "none") == 0 ? 1
                       : mosaic[i] == 'R'          ? 0
                       : mosaic[i] == 'G'          ? 1
                                                   : 2;
}

int main(int argc, char **argv)
{
    struct cfg c = { 0 };
    struct scene scene = { 0 };
    struct plane plane = { 0 };

    rand_init();
    star_init();
    parse(argc, argv, &c);
    sky_init(&c);
    plane.width = c.width;
    plane.height = c.height;
    plane.adu = must_alloc((size_t)c.width * (size_t)c.height, sizeof *plane.adu);
    set_colours(&plane, c.mosaic);

    build_scene(&c, &scene);
    draw_scene(&c, &scene, &plane);
    label_scene(&c, &scene, &plane);
    write_frame(&c, &plane);
    write_truth(&c, &scene);
    free(scene.item);
    free(plane.adu);
    return 0;
}
