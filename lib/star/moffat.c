/* SPDX-License-Identifier: GPL-3.0-or-later */
/* moffat.c - fit one star with an elliptical Moffat profile integrated over square pixels.
 *
 * The inner loops run over a row of pixels at a time on plain float arrays so that the compiler can
 * turn them into vector code. A pixel is integrated by Gauss-Legendre points: by one in the star's
 * wings, by more in its core, where their number follows the width of the star, so that the
 * integral is good to 1e-3 of the peak at FWHM 1.3 px and better above. Light and slopes share the
 * points: slopes that are not the light's own leave a fit of what is no Moffat without an end.
 *
 * Half-maximum ellipse: u = A dx^2 + 2 B dx dy + C dy^2 with
 *   (A B; B C) = e^(-2 size) (cosh 2 eta  I  -  sinh(2 eta)/eta  (eta1 eta2; eta2 -eta1)),
 * half axes e^(size + eta), e^(size - eta). Derived here; smooth and unbounded through round. */
#include "star.h"

#include <math.h>
#include <string.h>

/* Loops over a row run to a multiple of STRIDE pixels: what lies beyond is written and forgotten.
 */
enum { ROUNDS = 25, STRIDE = 4, ROW = PL_STAMP_MAX + STRIDE - 1, PARTS = 16 };

static const double MOST_DAMPING = 1e5;
static const double SETTLED = 0.01; /* steps below this part of a sigma */
/* Reach of the two parts with more than one point, in FWHM; a pixel more. */
static const double HALO = 2, CORE = 1.2;

static const double LEAST_INVBETA = 0.001, MOST_INVBETA = 0.66; /* beta 1000 (a Gaussian) ... 1.5 */

/* Gauss-Legendre abscissae and weights on [-1/2, 1/2] (Abramowitz & Stegun 1964, table 25.4). */
static const struct {
    float x[4], w[4];
} rule[5] = {
    { { 0 }, { 0 } },
    { { 0 }, { 1 } },
    { { -0.28867513f, 0.28867513f }, { 0.5f, 0.5f } },
    { { -0.38729833f, 0, 0.38729833f }, { 0.27777778f, 0.44444444f, 0.27777778f } },
    { { -0.43056816f, -0.16999052f, 0.16999052f, 0.43056816f },
      { 0.17392742f, 0.32607258f, 0.32607258f, 0.17392742f } },
};

/* The profile's shape at the current parameters, and its derivatives with respect to eta. */
struct shape {
    double a, b, c; /* the ellipse */
    double da[2], db[2], dc[2];
    double beta, k, dk; /* k = 2^(1/beta) - 1, dk / d(1/beta) */
    double norm;        /* of a unit flux: (beta - 1) k e^(-2 size) / pi */
    double dlnnorm;     /* d ln norm / d(1/beta) */
};

static struct shape shape_at(const double p[PL_MF_N])
{
    struct shape s;
    double e1 = p[PL_MF_ETA1], e2 = p[PL_MF_ETA2], q = e1 * e1 + e2 * e2, eta = sqrt(q);
    double ch = cosh(2 * eta);
    double sh = eta < 1e-3 ? 2 + 4.0 / 3 * q : sinh(2 * eta) / eta;       /* sinh(2 eta) / eta */
    double ds = eta < 0.05 ? 8.0 / 3 + 16.0 / 15 * q : (2 * ch - sh) / q; /* d sh / d eta / eta */
    double g = exp(-2 * p[PL_MF_SIZE]);
    s.a = g * (ch - sh * e1);
    s.b = -g * sh * e2;
    s.c = g * (ch + sh * e1);
    for (int i = 0; i < 2; i++) {
        double e = i ? e2 : e1, dch = 2 * sh * e, dsh = ds * e;
        s.da[i] = g * (dch - dsh * e1 - (i ? 0 : sh));
        s.db[i] = -g * (dsh * e2 + (i ? sh : 0));
        s.dc[i] = g * (dch + dsh * e1 + (i ? 0 : sh));
    }
    double ib = p[PL_MF_INVBETA];
    s.beta = 1 / ib;
    s.k = exp2(ib) - 1;
    s.dk = exp2(ib) * M_LN2;
    s.norm = (s.beta - 1) * s.k * g / M_PI;
    s.dlnnorm = -s.beta * s.beta / (s.beta - 1) + s.dk / s.k;
    return s;
}

