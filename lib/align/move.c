/* SPDX-License-Identifier: GPL-3.0-or-later */
/* move.c - a way of the drawtube as the hand or the motor makes it. Whole numbers only, which every
 * locale spells alike. */
#include "align.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *way(double travel)
{
    return travel < 0 ? "in" : "out";
}

/* Past it by twice the backlash and back (common practice, no source), where the last move must go
 * the other way. */
static void by_steps(const pl_travel *m, const pl_facts *f, char *out, size_t size)
{
    double steps = round(fabs(m->steps)), slack = f->backlash_um.v / f->step_um.v;
    double past = slack > 0 ? 2 * ceil(slack) : 0;
    const char *first = way(m->steps), *last = strcmp(f->approach.s, "in") == 0 ? "in" : "out";
    if (past > 0 && f->approach.s[0] && strcmp(last, first) != 0)
        snprintf(out, size, "%s %.0f steps, then %s %.0f", first, steps + past, last, past);
    else
        snprintf(out, size, "%.0f step%s", steps, steps == 1 ? "" : "s");
}

/* Eighths as far as they can be told apart, below them one part of so many. */
static void by_turns(double turns, char *out, size_t size)
{
    double t = fabs(turns), eighths = round(8 * t);
    int whole = (int)eighths / 8, part = (int)eighths % 8, of = 8;
    while (part && part % 2 == 0) {
        part /= 2;
        of /= 2;
    }
    if (t < 1 / 64.0)
        snprintf(out, size, "a hair of a turn");
    else if (t < 3 / 16.0)
        snprintf(out, size, "1/%.0f turn", round(1 / t));
    else if (part && whole)
        snprintf(out, size, "%d %d/%d turns", whole, part, of);
    else if (part)
        snprintf(out, size, "%d/%d turn", part, of);
    else
        snprintf(out, size, "%d turn%s", whole, whole == 1 ? "" : "s");
}

void pl_move_say(const pl_travel *m, const pl_facts *f, char *out, size_t size)
{
    char motor[64] = "", hand[64] = "";
    if (fabs(m->steps) < 1e6)
        by_steps(m, f, motor, sizeof motor);
    if (fabs(m->turns) < 1e4)
        by_turns(m->turns, hand, sizeof hand);
    bool both = motor[0] && hand[0];
    snprintf(out, size, "%s%s%s%s", motor, both ? ", or " : "", hand,
             hand[0] ? " of the knob" : "");
}
