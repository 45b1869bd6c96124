/* SPDX-License-Identifier: GPL-3.0-or-later */
/* zone.h - what one telescope can afford (plumb-zone). Part of plumb.h. */
#ifndef PL_PUBLIC_ZONE_H
#define PL_PUBLIC_ZONE_H

/* What the evening is like; each with where it came from. */
typedef struct {
    pl_num seeing, wavelength;             /* arcsec, um */
    pl_num window, sub, overhead;          /* min, s, s */
    pl_num refocus_cost, degrees_per_hour; /* s, C of cooling */
    pl_num donut, field, other_ratio;      /* px, mm (diagonal; NaN: from the sensor), f-ratio */
} pl_zone_options;

PL_API pl_zone_options pl_zone_defaults(void);

/* pl_zone_set - one option from text: "seeing", "refocus-cost" ... as plumb-zone spells them.
 * Gives: PL_EARG for an unknown name, no number, or out of range. */
PL_API pl_status pl_zone_set(pl_zone_options *options, const char *name, const char *value,
                             pl_err *err);

/* One travel along the axis, told four ways; NaN where the facts do not tell. */
typedef struct {
    double sensor_um, drawtube_um, steps, turns;
} pl_travel;

typedef struct {
    pl_optic optic;
    double focal_mm, mirror_focal_mm, mirror_ratio, magnification;
    double pixel_um, scale_arcsec_px, width_deg, height_deg, diagonal_mm;
    double airy_um, diffraction_fwhm_um, nyquist_um;      /* diameter of the dark ring; widths */
    double fwhm_um, fwhm_arcsec, fwhm_px, hfd_um, hfd_px; /* the star expected in focus */
    double growth;                                        /* allowed */
    bool diffraction_rules; /* the air is finer: quarter wave and lambda/14 cap all */
    pl_travel quarter, common, grow_2, grow_5, grow_10; /* focus, each side */
    pl_travel allowed;                                  /* at `growth` */
    double closed_form_um;                              /* the same by pl_focus_depth_seeing */
    double tilt_um_mm, tilt_arcmin;            /* sensor tilt that spends `allowed` at the corner */
    double axis_mm, axis_arcmin;               /* primary's axis at `growth`; mm at the sensor */
    double axis_coma_um;                       /* that coma, W131 */
    double axis_moments_mm;                    /* the same by pl_coma_w131_moments */
    double ideal_mm, ideal_arcmin;             /* at lambda/14 RMS */
    double corner_coma_um, corner_coma_arcsec; /* tangential, without any corrector */
    double thermal_um_c, thermal_low_um_c, thermal_high_um_c; /* drawtube, + = out on warming */
    double thermal_sensor_um_c;
    double zone_c; /* degrees from best focus to the edge of `allowed` */
    pl_secondary secondary;
    double donut_px;
    pl_travel donut; /* defocus that makes it */
    double window_min, sub_s, overhead_s, refocus_cost_s, degrees_per_hour;
    double subs, subs_undisturbed; /* with and without refocusing */
    double light_min;              /* exposed */
    double refocus_every_min, refocuses;
    double other_ratio, speed; /* light per area against that focal ratio */
    pl_notes notes;            /* defaults and doubts */
    pl_notes missing;          /* parts left out and what would give them */
} pl_zone;

/* pl_zone_compute - everything plumb-zone answers for one telescope.
 *   facts    in   aperture_mm and focal_mm are indispensable
 *   options  in   NULL: the defaults
 *   out      out  whole, or untouched; free with pl_zone_clear
 * Gives: PL_ENODATA without an indispensable fact, PL_EARG when the facts contradict each other. */
PL_API pl_status pl_zone_compute(const pl_facts *facts, const pl_zone_options *options,
                                 pl_zone *out, pl_err *err);
PL_API void pl_zone_clear(pl_zone *zone);

/* The report: malloc'd text, NULL when memory is short. */
PL_API char *pl_zone_text(const pl_zone *zone);
PL_API char *pl_zone_json(const pl_zone *zone);

/* pl_zone_draw - FWHM against defocus in several seeings, the zones marked, as PNG. */
PL_API pl_status pl_zone_draw(const pl_zone *zone, bool red, const char *png, pl_err *err);

#endif
