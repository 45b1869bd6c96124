/* SPDX-License-Identifier: GPL-3.0-or-later */
/* screen.c - Kolmogorov turbulence that drifts over the pupil as a frozen whole, and what a star
 * looks like through it in a short exposure.
 *
 * A screen is a sum of waves whose amplitudes follow the spectrum 0.0229 r0^(-5/3) f^(-11/3)
 * (Kolmogorov; the constant is that of the structure function 6.88 (r / r0)^(5/3), Fried 1966).
 * Most of them are one FFT over a square of SPAN apertures, which is periodic. What lies between f
 * = 0 and its first frequencies - most of the image's motion - is added as subharmonics (Lane,
 * Glindemann and Dainty 1992, from memory): the cell around f = 0 is cut in 3 x 3, the middle one
 * of these again, and so on. They are so long that over the pupil each is a polynomial.
 *
 * The wind crosses the square askew, so that it closes only after SPAN laps: 256 apertures. */
#include "optics.h"

#include <fftw3.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

enum { SIDE = 1024, SPAN = 16, LEVELS = 6, WAVES = 4 * LEVELS, NEAR = 6 };
#define SKEW (3.0 / SPAN) /* tangent of the angle between wind and square */

/* A subharmonic: re cos(2 pi (fx u + fy v)) + im sin(...), u and v in sides of the square. */
struct wave {
    double fx, fy, re, im;
};

struct pl_screen {
    double *um; /* [SIDE][SIDE] */
    struct wave wave[WAVES];
    double laps_s;         /* sides of the square that pass in a second */
    double wind_x, wind_y; /* unit vector */
};

/* Variance of the wave that stands for the cell around (i, j), for (side / r0)^(5/3) = 1. Near f =
 * 0 the spectrum falls too steeply for its value in the middle: what counts there is the tilt over
 * a small pupil, so the wave carries the cell's share of that, the mean of f^2 times the spectrum.
 */
static double share(int i, int j)
{
    double f2 = (double)i * i + (double)j * j, sum = 0;
    double constant = pow(24.0 / 5 * tgamma(1.2), 5.0 / 6) * pow(tgamma(11.0 / 6), 2) /
                      (2 * pow(M_PI, 11.0 / 3)); /* 0.0229 */
    if (f2 > NEAR * NEAR)
        return constant * pow(f2, -11.0 / 6);
    pl_gauss rule = pl_gauss_rule(8);
    for (int a = 0; a < rule.n; a++)
        for (int b = 0; b < rule.n; b++) {
            double x = i + rule.x[a] / 2, y = j + rule.x[b] / 2;
            sum += rule.w[a] * rule.w[b] / 4 * pow(x * x + y * y, -5.0 / 6);
        }
    return constant * sum / f2;
}

/* Half the plane of amplitudes, the rest is its mirror. */
static void draw_spectrum(gsl_rng *rng, double scale, fftw_complex *s)
{
    enum { HALF = SIDE / 2 + 1 };
    for (int j = 0; j < SIDE; j++)
        for (int i = 0; i < HALF; i++) {
            int jj = j < SIDE / 2 ? j : j - SIDE;
            double *c = s[(size_t)j * HALF + (size_t)i];
            c[0] = c[1] = 0;
            if (i == SIDE / 2 || j == SIDE / 2 || (i == 0 && jj <= 0))
                continue;
            double a = scale * sqrt(share(i, jj) / 2);
            c[0] = gsl_ran_gaussian_ziggurat(rng, a);
            c[1] = gsl_ran_gaussian_ziggurat(rng, a);
        }
    for (int j = SIDE / 2 + 1; j < SIDE; j++) { /* the first column mirrors onto itself */
        s[(size_t)j * HALF][0] = s[(size_t)(SIDE - j) * HALF][0];
        s[(size_t)j * HALF][1] = -s[(size_t)(SIDE - j) * HALF][1];
    }
}

static void draw_waves(gsl_rng *rng, double scale, struct wave *w)
{
    static const int to[4][2] = { { 1, 0 }, { 0, 1 }, { 1, 1 }, { 1, -1 } };
    for (int level = 1; level <= LEVELS; level++)
        for (int k = 0; k < 4; k++, w++) {
            double s = pow(3, -level); /* the cells shrink: variance s^2 s^(-11/3) */
            double a = scale * sqrt(2 * pow(s, -5.0 / 3) * share(to[k][0], to[k][1]));
            w->fx = s * to[k][0];
            w->fy = s * to[k][1];
            w->re = gsl_ran_gaussian_ziggurat(rng, a);
            w->im = gsl_ran_gaussian_ziggurat(rng, a);
        }
}

static bool draw(pl_screen *s, double scale, uint64_t seed)
{
    fftw_complex *spectrum = fftw_malloc(sizeof *spectrum * SIDE * (SIDE / 2 + 1));
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    s->um = fftw_malloc(sizeof *s->um * SIDE * SIDE);
    fftw_plan plan = NULL;
    if (spectrum && rng && s->um) {
        pl_plan_lock();
        plan = fftw_plan_dft_c2r_2d(SIDE, SIDE, spectrum, s->um, FFTW_ESTIMATE);
        pl_plan_unlock();
    }
    if (plan) {
        gsl_rng_set(rng, (unsigned long)(seed & 0xffffffff));
        draw_waves(rng, scale, s->wave);
        draw_spectrum(rng, scale, spectrum);
        fftw_execute(plan);
        pl_plan_lock();
        fftw_destroy_plan(plan);
        pl_plan_unlock();
    }
    fftw_free(spectrum);
    if (rng)
        gsl_rng_free(rng);
    return plan;
}

