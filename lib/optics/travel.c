/* SPDX-License-Identifier: GPL-3.0-or-later */
/* travel.c - one way along the axis: at the sensor, of the drawtube, in steps, in turns. */
#include "optics.h"

#include <string.h>

double pl_carried(const pl_facts *f)
{
    double m = f->focal_mm.v / f->mirror_focal_mm.v;
    return f->mirror_focal_mm.from == PL_FROM_NOWHERE || strcmp(f->carries.s, "camera") == 0
               ? 1
               : m * m;
}

void pl_carried_note(const pl_facts *f, pl_notes *notes)
{
    if (pl_carried(f) != 1 && f->carries.from == PL_FROM_NOWHERE)
        pl_note(notes, "carries corrector by default (--carries, [focuser] carries)");
}

pl_travel pl_travel_of(const pl_facts *f, double sensor_um)
{
    double drawtube = sensor_um / pl_carried(f);
    return (pl_travel){ sensor_um, drawtube, drawtube / f->step_um.v, drawtube / f->um_per_turn.v };
}
