/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pupil.c - the transfer function of an annular aperture with defocus.
 *
 * It is the autocorrelation of the pupil: two annuli shifted apart by s, and in their overlap the
 * difference of the two wavefronts. For W = w r^2 that difference is 2 w s x, the same along each
 * column x = const, so the integral over y is the column's length and one over x remains:
 *
 *     T(s) = 4 / A  integral over x > 0 of (high - low) cos(4 pi w s x),  A = pi (1 - e^2).
 *
 * Derived here; without defocus and obstruction it is Goodman's 2/pi (acos v - v sqrt(1 - v^2)),
 * v = s / 2. */
#include "optics.h"

#include <math.h>

/* Reach of the column at x: under the farther rim, past the nearer hole. */
static void reach(double obstruction, double s, double x, double *low, double *high)
{
    double rim = 1 - (x + s / 2) * (x + s / 2);
    double hole = obstruction * obstruction - (x - s / 2) * (x - s / 2);
    *high = rim > 0 ? sqrt(rim) : 0;
    *low = hole > 0 ? sqrt(hole) : 0;
}

/* Where the column's length has a kink: hole begins, ends, or meets the rim. Sorted, ends included.
 */
static int kinks(double obstruction, double s, double *at)
{
    double end = 1 - s / 2, e = obstruction;
    double inner[3] = { s / 2 - e, s / 2 + e, (1 - e * e) / (2 * s) };
    int n = 0;
    at[n++] = 0;
    for (int i = 0; i < 3 && e > 0; i++) {
        int j = n;
        if (!(inner[i] > 0 && inner[i] < end))
            continue;
        for (; j > 1 && at[j - 1] > inner[i]; j--)
            at[j] = at[j - 1];
        at[j] = inner[i];
        n++;
    }
    at[n++] = end;
    return n;
}

/* One smooth piece [from, to]. x = from + (to - from)(1 - cos t)/2 turns the square-root ends into
 * polynomials, on which Gauss converges fast. */
static size_t piece(const pl_gauss *rule, double obstruction, double s, double from, double to,
                    int panels, pl_column *out)
{
    size_t n = 0;
    double half = M_PI / (2 * panels);
    for (int k = 0; k < panels; k++)
        for (int i = 0; i < rule->n; i++) {
            double t = half * (2 * k + 1 + rule->x[i]);
            pl_column *c = &out[n];
            c->x = from + (to - from) * (1 - cos(t)) / 2;
            c->weight = rule->w[i] * half * (to - from) * sin(t) / 2;
            reach(obstruction, s, c->x, &c->low, &c->high);
            n += c->high > c->low;
        }
    return n;
}

size_t pl_pupil_columns(const pl_gauss *rule, double obstruction, double s, int panels,
                        pl_column *out)
{
    double at[5];
    size_t n = 0;
    if (!(s < 2))
        return 0;
    int most = PL_COLUMNS_MAX / (4 * rule->n);
    int count = kinks(obstruction, s, at);
    for (int i = 1; i < count; i++)
        if (at[i] > at[i - 1])
            n += piece(rule, obstruction, s, at[i - 1], at[i], panels < most ? panels : most,
                       out + n);
    return n;
}

double pl_pupil_transfer(const pl_gauss *rule, double obstruction, double waves, double s,
                         pl_column *work)
{
    double phase = 4 * M_PI * waves * s, sum = 0;
    int panels = 1 + (int)(fabs(phase) * (1 - s / 2) / 12);
    size_t n = pl_pupil_columns(rule, obstruction, s, panels, work);
    for (size_t i = 0; i < n; i++)
        sum += work[i].weight * (work[i].high - work[i].low) * cos(phase * work[i].x);
    return 4 * sum / (M_PI * (1 - obstruction * obstruction));
}
