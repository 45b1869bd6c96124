/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trail.c - bumps strung along a line: a satellite's or an aircraft's trail breaks up into dozens
 * of them, stars do not line up. */
#include "star.h"

#include <math.h>

enum { DIRECTIONS = 60, FEWEST = 5 };

static const double HALF_WIDTH = 2.5; /* px */

/* On a line through a bump chance puts a twentieth of its neighbours (a strip 5 px wide of a disc
 * of 64 px); five, and three plus a third of them, is no chance. Directions of the neighbours are
 * counted; on a line through this bump they fall in one bin (or two next to each other), whose
 * width follows the distance. */
bool pl_trail_holds(const pl_bump *bump, size_t me, const pl_nearby *nearby)
{
    int count[DIRECTIONS] = { 0 }, near = 0, most = 0;
    double sine[DIRECTIONS], cosine[DIRECTIONS];
    const pl_bump *b = &bump[me];
    int64_t k;
    for (int i = 0; i < DIRECTIONS; i++) {
        sine[i] = sin(M_PI * i / DIRECTIONS);
        cosine[i] = cos(M_PI * i / DIRECTIONS);
    }
    for (pl_nearby_walk w = pl_nearby_start(nearby, b->x_px, b->y_px);
         (k = pl_nearby_next(&w)) >= 0;) {
        double dx = bump[k].x_px - b->x_px, dy = bump[k].y_px - b->y_px;
        if ((size_t)k == me || dx * dx + dy * dy > PL_NEARBY_SIDE * PL_NEARBY_SIDE)
            continue;
        near++;
        for (int i = 0; i < DIRECTIONS; i++)
            count[i] += fabs(dx * sine[i] - dy * cosine[i]) < HALF_WIDTH;
    }
    for (int i = 0; i < DIRECTIONS; i++)
        most = count[i] > most ? count[i] : most;
    return most >= FEWEST && most > 3 + 0.3 * near;
}
