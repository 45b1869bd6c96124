/* SPDX-License-Identifier: GPL-3.0-or-later */
/* turns.h - turns of a knob as a hand makes them. Private to `report`. */
#ifndef PL_TURNS_H
#define PL_TURNS_H

#include "format.h"

typedef struct {
    char s[80];
} pl_phrase;

/* pl_turns_words - the size of a turn in eighths: "an eighth of a turn", "half a turn", "2 3/8
 * turns", "a hair (1/16 of a turn)"; what is less, in degrees: "a hair (7 degrees)". "-" for NaN.
 */
pl_phrase pl_turns_words(double turns);

#endif
