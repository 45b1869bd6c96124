/* SPDX-License-Identifier: GPL-3.0-or-later */
/* From marks to the laser's tilt and decentre, and what is advised. */
#include "../../lib/align/laser/laser.h"
#include "answers.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <string.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_randist.h>

#define RAD (M_PI / 180)

static pl_facts telescope(void)
{
    pl_facts f = pl_facts_unknown();
    f.aperture_mm = answers_told(280);
    f.focal_mm = answers_told(870);
    f.mirror_focal_mm = answers_told(1120);
    f.obstruction = answers_told(0.33);
    f.secondary_mm = answers_told(92);
    f.secondary_to_focus_mm = answers_told(270);
    f.fwhm_growth = answers_told(0.05);
    return f;
}

static pl_laser_options options_of(void)
{
    pl_laser_options o = pl_laser_defaults();
    gsl_set_error_handler_off();
    cr_assert(eq(int, pl_laser_set(&o, "field", "28.3", NULL), PL_OK));
    return o;
}

/* n marks all round at one distance, without error. hand -1: clockwise. */
static pl_laser_sheet sheet_of(double at_mm, size_t n, const double e[2], const double tilt[2],
                               double hand)
{
    pl_laser_sheet s = { .at_mm = at_mm, .marks = n, .across_mm = NAN };
    for (size_t i = 0; i < n; i++) {
        double a = 360. * (double)i / (double)n, c = cos(a * RAD), k = hand * sin(a * RAD);
        double x = e[0] + tilt[0] * at_mm, y = e[1] + tilt[1] * at_mm;
        s.mark[i] = (pl_laser_mark){ a, 31 + c * x - k * y, 17 + k * x + c * y };
    }
    return s;
}

static pl_laser judged(const pl_laser_sheets *s, const pl_laser_options *o)
{
    pl_facts f = telescope();
    pl_err err = { PL_OK, "" };
    pl_laser l;
    cr_assert(eq(int, pl_laser_judge(s, &f, o, &l, &err), PL_OK), "%s", err.msg);
    return l;
}

/* A laser of 1 mrad and 0.15 mm runs on circles of 1.220 mm at 1.2 m and 5.013 mm at 5 m when
 * cos(e, t) = 0.0716: r^2 = e^2 + 2 e t L cos + (t L)^2, by hand. */
Test(laser, two_distances_separate_tilt_from_decentre)
{
    const double e[2] = { 0.15 * 0.0716, 0.15 * 0.99743 }, t[2] = { 1e-3, 0 };
    pl_laser_options o = options_of();
    for (int hand = -1; hand <= 1; hand += 2) {
        pl_laser_sheets s = { { sheet_of(1200, 8, e, t, hand), sheet_of(5000, 8, e, t, hand) }, 2 };
        pl_laser l = judged(&s, &o);
        cr_expect(epsilon_eq(dbl, l.circle[0].radius_mm, 1.220, 5e-4));
        cr_expect(epsilon_eq(dbl, l.circle[1].radius_mm, 5.013, 5e-4));
        cr_expect(epsilon_eq(dbl, l.circle[1].middle_x_mm, 31, 1e-6));
        cr_expect(epsilon_eq(dbl, l.tilt_x_mrad, 1, 1e-6));
        cr_expect(epsilon_eq(dbl, l.tilt_y_mrad, 0, 1e-6));
        cr_expect(epsilon_eq(dbl, l.decentre_mm.most, 0.15, 1e-6));
        cr_expect(eq(dbl, l.tilt_mrad.least, l.tilt_mrad.most));
        cr_expect(eq(int, l.clockwise, hand < 0));
        cr_expect(eq(dbl, l.play_mrad, 0));
        cr_expect(not(l.circle[1].oval));
        cr_expect(eq(int, l.circle[1].odd, -1));
        pl_laser_clear(&l);
    }
}

