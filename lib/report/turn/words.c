/* SPDX-License-Identifier: GPL-3.0-or-later */
/* words.c - the words that every report of turns uses for the same thing. */
#include "turn.h"
#include "../../align/turn/turn.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const char *pl_turn_unit(const pl_turns *t)
{
    return t->now.kind == PL_TURN_COMA ? "mm" : "um/mm";
}

const char *pl_turn_what(const pl_turns *t)
{
    return t->now.kind == PL_TURN_COMA ? "axis" : "tilt";
}

const char *pl_turn_behind(const pl_turns *t)
{
    return strcmp(t->section, "cell") == 0    ? "the mirror cell"
           : strcmp(t->section, "plate") == 0 ? "the camera"
                                              : "the screws";
}

pl_digits pl_turn_words(double turn)
{
    pl_digits out = { "-" };
    char size[16];
    if (turn == 0)
        return out;
    pl_turn_spell(turn, size);
    snprintf(out.s, sizeof out.s, "%s %s", size, pl_turn_way(turn));
    return out;
}

pl_digits pl_clock(double deg)
{
    pl_digits out = { "-" };
    if (!isfinite(deg))
        return out;
    int half = ((int)floor((90 - deg) / 15 + 0.5) % 24 + 24) % 24, hour = half / 2;
    snprintf(out.s, sizeof out.s, half % 2 ? "half past %d" : "%d o'clock", hour ? hour : 12);
    return out;
}
