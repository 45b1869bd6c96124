/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sizing.c - how a star's fitted width answers to defocus and air.
 *
 * No closed form serves: a hyperbola is up to 9 % off in slope near focus, moments under a weight
 * depend on the air, and a fitted profile reads a flat-topped disc in its own way. So the images
 * are computed (pl_star_size's transfer functions, Hankel transform by Gauss quadrature) and then
 * read with the very profile that stars are measured with, under the weights of its noise.
 *
 * A pixel of side p averages what falls on it: f + p^2/24 laplacian f, to fourth order, of the
 * image and of the profile alike. */
#include "optics.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <gsl/gsl_sf_bessel.h>

enum { NODES = 16, RADII = 96, ROUNDS = 15 };

#define WAVES_MAX 60.0

struct pl_sizing {
    double pixel_um;
    double z_step, air_from, air_step; /* um, ln um */
    double radius[RADII];              /* um */
    double light[PL_SIZING_Z][PL_SIZING_AIR][RADII];
};

/* Quadrature over the shift s, shared by all images. */
struct plan {
    pl_optic optic;
    double v_um; /* v for each um of radius */
    size_t n;
    double *s, *weight; /* [n] */
    double *bessel;     /* [n][RADII] */
    double *air;        /* [PL_SIZING_AIR][n] */
    double *transfer;   /* [PL_SIZING_Z][n] */
    pl_sizing *sizing;
};

static double air_at(const pl_sizing *sizing, int i)
{
    return exp(sizing->air_from + i * sizing->air_step);
}

static pl_optic in_air(const struct plan *p, double air_um)
{
    pl_optic o = p->optic;
    o.seeing_arcsec = air_um / (o.aperture_mm * o.f_ratio * 1000) / PL_ARCSEC_RAD;
    return o;
}

static void one_defocus(void *ctx, size_t iz, int worker)
{
    (void)worker;
    const struct plan *p = ctx;
    pl_gauss rule = pl_gauss_rule(NODES);
    pl_column *work = malloc(PL_COLUMNS_MAX * sizeof *work);
    double *transfer = p->transfer + iz * p->n, f = p->optic.f_ratio;
    double waves = (double)iz * p->sizing->z_step / (8 * f * f * p->optic.lambda_um);
    for (size_t j = 0; j < p->n; j++)
        transfer[j] = work ? p->weight[j] * pl_pupil_transfer(&rule, p->optic.obstruction, waves,
                                                              p->s[j], work)
                           : NAN;
    free(work);
    for (int ia = 0; ia < PL_SIZING_AIR; ia++) {
        double *light = p->sizing->light[iz][ia];
        memset(light, 0, sizeof p->sizing->light[iz][ia]);
        for (size_t j = 0; j < p->n; j++) {
            double t = transfer[j] * p->air[(size_t)ia * p->n + j];
            const double *row = p->bessel + j * RADII;
            for (int k = 0; k < RADII; k++)
                light[k] += t * row[k];
        }
    }
}

static void fill_plan(struct plan *p, size_t panels, double reach)
{
    pl_gauss rule = pl_gauss_rule(NODES);
    double half = reach / (2 * (double)panels);
    for (size_t j = 0; j < p->n; j++) {
        p->s[j] = half * (2 * (double)(j / NODES) + 1 + rule.x[j % NODES]);
        double wave = p->v_um * p->s[j] * p->sizing->pixel_um; /* radians across a pixel */
        p->weight[j] = rule.w[j % NODES] * half * p->s[j] * fmax(0, 1 - wave * wave / 24);
        for (int k = 0; k < RADII; k++)
            p->bessel[j * RADII + (size_t)k] =
                gsl_sf_bessel_J0(p->v_um * p->sizing->radius[k] * p->s[j]);
        for (int ia = 0; ia < PL_SIZING_AIR; ia++) {
            pl_optic o = in_air(p, air_at(p->sizing, ia));
            p->air[(size_t)ia * p->n + j] = pl_air_transfer(&o, p->s[j]);
        }
    }
}

static pl_status compute(pl_sizing *sizing, const pl_optic *optic, int jobs, pl_err *err)
{
    struct plan p = { .optic = *optic, .sizing = sizing };
    p.v_um = M_PI / (optic->lambda_um * optic->f_ratio);
    pl_optic finest = in_air(&p, air_at(sizing, 0));
    double reach = pl_air_reach(&finest);
    double cycles = p.v_um * sizing->radius[RADII - 1] * reach / (2 * M_PI);
    size_t panels = 4 + (size_t)cycles;
    p.n = panels * NODES;
    double *room = malloc(p.n * sizeof *room * (2 + RADII + PL_SIZING_AIR + PL_SIZING_Z));
    if (!room)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    p.s = room;
    p.weight = p.s + p.n;
    p.bessel = p.weight + p.n;
    p.air = p.bessel + p.n * RADII;
    p.transfer = p.air + p.n * PL_SIZING_AIR;
    fill_plan(&p, panels, reach);
    pl_pool_run(jobs, PL_SIZING_Z, one_defocus, &p);
    free(room);
    for (int iz = 0; iz < PL_SIZING_Z; iz++)
        if (!isfinite(sizing->light[iz][0][0]))
            return pl_fail(err, PL_ENOMEM, "out of memory");
    return PL_OK;
}

pl_status pl_sizing_new(const pl_optic *optic, double pixel_um, const pl_sizing_range *range,
                        int jobs, pl_sizing **out, pl_err *err)
{
    pl_optic o = *optic;
    o.seeing_arcsec = 0;
    pl_status rc = pl_optic_check(&o, err);
    if (rc != PL_OK)
        return rc;
    double waves = range->defocus_um / (8 * o.f_ratio * o.f_ratio * o.lambda_um);
    if (!(range->air_lo_um > 0 && range->air_hi_um > range->air_lo_um && range->radius_um > 0 &&
          waves > 0 && waves <= WAVES_MAX))
        return pl_fail(
            err, PL_EARG,
            "stars blurred by a defocus of some %.0f um are more than can be computed: leave out "
            "the frames farthest from focus",
            range->defocus_um);
    pl_sizing *s = malloc(sizeof *s);
    if (!s)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    s->pixel_um = pixel_um;
    s->z_step = range->defocus_um / (PL_SIZING_Z - 1);
    s->air_from = log(range->air_lo_um);
    s->air_step = log(range->air_hi_um / range->air_lo_um) / (PL_SIZING_AIR - 1);
    for (int k = 0; k < RADII; k++)
        s->radius[k] = range->radius_um * (k + 0.5) / RADII;
    rc = compute(s, &o, jobs, err);
    if (rc == PL_OK)
        *out = s;
    else
        free(s);
    return rc;
}

void pl_sizing_free(pl_sizing *sizing)
{
    free(sizing);
}

/* ---- reading */

/* How one frame reads. */
struct reader {
    const double *radius; /* [n] */
    int n;
    double beta, kay, pixel2; /* pixel2: p^2 / 24 */
    double bright;
};

/* (1 + kay u)^-beta averaged over a pixel, u = (r / half)^2. */
static double profile(const struct reader *f, double r, double half)
{
    double u = r * r / (half * half), ku = f->kay * u, shape = exp(-f->beta * log1p(ku));
    double bend = 4 * f->beta * f->kay / (half * half) *
                  ((f->beta + 1) * ku / ((1 + ku) * (1 + ku)) - 1 / (1 + ku));
    return shape * (1 + f->pixel2 * bend);
}

/* One step of flux, ln half width and sky; each radius stands for a ring of pixels. */
static bool step(const struct reader *f, const double *light, double p[3])
{
    double a[3][3] = { { 0 } }, b[3] = { 0 }, half = exp(p[1]), dln = 1e-4, peak = 0;
    for (int i = 0; i < f->n; i++) /* a ring is brighter than its middle */
        peak = fmax(peak, light[i]);
    for (int i = 0; i < f->n; i++) {
        double r = f->radius[i], shape = profile(f, r, half);
        double d[3] = { shape, p[0] * (profile(f, r, half * (1 + dln)) - shape) / dln, 1 };
        double rest = light[i] - p[0] * shape - p[2];
        double weight = r / (1 + f->bright * fmax(0, p[0] * shape / peak));
        for (int j = 0; j < 3; j++) {
            b[j] += weight * d[j] * rest;
            for (int k = 0; k < 3; k++)
                a[j][k] += weight * d[j] * d[k];
        }
    }
    double c00 = a[1][1] * a[2][2] - a[1][2] * a[2][1], c01 = a[1][2] * a[2][0] - a[1][0] * a[2][2],
           c02 = a[1][0] * a[2][1] - a[1][1] * a[2][0];
    double det = a[0][0] * c00 + a[0][1] * c01 + a[0][2] * c02;
    if (!(fabs(det) > 0))
        return false;
    double c11 = a[0][0] * a[2][2] - a[0][2] * a[2][0], c12 = a[0][1] * a[2][0] - a[0][0] * a[2][1],
           c22 = a[0][0] * a[1][1] - a[0][1] * a[1][0];
    double move[3] = { (c00 * b[0] + c01 * b[1] + c02 * b[2]) / det,
                       (c01 * b[0] + c11 * b[1] + c12 * b[2]) / det,
                       (c02 * b[0] + c12 * b[1] + c22 * b[2]) / det };
    move[1] = fmax(-0.3, fmin(0.3, move[1]));
    for (int j = 0; j < 3; j++)
        p[j] += move[j];
    return fabs(move[1]) > 1e-6;
}

/* p: flux, ln half width, sky; where it stopped before is where it starts. */
static double fitted(const struct reader *f, const double *light, double p[3])
{
    for (int round = 0; round < ROUNDS && step(f, light, p); round++)
        ;
    return M_LN2 + p[1];
}

static struct reader reader_of(const pl_sizing *sizing, const pl_reading *how)
{
    struct reader f = { .radius = sizing->radius,
                        .n = 4,
                        .beta = how->beta,
                        .kay = exp2(1 / how->beta) - 1,
                        .pixel2 = sizing->pixel_um * sizing->pixel_um / 24,
                        .bright = how->bright };
    while (f.n < RADII && sizing->radius[f.n] < how->radius_um)
        f.n++;
    return f;
}

/* One air, from focus outwards: each fit starts where the last one ended. */
static void read_air(const pl_sizing *sizing, const struct reader *f, int ia, double *out,
                     size_t stride)
{
    double p[3] = { 0, log(0.55 * air_at(sizing, ia)), 0 };
    for (int iz = 0; iz < PL_SIZING_Z; iz++) {
        p[0] = sizing->light[iz][ia][0];
        out[(size_t)iz * stride] = fitted(f, sizing->light[iz][ia], p);
    }
}

void pl_sizing_read(const pl_sizing *sizing, const pl_reading *how, pl_sizes *out)
{
    struct reader f = reader_of(sizing, how);
    *out = (pl_sizes){ sizing->z_step, sizing->air_from, sizing->air_step, { { 0 } } };
    for (int ia = 0; ia < PL_SIZING_AIR; ia++)
        read_air(sizing, &f, ia, &out->ln_fwhm[0][ia], PL_SIZING_AIR);
}

/* ---- brightness: photon noise takes weight from a bright star's core */

static const double BRIGHT_STEP = 1.05; /* of ln(1 + bright): up to 66, where it has settled */

void pl_sizing_brights(const pl_sizing *sizing, const pl_reading *how, double air_um,
                       pl_brights *out)
{
    int ia = (int)lround((log(air_um) - sizing->air_from) / sizing->air_step);
    ia = ia < 0 ? 0 : ia > PL_SIZING_AIR - 1 ? PL_SIZING_AIR - 1 : ia;
    out->z_step = sizing->z_step;
    for (int k = 0; k < PL_SIZING_BRIGHT; k++) {
        struct reader f = reader_of(sizing, how);
        f.bright = expm1(BRIGHT_STEP * k);
        read_air(sizing, &f, ia, &out->ln_fwhm[0][k], PL_SIZING_BRIGHT);
    }
}

/* Linear in both directions; along the defocus the cell is `iz`. */
static double bright_at(const double row[PL_SIZING_BRIGHT], double bright)
{
    double at = fmin(PL_SIZING_BRIGHT - 1.001, log1p(fmax(0, bright)) / BRIGHT_STEP);
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