pl_status pl_screen_new(const pl_screen_spec *spec, pl_screen **out, pl_err *err)
{
    if (!(spec->r0_mm > 0 && spec->lambda_um > 0 && spec->aperture_mm > 0) ||
        !(spec->aperture_mm / spec->r0_mm < 1e3) || !isfinite(spec->wind_mm_s * spec->wind_deg))
        return pl_fail(err, PL_EARG, "air of r0 %g mm over an aperture of %g mm cannot be computed",
                       spec->r0_mm, spec->aperture_mm);
    pl_screen *s = calloc(1, sizeof *s);
    double side_mm = SPAN * spec->aperture_mm;
    if (!s ||
        !draw(s, spec->lambda_um / (2 * M_PI) * pow(side_mm / spec->r0_mm, 5.0 / 6), spec->seed)) {
        pl_screen_free(s);
        return pl_fail(err, PL_ENOMEM, "out of memory for the air");
    }
    s->laps_s = spec->wind_mm_s / side_mm;
    s->wind_x = cos(spec->wind_deg * M_PI / 180);
    s->wind_y = sin(spec->wind_deg * M_PI / 180);
    *out = s;
    return PL_OK;
}

void pl_screen_free(pl_screen *s)
{
    if (!s)
        return;
    fftw_free(s->um);
    free(s);
}

/* The subharmonics around (u, v) in pupil coordinates that (ux, uy), (vx, vy) turn into the
 * square's: exp(i (a x + b y)) = sum of (i a x)^p (i b y)^q / (p! q!), a and b below 0.1. */
static pl_wave long_waves(const pl_screen *s, double u, double v, double c, double d)
{
    pl_wave w = { 0 };
    for (int k = 0; k < WAVES; k++) {
        const struct wave *f = &s->wave[k];
        double t = 2 * M_PI * (f->fx * u + f->fy * v), radius = M_PI / SPAN;
        double a = radius * (f->fx * c + f->fy * d), b = radius * (f->fy * c - f->fx * d);
        double re = f->re * cos(t) + f->im * sin(t), im = f->im * cos(t) - f->re * sin(t);
        double bq = 1;
        for (int q = 0; q <= PL_WAVE_DEGREE; q++, bq *= b / q) {
            double ap = 1;
            for (int p = 0; p + q <= PL_WAVE_DEGREE; p++, ap *= a / p) {
                double part = (p + q) % 2 ? im : re; /* derivatives of re cos + im sin at 0 */
                w.c[q][p] += (p + q) % 4 < 2 ? part * ap * bq : -part * ap * bq;
            }
        }
    }
    return w;
}

static double between(const double *um, double u, double v)
{
    size_t i = (size_t)u, j = (size_t)v, i1 = (i + 1) % SIDE, j1 = (j + 1) % SIDE;
    double a = u - (double)i, b = v - (double)j;
    i %= SIDE;
    j %= SIDE;
    return (1 - b) * ((1 - a) * um[j * SIDE + i] + a * um[j * SIDE + i1]) +
           b * ((1 - a) * um[j1 * SIDE + i] + a * um[j1 * SIDE + i1]);
}

void pl_screen_phase(const pl_screen *s, double t_s, const double *x, const double *y, size_t n,
                     double *phase_um)
{
    double norm = sqrt(1 + SKEW * SKEW), e = 1 / norm, g = SKEW / norm;
    /* the air that is over the pupil's centre: upwind by what has passed, in the square's axes,
     * which lie askew to the wind: (c, d) is the pupil's x axis in them */
    double u = -s->laps_s * t_s * e, v = -s->laps_s * t_s * g;
    double c = s->wind_x * e + s->wind_y * g, d = s->wind_x * g - s->wind_y * e;
    pl_wave w = long_waves(s, u, v, c, d);
    double radius = SIDE / (2.0 * SPAN), row[PL_WAVE_DEGREE + 1] = { 0 };
    double u0 = SIDE * (u - floor(u)) + SIDE, v0 = SIDE * (v - floor(v)) + SIDE;
    for (size_t i = 0; i < n; i++) {
        if (i == 0 || y[i] != y[i - 1])
            pl_wave_row(&w, y[i], row);
        double sum = 0;
        for (int p = PL_WAVE_DEGREE; p >= 0; p--)
            sum = sum * x[i] + row[p];
        phase_um[i] = sum + between(s->um, u0 + radius * (x[i] * c - y[i] * d),
                                    v0 + radius * (x[i] * d + y[i] * c));
    }
}

pl_status pl_screen_image(const pl_screen *s, pl_psf *psf, const double *zernike_um, double x_px,
                          double y_px, const pl_exposure *when, double *out, pl_err *err)
{
    const double *x, *y;
    size_t cells = pl_psf_cells(psf, &x, &y), area = pl_psf_area(psf);
    double *phase = malloc(cells * sizeof *phase), *image = malloc(area * sizeof *image);
    pl_status st = phase && image ? PL_OK : pl_fail(err, PL_ENOMEM, "out of memory for the air");
    for (size_t i = 0; st == PL_OK && i < area; i++)
        out[i] = 0;
    for (int k = 0; st == PL_OK && k < when->steps; k++) {
        double t = when->start_s + when->length_s * (k + 0.5) / when->steps;
        pl_screen_phase(s, t, x, y, cells, phase);
        pl_psf_set_phase(psf, phase);
        if (!pl_psf_image(psf, zernike_um, x_px, y_px, image))
            st = pl_fail(err, PL_EARG, "the wavefront throws light off the star's grid");
        for (size_t i = 0; i < area; i++)
            out[i] += image[i] / when->steps;
    }
    pl_psf_set_phase(psf, NULL);
    free(phase);
    free(image);
    return st;
}
