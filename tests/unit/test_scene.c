/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Reading scenes: what is taken, what outranks what, what is remarked on, what is refused; and what
 * a series makes of one. */
#include "scenes.h"

#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

TestSuite(scene, .init = frames_begin, .fini = frames_end);
TestSuite(series, .init = frames_begin, .fini = frames_end);

static double value(const pl_scene *s, const pl_scene_key *row)
{
    double v;
    memcpy(&v, (const char *)s + row->offset, sizeof v);
    return v;
}

/* Every row at its upper end (or its last word) is read back as that; at its default without. */
Test(scene, takes_every_key)
{
    size_t n;
    const pl_scene_key *row = pl_scene_table(&n);
    static char text[16384];
    size_t used = 0;
    for (size_t i = 0; i < n; i++) {
        bool bright = strcmp(row[i].key, "mag_bright") == 0 || strcmp(row[i].key, "band_um") == 0;
        const char *word = row[i].words ? strrchr(row[i].words, ' ') + 1 : NULL;
        used += (size_t)snprintf(text + used, sizeof text - used, "[%s]\n%s = ", row[i].section,
                                 row[i].key);
        used += word ? (size_t)snprintf(text + used, sizeof text - used, "%s\n", word)
                     : (size_t)snprintf(text + used, sizeof text - used, "%.9g\n",
                                        bright ? row[i].lo : row[i].hi);
    }
    pl_scene *s = scenes_read(text), *bare = scenes_read("[field]\nstars = 3\n");
    for (size_t i = 0; i < n; i++) {
        bool bright = strcmp(row[i].key, "mag_bright") == 0 || strcmp(row[i].key, "band_um") == 0;
        double want = row[i].words ? 1 : bright ? row[i].lo : row[i].hi;
        cr_expect(epsilon_eq(dbl, value(s, &row[i]), want, 1e-6), "%s", row[i].key);
        if (strcmp(row[i].key, "stars") != 0)
            cr_expect(value(bare, &row[i]) == row[i].preset || isnan(row[i].preset), "%s",
                      row[i].key);
        cr_expect(row[i].words || isnan(row[i].preset) ||
                      (row[i].preset >= row[i].lo && row[i].preset <= row[i].hi),
                  "%s", row[i].key);
    }
    pl_scene_free(s);
    pl_scene_free(bare);
}

Test(scene, option_outranks_scene_outranks_profile)
{
    pl_err err = { PL_OK, "" };
    pl_facts facts = pl_facts_unknown();
    pl_scene *s = NULL;
    const char *text = "[scope]\naperture_mm = 200\nfocal_mm = 800\n[exposure]\nexposure_s = 7\n";
    frames_put_bytes(frames_path("scene.ini"), text, strlen(text));
    pl_facts_set(&facts, "aperture_mm", "300", PL_FROM_PROFILE, &err);
    pl_facts_set(&facts, "pixel_um", "5", PL_FROM_PROFILE, &err);
    pl_facts_set(&facts, "focal_mm", "900", PL_FROM_OPTION, &err);
    cr_assert(eq(int, pl_scene_read(frames_path("scene.ini"), &facts, &s, NULL, &err), PL_OK));
    cr_expect(eq(dbl, s->facts.aperture_mm.v, 200));
    cr_expect(eq(dbl, s->facts.focal_mm.v, 900));
    cr_expect(eq(dbl, s->facts.pixel_um.v, 5));
    cr_expect(eq(dbl, s->facts.exposure_s.v, 7));
    pl_scene_free(s);
}

struct remark {
    char text[96], want[96];
};

