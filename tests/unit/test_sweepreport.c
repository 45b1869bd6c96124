/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A series through focus in words, JSON and a picture; made-up series, no frames. */
#include "../../lib/align/align.h"
#include "../../lib/report/sweep/sweep.h"
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

enum { FRAMES = 5 };

static pl_sweep_frame frame_of(int i)
{
    double z = 40.0 * (i - 2) + 5;
    return (pl_sweep_frame){ .position_steps = 4980 + 10 * i,
                             .position_um = 50.0 * (i - 2) + 6.25,
                             .defocus_um = z,
                             .defocus_sigma_um = 1.5,
                             .fwhm_px = sqrt(9 + z * z / 400),
                             .fwhm_sigma_px = 0.02,
                             .hfd_px = 1.2 * sqrt(9 + z * z / 400),
                             .eccentricity = 0.2,
                             .seeing_arcsec = 2.5,
                             .seeing_sigma_arcsec = 0.03,
                             .temperature_c = 7.5,
                             .stars = (size_t)(200 + i),
                             .used = true };
}

/* Flat 20 mm x 15 mm, tilted by (3, -4) um/mm: 5 um/mm, 60 + 60 um from corner to corner. */
static pl_surface surface_of(void)
{
    pl_surface s = { .tilt_x_um_mm = 3,
                     .tilt_y_um_mm = -4,
                     .curvature_um = 6,
                     .width_mm = 20,
                     .height_mm = 15,
                     .width_px = 5000,
                     .height_px = 3750,
                     .pixel_um = 4,
                     .binning = 1,
                     .blur_scale = 1.02,
                     .blur_scale_sigma = 0.01,
                     .seeing_um = 10,
                     .lambda_um = 0.53,
                     .best_steps = 4998.25,
                     .best_steps_sigma = 0.6,
                     .temperature_c = 7.5 };
    s.cov[0][0] = s.cov[1][1] = 0.01;
    s.cov[2][2] = 1;
    return s;
}

static pl_sweep sweep_of(pl_state state)
{
    pl_sweep s = { .frames = FRAMES,
                   .used = FRAMES - 1,
                   .mosaic = "RGGB",
                   .positions = true,
                   .side_known = true,
                   .best_steps = 4998.25,
                   .best_steps_sigma = 0.6,
                   .best_sigma_um = 2.4,
                   .last_um = 85,
                   .last_sigma_um = 2.5,
                   .move = { -85, -106.25, -21.75, -0.0664 },
                   .best_fwhm_px = 3.05,
                   .best_fwhm_arcsec = 2.75,
                   .best_hfd_px = 3.6,
                   .seeing_arcsec = 2.5,
                   .backlash_um = 42,
                   .backlash_sigma_um = 3,
                   .blur_scale = 1.02,
                   .blur_scale_sigma = 0.01,
                   .step_um = 5,
                   .zone_um = 18,
                   .red_um = 3.5,
                   .red_sigma_um = 1,
                   .blue_um = -2.5,
                   .blue_sigma_um = 1.5,
                   .astigmatism_um = 9.4,
                   .astigmatism_sigma_um = 0.4,
                   .astigmatism_nm = 25,
                   .astigmatism_sigma_nm = 1,
                   .astigmatism_deg = 30,
                   .astigmatism_sigma_deg = 2,
                   .surface = surface_of(),
                   .facts = pl_facts_unknown() };
    s.frame = calloc(FRAMES, sizeof *s.frame);
    for (int i = 0; i < FRAMES; i++)
        s.frame[i] = frame_of(i);
    s.frame[3].used = false;
    snprintf(s.frame[3].reason, sizeof s.frame[3].reason, "faint and wide: cloud");
    for (int i = 0; i < PL_SWEEP_CURVE; i++) {
        s.curve_um[i] = -100 + 200.0 * i / (PL_SWEEP_CURVE - 1);
        s.curve_fwhm_px[i] = sqrt(9 + s.curve_um[i] * s.curve_um[i] / 400);
    }
    s.facts.aperture_mm = answers_told(300);
    s.facts.focal_mm = answers_told(900);
    s.facts.pixel_um = answers_told(4);
    s.facts.step_um = answers_told(5);
    s.facts.um_per_turn = answers_told(1600);
    s.verdict.state = state;
    s.verdict.cause = state == PL_OUTSIDE ? PL_CAUSE_TILT : PL_CAUSE_NONE;
    snprintf(s.verdict.text, sizeof s.verdict.text, "the sensor is tilted by 5.0 +- 0.1 um/mm");
    pl_note(&s.notes, "the air was worse in frame 2");
    return s;
}

