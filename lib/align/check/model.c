/* SPDX-License-Identifier: GPL-3.0-or-later */
/* model.c - what the widths of one exposure should be, and least squares on them. */
#include "sense.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double UNIT[PL_SE_UNKNOWNS] = { 10, 1, 1, 5, 1, 1, 1, 0.1, 0.1 };
/* A curvature that was never measured. */
static const double CURVE_OPEN = 30; /* um */
/* No surface is known better than this, in um over the half diagonal. */
static const double LEAST_UM = 0.2;
/* Error of a rest that was saved without one, a part of the square of the air. */
static const double REST_OPEN = 0.01;

enum { FIRM = 7 }; /* expectations besides the tie of the air */

/* Inverse of the lower triangle of Cholesky's factor: turns errors into units. */
static void whiten(const double cov[3][3], double out[3][3])
{
    double l[3][3] = { { 0 } };
    memset(out, 0, sizeof(double[3][3]));
    for (int i = 0; i < 3; i++)
        for (int j = 0; j <= i; j++) {
            double sum = cov[i][j];
            for (int k = 0; k < j; k++)
                sum -= l[i][k] * l[j][k];
            l[i][j] = i == j ? sqrt(fmax(sum, 1e-6 * cov[i][i])) : sum / l[j][j];
        }
    for (int i = 0; i < 3; i++)
        for (int j = 0; j <= i; j++) {
            double sum = i == j;
            for (int k = j; k < i; k++)
                sum -= l[i][k] * out[k][j];
            out[i][j] = sum / l[i][i];
        }
}

static double or_nought(double v)
{
    return isfinite(v) ? v : 0;
}

void pl_sense_known(pl_sense_model *m, const pl_surface *s, double air2)
{
    const double value[PL_SE_AIR] = { 0,
                                      s->tilt_x_um_mm,
                                      s->tilt_y_um_mm,
                                      or_nought(s->curvature_um),
                                      or_nought(s->rest_x_um2),
                                      or_nought(s->rest_y_um2),
                                      or_nought(s->rest_corner_um2) };
    double half = hypot(s->width_mm, s->height_mm) / 2, cov[3][3];
    double least[3] = { LEAST_UM / half, LEAST_UM / half, LEAST_UM };
    bool bent = isfinite(s->curvature_um) && isfinite(s->cov[2][2]);
    memcpy(m->known, value, sizeof value);
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++)
            cov[i][j] = or_nought(s->cov[i][j]) + (i == j ? least[i] * least[i] : 0);
    if (!bent) {
        cov[0][2] = cov[2][0] = cov[1][2] = cov[2][1] = 0;
        cov[2][2] = CURVE_OPEN * CURVE_OPEN;
    }
    whiten(cov, m->whiten);
    m->width_mm = s->width_mm;
    m->height_mm = s->height_mm;
    m->half_mm = half;
    const double rest[3] = { s->rest_x_sigma_um2, s->rest_y_sigma_um2, s->rest_corner_sigma_um2 };
    for (int i = 0; i < 3; i++)
        m->rest_sigma_um2[i] = rest[i] > 0 ? rest[i] : REST_OPEN * air2;
}

/* How the width at a place answers. */
struct answer {
    double ln_fwhm, by_um, by_air, by_rest; /* by local defocus, by ln air, by um^2 of the rest */
    double x, y, r2;                        /* the place, of the edges and the corner */
};

static struct answer answer_at(const pl_sense_model *m, const double *x, size_t frame, double z,
                               double x_mm, double y_mm)
{
    struct answer a = { .x = 2 * x_mm / m->width_mm, .y = 2 * y_mm / m->height_mm };
    a.r2 = (x_mm * x_mm + y_mm * y_mm) / (m->half_mm * m->half_mm);
    double focal = x[PL_SE_TILT_X] * x_mm + x[PL_SE_TILT_Y] * y_mm + x[PL_SE_CURVE] * a.r2;
    double rest = x[PL_SE_REST_X] * a.x + x[PL_SE_REST_Y] * a.y + x[PL_SE_REST_R] * a.r2;
    double air2 = exp(2 * x[PL_SE_AIR + frame]), by_width;
    bool held = rest < -0.9 * air2;
    double size2 = held ? 0.1 * air2 : air2 + rest;
    a.ln_fwhm = pl_sizes_at(&m->sizes[frame], z - focal, 0.5 * log(size2), &a.by_um, &by_width);
    a.by_air = by_width * (held ? 1 : air2 / size2);
    a.by_rest = held ? 0 : by_width / (2 * size2);
    return a;
}

