/* SPDX-License-Identifier: GPL-3.0-or-later */
/* moffat.c - fit one star: Levenberg-Marquardt on the packed pixels of profile.c. */
#include "profile.h"

#include <math.h>
#include <string.h>

enum { ROUNDS = 25 };

static const double MOST_DAMPING = 1e5;
static const double SETTLED = 0.01; /* steps below this part of a sigma */

static const double LEAST_INVBETA = 0.001, MOST_INVBETA = 0.66; /* beta 1000 (a Gaussian) ... 1.5 */

/* Weights from the model: sky noise plus the star's own photons, `blend` parts of the new ones and
 * the rest of the old. What is no star can swing between two answers, each asking for the weights
 * of the other; half of each ends that. */
PL_WIDE
static void weigh(const pl_stamp *st, const pl_pack *k, const pl_profile *m, double sky,
                  float blend, float *restrict weight)
{
    float base = (float)st->var, per = (float)(1 / st->gain), floor = (float)sky;
    for (int i = 0; i < k->n; i++) {
        float light = m->light[i] - floor;
        float fresh = k->use[i] / (base + per * (light > 0 ? light : 0));
        weight[i] += blend * (fresh - weight[i]);
    }
}

PL_WIDE
static double chi_square(const pl_pack *k, const pl_profile *m, const float *weight)
{
    double part[PL_LANES] = { 0 }, sum = 0;
    for (int i = 0; i < k->n; i += PL_LANES)
        for (int j = 0; j < PL_LANES; j++) {
            double r = k->value[i + j] - m->light[i + j];
            part[j] += weight[i + j] * r * r;
        }
    for (int j = 0; j < PL_LANES; j++)
        sum += part[j];
    return sum;
}

/* A pixel's weight is applied to one side of each product. */
PL_WIDE
static void normal_equations(const pl_pack *k, const pl_profile *m, const float *weight, int np,
                             const int *which, double a[PL_MF_N][PL_MF_N], double *g)
{
    float rest[PL_PACK_MAX], row[PL_PACK_MAX];
    const float *column[PL_MF_N + PL_DOTS];
    for (int i = 0; i < k->n; i++)
        rest[i] = k->value[i] - m->light[i];
    for (int j = 0; j < np + PL_DOTS; j++)
        column[j] = j == 0 || j > np ? rest : m->slope[which[j - 1]];
    for (int j = 0; j < np; j++) {
        double sum[PL_MF_N + PL_DOTS] = { 0 };
        const float *restrict slope = m->slope[which[j]];
        for (int i = 0; i < k->n; i++)
            row[i] = slope[i] * weight[i];
        for (int c = 0; c < j + 2; c += PL_DOTS)
            pl_dots(row, column + c, k->n, sum + c);
        g[j] = sum[0];
        for (int c = 0; c <= j; c++)
            a[j][c] = a[c][j] = sum[c + 1];
    }
}

/* Cholesky factor of a, in place below the diagonal; false when not positive definite. */
static bool factor(int n, double a[PL_MF_N][PL_MF_N])
{
    for (int j = 0; j < n; j++)
        for (int i = j; i < n; i++) {
            double v = a[i][j];
            for (int k = 0; k < j; k++)
                v -= a[i][k] * a[j][k];
            if (i == j) {
                if (!(v > 0))
                    return false;
                a[j][j] = sqrt(v);
            } else
                a[i][j] = v / a[j][j];
        }
    return true;
}

static void back_solve(int n, double l[PL_MF_N][PL_MF_N], const double *b, double *x)
{
    for (int i = 0; i < n; i++) {
        x[i] = b[i];
        for (int k = 0; k < i; k++)
            x[i] -= l[i][k] * x[k];
        x[i] /= l[i][i];
    }
    for (int i = n - 1; i >= 0; i--) {
        for (int k = i + 1; k < n; k++)
            x[i] -= l[k][i] * x[k];
        x[i] /= l[i][i];
    }
}

/* A damped matrix, factored; scaled by its diagonal first, since units differ by 1e6. */
struct factored {
    int n;
    double l[PL_MF_N][PL_MF_N], scale[PL_MF_N];
};

static bool factor_damped(int n, double a[PL_MF_N][PL_MF_N], double mu, struct factored *out)
{
    out->n = n;
    for (int i = 0; i < n; i++)
        out->scale[i] = a[i][i] > 0 ? 1 / sqrt(a[i][i]) : 0;
    for (int i = 0; i < n; i++)
        for (int j = 0; j < n; j++)
            out->l[i][j] = a[i][j] * out->scale[i] * out->scale[j] + (i == j ? mu : 0);
    return factor(n, out->l);
}

