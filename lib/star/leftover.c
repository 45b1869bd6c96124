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

struct sums {
    double norm, flare[2], corner[2], kurt;
    double flare_var, corner_var, kurt_var;
};

static void add_pixel(struct sums *s, double x, double y, double fourth, double light, double rest,
                      double var)
{
    double q = x * x + y * y, w = exp(-q / 2);
    /* orthogonal to a shift of the centre: <x (q - 2)> does not care where exactly it lies */
    double flare[2] = { w * x * (q - 2), w * y * (q - 2) };
    double corner[2] = { w * (x * x - 3 * y * y) * x, w * (3 * x * x - y * y) * y };
    double kurt = w * (q * q - fourth);
    s->norm += w * light;
    for (int i = 0; i < 2; i++) {
        s->flare[i] += flare[i] * rest;
        s->corner[i] += corner[i] * rest;
        s->flare_var += flare[i] * flare[i] * var / 2;
        s->corner_var += corner[i] * corner[i] * var / 2;
    }
    s->kurt += kurt * rest;
    s->kurt_var += kurt * kurt * var;
}

static void moments(const pl_stamp *st, const pl_moffat *fit, const float *model,
                    const pl_weight *weight, pl_star *star)
{
    double e1 = fit->p[PL_MF_ETA1], e2 = fit->p[PL_MF_ETA2], eta = hypot(e1, e2);
    double half = exp(fit->p[PL_MF_SIZE]);
    /* pixels widen both axes by 1/12 px^2: scale and stretch of the image as it is sampled */
    double major = sqrt(pow(weight->ratio * half * exp(eta), 2) + 1.0 / 12);
    double minor = sqrt(pow(weight->ratio * half * exp(-eta), 2) + 1.0 / 12);
    double sigma = sqrt(major * minor), stretch = 0.5 * log(major / minor);
    double c = cosh(stretch) / sigma, s = eta > 0 ? sinh(stretch) / eta / sigma : 0;
    struct sums sum = { 0 };
    for (int y = 0; y < st->h; y++)
        for (int x = 0; x < st->w; x++) {
            int i = y * st->w + x;
            double dx = st->x0 + x - fit->p[PL_MF_X], dy = st->y0 + y - fit->p[PL_MF_Y];
            double u = (c - s * e1) * dx - s * e2 * dy, v = -s * e2 * dx + (c + s * e1) * dy;
            if (st->use[i] == 0 || u * u + v * v > 25)
                continue;
            add_pixel(&sum, u, v, weight->kurtosis + 2, model[i],
                      st->value[i] - model[i] - fit->p[PL_MF_SKY],
                      st->var + fmax(0, model[i]) / st->gain);
        }
    star->moment_sigma_px = sigma;
    star->flare1 = sum.flare[0] / sum.norm;
    star->flare2 = sum.flare[1] / sum.norm;
    star->flare_sigma = sqrt(sum.flare_var) / sum.norm;
    star->corner1 = sum.corner[0] / sum.norm;
    star->corner2 = sum.corner[1] / sum.norm;
    star->corner_sigma = sqrt(sum.corner_var) / sum.norm;
    star->kurtosis = weight->kurtosis + sum.kurt / sum.norm;
    star->kurtosis_sigma = sqrt(sum.kurt_var) / sum.norm;
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

/* Residual light inside r, pixel edges soft. */
static double soft(const pl_stamp *st, const pl_moffat *fit, int i, double r)
{
    double in = r - sqrt(pl_stamp_d2(st, i, fit->p[PL_MF_X], fit->p[PL_MF_Y])) + 0.5;
    return in <= 0 ? 0 : in >= 1 ? st->use[i] : in * st->use[i];
}

static double inside(const pl_stamp *st, const pl_moffat *fit, const float *model, double r)
{
    double sum = 0;
    for (int i = 0; i < st->w * st->h; i++)
        sum += soft(st, fit, i, r) * (st->value[i] - model[i] - fit->p[PL_MF_SKY]);
    return sum / st->share;
}

/* Noise of T(all) / 2 - T(r): a pixel counts 1/2 outside r and -1/2 inside; the fitted sky goes
 * into all of them and answers to each. The profile's other parameters drop out: what they take
 * from T they give to the profile's own light. */
static double imbalance_sigma(const pl_stamp *st, const pl_moffat *fit, const float *model,
                              const float *sky_response, double r)
{
    double lean = 0, var = 0;
    for (int i = 0; i < st->w * st->h; i++)
        lean += 0.5 * st->use[i] - soft(st, fit, i, r);
    for (int i = 0; i < st->w * st->h; i++) {
        double h = 0.5 * st->use[i] - soft(st, fit, i, r) - lean * sky_response[i];
        var += h * h * (st->var + fmax(0, model[i]) / st->gain);
    }
    return sqrt(var) / st->share;
}

/* Half of the total light is inside: flux e(r) + T(r) = (flux + T(all)) / 2, T the residuals' sums.
 */
static void half_flux(const pl_stamp *st, const pl_moffat *fit, const float *model,
                      const float *sky_response, pl_star *star)
{
    double r = exp(fit->p[PL_MF_SIZE]) * 1.15, slope = 1, flux = fit->p[PL_MF_FLUX];
    double all = inside(st, fit, model, 1e9);
    for (int i = 0; i < 5; i++) {
        bool start = i < 2; /* first the profile alone, then with what it leaves */
        double want = 0.5 * (flux + (start ? 0 : all)) - (start ? 0 : inside(st, fit, model, r));
        double step = (want - flux * enclosed(fit, r, &slope)) / (flux * slope);
        r += fmax(-0.5 * r, fmin(0.5 * r, step));
    }
    star->hfd_px = 2 * r;
    star->hfd_sigma_px = 2 * imbalance_sigma(st, fit, model, sky_response, r) / (flux * slope);
}

void pl_leftover_measure(const pl_stamp *stamp, const pl_moffat *fit, const float *model,
                         const float *sky_response, const pl_weight *weight, pl_star *star)
{
    moments(stamp, fit, model, weight, star);
    half_flux(stamp, fit, model, sky_response, star);
}
