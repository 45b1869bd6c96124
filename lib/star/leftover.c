/* SPDX-License-Identifier: GPL-3.0-or-later */
/* leftover.c - what a symmetric profile leaves on a star: third and fourth moments, half-flux
 * diameter.
 *
 * All are the profile's own value plus a weighted sum of the residuals. The profile has no odd
 * moments, and where pixels are coarse or only every second one is green, what sampling does to the
 * moments it does to data and profile alike and cancels. Derived here; the moments themselves are
 * adaptive ones (Bernstein & Jarvis 2002, AJ 123, 583, from memory): the weight is a Gaussian of
 * the star's own width. */
#include "star.h"

#include <math.h>

/* Weighted radial moments of a round Moffat of half width 1 under a Gaussian of width s:
 * integrals of r^(n+1) exp(-r^2 / 2 s^2) (1 + k r^2)^-beta by the midpoint rule. */
static void radial_moments(double beta, double s, double *m0, double *m2, double *m4)
{
    double k = exp2(1 / beta) - 1, step = 6 * s / 96;
    *m0 = *m2 = *m4 = 0;
    for (int i = 0; i < 96; i++) {
        double r = (i + 0.5) * step;
        double f = r * exp(-r * r / (2 * s * s) - beta * log1p(k * r * r));
        *m0 += f;
        *m2 += f * r * r;
        *m4 += f * r * r * r * r;
    }
}

/* The weight matches the star when the weighted <r^2> is s^2 (a Gaussian times a like Gaussian has
 * half the variance); fixed point by iteration. */
pl_weight pl_weight_for(double beta)
{
    double s = 0.9, m0, m2, m4;
    for (int i = 0; i < 60; i++) {
        radial_moments(beta, s, &m0, &m2, &m4);
        s = sqrt(m2 / m0);
    }
    radial_moments(beta, s, &m0, &m2, &m4);
    return (pl_weight){ .ratio = s, .kurtosis = m4 / m0 / (s * s * s * s) - 2 };
}

/* One weighted sum of residuals, sum of h (value - model), with what its error needs. Residuals are
 * not the pixels' noise: the fit has taken its share. With J the slopes, C the covariance and V the
 * pixels' variances, var = h'Vh - g'Cg, g = J'h (derived here from the normal equations). */
struct sum {
    double total, noise, g[PL_MF_N];
};

static void add(struct sum *s, const pl_moffat_image *image, int i, double h, double rest,
                double var)
{
    s->total += h * rest;
    s->noise += h * h * var;
    for (int k = 0; k < PL_MF_N; k++)
        s->g[k] += h * image->slope[k][i];
}

static double variance(const struct sum *s, const pl_moffat *fit)
{
    double taken = 0;
    for (int j = 0; j < PL_MF_N; j++)
        for (int k = 0; k < PL_MF_N; k++)
            taken += s->g[j] * fit->cov[j][k] * s->g[k];
    return fmax(0.01 * s->noise, s->noise - taken);
}

enum { FLARE1, FLARE2, CORNER1, CORNER2, FOURTH, MOMENTS };

static void moment_rows(double x, double y, double fourth, double h[MOMENTS])
{
    double q = x * x + y * y, w = exp(-q / 2);
    /* orthogonal to a shift of the centre: <x (q - 2)> does not care where exactly it lies */
    h[FLARE1] = w * x * (q - 2);
    h[FLARE2] = w * y * (q - 2);
    h[CORNER1] = w * (x * x - 3 * y * y) * x;
    h[CORNER2] = w * (3 * x * x - y * y) * y;
    h[FOURTH] = w * (q * q - fourth);
}

static double pixel_noise(const pl_stamp *st, const pl_moffat_image *image, int i)
{
    return st->var + fmax(0, image->light[i]) / st->gain;
}

static double residual(const pl_stamp *st, const pl_moffat *fit, const pl_moffat_image *image,
                       int i)
{
    return st->value[i] - image->light[i] - fit->p[PL_MF_SKY];
}

static void moments(const pl_stamp *st, const pl_moffat *fit, const pl_moffat_image *image,
                    const pl_weight *weight, pl_star *star)
{
    double e1 = fit->p[PL_MF_ETA1], e2 = fit->p[PL_MF_ETA2], eta = hypot(e1, e2);
    double half = exp(fit->p[PL_MF_SIZE]);
    /* pixels widen both axes by 1/12 px^2: scale and stretch of the image as it is sampled */
    double major = sqrt(pow(weight->ratio * half * exp(eta), 2) + 1.0 / 12);
    double minor = sqrt(pow(weight->ratio * half * exp(-eta), 2) + 1.0 / 12);
    double sigma = sqrt(major * minor), stretch = 0.5 * log(major / minor);
    double c = cosh(stretch) / sigma, s = eta > 0 ? sinh(stretch) / eta / sigma : 0;
    double h[MOMENTS], norm = 0, reach = 25; /* 5 weight widths, squared */
    struct sum sum[MOMENTS] = { 0 };
    for (int y = 0; y < st->h; y++)
        for (int x = 0; x < st->w; x++) {
            int i = y * st->w + x;
            double dx = st->x0 + x - fit->p[PL_MF_X], dy = st->y0 + y - fit->p[PL_MF_Y];
            double u = (c - s * e1) * dx - s * e2 * dy, v = -s * e2 * dx + (c + s * e1) * dy;
            if (st->use[i] == 0 || u * u + v * v > reach)
                continue;
            norm += exp(-(u * u + v * v) / 2) * image->light[i];
            moment_rows(u, v, weight->kurtosis + 2, h);
            for (int k = 0; k < MOMENTS; k++)
                add(&sum[k], image, i, h[k], residual(st, fit, image, i),
                    pixel_noise(st, image, i));
        }
    double var[MOMENTS];
    for (int k = 0; k < MOMENTS; k++)
        var[k] = variance(&sum[k], fit);
    star->moment_sigma_px = sigma;
    star->flare1 = sum[FLARE1].total / norm;
    star->flare2 = sum[FLARE2].total / norm;
    star->flare_sigma = sqrt(0.5 * (var[FLARE1] + var[FLARE2])) / norm;
    star->corner1 = sum[CORNER1].total / norm;
    star->corner2 = sum[CORNER2].total / norm;
    star->corner_sigma = sqrt(0.5 * (var[CORNER1] + var[CORNER2])) / norm;
    star->kurtosis = weight->kurtosis + sum[FOURTH].total / norm;
    star->kurtosis_sigma = sqrt(var[FOURTH]) / norm;
}

