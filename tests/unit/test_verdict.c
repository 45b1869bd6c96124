/* SPDX-License-Identifier: GPL-3.0-or-later */
/* From amplitudes to inside, outside, cannot tell: with the error in hand. */
#include "../../lib/align/align.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <string.h>

static void quiet(pl_pattern_fit *fit)
{
    static const char *const unit[PL_PATTERNS] = { "chi",      "chi",     "chi",
                                                   "fraction", "sigma^3", "sigma^3" };
    *fit = (pl_pattern_fit){ .bowl_sigma = 0.01, .comatic_sigma = 0.01 };
    for (int k = 0; k < PL_PATTERNS; k++)
        fit->p[k] = (pl_pattern){ .amplitude = 0.001,
                                  .amplitude_sigma = 0.002,
                                  .unit = unit[k],
                                  .significance = 0.5,
                                  .angle_deg = 30,
                                  .x_px = 10,
                                  .y_px = 20 };
}

static pl_field judged(const pl_pattern_fit *fit, const char *ecc, const char *growth)
{
    pl_field f = { .width_px = 3000, .height_px = 2000, .used = 200, .facts = pl_facts_unknown() };
    if (ecc)
        pl_facts_set(&f.facts, "eccentricity", ecc, PL_FROM_OPTION, NULL);
    if (growth)
        pl_facts_set(&f.facts, "fwhm_growth", growth, PL_FROM_OPTION, NULL);
    pl_field_judge(&f, fit);
    return f;
}

struct row {
    int name;
    double amplitude, sigma;
    int state, cause;
};

/* Tolerances with eccentricity 0.5 and growth 0.1: chi = e^2 / (2 - e^2) = 0.142857 (from the
 * definitions), slope 2 x 0.1; flare 0.018 sqrt 2 = 0.02546, corners 0.028 sqrt 2 = 0.0396 (the
 * head of verdict.c, by wave optics). */
