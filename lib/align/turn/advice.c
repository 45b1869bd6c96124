/* SPDX-License-Identifier: GPL-3.0-or-later */
/* advice.c - what to turn, in words. */
#include "turn.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

void pl_turn_spell(double turn, char out[16])
{
    static const int parts[] = { 1, 2, 4, 8, 16, 32 };
    double size = fabs(turn), rest = size - floor(size);
    for (size_t i = 0; i < PL_ARRAY_LEN(parts); i++) {
        double n = rest * parts[i];
        if (fabs(n - floor(n + 0.5)) > 1e-6)
            continue;
        if (i == 0)
            snprintf(out, 16, "%.0f", size);
        else if (size >= 1)
            snprintf(out, 16, "%.0f %.0f/%d", floor(size), n, parts[i]);
        else
            snprintf(out, 16, "%.0f/%d", n, parts[i]);
        return;
    }
    snprintf(out, 16, "%.2f", size);
    for (char *s = out; *s; s++)
        *s = *s == ',' ? '.' : *s;
}

const char *pl_turn_way(double turn)
{
    return turn > 0 ? "clockwise" : turn < 0 ? "counter-clockwise" : "";
}

/* "A 3/8 clockwise, B 1/4 counter-clockwise" */
static void list(const pl_turns *t, char *out, size_t size)
{
    size_t n = 0;
    out[0] = '\0';
    for (size_t k = 0; k < t->screws && n < size; k++) {
        char part[16];
        if (t->screw[k].turn == 0)
            continue;
        pl_turn_spell(t->screw[k].turn, part);
        n += (size_t)snprintf(out + n, size - n, "%s%c %s %s", n ? ", " : "", (char)('A' + k), part,
                              pl_turn_way(t->screw[k].turn));
    }
}

static void outside(pl_turns *t)
{
    pl_verdict *v = &t->verdict;
    char turns[200];
    list(t, turns, sizeof turns);
    if (!t->turn)
        snprintf(v->action, sizeof v->action,
                 "No turn is expected to better it: even 1/32 would do as much harm as good.");
    else if (t->trial)
        snprintf(v->action, sizeof v->action,
                 "What the screws do is not yet known. As a trial turn %s%s; then measure again.",
                 turns, t->either_way ? " (all the other way serves as well)" : "");
    else
        snprintf(v->action, sizeof v->action, "Turn %s%s; then measure again.", turns,
                 t->part ? ", a part of the way" : "");
}

static void at_limit(pl_turns *t)
{
    char turns[200];
    list(t, turns, sizeof turns);
    snprintf(t->verdict.action, sizeof t->verdict.action,
             "It stands at the limit: good enough%s%s.", t->turn ? ", or turn " : "", turns);
}

static void text_of(pl_turns *t)
{
    pl_verdict *v = &t->verdict;
    bool coma = t->now.kind == PL_TURN_COMA, told = isfinite(t->now.allowed);
    const char *unit = coma ? "mm" : "um/mm";
    const char *state = v->state == PL_OUTSIDE  ? coma ? "collimation off by" : "sensor tilted by"
                        : v->state == PL_INSIDE ? coma ? "collimated: off by" : "square: tilted by"
                        : coma                  ? "cannot tell: off by"
                                                : "cannot tell: tilted by";
    int n =
        snprintf(v->text, sizeof v->text, "%s %.2f +- %.2f %s", state, t->length, t->sigma, unit);
    char *rest = v->text + n;
    size_t room = sizeof v->text - (size_t)n;
    double part = t->length / t->now.allowed;
    if (!told)
        return;
    if (v->state == PL_UNSURE)
        snprintf(rest, room, ", and %.2f %s pass", t->now.allowed, unit);
    else if (v->state == PL_OUTSIDE)
        snprintf(rest, room, ": %.1f times what passes", part);
    else
        snprintf(rest, room, ", %.0f %% of what passes", 100 * part);
}

void pl_turn_advise(pl_turns *t)
{
    pl_verdict *v = &t->verdict;
    bool coma = t->now.kind == PL_TURN_COMA;
    text_of(t);
    v->cause = v->state != PL_OUTSIDE ? PL_CAUSE_NONE : coma ? PL_CAUSE_COLLIMATION : PL_CAUSE_TILT;
    if (v->state == PL_OUTSIDE)
        outside(t);
    else if (v->state == PL_INSIDE)
        snprintf(v->action, sizeof v->action, "Leave it: nothing to turn.");
    else if (pl_turn_at_limit(t))
        at_limit(t);
    else
        snprintf(v->action, sizeof v->action, "Turn nothing yet: measure again, %s.",
                 coma ? "with longer exposures or more frames" : "with more frames or stars");
}
