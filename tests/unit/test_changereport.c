/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What changed, in words, JSON and pictures; made-up changes, no frames. */
#include "../../lib/align/change/change.h"
#include "../../lib/report/change/change.h"
#include "answers.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* ---- made-up changes */

static pl_changes changes_of(size_t columns, size_t rows)
{
    static const char *const name[] = { "even stretch", "turning",         "outward stretch",
                                        "size slope",   "one-sided flare", "three-cornered",
                                        "bowl",         "outward flare",   "eccentricity" };
    pl_changes c = { .columns = columns, .rows = rows, .state = PL_BETTER };
    for (size_t i = 0; i < PL_ARRAY_LEN(name); i++) {
        double after = i == 2 ? 0.03 : i == 4 ? 0.25 : 0.1;
        pl_change_add(&c, pl_change_numbers(name[i], i == 4 ? "sigma^3" : "chi", 0.1, .004, after,
                                            .004, false));
        c.item[i].tolerance = 0.08;
    }
    pl_change_add(&c, pl_change_numbers("FWHM", "px", 3.1, .01, 3.4, .01, false));
    pl_changes_settle(&c);
    c.zone = calloc(columns * rows + 1, sizeof *c.zone);
    for (size_t k = 0; k < columns * rows; k++) {
        pl_zone_change *z = &c.zone[k];
        *z = (pl_zone_change){ .x_px = 99, .y_px = 49, .before_stars = 20, .after_stars = 21 };
        z->size = pl_change_numbers("size", "fraction", .1, .01, k % 2 ? .02 : .1, .01, false);
        z->stretch = pl_change_numbers("stretch", "chi", .1, .01, k % 3 ? .1 : .3, .01, false);
        pl_change *both[] = { &z->size, &z->stretch };
        if (k == 3)
            z->size.chance = z->stretch.chance = NAN;
        pl_changes_holm(both, 2);
    }
    snprintf(c.text, sizeof c.text,
             "mixed: outward stretch fell by 70 %%, but one-sided flare "
             "grew by 150 %%");
    snprintf(c.action, sizeof c.action,
             "Keep what helped; for the other: Go back with the "
             "collimation, and past where it was.");
    pl_note(&c.notes, "of %zu zones 4 are better, 2 worse", columns * rows);
    return c;
}

static pl_donut donut_of(double nm, double deg)
{
    pl_donut d = { .width_px = 1000,
                   .height_px = 800,
                   .growth_coma_nm = 60,
                   .growth_mm = .8,
                   .ideal_coma_nm = 39,
                   .frames = 1,
                   .facts = pl_facts_unknown() };
    d.wave.coma_nm = nm;
    d.wave.coma_sigma_nm = 4;
    d.wave.coma_deg = deg;
    d.wave.coma_sigma_deg = fmin(104, 230 / fmax(nm, 1e-9));
    return d;
}

static const char *const OLD[] = { "before.fits", "b2.fits" };

/* ---- words */

