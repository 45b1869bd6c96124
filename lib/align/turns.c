/* SPDX-License-Identifier: GPL-3.0-or-later */
/* turns.c - turns of a knob in words for a hand in the dark: eighths as far as they can be told
 * apart, quarters and whole turns beyond. Whole numbers only, which every locale spells alike. */
#include "align.h"

#include <math.h>
#include <stdio.h>

static const double HAIR = 1 / 16.0;

static const char *const part[8] = { "",     "an eighth",    "a quarter",      "three eighths",
                                     "half", "five eighths", "three quarters", "seven eighths" };
static const char *const figure[8] = { "", " 1/8", " 1/4", " 3/8", " 1/2", " 5/8", " 3/4", " 7/8" };

static pl_phrase below_a_turn(int eighths)
{
    pl_phrase out;
    snprintf(out.s, sizeof out.s, eighths == 4 ? "%s a turn" : "%s of a turn", part[eighths]);
    return out;
}

/* Less than an eighth. */
static pl_phrase a_hair(double turns)
{
    pl_phrase out;
    if (turns >= 0.75 * HAIR)
        snprintf(out.s, sizeof out.s, "a hair (1/16 of a turn)");
    else if (turns >= 0.5 / 360)
        snprintf(out.s, sizeof out.s, "a hair (%.0f degree%s)", 360 * turns,
                 360 * turns < 1.5 ? "" : "s");
    else
        snprintf(out.s, sizeof out.s, "no turn at all");
    return out;
}

pl_phrase pl_turns_words(double turns)
{
    pl_phrase out;
    double size = fabs(turns);
    if (!isfinite(size)) {
        snprintf(out.s, sizeof out.s, "-");
        return out;
    }
    if (size < 1.5 * HAIR)
        return a_hair(size);
    int each = size < 3 ? 1 : size < 10 ? 2 : 8; /* eighths that are told apart */
    double eighths = each * round(8 * size / each);
    if (eighths < 8)
        return below_a_turn((int)eighths);
    double whole = floor(eighths / 8);
    snprintf(out.s, sizeof out.s, whole < 1e9 ? "%.0f%s turn%s" : "%.0e%s turn%s", whole,
             figure[(int)(eighths - 8 * whole)], eighths == 8 ? "" : "s");
    return out;
}
