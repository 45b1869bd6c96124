/* SPDX-License-Identifier: GPL-3.0-or-later */
/* comatic.c - how wide a star with coma is, by wave optics. Derived here.
 *
 * W = C x (x^2 + y^2) is odd in x and even in y, so the transfer function T(p, q) is even in q and
 * turns into its conjugate with p; a quarter of the plane tells all:
 *
 *     I(x, y) = 4 sum over p, q > 0 of [Re T cos(p x) - Im T sin(p x)] cos(q y).
 *
 * Over the overlap of the two shifted pupils, r and -r give the same difference of the wavefronts,
 * so only the columns x > 0 are summed, twice:
 *
 *     C (3 x^2 p + p^3 / 4 + 2 x y q + p y^2 + p q^2 / 4). */
#include "optics.h"
#include "phasor.h"

#include <math.h>
#include <stdlib.h>

enum { RADIAL = PL_GAUSS_MAX, ANGLES = 18, NODES_X = 12, NODES_Y = 14, CONTOUR = 24, SEARCH = 40 };
#define STRENGTH_MAX 4.0 /* waves of coma times reach of the air: what these nodes resolve */

struct wave {
    double p, q;   /* turns */
    double re, im; /* quadrature weight and the air multiplied in */
};

struct image {
    struct wave wave[RADIAL * ANGLES];
    double width; /* rough full width, v */
};

/* Difference of the wavefronts in waves at (x, y), shift (p, q); the tilt that balances coma is
 * taken off so that the image stays near the origin. */
static double difference(double coma, double tilt, double x, double y, double p, double q)
{
    return coma * (3 * x * x * p + 2 * x * y * q + p * (y * y + (p * p + q * q) / 4)) - tilt * p;
}

/* Terms of a sum of weight exp(2 pi i turns). */
PL_WIDE static void terms(const double *weight, const double *turns, int n, double *restrict re,
                          double *restrict im)
{
    for (int i = 0; i < n; i++)
        pl_phasor(weight[i], turns[i], &re[i], &im[i]);
}

/* T at the shift s towards (c, d): columns run across the shift, y along each. */
static void transfer(const pl_gauss *rx, const pl_gauss *ry, double e, double coma, double s,
                     double c, double d, pl_column *work, double sum[2])
{
    double area = M_PI * (1 - e * e);
    double tilt = coma * 2 * (1 + e * e + e * e * e * e) / (3 * (1 + e * e));
    size_t n = pl_pupil_columns(rx, e, s, 1 + (int)(fabs(coma) * s), work);
    sum[0] = sum[1] = 0;
    for (size_t i = 0; i < n; i++) {
        double mid = (work[i].high + work[i].low) / 2, half = (work[i].high - work[i].low) / 2;
        double weight[2 * NODES_Y], waves[2 * NODES_Y], re[2 * NODES_Y], im[2 * NODES_Y];
        for (int k = 0; k < 2 * ry->n; k++) {
            double y = (k < ry->n ? 1 : -1) * (mid + half * ry->x[k % ry->n]);
            weight[k] = 2 * work[i].weight * half * ry->w[k % ry->n] / area;
            waves[k] =
                difference(coma, tilt, work[i].x * c - y * d, work[i].x * d + y * c, s * c, s * d);
        }
        terms(weight, waves, 2 * ry->n, re, im);
        for (int k = 0; k < 2 * ry->n; k++) {
            sum[0] += re[k];
            sum[1] += im[k];
        }
    }
}

static void transform(const pl_optic *o, double coma, struct image *g, pl_column *work)
{
    pl_gauss rs = pl_gauss_rule(RADIAL), rx = pl_gauss_rule(NODES_X), ry = pl_gauss_rule(NODES_Y);
    double half = pl_air_reach(o) / 2;
    struct wave *f = g->wave;
    for (int i = 0; i < RADIAL; i++)
        for (int k = 0; k < ANGLES; k++, f++) {
            double s = half * (1 + rs.x[i]), a = M_PI / 2 * (k + 0.5) / ANGLES, t[2];
            double w = rs.w[i] * half * s * pl_air_transfer(o, s);
            transfer(&rx, &ry, o->obstruction, coma, s, cos(a), sin(a), work, t);
            *f = (struct wave){ s * cos(a) / (2 * M_PI), s * sin(a) / (2 * M_PI), w * t[0],
                                w * t[1] };
        }
    double air = pl_air_width(o, 0), blur = 6 * M_PI * coma; /* 6 pi C: the tangential coma in v */
    g->width = sqrt(air * air + blur * blur);
}

PL_WIDE static void shares(const struct wave *f, double x, double y, int n, double *restrict out)
{
    for (int i = 0; i < n; i++) {
        double re, im, across, unused;
        pl_phasor(1, f[i].p * x, &re, &im);
        pl_phasor(1, f[i].q * y, &across, &unused);
        out[i] = (f[i].re * re - f[i].im * im) * across;
    }
}