double pl_sense_cell_width(const pl_sense_model *m, const double *x, size_t cell)
{
    const pl_sweep_cell *c = &m->cell[cell];
    double z = x[PL_SE_Z] + m->offset_um[c->frame];
    return answer_at(m, x, c->frame, z, c->x_mm, c->y_mm).ln_fwhm;
}

/* ---- least squares; packed: in units, without z when that is held */

struct fit {
    const pl_sense_model *m;
    double x[PL_SE_UNKNOWNS];
    size_t first, n; /* the first unknown that is free; rows */
};

static size_t unknowns(const pl_sense_model *m)
{
    return PL_SE_AIR + m->frames;
}

static size_t rows(const pl_sense_model *m)
{
    return m->cells + FIRM + m->frames - 1;
}

size_t pl_sense_freedom(const pl_sense_model *m)
{
    return rows(m) - unknowns(m);
}

static void unpack(struct fit *f, const double *packed)
{
    for (size_t i = f->first; i < unknowns(f->m); i++)
        f->x[i] = packed[i - f->first] * UNIT[i];
}

static void expectations(const pl_sense_model *m, const double *x, double *rest)
{
    for (int i = 0; i < 3; i++) {
        rest[i] = 0;
        for (int j = 0; j <= i; j++)
            rest[i] += m->whiten[i][j] * (x[PL_SE_TILT_X + j] - m->known[PL_SE_TILT_X + j]);
        rest[3 + i] = (x[PL_SE_REST_X + i] - m->known[PL_SE_REST_X + i]) / m->rest_sigma_um2[i];
    }
    rest[6] = (x[PL_SE_AIR] - m->air) / m->air_sigma;
    if (m->frames > 1)
        rest[FIRM] = (x[PL_SE_AIR + 1] - x[PL_SE_AIR]) / m->tie_sigma;
}

static bool residuals(const double *packed, void *ctx, double *rest)
{
    struct fit *f = ctx;
    const pl_sense_model *m = f->m;
    unpack(f, packed);
    for (size_t i = 0; i < m->cells; i++) {
        rest[i] = (m->cell[i].ln_fwhm - pl_sense_cell_width(m, f->x, i)) / m->cell[i].sigma;
        if (!isfinite(rest[i]))
            return false;
    }
    expectations(m, f->x, rest + m->cells);
    return true;
}

static void put(const struct fit *f, double *row, size_t unknown, double slope)
{
    if (unknown >= f->first)
        row[unknown - f->first] = slope * UNIT[unknown];
}

static void expected_slopes(const struct fit *f, size_t p, double *row)
{
    const pl_sense_model *m = f->m;
    for (size_t i = 0; i < 3; i++, row += p)
        for (size_t j = 0; j <= i; j++)
            put(f, row, PL_SE_TILT_X + j, m->whiten[i][j]);
    for (size_t i = 0; i < 3; i++, row += p)
        put(f, row, PL_SE_REST_X + i, 1 / m->rest_sigma_um2[i]);
    put(f, row, PL_SE_AIR, 1 / m->air_sigma);
    row += p;
    if (m->frames > 1) {
        put(f, row, PL_SE_AIR, -1 / m->tie_sigma);
        put(f, row, PL_SE_AIR + 1, 1 / m->tie_sigma);
    }
}

