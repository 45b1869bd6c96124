/* SPDX-License-Identifier: GPL-3.0-or-later */
/* scene.h - a scene, and how it becomes electrons and then a frame. Private to libplumb. */
#ifndef PL_SCENE_H
#define PL_SCENE_H

#include "optics.h"

/* One star of a list. */
typedef struct {
    double x_px, y_px; /* first pixel's centre is (0, 0) */
    double mag, colour_mag;
} pl_scene_star;

/* What a scene file says, the defaults where it is silent; units and ranges stand in the table of
 * scene.c. A yes is 1, a word its number in the table. */
struct pl_scene {
    pl_facts facts; /* telescope, camera, focuser, exposure: command line over scene over profile */
    pl_scene_star *listed;
    size_t listed_n;
    bool has_list;
    char *list_path; /* malloc'd; NULL without a list */
    /* [field] */
    double seed, stars, layout, mag_bright, mag_faint, mag_slope, efficiency;
    double colour_mag, colour_spread_mag;
    /* [air] */
    double seeing_arcsec, wavelength_um, band_um, red_um, blue_um, zenith_deg;
    double turbulence, wind_m_s, wind_deg, shared;
    /* [focus] */
    double defocus_um, tilt_x_um_mm, tilt_y_um_mm, curvature_um;
    /* [mirrors] */
    double axis_x_mm, axis_y_mm, corrected, pinch_nm, pinch_deg, shadow_x_mm, shadow_y_mm;
    double zernike_nm[PL_NOLL_MAX + 1];
    /* [tracking] */
    double jitter_arcsec, jitter_across_arcsec, jitter_deg, drift_arcsec, drift_deg;
    double rotation_arcmin;
    /* [sky] */
    double level_adu, gradient, gradient_deg, sky_red, sky_blue, transparency, clouds;
    double dew, dew_arcsec;
    /* [camera], what the profile does not say */
    double bias_adu, noise, hot_pixels, hot_adu, cosmic_rays, satellites, satellite_adu;
    /* [series] */
    double frames, cadence_s, from_steps, to_steps, best_steps, cooling_c_h, thermal_um_c;
    double altitude_to_deg, flexure_um_deg, seeing_to_arcsec, refocus_every, dither_px;
};

enum { PL_LAYOUT_RANDOM = 0, PL_LAYOUT_GRID };
enum { PL_TURBULENCE_AVERAGED = 0, PL_TURBULENCE_MOVING };

/* One key of the scene file. */
typedef struct {
    const char *section, *key, *unit;
    double lo, hi, preset; /* NaN: none; what that means stands in the help */
    const char *words;     /* space separated: the value is the number of the word; or NULL */
    bool whole;            /* a whole number */
    size_t offset;         /* in pl_scene */
    const char *help;
} pl_scene_key;

/* pl_scene_table - every key of a scene but those of the facts and [field] list. */
const pl_scene_key *pl_scene_table(size_t *n);

/* What dice are thrown for; numbers for pl_dice_throw. */
enum {
    PL_DICE_FIELD = 1,
    PL_DICE_NOISE,
    PL_DICE_HOT,
    PL_DICE_COSMIC,
    PL_DICE_SATELLITE,
    PL_DICE_CLOUD,
    PL_DICE_DITHER,
    PL_DICE_AIR
};

/* ---- starlist.c */

/* pl_starlist_read - lines of "x_px y_px mag [colour_mag]", # remarks; positions count from 1. */
pl_status pl_starlist_read(const char *path, pl_scene_star **star, size_t *n, pl_err *err);

/* pl_starlist_make - the stars of a scene: its list, or drawn from its seed.
 *   dx, dy  in   shift of the frame, px
 *   star    out  malloc'd [n] */
pl_status pl_starlist_make(const pl_scene *scene, int width, int height, double dx, double dy,
                           pl_scene_star **star, size_t *n, pl_err *err);

/* ---- series.c */