ParameterizedTestParameters(scene, remarks)
{
    static struct remark rows[] = {
        { "[field]\nstars = 3\n[focsu]\ndefocus_um = 3\n",
          "[focsu] is not known and was not read; is [focus] meant?" },
        { "[focus]\nstars = 3\ndefocus_um = 3\n",
          "[focus] stars is not known and was not read; is [field] stars meant?" },
        { "[focus]\ndefocus_um = 3\ntilt_x_um = 3\n", "is [focus] tilt_x_um_mm meant?" },
        { "[air]\nseeing_arcsec = 3\nseing_arcsec = 3\n", "is [air] seeing_arcsec meant?" },
        { "[camera]\nbias_adu = 3\ngain_adu = 3\n", "is [camera] gain_e_adu meant?" },
    };
    return cr_make_param_array(struct remark, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct remark *r, scene, remarks, .init = frames_begin, .fini = frames_end)
{
    pl_err err = { PL_OK, "" };
    pl_notes notes = { NULL, 0, 0 };
    pl_scene *s = NULL;
    bool found = false;
    frames_put_bytes(frames_path("scene.ini"), r->text, strlen(r->text));
    cr_assert(eq(int, pl_scene_read(frames_path("scene.ini"), NULL, &s, &notes, &err), PL_OK), "%s",
              err.msg);
    for (size_t i = 0; i < notes.n; i++)
        found |= strstr(notes.item[i], r->want) != NULL;
    cr_expect(found, "%s", notes.n ? notes.item[0] : "no remark");
    pl_notes_clear(&notes);
    pl_scene_free(s);
}

ParameterizedTestParameters(scene, refusals)
{
    static struct remark rows[] = {
        { "", "holds no setting that is known, see plumb-scene(5)" },
        { "stars = 3\n", "line 1: a key stands before the first [section]" },
        { "[field]\nstars = many\n", "[field] stars is \"many\"; a plain number is wanted" },
        { "[field]\nstars = 3.5\n", "stars is 3.5; a whole number, it must lie in [0, 200000]" },
        { "[field]\nstars = -1\n", "stars is -1" },
        { "[field]\nlayout = spiral\n", "layout is \"spiral\"; it must be one of: random grid" },
        { "[field]\nmag_bright = 12\nmag_faint = 9\n",
          "mag_bright 12 is fainter than mag_faint 9" },
        { "[field]\nlist = nowhere\n", "list nowhere: cannot be opened" },
        { "[air]\nseeing_arcsec = nan\n", "seeing_arcsec is \"nan\"" },
        { "[air]\nseeing_arcsec = 2,5\n", "seeing_arcsec is \"2,5\"" },
        { "[air]\nseeing_arcsec = 0\nturbulence = moving\n",
          "turbulence is moving, but seeing_arcsec is 0" },
        { "[air]\nwavelength_um = 0.4\nband_um = 0.5\n", "band_um 0.5 is no narrower" },
        { "[camera]\ngain_e_adu = 0\n", "[camera] gain_e_adu is 0; it must lie in" },
        { "[exposure]\nexposure_s = -1\n", "[exposure] exposure_s is -1" },
    };
    return cr_make_param_array(struct remark, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct remark *r, scene, refusals, .init = frames_begin, .fini = frames_end)
{
    pl_err err = { PL_OK, "" };
    pl_scene *s = NULL;
    frames_put_bytes(frames_path("scene.ini"), r->text, strlen(r->text));
    cr_assert(eq(int, pl_scene_read(frames_path("scene.ini"), NULL, &s, NULL, &err), PL_EFORMAT));
    cr_expect(ne(ptr, strstr(err.msg, r->want), NULL), "%s", err.msg);
    cr_expect(eq(ptr, s, NULL));
}

Test(scene, a_list_counts_from_one)
{
    scenes_stars("# x y mag colour\n1 1 9\n 48.25\t40.5 10.5 -0.3 # the bright one\n\n3,4,11\n");
    pl_scene *s = scenes_small("[field]\nlist = stars");
    cr_assert(eq(sz, s->listed_n, 3));
    cr_expect(eq(dbl, s->listed[0].x_px, 0));
    cr_expect(eq(dbl, s->listed[1].x_px, 47.25));
    cr_expect(eq(dbl, s->listed[1].y_px, 39.5));
    cr_expect(eq(dbl, s->listed[1].colour_mag, -0.3));
    cr_expect(eq(dbl, s->listed[2].mag, 11));
    pl_scene_free(s);
}

Test(scene, a_bad_list_is_refused_with_its_line)
{
    const char *const bad[] = { "1 2\n", "1 2 3 4 5\n", "1 2 x\n", "1 2 99\n", "# none\n" };
    for (size_t i = 0; i < PL_ARRAY_LEN(bad); i++) {
        pl_err err = { PL_OK, "" };
        pl_scene_star *star = NULL;
        size_t n = 7;
        frames_put_bytes(frames_path("stars"), bad[i], strlen(bad[i]));
        cr_expect(eq(int, pl_starlist_read(frames_path("stars"), &star, &n, &err), PL_EFORMAT));
        cr_expect(ne(ptr, strstr(err.msg, i == 4 ? "names no star" : "line 1: wanted"), NULL), "%s",
                  err.msg);
        cr_expect(eq(sz, n, 7));
    }
}

/* Cumulative counts grow by 10^(slope) a magnitude; counting error of n: sqrt(n). */
Test(scene, drawn_stars_follow_their_slope_and_stay_when_more_are_asked_for)
{
    pl_scene *s =
        scenes_small("[field]\nstars = 20000\nmag_bright = 8\nmag_faint = 14\nmag_slope = 0.4");
    pl_scene_star *star, *fewer;
    size_t n, m, bright = 0;
    cr_assert(eq(int, pl_starlist_make(s, 96, 80, 0, 0, &star, &n, NULL), PL_OK));
    for (size_t i = 0; i < n; i++) {
        bright += star[i].mag < 12;
        cr_assert(star[i].mag >= 8 && star[i].mag <= 14);
        cr_assert(star[i].x_px >= -0.5 && star[i].x_px <= 95.5);
        cr_assert(star[i].y_px >= -0.5 && star[i].y_px <= 79.5);
    }
    double low = pow(10, 0.4 * -6), want = 20000 * (pow(10, 0.4 * -2) - low) / (1 - low);
    cr_expect(epsilon_eq(dbl, (double)bright, want, 4 * sqrt(want)));
    s->stars = 10;
    cr_assert(eq(int, pl_starlist_make(s, 96, 80, 0, 0, &fewer, &m, NULL), PL_OK));
    cr_expect(eq(sz, m, 10));
    cr_expect(eq(int, memcmp(star, fewer, 10 * sizeof *star), 0));
    free(star);
    free(fewer);
    pl_scene_free(s);
}

/* ---- series */

static pl_scene moment(const pl_scene *s, size_t frame)
{
    pl_scene m;
    double dx, dy;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_scene_moment(s, frame, &m, &dx, &dy, NULL, &err), PL_OK), "%s", err.msg);
    return m;
}

