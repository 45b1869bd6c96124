/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A simulated frame on disc: read back by the library's reader (whose own tests use files written
 * byte by byte), and its truth against numbers by hand. */
#include "scenes.h"

#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

TestSuite(save, .init = frames_begin, .fini = frames_end);

static pl_sim whole(void)
{
    return scenes_shoot(
        scenes_small("[field]\nstars = 5\n[camera]\nnoise = yes\nmosaic = GBRG\nread_noise_e = 3\n"
                     "gain_e_adu = 0.77\n[exposure]\ndate_obs = 2031-10-09T20:41:00\n"
                     "temperature_c = -3.25\naltitude_deg = 41.5\nposition_steps = 4711\n"
                     "object = cluster 7\nrow_order = TOP-DOWN\n[sky]\nlevel_adu = 40000\n"),
        1);
}

Test(save, comes_back_as_it_was_plain_and_packed)
{
    pl_sim sim = whole();
    static float row[SCENES_N];
    for (int packed = 0; packed < 2; packed++) {
        pl_err err = { PL_OK, "" };
        pl_frame *f = NULL;
        const char *path = frames_path("a[1].fits"); /* brackets are part of the name */
        cr_assert(eq(int, pl_sim_save(&sim, path, packed, &err), PL_OK), "%s", err.msg);
        cr_assert(eq(int, pl_frame_open(path, 1, &f, &err), PL_OK), "%s", err.msg);
        cr_assert(eq(int, pl_frame_width(f), SCENES_W));
        cr_assert(eq(int, pl_frame_height(f), SCENES_H));
        cr_assert(eq(int, pl_frame_read(f, 0, 0, SCENES_W, SCENES_H, row, &err), PL_OK));
        for (int i = 0; i < SCENES_N; i++)
            cr_assert(eq(flt, row[i], (float)sim.adu[i]));
        const pl_facts *a = pl_frame_facts(f), *b = &sim.facts;
        cr_expect(eq(str, (char *)a->mosaic.s, "GBRG"));
        cr_expect(eq(str, (char *)a->date_obs.s, "2031-10-09T20:41:00.000"));
        cr_expect(eq(str, (char *)a->object.s, "cluster 7"));
        cr_expect(eq(str, (char *)a->row_order.s, "TOP-DOWN"));
        const double got[] = { a->focal_mm.v,      a->aperture_mm.v,  a->pixel_um.v,
                               a->gain_e_adu.v,    a->read_noise_e.v, a->exposure_s.v,
                               a->temperature_c.v, a->altitude_deg.v, a->position_steps.v,
                               a->saturation_adu.v };
        const double want[] = { 840, 280, 4.2, 0.77, 3, 10, -3.25, 41.5, 4711, 65535 };
        for (size_t i = 0; i < PL_ARRAY_LEN(want); i++)
            cr_expect(eq(dbl, got[i], want[i]), "%zu", i);
        cr_expect(epsilon_eq(dbl, a->airmass.v, b->airmass.v, 1e-8));
        cr_expect(eq(sz, pl_frame_notes(f)->n, 0)); /* nothing odd about it */
        pl_frame_free(f);
    }
    pl_sim_clear(&sim);
}

Test(save, fails_in_words_and_leaves_nothing)
{
    pl_sim sim = whole();
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_sim_save(&sim, frames_path("no/such/a.fits"), false, &err), PL_EIO));
    cr_expect(ne(ptr, strstr(err.msg, "cannot write"), NULL));
    cr_expect(access(frames_path("no"), F_OK) != 0);
    pl_sim_clear(&sim);
}

static double number(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    bool is = json_is_number(v);
    cr_assert(is, "%s", key);
    return json_number_value(v);
}

static const char *word(const json_t *o, const char *key)
{
    return json_string_value(json_object_get(o, key));
}

/* By hand: theta = 2.5 mm / 840 mm; W131 = theta 280e6 nm / (32 x 4^2) with a mirror of f/4
 * (1120 mm), over 8.4853: 191.81 nm, away from the coma-free point at atan2(-2, 1.5): 126.87 deg.
 * Defocus 300 um at f/3: W020 = 300 / 72 um, a4 = W020 / (2 sqrt 3) = 1202.8 nm. */
