/* SPDX-License-Identifier: GPL-3.0-or-later */
/* dice.c - random numbers that depend on a seed and a place, not on who asks first.
 *
 * SplitMix64 (Steele, Lea & Flood 2014; constants from memory, checked against the published first
 * outputs in the tests) as a generator of GSL's, so that GSL's distributions run on it. Its state
 * is one word: a row of pixels or a star gets a generator of its own for nothing. */
#include "base.h"

static uint64_t mix(uint64_t z)
{
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

static uint64_t next(void *state)
{
    uint64_t *s = state;
    return mix(*s += 0x9e3779b97f4a7c15u);
}

static void set(void *state, unsigned long seed)
{
    *(uint64_t *)state = seed;
}

static unsigned long get(void *state)
{
    return (unsigned long)(next(state) >> 32);
}

static double get_double(void *state)
{
    return (double)(next(state) >> 11) * 0x1p-53;
}

static const gsl_rng_type splitmix = { "splitmix64", 0xffffffffu, 0,         sizeof(uint64_t),
                                       set,          get,         get_double };

gsl_rng *pl_dice_throw(pl_dice *dice, uint64_t seed, uint64_t purpose, uint64_t place)
{
    dice->state = mix(mix(mix(seed + 1) ^ purpose) ^ place);
    dice->rng = (gsl_rng){ &splitmix, &dice->state };
    return &dice->rng;
}
