/* SPDX-License-Identifier: GPL-3.0-or-later */
/* checkverdict.c - shoot on, or refocus, or what else is wrong. */
#include "check.h"

#include <math.h>
#include <stdio.h>

void pl_check_judge(pl_check *c, const pl_field *f)
{
    pl_verdict *v = &c->verdict;
    const pl_sense *s = &c->sense;
    (void)f;
    v->state = PL_UNSURE;
    v->cause = PL_CAUSE_NONE;
    if (!s->sign_known) {
        snprintf(v->text, sizeof v->text, "cannot tell: %.200s", s->reason);
        return;
    }
    bool sharp = fabs(s->defocus_um) < s->zone_um;
    v->state = sharp ? PL_INSIDE : PL_OUTSIDE;
    v->cause = sharp ? PL_CAUSE_NONE : PL_CAUSE_FOCUS;
    snprintf(v->text, sizeof v->text, sharp ? "keep shooting: focus is fine" : "refocus");
}