static bool slopes(const double *packed, void *ctx, double *jacobian)
{
    struct fit *f = ctx;
    const pl_sense_model *m = f->m;
    size_t p = unknowns(m) - f->first;
    unpack(f, packed);
    for (size_t i = 0; i < m->cells; i++) {
        const pl_sweep_cell *c = &m->cell[i];
        double z = f->x[PL_SE_Z] + m->offset_um[c->frame], *row = jacobian + i * p;
        struct answer a = answer_at(m, f->x, c->frame, z, c->x_mm, c->y_mm);
        double k = -1 / c->sigma;
        put(f, row, PL_SE_Z, k * a.by_um);
        put(f, row, PL_SE_TILT_X, -k * a.by_um * c->x_mm);
        put(f, row, PL_SE_TILT_Y, -k * a.by_um * c->y_mm);
        put(f, row, PL_SE_CURVE, -k * a.by_um * a.r2);
        put(f, row, PL_SE_REST_X, k * a.by_rest * a.x);
        put(f, row, PL_SE_REST_Y, k * a.by_rest * a.y);
        put(f, row, PL_SE_REST_R, k * a.by_rest * a.r2);
        put(f, row, PL_SE_AIR + c->frame, k * a.by_air);
    }
    expected_slopes(f, p, jacobian + m->cells * p);
    return true;
}

bool pl_sense_solve(const pl_sense_model *m, bool held, pl_sense_fit *fit)
{
    enum { ROWS = PL_SENSE_FRAMES * PL_SWEEP_CELLS + FIRM + PL_SENSE_FRAMES };
    double packed[PL_SE_UNKNOWNS], cov[PL_SE_UNKNOWNS * PL_SE_UNKNOWNS], rest[ROWS], scale = 1;
    struct fit f = { .m = m, .first = held ? PL_SE_TILT_X : PL_SE_Z, .n = rows(m) };
    size_t p = unknowns(m) - f.first;
    memcpy(f.x, fit->x, sizeof f.x);
    for (size_t i = 0; i < p; i++)
        packed[i] = f.x[i + f.first] / UNIT[i + f.first];
    pl_nlsq problem = { residuals, slopes, &f, f.n, f.n - m->cells, p, false };
    if (pl_nlsq_fit(&problem, packed, cov, &scale, NULL, NULL) != PL_OK ||
        !residuals(packed, &f, rest))
        return false;
    memcpy(fit->x, f.x, sizeof f.x);
    memset(fit->cov, 0, sizeof fit->cov);
    double inflated = fmax(1, scale * scale); /* errors as told: what does not fit is judged */
    for (size_t i = 0; i < p; i++)
        for (size_t j = 0; j < p; j++)
            fit->cov[i + f.first][j + f.first] =
                cov[i * p + j] / inflated * UNIT[i + f.first] * UNIT[j + f.first];
    fit->chi2 = 0;
    for (size_t i = 0; i < f.n; i++)
        fit->chi2 += rest[i] * rest[i];
    return true;
}

double pl_sense_loosen(const pl_sense_model *m, const pl_sense_fit *fit)
{
    pl_sense_model *loose = malloc(sizeof *loose);
    pl_sense_fit free_fit = *fit;
    double gain = 0;
    if (!loose) {
        pl_memory_short();
        return 0;
    }
    *loose = *m;
    for (int i = 0; i < 3; i++)
        for (int j = 0; j <= i; j++)
            loose->whiten[i][j] *= 1e-3;
    if (pl_sense_solve(loose, false, &free_fit))
        gain = fit->chi2 - free_fit.chi2;
    free(loose);
    return gain;
}

double pl_sense_width(const pl_sense_model *m, const double *x, size_t frame, double z)
{
    enum { SIDE = 9, PLACES = SIDE * SIDE };
    double ln[PLACES];
    for (int j = 0; j < SIDE; j++)
        for (int i = 0; i < SIDE; i++)
            ln[j * SIDE + i] = answer_at(m, x, frame, z, ((i + 0.5) / SIDE - 0.5) * m->width_mm,
                                         ((j + 0.5) / SIDE - 0.5) * m->height_mm)
                                   .ln_fwhm;
    return pl_median(ln, PLACES);
}
