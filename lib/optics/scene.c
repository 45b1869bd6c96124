/* SPDX-License-Identifier: GPL-3.0-or-later */
/* scene.c - read a scene: the table that knows every key, its unit, its range and its default. */
#include "scene.h"

#include "ini.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define NUM(section, key, field, unit, lo, hi, preset, help)                                       \
    {                                                                                              \
        section, key, unit, lo, hi, preset, NULL, false, offsetof(pl_scene, field), help           \
    }
#define COUNT(section, key, hi, preset, help)                                                      \
    {                                                                                              \
        section, #key, "", 0, hi, preset, NULL, true, offsetof(pl_scene, key), help                \
    }
#define WORD(section, key, words, preset, help)                                                    \
    {                                                                                              \
        section, #key, "", 0, 0, preset, words, false, offsetof(pl_scene, key), help               \
    }
#define WAVE(j)                                                                                    \
    NUM("zernike", "a" #j "_nm", zernike_nm[j], "nm RMS", -20000, 20000, 0,                        \
        "Noll's coefficient, added everywhere")

static const pl_scene_key table[] = {
    COUNT("field", seed, 1e9, 1, "what all random numbers start from"),
    COUNT("field", stars, 200000, 300, "stars drawn, when there is no list"),
    WORD("field", layout, "random grid", 0, "where the stars drawn stand"),
    NUM("field", "mag_bright", mag_bright, "mag", -5, 25, 8, "brightest star drawn"),
    NUM("field", "mag_faint", mag_faint, "mag", -5, 25, 14, "faintest star drawn"),
    NUM("field", "mag_slope", mag_slope, "1/mag", 0.01, 1, 0.35,
        "growth of log10 of the number of stars per magnitude"),
    NUM("field", "efficiency", efficiency, "", 1e-6, 1, 0.4,
        "electrons for a photon outside the atmosphere, in green"),
    NUM("field", "colour_mag", colour_mag, "mag", -5, 5, 0,
        "blue less red magnitude of the stars, as the camera sees it, mean"),
    NUM("field", "colour_spread_mag", colour_spread_mag, "mag", 0, 5, 0.4,
        "scatter of that colour"),

    NUM("air", "seeing_arcsec", seeing_arcsec, "arcsec", 0, 60, 2.5,
        "FWHM of the long-exposure air at the zenith (it grows as airmass^0.6), at wavelength_um"),
    NUM("air", "wavelength_um", wavelength_um, "um", 0.3, 2, 0.55,
        "wavelength of the light; under a mosaic, of green"),
    NUM("air", "band_um", band_um, "um", 0, 0.5, 0,
        "width of the pass band around each wavelength, 0 for one line"),
    NUM("air", "red_um", red_um, "um", 0.3, 2, 0.62, "wavelength under a mosaic's red filter"),
    NUM("air", "blue_um", blue_um, "um", 0.3, 2, 0.46, "wavelength under its blue filter"),
    NUM("air", "zenith_deg", zenith_deg, "deg", -360, 360, 90, "direction of the zenith"),
    WORD("air", turbulence, "averaged moving", 0,
         "averaged as by a long exposure, or moving, as much as the exposure leaves of it"),
    NUM("air", "wind_m_s", wind_m_s, "m/s", 0, 200, 10, "wind of the moving turbulence"),
    NUM("air", "wind_deg", wind_deg, "deg", -360, 360, 30,
        "direction in which that wind blows, in the pupil"),
    WORD("air", shared, "no yes", 1,
         "whether every star sees the same moving air, or each its own"),

    NUM("focus", "defocus_um", defocus_um, "um", -20000, 20000, 0,
        "at the frame's centre, + = sensor too far out"),
    NUM("focus", "tilt_x_um_mm", tilt_x_um_mm, "um/mm", -200, 200, 0,
        "slope of the focal surface along x"),
    NUM("focus", "tilt_y_um_mm", tilt_y_um_mm, "um/mm", -200, 200, 0, "that along y"),
    NUM("focus", "curvature_um", curvature_um, "um", -5000, 5000, 0,
        "best focus at the corners less the centre, + = further out"),

    NUM("mirrors", "axis_x_mm", axis_x_mm, "mm", -200, 200, 0,
        "frame's centre to the coma-free point, at the sensor, along x"),
    NUM("mirrors", "axis_y_mm", axis_y_mm, "mm", -200, 200, 0, "that along y"),
    WORD("mirrors", corrected, "no yes", 1,
         "whether a corrector takes away what grows with the field"),
    NUM("mirrors", "pinch_nm", pinch_nm, "nm RMS", 0, 5000, 0, "trefoil of a pinched mirror"),
    NUM("mirrors", "pinch_deg", pinch_deg, "deg", -360, 360, 0, "direction of a corner"),
    NUM("mirrors", "shadow_x_mm", shadow_x_mm, "mm", -2000, 2000, 0,
        "offset of the secondary in the pupil, along x"),
    NUM("mirrors", "shadow_y_mm", shadow_y_mm, "mm", -2000, 2000, 0, "that along y"),

    WAVE(4),
    WAVE(5),
    WAVE(6),
    WAVE(7),
    WAVE(8),
    WAVE(9),
    WAVE(10),
    WAVE(11),
    WAVE(12),
    WAVE(13),
    WAVE(14),
    WAVE(15),
    WAVE(16),
    WAVE(17),
    WAVE(18),
    WAVE(19),
    WAVE(20),
    WAVE(21),
    WAVE(22),

    NUM("tracking", "jitter_arcsec", jitter_arcsec, "arcsec RMS", 0, 60, 0,
        "unsteadiness along jitter_deg"),
    NUM("tracking", "jitter_across_arcsec", jitter_across_arcsec, "arcsec RMS", 0, 60, NAN,
        "the same across it (default: as along it)"),
    NUM("tracking", "jitter_deg", jitter_deg, "deg", -360, 360, 0, "direction of the jitter"),
    NUM("tracking", "drift_arcsec", drift_arcsec, "arcsec", 0, 600, 0,
        "steady drift during the exposure"),
    NUM("tracking", "drift_deg", drift_deg, "deg", -360, 360, 0, "direction of the drift"),
    NUM("tracking", "rotation_arcmin", rotation_arcmin, "arcmin", -600, 600, 0,
        "turn of the field about the frame's centre during the exposure"),

    NUM("sky", "level_adu", level_adu, "ADU", 0, 1e6, 300,
        "sky at the centre, above the bias, green"),
    NUM("sky", "gradient", gradient, "", 0, 1, 0, "part by which the sky is brighter at the edge"),
    NUM("sky", "gradient_deg", gradient_deg, "deg", -360, 360, 0,
        "direction in which it brightens"),
    NUM("sky", "red", sky_red, "", 0, 10, 0.7, "sky under the red filter / under the green"),
    NUM("sky", "blue", sky_blue, "", 0, 10, 0.8, "sky under the blue filter / under the green"),
    NUM("sky", "transparency", transparency, "", 0.001, 1, 1,
        "part of the starlight that comes through"),
    NUM("sky", "clouds", clouds, "", 0, 0.99, 0,
        "part of the starlight that patches of cloud take at most"),
    NUM("sky", "dew", dew, "", 0, 0.99, 0, "part of the starlight scattered into a halo"),
    NUM("sky", "dew_arcsec", dew_arcsec, "arcsec", 1, 600, 40, "FWHM of dew's halo"),

    NUM("camera", "bias_adu", bias_adu, "ADU", 0, 60000, 200, "level without light"),
    WORD("camera", noise, "no yes", 1,
         "whether pixels are noisy, or hold expected values, rounded"),
    COUNT("camera", hot_pixels, 1e6, 0, "pixels with charge of their own"),
    NUM("camera", "hot_adu", hot_adu, "ADU", 1, 65535, 8000, "the strongest hot pixel"),
    COUNT("camera", cosmic_rays, 1e5, 0, "tracks of charged particles"),
    COUNT("camera", satellites, 100, 0, "lines of light across the frame"),
    NUM("camera", "satellite_adu", satellite_adu, "ADU", 0, 65535, 200,
        "height of a satellite's line"),

    { "series", "frames", "", 1, 9999, 1, NULL, true, offsetof(pl_scene, frames),
      "frames, one after the other" },
    NUM("series", "cadence_s", cadence_s, "s", 0, 86400, 60, "from start to start"),
    NUM("series", "from_steps", from_steps, "steps", -1e9, 1e9, NAN,
        "focuser at the first frame (default: position_steps)"),
    NUM("series", "to_steps", to_steps, "steps", -1e9, 1e9, NAN,
        "focuser at the last frame (default: where it was)"),
    NUM("series", "best_steps", best_steps, "steps", -1e9, 1e9, NAN,
        "where defocus is defocus_um (default: the first position)"),
    NUM("series", "cooling_c_h", cooling_c_h, "C/h", -30, 30, 0, "how fast the air cools"),
    NUM("series", "thermal_um_c", thermal_um_c, "um/C", -1000, 1000, 0,
        "d(best drawtube position)/dT, + = out"),
    NUM("series", "altitude_to_deg", altitude_to_deg, "deg", 1, 90, NAN,
        "altitude at the last frame (default: it stays)"),
    NUM("series", "flexure_um_deg", flexure_um_deg, "um/deg", -1000, 1000, 0,
        "d(best drawtube position)/d(altitude), + = out"),
    NUM("series", "seeing_to_arcsec", seeing_to_arcsec, "arcsec", 0, 60, NAN,
        "seeing at the last frame (default: it stays)"),
    COUNT("series", refocus_every, 9999, 0, "frames between perfect refocusings, 0 for never"),
    NUM("series", "dither_px", dither_px, "px", 0, 1000, 0,
        "random shift of the pointing, each axis"),
};

