/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The fit of one star against analytic stars drawn by the tests themselves (frames.c, judged
 * against closed forms in test_frames.c). */
#include "../../lib/star/profile.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double SKY = 50, NO_BETA = 0.001; /* 1 / beta of a Gaussian, as near as the fit goes */

/* A stamp of side 2 r + 1 about pixel (40, 30) holding the star and its sky. */
static pl_stamp *stamp_of(const frames_star *s, int r, double var, double gain)
{
    pl_stamp *st = calloc(1, sizeof *st);
    *st = (pl_stamp){ .x0 = 40 - r,
                      .y0 = 30 - r,
                      .w = 2 * r + 1,
                      .h = 2 * r + 1,
                      .sky = SKY,
                      .var = var,
                      .gain = gain,
                      .share = 1 };
    double *v = calloc((size_t)(st->w * st->h), sizeof *v);
    frames_draw(v, st->x0, st->y0, st->w, st->h, s);
    for (int i = 0; i < st->w * st->h; i++) {
        st->value[i] = (float)(v[i] + SKY);
        st->use[i] = 1;
    }
    free(v);
    return st;
}

/* Variance of a pixel that gives a signal to noise of 1000. */
static double var_for(const frames_star *s)
{
    return pow(s->flux / frames_flux(1000, s->fwhm, 1), 2);
}

static int radius_for(const frames_star *s)
{
    double major = s->fwhm / pow(1 - s->ecc * s->ecc, 0.25);
    return (int)fmin(48, fmax(6, 2.75 * major + 2));
}

static double eta_of(double ecc)
{
    return -0.25 * log(1 - ecc * ecc); /* ln(major / minor) / 2, (minor / major)^2 = 1 - e^2 */
}

/* A start that is off in everything. */
static pl_moffat start_near(const frames_star *s, double inv_beta)
{
    return (pl_moffat){ .p = { 0.7 * s->flux, s->x + 0.4, s->y - 0.3, log(0.5 * s->fwhm) + 0.25, 0,
                               0, SKY + 1, inv_beta } };
}

struct shape_row {
    double fwhm, ecc, angle, beta; /* beta 0: Gaussian */
};

ParameterizedTestParameters(moffat, without_noise)
{
    static struct shape_row rows[] = {
        { 1.3, 0, 0, 0 },    { 1.3, 0, 0, 3 },   { 1.5, 0.4, 30, 0 },   { 1.5, 0.4, 30, 4 },
        { 2, 0, 0, 0 },      { 2, 0.6, 100, 3 }, { 2.5, 0.8, 45, 0 },   { 2.5, 0.8, 170, 2.5 },
        { 3, 0, 0, 5 },      { 3, 0.3, 80, 0 },  { 3.4, 0.5, 20, 3.5 }, { 4, 0.8, 135, 4 },
        { 5, 0.1, 60, 2.5 }, { 6, 0.7, 10, 0 },  { 8, 0, 0, 3 },        { 8, 0.6, 150, 4 },
        { 12, 0, 0, 0 },     { 12, 0.5, 33, 4 }, { 12, 0.8, 75, 5 },
    };
    return cr_make_param_array(struct shape_row, rows, sizeof rows / sizeof *rows);
}

/* Bright and clean: the parameters come back, whatever the place within the pixel. The quadrature
 * is said to be good to 1e-3 of the peak at FWHM 1.3: the size may then be off by a few 1e-3. */
