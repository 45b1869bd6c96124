/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A laser in words, JSON and a picture; made-up marks. */
#include "../../lib/align/laser/laser.h"
#include "../../lib/report/laser/laser.h"
#include "answers.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <gsl/gsl_errno.h>

enum { TWO, ONE, EYE, PLAYS, SMALL, TWICE, HUGE_ONE };

/* A laser of 2.2 mrad and 0.2 mm, in a telescope of which 0.82 mm and 4.39 arcmin pass. */
static pl_laser made(int kind)
{
    double tilt = kind == SMALL ? 1e-6 : kind == HUGE_ONE ? 0.15 : 2.2e-3;
    pl_facts f = pl_facts_unknown();
    pl_laser_options o = pl_laser_defaults();
    pl_laser_sheets s = { .sheets = kind == ONE ? 1 : 2 };
    pl_err err = { PL_OK, "" };
    pl_laser l;
    gsl_set_error_handler_off();
    f.aperture_mm = answers_told(280);
    f.focal_mm = answers_told(870);
    f.mirror_focal_mm = answers_told(1120);
    f.obstruction = answers_told(0.33);
    f.fwhm_growth = answers_told(0.05);
    cr_assert(eq(int, pl_laser_set(&o, "field", "28.3", NULL), PL_OK));
    for (size_t k = 0; k < s.sheets; k++) {
        double at = s.sheets == 1 || k == 1 ? 5000 : 1000;
        size_t n = kind == TWICE ? 16 : 8;
        s.sheet[k] = (pl_laser_sheet){ .at_mm = at, .across_mm = 2 * (0.2 + tilt * at) };
        for (size_t i = 0; i < n && kind != EYE; i++) {
            double a = (double)(i % 8) * M_PI / 4, off = kind == PLAYS ? 3e-3 * at * cos(3 * a)
                                                         : i < 8       ? 0
                                                                       : 0.3;
            s.sheet[k].mark[s.sheet[k].marks++] =
                (pl_laser_mark){ 45 * (double)(i % 8), 40 + (0.2 + tilt * at) * cos(a) + off,
                                 30 + (0.2 + tilt * at) * sin(a) };
        }
    }
    cr_assert(eq(int, pl_laser_judge(&s, &f, &o, &l, &err), PL_OK), "%s", err.msg);
    return l;
}

static const int kinds[] = { TWO, ONE, EYE, PLAYS, SMALL, TWICE, HUGE_ONE };

/* DESIGN: first of all what keeps eyes and hands whole. */
Test(laserreport, safety_comes_first_in_words)
{
    for (size_t i = 0; i < PL_ARRAY_LEN(kinds); i++) {
        pl_laser l = made(kinds[i]);
        char *s = pl_laser_text(&l, kinds[i] == EYE ? NULL : "a.txt");
        const char *const want[] = { "never look into the beam or\nits reflection", "IEC 60825-1",
                                     "towards the Sun", "uncovered in daylight",
                                     "makers' instructions" };
        cr_expect(eq(int, strncmp(s, "Laser: class 2 (1 mW) or weaker", 31), 0), "%.80s", s);
        answers_words(s, want, PL_ARRAY_LEN(want));
        answers_lines(s);
        free(s);
        pl_laser_clear(&l);
    }
}

Test(laserreport, words_of_two_distances)
{
    pl_laser l = made(TWO);
    char *s = pl_laser_text(&l, "a.txt");
    /* 2.2 mrad = 7.563 arcmin, times 870 / 1120 = 5.87 at the sensor; 0.2 + 2.2 x 1.12 = 2.66 */
    const char *const want[] = { "\n\na.txt: adjust it first: it leaves the sensor tilted by",
                                 "11.2 mm to the middle of its circle at x 40.0, y 30.0",
                                 "beam's tilt       2.200 +- 0.063 mrad = 7.56 +- 0.21 arcmin",
                                 "none that shows above the reading",
                                 "radius 11.20 +- 0.18 mm about x 40.0, y 30.0; 8 marks,",
                                 "5.87 +- 0.17 arcmin       4.39 arcmin",
                                 "focuser's axis, at the primary         2.66",
                                 "--lens 100 mm by default" };
    answers_words(s, want, PL_ARRAY_LEN(want));
    free(s);
    pl_laser_clear(&l);
}

