/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A tilt in words, JSON and a picture; made-up surfaces, no frames. */
#include "../../lib/align/tilt/tilt.h"
#include "../../lib/report/tilt/tilt.h"
#include "answers.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* ---- a made-up answer */

static pl_tilt tilt_of(double x_um_mm, double y_um_mm, const pl_screws *plate)
{
    pl_facts f = pl_facts_unknown();
    pl_err err = { PL_OK, "" };
    pl_surface s = { .tilt_x_um_mm = x_um_mm,
                     .tilt_y_um_mm = y_um_mm,
                     .curvature_um = 6,
                     .cov = { { 0.0064, 0, 0 }, { 0, 0.01, 0 }, { 0, 0, 0.64 } },
                     .width_mm = 23.5,
                     .height_mm = 15.7,
                     .seeing_um = NAN,
                     .lambda_um = 0.53,
                     .blur_scale = 1,
                     .pixel_um = 3.76,
                     .binning = 1,
                     .best_steps = NAN,
                     .best_steps_sigma = NAN,
                     .date = "2026-11-26T21:04:05" };
    pl_tilt t;
    f.aperture_mm = answers_told(280);
    f.focal_mm = answers_told(870);
    f.obstruction = answers_told(0.33);
    f.fwhm_growth = answers_told(0.05);
    cr_assert(eq(int, pl_tilt_judge(&s, &f, plate, NULL, &t, &err), PL_OK), "%s", err.msg);
    return t;
}

static pl_screws three(void)
{
    return (pl_screws){ .screws = 3,
                        .radius_mm = 40,
                        .angle_deg = { 90, 210, 330 },
                        .pitch_mm = 0.7,
                        .kind = "pushpull",
                        .clockwise = 1,
                        .columns_deg = 0,
                        .rows_deg = 90 };
}

/* ---- words */

static void expect_words(char *s, const char *const *want, size_t n)
{
    answers_words(s, want, n);
    answers_lines(s);
    free(s);
}

/* By hand: A feels -0.9 * 40 = -36 um out, so 36 um in; C 40 (1.6 cos 30 + 0.9 / 2) = 73.4 um out.
 * 36 / 700 = 0.051 turns. Tilt 1.6 * 23.5 + 0.9 * 15.7 = 51.7 um. */
Test(tilt_text, says_which_screw_and_which_way)
{
    pl_screws plate = three();
    pl_tilt t = tilt_of(1.6, -0.9, &plate);
    char *s = pl_tilt_text(&t, "a.json");
    const char *start = "a.json: tilted, and worth touching: 51.7 +- 2.4 um from corner to corner";
    const char *const want[] = {
        "Support the camera, then: A 1/16 turn clockwise, B 1/16 turn",
        "\nC 1/8 turn counter-clockwise",
        "further out towards the last column and row 1",
        "A  90 deg, up               36.0 away      0.051  1/16 clockwise",
        "C  330 deg, lower right     73.4 towards   0.105  1/8 counter-clockwise",
        "corners 6.00 +- 0.80 um further out than the centre",
        "radius_mm 40 (plate)",
        "collimate, then corrector spacing, then tilt, then"
    };
    cr_expect(eq(int, strncmp(s, start, strlen(start)), 0), "%s", s);
    expect_words(s, want, PL_ARRAY_LEN(want));
    pl_tilt_clear(&t);
}

/* No screw without knowing where the frame's edges are; nothing to turn when it is square. */
Test(tilt_text, names_no_screw_in_the_dark)
{
    pl_screws plate = three();
    plate.columns_deg = NAN;
    pl_tilt t = tilt_of(1.6, -0.9, &plate);
    char *s = pl_tilt_text(&t, NULL);
    const char *const want[] = { "columns_deg,\nrows_deg)", "until then no screw is named",
                                 "last column, row 1                   0.052" };
    cr_expect(eq(int, strncmp(s, "tilted,", 7), 0), "%s", s);
    cr_expect(eq(ptr, strstr(s, "turn clockwise"), NULL), "%s", s);
    expect_words(s, want, PL_ARRAY_LEN(want));
    pl_tilt_clear(&t);
    plate = three();
    t = tilt_of(0.2, -0.1, &plate);
    s = pl_tilt_text(&t, NULL);
    cr_expect(ne(ptr, strstr(s, "Leave it."), NULL));
    cr_expect(eq(ptr, strstr(s, "by hand"), NULL), "%s", s);
    answers_lines(s);
    free(s);
    pl_tilt_clear(&t);
}

