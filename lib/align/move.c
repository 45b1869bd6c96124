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
void pl_move_steps(double travel, double slack, const char *approach, bool named, char *out,
                   size_t size)
{
    double steps = round(fabs(travel)), past = slack > 0 ? 2 * ceil(slack) : 0;
    const char *first = way(travel), *last = strcmp(approach, "in") == 0 ? "in" : "out";
    if (past > 0 && approach[0] && strcmp(last, first) != 0)
        snprintf(out, size, "%s %.0f steps, then %s %.0f to take up the play", first, steps + past,
                 last, past);
    else
        snprintf(out, size, "%.0f step%s%s%s", steps, steps == 1 ? "" : "s", named ? " " : "",
                 named ? first : "");
}

void pl_move_say(const pl_travel *m, const pl_facts *f, char *out, size_t size)
{
    static const double FELT = 0.5 / 360; /* turns; less is none */
    char motor[96] = "";
    pl_phrase hand = { "" };
    if (fabs(m->steps) < 1e6)
        pl_move_steps(m->steps, f->backlash_um.v / f->step_um.v, f->approach.s, false, motor,
                      sizeof motor);
    if (fabs(m->turns) < 1e4 && fabs(m->turns) >= FELT)
        hand = pl_turns_words(m->turns);
    bool both = motor[0] && hand.s[0];
    snprintf(out, size, "%s%s%s%s", motor, both ? ", or " : "", hand.s,
             hand.s[0] ? " of the knob" : "");
}
