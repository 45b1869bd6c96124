/* SPDX-License-Identifier: GPL-3.0-or-later */
/* zernike.c - Zernike polynomials in the order and norm of Noll 1976 (JOSA 66, 207): RMS 1 over the
 * full disc, even j cosine, odd j sine; and their annular cousins (Mahajan 1981, JOSA 71, 75, from
 * memory) up to j = 11. */
#include "optics.h"

#include <math.h>

bool pl_noll_index(int j, int *n, int *m)
{
    if (j < 1 || j > PL_NOLL_MAX)
        return false;
    int order = 0, first = 1; /* first j of this radial order */
    while (first + order + 1 <= j)
        first += ++order;
    int k = j - first; /* within an order |m| grows in steps of two, each twice but for m = 0 */
    *n = order;
    *m = order % 2 ? 2 * (k / 2) + 1 : 2 * ((k + 1) / 2);
    return true;
}

/* R_n^m by its finite sum; exact in double for the orders here. */
static double radial(int n, int m, double r)
{
    double sum = 0;
    for (int k = 0; k <= (n - m) / 2; k++) {
        double c = tgamma(n - k + 1) /
                   (tgamma(k + 1) * tgamma((n + m) / 2 - k + 1) * tgamma((n - m) / 2 - k + 1));
        sum += (k % 2 ? -c : c) * pow(r, n - 2 * k);
    }
    return sum;
}

double pl_zernike(int j, double x, double y)
{
    int n, m;
    if (!pl_noll_index(j, &n, &m))
        return NAN;
    double norm = sqrt((m ? 2.0 : 1.0) * (n + 1)), r = hypot(x, y), a = atan2(y, x);
    double turn = m == 0 ? 1 : j % 2 ? sin(m * a) : cos(m * a);
    return norm * radial(n, m, r) * turn;
}

double pl_zernike_annular(int j, double obstruction, double x, double y)
{
    double e = obstruction * obstruction, r2 = x * x + y * y, r = sqrt(r2);
    double a = atan2(y, x), s = 1 + e;
    switch (j) {
    case 1:
        return 1;
    case 2:
        return 2 * x / sqrt(s);
    case 3:
        return 2 * y / sqrt(s);
    case 4:
        return sqrt(3) * (2 * r2 - s) / (1 - e);
    case 5:
    case 6:
        return sqrt(6 / (s + e * e)) * r2 * (j == 5 ? sin(2 * a) : cos(2 * a));
    case 7:
    case 8:
        return sqrt(8 / (s * (s + 3 * e + e * e))) * (3 * s * r2 * r - 2 * (s + e * e) * r) /
               (1 - e) * (j == 7 ? sin(a) : cos(a));
    case 9:
    case 10:
        return sqrt(8 / (s + e * e + e * e * e)) * r2 * r * (j == 9 ? sin(3 * a) : cos(3 * a));
    case 11:
        return sqrt(5) * (6 * r2 * r2 - 6 * s * r2 + 1 + 4 * e + e * e) / ((1 - e) * (1 - e));
    default:
        return NAN;
    }
}