/* pl_scene_moment - the scene as it is for one frame of its series: focus, temperature, altitude,
 * date, air. Borrows the list of stars: not to be freed.
 *   dx_px, dy_px  out  shift of the pointing */
pl_status pl_scene_moment(const pl_scene *scene, size_t frame, pl_scene *moment, double *dx_px,
                          double *dy_px, pl_notes *notes, pl_err *err);

/* ---- colour.c: what the filters of a mosaic see */

enum { PL_RED = 0, PL_GREEN, PL_BLUE, PL_COLOURS };

/* pl_colour_of - the filter over a pixel: PL_GREEN everywhere without a mosaic. */
int pl_colour_of(const char *mosaic, int x, int y);

/* pl_refraction - refractive index of standard air (15 C, 1013 hPa, dry) less one.
 * Source: Edlen 1953, J. Opt. Soc. Am. 43, 339 (coefficients from memory). */
double pl_refraction(double lambda_um);

/* ---- shot.c */

/* One exposure of a scene: everything its stars share. */
typedef struct {
    const pl_scene *scene; /* at this moment; borrowed */
    size_t frame;
    int width, height;
    char mosaic[8];
    double aperture_mm, focal_mm, f_ratio, pixel_um, exposure_s;
    double um_arcsec; /* at the sensor */
    double gain_e_adu, read_noise_e, saturation_adu;
    double zero_e;  /* electrons of a star of magnitude 0, all its light on green pixels */
    double sky_e;   /* at the centre, green */
    double noise_e; /* of one pixel there */
    pl_misalign misalign;
    pl_aperture aperture;
    int first, last; /* colours that occur */
    double lambda_um[PL_COLOURS];
    double shift_x_px[PL_COLOURS], shift_y_px[PL_COLOURS]; /* against green, by refraction */
    pl_blur blur[PL_COLOURS];                              /* that of a long exposure */
} pl_shot;

/* pl_shot_set_up - from a scene at its moment.
 * Gives: PL_ENODATA without an indispensable fact, PL_EARG for a frame too large. */
pl_status pl_shot_set_up(const pl_scene *moment, size_t frame, pl_shot *shot, pl_notes *notes,
                         pl_err *err);

/* pl_shot_grid - what a star image in one colour is computed on. */
pl_psf_grid pl_shot_grid(const pl_shot *shot, int colour, int size);

/* pl_shot_sky - the light of the sky and of satellites, added to nothing.
 *   electrons  out  [height][width] */
void pl_shot_sky(const pl_shot *shot, int jobs, float *electrons);

/* pl_shot_transparency - part of a star's light that comes through clouds at a place. */
double pl_shot_transparency(const pl_shot *shot, double x_px, double y_px);

/* ---- render.c */

/* pl_render_stars - add the stars' light.
 *   dx_px, dy_px  in     shift of the pointing
 *   electrons     inout  [height][width]
 *   star, stars   out    malloc'd: what was put where */
pl_status pl_render_stars(const pl_shot *shot, double dx_px, double dy_px, int jobs,
                          float *electrons, pl_sim_star **star, size_t *stars, pl_err *err);

/* ---- detector.c */

typedef struct {
    double gain_e_adu, read_noise_e, bias_adu, saturation_adu;
    bool noise;    /* else: expected values, rounded */
    uint64_t seed; /* of this frame */
} pl_detector;

/* pl_detector_read_out - electrons to ADU: Poisson of the electrons, Gaussian read noise, gain,
 * bias, rounding, clipping to [0, saturation].
 *   electrons  in   [height][width] expected
 *   adu        out  [height][width]
 * A row's noise depends on the seed and its number alone. */
void pl_detector_read_out(const pl_detector *detector, const float *electrons, int width,
                          int height, int jobs, uint16_t *adu);

/* pl_detector_faults - hot pixels (the same in each frame of a camera), cosmic rays: charge added.
 *   frame  in  of the series */
void pl_detector_faults(const pl_scene *scene, size_t frame, double gain_e_adu, int width,
                        int height, float *electrons);

#endif
