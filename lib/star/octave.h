/* SPDX-License-Identifier: GPL-3.0-or-later */
/* octave.h - a map in noise units, smoothed, and halved again and again: row by row, each row
 * looked at while it and its neighbours are still in the cache. Private to the star room. */
#ifndef PL_OCTAVE_H
#define PL_OCTAVE_H

#include "star.h"

enum {
    PL_OCTAVES = 3,
    PL_AROUND = 4,                      /* smoothed rows on either side that a look may ask for */
    PL_SMOOTH_ROWS = 2 * PL_AROUND + 1, /* kept of the smoothed map */
    PL_MAP_ROWS = PL_AROUND + 4         /* of the map itself: one row on either side */
};

/* One octave; rows are numbered as in the whole frame. */
typedef struct {
    int w, h, scale;     /* of the whole map */
    int top, from, to;   /* first row that is fed; rows that are looked at */
    float *map, *smooth; /* [PL_MAP_ROWS][w], [PL_SMOOTH_ROWS][w], borrowed */
} pl_octave;

/* What looks at row y: smoothed rows y - PL_AROUND to y + PL_AROUND and map rows y - 1 to y + 1 are
 * there, as far as the map has them. */
typedef pl_status pl_octave_look(void *ctx, const pl_octave *o, int y);

/* pl_octaves_room - floats that octaves of a map w wide need. */
size_t pl_octaves_room(int w);

/* pl_octaves_start
 *   w, h   in  of the map; octaves smaller than 5 x 5 get no rows to look at
 *   first, end  in  rows to look at, multiples of 4, or `end` h
 *   room   in  [pl_octaves_room(w)]
 * Gives: the first row to feed; up to `last` are wanted. */
int pl_octaves_start(pl_octave octave[PL_OCTAVES], int w, int h, int first, int end, float *room,
                     int *last);

/* pl_octave_row - where map row y of an octave is, or is to be written. */
float *pl_octave_row(const pl_octave *o, int y);
const float *pl_octave_smooth(const pl_octave *o, int y);

/* pl_octaves_feed - row y of the finest map has been written: smooth, halve, look. */
pl_status pl_octaves_feed(const pl_octave octave[PL_OCTAVES], int y, pl_octave_look *look,
                          void *ctx);

#endif
