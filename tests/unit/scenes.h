/* SPDX-License-Identifier: GPL-3.0-or-later */
/* scenes.h - little scenes for the tests. Needs frames_begin and frames_end around the test. */
#ifndef TEST_SCENES_H
#define TEST_SCENES_H

#include "../../lib/optics/scene.h"

/* scenes_read - a scene of that text; fails the test when it is refused. */
pl_scene *scenes_read(const char *text);

/* scenes_small - the same behind a telescope of 280 mm f/3, no obstruction, 4.2 um pixels, 96 x 80
 * mono, gain 1, no noise, no sky, bias 100, stars from no list unless `text` says so. */
pl_scene *scenes_small(const char *text);

/* scenes_shoot - frame 0 rendered by so many threads; fails the test when it is refused. Ends the
 * scene. */
pl_sim scenes_shoot(pl_scene *scene, int jobs);

/* scenes_stars - writes the list that `list = stars` names. */
void scenes_stars(const char *lines);

enum { SCENES_W = 96, SCENES_H = 80, SCENES_N = SCENES_W * SCENES_H };

/* scenes_light - expected electrons [SCENES_N] of frame 0 of a small scene: before noise and
 * rounding. Ends the scene. */
void scenes_light(pl_scene *scene, float *electrons);

/* Sum, centroid and variances. */
typedef struct {
    double sum, x, y, xx, yy;
} scenes_moments;

/* scenes_measure - of the pixels of an image [SCENES_N] within `half` of (x, y) along each axis. */
scenes_moments scenes_measure(const float *electrons, int x, int y, int half);

#endif
