/* SPDX-License-Identifier: GPL-3.0-or-later */
/* centre.c - the middle of the sensor as a frame sees it. */
#include "align.h"

#include <math.h>

bool pl_sensor_centre(const pl_facts *k, int width_px, int height_px, double *x_px, double *y_px)
{
    double bx = isfinite(k->binning_x.v) ? k->binning_x.v : 1,
           by = isfinite(k->binning_y.v) ? k->binning_y.v : 1;
    double cx = 0.5 * (k->width_px.v / bx - 1) - k->origin_x_px.v;
    double cy = 0.5 * (k->height_px.v / by - 1) - k->origin_y_px.v;
    *x_px = 0.5 * (width_px - 1);
    *y_px = 0.5 * (height_px - 1);
    if (!isfinite(cx) || !isfinite(cy) || hypot(cx - *x_px, cy - *y_px) <= 1)
        return false;
    *x_px = cx;
    *y_px = cy;
    return true;
}