/* Everything that may be unknown. */
static void forget(pl_sweep *s)
{
    double *const number[] = {
        &s->best_steps,
        &s->best_steps_sigma,
        &s->best_sigma_um,
        &s->last_um,
        &s->last_sigma_um,
        &s->move.sensor_um,
        &s->move.drawtube_um,
        &s->move.steps,
        &s->move.turns,
        &s->best_fwhm_px,
        &s->best_fwhm_arcsec,
        &s->best_hfd_px,
        &s->seeing_arcsec,
        &s->backlash_um,
        &s->backlash_sigma_um,
        &s->blur_scale,
        &s->blur_scale_sigma,
        &s->step_um,
        &s->zone_um,
        &s->red_um,
        &s->red_sigma_um,
        &s->blue_um,
        &s->blue_sigma_um,
        &s->astigmatism_um,
        &s->astigmatism_sigma_um,
        &s->astigmatism_nm,
        &s->astigmatism_sigma_nm,
        &s->astigmatism_deg,
        &s->astigmatism_sigma_deg,
        &s->surface.tilt_x_um_mm,
        &s->surface.tilt_y_um_mm,
        &s->surface.curvature_um,
        &s->surface.best_steps,
    };
    for (size_t i = 0; i < PL_ARRAY_LEN(number); i++)
        *number[i] = NAN;
    for (int i = 0; i < PL_SWEEP_CURVE; i++)
        s->curve_um[i] = s->curve_fwhm_px[i] = NAN;
    for (size_t i = 0; i < 9; i++)
        s->surface.cov[i / 3][i % 3] = NAN;
    for (size_t i = 0; i < s->frames; i++) {
        pl_sweep_frame *f = &s->frame[i];
        f->position_steps = f->position_um = f->defocus_um = f->defocus_sigma_um = NAN;
        f->fwhm_px = f->fwhm_sigma_px = f->hfd_px = f->eccentricity = f->temperature_c = NAN;
        f->seeing_arcsec = f->seeing_sigma_arcsec = NAN;
    }
    s->positions = s->side_known = false;
    s->facts = pl_facts_unknown();
    s->verdict.text[0] = '\0';
    s->mosaic[0] = '\0';
}

static void drop(pl_sweep *s)
{
    free(s->frame);
    pl_notes_clear(&s->notes);
}

static const char *const FILES[] = { "a.fits", "b.fits", "c.fits", "d.fits", "e.fits" };

/* ---- words */

