/* SPDX-License-Identifier: GPL-3.0-or-later */
/* optics.h - pure physics of the telescope, no pixels of a file. Private to libplumb.
 *
 * Inside this room pupil lengths are in pupil radii and the image radius is Born & Wolf's
 * v = pi r / (lambda N). A spatial frequency is the pupil shift s in [0, 2] it belongs to; then the
 * image is the Hankel transform of the transfer function with the kernel J0(v s). */
#ifndef PL_OPTICS_H
#define PL_OPTICS_H

#include "../base/base.h"

#define PL_ARCSEC_RAD (M_PI / 648000.0)
#define PL_ARCMIN_RAD (M_PI / 10800.0)

/* ---- profile.c */

/* One value, without the blanks around it; a failure's sentence needs no section. */
typedef pl_status pl_profile_take(void *ctx, const char *section, const char *key,
                                  const char *value, pl_err *err);

/* pl_profile_section - hand over each known key of one section of a profile that is not facts:
 * plate, cell, surface. Failures as pl_profile_read. */
pl_status pl_profile_section(const char *path, const char *section, pl_profile_take *take,
                             void *ctx, pl_err *err);

/* ---- gauss.c */

enum { PL_GAUSS_MAX = 32 };

/* Nodes and weights of Gauss-Legendre quadrature on [-1, 1]. */
typedef struct {
    int n;
    double x[PL_GAUSS_MAX], w[PL_GAUSS_MAX];
} pl_gauss;

/* pl_gauss_rule - n in [1, PL_GAUSS_MAX]. Newton on the Legendre polynomial (textbook). */
pl_gauss pl_gauss_rule(int n);

/* ---- pupil.c */

/* The overlap of two equal annuli shifted apart by s along x, cut in columns: at each column's x >=
 * 0 (measured from the middle) it reaches over low <= |y| <= high. */
typedef struct {
    double x, weight, low, high;
} pl_column;

enum { PL_COLUMNS_MAX = 2048 };

/* pl_pupil_columns - the columns of the overlap, weights such that the sum of weight * f(x) is the
 * integral of f over x > 0.
 *   panels  in   pieces an interval is cut into, for an f that oscillates
 *   out     out  [at most PL_COLUMNS_MAX]
 * Gives: how many. */
size_t pl_pupil_columns(const pl_gauss *rule, double obstruction, double s, int panels,
                        pl_column *out);

/* pl_pupil_transfer - transfer function of the annulus with `waves` of defocus (centre to rim). */
double pl_pupil_transfer(const pl_gauss *rule, double obstruction, double waves, double s,
                         pl_column *work);

/* ---- air.c */

pl_status pl_optic_check(const pl_optic *optic, pl_err *err);

/* pl_air_transfer - of the long-exposure air, at pupil shift s. */
double pl_air_transfer(const pl_optic *optic, double s);

/* pl_air_reach - the shift past which the air leaves nothing (1e-16), at most 2. */
double pl_air_reach(const pl_optic *optic);

/* pl_air_width - rough full width of a star's image in v, with a blur of so many waves of defocus.
 */
double pl_air_width(const pl_optic *optic, double waves);

/* ---- zernike.c: positions in pupil radii */

enum { PL_NOLL_MAX = 22, PL_WAVE_DEGREE = 6 };

/* pl_noll_index - radial order n and |m| of Noll's j in [1, PL_NOLL_MAX]. */
bool pl_noll_index(int j, int *n, int *m);

/* pl_zernike - Noll's Z_j at (x, y), RMS 1 over the full disc; NaN for an unknown j. */
double pl_zernike(int j, double x, double y);

/* pl_zernike_annular - orthonormal over the annulus of that obstruction, j <= 11, else NaN. */
double pl_zernike_annular(int j, double obstruction, double x, double y);

/* A wavefront as a polynomial over the pupil: c[q][p] is what multiplies x^p y^q. Start from zero.
 */
typedef struct {
    double c[PL_WAVE_DEGREE + 1][PL_WAVE_DEGREE + 1];
} pl_wave;

/* pl_wave_add - add so much of Z_j, j in [1, PL_NOLL_MAX]; nothing for another j. */
void pl_wave_add(pl_wave *wave, int j, double amount);

