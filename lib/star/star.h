/* SPDX-License-Identifier: GPL-3.0-or-later */
/* star.h - find stars, measure one star. Private to libplumb. */
#ifndef PL_STAR_H
#define PL_STAR_H

#include "../frame/frame.h"

#include <stdatomic.h>

/* ---- detect.c */

/* One bump above the sky. */
typedef struct {
    double x_px, y_px;
    float score; /* matched-filter signal to noise at the best of the scales */
    int scale;   /* 0..2: filter of FWHM about 3, 6, 12 px */
} pl_bump;

/* pl_detect - matched filter at three octaves on the frame binned 2 x 2 (a colour mosaic turns grey
 * there), local maxima above `limit` sigma, one bump for each object.
 *   limit  in   in units of the filtered map's own noise
 *   bump   out  [n] malloc'd, brightest first
 * Same input, same list on any number of threads. */
pl_status pl_detect(const pl_frame *frame, const pl_sky *sky, double limit, int jobs,
                    pl_bump **bump, size_t *n, pl_err *err);

/* ---- nearby.c */

enum { PL_NEARBY_SIDE = 64 }; /* px; neighbours up to this far are found */

typedef struct {
    int gx, gy;
    int64_t *head, *next;
} pl_nearby;

typedef struct {
    const pl_nearby *nb;
    int cx, cy, step;
    int64_t item;
} pl_nearby_walk;

pl_status pl_nearby_new(int width, int height, size_t items, pl_nearby *out, pl_err *err);
void pl_nearby_clear(pl_nearby *nb);
void pl_nearby_add(pl_nearby *nb, size_t item, double x_px, double y_px);
/* for (pl_nearby_walk w = pl_nearby_start(...); (i = pl_nearby_next(&w)) >= 0;) */
pl_nearby_walk pl_nearby_start(const pl_nearby *nb, double x_px, double y_px);
int64_t pl_nearby_next(pl_nearby_walk *walk);

/* ---- trail.c */

/* pl_trail_holds - whether bump `me` is strung on a line with others, as a satellite leaves them.
 */
bool pl_trail_holds(const pl_bump *bump, size_t me, const pl_nearby *nearby);

/* ---- stamp.c */

enum { PL_STAMP_MAX = 97 };

/* pl_stamp - the pixels around one star that a fit may use. */
typedef struct {
    int x0, y0, w, h; /* its place in the frame */
    double sky;       /* level from the mesh, ADU */
    double var;       /* variance of one pixel of empty sky, ADU^2 */
    double gain;      /* e/ADU; photon noise of the star is flux / gain */
    double share;     /* fraction of the pixels inside that belong to the colour measured */
    float value[PL_STAMP_MAX * PL_STAMP_MAX]; /* [h][w] ADU */
    float use[PL_STAMP_MAX * PL_STAMP_MAX];   /* [h][w] 1: use, 0: masked */
} pl_stamp;

/* pl_site - what every stamp of one frame is cut with. */
typedef struct {
    const pl_frame *frame;
    const pl_sky *sky;
    const pl_bump *bump; /* [bumps] */
    size_t bumps;
    const pl_nearby *nearby; /* of the bumps */
    char mosaic[8];          /* "" for mono */
    double gain, saturation; /* e/ADU, ADU */
    double fwhm, beta;       /* of the frame; fwhm 0: not known yet */
    double stretch;          /* typical major axis / geometric mean */
    bool keep_spikes;        /* spikes beside stars belong to them: do not mask */
    atomic_bool *unread;     /* set where pixels cannot be read; may be NULL */
} pl_site;

/* pl_stamp_cut - the pixels around a bump, neighbours masked.
 *   colour  in  'G', 'R', 'B' on a mosaic; anything on mono
 *   radius  in  px, at most PL_STAMP_MAX / 2
 * Gives: PL_STAR, or why it is not to be measured (PL_EDGE, PL_TRAIL, PL_SATURATED,
 * PL_BLENDED). */
pl_kind pl_stamp_cut(const pl_site *site, size_t bump, char colour, double radius, pl_stamp *st);

/* pl_stamp_within - columns x0 <= x < x1 and rows y0 <= y < y1 of a stamp that hold all its pixels
 * within r of a place in the frame. */
typedef struct {
    int x0, x1, y0, y1;
} pl_stamp_box;

pl_stamp_box pl_stamp_within(const pl_stamp *stamp, double x, double y, double r);

/* pl_stamp_d2 - squared distance of a stamp's pixel i from a place in the frame, px^2. */
double pl_stamp_d2(const pl_stamp *stamp, int i, double x, double y);

/* ---- moffat.c, profile.c */

enum {
    PL_MF_FLUX,
    PL_MF_X,
    PL_MF_Y,
    PL_MF_SIZE,
    PL_MF_ETA1,
    PL_MF_ETA2,
    PL_MF_SKY,
    PL_MF_INVBETA,
    PL_MF_N
};