Test(change_text, answer_first_and_lines_that_fit)
{
    pl_changes c = changes_of(3, 2);
    char *s = pl_changes_text(&c, "after.fits", OLD, 1);
    const char *start = "after.fits against before.fits: mixed: outward stretch fell by 70 %";
    cr_expect(eq(int, strncmp(s, start, strlen(start)), 0), "%s", s);
    const char *want[] = { "0.1000 +- 0.0040   0.0300 +- 0.0040   better -70 %",
                           "0.1000 +- 0.0040   0.2500 +- 0.0040   worse +150 %",
                           "  turning, chi             0.1000 +- 0.0040   0.1000 +- 0.0040   same",
                           "around column 100, row 50", /* from 1, as FITS counts */
                           "off the mean FWHM, %   10.0 +- 1.0        2.0 +- 1.0",
                           "  3 of 6 zones changed:\n",
                           "  - of 6 zones 4 are better" };
    for (size_t i = 0; i < PL_ARRAY_LEN(want); i++)
        cr_expect(ne(ptr, strstr(s, want[i]), NULL), "no \"%s\" in:\n%s", want[i], s);
    for (const char *l = s; *l; l += strcspn(l, "\n"), l += *l == '\n')
        cr_expect(le(sz, strcspn(l, "\n"), 78), "%.90s", l);
    free(s);
    for (size_t k = 0; k < 6; k++)
        c.zone[k].size.seen = c.zone[k].stretch.seen = k == 2;
    s = pl_changes_text(&c, "after.fits", OLD, 1);
    cr_expect(ne(ptr, strstr(s, "  1 of 6 zones changed:\n  around column 100"), NULL), "%s", s);
    free(s);
    c.zone[2].size.seen = c.zone[2].stretch.seen = false;
    s = pl_changes_text(&c, "after.fits", OLD, 1);
    cr_expect(eq(ptr, strstr(s, "zones changed"), NULL), "%s", s);
    free(s);
    const char *odd[] = { "bad \xff\n\x1b[0m", "x" };
    s = pl_changes_text(&c, "e\x1b[31m", odd, 2);
    cr_expect(eq(ptr, strchr(s, '\x1b'), NULL));
    cr_expect(ne(ptr, strstr(s, "and 1 more: "), NULL));
    free(s);
    pl_changes_clear(&c);
}

/* 20 zones by hand: of k = 0 to 19 size falls where k is odd and stretch grows where it is a
 * multiple of 3, but for k = 3, which is not compared: 10 + 7 - 3 (odd multiples: 3, 9, 15) - 1
 * = 13. */
Test(change_text, many_zones_are_folded)
{
    pl_changes c = changes_of(5, 4);
    int zones = 0;
    c.zone[17].size.change = -0.5; /* seen best: listed first */
    char *s = pl_changes_text(&c, "after.fits", OLD, 1);
    cr_expect(ne(ptr, strstr(s, "  13 of 20 zones changed; seen best:\n"), NULL), "%s", s);
    for (const char *l = s; (l = strstr(l, "around column")); l++)
        zones++;
    cr_expect(eq(int, zones, 4));
    free(s);
    c.zone[17].x_px = 776;
    s = pl_changes_text(&c, "after.fits", OLD, 1);
    cr_expect(ne(ptr, strstr(s, "seen best:\n  around column 777, row 50"), NULL), "%s", s);
    free(s);
    pl_changes_clear(&c);
}

/* ---- JSON */

Test(change_json, the_object)
{
    pl_changes c = changes_of(3, 2);
    pl_field f = { .facts = pl_facts_unknown(), .width_px = 300, .height_px = 200 };
    char *line = pl_field_json_against(&f, "a.fits", false, &c, OLD[0]);
    json_t *o = json_loads(line, JSON_REJECT_DUPLICATES, NULL), *k, *one;
    cr_assert(ne(ptr, o, NULL));
    k = json_object_get(o, "change");
    const char *text[][2] = { { "against", "before.fits" }, { "state", "better" } };
    for (size_t i = 0; i < 2; i++)
        cr_expect(
            eq(int, strcmp(json_string_value(json_object_get(k, text[i][0])), text[i][1]), 0));
    one = json_array_get(json_object_get(k, "items"), 2);
    const struct {
        const char *key;
        double want;
    } num[] = { { "before", .1 },        { "before_sigma", .004 }, { "after", .03 },
                { "after_sigma", .004 }, { "change", -.07 },       { "change_sigma", .00565685 },
                { "tolerance", .08 } };
    for (size_t i = 0; i < PL_ARRAY_LEN(num); i++)
        cr_expect(
            epsilon_eq(dbl, json_number_value(json_object_get(one, num[i].key)), num[i].want, 1e-9),
            "%s", num[i].key);
    cr_expect(eq(int, json_is_null(json_object_get(one, "moved")), 1));
    cr_expect(eq(int, json_is_true(json_object_get(one, "seen")), 1));
    cr_expect(eq(sz, json_array_size(json_object_get(k, "zones")), 6));
    one = json_array_get(json_object_get(k, "zones"), 3);
    cr_expect(epsilon_eq(dbl, json_number_value(json_object_get(one, "x_px")), 100, 0), "from 1");
    cr_expect(eq(int, json_is_null(json_object_get(json_object_get(one, "size"), "chance")), 1));
    json_decref(o);
    free(line);
    pl_donut d = donut_of(100, 30);
    const char *file[] = { "a.fits" };
    line = pl_donut_json_against(&d, file, &c, OLD, 2);
    o = json_loads(line, JSON_REJECT_DUPLICATES, NULL);
    k = json_object_get(json_object_get(o, "change"), "against");
    cr_expect(eq(sz, json_array_size(k), 2));
    json_decref(o);
    free(line);
    pl_changes_clear(&c);
}

