/* SPDX-License-Identifier: GPL-3.0-or-later */
/* starsize.c - how wide a defocused star is, by wave optics. All is round, so the image is a Hankel
 * transform of the transfer function T, and so is the light inside a radius:
 *
 *     I(v) = integral T(s) J0(v s) s ds,    E(v) = v integral T(s) J1(v s) ds. */
#include "optics.h"

#include <math.h>
#include <stdlib.h>
#include <gsl/gsl_sf_bessel.h>

enum { NODES = 16, STEPS = 56 };
#define WAVES_MAX 100.0

/* The transfer function sampled at Gauss nodes, the weights multiplied in. */
struct spectrum {
    size_t n;
    double *s, *t;
    double width; /* rough full width of the image, v */
};

static void sample(const pl_optic *o, double waves, size_t panels, struct spectrum *f,
                   pl_column *work)
{
    pl_gauss rule = pl_gauss_rule(NODES);
    double half = pl_air_reach(o) / (2.0 * (double)panels);
    for (size_t k = 0; k < panels; k++)
        for (int i = 0; i < NODES; i++) {
            double s = half * (2.0 * (double)k + 1 + rule.x[i]);
            f->s[f->n] = s;
            f->t[f->n++] = rule.w[i] * half * pl_air_transfer(o, s) *
                           pl_pupil_transfer(&rule, o->obstruction, waves, s, work);
        }
}

static pl_status transform(const pl_optic *o, double waves, struct spectrum *f, pl_err *err)
{
    f->width = pl_air_width(o, waves);
    size_t panels = 4 + (size_t)(f->width * pl_air_reach(o) / 8); /* a panel spans a cycle or so */
    f->s = malloc(panels * NODES * sizeof *f->s);
    f->t = malloc(panels * NODES * sizeof *f->t);
    pl_column *work = malloc(PL_COLUMNS_MAX * sizeof *work);
    if (!f->s || !f->t || !work) {
        free(work);
        return pl_fail(err, PL_ENOMEM, "out of memory");
    }
    sample(o, waves, panels, f, work);
    free(work);
    return PL_OK;
}

static double intensity(const struct spectrum *f, double v)
{
    double sum = 0;
    for (size_t i = 0; i < f->n; i++)
        sum += f->t[i] * f->s[i] * gsl_sf_bessel_J0(v * f->s[i]);
    return sum;
}

static double encircled(const struct spectrum *f, double v)
{
    double sum = 0;
    for (size_t i = 0; i < f->n; i++)
        sum += f->t[i] * gsl_sf_bessel_J1(v * f->s[i]);
    return v * sum;
}

/* Radius between lo and hi at which f falls through the level (bisection: f need not be smooth). */
static double crossing(const struct spectrum *f, double (*value)(const struct spectrum *, double),
                       double level, double lo, double hi)
{
    bool falls = value(f, lo) > value(f, hi);
    for (int i = 0; i < 26; i++) {
        double mid = (lo + hi) / 2;
        if ((value(f, mid) > level) == falls)
            lo = mid;
        else
            hi = mid;
    }
    return (lo + hi) / 2;
}

/* Peak of sampled values; off the axis it is the vertex of the parabola through three of them. */
static double peak_of(const double *v, int n)
{
    int k = 0;
    for (int i = 1; i < n; i++)
        if (v[i] > v[k])
            k = i;
    if (k == 0 || k == n - 1)
        return v[k];
    double slope = (v[k + 1] - v[k - 1]) / 2, bend = 2 * v[k] - v[k + 1] - v[k - 1];
    return v[k] + slope * slope / (2 * bend);
}

static double half_width(const struct spectrum *f)
{
    double value[STEPS], step = f->width / STEPS;
    for (int i = 0; i < STEPS; i++)
        value[i] = intensity(f, i * step);
    double half = peak_of(value, STEPS) / 2;
    int k = STEPS - 1;
    while (k > 0 && value[k] < half)
        k--;
    return crossing(f, intensity, half, k * step, (k + 1) * step);
}

static double half_light(const struct spectrum *f)
{
    double hi = f->width / 2;
    for (int i = 0; i < 16 && encircled(f, hi) < 0.5; i++)
        hi *= 1.4;
    return crossing(f, encircled, 0.5, 0, hi);
}

pl_status pl_star_size(const pl_optic *o, double defocus_um, double *fwhm_um, double *hfd_um,
                       pl_err *err)
{
    struct spectrum f = { 0 };
    pl_status rc = pl_optic_check(o, err);
    if (rc != PL_OK)
        return rc;
    double waves = defocus_um / (8 * o->f_ratio * o->f_ratio * o->lambda_um);
    if (!(fabs(waves) <= WAVES_MAX))
        return pl_fail(err, PL_EARG,
                       "defocus of %g um is more than %g waves, the most that is computed",
                       defocus_um, WAVES_MAX);
    rc = transform(o, waves, &f, err);
    if (rc == PL_OK) {
        double um = 2 * o->lambda_um * o->f_ratio / M_PI; /* diameter from v */
        if (fwhm_um)
            *fwhm_um = um * half_width(&f);
        if (hfd_um)
            *hfd_um = um * half_light(&f);
    }
    free(f.s);
    free(f.t);
    return rc;
}

/* Growth of the FWHM at a defocus, less the growth wanted; NaN when it cannot be had. */
static double excess(const pl_optic *o, double fwhm0, double growth, double defocus_um, pl_err *err)
{
    double fwhm = NAN;
    if (pl_star_size(o, defocus_um, &fwhm, NULL, err) != PL_OK)
        return NAN;
    return fwhm / fwhm0 - 1 - growth;
}

pl_status pl_star_depth(const pl_optic *o, double growth, double *half_um, pl_err *err)
{
    double fwhm0 = NAN, lo = 0, hi = NAN;
    pl_err why = { PL_OK, "" };
    pl_status rc = pl_star_size(o, 0, &fwhm0, NULL, err);
    if (rc != PL_OK)
        return rc;
    rc = pl_focus_depth_seeing(fwhm0, o->f_ratio, o->obstruction, growth, &hi, err);
    if (rc != PL_OK)
        return rc;
    double e = excess(o, fwhm0, growth, hi, &why), below = -growth, above;
    while (e < 0) {
        below = e;
        lo = hi;
        hi *= 1.2;
        e = excess(o, fwhm0, growth, hi, &why);
    }
    above = e;
    /* False position in the square of the defocus, with which a width begins to grow; an end that
     * stays counts half (Illinois). */
    for (int i = 0; i < 30 && fabs(e) > 1e-9; i++) {
        double mid = sqrt((lo * lo * above - hi * hi * below) / (above - below));
        double before = e;
        e = excess(o, fwhm0, growth, mid, &why);
        if (e < 0) {
            lo = mid;
            below = e;
            above *= before < 0 ? 0.5 : 1;
        } else {
            hi = mid;
            above = e;
            below *= before < 0 ? 1 : 0.5;
        }
    }
    if (isnan(e))
        return pl_fail(err, why.code, "%s", why.msg);
    *half_um = e < 0 ? lo : hi;
    return PL_OK;
}
