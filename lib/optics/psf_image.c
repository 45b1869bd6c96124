/* SPDX-License-Identifier: GPL-3.0-or-later */
/* psf_image.c - wavefront -> amplitude -> intensity, and its derivatives.
 *
 * Signs: the pupil is P exp(-i k W) and the transform to the sensor has exp(+i), so that rays are
 * shifted by +2 N grad W: a positive coefficient of Z2 moves the image to +x, positive defocus is
 * positive Z4. Where in the grid the pupil lies does not matter: a shift only turns the phase of
 * the whole amplitude.
 *
 * Derivatives (derived here), E being the amplitude and F the transform of the changed pupil:
 *   by a Zernike coefficient  dE = -i k F[Z_j P e^(-ikW)], so dI = 2 Re(E* dE) = 2 k Im(E* F)
 *   by the shadow             dE = F[P' e^(-ikW)], and the light L = sum P to which all is scaled
 *                             changes too: dI = 2 Re(E* F) - I L' / L
 *   by place and seeing       factors in the Fourier plane of the image: blur.c */
#include "phasor.h"
#include "psf.h"

#include <math.h>
#include <string.h>

/* A polynomial, lowest power first, at n places of a row. */
PL_WIDE static void row_of(const double c[PL_WAVE_DEGREE + 1], const double *x, int n,
                           double *restrict out)
{
    for (int i = 0; i < n; i++) {
        double s = x[i];
        out[i] = c[0] + s * (c[1] + s * (c[2] + s * (c[3] + s * (c[4] + s * (c[5] + s * c[6])))));
    }
}

/* A wave at a view's cells: out [cells of the view]. */
static void evaluate(const pl_psf *p, const struct pl_view *v, const pl_wave *w, double *out)
{
    for (int r = 0; r < v->rows; r++) {
        const struct pl_run *run = &v->run[r];
        double c[PL_WAVE_DEGREE + 1];
        pl_wave_row(w, run->y, c);
        row_of(c, p->x + run->first, run->count, out + (run->first - v->first));
    }
}

PL_WIDE static void multiply(const double *gain, const fftw_complex *turn, int n,
                             fftw_complex *restrict out)
{
    for (int i = 0; i < n; i++) {
        out[i][0] = gain[i] * turn[i][0];
        out[i][1] = gain[i] * turn[i][1];
    }
}

/* Half the way to the sensor: the pupil gain x light, or all of the light, its columns transformed.
 * Leaves in p->half_way what row_at_sensor reads. */
static void transform_columns(pl_psf *p, const struct pl_view *v, const double *gain,
                              const fftw_complex *light)
{
    size_t pitch = (size_t)p->pitch_way;
    memset(p->half_way, 0, (size_t)p->sampling.n * pitch * sizeof *p->half_way);
    for (int r = 0; r < v->rows; r++) {
        const struct pl_run *run = &v->run[r];
        size_t from = run->first - v->first;
        fftw_complex *to = p->half_way + (size_t)r * pitch + run->at;
        if (gain)
            multiply(gain + from, light + from, run->count, to);
        else
            memcpy(to, light + from, (size_t)run->count * sizeof *to);
    }
    for (int i = 0; i < v->rows; i += PL_PSF_BLOCK) /* no wider than high */
        fftw_execute_dft(p->column_block, p->half_way + i, p->half_way + i);
}

/* Row j of the field at the sensor: [n]. */
static void row_at_sensor(const pl_psf *p, int j, fftw_complex *out)
{
    memcpy(p->row_way, p->half_way + (size_t)j * (size_t)p->pitch_way,
           (size_t)p->columns * sizeof *p->row_way);
    fftw_execute_dft(p->row, p->row_way, out);
}

/* What a wavefront turns the light by, and what of it is let through. */
PL_WIDE static void phases(const double *wave_um, const double *open, size_t n, double per_um,
                           double scale, fftw_complex *restrict turn, fftw_complex *restrict lit)
{
    for (size_t c = 0; c < n; c++)
        pl_phasor(scale, per_um * wave_um[c], &turn[c][0], &turn[c][1]);
    for (size_t c = 0; c < n; c++) {
        lit[c][0] = open[c] * turn[c][0];
        lit[c][1] = open[c] * turn[c][1];
    }
}

/* The amplitude of a wavefront, p->field; |.|^2 sums to nearly 1 over the grid. Leaves the phases
 * in p->turn and p->lit. */
static void amplitude(pl_psf *p, const struct pl_view *v, const pl_wave *w)
{
    double scale = 1 / (p->sampling.n * sqrt(v->light));
    evaluate(p, v, w, p->gain);
    for (size_t c = 0; p->phase_um && c < v->cells; c++)
        p->gain[c] += p->phase_um[v->first + c];
    phases(p->gain, p->open + v->first, v->cells, -1 / v->lambda_um, scale, p->turn, p->lit);
    transform_columns(p, v, NULL, p->lit);
    for (int j = 0; j < p->sampling.n; j++)
        row_at_sensor(p, j, p->field + (size_t)j * (size_t)p->pitch);
}

/* A row of k Im(E* F), and of own |E|^2 + k Re(E* F). */
PL_WIDE static void turning(const fftw_complex *e, const fftw_complex *f, double k, int n,
                            double *restrict out)
{
    for (int i = 0; i < n; i++)
        out[i] = k * (e[i][0] * f[i][1] - e[i][1] * f[i][0]);
}

PL_WIDE static void brightening(const fftw_complex *e, const fftw_complex *f, double own, double k,
                                int n, double *restrict out)
{
    for (int i = 0; i < n; i++)
        out[i] = own * (e[i][0] * e[i][0] + e[i][1] * e[i][1]) +
                 k * (e[i][0] * f[i][0] + e[i][1] * f[i][1]);
}

