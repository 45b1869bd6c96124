/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Exposures one after the other: which one is the reference, what a new field and cloud do. Star
 * lists of this test's own; too few stars for focus and air, which have tests of their own. */
#include "../../lib/align/align.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { STARS = 16, W = 1000, H = 800 };

static pl_field expose(uint64_t sky, size_t stars, double light, double width)
{
    pl_field f = { .width_px = W, .height_px = H, .facts = pl_facts_unknown() };
    frames_dice dice = { sky };
    f.star = calloc(STARS, sizeof *f.star);
    for (size_t i = 0; i < stars; i++)
        f.star[i] = (pl_star){ .x_px = 20 + frames_uniform(&dice) * (W - 40),
                               .y_px = 20 + frames_uniform(&dice) * (H - 40),
                               .flux_adu = (9000.0 - 100 * (double)i) * light,
                               .snr = 50,
                               .fwhm_px = 3 * width,
                               .fwhm_sigma_px = 0.03,
                               .eccentricity = 0.2 };
    f.used = f.stars = stars;
    f.fwhm_px = 3 * width;
    f.fwhm_sigma_px = 0.01;
    f.scale_arcsec_px = 1;
    f.facts.aperture_mm = (pl_num){ 280, PL_FROM_OPTION };
    f.facts.focal_mm = (pl_num){ 870, PL_FROM_OPTION };
    f.facts.pixel_um = (pl_num){ 4, PL_FROM_OPTION };
    return f;
}

static pl_followed next(pl_follow *w, pl_field f, const char *name)
{
    pl_followed o;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_follow_frame(w, &f, name, 1, &o, &err), PL_OK), "%s: %s", name, err.msg);
    pl_field_clear(&f);
    return o;
}

static pl_follow *begin(void)
{
    pl_follow *w = NULL;
    cr_assert(eq(int, pl_follow_new(NULL, NULL, &w, NULL), PL_OK));
    return w;
}

/* The ratios are exact: each star's light and width were multiplied by one number. */
Test(follow, against_the_sharpest_of_the_first)
{
    pl_follow *w = begin();
    pl_followed o = next(w, expose(1, STARS, 1, 1), "first");
    cr_expect(not(o.matched));
    cr_expect(eq(str, o.reference, ""));
    cr_expect(epsilon_eq(dbl, o.past.transparency, 1, 0)); /* of itself */
    pl_followed_clear(&o);
    o = next(w, expose(1, STARS, 0.95, 0.8), "sharper");
    cr_expect(o.matched && strcmp(o.reference, "first") == 0);
    cr_expect(epsilon_eq(dbl, o.match.transparency, 0.95, 1e-9));
    cr_expect(epsilon_eq(dbl, o.match.spread, 0.8, 1e-9));
    pl_followed_clear(&o);
    o = next(w, expose(1, STARS, 0.57, 1), "third");
    cr_expect(o.matched && strcmp(o.reference, "sharper") == 0, "%s", o.reference);
    cr_expect(epsilon_eq(dbl, o.match.transparency, 0.6, 1e-9));
    cr_expect(eq(int, (int)o.fade, PL_FADE_CLOUD));
    cr_expect(eq(int, (int)o.verdict.cause, PL_CAUSE_CLOUD));
    pl_followed_clear(&o);
    /* the past is told against the new one too: 1 / 0.95 and 1 / 0.8 */
    const pl_history *h = pl_follow_history(w);
    cr_expect(epsilon_eq(dbl, h->past[0].transparency, 1 / 0.95, 1e-9));
    cr_expect(epsilon_eq(dbl, h->past[0].spread, 1.25, 1e-9));
    for (int i = 0; i < 5; i++) {
        o = next(w, expose(1, STARS, 1, 1), "more");
        pl_followed_clear(&o);
    }
    o = next(w, expose(1, STARS, 1, 0.5), "sharpest, too late");
    pl_followed_clear(&o);
    o = next(w, expose(1, STARS, 1, 1), "last");
    cr_expect(eq(str, o.reference, "sharper"));
    pl_followed_clear(&o);
    pl_follow_free(w);
}

Test(follow, a_field_and_back)
{
    pl_follow *w = begin();
    pl_followed o = next(w, expose(1, STARS, 1, 1), "a");
    pl_followed_clear(&o);
    o = next(w, expose(2, STARS, 5, 1), "b");
    cr_expect(not(o.matched));
    cr_expect(eq(int, (int)o.fade, PL_FADE_NONE));
    pl_followed_clear(&o);
    o = next(w, expose(1, STARS, 1, 1), "a again");
    cr_expect(o.matched && strcmp(o.reference, "a") == 0, "%s", o.reference);
    pl_followed_clear(&o);
    pl_field red = expose(1, STARS, 0.2, 1);
    strcpy(red.facts.filter.s, "red");
    o = next(w, red, "through a filter");
    cr_expect(not(o.matched));
    pl_followed_clear(&o);
    pl_follow_free(w);
}

/* A sixth of the stars is left, and none to match: the reference stays, three times. */
Test(follow, cloud_is_no_new_field)
{
    pl_follow *w = begin();
    pl_followed o = next(w, expose(1, STARS, 1, 1), "clear");
    pl_followed_clear(&o);
    for (int i = 0; i < 3; i++) {
        o = next(w, expose(1, 3, 0.1, 1), "cloud");
        cr_expect(not(o.matched));
        cr_expect(eq(str, o.reference, "clear"));
        cr_expect(epsilon_eq(dbl, o.check.star_ratio, 3.0 / STARS, 1e-12));
        cr_expect(isnan(o.past.transparency));
        pl_followed_clear(&o);
    }
    o = next(w, expose(1, 3, 0.1, 1), "a new one after all");
    cr_expect(eq(str, o.reference, ""));
    pl_followed_clear(&o);
    o = next(w, expose(1, STARS, 1, 1), "clear again");
    cr_expect(eq(str, o.reference, "clear"));
    pl_followed_clear(&o);
    pl_follow_free(w);
}

Test(follow, goes_on_with_a_reference_given)
{
    pl_follow *w = begin();
    pl_field f = expose(1, STARS, 1, 1);
    pl_follow_refer(w, &f, "of yesterday");
    cr_expect(f.star == NULL);
    pl_followed o = next(w, expose(1, STARS, 0.9, 1), "now");
    cr_expect(eq(str, o.reference, "of yesterday"));
    cr_expect(epsilon_eq(dbl, o.match.transparency, 0.9, 1e-9));
    pl_followed_clear(&o);
    pl_follow_free(w);
}