Test(tilt_text, every_longest_action_fits)
{
    pl_screws plate = { .screws = 6,
                        .radius_mm = 123.456,
                        .angle_deg = { 1, 61, 121, 181, 241, 301 },
                        .pitch_mm = 0.7,
                        .clockwise = NAN,
                        .columns_deg = 33,
                        .rows_deg = 123 };
    pl_tilt t = tilt_of(-61, 39, &plate);
    char *s = pl_tilt_text(&t, "a.json");
    cr_expect(ne(ptr, strstr(t.verdict.action, "measure again."), NULL), "%s", t.verdict.action);
    cr_expect(ne(ptr, strstr(s, "kind pushpull by default"), NULL));
    answers_lines(s);
    free(s);
    pl_tilt_clear(&t);
}

static pl_tilt_parts parts_of(void)
{
    pl_err err = { PL_OK, "" };
    pl_screws plate = three();
    pl_tilt a = tilt_of(1.6, -0.9, NULL), b = tilt_of(1.4, 0.3, NULL);
    pl_tilt_options o = pl_tilt_defaults();
    pl_tilt_parts p;
    o.rotated_deg = 90;
    cr_assert(
        eq(int, pl_tilt_rotated(&a.surface, &b.surface, &a.facts, &plate, &o, &p, &err), PL_OK));
    pl_tilt_clear(&a);
    pl_tilt_clear(&b);
    return p;
}

static const char *const FILES[] = { "a.json", "b.json" };

Test(tilt_text, parts)
{
    pl_tilt_parts p = parts_of();
    const char *const want[] = { "a.json: of the tilt ",
                                 " turn with the camera and ",
                                 "sensor's own",
                                 "focuser, optics",
                                 "by 90 deg; errors of the parts are 0.71 times",
                                 "in the axes of the first frame" };
    expect_words(pl_tilt_parts_text(&p, FILES), want, PL_ARRAY_LEN(want));
    pl_tilt_parts_clear(&p);
}

/* ---- JSON */

Test(tilt_json, screws_and_surface)
{
    pl_screws plate = three();
    pl_tilt t = tilt_of(1.6, -0.9, &plate);
    json_t *o = answers_parsed(pl_tilt_json(&t, "a.json"));
    const json_t *list = json_object_get(o, "screws"), *c = json_array_get(list, 2);
    cr_assert(eq(sz, json_array_size(list), 3));
    cr_expect(eq(str, (char *)json_string_value(json_object_get(c, "name")), "C"));
    cr_expect(
        eq(str, (char *)json_string_value(json_object_get(c, "direction")), "counter-clockwise"));
    cr_expect(epsilon_eq(dbl, answers_number(c, "travel_um"), -73.4256, 1e-4));
    cr_expect(epsilon_eq(dbl, answers_number(c, "turns"), 0.104894, 1e-6));
    cr_expect(epsilon_eq(dbl, answers_number(c, "hand_turns"), 0.125, 1e-12));
    cr_expect(isfinite(answers_number(c, "travel_um_sigma")) &&
              isfinite(answers_number(c, "turns_sigma")));
    const json_t *s = json_object_get(o, "surface");
    cr_expect(epsilon_eq(dbl, answers_number(s, "across_um"), 51.73, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(json_object_get(s, "corner_um"), "x2y1"),
                         1.6 * 11.75 + 0.9 * 7.85 + 6, 1e-4));
    cr_expect(answers_is(o, "side_known", JSON_TRUE));
    cr_expect(answers_is(s, "best_steps", JSON_NULL));
    cr_expect(
        eq(str, (char *)json_string_value(json_object_get(s, "date")), "2026-11-26T21:04:05"));
    json_decref(o);
    pl_tilt_clear(&t);
}

