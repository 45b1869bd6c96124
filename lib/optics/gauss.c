/* SPDX-License-Identifier: GPL-3.0-or-later */
/* gauss.c - Gauss-Legendre quadrature. */
#include "optics.h"

#include <math.h>

/* Legendre polynomial of degree n and its derivative at x, by the three-term recurrence. */
static double legendre(int n, double x, double *slope)
{
    double p = x, before = 1;
    for (int k = 2; k <= n; k++) {
        double next = ((2 * k - 1) * x * p - (k - 1) * before) / k;
        before = p;
        p = next;
    }
    *slope = n * (x * p - before) / (x * x - 1);
    return p;
}

pl_gauss pl_gauss_rule(int n)
{
    pl_gauss rule = { .n = n };
    for (int i = 0; i < n; i++) {
        double slope, x = cos(M_PI * (i + 0.75) / (n + 0.5)); /* within Newton's reach */
        for (int k = 0; k < 8; k++) {
            double p = legendre(n, x, &slope);
            x -= p / slope;
        }
        legendre(n, x, &slope);
        rule.x[i] = x;
        rule.w[i] = 2 / ((1 - x * x) * slope * slope);
    }
    return rule;
}
