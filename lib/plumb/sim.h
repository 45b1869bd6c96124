/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim.h - simulated frames (plumb-sim). Part of plumb.h. */
#ifndef PL_PUBLIC_SIM_H
#define PL_PUBLIC_SIM_H

/* pl_scene - what is to be photographed, through what, in which air. */
typedef struct pl_scene pl_scene;

/* pl_scene_read - read a scene (INI text, plumb-scene(5)).
 *   facts  in   from profile and command line, may be NULL; the scene's own [scope], [camera],
 *               [focuser] and [exposure] outrank the profile, the command line outranks both
 *   notes  out  a sentence for each unknown section or key, with the nearest known one
 * Gives: PL_EIO, PL_EFORMAT (with the key and what was wanted). Free with pl_scene_free. */
PL_API pl_status pl_scene_read(const char *path, const pl_facts *facts, pl_scene **out,
                               pl_notes *notes, pl_err *err);
PL_API void pl_scene_free(pl_scene *scene);

/* pl_scene_list - the file its stars were read from, NULL for none; borrowed. */
PL_API const char *pl_scene_list(const pl_scene *scene);

/* pl_scene_frames - 1, or as many as its series has. */
PL_API size_t pl_scene_frames(const pl_scene *scene);

enum { PL_SIM_NOLL = 22 }; /* the highest Zernike term */

/* One star as it was put into a frame. */
typedef struct {
    double x_px, y_px; /* the axis of its light (in green), at the middle of the exposure */
    double mag, colour_mag;
    double flux_adu;                    /* all its light, as if every pixel were green or mono */
    double peak_adu;                    /* expected in its brightest pixel, above the sky */
    bool saturated;                     /* expected to clip a pixel */
    double defocus_um;                  /* there */
    double zernike_nm[PL_SIM_NOLL + 1]; /* Noll's j at [j], defocus included */
} pl_sim_star;

/* pl_sim - one rendered frame and the truth about it. */
typedef struct {
    int width_px, height_px;
    char mosaic[8]; /* "RGGB" ..., or "" for mono */
    uint16_t *adu;  /* [height_px][width_px] */
    pl_facts facts; /* all that the header says, this frame's date, temperature, position ... */
    double scale_arcsec_px, seeing_arcsec; /* air alone, at this altitude */
    double sky_adu, noise_adu;             /* at the frame's centre, green; of one pixel */
    double fwhm_px, hfd_px; /* of a star at the centre, without pixel and tracking; NaN: donut */
    double defocus_um;      /* at the frame's centre */
    double tilt_x_um_mm, tilt_y_um_mm, curvature_um; /* of the focal surface */
    double axis_x_mm, axis_y_mm;                     /* frame's centre to coma-free point */
    double shadow_x_mm, shadow_y_mm;                 /* secondary's offset in the pupil */
    double donut_px, hole_px;           /* diameters of the geometric blur at the centre */
    double zernike_nm[PL_SIM_NOLL + 1]; /* at the frame's centre */
    pl_sim_star *star;                  /* [stars] */
    size_t stars;
    pl_notes notes; /* defaults and doubts */
} pl_sim;

/* pl_sim_render - one frame of a scene.
 *   frame  in   [0, pl_scene_frames)
 *   jobs   in   threads, < 1: one per processor
 *   out    out  whole, or untouched; free with pl_sim_clear
 * Gives: PL_ENODATA without an indispensable fact, PL_EARG when the scene asks for too much.
 * Same scene, same bytes on any number of threads. */
PL_API pl_status pl_sim_render(const pl_scene *scene, size_t frame, int jobs, pl_sim *out,
                               pl_err *err);
PL_API void pl_sim_clear(pl_sim *sim);

/* pl_scene_template - every key of a scene with its meaning, range and default: itself a scene. */
PL_API char *pl_scene_template(void);

/* pl_sim_text - what was rendered, in a line. */
PL_API char *pl_sim_text(const pl_sim *sim, const char *file);

/* pl_sim_truth - what is true of a simulated frame, as one line of JSON under the measuring
 * programs' own keys; `file` is what the frame was called. */
PL_API char *pl_sim_truth(const pl_sim *sim, const char *file);

#endif
