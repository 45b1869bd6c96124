/* SPDX-License-Identifier: GPL-3.0-or-later */
/* facts.c - every fact plumb can be told: its name, who may give it, its range.
 * FITS spellings: SBFITSEXT 1.0 (2003) and the HEASARC dictionary where they define one; the others
 * are common practice, no source. */
#include "base.h"

#include <ctype.h>
#include <errno.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define BIG 1e9
#define NUM(field, section, lo, hi, help, ...)                                                     \
    {                                                                                              \
#field, section, { __VA_ARGS__ }, help, lo, hi, NULL, offsetof(pl_facts, field)            \
    }
#define TEXT(field, section, words, help, ...)                                                     \
    {                                                                                              \
#field, section, { __VA_ARGS__ }, help, 1, 0, words, offsetof(pl_facts, field)             \
    }

#define MATERIALS "aluminium steel stainless invar carbon borosilicate silica soda-lime"

static const pl_fact table[] = {
    NUM(aperture_mm, "scope", 10, 20000, "clear diameter of the primary, mm", "APTDIA", NULL),
    NUM(focal_mm, "scope", 10, 100000, "effective focal length, mm", "FOCALLEN", NULL),
    NUM(mirror_focal_mm, "scope", 10, 100000, "the primary's own focal length, mm", NULL),
    NUM(obstruction, "scope", 0, 0.8, "obstruction diameter / aperture", NULL),
    NUM(vanes, "scope", 0, 12, "number of spider vanes", NULL),
    NUM(vane_mm, "scope", 0, 100, "thickness of a vane, mm", NULL),
    NUM(vane_deg, "scope", -360, 360, "direction of the first vane, degrees", NULL),
    NUM(focuser_deg, "scope", -360, 360, "where the focuser lies in a donut outside focus, degrees",
        NULL),
    TEXT(corrected, "scope", "yes no", "whether a corrector takes away the field's coma", NULL),
    TEXT(tube_material, "scope", MATERIALS, "material of the tube", NULL),
    TEXT(mirror_material, "scope", MATERIALS, "material of the primary", NULL),
    NUM(tube_length_mm, "scope", 10, 100000, "tube between focuser and primary, mm", NULL),
    NUM(secondary_mm, "scope", 1, 5000, "minor axis of the secondary, mm", NULL),
    NUM(secondary_to_focus_mm, "scope", 1, 10000, "secondary's centre to focus, mm", NULL),
    NUM(pixel_um, "camera", 0.1, 1000, "pixel pitch of the frame as binned, um", "XPIXSZ",
        "PIXSIZE1", "XPIXELSZ", "PIXSIZE", NULL),
    NUM(width_px, "camera", 1, 1e6, "width of the whole sensor, px", NULL),
    NUM(height_px, "camera", 1, 1e6, "height of the whole sensor, px", NULL),
    TEXT(mosaic, "camera", "RGGB GRBG GBRG BGGR none", "colour mosaic as stored, from pixel (1,1)",
         "BAYERPAT", "COLORTYP", NULL),
    NUM(saturation_adu, "camera", 1, BIG, "level at which pixels are clipped, ADU", "SATURATE",
        "DATAMAX", NULL),
    NUM(gain_e_adu, "camera", 1e-6, 1e6, "electrons per ADU", "EGAIN", NULL),
    NUM(read_noise_e, "camera", 0, 1e5, "read noise, electrons", "RDNOISE", "READNOIS", NULL),
    NUM(step_um, "focuser", 1e-4, 1e4, "drawtube travel of one step, um", NULL),
    NUM(outward, "focuser", -1, 1, "+1: larger numbers move out, -1: in", NULL),
    NUM(um_per_turn, "focuser", 0.1, 1e6, "drawtube travel of one turn of the knob, um", NULL),
    TEXT(carries, "focuser", "corrector camera", "what the drawtube moves", NULL),
    NUM(backlash_um, "focuser", 0, 1e5, "backlash, um of drawtube travel", NULL),
    TEXT(approach, "focuser", "in out", "direction of the last move", NULL),
    NUM(fwhm_growth, "tolerance", 0.001, 1, "allowed growth of FWHM, a fraction", NULL),
    NUM(eccentricity, "tolerance", 0.01, 0.99, "allowed eccentricity of the typical star", NULL),
    NUM(exposure_s, NULL, 0, 1e6, "exposure, s", "EXPTIME", "EXPOSURE", NULL),
    TEXT(date_obs, NULL, NULL, "start of the exposure, UTC", "DATE-OBS", NULL),
    NUM(temperature_c, NULL, -90, 70, "temperature at the focuser or of the air, C", "FOCUSTEM",
        "FOCTEMP", "AMBTEMP", "AMBIENT", "TELTEMP", "AOCAMBT", NULL),
    NUM(position_steps, NULL, -BIG, BIG, "focuser position, steps", "FOCUSPOS", "FOCPOS",
        "CAMFOCUS", "FOCUS", NULL),
    NUM(altitude_deg, NULL, -90, 90, "altitude, degrees", "CENTALT", "OBJCTALT", "TELALT",
        "ALTITUDE", NULL),
    NUM(airmass, NULL, 0.9, 50, "airmass", "AIRMASS", NULL),
    NUM(latitude_deg, NULL, -90, 90, "latitude of the site, degrees", "SITELAT", "LAT-OBS",
        "LATITUDE", NULL),
    NUM(longitude_deg, NULL, -360, 360, "longitude of the site, degrees", "SITELONG", "LONG-OBS",
        "LONGITUD", NULL),
    NUM(binning_x, NULL, 1, 64, "binning along x", "XBINNING", NULL),
    NUM(binning_y, NULL, 1, 64, "binning along y", "YBINNING", NULL),
    NUM(origin_x_px, NULL, 0, 1e6, "sub-frame's first column on the sensor, binned px", "XORGSUBF",
        NULL),
    NUM(origin_y_px, NULL, 0, 1e6, "sub-frame's first row on the sensor, binned px", "YORGSUBF",
        NULL),
    TEXT(row_order, NULL, "TOP-DOWN BOTTOM-UP", "which edge the first stored row is", "ROWORDER",
         NULL),
    TEXT(frame_kind, NULL, NULL, "light, bias, flat, dark ...", "IMAGETYP", "FRAME", "FRAMETYP",
         "OBSTYPE", NULL),
    TEXT(object, NULL, NULL, "what was photographed", "OBJECT", "OBJNAME", NULL),
    TEXT(filter, NULL, NULL, "filter", "FILTER", NULL),
    TEXT(scope_name, NULL, NULL, "telescope", "TELESCOP", NULL),
    TEXT(camera_name, NULL, NULL, "camera", "INSTRUME", NULL),
};