ParameterizedTest(struct shape_row *r, moffat, without_noise)
{
    static const double phase[][2] = { { 0, 0 }, { 0.5, 0.5 }, { 0.23, -0.41 }, { -0.5, 0.1 } };
    double size_tol = r->fwhm * sqrt(sqrt(1 - r->ecc * r->ecc)) < 1.7 ? 4e-3 : 1e-3;
    for (int k = 0; k < 4; k++) {
        frames_star s = { 40 + phase[k][0],
                          30 + phase[k][1],
                          1e5,
                          r->fwhm,
                          r->ecc,
                          r->angle,
                          r->beta > 0 ? r->beta : INFINITY };
        double inv = r->beta > 0 ? 1 / r->beta : NO_BETA;
        double e1 = eta_of(r->ecc) * cos(2 * r->angle * M_PI / 180),
               e2 = eta_of(r->ecc) * sin(2 * r->angle * M_PI / 180);
        pl_stamp *st = stamp_of(&s, radius_for(&s), var_for(&s), 1e9);
        pl_moffat f = start_near(&s, inv);
        cr_assert(pl_moffat_fit(st, PL_FREE_SHAPE, &f, NULL), "did not converge");
        cr_expect(epsilon_eq(dbl, f.p[PL_MF_X], s.x, 1e-3));
        cr_expect(epsilon_eq(dbl, f.p[PL_MF_Y], s.y, 1e-3));
        cr_expect(epsilon_eq(dbl, 2 * exp(f.p[PL_MF_SIZE]), r->fwhm, size_tol * r->fwhm));
        cr_expect(epsilon_eq(dbl, f.p[PL_MF_ETA1], e1, 2 * size_tol));
        cr_expect(epsilon_eq(dbl, f.p[PL_MF_ETA2], e2, 2 * size_tol));
        cr_expect(epsilon_eq(dbl, f.p[PL_MF_FLUX], s.flux, 3e-3 * s.flux));
        cr_expect(epsilon_eq(dbl, f.p[PL_MF_SKY], SKY, 1e-5 * s.flux));
        free(st);
    }
}

struct beta_row {
    double fwhm, beta;
};

