/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.c - a night as one page of text, and as lists of files. Lines of at most 78 columns,
 * file names apart. */
#include "night.h"
#include "../text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { PAGE = 60 };

typedef void words(const pl_night *n, pl_string *out);

static void row(pl_string *out, const char *label, const pl_night *n, words *of)
{
    pl_string text = { 0 };
    of(n, &text);
    pl_text_row(out, label, text.s ? text.s : "");
    out->failed |= text.failed;
    free(pl_string_take(&text));
}

static void head(const pl_night *n, pl_string *out)
{
    pl_string first = { 0 };
    char date[32] = "-----------";
    for (size_t i = 0; i < n->subs; i++)
        if (pl_date_utc(n->sub[i].time_s, date))
            break;
    pl_string_add(&first, "night of %.10s, %zu exposure%s: ", date, n->subs,
                  n->subs == 1 ? "" : "s");
    if (first.s)
        pl_string_wrap(out, first.s, 2, PL_TEXT_WIDTH, n->verdict.text);
    pl_string_wrap(out, "", 0, PL_TEXT_WIDTH, n->verdict.action);
    out->failed |= first.failed;
    free(pl_string_take(&first));
}

static void one_refocus(const pl_night *n, const pl_refocus *r, pl_string *out)
{
    const pl_sub *s = &n->sub[r->after];
    pl_string_add(out, "  %-5s", pl_night_clock(s->time_s).s);
    if (isfinite(r->to_steps))
        pl_string_add(out, "  %s to %s steps", pl_signif(r->from_steps, 8).s,
                      pl_signif(r->to_steps, 8).s);
    if (isfinite(r->from_um) && isfinite(r->to_um))
        pl_string_add(out, "  defocus %s to %s um", pl_fixed(r->from_um, 0).s,
                      pl_fixed(r->to_um, 0).s);
    if (isfinite(s->temperature_c))
        pl_string_add(out, "  at %s C", pl_fixed(s->temperature_c, 1).s);
    pl_string_add(out, "\n");
}

static void refocusings(const pl_night *n, pl_string *out)
{
    if (n->moving)
        pl_string_add(out,
                      "\n  the focuser moved %zu times, between most exposures: it follows the "
                      "temperature,\n  or a script refocuses all the time\n",
                      n->refocuses);
    else if (n->refocuses)
        pl_string_add(out, "\n  refocused %zu time%s, by %s\n", n->refocuses,
                      n->refocuses == 1 ? "" : "s",
                      n->by_position ? "the focuser's positions" : "jumps of defocus");
    else
        pl_string_add(out, "\n  no refocusing %s\n",
                      n->by_position ? "by the focuser's positions" : "seen as a jump of defocus");
    for (size_t r = 0; r < n->refocuses && !n->moving; r++)
        one_refocus(n, &n->refocus[r], out);
}

/* ---- the exposures */

static void sub_row(const pl_sub *s, pl_string *out)
{
    bool sign = isfinite(s->defocus_um);
    char *name = pl_clean(pl_file_name(s->file), PL_CLEAN_PLAIN, NULL);
    pl_string_add(
        out, "  %-5s %5s %4s %12s %6s %6s %5s %6s  %-8s %s\n", pl_night_clock(s->time_s).s,
        pl_fixed(s->temperature_c, 1).s, pl_fixed(s->altitude_deg, 0).s,
        sign ? pl_measured(s->defocus_um, s->defocus_sigma_um, 1).s : pl_fixed(s->size_um, 0).s,
        pl_fixed(s->seeing_arcsec, 2).s,
        isfinite(s->fwhm_arcsec) ? pl_fixed(s->fwhm_arcsec, 2).s : pl_fixed(s->fwhm_px, 2).s,
        pl_fixed(s->eccentricity, 2).s, pl_fixed(s->measured ? s->worth : NAN, 2).s,
        pl_grade_word(s->grade), name ? name : "?");
    if (s->reason[0]) {
        char *why = pl_clean(s->reason, PL_CLEAN_PLAIN, NULL);
        pl_string_wrap(out, "        ", 8, PL_TEXT_WIDTH, why ? why : "?");
        out->failed |= !why;
        free(why);
    }
    out->failed |= !name;
    free(name);
}

static void table(const pl_night *n, pl_string *out)
{
    bool all = n->subs <= PAGE;
    size_t hidden = 0;
    pl_string_add(out, "\n  %-5s %5s %4s %12s %6s %6s %5s %6s  %-8s %s\n", "UT", "C", "alt",
                  "defocus um", "air", "FWHM", "ecc", "worth", "grade", "file");
    for (size_t i = 0; i < n->subs; i++) {
        if (all || n->sub[i].grade != PL_KEEP || n->sub[i].reason[0])
            sub_row(&n->sub[i], out);
        else
            hidden++;
    }
    if (hidden)
        pl_string_add(out,
                      "  and %zu more to keep, with nothing to say of them (--json tells all)\n",
                      hidden);
    pl_string_add(out, "  air and FWHM in arcsec (px where the scale is unknown); worth: exposure "
                       "time\n  against the usual one of the same object, filter and exposure\n");
}

static void rests_on(const pl_night *n, pl_string *out)
{
    static const char *const name[] = { "fwhm_growth", "eccentricity", "step_um",
                                        "outward",     "focal_mm",     "mirror_focal_mm" };
    const pl_facts *f = &n->facts;
    const pl_num num[] = { f->fwhm_growth, f->eccentricity, f->step_um,
                           f->outward,     f->focal_mm,     f->mirror_focal_mm };
    pl_string told = { 0 };
    pl_text_facts(&told, name, num, PL_ARRAY_LEN(num));
    pl_text_word(&told, "carries", &f->carries);
    pl_string_add(out, "\n  rests on:\n");
    pl_text_note(out, told.s ? told.s : "");
    out->failed |= told.failed;
    free(pl_string_take(&told));
    pl_text_notes(out, &n->notes);
}

char *pl_night_text(const pl_night *n)
{
    pl_string out = { 0 };
    head(n, &out);
    pl_string_add(&out, "\n");
    row(&out, "left the zone", n, pl_night_left);
    row(&out, "refocus", n, pl_night_drift);
    row(&out, "temperature", n, pl_night_thermal);
    row(&out, "air", n, pl_night_air);
    row(&out, "stars", n, pl_night_shape);
    refocusings(n, &out);
    table(n, &out);
    rests_on(n, &out);
    return pl_string_take(&out);
}

char *pl_night_list(const pl_night *n, pl_grade grade)
{
    pl_string out = { 0 };
    pl_string_bytes(&out, "", 0);
    for (size_t i = 0; i < n->subs; i++)
        if (n->sub[i].grade == grade) {
            pl_string_bytes(&out, n->sub[i].file, strlen(n->sub[i].file));
            pl_string_bytes(&out, "\n", 1);
        }
    return pl_string_take(&out);
}
