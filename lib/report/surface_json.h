/* SPDX-License-Identifier: GPL-3.0-or-later */
/* surface_json.h - a focal surface in JSON. Private to `report`. */
#ifndef PL_SURFACE_JSON_H
#define PL_SURFACE_JSON_H

#include "json.h"

/* pl_json_surface - the object `surface` of plumb-json(5): what pl_surface_read reads, and what is
 * told of it.
 *   best_um, best_sigma_um  in  best focus of the frame's centre, um at the sensor from wherever
 *                               the program counts; NaN: unknown */
void pl_json_surface(pl_json t, const pl_surface *surface, double best_um, double best_sigma_um);

#endif
