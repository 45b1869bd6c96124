/* SPDX-License-Identifier: GPL-3.0-or-later */
/* robust.c - location and scatter that a few wild values cannot move. */
#include "base.h"

#include <math.h>

/* SELECT - quickselect (Hoare 1961): after it v[k] holds the value of rank k, smaller ones before
 * it. The pivot is the middle element, so sorted input is no worst case. */
#define SELECT(T, v, n, k)                                                                         \
    do {                                                                                           \
        size_t lo_ = 0, hi_ = (n)-1;                                                               \
        while (lo_ < hi_) {                                                                        \
            T pivot_ = (v)[lo_ + (hi_ - lo_) / 2];                                                 \
            size_t i_ = lo_, j_ = hi_;                                                             \
            for (;;) {                                                                             \
                while ((v)[i_] < pivot_)                                                           \
                    i_++;                                                                          \
                while ((v)[j_] > pivot_)                                                           \
                    j_--;                                                                          \
                if (i_ >= j_)                                                                      \
                    break;                                                                         \
                T t_ = (v)[i_];                                                                    \
                (v)[i_++] = (v)[j_];                                                               \
                (v)[j_--] = t_;                                                                    \
            }                                                                                      \
            if ((k) <= j_)                                                                         \
                hi_ = j_;                                                                          \
            else                                                                                   \
                lo_ = j_ + 1;                                                                      \
        }                                                                                          \
    } while (0)

#define MEDIAN_BODY(T)                                                                             \
    if (n == 0)                                                                                    \
        return NAN;                                                                                \
    size_t k = n / 2;                                                                              \
    SELECT(T, v, n, k);                                                                            \
    T upper = v[k];                                                                                \
    if (n % 2)                                                                                     \
        return upper;                                                                              \
    T lower = v[0];                                                                                \
    for (size_t i = 1; i < k; i++)                                                                 \
        lower = v[i] > lower ? v[i] : lower;                                                       \
    return lower + (upper - lower) / 2

double pl_median(double *v, size_t n)
{
    MEDIAN_BODY(double);
}

enum { FEW = 64, LANES = 32 };

PL_INTO float greatest(float *lane)
{
    for (int half = LANES / 2; half > 0; half /= 2)
        for (int i = 0; i < half; i++)
            lane[i] = lane[i + half] > lane[i] ? lane[i + half] : lane[i];
    return lane[0];
}

/* Of up to FEW values those of rank k - 1 and k, without a branch that could go either way: for
 * each value the lesser ones are counted; that of rank k is the greatest with no more than k of
 * them. */
PL_WIDE
static void ranked(const float *v, int n, int k, float *lower, float *upper)
{
    float low[LANES], up[LANES];
    for (int i = 0; i < LANES; i++)
        low[i] = up[i] = -INFINITY;
    for (int from = 0; from < n; from += LANES) {
        float mine[LANES];
        int less[LANES] = { 0 };
        for (int i = 0; i < LANES; i++)
            mine[i] = from + i < n ? v[from + i] : INFINITY;
        for (int j = 0; j < n; j++)
            for (int i = 0; i < LANES; i++)
                less[i] += v[j] < mine[i];
        for (int i = 0; i < LANES; i++) {
            low[i] = less[i] < k && mine[i] > low[i] ? mine[i] : low[i];
            up[i] = less[i] <= k && mine[i] > up[i] ? mine[i] : up[i];
        }
    }
    *lower = greatest(low);
    *upper = greatest(up);
}

static float median_of_few(const float *v, size_t n)
{
    float lower, upper;
    if (n == 0)
        return NAN;
    ranked(v, (int)n, (int)(n / 2), &lower, &upper);
    return n % 2 ? upper : lower + (upper - lower) / 2;
}

float pl_medianf(float *v, size_t n)
{
    if (n <= FEW)
        return median_of_few(v, n);
    MEDIAN_BODY(float);
}

double pl_quantile(double *v, size_t n, double q)
{
    if (n == 0 || !(q >= 0 && q <= 1))
        return NAN;
    double rank = q * (double)(n - 1);
    size_t k = (size_t)rank;
    SELECT(double, v, n, k);
    double lower = v[k];
    if (k + 1 >= n)
        return lower;
    double upper = v[k + 1];
    for (size_t i = k + 2; i < n; i++)
        upper = v[i] < upper ? v[i] : upper;
    return lower + (rank - (double)k) * (upper - lower);
}

double pl_mad_sigma(double *v, size_t n, double centre)
{
    for (size_t i = 0; i < n; i++)
        v[i] = fabs(v[i] - centre);
    return 1.482602218505602 * pl_median(v, n); /* 1 / inverse normal of 3/4 */
}

void pl_robust_mean(double *v, size_t n, double *centre, double *sigma, double *error)
{
    double c = pl_median(v, n);
    double s = pl_mad_sigma(v, n, c);
    if (centre)
        *centre = c;
    if (sigma)
        *sigma = s;
    if (error) /* a median's standard error is sqrt(pi/2) times a mean's (Gaussian limit) */
        *error = n ? 1.2533141373155 * s / sqrt((double)n) : NAN;
}
