/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Coma against what it may be: closed forms of a paraboloid (Schroeder, Astronomical Optics, ch. 6,
 * second-hand; the numbers checked by an exact ray trace apart from this library) and plumb-zone's
 * own answers. */
#include "../../lib/align/donut/donut.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

static pl_num told(double v)
{
    return (pl_num){ v, PL_FROM_OPTION };
}

static const pl_optic SCOPE = { 300, 3, 0, 0.55, 2.5 };

/* 300 mm f/3 without corrector, coma as given. */
static pl_donut donut_of(double coma_nm, double sigma_nm, double deg)
{
    pl_donut d = { .facts = pl_facts_unknown(), .tolerance_seeing_arcsec = 2.5 };
    d.facts.aperture_mm = told(300);
    d.facts.focal_mm = d.facts.mirror_focal_mm = told(900);
    d.facts.obstruction = told(0);
    d.facts.pixel_um = told(4);
    d.wave.coma_nm = coma_nm;
    d.wave.coma_sigma_nm = sigma_nm;
    d.wave.coma_deg = deg;
    d.wave.coma_sigma_deg = 1.5;
    return d;
}

static void judge(pl_donut *d, const pl_optic *optic)
{
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_collimation_judge(d, optic, &err), PL_OK), "%s", err.msg);
}

struct axis_row {
    double aperture, ratio, rms_waves, want_mm;
};

/* A mirror tilted by 1 arcmin from the focuser's axis: RMS over the disc and axis error at the
 * sensor. Digits as printed: 0.2 %. */
