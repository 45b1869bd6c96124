/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Donuts in words, JSON and a picture; made-up donuts, no frames. */
#include "../../lib/align/align.h"
#include "../../lib/report/donut/donut.h"
#include "answers.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- a made-up answer */

static pl_wavefront wave_of(double coma_nm, double deg)
{
    pl_wavefront w = { .defocus_um = 612.3, .defocus_sigma_um = 1.5 };
    for (int j = 0; j <= PL_NOLL_LAST; j++) {
        bool fitted = j >= 4 && j <= 11;
        w.zernike_nm[j] = fitted ? 10 * j : NAN;
        w.zernike_sigma_nm[j] = fitted ? 0.1 * j : NAN;
    }
    w.zernike_nm[4] = 612.3 * 1000 / 72 / 3.4641;
    w.zernike_nm[8] = coma_nm * cos(deg * M_PI / 180);
    w.zernike_nm[7] = coma_nm * sin(deg * M_PI / 180);
    w.coma_nm = coma_nm;
    w.coma_sigma_nm = 4.5;
    w.coma_deg = deg;
    w.coma_sigma_deg = 2.5;
    w.astigmatism_nm = 33;
    w.astigmatism_sigma_nm = 5;
    w.astigmatism_deg = 12;
    w.astigmatism_sigma_deg = 4;
    w.trefoil_nm = 18;
    w.trefoil_sigma_nm = 3;
    w.trefoil_deg = 77;
    w.trefoil_sigma_deg = 6;
    w.spherical_nm = -21;
    w.spherical_sigma_nm = 1.25;
    w.shadow_mm = 6.5;
    w.shadow_sigma_mm = 0.25;
    w.shadow_deg = 200;
    w.shadow_sigma_deg = 2;
    w.seeing_arcsec = 2.6;
    w.seeing_sigma_arcsec = 0.04;
    return w;
}

static pl_donut_star star_of(int side, double outer, double coma_nm, double deg)
{
    pl_donut_star s = { .frame = 0,
                        .x_px = 499,
                        .y_px = 299.5,
                        .outer_px = outer,
                        .inner_px = 0.35 * outer,
                        .hole_dx_px = -1.25,
                        .hole_dy_px = 0.5,
                        .hole_sigma_px = 0.05,
                        .snr = 40,
                        .used = true,
                        .misfit = 1.04,
                        .side_px = side,
                        .x0_px = 460,
                        .y0_px = 260 };
    s.wave = wave_of(coma_nm, deg);
    s.seen = malloc((size_t)(side * side) * sizeof *s.seen);
    s.model = malloc((size_t)(side * side) * sizeof *s.model);
    for (int i = 0; i < side * side; i++) {
        double r = hypot(i % side - side / 2, i / side - side / 2);
        s.model[i] = r < outer / 2 && r > 0.35 * outer / 2 ? 1100 : 100;
        s.seen[i] = i % 7 ? s.model[i] + (float)(i % 13) : NAN;
    }
    for (int i = 0; i < PL_RING_ANGLES; i++) {
        double a = i * M_PI / 18;
        s.rim_px[i] = outer / 2 + 0.3 * cos(2 * a);
        s.bore_px[i] = 0.35 * outer / 2 - cos(a);
        s.rim_sigma_px[i] = s.bore_sigma_px[i] = 0.1;
    }
    return s;
}