Test(sweep_text, what_to_act_on_first)
{
    pl_sweep d = sweep_of(PL_OUTSIDE);
    char *s = pl_sweep_text(&d, FILES);
    const char *start = "a.fits and 4 more: best focus at 4998.2 +- 0.6 steps; from the last frame:"
                        "\n  22 steps in\nthe sensor is tilted by 5.0 +- 0.1 um/mm\n";
    cr_expect(eq(int, strncmp(s, start, strlen(start)), 0), "%s", s);
    const char *want[] = { "      1    4980   -75.0 +- 1.5",
                           "left out: faint and wide: cloud (d.fits)",
                           "85.0 +- 2.5 um too far out",
                           "0.066 turns (24 degrees",
                           "1.020 +- 0.010 times what the profile says: 1 is right",
                           "42.0 +- 3.0 um of drawtube",
                           "red 3.5 +- 1.0 um, blue -2.5 +- 1.5 um",
                           "two focal lines 9.40 +- 0.40 um apart (25.0 +- 1.0 nm",
                           "stars are stretched along 30.0 +- 2.0 deg outside",
                           "half of it is 0.26 times",  /* 4.7 / 18 */
                           "5.00 +- 0.10 um/mm = 17.1", /* 5e-3 rad = 17.19 arcmin */
                           "(306.9 +- 1.1 deg)\n",
                           "120.0 +- ",
                           "half of it is 3.3 times", /* 60 / 18 */
                           "6.0 +- 1.0 um: best focus of the corners lies further out",
                           "last column, row 1          66.0", /* 30 + 30 + 6 */
                           "soft when the centre is sharp",
                           "6.0 um further out than the centre's", /* (66 - 54) / 2 */
                           "- collimation: make sure of it first",
                           "- spacing: the field is flat enough",
                           "- tilt: the sensor's side towards the last column",
                           "- focus: from the last frame 22 steps in",
                           "step_um 5 (profile)",
                           "the air was worse in frame 2" };
    answers_words(s, want, PL_ARRAY_LEN(want));
    const char *const order[] = { "- collimation:", "- spacing:", "- tilt:", "- focus:" };
    for (int i = 0; i < 3; i++)
        cr_expect(lt(ptr, strstr(s, order[i]), strstr(s, order[i + 1])));
    answers_lines(s);
    free(s);
    drop(&d);
}

Test(sweep_text, all_unknown)
{
    pl_sweep d = sweep_of(PL_UNSURE);
    forget(&d);
    char *s = pl_sweep_text(&d, FILES);
    answers_lines(s);
    const char *const gone[] = { "backlash",       "blur check",       "colours",
                                 "expected there", "the last frame  ", "corner to corner",
                                 "curvature" };
    for (size_t i = 0; i < PL_ARRAY_LEN(gone); i++)
        cr_expect(eq(ptr, strstr(s, gone[i]), NULL), "%s in:\n%s", gone[i], s);
    cr_expect(ne(ptr, strstr(s, "an unknown way"), NULL), "%s", s);
    free(s);
    drop(&d);
}

struct says_row {
    double best, sigma, steps, turns, drawtube, backlash;
    int positions, side_known, outside, unmeasured;
    char approach[4], want[120];
};