/* pl_wave_row - the polynomial in x that is left at a given y, lowest power first. */
void pl_wave_row(const pl_wave *wave, double y, double row[PL_WAVE_DEGREE + 1]);

/* pl_wave_reach - the steepest slope along x or y anywhere on the disc, per pupil radius (seen on
 * rings of points; a wave of degree 6 hides no more than a few percent between them). NaN for a
 * wave that is not all numbers. */
double pl_wave_reach(const pl_wave *wave);

/* ---- aperture.c */

/* The pupil in units of its radius. Vanes hold the secondary: they move with its shadow. */
typedef struct {
    double obstruction;        /* radius of the secondary's shadow */
    double shadow_x, shadow_y; /* its centre */
    int vanes;                 /* at most 16 */
    double vane_width, vane_deg;
} pl_aperture;

#define PL_EDGE 1.5 /* cells to either side of an edge that it is spread over */

/* What of a pupil a derivative may be by; lengths in pupil radii. */
enum { PL_BY_SHADOW_X, PL_BY_SHADOW_Y, PL_BY_OBSTRUCTION, PL_BY_PUPIL };

/* A cell at an edge that moves, and how its opening changes. */
typedef struct {
    size_t cell;
    double by[PL_BY_PUPIL];
} pl_edge;

/* pl_aperture_edges - the most of them in n cells, `rows` of them side by side: both sides of 16
 * vanes, which may cross all of the pupil, their ends, and the shadow's rim. */
size_t pl_aperture_edges(size_t n, size_t rows);

/* pl_aperture_fill - how open n square cells of side `cell` around (x, y) are.
 *   open  out  [n] 0 to 1, a tenth beyond beside an edge
 *   edge  out  [pl_aperture_edges] those at an edge that moves, one after the other
 * Gives: the light they let through, in open cells. */
double pl_aperture_fill(const pl_aperture *aperture, const double *x, const double *y, size_t n,
                        double cell, double *open, pl_edge *edge, size_t *edges);

/* ---- plan.c: FFTW's planner is not thread-safe; running a plan needs no lock */

void pl_plan_lock(void);
void pl_plan_unlock(void);

/* ---- psf*.c, blur.c: the image of a star on the sensor's pixels */

enum { PL_LIGHTS_MAX = 5 };

typedef struct {
    double lambda_um, weight;
} pl_light;

/* What an image is computed on. */
typedef struct {
    pl_light light[PL_LIGHTS_MAX]; /* wavelengths; weights need not sum to 1 */
    double f_ratio, pixel_um;
    double seeing_um; /* the finest air it will be asked for (at light[0]): the coarser grid this
                         allows is chosen. 0: none promised, the intensity is sampled fully */
    int lights;
    int size;       /* side of the image, sensor pixels: see pl_psf_size */
    int oversample; /* fine pixels a side; < 1: chosen */
    bool pixel;     /* promised as air is: every image will be integrated over its pixels */
} pl_psf_grid;

/* What softens an image between pupil and pixel; widths at the focal plane. */
typedef struct {
    double seeing_um; /* FWHM of the long-exposure air at light[0], ~ lambda^-1/5; 0: none */
    double jitter_major_um, jitter_minor_um; /* sigma of tracking along its axes */
    double jitter_deg;                       /* direction of the major one */
    bool pixel;                              /* integrate over square pixels */
} pl_blur;

/* pl_psf - plans and buffers; one object, one thread. */
typedef struct pl_psf pl_psf;

/* pl_psf_size - side in pixels of an image that holds a star in its middle: its rays, and around
 * them four widths of air, four sigma of tracking and eight lambda N; what is left outside (half a
 * percent of the light in the air's wings) wraps round.
 *   zernike_um  in  as in pl_psf_image
 * Gives: more than pl_psf_new accepts for a wavefront too steep. */
int pl_psf_size(const pl_psf_grid *grid, const pl_blur *blur, const double *zernike_um);

/* pl_psf_new - a clear aperture and no blur to begin with.
 * Gives: PL_EARG when the grid is out of range. */
pl_status pl_psf_new(const pl_psf_grid *grid, pl_psf **out, pl_err *err);
void pl_psf_free(pl_psf *psf);
void pl_psf_set_blur(pl_psf *psf, const pl_blur *blur);
void pl_psf_set_aperture(pl_psf *psf, const pl_aperture *aperture);