static void solve(struct factored *f, const double *g, double *step)
{
    double b[PL_MF_N];
    for (int i = 0; i < f->n; i++)
        b[i] = g[i] * f->scale[i];
    back_solve(f->n, f->l, b, step);
    for (int i = 0; i < f->n; i++)
        step[i] *= f->scale[i];
}

static bool invert(int n, double a[PL_MF_N][PL_MF_N], const int *which, pl_moffat *fit)
{
    struct factored f;
    memset(fit->cov, 0, sizeof fit->cov);
    if (!factor_damped(n, a, 0, &f))
        return false;
    for (int j = 0; j < n; j++) {
        double unit[PL_MF_N] = { 0 }, col[PL_MF_N];
        unit[j] = 1;
        solve(&f, unit, col);
        for (int i = 0; i < n; i++)
            fit->cov[which[i]][which[j]] = col[i];
    }
    return true;
}

/* Keep a trial inside what a stamp can tell: a runaway start comes back as "not converged". */
static void confine(const pl_stamp *st, double p[PL_MF_N])
{
    double widest = log(0.5 * (st->w > st->h ? st->w : st->h));
    double eta = hypot(p[PL_MF_ETA1], p[PL_MF_ETA2]);
    p[PL_MF_X] = fmin(fmax(p[PL_MF_X], st->x0), st->x0 + st->w - 1);
    p[PL_MF_Y] = fmin(fmax(p[PL_MF_Y], st->y0), st->y0 + st->h - 1);
    p[PL_MF_SIZE] = fmin(fmax(p[PL_MF_SIZE], log(0.2)), widest);
    p[PL_MF_INVBETA] = fmin(fmax(p[PL_MF_INVBETA], LEAST_INVBETA), MOST_INVBETA);
    if (eta > 1.5) { /* axis ratio 20 */
        p[PL_MF_ETA1] *= 1.5 / eta;
        p[PL_MF_ETA2] *= 1.5 / eta;
    }
}

/* 1 / beta stands at its bound and wants to go on: leave it there for this round. */
static bool at_bound(const double p[PL_MF_N], double pull)
{
    return (p[PL_MF_INVBETA] <= LEAST_INVBETA && pull < 0) ||
           (p[PL_MF_INVBETA] >= MOST_INVBETA && pull > 0);
}

/* One fit under way. */
struct descent {
    const pl_stamp *st;
    int which[PL_MF_N], np; /* parameters that move */
    bool beta;              /* the last of them is 1 / beta */
    pl_pack *pack;          /* once for a descent: one that moved would make chi square jump */
    pl_profile image[2];
    int now; /* the image of fit->p; the other is the trial's */
    float weight[PL_PACK_MAX];
    double a[PL_MF_N][PL_MF_N], g[PL_MF_N], chi2, mu;
};

static void begin(struct descent *d, const pl_stamp *st, unsigned free, pl_moffat *fit,
                  pl_pack *pack)
{
    d->pack = pack;
    d->st = st;
    d->np = d->now = 0;
    d->mu = 1e-3;
    d->beta = free & 1u << PL_MF_INVBETA;
    for (int j = 0; j < PL_MF_N; j++)
        if (free & 1u << j)
            d->which[d->np++] = j;
    fit->converged = false;
    confine(st, fit->p);
    pl_pack_stamp(st, fit->p, d->pack);
    memset(d->weight, 0, (size_t)d->pack->n * sizeof *d->weight);
    pl_profile_on(d->pack, fit->p, d->beta, &d->image[0]);
}

static void set_equations(struct descent *d, const pl_moffat *fit, float blend)
{
    const pl_profile *m = &d->image[d->now];
    weigh(d->st, d->pack, m, fit->p[PL_MF_SKY], blend, d->weight);
    normal_equations(d->pack, m, d->weight, d->np, d->which, d->a, d->g);
    d->chi2 = chi_square(d->pack, m, d->weight);
}

/* The light after the last step, which is so small that the slopes tell it. */
PL_WIDE
static void slide(struct descent *d, const double from[PL_MF_N], const double to[PL_MF_N])
{
    pl_profile *m = &d->image[d->now];
    for (int j = 0; j < d->np; j++) {
        float by = (float)(to[d->which[j]] - from[d->which[j]]);
        const float *restrict slope = m->slope[d->which[j]];
        for (int i = 0; i < d->pack->n; i++)
            m->light[i] += by * slope[i];
    }
}

