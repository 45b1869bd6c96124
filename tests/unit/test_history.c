/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What stars' light did over a night: courses made by hand, with this test's own dice. */
#include "../../lib/align/align.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>

/* One exposure: light and width as they truly are, each measured to 2 and 1 %. */
static void expose(pl_history *h, double light, double width, double airmass, frames_dice *dice)
{
    pl_past p = { .transparency = light * (1 + 0.02 * frames_normal(dice)),
                  .transparency_sigma = 0.02 * light,
                  .spread = width * (1 + 0.01 * frames_normal(dice)),
                  .spread_sigma = 0.01 * width,
                  .airmass = airmass };
    pl_history_add(h, &p);
}

struct course_row {
    double light[2], width[2]; /* straight from the first to the last of 14 exposures */
    double airmass[2];         /* NaN: not told */
    double dip;                /* the last exposure alone is so much fainter */
    pl_fade want;
    char what[48];
};

ParameterizedTestParameters(history, fade)
{
    static struct course_row rows[] = {
        { { 1, 1 }, { 1, 1 }, { NAN, NAN }, 1, PL_FADE_NONE, "steady" },
        { { 1, 0.93 }, { 1, 1.02 }, { NAN, NAN }, 1, PL_FADE_NONE, "a little" },
        { { 1, 0.6 }, { 1, 1.3 }, { NAN, NAN }, 1, PL_FADE_DEW, "fading and spreading" },
        { { 1, 0.6 }, { 1, 1 }, { NAN, NAN }, 1, PL_FADE_FALL, "fading" },
        { { 1, 0.6 }, { 1.3, 1 }, { NAN, NAN }, 1, PL_FADE_FALL, "fading, sharper" },
        { { 1, 1 }, { 1, 1.4 }, { NAN, NAN }, 1, PL_FADE_NONE, "spreading alone: air, or focus" },
        { { 0.6, 1 }, { 1.3, 1 }, { NAN, NAN }, 1, PL_FADE_NONE, "clearing" },
        { { 1, 1 }, { 1, 1 }, { NAN, NAN }, 0.5, PL_FADE_CLOUD, "a cloud" },
        { { 1, 1 }, { 1, 1 }, { NAN, NAN }, 0.8, PL_FADE_NONE, "a thin one" },
        /* 1.2 to 3.4 airmasses at 0.2 mag each: 10^(-0.4 0.2 2.2) = 0.667 */
        { { 1, 0.667 }, { 1, 1 }, { 1.2, 3.4 }, 1, PL_FADE_NONE, "setting" },
        { { 1, 0.667 }, { 1, 1 }, { NAN, NAN }, 1, PL_FADE_FALL, "the same, height not told" },
    };
    return cr_make_param_array(struct course_row, rows, sizeof rows / sizeof *rows);
}

static pl_fade fade_of(const struct course_row *r, frames_dice *dice)
{
    enum { N = 14 };
    pl_history h = { .n = 0 };
    for (int i = 0; i < N; i++) {
        double t = i / (N - 1.0);
        double light = r->light[0] + t * (r->light[1] - r->light[0]);
        expose(&h, i == N - 1 ? light * r->dip : light,
               r->width[0] + t * (r->width[1] - r->width[0]),
               r->airmass[0] + t * (r->airmass[1] - r->airmass[0]), dice);
    }
    return pl_history_fade(&h);
}

/* Fifty nights each: never a wrong word. */
ParameterizedTest(struct course_row *r, history, fade)
{
    frames_dice dice = { 77 };
    for (int night = 0; night < 50; night++) {
        pl_fade got = fade_of(r, &dice);
        cr_assert(eq(int, (int)got, (int)r->want), "%s, night %d", r->what, night);
    }
}

Test(history, unknown_light_tells_nothing)
{
    pl_history h = { .n = 0 };
    cr_expect(eq(int, (int)pl_history_fade(&h), PL_FADE_NONE));
    for (int i = 0; i < 20; i++) {
        pl_past p = { .transparency = NAN, .spread = NAN };
        pl_history_add(&h, &p);
    }
    cr_expect(eq(int, (int)pl_history_fade(&h), PL_FADE_NONE));
}

Test(history, keeps_the_last_ones)
{
    pl_history h = { .n = 0 };
    for (int i = 0; i < PL_PAST + 7; i++) {
        pl_past p = { .minutes = i };
        pl_history_add(&h, &p);
    }
    cr_expect(eq(sz, h.n, PL_PAST));
    cr_expect(epsilon_eq(dbl, h.past[0].minutes, 7, 0));
    cr_expect(epsilon_eq(dbl, h.past[PL_PAST - 1].minutes, PL_PAST + 6, 0));
}
