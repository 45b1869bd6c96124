/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fuzz target: any bytes as a scene and, once more, as a list of stars. What is taken must lie in
 * its range; a small frame of it must be rendered or refused in words. */
#include "fuzz.h"

#include "../../lib/optics/scene.h"

#include <gsl/gsl_errno.h>
#include <math.h>
#include <string.h>

static void must(int good)
{
    if (!good)
        abort();
}

static void check_ranges(const pl_scene *scene)
{
    size_t n;
    const pl_scene_key *key = pl_scene_table(&n);
    for (size_t i = 0; i < n; i++) {
        double v;
        memcpy(&v, (const char *)scene + key[i].offset, sizeof v);
        bool unset = isnan(v) && isnan(key[i].preset);
        must(unset || key[i].words || (v >= key[i].lo && v <= key[i].hi));
        must(!key[i].words || (v >= 0 && v <= 1));
    }
}

/* The scene on a small sensor with few stars, short of what only takes time. */
static void render(pl_scene *s)
{
    pl_err err = { PL_OK, "" };
    pl_sim sim;
    const struct {
        const char *name, *value;
    } small[] = { { "width_px", "24" },     { "height_px", "16" }, { "pixel_um", "4" },
                  { "aperture_mm", "280" }, { "focal_mm", "870" }, { "exposure_s", "0.01" } };
    for (size_t i = 0; i < PL_ARRAY_LEN(small); i++)
        pl_facts_set(&s->facts, small[i].name, small[i].value, PL_FROM_OPTION, NULL);
    s->stars = fmin(s->stars, 3);
    s->listed_n = s->listed_n < 3 ? s->listed_n : 3;
    s->mag_bright = fmax(s->mag_bright, 12);
    s->mag_faint = fmax(s->mag_faint, 12);
    s->cosmic_rays = fmin(s->cosmic_rays, 10);
    s->hot_pixels = fmin(s->hot_pixels, 10);
    s->turbulence = PL_TURBULENCE_AVERAGED;
    s->drift_arcsec = fmin(s->drift_arcsec, 5);
    s->rotation_arcmin = fmin(s->rotation_arcmin, 60);
    s->defocus_um = fmax(-100, fmin(s->defocus_um, 100));
    s->thermal_um_c = s->flexure_um_deg = 0;
    for (int j = 0; j <= PL_NOLL_MAX; j++)
        s->zernike_nm[j] = fmax(-100, fmin(s->zernike_nm[j], 100));
    pl_status st = pl_sim_render(s, 0, 1, &sim, &err);
    must(st == PL_OK || err.msg[0] || st == PL_ENOMEM);
    if (st != PL_OK)
        return;
    char *truth = pl_sim_truth(&sim, "x");
    must(truth != NULL);
    free(truth);
    pl_sim_clear(&sim);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    pl_err err = { PL_OK, "" };
    pl_notes notes = { NULL, 0, 0 };
    pl_scene *scene = NULL;
    pl_scene_star *star = NULL;
    size_t n = 0;
    gsl_set_error_handler_off();
    const char *path = fuzz_file(data, size);
    pl_status st = pl_scene_read(path, NULL, &scene, &notes, &err);
    must(st == PL_OK ? scene != NULL : (scene == NULL && (err.msg[0] || st == PL_ENOMEM)));
    if (st == PL_OK) {
        check_ranges(scene);
        render(scene);
    }
    pl_scene_free(scene);
    pl_notes_clear(&notes);
    err = (pl_err){ PL_OK, "" };
    st = pl_starlist_read(path, &star, &n, &err);
    must(st == PL_OK ? n > 0 : (star == NULL && (err.msg[0] || st == PL_ENOMEM)));
    free(star);
    return 0;
}