/* pl_psf_cells - where the pupil is sampled: cells of all wavelengths, one after the other.
 *   x, y  out  [cells] pupil radii; borrowed, live as long as the object
 * Gives: how many. */
size_t pl_psf_cells(const pl_psf *psf, const double **x, const double **y);

/* pl_psf_set_phase - a wavefront added to the Zernikes': the air of one moment.
 *   phase_um  in  [cells] finite; borrowed until it is set anew; NULL: none */
void pl_psf_set_phase(pl_psf *psf, const double *phase_um);

/* pl_psf_image - a star of flux 1: all that passes the aperture, of which edges diffract a little
 * beyond the grid (half a percent for a donut on twice its size).
 *   zernike_um  in   [PL_NOLL_MAX + 1] wavefront, um RMS of Noll's j at [j]
 *   x_px, y_px  in   where its axis falls, from the first pixel's centre
 *   out         out  [size][size], per pixel
 * Gives: false, and NaN throughout, for a wavefront so steep that rays would leave the grid on one
 * side and come in on the other. */
bool pl_psf_image(pl_psf *psf, const double *zernike_um, double x_px, double y_px, double *out);

/* An image and its exact derivatives; each [size][size], any may be NULL. */
typedef struct {
    double *image;
    double *d_zernike;            /* [terms][size][size] per um */
    double *d_x, *d_y;            /* per px */
    double *d_seeing;             /* per um */
    double *d_pupil[PL_BY_PUPIL]; /* per pupil radius */
} pl_psf_slopes;

/* pl_psf_gradient - as pl_psf_image, with derivatives.
 *   term  in  [terms] Noll's j of d_zernike's images
 * d_seeing is nought without air. Costs one FFT pair for the image and one for each Zernike and
 * each slope by the pupil, at each wavelength; place and seeing are free. */
bool pl_psf_gradient(pl_psf *psf, const double *zernike_um, double x_px, double y_px,
                     const int *term, int terms, const pl_psf_slopes *out);

/* pl_psf_area - numbers in an image: size x size. */
size_t pl_psf_area(const pl_psf *psf);

/* ---- screen.c: the air of a moment, for short exposures */

typedef struct {
    double r0_mm, lambda_um; /* Fried's length at that wavelength; r0 = 0.976 lambda / seeing */
    double aperture_mm;
    double wind_mm_s, wind_deg; /* direction it blows to, in the pupil's axes */
    uint64_t seed;              /* its low 32 bits count; the same numbers with the same GSL */
} pl_screen_spec;

/* pl_screen - turbulence that drifts as a frozen whole; 8 MB. Read only: any threads at once. */
typedef struct pl_screen pl_screen;

/* pl_screen_new - gives PL_EARG for air that cannot be computed. */
pl_status pl_screen_new(const pl_screen_spec *spec, pl_screen **out, pl_err *err);
void pl_screen_free(pl_screen *screen);

/* pl_screen_phase - wavefront at a time, um (the same for all wavelengths), tilt and all.
 *   x, y  in  [n] pupil radii, |x| and |y| < 8
 * Repeats (but for the image's motion) after 256 apertures of wind. Detail finer than a 64th of the
 * aperture is left out. */
void pl_screen_phase(const pl_screen *screen, double t_s, const double *x, const double *y,
                     size_t n, double *phase_um);

typedef struct {
    double start_s, length_s;
    int steps; /* moments averaged; enough that the wind moves less than r0 between them */
} pl_exposure;

/* pl_screen_image - as pl_psf_image, through moving air: the mean of the moments' images. The psf's
 * long-exposure air should be off, and its grid promised none. Its added phase is none afterwards.
 */
pl_status pl_screen_image(const pl_screen *screen, pl_psf *psf, const double *zernike_um,
                          double x_px, double y_px, const pl_exposure *when, double *out,
                          pl_err *err);

/* ---- misalign.c */

/* What is wrong with a Newtonian, mechanically. Lengths at the sensor, from the frame's centre. */
typedef struct {
    double aperture_mm, focal_mm, mirror_focal_mm;
    bool corrected;    /* a corrector takes away what grows with the field: see below */
    double defocus_um; /* of the sensor's centre, + = too far out (away from the mirror) */
    double tilt_x_um_mm, tilt_y_um_mm;     /* slope of the focal surface, + = further out */
    double curvature_um, half_diagonal_mm; /* of the focal surface: its rise at that radius */
    double axis_x_mm, axis_y_mm;           /* frame's centre -> coma-free point */
    double pinch_nm, pinch_deg; /* trefoil, RMS; a corner of the image outside focus, [0, 120) */
    double zernike_nm[PL_NOLL_MAX + 1]; /* added everywhere */
} pl_misalign;

