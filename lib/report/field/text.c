/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.c - a field in words: the verdict and what to do first, then the numbers, then what
 * they rest on. Lines of at most 78 columns, file names apart. */
#include "../report.h"
#include "../text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static const char *mosaic_of(const pl_field *f)
{
    return f->mosaic[0] ? f->mosaic : "none";
}

/* A length in px, and in arcsec when the scale is known. */
static void length_row(pl_string *out, const char *label, double px, double sigma, double scale)
{
    char words[200];
    pl_digits a = pl_measured(px, sigma, 2), b = pl_measured(px * scale, sigma * scale, 2);
    if (isfinite(px) && isfinite(scale))
        snprintf(words, sizeof words, "%s px, %s arcsec", a.s, b.s);
    else
        snprintf(words, sizeof words, "%s px", a.s);
    pl_text_row(out, label, words);
}

static void colour_row(pl_string *out, const char *label, double x, double y, double sigma)
{
    char words[200];
    int decimals = pl_decimals(sigma, 2);
    if (!isfinite(x) || !isfinite(y))
        return;
    snprintf(words, sizeof words, "x %s, y %s px, each +- %s", pl_fixed(x, decimals).s,
             pl_fixed(y, decimals).s, pl_fixed(sigma, decimals).s);
    pl_text_row(out, label, words);
}

static void field_table(pl_string *out, const pl_field *f)
{
    char words[200];
    snprintf(words, sizeof words, "%zu found, %zu fitted, %zu used", f->found, f->fitted, f->used);
    pl_text_row(out, "stars", words);
    length_row(out, "FWHM", f->fwhm_px, f->fwhm_sigma_px, f->scale_arcsec_px);
    length_row(out, "HFD", f->hfd_px, f->hfd_sigma_px, f->scale_arcsec_px);
    pl_text_row(out, "eccentricity", pl_measured(f->eccentricity, f->eccentricity_sigma, 2).s);
    snprintf(words, sizeof words, "along %s deg; mean ellipticity %s",
             pl_measured(f->elongation_deg, f->elongation_sigma_deg, 0).s,
             pl_measured(f->chi, f->chi_sigma, 3).s);
    pl_text_row(out, "elongation", words);
    if (f->beta > 50)
        snprintf(words, sizeof words, "above 50: a Gaussian; one beta for the frame");
    else
        snprintf(words, sizeof words, "%s, one beta for the frame", pl_fixed(f->beta, 2).s);
    pl_text_row(out, "Moffat beta", words);
    snprintf(words, sizeof words, "%s ADU, noise %s ADU", pl_signif(f->sky_adu, 6).s,
             pl_signif(f->noise_adu, 4).s);
    pl_text_row(out, "sky", words);
    bool scale = isfinite(f->scale_arcsec_px);
    snprintf(words, sizeof words, "%d x %d px, %s%s, mosaic %s", f->width_px, f->height_px,
             scale ? pl_signif(f->scale_arcsec_px, 4).s : "arcsec/px unknown",
             scale ? " arcsec/px" : "", mosaic_of(f));
    pl_text_row(out, "frame", words);
    colour_row(out, "red less green", f->red_x_px, f->red_y_px, f->red_sigma_px);
    colour_row(out, "blue less green", f->blue_x_px, f->blue_y_px, f->blue_sigma_px);
}

static void zone_table(pl_string *out, const pl_field *f)
{
    if (f->cells == 0)
        return;
    pl_string_add(out, "\n  zones (cells of about equal star count)\n");
    pl_string_add(out, "  %8s %8s %6s   %-18s %-16s %6s\n", "x px", "y px", "stars", "FWHM px",
                  "eccentricity", "deg");
    for (size_t i = 0; i < f->cells; i++) {
        const pl_cell *z = &f->cell[i];
        pl_string_add(out, "  %8s %8s %6zu   %-18s %-16s %6s\n", pl_fixed(pl_fits_px(z->x_px), 0).s,
                      pl_fixed(pl_fits_px(z->y_px), 0).s, z->stars,
                      pl_measured(z->fwhm_px, z->fwhm_sigma_px, 2).s,
                      pl_measured(z->eccentricity, z->eccentricity_sigma, 2).s,
                      pl_fixed(z->angle_deg, 0).s);
    }
}