const pl_fact *pl_facts_table(size_t *n)
{
    *n = PL_ARRAY_LEN(table);
    return table;
}

static bool is_text(const pl_fact *f)
{
    return f->lo > f->hi;
}

static pl_num *num_of(pl_facts *facts, const pl_fact *f)
{
    return (pl_num *)((char *)facts + f->offset);
}

static pl_text *text_of(pl_facts *facts, const pl_fact *f)
{
    return (pl_text *)((char *)facts + f->offset);
}

pl_facts pl_facts_unknown(void)
{
    pl_facts facts;
    memset(&facts, 0, sizeof facts);
    for (size_t i = 0; i < PL_ARRAY_LEN(table); i++)
        if (!is_text(&table[i]))
            num_of(&facts, &table[i])->v = NAN;
    return facts;
}

static const pl_fact *find(const char *name)
{
    for (size_t i = 0; i < PL_ARRAY_LEN(table); i++)
        if (strcmp(table[i].name, name) == 0)
            return &table[i];
    return NULL;
}

/* The word of the list that `value` is, whatever its case; NULL when it is none of them. */
static const char *allowed_word(const char *words, const char *value, size_t *len)
{
    for (const char *w = words; *w; w += *w == ' ') {
        *len = strcspn(w, " ");
        if (strlen(value) == *len && strncasecmp(w, value, *len) == 0)
            return w;
        w += *len;
    }
    return NULL;
}

