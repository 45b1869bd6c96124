/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.c - a series through focus in words: where best focus is and which way, the frames,
 * the numbers, the focal surface, what to do next, what all of it rests on. Lines of at most 78
 * columns, file names apart. */
#include "../report.h"
#include "../text.h"
#include "sweep.h"
#include "../../align/align.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static void row(pl_string *out, const char *label, pl_string *words)
{
    pl_text_row(out, label, words->s ? words->s : "");
    out->failed |= words->failed;
    free(pl_string_take(words));
}

static void head(pl_string *out, const pl_sweep *s, const char *const *file)
{
    pl_string first = { 0 }, says = { 0 };
    pl_verdict v = pl_sweep_verdict(s);
    char *name = pl_clean(file[0], PL_CLEAN_PLAIN, NULL);
    pl_string_add(&first, "%s and %zu more: ", name ? name : "?", s->frames - 1);
    pl_sweep_says(s, &says);
    if (first.s && says.s)
        pl_string_wrap(out, first.s, 2, PL_TEXT_WIDTH, says.s);
    if (says.s && strcmp(v.text, says.s) != 0)
        pl_string_wrap(out, "", 0, PL_TEXT_WIDTH, v.text);
    if (s->verdict.action[0])
        pl_string_wrap(out, "", 0, PL_TEXT_WIDTH, s->verdict.action);
    out->failed |= first.failed || says.failed || !name;
    free(pl_string_take(&first));
    free(pl_string_take(&says));
    free(name);
}

/* ---- the frames */

static void frame_row(pl_string *out, const pl_sweep *s, size_t i)
{
    const pl_sweep_frame *f = &s->frame[i];
    pl_digits where = s->positions ? pl_signif(f->position_steps, 8) : pl_fixed(f->position_um, 0);
    pl_string_add(out, "  %5zu %7s %14s %16s %6s %16s %6zu\n", i + 1, where.s,
                  pl_measured(f->defocus_um, f->defocus_sigma_um, 1).s,
                  pl_measured(f->fwhm_px, f->fwhm_sigma_px, 2).s, pl_fixed(f->hfd_px, 2).s,
                  pl_measured(f->seeing_arcsec, f->seeing_sigma_arcsec, 2).s, f->stars);
}

static void frame_remark(pl_string *out, const pl_sweep_frame *f, const char *file)
{
    pl_string words = { 0 };
    char *name = pl_clean(file, PL_CLEAN_PLAIN, NULL);
    char *why = pl_clean(f->reason, PL_CLEAN_PLAIN, NULL);
    if (name && why)
        pl_string_add(&words, "%s (%s)", why[0] ? why : "no reason was told", name);
    if (words.s)
        pl_string_wrap(out, f->used ? "        remark: " : "        left out: ", 10, PL_TEXT_WIDTH,
                       words.s);
    out->failed |= words.failed || !name || !why;
    free(pl_string_take(&words));
    free(name);
    free(why);
}

static void frames(pl_string *out, const pl_sweep *s, const char *const *file)
{
    pl_string_add(out, "\n  %5s %7s %14s %16s %6s %16s %6s\n", "frame",
                  s->positions ? "steps" : "tube um", "defocus um", "FWHM px", "HFD px",
                  "seeing arcsec", "stars");
    for (size_t i = 0; i < s->frames; i++) {
        frame_row(out, s, i);
        if (!s->frame[i].used || s->frame[i].reason[0])
            frame_remark(out, &s->frame[i], file[i]);
    }
}

/* ---- the numbers */

static void best_row(pl_string *out, const pl_sweep *s)
{
    pl_string words = { 0 };
    if (isfinite(s->best_steps)) {
        pl_sweep_position(s, &words);
        pl_string_add(&words, " steps, ");
    }
    pl_string_add(&words, "known to %s um at the sensor; allowed are %s um each side",
                  pl_signif(s->best_sigma_um, 2).s, pl_signif(s->zone_um, 3).s);
    row(out, "best focus", &words);
}

static void last_row(pl_string *out, const pl_sweep *s)
{
    pl_string words = { 0 };
    const pl_travel *m = &s->move;
    if (!isfinite(s->last_um))
        return;
    pl_string_add(&words, "%s um%s", pl_measured(fabs(s->last_um), s->last_sigma_um, 1).s,
                  !s->side_known   ? " from best focus"
                  : s->last_um < 0 ? " too far in"
                                   : " too far out");
    if (isfinite(m->drawtube_um))
        pl_string_add(&words, ": %s um of drawtube", pl_fixed(fabs(m->drawtube_um), 0).s);
    if (isfinite(m->steps) && s->positions)
        pl_string_add(&words, ", %s steps", pl_fixed(fabs(m->steps), 1).s);
    if (isfinite(m->turns))
        pl_string_add(&words, ", %s turns (%s degrees of the knob)", pl_fixed(fabs(m->turns), 3).s,
                      pl_fixed(360 * fabs(m->turns), 0).s);
    row(out, "the last frame", &words);
}

