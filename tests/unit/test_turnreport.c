/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Turns in words, JSON and a picture; made-up answers, no log. */
#include "../../lib/align/turn/turn.h"
#include "../../lib/report/turn/turn.h"
#include "answers.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* `screws` at even angles from 90 degrees on; 0: counted only, three of them. */
static pl_turns made(pl_turn_kind kind, pl_state state, size_t screws, bool trial)
{
    bool coma = kind == PL_TURN_COMA;
    pl_turns t = { .now = { .kind = kind,
                            .x = 1.2,
                            .y = -1.6,
                            .xx = 0.01,
                            .xy = 0.004,
                            .yy = 0.02,
                            .allowed = 0.75,
                            .width_px = 640,
                            .height_px = 440,
                            .date = "2031-10-09T19:38:00" },
                   .options = pl_turn_defaults(),
                   .rounds = 2,
                   .length = 2,
                   .sigma = 0.12,
                   .screws = screws ? screws : 3,
                   .turn = state == PL_OUTSIDE,
                   .trial = trial,
                   .either_way = trial,
                   .step = 0.125,
                   .left_x = 0.1,
                   .left_y = 0.2,
                   .left_xx = 0.05,
                   .left_xy = -0.02,
                   .left_yy = 0.04,
                   .left = 0.37,
                   .left_exact = 0.31,
                   .focus_um = screws ? 0 : NAN,
                   .columns_deg = trial || !screws ? NAN : 200,
                   .rows_deg = trial || !screws ? NAN : 290,
                   .verdict.state = state };
    const double turn[PL_SCREWS_MAX] = { 1.25, -0.375, -0.875, 0.125, 0, -0.125 };
    t.geometry = (pl_screws){ .screws = screws,
                              .radius_mm = 110,
                              .pitch_mm = 0.8,
                              .clockwise = trial ? NAN : 1,
                              .columns_deg = NAN,
                              .rows_deg = NAN };
    snprintf(t.section, sizeof t.section, "%s", !screws ? "" : coma ? "cell" : "plate");
    for (size_t k = 0; k < t.screws; k++) {
        t.geometry.angle_deg[k] = fmod(90 + 360.0 * (double)k / (double)t.screws, 360);
        t.screw[k] = (pl_turn_screw){ .turn = t.turn ? turn[k] : 0,
                                      .exact = turn[k] + 0.01,
                                      .travel_um = screws && !trial ? 800 * turn[k] : NAN,
                                      .x = trial ? 0 : 4,
                                      .y = trial ? 0 : (double)k - 1,
                                      .x_sigma = 0.7,
                                      .y_sigma = 0.6 };
    }
    pl_turn_advise(&t);
    return t;
}

/* ---- words */

static int widest(const char *text)
{
    int most = 0;
    for (const char *s = text; *s; s += strcspn(s, "\n"), s += *s == '\n') {
        int n = (int)strcspn(s, "\n");
        most = n > most ? n : most;
    }
    return most;
}

Test(turnreport, the_first_lines_say_what_to_turn)
{
    pl_turns t = made(PL_TURN_COMA, PL_OUTSIDE, 3, false);
    t.profile = "Anna's f3.ini";
    char *text = pl_turn_text(&t, "evening.log");
    cr_assert(text != NULL);
    cr_expect(strncmp(text,
                      "evening.log: collimation off by 2.00 +- 0.12 mm: 2.7 times what passes\n"
                      "Turn A 1 1/4 clockwise, B 3/8 counter-clockwise, C 7/8",
                      100) == 0,
              "%s", text);
    cr_expect(strstr(text, "A  12 o'clock    1 1/4 clockwise, 1000 um away from you\n") != NULL);
    cr_expect(strstr(text, "B  8 o'clock     3/8 counter-clockwise, 300 um towards you\n") != NULL);
    cr_expect(strstr(text, "  then: plumb-turn learn evening.log NEW.json A=1.25 B=-3/8 C=-7/8 "
                           "-p 'Anna'\\''s f3.ini'\n") != NULL,
              "%s", text);
    cr_expect(strstr(text, "columns_deg = 200,") != NULL, "%s", text);
    cr_expect(strstr(text, "Support the mirror") != NULL, "%s", text);
    free(text);
    t.profile = NULL;
    text = pl_turn_text(&t, "evening.log");
    cr_expect(strstr(text, "C=-7/8\n") != NULL, "%s", text);
    cr_expect(le(int, widest(text), 78), "%s", text);
    free(text);
}

