/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ringsky.c - a frame's sky as a smooth surface, where wide objects are looked for.
 *
 * A mesh of cells takes a donut wider than a cell for sky (a third and more of its light); so here
 * it is one quadratic surface through the lower bins of cells, fitted again and again without the
 * cells that stand out above it. What it cannot follow stays as faint light. Derived here. */
#include "ring.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    CELLS = 8,        /* along the shorter side, at least */
    WIDEST_CELL = 16, /* bins */
    SKY_TERMS = 6,
    SKY_ROUNDS = 8
};

struct bins {
    int w, h;
    float *v;      /* [h][w] */
    double *spare; /* [h * w] */
};

static void sky_terms(const struct bins *m, double x, double y, double row[SKY_TERMS])
{
    double u = 2 * x / m->w - 1, v = 2 * y / m->h - 1;
    const double t[SKY_TERMS] = { 1, u, v, u * u, u * v, v * v };
    memcpy(row, t, sizeof t);
}

/* Level of one cell: its lower bins, freed of what their choice takes off (30 % quantile of a
 * Gaussian: -0.524 sigma). */
static double cell_level(struct bins *m, int x0, int y0, int side, double noise)
{
    size_t n = 0;
    for (int y = y0; y < y0 + side && y < m->h; y++)
        for (int x = x0; x < x0 + side && x < m->w; x++)
            if (isfinite(m->v[(size_t)y * (size_t)m->w + (size_t)x]))
                m->spare[n++] = m->v[(size_t)y * (size_t)m->w + (size_t)x];
    return n < 4 ? NAN : pl_quantile(m->spare, n, 0.3) + 0.524 * noise;
}

/* Scatter of what lies below the surface: donuts only ever lie above. */
static double scatter_below(const double *rest, size_t n, double *work)
{
    size_t k = 0;
    for (size_t i = 0; i < n; i++)
        if (rest[i] <= 0)
            work[k++] = -rest[i];
    return 1.4826 * pl_median(work, k);
}

/* Fit again and again without the cells that stand out above.
 *   rows, level  in  [n][SKY_TERMS], [n]
 *   work             [n][SKY_TERMS + 3] */
static pl_status fit_surface(const double *rows, const double *level, size_t n, double noise,
                             double *work, double coef[SKY_TERMS], pl_err *err)
{
    double *row = work, *rhs = work + n * SKY_TERMS, *rest = rhs + n, *spare = rest + n;
    double top = INFINITY;
    for (size_t i = 0; i < n; i++)
        rest[i] = 0;
    for (int round = 0; round < SKY_ROUNDS; round++) {
        size_t k = 0;
        for (size_t i = 0; i < n; i++)
            if (rest[i] <= top) {
                memcpy(row + k * SKY_TERMS, rows + i * SKY_TERMS, SKY_TERMS * sizeof *row);
                rhs[k++] = level[i];
            }
        pl_status st = pl_lsq_fit(row, rhs, k, SKY_TERMS, coef, NULL, NULL, err);
        if (st != PL_OK)
            return st;
        for (size_t i = 0; i < n; i++) {
            rest[i] = level[i];
            for (int t = 0; t < SKY_TERMS; t++)
                rest[i] -= coef[t] * rows[i * SKY_TERMS + (size_t)t];
        }
        top = fmax(2.5 * scatter_below(rest, n, spare), 0.3 * noise);
    }
    return PL_OK;
}

/* The surface, or a constant when there are too few cells for one. */
static pl_status sky_surface(struct bins *m, double noise, double coef[SKY_TERMS], pl_err *err)
{
    int side = (m->w < m->h ? m->w : m->h) / CELLS;
    side = side < 2 ? 2 : side > WIDEST_CELL ? WIDEST_CELL : side;
    size_t most = (size_t)(m->w / side + 1) * (size_t)(m->h / side + 1), n = 0;
    double *rows = malloc(sizeof *rows * most * (2 * SKY_TERMS + 4));
    if (!rows)
        return pl_fail(err, PL_ENOMEM, "out of memory for the sky");
    double *level = rows + most * SKY_TERMS, *work = level + most;
    for (int y = 0; y < m->h; y += side)
        for (int x = 0; x < m->w; x += side) {
            level[n] = cell_level(m, x, y, side, noise);
            if (!isfinite(level[n]))
                continue;
            sky_terms(m, x + 0.5 * side, y + 0.5 * side, rows + n * SKY_TERMS);
            n++;
        }
    memset(coef, 0, SKY_TERMS * sizeof *coef);
    pl_status st = n ? PL_OK : pl_fail(err, PL_ENODATA, "all its pixels are blank");
    if (st == PL_OK && fit_surface(rows, level, n, noise, work, coef, NULL) != PL_OK) {
        memset(coef, 0, SKY_TERMS * sizeof *coef);
        coef[0] = pl_quantile(level, n, 0.3);
    }
    free(rows);
    return st;
}

/* Scatter of differences between neighbours in a sample of the bins. */
static double bin_noise(struct bins *m)
{
    size_t n = 0, all = (size_t)m->w * (size_t)m->h, step = all / 50000 + 1;
    float low = INFINITY, high = -INFINITY;
    for (size_t i = 0; i < all; i++) {
        low = fminf(low, m->v[i]);
        high = fmaxf(high, m->v[i]);
    }
    for (size_t i = 0; i + 1 < all; i += step)
        if (isfinite(m->v[i + 1] - m->v[i]))
            m->spare[n++] = m->v[i + 1] - m->v[i];
    double noise = M_SQRT1_2 * pl_mad_sigma(m->spare, n, 0);
    return fmax(noise, 1e-4 * (high - low)); /* frames without noise have bins alike */
}

static void take_off(struct bins *m, const double coef[SKY_TERMS], double noise)
{
    double row[SKY_TERMS];
    for (int y = 0; y < m->h; y++)
        for (int x = 0; x < m->w; x++) {
            float *v = &m->v[(size_t)y * (size_t)m->w + (size_t)x];
            sky_terms(m, x + 0.5, y + 0.5, row);
            double sky = 0;
            for (int t = 0; t < SKY_TERMS; t++)
                sky += coef[t] * row[t];
            *v = isfinite(*v) && noise > 0 ? (float)((*v - sky) / noise) : -1.0f;
        }
}

pl_status pl_ring_level(float *v, int w, int h, pl_err *err)
{
    struct bins m = { w, h, v, malloc(sizeof *m.spare * (size_t)w * (size_t)h) };
    if (!m.spare)
        return pl_fail(err, PL_ENOMEM, "out of memory for the sky");
    double coef[SKY_TERMS], noise = bin_noise(&m);
    pl_status st = sky_surface(&m, noise, coef, err);
    if (st == PL_OK)
        take_off(&m, coef, noise);
    free(m.spare);
    return st;
}