static pl_status set_text(pl_text *t, const pl_fact *f, const char *value, pl_source from,
                          pl_err *err)
{
    size_t len = strlen(value);
    const char *word = f->words ? allowed_word(f->words, value, &len) : value;
    if (!word)
        return pl_fail(err, PL_EARG, "%s is \"%.60s\"; it must be one of: %s", f->name, value,
                       f->words);
    if (from < t->from)
        return PL_OK;
    snprintf(t->s, sizeof t->s, "%.*s", (int)len, word);
    t->from = from;
    return PL_OK;
}

/* pl_number - a whole text as a finite number, in the C locale's spelling whatever the locale.
 * The decimal point of the running locale is put in its place before strtod sees it. */
bool pl_number(const char *text, double *value)
{
    char copy[64];
    size_t n = strlen(text);
    const char *point = localeconv()->decimal_point;
    if (n == 0 || n >= sizeof copy || isspace((unsigned char)text[0]) ||
        text[strspn(text, "+-.0123456789eE")])
        return false;
    memcpy(copy, text, n + 1);
    char *dot = strchr(copy, '.');
    if (dot && strlen(point) == 1)
        *dot = point[0];
    char *end;
    errno = 0;
    double v = strtod(copy, &end);
    if (*end || end == copy || !isfinite(v))
        return false;
    *value = v;
    return true;
}

pl_status pl_facts_set(pl_facts *facts, const char *name, const char *value, pl_source from,
                       pl_err *err)
{
    const pl_fact *f = find(name);
    if (!f)
        return pl_fail(err, PL_EARG, "there is no setting called %s", name);
    if (is_text(f))
        return set_text(text_of(facts, f), f, value, from, err);
    double v;
    if (!pl_number(value, &v))
        return pl_fail(err, PL_EARG, "%s is \"%.60s\"; a plain number is wanted (%s)", f->name,
                       value, f->help);
    if (!(v >= f->lo && v <= f->hi))
        return pl_fail(err, PL_EARG, "%s is %g; it must lie in [%g, %g] (%s)", f->name, v, f->lo,
                       f->hi, f->help);
    pl_num *num = num_of(facts, f);
    if (from >= num->from)
        *num = (pl_num){ v, from };
    return PL_OK;
}

void pl_facts_merge(pl_facts *facts, const pl_facts *other)
{
    for (size_t i = 0; i < PL_ARRAY_LEN(table); i++) {
        const pl_fact *f = &table[i];
        if (is_text(f)) {
            const pl_text *t = (const pl_text *)((const char *)other + f->offset);
            if (t->from > text_of(facts, f)->from)
                *text_of(facts, f) = *t;
        } else {
            const pl_num *n = (const pl_num *)((const char *)other + f->offset);
            if (n->from > num_of(facts, f)->from)
                *num_of(facts, f) = *n;
        }
    }
}

pl_status pl_facts_need(const pl_facts *facts, const char *name, double *value, pl_err *err)
{
    const pl_fact *f = find(name);
    if (!f || is_text(f))
        return pl_fail(err, PL_EARG, "there is no number called %s", name);
    const pl_num *num = (const pl_num *)((const char *)facts + f->offset);
    if (num->from != PL_FROM_NOWHERE) {
        *value = num->v;
        return PL_OK;
    }
    char option[40], ways[160] = "";
    snprintf(option, sizeof option, "%s", name);
    for (char *c = option; *c; c++)
        *c = *c == '_' ? '-' : *c;
    size_t used = 0;
    if (f->section)
        used = (size_t)snprintf(ways, sizeof ways, ", or [%s] %s in a profile", f->section, name);
    if (f->keywords[0])
        snprintf(ways + used, sizeof ways - used, "; a frame's header tells it by %s",
                 f->keywords[0]);
    return pl_fail(err, PL_ENODATA, "%s is not known (%s); give --%s%s", name, f->help, option,
                   ways);
}

bool pl_facts_calibration(const pl_facts *facts)
{
    static const char *const kind[] = { "bias", "offset", "zero", "flat", "dark" };
    const char *s = facts->frame_kind.s;
    for (; *s; s++)
        for (size_t i = 0; i < PL_ARRAY_LEN(kind); i++)
            if (strncasecmp(s, kind[i], strlen(kind[i])) == 0)
                return true;
    return false;
}
