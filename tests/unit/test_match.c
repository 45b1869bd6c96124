/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The same stars in two exposures: lists made by the rotation matrix and dice of the test's own,
 * with dropped stars, false ones and wild fluxes among them. */
#include "../../lib/align/align.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { W = 3000, H = 2000, SKY = 700, MOST = 260 };

typedef struct {
    double x, y, flux; /* from the first frame's centre */
} source;

/* How the second exposure was taken: the telescope moved, the camera turned, cloud, focus. */
typedef struct {
    double shift_x, shift_y, turn_deg, light, width, seconds;
    double lost, strange; /* parts of the stars dropped, and put where none is */
} shot;

/* Stars over three frames' width; N(> flux) falls as its 0.8th power. */
static void make_sky(source *s, frames_dice *dice)
{
    for (int i = 0; i < SKY; i++)
        s[i] = (source){ (frames_uniform(dice) - 0.5) * 2 * W, (frames_uniform(dice) - 0.5) * 2 * H,
                         500 * pow(frames_uniform(dice), -1 / 0.8) };
}

static int brighter(const void *a, const void *b)
{
    double p = ((const pl_star *)a)->flux_adu, q = ((const pl_star *)b)->flux_adu;
    return (p < q) - (p > q);
}

static void put(pl_field *f, double x, double y, double flux, double fwhm, frames_dice *dice)
{
    x += (W - 1) / 2.0 + 0.05 * frames_normal(dice); /* the centre of the first pixel is 0 */
    y += (H - 1) / 2.0 + 0.05 * frames_normal(dice);
    if (x < 0 || y < 0 || x > W - 1 || y > H - 1 || f->used == MOST)
        return;
    f->star[f->used++] = (pl_star){ .x_px = x,
                                    .y_px = y,
                                    .flux_adu = flux * (1 + 0.03 * frames_normal(dice)),
                                    .snr = 33,
                                    .fwhm_px = fwhm * (1 + 0.02 * frames_normal(dice)) };
}

static pl_field expose(const source *s, const shot *how, frames_dice *dice)
{
    pl_field f = { .width_px = W, .height_px = H, .facts = pl_facts_unknown() };
    double c = cos(how->turn_deg * M_PI / 180), d = sin(how->turn_deg * M_PI / 180);
    f.star = calloc(MOST, sizeof *f.star);
    f.facts.exposure_s.v = how->seconds;
    for (int i = 0; i < SKY; i++) {
        bool strange = frames_uniform(dice) < how->strange, lost = frames_uniform(dice) < how->lost;
        double flux = s[i].flux * how->light * how->seconds / 100;
        if (strange)
            put(&f, (frames_uniform(dice) - 0.5) * W, (frames_uniform(dice) - 0.5) * H, 3 * flux, 3,
                dice);
        if (!lost)
            put(&f, how->shift_x + c * s[i].x - d * s[i].y, how->shift_y + d * s[i].x + c * s[i].y,
                flux, 3 * how->width, dice);
    }
    qsort(f.star, f.used, sizeof *f.star, brighter);
    f.stars = f.used;
    return f;
}

static const shot FIRST = { 0, 0, 0, 1, 1, 100, 0.1, 0.1 };

struct match_row {
    shot how;
    char what[40];
};

ParameterizedTestParameters(match, finds)
{
    static struct match_row rows[] = {
        { { 0, 0, 0, 1, 1, 100, 0.1, 0.1 }, "as it was" },
        { { 12.3, -7.7, 0.02, 0.93, 1.04, 100, 0.1, 0.1 }, "dithered" },
        { { 1000, -660, 0.7, 0.6, 1.2, 100, 0.2, 0.2 }, "a third of the frame" },
        { { -900, 500, -1, 0.25, 1, 300, 0.3, 0.2 }, "a degree, through cloud, longer" },
        { { 40, -25, 180.4, 1.1, 0.9, 100, 0.2, 0.2 }, "behind the meridian" },
        { { 600, 300, 179.1, 0.8, 1.3, 60, 0.2, 0.2 }, "behind the meridian, far off" },
    };
    return cr_make_param_array(struct match_row, rows, sizeof rows / sizeof *rows);
}

/* Expected: what the test itself put in. Errors of a fit of n stars with sigma s are s / sqrt(n).
 */
