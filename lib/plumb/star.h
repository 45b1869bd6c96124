/* SPDX-License-Identifier: GPL-3.0-or-later */
/* star.h - what one star's image is like. Part of plumb.h. */
#ifndef PL_PUBLIC_STAR_H
#define PL_PUBLIC_STAR_H

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

#endif
