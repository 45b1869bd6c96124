/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One telescope's whole answer: an invented 280 mm f/4 mirror with a corrector that makes it 870
 * mm. */
#include "../../lib/optics/optics.h"
#include "answers.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <jansson.h>

static void tell(pl_facts *facts, const char *name, const char *value)
{
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_facts_set(facts, name, value, PL_FROM_OPTION, &err), PL_OK), "%s",
              err.msg);
}

static pl_facts demo(void)
{
    static const char *const told[][2] = {
        { "aperture_mm", "280" },      { "focal_mm", "870" },
        { "mirror_focal_mm", "1120" }, { "obstruction", "0.33" },
        { "pixel_um", "4.2" },         { "width_px", "5600" },
        { "height_px", "3740" },       { "step_um", "4.5" },
        { "um_per_turn", "1600" },     { "carries", "corrector" },
        { "tube_material", "steel" },  { "mirror_material", "borosilicate" },
        { "tube_length_mm", "850" },   { "secondary_mm", "92" },
        { "fwhm_growth", "0.1" },      { "secondary_to_focus_mm", "270" },
    };
    pl_facts facts = pl_facts_unknown();
    for (size_t i = 0; i < PL_ARRAY_LEN(told); i++)
        tell(&facts, told[i][0], told[i][1]);
    return facts;
}

static pl_zone answer(const pl_facts *facts, const pl_zone_options *options)
{
    pl_zone zone;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_zone_compute(facts, options, &zone, &err), PL_OK), "%s", err.msg);
    return zone;
}

/* By hand: m = 870 / 1120, drawtube = sensor / m^2; 206.265 x 4.2 / 870; sqrt(5600^2 + 3740^2)
 * x 4.2 um; 60 px x 4.2 um x N; the printed digits. */
Test(zone, drawtube_steps_turns)
{
    pl_facts facts = demo();
    pl_zone z = answer(&facts, NULL);
    double m = 870.0 / 1120, n = 870.0 / 280;
    const pl_travel *t[] = { &z.quarter, &z.common, &z.grow_5, &z.allowed, &z.donut };
    for (size_t i = 0; i < PL_ARRAY_LEN(t); i++) {
        cr_expect(epsilon_eq(dbl, t[i]->drawtube_um, t[i]->sensor_um / (m * m), 1e-9));
        cr_expect(epsilon_eq(dbl, t[i]->steps, t[i]->drawtube_um / 4.5, 1e-9));
        cr_expect(epsilon_eq(dbl, t[i]->turns, t[i]->drawtube_um / 1600, 1e-9));
    }
    cr_expect(epsilon_eq(dbl, z.quarter.sensor_um, 10.62, 0.005));
    cr_expect(
        epsilon_eq(dbl, z.quarter.drawtube_um, 17.60, 0.005)); /* 2 lambda x 4^2: the mirror's */
    cr_expect(epsilon_eq(dbl, z.donut.sensor_um, 60 * 4.2 * n, 1e-9));
    cr_expect(epsilon_eq(dbl, z.scale_arcsec_px, 0.99576, 1e-5));
    cr_expect(epsilon_eq(dbl, z.diagonal_mm, 28.283, 5e-4));
    cr_expect(eq(dbl, z.allowed.sensor_um, z.grow_10.sensor_um));
    pl_zone_clear(&z);
}

/* A drawtube that carries the camera alone moves it by what it moves. */
Test(zone, camera_alone)
{
    pl_facts facts = demo();
    tell(&facts, "carries", "camera");
    pl_zone z = answer(&facts, NULL);
    cr_expect(eq(dbl, z.allowed.drawtube_um, z.allowed.sensor_um));
    cr_expect(epsilon_eq(dbl, z.thermal_um_c, z.thermal_sensor_um_c, 1e-12));
    pl_zone_clear(&z);
}

/* The mirror's own ratio rules the coma: the drawn-out telescope without corrector allows the same
 * tilt at lambda/14, and the mm at the sensor scale with m. By hand for e = 0.33: RMS 0.119982
 * W131, theta = 32 x 16 x 0.55 / (14 x 0.119982 x 280e3) rad = 2.058 arcmin. */
