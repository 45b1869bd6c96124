/* SPDX-License-Identifier: GPL-3.0-or-later */
/* laser.h - is the alignment laser itself aligned, and what does its error do? (plumb-laser) Part
 * of plumb.h, which includes it.
 *
 * A laser is turned in its holder before squared paper. Its spot runs on a circle whose middle is
 * where the holder's axis meets the paper. Where the beam leaves the holder's face beside the axis
 * (decentre e, mm) and leans from it (tilt t, rad), the spot stands q = e + t L from that middle at
 * the distance L; both turn with the laser. So one distance tells q alone, two tell e and t. */
#ifndef PL_PUBLIC_LASER_H
#define PL_PUBLIC_LASER_H

/* Said first in every answer about lasers. IEC 60825-1 (second-hand): class 2 is visible light of
 * at most 1 mW. */
#define PL_LASER_EYES                                                                              \
    "Laser: class 2 (1 mW) or weaker by IEC 60825-1; never look into the beam or its reflection."
#define PL_LASER_SUN                                                                               \
    "Never open the tube towards the Sun or leave a mirror uncovered in daylight: fire, eyes."

enum { PL_LASER_SHEETS = 2, PL_LASER_MARKS = 64 };

/* The middle of the spot on the paper, the laser turned by so much. */
typedef struct {
    double turned_deg, x_mm, y_mm;
} pl_laser_mark;

/* What was seen at one distance: marks, or a circle by eye. */
typedef struct {
    double at_mm; /* from the holder's face to the paper */
    pl_laser_mark mark[PL_LASER_MARKS];
    size_t marks;     /* 0: by eye */
    double across_mm; /* by eye: width of the circle; negative: the spot is on the other side of it
                         than at the other distance */
} pl_laser_sheet;

typedef struct {
    pl_laser_sheet sheet[PL_LASER_SHEETS];
    size_t sheets;
} pl_laser_sheets;

/* pl_laser_read - marks from a text file: a line "at 5000" (mm), then a line "angle x y" (degrees,
 * mm) for each mark; "#" begins a remark. At least three marks at a distance, one distance or two.
 *   out  out  in the order of distance; untouched on failure
 * Gives: PL_EIO, PL_EFORMAT with the line and what is wanted, PL_ENODATA. */
PL_API pl_status pl_laser_read(const char *path, pl_laser_sheets *out, pl_err *err);

/* Settings, each with where it came from. */
typedef struct {
    pl_num reading_mm; /* error of a mark's x or y, of one edge of a circle by eye */
    pl_num
        turning_deg; /* error of a mark's angle, and of how the papers are turned to each other */
    pl_num
        behind_mm;  /* the primary's focus lies so far behind the holder's face, + = towards you */
    pl_num lens_mm; /* focal length of a diverging lens, its size */
    pl_zone_options evening; /* seeing, wavelength and field count */
    pl_laser_sheets by_eye;
} pl_laser_options;

PL_API pl_laser_options pl_laser_defaults(void);

/* pl_laser_set - one option from text, as plumb-laser spells them: "reading", "angle-error",
 * "behind", "lens", "seeing", "wavelength", "field"; "circle": "5000:12", once for each distance.
 * Gives: PL_EARG for an unknown name, no number, or out of range. */
PL_API pl_status pl_laser_set(pl_laser_options *options, const char *name, const char *value,
                              pl_err *err);

/* A length that is known to lie between two values, each with the same error; where the marks tell
 * it, both are one. */
typedef struct {
    double least, most, sigma;
} pl_laser_span;

/* The circle of one distance. */
typedef struct {
    pl_laser_sheet seen;
    double middle_x_mm, middle_y_mm, middle_sigma_mm; /* on the paper; NaN by eye */
    double x_mm, y_mm, xx, xy, yy;     /* from the middle to the spot of the laser not turned; its
                                          covariance */
    double radius_mm, radius_sigma_mm; /* length of that */
    double scatter_mm; /* of a mark's x or y about the circle, its reading included; NaN by eye */
    double play_mm;    /* what of it the reading does not explain; 0: none shows; NaN by eye */
    size_t freedom;    /* degrees of freedom that tell the scatter */
    bool oval;         /* an ellipse fits better than chance lets it once in a hundred */
    double long_mm, short_mm; /* its half axes; NaN where it is none */
    int odd; /* index of a mark that lies off the others' circle as chance lets one once in a
                hundred; -1: none */
} pl_laser_circle;