static pl_donut donut_of(pl_state state)
{
    double coma = state == PL_OUTSIDE ? 150 : state == PL_INSIDE ? 20 : 60;
    pl_donut d = { .frames = 1,
                   .width_px = 1000,
                   .height_px = 800,
                   .lambda_um = 0.55,
                   .obstruction = 0.35,
                   .side = PL_SIDE_OUT,
                   .centred_coma_nm = 140,
                   .air_coma_nm = 4,
                   .growth_coma_nm = 62,
                   .growth_mm = 0.456,
                   .ideal_coma_nm = 39,
                   .ideal_mm = 0.288,
                   .tolerance_seeing_arcsec = 2.6,
                   .axis_mm = 0.0073 * coma,
                   .axis_sigma_mm = 0.033,
                   .axis_deg = 210,
                   .axis_sigma_deg = 2.5,
                   .facts = pl_facts_unknown() };
    d.facts.aperture_mm = answers_told(300);
    d.facts.focal_mm = d.facts.mirror_focal_mm = answers_told(900);
    d.facts.pixel_um = answers_told(4);
    d.facts.obstruction = answers_told(0.35);
    d.facts.fwhm_growth = answers_told(0.05);
    d.facts.exposure_s = answers_told(2);
    d.wave = wave_of(coma, 30);
    d.star = calloc(2, sizeof *d.star);
    d.star[0] = star_of(80, 50, coma, 30);
    d.star[1] = (pl_donut_star){ .x_px = 20, .y_px = 30, .outer_px = 48, .misfit = NAN };
    d.star[1].inner_px = d.star[1].hole_dx_px = d.star[1].hole_dy_px = NAN;
    d.star[1].hole_sigma_px = d.star[1].snr = NAN;
    snprintf(d.star[1].reason, sizeof d.star[1].reason, "cut");
    d.stars = 2;
    d.used = 1;
    d.verdict.state = state;
    d.verdict.cause = state == PL_OUTSIDE ? PL_CAUSE_COLLIMATION : PL_CAUSE_NONE;
    snprintf(d.verdict.text, sizeof d.verdict.text, "off by 1.09 +- 0.03 mm towards column 1");
    snprintf(d.verdict.action, sizeof d.verdict.action,
             "Tilt the primary until the star has moved 2.18 mm (545 px) towards the last column "
             "and the last row, bring it back with the mount, and shoot again.");
    pl_note(&d.notes, "the secondary's shadow lies 6.5 mm off the mirror's centre");
    return d;
}

static void drop(pl_donut *d)
{
    pl_donut_clear(d);
}

static const char *const FILES[] = { "a.fits", "b.fits", "c.fits", "d.fits" };

/* ---- words */

Test(donut_text, verdict_first_and_fits_positions)
{
    pl_donut d = donut_of(PL_OUTSIDE);
    char *s = pl_donut_text(&d, FILES);
    const char *start = "a.fits: off by 1.09 +- 0.03 mm towards column 1\nTilt the primary";
    cr_expect(eq(int, strncmp(s, start, strlen(start)), 0), "%s", s);
    const char *want[] = { "150.0 +- 4.5 nm at 30.0 +- 2.5 deg",
                           "612.3 +- 1.5 um",
                           "sensor too far out",
                           "33.0 +- 5.0 nm at 12.0 +- 4.0 deg",
                           "6.50 +- 0.25 mm off centre at 200.0 +- 2.0 deg",
                           "  500.0    300.5", /* from 1, as FITS counts */
                           "   21.0     31.0",
                           " cut",
                           "aperture_mm 300 (profile)",
                           "off the mirror's centre" };
    for (size_t i = 0; i < PL_ARRAY_LEN(want); i++)
        cr_expect(ne(ptr, strstr(s, want[i]), NULL), "no \"%s\" in:\n%s", want[i], s);
    answers_lines(s);
    free(s);
    drop(&d);
}

/* A direction that means nothing is not printed; nor is a side that is not known. */
Test(donut_text, says_only_what_is_known)
{
    pl_donut d = donut_of(PL_INSIDE);
    d.side = PL_SIDE_UNKNOWN;
    d.wave.astigmatism_deg = d.wave.astigmatism_sigma_deg = NAN;
    d.wave.coma_nm = 8; /* under two sigma */
    char *s = pl_donut_text(&d, FILES);
    cr_expect(ne(ptr, strstr(s, "one exposure cannot tell"), NULL));
    cr_expect(ne(ptr, strstr(s, "8.0 +- 4.5 nm;"), NULL), "%s", s);
    cr_expect(ne(ptr, strstr(s, "33.0 +- 5.0 nm\n"), NULL), "%s", s);
    cr_expect(eq(ptr, strstr(s, "nan"), NULL));
    free(s);
    d.side = PL_SIDE_IN;
    d.wave.defocus_um = -612.3; /* inside; its amount is printed without the sign */
    d.frames = 3;
    s = pl_donut_text(&d, FILES);
    cr_expect(ne(ptr, strstr(s, "612.3 +- 1.5 um in the first frame; sensor"), NULL));
    cr_expect(eq(int, strncmp(s, "a.fits and 2 more: ", 19), 0));
    free(s);
    drop(&d);
}

