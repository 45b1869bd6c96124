/* SPDX-License-Identifier: GPL-3.0-or-later */
/* check.h - one exposure: focus and air apart (plumb-check). Part of plumb.h. */
#ifndef PL_PUBLIC_CHECK_H
#define PL_PUBLIC_CHECK_H

enum { PL_SENSE_CURVE = 121, PL_SENSE_CELLS = 48 };

/* Stars of an exposure that are measured to tell focus from air: more say hardly more. */
enum { PL_CHECK_STARS = 300 };

/* What a part of the field says. */
typedef struct {
    double x_mm, y_mm;               /* from the sensor's middle */
    double focal_um, focal_sigma_um; /* S there, as saved */
    double fwhm_px, fwhm_sigma_px;
    double expected_px; /* at the defocus told */
} pl_sense_cell;

/* pl_sense - how far one exposure stands from focus, told apart from its air by how the widths of
 * its stars change over a focal surface measured before. Lengths at the sensor. */
typedef struct {
    double defocus_um, defocus_sigma_um; /* of the sensor's centre, + = too far out; NaN while the
                                            side is not known */
    double size_um, size_sigma_um; /* the same without its sign; NaN: not even that is known */
    bool sign_known;               /* no defocus on the other side fits the widths as well */
    bool surface_known;            /* there is one, of this camera and telescope */
    bool surface_checked;          /* cells are enough to see whether the widths are as it lets
                                      them be; a few are, to see that they are not */
    bool surface_fits;             /* and they are; false where it is not checked */
    double seeing_arcsec, seeing_sigma_arcsec; /* FWHM of the air: defocus, diffraction and pixel
                                                  taken out, tracking left in */
    double usual_arcsec;                 /* the same when the surface was measured; NaN: not told */
    double fwhm_px;                      /* as the model has it, median over the field */
    double focused_px, focused_sigma_px; /* the same with the centre in focus, in the same air */
    double zone_um;                      /* defocus allowed each side, in this air */
    double other_side; /* odds against the other side, as a difference in chi square */
    double gain;       /* of chi2, if tilt and curvature might be other ones */
    double chi2;       /* of the cells' widths against the surface */
    size_t freedom;    /* degrees of it */
    double far_um;     /* z that was looked at, both sides */
    double curve_px[PL_SENSE_CURVE]; /* fwhm_px expected at z from -far_um to far_um */
    double local_px[PL_SENSE_CURVE]; /* of one place, at that local defocus */
    size_t cells;
    pl_sense_cell cell[PL_SENSE_CELLS]; /* of the exposure told about */
    char reason[200];                   /* why something is not known; "" when all is */
} pl_sense;

typedef struct {
    double wavelength_um; /* NaN: the surface's, else 0.53 on a mosaic, 0.55 */
    double moved_um;      /* drawtube travel between a pair's exposures, + = out */
} pl_sense_options;

PL_API pl_sense_options pl_sense_defaults(void);

/* pl_sense_frame - from the stars of one exposure.
 *   surface  in   as saved; NULL: none, then little more than the widths is known
 *   options  in   NULL: the defaults
 *   jobs     in   threads, < 1: one per processor
 *   notes    inout  what was assumed
 *   out      out  whole, or untouched
 * What cannot be told is PL_OK with `reason` and NaN. Gives: PL_ENODATA when a fact is missing
 * (aperture, focal length, pixel) or stars are too few, PL_EARG for stars blurred beyond reach.
 * Method: ln FWHM in cells against the optics' answer at z - S(x, y) in one air; the surface's own
 * errors are unknowns with expectations, and all defoci on both sides are compared by chi square.
 * Trust: f/3, 250 stars, 45 um of tilt, 1.9 to 3.4 arcsec: see tests/reference/check.py. */
PL_API pl_status pl_sense_frame(const pl_field *field, const pl_surface *surface,
                                const pl_sense_options *options, int jobs, pl_notes *notes,
                                pl_sense *out, pl_err *err);

/* pl_sense_pair - from two exposures, the second after a known move; also of a flat and square
 * field. Tells where the second one stands. Air may differ from one to the other as it does from
 * minute to minute (12 %).
 *   field  in  [2]
 * Else as pl_sense_frame; PL_EARG for no move. */