/* pl_misalign_wave - wavefront of a star at (x, y) mm from the frame's centre.
 *   zernike_um  out  [PL_NOLL_MAX + 1] um RMS over the full disc, Noll's j at [j]
 * Pupil axes are the frame's: a ray through the pupil's +x side lands at +x when the sensor is too
 * far out. Rays are shifted by +2 N grad W, N = focal / aperture.
 *   Defocus: a4 = d / (8 N^2) / (2 sqrt 3), d = defocus - S; the focal surface S = tilt_x x +
 * tilt_y y + curvature (r / half_diagonal)^2 is nought at the frame's centre. A surface further out
 *     than the sensor (S > 0) leaves the sensor too far in there: d < 0.
 *   Coma of the primary: W131 = theta D / (32 N_mirror^2) along theta = (star - coma-free point) /
 *     focal_mm, N_mirror = mirror_focal / aperture; (a8, a7) = W131 / (6 sqrt 2), so the flare
 * points AWAY from the coma-free point. With a corrector only the part of the frame's centre is
 * left, the same all over the field: theta = -axis / focal_mm. Astigmatism, without a corrector:
 * W222 = D theta^2 / (8 N_mirror), as W222 rho^2 cos^2 along theta: half of it is a6, a5, the other
 * half the medial surface, which bends towards the mirror by h^2 / (2 f) from the coma-free point
 * (times m^2 at the sensor; a wavefront is the same on both sides of an ideal corrector). Its value
 * at the frame's centre is taken off, so that defocus_um stays what it says; what it adds comes on
 * top of S. Pinch: a10 = p cos 3 angle, a9 = p sin 3 angle. Source: Schroeder, Astronomical Optics,
 * ch. 6 (second-hand); signs derived here and checked by an exact ray trace of a paraboloid
 * (tests/unit/test_raytrace.c). Third order: at f/3 within 1 % of the trace in coma and 2 % in
 * astigmatism to half a degree. */
void pl_misalign_wave(const pl_misalign *m, double x_mm, double y_mm, double *zernike_um);

/* ---- worth.c */

/* pl_airmass - of an altitude, [0, 90] degrees: Pickering 2002 (from memory), good to the horizon.
 */
double pl_airmass(double altitude_deg);

/* pl_focus_worth - what is left of an exposure's worth for faint stars, (FWHM in focus / FWHM)^2,
 * at a defocus, where `zone_um` of it lets the FWHM grow by `growth`. Formula: widths in
 * quadrature, FWHM^2 = FWHM0^2 (1 + k z^2), as pl_focus_depth_seeing; signal to noise of a star
 * under the sky's noise goes with 1 / FWHM; derived here. */
double pl_focus_worth(double defocus_um, double zone_um, double growth);

/* ---- travel.c */

/* pl_carried - travel at the sensor for each of the drawtube: m^2 (longitudinal magnification) when
 * a corrector of magnification m rides along, which it does unless told; else 1. */
double pl_carried(const pl_facts *facts);

/* pl_carried_note - the sentence that belongs to an answer that rests on that, where the corrector
 * is one by default. */
void pl_carried_note(const pl_facts *facts, pl_notes *notes);

/* pl_travel_of - one way told four ways; NaN where the facts do not tell. */
pl_travel pl_travel_of(const pl_facts *facts, double sensor_um);

/* ---- sizing.c, fitreader.c, sizes.c: what a fitted profile says of a defocused star */

enum { PL_SIZING_Z = 33, PL_SIZING_AIR = 15 };

/* pl_sizing - radial images of a star, by wave optics, over defocus and air. Read only: any threads
 * at once. */
typedef struct pl_sizing pl_sizing;

typedef struct {
    double air_lo_um, air_hi_um; /* FWHM of the air at the sensor that will be asked for */
    double defocus_um;           /* largest, either side */
    double radius_um;            /* largest radius a fit will reach */
    bool stretch;                /* whether pl_sizing_stretch will be asked */
} pl_sizing_range;