/* ---- JSON */

struct key_row {
    char key[28];
    double want, sigma; /* sigma NaN: no twin */
};

/* What stands in the made-up donut, by hand. */
static const struct key_row KEYS[] = {
    { "defocus_um", 612.3, 1.5 },
    { "coma_nm", 150, 4.5 },
    { "coma_deg", 30, 2.5 },
    { "astigmatism_nm", 33, 5 },
    { "astigmatism_deg", 12, 4 },
    { "trefoil_nm", 18, 3 },
    { "trefoil_deg", 77, 6 },
    { "spherical_nm", -21, 1.25 },
    { "secondary_shadow_mm", 6.5, .25 },
    { "secondary_shadow_deg", 200, 2 },
    { "seeing_arcsec", 2.6, .04 },
    { "axis_error_mm", 1.095, .033 },
    { "axis_error_deg", 210, 2.5 },
    { "coma_air_nm", 4, NAN },
    { "coma_centred_nm", 140, NAN },
    { "coma_allowed_nm", 62, NAN },
    { "coma_ideal_nm", 39, NAN },
    { "axis_allowed_mm", .456, NAN },
    { "axis_ideal_mm", .288, NAN },
    { "tolerance_seeing_arcsec", 2.6, NAN },
    { "donuts_used", 1, NAN },
    { "schema", 1, NAN },
};

Test(donut_json, every_number_and_its_error)
{
    pl_donut d = donut_of(PL_OUTSIDE);
    json_t *o = answers_parsed(pl_donut_json(&d, FILES));
    for (size_t i = 0; i < PL_ARRAY_LEN(KEYS); i++) {
        char twin[40];
        snprintf(twin, sizeof twin, "%.27s_sigma", KEYS[i].key);
        cr_expect(epsilon_eq(dbl, answers_number(o, KEYS[i].key), KEYS[i].want, 1e-9), "%s",
                  KEYS[i].key);
        if (isfinite(KEYS[i].sigma))
            cr_expect(epsilon_eq(dbl, answers_number(o, twin), KEYS[i].sigma, 1e-9), "%s", twin);
        else
            cr_expect(eq(ptr, (void *)json_object_get(o, twin), NULL), "%s", twin);
    }
    cr_expect(eq(str, (char *)json_string_value(json_object_get(o, "program")), "plumb-donut"));
    cr_expect(eq(str, (char *)json_string_value(json_object_get(o, "side")), "out"));
    cr_expect(eq(str, (char *)json_string_value(json_object_get(o, "mosaic")), "none"));
    const json_t *z = json_object_get(o, "zernike_nm");
    cr_expect(eq(sz, json_object_size(z), 8), "Noll 4 to 11");
    cr_expect(epsilon_eq(dbl, answers_number(z, "10"), 100, 1e-9));
    cr_expect(
        epsilon_eq(dbl, answers_number(json_object_get(o, "zernike_nm_sigma"), "10"), 1, 1e-9));
    const json_t *list = json_object_get(o, "donuts");
    cr_assert(eq(sz, json_array_size(list), 2));
    const json_t *one = json_array_get(list, 0), *two = json_array_get(list, 1);
    cr_expect(epsilon_eq(dbl, answers_number(one, "x_px"), 500, 1e-9), "from 1");
    cr_expect(epsilon_eq(dbl, answers_number(one, "y_px"), 300.5, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(one, "frame"), 1, 0));
    cr_expect(epsilon_eq(dbl, answers_number(one, "hole_dx_px"), -1.25, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(one, "hole_dx_px_sigma"), 0.05, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(one, "misfit"), 1.04, 1e-9));
    cr_expect(answers_is(one, "used", JSON_TRUE));
    cr_expect(answers_is(one, "flags", JSON_NULL));
    cr_expect(answers_is(two, "used", JSON_FALSE));
    cr_expect(eq(str, (char *)json_string_value(json_object_get(two, "flags")), "cut"));
    cr_expect(answers_is(two, "inner_px", JSON_NULL));
    cr_expect(answers_is(two, "snr", JSON_NULL));
    json_decref(o);
    drop(&d);
}

