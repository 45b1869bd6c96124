/* SPDX-License-Identifier: GPL-3.0-or-later */
/* contour.c - how the width of the stars changes over the field, drawn as lines of equal FWHM. */
#include "../isoline.h"
#include "map.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { TERMS = 6, FEWEST = 24 };

static void basis(const pl_field *f, double x_px, double y_px, double b[TERMS])
{
    double half = 0.5 * hypot(f->width_px, f->height_px);
    double u = (x_px - 0.5 * (f->width_px - 1)) / half;
    double v = (y_px - 0.5 * (f->height_px - 1)) / half;
    const double all[TERMS] = { 1, u, v, u * u, u * v, v * v };
    memcpy(b, all, sizeof all);
}

static bool is_usable(const pl_star *s)
{
    return s->kind == PL_STAR && s->fwhm_px > 0 && isfinite(s->fwhm_px) && isfinite(s->x_px) &&
           isfinite(s->y_px) && s->fwhm_sigma_px > 0 && isfinite(s->fwhm_sigma_px);
}

/* Rows divided by sigma; 2 % of the width is added to each error, so that a few bright stars do not
 * decide alone. */
static size_t fill_rows(const pl_field *f, double *rows, double *rhs)
{
    size_t n = 0;
    for (size_t i = 0; i < f->stars; i++) {
        const pl_star *s = &f->star[i];
        if (!is_usable(s))
            continue;
        double weight = 1 / hypot(s->fwhm_sigma_px, 0.02 * s->fwhm_px);
        basis(f, s->x_px, s->y_px, rows + n * TERMS);
        for (int k = 0; k < TERMS; k++)
            rows[n * TERMS + (size_t)k] *= weight;
        rhs[n++] = s->fwhm_px * weight;
    }
    return n;
}

bool pl_relief_fit(const pl_field *f, pl_relief *out)
{
    double *rows = malloc((f->stars + 1) * TERMS * sizeof *rows);
    double *rhs = malloc((f->stars + 1) * sizeof *rhs);
    size_t n = rows && rhs ? fill_rows(f, rows, rhs) : 0;
    bool fits =
        n >= FEWEST && pl_lsq_fit(rows, rhs, n, TERMS, out->coef, out->cov, NULL, NULL) == PL_OK;
    if (!rows || !rhs)
        pl_memory_short();
    free(rows);
    free(rhs);
    return fits;
}

double pl_relief_at(const pl_relief *s, const pl_field *f, double x_px, double y_px)
{
    double b[TERMS], v = 0;
    basis(f, x_px, y_px, b);
    for (int k = 0; k < TERMS; k++)
        v += b[k] * s->coef[k];
    return v;
}

/* Picture-independent: node i of `n` along a side of `pixels`. */
static double node(int i, int n, int pixels)
{
    return (double)i / n * pixels - 0.5;
}

/* |S - its mean| / sigma at one place. */
static double departure(const pl_relief *s, const double b[TERMS], const double mean[TERMS])
{
    double d = 0, var = 0;
    for (int i = 0; i < TERMS; i++) {
        d += (b[i] - mean[i]) * s->coef[i];
        for (int k = 0; k < TERMS; k++)
            var += (b[i] - mean[i]) * (b[k] - mean[k]) * s->cov[TERMS * i + k];
    }
    return var > 0 ? fabs(d) / sqrt(var) : 0;
}

bool pl_relief_varies(const pl_relief *s, const pl_field *f, double *lo, double *hi)
{
    enum { N = 16 };
    double mean[TERMS] = { 0 }, b[TERMS], most = 0;
    *lo = INFINITY;
    *hi = -INFINITY;
    for (int i = 0; i < (N + 1) * (N + 1); i++) {
        double x = node(i % (N + 1), N, f->width_px), y = node(i / (N + 1), N, f->height_px);
        basis(f, x, y, b);
        for (int k = 0; k < TERMS; k++)
            mean[k] += b[k] / ((N + 1) * (N + 1));
        double v = pl_relief_at(s, f, x, y);
        *lo = fmin(*lo, v);
        *hi = fmax(*hi, v);
    }
    for (int i = 0; i < (N + 1) * (N + 1); i++) {
        basis(f, node(i % (N + 1), N, f->width_px), node(i / (N + 1), N, f->height_px), b);
        most = fmax(most, departure(s, b, mean));
    }
    return most > 4 && *lo > 0 && *hi - *lo > 0.01 * *hi;
}

/* ---- drawing */

static void draw_level(const pl_map *m, const pl_isolines *map, double level)
{
    char text[64];
    snprintf(text, sizeof text, "%s%s", pl_tick_label(level, m->contour_step).s,
             m->unit[0] == 'a' ? "\"" : " px");
    pl_isoline_draw(map, level, text);
}

void pl_contours_draw(pl_map *m)
{
    pl_relief s;
    double lo, hi;
    if (!pl_relief_fit(m->field, &s) || !pl_relief_varies(&s, m->field, &lo, &hi))
        return;
    double *v = malloc(PL_GRID * sizeof *v);
    if (!v) {
        m->c->failed = PL_ENOMEM;
        return;
    }
    for (int i = 0; i < PL_GRID; i++)
        v[i] = m->unit_px * pl_relief_at(&s, m->field,
                                         node(i % (PL_GRID_X + 1), PL_GRID_X, m->field->width_px),
                                         node(i / (PL_GRID_X + 1), PL_GRID_Y, m->field->height_px));
    m->has_contours = true;
    m->contour_lo = lo * m->unit_px;
    m->contour_hi = hi * m->unit_px;
    m->contour_step = pl_tick_step(m->contour_lo, m->contour_hi, 6);
    const pl_isolines map = { m->c, m->box, m->top_down, v, m->contour_lo, m->contour_hi };
    double first = ceil(m->contour_lo / m->contour_step);
    for (int i = 0; i < 16 && (first + i) * m->contour_step < m->contour_hi; i++)
        draw_level(m, &map, (first + i) * m->contour_step);
    free(v);
}