/* log2 and 2^x in float by argument reduction and polynomials; written without branches so that
 * they vectorise, and the same on every C library. Largest relative error of x^y here: 3e-6,
 * measured against libm by tests/unit/test_moffat.c. */
PL_INTO float fast_log2(float x)
{
    union {
        float f;
        int32_t i;
    } v = { x };
    int32_t e = (v.i - 0x3f3504f3) >> 23; /* so that the mantissa lies in [sqrt 1/2, sqrt 2) */
    v.i -= e * (1 << 23);
    float z = (v.f - 1) / (v.f + 1), q = z * z; /* log2 m = 2/ln 2 (z + z^3/3 + z^5/5 + ...) */
    float series = 1 + q * (0.33333333f + q * (0.2f + q * (0.14285714f + q * 0.11111111f)));
    return (float)e + 2.8853900818f * z * series;
}

PL_INTO float fast_exp2(float x)
{
    union {
        float f;
        int32_t i;
    } v;
    int32_t n = (int32_t)(x + 8192.5f) - 8192; /* nearest whole number; x > -8192 holds here */
    float r = (x - (float)n) * 0.69314718f;
    n = n < -126 ? -126 : n; /* below the smallest float: nothing */
    float p =
        1 + r * (1 + r * (0.5f + r * (0.16666667f + r * (0.041666667f + r * (0.0083333333f +
                                                                             r * 0.0013888889f)))));
    v.f = p;
    v.i += n * (1 << 23);
    return v.f;
}

/* One row of pixels: sums over the quadrature points of P = (1 + k u)^-beta, P1 = P / (1 + k u) and
 * P1 times dx, dy, dx^2, dx dy, dy^2, P ln(1 + k u). */
enum { S_P, S_X, S_Y, S_XX, S_XY, S_YY, S_L, S_U, SUMS };

PL_INTO void add_points(const struct shape *s, float x0, float y, float weight, int n,
                        float sum[SUMS][ROW])
{
    const float a = (float)s->a, b = (float)(2 * s->b), c = (float)s->c, k = (float)s->k,
                beta = (float)s->beta;
    for (int i = 0; i < n; i++) {
        float x = x0 + (float)i;
        float u = a * x * x + (b * x + c * y) * y;
        float ku = k * u, t = 1 + ku;
        /* the second term gives back what rounding took from 1 + ku: near a Gaussian, ku is
         * small and beta large */
        float l = fast_log2(t) + (ku - (t - 1)) * 1.442695f;
        float p = weight * fast_exp2(-beta * l), p1 = p / t;
        sum[S_P][i] += p;
        sum[S_X][i] += p1 * x;
        sum[S_Y][i] += p1 * y;
        sum[S_XX][i] += p1 * x * x;
        sum[S_XY][i] += p1 * x * y;
        sum[S_YY][i] += p1 * y * y;
        sum[S_L][i] += p * l;
        sum[S_U][i] += p1 * u;
    }
}

/* A part of the stamp whose pixels are integrated by `points` x `points`. */
struct part {
    int points, x0, n, y0, y1; /* from the stamp's corner; n a multiple of STRIDE */
};

/* Each part lies in the one before, whose answer there is not used. Planned once for a descent: a
 * plan that moved with the parameters would make the chi square jump. */
enum { WINGS, AROUND, CENTRE, DEPTH };
struct plan {
    struct part part[DEPTH];
};

static int up_to_stride(int n)
{
    return (n + STRIDE - 1) / STRIDE * STRIDE;
}

/* Quadrature points along a pixel's side in a star's core; `slack` above 1 is content with fewer.
 */
static int core_points(const double p[PL_MF_N], double slack)
{
    double minor = 2 * exp(p[PL_MF_SIZE] - hypot(p[PL_MF_ETA1], p[PL_MF_ETA2]));
    return minor * slack < 1.8 ? 4 : minor * slack < 3.1 ? 3 : 2;
}

static struct part part_within(const pl_stamp *st, const double p[PL_MF_N], double reach,
                               int points)
{
    double x = p[PL_MF_X] - st->x0, y = p[PL_MF_Y] - st->y0;
    struct part part = { .points = points,
                         .x0 = (int)fmax(0, ceil(x - reach)),
                         .y0 = (int)fmax(0, ceil(y - reach)),
                         .y1 = (int)fmin(st->h, floor(y + reach) + 1) };
    part.n = up_to_stride((int)fmin(st->w, floor(x + reach) + 1) - part.x0);
    return part;
}

