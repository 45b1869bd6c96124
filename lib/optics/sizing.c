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

enum { NODES = 16, RADII = 96, ROUNDS = 15, BEYOND = 2 };

#define WAVES_MAX 60.0
#define WAVE_STEP 0.05 /* of the Bessel functions' argument */
#define NOTHING   1e-9 /* part of a transfer that may be left out */

struct pl_sizing {
    double pixel_um;
    double z_step, air_from, air_step; /* um, ln um */
    double radius[RADII];              /* um */
    double light[PL_SIZING_Z][PL_SIZING_AIR][RADII];
    double bent[PL_SIZING_Z][PL_SIZING_AIR][RADII]; /* see bend() */
};

/* Bessel functions of orders 0 and 2 and their slopes at one place. */
struct wave {
    double j0, slope0, j2, slope2;
};

/* Quadrature over the shift s, shared by all images. */
struct plan {
    pl_optic optic;
    pl_gauss rule;
    double v_um; /* v for each um of radius */
    size_t n;
    double *s, *weight; /* [n], s ascending */
    double *bessel;     /* [n][RADII] */
    double *air;        /* [PL_SIZING_AIR][n] */
    double *bessel2;    /* [n][RADII] of the second order */
    double *transfer;   /* [PL_SIZING_Z + BEYOND][n], times weight */
    struct wave *wave;  /* Bessel functions, WAVE_STEP apart */
    pl_sizing *sizing;
};

static double air_at(const pl_sizing *sizing, int i)
{
    return exp(sizing->air_from + i * sizing->air_step);
}

static int nearest_air(const pl_sizing *sizing, double air_um)
{
    int i = (int)lround((log(air_um) - sizing->air_from) / sizing->air_step);
    return i < 0 ? 0 : i > PL_SIZING_AIR - 1 ? PL_SIZING_AIR - 1 : i;
}

static pl_optic in_air(const struct plan *p, double air_um)
{
    pl_optic o = p->optic;
    o.seeing_arcsec = air_um / (o.aperture_mm * o.f_ratio * 1000) / PL_ARCSEC_RAD;
    return o;
}

/* At one shift, of all defoci: pl_pupil_transfer's sum, whose columns are the same for all and
 * whose cosines follow from the two before, cos (i + 1) a = 2 cos a cos i a - cos (i - 1) a. */
static void one_shift(void *ctx, size_t j, int worker)
{
    (void)worker;
    const struct plan *p = ctx;
    pl_column column[PL_COLUMNS_MAX];
    double twice[PL_COLUMNS_MAX], now[PL_COLUMNS_MAX], last[PL_COLUMNS_MAX],
        e = p->optic.obstruction;
    double s = p->s[j], f = p->optic.f_ratio;
    double phase = 4 * M_PI * s * p->sizing->z_step / (8 * f * f * p->optic.lambda_um);
    int panels = 1 + (int)((PL_SIZING_Z + BEYOND) * phase * (1 - s / 2) / 12);
    size_t n = pl_pupil_columns(&p->rule, e, s, panels, column);
    for (size_t i = 0; i < n; i++) {
        double length = column[i].weight * (column[i].high - column[i].low);
        twice[i] = 2 * cos(phase * column[i].x);
        now[i] = length;
        last[i] = length * twice[i] / 2;
    }
    for (size_t iz = 0; iz < PL_SIZING_Z + BEYOND; iz++) {
        double sum = 0;
        for (size_t i = 0; i < n; i++) {
            double next = twice[i] * now[i] - last[i];
            sum += now[i];
            last[i] = now[i];
            now[i] = next;
        }
        p->transfer[iz * p->n + j] = p->weight[j] * 4 * sum / (M_PI * (1 - e * e));
    }
}

/* The transfer's slope with the defocus, from the nodes beside (five points, even in the defocus).
 */
