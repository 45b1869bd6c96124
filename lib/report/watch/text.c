/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.c - one arrived exposure in one line, and the one thing to know in a few words. */
#include "../report.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { NAME = 19, NAME_BYTES = 4 * NAME }; /* letters of UTF-8 */

/* How far to move, in what the hand counts. */
static pl_watch_word move_word(const pl_travel *t)
{
    pl_watch_word w = { "focus", 0 };
    bool steps = isfinite(t->steps);
    if (!isfinite(t->sensor_um))
        return w;
    w.way = t->sensor_um > 0 ? 1 : -1;
    snprintf(w.s, sizeof w.s, "%s %.0f %s", w.way > 0 ? "out" : "in",
             fabs(steps ? t->steps : t->drawtube_um), steps ? "steps" : "um");
    return w;
}

pl_watch_word pl_watch_short(const pl_followed *f)
{
    static const char *const fade[] = { "", "cloud", "fading: cloud?", "dew?" };
    const pl_verdict *v = &f->verdict;
    pl_watch_word w = { "ok", 0 };
    if (v->state == PL_OUTSIDE && v->cause == PL_CAUSE_FOCUS)
        return move_word(&f->check.move);
    bool sky = v->cause == PL_CAUSE_CLOUD || v->cause == PL_CAUSE_DEW;
    if (f->fade != PL_FADE_NONE && sky)
        snprintf(w.s, sizeof w.s, "%s", fade[f->fade]);
    else if (v->cause != PL_CAUSE_NONE)
        snprintf(w.s, sizeof w.s, "%s", pl_cause_word(v->cause));
    else if (v->state != PL_INSIDE)
        snprintf(w.s, sizeof w.s, "%s", v->state == PL_UNSURE ? "cannot tell" : "act");
    return w;
}

/* The end of the name, where the numbers are; of bytes that cannot be shown, question marks. */
static void short_name(const char *file, char out[NAME_BYTES])
{
    char *clean = pl_clean(pl_file_name(file), PL_CLEAN_PLAIN, NULL);
    size_t letters = 0, skip;
    const char *s = clean ? clean : "?";
    for (const char *c = s; *c; pl_utf8_next(&c))
        letters++;
    skip = letters > NAME ? letters - NAME + 2 : 0;
    while (skip--)
        pl_utf8_next(&s);
    snprintf(out, NAME_BYTES, "%s%s", letters > NAME ? ".." : "", s);
    for (size_t n = letters > NAME ? NAME : letters, at = strlen(out); n < NAME; n++, at++) {
        out[at] = ' ';
        out[at + 1] = '\0';
    }
    free(clean);
}

const char *pl_watch_head(void)
{
    return "time     file                  FWHM    air   defocus  ecc light what to know\n"
           "                             arcsec arcsec        um\n";
}

char *pl_watch_text(const pl_followed *f, const char *file, const char *clock)
{
    char name[NAME_BYTES], away[24] = "-", light[16] = "-";
    const pl_past *p = &f->past;
    pl_string out = { 0 };
    short_name(file, name);
    if (isfinite(p->defocus_um))
        snprintf(away, sizeof away, "%+.0f+-%.0f", p->defocus_um, fmax(1, p->defocus_sigma_um));
    else if (p->within_um > 0)
        snprintf(away, sizeof away, "<%.0f", ceil(p->within_um));
    if (isfinite(p->transparency))
        snprintf(light, sizeof light, "%.0f%%", 100 * p->transparency);
    bool sky = isfinite(p->fwhm_arcsec);
    pl_string_add(&out, "%8.8s %s %*.6s%s %6.6s %9.9s %4.4s %5.5s %s\n", clock, name, sky ? 6 : 4,
                  pl_fixed(sky ? p->fwhm_arcsec : p->fwhm_px, 2).s, sky ? "" : "px",
                  pl_fixed(p->seeing_arcsec, 2).s, away, pl_fixed(f->check.eccentricity, 2).s,
                  light, pl_watch_short(f).s);
    return pl_string_take(&out);
}

char *pl_watch_donut_text(const pl_donut *d, const char *file, const char *clock)
{
    char name[NAME_BYTES];
    pl_string out = { 0 };
    short_name(file, name);
    pl_string_add(&out, "%8.8s %s %s\n", clock, name, d->verdict.text);
    if (d->verdict.action[0])
        pl_string_wrap(&out, "         ", 9, 71, d->verdict.action);
    return pl_string_take(&out);
}
