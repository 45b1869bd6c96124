/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One star from a bump to numbers: what the fit's parameters become, and what is no star. */
#include "../../lib/star/star.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { W = 120, H = 100, MOST = 3 };

struct stage {
    double v[W * H];
    float level[4], noise[4];
    pl_sky sky;
    pl_bump bump[MOST];
    pl_nearby nearby;
    pl_frame *frame;
    pl_site site;
};

static struct stage *stage_new(const char *mosaic, double fwhm)
{
    struct stage *t = calloc(1, sizeof *t);
    t->sky = (pl_sky){ .nx = 1, .ny = 1, .cell = 128, .sky_adu = 100, .noise_adu = 5 };
    for (int p = 0; p < 4; p++) {
        t->level[p] = 100;
        t->noise[p] = 5;
        t->sky.level[p] = &t->level[p];
        t->sky.noise[p] = &t->noise[p];
    }
    t->site = (pl_site){ .sky = &t->sky,
                         .bump = t->bump,
                         .gain = 1e9,
                         .saturation = 65535,
                         .fwhm = fwhm,
                         .beta = 4,
                         .stretch = 1 };
    snprintf(t->site.mosaic, sizeof t->site.mosaic, "%s", mosaic);
    return t;
}

static void finish(struct stage *t, uint64_t seed)
{
    frames_dice dice = { seed };
    for (int i = 0; i < W * H; i++)
        t->v[i] += 100 + 5 * frames_normal(&dice);
    t->site.frame = t->frame = frames_memory(W, H, t->v);
    pl_nearby_new(W, H, MOST, &t->nearby, NULL);
    for (size_t i = 0; i < t->site.bumps; i++)
        pl_nearby_add(&t->nearby, i, t->bump[i].x_px, t->bump[i].y_px);
    t->site.nearby = &t->nearby;
}

static void stage_free(struct stage *t)
{
    pl_nearby_clear(&t->nearby);
    pl_frame_free(t->frame);
    free(t);
}

struct row {
    double fwhm, ecc, angle;
};

ParameterizedTestParameters(measure, a_star)
{
    static struct row rows[] = { { 3, 0, 0 },     { 3, 0.5, 0 },   { 3, 0.5, 45 },
                                 { 3, 0.5, 90 },  { 3, 0.5, 135 }, { 4, 0.7, 170 },
                                 { 6, 0.42, 60 }, { 2, 0.6, 20 },  { 1.5, 0.3, 110 } };
    return cr_make_param_array(struct row, rows, sizeof rows / sizeof *rows);
}

/* Closed forms: major = fwhm / q, minor = fwhm q, q^4 = 1 - e^2; chi = (a^2 - b^2) / (a^2 + b^2).
 * At SNR 500 each number lies within five of its own errors, plus the fit's quadrature. */
