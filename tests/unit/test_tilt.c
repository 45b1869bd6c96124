/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Is a tilt worth touching, four corners, the camera turned in its holder, one frame alone. Truth
 * is made here: planes turned by complex numbers, draws from known errors. */
#include "../../lib/align/align.h"
#include "../../lib/align/tilt/tilt.h"
#include "answers.h"

#include <complex.h>
#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

static pl_num told(double v)
{
    return (pl_num){ v, PL_FROM_PROFILE };
}

static pl_facts scope(void)
{
    pl_facts f = pl_facts_unknown();
    f.aperture_mm = told(280);
    f.focal_mm = told(870);
    f.obstruction = told(0.33);
    f.pixel_um = told(3.76);
    f.width_px = told(6250);
    f.height_px = told(4176);
    f.fwhm_growth = told(0.05);
    return f;
}

static pl_surface plane(double x, double y, double sigma)
{
    pl_surface s = { .tilt_x_um_mm = x,
                     .tilt_y_um_mm = y,
                     .curvature_um = NAN,
                     .width_mm = 23.5,
                     .height_mm = 15.7,
                     .seeing_um = NAN,
                     .lambda_um = NAN };
    s.cov[0][0] = s.cov[1][1] = sigma * sigma;
    for (int i = 0; i < 3; i++)
        s.cov[i][2] = s.cov[2][i] = NAN;
    return s;
}

static pl_tilt judged(const pl_surface *s, const pl_facts *f)
{
    pl_err err = { PL_OK, "" };
    pl_tilt t;
    cr_assert(eq(int, pl_tilt_judge(s, f, NULL, NULL, &t, &err), PL_OK), "%s", err.msg);
    return t;
}

/* ---- the verdict */

/* What may pass is the depth of focus by wave optics, to both sides. */
Test(tilt, allows_the_depth_of_focus)
{
    pl_facts f = scope();
    pl_surface s = plane(0, 0, 0.1);
    pl_err err = { PL_OK, "" };
    pl_optic o = { 280, 870. / 280, 0.33, 0.55, 2.5 };
    double um = 0;
    pl_tilt t = judged(&s, &f);
    cr_assert(eq(int, pl_star_depth(&o, 0.05, &um, &err), PL_OK));
    cr_expect(epsilon_eq(dbl, t.allowed_um, um, 1e-9));
    cr_expect(answers_noted(&t.notes, "--seeing 2.5 arcsec by default"));
    pl_tilt_clear(&t);
    s.seeing_um = 3.0 / 206264.806 * 870e3; /* 3 arcsec */
    t = judged(&s, &f);
    cr_expect(epsilon_eq(dbl, t.seeing_arcsec, 3, 1e-6));
    cr_expect(not(answers_noted(&t.notes, "--seeing")));
    pl_tilt_clear(&t);
    pl_tilt_options options = pl_tilt_defaults();
    cr_assert(eq(int, pl_tilt_set(&options, "seeing", "2", &err), PL_OK));
    cr_assert(eq(int, pl_tilt_judge(&s, &f, NULL, &options, &t, &err), PL_OK));
    cr_expect(epsilon_eq(dbl, t.seeing_arcsec, 2, 1e-9));
    pl_tilt_clear(&t);
}

struct verdict {
    double share, sigma_share; /* of what may pass, corner to corner */
    int state;
};

