/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Rendered frames against what photometry, geometry and the radial wave-optics integral say of
 * them. The little telescope: 280 mm f/3, 4.2 um pixels (1.0313 arcsec), 96 x 80, gain 1, bias 100.
 */
#include "scenes.h"

#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

TestSuite(render, .init = frames_begin, .fini = frames_end);

#define BIAS 100.0
#define ONE  "[field]\nlist = stars\n"

/* 3640 Jy x 1.51e7 photons x 0.16 x area x efficiency x 10 s, by hand: area = pi 0.14^2 m^2. */
static double flux_e(double mag, double efficiency)
{
    return 3640 * 1.51e7 * 0.16 * M_PI * 0.14 * 0.14 * efficiency * 10 * pow(10, -0.4 * mag);
}

static float light[SCENES_N], other[SCENES_N];

/* Of diffraction 2 / (pi v), v = pi r / (lambda N), lies beyond r (Born & Wolf 8.5.2, from memory):
 * with a stamp of 2 x 16 px, 0.5 %. No more may be missing, and nothing may be added. */
static bool holds(double sum, double want)
{
    return sum <= want * (1 + 1e-5) && sum >= want * 0.994;
}

Test(render, flux_is_conserved_and_as_bright_as_the_magnitude_says)
{
    scenes_stars("48.3 40.7 11");
    scenes_light(scenes_small(ONE "efficiency = 0.3\n"), light);
    double want = flux_e(11, 0.3);
    cr_expect(holds(scenes_measure(light, 0, 0, SCENES_W).sum, want));
    pl_sim sim = scenes_shoot(scenes_small(ONE "efficiency = 0.3\n"), 1);
    cr_expect(epsilon_eq(dbl, sim.star[0].flux_adu, want, 1e-6 * want));
    for (int i = 0; i < SCENES_N; i++) /* gain 1, no noise: rounded electrons and bias */
        cr_assert(epsilon_eq(dbl, sim.adu[i] - BIAS, light[i], 0.501));
    pl_sim_clear(&sim);
}

/* A symmetric image has its centroid where the star was put; the wings of a stamp not centred to
 * the fraction of a pixel weigh a little on one side. */
Test(render, stars_stand_where_they_were_put)
{
    const double place[][2] = { { 48, 40 }, { 48.5, 40.5 }, { 47.73, 39.11 }, { 50.01, 41.99 } };
    for (size_t i = 0; i < PL_ARRAY_LEN(place); i++) {
        char line[64];
        snprintf(line, sizeof line, "%g %g 9\n", place[i][0], place[i][1]);
        scenes_stars(line);
        scenes_light(scenes_small(ONE), light);
        scenes_moments m = scenes_measure(light, 0, 0, SCENES_W);
        cr_expect(epsilon_eq(dbl, m.x + 1, place[i][0], 0.01));
        cr_expect(epsilon_eq(dbl, m.y + 1, place[i][1], 0.01));
    }
}

/* FWHM, HFD of the star told, against pl_star_size (Hankel transform of the product of transfer
 * functions: no FFT, no grid). The FWHM is that
 * of an area on cells of 1/12 of it: 0.5 %. */
struct size_row {
    double obstruction, seeing, defocus;
};