Test(save, truth_is_what_the_scene_says)
{
    scenes_stars("48.5 40.5 8\n20 20 12\n");
    pl_sim sim = scenes_shoot(
        scenes_small("[field]\nlist = stars\n[scope]\nmirror_focal_mm = 1120\nobstruction = 0.25\n"
                     "[mirrors]\naxis_x_mm = 1.5\naxis_y_mm = -2\nshadow_y_mm = -7\n"
                     "pinch_nm = 40\n[zernike]\na11_nm = -55\na6_nm = 30\n"
                     "[focus]\ndefocus_um = 300\ntilt_y_um_mm = 4\ncurvature_um = 6\n"),
        1);
    char *text = pl_sim_truth(&sim, "dusk.fits");
    json_t *t = json_loads(text, 0, NULL);
    cr_assert(t != NULL);
    cr_expect(eq(str, (char *)word(t, "program"), "plumb-sim"));
    cr_expect(eq(str, (char *)word(t, "file"), "dusk.fits"));
    cr_expect(epsilon_eq(dbl, number(t, "coma_nm"), 191.81, 0.02));
    cr_expect(epsilon_eq(dbl, number(t, "coma_deg"), 126.87, 0.01));
    cr_expect(epsilon_eq(dbl, number(t, "axis_error_mm"), 2.5, 1e-6));
    cr_expect(epsilon_eq(dbl, number(t, "axis_error_deg"), 306.87, 0.01));
    cr_expect(epsilon_eq(dbl, number(t, "secondary_shadow_mm"), 7, 1e-6));
    cr_expect(epsilon_eq(dbl, number(t, "secondary_shadow_deg"), 270, 1e-6));
    cr_expect(epsilon_eq(dbl, number(t, "trefoil_nm"), 40, 1e-3));
    cr_expect(epsilon_eq(dbl, number(t, "spherical_nm"), -55, 1e-3));
    cr_expect(epsilon_eq(dbl, number(t, "astigmatism_nm"), 30, 1e-3));
    cr_expect(epsilon_eq(dbl, number(json_object_get(t, "zernike_nm"), "4"), 1202.8, 0.1));
    cr_expect(epsilon_eq(dbl, number(t, "scale_arcsec_px"), 206.265 * 4.2 / 840, 1e-5));
    const json_t *s = json_object_get(t, "surface"), *c = json_object_get(s, "corner_um");
    /* 4 um/mm is 4e-3 rad = 13.751 arcmin; corners' centres lie 39.5 px = 0.1659 mm up, at
     * (47.5^2 + 39.5^2) / (48^2 + 40^2) of the square of the half diagonal */
    cr_expect(epsilon_eq(dbl, number(s, "tilt_arcmin"), 13.751, 1e-3));
    cr_expect(epsilon_eq(dbl, number(s, "tilt_deg"), 90, 1e-6));
    cr_expect(epsilon_eq(dbl, number(c, "x2y2"), 4 * 0.1659 + 6 * 0.97759, 1e-3));
    cr_expect(epsilon_eq(dbl, number(c, "x1y1"), -4 * 0.1659 + 6 * 0.97759, 1e-3));
    cr_expect(eq(int, json_typeof(json_object_get(t, "fwhm_px")), JSON_NULL)); /* donuts */
    cr_assert(eq(sz, json_array_size(json_object_get(t, "stars")), 2));
    cr_assert(eq(sz, json_array_size(json_object_get(t, "donuts")), 2));
    const json_t *d = json_array_get(json_object_get(t, "donuts"), 0);
    cr_expect(epsilon_eq(dbl, number(d, "x_px"), 48.5, 1e-6));
    cr_expect(epsilon_eq(dbl, number(d, "outer_px"), 300 / 3.0 / 4.2, 1e-3));
    cr_expect(epsilon_eq(dbl, number(d, "inner_px"), 75 / 3.0 / 4.2, 1e-3));
    json_decref(t);
    free(text);
    pl_sim_clear(&sim);
}