/* Errors of reading alone: the middle of n marks, and q, are known to reading / sqrt n. */
Test(laser, errors_of_reading_by_hand)
{
    const double none[2] = { 0, 0 };
    pl_laser_options o = options_of();
    pl_laser_sheets s = { { sheet_of(1000, 8, none, none, 1), sheet_of(5000, 8, none, none, 1) },
                          2 };
    pl_laser l = judged(&s, &o);
    double one = 0.5 / sqrt(8);
    cr_expect(epsilon_eq(dbl, l.circle[0].radius_sigma_mm, one, 1e-6));
    cr_expect(epsilon_eq(dbl, l.circle[0].middle_sigma_mm, one, 1e-6));
    cr_expect(epsilon_eq(dbl, l.tilt_x_sigma_mrad, 1e3 * one * M_SQRT2 / 4000, 1e-6));
    cr_expect(epsilon_eq(dbl, l.decentre_x_sigma_mm, one * hypot(5, 1) / 4, 1e-6));
    cr_expect(eq(int, l.advice, PL_LASER_TRUST));
    pl_laser_clear(&l);
}

/* Of many draws: errors that are true. Angles, papers, reading and play as in the reference test.
 */
Test(laser, pulls_are_true)
{
    enum { DRAWS = 300 };
    pl_laser_options o = options_of();
    pl_dice dice;
    for (int plays = 0; plays < 2; plays++) {
        double sum = 0, n = 0;
        for (size_t draw = 0; draw < DRAWS; draw++) {
            gsl_rng *r = pl_dice_throw(&dice, 7, (uint64_t)plays, draw);
            double at[2] = { 1000, 5000 }, turn = o.turning_deg.v * RAD;
            double e[2] = { gsl_ran_gaussian(r, 0.3), gsl_ran_gaussian(r, 0.3) };
            double t[2] = { gsl_ran_gaussian(r, 1e-3), gsl_ran_gaussian(r, 1e-3) };
            pl_laser_sheets s = { .sheets = 2 };
            pl_laser_circle c[2];
            pl_laser l = { .circles = 2 };
            pl_laser_beam beam[2];
            for (int k = 0; k < 2; k++) {
                double askew = gsl_ran_gaussian(r, turn / M_SQRT2);
                double error = hypot(o.reading_mm.v, plays * 3e-4 * at[k]);
                double x = e[0] + t[0] * at[k], y = e[1] + t[1] * at[k];
                s.sheet[k] = (pl_laser_sheet){ .at_mm = at[k], .marks = 8 };
                for (int i = 0; i < 8; i++) {
                    double a = i * 45 * RAD + askew + gsl_ran_gaussian(r, turn);
                    s.sheet[k].mark[i] =
                        (pl_laser_mark){ i * 45,
                                         cos(a) * x - sin(a) * y + gsl_ran_gaussian(r, error),
                                         sin(a) * x + cos(a) * y + gsl_ran_gaussian(r, error) };
                }
            }
            cr_assert(eq(int, pl_laser_fit(&s, &o, c, &l.clockwise, NULL), PL_OK));
            l.circle[0] = c[0];
            l.circle[1] = c[1];
            pl_laser_beams(&l, beam);
            sum += pow((l.tilt_x_mrad - 1e3 * t[0]) / l.tilt_x_sigma_mrad, 2) +
                   pow((l.tilt_y_mrad - 1e3 * t[1]) / l.tilt_y_sigma_mrad, 2) +
                   pow((l.decentre_x_mm - e[0]) / l.decentre_x_sigma_mm, 2) +
                   pow((l.decentre_y_mm - e[1]) / l.decentre_y_sigma_mm, 2);
            n += 4;
        }
        cr_expect(epsilon_eq(dbl, sqrt(sum / n), 1, 0.1), "%s: %.3f", plays ? "play" : "steady",
                  sqrt(sum / n));
    }
}