static double slope_at(const struct plan *p, size_t iz, size_t j)
{
    const double *t = p->transfer + j;
    size_t before = iz ? iz - 1 : 1, long_before = iz > 1 ? iz - 2 : 2 - iz;
    double near = t[(iz + 1) * p->n] - t[before * p->n];
    double far = t[(iz + 2) * p->n] - t[long_before * p->n];
    return (8 * near - far) / (12 * p->sizing->z_step);
}

PL_WIDE
static void add_ring(double *restrict sum, double times, const double *restrict ring)
{
    for (int k = 0; k < RADII; k++)
        sum[k] += times * ring[k];
}

/* Light, and what astigmatism does to it: `bent` times cos 2 phi is the change for each um by which
 * defocus along x (phi = 0) is more, and along y less.
 *
 * With W = c rho^2 cos 2 theta, two points of the pupil a vector s apart, in the direction phi,
 * differ by 2 c (p_x s_x - p_y s_y) = 2 c s (p_along cos 2 phi - p_across sin 2 phi), p their
 * middle; for defocus, W = w rho^2, it is 2 w s p_along. The part with p_across is odd and sums up
 * to nought, so to first order the transfer changes by cos 2 phi times its slope with w; the
 * transform of g(s) cos 2 phi is - cos 2 phi times the second order's Hankel transform. */
static void one_defocus(void *ctx, size_t iz, int worker)
{
    (void)worker;
    const struct plan *p = ctx;
    const double *transfer = p->transfer + iz * p->n;
    for (int ia = 0; ia < PL_SIZING_AIR; ia++) {
        double *light = p->sizing->light[iz][ia], *bent = p->sizing->bent[iz][ia];
        memset(light, 0, sizeof p->sizing->light[iz][ia]);
        memset(bent, 0, sizeof p->sizing->bent[iz][ia]);
        for (size_t j = 0; j < p->n && p->air[(size_t)ia * p->n + j] > NOTHING; j++) {
            double air = p->air[(size_t)ia * p->n + j];
            add_ring(light, transfer[j] * air, p->bessel + j * RADII);
            add_ring(bent, -slope_at(p, iz, j) * air, p->bessel2 + j * RADII);
        }
    }
}

/* J0' = -J1; J2 = 2 J1 / v - J0, J2' = J1 - 2 J2 / v. */
static void fill_waves(struct wave *wave, size_t n)
{
    wave[0] = (struct wave){ 1, 0, 0, 0 };
    for (size_t i = 1; i < n; i++) {
        double v = (double)i * WAVE_STEP, j0 = gsl_sf_bessel_J0(v), j1 = gsl_sf_bessel_J1(v);
        double j2 = 2 * j1 / v - j0;
        wave[i] = (struct wave){ j0, -j1, j2, j1 - 2 * j2 / v };
    }
}

/* Cubic through values and slopes at both ends: good to WAVE_STEP^4 / 384 = 2e-8. */
static void wave_at(const struct wave *wave, double v, double *j0, double *j2)
{
    double at = v / WAVE_STEP;
    const struct wave *a = wave + (size_t)at, *b = a + 1;
    double t = at - (double)(size_t)at, q = 1 - t;
    double wa = q * q * (1 + 2 * t), wb = 1 - wa;
    double sa = WAVE_STEP * t * q * q, sb = -WAVE_STEP * t * t * q;
    *j0 = wa * a->j0 + wb * b->j0 + sa * a->slope0 + sb * b->slope0;
    *j2 = wa * a->j2 + wb * b->j2 + sa * a->slope2 + sb * b->slope2;
}

static void fill_plan(struct plan *p, size_t panels, double reach)
{
    double half = reach / (2 * (double)panels);
    for (size_t j = 0; j < p->n; j++) {
        p->s[j] = half * (2 * (double)(j / NODES) + 1 + p->rule.x[j % NODES]);
        double wave = p->v_um * p->s[j] * p->sizing->pixel_um; /* radians across a pixel */
        p->weight[j] = p->rule.w[j % NODES] * half * p->s[j] * fmax(0, 1 - wave * wave / 24);
        for (int k = 0; k < RADII; k++) {
            double v = p->v_um * p->sizing->radius[k] * p->s[j];
            size_t at = j * RADII + (size_t)k;
            wave_at(p->wave, v, &p->bessel[at], &p->bessel2[at]);
        }
        for (int ia = 0; ia < PL_SIZING_AIR; ia++) {
            pl_optic o = in_air(p, air_at(p->sizing, ia));
            p->air[(size_t)ia * p->n + j] = pl_air_transfer(&o, p->s[j]);
        }
    }
}