const pl_scene_key *pl_scene_table(size_t *n)
{
    *n = PL_ARRAY_LEN(table);
    return table;
}

/* ---- one value */

static double *value_of(pl_scene *s, const pl_scene_key *row)
{
    void *field = (char *)s + row->offset;
    return field;
}

/* Number of the word in the list, or -1. */
static int word_number(const char *words, const char *value)
{
    int number = 0;
    for (const char *w = words; *w; number++, w += *w == ' ') {
        size_t len = strcspn(w, " ");
        if (strlen(value) == len && strncasecmp(w, value, len) == 0)
            return number;
        w += len;
    }
    return -1;
}

static pl_status set(pl_scene *s, const pl_scene_key *row, const char *value, pl_err *err)
{
    double v = 0;
    if (row->words) {
        int number = word_number(row->words, value);
        if (number < 0)
            return pl_fail(err, PL_EARG, "%s is \"%.60s\"; it must be one of: %s", row->key, value,
                           row->words);
        *value_of(s, row) = number;
        return PL_OK;
    }
    if (!pl_number(value, &v))
        return pl_fail(err, PL_EARG, "%s is \"%.60s\"; a plain number is wanted (%s)", row->key,
                       value, row->help);
    if (!(v >= row->lo && v <= row->hi) || (row->whole && v != floor(v)))
        return pl_fail(err, PL_EARG, "%s is %g; %s must lie in [%g, %g] (%s)", row->key, v,
                       row->whole ? "a whole number, it" : "it", row->lo, row->hi, row->help);
    *value_of(s, row) = v;
    return PL_OK;
}