Test(laser, one_distance_gives_what_it_lies_between)
{
    const double e[2] = { 0.2, 0 }, t[2] = { 1e-3, 0 };
    pl_laser_options o = options_of();
    pl_laser_sheets s = { { sheet_of(5000, 8, e, t, 1) }, 1 };
    pl_laser l = judged(&s, &o);
    cr_expect(isnan(l.tilt_x_mrad) && isnan(l.decentre_y_mm));
    cr_expect(epsilon_eq(dbl, l.tilt_mrad.least, 0, 1e-9));
    cr_expect(epsilon_eq(dbl, l.tilt_mrad.most, 5.2 / 5, 1e-6));
    cr_expect(epsilon_eq(dbl, l.decentre_mm.most, 5.2, 1e-6));
    cr_expect(epsilon_eq(dbl, l.focuser_mm.least, 5.2 * 1120 / 5000, 1e-3));
    cr_expect(epsilon_eq(dbl, l.focuser_mm.most, 5.2, 1e-3));
    cr_expect(eq(int, l.advice, PL_LASER_DOUBT));
    cr_expect(ne(ptr, strstr(l.verdict.action, "second distance"), NULL));
    cr_expect(answers_noted(&l.notes, "decentre + tilt x distance together"));
    pl_laser_clear(&l);
}

/* By eye: half of the width, each edge read to 0.5 mm. */
Test(laser, circles_by_eye_and_the_side_they_are_on)
{
    pl_laser_options o = options_of();
    pl_laser_sheets s = {
        { { .at_mm = 1000, .across_mm = 2.4 }, { .at_mm = 5000, .across_mm = 10.4 } }, 2
    };
    pl_laser l = judged(&s, &o);
    cr_expect(epsilon_eq(dbl, l.circle[0].radius_sigma_mm, 0.5 / M_SQRT2, 1e-9));
    cr_expect(epsilon_eq(dbl, l.tilt_mrad.most, 1, 1e-6));
    cr_expect(epsilon_eq(dbl, l.decentre_mm.most, 0.2, 1e-6));
    cr_expect(isnan(l.play_sigma_mrad) && isnan(l.circle[1].scatter_mm));
    pl_laser_clear(&l);
    s.sheet[0].across_mm = -2.4;
    l = judged(&s, &o);
    cr_expect(epsilon_eq(dbl, l.tilt_mrad.most, 6.4 / 4, 1e-6));
    pl_laser_clear(&l);
}

/* ---- advice */

struct kind {
    double decentre_mm, tilt_mrad, play_mrad;
    int advice, state;
    char action[80];
};