/* m = 840 / 1120 = 0.75: a drawtube with the corrector moves focus at the sensor by m^2 = 0.5625.
 */
Test(series, a_sweep_moves_the_sensor_by_its_steps)
{
    pl_scene *s =
        scenes_small("[series]\nframes = 5\nfrom_steps = 100\nto_steps = 300\nbest_steps = 250\n"
                     "[focuser]\nstep_um = 4\noutward = -1\ncarries = corrector\n"
                     "[scope]\nmirror_focal_mm = 1120\n[focus]\ndefocus_um = 10");
    const double steps[] = { 100, 150, 200, 250, 300 };
    for (size_t i = 0; i < 5; i++) {
        pl_scene m = moment(s, i);
        cr_expect(eq(dbl, m.facts.position_steps.v, steps[i]));
        cr_expect(epsilon_eq(dbl, m.defocus_um, 10 - 0.5625 * 4 * (steps[i] - 250), 1e-9));
    }
    snprintf(s->facts.carries.s, sizeof s->facts.carries.s, "camera");
    cr_expect(epsilon_eq(dbl, moment(s, 0).defocus_um, 10 - 4.0 * (100 - 250), 1e-9));
    pl_scene_free(s);
}

/* Cooling by 2 C an hour, a frame each half hour: 1 C a frame. Best focus moves -18 um per C of
 * warming, so +18 um outward a frame: the sensor is left behind, too far in. Airmass: Kasten &
 * Young 1989, Appl. Opt. 28, 4735 (from memory). */