/* One step under the present damping: taken when chi square does not rise. The damping follows how
 * well the quadratic foretold the gain, which also stops steps that overshoot to and fro. */
static bool try_step(struct descent *d, int moving, pl_moffat *fit)
{
    double trial[PL_MF_N], step[PL_MF_N], largest = 0, foretold = 0;
    struct factored f;
    memcpy(trial, fit->p, sizeof trial);
    if (!factor_damped(moving, d->a, d->mu, &f)) {
        d->mu *= 10;
        return false;
    }
    solve(&f, d->g, step);
    for (int j = 0; j < moving; j++) {
        trial[d->which[j]] += step[j];
        largest = fmax(largest, fabs(step[j]) * sqrt(d->a[j][j]));
        foretold += step[j] * (d->g[j] + d->mu * d->a[j][j] * step[j]);
    }
    confine(d->st, trial);
    if (largest < SETTLED && d->mu <= 1) {
        slide(d, fit->p, trial);
        memcpy(fit->p, trial, sizeof trial);
        return fit->converged = true;
    }
    pl_profile_on(d->pack, trial, d->beta, &d->image[!d->now]);
    double gain = d->chi2 - chi_square(d->pack, &d->image[!d->now], d->weight);
    if (gain < -1e-6 * d->chi2) {
        d->mu *= 10;
        return false;
    }
    d->mu *= gain > 0.75 * foretold ? 0.1 : gain < 0.25 * foretold ? 5 : 1;
    memcpy(fit->p, trial, sizeof trial);
    d->now = !d->now;
    return true;
}

static bool conclude(struct descent *d, pl_moffat *fit)
{
    set_equations(d, fit, 1);
    fit->pixels = 0;
    for (int i = 0; i < d->pack->n; i++)
        fit->pixels += d->weight[i] > 0;
    fit->chi2 = d->chi2 / fmax(1, fit->pixels - d->np);
    fit->unit_info = d->a[0][0];
    return invert(d->np, d->a, d->which, fit) && fit->converged;
}

/* What the fit ends on, without its sky. */
static void hand_over(const struct descent *d, const pl_moffat *fit, pl_profile *out)
{
    const pl_profile *m = &d->image[d->now];
    size_t bytes = (size_t)d->pack->n * sizeof(float);
    float sky = (float)fit->p[PL_MF_SKY];
    for (int i = 0; i < d->pack->n; i++)
        out->light[i] = m->light[i] - sky;
    for (int j = 0; j < PL_MF_N; j++) /* held, 1 / beta has no slope */
        if (j != PL_MF_INVBETA || d->beta)
            memcpy(out->slope[j], m->slope[j], bytes);
        else
            memset(out->slope[j], 0, bytes);
}

static bool descend(const pl_stamp *stamp, unsigned free, pl_moffat *fit, pl_seen *seen)
{
    struct descent d;
    begin(&d, stamp, free, fit, &seen->pack);
    bool stuck = false;
    for (int round = 0; round < ROUNDS && !fit->converged && !stuck; round++) {
        set_equations(&d, fit, round < 3 ? 1 : 0.5f);
        int moving = d.np - (d.beta && at_bound(fit->p, d.g[d.np - 1]));
        while (!try_step(&d, moving, fit) && !stuck)
            stuck = d.mu > MOST_DAMPING;
    }
    bool done = conclude(&d, fit);
    if (done)
        hand_over(&d, fit, &seen->image);
    return done;
}

static bool fit_seen(const pl_stamp *stamp, unsigned free, pl_moffat *fit, pl_seen *seen)
{
    double x = fit->p[PL_MF_X], y = fit->p[PL_MF_Y];
    int planned = pl_pack_points(fit->p, 1);
    bool done = descend(stamp, free, fit, seen);
    if (done && (pl_pack_points(fit->p, 1.15) > planned || /* sharper than it seemed, elsewhere: */
                 hypot(fit->p[PL_MF_X] - x, fit->p[PL_MF_Y] - y) > 1.5)) /* finer, from here */
        done = descend(stamp, free, fit, seen);
    return done;
}

bool pl_moffat_fit(const pl_stamp *stamp, unsigned free, pl_moffat *fit, pl_seen *seen)
{
    pl_seen own;
    return fit_seen(stamp, free, fit, seen ? seen : &own);
}
