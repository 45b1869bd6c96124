/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Two measurements compared: against scipy and closed forms; two of the same never look changed;
 * what truly changed does, the right way. */
#include "../../lib/align/change/change.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <gsl/gsl_errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

TestSuite(change, .init = (void (*)(void))gsl_set_error_handler_off);

/* ---- one comparison */

struct vector_row {
    pl_vector before, after;
    double want;
};
ParameterizedTestParameters(change, vectors_as_scipy)
{
    /* scipy.stats.chi2.sf(d @ solve(C, d), 2), version 1.10.1 */
    static struct vector_row rows[] = {
        { { 1, 2, .04, .01, .09 }, { 1.5, 1.2, .02, -.005, .03 }, 0.00643955289674407 },
        { { 0, 0, 1, 0, 1 }, { 3, 0, 1, 0, 1 }, 0.105399224561864 },
        { { .1, -.2, 1e-4, 0, 4e-4 }, { -.1, .1, 4e-4, 1e-4, 9e-4 }, 1.04018485315771e-37 },
    };
    return cr_make_param_array(struct vector_row, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct vector_row *r, change, vectors_as_scipy)
{
    pl_change c = pl_change_vectors("x", "", r->before, r->after, 1, false);
    cr_expect(epsilon_eq(dbl, c.chance / r->want, 1, 1e-9));
    double dx = r->after.x - r->before.x, dy = r->after.y - r->before.y;
    cr_expect(epsilon_eq(dbl, c.moved, hypot(dx, dy), 1e-12));
    cr_expect(epsilon_eq(dbl, cos(c.moved_deg * M_PI / 180), dx / c.moved, 1e-9));
    cr_expect(c.moved_deg >= 0 && c.moved_deg < 360);
}

Test(change, numbers_as_scipy)
{
    /* 2 scipy.stats.norm.sf(|a - b| / hypot(errors)), version 1.10.1 */
    pl_change c = pl_change_numbers("x", "", .12, .02, .045, .015, false);
    cr_expect(epsilon_eq(dbl, c.chance, 0.00269979606326019, 1e-12));
    cr_expect(epsilon_eq(dbl, c.change, -.075, 1e-12));
    c = pl_change_numbers("x", "", -3, 1, 2, 2, false);
    cr_expect(epsilon_eq(dbl, c.chance, 0.0253473186774683, 1e-12));
    cr_expect(epsilon_eq(dbl, c.change, -1, 1e-12), "lengths: 2 less 3");
    c = pl_change_numbers("x", "", -3, 1, 3, 2, true);
    cr_expect(epsilon_eq(dbl, c.chance, 1, 1e-12), "signs unknown: the same");
    c = pl_change_numbers("x", "", NAN, 1, 3, 2, false);
    cr_expect(isnan(c.chance));
}

Test(change, spin_and_unknown_sign)
{
    pl_vector a = { 1, 0, .01, 0, .01 }, b = { 0, 1, .01, 0, .01 }, minus = { -1, 0, .01, 0, .01 };
    cr_expect(epsilon_eq(dbl, pl_change_vectors("x", "", a, b, 2, false).moved_deg, 67.5, 1e-9));
    cr_expect(epsilon_eq(dbl, pl_change_vectors("x", "", a, b, 3, false).moved_deg, 45, 1e-9));
    pl_change c = pl_change_vectors("x", "", a, minus, 2, true);
    cr_expect(epsilon_eq(dbl, c.chance, 1, 1e-12));
    cr_expect(isnan(c.moved_deg));
}

/* ---- many comparisons */

Test(change, holm_by_hand)
{
    /* ascending .005 .01 .03 .04 .2, times 5 4 3 2 1, never falling: .025 .04 .09 .09 .2 */
    const double chance[] = { .01, .04, NAN, .03, .005, .2 },
                 want[] = { .04, .09, NAN, .09, .025, .2 };
    pl_change c[6], *p[6];
    for (int i = 0; i < 6; i++) {
        c[i] = pl_change_numbers("x", "", 1, .1, 2, .1, false);
        c[i].chance = chance[i];
        p[i] = &c[i];
    }
    pl_changes_holm(p, 6);
    for (int i = 0; i < 6; i++) {
        if (isnan(want[i]))
            cr_expect(isnan(c[i].chance) && !c[i].seen);
        else
            cr_expect(epsilon_eq(dbl, c[i].chance, want[i], 1e-12), "%d", i);
        cr_expect(not(c[i].seen), "none is below 1 %%");
    }
}

/* One sentence for each way a fault can go. */
static pl_change settled(double before, double after, double sigma)
{
    pl_change c = pl_change_numbers("x", "", before, sigma, after, sigma, false), *p = &c;
    pl_changes_holm(&p, 1);
    pl_change_say(&c);
    return c;
}

Test(change, words)
{
    cr_expect(eq(str, settled(.1, .04, .005).text, "fell by 60 %"));
    cr_expect(eq(str, settled(-.04, -.06, .002).text, "grew by 50 %"));
    cr_expect(eq(str, settled(.1, .11, .01).text, "no change that can be seen"));
    pl_change c = settled(.1, -.1, .01);
    cr_expect(c.seen && c.state == PL_SAME && pl_change_past(&c));
    cr_expect(eq(str, c.text, "went past nought, no better and no worse"));
    c = settled(.2, -.05, .01);
    cr_expect(eq(int, c.state, PL_BETTER));
    cr_expect(ne(ptr, strstr(c.text, "fell by 75 %, past nought"), NULL), "%s", c.text);
    cr_expect(eq(str, settled(NAN, 1, 1).text, "could not be compared"));
}

/* Vectors of nothing but noise, one measured ten times worse: its length alone is ten times as
 * long, and that is no change. */
Test(change, noise_of_two_sizes_is_no_change)
{
    enum { DRAWS = 20000 };
    frames_dice dice = { 77 };
    int seen = 0, told = 0;
    for (int i = 0; i < DRAWS; i++) {
        pl_vector a = { frames_normal(&dice), frames_normal(&dice), 1, 0, 1 },
                  b = { 10 * frames_normal(&dice), 10 * frames_normal(&dice), 100, 0, 100 };
        pl_change c = pl_change_vectors("x", "", a, b, 1, false), *p = &c;
        pl_changes_holm(&p, 1);
        seen += c.seen;
        told += c.state != PL_SAME;
    }
    /* binomial: 1 % of 20000 is 200 +- 14; 4 of those allowed */
    cr_expect(le(int, abs(seen - 200), 57), "%d", seen);
    cr_expect(le(int, told, 200 + 57), "%d", told);
}

/* ---- fields */

enum { W = 3000, H = 2000, N = 240 };
static const double ERR = 0.02;

struct faults {
    double even, outward, slope, slope_deg, bowl, flare, flare_deg, corner, swell;
};

static double rad(double deg)
{
    return deg * M_PI / 180;
}

/* Made-up stars, known errors; free with pl_field_clear. */
static pl_field made(const struct faults *f, uint64_t seed)
{
    frames_dice dice = { seed };
    pl_field out = { .width_px = W, .height_px = H, .scale_arcsec_px = 1, .used = N, .stars = N };
    double r = 0.5 * hypot(W, H), swell = f->swell > 0 ? f->swell : 1;
    out.facts = pl_facts_unknown();
    out.star = calloc(N, sizeof *out.star);
    for (int i = 0; i < N; i++) {
        pl_star *t = &out.star[i];
        *t = (pl_star){ .x_px = W * frames_uniform(&dice), .y_px = H * frames_uniform(&dice) };
        double x = (t->x_px - 0.5 * (W - 1)) / r, y = (t->y_px - 0.5 * (H - 1)) / r;
        t->chi1 = f->even + f->outward * (x * x - y * y) + ERR * frames_normal(&dice);
        t->chi2 = f->outward * 2 * x * y + ERR * frames_normal(&dice);
        t->fwhm_px = 3 * swell *
                     exp(f->slope * (x * cos(rad(f->slope_deg)) + y * sin(rad(f->slope_deg))) +
                         f->bowl * (x * x + y * y) + ERR * frames_normal(&dice));
        t->flare1 = f->flare * cos(rad(f->flare_deg)) + ERR * frames_normal(&dice);
        t->flare2 = f->flare * sin(rad(f->flare_deg)) + ERR * frames_normal(&dice);
        t->corner1 = f->corner + ERR * frames_normal(&dice);
        t->corner2 = ERR * frames_normal(&dice);
        t->chi_sigma = t->flare_sigma = t->corner_sigma = ERR;
        t->fwhm_sigma_px = ERR * t->fwhm_px;
    }
    out.fwhm_px = 3 * swell * (1 + ERR / sqrt(N) * frames_normal(&dice));
    out.fwhm_sigma_px = 3 * swell * ERR / sqrt(N);
    out.eccentricity = 0.2 / swell + 0.005 * frames_normal(&dice);
    out.eccentricity_sigma = 0.005;
    const double tolerance[] = { .1, .1, .1, .1, .018, .028 };
    for (int i = 0; i < PL_PATTERNS; i++) {
        out.pattern[i].tolerance = tolerance[i];
        out.pattern[i].unit = "chi";
    }
    out.facts.fwhm_growth.v = .05;
    out.facts.eccentricity.v = .42;
    return out;
}

static pl_changes between(const struct faults *before, const struct faults *after, uint64_t seed)
{
    pl_err err = { PL_OK, "" };
    pl_field b = made(before, 2 * seed), a = made(after, 2 * seed + 1);
    pl_changes c = { 0 };
    cr_assert(eq(int, pl_field_change(&b, &a, &c, &err), PL_OK), "%s", err.msg);
    pl_field_clear(&b);
    pl_field_clear(&a);
    return c;
}

static const pl_change *called(const pl_changes *c, const char *name)
{
    for (size_t i = 0; i < c->items; i++)
        if (strcmp(c->item[i].name, name) == 0)
            return &c->item[i];
    cr_assert(false, "no %s", name);
    return NULL;
}

static bool anything(const pl_changes *c, bool zones)
{
    for (size_t i = 0; i < c->items && !zones; i++)
        if (c->item[i].seen)
            return true;
    for (size_t k = 0; k < c->columns * c->rows && zones; k++)
        if (c->zone[k].size.seen || c->zone[k].stretch.seen)
            return true;
    return false;
}

/* The family's promise: 1 % each for items and zones. */
Test(change, same_telescope_looks_the_same)
{
    enum { PAIRS = 600 };
    const struct faults kind[] = { { 0 },
                                   { .flare = .05, .flare_deg = 40, .even = .03 },
                                   { .slope = .15, .slope_deg = 200, .outward = .1, .bowl = .08 } };
    int items = 0, zones = 0;
    for (uint64_t i = 0; i < PAIRS; i++) {
        pl_changes c = between(&kind[i % 3], &kind[i % 3], 1000 + i);
        items += anything(&c, false);
        zones += anything(&c, true);
        cr_expect(ge(sz, c.columns * c.rows, 12));
        pl_changes_clear(&c);
    }
    /* 6 expected at most, binomial error 2.4: 3 of those */
    cr_expect(le(int, items, 13), "%d of %d", items, PAIRS);
    cr_expect(le(int, zones, 13), "%d of %d", zones, PAIRS);
}

Test(change, worse_air_is_not_the_adjustment)
{
    /* Gaussian closed forms: second moments fade as FWHM^-2, third as FWHM^-3 */
    const double s = 1.1;
    struct faults a = { .flare = .04, .flare_deg = 300, .outward = .1, .slope = .1 },
                  b = { .flare = a.flare / (s * s * s),
                        .flare_deg = 300,
                        .outward = a.outward / (s * s),
                        .slope = a.slope / (s * s),
                        .swell = s };
    int same = 0;
    for (uint64_t i = 0; i < 20; i++) {
        pl_changes c = between(&a, &b, 50 + i);
        same += c.state == PL_SAME;
        cr_expect(c.item[c.items - 1].seen, "FWHM");
        cr_expect(eq(int, c.state != PL_SAME || strstr(c.action, "air or focus") != NULL, 1), "%s",
                  c.action);
        pl_changes_clear(&c);
    }
    cr_expect(ge(int, same, 19), "%d", same);
}

struct told_row {
    struct faults before, after;
    pl_change_state state;
    char item[24], text[48], action[40];
};
ParameterizedTestParameters(change, what_changed_is_told)
{
    static struct told_row rows[] = {
        { { .flare = .09, .flare_deg = 30 },
          { .flare = .04, .flare_deg = 30 },
          PL_BETTER,
          "one-sided flare",
          "better: one-sided flare fell",
          "collimation, by half" },
        { { .flare = .02 },
          { .flare = .06 },
          PL_WORSE,
          "one-sided flare",
          "worse: one-sided flare grew",
          "Go back with the collimation" },
        { { .flare = .06, .flare_deg = 10 },
          { .flare = .06, .flare_deg = 190 },
          PL_SAME,
          "one-sided flare",
          "points another way",
          "turn another screw" },
        { { .outward = .2, .bowl = .1 },
          { .outward = .02 },
          PL_BETTER,
          "outward stretch",
          "better: outward stretch fell",
          "leave it" },
        { { .outward = .15 },
          { .outward = -.15 },
          PL_SAME,
          "outward stretch",
          "went past nought",
          "go back by half" },
        { { .outward = .22 },
          { .outward = -.1 },
          PL_BETTER,
          "outward stretch",
          "fell by",
          "You went past the best" },
        { { .slope = .05, .slope_deg = 90 },
          { .slope = .25, .slope_deg = 90 },
          PL_WORSE,
          "size slope",
          "(tilt)",
          "Go back with the tilt" },
        { { .corner = .1 },
          { .even = 0 },
          PL_BETTER,
          "three-cornered",
          "better: three-cornered",
          "leave it" },
        { { .slope = .2, .slope_deg = 90 },
          { .flare = .06 },
          PL_MIXED,
          "size slope",
          "mixed:",
          "Keep what helped" },
        { { .even = 0 },
          { .even = .2 },
          PL_SAME,
          "even stretch",
          "tracking changed",
          "not an adjustment" },
        { { .flare = .03 },
          { .flare = .03, .swell = 1.12 },
          PL_SAME,
          "FWHM",
          "all stars alike 12 % wider",
          "air or focus" },
    };
    return cr_make_param_array(struct told_row, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct told_row *r, change, what_changed_is_told)
{
    pl_changes c = between(&r->before, &r->after, 9);
    cr_expect(eq(int, c.state, r->state), "%s", c.text);
    cr_expect(called(&c, r->item)->seen, "%s", r->item);
    cr_expect(ne(ptr, strstr(c.text, r->text), NULL), "%s", c.text);
    cr_expect(ne(ptr, strstr(c.action, r->action), NULL), "%s", c.action);
    pl_changes_clear(&c);
}

/* Stars grown on one side: the zones there are worse, and only in size. */
Test(change, zones_tell_where)
{
    struct faults even = { 0 }, slope = { .slope = .3 };
    pl_changes c = between(&even, &slope, 4);
    for (size_t k = 0; k < c.columns * c.rows; k++) {
        bool side = k % c.columns == 0 || k % c.columns == c.columns - 1;
        if (side)
            cr_expect(eq(int, c.zone[k].size.state, PL_WORSE), "%zu", k);
        cr_expect(not(c.zone[k].stretch.seen));
        cr_expect(ge(sz, c.zone[k].before_stars, 1));
    }
    cr_expect(lt(dbl, c.zone[0].size.after, 0), "column 1 is the sharper side");
    cr_expect(lt(dbl, c.zone[0].x_px, W / 4.0));
    cr_expect(lt(dbl, c.zone[0].y_px, H / 3.0));
    pl_changes_clear(&c);
}

static void expect_refused(const pl_field *b, const pl_field *a, const char *why)
{
    pl_err err = { PL_OK, "" };
    pl_changes c = { .items = 77 };
    cr_expect(ne(int, pl_field_change(b, a, &c, &err), PL_OK));
    cr_expect(eq(sz, c.items, 77), "untouched");
    cr_expect(ne(ptr, strstr(err.msg, why), NULL), "%s", err.msg);
}

Test(change, fields_that_do_not_belong_together)
{
    struct faults none = { 0 };
    pl_field a = made(&none, 1), b = made(&none, 2), keep = b;
    b.width_px = 1500;
    expect_refused(&b, &a, "3000 x 2000 px cannot be compared with the 1500 x 2000 px");
    b = keep;
    strcpy(b.mosaic, "RGGB");
    expect_refused(&b, &a, "mosaic none cannot be compared with RGGB");
    b = keep;
    b.scale_arcsec_px = 1.1;
    expect_refused(&b, &a, "1 arcsec/px cannot be compared with the 1.1");
    b = keep;
    a.facts.origin_x_px.v = 0;
    b.facts.origin_x_px.v = 200;
    expect_refused(&b, &a, "another part of the sensor");
    b = keep;
    strcpy(b.facts.row_order.s, "TOP-DOWN");
    expect_refused(&b, &a, "rows run the other way");
    b = keep;
    b.used = 12;
    expect_refused(&b, &a, "12 usable stars in the frame before");
    pl_field_clear(&keep);
    pl_field_clear(&a);
}

/* ---- surfaces */

static pl_surface surface(double x, double y, double bowl)
{
    pl_surface s = { .tilt_x_um_mm = x,
                     .tilt_y_um_mm = y,
                     .curvature_um = bowl,
                     .width_mm = 23.5,
                     .height_mm = 15.7 };
    s.cov[0][0] = s.cov[1][1] = 0.01;
    s.cov[0][1] = s.cov[1][0] = 0.002;
    s.cov[2][2] = 4;
    return s;
}

Test(change, surfaces)
{
    pl_err err = { PL_OK, "" };
    pl_surface b = surface(3, 1, 30), a = surface(.5, 0, 31);
    pl_changes c = { 0 };
    cr_assert(eq(int, pl_surface_change(&b, &a, NAN, &c, &err), PL_OK));
    cr_expect(eq(int, c.state, PL_BETTER));
    cr_expect(eq(str, c.text, "better: tilt fell by 84 %"));
    /* by hand: d = (-2.5, -1), C = [.02 .004; .004 .02], d' C^-1 d = .125 / .000384 = 325.5 */
    cr_expect(epsilon_eq(dbl, c.item[0].moved, hypot(2.5, 1), 1e-12));
    cr_expect(lt(dbl, c.item[0].chance, 1e-60));
    cr_expect(not(c.item[1].seen));
    cr_expect(eq(str, c.action, "Go on this way with the plate's screws until it is square."));
    a = surface(3, 1, -30);
    cr_assert(eq(int, pl_surface_change(&b, &a, NAN, &c, &err), PL_OK));
    cr_expect(ne(ptr, strstr(c.text, "past nought"), NULL), "%s", c.text);
    a = surface(-3, -1, 60);
    cr_assert(eq(int, pl_surface_change(&b, &a, NAN, &c, &err), PL_OK));
    cr_expect(eq(int, c.state, PL_WORSE));
    a.curvature_um = NAN;
    cr_assert(eq(int, pl_surface_change(&b, &a, NAN, &c, &err), PL_OK));
    cr_expect(eq(int, c.state, PL_SAME), "the tilt as large as before, the curvature unknown");
    cr_expect(ne(ptr, strstr(c.text, "points another way"), NULL), "%s", c.text);
    cr_expect(eq(str, c.item[1].text, "could not be compared"));
    memset(b.cov, 0, sizeof b.cov);
    memset(a.cov, 0, sizeof a.cov);
    cr_assert(eq(int, pl_surface_change(&b, &a, NAN, &c, &err), PL_OK));
    cr_expect(eq(int, c.state, PL_SAME));
    cr_expect(ne(ptr, strstr(c.text, "its errors are not known"), NULL), "%s", c.text);
    a.width_mm = 36;
    cr_expect(eq(int, pl_surface_change(&b, &a, NAN, &c, &err), PL_EARG));
    cr_expect(ne(ptr, strstr(err.msg, "23.5 x 15.7 mm"), NULL), "%s", err.msg);
}

/* By hand: along (3, 4) a slope g makes g (.6 x 20 + .8 x 10) = 20 g um from corner to corner; with
 * 10 um to each side 1 um/mm may pass. */
Test(change, what_may_pass_of_a_tilt)
{
    pl_err err = { PL_OK, "" };
    pl_surface b = surface(3, 4, 0), a = surface(.6 * .9, .8 * .9, 0);
    pl_changes c = { 0 };
    b.width_mm = a.width_mm = 20;
    b.height_mm = a.height_mm = 10;
    cr_assert(eq(int, pl_surface_change(&b, &a, 10, &c, &err), PL_OK));
    cr_expect(epsilon_eq(dbl, c.item[0].tolerance, 1, 1e-12));
    cr_expect(epsilon_eq(dbl, c.item[1].tolerance, 20, 1e-12));
    cr_expect(eq(str, c.action, "It is within what this air lets pass: leave it."));
    cr_assert(eq(int, pl_surface_change(&b, &a, 8, &c, &err), PL_OK));
    cr_expect(eq(str, c.action, "Go on this way with the plate's screws until it is square."));
}

/* ---- donuts */

static pl_donut donut(double a8, double a7, double trefoil, pl_side side)
{
    pl_donut d = { .width_px = 1000,
                   .height_px = 800,
                   .side = side,
                   .growth_coma_nm = 60,
                   .growth_mm = 0.8,
                   .ideal_coma_nm = 39,
                   .facts = pl_facts_unknown() };
    pl_wavefront *w = &d.wave;
    for (int j = 0; j <= PL_NOLL_LAST; j++) {
        w->zernike_nm[j] = 0;
        w->zernike_sigma_nm[j] = 2;
    }
    w->zernike_nm[8] = a8;
    w->zernike_nm[7] = a7;
    w->zernike_nm[10] = trefoil;
    w->zernike_nm[6] = 40;
    w->coma_nm = hypot(a7, a8);
    w->coma_sigma_nm = 5; /* the fit's, widened */
    w->astigmatism_sigma_nm = w->trefoil_sigma_nm = w->spherical_sigma_nm = 2;
    w->spherical_nm = 20;
    w->shadow_mm = 6;
    w->shadow_sigma_mm = .2;
    w->shadow_deg = 30;
    w->shadow_sigma_deg = 2;
    w->defocus_um = 600;
    w->defocus_sigma_um = 1;
    return d;
}

Test(change, donuts)
{
    pl_err err = { PL_OK, "" };
    pl_changes c = { 0 };
    pl_donut b = donut(150, 0, 0, PL_SIDE_OUT), a = donut(36, 10, 0, PL_SIDE_OUT);
    cr_assert(eq(int, pl_donut_change(&b, &a, &c, &err), PL_OK));
    cr_expect(eq(int, c.state, PL_BETTER), "%s", c.text);
    cr_expect(epsilon_eq(dbl, called(&c, "axis error")->before, 2, 1e-9), "150 nm at 75 nm/mm");
    cr_expect(epsilon_eq(dbl, called(&c, "axis error")->moved, hypot(114, 10) / 75, 1e-9));
    cr_expect(epsilon_eq(dbl, called(&c, "coma")->before_sigma, 5, 1e-9), "as told");
    cr_expect(not(called(&c, "astigmatism")->seen));
    pl_changes_clear(&c);
    a = donut(150, 0, 50, PL_SIDE_OUT);
    a.wave.defocus_um = -580;
    cr_assert(eq(int, pl_donut_change(&b, &a, &c, &err), PL_OK));
    cr_expect(ne(ptr, strstr(c.text, "coma is as before; trefoil grew"), NULL), "%s", c.text);
    cr_expect(eq(int, called(&c, "defocus")->state, PL_SAME), "never judged");
    cr_expect(eq(int, strcmp(called(&c, "defocus")->text, "refocused: not judged"), 0));
    pl_changes_clear(&c);
    a = donut(0, 150, 0, PL_SIDE_OUT);
    cr_assert(eq(int, pl_donut_change(&b, &a, &c, &err), PL_OK));
    cr_expect(eq(int, c.state, PL_SAME));
    cr_expect(ne(ptr, strstr(c.text, "the axis moved by 2.83 mm"), NULL), "%s", c.text);
    pl_changes_clear(&c);
}

/* The same telescope from the other side of focus, the side unknown: signs are turned. */
Test(change, donuts_of_unknown_side)
{
    pl_err err = { PL_OK, "" };
    pl_changes c = { 0 };
    pl_donut b = donut(150, 0, 0, PL_SIDE_UNKNOWN), a = donut(150, 0, 0, PL_SIDE_UNKNOWN);
    a.wave.zernike_nm[6] = -40;
    a.wave.spherical_nm = -20;
    a.wave.shadow_deg = 210;
    cr_assert(eq(int, pl_donut_change(&b, &a, &c, &err), PL_OK));
    for (size_t i = 0; i < c.items; i++)
        cr_expect(not(c.item[i].seen), "%s", c.item[i].name);
    cr_expect(eq(sz, c.notes.n, 1));
    pl_changes_clear(&c);
    a.width_px = 900;
    cr_expect(eq(int, pl_donut_change(&b, &a, &c, &err), PL_EARG));
    cr_expect(ne(ptr, strstr(err.msg, "900 x 800 px"), NULL), "%s", err.msg);
    a.width_px = 1000;
    a.facts.pixel_um.v = 3.8;
    b.facts.pixel_um.v = 4.2;
    err = (pl_err){ PL_OK, "" };
    cr_expect(eq(int, pl_donut_change(&b, &a, &c, &err), PL_EARG));
}