/* pl_moffat - elliptical Moffat profile (Moffat 1969) integrated over square pixels, plus a
 * constant: I = flux (beta - 1) k / (pi h^2) (1 + k u)^-beta,  k = 2^(1/beta) - 1, u = 1 on the
 * half-maximum ellipse, whose half axes are h e^(+-eta), eta = hypot(eta1, eta2), major axis at
 * half of atan2(eta2, eta1). size = ln h. Both size and eta are free of bounds; 1/beta -> 0 is a
 * Gaussian. */
typedef struct {
    double p[PL_MF_N];
    double cov[PL_MF_N][PL_MF_N]; /* rows of fixed parameters are 0 */
    double chi2;                  /* over degrees of freedom */
    double unit_info;             /* sum of (unit-flux model)^2 / variance: 1 / sigma_flux^2 */
    int pixels;
    bool converged;
} pl_moffat;

enum {
    PL_LANES = 8, /* pixels that are computed at once */
    PL_PARTS = 3, /* of a pack: integrated by fewer and fewer points */
    PL_PACK_MAX = PL_STAMP_MAX * PL_STAMP_MAX + PL_PARTS * (PL_LANES - 1)
};

/* pl_pack - the pixels of a stamp that a fit uses, end to end. Each part is filled up to whole
 * lanes with repetitions whose `use` is 0. */
typedef struct {
    int x0, y0;                             /* the stamp's place in the frame */
    int n, end[PL_PARTS], points[PL_PARTS]; /* points: along a pixel's side */
    int at[PL_PACK_MAX];                    /* [n] the pixel's number in the stamp */
    float x[PL_PACK_MAX], y[PL_PACK_MAX];   /* [n] px from the stamp's first */
    float value[PL_PACK_MAX];               /* [n] ADU */
    float use[PL_PACK_MAX];                 /* [n] 1: a pixel, 0: a repetition, or masked since */
} pl_pack;

/* A profile on packed pixels, and by how much each pixel answers to each parameter. */
typedef struct {
    float light[PL_PACK_MAX];          /* [n] ADU */
    float slope[PL_MF_N][PL_PACK_MAX]; /* [.][n] d light / d parameter */
} pl_profile;

/* What a fit looked at, and its answer there: light without the sky; slopes where the parameter
 * was free, at least. */
typedef struct {
    pl_pack pack;
    pl_profile image;
} pl_seen;

/* pl_moffat_fit - maximum likelihood by Levenberg-Marquardt, variances from the model itself.
 *   free  in     which parameters may move, 1u << PL_MF_...; the flux must
 *   fit   inout  the start; then the answer, positions in frame pixels
 *   seen  out    of a fit that converges; may be NULL
 * Gives: false when it does not converge (fit holds the last try, converged = false). */
enum {
    PL_FREE_ALL = (1u << PL_MF_N) - 1,
    PL_FREE_SHAPE = PL_FREE_ALL & ~(1u << PL_MF_INVBETA), /* beta is the frame's */
    PL_FREE_PLACE = 1u << PL_MF_FLUX | 1u << PL_MF_X | 1u << PL_MF_Y | 1u << PL_MF_SKY,
    PL_FREE_WIDTH = PL_FREE_PLACE | 1u << PL_MF_SIZE
};

bool pl_moffat_fit(const pl_stamp *stamp, unsigned free, pl_moffat *fit, pl_seen *seen);

/* ---- leftover.c: what the symmetric profile leaves: third and fourth moments, half-flux diameter
 */

/* The Gaussian weight that fits a Moffat: its sigma over the half width at half maximum, and the
 * profile's own fourth moment under it less a Gaussian's. */
typedef struct {
    double ratio, kurtosis;
} pl_weight;

pl_weight pl_weight_for(double beta);

/* pl_leftover_measure - fill the moments and the half-flux diameter of a fitted star.
 *   seen  in  of pl_moffat_fit */
void pl_leftover_measure(const pl_stamp *stamp, const pl_moffat *fit, const pl_seen *seen,
                         const pl_weight *weight, pl_star *star);

/* ---- measure.c */

#define PL_LEAST_SNR 5.5 /* of the flux, shape given: below it there is no star */

typedef struct {
    double invbeta_sigma; /* error of 1 / beta, when free */
    int spikes;           /* pixels masked as hot in the star's wings */
} pl_extra;

/* pl_measure_star - cut, fit, and turn the fit into numbers with errors.
 *   free    in   PL_FREE_ALL or PL_FREE_SHAPE (then beta is site->beta)
 *   weight  in   for the moments; NULL leaves moments and half-flux diameter NaN
 *   out     out  whole when its kind is PL_STAR; else kind and position only
 *   extra   out  what only the first look asks for; may be NULL */
void pl_measure_star(const pl_site *site, size_t bump, unsigned free, const pl_weight *weight,
                     pl_star *out, pl_extra *extra);

/* pl_measure_colours - centroids of a measured star in red and blue, shape held. */
void pl_measure_colours(const pl_site *site, size_t bump, pl_star *star);

