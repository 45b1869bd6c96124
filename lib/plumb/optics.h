/* SPDX-License-Identifier: GPL-3.0-or-later */
/* optics.h - the profile, tolerances, the image of a star. Part of plumb.h. */
#ifndef PL_PUBLIC_OPTICS_H
#define PL_PUBLIC_OPTICS_H

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

#endif