ParameterizedTestParameters(verdict, each_pattern)
{
    static struct row rows[] = {
        { PL_EVEN_STRETCH, 0.10, 0.005, PL_INSIDE, PL_CAUSE_NONE },
        { PL_EVEN_STRETCH, 0.141, 0.005, PL_UNSURE, PL_CAUSE_TRACKING },
        { PL_EVEN_STRETCH, 0.145, 0.005, PL_UNSURE, PL_CAUSE_TRACKING },
        { PL_EVEN_STRETCH, 0.15, 0.005, PL_OUTSIDE, PL_CAUSE_TRACKING },
        { PL_TURNING, 0.2, 0.005, PL_OUTSIDE, PL_CAUSE_TRACKING },
        { PL_OUTWARD_STRETCH, 0.2, 0.005, PL_OUTSIDE, PL_CAUSE_SPACING },
        { PL_OUTWARD_STRETCH, -0.2, 0.005, PL_OUTSIDE, PL_CAUSE_SPACING },
        { PL_OUTWARD_STRETCH, -0.1, 0.005, PL_INSIDE, PL_CAUSE_NONE },
        { PL_SIZE_SLOPE, 0.19, 0.005, PL_INSIDE, PL_CAUSE_NONE },
        { PL_SIZE_SLOPE, 0.21, 0.005, PL_OUTSIDE, PL_CAUSE_TILT },
        { PL_FLARE, 0.024, 0.0005, PL_INSIDE, PL_CAUSE_NONE },
        { PL_FLARE, 0.027, 0.0005, PL_OUTSIDE, PL_CAUSE_COLLIMATION },
        { PL_CORNERED, 0.037, 0.0005, PL_INSIDE, PL_CAUSE_NONE },
        { PL_CORNERED, 0.042, 0.0005, PL_OUTSIDE, PL_CAUSE_MIRROR },
    };
    return cr_make_param_array(struct row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct row *r, verdict, each_pattern)
{
    pl_pattern_fit fit;
    quiet(&fit);
    pl_pattern *p = &fit.p[r->name];
    p->amplitude = r->amplitude;
    p->amplitude_sigma = r->sigma;
    p->significance = fabs(r->amplitude) / r->sigma;
    pl_field f = judged(&fit, "0.5", "0.1");
    cr_expect(eq(int, f.verdict.state, r->state), "%s", f.verdict.text);
    cr_expect(eq(int, f.verdict.cause, r->cause), "%s", f.verdict.text);
    cr_expect(gt(sz, strlen(f.verdict.text), 10));
    cr_expect(gt(sz, strlen(f.verdict.action), 10));
    cr_expect(gt(sz, strlen(f.pattern[r->name].meaning), 10), "it has a meaning");
    for (int k = 0; k < PL_PATTERNS; k++)
        if (k != r->name)
            cr_expect(eq(str, f.pattern[k].meaning, ""), "what is not significant has none");
    cr_expect(epsilon_eq(dbl, f.pattern[PL_EVEN_STRETCH].tolerance, 1.0 / 7, 1e-9));
    cr_expect(epsilon_eq(dbl, f.pattern[PL_SIZE_SLOPE].tolerance, 0.2, 1e-9));
    pl_notes_clear(&f.notes);
}

Test(verdict, an_even_field)
{
    pl_pattern_fit fit;
    quiet(&fit);
    pl_field f = judged(&fit, NULL, NULL);
    cr_expect(eq(int, f.verdict.state, PL_INSIDE));
    cr_expect(eq(int, f.verdict.cause, PL_CAUSE_NONE));
    cr_expect(ne(ptr, strstr(f.verdict.text, "even field"), NULL));
    cr_expect(eq(int, f.facts.fwhm_growth.from, PL_FROM_DEFAULT));
    cr_expect(eq(int, f.facts.eccentricity.from, PL_FROM_DEFAULT));
    pl_notes_clear(&f.notes);
}

/* Large but not significant is not a fault. */
Test(verdict, noise_is_no_fault)
{
    pl_pattern_fit fit;
    quiet(&fit);
    fit.p[PL_FLARE].amplitude = 0.5;
    fit.p[PL_FLARE].amplitude_sigma = 0.2;
    fit.p[PL_FLARE].significance = 2.5;
    pl_field f = judged(&fit, "0.5", "0.1");
    cr_expect(ne(int, f.verdict.state, PL_OUTSIDE));
    cr_expect(eq(int, f.verdict.cause, PL_CAUSE_NONE));
    pl_notes_clear(&f.notes);
}

/* Of several the one that costs most of its tolerance; its direction is in the sentence. */
Test(verdict, the_worst_is_told)
{
    pl_pattern_fit fit;
    quiet(&fit);
    fit.p[PL_SIZE_SLOPE] = (pl_pattern){ 0.3, 0.005, "fraction", 60, 90, NAN, NAN, 0, "" };
    fit.p[PL_FLARE] = (pl_pattern){ 0.1, 0.001, "sigma^3", 100, 180, NAN, NAN, 0, "" };
    pl_field f = judged(&fit, "0.5", "0.1");
    cr_expect(eq(int, f.verdict.cause, PL_CAUSE_COLLIMATION));
    cr_expect(ne(ptr, strstr(f.verdict.text, "towards column 1"), NULL), "%s", f.verdict.text);
    cr_expect(ne(ptr, strstr(f.verdict.action, "ollimate"), NULL));
    cr_expect(ne(ptr, strstr(f.pattern[PL_SIZE_SLOPE].meaning, "towards the last row"), NULL));
    pl_notes_clear(&f.notes);
}

struct dress_row {
    double even, even_deg, flare, flare_deg, corner, corner_deg;
    int cause;
    char why[56];
};

/* One fault in several dresses, as the head of verdict.c has it. */
ParameterizedTestParameters(verdict, one_cause_for_what_belongs_together)
{
    static struct dress_row rows[] = {
        { 0.08, 200, 0.05, 20, 0, 0, PL_CAUSE_COLLIMATION, "coma stretches along its flare" },
        { 0.5, 200, 0.05, 20, 0, 0, PL_CAUSE_TRACKING, "far more stretch than coma makes" },
        { 0.3, 90, 0.05, 20, 0, 0, PL_CAUSE_TRACKING, "stretch across the flare" },
        { 0, 0, 0.08, 20, 0.08, 20, PL_CAUSE_TRACKING, "a tail along a line: a jump" },
        { 0, 0, 0.08, 20, 0.08, 140, PL_CAUSE_TRACKING, "corners repeat every 120 degrees" },
        { 0, 0, 0.08, 20, 0.08, 80, PL_CAUSE_COLLIMATION, "corners elsewhere: coma and trefoil" },
    };
    return cr_make_param_array(struct dress_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct dress_row *r, verdict, one_cause_for_what_belongs_together)
{
    pl_pattern_fit fit;
    quiet(&fit);
    fit.p[PL_EVEN_STRETCH] =
        (pl_pattern){ r->even, 0.003, "chi", r->even / 0.003, fmod(r->even_deg, 180), NAN,
                      NAN,     0,     "" };
    fit.p[PL_FLARE] =
        (pl_pattern){ r->flare, 0.001, "sigma^3", r->flare / 0.001, r->flare_deg, NAN, NAN, 0, "" };
    fit.p[PL_CORNERED] =
        (pl_pattern){ r->corner, 0.001, "sigma^3", r->corner / 0.001, fmod(r->corner_deg, 120), NAN,
                      NAN,       0,     "" };
    pl_field f = judged(&fit, "0.5", "0.1");
    cr_expect(eq(int, f.verdict.cause, r->cause), "%s: %s", r->why, f.verdict.text);
    cr_expect(eq(int, f.verdict.state, PL_OUTSIDE), "%s", r->why);
    pl_notes_clear(&f.notes);
}

/* The turning point is told as FITS counts: from 1. */
/* A dear pattern that only may be outside (0.26 +- 0.065 of 0.2) hides no surer one. */
Test(verdict, sure_before_dear)
{
    pl_pattern_fit fit;
    quiet(&fit);
    pl_pattern *slope = &fit.p[PL_SIZE_SLOPE], *corner = &fit.p[PL_CORNERED];
    slope->amplitude = 0.26;
    slope->amplitude_sigma = 0.065;
    slope->significance = 4;
    corner->amplitude = 0.045;
    corner->amplitude_sigma = 0.001;
    corner->significance = 45;
    pl_field f = judged(&fit, "0.5", "0.1");
    cr_expect(eq(int, f.verdict.state, PL_OUTSIDE), "%s", f.verdict.text);
    cr_expect(eq(int, f.verdict.cause, PL_CAUSE_MIRROR), "%s", f.verdict.text);
}

Test(verdict, the_pivot_is_told_in_fits_pixels)
{
    pl_pattern_fit fit;
    quiet(&fit);
    fit.p[PL_TURNING] = (pl_pattern){ 0.2, 0.005, "chi", 40, NAN, 99, 199, 0, "" };
    pl_field f = judged(&fit, "0.5", "0.1");
    cr_expect(ne(ptr, strstr(f.pattern[PL_TURNING].meaning, "column 100, row 200"), NULL), "%s",
              f.pattern[PL_TURNING].meaning);
    pl_notes_clear(&f.notes);
}

Test(verdict, too_few_stars_cannot_tell)
{
    pl_pattern_fit fit;
    quiet(&fit);
    for (int k = 0; k < PL_PATTERNS; k++) {
        fit.p[k].amplitude = fit.p[k].amplitude_sigma = NAN;
        fit.p[k].significance = 0;
    }
    pl_field f = judged(&fit, NULL, NULL);
    cr_expect(eq(int, f.verdict.state, PL_UNSURE));
    cr_expect(eq(int, f.verdict.cause, PL_CAUSE_NONE));
    cr_expect(ne(ptr, strstr(f.verdict.text, "cannot tell"), NULL));
    pl_notes_clear(&f.notes);
}
