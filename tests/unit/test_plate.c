/* SPDX-License-Identifier: GPL-3.0-or-later */
/* From the slope of best focus to the screws: worked numbers of the geometry of three points on a
 * circle, and moving the plate by what is told and looking whether it is square. */
#include "../../lib/align/tilt/tilt.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double ARCMIN = 3.14159265358979 / 10800;

/* Three screws of M4 at 40 mm, the camera upright. */
static pl_tilt tilt_of(double x_um_mm, double y_um_mm)
{
    pl_tilt t = { .allowed_um = 15 };
    t.surface = (pl_surface){ .tilt_x_um_mm = x_um_mm,
                              .tilt_y_um_mm = y_um_mm,
                              .curvature_um = NAN,
                              .width_mm = 23.5,
                              .height_mm = 15.7 };
    t.plate = (pl_screws){ .screws = 3,
                           .radius_mm = 40,
                           .angle_deg = { 90, 210, 330 },
                           .pitch_mm = 0.7,
                           .kind = "pushpull",
                           .clockwise = 1,
                           .columns_deg = 0,
                           .rows_deg = 90 };
    t.told = pl_surface_tell(&t.surface);
    return t;
}

/* Three angles 120 degrees apart, R = 40 mm, z = a x + b y + c with a = 1e-3, b = -0.5e-3, c = 0.1:
 * z = 0.0800000, 0.0753590, 0.1446410 (derived, see the geometry's own check below). Out is z - c;
 * travel is counted away from the person. */
Test(plate, three_screws_worked)
{
    pl_tilt t = tilt_of(1, -0.5);
    pl_plate_solve(&t);
    cr_assert(t.named);
    cr_expect(epsilon_eq(dbl, t.screw[0].travel_um, -1e3 * (0.0800000 - 0.1), 1e-4));
    cr_expect(epsilon_eq(dbl, t.screw[1].travel_um, -1e3 * (0.0753590 - 0.1), 1e-4));
    cr_expect(epsilon_eq(dbl, t.screw[2].travel_um, -1e3 * (0.1446410 - 0.1), 1e-4));
    cr_expect(epsilon_eq(dbl, t.screw[2].turns, 0.044641 / 0.7, 1e-6));
    cr_expect(eq(int, t.screw[0].direction, 1));  /* clockwise is in */
    cr_expect(eq(int, t.screw[2].direction, -1)); /* it must come out */
    cr_expect(epsilon_eq(dbl, t.centre_um, 0, 1e-12));
}

/* One screw moved by h tilts by h / (1.5 R): 0.1 mm at 40 mm is 1.6667e-3. */
Test(plate, one_screw_worked)
{
    pl_tilt t = tilt_of(0, 1e3 * 0.1 / 60);
    snprintf(t.plate.kind, sizeof t.plate.kind, "push");
    pl_plate_solve(&t);
    cr_expect(epsilon_eq(dbl, t.screw[0].travel_um, -100, 1e-9)); /* out: as far as it goes */
    cr_expect(epsilon_eq(dbl, t.screw[1].travel_um, 0, 1e-9));
    cr_expect(epsilon_eq(dbl, t.screw[2].travel_um, 0, 1e-9));
    cr_expect(epsilon_eq(dbl, t.centre_um, 100. / 3, 1e-9));
    snprintf(t.plate.kind, sizeof t.plate.kind, "pull");
    pl_plate_solve(&t);
    cr_expect(epsilon_eq(dbl, t.screw[0].travel_um, 0, 1e-9));
    cr_expect(epsilon_eq(dbl, t.screw[1].travel_um, 100, 1e-9)); /* the other two go in */
    cr_expect(epsilon_eq(dbl, t.screw[2].travel_um, 100, 1e-9));
}

/* An eighth of a turn of one of three screws at R = 130 mm (ISO 261 pitches; 1/4-20 is 1.27 mm). */
struct thread {
    double pitch_mm, arcmin;
};

