/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What screws are believed to do, what measurements teach, what is to be turned: against closed
 * forms and a small plane geometry written anew here. */
#include "../../lib/align/turn/turn.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define RAD (M_PI / 180)

static const pl_screws three = { .screws = 3,
                                 .radius_mm = 40,
                                 .angle_deg = { 90, 210, 330 },
                                 .pitch_mm = 1,
                                 .clockwise = 1,
                                 .columns_deg = NAN,
                                 .rows_deg = NAN };

/* ---- geometry */

Test(turn, one_of_three_screws_tilts_by_its_travel_over_one_and_a_half_radii)
{
    double s[PL_SCREWS_MAX][2];
    cr_assert(eq(int, pl_turn_slopes(&three, s, NULL), PL_OK));
    for (int k = 0; k < 3; k++) {
        cr_expect(epsilon_eq(dbl, 0.1 * hypot(s[k][0], s[k][1]), 1.6667e-3, 1e-7),
                  "REFERENCES 9.1");
        cr_expect(epsilon_eq(dbl, atan2(s[k][1], s[k][0]),
                             remainder(three.angle_deg[k] * RAD, 2 * M_PI), 1e-9));
    }
}

/* z of REFERENCES 9.1: a = 1e-3, b = -0.5e-3 on these screws. */
Test(turn, travels_of_a_plane_give_its_slope)
{
    const double z[3] = { 0.0800000, 0.0753590, 0.1446410 };
    double s[PL_SCREWS_MAX][2], a = 0, b = 0;
    pl_turn_slopes(&three, s, NULL);
    for (int k = 0; k < 3; k++) {
        a += s[k][0] * z[k];
        b += s[k][1] * z[k];
    }
    cr_expect(epsilon_eq(dbl, a, 1e-3, 1e-8));
    cr_expect(epsilon_eq(dbl, b, -0.5e-3, 1e-8));
}

Test(turn, screws_that_hold_no_plane_are_refused)
{
    double s[PL_SCREWS_MAX][2] = { { 7, 7 } };
    pl_screws bad = three;
    bad.angle_deg[1] = bad.angle_deg[0];
    cr_expect(eq(int, pl_turn_slopes(&bad, s, NULL), PL_EARG));
    bad = three;
    bad.screws = 2;
    cr_expect(eq(int, pl_turn_slopes(&bad, s, NULL), PL_EARG));
    cr_expect(eq(dbl, s[0][0], 7));
}

/* The mirror at z = 0 looks along +z, the focus at f. Raised by h on its +x side its normal is
 * (-tau, 0, 1), and its axis meets the focal plane at -f tau. A ray from its +x side crosses the
 * axis at the focus, so behind it, outside focus, it is found at -x: the donut shows the screw
 * there. Both are the same side. */
Test(turn, a_screw_pushed_in_draws_the_coma_free_point_to_where_a_donut_outside_shows_it)
{
    const double f = 900, x = 100, tau = 1e-3, behind = 1;
    double axis = f * (-tau / 1), shown = x + (f + behind) * (0 - x) / f;
    cr_assert(axis * shown > 0);
    pl_turn_belief *b = malloc(sizeof *b);
    const pl_turn_view view = { 0, 1 }; /* hand and frame alike */
    cr_assert(eq(int, pl_turn_prior(&three, f, &view, 1, b, NULL), PL_OK));
    const double *a = &b->guess[0].mean[2];
    cr_expect(epsilon_eq(dbl, a[0], 0, 1e-9));
    cr_expect(epsilon_eq(dbl, a[1], 900 / 60.0, 1e-9),
              "screw A, at 90 degrees: f / (1.5 R) that way");
    free(b);
}

