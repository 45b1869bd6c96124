/* SPDX-License-Identifier: GPL-3.0-or-later */
/* psf.c - the image of a star on the sensor's pixels: wavefront -> amplitude (FFT) -> intensity ->
 * long-exposure air, tracking and pixel (in the Fourier plane of the image) -> pixels.
 *
 * One grid serves all: n x n fine pixels of pixel / oversample. The pupil's radius is then
 * n fine / (2 lambda N) cells; fine < lambda N keeps the whole pupil on the grid (the amplitude is
 * sampled fully; what the intensity aliases lies beyond the reach of the air). Signs: a positive
 * coefficient of Z2 moves the image to +x; defocus positive is positive a4 (DESIGN: ray shift
 * = +2 N grad W). */
#include "optics.h"

#include <fftw3.h>
#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>

static pthread_mutex_t planning = PTHREAD_MUTEX_INITIALIZER; /* FFTW's planner is not thread-safe */

struct cell {
    int index;   /* in the grid, origin at [0][0], wrapped */
    double x, y; /* pupil radii */
};

struct pl_psf {
    pl_psf_grid grid;
    int n, half;       /* side of the FFT; columns of a real spectrum */
    double side;       /* of a pupil cell, pupil radii */
    struct cell *cell; /* [cells] that the widest pupil touches */
    double *zernike;   /* [PL_NOLL_MAX + 1][cells] */
    double *open;      /* [cells] */
    size_t cells;
    fftw_complex *field;    /* [n][n] amplitude, in place */
    fftw_complex *turned;   /* [n][n] derivative of the amplitude, in place */
    double *image;          /* [n][n] */
    fftw_complex *spectrum; /* [n][half] */
    double *transfer;       /* [n][half] air, tracking and pixel */
    fftw_plan forward, forward_turned, to_spectrum, to_image;
};

static int side_of(double least)
{
    for (int n = (int)ceil(least);; n++) {
        int m = n;
        for (int f = 2; f <= 7; f += f == 2 ? 1 : 2)
            while (m % f == 0)
                m /= f;
        if (m == 1 && n % 2 == 0)
            return n;
    }
}

static pl_status check_grid(const pl_psf_grid *g, pl_err *err)
{
    if (!(g->lights > 0 && g->light[0].lambda_um > 0 && g->f_ratio > 0.5 && g->pixel_um > 0) ||
        g->size < 4 || g->size > 4096)
        return pl_fail(err, PL_EARG, "a star image of %d px at f/%g and %g um cannot be computed",
                       g->size, g->f_ratio, g->pixel_um);
    return PL_OK;
}

/* Cells of the pupil plane that lie within the rim (and one beyond, for its soft edge). */
static bool list_cells(pl_psf *p)
{
    int reach = (int)ceil(1 / p->side) + 1;
    size_t most = (size_t)(2 * reach + 1) * (size_t)(2 * reach + 1);
    p->cell = calloc(most, sizeof *p->cell);
    if (!p->cell)
        return false;
    for (int j = -reach; j <= reach; j++)
        for (int i = -reach; i <= reach; i++) {
            double x = i * p->side, y = j * p->side;
            if (hypot(x, y) > 1 + p->side || abs(i) >= p->n / 2 || abs(j) >= p->n / 2)
                continue;
            int col = i < 0 ? i + p->n : i, row = j < 0 ? j + p->n : j;
            p->cell[p->cells++] = (struct cell){ row * p->n + col, x, y };
        }
    p->zernike = malloc((PL_NOLL_MAX + 1) * p->cells * sizeof *p->zernike);
    p->open = malloc(p->cells * sizeof *p->open);
    if (!p->zernike || !p->open)
        return false;
    for (int z = 1; z <= PL_NOLL_MAX; z++)
        for (size_t c = 0; c < p->cells; c++)
            p->zernike[(size_t)z * p->cells + c] = pl_zernike(z, p->cell[c].x, p->cell[c].y);
    return true;
}

static bool make_plans(pl_psf *p)
{
    size_t all = (size_t)p->n * (size_t)p->n, half = (size_t)p->n * (size_t)p->half;
    p->field = fftw_malloc(all * sizeof *p->field);
    p->turned = fftw_malloc(all * sizeof *p->turned);
    p->image = fftw_malloc(all * sizeof *p->image);
    p->spectrum = fftw_malloc(half * sizeof *p->spectrum);
    p->transfer = malloc(half * sizeof *p->transfer);
    if (!p->field || !p->turned || !p->image || !p->spectrum || !p->transfer)
        return false;
    pthread_mutex_lock(&planning);
    p->forward = fftw_plan_dft_2d(p->n, p->n, p->field, p->field, FFTW_BACKWARD, FFTW_ESTIMATE);
    p->forward_turned =
        fftw_plan_dft_2d(p->n, p->n, p->turned, p->turned, FFTW_BACKWARD, FFTW_ESTIMATE);
    p->to_spectrum = fftw_plan_dft_r2c_2d(p->n, p->n, p->image, p->spectrum, FFTW_ESTIMATE);
    p->to_image = fftw_plan_dft_c2r_2d(p->n, p->n, p->spectrum, p->image, FFTW_ESTIMATE);
    pthread_mutex_unlock(&planning);
    return p->forward && p->forward_turned && p->to_spectrum && p->to_image;
}