PL_API pl_status pl_sense_pair(const pl_field *field, const pl_surface *surface,
                               const pl_sense_options *options, int jobs, pl_notes *notes,
                               pl_sense *out, pl_err *err);

typedef struct {
    pl_sense_options sense;
    bool pair;             /* moved_um was told: frames are a pair */
    double remaining_min;  /* of the night; NaN: not told */
    double refocus_cost_s; /* NaN: not told */
    double drift_um_h;     /* at the sensor, + = outward; NaN: not told */
} pl_check_options;

/* pl_check - everything plumb-check says of one exposure. */
typedef struct {
    double scale_arcsec_px, width_mm, height_mm;
    double fwhm_px, fwhm_sigma_px;
    double eccentricity, eccentricity_sigma;
    double chi, chi_sigma, elongation_deg, elongation_sigma_deg; /* of the mean ellipticity */
    double sky_adu, noise_adu;
    double light_adu_s; /* of a bright star */
    size_t trails;      /* detections too long for a star */
    size_t stars;       /* used */
    char mosaic[8];
    pl_sense sense;
    size_t drift_of; /* exposures that tell drift_um_h; 0: told by the user, or nobody */
    pl_travel move;  /* to focus: + = out; NaN while the side is unknown */
    bool with_reference;
    double softer, softer_sigma; /* FWHM over the reference's, less 1; NaN: none */
    double star_ratio;           /* stars over the reference's; NaN: none */
    double drift_um_h;           /* that was used; NaN: none */
    double drift_cost_s;   /* exposure that not refocusing costs of the time left; NaN: unknown */
    double refocus_cost_s; /* exposure that refocusing costs, in whole subs; NaN: unknown */
    pl_verdict field;      /* what the stars' shapes say: tracking, collimation ... */
    pl_verdict verdict;
    pl_facts facts;
    pl_notes notes;
} pl_check;

PL_API pl_check_options pl_check_defaults(void);

/* pl_check_set - one option from text: "moved", "remaining", "refocus-cost", "drift",
 * "wavelength". Gives: PL_EARG for an unknown name, no number, or out of range. */
PL_API pl_status pl_check_set(pl_check_options *options, const char *name, const char *value,
                              pl_err *err);

/* pl_check_frame - one exposure's whole answer.
 *   surface    in   NULL: none
 *   reference  in   another exposure, known to be good: what is compared without a surface, and the
 *                   stars that a clear sky shows; NULL: none
 *   options    in   NULL: the defaults
 *   out        out  whole, or untouched; free with pl_check_clear
 * Gives: as pl_sense_frame. */
PL_API pl_status pl_check_frame(const pl_field *field, const pl_surface *surface,
                                const pl_field *reference, const pl_check_options *options,
                                int jobs, pl_check *out, pl_err *err);

/* pl_check_pair - of the second of two exposures.
 *   field  in  [2] */
PL_API pl_status pl_check_pair(const pl_field *field, const pl_surface *surface,
                               const pl_check_options *options, int jobs, pl_check *out,
                               pl_err *err);
PL_API void pl_check_clear(pl_check *check);

/* pl_check_drift - how fast focus drifts, by the defocus of exposures between which the focuser did
 * not move: a straight line over their dates.
 *   check  in   [n]; those whose defocus or date is not known, or whose focuser stood elsewhere
 * than in the last one, do not count um_h, sigma  out  at the sensor, + = outward Gives: how many
 * count; fewer than 3 tell nothing, and both are NaN. */
PL_API size_t pl_check_drift(const pl_check *check, size_t n, double *um_h, double *sigma);

/* pl_check_follow - costs and verdict of the last of several exposures, by the drift they show; as
 * it was when a drift was told, or none stands out of its error by two sigma. check  inout  [n] in
 * the order they were taken */
PL_API void pl_check_follow(pl_check *check, size_t n, const pl_check_options *options);

/* pl_check_best - the sharpest of several exposures that shows half of the most stars: a reference
 * when there is no other. Gives: its index; 0 for none. */
PL_API size_t pl_check_best(const pl_field *const *field, size_t n);

/* What one exposure says of focus and air. */
PL_API char *pl_check_text(const pl_check *check, const char *file);
PL_API char *pl_check_json(const pl_check *check, const char *file);
PL_API pl_status pl_check_draw(const pl_check *check, const char *file, bool red, const char *png,
                               pl_err *err);

#endif