static struct plan plan_points(const pl_stamp *st, const double p[PL_MF_N])
{
    double major = 2 * exp(p[PL_MF_SIZE] + hypot(p[PL_MF_ETA1], p[PL_MF_ETA2]));
    int core = core_points(p, 1);
    struct plan plan = { { [WINGS] = part_within(st, p, INFINITY, 1),
                           [AROUND] = part_within(st, p, HALO * major + 1, 2) } };
    if (core > 2) /* else all of it is as fine; no rows */
        plan.part[CENTRE] = part_within(st, p, CORE * major + 1, core);
    return plan;
}

PL_INTO void part_sums(const struct shape *s, const struct part *part, float x0, float y,
                       float sum[SUMS][ROW])
{
    for (int j = 0; j < SUMS; j++)
        memset(sum[j], 0, (size_t)part->n * sizeof(float));
    for (int py = 0; py < part->points; py++)
        for (int px = 0; px < part->points; px++)
            add_points(s, x0 + (float)part->x0 + rule[part->points].x[px],
                       y + rule[part->points].x[py],
                       rule[part->points].w[px] * rule[part->points].w[py], part->n, sum);
}

PL_INTO void row_sums(const struct shape *s, const struct plan *plan, int row, float x0, float y,
                      float sum[SUMS][ROW])
{
    float in[SUMS][ROW];
    for (int i = 0; i < DEPTH; i++) {
        const struct part *part = &plan->part[i];
        if (row < part->y0 || row >= part->y1)
            continue;
        part_sums(s, part, x0, y, in);
        for (int j = 0; j < SUMS; j++)
            memcpy(sum[j] + part->x0, in[j], (size_t)part->n * sizeof(float));
    }
}

PL_INTO void row_image(const struct shape *s, const double p[PL_MF_N], const float sum[SUMS][ROW],
                       int n, size_t at, pl_moffat_image *m)
{
    const float norm = (float)s->norm, f = (float)(p[PL_MF_FLUX] * s->norm),
                sky = (float)p[PL_MF_SKY],
                d = -f * (float)(s->beta * s->k); /* F norm dP/du = d * P1 */
    const float a = (float)s->a, b = (float)s->b, c = (float)s->c;
    const float a1 = (float)s->da[0], b1 = (float)(2 * s->db[0]), c1 = (float)s->dc[0];
    const float a2 = (float)s->da[1], b2 = (float)(2 * s->db[1]), c2 = (float)s->dc[1];
    const float ln = (float)s->dlnnorm, l2 = (float)(s->beta * s->beta * M_LN2),
                dk = (float)(s->beta * s->dk);
    for (int i = 0; i < n; i++) {
        size_t j = at + (size_t)i;
        m->light[j] = f * sum[S_P][i] + sky;
        m->slope[PL_MF_FLUX][j] = norm * sum[S_P][i];
        m->slope[PL_MF_X][j] = -2 * d * (a * sum[S_X][i] + b * sum[S_Y][i]);
        m->slope[PL_MF_Y][j] = -2 * d * (b * sum[S_X][i] + c * sum[S_Y][i]);
        m->slope[PL_MF_SIZE][j] = -2 * f * sum[S_P][i] - 2 * d * sum[S_U][i];
        m->slope[PL_MF_ETA1][j] = d * (a1 * sum[S_XX][i] + b1 * sum[S_XY][i] + c1 * sum[S_YY][i]);
        m->slope[PL_MF_ETA2][j] = d * (a2 * sum[S_XX][i] + b2 * sum[S_XY][i] + c2 * sum[S_YY][i]);
        m->slope[PL_MF_SKY][j] = 1;
        m->slope[PL_MF_INVBETA][j] = f * (ln * sum[S_P][i] + l2 * sum[S_L][i] - dk * sum[S_U][i]);
    }
}

PL_WIDE
static void evaluate(const pl_stamp *st, const double p[PL_MF_N], const struct plan *plan,
                     pl_moffat_image *m)
{
    struct shape s = shape_at(p);
    float sum[SUMS][ROW];
    int n = up_to_stride(st->w);
    for (int y = 0; y < st->h; y++) { /* what a row writes beyond its end the next one mends */
        row_sums(&s, plan, y, (float)(st->x0 - p[PL_MF_X]), (float)(st->y0 + y - p[PL_MF_Y]), sum);
        row_image(&s, p, sum, n, (size_t)y * (size_t)st->w, m);
    }
}

