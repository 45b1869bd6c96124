/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.c - what donuts say in words: the verdict and what to turn first, then the numbers,
 * then what they rest on. Lines of at most 78 columns, file names apart. */
#include "donut.h"
#include "../report.h"
#include "../text.h"
#include "../../align/align.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

const char *pl_side_word(pl_side side)
{
    return side == PL_SIDE_OUT ? "out" : side == PL_SIDE_IN ? "in" : "";
}

/* "123.4 +- 5.6 nm at 30 +- 3 deg"; the angle is left out when it is unknown or says nothing. */
static void vector_row(pl_string *out, const char *label, double v, double sigma, const char *unit,
                       double deg, double deg_sigma, const char *about)
{
    char words[240], angle[80] = "";
    if (isfinite(deg) && v > 2 * sigma)
        snprintf(angle, sizeof angle, " at %s deg", pl_measured(deg, deg_sigma, 0).s);
    snprintf(words, sizeof words, "%s %s%s%s%s", pl_measured(v, sigma, 1).s, unit, angle,
             about[0] ? "; " : "", about);
    pl_text_row(out, label, words);
}

static void focus_row(pl_string *out, const pl_donut *d)
{
    char words[240];
    const char *side = d->side == PL_SIDE_OUT  ? "sensor too far out"
                       : d->side == PL_SIDE_IN ? "sensor too far in"
                       : d->frames > 1         ? "which side is not told (--side)"
                                               : "which side one exposure cannot tell (--side)";
    snprintf(words, sizeof words, d->frames > 1 ? "%s um in the first frame; %s" : "%s um; %s",
             pl_measured(fabs(d->wave.defocus_um), d->wave.defocus_sigma_um, 1).s, side);
    pl_text_row(out, "defocus", words);
}

static void table(pl_string *out, const pl_donut *d)
{
    const pl_wavefront *w = &d->wave;
    char words[240];
    bool told = d->axis_mm > 2 * d->axis_sigma_mm;
    snprintf(words, sizeof words, "%s +- %s mm%s%s", pl_fixed(d->axis_mm, 2).s,
             pl_fixed(d->axis_sigma_mm, 2).s, told ? " from the frame's centre " : "",
             told ? pl_toward(d->axis_deg) : "");
    pl_text_row(out, "primary's axis", words);
    snprintf(words, sizeof words, "%s mm in %s arcsec (FWHM +%s %%); %s mm for lambda/14",
             pl_fixed(d->growth_mm, 2).s, pl_fixed(d->tolerance_seeing_arcsec, 1).s,
             pl_signif(100 * d->facts.fwhm_growth.v, 2).s, pl_fixed(d->ideal_mm, 2).s);
    pl_text_row(out, "it may be off", words);
    snprintf(words, sizeof words, "allowed %s nm; of the error %s nm are the air's",
             pl_fixed(d->growth_coma_nm, 0).s, pl_fixed(d->air_coma_nm, 1).s);
    vector_row(out, "coma", w->coma_nm, w->coma_sigma_nm, "nm", w->coma_deg, w->coma_sigma_deg,
               words);
    focus_row(out, d);
    vector_row(out, "astigmatism", w->astigmatism_nm, w->astigmatism_sigma_nm, "nm",
               w->astigmatism_deg, w->astigmatism_sigma_deg, "");
    vector_row(out, "trefoil", w->trefoil_nm, w->trefoil_sigma_nm, "nm", w->trefoil_deg,
               w->trefoil_sigma_deg, "");
    bool known = d->side != PL_SIDE_UNKNOWN;
    vector_row(out, "spherical", known ? w->spherical_nm : fabs(w->spherical_nm),
               w->spherical_sigma_nm, "nm", NAN, NAN, "");
    vector_row(out, "shadow offset", w->shadow_mm, w->shadow_sigma_mm, "mm off centre",
               known ? w->shadow_deg : NAN, w->shadow_sigma_deg, "");
    snprintf(words, sizeof words, "%s arcsec in these exposures",
             pl_measured(w->seeing_arcsec, w->seeing_sigma_arcsec, 2).s);
    pl_text_row(out, "air and tracking", words);
}

static void stars(pl_string *out, const pl_donut *d)
{
    pl_string_add(out, "\n  %5s %8s %8s %6s %6s  %-18s %6s %6s\n", "frame", "x px", "y px", "outer",
                  "inner", "coma nm", "deg", "SNR");
    for (size_t i = 0; i < d->stars && i < 30; i++) {
        const pl_donut_star *s = &d->star[i];
        pl_string_add(out, "  %5zu %8s %8s %6s %6s  %-18s %6s %6s%s%s\n", s->frame + 1,
                      pl_fixed(pl_fits_px(s->x_px), 1).s, pl_fixed(pl_fits_px(s->y_px), 1).s,
                      pl_fixed(s->outer_px, 1).s, pl_fixed(s->inner_px, 1).s,
                      s->used ? pl_measured(s->wave.coma_nm, s->wave.coma_sigma_nm, 1).s : "-",
                      s->used ? pl_fixed(s->wave.coma_deg, 0).s : "-", pl_signif(s->snr, 3).s,
                      s->used ? "" : "  ", s->used ? "" : s->reason);
    }
}

static void rests_on(pl_string *out, const pl_donut *d)
{
    pl_string told = { 0 };
    static const char *const names[] = { "aperture_mm", "focal_mm",   "mirror_focal_mm",
                                         "obstruction", "pixel_um",   "exposure_s",
                                         "gain_e_adu",  "fwhm_growth" };
    const pl_num num[] = { d->facts.aperture_mm, d->facts.focal_mm,   d->facts.mirror_focal_mm,
                           d->facts.obstruction, d->facts.pixel_um,   d->facts.exposure_s,
                           d->facts.gain_e_adu,  d->facts.fwhm_growth };
    pl_text_facts(&told, names, num, PL_ARRAY_LEN(num));
    pl_string_add(out, "\n  rests on:\n");
    if (told.s)
        pl_string_wrap(out, "  - ", 4, PL_TEXT_WIDTH, told.s);
    out->failed |= told.failed;
    free(told.s);
    pl_text_notes(out, &d->notes);
}

char *pl_donut_text(const pl_donut *d, const char *const *file)
{
    pl_string out = { 0 };
    pl_text_verdict(&out, file[0], d->frames - 1, &d->verdict);
    pl_string_add(&out, "\n");
    table(&out, d);
    stars(&out, d);
    rests_on(&out, d);
    return pl_string_take(&out);
}