ParameterizedTestParameters(render, width)
{
    static struct size_row rows[] = {
        { 0, 2.5, 0 }, { 0.33, 2.5, 0 }, { 0.33, 1.5, 15 }, { 0.33, 4, 30 }, { 0.2, 2.5, -25 }
    };
    return cr_make_param_array(struct size_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct size_row *r, render, width, .init = frames_begin, .fini = frames_end)
{
    char text[256];
    double fwhm_um = 0, hfd_um = 0;
    pl_optic optic = { 280, 3, r->obstruction, 0.55, r->seeing };
    cr_assert(eq(int, pl_star_size(&optic, r->defocus, &fwhm_um, &hfd_um, NULL), PL_OK));
    snprintf(text, sizeof text,
             "[scope]\nobstruction = %g\n[air]\nseeing_arcsec = %g\n[focus]\ndefocus_um = %g\n",
             r->obstruction, r->seeing, r->defocus);
    pl_sim sim = scenes_shoot(scenes_small(text), 1);
    cr_expect(epsilon_eq(dbl, sim.fwhm_px * 4.2, fwhm_um, 0.005 * fwhm_um));
    cr_expect(epsilon_eq(dbl, sim.hfd_px * 4.2, hfd_um, 0.005 * hfd_um));
    pl_sim_clear(&sim);
}

/* Rim and hole where the light passes a quarter of the ring's mean level: diffraction smears edges
 * inwards of half of it. Whole pixels, and a soft edge: 1.5 px of 32. */
Test(render, a_donut_is_as_wide_as_geometry_says)
{
    scenes_stars("48 40 7");
    pl_scene *s = scenes_small("[scope]\nobstruction = 0.4\n" ONE
                               "[air]\nseeing_arcsec = 0.5\n[focus]\ndefocus_um = -400\n");
    pl_sim sim = { 0 };
    cr_assert(eq(int, pl_sim_render(s, 0, 1, &sim, NULL), PL_OK));
    scenes_light(s, light);
    double outer = 400 / 3.0 / 4.2, flux = flux_e(7, 0.4) * (1 - 0.16);
    double level = flux / (M_PI / 4 * outer * outer * (1 - 0.16)) / 4;
    int first = -1, last = 0, dark = 0;
    for (int x = 0; x < SCENES_W; x++)
        if (light[39 * SCENES_W + x] > level) {
            first = first < 0 ? x : first;
            last = x;
        }
    for (int x = first; x < last; x++)
        dark += light[39 * SCENES_W + x] <= level;
    cr_expect(epsilon_eq(dbl, last - first + 1, outer, 1.5));
    cr_expect(epsilon_eq(dbl, dark, 0.4 * outer, 1.5));
    cr_expect(epsilon_eq(dbl, sim.donut_px, outer, 1e-9));
    cr_expect(epsilon_eq(dbl, sim.hole_px, 0.4 * outer, 1e-9));
    cr_expect(isnan(sim.fwhm_px));
    pl_sim_clear(&sim);
}

/* Variance of a donut along each axis: d^2 (1 + e^2) / 16 (uniform annulus), plus the seeing's,
 * which has none (its wings diverge) - so the difference of two defoci is taken: what is common
 * drops out. */
Test(render, second_moments_grow_with_defocus_as_the_rays_say)
{
    double xx[2];
    scenes_stars("48 40 6.5");
    for (int i = 0; i < 2; i++) {
        char text[128];
        snprintf(text, sizeof text, ONE "[air]\nseeing_arcsec = 1\n[focus]\ndefocus_um = %d\n",
                 i ? 300 : 150);
        scenes_light(scenes_small(text), light);
        xx[i] = scenes_measure(light, 47, 39, 39).xx;
    }
    double a = 150 / 3.0 / 4.2, b = 300 / 3.0 / 4.2, want = (b * b - a * a) / 16;
    cr_expect(epsilon_eq(dbl, xx[1] - xx[0], want, 0.05 * want)); /* wings cut by the frame */
}

/* Tilt: local defocus = z - S, S = tilt_x x + ..., x from the frame's centre in mm. */
Test(render, tilt_and_curvature_move_focus_over_the_field)
{
    scenes_stars("48.5 40.5 9\n96 40.5 9\n48.5 1 9\n96.5 80.5 9");
    pl_sim sim = scenes_shoot(scenes_small(ONE "[focus]\ndefocus_um = 5\ntilt_x_um_mm = 50\n"
                                               "tilt_y_um_mm = -20\ncurvature_um = 12\n"),
                              1);
    double x = 47.5 * 0.0042, y = -39.5 * 0.0042, half = hypot(48, 40) * 0.0042;
    cr_expect(epsilon_eq(dbl, sim.star[0].defocus_um, 5, 1e-6));
    cr_expect(epsilon_eq(dbl, sim.star[1].defocus_um, 5 - 50 * x - 12 * pow(x / half, 2), 1e-6));
    cr_expect(epsilon_eq(dbl, sim.star[2].defocus_um, 5 + 20 * y - 12 * pow(y / half, 2), 1e-6));
    cr_expect(epsilon_eq(dbl, sim.star[3].defocus_um, 5 - 50 * 48 * 0.0042 + 20 * 40 * 0.0042 - 12,
                         1e-6));
    pl_sim_clear(&sim);
}

/* How much more the variance along x exceeds that along y than in the still image, in a square
 * about the star: the air's wings have no variance of their own (it grows with the square), but
 * weigh alike along both axes. */
static double stretched(const char *text, int x, int y)
{
    char all[512];
    snprintf(all, sizeof all, ONE "%s", text);
    scenes_light(scenes_small(ONE), light);
    scenes_light(scenes_small(all), other);
    scenes_moments a = scenes_measure(light, x, y, 16), b = scenes_measure(other, x, y, 16);
    cr_expect(epsilon_eq(dbl, b.x, a.x, 0.05)); /* the middle of the exposure, less an arc's sag */
    cr_expect(epsilon_eq(dbl, b.y, a.y, 0.02));
    return (b.xx - b.yy) - (a.xx - a.yy);
}

/* A drift of length L adds L^2 / 12 along it. A square of 16 px on each side holds 99 % of the
 * light, and so does what it says of the variance: 2 %. */
Test(render, drift_and_rotation_stretch_stars)
{
    scenes_stars("48 40 8");
    double got = stretched("[tracking]\ndrift_arcsec = 8.25059\n", 47, 39), want = 64 / 12.0;
    cr_expect(epsilon_eq(dbl, got, want, 0.02 * want)); /* 8 px */
    got = stretched("[tracking]\ndrift_arcsec = 8.25059\ndrift_deg = 90\n", 47, 39);
    cr_expect(epsilon_eq(dbl, got, -want, 0.02 * want));
    scenes_stars("78.5 40.5 8"); /* 30 px from the centre, 10 degrees: 5.236 px along y */
    want = 5.236 * 5.236 / 12;
    got = stretched("[tracking]\nrotation_arcmin = 600\n", 77, 39);
    cr_expect(epsilon_eq(dbl, got, -want, 0.02 * want + 0.01)); /* the path is an arc */
}

/* Jitter adds its variance along its own axis: 2 arcsec = 1.9393 px along 90 degrees. */
Test(render, jitter_has_a_direction)
{
    double want = 1.9393 * 1.9393;
    scenes_stars("48 40 8");
    double got = stretched(
        "[tracking]\njitter_arcsec = 2\njitter_across_arcsec = 0\njitter_deg = 90\n", 47, 39);
    cr_expect(epsilon_eq(dbl, got, -want, 0.02 * want));
}

/* One bright star of colour 1 mag and a sky: each phase has its own share of both. In 4 arcsec
 * every second pixel samples a star fully: the rest of its spectrum there is below 1e-4. */
Test(render, a_mosaic_has_its_colours_where_they_belong)
{
    const char *const pattern[] = { "RGGB", "GRBG", "GBRG", "BGGR" };
    scenes_stars("48 40 7.5 1.0");
    for (int k = 0; k < 4; k++) {
        char text[256];
        snprintf(text, sizeof text,
                 ONE "[camera]\nmosaic = %s\n[sky]\nlevel_adu = 1000\nred = 0.5\nblue = "
                     "0.25\n[air]\nseeing_arcsec = 4\n",
                 pattern[k]);
        scenes_light(scenes_small(text), light);
        double corner[3] = { 0 }, flux[3] = { 0 };
        for (int y = 0; y < 80; y++)
            for (int x = 0; x < 96; x++) {
                char c = pattern[k][2 * (y & 1) + (x & 1)];
                int i = c == 'R' ? 0 : c == 'G' ? 1 : 2;
                double sky = 1000 * (i == 0 ? 0.5 : i == 1 ? 1 : 0.25);
                if (x < 2 && y < 2)
                    corner[i] = light[y * 96 + x];
                flux[i] += light[y * 96 + x] - sky;
            }
        cr_expect(epsilon_eq(dbl, corner[0], 500, 1.5)); /* and what wings reach the corner */
        cr_expect(epsilon_eq(dbl, corner[1], 1000, 1.5));
        cr_expect(epsilon_eq(dbl, corner[2], 250, 1.5));
        /* a quarter of the pixels each, green twice that; 1 mag bluer-fainter: 10^0.2 either way */
        cr_expect(epsilon_eq(dbl, flux[0] / flux[1], pow(10, 0.2) / 2, 0.01), "%s", pattern[k]);
        cr_expect(epsilon_eq(dbl, flux[2] / flux[1], pow(10, -0.2) / 2, 0.01), "%s", pattern[k]);
    }
}

/* The refractive index of standard air by Ciddor 1996 (Appl. Opt. 35, 1566): 1.00027783 at 0.55 um,
 * 1.00028017 at 0.46 um, 1.00027669 at 0.62 um (from memory of the published formula; two fits to
 * the same air agree to 1e-8). At 45 degrees the zenith side gets the blue: (n1 - n2) rad. */
Test(render, the_air_spreads_colours_towards_the_zenith)
{
    scenes_stars("48 40 8");
    pl_scene *s = scenes_small(ONE "[camera]\nmosaic = RGGB\n[air]\nzenith_deg = 180\n"
                                   "[exposure]\naltitude_deg = 45\n");
    pl_shot t;
    cr_assert(eq(int, pl_shot_set_up(s, 0, &t, NULL, NULL), PL_OK));
    double px_rad = 840 / 0.0042;
    cr_expect(
        epsilon_eq(dbl, t.shift_x_px[PL_BLUE], -(28017 - 27783) * 1e-8 * px_rad, 2e-8 * px_rad));
    cr_expect(
        epsilon_eq(dbl, t.shift_x_px[PL_RED], (27783 - 27669) * 1e-8 * px_rad, 2e-8 * px_rad));
    cr_expect(epsilon_eq(dbl, t.shift_y_px[PL_BLUE], 0, 1e-9));
    cr_expect(eq(dbl, t.shift_x_px[PL_GREEN], 0));
    pl_scene_free(s);
}

Test(render, saturation_clips_and_is_told)
{
    scenes_stars("30 40 4\n70 40 11");
    pl_sim sim = scenes_shoot(scenes_small(ONE "[camera]\nsaturation_adu = 16383\n"), 1);
    int most = 0;
    for (int i = 0; i < 96 * 80; i++)
        most = sim.adu[i] > most ? sim.adu[i] : most;
    cr_expect(eq(int, most, 16383));
    cr_expect(sim.star[0].saturated);
    cr_expect(not(sim.star[1].saturated));
    pl_sim_clear(&sim);
}

Test(render, transparency_dew_and_gradient_take_and_give_light)
{
    double want = flux_e(9, 0.4);
    scenes_stars("48 40 9");
    scenes_light(scenes_small(ONE "[sky]\ntransparency = 0.25\n"), light);
    cr_expect(holds(scenes_measure(light, 0, 0, SCENES_W).sum, want / 4));
    /* a halo of 10 arcsec stays on the frame; the core keeps 60 % */
    scenes_light(scenes_small(ONE), light);
    scenes_light(scenes_small(ONE "[sky]\ndew = 0.4\ndew_arcsec = 10\n"), other);
    cr_expect(holds(scenes_measure(other, 0, 0, SCENES_W).sum, want));
    double halo = 0.4 * want / (2 * M_PI * pow(10 / 2.3548 / 1.03132, 2));
    int core = 39 * SCENES_W + 47;
    cr_expect(epsilon_eq(dbl, other[core], 0.6 * light[core] + halo, 3e-3 * light[core]));
    /* 3e-3: a fainter core has a smaller stamp, whose sides fold in other wings */
    scenes_light(scenes_small("[sky]\nlevel_adu = 1000\ngradient = 0.5\ngradient_deg = 180\n"),
                 light);
    double half = hypot(96, 80) / 2, edge = 1000 * (1 + 0.5 * 47.5 / half);
    cr_expect(epsilon_eq(dbl, light[0], edge, 0.01));
    cr_expect(epsilon_eq(dbl, light[95], 2000 - edge, 0.01));
}

/* Lines and clouds are there at all, and differ from frame to frame. */
Test(render, satellites_and_clouds_change_from_frame_to_frame)
{
    pl_scene *s =
        scenes_small("[camera]\nsatellites = 1\nsatellite_adu = 300\n[series]\nframes = 2\n"
                     "[sky]\nclouds = 0.8\n");
    pl_sim a, b;
    int most = 0;
    cr_assert(eq(int, pl_sim_render(s, 0, 1, &a, NULL), PL_OK));
    cr_assert(eq(int, pl_sim_render(s, 1, 1, &b, NULL), PL_OK));
    for (int i = 0; i < 96 * 80; i++)
        most = a.adu[i] > most ? a.adu[i] : most;
    cr_expect(
        epsilon_eq(dbl, most - BIAS, 300, 6)); /* on a line's axis within 0.3 px of some pixel */
    cr_expect(ne(int, memcmp(a.adu, b.adu, 96 * 80 * sizeof *a.adu), 0));
    pl_sim_clear(&a);
    pl_sim_clear(&b);
    double low = 1, high = 0;
    pl_shot t;
    cr_assert(eq(int, pl_shot_set_up(s, 0, &t, NULL, NULL), PL_OK));
    for (int i = 0; i < 96 * 80; i++) {
        double through = pl_shot_transparency(&t, i % 96, i / 96.0);
        low = fmin(low, through);
        high = fmax(high, through);
    }
    cr_expect(low >= 0.2 && high <= 1 && high - low > 0.2);
    pl_scene_free(s);
}

static const char busy[] =
    "[field]\nstars = 60\nmag_bright = 6\nmag_faint = 13\n[camera]\nnoise = yes\nmosaic = RGGB\n"
    "read_noise_e = 3\nhot_pixels = 5\ncosmic_rays = 5\nsatellites = 1\n[scope]\nvanes = 4\n"
    "[sky]\nlevel_adu = 200\nclouds = 0.3\ndew = 0.1\n[focus]\ntilt_x_um_mm = 200\n"
    "[exposure]\naltitude_deg = 40\n";

Test(render, threads_change_no_byte)
{
    pl_sim one = scenes_shoot(scenes_small(busy), 1), four = scenes_shoot(scenes_small(busy), 4);
    cr_expect(eq(int, memcmp(one.adu, four.adu, 96 * 80 * sizeof *one.adu), 0));
    cr_expect(eq(int, memcmp(one.star, four.star, one.stars * sizeof *one.star), 0));
    pl_sim_clear(&one);
    pl_sim_clear(&four);
}

Test(render, another_seed_is_another_frame)
{
    pl_scene *s = scenes_small(busy);
    s->seed = 2;
    pl_sim two = scenes_shoot(s, 2), one = scenes_shoot(scenes_small(busy), 2);
    cr_expect(ne(int, memcmp(one.adu, two.adu, 96 * 80 * sizeof *one.adu), 0));
    cr_expect(ne(dbl, one.star[0].x_px, two.star[0].x_px));
    pl_sim_clear(&one);
    pl_sim_clear(&two);
}

Test(render, says_what_it_lacks_and_what_it_assumed)
{
    pl_err err = { PL_OK, "" };
    pl_sim sim = { .width_px = -7 };
    pl_scene *s = scenes_read("[scope]\naperture_mm = 280\n");
    cr_expect(eq(int, pl_sim_render(s, 0, 1, &sim, &err), PL_ENODATA));
    cr_expect(ne(ptr, strstr(err.msg, "focal_mm is not known"), NULL), "%s", err.msg);
    err = (pl_err){ PL_OK, "" };
    cr_expect(eq(int, pl_sim_render(s, 1, 1, &sim, &err), PL_EARG));
    cr_expect(eq(int, sim.width_px, -7));
    pl_scene_free(s);
    sim = scenes_shoot(
        scenes_read("[scope]\naperture_mm = 280\nfocal_mm = 840\n[camera]\npixel_um = 4\n"
                    "width_px = 32\nheight_px = 16\n[field]\nstars = 0\n"),
        1);
    cr_expect(eq(sz, sim.notes.n, 4)); /* gain, read noise, saturation, exposure */
    cr_expect(eq(dbl, sim.facts.gain_e_adu.v, 1));
    pl_sim_clear(&sim);
}

/* Air frozen in one moment moves the image: RMS of one axis of the mean slope over the pupil,
 * sqrt(0.170) (lambda / D) (D / r0)^(5/6) (Tyson, Principles of Adaptive Optics, from memory, for
 * the slope averaged over the pupil, which a centroid shows). 24 seeds of 2 axes tell a sigma to 10
 * %; the square in which the centroid is taken cuts speckles: 30 %. */
Test(render, a_short_exposure_wanders)
{
    enum { SEEDS = 24 };
    double sum = 0, square = 0, d = 280, r0 = 0.976 * 0.55e-3 / (2.5 * PL_ARCSEC_RAD);
    double want = sqrt(0.170) * (0.55e-3 / d) * pow(d / r0, 5.0 / 6) / PL_ARCSEC_RAD / 1.03132;
    scenes_stars("48 40 9");
    for (int seed = 1; seed <= SEEDS; seed++) {
        pl_scene *s =
            scenes_small(ONE "[air]\nturbulence = moving\n[exposure]\nexposure_s = 0.001\n");
        s->seed = seed;
        scenes_light(s, light);
        scenes_moments m = scenes_measure(light, 47, 39, 14);
        sum += m.x - 47 + m.y - 39;
        square += pow(m.x - 47, 2) + pow(m.y - 39, 2);
    }
    cr_expect(epsilon_eq(dbl, sqrt(square / (2 * SEEDS)), want, 0.3 * want));
    cr_expect(epsilon_eq(dbl, sum / (2 * SEEDS), 0, 4 * want / sqrt(2 * SEEDS)));
}

/* What moves averages out: a long exposure through moving air is as wide as the averaged air says.
 * 3 s of wind at 10 m/s pass 107 apertures: what is left of a scatter of some 30 % is 3 %, thrice
 * that is allowed. Both exposures are 3 s, for the same stamp. */
Test(render, moving_air_averages_out)
{
    scenes_stars("48 40 11");
    scenes_light(scenes_small(ONE "[exposure]\nexposure_s = 3\n"), light);
    scenes_light(scenes_small(ONE "[air]\nturbulence = moving\n[exposure]\nexposure_s = 3\n"),
                 other);
    double core = 0, same = 0; /* light within 3 px of the centroid: 75 % of it */
    scenes_moments m = scenes_measure(other, 47, 39, 14);
    for (int i = 0; i < SCENES_N; i++) {
        double x = i % SCENES_W, y = floor((double)i / SCENES_W);
        same += hypot(x - 47, y - 39) < 2.5 ? light[i] : 0;
        core += hypot(x - m.x, y - m.y) < 2.5 ? other[i] : 0;
    }
    cr_expect(epsilon_eq(dbl, core / same, 1, 0.1));
}

/* Stars under shared air are alike but for their place; each under its own, not. */
Test(render, air_is_shared_or_not)
{
    scenes_stars("30 40 9\n66 40 9");
    for (int shared = 0; shared < 2; shared++) {
        char text[128];
        double most = 0, differ = 0;
        snprintf(text, sizeof text,
                 ONE "[air]\nturbulence = moving\nshared = %s\n[exposure]\nexposure_s = 0.01\n",
                 shared ? "yes" : "no");
        scenes_light(scenes_small(text), light);
        for (int y = 30; y < 50; y++)
            for (int x = 20; x < 40; x++) {
                most = fmax(most, light[y * SCENES_W + x]);
                double left = light[y * SCENES_W + x], right = light[y * SCENES_W + x + 36];
                differ = fmax(differ, fabs(left - right));
            }
        cr_expect(shared ? differ < 0.02 * most : differ > 0.1 * most, "%g of %g", differ, most);
    }
}