/* Unknown is null, in any text any bytes. */
Test(donut_json, unknown_is_null)
{
    const char *odd[] = { "bad \xff\n\x1b[0m" };
    pl_donut d = donut_of(PL_UNSURE);
    d.side = PL_SIDE_UNKNOWN;
    d.wave.astigmatism_deg = d.wave.astigmatism_sigma_deg = NAN;
    d.wave.coma_nm = d.wave.coma_sigma_nm = d.axis_mm = INFINITY;
    for (int j = 0; j <= PL_NOLL_LAST; j++)
        d.wave.zernike_nm[j] = NAN;
    json_t *o = answers_parsed(pl_donut_json(&d, odd));
    const char *null[] = { "side",    "astigmatism_deg", "astigmatism_deg_sigma",
                           "coma_nm", "coma_nm_sigma",   "axis_error_mm" };
    for (size_t i = 0; i < PL_ARRAY_LEN(null); i++)
        cr_expect(answers_is(o, null[i], JSON_NULL), "%s", null[i]);
    cr_expect(eq(sz, json_object_size(json_object_get(o, "zernike_nm")), 0));
    json_decref(o);
    drop(&d);
}

Test(donut_json, hand)
{
    pl_hand h = { .x_px = 99, .y_px = 49, .gap_deg = 47, .width_deg = 60, .focuser_deg = NAN };
    json_t *o = answers_parsed(pl_hand_json(&h, "a.fits"));
    cr_expect(epsilon_eq(dbl, answers_number(o, "x_px"), 100, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(o, "y_px"), 50, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(o, "hand_deg"), 47, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(o, "hand_width_deg"), 60, 1e-9));
    cr_expect(answers_is(o, "side", JSON_NULL));
    cr_expect(answers_is(o, "focuser_deg", JSON_NULL));
    json_decref(o);
    char *s = pl_hand_text(&h, "a.fits");
    cr_expect(ne(ptr, strstr(s, "covers 60 deg of the ring"), NULL));
    cr_expect(ne(ptr, strstr(s, "Give --side in or out"), NULL));
    answers_lines(s);
    free(s);
    h.side = PL_SIDE_IN;
    h.focuser_deg = 227;
    s = pl_hand_text(&h, "a.fits");
    cr_expect(ne(ptr, strstr(s, "too far in"), NULL), "%s", s);
    cr_expect(ne(ptr, strstr(s, "at 227 deg"), NULL), "%s", s);
    answers_lines(s);
    free(s);
}

/* ---- picture */

static pl_canvas *drawn(const pl_donut *d, const char *const *file, bool red)
{
    pl_err err = { PL_OK, "" };
    pl_canvas *c = NULL;
    cr_assert(eq(int, pl_donut_canvas(d, file, red, &c, &err), PL_OK), "%s", err.msg);
    cairo_surface_flush(c->surface);
    cr_expect(eq(int, c->failed, PL_OK));
    cr_expect(eq(int, cairo_status(c->cr), CAIRO_STATUS_SUCCESS));
    return c;
}

/* Pixels of a colour, to 2 of 255, in a part of the picture. */
static int inked(const pl_canvas *c, pl_box b, pl_tone t)
{
    uint32_t want = answers_tone(c, t);
    int n = 0;
    for (int y = (int)b.y; y < b.y + b.h; y++)
        for (int x = (int)b.x; x < b.x + b.w; x++) {
            uint32_t v = answers_pixel(c, x, y);
            bool same = true;
            for (int k = 0; k < 24; k += 8)
                same &= abs((int)(v >> k & 255) - (int)(want >> k & 255)) <= 2;
            n += same;
        }
    return n;
}