pl_status pl_psf_new(const pl_psf_grid *grid, pl_psf **out, pl_err *err)
{
    pl_status st = check_grid(grid, err);
    if (st != PL_OK)
        return st;
    pl_psf *p = calloc(1, sizeof *p);
    if (!p)
        return pl_fail(err, PL_ENOMEM, "out of memory for a star image");
    p->grid = *grid;
    if (p->grid.oversample < 1)
        p->grid.oversample =
            (int)floor(grid->pixel_um / (grid->light[0].lambda_um * grid->f_ratio)) + 1;
    p->n = side_of((double)grid->size * p->grid.oversample);
    p->half = p->n / 2 + 1;
    double fine = grid->pixel_um / p->grid.oversample;
    p->side = 2 * grid->light[0].lambda_um * grid->f_ratio / (p->n * fine);
    if (!list_cells(p) || !make_plans(p)) {
        pl_psf_free(p);
        return pl_fail(err, PL_ENOMEM, "out of memory for a star image of %d px", grid->size);
    }
    *out = p;
    return PL_OK;
}

void pl_psf_free(pl_psf *p)
{
    if (!p)
        return;
    pthread_mutex_lock(&planning);
    if (p->forward)
        fftw_destroy_plan(p->forward);
    if (p->forward_turned)
        fftw_destroy_plan(p->forward_turned);
    if (p->to_spectrum)
        fftw_destroy_plan(p->to_spectrum);
    if (p->to_image)
        fftw_destroy_plan(p->to_image);
    pthread_mutex_unlock(&planning);
    fftw_free(p->field);
    fftw_free(p->turned);
    fftw_free(p->image);
    fftw_free(p->spectrum);
    free(p->transfer);
    free(p->cell);
    free(p->zernike);
    free(p->open);
    free(p);
}

static double sinc(double x)
{
    return fabs(x) < 1e-9 ? 1 : sin(M_PI * x) / (M_PI * x);
}

void pl_psf_set_blur(pl_psf *p, const pl_blur *b)
{
    const pl_psf_grid *g = &p->grid;
    double fine = g->pixel_um / g->oversample, step = 1 / (p->n * fine); /* cycles per um */
    /* 3.44 (lambda F u / r0)^(5/3) with r0 = 0.976 lambda / seeing (Fried 1966; Roddier 1981): the
     * focal length F drops out for seeing as a width in um at the focal plane */
    double air = b->seeing_um > 0 ? b->seeing_um / 0.976 : 0;
    for (int j = 0; j < p->n; j++)
        for (int i = 0; i < p->half; i++) {
            double u = i * step, v = (j <= p->n / 2 ? j : j - p->n) * step;
            double c = cos(b->jitter_deg * M_PI / 180), d = sin(b->jitter_deg * M_PI / 180);
            double jitter = 2 * M_PI * M_PI *
                            (pow((u * c + v * d) * b->jitter_major_um, 2) +
                             pow((v * c - u * d) * b->jitter_minor_um, 2));
            double t = exp(-3.44 * pow(air * hypot(u, v), 5.0 / 3) - jitter);
            if (b->pixel)
                t *= sinc(u * g->pixel_um) * sinc(v * g->pixel_um);
            p->transfer[(size_t)j * (size_t)p->half + (size_t)i] = t;
        }
}

void pl_psf_set_aperture(pl_psf *p, const pl_aperture *a)
{
    for (size_t c = 0; c < p->cells; c++)
        p->open[c] = pl_aperture_at(a, p->cell[c].x, p->cell[c].y, p->side);
}

/* Amplitude at the sensor for wavefront coefficients in um; scaled so that |.|^2 sums to 1. */
static void propagate(pl_psf *p, const double *zernike_um)
{
    memset(p->field, 0, (size_t)p->n * (size_t)p->n * sizeof *p->field);
    double light = 0, wave = 2 * M_PI / p->grid.light[0].lambda_um;
    for (size_t c = 0; c < p->cells; c++)
        light += p->open[c] * p->open[c];
    double scale = 1 / (p->n * sqrt(light));
    for (size_t c = 0; c < p->cells; c++) {
        double w = 0;
        for (int z = 2; z <= PL_NOLL_MAX; z++)
            if (zernike_um[z] != 0)
                w += zernike_um[z] * p->zernike[(size_t)z * p->cells + c];
        double *f = p->field[p->cell[c].index];
        f[0] = scale * p->open[c] * cos(wave * w);
        f[1] = -scale * p->open[c] * sin(wave * w);
    }
    fftw_execute(p->forward);
}

/* p->image blurred, placed and read at the sensor's pixels: out [size][size], added `times`. */
static void to_pixels(pl_psf *p, double x_px, double y_px, double *out)
{
    fftw_execute(p->to_spectrum);
    double os = p->grid.oversample, turn = -2 * M_PI / p->n;
    double norm = p->grid.oversample * os / ((double)p->n * p->n);
    for (int j = 0; j < p->n; j++)
        for (int i = 0; i < p->half; i++) {
            int v = j <= p->n / 2 ? j : j - p->n;
            double a = turn * os * (i * x_px + v * y_px);
            double t = norm * p->transfer[(size_t)j * (size_t)p->half + (size_t)i];
            double *s = p->spectrum[(size_t)j * (size_t)p->half + (size_t)i];
            double re = s[0] * cos(a) - s[1] * sin(a), im = s[0] * sin(a) + s[1] * cos(a);
            s[0] = t * re;
            s[1] = t * im;
        }
    fftw_execute(p->to_image);
    for (int y = 0; y < p->grid.size; y++)
        for (int x = 0; x < p->grid.size; x++)
            out[y * p->grid.size + x] =
                p->image[(size_t)y * (size_t)os * (size_t)p->n + (size_t)x * (size_t)os];
}

bool pl_psf_image(pl_psf *p, const double *zernike_um, double x_px, double y_px, double *out)
{
    size_t all = (size_t)p->n * (size_t)p->n;
    propagate(p, zernike_um);
    for (size_t i = 0; i < all; i++)
        p->image[i] = p->field[i][0] * p->field[i][0] + p->field[i][1] * p->field[i][1];
    to_pixels(p, x_px, y_px, out);
    return true;
}
