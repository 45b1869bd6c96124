/* SPDX-License-Identifier: GPL-3.0-or-later */
/* night.h - a whole night (plumb-night). Part of plumb.h. */
#ifndef PL_PUBLIC_NIGHT_H
#define PL_PUBLIC_NIGHT_H

typedef enum { PL_KEEP = 0, PL_DOUBTFUL, PL_DROP } pl_grade;

/* pl_sub - one exposure as the night needs it; NaN: unknown. */
typedef struct {
    char *file; /* as it was called */
    char object[72], filter[72];
    double time_s; /* start, seconds since 1970-01-01 UTC */
    double exposure_s, temperature_c, altitude_deg, airmass, position_steps;
    double defocus_um, defocus_sigma_um; /* at the sensor, + = too far out */
    double size_um, size_sigma_um;       /* the same without its sign */
    double zone_um;                      /* defocus allowed each side, in that air */
    double seeing_arcsec, seeing_sigma_arcsec;
    double fwhm_px, fwhm_sigma_px, fwhm_arcsec;
    double eccentricity, chi, chi_sigma, elongation_deg; /* chi: of the mean ellipticity */
    double stars, light_adu_s;                           /* used; a bright star's light */
    double trails;                                       /* detections too long for a star */
    double sky_adu, noise_adu;
    bool measured;
    char why[200]; /* why it was not, or why its defocus is not known; "" */
    /* what the night makes of it */
    size_t stretch; /* between two refocusings, from 0 */
    bool out;       /* surely outside the zone */
    double worth;   /* of the exposure, against the typical one of its kind */
    double worth_focus, worth_air, worth_sky, worth_light; /* the factors of that */
    pl_grade grade;
    pl_cause cause;
    char reason[200];
} pl_sub;

/* Exposures on their way; grows. Start from { NULL, 0, 0, { NULL, 0, 0 } }. */
typedef struct {
    pl_sub *sub; /* [subs] */
    size_t subs, cap;
    pl_notes notes;
} pl_subs;

PL_API void pl_subs_clear(pl_subs *subs);

/* pl_subs_is_log - whether a file is JSON Lines rather than a frame: it begins with a brace, or is
 * "-" (standard input) or a pipe, through which no frame comes. */
PL_API bool pl_subs_is_log(const char *path);

/* pl_subs_read - add what the lines of plumb-check --json or plumb-watch say (plumb-json(5)). Keys
 * that are unknown or of another type count as not told; a line that is broken, or of another
 * program, is left out and noted with its number.
 * Gives: PL_EIO, PL_EFORMAT when no line could be used; subs as they were then. */
PL_API pl_status pl_subs_read(const char *path, pl_subs *subs, pl_err *err);

/* pl_subs_measure - add frames, several at a time. One that cannot be measured is added as such.
 *   facts    in  from profile and command line
 *   surface  in  NULL: none, then defocus is not known
 *   jobs     in  threads, < 1: one per processor
 * Gives: PL_ENOMEM. */
PL_API pl_status pl_subs_measure(const char *const *file, size_t n, const pl_facts *facts,
                                 const pl_surface *surface, int jobs, pl_subs *subs, pl_err *err);

/* One refocusing, between two exposures. */
typedef struct {
    size_t after;                /* index of the first exposure after it */
    double from_steps, to_steps; /* NaN: no positions */
    double from_um, to_um;       /* defocus before and after, by several exposures; NaN: unknown */
} pl_refocus;

/* pl_night - everything plumb-night says. */
typedef struct {
    pl_sub *sub; /* [subs] by time; those without one come first, as given */
    size_t subs, measured, kept, doubtful, dropped;
    pl_refocus *refocus;
    size_t refocuses, refocus_cap;
    bool by_position; /* the refocusings are known from positions, else from jumps of defocus */
    bool moving;      /* the focuser moved between most exposures */
    double thermal_um_c, thermal_sigma_um_c;     /* d(best drawtube position)/dT, + = out */
    double flexure_um_deg, flexure_sigma_um_deg; /* d(best drawtube position)/d(altitude) */
    double alone_um_c, alone_sigma_um_c;         /* the same were altitude known to have no part */
    bool inseparable;                            /* temperature and altitude: thermal_um_c is NaN */
    bool from_positions;                         /* by where the refocusings went, not by defocus */
    double lag_min; /* best focus follows the thermometer so much later; NaN: not seen */
    double drift_um_h, drift_sigma_um_h; /* of defocus while nobody touched it, at the sensor */
    double cooling_c_h; /* when it changed fastest, over an hour; + = the air cools */
    double zone_um;     /* typical */
    double refocus_every_c,
        refocus_every_min; /* from best focus to the zone's edge; NaN: unknown */
    double not_before_min; /* without drift in sight: what is surely safe; NaN otherwise */
    double seeing_arcsec, zenith_arcsec; /* typical; brought to the zenith by airmass^0.6 */
    size_t left;              /* index of the first exposure out of the zone; subs: none */
    size_t outs;              /* how many are, of those not lost otherwise */
    double exposed_s, lost_s; /* in all; what focus cost of it, as exposure of the same depth */
    pl_verdict verdict;
    pl_facts facts;
    pl_notes notes;
} pl_night;

/* pl_night_sum - sum up a night.
 *   subs   inout  taken over (empty afterwards) when it succeeds; a file told twice: the last one
 *                 counts
 *   facts  in     profile and command line: what brings steps to um, and the tolerances
 *   out    out    whole, or untouched; free with pl_night_clear
 * Gives: PL_ENODATA when no exposure was measured, PL_ENOMEM.
 * Method: refocusings split the night; best focus = position - defocus, robust line against
 *   temperature and altitude; grades as plumb-night(1) tells them.
 * Trust: errors of the coefficient by pulls, see tests/reference/night.py. */
PL_API pl_status pl_night_sum(pl_subs *subs, const pl_facts *facts, pl_night *out, pl_err *err);
PL_API void pl_night_clear(pl_night *night);

/* A whole night, and its picture: defocus in its zone against time, temperature below, thin strips
 * of air, shape and sky, the grades. */
PL_API char *pl_night_text(const pl_night *night);
PL_API char *pl_night_json(const pl_night *night);
PL_API pl_status pl_night_draw(const pl_night *night, bool red, const char *png, pl_err *err);
/* pl_night_list - the files of one grade, a line each. */
PL_API char *pl_night_list(const pl_night *night, pl_grade grade);

#endif
