/* SPDX-License-Identifier: GPL-3.0-or-later */
/* mkframe - invented FITS frames with known truth, for tests, benches and samples.
 *
 * An independent source of truth: nothing of lib/ is used here, so an error in the library
 * cannot hide by being made twice.
 *
 *   mkframe.c        options, the order of work
 *   mkframe_rand.c   random numbers: uniform, normal, Poisson
 *   mkframe_star.c   profiles integrated over pixels; trails, cosmic rays, galaxies
 *   mkframe_scene.c  which sources stand where, the field patterns
 *   mkframe_truth.c  classes, isolation, the truth table
 *   mkframe_frame.c  sky, noise, and the FITS file
 *
 * Positions are FITS positions throughout: the first pixel's centre is (1, 1). Brightness is
 * in ADU above the pedestal; electrons = ADU x gain. Angles run from +x towards +y, degrees. */
#ifndef MKFRAME_H
#define MKFRAME_H

#include <math.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifndef M_PI
#define M_PI 3.14159265358979323846
#endif
#define DEG        (M_PI / 180.0)
#define FWHM_SIGMA 2.3548200450309493 /* 2 sqrt(2 ln 2) */

enum { MAX_HEADER = 64, BLOBS = 24 };

/* lo = hi: one value. NaN: not given. Infinite beta: a Gaussian. */
struct range {
    double lo, hi;
};

/* What the command line said; one field per option, units as in --help. */
struct cfg {
    const char *out, *truth, *list, *compress, *mosaic, *bayerpat, *roworder, *date_obs;
    const char *header[MAX_HEADER]; /* KEY=VALUE */
    int n_header;
    long width, height, bitpix, seed, stars, blends, saturated, hot, cosmics, trails, galaxies;
    long dead_columns, nan;
    bool grid, no_noise, bare;
    double sky, sky_rgb[3], gain, read_noise, pedestal, saturation, wing, border;
    double gradient, gradient_angle, nebula, vignette;
    struct range snr, flux, fwhm, beta, ecc, rg, bg, trail_snr, galaxy_snr;
    double angle, stretch[2], outward, turning[3], slope[2], flare[3], corners[3], dispersion[3];
    double pixel_um, focal_mm, aperture_mm, exptime;
};

/* ---- mkframe.c */
/* One sentence on stderr, then exit status 2. */
void die(const char *fmt, ...) __attribute__((noreturn, format(printf, 1, 2)));
void *must_alloc(size_t count, size_t size); /* zeroed; dies when there is no memory */
bool parse_number(const char *text, double *value);

/* ---- mkframe_rand.c */
struct rng {
    uint64_t s[4];
};
/* Independent streams: what one part of the scene draws never moves another part. */
enum stream {
    S_STAR = 1,
    S_LIST,
    S_BLEND,
    S_SATURATED,
    S_HOT,
    S_COSMIC,
    S_TRAIL,
    S_GALAXY,
    S_NEBULA,
    S_DEAD,
    S_NAN,
    S_ROW
};

void rand_init(void); /* fills the tables; call once */
void rng_seed(struct rng *r, uint64_t seed, enum stream stream, uint64_t index);
double rng_uniform(struct rng *r); /* (0, 1) */
double rng_between(struct rng *r, struct range span);
double rng_log_between(struct rng *r, struct range span);
double rng_normal(struct rng *r);
double rng_poisson(struct rng *r, double mean); /* exact law; for means up to about 100 */

/* ---- mkframe_star.c */
enum kind { STAR, SATURATED, BLENDED, EDGE, HOT, COSMIC, TRAIL, GALAXY, DEAD_COLUMN, NAN_PIXEL };

/* One thing on the frame. What a kind has no use for is NaN. */
struct source {
    enum kind kind;
    bool isolated;
    double x, y;               /* FITS px; trail: a point on it */
    double flux;               /* ADU in all, on green pixels of a mosaic */
    double snr;                /* star, galaxy: flux SNR; trail: peak over sky noise */
    double fwhm, major, minor; /* px, optical profile; cosmic ray: major = length */
    double ecc, angle;         /* degrees; the major axis */
    double beta;               /* infinite: Gaussian */
    double rg, bg;             /* red/green and blue/green flux ratio */
    double reach;              /* px, how far it is drawn */
};

/* The plane drawn into: light above the sky, ADU, row-major, first pixel (1, 1). */
struct plane {
    long width, height;
    float *adu;
    int colour[4]; /* [2 (y-1 & 1) + (x-1 & 1)]: 0 red, 1 green, 2 blue; mono: all 1 */
};

void star_init(void);                     /* fills the quadrature tables; call once */
double star_peak(const struct source *s); /* peak per px^2 of the optical profile at unit flux */
double star_density(const struct source *s, double distance_px); /* same, off centre, as if round */
/* Draw one source; pixels that would receive less than cut_adu are left out. Sets s->reach. */
void draw_source(const struct cfg *c, struct plane *p, struct source *s, double cut_adu);

/* ---- mkframe_frame.c */
/* Sky under a pixel, ADU without pedestal; colour as in struct plane. */
double sky_at(const struct cfg *c, double x, double y, int colour);
double vignette_at(const struct cfg *c, double x, double y);
void sky_init(const struct cfg *c); /* places the nebula; call once */
void write_frame(const struct cfg *c, const struct plane *p);

/* ---- mkframe_scene.c */
struct scene {
    struct source *item;
    long count, room;
};
void build_scene(const struct cfg *c, struct scene *s);
void draw_scene(const struct cfg *c, struct scene *s, struct plane *p);

/* ---- mkframe_truth.c */
void label_scene(const struct cfg *c, struct scene *s, const struct plane *p); /* after drawing */
void write_truth(const struct cfg *c, const struct scene *s);

#endif
