/* SPDX-License-Identifier: GPL-3.0-or-later */
/* map.h - the parts of a field's map. Private to `report`. */
#ifndef PL_MAP_H
#define PL_MAP_H

#include "../report.h"

/* pl_map - a frame laid into a box of the picture. */
typedef struct {
    pl_canvas *c;
    const pl_field *field;
    pl_box box;       /* of the whole frame, px of the picture */
    bool top_down;    /* the first row is the top one */
    double bar;       /* ellipticity that the scale bar of the segments stands for */
    double bar_px;    /* its length */
    const char *unit; /* of widths and contours: "arcsec" or "px" */
    double unit_px;   /* one px of the frame in that unit */
    bool has_contours;
    double contour_step, contour_lo, contour_hi; /* in that unit */
} pl_map;

/* ---- map.c: frame to picture; x, y as inside the library (first pixel 0) */

double pl_map_x(const pl_map *m, double x_px);
double pl_map_y(const pl_map *m, double y_px);

/* pl_map_turn - a direction in the frame (degrees from +x towards +y) as a unit step in the
 * picture. */
void pl_map_turn(const pl_map *m, double deg, double *dx, double *dy);

/* The colour of the stars' segments: in the red look they step back behind the contours. */
pl_tone pl_map_star_tone(const pl_map *m);

/* ---- underlay.c */

/* pl_underlay_draw - the frame under the map: binned, stretched and pale.
 * Blank where the frame has no pixels. Fails as pl_frame_thumb does. */
pl_status pl_underlay_draw(const pl_map *m, const pl_frame *frame, int jobs, pl_err *err);

/* ---- contour.c */

/* pl_relief - FWHM over the field, px: 1, u, v, u^2, u v, v^2 of the position from the frame's
 * centre in half diagonals. */
typedef struct {
    double coef[6];
    double cov[36];
} pl_relief;

/* pl_relief_fit - robust least squares over the used stars.
 * Gives: false with fewer than 24 stars, or when they do not determine it. */
bool pl_relief_fit(const pl_field *field, pl_relief *out);

double pl_relief_at(const pl_relief *s, const pl_field *field, double x_px, double y_px);

/* pl_relief_varies - whether it differs somewhere from its own mean by more than 4 sigma (so an
 * even field of pure noise draws contours about once in a thousand), and by more than 1 %. lo, hi
 * out  its range over the frame, px */
bool pl_relief_varies(const pl_relief *s, const pl_field *field, double *lo, double *hi);

/* pl_contours_draw - lines of equal FWHM with their numbers; sets the map's contour_*. */
void pl_contours_draw(pl_map *m);

/* ---- panel.c */

/* Numbers and patterns stand beside the map (below a wide one), the legend below it. Each draws
 * itself from (x, y) down, `w` px wide. Gives: its height. */
double pl_panel_numbers(const pl_map *m, double x, double y, double w);
double pl_panel_patterns(const pl_map *m, double x, double y, double w);
double pl_panel_rejects(const pl_map *m, double x, double y, double w);
double pl_panel_legend(const pl_map *m, double x, double y, double w);

#endif