Test(turn, views_turn_and_mirror)
{
    pl_turn_belief *b = malloc(sizeof *b);
    const pl_turn_view view[2] = { { 30, 1 }, { 30, -1 } };
    cr_assert(eq(int, pl_turn_prior(&three, 60, view, 2, b, NULL), PL_OK));
    cr_assert(eq(sz, b->guesses, 2));
    for (int k = 0; k < 3; k++) {
        double plain = (30 + three.angle_deg[k]) * RAD, mirrored = (30 - three.angle_deg[k]) * RAD;
        cr_expect(epsilon_eq(dbl, b->guess[0].mean[2 + 2 * k], cos(plain), 1e-9));
        cr_expect(epsilon_eq(dbl, b->guess[0].mean[3 + 2 * k], sin(plain), 1e-9));
        cr_expect(epsilon_eq(dbl, b->guess[1].mean[2 + 2 * k], cos(mirrored), 1e-9));
        cr_expect(epsilon_eq(dbl, b->guess[1].mean[3 + 2 * k], sin(mirrored), 1e-9));
    }
    free(b);
}

/* ---- learning */

static pl_turn_entry at(double x, double y, double sigma)
{
    return (pl_turn_entry){ .kind = PL_TURN_COMA,
                            .x = x,
                            .y = y,
                            .xx = sigma * sigma,
                            .yy = sigma * sigma,
                            .allowed = 0.3,
                            .star_x_px = 50,
                            .star_y_px = 50,
                            .width_px = 100,
                            .height_px = 100 };
}

/* With nothing known before, a turn teaches the quotient, with the slop as error, 5.4 % of the
 * whole: 0.05^2 + (0.01 / 0.5)^2 of it, half on each axis. */
Test(turn, a_turn_of_an_unknown_screw_teaches_the_quotient)
{
    pl_turn_belief *b = malloc(sizeof *b);
    const double turn[PL_SCREWS_MAX] = { 0.5 }, noise[3] = { 1e-10, 0, 1e-10 };
    pl_turn_entry e = at(1, 2, 1e-5);
    pl_turn_prior_blank(3, 20, b);
    pl_turn_begin(b, &e);
    pl_turn_update(b, turn, 2, 1.5, noise);
    double mean[2], sigma[2];
    pl_turn_response(b, 0, mean, sigma);
    cr_expect(epsilon_eq(dbl, mean[0], 2, 0.1), "(2 - 1) / 0.5, drawn a little to nought");
    cr_expect(epsilon_eq(dbl, mean[1], -1, 0.1));
    cr_expect(sigma[0] > 0.05 && sigma[0] < 0.12, "0.085 by the slop, a little more by the rest");
    cr_expect(pl_turn_response(b, 1, mean, sigma) < 0.01, "of the others nothing is known");
    free(b);
}

/* One guess, linear and Gaussian: the filter must agree with the batch answer. With v known, prior
 * R ~ N(0, S), two measurements of t R with errors q: posterior precision 1/S + sum t^2 / q. */
Test(turn, measurements_add_up_as_in_least_squares)
{
    pl_turn_belief *b = malloc(sizeof *b);
    const double one[PL_SCREWS_MAX] = { 1 }, noise[3] = { 0.04, 0, 0.04 };
    pl_turn_entry e = at(0, 0, 1e-6);
    pl_turn_prior_blank(2, 1e-3, b); /* so small that slop is nothing */
    double s = 9e-6;
    pl_turn_begin(b, &e);
    pl_turn_update(b, one, 0.1, 0, noise);
    double mean[2], sigma[2];
    pl_turn_response(b, 0, mean, sigma);
    cr_expect(epsilon_eq(dbl, mean[0], 0.1 * s / (s + 0.04), 1e-9));
    cr_expect(epsilon_eq(dbl, sigma[0], sqrt(1 / (1 / s + 1 / 0.04)), 1e-9));
    free(b);
}

Test(turn, weights_follow_what_was_measured)
{
    pl_turn_belief *b = malloc(sizeof *b);
    const pl_turn_view view[2] = { { 0, 1 }, { 180, 1 } };
    const double turn[PL_SCREWS_MAX] = { 0.5 }, noise[3] = { 1e-4, 0, 1e-4 };
    pl_turn_entry e = at(0, 0, 0.01);
    pl_turn_prior(&three, 60, view, 2, b, NULL);
    pl_turn_begin(b, &e);
    pl_turn_update(b, turn, 0.02, -0.48, noise);
    cr_expect(b->guess[1].weight > 0.999, "A moved it down: the frame is upside down");
    free(b);
}