ParameterizedTestParameters(laser, what_is_advised)
{
    /* Of this telescope and air 0.82 mm at the sensor and 4.39 arcmin pass (plumb-zone): 1.05 mm at
     * the face, 1.64 mrad. */
    static struct kind rows[] = {
        { 0.2, 0.5, 0, PL_LASER_TRUST, PL_INSIDE, "back on itself" },
        { 1.5, 0.0, 0, PL_LASER_DIVERGE, PL_OUTSIDE, "the mark's shadow to the middle" },
        { 0.2, 2.5, 0, PL_LASER_ADJUST, PL_OUTSIDE, "by 12.5 mm to the middle of its circle" },
        { 3.0, 3.0, 0, PL_LASER_ADJUST, PL_OUTSIDE, "bring the spot on paper at 1120 mm" },
        { 0.0, 0.2, 3, PL_LASER_HOLDER, PL_OUTSIDE, "clamp it always alike" },
        { 0.2, 1.62, 0, PL_LASER_DOUBT, PL_UNSURE, "Take more marks" },
    };
    return cr_make_param_array(struct kind, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct kind *r, laser, what_is_advised)
{
    const double e[2] = { 0, r->decentre_mm }, t[2] = { 1e-3 * r->tilt_mrad, 0 };
    pl_laser_options o = options_of();
    pl_laser_sheets s = { { sheet_of(1000, 8, e, t, 1), sheet_of(5000, 8, e, t, 1) }, 2 };
    for (int k = 0; k < 2; k++)
        for (size_t i = 0; i < 8; i++) { /* off the circle, without moving it or making it oval */
            double a = 3 * 45. * (double)i * RAD;
            s.sheet[k].mark[i].x_mm += 1e-3 * r->play_mrad * s.sheet[k].at_mm * cos(a);
            s.sheet[k].mark[i].y_mm += 1e-3 * r->play_mrad * s.sheet[k].at_mm * sin(a);
        }
    pl_laser l = judged(&s, &o);
    cr_expect(eq(int, l.advice, r->advice), "%s", l.verdict.text);
    cr_expect(eq(int, l.verdict.state, r->state), "%s", l.verdict.text);
    cr_expect(ne(ptr, strstr(l.verdict.action, r->action), NULL), "%s", l.verdict.action);
    cr_expect(lt(sz, strlen(l.verdict.text), sizeof l.verdict.text - 1));
    cr_expect(lt(sz, strlen(l.verdict.action), sizeof l.verdict.action - 1));
    pl_laser_clear(&l);
}

/* ---- refusals */

Test(laser, no_circle_from_one_angle)
{
    const double e[2] = { 0, 0 }, t[2] = { 1e-3, 0 };
    pl_laser_options o = options_of();
    pl_laser_sheets s = { { sheet_of(5000, 4, e, t, 1) }, 1 };
    pl_facts f = telescope();
    pl_laser l = { .path_mm = 7 };
    pl_err err = { PL_OK, "" };
    for (size_t i = 0; i < 4; i++)
        s.sheet[0].mark[i].turned_deg = 90 + (double)i;
    cr_expect(eq(int, pl_laser_judge(&s, &f, &o, &l, &err), PL_ENODATA));
    cr_expect(ne(ptr, strstr(err.msg, "hardly turned"), NULL), "%s", err.msg);
    cr_expect(eq(dbl, l.path_mm, 7), "untouched");
}

Test(laser, refusals)
{
    const double e[2] = { 0, 0 }, t[2] = { 1e-3, 0 };
    pl_laser_options o = options_of();
    pl_facts f = telescope();
    pl_laser l;
    pl_laser_sheets mixed = { { sheet_of(1000, 8, e, t, 1), { .at_mm = 5000, .across_mm = 9 } },
                              2 };
    pl_laser_sheets empty = { .sheets = 0 }, good = { { sheet_of(1000, 8, e, t, 1) }, 1 };
    cr_expect(eq(int, pl_laser_judge(&mixed, &f, &o, &l, NULL), PL_EARG));
    cr_expect(eq(int, pl_laser_judge(&empty, &f, &o, &l, NULL), PL_ENODATA));
    o.behind_mm.v = 280; /* the face behind the flat */
    cr_expect(eq(int, pl_laser_judge(&good, &f, &o, &l, NULL), PL_EARG));
    f.aperture_mm = (pl_num){ NAN, PL_FROM_NOWHERE };
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_laser_judge(&good, &f, NULL, &l, &err), PL_ENODATA));
    cr_expect(ne(ptr, strstr(err.msg, "--aperture-mm"), NULL), "%s", err.msg);
}

/* A size that is not known leaves the tilt unjudged, and says so. */
Test(laser, without_a_sensor_only_the_axis_is_judged)
{
    const double e[2] = { 0, 0 }, t[2] = { 3e-3, 0 };
    pl_laser_options o = pl_laser_defaults();
    gsl_set_error_handler_off();
    pl_laser_sheets s = { { sheet_of(1000, 8, e, t, 1), sheet_of(5000, 8, e, t, 1) }, 2 };
    pl_laser l = judged(&s, &o);
    cr_expect(eq(int, l.advice, PL_LASER_TRUST));
    cr_expect(isnan(l.tilt_allowed_arcmin) && isnan(l.focuser_allowed_mm));
    cr_expect(isnan(l.bare.corner.most));
    cr_expect(answers_noted(&l.notes, "its tilt is not judged"));
    pl_laser_clear(&l);
}
