/* SPDX-License-Identifier: GPL-3.0-or-later */
/* cells.c - widths of one frame's stars, averaged in cells of about equal count.
 *
 * A smooth surface through all stars is taken off first and put back at each cell's place, so that
 * a slope across a cell neither widens its error nor makes good stars look odd.
 *
 * Errors are those of the stars alone: what the optics' answer is off by is alike in cells alike,
 * and sweep.c adds it to the answer's. */
#include "sweep.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { STARS_A_CELL = 6, TERMS = 6 };

/* Beyond so many sigma a star counts for nothing (Tukey's bisquare). */
static const double TUNE = 4.685;
/* Standard error of a mean under those weights over that of a plain one (95 % efficient). */
static const double WEIGHTED = 1.026;
/* Fewer stars do not tell by how much their errors are too large. */
enum { ENOUGH = 30 };
/* Scatter of ln FWHM between stars of one place that no error bar knows of: colours, blends. */
static const double BETWEEN_STARS = 0.003;

struct spot {
    double x, y, ln, sigma, rest; /* x, y mm */
};

static double number(const pl_star *s, size_t offset)
{
    return *(const double *)(const void *)((const char *)s + offset);
}

static size_t gather(const pl_field *f, size_t value, size_t sigma, const pl_sweep_light *light,
                     struct spot *out)
{
    double um = f->facts.pixel_um.v, cx, cy;
    size_t n = 0;
    pl_sensor_centre(&f->facts, f->width_px, f->height_px, &cx, &cy);
    for (size_t i = 0; i < f->used; i++) {
        const pl_star *s = &f->star[i];
        double v = number(s, value), e = number(s, sigma);
        if (!(v > 0 && e > 0 && e < 0.3 * v))
            continue;
        double ln = log(v * um);
        if (light)
            ln = pl_brights_even(&light->table, ln, s->peak_adu / light->sky_adu, light->typical);
        out[n++] = (struct spot){ (s->x_px - cx) * um / 1000, (s->y_px - cy) * um / 1000, ln,
                                  hypot(e / v, BETWEEN_STARS), 0 };
    }
    return n;
}

pl_sweep_light pl_sweep_light_of(const pl_field *f)
{
    double sum = 0, weight = 0, sky = f->noise_adu * f->noise_adu;
    bool told = f->facts.gain_e_adu.from != PL_FROM_NOWHERE;
    pl_sweep_light light = { .sky_adu = sky * (told ? f->facts.gain_e_adu.v : f->sky_adu / sky) };
    for (size_t i = 0; i < f->used; i++) {
        const pl_star *s = &f->star[i];
        double v = pow(s->fwhm_px / hypot(s->fwhm_sigma_px, BETWEEN_STARS * s->fwhm_px), 2);
        double peak = s->peak_adu / light.sky_adu;
        if (peak > 0 && isfinite(v)) {
            sum += v * log(peak);
            weight += v;
        }
    }
    light.typical = weight > 0 ? exp(sum / weight) : 0;
    return light;
}

static void terms(double x, double y, double row[TERMS])
{
    double all[TERMS] = { 1, x, y, x * x, x * y, y * y };
    memcpy(row, all, sizeof all);
}

static double value_of(const double coef[TERMS], double x, double y)
{
    double row[TERMS], sum = 0;
    terms(x, y, row);
    for (int k = 0; k < TERMS; k++)
        sum += coef[k] * row[k];
    return sum;
}

/* The smooth surface, and each star's rest; a level alone when stars are few. Gives the scatter in
 * units of the errors. */
static double smooth(struct spot *s, size_t n, double coef[TERMS])
{
    double *rows = malloc(sizeof *rows * n * (TERMS + 2)), scale = 1;
    memset(coef, 0, sizeof *coef * TERMS);
    if (!rows) {
        pl_memory_short();
        return NAN;
    }
    double *rhs = rows + n * TERMS, *work = rhs + n;
    for (size_t i = 0; i < n; i++) {
        terms(s[i].x, s[i].y, rows + i * TERMS);
        for (int k = 0; k < TERMS; k++)
            rows[i * TERMS + (size_t)k] /= s[i].sigma;
        rhs[i] = s[i].ln / s[i].sigma;
        work[i] = s[i].ln;
    }
    if (n / 3 < TERMS || pl_lsq_fit(rows, rhs, n, TERMS, coef, NULL, &scale, NULL) != PL_OK)
        coef[0] = pl_median(work, n);
    for (size_t i = 0; i < n; i++) {
        s[i].rest = s[i].ln - value_of(coef, s[i].x, s[i].y);
        work[i] = s[i].rest / s[i].sigma;
    }
    scale = fmax(n < ENOUGH ? 1 : 0.5, pl_mad_sigma(work, n, 0));
    free(rows);
    return scale;
}

static bool average(const struct spot *s, size_t n, const double coef[TERMS], double scale,
                    pl_sweep_cell *out)
{
    double sum = 0, information = 0, x = 0, y = 0, rest = 0;
    size_t kept = 0;
    for (size_t i = 0; i < n; i++) {
        double u = s[i].rest / (s[i].sigma * scale * TUNE), w = 1 - u * u;
        if (!(fabs(u) < 1))
            continue;
        w *= w / (s[i].sigma * s[i].sigma);
        information += 1 / (s[i].sigma * s[i].sigma);
        sum += w;
        x += w * s[i].x;
        y += w * s[i].y;
        rest += w * s[i].rest;
        kept++;
    }
    if (kept == 0)
        return false;
    out->x_mm = x / sum;
    out->y_mm = y / sum;
    out->ln_fwhm = value_of(coef, out->x_mm, out->y_mm) + rest / sum;
    out->sigma = WEIGHTED * scale / sqrt(information);
    out->stars = kept;
    return true;
}

static int by_x(const void *a, const void *b)
{
    const struct spot *p = a, *q = b;
    return p->x < q->x ? -1 : p->x > q->x;
}

static int by_y(const void *a, const void *b)
{
    const struct spot *p = a, *q = b;
    return p->y < q->y ? -1 : p->y > q->y;
}

size_t pl_sweep_cut(const pl_field *f, size_t frame, size_t value_px, size_t sigma_px,
                    const pl_sweep_light *light, pl_sweep_cell *out)
{
    struct spot *s = malloc(sizeof *s * (f->used + 1));
    double coef[TERMS];
    size_t n = s ? gather(f, value_px, sigma_px, light, s) : 0, cells = 0;
    if (!s)
        pl_memory_short();
    double scale = n ? smooth(s, n, coef) : NAN;
    double want = fmin(PL_SWEEP_CELLS, fmax(1, (double)n / STARS_A_CELL));
    double aspect = (double)f->width_px / f->height_px;
    size_t nx = (size_t)fmin(want, fmax(1, floor(sqrt(want * aspect))));
    size_t ny = (size_t)fmax(1, floor(want / (double)nx));
    if (n && isfinite(scale)) {
        qsort(s, n, sizeof *s, by_x);
        for (size_t i = 0; i < nx; i++) {
            struct spot *column = s + i * n / nx;
            size_t m = (i + 1) * n / nx - i * n / nx;
            qsort(column, m, sizeof *s, by_y);
            for (size_t j = 0; j < ny; j++) {
                out[cells].frame = frame;
                cells += average(column + j * m / ny, (j + 1) * m / ny - j * m / ny, coef, scale,
                                 &out[cells]);
            }
        }
    }
    free(s);
    return cells;
}