PL_WIDE static void brightness(const fftw_complex *e, int n, double *restrict out)
{
    for (int i = 0; i < n; i++)
        out[i] = e[i][0] * e[i][0] + e[i][1] * e[i][1];
}

/* The spectrum of k Im(E* F), or of own |E|^2 + k Re(E* F) where only light changes; F of the pupil
 * in p->half_way. Row by row, so that what is in work fits the processor's cache. */
static void combine(pl_psf *p, bool light, double own, double k)
{
    int n = p->sampling.n;
    for (int j = 0; j < n; j++) {
        const fftw_complex *e = p->field + (size_t)j * (size_t)p->pitch;
        row_at_sensor(p, j, p->turned);
        if (light)
            brightening(e, p->turned, own, k, n, p->intensity);
        else
            turning(e, p->turned, k, n, p->intensity);
        pl_psf_transform_row(p, j);
    }
    pl_psf_transform_columns(p);
}

static void intensity(pl_psf *p)
{
    int n = p->sampling.n;
    for (int j = 0; j < n; j++) {
        brightness(p->field + (size_t)j * (size_t)p->pitch, n, p->intensity);
        pl_psf_transform_row(p, j);
    }
    pl_psf_transform_columns(p);
}

/* ---- what is asked for */

static void start(const pl_psf *p, double *out, double value)
{
    for (size_t i = 0; out && i < pl_psf_area(p); i++)
        out[i] = value;
}

static void each(const pl_psf *p, int terms, const pl_psf_slopes *out, double value)
{
    double *all[] = { out->image, out->d_x, out->d_y, out->d_seeing };
    for (size_t i = 0; i < PL_ARRAY_LEN(all); i++)
        start(p, all[i], value);
    for (int k = 0; k < PL_BY_PUPIL; k++)
        start(p, out->d_pupil[k], value);
    for (int k = 0; out->d_zernike && k < terms; k++)
        start(p, out->d_zernike + (size_t)k * pl_psf_area(p), value);
}

static void by_zernike(pl_psf *p, const struct pl_view *v, int j, double *out)
{
    pl_wave z = { 0 };
    pl_wave_add(&z, j, 1);
    evaluate(p, v, &z, p->gain);
    transform_columns(p, v, p->gain, p->lit);
    combine(p, false, 0, 2 * 2 * M_PI / v->lambda_um);
    pl_psf_fold(p, v, PL_FOLD_IMAGE, out);
}

static void by_pupil(pl_psf *p, const struct pl_view *v, int what, double *out)
{
    memset(p->gain, 0, v->cells * sizeof *p->gain);
    for (size_t k = 0; k < v->edges; k++)
        p->gain[v->edge[k].cell] = v->edge[k].by[what];
    transform_columns(p, v, p->gain, p->turn);
    combine(p, true, -v->by[what] / v->light, 2);
    pl_psf_fold(p, v, PL_FOLD_IMAGE, out);
}

static bool same_wave(const pl_wave *a, const pl_wave *b)
{
    bool same = true;
    for (int q = 0; q <= PL_WAVE_DEGREE; q++)
        for (int p = 0; p <= PL_WAVE_DEGREE; p++)
            same &= a->c[q][p] == b->c[q][p];
    return same;
}

static void add_view(pl_psf *p, const struct pl_view *v, const pl_wave *w, const int *term,
                     int terms, const pl_psf_slopes *out)
{
    if (!p->kept || !same_wave(&p->wave, w)) /* a fit asks for slopes where the image was */
        amplitude(p, v, w);
    p->kept = p->grid.lights == 1 && !p->phase_um;
    p->wave = *w;
    intensity(p);
    if (out->image)
        pl_psf_fold(p, v, PL_FOLD_IMAGE, out->image);
    if (out->d_x)
        pl_psf_fold(p, v, PL_FOLD_D_X, out->d_x);
    if (out->d_y)
        pl_psf_fold(p, v, PL_FOLD_D_Y, out->d_y);
    if (out->d_seeing && p->blur.seeing_um > 0)
        pl_psf_fold(p, v, PL_FOLD_D_SEEING, out->d_seeing);
    for (int k = 0; out->d_zernike && k < terms; k++)
        by_zernike(p, v, term[k], out->d_zernike + (size_t)k * pl_psf_area(p));
    for (int k = 0; k < PL_BY_PUPIL; k++)
        if (out->d_pupil[k])
            by_pupil(p, v, k, out->d_pupil[k]);
}

bool pl_psf_gradient(pl_psf *p, const double *zernike_um, double x_px, double y_px, const int *term,
                     int terms, const pl_psf_slopes *out)
{
    pl_wave w = { 0 };
    for (int j = 2; j <= PL_NOLL_MAX; j++)
        pl_wave_add(&w, j, zernike_um[j]);
    double thrown_um = 2 * p->grid.f_ratio * pl_wave_reach(&w);
    bool holds = thrown_um <= p->sampling.m * p->grid.pixel_um / 2;
    each(p, terms, out, holds ? 0 : NAN);
    if (!holds)
        return false;
    pl_psf_place(p, x_px, y_px);
    for (int i = 0; i < p->grid.lights; i++)
        add_view(p, &p->view[i], &w, term, terms, out);
    return true;
}

bool pl_psf_image(pl_psf *p, const double *zernike_um, double x_px, double y_px, double *out)
{
    return pl_psf_gradient(p, zernike_um, x_px, y_px, NULL, 0, &(pl_psf_slopes){ .image = out });
}
