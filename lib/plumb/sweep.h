/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sweep.h - through focus (plumb-sweep). Part of plumb.h. */
#ifndef PL_PUBLIC_SWEEP_H
#define PL_PUBLIC_SWEEP_H

/* One exposure of a series through focus. */
typedef struct {
    double position_steps;               /* NaN: none */
    double position_um;                  /* drawtube travel from best focus, + = out */
    double defocus_um, defocus_sigma_um; /* of the sensor's centre */
    double fwhm_px, fwhm_sigma_px, hfd_px, eccentricity;
    double seeing_arcsec, seeing_sigma_arcsec; /* all but defocus, without the pixel */
    double temperature_c;
    size_t stars;
    bool used;
    char reason[96]; /* why not, or what is odd about it */
} pl_sweep_frame;

typedef struct {
    const double *position_steps; /* [frames] told by the user; NULL: the headers' */
    bool no_positions;            /* find them by the blur */
    pl_side first;                /* side of the first frame, when the user knows */
    double wavelength_um;         /* NaN: 0.53 on a mosaic, else 0.55 */
    const pl_surface *known;      /* a saved one, tells the side; NULL: none */
    size_t positions;             /* how many pl_sweep_set was told */
} pl_sweep_options;

enum { PL_SWEEP_CURVE = 121 };

/* pl_sweep - everything plumb-sweep says of a series. */
typedef struct {
    pl_sweep_frame *frame; /* [frames] in the order given */
    size_t frames, used;
    char mosaic[8];
    bool positions;  /* the frames' numbers were used; else the blur told where each stood */
    bool side_known; /* with positions always; else whether + is surely out */
    double best_steps, best_steps_sigma; /* NaN without positions */
    double best_sigma_um;                /* of best focus, at the sensor */
    double last_um, last_sigma_um;       /* defocus of the last frame: how far to go back */
    pl_travel move;                      /* that leads from the last frame to best focus, + = out */
    bool outside; /* best focus lies beyond the frames; `move` tells which way to go on */
    double best_fwhm_px, best_fwhm_arcsec, best_hfd_px; /* expected there, typical air */
    double seeing_arcsec;                               /* typical */
    double backlash_um, backlash_sigma_um;              /* drawtube; NaN: one direction only */
    double blur_scale, blur_scale_sigma; /* measured blur per um over 1/N: 1 when the profile is
                                            right; NaN: could not be told */
    double step_um;                      /* drawtube; from the blur when the profile has none */
    double zone_um;                      /* allowed defocus each side, at the sensor */
    double red_um, red_sigma_um, blue_um, blue_sigma_um; /* best focus less green's; NaN on mono */
    double astigmatism_um, astigmatism_sigma_um;   /* between its two focal lines, at the sensor;
                                                      NaN: too few frames on a side */
    double astigmatism_nm, astigmatism_sigma_nm;   /* RMS of Noll's terms 5 and 6, full disc */
    double astigmatism_deg, astigmatism_sigma_deg; /* axis along which stars outside focus are
                                                      stretched; NaN while the side is unknown */
    double curve_um[PL_SWEEP_CURVE], curve_fwhm_px[PL_SWEEP_CURVE]; /* expected, typical air;
                                                                       um as position_um */
    pl_surface surface;
    pl_verdict verdict;
    pl_facts facts;
    pl_notes notes;
} pl_sweep;

/* pl_sweep_solve - best focus, focal surface and air from the stars of a series.
 *   field    in   [frames] measured frames of one camera, in the order they were taken
 *   options  in   NULL: the defaults
 *   jobs     in   threads, < 1: one per processor
 *   out      out  whole, or untouched; free with pl_sweep_clear
 * Gives: PL_ENODATA when the series cannot tell (fewer than three frames, no change of focus, ...),
 * PL_EARG when the frames do not belong together. */
PL_API pl_status pl_sweep_solve(const pl_field *field, size_t frames,
                                const pl_sweep_options *options, int jobs, pl_sweep *out,
                                pl_err *err);
PL_API void pl_sweep_clear(pl_sweep *sweep);

PL_API pl_sweep_options pl_sweep_defaults(void);

/* pl_sweep_set - one option from text: "positions" (numbers and commas; position_steps is then the
 * options' own), "no-positions" (value ignored), "first", "wavelength".
 * Gives: PL_EARG for an unknown name or value. Free with pl_sweep_options_clear. */
PL_API pl_status pl_sweep_set(pl_sweep_options *options, const char *name, const char *value,
                              pl_err *err);
PL_API void pl_sweep_options_clear(pl_sweep_options *options);

/* pl_sweep_name_positions - the one number in which the names of a series differ; dates, times, and
 * numbers that merely count (one more than the one before, but for a few gaps) are none.
 *   out  out  [n] steps
 * Gives: PL_ENODATA when there is no such number. */
PL_API pl_status pl_sweep_name_positions(const char *const *name, size_t n, double *out,
                                         pl_err *err);

/* One exposure as it was given. */
typedef struct {
    const char *name;      /* of its file */
    const pl_field *field; /* NULL: it could not be measured */
    const char *why;       /* why not */
} pl_sweep_shot;

/* pl_sweep_series - pl_sweep_solve on frames some of which could not be measured; these are left
 * out and stand among the others with the reason.
 *   shot     in  [shots] in the order they were taken
 *   options  in  position_steps: [shots]. Without them the headers' positions count, else those in
 *                the names, else the blur tells; a note says which and why
 *   jobs     in  threads, < 1: one per processor
 * Gives: as pl_sweep_solve. */
PL_API pl_status pl_sweep_series(const pl_sweep_shot *shot, size_t shots,
                                 const pl_sweep_options *options, int jobs, pl_sweep *out,
                                 pl_err *err);

/* pl_sweep_save - write [surface] and what was learnt of the focuser to a profile, as
 * pl_profile_set does: backlash_um when there is some, step_um when only the blur told it.
 * Gives: PL_ENODATA, and nothing written, when + may be in, best focus lies beyond the frames, or
 * there is no surface. */
PL_API pl_status pl_sweep_save(const pl_sweep *sweep, const char *profile, pl_err *err);

/* What a series through focus says, and its picture: the curve, and the map of best focus.
 * `file`: [sweep->frames] */
PL_API char *pl_sweep_text(const pl_sweep *sweep, const char *const *file);
PL_API char *pl_sweep_json(const pl_sweep *sweep, const char *const *file);
PL_API pl_status pl_sweep_draw(const pl_sweep *sweep, const char *const *file, bool red,
                               const char *png, pl_err *err);

#endif