ParameterizedTestParameters(sweep_text, says)
{
    static struct says_row rows[] = {
        { 5003.2, 2.4, 30.4, NAN, 150, NAN, 1, 1, 0, 0, "",
          "best focus at 5003 +- 2 steps; from the last frame: 30 steps out" },
        { 5003.2, 2.4, -1.2, NAN, -6, NAN, 1, 1, 0, 0, "",
          "best focus at 5003 +- 2 steps; from the last frame: 1 step in" },
        { 5003.2, 0.31, 0.3, NAN, 1.5, NAN, 1, 1, 0, 0, "",
          "best focus at 5003.2 +- 0.3 steps; from the last frame: less than a step" },
        { 5003, NAN, -4, NAN, -20, NAN, 1, 1, 0, 0, "",
          "best focus at 5003 steps; from the last frame: 4 steps in" },
        { 5003, 2, -4, NAN, -20, NAN, 1, 1, 0, 2, "",
          "best focus at 5003 +- 2 steps; from frame 3: 4 steps in" },
        { 4890, 12, -110, NAN, -550, NAN, 1, 1, 1, 0, "",
          "best focus lies beyond the frames, near 4890 +- 12 steps; go from the last frame: "
          "110 steps in" },
        /* backlash of 42 um is 9 steps: past it by 18 where the last move goes the other way */
        { 5003, 2, -30, NAN, -150, 42, 1, 1, 0, 0, "out",
          "best focus at 5003 +- 2 steps; from the last frame: in 48 steps, then out 18 to "
          "take up the play" },
        { 5003, 2, -30, NAN, -150, 42, 1, 1, 0, 0, "in",
          "best focus at 5003 +- 2 steps; from the last frame: 30 steps in" },
        { NAN, NAN, NAN, -0.13, -210, NAN, 0, 1, 0, 0, "",
          "best focus found to 2.4 um; from the last frame: an eighth of a turn inward" },
        { NAN, NAN, NAN, 0.13, 210, NAN, 0, 0, 0, 0, "",
          "best focus found to 2.4 um; from the last frame: an eighth of a turn, back the way you "
          "came (in or out is not known)" },
        { NAN, NAN, NAN, NAN, 210, NAN, 0, 1, 0, 0, "",
          "best focus found to 2.4 um; from the last frame: 210 um out" },
        { NAN, NAN, NAN, NAN, NAN, NAN, 0, 1, 0, 0, "",
          "best focus found to 2.4 um; from the last frame: 85 um at the sensor in" },
        { NAN, NAN, NAN, 0.5, 800, NAN, 0, 1, 1, 0, "",
          "best focus lies beyond the frames; go from the last frame: half a turn outward" },
    };
    return cr_make_param_array(struct says_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct says_row *r, sweep_text, says)
{
    pl_sweep d = sweep_of(PL_INSIDE);
    pl_string out = { 0 };
    d.best_steps = r->best;
    d.best_steps_sigma = r->sigma;
    d.move = (pl_travel){ -85, r->drawtube, r->steps, r->turns };
    d.backlash_um = r->backlash;
    d.positions = r->positions;
    d.side_known = r->side_known;
    d.outside = r->outside;
    for (int i = 0; i < r->unmeasured; i++)
        d.frame[FRAMES - 1 - i].stars = 0;
    snprintf(d.facts.approach.s, sizeof d.facts.approach.s, "%s", r->approach);
    pl_sweep_says(&d, &out);
    cr_expect(eq(str, out.s, r->want));
    free(out.s);
    drop(&d);
}

/* Without a side no direction is told, and no corner. */
Test(sweep_text, side_unknown)
{
    pl_sweep d = sweep_of(PL_OUTSIDE);
    d.side_known = d.positions = false;
    d.best_steps = d.move.steps = NAN;
    char *s = pl_sweep_text(&d, FILES);
    const char *const gone[] = { "towards", "further out", "too far", "inward", "zone" };
    for (size_t i = 0; i < PL_ARRAY_LEN(gone); i++)
        cr_expect(eq(ptr, strstr(s, gone[i]), NULL), "%s in:\n%s", gone[i], s);
    const char *const want[] = { "--first in or out", "tube um", "      1     -94" };
    answers_words(s, want, PL_ARRAY_LEN(want));
    answers_lines(s);
    free(s);
    drop(&d);
}

/* A wrong focal ratio or step shows in the blur. */
Test(sweep_text, blur_that_does_not_fit)
{
    pl_sweep d = sweep_of(PL_INSIDE);
    d.blur_scale = 1.1;
    char *s = pl_sweep_text(&d, FILES);
    cr_expect(ne(ptr, strstr(s, "is wrong"), NULL), "%s", s);
    free(s);
    d.facts.step_um = (pl_num){ NAN, PL_FROM_NOWHERE };
    s = pl_sweep_text(&d, FILES);
    cr_expect(ne(ptr, strstr(s, "5 um of drawtube by the blur; the profile has none"), NULL), "%s",
              s);
    free(s);
    drop(&d);
}

Test(sweep_text, states_with_the_error_in_hand)
{
    cr_expect(eq(int, pl_sweep_against(10, 3.5, 18), PL_INSIDE));
    cr_expect(eq(int, pl_sweep_against(-10, 4.5, 18), PL_UNSURE));
    cr_expect(eq(int, pl_sweep_against(-30, 5.5, 18), PL_OUTSIDE));
    cr_expect(eq(int, pl_sweep_against(NAN, 9, 18), PL_UNSURE));
    cr_expect(eq(int, pl_sweep_against(3, 1, NAN), PL_UNSURE));
}

/* ---- JSON */

struct key_row {
    char key[28];
    double want, sigma; /* sigma NaN: no twin */
};

/* What stands in the made-up series, by hand. */
static const struct key_row KEYS[] = {
    { "best_position_steps", 4998.25, 0.6 },
    { "best_position_um", 93.75, NAN },
    { "last_um", 85, 2.5 },
    { "best_fwhm_px", 3.05, NAN },
    { "best_fwhm_arcsec", 2.75, NAN },
    { "best_hfd_px", 3.6, NAN },
    { "seeing_arcsec", 2.5, NAN },
    { "backlash_um", 42, 3 },
    { "blur_scale", 1.02, 0.01 },
    { "step_um", 5, NAN },
    { "zone_um", 18, NAN },
    { "red_um", 3.5, 1 },
    { "blue_um", -2.5, 1.5 },
    { "astigmatism_um", 9.4, 0.4 },
    { "astigmatism_nm", 25, 1 },
    { "astigmatism_deg", 30, 2 },
    { "frames_used", 4, NAN },
    { "schema", 1, NAN },
};

Test(sweep_json, every_number_and_its_error)
{
    pl_sweep d = sweep_of(PL_OUTSIDE);
    json_t *o = answers_parsed(pl_sweep_json(&d, FILES));
    for (size_t i = 0; i < PL_ARRAY_LEN(KEYS); i++) {
        char twin[40];
        snprintf(twin, sizeof twin, "%.27s_sigma", KEYS[i].key);
        cr_expect(epsilon_eq(dbl, answers_number(o, KEYS[i].key), KEYS[i].want, 1e-9), "%s",
                  KEYS[i].key);
        if (isfinite(KEYS[i].sigma))
            cr_expect(epsilon_eq(dbl, answers_number(o, twin), KEYS[i].sigma, 1e-9), "%s", twin);
    }
    cr_expect(eq(str, (char *)json_string_value(json_object_get(o, "program")), "plumb-sweep"));
    cr_expect(eq(str, (char *)json_string_value(json_object_get(o, "mosaic")), "RGGB"));
    cr_expect(answers_is(o, "side_known", JSON_TRUE));
    cr_expect(answers_is(o, "positions", JSON_TRUE));
    cr_expect(answers_is(o, "outside", JSON_FALSE));
    cr_expect(eq(sz, json_array_size(json_object_get(o, "files")), FRAMES));
    const json_t *move = json_object_get(o, "move"), *surface = json_object_get(o, "surface");
    cr_expect(epsilon_eq(dbl, answers_number(move, "sensor_um"), -85, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(move, "drawtube_um"), -106.25, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(move, "steps"), -21.75, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(move, "turns"), -0.0664, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(surface, "tilt_x_um_mm"), 3, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(surface, "best_um"), 75, 1e-9),
              "from the first frame");
    const json_t *list = json_object_get(o, "frames");
    cr_assert(eq(sz, json_array_size(list), FRAMES));
    const json_t *one = json_array_get(list, 0), *four = json_array_get(list, 3);
    cr_expect(eq(str, (char *)json_string_value(json_object_get(one, "file")), "a.fits"));
    cr_expect(epsilon_eq(dbl, answers_number(one, "position_steps"), 4980, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(one, "position_um"), -93.75, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(one, "defocus_um"), -75, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(one, "temperature_c"), 7.5, 1e-9));
    cr_expect(epsilon_eq(dbl, answers_number(one, "stars"), 200, 0));
    cr_expect(answers_is(one, "used", JSON_TRUE));
    cr_expect(answers_is(one, "flags", JSON_NULL));
    cr_expect(answers_is(four, "used", JSON_FALSE));
    json_decref(o);
    drop(&d);
}

/* Unknown is null; in any text any bytes. */
Test(sweep_json, unknown_is_null)
{
    const char *odd[] = { "bad \xff\n\x1b[0m", "b", "c", "d", "e" };
    pl_sweep d = sweep_of(PL_UNSURE);
    forget(&d);
    json_t *o = answers_parsed(pl_sweep_json(&d, odd));
    const char *null[] = { "best_position_steps",
                           "best_position_steps_sigma",
                           "best_position_um",
                           "last_um",
                           "last_um_sigma",
                           "best_fwhm_px",
                           "backlash_um",
                           "backlash_um_sigma",
                           "blur_scale",
                           "step_um",
                           "zone_um",
                           "red_um",
                           "blue_um",
                           "astigmatism_um",
                           "astigmatism_nm",
                           "astigmatism_deg",
                           "seeing_arcsec",
                           "date_obs" };
    for (size_t i = 0; i < PL_ARRAY_LEN(null); i++)
        cr_expect(answers_is(o, null[i], JSON_NULL), "%s", null[i]);
    cr_expect(answers_is(o, "side_known", JSON_FALSE));
    cr_expect(answers_is(json_object_get(o, "move"), "turns", JSON_NULL));
    cr_expect(answers_is(json_object_get(o, "surface"), "tilt_x_um_mm", JSON_NULL));
    cr_expect(answers_is(json_array_get(json_object_get(o, "frames"), 0), "fwhm_px", JSON_NULL));
    cr_expect(answers_is(json_object_get(o, "verdict"), "text", JSON_STRING), "filled in");
    json_decref(o);
    drop(&d);
}

/* ---- picture */

static pl_canvas *drawn(const pl_sweep *d, const char *const *file, bool red)
{
    pl_err err = { PL_OK, "" };
    pl_canvas *c = NULL;
    cr_assert(eq(int, pl_sweep_canvas(d, file, red, &c, &err), PL_OK), "%s", err.msg);
    cairo_surface_flush(c->surface);
    cr_expect(eq(int, c->failed, PL_OK));
    cr_expect(eq(int, cairo_status(c->cr), CAIRO_STATUS_SUCCESS));
    return c;
}

/* Pixels of a colour in a part of the picture. */
static int inked(const pl_canvas *c, pl_box b, pl_tone t)
{
    uint32_t want = answers_tone(c, t);
    int n = 0;
    for (int y = (int)b.y; y < b.y + b.h; y++)
        for (int x = (int)b.x; x < b.x + b.w; x++)
            n += answers_pixel(c, x, y) == want;
    return n;
}

static const pl_box CURVE = { 130, 230, 780, 600 }, MAP = { 1020, 190, 530, 380 };

struct picture_row {
    double width_mm, height_mm, tilt_x, tilt_y, curvature, spread, step, best;
    int frames, used;
    bool top_down, unknown, no_side, long_words;
    char file[90], what[32];
};

ParameterizedTestParameters(sweep_png, labels_are_tidy)
{
    static struct picture_row rows[] = {
        { 23, 16, 3, -4, 6, 40, 10, 5003, 7, 6, false, false, false, false, "a", "common" },
        { 3, 2, 9, 11, 4, 40, 10, 5003, 11, 11, true, false, false, false, "b", "small, top down" },
        { 36, 24, 0, 0, -40, 200, 1000, -70000, 3, 3, false, false, false, false, "c", "a bowl" },
        { 36, 24, 0, 0, 0, 30, 1, 12, 9, 9, false, false, false, false, "d", "quite flat" },
        { 24, 8, 0.01, 0, 0.02, 4, 0.5, 5003.25, 25, 20, false, false, false, false, "e", "wide" },
        { 8, 24, -30, 2, NAN, 40, -10, 5003, 7, 6, false, false, false, false, "f", "portrait" },
        { 40, 0.1, 3, 4, 1, 40, 10, 5003, 7, 6, false, false, false, false, "g", "a strip" },
        { 0.1, 40, 3, 4, 1, 40, 10, 5003, 7, 6, true, false, false, false, "h", "a strip upright" },
        { 23, 16, 3, -4, 6, 40, NAN, NAN, 7, 6, false, false, true, false, "i", "no positions" },
        { 23, 16, 3, -4, 6, 0, 10, 5003, 7, 7, false, false, false, false, "j",
          "all in one place" },
        { 23, 16, 3, -4, 6, 40, 10, 5003, 60, 30, false, false, false, false, "k", "sixty frames" },
        { 23, 16, 3, -4, 6, 40, 10, 5003, 5, 5, false, false, false, true,
          "/a/very/long/path/to/some/directory/of/an/observatory/where/frames/live/0042.fits",
          "long words" },
        { 23, 16, 3, -4, 6, 40, 10, 5003, 5, 5, false, true, false, false, "evil\n\x1b[0m\xff\xfe",
          "all unknown" },
        { 23, 16, 3e5, -4e5, 6e6, 4e7, 1e7, 5e8, 7, 6, false, false, false, false, "l", "huge" },
        { 23, 16, 3e-9, 4e-9, 1e-9, 1e-6, 10, 5003, 7, 6, false, false, false, false, "m", "tiny" },
    };
    return cr_make_param_array(struct picture_row, rows, sizeof rows / sizeof *rows);
}

static void spread(pl_sweep *d, const struct picture_row *r)
{
    free(d->frame);
    d->frames = (size_t)r->frames;
    d->used = (size_t)r->used;
    d->frame = calloc(d->frames, sizeof *d->frame);
    for (int i = 0; i < r->frames; i++) {
        pl_sweep_frame *f = &d->frame[i];
        *f = frame_of(0);
        double off = i - 0.5 * (r->frames - 1);
        f->defocus_um = r->spread * off;
        f->position_steps = r->best + r->step * off;
        f->position_um = 1.25 * f->defocus_um;
        f->fwhm_px = hypot(3, f->defocus_um / 20);
        f->used = i < r->used;
    }
    for (int i = 0; i < PL_SWEEP_CURVE; i++) {
        d->curve_um[i] = r->spread * r->frames * (i / 60.0 - 1) / 2;
        d->curve_fwhm_px[i] = hypot(3, d->curve_um[i] / 20);
    }
}

ParameterizedTest(struct picture_row *r, sweep_png, labels_are_tidy)
{
    const char *file[60] = { r->file };
    pl_sweep d = sweep_of(PL_OUTSIDE);
    spread(&d, r);
    d.surface.width_mm = r->width_mm;
    d.surface.height_mm = r->height_mm;
    d.surface.tilt_x_um_mm = r->tilt_x;
    d.surface.tilt_y_um_mm = r->tilt_y;
    d.surface.curvature_um = r->curvature;
    d.best_steps = r->best;
    d.side_known = !r->no_side;
    d.positions = isfinite(r->best);
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
        cr_expect(eq(int, answers_label(c, "row 1") != NULL, !r->unknown), "%s", r->what);
        cr_expect(eq(int, answers_label(c, "column 1") != NULL, !r->unknown), "%s", r->what);
        pl_canvas_free(c);
    }
    drop(&d);
}

