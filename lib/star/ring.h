/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ring.h - what the files of the ring finder share: ringfind.c (where wide objects are), ringsky.c
 * (above what), ringcut.c (one object's pixels above its own sky), ringedge.c (where a round edge
 * lies), ring.c (the ring). Private to the star room. */
#ifndef PL_RING_H
#define PL_RING_H

#include "star.h"

#include <math.h>

/* ---- ringsky.c */

/* pl_ring_level - turn binned pixels into what stands above a smooth sky, in units of their noise.
 *   v  inout  [h][w] ADU, NaN where blank; then sigma, -1 where blank or when there is no noise
 * Gives: PL_ENODATA when all is blank. */
pl_status pl_ring_level(float *v, int w, int h, pl_err *err);

/* ---- ringfind.c */

enum { PL_RING_BIN = 4 }; /* px a side: a colour mosaic turns grey */

/* One wide object as the binned map shows it. */
typedef struct {
    double x_px, y_px, r_px;
    bool round; /* as wide in all directions, and light all around */
    bool edge;  /* touches the frame's edge */
    int holes;  /* dark places inside */
} pl_ring_seed;

typedef struct {
    int w, h;    /* bins */
    int32_t *of; /* [h][w] 0: sky, -1: light of no listed object or beside any, k + 1: seed k */
    pl_ring_seed *seed;
    size_t n;
} pl_ring_map;

/* pl_ring_map_find - objects wide enough to be a donut, by thresholds that follow each one's own
 * level. Gives: PL_ENODATA when all is blank. */
pl_status pl_ring_map_find(const pl_frame *frame, int jobs, pl_ring_map *out, pl_err *err);
void pl_ring_map_clear(pl_ring_map *map);

/* ---- ringcut.c */

/* pl_ring_direction - the direction of (dx, dy), to the nearest of `parts` equal ones, 0 along +x.
 * Arc tangent by Abramowitz & Stegun 1964, 4.4.49 (1e-5 rad): a ring has many pixels. */
int pl_ring_direction(double dx, double dy, int parts);

static inline double pl_ring_distance(double dx, double dy)
{
    return sqrt(dx * dx + dy * dy); /* hypot's care for overflow costs as much as all the rest */
}

/* The pixels around one object. */
typedef struct {
    int x0, y0, w, h;  /* their place in the frame */
    float *v;          /* [h][w] ADU above the sky, NaN: other colour, blank, or a neighbour's */
    double share;      /* fraction of pixels that belong to the colour measured */
    double sky, noise; /* sky under the centre; sigma of a pixel of it */
    double photon;     /* variance of a pixel = noise^2 + photon * its light */
    double clipped, absent; /* fractions of the disc's pixels */
} pl_ring_cut;

typedef struct {
    const pl_frame *frame;
    const char *mosaic;
    double saturation;
    const pl_ring_map *map;
} pl_ring_site;

/* pl_ring_cut_new - read them, and take off a plane fitted to an annulus outside the rim.
 *   seed  in  which object
 * Gives: PL_ENODATA when no sky is to be seen around it. */
pl_status pl_ring_cut_new(const pl_ring_site *site, size_t seed, pl_ring_cut *out, pl_err *err);
void pl_ring_cut_clear(pl_ring_cut *cut);

/* pl_ring_cut_noise - learn `photon` from how pixels of the ring itself differ from neighbours
 * (from each other in a ring too narrow for that).
 *   inner, outer  in  radii between which the ring is level */
pl_status pl_ring_cut_noise(pl_ring_cut *cut, double x, double y, double inner, double outer,
                            pl_err *err);

/* ---- ringedge.c */

enum { PL_EDGE_SHAPE = 7 }; /* 1, cos, sin, cos 2, sin 2, cos 3, sin 3 of the direction */

/* A round edge: light inside and none outside (a rim), or the other way round (a hole). */
typedef struct {
    bool hole;
    double x, y;             /* centre, frame px */
    double lo, hi;           /* radii looked at */
    double flat_lo, flat_hi; /* radii between which the ring is level */
    double blur;             /* sigma of the edge */
    double radius;           /* equal-area: what a sharp edge would have */
    double at;               /* radius of the model that follows the edge; shifts count from it */
    double shape[PL_EDGE_SHAPE];  /* its departure from the circle; [0..2] end at 0 */
    double sigma;                 /* of x and of y */
    double level[PL_RING_ANGLES]; /* ADU of the ring at each angle; NaN: none */
    double shift[PL_RING_ANGLES]; /* edge minus circle at each angle, px; NaN: not seen */
    double shift_sigma[PL_RING_ANGLES];
    double scatter;              /* robust scatter of the shifts about the shape, px */
    double soft[PL_RING_ANGLES]; /* a linear step of the blur at each angle, over the blur */
    double soft_sigma[PL_RING_ANGLES];
} pl_edge;

/* pl_edge_fit - centre, radius and shape by Gauss-Newton; each angle has its own level.
 *   edge   inout  hole, x, y, lo, hi, flat_*, blur and at are the start (and shape, 0 at first)
 * Gives: false when too few angles show an edge. */
bool pl_edge_fit(const pl_ring_cut *cut, pl_edge *edge);

#endif
