/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim.c - one simulated frame, from scene to pixels, and what is true of it. */
#include "scene.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

_Static_assert((int)PL_SIM_NOLL == (int)PL_NOLL_MAX, "a star's truth holds every Zernike term");

enum { PROBE_CELLS = 12, PROBE_WIDTHS = 30 }; /* of a FWHM, where the width of a star is read */

/* ---- width of the star at the frame's centre */

/* Part of a cell above a level, from the slope across it: the edge is smooth, so are sums. */
static double above(const double *image, int size, int x, int y, double level)
{
    const double *v = image + (size_t)y * (size_t)size + (size_t)x;
    double slope = hypot(v[1] - v[-1], v[size] - v[-size]) / 2, d = *v - level;
    double part = slope > 0 ? 0.5 + d / slope : d > 0;
    return part < 0 ? 0 : part > 1 ? 1 : part;
}

/* Diameter, in cells, of the circle as large as the area above half the peak. */
static double width_of(const double *image, int size)
{
    double peak = 0, area = 0;
    for (int i = 0; i < size * size; i++)
        peak = fmax(peak, image[i]);
    for (int y = 1; y < size - 1; y++)
        for (int x = 1; x < size - 1; x++)
            area += above(image, size, x, y, peak / 2);
    return 2 * sqrt(area / M_PI);
}

/* Diameter, in cells, about the centroid that holds half of the flux 1 (some of it off the grid).
 */
static double half_flux_of(const double *image, int size)
{
    double cx = 0, cy = 0, all = 0, low = 0, high = size;
    for (int y = 0; y < size; y++)
        for (int x = 0; x < size; x++) {
            cx += image[y * size + x] * x;
            cy += image[y * size + x] * y;
            all += image[y * size + x];
        }
    cx /= all;
    cy /= all;
    while (high - low > 1e-3) {
        double r = (low + high) / 2, sum = 0;
        for (int y = 0; y < size; y++)
            for (int x = 0; x < size; x++) {
                double part = r - hypot(x - cx, y - cy) + 0.5;
                sum += image[y * size + x] * (part < 0 ? 0 : part > 1 ? 1 : part);
            }
        if (sum < 0.5)
            low = r;
        else
            high = r;
    }
    return 2 * low;
}

/* The star at the centre on cells much finer than pixels, without pixel and tracking; where that is
 * beyond computing, its width stays unknown. */
static pl_status probe(const pl_shot *t, const double *zernike_um, pl_sim *sim, pl_err *err)
{
    pl_blur blur = { .seeing_um = t->blur[PL_GREEN].seeing_um };
    pl_psf_grid grid = pl_shot_grid(t, PL_GREEN, 64);
    double core = fmax(blur.seeing_um, t->lambda_um[PL_GREEN] * t->f_ratio);
    pl_psf *psf = NULL;
    grid.pixel_um = core / PROBE_CELLS;
    grid.seeing_um = blur.seeing_um;
    grid.size = pl_psf_size(&grid, &blur, zernike_um);
    grid.size = grid.size < PROBE_WIDTHS * PROBE_CELLS ? PROBE_WIDTHS * PROBE_CELLS : grid.size;
    if (grid.size > 4 * PROBE_WIDTHS * PROBE_CELLS)
        return PL_OK; /* spread so wide that a width says nothing */
    double *image = malloc((size_t)grid.size * (size_t)grid.size * sizeof *image);
    pl_err why = { PL_OK, "" };
    pl_status st = image ? pl_psf_new(&grid, &psf, &why) : PL_ENOMEM;
    if (st == PL_OK) {
        double middle = grid.size / 2, px = grid.pixel_um / t->pixel_um;
        pl_psf_set_aperture(psf, &t->aperture);
        pl_psf_set_blur(psf, &blur);
        if (pl_psf_image(psf, zernike_um, middle, middle, image)) {
            sim->fwhm_px = width_of(image, grid.size) * px;
            sim->hfd_px = half_flux_of(image, grid.size) * px;
        }
    }
    pl_psf_free(psf);
    free(image);
    return st == PL_ENOMEM ? pl_fail(err, st, "out of memory for a star") : PL_OK;
}

/* ---- truth */

