/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Random numbers of mkframe: one generator per row or per source, so that no draw depends on
 * how many were made elsewhere. */
#include "mkframe.h"

enum { LAYERS = 128, FACTORIALS = 256 };
static double edge[LAYERS + 1], inner[LAYERS], log_factorial[FACTORIALS];

/* Layer edges of the ziggurat: 128 strips of equal area V under exp(-x^2/2), the last one
 * with the tail beyond R. Marsaglia & Tsang 2000, J. Stat. Software 5(8), constants from
 * memory; the mean, variance and tail are checked by check_mkframe.py. */
static const double zig_r = 3.442619855899, zig_v = 9.91256303526217e-3;

void rand_init(void)
{
    double f = exp(-0.5 * zig_r * zig_r);

    edge[0] = zig_v / f;
    edge[1] = zig_r;
    edge[LAYERS] = 0.0;
    for (int i = 2; i < LAYERS; i++) {
        edge[i] = sqrt(-2.0 * log(zig_v / edge[i - 1] + f));
        f = exp(-0.5 * edge[i] * edge[i]);
    }
    for (int i = 0; i < LAYERS; i++)
        inner[i] = edge[i + 1] / edge[i];
    for (int k = 1; k < FACTORIALS; k++)
        log_factorial[k] = log_factorial[k - 1] + log((double)k);
}

/* splitmix64 (Steele, Lea & Flood 2014): turns any number into a well mixed one. */
static uint64_t mix(uint64_t *state)
{
    uint64_t z = (*state += UINT64_C(0x9e3779b97f4a7c15));

    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return z ^ (z >> 31);
}

void rng_seed(struct rng *r, uint64_t seed, enum stream stream, uint64_t index)
{
    uint64_t state = seed;

    state = mix(&state) ^ (uint64_t)stream;
    state = mix(&state) ^ index;
    for (int i = 0; i < 4; i++)
        r->s[i] = mix(&state);
}

static uint64_t rotl(uint64_t x, int k)
{
    return (x << k) | (x >> (64 - k));
}

/* xoshiro256++ (Blackman & Vigna 2019). */
static uint64_t next(struct rng *r)
{
    uint64_t *s = r->s, out = rotl(s[0] + s[3], 23) + s[0], t = s[1] << 17;

    s[2] ^= s[0];
    s[3] ^= s[1];
    s[1] ^= s[2];
    s[0] ^= s[3];
    s[2] ^= t;
    s[3] = rotl(s[3], 45);
    return out;
}

static double unit(uint64_t bits)
{
    return ((double)(bits >> 11) + 0.5) * 0x1p-53;
}

double rng_uniform(struct rng *r)
{
    return unit(next(r));
}

/* One draw is always used up, so that a fixed value does not shift what follows. */
double rng_between(struct rng *r, struct range span)
{
    double u = rng_uniform(r);

    return span.lo == span.hi ? span.lo : span.lo + u * (span.hi - span.lo);
}

double rng_log_between(struct rng *r, struct range span)
{
    double u = rng_uniform(r);

    return span.lo == span.hi ? span.lo : span.lo * pow(span.hi / span.lo, u);
}

/* Beyond R: exponential trial, Marsaglia 1964. */
static double normal_tail(struct rng *r, bool negative)
{
    double x, y;

    do {
        x = log(rng_uniform(r)) / zig_r;
        y = log(rng_uniform(r));
    } while (-2.0 * y < x * x);
    return negative ? x - zig_r : zig_r - x;
}

double rng_normal(struct rng *r)
{
    for (;;) {
        uint64_t bits = next(r);
        int i = (int)(bits & (LAYERS - 1)); /* bits not used by unit() */
        double u = 2.0 * unit(bits) - 1.0, x = u * edge[i];

        if (fabs(u) < inner[i])
            return x;
        if (i == 0)
            return normal_tail(r, u < 0.0);
        double outer = exp(-0.5 * (edge[i] * edge[i] - x * x));
        double top = exp(-0.5 * (edge[i + 1] * edge[i + 1] - x * x));
        if (outer + rng_uniform(r) * (top - outer) < 1.0)
            return x;
    }
}

/* Inversion: walk up the cumulative sum. For small means. */
static double poisson_walk(struct rng *r, double mean)
{
    double p = exp(-mean), u = rng_uniform(r), k = 0.0;

    while (u > p && k < 10.0 * mean + 100.0) {
        u -= p;
        k += 1.0;
        p *= mean / k;
    }
    return k;
}

/* Transformed rejection with squeeze, for means of 10 and more: Hormann 1993, Insurance:
 * Math. and Economics 12, 39, algorithm PTRS (constants from memory; mean, variance and
 * skewness are checked by check_mkframe.py). */
static double poisson_reject(struct rng *r, double mean)
{
    double b = 0.931 + 2.53 * sqrt(mean), a = -0.059 + 0.02483 * b;
    double inv_alpha = 1.1239 + 1.1328 / (b - 3.4), v_r = 0.9277 - 3.6224 / (b - 2.0);

    for (;;) {
        double u = rng_uniform(r) - 0.5, v = rng_uniform(r), us = 0.5 - fabs(u);
        double k = floor((2.0 * a / us + b) * u + mean + 0.43);

        if (us >= 0.07 && v <= v_r)
            return k;
        if (k < 0.0 || (us < 0.013 && v > us))
            continue;
        double lf = k < FACTORIALS ? log_factorial[(int)k] : lgamma(k + 1.0);
        if (log(v * inv_alpha / (a / (us * us) + b)) <= k * log(mean) - mean - lf)
            return k;
    }
}

double rng_poisson(struct rng *r, double mean)
{
    if (!(mean > 0.0))
        return 0.0;
    return mean < 10.0 ? poisson_walk(r, mean) : poisson_reject(r, mean);
}