static pl_status compute(pl_sizing *sizing, const pl_optic *optic, int jobs, pl_err *err)
{
    struct plan p = { .optic = *optic, .rule = pl_gauss_rule(NODES), .sizing = sizing };
    p.v_um = M_PI / (optic->lambda_um * optic->f_ratio);
    pl_optic finest = in_air(&p, air_at(sizing, 0));
    double reach = pl_air_reach(&finest);
    double cycles = p.v_um * sizing->radius[RADII - 1] * reach / (2 * M_PI);
    size_t panels = 4 + (size_t)cycles;
    p.n = panels * NODES;
    size_t waves = (size_t)(2 * M_PI * cycles / WAVE_STEP) + 2;
    double *room =
        malloc(p.n * sizeof *room * (2 + 2 * RADII + PL_SIZING_AIR + PL_SIZING_Z + BEYOND));
    p.wave = malloc(waves * sizeof *p.wave);
    if (!room || !p.wave) {
        free(room);
        free(p.wave);
        return pl_fail(err, PL_ENOMEM, "out of memory");
    }
    p.s = room;
    p.weight = p.s + p.n;
    p.bessel = p.weight + p.n;
    p.bessel2 = p.bessel + p.n * RADII;
    p.air = p.bessel2 + p.n * RADII;
    p.transfer = p.air + p.n * PL_SIZING_AIR;
    fill_waves(p.wave, waves);
    fill_plan(&p, panels, reach);
    pl_pool_run(jobs, p.n, one_shift, &p);
    pl_pool_run(jobs, PL_SIZING_Z, one_defocus, &p);
    free(room);
    free(p.wave);
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

/* (1 + kay u)^-beta averaged over a pixel, given u's squared gradient and its Laplacian. */
static double averaged(const struct reader *f, double u, double gradient2, double laplacian)
{
    double ku = f->kay * u, shape = exp(-f->beta * log1p(ku)), slope = f->beta * f->kay / (1 + ku);
    double bend = (f->beta + 1) * f->kay / (1 + ku) * gradient2 - laplacian;
    return shape * (1 + f->pixel2 * slope * bend);
}

/* averaged() of a round star, u = (r / half)^2, and its slope with ln half: as there shape (1 + q
 * b) with q = pixel2 beta kay 4 / half^2, b = ((beta + 1) kay u / t - 1) / t, t = 1 + kay u. */
static double profile(const struct reader *f, double r, double half, double *by_half)
{
    double u = r * r / (half * half), ku = f->kay * u, t = 1 + ku;
    double shape = exp(-f->beta * log1p(ku)), q = f->pixel2 * f->beta * f->kay * 4 / (half * half);
    double lean = (f->beta + 1) / t, b = (lean * ku - 1) / t, more = 1 + q * b;
    double by_b = 2 * ku / t * (b - lean / t);
    *by_half = shape * (2 * f->beta * ku / t * more + q * (by_b - 2 * b));
    return shape * more;
}

/* One step of flux, ln half width and sky; each radius stands for a ring of pixels. */
static bool step(const struct reader *f, const double *light, double p[3])
{
    double a[3][3] = { { 0 } }, b[3] = { 0 }, half = exp(p[1]), peak = 0;
    for (int i = 0; i < f->n; i++) /* a ring is brighter than its middle */
        peak = fmax(peak, light[i]);
    for (int i = 0; i < f->n; i++) {
        double r = f->radius[i], by_half, shape = profile(f, r, half, &by_half);
        double d[3] = { shape, p[0] * by_half, 1 };
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
    return fabs(move[1]) > 1e-5;
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

/* One air, from focus outwards: each fit starts where the two before it lead. */
static void read_air(const pl_sizing *sizing, const struct reader *f, int ia, double *out,
                     size_t stride)
{
    double p[3] = { sizing->light[0][ia][0], log(0.55 * air_at(sizing, ia)), 0 }, last, grown = 0;
    for (int iz = 0; iz < PL_SIZING_Z; iz++) {
        last = p[1];
        p[1] += iz > 1 ? grown : 0;
        out[(size_t)iz * stride] = fitted(f, sizing->light[iz][ia], p);
        grown = p[1] - last;
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
    int ia = nearest_air(sizing, air_um);
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

/* ---- stretch: the same fit's half axes are half e^(+- eta) along x and y */

/* At r, phi, as profile(); cos2 is that of 2 phi. */
static double stretched(const struct reader *f, double r, double cos2, double half, double eta)
{
    double along = exp(-2 * eta) / (half * half), across = exp(2 * eta) / (half * half);
    double x2 = r * r * (1 + cos2) / 2, y2 = r * r * (1 - cos2) / 2;
    return averaged(f, x2 * along + y2 * across, 4 * (x2 * along * along + y2 * across * across),
                    2 * (along + across));
}

/* What least squares brings to nought at the fit's eta, on an image without stretch; and how much
 * `bent` adds to it. */
static double pull(const struct reader *f, const double *light, const double *bent,
                   const double p[3], double eta, double *by_bent)
{
    enum { ANGLES = 4 }; /* of a quarter turn: exact up to cos 6 phi */
    double sum = 0, half = exp(p[1]), little = 1e-4, peak = 0;
    *by_bent = 0;
    for (int i = 0; i < f->n; i++)
        peak = fmax(peak, light[i]);
    for (int i = 0; i < f->n; i++)
        for (int k = 0; k < ANGLES; k++) {
            double r = f->radius[i], cos2 = cos(M_PI * (k + 0.5) / ANGLES);
            double shape = p[0] * stretched(f, r, cos2, half, eta);
            double slope = p[0] *
                           (stretched(f, r, cos2, half, eta + little) -
                            stretched(f, r, cos2, half, eta - little)) /
                           (2 * little);
            double weight = r / (1 + f->bright * fmax(0, shape / peak));
            sum += weight * slope * (light[i] - shape - p[2]);
            *by_bent += weight * slope * bent[i] * cos2;
        }
    return sum;
}

void pl_sizing_stretch(const pl_sizing *sizing, const pl_reading *how, const pl_sizes *sizes,
                       double air_um, pl_stretches *out)
{
    int ia = nearest_air(sizing, air_um);
    struct reader f = reader_of(sizing, how);
    double p[3] = { 0, log(0.55 * air_at(sizing, ia)), 0 }, little = 1e-3;
    out->z_step = sizing->z_step;
    for (int iz = 0; iz < PL_SIZING_Z; iz++) {
        const double *light = sizing->light[iz][ia], *bent = sizing->bent[iz][ia];
        double by_bent, ignored, by_um;
        p[0] = light[0];
        fitted(&f, light, p);
        double stiff = pull(&f, light, bent, p, -little, &ignored) -
                       pull(&f, light, bent, p, little, &ignored);
        pull(&f, light, bent, p, 0, &by_bent);
        pl_sizes_at(sizes, iz * sizing->z_step, log(air_at(sizing, ia)), &by_um, NULL);
        /* um of `bent` and half of ln(major / minor) are both halves */
        out->part[iz] = iz ? by_bent * 2 * little / stiff / by_um : NAN;
    }
    out->part[0] = out->part[1]; /* both go to nought there, alike */
}

double pl_stretch_at(const pl_stretches *s, const pl_sizes *sizes, double defocus_um, double ln_air)
{
    double at = fmin(fabs(defocus_um) / s->z_step, PL_SIZING_Z - 1.001), by_um;
    int i = (int)at;
    pl_sizes_at(sizes, defocus_um, ln_air, &by_um, NULL);
    return by_um * (s->part[i] + (at - i) * (s->part[i + 1] - s->part[i]));
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