Test(zone, two_focal_ratios)
{
    pl_facts facts = demo(), bare = demo();
    tell(&bare, "focal_mm", "1120");
    pl_zone z = answer(&facts, NULL), b = answer(&bare, NULL);
    cr_expect(epsilon_eq(dbl, z.ideal_arcmin, 2.058, 1e-3));
    cr_expect(epsilon_eq(dbl, b.ideal_arcmin, z.ideal_arcmin, 1e-9));
    cr_expect(epsilon_eq(dbl, z.ideal_mm, b.ideal_mm * 870 / 1120, 1e-9));
    cr_expect(epsilon_eq(dbl, z.axis_arcmin, b.axis_arcmin,
                         1e-3)); /* coma in angle: no corrector in it */
    cr_expect(epsilon_eq(dbl, z.corner_coma_um, b.corner_coma_um, 1e-9));
    /* tangential coma 11.25 theta['] / N^2 arcsec at 14.1415 mm of 1120 mm: 30.52 arcsec, by hand
     */
    cr_expect(epsilon_eq(dbl, z.corner_coma_arcsec, 11.25 * 43.407 / 16, 0.01));
    pl_zone_clear(&z);
    pl_zone_clear(&b);
}

/* 12 x 0.850 - 3.3 x 1.120 = 6.504 um per C by hand, inward on warming; at the sensor times m^2. */
Test(zone, temperature)
{
    pl_facts facts = demo();
    pl_zone z = answer(&facts, NULL);
    double m2 = 870.0 / 1120 * 870 / 1120;
    cr_expect(epsilon_eq(dbl, z.thermal_um_c, -6.504, 1e-9));
    cr_expect(epsilon_eq(dbl, z.thermal_sensor_um_c, -6.504 * m2, 1e-9));
    cr_expect(epsilon_eq(dbl, z.zone_c, z.allowed.drawtube_um / 6.504, 1e-9));
    cr_expect(lt(dbl, z.thermal_low_um_c, z.thermal_um_c));
    cr_expect(gt(dbl, z.thermal_high_um_c, z.thermal_um_c));
    pl_zone_clear(&z);
}

/* By hand: 1 arcmin across a half diagonal of 14.131 mm is 4.111 um (8.221 over the whole). */
Test(zone, tilt)
{
    pl_facts facts = demo();
    pl_zone_options o = pl_zone_defaults();
    cr_assert(eq(int, pl_zone_set(&o, "field", "28.262", NULL), PL_OK));
    pl_zone z = answer(&facts, &o);
    cr_expect(epsilon_eq(dbl, z.tilt_arcmin * 4.1105, z.allowed.sensor_um, 0.005));
    cr_expect(epsilon_eq(dbl, z.tilt_um_mm * 14.131, z.allowed.sensor_um, 1e-9));
    pl_zone_clear(&z);
}

struct budget_row {
    char window[8], sub[8], overhead[8], cost[8], rate[8];
    double zone_c; /* to be imitated by the rate */
    double subs, refocuses;
};

/* Common-practice check value: one hour, 3 min subs, 1 min overhead: 15. The others by hand: the
 * steel tube at 10 % is good for some degrees, so the rate is given in zones per hour. */