static double intensity(const struct image *g, double x, double y)
{
    double share[RADIAL * ANGLES], sum = 0;
    shares(g->wave, x, y, RADIAL * ANGLES, share);
    for (int i = 0; i < RADIAL * ANGLES; i++)
        sum += share[i];
    return sum;
}

/* Where along the coma the peak is: coarse search, then golden section. */
static double peak_at(const struct image *g)
{
    double best = 0, top = intensity(g, 0, 0), step = g->width / SEARCH;
    for (int i = -SEARCH / 2; i <= SEARCH / 2; i++) {
        double v = intensity(g, i * step, 0);
        if (v > top) {
            top = v;
            best = i * step;
        }
    }
    const double golden = 0.61803398874989485;
    double lo = best - step, hi = best + step;
    for (int i = 0; i < 20; i++) {
        double a = hi - golden * (hi - lo), b = lo + golden * (hi - lo);
        if (intensity(g, a, 0) > intensity(g, b, 0))
            hi = b;
        else
            lo = a;
    }
    return (lo + hi) / 2;
}

/* Radius from the peak at which the light falls to half, towards (c, d): false position (Illinois;
 * Dowell & Jarratt 1971, from memory) from near the last one. */
static double half_radius(const struct image *g, double peak, double half, double c, double d,
                          double near)
{
    double step = g->width / 64, lo = fmax(0, near - step), hi = near + step;
    double above = intensity(g, peak + lo * c, lo * d) - half;
    double below = intensity(g, peak + hi * c, hi * d) - half;
    while (!(above > 0) && lo > 0) {
        lo = fmax(0, lo - 4 * step);
        above = intensity(g, peak + lo * c, lo * d) - half;
    }
    while (below > 0) {
        lo = hi;
        above = below;
        hi += 4 * step;
        below = intensity(g, peak + hi * c, hi * d) - half;
    }
    for (int i = 0, side = 0; i < 60 && hi - lo > 1e-9 * g->width; i++) {
        double mid = (lo * below - hi * above) / (below - above);
        double v = intensity(g, peak + mid * c, mid * d) - half;
        if (fabs(v) < 1e-9 * half)
            return mid;
        if (v > 0) {
            lo = mid;
            above = v;
            below =
                side > 0 ? below / 2 : below; /* twice the same end: the other one stays behind */
            side = 1;
        } else {
            hi = mid;
            below = v;
            above = side < 0 ? above / 2 : above;
            side = -1;
        }
    }
    return (lo + hi) / 2;
}

/* Diameter in v of the circle as large as the contour at half the peak: its mean square radius. */
static double half_diameter(const struct image *g)
{
    double peak = peak_at(g), half = intensity(g, peak, 0) / 2, sum = 0, r = g->width / 2;
    for (int i = 0; i < CONTOUR; i++) {
        double a = M_PI * (i + 0.5) / CONTOUR;
        r = half_radius(g, peak, half, cos(a), sin(a), r);
        sum += r * r;
    }
    return 2 * sqrt(sum / CONTOUR);
}

pl_status pl_star_coma(const pl_optic *o, double w131_um, double *fwhm_um, pl_err *err)
{
    pl_status rc = pl_optic_check(o, err);
    if (rc != PL_OK)
        return rc;
    double coma = fabs(w131_um) / o->lambda_um;
    if (!(coma * pl_air_reach(o) <= STRENGTH_MAX))
        return pl_fail(err, PL_EARG,
                       "coma of %g um is more than %.3g um, the most that is computed", w131_um,
                       STRENGTH_MAX / pl_air_reach(o) * o->lambda_um);
    struct image *g = malloc(sizeof *g);
    pl_column *work = malloc(PL_COLUMNS_MAX * sizeof *work);
    if (g && work) {
        transform(o, coma, g, work);
        *fwhm_um = o->lambda_um * o->f_ratio / M_PI * half_diameter(g); /* v to um */
    } else {
        rc = pl_fail(err, PL_ENOMEM, "out of memory");
    }
    free(g);
    free(work);
    return rc;
}

/* The growth goes nearly with the square of the coma: a fixed-point iteration on that is quick. */
pl_status pl_star_coma_limit(const pl_optic *o, double growth, double *w131_um, pl_err *err)
{
    double fwhm0, fwhm, w;
    if (!(growth > 0 && growth <= 0.5))
        return pl_fail(err, PL_EARG, "growth %g is not in (0, 0.5]", growth);
    pl_status rc = pl_star_coma(o, 0, &fwhm0, err);
    if (rc == PL_OK)
        rc = pl_coma_w131_moments(fwhm0, o->f_ratio, o->obstruction, growth, &w, err);
    for (int i = 0; i < 12 && rc == PL_OK; i++) {
        rc = pl_star_coma(o, w, &fwhm, err);
        double got = fwhm / fwhm0 - 1;
        if (rc != PL_OK || fabs(got - growth) < 1e-4 * growth)
            break;
        w *= got > growth / 9 ? sqrt(growth / got) : 3;
    }
    if (rc == PL_OK)
        *w131_um = w;
    return rc;
}