ParameterizedTestParameters(moffat, beta_comes_back)
{
    static struct beta_row rows[] = { { 2, 2.5 }, { 2, 4 },  { 3, 3 },   { 3, 5 },
                                      { 5, 2.5 }, { 5, 10 }, { 8, 3.5 }, { 12, 4.765 } };
    return cr_make_param_array(struct beta_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct beta_row *r, moffat, beta_comes_back)
{
    frames_star s = { 40.2, 29.7, 1e5, r->fwhm, 0.3, 50, r->beta };
    pl_stamp *st = stamp_of(&s, (int)fmin(48, 5 * r->fwhm), var_for(&s), 1e9);
    pl_moffat f = start_near(&s, 1 / 3.5);
    cr_assert(pl_moffat_fit(st, PL_FREE_ALL, &f, NULL));
    cr_expect(epsilon_eq(dbl, f.p[PL_MF_INVBETA], 1 / r->beta, 0.01 / r->beta), "beta %g",
              1 / f.p[PL_MF_INVBETA]);
    cr_expect(epsilon_eq(dbl, 2 * exp(f.p[PL_MF_SIZE]), r->fwhm, 2e-3 * r->fwhm));
    free(st);
}

/* A Gaussian's 1 / beta goes to its bound, and the fit is still an answer. */
Test(moffat, a_gaussian_with_beta_free)
{
    frames_star s = { 40.2, 29.7, 1e5, 3, 0.3, 50, INFINITY };
    pl_stamp *st = stamp_of(&s, 12, var_for(&s), 1e9);
    pl_moffat f = start_near(&s, 1 / 3.5);
    cr_assert(pl_moffat_fit(st, PL_FREE_ALL, &f, NULL));
    cr_expect(lt(dbl, f.p[PL_MF_INVBETA], 0.01));
    cr_expect(epsilon_eq(dbl, 2 * exp(f.p[PL_MF_SIZE]), 3, 5e-3));
    free(st);
}

static void model(const pl_stamp *st, const pl_moffat *f, pl_seen *out)
{
    pl_pack_stamp(st, f->p, &out->pack);
    pl_profile_on(&out->pack, f->p, false, &out->image);
}

/* What profile.h says of its float x^y: 3e-6 against libm. Where a star is so wide that the profile
 * is the same all over a pixel, the model's values are profile values: compared with pow in double,
 * at every pixel, over the betas that occur. The quadrature adds (d2 I / dx2) / 24, which is 3e-7
 * of I here where (1 + k u)^-beta is well above nothing. */
Test(moffat, its_power_is_good_to_3e_6)
{
    static const double beta[] = { 1.6, 2.5, 3, 4.765, 10, 100, 1000 };
    static pl_seen image;
    double worst = 0;
    for (size_t k = 0; k < sizeof beta / sizeof *beta; k++)
        for (double h = 1000; h < 4000; h *= 1.37) {
            pl_stamp *st = calloc(1, sizeof *st);
            *st = (pl_stamp){ .w = 97, .h = 97, .var = 1, .gain = 1, .share = 1 };
            /* centre far off the stamp: u from 0.01 to about 5 */
            pl_moffat f = { .p = { 1e6, -0.1 * h, -2 * h + 40, log(h), 0, 0, 0, 1 / beta[k] } };
            for (int i = 0; i < 97 * 97; i++)
                st->use[i] = 1;
            model(st, &f, &image);
            double kk = exp2(1 / beta[k]) - 1;
            double norm = 1e6 * (beta[k] - 1) * kk / (M_PI * h * h);
            cr_assert(image.pack.n >= 97 * 97);
            for (int j = 0; j < image.pack.n; j++) {
                int i = image.pack.at[j];
                double x = i % 97 + 0.1 * h, y = i / 97 + 2 * h - 40;
                double want = norm * pow(1 + kk * (x * x + y * y) / (h * h), -beta[k]);
                worst = fmax(worst, fabs(image.image.light[j] / want - 1));
            }
            free(st);
        }
    cr_expect(le(dbl, worst, 3e-6 + 1e-6), "largest relative error %.2g",
              worst); /* 1e-6: float sums */
}

/* Same star moved by whole pixels, brighter by four, on a higher sky, or turned by 90 degrees. */
/* So far out that the light overflows there is no number, of either sign (that of infinity less
 * itself differs between processors); below the smallest float next to nothing. */
Test(moffat, its_power_of_no_number_is_none)
{
    for (int sign = -1; sign <= 1; sign += 2)
        for (int payload = 0; payload < 1024; payload++) {
            union {
                uint32_t u;
                float f;
            } none = { 0x7fc00000u | (sign < 0 ? 0x80000000u : 0) | (uint32_t)payload };
            cr_assert(isnan(pl_fast_exp2(none.f)), "%08x", none.u);
        }
    for (float x = -127; x > -2e5f; x *= 1.01f)
        cr_assert(pl_fast_exp2(x) >= 0 && pl_fast_exp2(x) < 2e-38f, "%g", x);
}

Test(moffat, follows_the_star)
{
    frames_star s = { 40.2, 29.7, 1e5, 3, 0.5, 25, 3.5 };
    pl_stamp *st = stamp_of(&s, 12, var_for(&s), 1e9), *moved = malloc(sizeof *moved);
    pl_moffat a = start_near(&s, 1 / 3.5), b = a;
    cr_assert(pl_moffat_fit(st, PL_FREE_SHAPE, &a, NULL));
    *moved = *st;
    moved->x0 += 100;
    moved->y0 -= 7;
    b.p[PL_MF_X] += 100;
    b.p[PL_MF_Y] -= 7;
    cr_assert(pl_moffat_fit(moved, PL_FREE_SHAPE, &b, NULL));
    cr_expect(epsilon_eq(dbl, b.p[PL_MF_X], a.p[PL_MF_X] + 100, 1e-5));
    cr_expect(epsilon_eq(dbl, b.p[PL_MF_Y], a.p[PL_MF_Y] - 7, 1e-5));
    cr_expect(epsilon_eq(dbl, b.p[PL_MF_SIZE], a.p[PL_MF_SIZE], 1e-5));
    *moved = *st;
    for (int i = 0; i < st->w * st->h; i++)
        moved->value[i] = 4 * st->value[i] + 1000;
    moved->var *= 16;
    b = start_near(&s, 1 / 3.5);
    b.p[PL_MF_FLUX] *= 4;
    b.p[PL_MF_SKY] = 1201;
    cr_assert(pl_moffat_fit(moved, PL_FREE_SHAPE, &b, NULL));
    cr_expect(epsilon_eq(dbl, b.p[PL_MF_FLUX], 4 * a.p[PL_MF_FLUX], 20));
    cr_expect(epsilon_eq(dbl, b.p[PL_MF_SKY], 4 * a.p[PL_MF_SKY] + 1000, 0.05));
    cr_expect(epsilon_eq(dbl, b.p[PL_MF_SIZE], a.p[PL_MF_SIZE], 1e-4));
    *moved = *st;
    for (int y = 0; y < st->h; y++)
        for (int x = 0; x < st->w; x++) /* (x, y) -> (-y, x) about pixel (40, 30) */
            moved->value[x * st->w + st->w - 1 - y] = st->value[y * st->w + x];
    b = (pl_moffat){ .p = { 7e4, 40.6, 30.5, log(1.5) + 0.25, 0, 0, SKY + 1, 1 / 3.5 } };
    cr_assert(pl_moffat_fit(moved, PL_FREE_SHAPE, &b, NULL));
    cr_expect(epsilon_eq(dbl, b.p[PL_MF_X] - 40, 30 - a.p[PL_MF_Y], 1e-4));
    cr_expect(epsilon_eq(dbl, b.p[PL_MF_Y] - 30, a.p[PL_MF_X] - 40, 1e-4));
    cr_expect(epsilon_eq(dbl, b.p[PL_MF_ETA1], -a.p[PL_MF_ETA1], 1e-4));
    cr_expect(epsilon_eq(dbl, b.p[PL_MF_ETA2], -a.p[PL_MF_ETA2], 1e-4));
    free(st);
    free(moved);
}

struct noise_row {
    double fwhm, ecc, beta, snr, gain; /* gain 0: sky noise alone */
};

ParameterizedTestParameters(moffat, error_bars)
{
    static struct noise_row rows[] = {
        { 3, 0, 0, 100, 0 },  { 3, 0.5, 4, 40, 0 },  { 1.5, 0, 4, 100, 0 },
        { 6, 0.3, 3, 60, 0 }, { 3, 0.6, 4, 200, 1 }, { 12, 0.5, 4, 60, 0 },
    };
    return cr_make_param_array(struct noise_row, rows, sizeof rows / sizeof *rows);
}

/* 400 noisy stamps: each parameter scatters by the error given. A scatter of 400 is known to 3.5 %,
 * so 0.85 to 1.15 is four of its errors; and the mean lies within five of its own of the truth. */
ParameterizedTest(struct noise_row *r, moffat, error_bars)
{
    enum { TRIALS = 400 };
    double var = 100, flux = frames_flux(r->snr, r->fwhm, var);
    frames_star s = { 40.2, 29.7, flux, r->fwhm, r->ecc, 25, r->beta > 0 ? r->beta : INFINITY };
    double inv = r->beta > 0 ? 1 / r->beta : NO_BETA, gain = r->gain > 0 ? r->gain : 1e9;
    double truth[PL_MF_N] = { flux,
                              s.x,
                              s.y,
                              log(0.5 * s.fwhm),
                              eta_of(s.ecc) * cos(50 * M_PI / 180),
                              eta_of(s.ecc) * sin(50 * M_PI / 180),
                              SKY,
                              inv };
    double sum[PL_MF_N] = { 0 }, sq[PL_MF_N] = { 0 }, err[PL_MF_N] = { 0 }, chi2 = 0;
    int fitted = 0;
    frames_dice dice = { 77 };
    pl_stamp *clean = stamp_of(&s, radius_for(&s), var, gain), *st = malloc(sizeof *st);
    for (int t = 0; t < TRIALS; t++) {
        *st = *clean;
        for (int i = 0; i < st->w * st->h; i++)
            st->value[i] +=
                (float)(sqrt(var + fmax(0, clean->value[i] - SKY) / gain) * frames_normal(&dice));
        pl_moffat f = start_near(&s, inv);
        if (!pl_moffat_fit(st, PL_FREE_SHAPE, &f, NULL))
            continue;
        fitted++;
        chi2 += f.chi2;
        for (int k = 0; k < PL_MF_INVBETA; k++) {
            double d = f.p[k] - truth[k];
            sum[k] += d;
            sq[k] += d * d;
            err[k] += sqrt(f.cov[k][k]);
        }
    }
    cr_assert(ge(int, fitted, TRIALS - 4));
    cr_expect(epsilon_eq(dbl, chi2 / fitted, 1, 0.03));
    for (int k = 0; k < PL_MF_INVBETA; k++) {
        double mean = sum[k] / fitted, scatter = sqrt(sq[k] / fitted - mean * mean);
        cr_expect(epsilon_eq(dbl, scatter / (err[k] / fitted), 1, 0.15), "parameter %d: pull %.3f",
                  k, scatter / (err[k] / fitted));
        cr_expect(lt(dbl, fabs(mean), 5 * scatter / sqrt(TRIALS) + 0.005 * err[k] / fitted + 1e-3),
                  "parameter %d: off by %g, error %g", k, mean, err[k] / fitted);
    }
    free(clean);
    free(st);
}

/* Cramer-Rao bounds of a Gaussian, sky noise B a pixel, size and flux free (derived; Mendez et al.
 * 2013, PASP 125, 580: variance goes as B / F^2): sigma_x = sqrt 2 s / SNR, sigma_flux / F =
 * sqrt 2 / SNR, sigma_size / s = 1 / SNR. Pixels and the free sky add a little: 6 %. */
Test(moffat, errors_are_the_cramer_rao_bound)
{
    double sigma = 3, snr = 100, fwhm = 2.3548200450309493 * sigma;
    frames_star s = { 40.2, 29.7, frames_flux(snr, fwhm, 100), fwhm, 0, 0, INFINITY };
    pl_stamp *st = stamp_of(&s, 40, 100, 1e9);
    pl_moffat f = start_near(&s, NO_BETA);
    cr_assert(pl_moffat_fit(st, PL_FREE_SHAPE, &f, NULL));
    cr_expect(epsilon_eq(dbl, sqrt(f.cov[PL_MF_X][PL_MF_X]) / (sqrt(2) * sigma / snr), 1, 0.06));
    cr_expect(
        epsilon_eq(dbl, sqrt(f.cov[PL_MF_FLUX][PL_MF_FLUX]) / (sqrt(2) * s.flux / snr), 1, 0.06));
    cr_expect(epsilon_eq(dbl, sqrt(f.cov[PL_MF_SIZE][PL_MF_SIZE]) * snr, 1, 0.06));
    cr_expect(epsilon_eq(dbl, s.flux * sqrt(f.unit_info), snr, 0.03 * snr), "SNR, shape known");
    free(st);
}

/* Fixed parameters stay, and have no error. */
Test(moffat, what_is_fixed_stays)
{
    frames_star s = { 40.2, 29.7, 1e5, 3, 0.5, 25, 3.5 };
    pl_stamp *st = stamp_of(&s, 12, var_for(&s), 1e9);
    pl_moffat f = start_near(&s, 1 / 3.5);
    f.p[PL_MF_SIZE] = log(1.5);
    f.p[PL_MF_ETA1] = 0.05;
    cr_assert(pl_moffat_fit(st, PL_FREE_PLACE, &f, NULL));
    cr_expect(f.p[PL_MF_SIZE] == log(1.5) && f.p[PL_MF_ETA1] == 0.05 && f.p[PL_MF_ETA2] == 0);
    for (int k = 0; k < PL_MF_N; k++)
        cr_expect(f.cov[PL_MF_SIZE][k] == 0 && f.cov[k][PL_MF_INVBETA] == 0);
    cr_expect(gt(dbl, f.cov[PL_MF_X][PL_MF_X], 0));
    free(st);
}

/* Defocus makes discs, of which no Moffat is a good likeness: slopes that are not quite the light's
 * own then leave a bright star's fit without an end. Eight Gaussians on a ring, at 40 places. */
Test(moffat, a_bright_disc_comes_to_an_end)
{
    enum { TRIALS = 40, PARTS = 8 };
    int ended = 0;
    frames_dice dice = { 7 };
    for (int i = 0; i < TRIALS; i++) {
        double flux = frames_flux(i % 2 ? 600 : 1500, 3.4, 100);
        frames_star s = { 40 + 0.11 * (i % 9), 30 + 0.2 * (i / 9), 0, 3.4, 0, 0, INFINITY };
        pl_stamp *st = stamp_of(&s, 12, 100, 1);
        double *v = calloc((size_t)(st->w * st->h), sizeof *v);
        for (int j = 0; j < PARTS; j++) {
            double a = 2 * M_PI * j / PARTS;
            frames_star part = {
                s.x + 2.2 * cos(a), s.y + 2.2 * sin(a), flux / PARTS, 2, 0, 0, INFINITY
            };
            frames_draw(v, st->x0, st->y0, st->w, st->h, &part);
        }
        for (int j = 0; j < st->w * st->h; j++)
            st->value[j] += (float)(v[j] + sqrt(100 + v[j]) * frames_normal(&dice));
        s.flux = flux;
        pl_moffat f = start_near(&s, 1.0 / 8);
        f.p[PL_MF_SIZE] = log(0.5 * s.fwhm); /* as of a frame with sharper stars */
        ended += pl_moffat_fit(st, PL_FREE_SHAPE, &f, NULL);
        free(v);
        free(st);
    }
    cr_expect(eq(int, ended, TRIALS), "%d of %d", ended, TRIALS);
}

/* Nothing there, or nonsense: an end, finite numbers or "no", never a hang. */
Test(moffat, hopeless_stamps)
{
    frames_star s = { 40, 30, 0, 3, 0, 0, 4 };
    pl_stamp *st = stamp_of(&s, 12, 1, 1);
    for (int k = 0; k < 4; k++) {
        for (int i = 0; i < st->w * st->h; i++) {
            st->use[i] = k != 1;
            st->value[i] = k == 2 ? -1e6f : k == 3 ? (float)(i % 2) * 1e9f : (float)SKY;
        }
        pl_moffat f = { .p = { 100, 40, 30, 0.4, 0, 0, SKY, 0.25 } };
        bool done = pl_moffat_fit(st, PL_FREE_ALL, &f, NULL);
        cr_expect(eq(int, done, f.converged &&done));
        for (int j = 0; j < PL_MF_N; j++)
            cr_expect(isfinite(f.p[j]), "stamp %d parameter %d", k, j);
    }
    free(st);
}

/* The response of the fitted sky: adding one ADU to all pixels lifts the sky by one. */
/* Each slope is what a small change of its parameter does to the pixels: by central differences. */
Test(moffat, slopes)
{
    static pl_seen at;
    static pl_profile up, down;
    static const double step[PL_MF_N] = { 10, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3, 1, 1e-3 };
    frames_star s = { 40.2, 29.7, 1e4, 3, 0.5, 25, 3.5 };
    pl_stamp *st = stamp_of(&s, 12, 10, 1);
    pl_moffat f = start_near(&s, 1 / 3.5);
    pl_pack_stamp(st, f.p, &at.pack);
    pl_profile_on(&at.pack, f.p, true, &at.image);
    for (int k = 0; k < PL_MF_N; k++) {
        pl_moffat a = f, b = f;
        a.p[k] += step[k];
        b.p[k] -= step[k];
        pl_profile_on(&at.pack, a.p, true, &up);
        pl_profile_on(&at.pack, b.p, true, &down);
        double most = 0, off = 0;
        for (int i = 0; i < at.pack.n; i++) {
            double slope = (up.light[i] - down.light[i]) / (2 * step[k]);
            most = fmax(most, fabs(slope));
            off = fmax(off, fabs(slope - at.image.slope[k][i]));
        }
        cr_expect(le(dbl, off, 5e-3 * most), "parameter %d: off by %.2g of %.2g", k, off, most);
    }
    free(st);
}
