/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.c - a tilt in words: the verdict and what to turn first, then the numbers, then what
 * they rest on. Lines of at most 78 columns, file names apart. */
#include "../report.h"
#include "../text.h"
#include "tilt.h"
#include "../../align/align.h"
#include "../../align/tilt/tilt.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static const char ORDER[] = "Order of adjustment: collimate, then corrector spacing, then tilt, "
                            "then focus. The maker's instructions come first.";

static void notes(pl_string *out, const pl_notes *n)
{
    pl_text_notes(out, n);
    pl_string_wrap(out, "  - ", 4, PL_TEXT_WIDTH, ORDER);
}

const char *pl_hand_where(double deg)
{
    static const char *const word[8] = { "right", "upper right", "up",   "upper left",
                                         "left",  "lower left",  "down", "lower right" };
    if (!isfinite(deg))
        return "-";
    return word[(int)floor(fmod(fmod(deg, 360) + 360 + 22.5, 360) / 45) & 7];
}

void pl_tilt_rests(double growth, double seeing, double allowed_um, pl_string *out)
{
    if (isfinite(allowed_um))
        pl_string_add(out, "FWHM +%s %% in %s arcsec: %s um of defocus to each side",
                      pl_signif(100 * growth, 2).s, pl_fixed(seeing, 1).s,
                      pl_fixed(allowed_um, 1).s);
}

/* ---- the plane */

/* A direction that means nothing is not told. */
static bool has_direction(const pl_surface_told *t)
{
    return isfinite(t->tilt_deg) && !(t->tilt_um_mm < 2 * t->tilt_sigma_um_mm);
}

static void slope(pl_string *out, const char *label, const pl_surface_told *t)
{
    char words[240], angle[80] = "";
    bool told = has_direction(t);
    if (told)
        snprintf(angle, sizeof angle, "; best focus lies further out %s", pl_toward(t->tilt_deg));
    snprintf(words, sizeof words, "%s um/mm, %s arcmin%s",
             pl_measured(t->tilt_um_mm, t->tilt_sigma_um_mm, 2).s,
             pl_measured(t->tilt_arcmin, t->tilt_sigma_arcmin, 1).s, angle);
    pl_text_row(out, label, words);
    if (told)
        snprintf(angle, sizeof angle, ", at %s deg",
                 pl_measured(t->tilt_deg, t->tilt_sigma_deg, 0).s);
    snprintf(words, sizeof words, "%s um corner to corner%s",
             pl_measured(t->across_um, t->across_sigma_um, 1).s, angle);
    pl_text_row(out, "", words);
}

static void tolerance(pl_string *out, double growth, double seeing, double allowed_um)
{
    pl_string words = { 0 };
    pl_tilt_rests(growth, seeing, allowed_um, &words);
    if (words.s)
        pl_text_row(out, "may pass", words.s);
    out->failed |= words.failed;
    free(words.s);
}

static void curvature(pl_string *out, const pl_tilt *t)
{
    char words[200];
    const pl_surface *s = &t->surface;
    if (isnan(s->curvature_um))
        snprintf(words, sizeof words, "not known");
    else
        snprintf(words, sizeof words, "corners %s um %s than the centre; no screw takes it away",
                 pl_measured(fabs(s->curvature_um), sqrt(s->cov[2][2]), 1).s,
                 s->curvature_um < 0 ? "further in" : "further out");
    pl_text_row(out, "bend", words);
}

/* ---- screws, or shims */

void pl_tilt_by_hand(const pl_tilt *t, size_t screw, char *out, size_t size)
{
    const pl_tilt_screw *s = &t->screw[screw];
    char part[32];
    if (t->part == 0) {
        snprintf(out, size, "-");
        return;
    }
    pl_part_say(s->hand_turns, t->part, part, sizeof part);
    if (s->hand_turns == 0)
        snprintf(out, size, "leave");
    else
        snprintf(out, size, "%s %s", part,
                 s->direction > 0   ? "clockwise"
                 : s->direction < 0 ? "counter-clockwise"
                 : s->travel_um > 0 ? "(it goes in)"
                                    : "(it goes out)");
}

static void screw_row(pl_string *out, const pl_tilt *t, size_t i)
{
    const pl_tilt_screw *s = &t->screw[i];
    char hand[64], where[80];
    pl_tilt_by_hand(t, i, hand, sizeof hand);
    snprintf(where, sizeof where, "%s deg, %s", pl_signif(t->plate.angle_deg[i], 4).s,
             pl_hand_where(t->plate.angle_deg[i]));
    pl_string_add(out, "  %c  %-22s %6s %-8s %6s  %s\n", (char)('A' + i), where,
                  pl_fixed(fabs(s->travel_um), 1).s, s->travel_um > 0 ? "away" : "towards",
                  pl_fixed(s->turns, 3).s, hand);
}