/* Curve, points, band; lines with their numbers in um. */
Test(sweep_png, there_is_ink)
{
    pl_sweep d = sweep_of(PL_OUTSIDE);
    pl_canvas *c = drawn(&d, FILES, false);
    cr_expect(gt(int, inked(c, CURVE, PL_TONE_ACCENT), 1500));
    cr_expect(gt(int, inked(c, CURVE, PL_TONE_INK), 4 * 80), "four discs");
    cr_expect(gt(int, inked(c, CURVE, PL_TONE_SHADE), 20000));
    cr_expect(gt(int, inked(c, MAP, PL_TONE_SHADE), 5000));
    cr_expect(ne(ptr, (void *)answers_label(c, "+20 um"), NULL));
    cr_expect(ne(ptr, (void *)answers_label(c, "-20 um"), NULL));
    cr_expect(ne(ptr, (void *)answers_label(c, "4 left out"), NULL));
    cr_expect(ne(ptr, (void *)answers_label(c, "best 4998.2"), NULL));
    pl_canvas_free(c);
    drop(&d);
}

/* A surface whose lines would be nothing but its errors has none. */
Test(sweep_png, flat_is_a_word)
{
    pl_sweep d = sweep_of(PL_OUTSIDE);
    d.surface.tilt_x_um_mm = d.surface.tilt_y_um_mm = 0.004;
    d.surface.curvature_um = 0.03;
    pl_canvas *c = drawn(&d, FILES, false);
    cr_expect(ne(ptr, (void *)answers_label(c, "flat within"), NULL));
    cr_expect(eq(ptr, (void *)answers_label(c, "0.00 um"), NULL));
    answers_tidy(c, "flat");
    pl_canvas_free(c);
    drop(&d);
}