ParameterizedTestParameters(collimation, axis_from_coma)
{
    static struct axis_row rows[] = { { 300, 3, .0649, .2618 }, { 300, 4, .0365, .3491 } };
    return cr_make_param_array(struct axis_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct axis_row *r, collimation, axis_from_coma)
{
    double nm = 1000 * r->rms_waves * 0.55;
    pl_donut d = donut_of(nm, nm / 10, 30);
    pl_optic o = SCOPE;
    o.f_ratio = r->ratio;
    d.facts.focal_mm = d.facts.mirror_focal_mm = told(r->aperture * r->ratio);
    judge(&d, &o);
    cr_expect(epsilon_eq(dbl, d.axis_mm / r->want_mm, 1, 0.002), "%g", d.axis_mm);
    cr_expect(epsilon_eq(dbl, d.axis_sigma_mm, d.axis_mm / 10, 1e-9));
    /* lambda/14: 1.100 and 1.956 arcmin of tilt */
    double arcmin = r->ratio < 3.5 ? 1.100 : 1.956;
    cr_expect(
        epsilon_eq(dbl, d.ideal_mm / (arcmin * M_PI / 10800 * r->aperture * r->ratio), 1, 0.001));
    cr_expect(epsilon_eq(dbl, d.ideal_coma_nm, 550 / 14.0, 1e-9));
}

/* A corrector does not change the mirror's coma: the same tilt moves the coma-free point by the
 * effective focal length times the tilt. */
Test(collimation, the_mirror_makes_the_coma)
{
    pl_donut bare = donut_of(35.7, 1, 0), reduced = donut_of(35.7, 1, 0);
    pl_optic faster = SCOPE;
    faster.f_ratio = 2.7;
    reduced.facts.focal_mm = told(810);
    judge(&bare, &SCOPE);
    judge(&reduced, &faster);
    cr_expect(epsilon_eq(dbl, reduced.axis_mm / bare.axis_mm, 0.9, 1e-12));
}

/* A coma of nought is off by nought, but not for sure. */
Test(collimation, no_coma_is_not_known_without_error)
{
    pl_donut d = donut_of(0, 35.7, 30);
    judge(&d, &SCOPE);
    cr_expect(eq(dbl, d.axis_mm, 0));
    cr_expect(epsilon_eq(dbl, d.axis_sigma_mm, 0.2618, 0.0006), "%g", d.axis_sigma_mm);
}

/* Coma flares away from the coma-free point; the star goes where it flares, twice as far: a mirror
 * turned by t turns the reflected ray by 2 t and its own axis by t. */
Test(collimation, star_goes_with_the_flare_twice_as_far)
{
    for (double deg = 0; deg < 360; deg += 45) {
        char want[80];
        pl_donut d = donut_of(357.1, 4, deg);
        judge(&d, &SCOPE);
        double turn = (d.axis_deg - deg) * M_PI / 180;
        cr_expect(epsilon_eq(dbl, cos(turn), -1, 1e-12), "opposite to the flare");
        cr_expect(d.axis_deg >= 0 && d.axis_deg < 360);
        cr_expect(eq(dbl, d.axis_sigma_deg, 1.5));
        cr_assert(eq(int, d.verdict.state, PL_OUTSIDE));
        cr_expect(eq(int, d.verdict.cause, PL_CAUSE_COLLIMATION));
        /* 10 arcmin: 2.618 mm, the star 5.236 mm = 1309 px of 4 um */
        snprintf(want, sizeof want, "moved 5.24 mm (1309 px) %s", pl_toward(deg));
        cr_expect(ne(ptr, strstr(d.verdict.action, want), NULL), "%s: %s", want, d.verdict.action);
        snprintf(want, sizeof want, "off by 2.62 +- 0.03 mm:");
        cr_expect(ne(ptr, strstr(d.verdict.text, want), NULL), "%s: %s", want, d.verdict.text);
    }
}

struct zone_row {
    double aperture, focal, mirror, obstruction, seeing, growth;
};

ParameterizedTestParameters(collimation, tolerances_are_those_of_the_zone)
{
    static struct zone_row rows[] = {
        { 300, 900, 900, 0, 2.5, .05 },    { 300, 900, 900, .35, 2.5, .05 },
        { 280, 870, 1120, .33, 1.5, .05 }, { 400, 1600, 1600, .3, 4, .1 },
        { 200, 800, 800, .35, 2, .02 },    { 150, 750, 750, .3, 0.6, .05 }
    };
    return cr_make_param_array(struct zone_row, rows, sizeof rows / sizeof *rows);
}

/* pl_zone_compute goes its own way to the same two lengths, with the tangent of a small angle
 * (1e-5). */
ParameterizedTest(struct zone_row *r, collimation, tolerances_are_those_of_the_zone)
{
    pl_zone_options options = pl_zone_defaults();
    pl_zone zone;
    pl_err err = { PL_OK, "" };
    pl_donut d = donut_of(100, 1, 0);
    d.tolerance_seeing_arcsec = r->seeing;
    d.facts.aperture_mm = told(r->aperture);
    d.facts.focal_mm = told(r->focal);
    d.facts.mirror_focal_mm = told(r->mirror);
    d.facts.obstruction = told(r->obstruction);
    d.facts.fwhm_growth = told(r->growth);
    options.seeing = told(r->seeing);
    options.wavelength = told(0.55);
    cr_assert(eq(int, pl_zone_compute(&d.facts, &options, &zone, &err), PL_OK), "%s", err.msg);
    pl_optic o = { r->aperture, r->focal / r->aperture, r->obstruction, 0.55, NAN };
    judge(&d, &o);
    cr_expect(epsilon_eq(dbl, d.growth_mm / zone.axis_mm, 1, 1e-5), "growth %g, zone %g",
              d.growth_mm, zone.axis_mm);
    cr_expect(epsilon_eq(dbl, d.ideal_mm / zone.ideal_mm, 1, 1e-5), "ideal %g, zone %g", d.ideal_mm,
              zone.ideal_mm);
    pl_zone_clear(&zone);
}

/* 5 % unless told. */
Test(collimation, growth_by_default)
{
    pl_donut d = donut_of(10, 1, 0), e = donut_of(10, 1, 0);
    e.facts.fwhm_growth = told(0.05);
    judge(&d, &SCOPE);
    judge(&e, &SCOPE);
    cr_expect(eq(dbl, d.growth_mm, e.growth_mm));
    cr_expect(eq(int, d.facts.fwhm_growth.from, PL_FROM_DEFAULT));
}

static pl_donut judged(double coma_nm, double sigma_nm)
{
    pl_donut d = donut_of(coma_nm, sigma_nm, 0);
    judge(&d, &SCOPE);
    return d;
}

/* Outside when all of coma +- sigma is beyond what is allowed, inside when all is within. */
Test(collimation, three_states)
{
    double allowed = judged(10, 1).growth_coma_nm;
    cr_assert(gt(dbl, allowed, 20));
    cr_expect(eq(int, judged(allowed + 5.01, 5).verdict.state, PL_OUTSIDE));
    cr_expect(eq(int, judged(allowed + 4.99, 5).verdict.state, PL_UNSURE));
    cr_expect(eq(int, judged(allowed, 5).verdict.state, PL_UNSURE));
    cr_expect(eq(int, judged(allowed - 4.99, 5).verdict.state, PL_UNSURE));
    cr_expect(eq(int, judged(allowed - 5.01, 5).verdict.state, PL_INSIDE));
    cr_expect(eq(int, judged(0, 0.1).verdict.state, PL_INSIDE));
    pl_donut d = donut_of(NAN, NAN, 0);
    cr_expect(ne(int, pl_collimation_judge(&d, &SCOPE, NULL), PL_OK), "unknown is no verdict");
}

/* A ring that the fit leaves 5 % of unexplained may hide tens of nm of coma: it is neither called
 * collimated nor off. */
Test(collimation, what_is_not_described_is_not_judged)
{
    double allowed = judged(10, 1).growth_coma_nm;
    for (int side = -1; side <= 1; side += 2) {
        pl_donut_star star = { .used = true, .unexplained = 0.05 };
        pl_donut d = donut_of(allowed + 20 * side, 0.5, 0);
        d.star = &star;
        d.stars = d.used = 1;
        judge(&d, &SCOPE);
        cr_expect(eq(int, d.verdict.state, PL_UNSURE));
        cr_expect(gt(dbl, d.wave.coma_sigma_nm, 20));
        cr_expect(ne(ptr, strstr(d.verdict.text, "more than the fitted terms"), NULL));
        star.unexplained = 0.005; /* nothing to speak of */
        d = donut_of(allowed + 20 * side, 0.5, 0);
        d.star = &star;
        d.stars = d.used = 1;
        judge(&d, &SCOPE);
        cr_expect(eq(int, d.verdict.state, side > 0 ? PL_OUTSIDE : PL_INSIDE));
    }
}

/* What would help depends on what sets the error. */
Test(collimation, advice_follows_the_cause)
{
    double allowed = judged(10, 1).growth_coma_nm;
    pl_donut d = donut_of(allowed, 20, 0);
    d.air_coma_nm = 19;
    judge(&d, &SCOPE);
    cr_expect(ne(ptr, strstr(d.verdict.action, "expose ten times longer"), NULL));
    d.air_coma_nm = 2;
    judge(&d, &SCOPE);
    cr_expect(ne(ptr, strstr(d.verdict.action, "brighter star"), NULL));
    cr_expect(ne(ptr, strstr(judged(5, 1).verdict.action, "lambda/14 as well"), NULL));
    cr_expect(ne(ptr, strstr(judged(allowed - 3, 1).verdict.action, "the ideal, allows"), NULL));
}