ParameterizedTestParameters(zone, budget)
{
    static struct budget_row rows[] = {
        { "60", "180", "60", "0", "0", 0, 15, 0 },  { "60", "180", "60", "120", "0", 0, 15, 0 },
        { "60", "180", "61", "0", "0", 0, 14, 0 },  { "1", "180", "60", "0", "0", 0, 0, 0 },
        { "90", "300", "0", "0", "0", 0, 18, 0 },   { "60", "180", "60", "120", "", 2, 14, 1 },
        { "60", "180", "60", "120", "", 4, 13, 3 }, { "60", "180", "60", "3600", "", 4, 0, 3 },
    };
    return cr_make_param_array(struct budget_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct budget_row *r, zone, budget)
{
    pl_facts facts = demo();
    pl_zone_options o = pl_zone_defaults();
    pl_zone z = answer(&facts, &o);
    char rate[32];
    snprintf(rate, sizeof rate, "%.6f", r->zone_c * z.zone_c * 0.9999);
    pl_zone_clear(&z);
    pl_zone_set(&o, "window", r->window, NULL);
    pl_zone_set(&o, "sub", r->sub, NULL);
    pl_zone_set(&o, "overhead", r->overhead, NULL);
    pl_zone_set(&o, "refocus-cost", r->cost, NULL);
    cr_assert(eq(int, pl_zone_set(&o, "degrees-per-hour", rate, NULL), PL_OK));
    z = answer(&facts, &o);
    cr_expect(eq(dbl, z.subs, r->subs));
    cr_expect(eq(dbl, z.refocuses, r->refocuses));
    cr_expect(epsilon_eq(dbl, z.light_min, r->subs * strtod(r->sub, NULL) / 60, 1e-9));
    pl_zone_clear(&z);
}

/* Common practice: f/3 is (6/3)^2 = 4 times as fast as f/6. */
Test(zone, speed)
{
    pl_facts facts = demo();
    tell(&facts, "focal_mm", "840");
    pl_zone z = answer(&facts, NULL);
    cr_expect(epsilon_eq(dbl, z.speed, 4, 1e-12));
    pl_zone_clear(&z);
}

/* Two facts are enough; what is left out says what would give it, what is assumed is named. */
Test(zone, two_facts)
{
    static const char *const missing[] = { "--pixel-um", "--field", "--step-um", "--tube-material",
                                           "--secondary-mm" };
    static const char *const assumed[] = { "obstruction", "--seeing",        "--wavelength",
                                           "fwhm_growth", "mirror_focal_mm", "--window",
                                           "--sub",       "--overhead" };
    pl_facts facts = pl_facts_unknown();
    tell(&facts, "aperture_mm", "280");
    tell(&facts, "focal_mm", "870");
    pl_zone z = answer(&facts, NULL);
    for (size_t i = 0; i < PL_ARRAY_LEN(missing); i++)
        cr_expect(answers_noted(&z.missing, missing[i]), "%s", missing[i]);
    for (size_t i = 0; i < PL_ARRAY_LEN(assumed); i++)
        cr_expect(answers_noted(&z.notes, assumed[i]), "%s", assumed[i]);
    cr_expect(isnan(z.fwhm_px) && isnan(z.tilt_arcmin) && isnan(z.zone_c) &&
              isnan(z.donut.sensor_um));
    cr_expect(isnan(z.allowed.steps) && isnan(z.secondary.offset_mm) && isnan(z.refocuses));
    cr_expect(eq(dbl, z.subs, 15));
    pl_zone_clear(&z);
}

struct gap_row {
    char name[24], value[16];
    pl_status want;
};

ParameterizedTestParameters(zone, refused)
{
    static struct gap_row rows[] = {
        { "focal_mm", "279", PL_EARG },        { "focal_mm", "14001", PL_EARG },
        { "mirror_focal_mm", "279", PL_EARG }, { "mirror_focal_mm", "14001", PL_EARG },
        { "aperture_mm", "", PL_ENODATA },     { "focal_mm", "", PL_ENODATA },
    };
    return cr_make_param_array(struct gap_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct gap_row *r, zone, refused)
{
    pl_facts facts = demo();
    pl_err err = { PL_OK, "" };
    if (r->value[0])
        tell(&facts, r->name, r->value);
    else if (strcmp(r->name, "focal_mm") == 0)
        facts.focal_mm = (pl_num){ NAN, PL_FROM_NOWHERE };
    else
        facts.aperture_mm = (pl_num){ NAN, PL_FROM_NOWHERE };
    pl_zone zone, before;
    memset(&zone, 7, sizeof zone);
    memset(&before, 7, sizeof before);
    cr_expect(eq(int, pl_zone_compute(&facts, NULL, &zone, &err), r->want));
    cr_expect(eq(int, memcmp(&zone, &before, sizeof zone), 0));
    cr_expect(ne(ptr, strstr(err.msg, r->name), NULL), "%s", err.msg);
}

Test(zone, refused_options)
{
    static const char *const bad[][2] = { { "seeing", "0" },   { "seeing", "nan" },
                                          { "seeing", "2,5" }, { "seeing", "61" },
                                          { "sub", "0" },      { "window", "-1" },
                                          { "donut", "60px" }, { "field", "" },
                                          { "cheese", "1" } };
    for (size_t i = 0; i < PL_ARRAY_LEN(bad); i++) {
        pl_zone_options o = pl_zone_defaults(), before = o;
        pl_err err = { PL_OK, "" };
        cr_expect(eq(int, pl_zone_set(&o, bad[i][0], bad[i][1], &err), PL_EARG), "%s", bad[i][1]);
        cr_expect(ne(ptr, strstr(err.msg, bad[i][0]), NULL));
        cr_expect(eq(int, memcmp(&o, &before, sizeof o), 0));
    }
}

/* A flat that cannot be where it is said to be leaves that part out, nothing else. */
Test(zone, impossible_secondary)
{
    pl_facts facts = demo();
    tell(&facts, "secondary_mm", "300");
    pl_zone z = answer(&facts, NULL);
    cr_expect(answers_noted(&z.missing, "secondary_mm 300"));
    cr_expect(isnan(z.secondary.offset_mm));
    pl_zone_clear(&z);
}

/* Air finer than diffraction: a star's core keeps its width, so the quarter wave is the limit. */
Test(zone, diffraction_rules)
{
    pl_facts facts = demo();
    pl_zone_options o = pl_zone_defaults();
    pl_zone_set(&o, "seeing", "0.1", NULL);
    pl_zone z = answer(&facts, &o);
    cr_expect(z.diffraction_rules);
    cr_expect(le(dbl, z.allowed.sensor_um, z.quarter.sensor_um));
    cr_expect(le(dbl, z.axis_mm, z.ideal_mm));
    pl_zone_clear(&z);
}

/* ---- report */

Test(zone, text_fits_a_terminal)
{
    pl_facts facts = demo();
    pl_zone z = answer(&facts, NULL);
    char *text = pl_zone_text(&z);
    cr_assert(ne(ptr, text, NULL));
    for (const char *s = text; *s; s += strcspn(s, "\n"), s += *s == '\n')
        cr_expect(le(sz, strcspn(s, "\n"), 78), "%.78s", s);
    cr_expect(
        ne(ptr, strstr(text, "collimate, then corrector spacing, then tilt, then focus"), NULL));
    cr_expect(ne(ptr, strstr(text, "--seeing 2.5 arcsec by default"), NULL));
    free(text);
    pl_zone_clear(&z);
}

/* One line, one object, flat; unknown numbers are null. */
Test(zone, json)
{
    pl_facts facts = pl_facts_unknown();
    tell(&facts, "aperture_mm", "280");
    tell(&facts, "focal_mm", "870");
    pl_zone z = answer(&facts, NULL);
    char *text = pl_zone_json(&z);
    cr_assert(ne(ptr, text, NULL));
    cr_expect(eq(sz, strcspn(text, "\n"), strlen(text) - 1));
    json_t *o = json_loads(text, JSON_REJECT_DUPLICATES, NULL);
    cr_assert(ne(ptr, o, NULL));
    cr_expect(eq(str, (char *)json_string_value(json_object_get(o, "program")), "plumb-zone"));
    cr_expect(eq(int, (int)json_integer_value(json_object_get(o, "schema")), 1));
    cr_expect(eq(int, json_typeof(json_object_get(o, "star_fwhm_px")), JSON_NULL));
    cr_expect(epsilon_eq(dbl, json_number_value(json_object_get(o, "focus_allowed_um")),
                         z.allowed.sensor_um, 1e-4));
    cr_expect(eq(sz, json_array_size(json_object_get(o, "warnings")), z.notes.n + z.missing.n));
    json_decref(o);
    free(text);
    pl_zone_clear(&z);
}

static size_t size_of(const char *path)
{
    FILE *f = fopen(path, "rb");
    if (!f)
        return 0;
    fseek(f, 0, SEEK_END);
    long n = ftell(f);
    fclose(f);
    return (size_t)n;
}

Test(zone, picture)
{
    char path[] = "/tmp/plumb-zone-XXXXXX";
    pl_facts facts = demo();
    pl_zone z = answer(&facts, NULL);
    pl_err err = { PL_OK, "" };
    int fd = mkstemp(path);
    cr_assert(ge(int, fd, 0));
    close(fd);
    cr_expect(eq(int, pl_zone_draw(&z, false, path, &err), PL_OK), "%s", err.msg);
    cr_expect(gt(sz, size_of(path), 10000));
    cr_expect(eq(int, pl_zone_draw(&z, true, path, &err), PL_OK), "%s", err.msg);
    unlink(path);
    cr_expect(eq(int, pl_zone_draw(&z, false, "/nowhere/zone.png", &err), PL_EIO));
    pl_zone_clear(&z);
}
