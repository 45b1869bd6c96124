/* SPDX-License-Identifier: GPL-3.0-or-later */
/* field.h - what many stars say of the field (plumb-field). Part of plumb.h. */
#ifndef PL_PUBLIC_FIELD_H
#define PL_PUBLIC_FIELD_H

/* One cell of about equal star count; the frame cut in columns, each column in rows. */
typedef struct {
    double x_px, y_px; /* median position of its stars */
    double x_mm, y_mm; /* from the frame's centre; NaN when the pixel size is unknown */
    size_t stars;
    double fwhm_px, fwhm_sigma_px;
    double chi1, chi2, chi_sigma; /* median ellipticity */
    double eccentricity, eccentricity_sigma, angle_deg;
} pl_cell;

/* A pattern over the field: a named shape with an amplitude. Positions run from the frame's centre
 * in units of its half diagonal, so the amplitude is what the corner sees. */
typedef enum {
    PL_EVEN_STRETCH = 0, /* chi alike everywhere */
    PL_TURNING,          /* chi grows about a point off the centre, along circles around it */
    PL_OUTWARD_STRETCH,  /* chi grows with the square of the radius, along it or across */
    PL_SIZE_SLOPE,       /* FWHM grows along one direction */
    PL_FLARE,            /* one-sided light alike everywhere */
    PL_CORNERED,         /* three-cornered stars alike everywhere */
    PL_PATTERNS
} pl_pattern_name;

typedef struct {
    double amplitude, amplitude_sigma;
    const char *unit;    /* "chi", "fraction" (of FWHM), "sigma^3" (third moment) */
    double significance; /* amplitude / sigma, 0 when below the noise */
    double angle_deg;    /* axis or direction; NaN where it has none */
    double x_px, y_px;   /* the point it turns about; NaN elsewhere */
    double tolerance;    /* amplitude at which it costs the tolerance of the facts */
    char meaning[320];   /* cause in the trade's words, direction with the edge named */
} pl_pattern;

/* pl_field - everything plumb-field says about one frame. */
typedef struct {
    int width_px, height_px;
    char mosaic[8];                /* "RGGB" ..., or "" for mono */
    double scale_arcsec_px;        /* NaN when unknown */
    double sky_adu, noise_adu;     /* median over the mesh */
    size_t found;                  /* detections of any kind */
    size_t fitted;                 /* of those, measured: the best N spread over the field */
    size_t used;                   /* of those, taken as stars */
    size_t kind[PL_KINDS];         /* what the detections turned out to be */
    double fwhm_px, fwhm_sigma_px; /* field median and its error */
    double hfd_px, hfd_sigma_px;
    double eccentricity, eccentricity_sigma;     /* of the typical (median) star */
    double elongation_deg, elongation_sigma_deg; /* of the mean ellipticity */
    double chi, chi_sigma;                       /* of the mean ellipticity */
    double beta;                                 /* of the frame */
    double red_x_px, red_y_px, red_sigma_px; /* median shift of red against green; NaN on mono */
    double blue_x_px, blue_y_px, blue_sigma_px;
    pl_star *star; /* [stars]: used ones first, by flux */
    size_t stars;
    pl_cell *cell; /* [cells] */
    size_t cells;
    pl_pattern pattern[PL_PATTERNS];
    pl_verdict verdict;
    pl_facts facts; /* header, profile and command line merged */
    pl_notes notes;
} pl_field;

/* pl_field_measure - find, measure and judge the stars of a frame.
 *   facts  in   from profile and command line; the header's are merged under them
 *   best   in   about how many stars to fit, spread over the field; 0: all
 *   jobs   in   threads, < 1: one per processor
 *   out    out  whole, or untouched; free with pl_field_clear
 * Gives: PL_ENODATA when too few stars are usable: what was found, and what would help.
 * Same input, same answer to the last bit on any number of threads. */
PL_API pl_status pl_field_measure(const pl_frame *frame, const pl_facts *facts, size_t best,
                                  int jobs, pl_field *out, pl_err *err);
PL_API void pl_field_clear(pl_field *field);

/* Each gives malloc'd text, or NULL when memory is short. `file` is what the user called it. */
PL_API char *pl_field_text(const pl_field *field, const char *file);
PL_API char *pl_field_json(const pl_field *field, const char *file, bool with_stars);
/* ECSV 1.0: a star a row, the units in the header. */
PL_API char *pl_field_table(const pl_field *field, const char *file);

typedef struct {
    bool red;   /* deep red on black */
    bool plain; /* no frame under the map */
    int jobs;
} pl_look;

/* pl_field_draw - the map of the field as PNG.
 *   frame  in  for the picture underneath; may be NULL with look.plain */
PL_API pl_status pl_field_draw(const pl_field *field, const pl_frame *frame, const char *file,
                               const pl_look *look, const char *png, pl_err *err);

#endif
