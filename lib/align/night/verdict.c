/* SPDX-License-Identifier: GPL-3.0-or-later */
/* verdict.c - a night in one sentence, and what to do next time. */
#include "night.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static bool focus_known(const pl_night *n)
{
    for (size_t i = 0; i < n->subs; i++)
        if (isfinite(n->sub[i].defocus_um) || isfinite(n->sub[i].size_um))
            return true;
    return false;
}

/* Most of what was lost besides focus. */
static pl_cause main_cause(const pl_night *n)
{
    size_t count[PL_CAUSE_MIRROR + 1] = { 0 }, most = 0;
    pl_cause cause = PL_CAUSE_NONE;
    for (size_t i = 0; i < n->subs; i++)
        if (n->sub[i].grade != PL_KEEP && ++count[n->sub[i].cause] > most) {
            most = count[n->sub[i].cause];
            cause = n->sub[i].cause;
        }
    return cause;
}

static bool any_defocus(const pl_night *n)
{
    for (size_t i = 0; i < n->subs; i++)
        if (isfinite(n->sub[i].defocus_um))
            return true;
    return false;
}

static void every(const pl_night *n, char *out, size_t size)
{
    if (isfinite(n->refocus_every_c) && isfinite(n->refocus_every_min))
        snprintf(
            out, size,
            "refocus every %.2g C, or every %.0f min while the air cools as fast as it did here",
            n->refocus_every_c, n->refocus_every_min);
    else if (isfinite(n->refocus_every_c))
        snprintf(out, size, "refocus every %.2g C", n->refocus_every_c);
    else if (isfinite(n->refocus_every_min))
        snprintf(out, size, "refocus every %.0f min", n->refocus_every_min);
    else if (isfinite(n->not_before_min))
        snprintf(out, size, "no drift is seen: %.0f min without refocusing are safe",
                 n->not_before_min);
    else
        snprintf(out, size, "%s",
                 any_defocus(n) ? "when to refocus these exposures do not tell"
                                : "a focal surface in the profile (plumb-sweep --save) would tell "
                                  "when to refocus");
}

static void focus_words(const pl_night *n, bool known, char *out, size_t size)
{
    double lost = n->exposed_s > 0 ? 100 * n->lost_s / n->exposed_s : NAN;
    if (!known)
        snprintf(out, size, "focus cannot be told");
    else if (n->outs)
        snprintf(out, size,
                 "focus left the zone in %zu of %zu exposures and cost %.1f %% of the "
                 "light's worth",
                 n->outs, n->subs, lost);
    else
        snprintf(out, size, "focus stayed in the zone");
}

void pl_night_judge(pl_night *n)
{
    pl_verdict *v = &n->verdict;
    char words[160], next[160];
    bool known = focus_known(n);
    focus_words(n, known, words, sizeof words);
    every(n, next, sizeof next);
    v->state = !known ? PL_UNSURE : n->outs ? PL_OUTSIDE : PL_INSIDE;
    v->cause = n->outs ? PL_CAUSE_FOCUS : main_cause(n);
    snprintf(v->text, sizeof v->text, "%zu kept, %zu doubtful, %zu dropped; %s", n->kept,
             n->doubtful, n->dropped, words);
    snprintf(v->action, sizeof v->action, "next time: %s", next);
}