/* Weights from the model: sky noise plus the star's own photons, `blend` parts of the new ones and
 * the rest of the old. What is no star can swing between two answers, each asking for the weights
 * of the other; half of each ends that. */
PL_WIDE
static void weigh(const pl_stamp *st, const pl_moffat_image *m, double sky, float blend,
                  float *weight)
{
    size_t n = (size_t)st->w * (size_t)st->h;
    float base = (float)st->var, per = (float)(1 / st->gain), floor = (float)sky;
    for (size_t i = 0; i < n; i++) {
        float light = m->light[i] - floor;
        float fresh = st->use[i] / (base + per * (light > 0 ? light : 0));
        weight[i] += blend * (fresh - weight[i]);
    }
}

/* Sum of products in PARTS independent sums, which vectorises. */
PL_INTO double dot(const float *a, const float *b, size_t n)
{
    float part[PARTS] = { 0 };
    double sum = 0;
    size_t i = 0;
    for (; i + PARTS <= n; i += PARTS)
        for (size_t j = 0; j < PARTS; j++)
            part[j] += a[i + j] * b[i + j];
    for (size_t j = 0; i + j < n; j++)
        part[j] += a[i + j] * b[i + j];
    for (size_t j = 0; j < PARTS; j++)
        sum += part[j];
    return sum;
}

/* A pixel's weight is applied to one side of each product. */
PL_WIDE
static double chi_square(const pl_stamp *st, const pl_moffat_image *m, const float *weight)
{
    size_t n = (size_t)st->w * (size_t)st->h;
    double part[PARTS] = { 0 }, sum = 0;
    for (size_t i = 0; i < n; i++) {
        double r = st->value[i] - m->light[i];
        part[i % PARTS] += weight[i] * r * r;
    }
    for (size_t j = 0; j < PARTS; j++)
        sum += part[j];
    return sum;
}

