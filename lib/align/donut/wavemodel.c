/* SPDX-License-Identifier: GPL-3.0-or-later */
/* wavemodel.c - a donut's pixels as a set of parameters foretells them: the star image by FFT with
 * its exact slopes, times the light, on a plane of sky. */
#include "wavemodel.h"

#include <math.h>
#include <stdlib.h>

/* Planes of the gradient: the image, what the sky adds (which stays), then the image's slopes; the
 * Zernikes' come last. */
enum {
    IMAGE,
    SKY, /* 1, and so far along a side from the stamp's middle */
    SKY_X,
    SKY_Y,
    BY_X,
    BY_Y,
    BY_SEEING,
    BY_SHADOW_X,
    BY_SHADOW_Y,
    BY_OBSTRUCTION,
    BY_WAVE,
    PLANES = BY_WAVE + PL_WAVEMODEL_TERMS
};

static double *plane(const pl_wavemodel *m, int k)
{
    return m->plane + (size_t)k * m->area;
}

static void fill_sky(pl_wavemodel *m)
{
    size_t side = (size_t)m->stamp->size;
    for (size_t i = 0; i < m->area; i++) {
        plane(m, SKY)[i] = 1;
        plane(m, SKY_X)[i] = (double)(i % side) / (double)side - 0.5;
        plane(m, SKY_Y)[i] = (double)(i / side) / (double)side - 0.5;
    }
}

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
    pl_status rc = PL_OK;
    if (scope->kept && scope->kept->size == grid.size) {
        m.psf = scope->kept->psf;
        *scope->kept = (pl_wavefit_kept){ 0 };
    } else {
        rc = pl_psf_new(&grid, &m.psf, err);
    }
    if (rc != PL_OK) {
        free(m.plane);
        return rc;
    }
    fill_sky(&m);
    *out = m;
    return PL_OK;
}

void pl_wavemodel_clear(pl_wavemodel *m)
{
    if (m->psf && m->scope->kept) {
        pl_psf_free(m->scope->kept->psf);
        *m->scope->kept = (pl_wavefit_kept){ m->psf, m->stamp->size };
    } else {
        pl_psf_free(m->psf);
    }
    free(m->plane);
    *m = (pl_wavemodel){ 0 };
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

double pl_wavemodel_at(const pl_wavemodel *m, size_t i)
{
    const double *p = m->p;
    return p[PL_WF_FLUX] * plane(m, IMAGE)[i] + p[PL_WF_SKY] + p[PL_WF_SKY_X] * plane(m, SKY_X)[i] +
           p[PL_WF_SKY_Y] * plane(m, SKY_Y)[i];
}

const double *pl_wavemodel_slope(const pl_wavemodel *m, int parameter, double *times)
{
    static const int of[PL_WF_N] = {
        [PL_WF_X] = BY_X,
        [PL_WF_Y] = BY_Y,
        [PL_WF_LN_SEEING] = BY_SEEING,
        [PL_WF_SHADOW_X] = BY_SHADOW_X,
        [PL_WF_SHADOW_Y] = BY_SHADOW_Y,
        [PL_WF_OBSTRUCTION] = BY_OBSTRUCTION,
        [PL_WF_FLUX] = IMAGE,
        [PL_WF_SKY] = SKY,
        [PL_WF_SKY_X] = SKY_X,
        [PL_WF_SKY_Y] = SKY_Y,
    };
    if (parameter < PL_WF_SHADOW_X) {
        *times = m->p[PL_WF_FLUX];
        return plane(m, BY_WAVE + parameter - PL_WF_WAVE);
    }
    *times = of[parameter] <= SKY_Y ? 1 : m->p[PL_WF_FLUX];
    if (parameter == PL_WF_LN_SEEING)
        *times *= exp(m->p[PL_WF_LN_SEEING]);
    return plane(m, of[parameter]);
}
