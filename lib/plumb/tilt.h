/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tilt.h - is the sensor square? (plumb-tilt). Part of plumb.h. */
#ifndef PL_PUBLIC_TILT_H
#define PL_PUBLIC_TILT_H

/* What one screw of the plate has to do. Screws are called A, B, C ... in the profile's order. */
typedef struct {
    double travel_um, travel_sigma_um; /* of the plate there, + = away from the person */
    double turns;                      /* >= 0; NaN without a pitch */
    double hand_turns;                 /* the same in whole parts of a turn */
    int direction;                     /* +1 clockwise, -1 counter-clockwise, 0 unknown or none */
} pl_tilt_screw;

typedef struct {
    double seeing_arcsec;         /* that the tolerance is for; NaN: the surface's own */
    double wavelength_um;         /* NaN: the surface's own, else 0.55 */
    double corner_um[PL_CORNERS]; /* best focus there, + = further out; NaN: not told */
    double corner_error_um;       /* of each of them; NaN: from how well they agree */
    double rotated_deg;           /* of the camera between two surfaces, counter-clockwise seen from
                                     behind; NaN: not told */
} pl_tilt_options;

/* pl_tilt - everything plumb-tilt says of a surface. */
typedef struct {
    pl_surface surface;
    pl_surface_told told;
    double growth, seeing_arcsec; /* the tolerance and the air it is for */
    double allowed_um;            /* defocus each side at the sensor; NaN: aperture or focal length
                                     unknown */
    bool significant;             /* the tilt is more than its error */
    bool spacing_first;           /* curvature alone spends the tolerance */
    pl_screws plate;
    bool named; /* it is known where the frame's edges are, so screws are named */
    pl_tilt_screw screw[PL_SCREWS_MAX]; /* [plate.screws] when named */
    int part;                   /* hand_turns are n-ths of a turn: 8, 16 or 32; 0: no pitch */
    double centre_um;           /* the turns move the sensor's centre out by so much */
    double remains_um;          /* tilt across the frame that the rounding leaves */
    double shim_mm[PL_CORNERS]; /* thickness that squares the sensor, at its corners */
    pl_verdict verdict;
    pl_facts facts;
    pl_notes notes;
} pl_tilt;

PL_API pl_tilt_options pl_tilt_defaults(void);

/* pl_tilt_set - one option from text: "seeing", "wavelength", "corners" (four numbers with commas
 * between), "error", "rotated". Gives: PL_EARG for an unknown name or value. */
PL_API pl_status pl_tilt_set(pl_tilt_options *options, const char *name, const char *value,
                             pl_err *err);

/* pl_tilt_judge - is this tilt worth touching, and what must be turned?
 *   facts    in   aperture_mm and focal_mm for the tolerance
 *   plate    in   NULL: none
 *   options  in   NULL: the defaults
 *   out      out  whole, or untouched; free with pl_tilt_clear
 * The plate turns by the slope of best focus: where best focus lies further out, the sensor must go
 * out. Gives: PL_EARG when the facts contradict each other, PL_ENOMEM. */
PL_API pl_status pl_tilt_judge(const pl_surface *surface, const pl_facts *facts,
                               const pl_screws *plate, const pl_tilt_options *options, pl_tilt *out,
                               pl_err *err);
PL_API void pl_tilt_clear(pl_tilt *tilt);

/* pl_tilt_corners - the same of options->corner_um; only their differences count.
 * Gives: PL_ENODATA without the frame's size (pixel_um, width_px, height_px). */
PL_API pl_status pl_tilt_corners(const pl_facts *facts, const pl_screws *plate,
                                 const pl_tilt_options *options, pl_tilt *out, pl_err *err);

/* pl_tilt_parts - two surfaces, before and after the camera was turned in its holder: what turned
 * with the camera is the sensor's own tilt, what stayed is the focuser's or the optics'. */
typedef struct {
    double rotated_deg;      /* counter-clockwise seen from behind */
    double gain;             /* errors of the parts over those of the difference */
    pl_surface sensor, tube; /* planes, in the axes of the first frame */
    pl_surface_told sensor_told, tube_told;
    double slip_um; /* across the frame, for 2 degrees of error in the angle */
    double growth, seeing_arcsec, allowed_um; /* as in pl_tilt */
    pl_verdict verdict;
    pl_facts facts;
    pl_notes notes;
} pl_tilt_parts;

/* pl_tilt_rotated
 *   plate    in  columns_deg and rows_deg: which way round the frame is; NULL or unknown: then only
 *                half a turn can be answered
 *   options  in  with rotated_deg
 * Gives: PL_EARG when the angle is too small to tell or the frames are not of one camera,
 * PL_ENODATA when it is not known which way round the frame is. Formula: G1 = s + F, G2 = s + R F,
 * so F = (1 - R)^-1 (G1 - G2), errors times 1 / |2 sin(angle / 2)|; derived here. */
PL_API pl_status pl_tilt_rotated(const pl_surface *before, const pl_surface *after,
                                 const pl_facts *facts, const pl_screws *plate,
                                 const pl_tilt_options *options, pl_tilt_parts *out, pl_err *err);
PL_API void pl_tilt_parts_clear(pl_tilt_parts *parts);

/* pl_tilt_hint - what one frame can say: how stars widen over the field. Relative and unsigned. */
typedef struct {
    double slope, slope_sigma; /* fraction of FWHM, centre to corner; NaN: too few stars */
    double slope_deg;          /* NaN: none stands out */
    bool collimation_first;    /* the field shows the marks of a tilted mirror */
    pl_verdict verdict;        /* always PL_UNSURE */
} pl_tilt_hint;

PL_API pl_tilt_hint pl_tilt_of_field(const pl_field *field);

/* What plumb-tilt says; `file` NULL: none (four corner numbers). */
PL_API char *pl_tilt_text(const pl_tilt *tilt, const char *file);
PL_API char *pl_tilt_json(const pl_tilt *tilt, const char *file);
/* The plan of plate and sensor as seen from behind the camera, and the table of turns. */
PL_API pl_status pl_tilt_draw(const pl_tilt *tilt, const char *file, bool red, const char *png,
                              pl_err *err);
/* `file`: [2] */
PL_API char *pl_tilt_parts_text(const pl_tilt_parts *parts, const char *const *file);
PL_API char *pl_tilt_parts_json(const pl_tilt_parts *parts, const char *const *file);
PL_API char *pl_tilt_hint_text(const pl_tilt_hint *hint, const pl_field *field, const char *file);
PL_API char *pl_tilt_hint_json(const pl_tilt_hint *hint, const pl_field *field, const char *file);

#endif
