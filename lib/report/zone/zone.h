/* SPDX-License-Identifier: GPL-3.0-or-later */
/* zone.h - what the words, JSON and picture of plumb-zone share. Private to `report`. */
#ifndef PL_ZONE_H
#define PL_ZONE_H

#include "../format.h"

/* pl_zone_figure - a length or angle with about three digits: 0.123, 1.23, 12.3, 123. */
pl_digits pl_zone_figure(double v);

/* pl_zone_says - the one sentence to act on: how far focus may be off, in what one turns. */
void pl_zone_says(const pl_zone *zone, pl_string *out);

/* pl_zone_scope - "280 mm f/3.11, 33 % obstructed, ..." */
void pl_zone_scope(const pl_zone *zone, pl_string *out);

#endif
