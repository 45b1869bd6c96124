/* SPDX-License-Identifier: GPL-3.0-or-later */
/* news.c - when a verdict is worth a person's attention. */
#include "align.h"

bool pl_verdict_news(pl_standing *before, const pl_verdict *now)
{
    bool changed = before->told ? now->state != before->state || now->cause != before->cause
                                : now->state == PL_OUTSIDE;
    *before = (pl_standing){ true, now->state, now->cause };
    return changed;
}
