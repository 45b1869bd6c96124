/* SPDX-License-Identifier: GPL-3.0-or-later */
/* wavemodel.c - a donut's pixels as a set of parameters foretells them: the star image by FFT with
 * its exact slopes, times the light, on a plane of sky. */
#include "wavemodel.h"

#include <math.h>
#include <stdlib.h>

/* Planes of the gradient: the image, then its slopes; the Zernikes' come last. */
enum {
    IMAGE,
    BY_X,
    BY_Y,
    BY_SEEING,
    BY_SHADOW_X,
    BY_SHADOW_Y,
    BY_OBSTRUCTION,
    BY_WAVE,
    PLANES = BY_WAVE + PL_WAVEMODEL_TERMS
};

pl_status pl_wavemodel_new(const pl_wavefit_scope *scope, const pl_wavefit_stamp *stamp,
                           pl_wavemodel *out, pl_err *err)
{
    pl_wavemodel m = { .scope = scope, .stamp = stamp };
    pl_psf_grid grid = scope->grid;
    grid.size = stamp->size;
    m.area = (size_t)grid.size * (size_t)grid.size;
    for (int j = PL_NOLL_FIRST; j <= scope->last; j++)
        m.term[m.terms++] = j;
    m.plane = malloc(PLANES * m.area * sizeof *m.plane);
    if (!m.plane)
        return pl_fail(err, PL_ENOMEM, "out of memory for a donut of %d px", grid.size);
    pl_status rc = pl_psf_new(&grid, &m.psf, err);
    if (rc != PL_OK) {
        free(m.plane);
        return rc;
    }
    *out = m;
    return PL_OK;
}

void pl_wavemodel_clear(pl_wavemodel *m)
{
    pl_psf_free(m->psf);
    free(m->plane);
    *m = (pl_wavemodel){ 0 };
}

static double *plane(const pl_wavemodel *m, int k)
{
    return m->plane + (size_t)k * m->area;
}

static void set_pupil(pl_wavemodel *m)
{
    pl_aperture a = m->scope->aperture;
    a.shadow_x = m->p[PL_WF_SHADOW_X];
    a.shadow_y = m->p[PL_WF_SHADOW_Y];
    a.obstruction = m->p[PL_WF_OBSTRUCTION];
    pl_psf_set_aperture(m->psf, &a);
}

/* Image and slopes as m->p is now. */
static bool render(pl_wavemodel *m, bool slopes)
{
    double zernike[PL_NOLL_MAX + 1] = { 0 };
    const double *p = m->p;
    pl_blur blur = { .seeing_um = exp(p[PL_WF_LN_SEEING]), .pixel = true };
    for (int i = 0; i < m->terms; i++)
        zernike[m->term[i]] = p[pl_wavefit_of(m->term[i])];
    set_pupil(m);
    pl_psf_set_blur(m->psf, &blur);
    double x = p[PL_WF_X] - m->stamp->x0, y = p[PL_WF_Y] - m->stamp->y0;
    if (!slopes)
        return pl_psf_image(m->psf, zernike, x, y, plane(m, IMAGE));
    pl_psf_slopes out = { .image = plane(m, IMAGE),
                          .d_zernike = plane(m, BY_WAVE),
                          .d_x = plane(m, BY_X),
                          .d_y = plane(m, BY_Y),
                          .d_seeing = plane(m, BY_SEEING),
                          .d_pupil = { plane(m, BY_SHADOW_X), plane(m, BY_SHADOW_Y),
                                       plane(m, BY_OBSTRUCTION) } };
    return pl_psf_gradient(m->psf, zernike, x, y, m->term, m->terms, &out);
}

/* A descent often asks again for what the last one ended with. */
bool pl_wavemodel_compute(pl_wavemodel *m, bool slopes)
{
    bool moved = false;
    for (int k = 0; k < PL_WF_N; k++) {
        moved |= m->seen[k] != m->p[k];
        m->seen[k] = m->p[k];
    }
    if (slopes || moved)
        m->good = render(m, slopes);
    return m->good;
}

static double tilted(const pl_wavemodel *m, size_t i, int parameter)
{
    size_t side = (size_t)m->stamp->size;
    size_t at = parameter == PL_WF_SKY_X ? i % side : i / side;
    return (double)at / (double)side - 0.5;
}

double pl_wavemodel_at(const pl_wavemodel *m, size_t i)
{
    const double *p = m->p;
    return p[PL_WF_FLUX] * plane(m, IMAGE)[i] + p[PL_WF_SKY] +
           p[PL_WF_SKY_X] * tilted(m, i, PL_WF_SKY_X) + p[PL_WF_SKY_Y] * tilted(m, i, PL_WF_SKY_Y);
}

double pl_wavemodel_slope(const pl_wavemodel *m, size_t i, int parameter, double seeing_um)
{
    double flux = m->p[PL_WF_FLUX];
    switch (parameter) {
    case PL_WF_X:
        return flux * plane(m, BY_X)[i];
    case PL_WF_Y:
        return flux * plane(m, BY_Y)[i];
    case PL_WF_LN_SEEING:
        return flux * seeing_um * plane(m, BY_SEEING)[i];
    case PL_WF_SHADOW_X:
        return flux * plane(m, BY_SHADOW_X)[i];
    case PL_WF_SHADOW_Y:
        return flux * plane(m, BY_SHADOW_Y)[i];
    case PL_WF_OBSTRUCTION:
        return flux * plane(m, BY_OBSTRUCTION)[i];
    case PL_WF_FLUX:
        return plane(m, IMAGE)[i];
    case PL_WF_SKY:
        return 1;
    case PL_WF_SKY_X:
    case PL_WF_SKY_Y:
        return tilted(m, i, parameter);
    default:
        return flux * plane(m, BY_WAVE + parameter - PL_WF_WAVE)[i];
    }
}