struct picture_row {
    int w, h, frames;
    pl_state state;
    double coma_nm, outer;
    bool top_down, unknown, long_words;
    char file[90], what[32];
};

ParameterizedTestParameters(donut_png, labels_are_tidy)
{
    static struct picture_row rows[] = {
        { 6248, 4176, 1, PL_OUTSIDE, 150, 50, false, false, false, "a.fits", "a large sensor" },
        { 650, 500, 1, PL_INSIDE, 10, 60, false, false, false, "b.fits", "a small one" },
        { 4656, 3520, 4, PL_UNSURE, 60, 100, true, false, false, "c.fits", "four frames" },
        { 9576, 3192, 1, PL_OUTSIDE, 900, 60, false, false, false, "d.fits", "wide" },
        { 2000, 3000, 1, PL_OUTSIDE, 150, 60, true, false, false, "e.fits", "portrait" },
        { 32, 5000, 1, PL_OUTSIDE, 150, 30, false, false, false, "f.fits", "a strip upright" },
        { 5000, 32, 1, PL_OUTSIDE, 150, 30, false, false, false, "g.fits", "a strip lying" },
        { 4000, 3000, 1, PL_OUTSIDE, 150, 400, false, false, true,
          "/a/very/long/path/to/some/directory/of/an/observatory/where/frames/live/0042.fits",
          "long words" },
        { 4000, 3000, 1, PL_UNSURE, 60, 60, false, true, false, "evil\n\x1b[0m\xff\xfe",
          "all unknown" },
        { 4000, 3000, 1, PL_OUTSIDE, 9e5, 60, false, false, false, "h.fits", "huge numbers" },
    };
    return cr_make_param_array(struct picture_row, rows, sizeof rows / sizeof *rows);
}

static void forget(pl_donut *d)
{
    pl_wavefront *w = &d->wave;
    w->astigmatism_deg = w->astigmatism_sigma_deg = w->trefoil_deg = w->shadow_deg = NAN;
    w->shadow_mm = w->shadow_sigma_mm = w->spherical_nm = w->spherical_sigma_nm = NAN;
    d->side = PL_SIDE_UNKNOWN;
    d->facts.exposure_s.v = NAN;
    for (int i = 0; i < PL_RING_ANGLES; i++) /* no hole to be seen from the rim's centre */
        d->star[0].bore_px[i] = d->star[0].bore_sigma_px[i] = NAN;
}

ParameterizedTest(struct picture_row *r, donut_png, labels_are_tidy)
{
    const char *file[] = { r->file, "b", "c", "d" };
    pl_donut d = donut_of(r->state);
    free(d.star[0].seen);
    free(d.star[0].model);
    d.star[0] = star_of((int)r->outer + 33, r->outer, r->coma_nm, 30);
    d.width_px = r->w;
    d.height_px = r->h;
    d.star[0].x_px = 0.7 * r->w;
    d.star[0].y_px = 0.2 * r->h;
    d.frames = (size_t)r->frames;
    d.wave = d.star[0].wave;
    d.axis_mm = 0.0073 * r->coma_nm;
    snprintf(d.facts.row_order.s, sizeof d.facts.row_order.s, "%s", r->top_down ? "TOP-DOWN" : "");
    snprintf(d.facts.date_obs.s, sizeof d.facts.date_obs.s, "2024-11-02T21:13:05.123");
    if (r->long_words) {
        memset(d.verdict.text, 'w', sizeof d.verdict.text - 1);
        memset(d.verdict.action, 'x', sizeof d.verdict.action - 1);
    }
    if (r->unknown)
        forget(&d);
    for (int red = 0; red < 2; red++) {
        pl_canvas *c = drawn(&d, file, red);
        answers_tidy(c, r->what);
        cr_expect(
            eq(int, answers_labels(c, "the way the star must go") > 0, r->state == PL_OUTSIDE),
            "%s", r->what);
        cr_expect(answers_label(c, "row 1") && answers_label(c, "column 1"), "%s", r->what);
        pl_canvas_free(c);
    }
    drop(&d);
}