ParameterizedTestParameters(plate, eighths_worked)
{
    static struct thread rows[] = {
        { 0.7, 1.543 }, { 0.8, 1.763 }, { 1.0, 2.204 }, { 1.27, 2.799 }
    };
    return cr_make_param_array(struct thread, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct thread *r, plate, eighths_worked)
{
    pl_tilt t = tilt_of(0, 1e3 * tan(r->arcmin * ARCMIN));
    snprintf(t.plate.kind, sizeof t.plate.kind, "push");
    t.plate.radius_mm = 130;
    t.plate.pitch_mm = r->pitch_mm;
    pl_plate_solve(&t);
    cr_expect(epsilon_eq(dbl, t.screw[0].turns, 0.125, 5e-5));
    cr_expect(epsilon_eq(dbl, t.screw[0].hand_turns, 0.125, 1e-12));
    cr_expect(eq(int, t.part, 8));
    cr_expect(lt(dbl, t.remains_um, 0.01));
}

/* ---- the plate moved by what is told must lie along best focus */

struct setting {
    double angle_deg[6], columns_deg, rows_deg;
    int screws;
    char kind[12];
};

/* Plane through the first three points (Cramer's rule): z = p[0] + p[1] x + p[2] y. */
static void through(const double x[3], const double y[3], const double z[3], double p[3])
{
    double d = (x[1] - x[0]) * (y[2] - y[0]) - (x[2] - x[0]) * (y[1] - y[0]);
    p[1] = ((z[1] - z[0]) * (y[2] - y[0]) - (z[2] - z[0]) * (y[1] - y[0])) / d;
    p[2] = ((x[1] - x[0]) * (z[2] - z[0]) - (x[2] - x[0]) * (z[1] - z[0])) / d;
    p[0] = z[0] - p[1] * x[0] - p[2] * y[0];
}

/* How far best focus runs from the moved sensor, corner to corner; `by` is each screw's travel. */
static double left_after(const pl_tilt *t, const double *by, double *centre, double *bent)
{
    double x[6] = { 0 }, y[6] = { 0 }, z[6] = { 0 }, p[3], lo = 1e9, hi = -1e9;
    double c = t->plate.columns_deg * M_PI / 180, r = t->plate.rows_deg * M_PI / 180;
    for (size_t i = 0; i < t->plate.screws; i++) {
        x[i] = t->plate.radius_mm * cos(t->plate.angle_deg[i] * M_PI / 180);
        y[i] = t->plate.radius_mm * sin(t->plate.angle_deg[i] * M_PI / 180);
        z[i] = -by[i]; /* out */
    }
    through(x, y, z, p);
    *centre = p[0];
    *bent = 0;
    for (size_t i = 3; i < t->plate.screws; i++)
        *bent = fmax(*bent, fabs(z[i] - p[0] - p[1] * x[i] - p[2] * y[i]));
    for (int i = 0; i < 4; i++) {
        double u = (i % 2 ? 0.5 : -0.5) * t->surface.width_mm;
        double v = (i / 2 ? 0.5 : -0.5) * t->surface.height_mm;
        double hand_x = u * cos(c) + v * cos(r), hand_y = u * sin(c) + v * sin(r);
        double off = u * t->surface.tilt_x_um_mm + v * t->surface.tilt_y_um_mm -
                     (p[1] * hand_x + p[2] * hand_y);
        lo = fmin(lo, off);
        hi = fmax(hi, off);
    }
    return hi - lo;
}

ParameterizedTestParameters(plate, squares_the_sensor)
{
    static struct setting rows[] = {
        { { 90, 210, 330 }, 0, 90, 3, "pushpull" },
        { { 90, 210, 330 }, 180, 270, 3, "pushpull" }, /* upside down */
        { { 90, 210, 330 }, 180, 90, 3, "pushpull" },  /* mirrored */
        { { 30, 150, 270 }, 37, 307, 3, "push" },      /* turned and mirrored */
        { { 10, 100, 260 }, 200, 290, 3, "pushpull" }, /* unevenly set */
        { { 45, 135, 225, 315 }, 12, 102, 4, "pull" },
        { { 0, 90, 180, 270 }, 350, 80, 4, "pushpull" },
        { { 0, 60, 120, 180, 240, 300 }, 0, 270, 6, "push" },
    };
    return cr_make_param_array(struct setting, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct setting *r, plate, squares_the_sensor)
{
    pl_tilt t = tilt_of(1.3, -0.8);
    double by[6] = { 0 }, hand[6] = { 0 }, centre, bent, sum = 0, wholes = 0;
    t.plate.screws = (size_t)r->screws;
    memcpy(t.plate.angle_deg, r->angle_deg, sizeof r->angle_deg);
    t.plate.columns_deg = r->columns_deg;
    t.plate.rows_deg = r->rows_deg;
    snprintf(t.plate.kind, sizeof t.plate.kind, "%s", r->kind);
    pl_plate_solve(&t);
    bool push = strcmp(r->kind, "push") == 0, pull = strcmp(r->kind, "pull") == 0;
    for (int i = 0; i < r->screws; i++) {
        by[i] = t.screw[i].travel_um;
        sum += by[i];
        hand[i] = t.screw[i].direction * t.screw[i].hand_turns * 700; /* clockwise is in */
        wholes += hand[i];
        bool wrong = (push && fmax(by[i], hand[i]) > 0) || (pull && fmin(by[i], hand[i]) < 0);
        cr_expect(not(wrong), "screw %d goes the wrong way", i);
    }
    cr_expect(epsilon_eq(dbl, left_after(&t, by, &centre, &bent), 0, 1e-9));
    cr_expect(epsilon_eq(dbl, bent, 0, 1e-9)); /* more than three screws stay in one plane */
    cr_expect(epsilon_eq(dbl, centre, t.centre_um, 1e-6));
    if (!push && !pull) {
        cr_expect(epsilon_eq(dbl, sum, 0, 1e-9));
        cr_expect(epsilon_eq(dbl, wholes, 0, 1e-9));
    }
    if (r->screws == 3) /* what rounding leaves is what the rounded plane misses */
        cr_expect(epsilon_eq(dbl, left_after(&t, hand, &centre, &bent), t.remains_um, 1e-6));
    cr_expect(lt(dbl, t.remains_um, 15));
}

/* Least movement: of all planes of that slope, none has a smaller sum of squares. */
Test(plate, least_movement)
{
    pl_tilt t = tilt_of(1.3, -0.8);
    double sum = 0;
    pl_plate_solve(&t);
    for (int i = 0; i < 3; i++)
        sum += t.screw[i].travel_um * t.screw[i].travel_um;
    for (double shift = -20; shift <= 20; shift += 1) {
        double other = 0;
        for (int i = 0; i < 3; i++)
            other += (t.screw[i].travel_um + shift) * (t.screw[i].travel_um + shift);
        cr_expect(ge(dbl, other, sum - 1e-9));
    }
}

/* Errors by hand: the camera upright, screw A at 90 degrees feels the slope in y alone. */
Test(plate, errors)
{
    pl_tilt t = tilt_of(1, -0.5);
    t.surface.cov[0][0] = 0.04;
    t.surface.cov[1][1] = 0.09;
    t.surface.cov[0][1] = t.surface.cov[1][0] = 0.01;
    pl_plate_solve(&t);
    cr_expect(epsilon_eq(dbl, t.screw[0].travel_sigma_um, 40 * 0.3, 1e-9));
    /* C at 330 degrees: cos = 0.8660, sin = -0.5 */
    cr_expect(epsilon_eq(dbl, t.screw[2].travel_sigma_um,
                         40 * sqrt(0.75 * 0.04 + 0.25 * 0.09 - 0.8660254 * 0.01), 1e-6));
}

/* Finer parts where eighths leave too much, and no finer than a hand can do. */
Test(plate, parts_as_fine_as_needed)
{
    pl_tilt t = tilt_of(1.3, -0.8);
    t.allowed_um = 200;
    pl_plate_solve(&t);
    cr_expect(eq(int, t.part, 8));
    t.allowed_um = 12;
    pl_plate_solve(&t);
    cr_expect(gt(int, t.part, 8));
    cr_expect(le(dbl, t.remains_um, 12));
    t.allowed_um = 0.001;
    pl_plate_solve(&t);
    cr_expect(eq(int, t.part, 32));
}

Test(plate, no_screw_is_named_in_the_dark)
{
    pl_tilt t = tilt_of(1, -0.5);
    t.plate.rows_deg = NAN;
    pl_plate_solve(&t);
    cr_expect(not(t.named));
    cr_expect(isnan(t.screw[0].travel_um));
    cr_expect(epsilon_eq(dbl, pl_plate_lever_um(&t), 40 * sqrt(1.25), 1e-9));
    t = tilt_of(1, -0.5);
    t.plate.screws = 0;
    pl_plate_solve(&t);
    cr_expect(not(t.named));
}

Test(plate, thread_or_sense_unknown)
{
    char words[64];
    pl_tilt t = tilt_of(1, -0.5);
    t.plate.clockwise = NAN;
    pl_plate_solve(&t);
    cr_expect(eq(int, t.screw[2].direction, 0));
    pl_plate_say(&t, 2, words, sizeof words);
    cr_expect(ne(ptr, strstr(words, " turn (towards you)"), NULL), "%s", words);
    t.plate.pitch_mm = NAN;
    pl_plate_solve(&t);
    cr_expect(eq(int, t.part, 0));
    cr_expect(isnan(t.screw[2].turns));
    pl_plate_say(&t, 2, words, sizeof words);
    cr_expect(eq(str, words, "45 um towards you"));
}

/* Out where best focus is out: 1 um/mm over 23.5 mm and 0.5 um/mm over 15.7 mm, row 1 further out.
 */
Test(plate, shims)
{
    pl_tilt t = tilt_of(1, -0.5);
    t.plate.screws = 0;
    pl_plate_solve(&t);
    cr_expect(epsilon_eq(dbl, t.shim_mm[PL_X1Y2], 0, 1e-12));
    cr_expect(epsilon_eq(dbl, t.shim_mm[PL_X1Y1], 0.00785, 1e-12));
    cr_expect(epsilon_eq(dbl, t.shim_mm[PL_X2Y2], 0.0235, 1e-12));
    cr_expect(epsilon_eq(dbl, t.shim_mm[PL_X2Y1], 0.03135, 1e-12));
}

struct part {
    double turns;
    int part;
    char words[16];
};

ParameterizedTestParameters(plate, parts_in_words)
{
    static struct part rows[] = {
        { 0, 8, "0" },        { 0.125, 8, "1/8" },
        { 0.25, 8, "1/4" },   { 0.5, 16, "1/2" },
        { 0.375, 8, "3/8" },  { 1, 8, "1" },
        { 1.25, 8, "1 1/4" }, { 0.0625, 16, "1/16" },
        { 2.5, 32, "2 1/2" }, { 0.96875, 32, "31/32" },
    };
    return cr_make_param_array(struct part, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct part *r, plate, parts_in_words)
{
    char words[32];
    pl_part_say(r->turns, r->part, words, sizeof words);
    cr_expect(eq(str, words, r->words));
}