/* ---- pictures */

static void expect_red_alone(const pl_canvas *c)
{
    cairo_surface_flush(c->surface);
    const unsigned char *p = cairo_image_surface_get_data(c->surface);
    int stride = cairo_image_surface_get_stride(c->surface), wrong = 0, lit = 0;
    for (int y = 0; y < c->height; y++)
        for (int x = 0; x < c->width; x++) {
            uint32_t v = *(const uint32_t *)(const void *)(p + y * stride + 4 * x);
            wrong += (v & 0xffff) != 0;
            lit += (v & 0xff0000) != 0;
        }
    cr_expect(eq(int, wrong, 0));
    cr_expect(gt(int, lit, 2000));
}

struct sheet_row {
    int w, h;
    size_t columns, rows;
    bool top_down;
    char file[40];
};
ParameterizedTestParameters(change_png, field_is_tidy)
{
    static struct sheet_row rows[] = {
        { 6248, 4176, 5, 5, false, "a.fits" },
        { 1600, 1200, 5, 4, true, "b.fits" },
        { 9576, 1192, 5, 1, false, "wide" },
        { 2000, 3000, 3, 5, true, "portrait" },
        { 3, 50000, 1, 5, false, "" },
        { 50000, 3, 5, 1, true, "x" },
        { 300, 300, 1, 1, false, "evil\n\x1b[0m\xff\xfe" },
    };
    return cr_make_param_array(struct sheet_row, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct sheet_row *r, change_png, field_is_tidy)
{
    pl_err err = { PL_OK, "" };
    pl_changes c = changes_of(r->columns, r->rows);
    pl_field f = { .facts = pl_facts_unknown(), .width_px = r->w, .height_px = r->h };
    snprintf(f.facts.row_order.s, sizeof f.facts.row_order.s, "%s", r->top_down ? "TOP-DOWN" : "");
    for (int red = 0; red < 2; red++) {
        pl_canvas *sheet = NULL;
        cr_assert(
            eq(int,
               pl_field_change_canvas(
                   &f, &(pl_change_sheet){ &c, "", r->file, "before.fits", "plumb-field", red },
                   &sheet, &err),
               PL_OK),
            "%s", err.msg);
        answers_tidy(sheet, "");
        cr_expect(eq(int, answers_labels(sheet, "outward stretch"), 2), "the title and the list");
        cr_expect(eq(int, answers_labels(sheet, "last column"), 2));
        if (red)
            expect_red_alone(sheet);
        pl_canvas_free(sheet);
    }
    pl_changes_clear(&c);
}

struct coma_row {
    double before_nm, before_deg, after_nm, after_deg;
};
ParameterizedTestParameters(change_png, donuts_are_tidy)
{
    static struct coma_row rows[] = {
        { 147, 180, 37, 180 }, { 147, 180, 149, 270 }, { 0, 0, 0, 0 },
        { 3000, 45, 1, 0 },    { 60, 90, 61, 91 },
    };
    return cr_make_param_array(struct coma_row, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct coma_row *r, change_png, donuts_are_tidy)
{
    pl_err err = { PL_OK, "" };
    pl_donut b = donut_of(r->before_nm, r->before_deg), a = donut_of(r->after_nm, r->after_deg);
    pl_changes c = { 0 };
    cr_assert(eq(int, pl_donut_change(&b, &a, &c, &err), PL_OK), "%s", err.msg);
    for (int red = 0; red < 2; red++) {
        pl_canvas *sheet = NULL;
        cr_assert(
            eq(int,
               pl_donut_change_canvas(
                   &b, &a, &(pl_change_sheet){ &c, "", "a.fits", "b.fits", "plumb-donut", red },
                   &sheet, &err),
               PL_OK),
            "%s", err.msg);
        answers_tidy(sheet, "");
        if (red)
            expect_red_alone(sheet);
        pl_canvas_free(sheet);
    }
    pl_changes_clear(&c);
}

struct tilt_row {
    double bx, by, ax, ay, error, allowed;
    int notes;
};
ParameterizedTestParameters(change_png, tilts_are_tidy)
{
    static struct tilt_row rows[] = {
        { 1.6, -.9, .4, -.7, .1, 18, 0 }, { .5, .5, .52, .49, .3, 18, 9 },
        { 0, 0, 0, 0, .1, 18, 1 },        { 300, 200, -.01, 0, .02, NAN, 2 },
        { 1, 1, -1, 1, 0, 18, 0 },        { 1, 1, -1, 1, NAN, NAN, 0 },
    };
    return cr_make_param_array(struct tilt_row, rows, sizeof rows / sizeof *rows);
}
static pl_surface leaning(double x, double y, double error)
{
    pl_surface s = {
        .tilt_x_um_mm = x, .tilt_y_um_mm = y, .curvature_um = 6, .width_mm = 23.5, .height_mm = 15.7
    };
    s.cov[0][0] = error * error;
    s.cov[1][1] = 2 * error * error;
    s.cov[2][2] = 1;
    return s;
}
ParameterizedTest(struct tilt_row *r, change_png, tilts_are_tidy)
{
    pl_err err = { PL_OK, "" };
    pl_surface b = leaning(r->bx, r->by, r->error);
    pl_tilt t = { .surface = leaning(r->ax, r->ay, r->error), .allowed_um = r->allowed };
    pl_changes c = { 0 };
    t.told = pl_surface_tell(&t.surface);
    snprintf(t.verdict.text, sizeof t.verdict.text, "square within what this air lets pass");
    snprintf(t.verdict.action, sizeof t.verdict.action, "Leave it.");
    for (int i = 0; i < r->notes; i++)
        pl_note(&t.notes, "a remark long enough to be broken into two lines of the panel at the "
                          "right, as some of them are in truth, and that is all there is to say");
    cr_assert(eq(int, pl_surface_change(&b, &t.surface, r->allowed, &c, &err), PL_OK));
    for (int red = 0; red < 2; red++) {
        pl_canvas *sheet = NULL;
        cr_assert(
            eq(int,
               pl_tilt_change_canvas(
                   &b, &t, &(pl_change_sheet){ &c, "", "a.json", "b.json", "plumb-tilt", red },
                   &sheet, &err),
               PL_OK),
            "%s", err.msg);
        answers_tidy(sheet, "");
        cr_expect(eq(int, answers_labels(sheet, "towards the last column"), 1));
        cr_expect(eq(int, answers_labels(sheet, "curvature: "), 1));
        cr_expect(
            eq(int, answers_labels(sheet, "what this air lets pass") > 1, isfinite(r->allowed)));
        if (red)
            expect_red_alone(sheet);
        pl_canvas_free(sheet);
    }
    pl_notes_clear(&t.notes);
}

Test(change_png, written_whole_or_told)
{
    pl_err err = { PL_OK, "" };
    pl_changes c = changes_of(3, 2);
    pl_field f = { .facts = pl_facts_unknown(), .width_px = 300, .height_px = 200 };
    cr_expect(eq(int, pl_field_change_draw(&f, &c, "b", "a", false, "/nowhere/at/all.png", &err),
                 PL_EIO));
    cr_expect(eq(int, access("/nowhere/at/all.png", F_OK), -1));
    pl_changes_clear(&c);
}