ParameterizedTest(struct match_row *r, match, finds)
{
    source sky[SKY];
    frames_dice dice = { 11 };
    pl_match m = { 0 };
    pl_err err = { PL_OK, "" };
    make_sky(sky, &dice);
    pl_field a = expose(sky, &FIRST, &dice), b = expose(sky, &r->how, &dice);
    cr_assert(eq(int, pl_match_fields(&a, &b, &m, &err), PL_OK), "%s: %s", r->what, err.msg);
    double turn = remainder(m.rotation_deg - r->how.turn_deg, 360);
    cr_expect(m.stars > 25, "%s: %zu stars", r->what, m.stars);
    cr_expect(hypot(m.shift_x_px - r->how.shift_x, m.shift_y_px - r->how.shift_y) < 0.12,
              "%s: %g %g", r->what, m.shift_x_px, m.shift_y_px);
    cr_expect(fabs(turn) < 0.002, "%s: %g", r->what, m.rotation_deg);
    cr_expect(fabs(m.scale - 1) < 5e-5, "%s: %g", r->what, m.scale);
    cr_expect(fabs(m.scatter_px - 0.05 * M_SQRT2) < 0.02, "%s: %g", r->what, m.scatter_px);
    cr_expect(fabs(m.transparency - r->how.light) < 4 * m.transparency_sigma, "%s: %g +- %g",
              r->what, m.transparency, m.transparency_sigma);
    cr_expect(fabs(m.spread - r->how.width) < 4 * m.spread_sigma, "%s: %g +- %g", r->what, m.spread,
              m.spread_sigma);
    cr_expect(m.transparency_sigma < 0.03 * r->how.light && m.spread_sigma < 0.02, "%s", r->what);
    pl_field_clear(&a);
    pl_field_clear(&b);
}

/* Pulls: over 100 skies, (told - true) / sigma has a mean square of one (chi square of 100, 5
 * sigma: 0.5 to 1.7; the median's own error is as wide as its Gaussian limit only for many stars).
 */
Test(match, errors_are_true)
{
    source sky[SKY];
    frames_dice dice = { 5 };
    double light = 0, width = 0;
    const shot how = { 200, 100, 0.3, 0.7, 1.1, 100, 0.2, 0.2 };
    for (int i = 0; i < 100; i++) {
        pl_match m = { 0 };
        make_sky(sky, &dice);
        pl_field a = expose(sky, &FIRST, &dice), b = expose(sky, &how, &dice);
        cr_assert(eq(int, pl_match_fields(&a, &b, &m, NULL), PL_OK));
        light += pow((m.transparency - how.light) / m.transparency_sigma, 2) / 100;
        width += pow((m.spread - how.width) / m.spread_sigma, 2) / 100;
        pl_field_clear(&a);
        pl_field_clear(&b);
    }
    cr_expect(light > 0.5 && light < 1.7, "light: %g", light);
    cr_expect(width > 0.5 && width < 1.7, "width: %g", width);
}

/* Two skies that have nothing to do with each other never match, crowded or sparse. */
Test(match, refuses_other_fields)
{
    source one[SKY], two[SKY];
    frames_dice dice = { 23 };
    for (int i = 0; i < 150; i++) {
        shot how = { 0, 0, 0, 1, 1, 100, i % 3 * 0.45, 0.1 };
        pl_match m = { .stars = 99 };
        pl_err err = { PL_OK, "" };
        make_sky(one, &dice);
        make_sky(two, &dice);
        pl_field a = expose(one, &how, &dice), b = expose(two, &how, &dice);
        cr_assert(eq(int, pl_match_fields(&a, &b, &m, &err), PL_ENODATA), "draw %d: %zu stars", i,
                  m.stars);
        cr_assert(m.stars == 99 && strstr(err.msg, "not those"), "%s", err.msg);
        pl_field_clear(&a);
        pl_field_clear(&b);
    }
}

Test(match, refuses_sizes_and_blank_frames)
{
    source sky[SKY];
    frames_dice dice = { 3 };
    pl_match m = { .stars = 99 };
    pl_err err = { PL_OK, "" };
    make_sky(sky, &dice);
    pl_field a = expose(sky, &FIRST, &dice), b = expose(sky, &FIRST, &dice);
    b.width_px = 2000;
    cr_expect(eq(int, pl_match_fields(&a, &b, &m, &err), PL_EARG));
    cr_expect(strstr(err.msg, "3000 x 2000") != NULL, "%s", err.msg);
    b.width_px = W;
    b.used = 0;
    cr_expect(eq(int, pl_match_fields(&a, &b, &m, NULL), PL_ENODATA));
    b.used = 4; /* too few to be sure */
    cr_expect(eq(int, pl_match_fields(&a, &b, &m, NULL), PL_ENODATA));
    cr_expect(eq(sz, m.stars, 99));
    pl_field_clear(&a);
    pl_field_clear(&b);
}
