/* SPDX-License-Identifier: GPL-3.0-or-later */
/* wavefront.c - a fit's parameters in the terms of the trade. */
#include "donut.h"

#include <math.h>
#include <string.h>

pl_shared pl_wavefront_shared(const pl_wavefit *fit)
{
    pl_shared s;
    for (int a = 0; a < PL_WF_SHARED; a++) {
        s.p[a] = fit->p[a];
        for (int b = 0; b < PL_WF_SHARED; b++)
            s.cov[a][b] = fit->cov[a][b];
    }
    return s;
}

/* +1 for what is the same on both sides of focus, -1 for what is not: W(x) becomes -W(-x). */
static int parity(int parameter)
{
    int n = 0, m = 0;
    if (parameter >= PL_WF_SHADOW_X)
        return -1;
    pl_noll_index(parameter + PL_NOLL_FIRST, &n, &m);
    return n % 2 ? 1 : -1;
}

void pl_wavefront_flip(pl_shared *s)
{
    for (int a = 0; a < PL_WF_SHARED; a++) {
        s->p[a] *= parity(a);
        for (int b = 0; b < PL_WF_SHARED; b++)
            s->cov[a][b] *= parity(a) * parity(b);
    }
}

/* A vector of two parameters: length and direction with their errors. */
typedef struct {
    double length, sigma, deg, deg_sigma;
} vector;

/* `fold` equal directions in a full turn; an angle that says nothing has the error of a guess. */
static vector vector_of(const pl_shared *s, int kx, int ky, int fold)
{
    double x = s->p[kx], y = s->p[ky], r = hypot(x, y), c = r > 0 ? x / r : 1,
           d = r > 0 ? y / r : 0;
    double xx = s->cov[kx][kx], yy = s->cov[ky][ky], xy = s->cov[kx][ky];
    double along = c * c * xx + 2 * c * d * xy + d * d * yy;
    double across = d * d * xx - 2 * c * d * xy + c * c * yy;
    double guess = 360 / sqrt(12), deg = 180 / M_PI;
    return (vector){ r, sqrt(fmax(0, along)), fmod(deg * atan2(y, x) + 360, 360) / fold,
                     fmin(guess, deg * sqrt(fmax(0, across)) / fmax(r, 1e-12)) / fold };
}

void pl_wavefront_tell(const pl_shared *s, const pl_optic *optic, bool side_known,
                       pl_wavefront *out)
{
    pl_wavefront w = { .seeing_arcsec = NAN, .seeing_sigma_arcsec = NAN };
    double n = optic->f_ratio, nm = 1000, radius = optic->aperture_mm / 2;
    double um_per_nm = 2 * sqrt(3) * 8 * n * n / nm; /* 2 sqrt(3) a4 = W020 = defocus / (8 N^2) */
    for (int j = 0; j <= PL_NOLL_LAST; j++) {
        int k = pl_wavefit_of(j);
        bool fitted = j >= PL_NOLL_FIRST && s->cov[k][k] > 0;
        w.zernike_nm[j] = fitted ? nm * s->p[k] : NAN;
        w.zernike_sigma_nm[j] = fitted ? nm * sqrt(s->cov[k][k]) : NAN;
    }
    w.defocus_um = um_per_nm * w.zernike_nm[4];
    w.defocus_sigma_um = um_per_nm * w.zernike_sigma_nm[4];
    w.spherical_nm = w.zernike_nm[11];
    w.spherical_sigma_nm = w.zernike_sigma_nm[11];
    vector coma = vector_of(s, pl_wavefit_of(8), pl_wavefit_of(7), 1);
    vector astigmatism = vector_of(s, pl_wavefit_of(6), pl_wavefit_of(5), 2);
    vector trefoil = vector_of(s, pl_wavefit_of(10), pl_wavefit_of(9), 3);
    vector shadow = vector_of(s, PL_WF_SHADOW_X, PL_WF_SHADOW_Y, 1);
    w.coma_nm = nm * coma.length;
    w.coma_sigma_nm = nm * coma.sigma;
    w.coma_deg = coma.deg;
    w.coma_sigma_deg = coma.deg_sigma;
    w.astigmatism_nm = nm * astigmatism.length;
    w.astigmatism_sigma_nm = nm * astigmatism.sigma;
    w.astigmatism_deg = side_known ? astigmatism.deg : NAN;
    w.astigmatism_sigma_deg = side_known ? astigmatism.deg_sigma : NAN;
    w.trefoil_nm = nm * trefoil.length;
    w.trefoil_sigma_nm = nm * trefoil.sigma;
    w.trefoil_deg = trefoil.deg;
    w.trefoil_sigma_deg = trefoil.deg_sigma;
    w.shadow_mm = radius * shadow.length;
    w.shadow_sigma_mm = radius * shadow.sigma;
    w.shadow_deg = shadow.deg;
    w.shadow_sigma_deg = shadow.deg_sigma;
    *out = w;
}

/* One component of coma, the shadow known to be nought: the mean of a normal vector's part given
 * the rest, c - C_cs C_ss^-1 s (textbook). Both axes of the shadow count: pixels left out and
 * astigmatism at 45 degrees tie coma along one axis to the shadow along the other. */
static double follows(const pl_shared *s, int coma)
{
    const int x = PL_WF_SHADOW_X, y = PL_WF_SHADOW_Y;
    double xx = s->cov[x][x], yy = s->cov[y][y], xy = s->cov[x][y], det = xx * yy - xy * xy;
    if (!(det > 0))
        return s->p[coma]; /* no hole: not fitted */
    double by_x = (yy * s->p[x] - xy * s->p[y]) / det, by_y = (xx * s->p[y] - xy * s->p[x]) / det;
    return s->p[coma] - s->cov[coma][x] * by_x - s->cov[coma][y] * by_y;
}

void pl_wavefront_centred(const pl_shared *s, double *a7, double *a8)
{
    *a7 = follows(s, pl_wavefit_of(7));
    *a8 = follows(s, pl_wavefit_of(8));
}
