/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The loop without pictures: measure, turn, measure again, on a cell worse than its profile says.
 * Each screw acts 20 % more or less, 15 degrees off, loses 4 % on turning back; the camera shows
 * the mirror turned by any angle, mirrored or not. The cell is written anew here; the limits are
 * the project's targets. */
#include "../../lib/align/turn/turn.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { EVENINGS = 100, ROUNDS = 3 };

#define RAD (M_PI / 180)

typedef struct {
    double axis[2], effect[3][2], columns;
    int last[3];
} cell;

static cell make(gsl_rng *rng, double allowed)
{
    cell c = { .columns = 360 * gsl_rng_uniform(rng) };
    int mirrored = gsl_rng_uniform(rng) < 0.5 ? -1 : 1;
    double deg = 360 * gsl_rng_uniform(rng), off = allowed * (1.5 + 3 * gsl_rng_uniform(rng));
    for (int k = 0; k < 3; k++) {
        double size = gsl_rng_uniform(rng) < 0.5 ? 0.8 : 1.2;
        double wrong = gsl_rng_uniform(rng) < 0.5 ? 15 : -15;
        double on_frame = mirrored * (90 + 120 * k + wrong - c.columns) * RAD;
        c.effect[k][0] = size * 870 / (1.5 * 110) * cos(on_frame);
        c.effect[k][1] = size * 870 / (1.5 * 110) * sin(on_frame);
    }
    c.axis[0] = off * cos(deg * RAD);
    c.axis[1] = off * sin(deg * RAD);
    return c;
}

static void turn(cell *c, int k, double turns)
{
    int way = (turns > 0) - (turns < 0);
    if (way && c->last[k] && way != c->last[k])
        turns *= 0.96;
    if (way)
        c->last[k] = way;
    c->axis[0] += turns * c->effect[k][0];
    c->axis[1] += turns * c->effect[k][1];
}

/* Gives: rounds until it is told inside, or ROUNDS + 1; `truth` over what passes. */
static int evening(const char *profile, cell c, double allowed, gsl_rng *rng, double *truth)
{
    pl_turn_entry entry[ROUNDS + 1] = { { .kind = PL_TURN_COMA } };
    pl_facts facts = pl_facts_unknown();
    pl_turn_options o = pl_turn_defaults();
    pl_facts_set(&facts, "focal_mm", "870", PL_FROM_PROFILE, NULL);
    for (int i = 0; i <= ROUNDS; i++) {
        pl_turn_log log = { entry, (size_t)i + 1, ROUNDS + 1, { NULL, 0, 0 } };
        pl_turns t;
        entry[i].x = c.axis[0] + gsl_ran_gaussian(rng, 0.02);
        entry[i].y = c.axis[1] + gsl_ran_gaussian(rng, 0.02);
        entry[i].xx = entry[i].yy = 0.0004;
        entry[i].allowed = allowed;
        cr_assert(eq(int, pl_turn_solve(&log, profile, &facts, &o, &t, NULL), PL_OK));
        *truth = hypot(c.axis[0], c.axis[1]) / allowed;
        pl_state state = t.verdict.state;
        pl_turn_clear(&t);
        if (state == PL_INSIDE)
            return i;
        for (int k = 0; k < 3 && i < ROUNDS; k++) {
            entry[i + 1].turn[k] = t.screw[k].turn;
            turn(&c, k, t.screw[k].turn);
        }
    }
    return ROUNDS + 1;
}

/* Gives: how many of a hundred evenings ended inside. */
static int evenings(double allowed, bool told)
{
    char profile[] = "/tmp/plumb-turnloop-XXXXXX";
    pl_dice dice;
    gsl_rng *rng = pl_dice_throw(&dice, 4, 5, told);
    int inside = 0;
    close(mkstemp(profile));
    for (int i = 0; i < EVENINGS; i++) {
        double truth;
        cell c = make(rng, allowed);
        FILE *f = fopen(profile, "w");
        fprintf(f, "[cell]\nradius_mm = 110\nangles_deg = 90 210 330\npitch_mm = 1\n"
                   "clockwise = in\n");
        if (told)
            fprintf(f, "columns_deg = %.1f\n", c.columns);
        fclose(f);
        bool good = evening(profile, c, allowed, rng, &truth) <= ROUNDS;
        inside += good;
        cr_expect(good == false || truth < 1 + 3 * 0.02 / allowed,
                  "what is told inside is, to three sigma");
    }
    unlink(profile);
    return inside;
}

Test(turnloop, with_one_edge_told_the_cell_is_inside_in_three_rounds)
{
    cr_expect(ge(int, evenings(0.75, true), 98));
}

Test(turnloop, with_nothing_told_the_cell_is_inside_in_three_rounds)
{
    cr_expect(ge(int, evenings(0.75, false), 95));
}

Test(turnloop, and_for_a_tolerance_of_a_third_of_a_millimetre)
{
    cr_expect(ge(int, evenings(0.33, false), 92));
}
