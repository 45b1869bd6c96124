/* SPDX-License-Identifier: GPL-3.0-or-later */
/* table.c - the stars of a field as an ECSV 1.0 table: a YAML header in comment lines, then a
 * star a row. Format: Astropy Proposal for Enhancement 6 (2013, from memory); tests read it back
 * with astropy. */
#include "../report.h"

#include <stdlib.h>

#define COLUMN(name, unit, digits, text)                                                           \
    {                                                                                              \
#name, unit, digits, offsetof(pl_star, name), text                                         \
    }

typedef struct {
    const char *name, *unit;
    int digits;    /* significant */
    size_t offset; /* of a double in pl_star */
    const char *text;
} column;

static const column columns[] = {
    { "x_px", "pix", 8, offsetof(pl_star, x_px), "centre; the first pixel's is 1" },
    { "x_px_sigma", "pix", 4, offsetof(pl_star, x_sigma_px), "" },
    { "y_px", "pix", 8, offsetof(pl_star, y_px), "centre; the first pixel's is 1" },
    { "y_px_sigma", "pix", 4, offsetof(pl_star, y_sigma_px), "" },
    COLUMN(flux_adu, "adu", 6, "total, of the fitted profile"),
    { "flux_adu_sigma", "adu", 4, offsetof(pl_star, flux_sigma_adu), "" },
    COLUMN(peak_adu, "adu", 6, "brightest pixel above the sky"),
    COLUMN(sky_adu, "adu", 6, "local sky"),
    COLUMN(snr, "", 4, "flux over its sigma"),
    COLUMN(fwhm_px, "pix", 6, "geometric mean of major and minor"),
    { "fwhm_px_sigma", "pix", 4, offsetof(pl_star, fwhm_sigma_px), "" },
    COLUMN(fwhm_major_px, "pix", 6, ""),
    { "fwhm_major_px_sigma", "pix", 4, offsetof(pl_star, fwhm_major_sigma_px), "" },
    COLUMN(fwhm_minor_px, "pix", 6, ""),
    { "fwhm_minor_px_sigma", "pix", 4, offsetof(pl_star, fwhm_minor_sigma_px), "" },
    COLUMN(eccentricity, "", 6, "sqrt(1 - minor^2 / major^2)"),
    COLUMN(eccentricity_sigma, "", 4, ""),
    COLUMN(angle_deg, "deg", 6, "major axis, from +x towards +y"),
    { "angle_deg_sigma", "deg", 4, offsetof(pl_star, angle_sigma_deg), "" },
    COLUMN(chi1, "", 6, "(a^2 - b^2) / (a^2 + b^2) times cos 2 angle"),
    COLUMN(chi2, "", 6, "the same times sin 2 angle"),
    COLUMN(chi_sigma, "", 4, "of each"),
    COLUMN(hfd_px, "pix", 6, "diameter holding half the total flux"),
    { "hfd_px_sigma", "pix", 4, offsetof(pl_star, hfd_sigma_px), "" },
    COLUMN(moment_sigma_px, "pix", 6, "width of the weight under which the moments are taken"),
    COLUMN(flare1, "", 6, "third moment of spin 1 along +x, weight widths cubed"),
    COLUMN(flare2, "", 6, "the same along +y"),
    COLUMN(flare_sigma, "", 4, "of each"),
    COLUMN(corner1, "", 6, "third moment of spin 3, a corner at 0 deg"),
    COLUMN(corner2, "", 6, "the same, a corner at 30 deg"),
    COLUMN(corner_sigma, "", 4, "of each"),
    COLUMN(kurtosis, "", 6, "fourth moment less a Gaussian's"),
    COLUMN(kurtosis_sigma, "", 4, ""),
    COLUMN(red_x_px, "pix", 4, "mosaic: red centre less green"),
    COLUMN(red_y_px, "pix", 4, ""),
    COLUMN(red_sigma_px, "pix", 4, "of each"),
    COLUMN(blue_x_px, "pix", 4, "mosaic: blue centre less green"),
    COLUMN(blue_y_px, "pix", 4, ""),
    COLUMN(blue_sigma_px, "pix", 4, "of each"),
    COLUMN(beta, "", 6, "Moffat exponent, the frame's own"),
    COLUMN(misfit, "", 4, "chi square per degree of freedom of the profile"),
};

static double value_of(const pl_star *s, const column *c)
{
    double v = *(const double *)(const void *)((const char *)s + c->offset);
    bool position = c->offset == offsetof(pl_star, x_px) || c->offset == offsetof(pl_star, y_px);
    return position ? pl_fits_px(v) : v;
}

/* A YAML double-quoted scalar in ASCII. */
static void quoted(pl_string *out, const char *text)
{
    char *clean = pl_clean(text, PL_CLEAN_VALID, NULL);
    out->failed |= !clean;
    pl_string_add(out, "\"");
    for (const char *s = clean; s && *s;) {
        uint32_t code = pl_utf8_next(&s);
        if (code == '"' || code == '\\')
            pl_string_add(out, "\\%c", (int)code);
        else if (code >= 0x20 && code < 0x7f)
            pl_string_add(out, "%c", (int)code);
        else
            pl_string_add(out, "\\U%08lX", (unsigned long)code);
    }
    pl_string_add(out, "\"");
    free(clean);
}

static void header(pl_string *out, const char *file)
{
    pl_string_add(out, "# %%ECSV 1.0\n# ---\n# datatype:\n");
    for (size_t i = 0; i < PL_ARRAY_LEN(columns); i++) {
        const column *c = &columns[i];
        pl_string_add(out, "# - {name: %s, ", c->name);
        if (*c->unit)
            pl_string_add(out, "unit: %s, ", c->unit);
        pl_string_add(out, "datatype: float64");
        if (*c->text)
            pl_string_add(out, ", description: \"%s\"", c->text);
        pl_string_add(out, "}\n");
    }
    pl_string_add(out, "# - {name: flags, datatype: string}\n# meta: !!omap\n");
    pl_string_add(out,
                  "# - {program: plumb-field}\n# - {version: \"%s\"}\n# - {file: ", PL_VERSION);
    quoted(out, file);
    pl_string_add(out, "}\n# schema: astropy-2.0\n");
    for (size_t i = 0; i < PL_ARRAY_LEN(columns); i++)
        pl_string_add(out, "%s ", columns[i].name);
    pl_string_add(out, "flags\n");
}

char *pl_field_table(const pl_field *field, const char *file)
{
    pl_string out = { 0 };
    header(&out, file);
    for (size_t i = 0; i < field->stars; i++) {
        for (size_t k = 0; k < PL_ARRAY_LEN(columns); k++) {
            pl_digits d = pl_signif(value_of(&field->star[i], &columns[k]), columns[k].digits);
            pl_string_add(&out, "%s ", d.s[0] == '-' && !d.s[1] ? "nan" : d.s);
        }
        pl_string_add(&out, "%s\n", pl_kind_name(field->star[i].kind));
    }
    return pl_string_take(&out);
}