static pl_box between(const pl_canvas *c, const char *above, const char *below)
{
    double top = 0, end = c->height;
    for (size_t i = 0; i < c->labels; i++) {
        if (strcmp(c->label[i].text, above) == 0)
            top = c->label[i].box.y + c->label[i].box.h;
        if (strcmp(c->label[i].text, below) == 0)
            end = c->label[i].box.y;
    }
    return (pl_box){ 0, top, 960, end - top };
}

/* Both strips show the points, the fitted line and, the hole's, the band; the images are no blank.
 */
Test(donut_png, there_is_ink)
{
    pl_donut d = donut_of(PL_OUTSIDE);
    pl_canvas *c = drawn(&d, FILES, false);
    pl_box rim = between(c, "The rim", "The hole"), hole = between(c, "The hole", "nothing");
    cr_assert(gt(dbl, rim.h, 200));
    cr_assert(gt(dbl, hole.h, 200));
    /* a line of 4 px over 800 px and more; 36 discs of 8 px */
    cr_expect(gt(int, inked(c, rim, PL_TONE_ACCENT), 2000));
    cr_expect(gt(int, inked(c, hole, PL_TONE_ACCENT), 2000));
    cr_expect(gt(int, inked(c, rim, PL_TONE_INK), 36 * 25));
    cr_expect(gt(int, inked(c, hole, PL_TONE_INK), 36 * 25));
    cr_expect(gt(int, inked(c, hole, PL_TONE_SHADE), 5000));
    /* a letter's grey edge may happen to be of that tone, with another font */
    cr_expect(lt(int, inked(c, rim, PL_TONE_SHADE), 50));
    pl_box images = { 1020, 158, 540, 170 };
    int ring = inked(c, images, PL_TONE_INK), gone = inked(c, images, PL_TONE_PAPER);
    cr_expect(gt(int, ring, 5000), "%d", ring);
    cr_expect(gt(int, gone, 5000), "%d", gone);
    pl_canvas_free(c);
    drop(&d);
}

/* Where the arrow's head is: the centre of gravity of its colour, against the plan's middle, lies
 * on the side of the flare. */
Test(donut_png, arrow_points_with_the_flare)
{
    for (int down = 0; down < 2; down++)
        for (double deg = 0; deg < 360; deg += 90) {
            pl_donut d = donut_of(PL_OUTSIDE);
            d.wave.coma_deg = deg;
            snprintf(d.facts.row_order.s, sizeof d.facts.row_order.s, "%s", down ? "TOP-DOWN" : "");
            pl_canvas *c = drawn(&d, FILES, false);
            uint32_t accent = answers_tone(c, PL_TONE_ACCENT);
            double x = 0, y = 0, n = 0, lo_x = 1e9, hi_x = 0, lo_y = 1e9, hi_y = 0;
            for (int j = 400; j < 650; j++)
                for (int i = 1020; i < 1600; i++)
                    if (answers_pixel(c, i, j) == accent) {
                        x += i;
                        y += j;
                        n++;
                        lo_x = fmin(lo_x, i);
                        hi_x = fmax(hi_x, i);
                        lo_y = fmin(lo_y, j);
                        hi_y = fmax(hi_y, j);
                    }
            cr_assert(gt(dbl, n, 300));
            double dx = x / n - (lo_x + hi_x) / 2, dy = y / n - (lo_y + hi_y) / 2;
            double a = deg * M_PI / 180, up = down ? 1 : -1; /* rows run down only when TOP-DOWN */
            cr_expect(gt(dbl, dx * cos(a) + up * dy * sin(a), 3), "%g %d: %g %g", deg, down, dx,
                      dy);
            pl_canvas_free(c);
            drop(&d);
        }
}

Test(donut_png, red_look_lights_red_alone)
{
    pl_donut d = donut_of(PL_OUTSIDE);
    answers_red(drawn(&d, FILES, true));
    drop(&d);
}

static pl_status draw(const void *d, const char *path, pl_err *err)
{
    return pl_donut_draw(d, FILES, false, path, err);
}

Test(donut_png, writes_a_png_or_says_why)
{
    pl_donut d = donut_of(PL_INSIDE);
    answers_writes(draw, &d);
    drop(&d);
}