/* What is not known is null, and without an orientation no screw is in the list. */
Test(tilt_json, unknown_is_null)
{
    pl_screws plate = three();
    plate.clockwise = plate.pitch_mm = NAN;
    pl_tilt t = tilt_of(1.6, -0.9, &plate);
    json_t *o = answers_parsed(pl_tilt_json(&t, NULL));
    const json_t *a = json_array_get(json_object_get(o, "screws"), 0);
    cr_expect(answers_is(a, "direction", JSON_NULL));
    cr_expect(answers_is(a, "turns", JSON_NULL));
    cr_expect(epsilon_eq(dbl, answers_number(a, "travel_um"), 36, 1e-9));
    cr_expect(eq(sz, json_array_size(json_object_get(o, "files")), 0));
    json_decref(o);
    pl_tilt_clear(&t);
    plate.rows_deg = NAN;
    t = tilt_of(1.6, -0.9, &plate);
    o = answers_parsed(pl_tilt_json(&t, NULL));
    cr_expect(eq(sz, json_array_size(json_object_get(o, "screws")), 0));
    cr_expect(
        epsilon_eq(dbl, answers_number(json_object_get(o, "shim_mm"), "x2y1"), 0.05173, 1e-5));
    json_decref(o);
    pl_tilt_clear(&t);
}

/* The answer is a surface itself. */
Test(tilt_json, can_be_read_again)
{
    char path[] = "/tmp/plumb-tilt-XXXXXX";
    pl_err err = { PL_OK, "" };
    pl_surface back;
    pl_tilt t = tilt_of(1.6, -0.9, NULL);
    char *line = pl_tilt_json(&t, "a.json");
    int fd = mkstemp(path);
    cr_assert(ge(int, fd, 0));
    cr_assert(eq(int, (int)write(fd, line, strlen(line)), (int)strlen(line)));
    close(fd);
    cr_expect(eq(int, pl_surface_read(path, &back, &err), PL_OK), "%s", err.msg);
    unlink(path);
    cr_expect(eq(dbl, back.tilt_y_um_mm, -0.9));
    cr_expect(epsilon_eq(dbl, back.cov[0][0], 0.0064, 1e-9));
    free(line);
    pl_tilt_clear(&t);
}

Test(tilt_json, parts_and_hint)
{
    pl_tilt_parts p = parts_of();
    json_t *o = answers_parsed(pl_tilt_parts_json(&p, FILES));
    cr_expect(epsilon_eq(dbl, answers_number(o, "error_gain"), sqrt(0.5), 1e-6));
    cr_expect(isfinite(answers_number(json_object_get(o, "sensor"), "across_um_sigma")));
    cr_expect(isfinite(answers_number(json_object_get(o, "tube"), "tilt_deg")));
    cr_expect(eq(sz, json_array_size(json_object_get(o, "files")), 2));
    json_decref(o);
    pl_tilt_parts_clear(&p);
    pl_field f = { .used = 50 };
    f.pattern[PL_SIZE_SLOPE].amplitude = NAN;
    pl_tilt_hint h = pl_tilt_of_field(&f);
    o = answers_parsed(pl_tilt_hint_json(&h, &f, "a.fits"));
    cr_expect(answers_is(o, "size_slope", JSON_NULL));
    cr_expect(answers_is(o, "side_known", JSON_FALSE));
    json_decref(o);
    char *s = pl_tilt_hint_text(&h, &f, "a.fits");
    answers_lines(s);
    free(s);
}

/* ---- picture */

static pl_canvas *drawn(const pl_tilt *t, bool red)
{
    pl_err err = { PL_OK, "" };
    pl_canvas *c = NULL;
    cr_assert(eq(int, pl_tilt_canvas(t, "a.json", red, &c, &err), PL_OK), "%s", err.msg);
    answers_tidy(c, "");
    return c;
}

static const pl_label *label(const pl_canvas *c, const char *text)
{
    for (size_t i = 0; i < c->labels; i++)
        if (strcmp(c->label[i].text, text) == 0)
            return &c->label[i];
    return NULL;
}

struct sheet {
    double angle_deg[6], columns_deg, rows_deg, x, y;
    int screws;
    bool sense, thread, red;
};

