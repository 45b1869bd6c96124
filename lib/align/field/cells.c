/* SPDX-License-Identifier: GPL-3.0-or-later */
/* cells.c - the field in cells of about equal star count: columns, each cut in rows. */
#include "../align.h"

#include <math.h>
#include <stdlib.h>

enum { STARS_A_CELL = 15, MOST_SIDE = 5 };

static int by_x(const void *a, const void *b)
{
    const pl_star *const *p = a, *const *q = b;
    return (*p)->x_px < (*q)->x_px ? -1 : (*p)->x_px > (*q)->x_px;
}

static int by_y(const void *a, const void *b)
{
    const pl_star *const *p = a, *const *q = b;
    return (*p)->y_px < (*q)->y_px ? -1 : (*p)->y_px > (*q)->y_px;
}

static void average(const pl_star *const *s, size_t n, double *work, const pl_field *f,
                    pl_cell *out)
{
    double e1, e2, chi1_err, chi2_err;
    *out = (pl_cell){ .stars = n };
    for (size_t i = 0; i < n; i++)
        work[i] = s[i]->x_px;
    out->x_px = pl_median(work, n);
    for (size_t i = 0; i < n; i++)
        work[i] = s[i]->y_px;
    out->y_px = pl_median(work, n);
    double um = f->facts.pixel_um.v;
    out->x_mm = (out->x_px - 0.5 * (f->width_px - 1)) * um / 1000;
    out->y_mm = (out->y_px - 0.5 * (f->height_px - 1)) * um / 1000;
    for (size_t i = 0; i < n; i++)
        work[i] = s[i]->fwhm_px;
    pl_robust_mean(work, n, &out->fwhm_px, NULL, &out->fwhm_sigma_px);
    for (size_t i = 0; i < n; i++)
        work[i] = s[i]->chi1;
    pl_robust_mean(work, n, &e1, NULL, &chi1_err);
    for (size_t i = 0; i < n; i++)
        work[i] = s[i]->chi2;
    pl_robust_mean(work, n, &e2, NULL, &chi2_err);
    out->chi1 = e1;
    out->chi2 = e2;
    out->chi_sigma = sqrt(0.5 * (chi1_err * chi1_err + chi2_err * chi2_err));
    double chi = hypot(e1, e2), deg = 90 / M_PI * atan2(e2, e1);
    out->eccentricity = sqrt(2 * chi / (1 + chi));
    out->eccentricity_sigma =
        sqrt(2 * (chi + out->chi_sigma) / (1 + chi + out->chi_sigma)) - out->eccentricity;
    out->angle_deg = deg < 0 ? deg + 180 : deg;
}

static int side(double want)
{
    return want < 1.5 ? 1 : want > MOST_SIDE ? MOST_SIDE : (int)lround(want);
}

pl_status pl_cells_cut(const pl_star *star, size_t n, const pl_field *field, pl_cell **cell,
                       size_t *cells, pl_err *err)
{
    double aspect = (double)field->width_px / field->height_px;
    int ny = side(sqrt((double)n / STARS_A_CELL / aspect));
    int nx = side((double)n / STARS_A_CELL / ny);
    const pl_star **s = malloc(sizeof *s * (n + 1));
    double *work = malloc(sizeof *work * (n + 1));
    pl_cell *out = calloc((size_t)(nx * ny), sizeof *out);
    if (!s || !work || !out) {
        free(s);
        free(work);
        free(out);
        return pl_fail(err, PL_ENOMEM, "out of memory for the field's cells");
    }
    for (size_t i = 0; i < n; i++)
        s[i] = &star[i];
    qsort(s, n, sizeof *s, by_x);
    for (int i = 0; i < nx; i++) {
        size_t a = n * (size_t)i / (size_t)nx, b = n * (size_t)(i + 1) / (size_t)nx;
        qsort(s + a, b - a, sizeof *s, by_y);
        for (int j = 0; j < ny; j++) {
            size_t c = a + (b - a) * (size_t)j / (size_t)ny,
                   d = a + (b - a) * (size_t)(j + 1) / (size_t)ny;
            average(s + c, d - c, work, field, &out[j * nx + i]);
        }
    }
    free(s);
    free(work);
    *cell = out;
    *cells = (size_t)(nx * ny);
    return PL_OK;
}