Test(turnreport, nothing_to_turn_names_no_screw)
{
    pl_turns t = made(PL_TURN_COMA, PL_INSIDE, 3, false);
    char *text = pl_turn_text(&t, "e.log");
    cr_assert(text != NULL);
    cr_expect(strstr(text, "Leave it") != NULL);
    cr_expect(strstr(text, "clockwise,") == NULL && strstr(text, "NEW.json") == NULL, "%s", text);
    cr_expect(strstr(text, "expected then") == NULL);
    free(text);
}

Test(turnreport, of_a_tilt_it_speaks_of_the_camera)
{
    pl_turns t = made(PL_TURN_TILT, PL_OUTSIDE, 4, false);
    char *text = pl_turn_text(&t, "e.log");
    cr_assert(text != NULL);
    cr_expect(strstr(text, "sensor tilted by 2.00 +- 0.12 um/mm") != NULL);
    cr_expect(strstr(text, "Seen from behind the camera") != NULL);
    cr_expect(strstr(text, "mirror") == NULL, "%s", text);
    free(text);
}

struct hour {
    double deg;
    char words[16];
};

ParameterizedTestParameters(turnreport, clock)
{
    static struct hour rows[] = { { 90, "12 o'clock" },  { 0, "3 o'clock" },
                                  { 360, "3 o'clock" },  { 180, "9 o'clock" },
                                  { 270, "6 o'clock" },  { -90, "6 o'clock" },
                                  { 45, "half past 1" }, { 75, "half past 12" },
                                  { 210, "8 o'clock" },  { 105, "half past 11" } };
    return cr_make_param_array(struct hour, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct hour *r, turnreport, clock)
{
    cr_expect(eq(str, pl_clock(r->deg).s, r->words));
}

/* ---- JSON */

static bool null_at(const json_t *o, const char *key)
{
    return json_is_null(json_object_get(o, key));
}

Test(turnreport, json_holds_sizes_and_directions)
{
    pl_turns t = made(PL_TURN_COMA, PL_OUTSIDE, 3, false);
    char *text = pl_turn_json(&t, "e.log");
    json_t *o = json_loads(text, 0, NULL), *list = json_object_get(o, "screws");
    cr_assert(eq(sz, json_array_size(list), 3));
    json_t *b = json_array_get(list, 1);
    cr_expect(epsilon_eq(dbl, json_number_value(json_object_get(b, "turns")), 0.375, 1e-9));
    const char *way = json_string_value(json_object_get(b, "direction"));
    cr_expect(way && strcmp(way, "counter-clockwise") == 0);
    cr_expect(epsilon_eq(dbl, json_number_value(json_object_get(b, "travel_um")), -300, 1e-9));
    cr_expect(epsilon_eq(dbl, json_number_value(json_object_get(o, "off_mm")), 2, 1e-9));
    cr_expect(epsilon_eq(dbl, json_number_value(json_object_get(o, "off_x_mm_sigma")), 0.1, 1e-9));
    cr_expect(epsilon_eq(dbl, json_number_value(json_object_get(o, "off_deg")), 306.870, 1e-3),
              "atan -4/3");
    json_decref(o);
    free(text);
}

Test(turnreport, json_of_a_tilt_has_its_own_unit_and_null_for_what_is_unknown)
{
    pl_turns t = made(PL_TURN_TILT, PL_INSIDE, 0, false);
    t.left = t.left_exact = NAN;
    char *text = pl_turn_json(&t, "e.log");
    json_t *o = json_loads(text, 0, NULL);
    cr_expect(json_object_get(o, "off_um_mm") && null_at(o, "off_um_mm") == false);
    cr_expect(json_object_get(o, "off_mm") == NULL);
    cr_expect(null_at(o, "left_um_mm"));
    cr_expect(null_at(o, "section"));
    json_t *a = json_array_get(json_object_get(o, "screws"), 0);
    cr_expect(null_at(a, "direction"));
    cr_expect(null_at(a, "travel_um"));
    json_decref(o);
    free(text);
}

/* ---- the picture */

struct picture {
    int kind, state;
    size_t screws;
    bool trial, red;
};

ParameterizedTestParameters(turnreport, labels_are_tidy)
{
    static struct picture rows[] = {
        { PL_TURN_COMA, PL_OUTSIDE, 3, false, false },
        { PL_TURN_COMA, PL_OUTSIDE, 3, true, true },
        { PL_TURN_COMA, PL_INSIDE, 3, false, false },
        { PL_TURN_TILT, PL_OUTSIDE, 4, false, false },
        { PL_TURN_TILT, PL_OUTSIDE, 6, false, true },
        { PL_TURN_COMA, PL_OUTSIDE, 5, true, false },
        { PL_TURN_COMA, PL_OUTSIDE, 0, true, false },
        { PL_TURN_TILT, PL_UNSURE, 4, false, false },
    };
    return cr_make_param_array(struct picture, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct picture *r, turnreport, labels_are_tidy)
{
    pl_turns t = made(r->kind, r->state, r->screws, r->trial);
    pl_canvas *c = NULL;
    cr_assert(eq(int, pl_turn_canvas(&t, "evening.log", r->red, &c, NULL), PL_OK));
    cr_expect(eq(int, c->failed, PL_OK));
    for (size_t i = 0; i < c->labels; i++) {
        pl_box a = c->label[i].box;
        cr_expect(a.x >= 0 && a.y >= 0 && a.x + a.w <= c->width && a.y + a.h <= c->height,
                  "clipped: %s", c->label[i].text);
        for (size_t k = i + 1; k < c->labels; k++)
            cr_expect(answers_overlap(a, c->label[k].box) == false, "%s over %s", c->label[i].text,
                      c->label[k].text);
    }
    cr_expect(answers_label(c, "A") && answers_label(c, "to the last column"));
    cr_expect(eq(int, answers_labels(c, "1 1/4 turn") > 0, r->state == PL_OUTSIDE));
    cr_expect(eq(int, answers_labels(c, "leave it") > 0, r->state != PL_OUTSIDE || r->screws >= 5));
    pl_canvas_free(c);
}

/* A clockwise arrow round A, at 12 o'clock, has its head, wider than the shaft, at the right; the
 * other at the left. */
Test(turnreport, arrows_go_the_way_the_words_say)
{
    for (int way = -1; way <= 1; way += 2) {
        pl_turns t = made(PL_TURN_COMA, PL_OUTSIDE, 3, false);
        pl_canvas *c = NULL;
        t.screw[0].turn = way * 0.25;
        cr_assert(eq(int, pl_turn_canvas(&t, "e.log", false, &c, NULL), PL_OK));
        cairo_surface_flush(c->surface);
        pl_box a = { 0, 0, 0, 0 };
        for (size_t i = 0; i < c->labels; i++)
            if (strcmp(c->label[i].text, "A") == 0)
                a = c->label[i].box;
        pl_rgb want = pl_tone_rgb(false, PL_TONE_ACCENT);
        double x = a.x + a.w / 2, y = a.y + a.h / 2;
        int side[2] = { 0, 0 };
        const unsigned char *px = cairo_image_surface_get_data(c->surface);
        int stride = cairo_image_surface_get_stride(c->surface);
        for (int j = (int)y - 70; j < (int)y; j++)
            for (int i = (int)x - 70; i < (int)x + 70; i++)
                if (fabs(fabs(atan2(i - x, y - j)) - 30 * M_PI / 180) < 0.09)
                    side[i > x] += abs(px[j * stride + 4 * i] - (int)lround(255 * want.b)) < 3 &&
                                   abs(px[j * stride + 4 * i + 2] - (int)lround(255 * want.r)) < 3;

        cr_expect(way > 0 ? side[1] > side[0] + 10 : side[0] > side[1] + 10, "%d: %d %d", way,
                  side[0], side[1]);
        pl_canvas_free(c);
    }
}

Test(turnreport, the_picture_is_written_whole_or_not)
{
    pl_turns t = made(PL_TURN_COMA, PL_OUTSIDE, 3, false);
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_turn_draw(&t, "e.log", false, "/nowhere/a.png", &err), PL_EIO));
    cr_expect(err.msg[0] != '\0');
}