/* pl_measure_forced - fit place, flux and sky alone, with a given shape.
 *   fwhm, eta1, eta2  in   the shape
 *   snr, chi2, pixels out  of the fit; chi2 is the whole sum
 * Gives: false when the pixels cannot be had or the fit fails. */
bool pl_measure_forced(const pl_site *site, size_t bump, const pl_star *at, double fwhm,
                       double eta1, double eta2, double *snr, double *chi2, int *pixels);

/* ---- vet.c */

/* pl_vet_stars - compare each star with its field (size and stretch as smooth functions of place),
 * look again at the faint ones with the field's own shape, and name what is no star.
 *   bump_of  in     [n] the bump each one was measured from
 *   star     inout  [n] kinds change */
pl_status pl_vet_stars(const pl_site *site, const size_t *bump_of, pl_star *star, size_t n,
                       int jobs, pl_err *err);

/* ---- stars.c */

typedef struct {
    pl_star *star; /* [stars] used ones first, by flux */
    size_t stars, used, found, fitted;
    size_t kind[PL_KINDS];
    double fwhm, beta; /* of the frame */
    char mosaic[8];
    double sky_adu, noise_adu;
} pl_stars;

/* pl_stars_measure - all of the star room: sky, bumps, shapes.
 *   facts  in   merged facts of this frame (gain, saturation, mosaic)
 *   best   in   measure about so many, spread over the field; 0: all
 * Gives: PL_ENODATA when nothing stands above the sky. */
pl_status pl_stars_measure(const pl_frame *frame, const pl_facts *facts, size_t best, int jobs,
                           pl_stars *out, pl_notes *notes, pl_err *err);
void pl_stars_clear(pl_stars *stars);

/* ---- ring.c: donuts, the rings that stars turn into out of focus */

/* What a wide object turned out to be; only PL_RING is measured to the end. */
typedef enum {
    PL_RING = 0,
    PL_RING_SMALL,     /* a hole is there or may be, but too small to read */
    PL_RING_FILLED,    /* no hole: a star in or near focus, a galaxy */
    PL_RING_CUT,       /* by the frame's edge or by blank pixels */
    PL_RING_SATURATED, /* clipped pixels in it */
    PL_RING_OVERLAP,   /* another star's ring over it or right beside it */
    PL_RING_BROKEN,    /* not round, or not whole */
    PL_RING_KINDS
} pl_ring_kind;

/* pl_ring_kind_name - "ring", "small", "filled", ...: the word used in reports. */
const char *pl_ring_kind_name(pl_ring_kind kind);

/* One donut. A rim (and a hole's) lies where a sharp edge would hold the same light: exact for any
 * symmetric blur; 1 to 2 % inside the geometric one for a rim that diffraction softens, 4 % in a
 * donut of few fringes (16 to 32 px at f/5). What was not measured is NaN; of an object that is no
 * PL_RING only place, size, sky and light may be known. */
typedef struct {
    double x_px, y_px;         /* rim's centre */
    double outer_px, inner_px; /* diameters of rim and hole */
    double blur_px;            /* sigma of the rim's edge: air, diffraction and pixels together */
    double hole_dx_px, hole_dy_px; /* hole's centre minus the rim's */
    double hole_sigma_px;          /* of either */
    double centre_sigma_px;        /* of x_px and of y_px */
    double sky_adu, noise_adu;     /* under its centre; one sigma of a pixel of sky */
    double flux_adu;               /* whole light, as if each pixel were of the colour measured */
    double snr;                    /* of one pixel, mean over the ring */
    /* radius of rim and hole about the RIM's centre in the direction 10 k degrees, px */
    double rim_px[PL_RING_ANGLES], rim_sigma_px[PL_RING_ANGLES];
    double bore_px[PL_RING_ANGLES], bore_sigma_px[PL_RING_ANGLES];
    pl_ring_kind kind;
} pl_ring;

/* pl_rings_find - all donuts of a frame, 16 to 400 px across and somewhat beyond.
 *   mosaic          in   "RGGB" ... or "" for mono; on a mosaic green alone is measured
 *   saturation_adu  in   pixels at or above it are clipped; INFINITY: none is
 *   out, n          out  [n] malloc'd; NULL and 0 when there is none. Usable ones (PL_RING) first,
 *                        by light. Objects narrower than any donut (stars in focus) are left out.
 * Gives: PL_ENODATA for a frame all blank or smaller than 32 x 32 pixels.
 * Method: derived here; see ringfind.c, ringedge.c. Same input, same bytes on any number of
 * threads. */
pl_status pl_rings_find(const pl_frame *frame, const char *mosaic, double saturation_adu, int jobs,
                        pl_ring **out, size_t *n, pl_err *err);

/* pl_gain_of - electrons per ADU: told, or guessed as if all of the sky were light and its noise
 * photons; a guess is noted. */
double pl_gain_of(const pl_facts *facts, const pl_sky *sky, pl_notes *notes);

/* pl_saturation_of - the level at which pixels are clipped: told, or the end of their type. */
double pl_saturation_of(const pl_frame *frame, const pl_facts *facts);

#endif