static const pl_scene_key *find(const char *section, const char *key)
{
    for (size_t i = 0; i < PL_ARRAY_LEN(table); i++)
        if (strcmp(table[i].section, section) == 0 && strcmp(table[i].key, key) == 0)
            return &table[i];
    return NULL;
}

/* ---- the file */

struct reading {
    pl_scene *scene;
    const char *path; /* of the scene: a list's name starts in its folder */
};

static pl_status take_list(struct reading *r, const char *value, pl_err *err)
{
    size_t folder = *value == '/' ? 0 : (size_t)(pl_file_name(r->path) - r->path);
    size_t size = folder + strlen(value) + 1;
    pl_err why = { PL_OK, "" };
    char *path = malloc(size);
    if (!path)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    snprintf(path, size, "%.*s%s", (int)folder, r->path, value);
    free(r->scene->listed);
    r->scene->listed = NULL;
    pl_status st = pl_starlist_read(path, &r->scene->listed, &r->scene->listed_n, &why);
    r->scene->has_list = true;
    if (st != PL_OK)
        pl_fail(err, st, "list %.60s: %.160s", value, why.msg);
    free(r->scene->list_path);
    r->scene->list_path = path;
    return st;
}

static pl_status take(void *ctx, const char *section, const char *key, const char *value,
                      pl_err *err)
{
    struct reading *r = ctx;
    const pl_scene_key *row = find(section, key);
    if (row)
        return set(r->scene, row, value, err);
    if (strcmp(section, "field") == 0 && strcmp(key, "list") == 0)
        return take_list(r, value, err);
    return pl_facts_set(&r->scene->facts, key, value, PL_FROM_PROFILE, err);
}