/* pl_sizing_new
 *   optic  in  seeing_arcsec is not looked at
 * Gives: PL_EARG out of range, PL_ENOMEM. */
pl_status pl_sizing_new(const pl_optic *optic, double pixel_um, const pl_sizing_range *range,
                        int jobs, pl_sizing **out, pl_err *err);
void pl_sizing_free(pl_sizing *sizing);

/* ln FWHM, um, as a fit of one frame reads it, [defocus from 0][ln air]. */
typedef struct {
    double z_step, air_from, air_step; /* um, ln um */
    double ln_fwhm[PL_SIZING_Z][PL_SIZING_AIR];
} pl_sizes;

/* How a frame's stars were fitted. */
typedef struct {
    double beta, radius_um; /* the Moffat's; of the disc of pixels */
    double bright;          /* photon noise at a typical star's peak over the sky's, variances */
} pl_reading;

/* pl_sizing_read - fit each image as plumb-field fits a star: width, flux and sky free. */
void pl_sizing_read(const pl_sizing *sizing, const pl_reading *how, int jobs, pl_sizes *out);

enum { PL_SIZING_BRIGHT = 5 };

/* The same in one air for stars of several brightnesses: ln FWHM, um, [defocus][ln(1 + bright)]. */
typedef struct {
    double z_step, ln_fwhm[PL_SIZING_Z][PL_SIZING_BRIGHT];
} pl_brights;

void pl_sizing_brights(const pl_sizing *sizing, const pl_reading *how, double air_um, int jobs,
                       pl_brights *out);

/* pl_brights_even - a fitted width as it would be had the star been as bright as `how` says.
 *   ln_fwhm  in  um
 *   bright   in  the star's own: photon noise at its peak over the sky's, variances */
double pl_brights_even(const pl_brights *b, double ln_fwhm, double bright, double typical);

/* pl_sizes_at - ln FWHM, um, of a star at that defocus (either side) in air of that ln FWHM, um;
 * beyond the table it goes on as its edge leaves off.
 *   by_um, by_air  out  its slopes with the defocus and with ln_air; either may be NULL */
double pl_sizes_at(const pl_sizes *sizes, double defocus_um, double ln_air, double *by_um,
                   double *by_air);

/* How astigmatism stretches stars in one air: part [defocus from 0] of what it would be if the
 * width along each axis were a round star's at the defocus of that axis. It is not: of light that
 * is no Gaussian a fit tells the stretch and the size by different parts. */
typedef struct {
    double z_step, part[PL_SIZING_Z];
} pl_stretches;

/* pl_sizing_stretch
 *   sizing  in  made with range.stretch
 *   sizes   in  pl_sizing_read with the same `how` */
void pl_sizing_stretch(const pl_sizing *sizing, const pl_reading *how, const pl_sizes *sizes,
                       double air_um, pl_stretches *out);

/* pl_stretch_at - ln(width along x / width along y) for each um by which the defocus along x is
 * more than along y, to first order; their mean is defocus_um. Odd in the defocus. Trust:
 * test_sizing.c holds it against numpy. */
double pl_stretch_at(const pl_stretches *s, const pl_sizes *sizes, double defocus_um,
                     double ln_air);
/* ---- told.c */

/* pl_optic_told - a telescope as facts tell it; what had to be assumed is noted.
 *   mosaic     in   of the colours green alone is measured
 *   lambda_um  in   NaN: by default
 * Gives: PL_ENODATA without aperture, focal length or pixel, PL_EARG out of range. */
pl_status pl_optic_told(const pl_facts *facts, bool mosaic, double lambda_um, pl_optic *out,
                        double *focal_mm, double *pixel_um, pl_notes *notes, pl_err *err);

/* ---- zone.c */

/* pl_zone_tolerances - the part of pl_zone_compute that needs no evening: star, focus, tilt and
 * collimation. What it leaves out is not set.
 *   options  in  seeing, wavelength and field count */
pl_status pl_zone_tolerances(const pl_facts *facts, const pl_zone_options *options, pl_zone *out,
                             pl_err *err);

/* ---- budget.c */

/* pl_zone_budget - how the window is spent; reads and fills the last block of the answer. */
void pl_zone_budget(pl_zone *zone);

#endif