PL_WIDE
static void normal_equations(const pl_stamp *st, const pl_moffat_image *m, const float *weight,
                             int np, const int *which, double a[PL_MF_N][PL_MF_N], double *g)
{
    size_t n = (size_t)st->w * (size_t)st->h;
    float rest[PL_STAMP_MAX * PL_STAMP_MAX], row[PL_STAMP_MAX * PL_STAMP_MAX];
    for (size_t i = 0; i < n; i++)
        rest[i] = st->value[i] - m->light[i];
    for (int j = 0; j < np; j++) {
        for (size_t i = 0; i < n; i++)
            row[i] = m->slope[which[j]][i] * weight[i];
        g[j] = dot(row, rest, n);
        for (int k = 0; k <= j; k++)
            a[j][k] = a[k][j] = dot(row, m->slope[which[k]], n);
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

/* The step for damping `mu`; scaled by the diagonal first, since units differ by 1e6. */
static bool solve(int n, double a[PL_MF_N][PL_MF_N], const double *g, double mu, double *step)
{
    double l[PL_MF_N][PL_MF_N] = { { 0 } }, d[PL_MF_N] = { 0 }, b[PL_MF_N] = { 0 };
    for (int i = 0; i < n; i++) {
        d[i] = a[i][i] > 0 ? 1 / sqrt(a[i][i]) : 0;
        b[i] = g[i] * d[i];
    }
    for (int i = 0; i < n; i++)
        for (int j = 0; j < n; j++)
            l[i][j] = a[i][j] * d[i] * d[j] + (i == j ? mu : 0);
    if (!factor(n, l))
        return false;
    back_solve(n, l, b, step);
    for (int i = 0; i < n; i++)
        step[i] *= d[i];
    return true;
}

static bool invert(int n, double a[PL_MF_N][PL_MF_N], const int *which, pl_moffat *fit)
{
    memset(fit->cov, 0, sizeof fit->cov);
    for (int j = 0; j < n; j++) {
        double unit[PL_MF_N] = { 0 }, col[PL_MF_N];
        unit[j] = 1;
        if (!solve(n, a, unit, 0, col))
            return false;
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
    struct plan plan;
    pl_moffat_image image[2];
    int now; /* the image of fit->p; the other is the trial's */
    float weight[PL_STAMP_MAX * PL_STAMP_MAX];
    double a[PL_MF_N][PL_MF_N], g[PL_MF_N], chi2, mu;
};

static void begin(struct descent *d, const pl_stamp *st, unsigned free, pl_moffat *fit)
{
    d->st = st;
    d->np = d->now = 0;
    d->mu = 1e-3;
    for (int j = 0; j < PL_MF_N; j++)
        if (free & 1u << j)
            d->which[d->np++] = j;
    memset(d->weight, 0, (size_t)st->w * (size_t)st->h * sizeof *d->weight);
    fit->converged = false;
    confine(st, fit->p);
    d->plan = plan_points(st, fit->p);
    evaluate(st, fit->p, &d->plan, &d->image[0]);
}

static void set_equations(struct descent *d, const pl_moffat *fit, float blend)
{
    const pl_moffat_image *m = &d->image[d->now];
    weigh(d->st, m, fit->p[PL_MF_SKY], blend, d->weight);
    normal_equations(d->st, m, d->weight, d->np, d->which, d->a, d->g);
    d->chi2 = chi_square(d->st, m, d->weight);
}

/* The light after the last step, which is so small that the slopes tell it. */
PL_WIDE
static void slide(struct descent *d, const double from[PL_MF_N], const double to[PL_MF_N])
{
    pl_moffat_image *m = &d->image[d->now];
    size_t n = (size_t)d->st->w * (size_t)d->st->h;
    for (int j = 0; j < d->np; j++) {
        float by = (float)(to[d->which[j]] - from[d->which[j]]);
        const float *slope = m->slope[d->which[j]];
        for (size_t i = 0; i < n; i++)
            m->light[i] += by * slope[i];
    }
}

/* One step under the present damping: taken when chi square does not rise. The damping follows how
 * well the quadratic foretold the gain, which also stops steps that overshoot to and fro. */
static bool try_step(struct descent *d, int moving, pl_moffat *fit)
{
    double trial[PL_MF_N], step[PL_MF_N], largest = 0, foretold = 0;
    memcpy(trial, fit->p, sizeof trial);
    if (!solve(moving, d->a, d->g, d->mu, step)) {
        d->mu *= 10;
        return false;
    }
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
    evaluate(d->st, trial, &d->plan, &d->image[!d->now]);
    double gain = d->chi2 - chi_square(d->st, &d->image[!d->now], d->weight);
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
    for (int i = 0; i < d->st->w * d->st->h; i++)
        fit->pixels += d->weight[i] > 0;
    fit->chi2 = d->chi2 / fmax(1, fit->pixels - d->np);
    fit->unit_info = d->a[0][0];
    return invert(d->np, d->a, d->which, fit) && fit->converged;
}

static bool descend(const pl_stamp *stamp, unsigned free, pl_moffat *fit)
{
    struct descent d;
    begin(&d, stamp, free, fit);
    bool stuck = false;
    for (int round = 0; round < ROUNDS && !fit->converged && !stuck; round++) {
        set_equations(&d, fit, round < 3 ? 1 : 0.5f);
        bool beta_moves = d.which[d.np - 1] == PL_MF_INVBETA;
        int moving = d.np - (beta_moves && at_bound(fit->p, d.g[d.np - 1]));
        while (!try_step(&d, moving, fit) && !stuck)
            stuck = d.mu > MOST_DAMPING;
    }
    return conclude(&d, fit);
}

bool pl_moffat_fit(const pl_stamp *stamp, unsigned free, pl_moffat *fit)
{
    double x = fit->p[PL_MF_X], y = fit->p[PL_MF_Y];
    int planned = core_points(fit->p, 1);
    bool done = descend(stamp, free, fit);
    if (done && (core_points(fit->p, 1.15) > planned || /* sharper than it seemed, or elsewhere: */
                 hypot(fit->p[PL_MF_X] - x, fit->p[PL_MF_Y] - y) > 1.5)) /* finer, from here */
        done = descend(stamp, free, fit);
    return done;
}

void pl_moffat_model(const pl_stamp *stamp, const pl_moffat *fit, pl_moffat_image *out)
{
    struct plan plan = plan_points(stamp, fit->p);
    evaluate(stamp, fit->p, &plan, out);
    for (int i = 0; i < stamp->w * stamp->h; i++)
        out->light[i] -= (float)fit->p[PL_MF_SKY];
}
