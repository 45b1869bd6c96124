/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb.h - the one public header of libplumb: measure how sharp, how round, how square and how
 * well collimated a telescope's frames are.
 *
 * The way through the house is frame -> star -> align -> report, with optics (pure physics) beside
 * it and base under everything. Read this file from top to bottom: it is the library's manual.
 *
 * Conventions
 *   Units are in the names: _px _um _mm _arcsec _deg _adu _e _s _c _steps _turns.
 *   Inside the library the first pixel's centre is (0, 0), x along NAXIS1, y along NAXIS2 in file
 *   order. What a person or another program reads is FITS's (1, 1): `report` adds the one.
 *   Angles run from +x towards +y; an axis lies in [0, 180), a direction in [0, 360).
 *   A number that could not be measured is NaN, never 0. A sigma is one standard deviation.
 *   Functions that can fail give a pl_status and leave their outputs untouched on failure; the
 *   reason in words goes to the caller's pl_err, which may be NULL.
 *   One object belongs to one thread at a time; different objects may be used by any threads.
 *   The library prints nothing, never exits, reads no environment and keeps no changing state.
 *   GSL's default error handler aborts the program: call gsl_set_error_handler_off() before
 *   using libplumb, as plumb's own programs do. */
#ifndef PLUMB_H
#define PLUMB_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#if defined(__GNUC__)
#define PL_API          __attribute__((visibility("default")))
#define PL_PRINTF(f, a) __attribute__((format(printf, f, a)))
#else
#define PL_API
#define PL_PRINTF(f, a)
#endif