ParameterizedTest(struct row *r, measure, a_star)
{
    struct stage *t = stage_new("", r->fwhm * 1.1);
    frames_star s = { 60.3, 50.8, frames_flux(500, r->fwhm, 25), r->fwhm, r->ecc, r->angle, 4 };
    frames_draw_near(t->v, W, H, &s);
    t->bump[t->site.bumps++] = (pl_bump){ 60.8, 50.2, 400, r->fwhm > 4 };
    finish(t, 5);
    pl_weight weight = pl_weight_for(4);
    pl_star m;
    pl_measure_star(&t->site, 0, PL_FREE_SHAPE, &weight, &m, NULL);
    cr_assert(eq(int, m.kind, PL_STAR));
    double q = pow(1 - r->ecc * r->ecc, 0.25), fine = 3e-3;
    double chi = (1 / (q * q) - q * q) / (1 / (q * q) + q * q), a = 2 * r->angle * M_PI / 180;
    cr_expect(epsilon_eq(dbl, m.x_px, s.x, 5 * m.x_sigma_px));
    cr_expect(epsilon_eq(dbl, m.y_px, s.y, 5 * m.y_sigma_px));
    cr_expect(epsilon_eq(dbl, m.flux_adu, s.flux, 5 * m.flux_sigma_adu));
    cr_expect(epsilon_eq(dbl, m.fwhm_px, r->fwhm, 5 * m.fwhm_sigma_px + fine * r->fwhm));
    cr_expect(epsilon_eq(dbl, m.fwhm_major_px, r->fwhm / q, 5 * m.fwhm_major_sigma_px + fine));
    cr_expect(epsilon_eq(dbl, m.fwhm_minor_px, r->fwhm * q, 5 * m.fwhm_minor_sigma_px + fine));
    cr_expect(epsilon_eq(dbl, m.chi1, chi * cos(a), 5 * m.chi_sigma + fine));
    cr_expect(epsilon_eq(dbl, m.chi2, chi * sin(a), 5 * m.chi_sigma + fine));
    cr_expect(epsilon_eq(dbl, m.eccentricity, r->ecc, 5 * m.eccentricity_sigma + fine));
    if (r->ecc > 0)
        cr_expect(lt(dbl, fabs(remainder(m.angle_deg - r->angle, 180)), 5 * m.angle_sigma_deg));
    cr_expect(m.angle_deg >= 0 && m.angle_deg < 180);
    cr_expect(epsilon_eq(dbl, m.sky_adu, 100, 2));
    cr_expect(epsilon_eq(dbl, m.misfit, 1, 0.4));
    cr_expect(eq(dbl, m.beta, 4));
    stage_free(t);
}

/* Without a weight there are no moments, and they are NaN, not 0. */
Test(measure, what_is_not_measured_is_nan)
{
    struct stage *t = stage_new("", 3);
    frames_star s = { 60.3, 50.8, 5000, 3, 0, 0, 4 };
    frames_draw_near(t->v, W, H, &s);
    t->bump[0] = (pl_bump){ 60, 51, 100, 0 };
    t->bump[1] = (pl_bump){ 1, 1, 100, 0 };
    t->site.bumps = 2;
    finish(t, 6);
    pl_star m;
    pl_measure_star(&t->site, 0, PL_FREE_SHAPE, NULL, &m, NULL);
    cr_assert(eq(int, m.kind, PL_STAR));
    cr_expect(isnan(m.hfd_px) && isnan(m.flare1) && isnan(m.kurtosis) && isnan(m.red_x_px));
    pl_measure_star(&t->site, 1, PL_FREE_SHAPE, NULL, &m, NULL);
    cr_expect(eq(int, m.kind, PL_EDGE));
    cr_expect(m.x_px == 1 && m.y_px == 1 && isnan(m.fwhm_px) && isnan(m.flux_adu));
    stage_free(t);
}

/* Empty sky called a bump: noise, never a star. */
Test(measure, nothing_is_noise)
{
    int stars = 0;
    for (uint64_t seed = 1; seed <= 50; seed++) {
        struct stage *t = stage_new("", 3);
        t->bump[t->site.bumps++] = (pl_bump){ 60, 51, 4.5f, 0 };
        finish(t, 100 * seed);
        pl_star m;
        pl_measure_star(&t->site, 0, PL_FREE_SHAPE, NULL, &m, NULL);
        stars += m.kind == PL_STAR;
        stage_free(t);
    }
    cr_expect(eq(int, stars, 0));
}

/* A hot pixel two FWHM off is left out of the fit. */
Test(measure, a_hit_in_the_wings_does_not_count)
{
    struct stage *t = stage_new("", 3);
    frames_star s = { 60.3, 50.8, 5000, 3, 0, 0, 4 };
    frames_draw_near(t->v, W, H, &s);
    t->v[51 * W + 66] += 1000;
    t->bump[t->site.bumps++] = (pl_bump){ 60, 51, 100, 0 };
    finish(t, 7);
    pl_star m;
    pl_measure_star(&t->site, 0, PL_FREE_SHAPE, NULL, &m, NULL);
    cr_assert(eq(int, m.kind, PL_STAR));
    cr_expect(epsilon_eq(dbl, m.fwhm_px, 3, 5 * m.fwhm_sigma_px));
    cr_expect(epsilon_eq(dbl, m.x_px, 60.3, 5 * m.x_sigma_px));
    cr_expect(epsilon_eq(dbl, m.flux_adu, 5000, 5 * m.flux_sigma_adu));
    stage_free(t);
}

