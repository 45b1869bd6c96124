/* SPDX-License-Identifier: GPL-3.0-or-later */
/* psf_grid.c - how finely and how widely a star's image is computed.
 *
 * Fine pixels of lambda N sample the amplitude: the pupil then fills the grid. The intensity's
 * spectrum reaches twice as far and folds back at 1 / fine; that light does no harm where the air
 * has blurred away what it falls on, or where the grid is fine enough (lambda N / 2). */
#include "psf.h"

#include <math.h>

enum { SIDE_MAX = 4096, CELLS_MIN = 32 };
#define ROOM_MAX  (1024.0 * 1024 * 1024) /* bytes, of one object */
#define STRAY_MAX 1e-4                   /* of a star's light, at any one spatial frequency */

static bool smooth(int n)
{
    for (int f = 2; f <= 7; f += f == 2 ? 1 : 2)
        while (n % f == 0)
            n /= f;
    return n == 1;
}

/* The least even number >= least without prime factors above 7: FFTW is fast there. */
static int side_of(double least)
{
    int n = 2 * (int)ceil(least / 2);
    while (!smooth(n))
        n += 2;
    return n;
}

static bool in_range(double v, double lo, double hi)
{
    return v >= lo && v <= hi;
}

double pl_psf_box(double frequency)
{
    double x = M_PI * frequency;
    return fabs(x) < 1e-9 ? 1 : sin(x) / x;
}

static pl_status check(const pl_psf_grid *g, pl_err *err)
{
    if (g->lights < 1 || g->lights > PL_LIGHTS_MAX)
        return pl_fail(err, PL_EARG, "%d wavelengths, 1 to %d can be computed", g->lights,
                       PL_LIGHTS_MAX);
    for (int i = 0; i < g->lights; i++)
        if (!in_range(g->light[i].lambda_um, 0.1, 20) || !in_range(g->light[i].weight, 1e-9, 1e9))
            return pl_fail(err, PL_EARG, "a wavelength of %g um with weight %g cannot be computed",
                           g->light[i].lambda_um, g->light[i].weight);
    if (!in_range(g->f_ratio, 1, 50) || !in_range(g->pixel_um, 0.01, 1000) ||
        !in_range(g->seeing_um, 0, 1e5))
        return pl_fail(err, PL_EARG, "a star at f/%g on pixels of %g um cannot be computed",
                       g->f_ratio, g->pixel_um);
    if (g->size < 4 || g->size > SIDE_MAX)
        return pl_fail(err, PL_EARG, "a star image of %d px is not in [4, %d]", g->size, SIDE_MAX);
    return PL_OK;
}

/* The most that folds back, at one wavelength: what the clear pupil transfers (Goodman, from
 * memory) beyond the grid's own limit, times what air and pixel leave where it lands. */
static double stray(const pl_psf_grid *g, double lambda, double fine)
{
    enum { STEPS = 64 };
    double cut = 1 / (lambda * g->f_ratio), most = 0;
    double air = g->seeing_um / 0.976 * pow(lambda / g->light[0].lambda_um, -0.2);
    for (int i = 0; i < STEPS; i++) {
        double nu = (double)i / STEPS, from = nu * cut;
        double otf = 2 / M_PI * (acos(nu) - nu * sqrt(1 - nu * nu));
        double to = fabs(1 / fine - from), left = exp(-3.44 * pow(air * to, 5.0 / 3));
        if (g->pixel)
            left *= fabs(pl_psf_box(to * g->pixel_um));
        if (from > 0.5 / fine)
            most = fmax(most, otf * left);
    }
    return most;
}

/* Does the pupil, with its soft edge, fit n cells? */
static bool holds(const pl_psf_grid *g, double lambda, int n, double fine)
{
    double radius = n * fine / (2 * lambda * g->f_ratio);
    return 2 * (int)(radius + PL_EDGE) + 1 <= n;
}

static bool fine_enough(const pl_psf_grid *g, int oversample, int n)
{
    double fine = g->pixel_um / oversample;
    for (int i = 0; i < g->lights; i++) {
        double lambda = g->light[i].lambda_um;
        if (!holds(g, lambda, n, fine) || (g->oversample < 1 && stray(g, lambda, fine) > STRAY_MAX))
            return false;
    }
    return true;
}

/* Bytes of an object's arrays, the small ones left out. */
static double room(const pl_psf_grid *g, const pl_psf_sampling *s)
{
    double n = s->n, bytes = n * n * sizeof(fftw_complex) * 1.5, most = 0; /* field and spectrum */
    for (int i = 0; i < g->lights; i++) {
        double rows = n * g->pixel_um / s->oversample / (g->light[i].lambda_um * g->f_ratio);
        double cells = M_PI / 4 * rows * rows;
        bytes +=
            cells * 3 * sizeof(double) + n * n / 2 * sizeof(double); /* places, open, transfer */
        most = fmax(most, cells * (sizeof(double) + 2 * sizeof(fftw_complex)) +
                              n * rows * sizeof(fftw_complex)); /* gain, turn, lit, half the way */
    }
    return bytes + most;
}

pl_status pl_psf_sample(const pl_psf_grid *g, pl_psf_sampling *out, pl_err *err)
{
    pl_status st = check(g, err);
    if (st != PL_OK)
        return st;
    double longest = 0;
    for (int i = 0; i < g->lights; i++)
        longest = fmax(longest, g->light[i].lambda_um);
    pl_psf_sampling s = { .oversample = g->oversample < 1 ? 1 : g->oversample };
    s.m = side_of(fmax(g->size, CELLS_MIN * longest * g->f_ratio / g->pixel_um));
    while (s.oversample * (double)s.m <= SIDE_MAX &&
           !(smooth(s.oversample) && fine_enough(g, s.oversample, s.oversample * s.m)) &&
           g->oversample < 1)
        s.oversample++;
    s.n = s.oversample * (double)s.m <= SIDE_MAX ? s.oversample * s.m : 0;
    if (s.n == 0)
        return pl_fail(err, PL_EARG,
                       "a star image of %d px of %g um at f/%g needs more than %d points a side",
                       g->size, g->pixel_um, g->f_ratio, SIDE_MAX);
    if (room(g, &s) > ROOM_MAX)
        return pl_fail(
            err, PL_EARG,
            "a star image of %d px of %g um at f/%g in %d wavelengths needs more than a gibibyte",
            g->size, g->pixel_um, g->f_ratio, g->lights);
    if (!fine_enough(g, s.oversample, s.n))
        return pl_fail(err, PL_EARG, "%d fine pixels a side do not sample f/%g on %g um",
                       s.oversample, g->f_ratio, g->pixel_um);
    *out = s;
    return PL_OK;
}

int pl_psf_size(const pl_psf_grid *g, const pl_blur *b, const double *zernike_um)
{
    pl_wave w = { 0 };
    double longest = 0;
    for (int j = 2; j <= PL_NOLL_MAX; j++)
        pl_wave_add(&w, j, zernike_um[j]);
    for (int i = 0; i < g->lights; i++)
        longest = fmax(longest, g->light[i].lambda_um);
    double half_um = 2 * g->f_ratio * pl_wave_reach(&w) + 4 * b->seeing_um +
                     4 * b->jitter_major_um + 8 * longest * g->f_ratio;
    double side = 2 * half_um / g->pixel_um + 1;
    return side < SIDE_MAX ? (int)ceil(side) : SIDE_MAX + 1;
}
