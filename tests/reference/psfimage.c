/* SPDX-License-Identifier: GPL-3.0-or-later */
/* psfimage - the library's image of a star, for psf.py to compare with.
 *
 * usage: psfimage < LINES > IMAGES
 * A line: lights (lambda_um weight)... f_ratio pixel_um size seeing_um jitter_major_um
 * jitter_minor_um jitter_deg dx_px dy_px obstruction shadow_x shadow_y vanes vane_width vane_deg
 * terms (j um)...   dx_px, dy_px: from the centre of pixel (size / 2, size / 2), counted from 0. A
 * size of 0 asks for the one the library would choose, -3 for three times that. Written for each
 * line: the size and size x size pixels, raw doubles. Exit status: 0, or 2 when a line or the
 * library refused. */
#include "../../lib/optics/optics.h"

#include <stdio.h>
#include <stdlib.h>

typedef struct {
    pl_psf_grid grid;
    pl_blur blur;
    pl_aperture aperture;
    double dx_px, dy_px, zernike_um[PL_NOLL_MAX + 1];
} star;

static bool read_terms(star *s)
{
    int terms, j;
    double um;
    if (scanf("%d", &terms) != 1)
        return false;
    for (int i = 0; i < terms; i++) {
        if (scanf("%d %lf", &j, &um) != 2 || j < 1 || j > PL_NOLL_MAX)
            return false;
        s->zernike_um[j] = um;
    }
    return true;
}

static bool read_star(star *s)
{
    pl_psf_grid *g = &s->grid;
    pl_blur *b = &s->blur;
    pl_aperture *a = &s->aperture;
    *s = (star){ .blur.pixel = true };
    if (scanf("%d", &g->lights) != 1 || g->lights < 1 || g->lights > PL_LIGHTS_MAX)
        return false;
    for (int i = 0; i < g->lights; i++)
        if (scanf("%lf %lf", &g->light[i].lambda_um, &g->light[i].weight) != 2)
            return false;
    if (scanf("%lf %lf %d", &g->f_ratio, &g->pixel_um, &g->size) != 3 ||
        scanf("%lf %lf %lf %lf", &b->seeing_um, &b->jitter_major_um, &b->jitter_minor_um,
              &b->jitter_deg) != 4 ||
        scanf("%lf %lf %lf %lf %lf", &s->dx_px, &s->dy_px, &a->obstruction, &a->shadow_x,
              &a->shadow_y) != 5 ||
        scanf("%d %lf %lf", &a->vanes, &a->vane_width, &a->vane_deg) != 3)
        return false;
    g->seeing_um = b->seeing_um;
    return read_terms(s);
}

static bool write_image(star *s)
{
    pl_err err = { PL_OK, "" };
    pl_psf *psf = NULL;
    double *image = NULL;
    if (s->grid.size <= 0)
        s->grid.size = (s->grid.size == 0 ? 1 : -s->grid.size) *
                       pl_psf_size(&s->grid, &s->blur, s->zernike_um);
    size_t n = (size_t)s->grid.size * (size_t)s->grid.size;
    bool good = pl_psf_new(&s->grid, &psf, &err) == PL_OK && (image = calloc(n, sizeof *image));
    if (good) {
        double size = s->grid.size, middle = s->grid.size / 2;
        pl_psf_set_blur(psf, &s->blur);
        pl_psf_set_aperture(psf, &s->aperture);
        good = pl_psf_image(psf, s->zernike_um, middle + s->dx_px, middle + s->dy_px, image) &&
               fwrite(&size, sizeof size, 1, stdout) == 1 &&
               fwrite(image, sizeof *image, n, stdout) == n;
    }
    if (!good)
        fprintf(stderr, "psfimage: %s\n", err.code ? err.msg : "no image of that star");
    free(image);
    pl_psf_free(psf);
    return good;
}

int main(void)
{
    star s;
    while (read_star(&s))
        if (!write_image(&s))
            return 2;
    return feof(stdin) ? 0 : 2;
}
