/* SPDX-License-Identifier: GPL-3.0-or-later */
/* blur.c - intensity -> long-exposure air, tracking and pixel -> the sensor's pixels.
 *
 * All blurs are factors in the Fourier plane of the image, and so is its place. Reading every
 * oversample-th fine pixel folds the spectrum: the sensor's m x m pixels are the small transform of
 * the sum of all n / m x n / m tiles of it. Only the half with i >= 0 is kept of a real image's
 * spectrum; the other half is its mirror, so the image is twice the real part, columns that mirror
 * onto themselves counted half. */
#include "psf.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Frequency of row j, in steps. */
static int signed_row(const pl_psf *p, int j)
{
    return j <= p->sampling.n / 2 ? j : j - p->sampling.n;
}

/* exp(-2 pi^2 (sigma . f)^2) of a Gaussian, as the three coefficients of its exponent. */
struct jitter {
    double uu, uv, vv;
};

static struct jitter jitter_of(const pl_blur *b)
{
    double c = cos(b->jitter_deg * M_PI / 180), s = sin(b->jitter_deg * M_PI / 180);
    double major = 2 * M_PI * M_PI * b->jitter_major_um * b->jitter_major_um;
    double minor = 2 * M_PI * M_PI * b->jitter_minor_um * b->jitter_minor_um;
    return (struct jitter){ major * c * c + minor * s * s, 2 * (major - minor) * c * s,
                            major * s * s + minor * c * c };
}

/* exp(-28): what lets less through lets nothing through. */
static const double DIM = 28;

/* One row of a transfer function. Gives its last column that lets anything through, plus one. */
static int fill_row(const pl_psf *p, const struct pl_view *v, struct jitter shake, bool pixel,
                    int j, double *row)
{
    double step = 1 / (p->sampling.m * p->grid.pixel_um); /* cycles per um */
    int jj = signed_row(p, j), reach = 0;
    const double *r53 = p->turbulence + (size_t)abs(jj) * (size_t)p->half;
    double fy = jj * step, down = pixel ? p->box[abs(jj)] : 1;
    for (int i = 0; i < p->half; i++) {
        double fx = i * step;
        double e = v->air * r53[i] + fx * fx * shake.uu + fx * fy * shake.uv + fy * fy * shake.vv;
        if (e > DIM && shake.uv == 0) /* and more so farther out */
            break;
        row[i] = e > DIM ? 0 : down * exp(-e);
        if (pixel)
            row[i] *= p->box[i];
        if (i == 0 || i == p->half - 1) /* its own mirror image */
            row[i] /= 2;
        if (row[i] != 0)
            reach = i + 1;
    }
    return reach;
}

/* A view's transfer function. Rows of opposite frequency are the same unless the jitter slants.
 * Gives: columns that let anything through. */
static int fill_transfer(const pl_psf *p, struct pl_view *v, struct jitter shake, bool pixel)
{
    size_t half = (size_t)p->half;
    int n = p->sampling.n, most = 1;
    for (int j = 0; j < n; j++) {
        double *row = v->transfer + (size_t)j * half;
        if (j > n / 2 && shake.uv == 0) {
            v->reach[j] = v->reach[n - j];
            memcpy(row, v->transfer + (size_t)(n - j) * half, (size_t)v->reach[j] * sizeof *row);
            continue;
        }
        v->reach[j] = fill_row(p, v, shake, pixel, j, row);
        most = v->reach[j] > most ? v->reach[j] : most;
    }
    return most;
}

static bool same_blur(const pl_blur *a, const pl_blur *b)
{
    return a->seeing_um == b->seeing_um && a->jitter_major_um == b->jitter_major_um &&
           a->jitter_minor_um == b->jitter_minor_um && a->jitter_deg == b->jitter_deg &&
           a->pixel == b->pixel;
}

/* Air: 3.44 (lambda F f / r0)^(5/3) with r0 = 0.976 lambda / seeing (Fried 1966; Roddier 1981): the
 * focal length F drops out for seeing as a width at the focal plane, which goes as lambda^-1/5. */
void pl_psf_set_blur(pl_psf *p, const pl_blur *b)
{
    struct jitter shake = jitter_of(b);
    double step = 1 / (p->sampling.m * p->grid.pixel_um);
    if (same_blur(b, &p->blur))
        return;
    p->blur = *b;
    p->reach = 1;
    for (int k = 0; k < p->grid.lights; k++) {
        struct pl_view *v = &p->view[k];
        double seeing = b->seeing_um * pow(v->lambda_um / p->view[0].lambda_um, -0.2);
        v->air = seeing > 0 ? 3.44 * pow(seeing / 0.976 * step, 5.0 / 3) : 0;
        int reach = fill_transfer(p, v, shake, b->pixel);
        p->reach = reach > p->reach ? reach : p->reach;
    }
}

