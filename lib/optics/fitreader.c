/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fitreader.c - how a star's fitted width answers to defocus and air.
 *
 * No closed form serves: a hyperbola is up to 9 % off in slope near focus, moments under a weight
 * depend on the air, and a fitted profile reads a flat-topped disc in its own way. So the images
 * of sizing.c are read with the very profile that stars are measured with, under the weights of its
 * noise. A pixel of side p averages the profile as it does the image: f + p^2/24 laplacian f. */
#include "sizing.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

enum { RADII = PL_SIZING_RADII, ROUNDS = 15, PARTS = 4 };

static const double SETTLED = 1e-5; /* of ln half width */

/* How one frame reads. */
struct reader {
    const double *radius;
    double ring[RADII];       /* pixels in the ring, in some unit; 0 beyond the disc */
    int n;                    /* radii within the disc; up to a multiple of PARTS they are read */
    double beta, kay, pixel2; /* pixel2: p^2 / 24 */
    double bright;
};

/* log2 t and 2^x by argument reduction and polynomials, without branches so that they vectorise,
 * and the same on every C library. From the series' ends: 2e-12 absolute, t >= 1; 3e-13 relative,
 * x >= LOWEST. */
static const double LOWEST = -1000;
#define TWO_52 4503599627370496.0 /* adding it shows a number's whole part in the low bits */

PL_INTO double log2_of(double t)
{
    const uint64_t half_root = 0x3fe6a09e667f3bcd; /* sqrt 1/2: the mantissa is in [it, 2 it) */
    union {
        double f;
        uint64_t i;
    } v = { t }, e;
    e.i = (v.i - half_root) >> 52;
    v.i -= e.i << 52;
    e.i |= 0x4330000000000000;                   /* of TWO_52 */
    double z = (v.f - 1) / (v.f + 1), q = z * z; /* ln m = 2 (z + z^3/3 + z^5/5 + ...) */
    double series =
        1 + q * (1.0 / 3 + q * (1.0 / 5 + q * (1.0 / 7 + q * (1.0 / 9 + q * (1.0 / 11 + q / 13)))));
    return (e.f - TWO_52) + 2 / M_LN2 * z * series;
}

PL_INTO double exp2_of(double x)
{
    union {
        double f;
        uint64_t i;
    } v, n;
    n.f = x + 1.5 * TWO_52; /* nearest whole number */
    double r = (x - (n.f - 1.5 * TWO_52)) * M_LN2;
    v.f =
        1 +
        r * (1 + r * (1.0 / 2 +
                      r * (1.0 / 6 +
                           r * (1.0 / 24 +
                                r * (1.0 / 120 +
                                     r * (1.0 / 720 +
                                          r * (1.0 / 5040 +
                                               r * (1.0 / 40320 + r * (1.0 / 362880 +
                                                                       r * (1.0 / 3628800))))))))));
    v.i += n.i << 52;
    return v.f;
}

/* Of a round star, u = (r / half)^2: (1 + kay u)^-beta averaged over a pixel, shape (1 + q b) with
 * q = pixel2 beta kay 4 / half^2, b = ((beta + 1) kay u / t - 1) / t, t = 1 + kay u; and its slope
 * with ln half. */
PL_WIDE
static void profile(const struct reader *f, double half, double *restrict value,
                    double *restrict by_half)
{
    double beta = f->beta, kay = f->kay / (half * half), q = f->pixel2 * beta * kay * 4,
           power[RADII];
    int n = (f->n + PARTS - 1) / PARTS * PARTS;
    for (int i = 0; i < n; i++)
        power[i] = -beta * log2_of(1 + kay * f->radius[i] * f->radius[i]);
    for (int i = 0; i < n; i++)
        power[i] = power[i] > LOWEST ? power[i] : LOWEST;
    for (int i = 0; i < n; i++) {
        double ku = kay * f->radius[i] * f->radius[i], part = 1 / (1 + ku),
               shape = exp2_of(power[i]);
        double lean = (beta + 1) * part, b = (lean * ku - 1) * part, more = 1 + q * b;
        double by_b = 2 * ku * part * (b - lean * part);
        by_half[i] = shape * (2 * beta * ku * part * more + q * (by_b - 2 * b));
        value[i] = shape * more;
    }
}