ParameterizedTestParameters(tilt, verdicts)
{
    static struct verdict rows[] = {
        { 0.0, 0.1, PL_INSIDE },  { 0.85, 0.1, PL_INSIDE },  { 0.95, 0.1, PL_UNSURE },
        { 1.05, 0.1, PL_UNSURE }, { 1.15, 0.1, PL_OUTSIDE }, { 3.0, 0.1, PL_OUTSIDE },
        { 3.0, 1.8, PL_UNSURE }, /* outside by one sigma, but no more than noise gives */
    };
    return cr_make_param_array(struct verdict, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct verdict *r, tilt, verdicts)
{
    pl_facts f = scope();
    pl_surface s = plane(0, 0, 0.1);
    pl_tilt t = judged(&s, &f);
    double may = 2 * t.allowed_um / 23.5; /* along x alone */
    pl_tilt_clear(&t);
    s = plane(r->share * may, 0, 0);
    s.cov[0][0] = pow(r->sigma_share * may, 2);
    s.cov[1][1] = 1e-12;
    t = judged(&s, &f);
    cr_expect(eq(int, (int)t.verdict.state, r->state), "%s", t.verdict.text);
    cr_expect(
        eq(int, (int)t.verdict.cause, r->state == PL_OUTSIDE ? PL_CAUSE_TILT : PL_CAUSE_NONE));
    pl_tilt_clear(&t);
}

/* Sensors that are square, seen through noise that is many times what may pass: acted upon less
 * than once in fifty (the test behind it is one in a hundred, so 2000 draws give 20 +- 4.5). */
Test(tilt, seldom_blames_a_square_sensor)
{
    int blamed = 0;
    srand48(11);
    for (int i = 0; i < 2000; i++) {
        double u = sqrt(-2 * log(1 - drand48())), v = 2 * M_PI * drand48();
        pl_surface s = plane(2 * u * cos(v), 2 * u * sin(v), 2);
        pl_surface_told t = pl_surface_tell(&s);
        blamed += pl_tilt_state(&s, &t, 0.5) == PL_OUTSIDE;
    }
    cr_expect(lt(int, blamed, 40));
}

Test(tilt, spacing_comes_first)
{
    pl_facts f = scope();
    pl_surface s = plane(3, 0, 0.1);
    s.cov[2][2] = 1;
    s.curvature_um = 80; /* +-40 um at best, of 18 */
    pl_tilt t = judged(&s, &f);
    cr_expect(t.spacing_first);
    cr_expect(eq(int, (int)t.verdict.state, PL_OUTSIDE));
    cr_expect(eq(int, (int)t.verdict.cause, PL_CAUSE_SPACING));
    cr_expect(ne(ptr, strstr(t.verdict.action, "Leave the tilt until then"), NULL));
    pl_tilt_clear(&t);
    s.curvature_um = 20; /* the middle of it serves all */
    t = judged(&s, &f);
    cr_expect(eq(int, (int)t.verdict.cause, PL_CAUSE_TILT));
    pl_tilt_clear(&t);
    s.curvature_um = -80;
    snprintf(f.corrected.s, sizeof f.corrected.s, "no");
    t = judged(&s, &f);
    cr_expect(eq(int, (int)t.verdict.cause, PL_CAUSE_TILT)); /* a bare mirror's own field */
    cr_expect(answers_noted(&t.notes, "curved field of its own"));
    pl_tilt_clear(&t);
}

Test(tilt, without_a_telescope_there_is_no_verdict)
{
    pl_facts f = pl_facts_unknown();
    pl_surface s = plane(3, 0, 0.1);
    pl_tilt t = judged(&s, &f);
    cr_expect(eq(int, (int)t.verdict.state, PL_UNSURE));
    cr_expect(isnan(t.allowed_um));
    cr_expect(answers_noted(&t.notes, "--aperture-mm"));
    pl_tilt_clear(&t);
}

Test(tilt, contradicting_facts_are_refused)
{
    pl_facts f = scope();
    pl_surface s = plane(3, 0, 0.1);
    pl_err err = { PL_OK, "" };
    pl_tilt t = { .part = 77 };
    f.focal_mm = told(100);
    cr_expect(eq(int, pl_tilt_judge(&s, &f, NULL, NULL, &t, &err), PL_EARG));
    cr_expect(eq(int, t.part, 77)); /* untouched */
}

/* ---- four corners */

/* By hand: best focus 20 um further out at the last column, 10 um further in at the last row. */
Test(tilt, corners)
{
    pl_facts f = scope();
    pl_err err = { PL_OK, "" };
    pl_tilt_options o = pl_tilt_defaults();
    pl_tilt t;
    cr_assert(eq(int, pl_tilt_set(&o, "corners", "105,125,95,115", &err), PL_OK), "%s", err.msg);
    cr_assert(eq(int, pl_tilt_set(&o, "error", "3", &err), PL_OK));
    cr_assert(eq(int, pl_tilt_corners(&f, NULL, &o, &t, &err), PL_OK), "%s", err.msg);
    cr_expect(epsilon_eq(dbl, t.surface.tilt_x_um_mm, 20 / 23.5, 1e-9));
    cr_expect(epsilon_eq(dbl, t.surface.tilt_y_um_mm, -10 / 15.70176, 1e-6));
    cr_expect(epsilon_eq(dbl, t.told.across_um, 30, 1e-6));
    /* slope along x: two differences of 3 sqrt(2) um, averaged: 3 um over the width; both axes */
    cr_expect(epsilon_eq(dbl, t.told.across_sigma_um, 3 * sqrt(2), 1e-6));
    cr_expect(isnan(t.surface.curvature_um));
    pl_tilt_clear(&t);
}

/* The twist of four equal errors has twice the error of one: 4000 draws, error of the ratio 1 %. */
Test(tilt, corners_tell_their_own_error)
{
    pl_facts f = scope();
    pl_err err = { PL_OK, "" };
    double square = 0;
    srand48(5);
    for (int i = 0; i < 4000; i++) {
        pl_tilt_options o = pl_tilt_defaults();
        pl_tilt t;
        for (int k = 0; k < 4; k++)
            o.corner_um[k] = 2.5 * sqrt(-2 * log(1 - drand48())) * cos(2 * M_PI * drand48());
        f.aperture_mm = (pl_num){ NAN, PL_FROM_NOWHERE }; /* no tolerance: quick */
        cr_assert(eq(int, pl_tilt_corners(&f, NULL, &o, &t, &err), PL_OK));
        square += pow(sqrt(t.surface.cov[0][0]) * 23.5, 2) / 4000;
        pl_tilt_clear(&t);
    }
    cr_expect(epsilon_eq(dbl, sqrt(square), 2.5, 0.1));
}

Test(tilt, corners_need_the_frame)
{
    pl_facts f = pl_facts_unknown();
    pl_err err = { PL_OK, "" };
    pl_tilt_options o = pl_tilt_defaults();
    pl_tilt t = { .part = 77 };
    o.corner_um[0] = o.corner_um[1] = o.corner_um[2] = o.corner_um[3] = 0;
    cr_expect(eq(int, pl_tilt_corners(&f, NULL, &o, &t, &err), PL_ENODATA));
    cr_expect(ne(ptr, strstr(err.msg, "pixel"), NULL), "%s", err.msg);
    cr_expect(eq(int, t.part, 77));
}

struct text {
    char name[12], value[40];
    bool good;
};

ParameterizedTestParameters(tilt, options)
{
    static struct text rows[] = {
        { "corners", "1,2,3,4", true },    { "corners", "-1.5,2e1,+3,0", true },
        { "corners", "1,2,3", false },     { "corners", "1,2,3,4,5", false },
        { "corners", "1,2,3,4,", false },  { "corners", "1,,3,4", false },
        { "corners", "", false },          { "corners", "1,2,3,x", false },
        { "corners", "1,2,3,nan", false }, { "corners", "1,2,3,4um", false },
        { "corners", "1,2,3,1e9", false }, { "error", "-1", false },
        { "rotated", "-90", true },        { "rotated", "400", false },
        { "rotated", "quarter", false },   { "seeing", "0", false },
        { "wavelength", "0.53", true },    { "tilt", "1", false },
    };
    return cr_make_param_array(struct text, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct text *r, tilt, options)
{
    pl_err err = { PL_OK, "" };
    pl_tilt_options o = pl_tilt_defaults();
    cr_expect(eq(int, pl_tilt_set(&o, r->name, r->value, &err), r->good ? PL_OK : PL_EARG), "%s %s",
              r->name, r->value);
    if (!r->good)
        cr_expect(isnan(o.corner_um[0]) && isnan(o.rotated_deg)); /* untouched */
}

/* ---- the camera turned */

struct turn {
    double deg, columns_deg, rows_deg;
};

/* Seen from behind, a slope is a complex number: real part to the right, imaginary part up. In a
 * frame whose columns lie at c and rows at r, its parts along them. */
static pl_surface in_frame(double complex sensor_in_frame, double complex tube, double c, double r,
                           double sigma)
{
    double x = creal(tube * conj(cexp(I * c))), y = creal(tube * conj(cexp(I * r)));
    return plane(creal(sensor_in_frame) + x, cimag(sensor_in_frame) + y, sigma);
}

ParameterizedTestParameters(tilt, parts)
{
    static struct turn rows[] = {
        { 90, 0, 90 },   { -90, 0, 90 },   { 90, 0, 270 },    { 180, 0, 90 },
        { 180, NAN, 0 }, { 33, 200, 110 }, { 327, 200, 290 }, { -120, 45, 315 },
    };
    return cr_make_param_array(struct turn, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct turn *r, tilt, parts)
{
    pl_facts f = scope();
    pl_err err = { PL_OK, "" };
    pl_screws plate = { .columns_deg = r->columns_deg, .rows_deg = r->rows_deg };
    double c = (isnan(r->columns_deg) ? 17 : r->columns_deg) * M_PI / 180;
    double w = (isnan(r->columns_deg) ? 107 : r->rows_deg) * M_PI / 180;
    double complex sensor = 1.5 - 0.4 * I, tube = -0.7 + 2.1 * I;
    double turn =
        r->deg * M_PI / 180; /* counter-clockwise from behind: the frame's axes go along */
    pl_surface a = in_frame(sensor, tube, c, w, 0.1);
    pl_surface b = in_frame(sensor, tube, c + turn, w + turn, 0.1);
    pl_tilt_options o = pl_tilt_defaults();
    o.rotated_deg = r->deg;
    pl_tilt_parts p;
    cr_assert(eq(int, pl_tilt_rotated(&a, &b, &f, &plate, &o, &p, &err), PL_OK), "%s", err.msg);
    cr_expect(epsilon_eq(dbl, p.sensor.tilt_x_um_mm, creal(sensor), 1e-9));
    cr_expect(epsilon_eq(dbl, p.sensor.tilt_y_um_mm, cimag(sensor), 1e-9));
    pl_surface alone = in_frame(0, tube, c, w, 0);
    cr_expect(epsilon_eq(dbl, p.tube.tilt_x_um_mm, alone.tilt_x_um_mm, 1e-9));
    cr_expect(epsilon_eq(dbl, p.tube.tilt_y_um_mm, alone.tilt_y_um_mm, 1e-9));
    /* With equal errors in all directions both parts have sqrt(2) sigma / |2 sin(turn / 2)|. */
    double sigma = sqrt(2) * 0.1 / fabs(2 * sin(turn / 2));
    cr_expect(epsilon_eq(dbl, sqrt(p.tube.cov[0][0]), sigma, 1e-9));
    cr_expect(epsilon_eq(dbl, sqrt(p.sensor.cov[1][1]), sigma, 1e-9));
    cr_expect(epsilon_eq(dbl, p.sensor.cov[0][1], 0, 1e-9));
    pl_tilt_parts_clear(&p);
}

struct unturned {
    double deg, width_mm, columns_deg;
    int code;
    char words[40];
};

ParameterizedTestParameters(tilt, parts_refused)
{
    static struct unturned rows[] = {
        { 0, 23.5, 0, PL_EARG, "too small to tell" },
        { 10, 23.5, 0, PL_EARG, "1 / |2 sin(turn / 2)|" },
        { 360, 23.5, 0, PL_EARG, "a whole turn is none" },
        { 90, 36, 0, PL_EARG, "two of one camera" },
        { 90, 23.5, NAN, PL_ENODATA, "columns_deg and rows_deg" },
    };
    return cr_make_param_array(struct unturned, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct unturned *r, tilt, parts_refused)
{
    pl_facts f = scope();
    pl_err err = { PL_OK, "" };
    pl_screws plate = { .columns_deg = r->columns_deg, .rows_deg = 90 };
    pl_surface a = plane(1, 0, 0.1), b = plane(0, 1, 0.1);
    pl_tilt_options o = pl_tilt_defaults();
    pl_tilt_parts p = { .gain = 77 };
    o.rotated_deg = r->deg;
    b.width_mm = r->width_mm;
    cr_expect(eq(int, (int)pl_tilt_rotated(&a, &b, &f, &plate, &o, &p, &err), r->code));
    cr_expect(ne(ptr, strstr(err.msg, r->words), NULL), "%s", err.msg);
    cr_expect(eq(dbl, p.gain, 77));
}

/* ---- one frame */

Test(tilt, one_frame_has_no_sign)
{
    pl_field f = { .used = 100 };
    for (int i = 0; i < PL_PATTERNS; i++)
        f.pattern[i] = (pl_pattern){ .amplitude = 0.01, .amplitude_sigma = 0.01, .tolerance = 0.1 };
    pl_pattern *p = &f.pattern[PL_SIZE_SLOPE];
    pl_tilt_hint h = pl_tilt_of_field(&f);
    cr_expect(isnan(h.slope_deg));
    *p = (pl_pattern){ .amplitude = 0.081,
                       .amplitude_sigma = 0.009,
                       .significance = 9,
                       .angle_deg = 45,
                       .meaning = "tilt" };
    h = pl_tilt_of_field(&f);
    cr_expect(eq(int, (int)h.verdict.state, PL_UNSURE));
    cr_expect(epsilon_eq(dbl, h.slope_deg, 45, 1e-12));
    cr_expect(ne(ptr, strstr(h.verdict.text, "8.1 +- 0.9 %"), NULL));
    cr_expect(ne(ptr, strstr(h.verdict.text, "relative, and without a sign"), NULL));
    cr_expect(not(h.collimation_first));
    f.pattern[PL_FLARE] = (pl_pattern){ .amplitude = 0.5,
                                        .amplitude_sigma = 0.01,
                                        .significance = 50,
                                        .tolerance = 0.1,
                                        .meaning = "x" };
    h = pl_tilt_of_field(&f);
    cr_expect(h.collimation_first);
    cr_expect(eq(int, strncmp(h.verdict.action, "Collimate first", 15), 0));
    p->amplitude = NAN;
    h = pl_tilt_of_field(&f);
    cr_expect(ne(ptr, strstr(h.verdict.text, "too few stars"), NULL));
}
