/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Telling stars from what is no star, on a frame that holds both. */
#include "../../lib/star/star.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <gsl/gsl_errno.h>
#include <math.h>
#include <stdlib.h>

enum { W = 640, H = 480 };

TestSuite(vet, .init = (void (*)(void))gsl_set_error_handler_off);

/* Stars on a grid of 60 px with the strangers of one sort standing between them. */
typedef void stranger(double *v, double x, double y, frames_dice *dice);

static void put(double *v, double x, double y, double flux, double fwhm, double ecc, double deg)
{
    frames_star s = { x, y, flux, fwhm, ecc, deg, 4 };
    frames_draw_near(v, W, H, &s);
}

static double *scene(double fwhm, stranger *odd, uint64_t seed)
{
    double *v = calloc(W * H, sizeof *v);
    frames_dice dice = { seed };
    for (int k = 0; k < 80; k++)
        put(v, 60 * (k % 10) + 35 + 4 * frames_uniform(&dice),
            60 * (k / 10) + 25 + 4 * frames_uniform(&dice),
            frames_flux(60 * exp(2 * frames_uniform(&dice)), fwhm, 100), fwhm, 0.2, 30);
    for (int k = 0; k < 20; k++)
        odd(v, 120 * (k % 5) + 65 + 2 * frames_uniform(&dice),
            120 * (k / 5) + 55 + 2 * frames_uniform(&dice), &dice);
    frames_noise(v, W * H, 100, 2, &dice);
    for (int i = 0; i < W * H; i++)
        v[i] += 1000;
    return v;
}

static void hot(double *v, double x, double y, frames_dice *dice)
{
    v[(int)y * W + (int)x] += 500 + 2000 * frames_uniform(dice);
}

static void ray(double *v, double x, double y, frames_dice *dice) /* a track of 8 px */
{
    double a = M_PI * frames_uniform(dice);
    for (double t = -4; t <= 4; t += 0.25)
        v[(int)lround(y + t * sin(a)) * W + (int)lround(x + t * cos(a))] += 150;
}

static void wide(double *v, double x, double y, frames_dice *dice) /* a round galaxy, SNR 150 */
{
    (void)dice;
    put(v, x, y, frames_flux(150, 8, 100), 8, 0, 0);
}

static void long_one(double *v, double x, double y, frames_dice *dice) /* axis ratio 4, SNR 150 */
{
    put(v, x, y, frames_flux(150, 6, 100), 6, 0.968, 180 * frames_uniform(dice));
}

static void pair(double *v, double x, double y, frames_dice *dice) /* 1.2 FWHM apart */
{
    double a = 2 * M_PI * frames_uniform(dice);
    put(v, x, y, frames_flux(150, 3, 100), 3, 0, 0);
    put(v, x + 3.6 * cos(a), y + 3.6 * sin(a), frames_flux(150, 3, 100), 3, 0, 0);
}

static void clipped(double *v, double x, double y, frames_dice *dice)
{
    frames_star s = { x, y, 2e6, 3, 0, 0, 4 }; /* peak 1.5e5 */
    (void)dice;
    frames_draw_near(v, W, H, &s);
}

static void star(double *v, double x, double y, frames_dice *dice)
{
    (void)dice;
    put(v, x, y, frames_flux(50, 3, 100), 3, 0.2, 30);
}

static pl_stars measure(double fwhm, stranger *odd)
{
    double *v = scene(fwhm, odd, 41);
    for (int i = 0; odd == clipped && i < W * H; i++)
        v[i] = fmin(v[i], 60000);
    pl_frame *f = frames_memory(W, H, v);
    pl_facts facts = pl_facts_unknown();
    facts.gain_e_adu = (pl_num){ 2, PL_FROM_OPTION };
    facts.saturation_adu = (pl_num){ 60000, PL_FROM_OPTION };
    facts.mosaic = (pl_text){ "none", PL_FROM_OPTION };
    pl_stars s = { 0 };
    cr_assert(eq(int, pl_stars_measure(f, &facts, 0, 2, &s, NULL, NULL), PL_OK));
    pl_frame_free(f);
    free(v);
    return s;
}

/* Used stars that stand where a stranger does, and those that stand where a star does. */
static void count(const pl_stars *s, int *strangers, int *stars)
{
    *strangers = *stars = 0;
    for (size_t i = 0; i < s->used; i++) {
        double x = s->star[i].x_px, y = s->star[i].y_px;
        double gx = fmod(x - 35, 60), gy = fmod(y - 25, 60);
        *stars += gx > -2 && gx < 7 && gy > -2 && gy < 7;
        double ox = fmod(x - 65, 120), oy = fmod(y - 55, 120);
        *strangers += ox > -8 && ox < 10 && oy > -8 && oy < 10;
    }
}

struct sort {
    stranger *odd;
    double fwhm;
    int most; /* of 20 that may pass */
    const char *name;
};

/* One unlucky stranger in 20 may pass for a star; at least 76 of 80 stars must. */
Test(vet, strangers_are_named)
{
    static const struct sort sort[] = {
        { hot, 3, 0, "hot pixels" },        { hot, 1.8, 1, "hot pixels among sharp stars" },
        { ray, 3, 1, "cosmic rays" },       { wide, 3, 0, "galaxies" },
        { long_one, 3, 0, "streaks" },      { pair, 3, 1, "pairs" },
        { clipped, 3, 0, "clipped stars" },
    };
    for (size_t k = 0; k < sizeof sort / sizeof *sort; k++) {
        pl_stars s = measure(sort[k].fwhm, sort[k].odd);
        int strangers, stars;
        count(&s, &strangers, &stars);
        cr_expect(le(int, strangers, sort[k].most), "%s: %d of 20 pass as stars", sort[k].name,
                  strangers);
        cr_expect(ge(int, stars, 76), "%s: %d of 80 stars", sort[k].name, stars);
        pl_stars_clear(&s);
    }
}

Test(vet, the_right_names)
{
    static const struct {
        stranger *odd;
        pl_kind kind;
    } want[] = { { hot, PL_SHARP }, { wide, PL_EXTENDED }, { clipped, PL_SATURATED } };
    for (size_t k = 0; k < sizeof want / sizeof *want; k++) {
        pl_stars s = measure(3, want[k].odd);
        cr_expect(ge(sz, s.kind[want[k].kind], 17), "%s: %zu of 20", pl_kind_name(want[k].kind),
                  s.kind[want[k].kind]);
        pl_stars_clear(&s);
    }
}

/* Stars are not thrown out for standing in a strangers' place. */
Test(vet, more_stars_are_stars)
{
    pl_stars s = measure(3, star);
    int strangers, stars;
    count(&s, &strangers, &stars);
    cr_expect(ge(int, strangers, 19));
    cr_expect(ge(int, stars, 76));
    pl_stars_clear(&s);
}