/* Names a scene knows: its own, and all facts; those of one exposure stand in [exposure]. */
static size_t names(pl_ini_name *name)
{
    size_t n, used = 0;
    const pl_fact *fact = pl_facts_table(&n);
    for (size_t i = 0; i < PL_ARRAY_LEN(table); i++)
        name[used++] = (pl_ini_name){ table[i].section, table[i].key, false };
    name[used++] = (pl_ini_name){ "field", "list", false };
    for (size_t i = 0; i < n; i++)
        name[used++] =
            (pl_ini_name){ fact[i].section ? fact[i].section : "exposure", fact[i].name, false };
    return used;
}

static pl_status check(const pl_scene *s, pl_err *err)
{
    if (s->mag_bright > s->mag_faint)
        return pl_fail(err, PL_EFORMAT, "[field] mag_bright %g is fainter than mag_faint %g",
                       s->mag_bright, s->mag_faint);
    if (s->band_um >= s->wavelength_um)
        return pl_fail(err, PL_EFORMAT, "[air] band_um %g is no narrower than wavelength_um %g",
                       s->band_um, s->wavelength_um);
    if (s->turbulence == PL_TURBULENCE_MOVING && !(s->seeing_arcsec > 0))
        return pl_fail(err, PL_EFORMAT, "[air] turbulence is moving, but seeing_arcsec is 0");
    return PL_OK;
}

pl_status pl_scene_read(const char *path, const pl_facts *facts, pl_scene **out, pl_notes *notes,
                        pl_err *err)
{
    pl_ini_name name[PL_ARRAY_LEN(table) + 128];
    pl_scene *s = calloc(1, sizeof *s);
    if (!s)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    s->facts = pl_facts_unknown();
    for (size_t i = 0; i < PL_ARRAY_LEN(table); i++)
        *value_of(s, &table[i]) = table[i].preset;
    pl_ini ini = { "scene", "plumb-scene(5)", name, names(name), take };
    struct reading r = { s, path };
    pl_status st = pl_ini_read(path, &ini, &r, notes, err);
    if (st == PL_OK)
        st = check(s, err);
    if (st != PL_OK) {
        pl_scene_free(s);
        return st;
    }
    if (facts)
        pl_facts_merge(&s->facts, facts);
    *out = s;
    return PL_OK;
}

void pl_scene_free(pl_scene *scene)
{
    if (!scene)
        return;
    free(scene->listed);
    free(scene->list_path);
    free(scene);
}

const char *pl_scene_list(const pl_scene *scene)
{
    return scene->list_path;
}

size_t pl_scene_frames(const pl_scene *scene)
{
    return (size_t)scene->frames;
}
