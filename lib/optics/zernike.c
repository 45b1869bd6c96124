/* SPDX-License-Identifier: GPL-3.0-or-later */
/* zernike.c - Zernike polynomials in the order and norm of Noll 1976 (JOSA 66, 207): RMS 1 over the
 * full disc, even j cosine, odd j sine; their annular cousins (Mahajan 1981, JOSA 71, 75, from
 * memory) up to j = 11; and whole wavefronts as polynomials in x and y.
 *
 * No angles are needed: r^m cos(m a) and r^m sin(m a) are the parts of (x + i y)^m, and what is
 * left of R_n^m is a polynomial in r^2. */
#include "optics.h"

#include <math.h>

/* R_n^m(r) = r^m sum of RADIAL[n][m / 2][k] r^(2k): Noll's table I. */
static const double RADIAL[7][3][4] = {
    { { 1 } },
    { { 1 } },
    { { -1, 2 }, { 1 } },
    { { -2, 3 }, { 1 } },
    { { 1, -6, 6 }, { -3, 4 }, { 1 } },
    { { 3, -12, 10 }, { -4, 5 }, { 1 } },
    { { -1, 12, -30, 20 } },
};

static const double BINOMIAL[6][6] = { { 1 },          { 1, 1 },          { 1, 2, 1 },
                                       { 1, 3, 3, 1 }, { 1, 4, 6, 4, 1 }, { 1, 5, 10, 10, 5, 1 } };

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

static double norm(int n, int m)
{
    return sqrt((m ? 2.0 : 1.0) * (n + 1));
}

/* Real (or, for the sines, imaginary) part of (x + i y)^m. */
static double turning(bool sine, int m, double x, double y)
{
    double re = 1, im = 0;
    for (int i = 0; i < m; i++) {
        double t = re * x - im * y;
        im = re * y + im * x;
        re = t;
    }
    return sine ? im : re;
}

static bool is_sine(int j, int m)
{
    return m > 0 && j % 2;
}

double pl_zernike(int j, double x, double y)
{
    int n, m;
    if (!pl_noll_index(j, &n, &m))
        return NAN;
    const double *q = RADIAL[n][m / 2];
    double s = x * x + y * y;
    return norm(n, m) * (((q[3] * s + q[2]) * s + q[1]) * s + q[0]) *
           turning(is_sine(j, m), m, x, y);
}

double pl_zernike_annular(int j, double obstruction, double x, double y)
{
    double e = obstruction * obstruction, s = x * x + y * y, w = 1 + e;
    int n, m;
    if (!pl_noll_index(j, &n, &m))
        return NAN;
    double turn = turning(is_sine(j, m), m, x, y);
    switch (j) {
    case 1:
        return 1;
    case 2:
    case 3:
        return 2 * turn / sqrt(w);
    case 4:
        return sqrt(3) * (2 * s - w) / (1 - e);
    case 5:
    case 6:
        return sqrt(6 / (w + e * e)) * turn;
    case 7:
    case 8:
        return sqrt(8 / (w * (w + 3 * e + e * e))) * (3 * w * s - 2 * (w + e * e)) / (1 - e) * turn;
    case 9:
    case 10:
        return sqrt(8 / (w + e * e + e * e * e)) * turn;
    case 11:
        return sqrt(5) * (6 * s * s - 6 * w * s + 1 + 4 * e + e * e) / ((1 - e) * (1 - e));
    default:
        return NAN;
    }
}

/* ---- polynomials */

/* Add a (x^2 + y^2)^k times the real or imaginary part of (x + i y)^m, both by the binomial
 * theorem. */
static void add_product(pl_wave *w, double a, int k, int m, bool sine)
{
    for (int i = 0; i <= k; i++)
        for (int b = sine; b <= m; b += 2) {
            double sign = b / 2 % 2 ? -1 : 1; /* i^b */
            w->c[2 * i + b][2 * (k - i) + m - b] += sign * a * BINOMIAL[k][i] * BINOMIAL[m][b];
        }
}

void pl_wave_add(pl_wave *w, int j, double amount)
{
    int n, m;
    if (amount == 0 || !pl_noll_index(j, &n, &m))
        return;
    for (int k = 0; k <= (n - m) / 2; k++)
        add_product(w, amount * norm(n, m) * RADIAL[n][m / 2][k], k, m, is_sine(j, m));
}

void pl_wave_row(const pl_wave *w, double y, double row[PL_WAVE_DEGREE + 1])
{
    for (int p = 0; p <= PL_WAVE_DEGREE; p++) {
        row[p] = 0;
        for (int q = PL_WAVE_DEGREE - p; q >= 0; q--)
            row[p] = row[p] * y + w->c[q][p];
    }
}

/* The steeper of the slopes along x and y at one point; NaN when either is. */
static double slope(const pl_wave *w, double x, double y)
{
    double row[PL_WAVE_DEGREE + 1], dx = 0, dy = 0;
    pl_wave_row(w, y, row);
    for (int p = PL_WAVE_DEGREE; p > 0; p--)
        dx = dx * x + p * row[p];
    for (int p = PL_WAVE_DEGREE; p >= 0; p--) {
        double d = 0;
        for (int q = PL_WAVE_DEGREE - p; q > 0; q--)
            d = d * y + q * w->c[q][p];
        dy = dy * x + d;
    }
    return isnan(dx + dy) ? NAN : fmax(fabs(dx), fabs(dy));
}

double pl_wave_reach(const pl_wave *w)
{
    enum { RINGS = 4, SPOKES = 32 };
    double most = 0;
    for (int k = 0; k < SPOKES; k++) {
        double a = 2 * M_PI * k / SPOKES, c = cos(a), s = sin(a);
        for (int i = 1; i <= RINGS; i++) {
            double here = slope(w, c * i / RINGS, s * i / RINGS);
            most = here > most || isnan(here) ? here : most;
        }
    }
    return most;
}