static void screws(pl_string *out, const pl_tilt *t)
{
    char words[240];
    pl_string_add(out, "\n     %-22s %6s %-8s %6s  %s\n", "seen from behind", "um", "from you",
                  "exact", "turns, by hand");
    for (size_t i = 0; i < t->plate.screws; i++)
        screw_row(out, t, i);
    if (t->part || t->centre_um != 0)
        pl_string_add(out, "\n");
    if (t->part) {
        snprintf(words, sizeof words,
                 "%s um of tilt, corner to corner, by rounding to 1/%d turn; and the bend",
                 pl_fixed(t->remains_um, 1).s, t->part);
        pl_text_row(out, "then remains", words);
    }
    if (fabs(t->centre_um) >= 0.5) {
        snprintf(words, sizeof words, "the sensor's centre comes %s by %s um: focus again",
                 t->centre_um > 0 ? "out" : "in", pl_fixed(fabs(t->centre_um), 1).s);
        pl_text_row(out, "focus", words);
    }
}

static void shims(pl_string *out, const pl_tilt *t)
{
    static const char *const name[PL_CORNERS] = { [PL_X1Y1] = "column 1, row 1",
                                                  [PL_X2Y1] = "last column, row 1",
                                                  [PL_X1Y2] = "column 1, last row",
                                                  [PL_X2Y2] = "last column, last row" };
    pl_string_add(out, "\n     %-24s %s\n", "sensor's corner", "must come out, mm");
    for (int i = 0; i < PL_CORNERS; i++)
        pl_string_add(out, "     %-24s %17s\n", name[i], pl_fixed(t->shim_mm[i], 3).s);
}

static void told_facts(pl_string *told, const pl_tilt *t)
{
    const pl_facts *f = &t->facts;
    static const char *const name[] = { "aperture_mm", "focal_mm", "obstruction", "fwhm_growth" };
    const pl_num num[] = { f->aperture_mm, f->focal_mm, f->obstruction, f->fwhm_growth };
    pl_text_facts(told, name, num, PL_ARRAY_LEN(num));
    if (t->surface.date[0])
        pl_text_fact(told, "exposures of", t->surface.date, "surface");
    if (t->named) {
        pl_text_fact(told, "radius_mm", pl_signif(t->plate.radius_mm, 6).s, "plate");
        pl_text_fact(told, "pitch_mm", pl_signif(t->plate.pitch_mm, 6).s, "plate");
        pl_text_fact(told, "columns_deg", pl_signif(t->plate.columns_deg, 6).s, "plate");
        pl_text_fact(told, "rows_deg", pl_signif(t->plate.rows_deg, 6).s, "plate");
    }
}

static void rests_on(pl_string *out, const pl_tilt *t)
{
    pl_string told = { 0 };
    told_facts(&told, t);
    pl_string_add(out, "\n  rests on:\n");
    if (told.s)
        pl_string_wrap(out, "  - ", 4, PL_TEXT_WIDTH, told.s);
    out->failed |= told.failed;
    free(told.s);
}

char *pl_tilt_text(const pl_tilt *t, const char *file)
{
    pl_string out = { 0 };
    pl_text_verdict(&out, file, 0, &t->verdict);
    pl_string_add(&out, "\n");
    slope(&out, "tilt", &t->told);
    tolerance(&out, t->growth, t->seeing_arcsec, t->allowed_um);
    curvature(&out, t);
    if (pl_tilt_acts(t) && t->named)
        screws(&out, t);
    else if (pl_tilt_acts(t))
        shims(&out, t);
    rests_on(&out, t);
    notes(&out, &t->notes);
    return pl_string_take(&out);
}

char *pl_tilt_parts_text(const pl_tilt_parts *p, const char *const *file)
{
    pl_string out = { 0 };
    char words[200];
    pl_text_verdict(&out, file[0], 0, &p->verdict);
    pl_string_add(&out, "\n");
    slope(&out, "sensor's own", &p->sensor_told);
    slope(&out, "focuser, optics", &p->tube_told);
    tolerance(&out, p->growth, p->seeing_arcsec, p->allowed_um);
    snprintf(words, sizeof words,
             "by %s deg; errors of the parts are %s times those of the difference",
             pl_signif(p->rotated_deg, 4).s, pl_fixed(p->gain, 2).s);
    pl_text_row(&out, "turned", words);
    snprintf(words, sizeof words, "2 deg of error in that turn would shift both by %s um",
             pl_fixed(p->slip_um, 1).s);
    pl_text_row(&out, "", words);
    pl_string_add(&out, "\n  rests on:\n  - directions in the axes of the first frame\n");
    notes(&out, &p->notes);
    return pl_string_take(&out);
}

char *pl_tilt_hint_text(const pl_tilt_hint *h, const pl_field *f, const char *file)
{
    pl_string out = { 0 };
    char words[80];
    pl_text_verdict(&out, file, 0, &h->verdict);
    pl_string_add(&out, "\n  rests on:\n");
    snprintf(words, sizeof words, "%zu stars", f->used);
    pl_string_wrap(&out, "  - ", 4, PL_TEXT_WIDTH, words);
    notes(&out, &f->notes);
    return pl_string_take(&out);
}
