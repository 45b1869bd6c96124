/* SPDX-License-Identifier: GPL-3.0-or-later */
/* map.c - from the frame to the picture. */
#include "map.h"

#include <math.h>

double pl_map_x(const pl_map *m, double x_px)
{
    return m->box.x + m->box.w * (x_px + 0.5) / m->field->width_px;
}

double pl_map_y(const pl_map *m, double y_px)
{
    double up = (y_px + 0.5) / m->field->height_px;
    return m->box.y + m->box.h * (m->top_down ? up : 1 - up);
}

void pl_map_turn(const pl_map *m, double deg, double *dx, double *dy)
{
    *dx = cos(deg * M_PI / 180);
    *dy = (m->top_down ? 1 : -1) * sin(deg * M_PI / 180);
}

pl_tone pl_map_star_tone(const pl_map *m)
{
    return m->c->red ? PL_TONE_FAINT : PL_TONE_ACCENT;
}