#ifdef __cplusplus
extern "C" {
#endif

#define PL_VERSION "0.1.0"

/* ---- base: outcome of a call ------------------------------------------------------------- */

typedef enum {
    PL_OK = 0,  /* done */
    PL_EARG,    /* an argument or a setting is out of range */
    PL_ENOMEM,  /* out of memory */
    PL_EIO,     /* the system refused to open, read or write */
    PL_EFORMAT, /* the file is not what it should be */
    PL_ENODATA  /* the input is sound but holds too little to answer */
} pl_status;

/* The caller's; start from { PL_OK, "" }. The first cause wins. */
typedef struct {
    pl_status code;
    char msg[256];
} pl_err;

/* pl_notes - sentences that qualify an answer (what was assumed, what was odd); grows as needed.
 * Start from { NULL, 0, 0 }; free with pl_notes_clear. */
typedef struct {
    char **item;
    size_t n, cap;
} pl_notes;

PL_API void pl_notes_clear(pl_notes *notes);

/* ---- base: facts, and where each one came from ------------------------------------------- */

/* A later source outranks an earlier one: command line over profile over header over default. */
typedef enum {
    PL_FROM_NOWHERE = 0,
    PL_FROM_DEFAULT,
    PL_FROM_HEADER,
    PL_FROM_PROFILE,
    PL_FROM_OPTION
} pl_source;

typedef struct {
    double v; /* NaN when unknown */
    pl_source from;
} pl_num;

typedef struct {
    char s[72]; /* "" when unknown */
    pl_source from;
} pl_text;

/* pl_facts - everything plumb can be told about the telescope, the camera, the focuser and one
 * exposure. Each is unknown until some source gives it; pl_facts_table() says which sources can. */
typedef struct {
    /* [scope] */
    pl_num aperture_mm;     /* clear diameter of the primary */
    pl_num focal_mm;        /* effective focal length, with any corrector */
    pl_num mirror_focal_mm; /* the primary's own focal length */
    pl_num obstruction;     /* diameter of the central obstruction / aperture, [0, 0.8] */
    pl_num vanes;           /* number of spider vanes */
    pl_num vane_mm;         /* their thickness */
    pl_num vane_deg;        /* direction of the first one, as a donut outside focus shows it */
    pl_num focuser_deg;     /* direction of the focuser there: plumb-donut --hand */
    pl_text corrected;      /* "yes": a corrector takes away the coma that grows with the field */
    pl_text tube_material;  /* see pl_material_cte */
    pl_text mirror_material;
    pl_num tube_length_mm;        /* length of tube that joins focuser and primary */
    pl_num secondary_mm;          /* minor axis of the flat */
    pl_num secondary_to_focus_mm; /* from the flat's centre to the focus */
    /* [camera] */
    pl_num pixel_um;            /* pixel pitch of the frame, after binning */
    pl_num width_px, height_px; /* of the whole sensor */
    pl_text mosaic;             /* RGGB, GRBG, GBRG, BGGR as stored from pixel (1,1), or "none" */
    pl_num saturation_adu;      /* pixels at or above this are clipped */
    pl_num gain_e_adu;          /* electrons per ADU */
    pl_num read_noise_e;
    /* [focuser] */
    pl_num step_um;     /* drawtube travel of one motor step */
    pl_num outward;     /* +1: larger numbers move out; -1: in */
    pl_num um_per_turn; /* drawtube travel of one turn of the knob */
    pl_text carries;    /* "corrector": it rides along with the camera; or "camera" */
    pl_num backlash_um;
    pl_text approach; /* "in" or "out": direction of the last move */
    /* [tolerance] */
    pl_num fwhm_growth;  /* allowed growth of FWHM, a fraction */
    pl_num eccentricity; /* allowed eccentricity of the typical star */
    /* one exposure: header or command line only */
    pl_num exposure_s;
    pl_text date_obs;      /* start, UTC, FITS date format */
    pl_num temperature_c;  /* ambient or focuser, not the sensor's */
    pl_num position_steps; /* the focuser's number */
    pl_num altitude_deg;
    pl_num airmass;
    pl_num latitude_deg, longitude_deg;
    pl_num binning_x, binning_y;
    pl_num origin_x_px, origin_y_px; /* sub-frame's corner on the sensor, binned pixels */
    pl_text row_order;               /* "TOP-DOWN": the first stored row is the top one */
    pl_text frame_kind;              /* see pl_facts_calibration */
    pl_text object, filter, scope_name, camera_name;
} pl_facts;

/* One row of the table that knows every fact: the only place for spellings and ranges. */
typedef struct {
    const char *name;        /* key in the profile; with '-' for '_' the option of the programs */
    const char *section;     /* section in the profile, or NULL */
    const char *keywords[8]; /* FITS spellings, first found wins; NULL ends */
    const char *help;        /* what it is, with its unit */
    double lo, hi;           /* allowed range; lo > hi marks a text */
    const char *words;       /* for a text: the allowed words, space separated, or NULL: any */
    size_t offset;           /* of the field in pl_facts */
} pl_fact;

/* pl_facts_table - the rows, in the order of pl_facts.
 *   n  out  how many rows
 * Gives: static storage. */
PL_API const pl_fact *pl_facts_table(size_t *n);

PL_API pl_facts pl_facts_unknown(void);

/* pl_facts_set - give one fact from text.
 *   name   in  as in the table
 *   value  in  a number with nothing behind it, or a word
 * Gives: PL_OK (also when a stronger source already holds it); PL_EARG when the name is unknown,
 * the text is no number, or the value is out of range. */
PL_API pl_status pl_facts_set(pl_facts *facts, const char *name, const char *value, pl_source from,
                              pl_err *err);

/* pl_facts_merge - take each fact of `other` that comes from a stronger source. */
PL_API void pl_facts_merge(pl_facts *facts, const pl_facts *other);

/* pl_facts_need - a fact the answer cannot do without.
 * Gives: PL_ENODATA and a sentence naming the option, the profile key and the FITS keyword that
 * would have given it, when it is unknown. */
PL_API pl_status pl_facts_need(const pl_facts *facts, const char *name, double *value, pl_err *err);

/* pl_facts_calibration - whether frame_kind tells of an exposure that is not of the sky: a dark,
 * flat, bias, offset or zero, in any spelling (common practice, no source). */
PL_API bool pl_facts_calibration(const pl_facts *facts);

/* ---- optics: the profile ----------------------------------------------------------------- */

/* pl_profile_read - read a profile (INI text, plumb-profile(5)) into facts.
 *   notes  out  a sentence for each unknown section or key, with the nearest known one
 * Gives: PL_EIO, PL_EFORMAT (with the key and what was wanted); facts untouched on failure. */
PL_API pl_status pl_profile_read(const char *path, pl_facts *facts, pl_notes *notes, pl_err *err);

/* One key to be written. */
typedef struct {
    const char *section, *key;
    char value[72];
} pl_setting;

/* pl_profile_set - write keys of a profile; all else, comments and the order stay, but blanks
 * around "=" and empty lines may change. The profile as it was stays beside it as PATH~. A missing
 * profile is begun.
 *   setting  in  [settings] written together: all of them, or none
 * Gives: PL_EIO, PL_EFORMAT when the file is no profile; the file untouched on failure. */
PL_API pl_status pl_profile_set(const char *path, const pl_setting *setting, size_t settings,
                                pl_err *err);

enum { PL_SCREWS_MAX = 6 };

/* The screws of a plate behind the camera or of the mirror's cell, as the profile tells them:
 * angles counter-clockwise from what the hand finds at the right ("3 o'clock"), seen from behind
 * the camera or from behind the cell; all in [0, 360). */
typedef struct {
    size_t screws; /* 3 to PL_SCREWS_MAX; 0: the profile has none */
    double radius_mm, angle_deg[PL_SCREWS_MAX];
    double pitch_mm;  /* travel of one turn; NaN: unknown */
    char kind[12];    /* "push", "pull" or "pushpull"; "": unknown */
    double clockwise; /* a clockwise turn moves the plate or mirror there: +1 away from the person
                         ("in": towards the sky), -1 towards the person ("out"); NaN: unknown */
    double columns_deg, rows_deg; /* where the last column and the last row lie, in those angles:
                                     90 degrees apart; NaN: unknown */
} pl_screws;

/* pl_screws_read - section "plate" or "cell" of a profile.
 *   out  out  screws = 0 when there is no such section, or it tells of no screws; untouched on
 *             failure
 * Gives: PL_EARG for another section, PL_EIO, PL_EFORMAT (with the key and what was wanted). */
PL_API pl_status pl_screws_read(const char *path, const char *section, pl_screws *out, pl_err *err);

/* ---- optics: tolerances (plumb-zone) -------------------------------------------------------- */
/* pl_material_cte - linear thermal expansion near 20 C.
 *   material  in   a word of tube_material or mirror_material
 *   cte       out  1e-6 per C: the middle, and the range alloys and lay-ups cover; low and high may
 *                  be NULL
 * Gives: PL_EARG for an unknown word.
 * Source: engineering tables after the CRC Handbook and Kaye & Laby (second-hand). */
PL_API pl_status pl_material_cte(const char *material, double *cte, double *low, double *high,
                                 pl_err *err);

/* pl_focus_depth - travel allowed on EACH side of best focus before the wavefront error reaches a
 * quarter wave.
 *   lambda_um  in   wavelength, micrometres, (0, 20]
 *   f_ratio    in   focal length over clear aperture, [1, 50]
 *   half_um    out  micrometres along the optical axis
 * Gives: PL_OK, or PL_EARG when an input is out of range.
 * Formula: 2 lambda N^2, from W = dz / (8 N^2) = lambda / 4. Paraxial; derived here.
 *   Quarter-wave rule: Rayleigh 1879 (from memory, page not checked).
 * Trust: against the exact sagitta of a paraboloid it is 0.4 % too narrow at N = 4, 0.7 % at
 *   N = 3. */
PL_API pl_status pl_focus_depth(double lambda_um, double f_ratio, double *half_um, pl_err *err);

/* pl_focus_zone_common - half of the "critical focus zone" of 4.88 lambda N^2: the defocus whose
 * geometric blur is as wide as the Airy disc. Common practice, no source. Else as pl_focus_depth.
 */
PL_API pl_status pl_focus_zone_common(double lambda_um, double f_ratio, double *half_um,
                                      pl_err *err);

/* pl_focus_depth_seeing - the defocus on each side that lets the star's FWHM grow by a fraction.
 *   fwhm_um      in   of the star in focus, at the sensor
 *   obstruction  in   diameter ratio, [0, 0.8]
 *   growth       in   (0, 1]
 * Formula: quadrature of Gaussian-equivalent widths, FWHM^2 = FWHM0^2 + (ln2 / 2)(1 + e^2)
 *   (dz / N)^2; derived here.
 * Trust: within 11 % of the wave-optics answer (pl_star_depth) for 300 mm in 1.5 to 4 arcsec. */
PL_API pl_status pl_focus_depth_seeing(double fwhm_um, double f_ratio, double obstruction,
                                       double growth, double *half_um, pl_err *err);

/* pl_airy_radius - radius of the first dark ring of an annular aperture.
 * Formula: first zero of J1(v) - e J1(e v), r = v lambda N / pi (Born & Wolf 8.6.2, from memory).
 */
PL_API pl_status pl_airy_radius(double lambda_um, double f_ratio, double obstruction,
                                double *radius_um, pl_err *err);

/* pl_coma_w131 - Seidel coma (centre to rim) of a paraboloid seen `axis_arcmin` off its axis, or
 * tilted by that much.
 *   mirror_ratio  in   the mirror's OWN focal ratio, [1, 50]
 *   w131_um       out  wavefront, micrometres
 * Formula: theta D / (32 N^2), derived here from the tangential coma 3 theta / (16 N^2) of
 *   Schroeder, Astronomical Optics, ch. 6 (second-hand).
 * Trust: third order; 0.9 % high at N = 3 and 30 arcmin. */
PL_API pl_status pl_coma_w131(double aperture_mm, double mirror_ratio, double axis_arcmin,
                              double *w131_um, pl_err *err);

/* pl_coma_axis - the other way round: the axis error that gives a coma of `w131_um`. */
PL_API pl_status pl_coma_axis(double aperture_mm, double mirror_ratio, double w131_um,
                              double *axis_arcmin, pl_err *err);

/* pl_coma_rms - RMS of balanced coma over the annulus, as a fraction of W131.
 * Formula: Mahajan 1981, JOSA 71, 75 (from memory); 1 / sqrt(72) for a clear aperture. */
PL_API pl_status pl_coma_rms(double obstruction, double *fraction, pl_err *err);

/* pl_coma_w131_moments - the coma that lets the FWHM (geometric mean of both axes) grow by a
 * fraction, from the second moments of the rays and Gaussian-equivalent widths; derived here.
 * Trust: 6 to 27 % below the wave-optics answer (pl_star_coma_limit) for growths of 2 to 10 %
 *   in 1.5 to 4 arcsec, 300 mm. */
PL_API pl_status pl_coma_w131_moments(double fwhm_um, double f_ratio, double obstruction,
                                      double growth, double *w131_um, pl_err *err);

/* pl_thermal_shift - how far best focus moves against the focuser for each degree of warming.
 *   tube_mm             in   length of the tube that joins focuser and primary
 *   mirror_focal_mm     in   the primary's own focal length
 *   tube_cte, mirror_cte in  1e-6 per C
 *   um_per_c            out  um of drawtube travel per C, + = outward
 * Formula: -(a_tube L - a_mirror f), derived here; tube and mirror at one temperature. */
PL_API pl_status pl_thermal_shift(double tube_mm, double mirror_focal_mm, double tube_cte,
                                  double mirror_cte, double *um_per_c, pl_err *err);

/* pl_secondary - where a diagonal flat belongs. Offsets are away from the focuser and equally
 * towards the primary; sqrt(2) times that along the flat's face. */
typedef struct {
    double needed_mm;     /* minor axis of a flat that just takes the whole axial cone */
    double offset_mm;     /* centres the fully lit field */
    double concentric_mm; /* makes the outline concentric seen from the focus: another criterion */
    double lit_mm;        /* diameter of the fully lit field, 0 when the flat cuts the axial cone */
} pl_secondary;

/* pl_secondary_place
 *   aperture_mm, mirror_focal_mm  in  of the primary
 *   minor_mm     in   minor axis of the flat, less than the aperture
 *   to_focus_mm  in   flat's centre to the primary's own focus along the folded axis
 * Gives: PL_EARG when the flat does not lie between mirror and focus.
 * Formula: exact geometry of a flat at 45 degrees, derived here. */
PL_API pl_status pl_secondary_place(double aperture_mm, double mirror_focal_mm, double minor_mm,
                                    double to_focus_mm, pl_secondary *out, pl_err *err);

/* ---- optics: the image of a star through telescope and air --------------------------------- */

/* One telescope in one air: a clear or annular aperture behind long-exposure Kolmogorov turbulence
 * without outer scale (Fried 1966, JOSA 56, 1372, from memory). */
typedef struct {
    double aperture_mm;   /* [10, 20000] */
    double f_ratio;       /* effective, [1, 50] */
    double obstruction;   /* diameter ratio, [0, 0.8] */
    double lambda_um;     /* [0.1, 20] */
    double seeing_arcsec; /* FWHM of the air alone at that wavelength, [0, 60]; 0: no air */
} pl_optic;

/* pl_star_size - the star's image at a defocus, by wave optics (the pupil's exact transfer function
 * times the air's, Hankel transform by Gauss quadrature).
 *   defocus_um  in   at the sensor, either sign; up to 100 waves
 *   fwhm_um     out  twice the outermost radius at half the peak
 *   hfd_um      out  diameter holding half of all the light; either may be NULL
 * Gives: PL_EARG out of range, PL_ENOMEM.
 * Trust: 0.1 % of independent wave-optics values (300 mm, f/3, 2.5 arcsec). No pixels, no
 *   tracking error, no aberration but defocus. */
PL_API pl_status pl_star_size(const pl_optic *optic, double defocus_um, double *fwhm_um,
                              double *hfd_um, pl_err *err);

/* pl_star_depth - the defocus on each side at which the FWHM has grown by a fraction in (0, 1]. */
PL_API pl_status pl_star_depth(const pl_optic *optic, double growth, double *half_um, pl_err *err);

/* pl_star_coma - FWHM of a star in focus with coma: of the circle as large as the area inside the
 * contour at half the peak.
 *   w131_um  in   centre to rim, up to 20 waves in 1 arcsec or more */
PL_API pl_status pl_star_coma(const pl_optic *optic, double w131_um, double *fwhm_um, pl_err *err);

/* pl_star_coma_limit - the coma at which that FWHM has grown by a fraction in (0, 0.5]. */
PL_API pl_status pl_star_coma_limit(const pl_optic *optic, double growth, double *w131_um,
                                    pl_err *err);

/* ---- optics: one telescope's whole answer (plumb-zone) ------------------------------------- */

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

/* ---- optics: simulated frames (plumb-sim) ------------------------------------------------- */

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

/* ---- frame: a FITS file, read in strips -------------------------------------------------- */

/* pl_frame - one open frame. Plain files are read from disc when asked, never held in memory;
 * compressed ones are decoded once into 16-bit or float pixels. */
typedef struct pl_frame pl_frame;

/* pl_frame_open - open the first two-dimensional image of a FITS file (a cube of three planes gives
 * its green one), and read what its header says.
 *   path  in   goes to the disc as it is: no bracket, URL, pipe or '!' syntax
 *   jobs  in   threads for decoding, < 1: one per processor
 * Gives: PL_EIO when it cannot be opened, PL_EFORMAT when it is no FITS image or is cut short. */
PL_API pl_status pl_frame_open(const char *path, int jobs, pl_frame **out, pl_err *err);
PL_API void pl_frame_free(pl_frame *frame);

PL_API int pl_frame_width(const pl_frame *frame);
PL_API int pl_frame_height(const pl_frame *frame);

/* pl_frame_facts - what the header says; borrowed, lives as long as the frame. */
PL_API const pl_facts *pl_frame_facts(const pl_frame *frame);

/* pl_frame_notes - what was odd about the file; borrowed. */
PL_API const pl_notes *pl_frame_notes(const pl_frame *frame);

/* pl_frame_read - a rectangle of physical pixel values (BZERO and BSCALE applied).
 *   x, y, w, h  in   inside the frame
 *   out         out  [h][w], ADU, NaN where blank
 * Gives: PL_EARG outside the frame, PL_EIO when the file got shorter meanwhile.
 * Threads: any number on one frame. */
PL_API pl_status pl_frame_read(const pl_frame *frame, int x, int y, int w, int h, float *out,
                               pl_err *err);

/* pl_frame_thumb - the frame binned down by whole squares, for a picture.
 *   bin  in   even, so that a colour mosaic turns grey
 *   out  out  [height / bin][width / bin], mean ADU, NaN where all is blank */
PL_API pl_status pl_frame_thumb(const pl_frame *frame, int bin, int jobs, float *out, pl_err *err);

/* pl_sim_save - a simulated frame as FITS, 16 bit unsigned, header by the table of facts; written
 * whole or not at all.
 *   packed  in  Rice tile compression */
PL_API pl_status pl_sim_save(const pl_sim *sim, const char *path, bool packed, pl_err *err);

/* ---- frame: a folder in which exposures arrive (plumb-watch) --------------------------------- */

/* pl_watch - a folder, watched by the system's notices and, since shares on a network send none, by
 * reading it again every two seconds. Clocks may step: only the monotonic one is used. */
typedef struct pl_watch pl_watch;

/* A file that is completely written. Modified: nanoseconds since 1970. */
typedef struct {
    char *path; /* malloc'd */
    int64_t bytes, modified_ns;
} pl_arrival;

/* pl_watch_new - begin to watch. All frames that are there already arrive too.
 *   patience_s  in  a file that is shorter than its own header promises is waited for until it did
 *                   not grow for so long; then it arrives as it is
 * Gives: PL_EIO when there is no such folder. Free with pl_watch_free. */
PL_API pl_status pl_watch_new(const char *folder, double patience_s, pl_watch **out, pl_err *err);
PL_API void pl_watch_free(pl_watch *watch);

/* pl_watch_next - the next file: of those complete the one modified first. Names that end in .fits,
 * .fit, .fts, also with .fz or .gz behind, and do not begin with a dot. A file arrives again
 * when it was changed.
 *   wait_ms  in     return by then also without a file; a signal ends the wait too
 *   out      out    path NULL: none has come
 *   notes    inout  the folder is gone or back, a half-written file is waited for
 * Gives: PL_ENOMEM.
 * Complete is what its writer closed or renamed, or what did not change for a second (so always
 * where the last block of FITS is not full); and never what is shorter than its headers promise. */
PL_API pl_status pl_watch_next(pl_watch *watch, int wait_ms, pl_arrival *out, pl_notes *notes,
                               pl_err *err);

/* pl_watch_waiting - how many complete files pl_watch_next would hand out at once, at least. */
PL_API size_t pl_watch_waiting(const pl_watch *watch);

/* pl_arrival_same - the file has not been touched since. */
PL_API bool pl_arrival_same(const pl_arrival *arrival);
PL_API void pl_arrival_clear(pl_arrival *arrival);

/* pl_file_digest - SHA-256 (FIPS 180-4) of a file's bytes, in hexadecimal digits.
 * Gives: PL_EIO. */
PL_API pl_status pl_file_digest(const char *path, char digest[65], pl_err *err);

/* pl_digest_begin - the same by a thread of its own, while something else is done.
 *   path  in  borrowed until pl_digest_end
 * Gives: NULL when memory is short.
 * pl_digest_end - its answer, as pl_file_digest; PL_ENOMEM of NULL. */
typedef struct pl_digest pl_digest;
PL_API pl_digest *pl_digest_begin(const char *path);
PL_API pl_status pl_digest_end(pl_digest *running, char digest[65], pl_err *err);

/* ---- star: what one star's image is like ------------------------------------------------- */

/* What a detection turned out to be; only PL_STAR is measured and used. */
typedef enum {
    PL_STAR = 0,
    PL_SATURATED, /* clipped core */
    PL_BLENDED,   /* a neighbour spoils the shape */
    PL_EDGE,      /* too near the frame's edge or to masked pixels */
    PL_SHARP,     /* narrower than light can be: hot pixel or cosmic ray */
    PL_TRAIL,     /* far more stretched than the field: satellite, aircraft, cosmic-ray track */
    PL_EXTENDED,  /* far wider than the field: galaxy, nebula, ghost */
    PL_FAINT,     /* a star, but too faint to tell its shape */
    PL_NOISE,     /* nothing above the noise once measured */
    PL_KINDS
} pl_kind;

/* pl_kind_name - "saturated", "blended", ...: the plural-free word used in reports. */
PL_API const char *pl_kind_name(pl_kind kind);

/* One star. Shapes are those of the star as it fell on the pixels, before pixel integration. */
typedef struct {
    double x_px, y_px, x_sigma_px, y_sigma_px;
    double flux_adu, flux_sigma_adu; /* total, of the fitted profile */
    double peak_adu;                 /* brightest pixel above the sky */
    double sky_adu;                  /* local */
    double snr;                    /* flux / its sigma, shape known: background and photon noise */
    double fwhm_px, fwhm_sigma_px; /* geometric mean of major and minor */
    double fwhm_major_px, fwhm_major_sigma_px;
    double fwhm_minor_px, fwhm_minor_sigma_px;
    double eccentricity, eccentricity_sigma; /* sqrt(1 - minor^2 / major^2) */
    double angle_deg, angle_sigma_deg;       /* of the major axis, [0, 180) */
    double chi1, chi2, chi_sigma; /* (a^2 - b^2) / (a^2 + b^2) times cos, sin of 2 angle */
    double eta_sigma;             /* error of a component of ln(major / minor) / 2 */
    double beta;                  /* Moffat exponent, the frame's own */
    double hfd_px, hfd_sigma_px;  /* diameter holding half the total flux */
    /* Adaptive (Gaussian-weighted) moments in units of the weight's own width, pixels included:
     * spin 1 (flare, towards its angle), spin 3 (three-cornered), 4th order (0 for a Gaussian). */
    double moment_sigma_px; /* width of the weight, geometric mean */
    double flare1, flare2, flare_sigma;
    double corner1, corner2, corner_sigma;
    double kurtosis, kurtosis_sigma;
    double misfit;                           /* chi square per degree of freedom of the profile */
    double red_x_px, red_y_px, red_sigma_px; /* colour mosaics: centroid less the green one */
    double blue_x_px, blue_y_px, blue_sigma_px;
    double red_fwhm_px,
        red_fwhm_sigma_px; /* round, of those pixels; stretch and beta as in green */
    double blue_fwhm_px, blue_fwhm_sigma_px;
    pl_kind kind;
} pl_star;

/* ---- align: what the field says ---------------------------------------------------------- */

typedef enum { PL_INSIDE = 0, PL_OUTSIDE, PL_UNSURE } pl_state;

typedef enum {
    PL_CAUSE_NONE = 0,
    PL_CAUSE_FOCUS,
    PL_CAUSE_AIR,
    PL_CAUSE_TRACKING,
    PL_CAUSE_CLOUD,
    PL_CAUSE_COLLIMATION,
    PL_CAUSE_TILT,
    PL_CAUSE_SPACING,
    PL_CAUSE_MIRROR,
    PL_CAUSE_DEW
} pl_cause;

typedef struct {
    pl_state state;
    pl_cause cause;
    char text[240];   /* one line: what is wrong and by how much */
    char action[320]; /* what to do about it */
} pl_verdict;

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

/* ---- align: what donuts say of the collimation (plumb-donut) --------------------------------- */

/* Which side of focus the sensor stands on. One exposure looks the same from both. */
typedef enum { PL_SIDE_UNKNOWN = 0, PL_SIDE_OUT, PL_SIDE_IN } pl_side;

enum { PL_NOLL_FIRST = 4, PL_NOLL_LAST = 15 }; /* Noll's j that may be told */

/* A wavefront. Zernikes after Noll 1976 (JOSA 66, 207): RMS over the full circle. Pupil axes are
 * the frame's, as a donut outside focus shows the pupil; rays go to +2N grad W. While the side is
 * unknown, defocus, astigmatism, spherical and the shadow have the signs of a star outside. */
typedef struct {
    double defocus_um, defocus_sigma_um; /* + = sensor too far out */
    double zernike_nm[PL_NOLL_LAST + 1], zernike_sigma_nm[PL_NOLL_LAST + 1]; /* NaN: not fitted */
    double coma_nm, coma_sigma_nm, coma_deg, coma_sigma_deg;                 /* core to flare */
    double astigmatism_nm, astigmatism_sigma_nm;
    double astigmatism_deg, astigmatism_sigma_deg; /* NaN while the side is unknown */
    double trefoil_nm, trefoil_sigma_nm, trefoil_deg, trefoil_sigma_deg; /* [0, 120) */
    double spherical_nm, spherical_sigma_nm;
    double shadow_mm, shadow_sigma_mm, shadow_deg, shadow_sigma_deg; /* of the secondary */
    double seeing_arcsec, seeing_sigma_arcsec;
} pl_wavefront;

enum { PL_RING_ANGLES = 36 }; /* one each ten degrees, from +x towards +y */

/* One donut; its errors are photon and read noise. */
typedef struct {
    size_t frame;                                 /* of those given */
    double x_px, y_px, centre_sigma_px;           /* the rim's centre */
    double outer_px, inner_px;                    /* diameters of rim and hole */
    double hole_dx_px, hole_dy_px, hole_sigma_px; /* hole centre less rim centre */
    double snr;                                   /* of one pixel in the ring */
    bool used;
    char reason[96]; /* why not */
    pl_wavefront wave;
    double misfit;      /* chi square over degrees of freedom */
    double unexplained; /* part of the ring's light that the model misses beyond the noise */
    /* the picture: NULL for a donut that is not used */
    int side_px, x0_px, y0_px;
    float *seen, *model; /* [side_px][side_px] ADU; seen is NaN where masked */
    double rim_px[PL_RING_ANGLES], rim_sigma_px[PL_RING_ANGLES]; /* radius about the rim's centre */
    double bore_px[PL_RING_ANGLES], bore_sigma_px[PL_RING_ANGLES];
} pl_donut_star;

typedef struct {
    pl_side side;         /* of the first frame, when the user knows */
    bool pair;            /* two frames, one on each side */
    int last;             /* Noll's last j that is fitted, 11 or 15 */
    double seeing_arcsec; /* of the tolerance; NaN: what the donuts show */
    double wavelength_um; /* NaN: 0.53 on a mosaic, else 0.55 */
} pl_donut_options;

/* pl_donut - everything plumb-donut says of the frames it was given, together. */
typedef struct {
    size_t frames;
    int width_px, height_px;
    char mosaic[8];
    double lambda_um, obstruction; /* that were used */
    pl_donut_star *star;           /* [stars], usable ones first */
    size_t stars, used;
    pl_side side;           /* of the first frame */
    pl_wavefront wave;      /* of all, at the frame's centre; errors with the air's share */
    double centred_coma_nm; /* what a fit that takes the secondary for centred would say */
    double air_coma_nm;     /* the air's share of the error of coma */
    double place_coma_nm;   /* what the star's place would make without a corrector, when one cannot
                               be told; else 0 */
    double growth_coma_nm, growth_mm; /* allowed: where FWHM grows by the tolerance */
    double ideal_coma_nm, ideal_mm;   /* at lambda/14 */
    double tolerance_seeing_arcsec;
    double axis_mm, axis_sigma_mm, axis_deg, axis_sigma_deg; /* centre to coma-free point */
    pl_verdict verdict;
    pl_facts facts;
    pl_notes notes;
} pl_donut;

PL_API pl_donut_options pl_donut_defaults(void);

/* pl_donut_set - one option from text: "side", "pair" (value ignored), "terms", "seeing",
 * "wavelength". Gives: PL_EARG for an unknown name or value. */
PL_API pl_status pl_donut_set(pl_donut_options *options, const char *name, const char *value,
                              pl_err *err);

/* pl_donut_measure - find the donuts of frames of one telescope left as it is, fit each one's
 * wavefront, and say how the collimation stands.
 *   frame    in   [frames] open frames of one size, one to 64
 *   facts    in   from profile and command line; the first frame's header is merged under them
 *   jobs     in   threads, < 1: one per processor
 *   out      out  whole, or untouched; free with pl_donut_clear
 * Gives: PL_ENODATA when no donut can be read or an indispensable fact is missing (aperture, focal
 * length, pixel size): what was found, and what would help. */
PL_API pl_status pl_donut_measure(const pl_frame *const *frame, size_t frames,
                                  const pl_facts *facts, const pl_donut_options *options, int jobs,
                                  pl_donut *out, pl_err *err);
PL_API void pl_donut_clear(pl_donut *donut);

/* pl_hand - the gap that a hand over the tube's mouth, on the focuser's side, leaves in a ring. */
typedef struct {
    double x_px, y_px;         /* the ring */
    double gap_deg, width_deg; /* as the frame shows it */
    pl_side side;              /* told, or by a focuser_deg that was known before */
    double focuser_deg; /* as a donut outside focus shows it; NaN while the side is unknown */
} pl_hand;

/* pl_hand_find
 *   facts  in  focuser_deg, when known, tells the side; obstruction and saturation are used
 *   side   in  when the user knows it
 * Gives: PL_ENODATA when there is no ring with one gap. */
PL_API pl_status pl_hand_find(const pl_frame *frame, const pl_facts *facts, pl_side side, int jobs,
                              pl_hand *out, pl_err *err);

/* ---- align: the focal surface -------------------------------------------------------------- */

/* pl_surface - where best focus is over the sensor: S(x, y) = tilt_x x + tilt_y y + curvature
 * (r / half_diagonal)^2, um at the sensor relative to the frame's centre, + = further out, x and y
 * in mm from the centre. A sensor at z has a defocus of z - S there. Errors of the three terms are
 * those of `cov`, [tilt_x, tilt_y, curvature]. */
typedef struct {
    double tilt_x_um_mm, tilt_y_um_mm, curvature_um;
    double cov[3][3];
    double width_mm, height_mm;
    /* how a star's size answers */
    double blur_scale, blur_scale_sigma;            /* blur for each um of defocus over 1/N */
    double rest_x_um2, rest_y_um2, rest_corner_um2; /* square of the FWHM the optics add at the
                                                       right edge, the last row and the corners,
                                                       over the centre's */
    double rest_x_sigma_um2, rest_y_sigma_um2, rest_corner_sigma_um2; /* NaN: unknown */
    double seeing_um;                    /* FWHM of all but defocus at the centre, typical frame */
    double lambda_um;                    /* that was used */
    double best_steps, best_steps_sigma; /* focuser's number; NaN: none */
    double temperature_c;
    char date[32]; /* of the exposures, FITS; "" when unknown */
    int width_px, height_px;
    double pixel_um, binning;
    double focal_mm; /* of the telescope it was measured with */
} pl_surface;

/* The four outer corners: x1 = first column, y1 = first row. */
enum { PL_X1Y1, PL_X2Y1, PL_X1Y2, PL_X2Y2, PL_CORNERS };

/* What is told of a surface in words and numbers. */
typedef struct {
    double tilt_um_mm, tilt_arcmin, tilt_deg; /* direction in which best focus moves out */
    double tilt_sigma_um_mm, tilt_sigma_arcmin, tilt_sigma_deg;
    double across_um, across_sigma_um; /* tilt from corner to corner, in its own direction */
    double corner_um[PL_CORNERS], corner_sigma_um[PL_CORNERS];
} pl_surface_told;

/* pl_surface_at - S and its error at (x, y) mm from the centre; sigma may be NULL. */
PL_API double pl_surface_at(const pl_surface *s, double x_mm, double y_mm, double *sigma);
PL_API pl_surface_told pl_surface_tell(const pl_surface *s);

/* pl_surface_settings - what [surface] of a profile holds, for one pl_profile_set together with
 * other keys. Unknown numbers are written as "-", so that none of an older surface stays.
 *   out  out  [most], PL_SURFACE_SETTINGS to have all
 * Gives: how many there are. */
enum { PL_SURFACE_SETTINGS = 30 };
PL_API size_t pl_surface_settings(const pl_surface *s, pl_setting *out, size_t most);

/* pl_surface_save - write [surface] to a profile, as pl_profile_set does.
 * pl_surface_read - from [surface] of a profile, or from JSON of plumb-sweep or plumb-tilt in which
 * one object holds a surface. Numbers not told are NaN, `out` is untouched on failure.
 * Gives: PL_EIO, PL_ENODATA when the file holds no surface or its sign is not known, PL_EFORMAT
 * when what it holds is none. */
PL_API pl_status pl_surface_save(const pl_surface *s, const char *profile, pl_err *err);
PL_API pl_status pl_surface_read(const char *path, pl_surface *out, pl_err *err);

/* ---- align: did it help? --------------------------------------------------------------------- */

/* What became of one fault between two measurements. */
typedef enum { PL_SAME = 0, PL_BETTER, PL_WORSE, PL_MIXED } pl_change_state;

/* One thing compared. The fault is a length (of a vector, of a signed number); `better` is a
 * shorter one. */
typedef struct {
    char name[32];
    const char *unit;                                /* "" for none */
    double before, before_sigma, after, after_sigma; /* signed where the fault has a sign */
    double change, change_sigma;                     /* of the fault's length: after less before */
    double moved, moved_sigma, moved_deg; /* difference of two vectors; NaN where there is none */
    double tolerance;                     /* of the fault's length; NaN: none */
    double chance; /* that the errors alone make so much, corrected for all that is compared (Holm);
                      NaN: not compared */
    bool seen;     /* it changed beyond the errors */
    pl_change_state state; /* never PL_MIXED */
    char text[160];        /* what that says, in words */
} pl_change;

/* One box of the frame, both frames cut alike. */
typedef struct {
    double x_px, y_px; /* its middle */
    size_t before_stars, after_stars;
    pl_change size;    /* how far its FWHM departs from the mean of all zones, a fraction */
    pl_change stretch; /* its mean ellipticity chi */
    double before_deg, after_deg; /* axis of that */
} pl_zone_change;

enum { PL_CHANGES_MAX = 12 };

/* pl_changes - everything that is told of two measurements of one telescope, the second after an
 * adjustment. Free with pl_changes_clear. */
typedef struct {
    pl_change item[PL_CHANGES_MAX];
    size_t items;
    pl_zone_change *zone; /* [rows][columns], from column 1 and row 1; NULL: none */
    size_t columns, rows;
    pl_change_state state; /* of what the adjustment can have done */
    char text[240];        /* one line: what became of it */
    char action[320];      /* what to do about it */
    pl_notes notes;
} pl_changes;

/* pl_field_change - two frames of one camera, compared pattern by pattern and zone by zone.
 * Amplitudes of `after` are told as the air of `before` would show them.
 * Gives: PL_EARG when the frames cannot be compared (size, mosaic, scale, place on the sensor),
 * PL_ENODATA when one has too few stars for patterns.
 * Statistics: a difference is seen where Holm's procedure (1979, Scand. J. Statist. 6, 65, from
 * memory) rejects "nothing changed" at 1 % for all items together, and at 1 % for all zones. */
PL_API pl_status pl_field_change(const pl_field *before, const pl_field *after, pl_changes *out,
                                 pl_err *err);

/* pl_donut_change - the same of two answers from donuts. Defocus is compared but not judged. */
PL_API pl_status pl_donut_change(const pl_donut *before, const pl_donut *after, pl_changes *out,
                                 pl_err *err);

/* pl_surface_change - the same of two focal surfaces: tilt vector, curvature.
 *   allowed_um  in  defocus each side that may pass, as in pl_tilt; NaN: not known
 * Gives: PL_EARG when they are of two sensors. A surface without errors is not compared. */
PL_API pl_status pl_surface_change(const pl_surface *before, const pl_surface *after,
                                   double allowed_um, pl_changes *out, pl_err *err);
PL_API void pl_changes_clear(pl_changes *changes);
/* ---- align: is the sensor square? (plumb-tilt) ----------------------------------------------- */

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
/* ---- align: adjusting screws (plumb-turn) ---------------------------------------------------- */

typedef enum {
    PL_TURN_COMA = 0, /* frame's centre to the coma-free point, mm at the sensor */
    PL_TURN_TILT      /* slope of the focal surface, um/mm, + = further out */
} pl_turn_kind;

/* One measurement, and what was turned since the one before. */
typedef struct {
    pl_turn_kind kind;
    double x, y;       /* along the frame's axes, in the unit of its kind */
    double xx, xy, yy; /* their covariance */
    double allowed;    /* the length that passes; NaN: not told */
    double star_x_px,
        star_y_px;              /* where the star stood, FITS pixels as in the JSON; NaN: no star */
    int width_px, height_px;    /* of the frame; 0: not told */
    char date[32];              /* "" when unknown */
    double turn[PL_SCREWS_MAX]; /* of screws A, B, ...; + = clockwise as the person sees it */
} pl_turn_entry;

/* A log, oldest entry first. Start from a cleared one, free with pl_turnlog_clear. */
typedef struct {
    pl_turn_entry *entry; /* [entries] */
    size_t entries, cap;
    pl_notes notes; /* lines that a broken-off run left unfinished */
} pl_turn_log;

/* pl_turn_measured - the measurement in the last line of a file of JSON Lines, by plumb-donut,
 * plumb-sweep or plumb-tilt; nothing turned.
 * Gives: PL_EIO, PL_EFORMAT when it is no such JSON, PL_ENODATA when the vector, its error or the
 * star's place is not in it. */
PL_API pl_status pl_turn_measured(const char *path, pl_turn_entry *out, pl_err *err);

/* pl_turn_told - "A=1/4", "b=-0.125": turns of one screw, + = clockwise, at most 8.
 * Gives: PL_EARG when it is none, or names a screw that `entry` has a turn of already. */
PL_API pl_status pl_turn_told(pl_turn_entry *entry, const char *text, pl_err *err);

/* pl_turnlog_read - plain text, an entry a line; "#" begins a remark. A line that does not end as
 * entries do was broken off: it is left out, and noted.
 *   must_exist  in  false: a missing file is an empty log
 * Gives: PL_EIO, PL_EFORMAT (with the line). */
PL_API pl_status pl_turnlog_read(const char *path, bool must_exist, pl_turn_log *out, pl_err *err);

/* pl_turnlog_accepts - whether a measurement belongs into this log: of the same kind, frames of one
 * size, the star within 5 % of the frame's diagonal of where the first one stood (bare coma grows
 * with the field), nothing turned before the first measurement, not the last one over again.
 * Gives: PL_EARG and a sentence when not. */
PL_API pl_status pl_turnlog_accepts(const pl_turn_log *log, const pl_turn_entry *entry,
                                    pl_err *err);

/* pl_turnlog_append - one line more, at the end and on the disc when this returns. What stood in
 * the file stays as it is. */
PL_API pl_status pl_turnlog_append(const char *path, const pl_turn_entry *entry, pl_err *err);
PL_API void pl_turnlog_clear(pl_turn_log *log);

typedef struct {
    char screws[8];     /* "cell", "plate", "" for what the log is about; or how many, "3", of which
                           nothing else is known */
    bool free;          /* focus may move */
    double focuser_deg; /* where the focuser lies, in the angles of pl_screws; NaN: not told */
} pl_turn_options;

/* What one screw does and shall do. */
typedef struct {
    double turn, exact; /* to be made, rounded for the hand and not; + = clockwise */
    double travel_um;   /* of the screw, + = away from the person; NaN: unknown */
    double x, y;        /* what one turn clockwise does to the vector */
    double x_sigma, y_sigma;
} pl_turn_screw;

/* pl_turns - what plumb-turn says of a log. */
typedef struct {
    pl_turn_entry now; /* the last entry */
    double first_x, first_y;
    size_t rounds;        /* of turning and measuring that lie behind */
    double length, sigma; /* of the vector now */
    char section[8];      /* "cell", "plate"; "": the screws are only counted */
    pl_screws geometry;   /* screws = 0 when they are only counted */
    size_t screws;
    pl_turn_screw screw[PL_SCREWS_MAX];
    bool free;
    bool turn;       /* something is to be turned */
    bool trial;      /* to learn how the screws act, not yet to mend */
    bool either_way; /* a trial for which the other direction serves as well */
    bool part;       /* more than two turns at once: a part of the way */
    double step;     /* the turns are multiples of this */
    double left_x, left_y, left_xx, left_xy, left_yy; /* expected after the turns */
    double left, left_exact; /* rms length expected then, with and without rounding */
    double focus_um;         /* how far focus moves by the turns, at the screws; NaN: unknown */
    double columns_deg, rows_deg; /* as the turns show, in the angles of pl_screws; NaN: unknown */
    bool oriented;                /* the profile told them */
    pl_verdict verdict;
    pl_notes notes;
} pl_turns;

PL_API pl_turn_options pl_turn_defaults(void);

/* pl_turn_set - one option from text: "screws", "free" (value ignored), "focuser".
 * Gives: PL_EARG for an unknown name or value. */
PL_API pl_status pl_turn_set(pl_turn_options *options, const char *name, const char *value,
                             pl_err *err);

/* pl_turn_solve - what to turn next.
 *   profile  in   where [cell] or [plate] stand; NULL: none
 *   facts    in   focal_mm (for coma), focuser_deg
 *   out      out  whole, or untouched; free with pl_turn_clear
 * A linear model, v = v0 + sum R_k turns_k, with a Gaussian belief about v and each R_k for every
 * way the camera may show the screws that is not yet ruled out (turned by any angle, mirrored or
 * not), each weighed by how well it foretold what was measured.
 * Gives: PL_ENODATA for a log without an entry, or when the screws' geometry is not told. */
PL_API pl_status pl_turn_solve(const pl_turn_log *log, const char *profile, const pl_facts *facts,
                               const pl_turn_options *options, pl_turns *out, pl_err *err);
PL_API void pl_turn_clear(pl_turns *turns);
/* ---- align: through focus (plumb-sweep) ------------------------------------------------------ */

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

/* ---- align: one exposure, focus and air (plumb-check) ---------------------------------------- */

enum { PL_SENSE_CURVE = 121, PL_SENSE_CELLS = 48 };

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
    bool surface_fits;             /* and the widths are as it lets them be */
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

/* ---- align: a whole night (plumb-night) ------------------------------------------------------ */

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

/* pl_subs_is_log - whether a file is JSON Lines rather than a frame: it begins with a brace. */
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
/* ---- align: exposures one after the other (plumb-watch) -------------------------------------- */

/* pl_match - the same stars in two exposures of one field. */
typedef struct {
    size_t stars;                  /* that are in both */
    double shift_x_px, shift_y_px; /* what lay at the first frame's centre lies so far from the
                                      second's */
    double rotation_deg;           /* of the stars, + from +x to +y; (-180, 180] */
    double scale;                  /* 1: none */
    double scatter_px;             /* of one coordinate about that */
    double transparency, transparency_sigma; /* light per second of the second over the first */
    double spread, spread_sigma;             /* width of the second over the first */
} pl_match;

/* pl_match_fields - by pairs of bright stars, then least squares over all. Frames may lie up to
 * half a frame apart, turned by up to a degree, or by that and half a turn. Gives: PL_ENODATA when
 * the stars are not the same ones (too few fit, or no more than chance lets fit), PL_EARG for
 * frames of two sizes. Trust: ratios are medians over stars. Exposure times that are not told count
 * as equal. Shading of the field and a filter are not known here; a profile that changes its form
 * moves the light by a few per cent. */
PL_API pl_status pl_match_fields(const pl_field *before, const pl_field *after, pl_match *out,
                                 pl_err *err);

/* What one exposure of a night leaves behind. NaN: unknown. */
typedef struct {
    double minutes; /* start of the exposure, since 2000; NaN without DATE-OBS */
    double defocus_um, defocus_sigma_um, zone_um;
    double fwhm_px, fwhm_arcsec, seeing_arcsec;
    double transparency, transparency_sigma, spread, spread_sigma; /* against the reference */
    double airmass;
    pl_state state;
    pl_cause cause;
} pl_past;

enum { PL_PAST = 120 };

/* The last exposures, oldest first. Start from { .n = 0 }. */
typedef struct {
    pl_past past[PL_PAST];
    size_t n;
} pl_history;

PL_API void pl_history_add(pl_history *history, const pl_past *past);

typedef enum { PL_FADE_NONE = 0, PL_FADE_CLOUD, PL_FADE_FALL, PL_FADE_DEW } pl_fade;

/* pl_history_fade - what the stars' light did over the last dozen exposures of one field, the air's
 * usual extinction (0.2 mag for each airmass, common practice) taken off.
 * Gives: CLOUD, the last one is more than 30 % below the best; FALL, it fell steadily by more than
 * 15 %; DEW, that while the stars spread by more than 5 %; else NONE. Each beyond 4 sigma. */
PL_API pl_fade pl_history_fade(const pl_history *history);

/* pl_follow - exposures of a night as they come: each one's focus and air (pl_check_frame), and its
 * stars' light and width against those of a reference, the sharpest of the first five exposures of
 * a field. A few fields and filters are kept in mind, the one not seen longest is forgotten. An
 * exposure with less than half the reference's stars, and not those, is held against it all the
 * same: cloud hides fields; three of them in a row are a new field. */
typedef struct pl_follow pl_follow;

/* pl_followed - one exposure's whole answer; free with pl_followed_clear. */
typedef struct {
    pl_check check;
    bool matched; /* `match` against the reference holds */
    pl_match match;
    char reference[256]; /* its file's name; "": none, or this exposure itself is the new one */
    pl_fade fade;
    pl_verdict verdict; /* check's, unless the sky rules */
    pl_past past;       /* what the history keeps of it */
} pl_followed;

/* pl_follow_new
 *   surface  in  as for pl_check_frame, borrowed; NULL: none
 *   options  in  NULL: the defaults */
PL_API pl_status pl_follow_new(const pl_surface *surface, const pl_check_options *options,
                               pl_follow **out, pl_err *err);
PL_API void pl_follow_free(pl_follow *follow);

/* pl_follow_frame - the next exposure.
 *   field  inout  measured; emptied when it becomes the reference
 *   name   in     of its file
 * Gives: as pl_check_frame; nothing is learnt on failure. */
PL_API pl_status pl_follow_frame(pl_follow *follow, pl_field *field, const char *name, int jobs,
                                 pl_followed *out, pl_err *err);
PL_API void pl_followed_clear(pl_followed *followed);

/* pl_follow_refer - take this exposure for a reference, as before a night's watch was broken off.
 */
PL_API void pl_follow_refer(pl_follow *follow, pl_field *field, const char *name);

/* pl_follow_history - borrowed, may be changed. */
PL_API pl_history *pl_follow_history(pl_follow *follow);

/* ---- report: words, JSON, tables, pictures ----------------------------------------------- */

PL_API const char *pl_state_word(pl_state state); /* "inside", "outside", "unsure" */
PL_API const char *pl_cause_word(pl_cause cause); /* "focus", "air", ..., "none" */

/* Each gives malloc'd text, or NULL when memory is short. `file` is what the user called it. */
PL_API char *pl_field_text(const pl_field *field, const char *file);
PL_API char *pl_field_json(const pl_field *field, const char *file, bool with_stars);
/* ECSV 1.0: a star a row, the units in the header. */
PL_API char *pl_field_table(const pl_field *field, const char *file);

/* What donuts say, and its picture: the unrolled ring, the image beside its model, a plan of the
 * frame. `file`: [donut->frames] */
PL_API char *pl_donut_text(const pl_donut *donut, const char *const *file);
PL_API char *pl_donut_json(const pl_donut *donut, const char *const *file);
PL_API char *pl_hand_text(const pl_hand *hand, const char *file);
PL_API char *pl_hand_json(const pl_hand *hand, const char *file);
PL_API pl_status pl_donut_draw(const pl_donut *donut, const char *const *file, bool red,
                               const char *png, pl_err *err);

/* What changed. `against`: the frame or frames of the measurement before, as the user called them.
 * pl_changes_text - the verdict, what to do, then a line for each thing compared.
 * ..._json_against - as the program's own line, with the object "change". */
PL_API char *pl_changes_text(const pl_changes *changes, const char *file,
                             const char *const *against, size_t n);
PL_API char *pl_field_json_against(const pl_field *field, const char *file, bool with_stars,
                                   const pl_changes *changes, const char *against);
PL_API char *pl_donut_json_against(const pl_donut *donut, const char *const *file,
                                   const pl_changes *changes, const char *const *against, size_t n);
PL_API char *pl_tilt_json_against(const pl_tilt *tilt, const char *file, const pl_changes *changes,
                                  const char *against);

/* The picture of what changed: for a field its zones and its patterns, before and after; for
 * donuts the coma vectors with their errors; for focal surfaces the tilt vectors. */
PL_API pl_status pl_field_change_draw(const pl_field *after, const pl_changes *changes,
                                      const char *against, const char *file, bool red,
                                      const char *png, pl_err *err);
PL_API pl_status pl_donut_change_draw(const pl_donut *before, const pl_donut *after,
                                      const pl_changes *changes, const char *against,
                                      const char *file, bool red, const char *png, pl_err *err);
PL_API pl_status pl_tilt_change_draw(const pl_surface *before, const pl_tilt *after,
                                     const pl_changes *changes, const char *against,
                                     const char *file, bool red, const char *png, pl_err *err);
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
/* What to turn, and its picture: the screws as seen from behind, what each gets, where the vector
 * is and goes. `file`: the log. */
PL_API char *pl_turn_text(const pl_turns *turns, const char *file);
PL_API char *pl_turn_json(const pl_turns *turns, const char *file);
PL_API pl_status pl_turn_draw(const pl_turns *turns, const char *file, bool red, const char *png,
                              pl_err *err);
/* What a series through focus says, and its picture: the curve, and the map of best focus.
 * `file`: [sweep->frames] */
PL_API char *pl_sweep_text(const pl_sweep *sweep, const char *const *file);
PL_API char *pl_sweep_json(const pl_sweep *sweep, const char *const *file);
PL_API pl_status pl_sweep_draw(const pl_sweep *sweep, const char *const *file, bool red,
                               const char *png, pl_err *err);

/* What one exposure says of focus and air. */
PL_API char *pl_check_text(const pl_check *check, const char *file);
PL_API char *pl_check_json(const pl_check *check, const char *file);
PL_API pl_status pl_check_draw(const pl_check *check, const char *file, bool red, const char *png,
                               pl_err *err);

/* A whole night, and its picture: defocus in its zone against time, temperature below, thin strips
 * of air, shape and sky, the grades. */
PL_API char *pl_night_text(const pl_night *night);
PL_API char *pl_night_json(const pl_night *night);
PL_API pl_status pl_night_draw(const pl_night *night, bool red, const char *png, pl_err *err);
/* pl_night_list - the files of one grade, a line each. */
PL_API char *pl_night_list(const pl_night *night, pl_grade grade);
/* ---- report: a watched night (plumb-watch) ----------------------------------------------------
 */

/* pl_watchlog - JSON Lines, one for each content that arrived, found again by its SHA-256. */
typedef struct pl_watchlog pl_watchlog;

/* What a log holds already. */
typedef struct {
    size_t lines, strange; /* of ours, and of others; these stay as they are */
    bool torn;             /* its last line had no end, and was cut off */
    pl_history history;
    char reference[256]; /* that the last exposures were held against; "": none */
} pl_watched_before;

/* pl_watchlog_open - open or begin a log, lock it and read what it holds.
 *   path  in  NULL: none, all is kept in memory
 * Gives: PL_EIO, also when another process holds it. Free with pl_watchlog_close, which does not
 * write. */
PL_API pl_status pl_watchlog_open(const char *path, pl_watchlog **out, pl_watched_before *before,
                                  pl_err *err);
PL_API void pl_watchlog_close(pl_watchlog *log);

/* pl_watchlog_knows - a file of this name, size and time of change is in it: not to be read again.
 * pl_watchlog_has - this content is.
 * pl_watchlog_twin - know this file from now on: its content is in it under another name. */
PL_API bool pl_watchlog_knows(const pl_watchlog *log, const pl_arrival *arrival);
PL_API bool pl_watchlog_has(const pl_watchlog *log, const char *digest);
PL_API pl_status pl_watchlog_twin(pl_watchlog *log, const pl_arrival *arrival, pl_err *err);

/* pl_watchlog_add - one line more, at the file's end and on the disc when this returns PL_OK.
 *   line  in  with its end
 * Gives: PL_EIO when it cannot be written: it waits, and goes with the next one or with
 * pl_watchlog_flush. PL_ENOMEM: nothing was taken. */
PL_API pl_status pl_watchlog_add(pl_watchlog *log, const pl_arrival *arrival, const char *digest,
                                 const char *line, pl_err *err);
PL_API pl_status pl_watchlog_flush(pl_watchlog *log, pl_err *err);
/* pl_watchlog_renewed - whether it was deleted or moved away since this was asked last; a new one
 * was begun under its name. */
PL_API bool pl_watchlog_renewed(pl_watchlog *log);
PL_API size_t pl_watchlog_waiting(const pl_watchlog *log); /* lines not written yet */
PL_API bool pl_watchlog_full(const pl_watchlog *log);      /* no more of them can wait */

/* pl_watch_json - the log's line of one exposure: plumb-check's, and what only a watcher knows.
 * pl_watch_error_json - of a file that could not be measured. */
PL_API char *pl_watch_json(const pl_followed *followed, const pl_arrival *arrival,
                           const char *digest);
PL_API char *pl_watch_error_json(const char *why, const pl_arrival *arrival, const char *digest);
/* The same of a frame read for its donuts: plumb-donut's line, and what only a watcher knows. */
PL_API char *pl_watch_donut_json(const pl_donut *donut, const pl_arrival *arrival,
                                 const char *digest);

/* pl_watch_short - the one thing to know, in a few words: "in 21 um", "cloud", "ok". */
typedef struct {
    char s[48];
    int way; /* -1: inwards, +1: outwards, 0: neither */
} pl_watch_word;
PL_API pl_watch_word pl_watch_short(const pl_followed *followed);

/* pl_watch_text - one line of at most 80 columns.
 *   clock  in  what the watch shows, "23:14:05" */
PL_API char *pl_watch_text(const pl_followed *followed, const char *file, const char *clock);

/* pl_watch_donut_text - the same of donuts, what to do in a second line. */
PL_API char *pl_watch_donut_text(const pl_donut *donut, const char *file, const char *clock);

/* pl_watch_head - what stands over such lines. */
PL_API const char *pl_watch_head(void);

/* pl_watch_draw - the night so far: focus in its zone, the air, the stars' light.
 *   title  in  the verdict */
PL_API pl_status pl_watch_draw(const pl_history *history, const char *title, bool red,
                               const char *png, pl_err *err);

/* pl_big_text - a few words (letters, figures, "+-.%?") in letters of block graphics, to be read
 * from the other end of the tube: as large as fits.
 *   columns, rows  in  of the terminal
 *   utf8           in  else '#'
 * Gives: malloc'd lines; NULL when memory is short. */
PL_API char *pl_big_text(const char *words, int columns, int rows, bool utf8);

/* The words for it, with an arrow in front: of focus to the left for inwards, to the right for
 * outwards; of donuts the way the star must go, as maps of the frame show it, and how far. */
PL_API pl_watch_word pl_big_followed(const pl_followed *followed);
PL_API pl_watch_word pl_big_donut(const pl_donut *donut);

/* pl_scene_template - every key of a scene with its meaning, range and default: itself a scene. */
PL_API char *pl_scene_template(void);

/* pl_sim_text - what was rendered, in a line. */
PL_API char *pl_sim_text(const pl_sim *sim, const char *file);

/* pl_sim_truth - what is true of a simulated frame, as one line of JSON under the measuring
 * programs' own keys; `file` is what the frame was called. */
PL_API char *pl_sim_truth(const pl_sim *sim, const char *file);

/* pl_write_whole - write a file whole or not at all (temporary name beside it, then rename). */
PL_API pl_status pl_write_whole(const char *path, const void *data, size_t size, pl_err *err);

typedef struct {
    bool red;   /* deep red on black */
    bool plain; /* no frame under the map */
    int jobs;
} pl_look;

/* pl_field_draw - the map of the field as PNG.
 *   frame  in  for the picture underneath; may be NULL with look.plain */
PL_API pl_status pl_field_draw(const pl_field *field, const pl_frame *frame, const char *file,
                               const pl_look *look, const char *png, pl_err *err);

#ifdef __cplusplus
}
#endif
#endif