/* ---- turning */

/* R of three screws: r along their angles, known exactly. */
static void known(pl_turn_belief *b, double r, double x, double y)
{
    *b = (pl_turn_belief){ .screws = 3, .guesses = 1 };
    b->guess[0].weight = 1;
    b->guess[0].mean[0] = x;
    b->guess[0].mean[1] = y;
    for (int k = 0; k < 3; k++) {
        b->guess[0].mean[2 + 2 * k] = r * cos(three.angle_deg[k] * RAD);
        b->guess[0].mean[3 + 2 * k] = r * sin(three.angle_deg[k] * RAD);
    }
}

/* sum t_k r e_k = -v and sum t_k = 0 have the one solution t_k = -2 v.e_k / (3 r). */
Test(turn, the_best_turns_of_three_equal_screws_in_closed_form)
{
    pl_turn_belief *b = malloc(sizeof *b);
    pl_turn_loss loss;
    double t[PL_SCREWS_MAX];
    known(b, 4, 1.3, -0.7);
    pl_turn_weigh(b, &loss);
    pl_turn_best(&loss, false, t);
    for (int k = 0; k < 3; k++) {
        double along = 1.3 * cos(three.angle_deg[k] * RAD) - 0.7 * sin(three.angle_deg[k] * RAD);
        cr_expect(epsilon_eq(dbl, t[k], -2 * along / 12, 2e-3), "but for the slop's 0.25 %%");
    }
    cr_expect(epsilon_eq(dbl, t[0] + t[1] + t[2], 0, 1e-9));
    free(b);
}

/* Four screws at 90 degrees have turns that do nothing; the least movement is -v.e_k / (2 r). */
Test(turn, of_turns_alike_the_least_movement)
{
    pl_turn_belief *b = calloc(1, sizeof *b);
    pl_turn_loss loss;
    double t[PL_SCREWS_MAX];
    b->screws = 4;
    b->guesses = 1;
    b->guess[0].weight = 1;
    b->guess[0].mean[0] = 1;
    b->guess[0].mean[1] = 0.5;
    for (int k = 0; k < 4; k++) {
        b->guess[0].mean[2 + 2 * k] = 2 * cos(k * M_PI / 2);
        b->guess[0].mean[3 + 2 * k] = 2 * sin(k * M_PI / 2);
    }
    pl_turn_weigh(b, &loss);
    pl_turn_best(&loss, false, t);
    const double want[4] = { -0.25, -0.125, 0.25, 0.125 };
    for (int k = 0; k < 4; k++)
        cr_expect(epsilon_eq(dbl, t[k], want[k], 1e-3));
    free(b);
}

Test(turn, rounded_turns_are_few_parts_and_add_up_to_nought)
{
    pl_turn_belief *b = malloc(sizeof *b);
    pl_turn_loss loss;
    for (int i = 0; i < 60; i++) {
        double exact[PL_SCREWS_MAX], t[PL_SCREWS_MAX] = { 0 }, sum = 0;
        known(b, 4, 3 * cos(i), 3 * sin(i));
        pl_turn_weigh(b, &loss);
        pl_turn_best(&loss, false, exact);
        double step = pl_turn_round(&loss, false, exact, 0.6, t);
        for (int k = 0; k < 3; k++) {
            sum += t[k];
            cr_expect(epsilon_eq(dbl, remainder(t[k], step), 0, 1e-9));
        }
        cr_expect(epsilon_eq(dbl, sum, 0, 1e-9));
        cr_expect(step >= 1 / 16.0, "a hexagonal lattice of 4 sqrt(3) / 16 leaves at most 0.25 mm");
        cr_expect(sqrt(pl_turn_cost(&loss, t)) <= 0.31, "half of what is allowed, or nearly exact");
    }
    free(b);
}