enum { ANGLES = 16 };

/* Fraction of an elliptical Moffat's light inside a circle of radius r, and its slope. In polar
 * coordinates the radial integral is closed; the angular one converges at once (periodic). */
static double enclosed(const pl_moffat *fit, double r, double *slope)
{
    double eta = hypot(fit->p[PL_MF_ETA1], fit->p[PL_MF_ETA2]), h = exp(fit->p[PL_MF_SIZE]);
    double beta = 1 / fit->p[PL_MF_INVBETA], k = exp2(fit->p[PL_MF_INVBETA]) - 1;
    double sum = 0, dsum = 0;
    for (int i = 0; i < ANGLES; i++) {
        double a = M_PI * (i + 0.5) / ANGLES; /* half a turn: the ellipse is symmetric */
        double q = (pow(cos(a) * exp(-eta), 2) + pow(sin(a) * exp(eta), 2)) / (h * h);
        double t = 1 + k * q * r * r, tail = pow(t, 1 - beta);
        sum += (1 - tail) / (q * h * h);
        dsum += 2 * (beta - 1) * k * r * tail / (t * h * h);
    }
    *slope = dsum / ANGLES;
    return sum / ANGLES;
}

/* Part of pixel i that lies inside r, its edge soft. */
static double inside(const pl_stamp *st, const pl_moffat *fit, int i, double r)
{
    double in = r - sqrt(pl_stamp_d2(st, i, fit->p[PL_MF_X], fit->p[PL_MF_Y])) + 0.5;
    return in <= 0 ? 0 : in >= 1 ? st->use[i] : in * st->use[i];
}

/* Residual light of the whole stamp halved, less that inside r. */
static struct sum imbalance(const pl_stamp *st, const pl_moffat *fit, const pl_moffat_image *image,
                            double r)
{
    struct sum s = { 0 };
    for (int i = 0; i < st->w * st->h; i++)
        if (st->use[i] > 0)
            add(&s, image, i, 0.5 * st->use[i] - inside(st, fit, i, r), residual(st, fit, image, i),
                pixel_noise(st, image, i));
    return s;
}

/* Error of the imbalance. What the fit's own parameters take from the residuals they give to the
 * profile, whose light is in the balance too; all but the sky, which goes into every pixel with the
 * sum of h (g of the sky) and answers to each. */
static double imbalance_variance(const struct sum *s, const pl_moffat *fit)
{
    double lean = s->g[PL_MF_SKY], answer = 0;
    for (int k = 0; k < PL_MF_N; k++)
        answer += fit->cov[PL_MF_SKY][k] * s->g[k];
    return fmax(0.01 * s->noise,
                s->noise - 2 * lean * answer + lean * lean * fit->cov[PL_MF_SKY][PL_MF_SKY]);
}

/* Half of the total light is inside: flux e(r) = flux / 2 + imbalance(r). */
static void half_flux(const pl_stamp *st, const pl_moffat *fit, const pl_moffat_image *image,
                      pl_star *star)
{
    double r = exp(fit->p[PL_MF_SIZE]) * 1.15, slope = 1, flux = fit->p[PL_MF_FLUX];
    struct sum s = { 0 };
    for (int i = 0; i < 5; i++) {
        if (i > 1) /* first the profile alone, then with what it leaves */
            s = imbalance(st, fit, image, r);
        double want = 0.5 * flux + s.total / st->share;
        double step = (want - flux * enclosed(fit, r, &slope)) / (flux * slope);
        r += fmax(-0.5 * r, fmin(0.5 * r, step));
    }
    star->hfd_px = 2 * r;
    star->hfd_sigma_px = 2 * sqrt(imbalance_variance(&s, fit)) / st->share / (flux * slope);
}

void pl_leftover_measure(const pl_stamp *stamp, const pl_moffat *fit, const pl_moffat_image *image,
                         const pl_weight *weight, pl_star *star)
{
    moments(stamp, fit, image, weight, star);
    half_flux(stamp, fit, image, star);
}