ParameterizedTestParameters(tilt_png, labels_are_tidy)
{
    static struct sheet rows[] = {
        { { 90, 210, 330 }, 0, 90, 1.6, -0.9, 3, true, true, false },
        { { 30, 150, 270 }, 180, 270, 1.6, -0.9, 3, true, true, true },
        { { 0, 90, 180, 270 }, 205, 115, 1.6, -0.9, 4, false, true, true },
        { { 45, 135, 225, 315 }, 30, 120, -1.6, 2.9, 4, true, true, false },
        { { 0, 60, 120, 180, 240, 300 }, 0, 90, 10, 10, 6, true, true, false },
        { { 90, 210, 330 }, 0, 90, 1.6, -0.9, 3, true, false, false },
        { { 90, 210, 330 }, NAN, 90, 1.6, -0.9, 3, true, true, false }, /* no screw is named */
        { { 90, 210, 330 }, NAN, 90, -0.1, 2.9, 3, true, true, false },
        { { 90, 210, 330 }, NAN, 90, -2, -2, 3, true, true, false },
        { { 90, 210, 330 }, 0, 90, 0.1, 0, 3, true, true, false }, /* square */
        { { 0 }, 0, 270, 1600, -900, 0, true, true, false },
        { { 0 }, NAN, NAN, 0, 0, 0, true, true, false },
    };
    return cr_make_param_array(struct sheet, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct sheet *r, tilt_png, labels_are_tidy)
{
    pl_screws plate = three();
    plate.screws = (size_t)r->screws;
    memcpy(plate.angle_deg, r->angle_deg, sizeof r->angle_deg);
    plate.columns_deg = r->columns_deg;
    plate.rows_deg = r->rows_deg;
    plate.clockwise = r->sense ? 1 : NAN;
    plate.pitch_mm = r->thread ? 0.7 : NAN;
    pl_tilt t = tilt_of(r->x, r->y, &plate);
    pl_canvas *c = drawn(&t, r->red);
    cr_expect(ne(ptr, (void *)label(c, "last column"), NULL));
    cr_expect(ne(ptr, (void *)label(c, "row 1"), NULL));
    cr_expect(eq(int, label(c, "C") != NULL, t.named));
    pl_canvas_free(c);
    pl_tilt_clear(&t);
}

static double middle_x(const pl_label *l)
{
    return l->box.x + l->box.w / 2;
}

static double middle_y(const pl_label *l)
{
    return l->box.y + l->box.h / 2;
}

/* Where the hand finds them: A up, B lower left, C lower right; the camera hangs upside down, so
 * the last column is at the left and row 1 up. */
Test(tilt_png, landmarks_and_screws_are_where_the_hand_finds_them)
{
    pl_screws plate = three();
    plate.columns_deg = 180;
    plate.rows_deg = 270;
    pl_tilt t = tilt_of(1.6, -0.9, &plate);
    pl_canvas *c = drawn(&t, false);
    const pl_label *a = NULL, *b = NULL, *d = NULL;
    for (size_t i = 0; i < c->labels; i++) { /* the table has the letters as well, further right */
        const pl_label *l = &c->label[i];
        if (l->box.x > 940)
            continue;
        a = strcmp(l->text, "A") == 0 ? l : a;
        b = strcmp(l->text, "B") == 0 ? l : b;
        d = strcmp(l->text, "C") == 0 ? l : d;
    }
    const pl_label *column = label(c, "last column"), *row = label(c, "row 1");
    cr_assert(a && b && d && column && row);
    double x = middle_x(a), y = (middle_y(a) + middle_y(b) + middle_y(d)) / 3;
    cr_expect(epsilon_eq(dbl, middle_x(b) + middle_x(d), 2 * x, 4));
    cr_expect(lt(dbl, middle_x(b), x - 100));
    cr_expect(gt(dbl, middle_x(d), x + 100));
    cr_expect(lt(dbl, middle_y(a), y - 100)); /* picture rows run down */
    cr_expect(epsilon_eq(dbl, hypot(middle_x(b) - x, middle_y(b) - y), y - middle_y(a), 4));
    cr_expect(lt(dbl, middle_x(column), x - 50));
    cr_expect(lt(dbl, middle_y(row), y - 50));
    pl_canvas_free(c);
    pl_tilt_clear(&t);
}

Test(tilt_png, is_written_whole)
{
    char path[] = "/tmp/plumb-tilt-XXXXXX";
    pl_err err = { PL_OK, "" };
    pl_tilt t = tilt_of(1.6, -0.9, NULL);
    int fd = mkstemp(path);
    char head[8] = "";
    cr_assert(ge(int, fd, 0));
    cr_assert(eq(int, pl_tilt_draw(&t, "a.json", true, path, &err), PL_OK), "%s", err.msg);
    close(fd);
    FILE *f = fopen(path, "rb");
    cr_assert(ne(ptr, f, NULL));
    cr_expect(eq(sz, fread(head, 1, sizeof head, f), 8));
    cr_expect(eq(int, memcmp(head, "\x89PNG\r\n\x1a\n", 8), 0));
    fclose(f);
    unlink(path);
    cr_expect(eq(int, pl_tilt_draw(&t, "a.json", true, "/nonexistent/a.png", &err), PL_EIO));
    pl_tilt_clear(&t);
}