static void pattern_table(pl_string *out, const pl_field *f)
{
    size_t telling = 0;
    pl_string_add(out, "\n  %-18s %-20s %-9s %9s %9s %6s\n", "patterns", "amplitude", "unit",
                  "allowed", "signif.", "deg");
    for (int i = 0; i < PL_PATTERNS; i++) {
        const pl_pattern *p = &f->pattern[i];
        pl_string_add(out, "  %-18s %-20s %-9s %9s %9s %6s\n", pl_pattern_title(i),
                      pl_measured(p->amplitude, p->amplitude_sigma, 3).s, p->unit ? p->unit : "-",
                      pl_signif(p->tolerance, 2).s, pl_fixed(p->significance, 1).s,
                      pl_fixed(p->angle_deg, 0).s);
        if (isfinite(p->x_px) && isfinite(p->y_px) && pl_pattern_matters(p))
            pl_string_add(out, "    about x %s, y %s\n", pl_fixed(pl_fits_px(p->x_px), 0).s,
                          pl_fixed(pl_fits_px(p->y_px), 0).s);
        if (pl_pattern_matters(p))
            pl_string_wrap(out, "    ", 4, PL_TEXT_WIDTH, p->meaning);
        telling += pl_pattern_matters(p);
    }
    if (telling == 0)
        pl_string_add(out, "    %s\n",
                      pl_patterns_known(f) ? "none stands out of the noise: even field"
                                           : "too few stars to tell");
}

static void rejected(pl_string *out, const pl_field *f)
{
    bool any = false;
    for (int k = PL_STAR + 1; k < PL_KINDS; k++) {
        if (f->kind[k] == 0)
            continue;
        pl_string_add(out, "%s  %-12s %8zu   %s\n", any ? "" : "\n  not used\n",
                      pl_kind_name((pl_kind)k), f->kind[k], pl_kind_reason((pl_kind)k));
        any = true;
    }
}

/* "pixel_um 3.76 (header), focal_mm 870 (profile)" for what was told, or for what nobody told. */
static void facts_line(pl_string *out, const pl_known *known, size_t n, bool assumed)
{
    pl_string words = { 0 };
    for (size_t i = 0; i < n; i++)
        if ((known[i].from == PL_FROM_DEFAULT) == assumed)
            pl_text_fact(&words, known[i].name, known[i].value, pl_source_name(known[i].from));
    if (words.n)
        pl_string_wrap(out, assumed ? "  - assumed, nobody said otherwise: " : "  - ", 4,
                       PL_TEXT_WIDTH, words.s);
    out->failed |= words.failed;
    free(words.s);
}

static void rests_on(pl_string *out, const pl_field *f)
{
    pl_known known[PL_RESTS];
    size_t n = pl_field_rests(&f->facts, known);
    if (n == 0 && f->notes.n == 0)
        return;
    pl_string_add(out, "\n  rests on:\n");
    facts_line(out, known, n, true);
    facts_line(out, known, n, false);
    pl_text_notes(out, &f->notes);
}

char *pl_field_text(const pl_field *field, const char *file)
{
    pl_string out = { 0 };
    char *name = pl_clean(file, PL_CLEAN_PLAIN, NULL);
    if (!name)
        return NULL;
    pl_text_verdict(&out, name, 0, &field->verdict);
    pl_string_add(&out, "\n");
    field_table(&out, field);
    zone_table(&out, field);
    pattern_table(&out, field);
    rejected(&out, field);
    rests_on(&out, field);
    free(name);
    return pl_string_take(&out);
}