/* What an alignment with this laser leaves, bare or with a diverging lens. */
typedef struct {
    pl_laser_span axis_mm;     /* primary's axis from the sensor's centre, at the sensor */
    pl_laser_span tilt_arcmin; /* of the image plane against the sensor, at the sensor */
    pl_laser_span coma_um;     /* W131 of that axis error */
    pl_laser_span coma_nm;     /* the same as RMS over the full disc */
    pl_laser_span growth; /* of the FWHM by that coma, a fraction; NaN: beyond what is computed */
    pl_laser_span corner; /* of the FWHM in the sensor's corner by that tilt; NaN: size unknown */
    pl_state state;       /* axis and tilt against what may pass */
} pl_laser_left;

typedef enum {
    PL_LASER_TRUST = 0, /* use it as it is */
    PL_LASER_DIVERGE,   /* use it only with a diverging (barlowed) beam */
    PL_LASER_ADJUST,    /* adjust it first */
    PL_LASER_HOLDER,    /* cure the holder's play first */
    PL_LASER_DOUBT      /* cannot tell */
} pl_laser_advice;

typedef struct {
    pl_laser_circle circle[PL_LASER_SHEETS];
    size_t circles;
    bool clockwise; /* on the paper the spot runs against the told angles: from +y towards +x */
    double tilt_x_mrad, tilt_y_mrad; /* in the paper's axes, the laser not turned; NaN with one */
    double decentre_x_mm, decentre_y_mm; /* distance */
    double tilt_x_sigma_mrad, tilt_y_sigma_mrad, decentre_x_sigma_mm, decentre_y_sigma_mm;
    pl_laser_span tilt_mrad, decentre_mm; /* with one distance: none of it, or all */
    bool decentred; /* by itself more than passes for the primary's axis: no tilt mends it */
    double play_mrad, play_sigma_mrad; /* tilt, along x or y, that is another each time the laser
                                          is put in; NaN: not told */
    pl_laser_span focuser_mm;  /* the focuser's axis from the primary's centre; the play counts */
    double focuser_play_mm;    /* what the play alone makes of it, RMS */
    double focuser_allowed_mm; /* at which the tilt would be what may pass; NaN: unknown */
    double axis_allowed_mm, tilt_allowed_arcmin; /* as plumb-zone; the tilt NaN: size unknown */
    double coma_allowed_um, coma_allowed_nm, growth_allowed;
    double path_mm; /* from the holder's face to the primary's centre */
    pl_laser_left bare, diverging;
    pl_laser_advice advice;
    pl_verdict verdict;
    pl_laser_options options;
    pl_facts facts;
    double aperture_mm, f_ratio;
    pl_notes notes;
} pl_laser;

/* pl_laser_judge - fit the circles and trace what they do.
 *   sheets   in   one or two distances
 *   facts    in   aperture_mm and focal_mm are indispensable
 *   options  in   NULL: the defaults
 *   out      out  whole, or untouched; free with pl_laser_clear
 * Gives: PL_ENODATA without an indispensable fact or where the marks tell no circle, PL_EARG out of
 * range.
 * Fit: marks p = c + R(angle) q, each angle with an error of its own (least squares in both); the
 * sense of the angles is found. Scatter beyond the reading is estimated and widens all errors, by
 * Student's factor for so few marks.
 * Trace: exact, in three dimensions. The flat turns about the middle of its face until the beam
 * meets the primary's centre, the primary about its vertex until the beam returns on itself. With a
 * diverging lens on the holder's face, centred in the holder: until the shadow of the centre mark
 * falls on the middle of a target there.
 * Trust: tests/reference/laser.py, an independent ray trace and some hundred sets of marks. */
PL_API pl_status pl_laser_judge(const pl_laser_sheets *sheets, const pl_facts *facts,
                                const pl_laser_options *options, pl_laser *out, pl_err *err);
PL_API void pl_laser_clear(pl_laser *laser);

/* What plumb-laser says, and its picture: the paper at each distance with spots and circle, and
 * what is left against what may pass. `file` NULL: by eye. */
PL_API char *pl_laser_text(const pl_laser *laser, const char *file);
PL_API char *pl_laser_json(const pl_laser *laser, const char *file);
PL_API pl_status pl_laser_draw(const pl_laser *laser, const char *file, bool red, const char *png,
                               pl_err *err);

#endif
