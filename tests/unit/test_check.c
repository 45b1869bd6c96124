/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Shoot on or refocus: settings, costs, drift, moves in words, verdicts, the sheet. */
#include "../../lib/align/check/check.h"
#include "../../lib/report/report.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

/* ---- settings */

struct option_row {
    char name[16], value[16], says[56];
    double want;
};

ParameterizedTestParameters(check, options)
{
    static struct option_row rows[] = {
        { "moved", "-60", "", -60 },
        { "moved", "0", "--moved is 0", 0 },
        { "moved", "in", "a number from -10000 to 10000 um is wanted", 0 },
        { "remaining", "45.5", "", 45.5 },
        { "remaining", "-1", "a number from 0 to 1440 min is wanted", 0 },
        { "remaining", "nan", "a number from 0 to 1440", 0 },
        { "refocus-cost", "120", "", 120 },
        { "drift", "-8", "", -8 },
        { "wavelength", "0.65", "", 0.65 },
        { "wavelength", "650", "a number from 0.3 to 2", 0 },
        { "Moved", "1", "there is no option called Moved", 0 },
    };
    return cr_make_param_array(struct option_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct option_row *r, check, options)
{
    pl_check_options o = pl_check_defaults();
    pl_err err = { PL_OK, "" };
    pl_status rc = pl_check_set(&o, r->name, r->value, &err);
    cr_expect(eq(int, rc, r->says[0] ? PL_EARG : PL_OK), "%s %s", r->name, r->value);
    cr_expect(ne(ptr, strstr(err.msg, r->says), NULL), "%s", err.msg);
    const double got[] = { o.sense.moved_um, o.remaining_min, o.refocus_cost_s, o.drift_um_h,
                           o.sense.wavelength_um };
    const char *const name[] = { "moved", "remaining", "refocus-cost", "drift", "wavelength" };
    for (int i = 0; i < 5; i++)
        cr_expect(rc == PL_OK && strcmp(name[i], r->name) == 0 ? got[i] == r->want : isnan(got[i]),
                  "%s: %s", r->name, name[i]);
    cr_expect(eq(int, o.pair, rc == PL_OK && strcmp(r->name, "moved") == 0));
}

/* ---- an exposure: FWHM 3 px in focus, 3 sqrt(1 + (z/30)^2) at z um */

static pl_check exposure(double z)
{
    pl_check c = { .facts = pl_facts_unknown(),
                   .stars = 250,
                   .fwhm_px = 3.2,
                   .fwhm_sigma_px = 0.01,
                   .softer = NAN,
                   .softer_sigma = NAN,
                   .star_ratio = NAN,
                   .width_mm = 6,
                   .height_mm = 4,
                   .drift_um_h = NAN,
                   .drift_cost_s = NAN,
                   .refocus_cost_s = NAN };
    pl_sense *s = &c.sense;
    *s = (pl_sense){ .defocus_um = z,
                     .defocus_sigma_um = 1,
                     .size_um = fabs(z),
                     .size_sigma_um = 1,
                     .sign_known = true,
                     .surface_known = true,
                     .surface_fits = true,
                     .seeing_arcsec = 2.5,
                     .seeing_sigma_arcsec = 0.01,
                     .usual_arcsec = 2.4,
                     .focused_px = 3,
                     .focused_sigma_px = 0.01,
                     .zone_um = 15,
                     .far_um = 60 };
    for (int i = 0; i < PL_SENSE_CURVE; i++) {
        double at = (2.0 * i / (PL_SENSE_CURVE - 1) - 1) * s->far_um;
        s->curve_px[i] = s->local_px[i] = 3 * sqrt(1 + at * at / 900);
    }
    for (s->cells = 0; s->cells < 20; s->cells++) {
        double x = (double)(s->cells % 5) - 2, y = (double)(s->cells / 5) - 1.5;
        double focal = 6 * x - 4 * y;
        s->cell[s->cells] =
            (pl_sense_cell){ x, y, focal, 0.3, 3 * sqrt(1 + pow((z - focal) / 30, 2)), 0.02, 3 };
    }
    c.move = (pl_travel){ -z, -z, -z / 3, -z / 600 };
    return c;
}

struct cost_row {
    double z, drift, cost, lost;
    char source[80];
};

ParameterizedTestParameters(check, costs)
{
    static struct cost_row rows[] = {
        { 20, NAN, NAN, 1107.692, "by hand: 3600 (1 - 9/13)" },
        { 20, 10, NAN, 724.478, "scipy 1.10 quad of 1 - 1/(1 + (z/30)^2), z = 20 - 10 t" },
        { 20, -10, NAN, 1468.128, "the same, z = 20 + 10 t" },
        { 20, NAN, 130, 1107.692, "the refocusing does not change it" },
    };
    return cr_make_param_array(struct cost_row, rows, sizeof rows / sizeof *rows);
}

/* The curve is straight between points 1 um apart. */
ParameterizedTest(struct cost_row *r, check, costs)
{
    pl_check c = exposure(r->z);
    pl_check_options o = pl_check_defaults();
    o.remaining_min = 60;
    o.refocus_cost_s = r->cost;
    c.drift_um_h = r->drift;
    c.facts.exposure_s = (pl_num){ 180, PL_FROM_HEADER };
    pl_check_costs(&c, &o);
    cr_expect(epsilon_eq(dbl, c.drift_cost_s, r->lost, 2), "%g: %s", c.drift_cost_s, r->source);
    if (isnan(r->cost))
        cr_expect(isnan(c.refocus_cost_s));
    else
        cr_expect(epsilon_eq(dbl, c.refocus_cost_s, 180, 0.5), "130 s are one whole sub");
}

Test(check, refocusing_and_drifting_on)
{
    pl_check c = exposure(20);
    pl_check_options o = pl_check_defaults();
    o.remaining_min = 60;
    o.refocus_cost_s = 130;
    c.drift_um_h = 10;
    c.facts.exposure_s = (pl_num){ 180, PL_FROM_HEADER };
    pl_check_costs(&c, &o);
    cr_expect(epsilon_eq(dbl, c.refocus_cost_s, 287.896, 1.5), "scipy's quad: %g",
              c.refocus_cost_s);
    o.remaining_min = NAN;
    pl_check_costs(&c, &o);
    cr_expect(isnan(c.drift_cost_s), "time left not told");
}

/* ---- drift */

Test(check, drift)
{
    const double z[] = { 1, -2.5, -9, -16.5, 99 }, sigma[] = { 1, 0.5, 1, 2, 0.1 };
    const char *const date[] = { "2031-10-09T23:40:00", "2031-10-10T00:00:00",
                                 "2031-10-10T00:40:00", "2031-10-10T01:10:00", "" };
    pl_check c[5];
    double um_h, error;
    for (int i = 0; i < 5; i++) {
        c[i] = exposure(z[i]);
        c[i].sense.defocus_sigma_um = sigma[i];
        snprintf(c[i].facts.date_obs.s, sizeof c[i].facts.date_obs.s, "%s", date[i]);
    }
    cr_expect(eq(sz, pl_check_drift(c, 5, &um_h, &error), (size_t)4), "one has no date");
    cr_expect(epsilon_eq(dbl, um_h, 10.72, 1e-6), "numpy 1.24 polyfit, weights 1/sigma: %g", um_h);
    cr_expect(epsilon_eq(dbl, error, 1.095445, 1e-5), "its unscaled covariance: %g", error);
    c[0].sense.sign_known = false;
    c[1].facts.position_steps = (pl_num){ 10, PL_FROM_HEADER };
    c[4].facts.position_steps = (pl_num){ 11, PL_FROM_HEADER };
    cr_expect(eq(sz, pl_check_drift(c, 5, &um_h, &error), (size_t)2), "the focuser moved");
    cr_expect(isnan(um_h));
}

/* ---- moves in words */

struct move_row {
    double steps, turns, backlash;
    char approach[4], says[80];
};

ParameterizedTestParameters(check, moves)
{
    static struct move_row rows[] = {
        { -14, NAN, NAN, "", "14 steps" },
        { 1, NAN, NAN, "", "1 step" },
        /* by hand: 60/4.5 is 14 whole steps */
        { -14, NAN, 60, "out", "in 42 steps, then out 28 to take up the play" },
        { -14, NAN, 60, "in", "14 steps" },
        { NAN, 1.0 / 12, NAN, "", "a hair (1/16 of a turn) of the knob" },
        { NAN, 1.0 / 42, NAN, "", "a hair (9 degrees) of the knob" }, /* 360/42 = 8.6 */
        { NAN, -0.25, NAN, "", "a quarter of a turn of the knob" },
        { NAN, 0.62, NAN, "", "five eighths of a turn of the knob" },
        { NAN, 2.4, NAN, "", "2 3/8 turns of the knob" },
        { NAN, 1.02, NAN, "", "1 turn of the knob" },
        { NAN, 0.002, NAN, "", "a hair (1 degree) of the knob" },
        { 14, 0.001, NAN, "", "14 steps" }, /* 0.4 degrees: nothing a hand could do */
        { 14, 0.5, NAN, "", "14 steps, or half a turn of the knob" },
        { NAN, NAN, NAN, "", "" },
    };
    return cr_make_param_array(struct move_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct move_row *r, check, moves)
{
    pl_facts f = pl_facts_unknown();
    pl_travel m = { NAN, NAN, r->steps, r->turns };
    char text[96];
    f.step_um = (pl_num){ 4.5, PL_FROM_PROFILE };
    f.backlash_um.v = r->backlash;
    snprintf(f.approach.s, sizeof f.approach.s, "%s", r->approach);
    pl_move_say(&m, &f, text, sizeof text);
    cr_expect(eq(str, text, r->says));
}

/* ---- verdicts */

static void judged(const pl_check *c, pl_state state, pl_cause cause, const char *says)
{
    pl_check copy = *c;
    pl_check_judge(&copy);
    cr_expect(eq(int, copy.verdict.state, state), "%s", copy.verdict.text);
    cr_expect(eq(int, copy.verdict.cause, cause), "%s", copy.verdict.text);
    cr_expect(ne(ptr, strstr(copy.verdict.text, says), NULL), "%s", copy.verdict.text);
    cr_expect(copy.verdict.action[0] != '\0');
}

Test(check, focus)
{
    pl_check c = exposure(3);
    judged(&c, PL_INSIDE, PL_CAUSE_NONE, "keep shooting: the sensor is 3 um too far out, 15");
    c.sense.defocus_sigma_um = c.sense.size_sigma_um = 1.6; /* 3 um is 1.9 of it: no side is sure */
    judged(&c, PL_INSIDE, PL_CAUSE_NONE, "keep shooting: focus is at most 6 um off, 15");
    c = exposure(21);
    judged(&c, PL_OUTSIDE, PL_CAUSE_FOCUS,
           "refocus: move the drawtube in by 21 um; the sensor is too far out");
    pl_check_judge(&c);
    cr_expect(eq(str, c.verdict.action,
                 "That is 7 steps, or a hair (13 degrees) of the knob. Take the next exposure, and "
                 "look whether it helped."));
    c = exposure(-15.5);
    judged(&c, PL_UNSURE, PL_CAUSE_FOCUS, "at the limit");
    c = exposure(30);
    c.sense.sign_known = false;
    c.sense.defocus_um = NAN;
    judged(&c, PL_OUTSIDE, PL_CAUSE_FOCUS, "30 um off at the sensor, in or out is not known");
    c = exposure(21);
    c.drift_cost_s = 240;
    c.refocus_cost_s = 360;
    judged(&c, PL_INSIDE, PL_CAUSE_FOCUS, "keep shooting: 21 um off focus costs 4 min");
    c = exposure(3);
    c.drift_cost_s = 600;
    c.refocus_cost_s = 360;
    judged(&c, PL_OUTSIDE, PL_CAUSE_FOCUS, "refocus");
}

Test(check, other_causes)
{
    pl_check c = exposure(3);
    c.sense.seeing_arcsec = 3.4;
    judged(&c, PL_INSIDE, PL_CAUSE_AIR, "the air: 3.4 arcsec seeing, focus is fine");
    c = exposure(3);
    c.star_ratio = 0.05;
    c.stars = 12;
    judged(&c, PL_OUTSIDE, PL_CAUSE_CLOUD, "cloud: 12 stars left, 5 %");
    c = exposure(3);
    c.field = (pl_verdict){ PL_OUTSIDE, PL_CAUSE_TRACKING, "all stars stretched at 40 deg", "x" };
    judged(&c, PL_OUTSIDE, PL_CAUSE_TRACKING, "tracking, not focus: all stars stretched at 40");
    c.sense.size_um = c.sense.defocus_um = 40;
    judged(&c, PL_OUTSIDE, PL_CAUSE_FOCUS, "refocus");
    c = exposure(3);
    c.sense = (pl_sense){ .size_um = NAN, .seeing_arcsec = NAN, .reason = "no surface" };
    judged(&c, PL_UNSURE, PL_CAUSE_NONE, "cannot tell: no surface");
    c.softer = 0.2;
    c.softer_sigma = 0.01;
    judged(&c, PL_UNSURE, PL_CAUSE_NONE, "cannot tell focus from air: stars are 20 +- 1 % wider");
    c.softer = 0.01;
    judged(&c, PL_INSIDE, PL_CAUSE_NONE, "keep shooting: stars are as sharp");
}

Test(check, the_sharpest_of_the_clear_ones)
{
    pl_field a = { .used = 300, .fwhm_px = 3 }, b = { .used = 280, .fwhm_px = 2.8 },
             c = { .used = 100, .fwhm_px = 2 };
    const pl_field *const f[] = { &a, &b, &c };
    cr_expect(eq(sz, pl_check_best(f, 3), (size_t)1));
    cr_expect(eq(sz, pl_check_best(f, 1), (size_t)0));
}

/* ---- the sheet */

static void tidy(const pl_check *k, bool red)
{
    pl_canvas *c = NULL;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_check_canvas(k, "sub_0042.fits", red, &c, &err), PL_OK), "%s", err.msg);
    cr_expect(eq(int, c->failed, PL_OK));
    cr_expect(c->labels > 20);
    for (size_t i = 0; i < c->labels; i++) {
        pl_box a = c->label[i].box;
        cr_expect(a.x >= 0 && a.y >= 0 && a.x + a.w <= c->width && a.y + a.h <= c->height,
                  "clipped: %s", c->label[i].text);
        for (size_t j = i + 1; j < c->labels; j++) {
            pl_box b = c->label[j].box;
            cr_expect(not(a.x < b.x + b.w && b.x < a.x + a.w && a.y < b.y + b.h && b.y < a.y + a.h),
                      "overlap: %s, %s", c->label[i].text, c->label[j].text);
        }
    }
    pl_canvas_free(c);
}

Test(check_png, labels_are_tidy)
{
    for (double z = -45; z <= 45; z += 15)
        for (int red = 0; red < 2; red++) {
            pl_check c = exposure(z);
            pl_check_judge(&c);
            tidy(&c, red);
            c.sense.sign_known = false;
            c.sense.defocus_um = NAN;
            pl_check_judge(&c);
            tidy(&c, red);
            for (size_t i = 0; i < c.sense.cells; i++)
                c.sense.cell[i].focal_um = NAN;
            tidy(&c, red);
        }
}