Test(series, a_night_cools_sinks_and_defocuses)
{
    pl_scene *s =
        scenes_small("[series]\nframes = 4\ncadence_s = 1800\ncooling_c_h = 2\nthermal_um_c = -18\n"
                     "altitude_to_deg = 30\nflexure_um_deg = 0.5\nseeing_to_arcsec = 4\n"
                     "[exposure]\ntemperature_c = 10\naltitude_deg = 90\n"
                     "date_obs = 2031-10-09T23:00:00");
    for (size_t i = 0; i < 4; i++) {
        pl_scene m = moment(s, i);
        double down = 20.0 * (double)i, h = 90 - down;
        double x = 1 / (sin(h * M_PI / 180) + 0.50572 * pow(h + 6.07995, -1.6364));
        cr_expect(epsilon_eq(dbl, m.facts.temperature_c.v, 10 - (double)i, 1e-9));
        cr_expect(epsilon_eq(dbl, m.facts.altitude_deg.v, 90 - down, 1e-9));
        cr_expect(epsilon_eq(dbl, m.defocus_um, -18.0 * (double)i + 0.5 * down, 1e-9));
        cr_expect(epsilon_eq(dbl, m.facts.airmass.v, x, 0.002)); /* two fits to the same air */
        cr_expect(epsilon_eq(dbl, m.seeing_arcsec, (2.5 + 0.5 * (double)i) * pow(x, 0.6), 0.01));
    }
    cr_expect(eq(str, moment(s, 3).facts.date_obs.s, "2031-10-10T00:30:00.000"));
    pl_scene_free(s);
}

Test(series, refocusing_starts_anew)
{
    pl_scene *s =
        scenes_small("[series]\nframes = 6\ncadence_s = 3600\ncooling_c_h = 1\nthermal_um_c = -9\n"
                     "refocus_every = 3\n[exposure]\ntemperature_c = 0\nposition_steps = 500\n"
                     "[focuser]\nstep_um = 4.5\noutward = 1");
    const double defocus[] = { 0, -9, -18, 0, -9, -18 }, steps[] = { 500, 500, 500, 506, 506, 506 };
    for (size_t i = 0; i < 6; i++) {
        pl_scene m = moment(s, i);
        cr_expect(epsilon_eq(dbl, m.defocus_um, defocus[i], 1e-9), "%zu", i);
        cr_expect(eq(dbl, m.facts.position_steps.v, steps[i]), "%zu", i);
    }
    pl_scene_free(s);
}

Test(series, says_what_it_lacks)
{
    const struct remark rows[] = {
        { "[series]\nfrom_steps = 1\nbest_steps = 2", "step_um is not known" },
        { "[series]\ncooling_c_h = 1", "cooling_c_h needs [exposure] temperature_c" },
        { "[series]\naltitude_to_deg = 40", "altitude_to_deg needs [exposure] altitude_deg" },
        { "[exposure]\ndate_obs = tonight", "date_obs is \"tonight\"" },
        { "[exposure]\naltitude_deg = 0.5", "altitude_deg is 0.5; a scene begins at 1" },
    };
    for (size_t i = 0; i < PL_ARRAY_LEN(rows); i++) {
        pl_scene *s = scenes_small(rows[i].text), m;
        double dx, dy;
        pl_err err = { PL_OK, "" };
        cr_expect(ne(int, pl_scene_moment(s, 0, &m, &dx, &dy, NULL, &err), PL_OK));
        cr_expect(ne(ptr, strstr(err.msg, rows[i].want), NULL), "%s", err.msg);
        pl_scene_free(s);
    }
}
