/* SPDX-License-Identifier: GPL-3.0-or-later */
/* leftover.c - what a symmetric profile leaves on a star: third and fourth moments, half-flux
 * diameter.
 *
 * All are the profile's own value plus a weighted sum of the residuals. The profile has no odd
 * moments, and where pixels are coarse or only every second one is green, what sampling does to the
 * moments it does to data and profile alike and cancels. Derived here; the moments themselves are
 * adaptive ones (Bernstein & Jarvis 2002, AJ 123, 583, from memory): the weight is a Gaussian of
 * the star's own width. */
#include "profile.h"

#include <math.h>
#include <string.h>

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

/* What the sums below are made of, on packed pixels; nought where a pixel does not count. */
struct rest {
    int n;
    const pl_profile *image;
    float value[PL_PACK_MAX];             /* what the profile leaves, ADU */
    float var[PL_PACK_MAX];               /* variance of a pixel, ADU^2 */
    float x[PL_PACK_MAX], y[PL_PACK_MAX]; /* from the star's centre, px */
    float away[PL_PACK_MAX];              /* as far is that */
};

PL_WIDE
static void take_rest(const pl_stamp *st, const pl_moffat *fit, const pl_seen *seen,
                      struct rest *out)
{
    const pl_pack *k = &seen->pack;
    const float *light = seen->image.light;
    float sky = (float)fit->p[PL_MF_SKY], base = (float)st->var, per = (float)(1 / st->gain);
    float cx = (float)(fit->p[PL_MF_X] - k->x0), cy = (float)(fit->p[PL_MF_Y] - k->y0);
    out->n = k->n;
    out->image = &seen->image;
    for (int i = 0; i < k->n; i++) {
        out->value[i] = k->use[i] * (k->value[i] - light[i] - sky);
        out->var[i] = k->use[i] * (base + per * (light[i] > 0 ? light[i] : 0));
        out->x[i] = k->x[i] - cx;
        out->y[i] = k->y[i] - cy;
    }
    for (int i = 0; i < k->n; i++)
        out->away[i] = sqrtf(out->x[i] * out->x[i] + out->y[i] * out->y[i]);
}

/* One weighted sum of residuals, sum of h (value - model), with what its error needs. Residuals are
 * not the pixels' noise: the fit has taken its share. With J the slopes, C the covariance and V the
 * pixels' variances, var = h'Vh - g'Cg, g = J'h (derived here from the normal equations). */
struct sum {
    double total, noise, g[PL_MF_N];
};

