/* SPDX-License-Identifier: GPL-3.0-or-later */
/* isoline.h - lines along which something smooth has one value, with their numbers. Private to
 * `report`. */
#ifndef PL_ISOLINE_H
#define PL_ISOLINE_H

#include "canvas.h"

enum { PL_GRID_X = 64, PL_GRID_Y = 48, PL_GRID = (PL_GRID_X + 1) * (PL_GRID_Y + 1) };

/* pl_isolines - values over a frame that lies in a box of the picture. */
typedef struct {
    pl_canvas *c;
    pl_box box;
    bool top_down;   /* the first row is the top one */
    const double *v; /* [PL_GRID_Y + 1][PL_GRID_X + 1], row 0 at the frame's first row */
    double lo, hi;   /* where the ramp of colours begins and ends */
} pl_isolines;

/* pl_isoline_draw - the line of one level, `text` on it where there is room, and once more far off:
 * it may have two branches. */
void pl_isoline_draw(const pl_isolines *map, double level, const char *text);

#endif