/* Columns that mirror onto themselves count half; fill_row has seen to it. */
void pl_psf_place(pl_psf *p, double x_px, double y_px)
{
    double turn = -2 * M_PI / p->sampling.m, norm = 2.0 / p->sampling.m / p->sampling.m;
    p->x_px = x_px;
    for (int i = 0; i < p->sampling.m; i++) {
        double a = turn * i * x_px;
        p->across[i][0] = norm * cos(a);
        p->across[i][1] = norm * sin(a);
    }
    for (int j = 0; j < p->sampling.n; j++) {
        double a = turn * signed_row(p, j) * y_px;
        p->down[j][0] = cos(a);
        p->down[j][1] = sin(a);
    }
}

void pl_psf_transform_row(pl_psf *p, int j)
{
    fftw_execute_dft_r2c(p->spectrum_row, p->intensity,
                         p->spectrum + (size_t)j * (size_t)p->pitch_half);
}

void pl_psf_transform_columns(pl_psf *p)
{
    for (int i = 0; i < p->reach; i += PL_PSF_BLOCK)
        fftw_execute_dft(p->spectrum_block, p->spectrum + i, p->spectrum + i);
}

/* What multiplies element (j, i) of the spectrum is the transfer, the phases of the place, and what
 * the derivative asks for: by x and y -2 pi i f; by the seeing, from d/ds exp(-a s^(5/3)), -(5/3) a
 * s^(2/3). Its part that is real and changes with i: [reach of j]. */
PL_INTO const double *weights(const pl_psf *p, const struct pl_view *v, pl_fold what, int j,
                              double *scratch)
{
    const double *t = v->transfer + (size_t)j * (size_t)p->half;
    const double *r53 = p->turbulence + (size_t)abs(signed_row(p, j)) * (size_t)p->half;
    if (what == PL_FOLD_D_X)
        for (int i = 0; i < v->reach[j]; i++)
            scratch[i] = t[i] * i;
    else if (what == PL_FOLD_D_SEEING)
        for (int i = 0; i < v->reach[j]; i++)
            scratch[i] = t[i] * r53[i];
    else
        return t;
    return scratch;
}

/* Its part that is the same all along a row, but for the phase across. */
PL_INTO void row_factor(const pl_psf *p, const struct pl_view *v, pl_fold what, int j,
                        double factor[2])
{
    double c = v->weight * p->down[j][0], s = v->weight * p->down[j][1];
    double f = -2 * M_PI / p->sampling.m;
    bool tilted = what == PL_FOLD_D_X || what == PL_FOLD_D_Y; /* times i f */
    double g = what == PL_FOLD_D_Y        ? f * signed_row(p, j)
               : what == PL_FOLD_D_X      ? f
               : what == PL_FOLD_D_SEEING ? -5.0 / 3 * v->air / p->blur.seeing_um
                                          : 1;
    factor[0] = tilted ? -g * s : g * c;
    factor[1] = tilted ? g * c : g * s;
}

/* to[i] += factor weight[i] s[i]. */
PL_INTO void add_row(const double factor[2], const double *weight, const fftw_complex *s, int n,
                     fftw_complex *to)
{
    for (int i = 0; i < n; i++) {
        double re = weight[i] * s[i][0], im = weight[i] * s[i][1];
        to[i][0] += factor[0] * re - factor[1] * im;
        to[i][1] += factor[0] * im + factor[1] * re;
    }
}

/* Into p->small; a tile's phase across is the first one's, turned by a whole image's width. */
PL_WIDE static void fold(pl_psf *p, const struct pl_view *v, pl_fold what)
{
    int m = p->sampling.m;
    double turn[2] = { cos(2 * M_PI * p->x_px), -sin(2 * M_PI * p->x_px) };
    memset(p->small, 0, (size_t)m * (size_t)p->pitch_small * sizeof *p->small);
    for (int j = 0, to = 0; j < p->sampling.n; j++, to = to + 1 < m ? to + 1 : 0) {
        const fftw_complex *s = p->spectrum + (size_t)j * (size_t)p->pitch_half;
        const double *weight = weights(p, v, what, j, p->weight);
        double factor[2];
        row_factor(p, v, what, j, factor);
        for (int from = 0; from < v->reach[j]; from += m) {
            int n = v->reach[j] - from < m ? v->reach[j] - from : m;
            add_row(factor, weight + from, s + from, n,
                    p->small + (size_t)to * (size_t)p->pitch_small);
            double was = factor[0];
            factor[0] = was * turn[0] - factor[1] * turn[1];
            factor[1] = was * turn[1] + factor[1] * turn[0];
        }
    }
    for (int j = 0; j < m; j++) {
        fftw_complex *row = p->small + (size_t)j * (size_t)p->pitch_small;
        for (int i = 0; i < m; i++) {
            double was = row[i][0];
            row[i][0] = was * p->across[i][0] - row[i][1] * p->across[i][1];
            row[i][1] = was * p->across[i][1] + row[i][1] * p->across[i][0];
        }
    }
}

void pl_psf_fold(pl_psf *p, const struct pl_view *v, pl_fold what, double *out)
{
    int size = p->grid.size;
    fold(p, v, what);
    fftw_execute(p->to_image);
    for (int y = 0; y < size; y++)
        for (int x = 0; x < size; x++)
            out[(size_t)y * (size_t)size + (size_t)x] +=
                p->small[(size_t)y * (size_t)p->pitch_small + (size_t)x][0];
}