/* A profile's image, slope and rest, weighted; what least squares makes of them. */
enum { FF, FW, FS, WW, WS, SS, F_REST, W_REST, S_REST, SUMS };

/* p: flux, ln half width, sky. */
PL_WIDE
static void sum_up(const struct reader *f, const double *restrict light, double peak,
                   const double p[3], const double *restrict shape, const double *restrict by_half,
                   double out[SUMS])
{
    double part[SUMS][PARTS] = { { 0 } }, per = f->bright * p[0] / peak;
    for (int i = 0; i < f->n; i += PARTS)
        for (int j = 0; j < PARTS; j++) {
            double s = shape[i + j], w = p[0] * by_half[i + j],
                   rest = light[i + j] - p[0] * s - p[2];
            double photons = per * s, weight = f->ring[i + j] / (1 + (photons > 0 ? photons : 0));
            part[FF][j] += weight * s * s;
            part[FW][j] += weight * s * w;
            part[FS][j] += weight * s;
            part[WW][j] += weight * w * w;
            part[WS][j] += weight * w;
            part[SS][j] += weight;
            part[F_REST][j] += weight * s * rest;
            part[W_REST][j] += weight * w * rest;
            part[S_REST][j] += weight * rest;
        }
    for (int k = 0; k < SUMS; k++)
        out[k] = (part[k][0] + part[k][1]) + (part[k][2] + part[k][3]);
}

/* One step of flux, ln half width and sky; each radius stands for a ring of pixels. */
static bool step(const struct reader *f, const double *light, double peak, double p[3])
{
    double shape[RADII], by_half[RADII], s[SUMS];
    profile(f, exp(p[1]), shape, by_half);
    sum_up(f, light, peak, p, shape, by_half, s);
    double c00 = s[WW] * s[SS] - s[WS] * s[WS], c01 = s[FS] * s[WS] - s[FW] * s[SS],
           c02 = s[FW] * s[WS] - s[FS] * s[WW];
    double det = s[FF] * c00 + s[FW] * c01 + s[FS] * c02;
    if (!(fabs(det) > 0))
        return false;
    double c11 = s[FF] * s[SS] - s[FS] * s[FS], c12 = s[FW] * s[FS] - s[FF] * s[WS],
           c22 = s[FF] * s[WW] - s[FW] * s[FW];
    double move = (c01 * s[F_REST] + c11 * s[W_REST] + c12 * s[S_REST]) / det;
    move = fmax(-0.3, fmin(0.3, move));
    p[0] += (c00 * s[F_REST] + c01 * s[W_REST] + c02 * s[S_REST]) / det;
    p[1] += move;
    p[2] += (c02 * s[F_REST] + c12 * s[W_REST] + c22 * s[S_REST]) / det;
    return fabs(move) > SETTLED;
}

static double peak_of(const struct reader *f, const double *light)
{
    double peak = 0;
    for (int i = 0; i < f->n; i++) /* a ring is brighter than its middle */
        peak = fmax(peak, light[i]);
    return peak;
}

/* p: where it stopped before is where it starts. */
static double fitted(const struct reader *f, const double *light, double p[3])
{
    double peak = peak_of(f, light);
    for (int round = 0; round < ROUNDS && step(f, light, peak, p); round++)
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
    memcpy(f.ring, sizing->radius, (size_t)f.n * sizeof *f.ring);
    return f;
}

/* ---- over airs, or brightnesses: a column of a table each */

struct table {
    const pl_sizing *sizing;
    const pl_reading *how;
    int air; /* of a table over brightnesses */
    double *out;
    size_t stride;
};

