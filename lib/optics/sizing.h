/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sizing.h - images of a star over defocus and air, between the file that computes them and the
 * one that reads them. Private to optics. */
#ifndef PL_SIZING_H
#define PL_SIZING_H

#include "optics.h"

enum { PL_SIZING_RADII = 96 };

#define PL_SIZING_BRIGHT_STEP 1.05 /* of ln(1 + bright): up to 66, where it has settled */

struct pl_sizing {
    double pixel_um;
    double z_step, air_from, air_step; /* um, ln um */
    bool stretch;                      /* whether `bent` is there */
    double radius[PL_SIZING_RADII];    /* um */
    double light[PL_SIZING_Z][PL_SIZING_AIR][PL_SIZING_RADII];
    double bent[PL_SIZING_Z][PL_SIZING_AIR][PL_SIZING_RADII]; /* see one_defocus() of sizing.c */
};

/* pl_sizing_air - FWHM of the air of that number, um. */
double pl_sizing_air(const pl_sizing *sizing, int i);

#endif