struct spelt {
    double turn;
    char words[16];
};

ParameterizedTestParameters(turn, spelling)
{
    static struct spelt rows[] = { { 0.375, "3/8" },    { -0.25, "1/4" }, { 1, "1" },
                                   { 1.25, "1 1/4" },   { -2, "2" },      { 0.0625, "1/16" },
                                   { 0.09375, "3/32" }, { 0.3, "0.30" },  { 0.5, "1/2" } };
    return cr_make_param_array(struct spelt, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct spelt *r, turn, spelling)
{
    char words[16];
    pl_turn_spell(r->turn, words);
    cr_expect(eq(str, words, r->words));
}

/* ---- the whole */

static char profile[] = "/tmp/plumb-turn-XXXXXX";

static void write_profile(const char *more)
{
    static bool made;
    if (!made)
        close(mkstemp(profile));
    made = true;
    FILE *f = fopen(profile, "w");
    fprintf(f,
            "[cell]\nradius_mm = 100\nangles_deg = 90, 210, 330\npitch_mm = 1\nkind = pushpull\n"
            "clockwise = in\n%s",
            more);
    fclose(f);
}

static pl_status solve(pl_turn_entry *e, size_t n, const char *screws, pl_turns *out, pl_err *err)
{
    pl_turn_log log = { e, n, n, { NULL, 0, 0 } };
    pl_facts facts = pl_facts_unknown();
    pl_turn_options o = pl_turn_defaults();
    snprintf(o.screws, sizeof o.screws, "%s", screws);
    pl_facts_set(&facts, "focal_mm", "900", PL_FROM_PROFILE, NULL);
    return pl_turn_solve(&log, profile, &facts, &o, out, err);
}

TestSuite(turnsolve);

static void tidy(void)
{
    unlink(profile);
}

/* One turn is 900 / 150 = 6 mm. The camera shows the cell as the hand finds it. */
Test(turnsolve, a_told_orientation_names_the_screws_at_once, .fini = tidy)
{
    pl_turns t;
    pl_err err = { PL_OK, "" };
    pl_turn_entry e = at(0, 3, 0.02);
    write_profile("columns_deg = 0\nrows_deg = 90\n");
    cr_assert(eq(int, solve(&e, 1, "", &t, &err), PL_OK), "%s", err.msg);
    cr_expect(t.turn && !t.trial && t.oriented);
    cr_expect(eq(int, t.verdict.state, PL_OUTSIDE));
    cr_expect(t.screw[0].turn < 0, "A stands where the point must leave: draw it out");
    cr_expect(epsilon_eq(dbl, t.screw[0].turn, -2 * 3 / (3 * 6.0), 0.1), "closed form, cautious");
    cr_expect(epsilon_eq(dbl, t.screw[1].turn, t.screw[2].turn, 1e-9));
    cr_expect(epsilon_eq(dbl, t.screw[0].travel_um, 1000 * t.screw[0].turn, 1e-9));
    cr_expect(epsilon_eq(dbl, t.focus_um, 0, 1e-9));
    cr_expect(epsilon_eq(dbl, t.screw[0].y, 6, 1e-9));
    pl_turn_clear(&t);
}

Test(turnsolve, no_screw_is_named_as_the_cure_before_an_orientation_is_known, .fini = tidy)
{
    pl_turns t;
    pl_turn_entry e = at(0, 3, 0.02);
    write_profile("");
    cr_assert(eq(int, solve(&e, 1, "", &t, NULL), PL_OK));
    cr_expect(t.turn && t.trial && t.either_way);
    cr_expect(isnan(t.columns_deg));
    cr_expect(strstr(t.verdict.action, "trial") != NULL);
    pl_turn_clear(&t);
}

/* Known turns in the log; the frame lies turned by 40 degrees and mirrored: b = 40 - a. */
Test(turnsolve, known_turns_tell_the_orientation, .fini = tidy)
{
    pl_turns t;
    pl_turn_entry e[3] = { at(2, 1, 0.01), at(0, 0, 0.01), at(0, 0, 0.01) };
    double r[3][2];
    write_profile("");
    for (int k = 0; k < 3; k++) {
        r[k][0] = 6 * cos((40 - three.angle_deg[k]) * RAD);
        r[k][1] = 6 * sin((40 - three.angle_deg[k]) * RAD);
    }
    for (int i = 1; i < 3; i++) {
        e[i].turn[i - 1] = 0.25;
        e[i].turn[i] = -0.25;
        e[i].x = e[i - 1].x + 0.25 * (r[i - 1][0] - r[i][0]);
        e[i].y = e[i - 1].y + 0.25 * (r[i - 1][1] - r[i][1]);
    }
    cr_assert(eq(int, solve(e, 3, "", &t, NULL), PL_OK));
    cr_expect(t.turn && !t.trial);
    cr_expect(epsilon_eq(dbl, t.columns_deg, 40, 2), "b = 0 at a = 40");
    cr_expect(epsilon_eq(dbl, t.rows_deg, 310, 2), "b = 90 at a = -50");
    cr_expect(t.left < 0.6);
    cr_expect(epsilon_eq(dbl, t.screw[1].x, r[1][0], 0.5));
    pl_turn_clear(&t);
}

Test(turnsolve, inside_is_left_alone, .fini = tidy)
{
    pl_turns t;
    pl_turn_entry e = at(0.1, 0.1, 0.02);
    write_profile("");
    cr_assert(eq(int, solve(&e, 1, "", &t, NULL), PL_OK));
    cr_expect(eq(int, t.verdict.state, PL_INSIDE));
    cr_expect(t.turn == false && strstr(t.verdict.action, "Leave it") != NULL);
    pl_turn_clear(&t);
}

Test(turnsolve, what_the_error_hides_is_measured_again, .fini = tidy)
{
    pl_turns t;
    pl_turn_entry e = at(0.3, 0.2, 0.2);
    write_profile("columns_deg = 0\nrows_deg = 90\n");
    cr_assert(eq(int, solve(&e, 1, "", &t, NULL), PL_OK));
    cr_expect(eq(int, t.verdict.state, PL_UNSURE));
    cr_expect(t.turn == false && strstr(t.verdict.action, "measure again") != NULL);
    pl_turn_clear(&t);
}

Test(turnsolve, screws_of_which_only_the_number_is_known_are_learned_from_nothing, .fini = tidy)
{
    pl_turns t;
    pl_turn_entry e[4] = { at(2, 1, 0.01), at(2, 1, 0.01), at(0, 0, 0.01), at(0, 0, 0.01) };
    const double r[3][2] = { { 3, 1 }, { -2, 2 }, { 0.5, -4 } };
    write_profile("");
    for (int i = 1; i < 4; i++) {
        e[i] = e[i - 1];
        memset(e[i].turn, 0, sizeof e[i].turn);
        e[i].turn[i - 1] = 0.25;
        e[i].x += 0.25 * r[i - 1][0];
        e[i].y += 0.25 * r[i - 1][1];
    }
    cr_assert(eq(int, solve(e, 1, "3", &t, NULL), PL_OK));
    cr_expect(t.trial && isnan(t.screw[0].travel_um) && isnan(t.columns_deg));
    pl_turn_clear(&t);
    cr_assert(eq(int, solve(e, 4, "3", &t, NULL), PL_OK));
    cr_expect(t.turn && !t.trial);
    double x = e[3].x, y = e[3].y;
    for (int k = 0; k < 3; k++) {
        x += t.screw[k].turn * r[k][0];
        y += t.screw[k].turn * r[k][1];
    }
    cr_expect(hypot(x, y) < 0.3, "inside, by the true effects");
    pl_turn_clear(&t);
}

Test(turnsolve, more_than_two_turns_are_made_in_parts, .fini = tidy)
{
    pl_turns t;
    write_profile("columns_deg = 0\nrows_deg = 90\n");
    for (int i = 0; i < 24; i++) {
        double sum = 0;
        pl_turn_entry e = at(40 * cos(0.26 * i), 40 * sin(0.26 * i), 0.02);
        cr_assert(eq(int, solve(&e, 1, "", &t, NULL), PL_OK));
        cr_expect(t.part && t.turn);
        for (int k = 0; k < 3; k++) {
            cr_expect(fabs(t.screw[k].turn) <= 2);
            sum += t.screw[k].turn;
        }
        cr_expect(epsilon_eq(dbl, sum, 0, 1e-9));
        pl_turn_clear(&t);
    }
}

Test(turnsolve, a_turn_that_did_nothing_is_remarked_on, .fini = tidy)
{
    pl_turns t;
    pl_turn_entry e[2] = { at(1, 1, 0.01), at(1, 1, 0.01) };
    e[1].turn[0] = 0.5;
    write_profile("columns_deg = 0\nrows_deg = 90\n");
    cr_assert(eq(int, solve(e, 2, "", &t, NULL), PL_OK));
    cr_expect(eq(sz, t.notes.n, 1));
    cr_expect(t.notes.n && strstr(t.notes.item[0], "locked") != NULL);
    pl_turn_clear(&t);
}

Test(turnsolve, what_cannot_be_answered_is_refused, .fini = tidy)
{
    pl_turns t = { .rounds = 77 };
    pl_turn_entry e[2] = { at(1, 1, 0.01), at(1, 1, 0.01) };
    pl_err err = { PL_OK, "" };
    write_profile("");
    cr_expect(eq(int, solve(e, 0, "", &t, NULL), PL_ENODATA), "an empty log");
    cr_expect(eq(int, solve(e, 1, "plate", &t, NULL), PL_EARG), "coma is no matter of the plate");
    e[1].turn[4] = 1;
    cr_expect(eq(int, solve(e, 2, "", &t, &err), PL_EARG), "there is no screw E");
    cr_expect(strstr(err.msg, "screw E") != NULL);
    FILE *f = fopen(profile, "w");
    fputs("[cell]\nradius_mm = 100\nangles_deg = 0, 120, 240\n", f);
    fclose(f);
    cr_expect(eq(int, solve(e, 1, "", &t, NULL), PL_ENODATA), "no pitch");
    f = fopen(profile, "w");
    fputs("[scope]\nfocal_mm = 900\n", f);
    fclose(f);
    cr_expect(eq(int, solve(e, 1, "", &t, NULL), PL_ENODATA), "no cell");
    cr_expect(eq(sz, t.rounds, 77));
}

Test(turn, options_from_text)
{
    pl_turn_options o = pl_turn_defaults();
    cr_expect(eq(int, pl_turn_set(&o, "screws", "plate", NULL), PL_OK));
    cr_expect(eq(str, o.screws, "plate"));
    cr_expect(eq(int, pl_turn_set(&o, "screws", "4", NULL), PL_OK));
    cr_expect(eq(int, pl_turn_set(&o, "free", NULL, NULL), PL_OK));
    cr_expect(o.free);
    cr_expect(eq(int, pl_turn_set(&o, "focuser", "90", NULL), PL_OK));
    cr_expect(eq(dbl, o.focuser_deg, 90));
    cr_expect(eq(int, pl_turn_set(&o, "screws", "7", NULL), PL_EARG));
    cr_expect(eq(int, pl_turn_set(&o, "screws", "2.5", NULL), PL_EARG));
    cr_expect(eq(int, pl_turn_set(&o, "screws", "mirror", NULL), PL_EARG));
    cr_expect(eq(int, pl_turn_set(&o, "focuser", "up", NULL), PL_EARG));
    cr_expect(eq(int, pl_turn_set(&o, "colour", "1", NULL), PL_EARG));
    cr_expect(eq(str, o.screws, "4"));
}