static pl_status tell(const pl_shot *t, pl_sim *sim, pl_err *err)
{
    const pl_scene *s = t->scene;
    double wave[PL_NOLL_MAX + 1];
    pl_misalign_wave(&t->misalign, 0, 0, wave);
    for (int j = 0; j <= PL_NOLL_MAX; j++)
        sim->zernike_nm[j] = 1000 * wave[j];
    sim->width_px = t->width;
    sim->height_px = t->height;
    snprintf(sim->mosaic, sizeof sim->mosaic, "%s", t->mosaic);
    sim->scale_arcsec_px = t->pixel_um / t->um_arcsec;
    sim->seeing_arcsec = s->seeing_arcsec;
    sim->sky_adu = s->level_adu + s->bias_adu;
    sim->noise_adu = s->noise ? hypot(t->noise_e / t->gain_e_adu, sqrt(1 / 12.0)) : 0;
    sim->defocus_um = s->defocus_um;
    sim->tilt_x_um_mm = s->tilt_x_um_mm;
    sim->tilt_y_um_mm = s->tilt_y_um_mm;
    sim->curvature_um = s->curvature_um;
    sim->axis_x_mm = s->axis_x_mm;
    sim->axis_y_mm = s->axis_y_mm;
    sim->shadow_x_mm = s->shadow_x_mm;
    sim->shadow_y_mm = s->shadow_y_mm;
    sim->donut_px = fabs(s->defocus_um) / t->f_ratio / t->pixel_um;
    sim->hole_px = sim->donut_px * t->aperture.obstruction;
    sim->fwhm_px = sim->hfd_px = NAN;
    bool donut = sim->donut_px * t->pixel_um > 2 * t->blur[PL_GREEN].seeing_um;
    return donut ? PL_OK : probe(t, wave, sim, err);
}

static void by_default(pl_num *fact, double v)
{
    if (fact->from == PL_FROM_NOWHERE)
        *fact = (pl_num){ v, PL_FROM_DEFAULT };
}

/* What was assumed stands in the header too. */
static void complete(const pl_shot *t, pl_facts *f)
{
    by_default(&f->gain_e_adu, t->gain_e_adu);
    by_default(&f->read_noise_e, t->read_noise_e);
    by_default(&f->saturation_adu, t->saturation_adu);
    by_default(&f->exposure_s, t->exposure_s);
    by_default(&f->binning_x, 1);
    by_default(&f->binning_y, 1);
}

/* ---- the frame */

static pl_status expose(const pl_shot *t, double dx, double dy, int jobs, pl_sim *sim, pl_err *err)
{
    const pl_scene *s = t->scene;
    size_t n = (size_t)t->width * (size_t)t->height;
    float *electrons = malloc(n * sizeof *electrons);
    sim->adu = malloc(n * sizeof *sim->adu);
    pl_status st = PL_OK;
    if (!electrons || !sim->adu) {
        st = pl_fail(err, PL_ENOMEM, "out of memory: %d x %d pixels", t->width, t->height);
    } else {
        pl_shot_sky(t, jobs, electrons);
        st = pl_render_stars(t, dx, dy, jobs, electrons, &sim->star, &sim->stars, err);
    }
    if (st == PL_OK) {
        pl_detector d = { t->gain_e_adu, t->read_noise_e,
                          s->bias_adu,   t->saturation_adu,
                          s->noise != 0, (uint64_t)s->seed + ((uint64_t)t->frame << 32) };
        pl_detector_faults(s, t->frame, t->gain_e_adu, t->width, t->height, electrons);
        pl_detector_read_out(&d, electrons, t->width, t->height, jobs, sim->adu);
    }
    free(electrons);
    return st;
}

pl_status pl_sim_render(const pl_scene *scene, size_t frame, int jobs, pl_sim *out, pl_err *err)
{
    pl_scene moment;
    pl_shot shot;
    pl_sim sim = { 0 };
    double dx = 0, dy = 0;
    if (frame >= pl_scene_frames(scene))
        return pl_fail(err, PL_EARG, "the series has %zu frames, not %zu", pl_scene_frames(scene),
                       frame + 1);
    pl_status st = pl_scene_moment(scene, frame, &moment, &dx, &dy, &sim.notes, err);
    if (st == PL_OK)
        st = pl_shot_set_up(&moment, frame, &shot, &sim.notes, err);
    if (st == PL_OK)
        st = tell(&shot, &sim, err);
    if (st == PL_OK)
        st = expose(&shot, dx, dy, jobs, &sim, err);
    if (st != PL_OK) {
        pl_sim_clear(&sim);
        return st;
    }
    sim.facts = moment.facts;
    complete(&shot, &sim.facts);
    *out = sim;
    return PL_OK;
}

void pl_sim_clear(pl_sim *sim)
{
    free(sim->adu);
    free(sim->star);
    pl_notes_clear(&sim->notes);
    *sim = (pl_sim){ 0 };
}
