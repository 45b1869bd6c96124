/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sizes.c - what fitreader.c found, asked for at any defocus, air and brightness. */
#include "sizing.h"

#include <math.h>
#include <stdlib.h>

/* Catmull-Rom through four values, at t in [0, 1] between the middle ones, and its slope. */
static double through(const double v[4], double t, double *slope)
{
    double a = v[2] - v[0], b = 2 * v[0] - 5 * v[1] + 4 * v[2] - v[3],
           c = 3 * (v[1] - v[2]) + v[3] - v[0];
    *slope = 0.5 * (a + t * (2 * b + 3 * t * c));
    return v[1] + 0.5 * t * (a + t * (b + t * c));
}

/* Along the air, in one row; straight on beyond the ends. */
static double along_air(const double *row, double at, double *slope)
{
    int last = PL_SIZING_AIR - 1;
    if (!(at > 0 && at < last)) { /* NaN too */
        int i = at >= last ? last - 1 : 0;
        *slope = row[i + 1] - row[i];
        return row[i] + (at - i) * *slope;
    }
    int i = (int)at;
    double v[4] = { i > 0 ? row[i - 1] : 2 * row[0] - row[1], row[i], row[i + 1],
                    i + 2 <= last ? row[i + 2] : 2 * row[last] - row[last - 1] };
    return through(v, at - i, slope);
}

double pl_sizes_at(const pl_sizes *s, double defocus_um, double ln_air, double *by_um,
                   double *by_air)
{
    double at = fabs(defocus_um) / s->z_step, air = (ln_air - s->air_from) / s->air_step;
    double v[4] = { 0 }, bend[4] = { 0 }, value, out, widen;
    int last = PL_SIZING_Z - 1, i = at < last ? (int)at : last;
    for (int k = 0; k < 4; k++) {
        int j = abs(i - 1 + k); /* even in the defocus */
        v[k] = j <= last ? along_air(s->ln_fwhm[j], air, &bend[k]) : 2 * v[k - 1] - v[k - 2];
        bend[k] = j <= last ? bend[k] : bend[k - 1];
    }
    if (at < last) {
        double ignored;
        value = through(v, at - i, &out);
        widen = through(bend, at - i, &ignored);
    } else { /* far out the width grows as the defocus */
        value = v[1] + log(at / last);
        out = 1 / at;
        widen = bend[1];
    }
    if (by_um)
        *by_um = (defocus_um < 0 ? -out : out) / s->z_step;
    if (by_air)
        *by_air = widen / s->air_step;
    return value;
}

/* Linear in both directions; along the defocus the cell is `iz`. */
static double bright_at(const double row[PL_SIZING_BRIGHT], double bright)
{
    double at = fmin(PL_SIZING_BRIGHT - 1.001, log1p(fmax(0, bright)) / PL_SIZING_BRIGHT_STEP);
    int k = (int)at;
    return row[k] + (at - k) * (row[k + 1] - row[k]);
}

double pl_brights_even(const pl_brights *b, double ln_fwhm, double bright, double typical)
{
    int lo = 0, hi = PL_SIZING_Z - 1; /* the cell in which a star so bright is that wide */
    while (hi - lo > 1) {
        int mid = (lo + hi) / 2;
        *(bright_at(b->ln_fwhm[mid], bright) < ln_fwhm ? &lo : &hi) = mid;
    }
    double from = bright_at(b->ln_fwhm[lo], bright), to = bright_at(b->ln_fwhm[hi], bright);
    double part = fmax(0, fmin(1, (ln_fwhm - from) / (to - from)));
    double more = bright_at(b->ln_fwhm[lo], typical) - from,
           more_hi = bright_at(b->ln_fwhm[hi], typical) - to;
    return ln_fwhm + more + part * (more_hi - more);
}

double pl_stretch_at(const pl_stretches *s, const pl_sizes *sizes, double defocus_um, double ln_air)
{
    double at = fmin(fabs(defocus_um) / s->z_step, PL_SIZING_Z - 1.001), by_um;
    int i = (int)at;
    pl_sizes_at(sizes, defocus_um, ln_air, &by_um, NULL);
    return by_um * (s->part[i] + (at - i) * (s->part[i + 1] - s->part[i]));
}