/* One air, from focus outwards: each fit starts where the two before it lead. */
static void read_air(const pl_sizing *sizing, const struct reader *f, int ia, double *out,
                     size_t stride)
{
    double p[3] = { sizing->light[0][ia][0], log(0.55 * pl_sizing_air(sizing, ia)), 0 }, last,
           grown = 0;
    for (int iz = 0; iz < PL_SIZING_Z; iz++) {
        last = p[1];
        p[1] += iz > 1 ? grown : 0;
        out[(size_t)iz * stride] = fitted(f, sizing->light[iz][ia], p);
        grown = p[1] - last;
    }
}

static void one_air(void *ctx, size_t ia, int worker)
{
    (void)worker;
    const struct table *t = ctx;
    struct reader f = reader_of(t->sizing, t->how);
    read_air(t->sizing, &f, (int)ia, t->out + ia, t->stride);
}

void pl_sizing_read(const pl_sizing *sizing, const pl_reading *how, int jobs, pl_sizes *out)
{
    *out = (pl_sizes){ sizing->z_step, sizing->air_from, sizing->air_step, { { 0 } } };
    struct table t = { sizing, how, 0, &out->ln_fwhm[0][0], PL_SIZING_AIR };
    pl_pool_run(jobs, PL_SIZING_AIR, one_air, &t);
}

/* Photon noise takes weight from a bright star's core. */
static void one_brightness(void *ctx, size_t k, int worker)
{
    (void)worker;
    const struct table *t = ctx;
    struct reader f = reader_of(t->sizing, t->how);
    f.bright = expm1(PL_SIZING_BRIGHT_STEP * (double)k);
    read_air(t->sizing, &f, t->air, t->out + k, t->stride);
}

static int nearest_air(const pl_sizing *sizing, double air_um)
{
    int i = (int)lround((log(air_um) - sizing->air_from) / sizing->air_step);
    return i < 0 ? 0 : i > PL_SIZING_AIR - 1 ? PL_SIZING_AIR - 1 : i;
}

void pl_sizing_brights(const pl_sizing *sizing, const pl_reading *how, double air_um, int jobs,
                       pl_brights *out)
{
    out->z_step = sizing->z_step;
    struct table t = { sizing, how, nearest_air(sizing, air_um), &out->ln_fwhm[0][0],
                       PL_SIZING_BRIGHT };
    pl_pool_run(jobs, PL_SIZING_BRIGHT, one_brightness, &t);
}

/* ---- stretch: the same fit's half axes are half e^(+- eta) along x and y */

/* (1 + kay u)^-beta averaged over a pixel, given u's squared gradient and its Laplacian. */
static double averaged(const struct reader *f, double u, double gradient2, double laplacian)
{
    double ku = f->kay * u, shape = exp2_of(fmax(LOWEST, -f->beta * log2_of(1 + ku))),
           slope = f->beta * f->kay / (1 + ku);
    double bend = (f->beta + 1) * f->kay / (1 + ku) * gradient2 - laplacian;
    return shape * (1 + f->pixel2 * slope * bend);
}

/* At r, phi; cos2 is that of 2 phi. */
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
    double sum = 0, half = exp(p[1]), little = 1e-4, peak = peak_of(f, light);
    *by_bent = 0;
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
    double p[3] = { 0, log(0.55 * pl_sizing_air(sizing, ia)), 0 }, little = 1e-3;
    out->z_step = sizing->z_step;
    for (int iz = 0; iz < PL_SIZING_Z; iz++) {
        const double *light = sizing->light[iz][ia], *bent = sizing->bent[iz][ia];
        double by_bent, ignored, by_um;
        p[0] = light[0];
        fitted(&f, light, p);
        double stiff = pull(&f, light, bent, p, -little, &ignored) -
                       pull(&f, light, bent, p, little, &ignored);
        pull(&f, light, bent, p, 0, &by_bent);
        pl_sizes_at(sizes, iz * sizing->z_step, log(pl_sizing_air(sizing, ia)), &by_um, NULL);
        /* um of `bent` and half of ln(major / minor) are both halves */
        out->part[iz] = iz ? by_bent * 2 * little / stiff / by_um : NAN;
    }
    out->part[0] = out->part[1]; /* both go to nought there, alike */
}