static void expected_row(pl_string *out, const pl_sweep *s)
{
    pl_string words = { 0 };
    if (!isfinite(s->best_fwhm_px))
        return;
    pl_string_add(&words, "FWHM %s px", pl_fixed(s->best_fwhm_px, 2).s);
    if (isfinite(s->best_fwhm_arcsec))
        pl_string_add(&words, ", %s arcsec", pl_fixed(s->best_fwhm_arcsec, 2).s);
    if (isfinite(s->best_hfd_px))
        pl_string_add(&words, "; HFD %s px", pl_fixed(s->best_hfd_px, 2).s);
    if (isfinite(s->seeing_arcsec))
        pl_string_add(&words, "; in air of %s arcsec", pl_fixed(s->seeing_arcsec, 2).s);
    row(out, "expected there", &words);
}

/* Surely wrong by more than 3 %: below that nothing but the number is told. */
static bool blur_is_off(const pl_sweep *s)
{
    return fabs(s->blur_scale - 1) > fmax(0.03, 3 * s->blur_scale_sigma);
}

static void blur_row(pl_string *out, const pl_sweep *s)
{
    pl_string words = { 0 };
    if (!isfinite(s->blur_scale))
        return;
    pl_string_add(&words, "%s times what the profile says",
                  pl_measured(s->blur_scale, s->blur_scale_sigma, 2).s);
    pl_string_add(&words, "%s",
                  blur_is_off(s) ? ": a length or the step in it is wrong" : ": 1 is right");
    row(out, "blur check", &words);
}

static void focuser_rows(pl_string *out, const pl_sweep *s)
{
    pl_string words = { 0 };
    if (isfinite(s->step_um) && s->facts.step_um.from == PL_FROM_NOWHERE) {
        pl_string_add(&words, "%s um of drawtube by the blur; the profile has none",
                      pl_signif(s->step_um, 3).s);
        row(out, "one step", &words);
    }
    if (!isfinite(s->backlash_um))
        return;
    pl_string_add(&words, "%s um of drawtube",
                  pl_measured(s->backlash_um, s->backlash_sigma_um, 0).s);
    if (isfinite(s->facts.backlash_um.v))
        pl_string_add(&words, "; the profile says %s", pl_signif(s->facts.backlash_um.v, 4).s);
    row(out, "backlash", &words);
}

static void colour_row(pl_string *out, const pl_sweep *s)
{
    pl_string words = { 0 };
    if (isfinite(s->red_um))
        pl_string_add(&words, "red %s um, ", pl_measured(s->red_um, s->red_sigma_um, 1).s);
    if (isfinite(s->blue_um))
        pl_string_add(&words, "blue %s um, ", pl_measured(s->blue_um, s->blue_sigma_um, 1).s);
    if (!words.n)
        return;
    pl_string_add(&words, "against green's best focus%s", s->side_known ? ", + = further out" : "");
    row(out, "colours", &words);
}

/* Noise alone looks like so many sigma once in 500 series: two components, exp(-3.5^2 / 2). */
static const double STANDS_OUT = 3.5;

static void astigmatism_row(pl_string *out, const pl_sweep *s)
{
    pl_string words = { 0 };
    double um = s->astigmatism_um, sigma = s->astigmatism_sigma_um;
    bool found = um > STANDS_OUT * sigma;
    if (isnan(um))
        pl_string_add(&words, "cannot be told: five frames are needed, two of them on each side "
                              "of focus");
    else
        pl_string_add(&words, "%stwo focal lines %s um apart (%s nm RMS)",
                      found ? "" : "none found: ", pl_measured(um, sigma, 1).s,
                      pl_measured(s->astigmatism_nm, s->astigmatism_sigma_nm, 1).s);
    if (found && isfinite(s->astigmatism_deg))
        pl_string_add(&words, "; stars are stretched along %s deg outside focus, across it inside",
                      pl_measured(s->astigmatism_deg, s->astigmatism_sigma_deg, 0).s);
    if (found && isfinite(s->zone_um))
        pl_string_add(&words, "; half of it is %s times what focus allows",
                      pl_signif(um / 2 / s->zone_um, 2).s);
    row(out, "astigmatism", &words);
}

/* ---- the focal surface */

static void tilt_rows(pl_string *out, const pl_sweep *s, const pl_surface_told *t)
{
    pl_string words = { 0 };
    pl_string_add(&words, "%s um/mm = %s arcmin",
                  pl_measured(t->tilt_um_mm, t->tilt_sigma_um_mm, 1).s,
                  pl_measured(t->tilt_arcmin, t->tilt_sigma_arcmin, 1).s);
    if (!s->side_known)
        pl_string_add(&words, "; which way is not known (--first in or out tells)");
    else if (t->tilt_um_mm > 2 * t->tilt_sigma_um_mm)
        pl_string_add(&words, "; best focus moves out %s (%s deg)", pl_toward(t->tilt_deg),
                      pl_measured(t->tilt_deg, t->tilt_sigma_deg, 0).s);
    row(out, "tilt", &words);
    pl_string_add(&words, "%s um", pl_measured(t->across_um, t->across_sigma_um, 1).s);
    if (isfinite(s->zone_um))
        pl_string_add(&words, "; half of it is %s times what focus allows",
                      pl_signif(t->across_um / 2 / s->zone_um, 2).s);
    row(out, "corner to corner", &words);
}

