/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "scenes.h"

#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

pl_scene *scenes_read(const char *text)
{
    pl_err err = { PL_OK, "" };
    pl_scene *scene = NULL;
    const char *path = frames_path("scene.ini");
    frames_put_bytes(path, text, strlen(text));
    cr_assert(eq(int, pl_scene_read(path, NULL, &scene, NULL, &err), PL_OK), "%s", err.msg);
    return scene;
}

pl_scene *scenes_small(const char *text)
{
    char all[4096];
    snprintf(all, sizeof all, "%s\n%s",
             "[scope]\naperture_mm = 280\nfocal_mm = 840\nobstruction = 0\n"
             "[camera]\nwidth_px = 96\nheight_px = 80\npixel_um = 4.2\ngain_e_adu = "
             "1\nread_noise_e = 0\n"
             "saturation_adu = 65535\nnoise = no\nbias_adu = 100\n[sky]\nlevel_adu = 0\n"
             "[field]\nstars = 0\n[exposure]\nexposure_s = 10",
             text);
    return scenes_read(all);
}

void scenes_stars(const char *lines)
{
    frames_put_bytes(frames_path("stars"), lines, strlen(lines));
}

pl_sim scenes_shoot(pl_scene *scene, int jobs)
{
    pl_err err = { PL_OK, "" };
    pl_sim sim;
    cr_assert(eq(int, pl_sim_render(scene, 0, jobs, &sim, &err), PL_OK), "%s", err.msg);
    pl_scene_free(scene);
    return sim;
}

void scenes_light(pl_scene *scene, float *electrons)
{
    pl_err err = { PL_OK, "" };
    pl_shot t;
    pl_scene m;
    pl_sim_star *star = NULL;
    double dx, dy;
    size_t n;
    cr_assert(eq(int, pl_scene_moment(scene, 0, &m, &dx, &dy, NULL, &err), PL_OK), "%s", err.msg);
    cr_assert(eq(int, pl_shot_set_up(&m, 0, &t, NULL, &err), PL_OK), "%s", err.msg);
    pl_shot_sky(&t, 1, electrons);
    cr_assert(eq(int, pl_render_stars(&t, dx, dy, 1, electrons, &star, &n, &err), PL_OK), "%s",
              err.msg);
    free(star);
    pl_scene_free(scene);
}

scenes_moments scenes_measure(const float *electrons, int cx, int cy, int half)
{
    scenes_moments m = { 0 };
    for (int i = 0; i < SCENES_N; i++) {
        int col = i % SCENES_W, row = i / SCENES_W;
        double v = electrons[i], x = col, y = row;
        if (abs(col - cx) > half || abs(row - cy) > half)
            continue;
        m.sum += v;
        m.x += v * x;
        m.y += v * y;
        m.xx += v * x * x;
        m.yy += v * y * y;
    }
    m.x /= m.sum;
    m.y /= m.sum;
    m.xx = m.xx / m.sum - m.x * m.x;
    m.yy = m.yy / m.sum - m.y * m.y;
    return m;
}