/* Forced on the true shape the SNR is the flux's over its background error. */
Test(measure, forced)
{
    struct stage *t = stage_new("", 3);
    frames_star s = { 60.3, 50.8, frames_flux(50, 3, 25), 3, 0, 0, 4 };
    frames_draw_near(t->v, W, H, &s);
    t->bump[t->site.bumps++] = (pl_bump){ 60, 51, 40, 0 };
    finish(t, 8);
    pl_star at = { .x_px = 60.3, .y_px = 50.8, .flux_adu = s.flux };
    double snr = -7, chi2 = -7;
    int pixels = -7;
    cr_assert(pl_measure_forced(&t->site, 0, &at, 3, 0, 0, &snr, &chi2, &pixels));
    /* p^2 of a Moffat integrates to (beta - 1)^2 k / (pi h^2 (2 beta - 1)), a Gaussian's to
     * 1 / (4 pi s^2): at like FWHM 0.838 of the SNR for beta 4, and pixels take 2 % off (derived)
     */
    cr_expect(epsilon_eq(dbl, snr, 0.82 * 50, 5), "%g", snr);
    cr_expect(epsilon_eq(dbl, chi2 / pixels, 1, 0.3));
    t->bump[0] = (pl_bump){ 1, 1, 40, 0 };
    at.x_px = at.y_px = 1;
    snr = -7;
    cr_expect(eq(int, pl_measure_forced(&t->site, 0, &at, 3, 0, 0, &snr, &chi2, &pixels), 0));
    cr_expect(eq(dbl, snr, -7));
    stage_free(t);
}

/* The air spreads colours: red 0.3 px one way, blue 0.4 the other, green unmoved. */
Test(measure, colours_apart)
{
    struct stage *t = stage_new("RGGB", 3);
    double one[3][W * H] = { { 0 } };
    frames_star s[3] = { { 60.6, 50.8, 2e4, 3, 0, 0, 4 },
                         { 60.3, 50.8, 3e4, 3, 0, 0, 4 },
                         { 60.3, 51.2, 1e4, 3, 0, 0, 4 } };
    for (int c = 0; c < 3; c++)
        frames_draw_near(one[c], W, H, &s[c]);
    for (int i = 0; i < W * H; i++) {
        char c = t->site.mosaic[2 * (i / W & 1) + (i % W & 1)];
        t->v[i] = one[c == 'R' ? 0 : c == 'G' ? 1 : 2][i];
    }
    t->bump[t->site.bumps++] = (pl_bump){ 60, 51, 400, 0 };
    finish(t, 9);
    pl_star m;
    pl_measure_star(&t->site, 0, PL_FREE_SHAPE, NULL, &m, NULL);
    cr_assert(eq(int, m.kind, PL_STAR));
    pl_measure_colours(&t->site, 0, &m);
    cr_expect(epsilon_eq(dbl, m.flux_adu, 3e4, 5 * m.flux_sigma_adu), "green's flux");
    cr_expect(epsilon_eq(dbl, m.x_px, 60.3, 5 * m.x_sigma_px));
    cr_expect(epsilon_eq(dbl, m.red_x_px, 0.3, 5 * m.red_sigma_px));
    cr_expect(epsilon_eq(dbl, m.red_y_px, 0, 5 * m.red_sigma_px));
    cr_expect(epsilon_eq(dbl, m.blue_x_px, 0, 5 * m.blue_sigma_px));
    cr_expect(epsilon_eq(dbl, m.blue_y_px, 0.4, 5 * m.blue_sigma_px));
    cr_expect(m.red_sigma_px > 0 && m.red_sigma_px < 0.1 && m.blue_sigma_px > m.red_sigma_px);
    stage_free(t);
}