static void bend_row(pl_string *out, const pl_sweep *s)
{
    pl_string words = { 0 };
    double bend = s->surface.curvature_um, sigma = sqrt(s->surface.cov[2][2]);
    if (!isfinite(bend))
        return;
    pl_string_add(&words, "%s um", pl_measured(bend, sigma, 1).s);
    if (fabs(bend) < 2 * sigma)
        pl_string_add(&words, ": flat as far as can be told");
    else if (s->side_known)
        pl_string_add(&words, ": best focus of the corners lies further %s",
                      bend > 0 ? "out" : "in");
    row(out, "curvature", &words);
}

static const char *against_zone(const pl_sweep *s, double um, double sigma)
{
    static const char *const word[] = { [PL_INSIDE] = "sharp when the centre is",
                                        [PL_OUTSIDE] = "soft when the centre is sharp",
                                        [PL_UNSURE] = "at the limit when the centre is sharp" };
    return isfinite(s->zone_um) ? word[pl_sweep_against(um, sigma, s->zone_um)] : "";
}

/* Halfway between the places where focus lies farthest out and in: what the verdict is about. */
static void common_row(pl_string *out, const pl_surface_told *t)
{
    double lo = 0, hi = 0;
    pl_string words = { 0 };
    for (int i = 0; i < PL_CORNERS; i++) {
        lo = fmin(lo, t->corner_um[i]);
        hi = fmax(hi, t->corner_um[i]);
    }
    double common = (lo + hi) / 2;
    pl_string_add(
        &words, "%s um further %s than the centre's: there no place is more than %s um off",
        pl_fixed(fabs(common), 1).s, common < 0 ? "in" : "out", pl_fixed((hi - lo) / 2, 1).s);
    row(out, "common focus", &words);
}

static void surface(pl_string *out, const pl_sweep *s)
{
    static const char *const name[PL_CORNERS] = { [PL_X1Y1] = "column 1, row 1",
                                                  [PL_X2Y1] = "last column, row 1",
                                                  [PL_X1Y2] = "column 1, last row",
                                                  [PL_X2Y2] = "last column, last row" };
    if (!pl_sweep_has_surface(s))
        return;
    pl_surface_told t = pl_surface_tell(&s->surface);
    pl_string_add(out, "\n  where best focus lies over the sensor\n");
    tilt_rows(out, s, &t);
    bend_row(out, s);
    for (int i = 0; i < PL_CORNERS && s->side_known; i++)
        if (isfinite(t.corner_um[i]))
            pl_string_add(out, "    %-22s %16s um  %s\n", name[i],
                          pl_measured(t.corner_um[i], t.corner_sigma_um[i], 1).s,
                          against_zone(s, t.corner_um[i], t.corner_sigma_um[i]));
    if (s->side_known && isfinite(s->surface.curvature_um))
        common_row(out, &t);
}

/* ---- what next, what it rests on */

static void next(pl_string *out, const pl_sweep *s)
{
    pl_string_add(out, "\n  what to do next, in this order\n");
    for (int i = s->outside ? PL_SWEEP_STEPS - 1 : 0; i < PL_SWEEP_STEPS; i++) {
        pl_string words = { 0 };
        pl_sweep_next(s, i, &words);
        pl_string_wrap(out, "  - ", 4, PL_TEXT_WIDTH, words.s ? words.s : "");
        out->failed |= words.failed;
        free(pl_string_take(&words));
    }
}

static void rests_on(pl_string *out, const pl_sweep *s)
{
    static const char *const names[] = { "aperture_mm", "focal_mm",    "mirror_focal_mm",
                                         "obstruction", "pixel_um",    "step_um",
                                         "outward",     "um_per_turn", "fwhm_growth" };
    const pl_num num[] = { s->facts.aperture_mm, s->facts.focal_mm,    s->facts.mirror_focal_mm,
                           s->facts.obstruction, s->facts.pixel_um,    s->facts.step_um,
                           s->facts.outward,     s->facts.um_per_turn, s->facts.fwhm_growth };
    pl_string told = { 0 };
    pl_text_facts(&told, names, num, PL_ARRAY_LEN(num));
    pl_text_word(&told, "carries", &s->facts.carries);
    if (told.n || s->notes.n)
        pl_string_add(out, "\n  rests on:\n");
    if (told.s)
        pl_string_wrap(out, "  - ", 4, PL_TEXT_WIDTH, told.s);
    out->failed |= told.failed;
    free(pl_string_take(&told));
    pl_text_notes(out, &s->notes);
}

char *pl_sweep_text(const pl_sweep *s, const char *const *file)
{
    pl_string out = { 0 };
    head(&out, s, file);
    frames(&out, s, file);
    pl_string_add(&out, "\n");
    best_row(&out, s);
    last_row(&out, s);
    expected_row(&out, s);
    blur_row(&out, s);
    focuser_rows(&out, s);
    colour_row(&out, s);
    astigmatism_row(&out, s);
    surface(&out, s);
    next(&out, s);
    rests_on(&out, s);
    return pl_string_take(&out);
}