/* h: [n], nought where a pixel does not count */
PL_WIDE
static struct sum sum_of(const struct rest *r, const float *restrict h)
{
    enum { COLUMNS = (PL_MF_N + 2 + PL_DOTS - 1) / PL_DOTS * PL_DOTS };
    float weighted[PL_PACK_MAX];
    const float *column[COLUMNS];
    double out[COLUMNS];
    struct sum s;
    for (int i = 0; i < r->n; i++)
        weighted[i] = h[i] * r->var[i];
    for (int k = 0; k < COLUMNS; k++)
        column[k] = k < PL_MF_N ? r->image->slope[k] : k == PL_MF_N ? r->value : weighted;
    for (int k = 0; k < COLUMNS; k += PL_DOTS)
        pl_dots(h, column + k, r->n, out + k);
    memcpy(s.g, out, sizeof s.g);
    s.total = out[PL_MF_N];
    s.noise = out[PL_MF_N + 1];
    return s;
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

/* The star as it is sampled: its weight's sigma, and what turns its ellipse into a circle of
 * that sigma. */
struct round {
    double sigma;
    float xx, xy, yy; /* u = xx x + xy y, v = xy x + yy y */
};

static struct round round_of(const pl_moffat *fit, const pl_weight *weight)
{
    double e1 = fit->p[PL_MF_ETA1], e2 = fit->p[PL_MF_ETA2], eta = hypot(e1, e2);
    double half = exp(fit->p[PL_MF_SIZE]);
    /* pixels widen both axes by 1/12 px^2: scale and stretch of the image as it is sampled */
    double major = sqrt(pow(weight->ratio * half * exp(eta), 2) + 1.0 / 12);
    double minor = sqrt(pow(weight->ratio * half * exp(-eta), 2) + 1.0 / 12);
    double sigma = sqrt(major * minor), stretch = 0.5 * log(major / minor);
    double c = cosh(stretch) / sigma, s = eta > 0 ? sinh(stretch) / eta / sigma : 0;
    return (struct round){ sigma, (float)(c - s * e1), (float)(-s * e2), (float)(c + s * e1) };
}

/* The plain weight e^(-q/2) out to five of its widths. */
PL_INTO void within_reach(const struct rest *r, const float *use, const struct round *to, float *w)
{
    const float reach = 25;
    for (int i = 0; i < r->n; i++) {
        float x = to->xx * r->x[i] + to->xy * r->y[i], y = to->xy * r->x[i] + to->yy * r->y[i];
        float q = x * x + y * y;
        w[i] = q > 100 ? 100 : q;
    }
    for (int i = 0; i < r->n; i++) {
        float weight = use[i] * pl_fast_exp2(-0.72134752f * w[i]);
        w[i] = w[i] > reach ? 0 : weight;
    }
}

/* The moments' weights, each [n]. Gives: the profile's light under the plain weight. */
PL_WIDE
static double moment_rows(const struct rest *r, const float *use, const struct round *to,
                          float fourth, float h[MOMENTS][PL_PACK_MAX])
{
    const float *light = r->image->light, *const column[PL_DOTS] = { light, light, light, light };
    float plain[PL_PACK_MAX];
    double norm[PL_DOTS];
    within_reach(r, use, to, plain);
    for (int i = 0; i < r->n; i++) {
        float x = to->xx * r->x[i] + to->xy * r->y[i], y = to->xy * r->x[i] + to->yy * r->y[i];
        float q = x * x + y * y, w = plain[i];
        /* orthogonal to a shift of the centre: <x (q - 2)> does not care where exactly it lies */
        h[FLARE1][i] = w * x * (q - 2);
        h[FLARE2][i] = w * y * (q - 2);
        h[CORNER1][i] = w * (x * x - 3 * y * y) * x;
        h[CORNER2][i] = w * (3 * x * x - y * y) * y;
        h[FOURTH][i] = w * (q * q - fourth);
    }
    pl_dots(plain, column, r->n, norm);
    return norm[0];
}

static void moments(const struct rest *r, const float *use, const pl_moffat *fit,
                    const pl_weight *weight, pl_star *star)
{
    float h[MOMENTS][PL_PACK_MAX];
    struct round to = round_of(fit, weight);
    double norm = moment_rows(r, use, &to, (float)(weight->kurtosis + 2), h), var[MOMENTS];
    struct sum sum[MOMENTS];
    for (int k = 0; k < MOMENTS; k++) {
        sum[k] = sum_of(r, h[k]);
        var[k] = variance(&sum[k], fit);
    }
    star->moment_sigma_px = to.sigma;
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

/* How the profile's ellipse u = q r^2 answers to the direction, [ANGLES] over half a turn. */
struct ellipse {
    double beta, k, h2, q[ANGLES];
};

static struct ellipse ellipse_of(const pl_moffat *fit)
{
    double eta = hypot(fit->p[PL_MF_ETA1], fit->p[PL_MF_ETA2]), h = exp(fit->p[PL_MF_SIZE]);
    struct ellipse e = { 1 / fit->p[PL_MF_INVBETA], exp2(fit->p[PL_MF_INVBETA]) - 1, h * h, { 0 } };
    double along = exp(-2 * eta) / e.h2, across = exp(2 * eta) / e.h2;
    for (int i = 0; i < ANGLES; i++) {
        double c2 = cos(2 * M_PI * (i + 0.5) / ANGLES);
        e.q[i] = along * (1 + c2) / 2 + across * (1 - c2) / 2;
    }
    return e;
}

/* Fraction of an elliptical Moffat's light inside a circle of radius r, and its slope. In polar
 * coordinates the radial integral is closed; the angular one converges at once (periodic). */
static double enclosed(const struct ellipse *e, double r, double *slope)
{
    double sum = 0, dsum = 0;
    for (int i = 0; i < ANGLES / 2; i++) { /* cos is even: the other half repeats them */
        double t = 1 + e->k * e->q[i] * r * r, tail = pow(t, 1 - e->beta);
        sum += (1 - tail) / (e->q[i] * e->h2);
        dsum += 2 * (e->beta - 1) * e->k * r * tail / (t * e->h2);
    }
    *slope = dsum / (ANGLES / 2);
    return sum / (ANGLES / 2);
}

/* A pixel's place in the balance between what lies inside r and half of all: 1/2 less its part
 * inside, the edge soft. h: [n] */
PL_WIDE
static void balance(const struct rest *r, const float *use, float radius, float *restrict h)
{
    for (int i = 0; i < r->n; i++) {
        float in = radius - r->away[i]; /* within half a pixel linear; without a branch */
        h[i] = use[i] * 0.5f * (fabsf(in - 0.5f) - fabsf(in + 0.5f));
    }
}

/* Residual light of the whole stamp halved, less that inside r. */
static struct sum imbalance(const struct rest *r, const float *use, double radius)
{
    float h[PL_PACK_MAX];
    balance(r, use, (float)radius, h);
    return sum_of(r, h);
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
static void half_flux(const struct rest *rest, const float *use, const pl_stamp *st,
                      const pl_moffat *fit, pl_star *star)
{
    double r = exp(fit->p[PL_MF_SIZE]) * 1.15, slope = 1, flux = fit->p[PL_MF_FLUX];
    struct ellipse ellipse = ellipse_of(fit);
    struct sum s = { 0 };
    for (int i = 0; i < 5; i++) {
        if (i > 1) /* first the profile alone, then with what it leaves */
            s = imbalance(rest, use, r);
        double want = 0.5 * flux + s.total / st->share;
        double step = (want - flux * enclosed(&ellipse, r, &slope)) / (flux * slope);
        r += fmax(-0.5 * r, fmin(0.5 * r, step));
    }
    star->hfd_px = 2 * r;
    star->hfd_sigma_px = 2 * sqrt(imbalance_variance(&s, fit)) / st->share / (flux * slope);
}

void pl_leftover_measure(const pl_stamp *stamp, const pl_moffat *fit, const pl_seen *seen,
                         const pl_weight *weight, pl_star *star)
{
    struct rest rest;
    take_rest(stamp, fit, seen, &rest);
    moments(&rest, seen->pack.use, fit, weight, star);
    half_flux(&rest, seen->pack.use, stamp, fit, star);
}