/* Ink of a colour within 24 px of both ends of its extent along a direction of the picture. */
static void ink_of_ends(const pl_canvas *c, pl_box b, double dx, double dy, int n[2])
{
    uint32_t want = answers_tone(c, PL_TONE_ACCENT);
    double lo = INFINITY, hi = -INFINITY;
    n[0] = n[1] = 0;
    for (int turn = 0; turn < 2; turn++)
        for (int y = (int)b.y; y < b.y + b.h; y++)
            for (int x = (int)b.x; x < b.x + b.w; x++) {
                double along = x * dx + y * dy;
                if (answers_pixel(c, x, y) != want)
                    continue;
                n[0] += turn && along < lo + 24;
                n[1] += turn && along > hi - 24;
                if (turn == 0) {
                    lo = fmin(lo, along);
                    hi = fmax(hi, along);
                }
            }
}

/* The arrow is thickest at its head, on the side where best focus is further out, as are the
 * numbers with a plus; row 1 is below, but on top when the header says so. */
Test(sweep_png, map_is_the_right_way_round)
{
    for (int down = 0; down < 2; down++)
        for (int quarter = 0; quarter < 4; quarter++) {
            pl_sweep d = sweep_of(PL_OUTSIDE);
            double a = quarter * M_PI / 2, dx = cos(a), dy = (down ? 1 : -1) * sin(a);
            int ends[2];
            d.surface.tilt_x_um_mm = 5 * cos(a);
            d.surface.tilt_y_um_mm = 5 * sin(a);
            d.surface.curvature_um = 0;
            snprintf(d.facts.row_order.s, sizeof d.facts.row_order.s, "%s", down ? "TOP-DOWN" : "");
            pl_canvas *c = drawn(&d, FILES, false);
            ink_of_ends(c, MAP, dx, dy, ends);
            cr_expect(gt(int, ends[1], ends[0] + 30), "%d %d: %d %d", quarter, down, ends[0],
                      ends[1]);
            const pl_label *plus = answers_label(c, "+20 um"), *minus = answers_label(c, "-20 um");
            const pl_label *row = answers_label(c, "row 1"), *column = answers_label(c, "column 1");
            cr_assert(plus && minus && row && column);
            double from_minus =
                (plus->box.x - minus->box.x) * dx + (plus->box.y - minus->box.y) * dy;
            cr_expect(gt(dbl, from_minus, 60), "%d %d: %g", quarter, down, from_minus);
            cr_expect(eq(int, row->box.y > column->box.y, !down));
            cr_expect(lt(dbl, column->box.x, row->box.x));
            pl_canvas_free(c);
            drop(&d);
        }
}

Test(sweep_png, red_look_lights_red_alone)
{
    pl_sweep d = sweep_of(PL_OUTSIDE);
    answers_red(drawn(&d, FILES, true));
    drop(&d);
}

static pl_status draw(const void *d, const char *path, pl_err *err)
{
    return pl_sweep_draw(d, FILES, false, path, err);
}

Test(sweep_png, writes_a_png_or_says_why)
{
    pl_sweep d = sweep_of(PL_INSIDE);
    answers_writes(draw, &d);
    drop(&d);
}