Test(laserreport, words_of_what_one_distance_leaves_open)
{
    pl_laser l = made(ONE);
    char *s = pl_laser_text(&l, "a.txt");
    const char *const want[] = { "cannot tell: ", "0.000 to 2.240 mrad", "0.00 to 11.20 mm at",
                                 "Mark the circle at a second distance too, about 1 m." };
    answers_words(s, want, PL_ARRAY_LEN(want));
    free(s);
    pl_laser_clear(&l);
}

Test(laserreport, json_begins_with_safety_and_holds_its_keys)
{
    for (size_t i = 0; i < PL_ARRAY_LEN(kinds); i++) {
        pl_laser l = made(kinds[i]);
        json_t *o = answers_parsed(pl_laser_json(&l, kinds[i] == EYE ? NULL : "a.txt"));
        const json_t *first = json_array_get(json_object_get(o, "warnings"), 0);
        cr_expect(eq(str, (char *)json_string_value(first), PL_LASER_EYES));
        answers_number(o, "axis_allowed_mm");
        cr_expect(epsilon_eq(dbl, answers_number(o, "far_at_mm"), 5000, 1e-9));
        cr_expect(eq(int, isnan(answers_number(o, "near_at_mm")), kinds[i] == ONE));
        cr_expect(eq(int, isnan(answers_number(o, "tilt_mrad")), kinds[i] == ONE));
        cr_expect(eq(int, isnan(answers_number(o, "tilt_x_mrad")), kinds[i] == ONE));
        cr_expect(eq(int, isnan(answers_number(o, "far_scatter_mm")), kinds[i] == EYE));
        cr_expect(eq(int, isnan(answers_number(o, "play_mrad")), kinds[i] == EYE));
        json_decref(o);
        pl_laser_clear(&l);
    }
}

struct picture {
    int kind;
    bool red;
};

ParameterizedTestParameters(laserreport, labels_are_tidy)
{
    static struct picture rows[] = { { TWO, false },   { TWO, true },      { ONE, false },
                                     { EYE, false },   { PLAYS, false },   { SMALL, true },
                                     { TWICE, false }, { HUGE_ONE, false } };
    return cr_make_param_array(struct picture, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct picture *r, laserreport, labels_are_tidy)
{
    pl_laser l = made(r->kind);
    pl_canvas *c = NULL;
    cr_assert(eq(int, pl_laser_canvas(&l, "a.txt", r->red, &c, NULL), PL_OK));
    answers_tidy(c, l.verdict.text);
    cr_expect(ne(ptr, (void *)answers_label(c, "Laser: class 2"), NULL));
    cr_expect(ne(ptr, (void *)answers_label(c, "The paper at 5000 mm"), NULL));
    cr_expect(eq(int, answers_labels(c, "The paper at 1000 mm"), r->kind != ONE));
    cr_expect(eq(int, answers_labels(c, "11.2 mm") > 0,
                 l.advice == PL_LASER_ADJUST && r->kind != HUGE_ONE),
              "%d", r->kind);
    pl_canvas_free(c);
    pl_laser_clear(&l);
}

/* Ink where it must be: a spot, the circle, the shade inside it. */
Test(laserreport, spots_circle_and_what_passes_are_drawn)
{
    pl_laser l = made(TWO);
    pl_canvas *c = NULL;
    uint32_t tone[3] = { 0 };
    int seen[3] = { 0 };
    cr_assert(eq(int, pl_laser_canvas(&l, "a.txt", false, &c, NULL), PL_OK));
    cairo_surface_flush(c->surface);
    tone[0] = answers_tone(c, PL_TONE_INK);
    tone[1] = answers_tone(c, PL_TONE_ACCENT);
    tone[2] = answers_tone(c, PL_TONE_SHADE);
    for (int y = 230; y < 700; y++)
        for (int x = 560; x < 1000; x++)
            for (int k = 0; k < 3; k++)
                seen[k] += answers_pixel(c, x, y) == tone[k];
    cr_expect(gt(int, seen[0], 8 * 100), "eight spots of 7 px");
    cr_expect(gt(int, seen[1], 2 * 500), "a line of 3 px around");
    cr_expect(gt(int, seen[2], 20000), "a disc");
    pl_canvas_free(c);
    pl_laser_clear(&l);
}

Test(laserreport, the_picture_is_written_whole_or_not)
{
    pl_laser l = made(TWO);
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_laser_draw(&l, "a.txt", false, "/nowhere/a.png", &err), PL_EIO));
    cr_expect(ne(int, err.msg[0], 0));
    pl_laser_clear(&l);
}
