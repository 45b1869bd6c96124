/* SPDX-License-Identifier: GPL-3.0-or-later */
/* shot.c - one exposure: what its stars share, and the light that is no star's. */
#include "scene.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MOST_SIDE = 20000, WAVES = 6 };

/* Photons of a star of magnitude 0 per second and square metre in a green pass band: 3640 Jy over
 * 16 % of the wavelength (Bessell 1979, PASP 91, 589, from memory), 1.51e7 photons / s / m^2 / Jy.
 */
#define PHOTONS_MAG_0 (3640 * 1.51e7 * 0.16)

static double known(const pl_num *num, double otherwise, const char *sentence, pl_notes *notes)
{
    if (num->from != PL_FROM_NOWHERE)
        return num->v;
    pl_note(notes, "%s", sentence);
    return otherwise;
}

static pl_status take_facts(pl_shot *t, const pl_facts *f, pl_notes *notes, pl_err *err)
{
    double width = 0, height = 0;
    pl_status st = pl_facts_need(f, "aperture_mm", &t->aperture_mm, err);
    if (st == PL_OK)
        st = pl_facts_need(f, "focal_mm", &t->focal_mm, err);
    if (st == PL_OK)
        st = pl_facts_need(f, "pixel_um", &t->pixel_um, err);
    if (st == PL_OK)
        st = pl_facts_need(f, "width_px", &width, err);
    if (st == PL_OK)
        st = pl_facts_need(f, "height_px", &height, err);
    if (st != PL_OK)
        return st;
    if (!(width <= MOST_SIDE && height <= MOST_SIDE))
        return pl_fail(err, PL_EARG, "a frame of %.0f x %.0f px is too large; %d a side at most",
                       width, height, MOST_SIDE);
    t->width = (int)width;
    t->height = (int)height;
    t->f_ratio = t->focal_mm / t->aperture_mm;
    t->um_arcsec = t->focal_mm * 1000 * PL_ARCSEC_RAD;
    t->gain_e_adu = known(&f->gain_e_adu, 1, "gain_e_adu is 1 by default", notes);
    t->read_noise_e = known(&f->read_noise_e, 2, "read_noise_e is 2 by default", notes);
    t->saturation_adu =
        known(&f->saturation_adu, 65535, "saturation_adu is 65535 by default", notes);
    t->exposure_s = known(&f->exposure_s, 1, "exposure_s is 1 by default", notes);
    if (f->mosaic.from != PL_FROM_NOWHERE && strcmp(f->mosaic.s, "none") != 0)
        snprintf(t->mosaic, sizeof t->mosaic, "%.4s", f->mosaic.s);
    return PL_OK;
}

static double or_none(double v, double otherwise)
{
    return isnan(v) ? otherwise : v;
}

static void set_pupil(pl_shot *t, const pl_scene *s)
{
    const pl_facts *f = &s->facts;
    double radius = t->aperture_mm / 2;
    t->aperture = (pl_aperture){ .obstruction = or_none(f->obstruction.v, 0),
                                 .shadow_x = s->shadow_x_mm / radius,
                                 .shadow_y = s->shadow_y_mm / radius,
                                 .vanes = (int)or_none(f->vanes.v, 0),
                                 .vane_width = or_none(f->vane_mm.v, 1) / radius,
                                 .vane_deg = or_none(f->vane_deg.v, 0) };
    t->misalign = (pl_misalign){
        .aperture_mm = t->aperture_mm,
        .focal_mm = t->focal_mm,
        .mirror_focal_mm = or_none(f->mirror_focal_mm.v, t->focal_mm),
        .corrected = s->corrected != 0,
        .defocus_um = s->defocus_um,
        .tilt_x_um_mm = s->tilt_x_um_mm,
        .tilt_y_um_mm = s->tilt_y_um_mm,
        .curvature_um = s->curvature_um,
        .half_diagonal_mm = hypot(t->width, t->height) / 2 * t->pixel_um / 1000,
        .axis_x_mm = s->axis_x_mm,
        .axis_y_mm = s->axis_y_mm,
        .pinch_nm = s->pinch_nm,
        .pinch_deg = s->pinch_deg,
    };
    memcpy(t->misalign.zernike_nm, s->zernike_nm, sizeof s->zernike_nm);
}

/* tan of the distance from the zenith; 0 when the altitude is unknown. */
static double tan_zenith(const pl_facts *f)
{
    return isnan(f->altitude_deg.v) ? 0 : 1 / tan(f->altitude_deg.v * M_PI / 180);
}

/* Covariance of two independent unsteadinesses as one: its axes and their direction. */
static void set_jitter(pl_blur *b, double major, double minor, double deg, double other,
                       double other_deg)
{
    double a = 2 * deg * M_PI / 180, c = 2 * other_deg * M_PI / 180;
    double sum = major * major + minor * minor + other * other;
    double x = (major * major - minor * minor) * cos(a) + other * other * cos(c);
    double y = (major * major - minor * minor) * sin(a) + other * other * sin(c);
    double gap = hypot(x, y);
    b->jitter_major_um = sqrt((sum + gap) / 2);
    b->jitter_minor_um = sqrt(fmax(0, (sum - gap) / 2));
    b->jitter_deg = atan2(y, x) / 2 * 180 / M_PI;
}

/* Wavelengths, refraction and blur of each colour. */
static void set_colours(pl_shot *t, const pl_scene *s)
{
    const double lambda[PL_COLOURS] = { s->red_um, s->wavelength_um, s->blue_um };
    double along = s->jitter_arcsec * t->um_arcsec, zenith = s->zenith_deg * M_PI / 180;
    double across = isnan(s->jitter_across_arcsec) ? along : s->jitter_across_arcsec * t->um_arcsec;
    double lift_um = tan_zenith(&s->facts) * t->focal_mm * 1000; /* for an index higher by 1 */
    t->first = t->mosaic[0] ? PL_RED : PL_GREEN;
    t->last = t->mosaic[0] ? PL_BLUE : PL_GREEN;
    for (int c = 0; c < PL_COLOURS; c++) {
        double half = s->band_um / 2, index = pl_refraction(lambda[c]);
        double lift = lift_um * (index - pl_refraction(s->wavelength_um)) / t->pixel_um;
        double band = lift_um * (pl_refraction(lambda[c] - half) - pl_refraction(lambda[c] + half));
        t->lambda_um[c] = lambda[c];
        t->shift_x_px[c] = lift * cos(zenith);
        t->shift_y_px[c] = lift * sin(zenith);
        /* long-exposure air is narrower in the red, ~ lambda^(-1/5) (Fried 1966) */
        t->blur[c].seeing_um =
            s->seeing_arcsec * t->um_arcsec * pow(lambda[c] / s->wavelength_um, -0.2);
        t->blur[c].pixel = true;
        set_jitter(&t->blur[c], along, across, s->jitter_deg, band / sqrt(12), s->zenith_deg);
    }
}

pl_status pl_shot_set_up(const pl_scene *moment, size_t frame, pl_shot *shot, pl_notes *notes,
                         pl_err *err)
{
    pl_shot t = { .scene = moment, .frame = frame };
    pl_status st = take_facts(&t, &moment->facts, notes, err);
    if (st != PL_OK)
        return st;
    set_pupil(&t, moment);
    set_colours(&t, moment);
    double radius_m = t.aperture_mm / 2000, hole = t.aperture.obstruction;
    double area = M_PI * radius_m * radius_m * (1 - hole * hole);
    t.zero_e = PHOTONS_MAG_0 * area * moment->efficiency * t.exposure_s;
    t.sky_e = moment->level_adu * t.gain_e_adu;
    t.noise_e = sqrt(t.sky_e + t.read_noise_e * t.read_noise_e);
    *shot = t;
    return PL_OK;
}

pl_psf_grid pl_shot_grid(const pl_shot *t, int colour, int size)
{
    pl_psf_grid g = { .f_ratio = t->f_ratio, .pixel_um = t->pixel_um, .size = size };
    double half = t->scene->band_um / 2, node = sqrt(0.6); /* three points of Gauss-Legendre */
    g.seeing_um = t->scene->turbulence == PL_TURBULENCE_MOVING ? 0 : t->blur[colour].seeing_um;
    g.lights = half > 0 ? 3 : 1;
    g.light[0] = (pl_light){ t->lambda_um[colour], half > 0 ? 8 : 1 };
    g.light[1] = (pl_light){ t->lambda_um[colour] - half * node, 5 };
    g.light[2] = (pl_light){ t->lambda_um[colour] + half * node, 5 };
    return g;
}

/* ---- sky, clouds, satellites */

static double sky_at(const pl_shot *t, double x, double y)
{
    const pl_scene *s = t->scene;
    double a = s->gradient_deg * M_PI / 180, half = hypot(t->width, t->height) / 2;
    double along = (x - (t->width - 1) / 2.0) * cos(a) + (y - (t->height - 1) / 2.0) * sin(a);
    return t->sky_e * fmax(0, 1 + s->gradient * along / half);
}

struct sky {
    const pl_shot *shot;
    float *electrons;
};

static void sky_row(void *ctx, size_t row, int worker)
{
    (void)worker;
    const struct sky *k = ctx;
    const pl_shot *t = k->shot;
    const double share[PL_COLOURS] = { t->scene->sky_red, 1, t->scene->sky_blue };
    float *e = k->electrons + row * (size_t)t->width;
    for (int x = 0; x < t->width; x++)
        e[x] = (float)(sky_at(t, x, (double)row) * share[pl_colour_of(t->mosaic, x, (int)row)]);
}

/* A straight line across the frame with a Gaussian profile as wide as a star. */
static void satellite(const pl_shot *t, size_t number, float *electrons)
{
    pl_dice dice;
    gsl_rng *rng =
        pl_dice_throw(&dice, (uint64_t)t->scene->seed + t->frame, PL_DICE_SATELLITE, number);
    double px = gsl_rng_uniform(rng) * t->width, py = gsl_rng_uniform(rng) * t->height;
    double a = M_PI * gsl_rng_uniform(rng), c = cos(a), s = sin(a);
    double blur = fabs(t->scene->defocus_um) / t->f_ratio / 4;
    double sigma = fmax(0.5, hypot(t->blur[PL_GREEN].seeing_um / 2.3548, blur) / t->pixel_um);
    double height = t->scene->satellite_adu * t->gain_e_adu;
    for (int y = 0; y < t->height; y++)
        for (int x = 0; x < t->width; x++) {
            double d = ((x - px) * s - (y - py) * c) / sigma;
            if (fabs(d) < 6)
                electrons[(size_t)y * (size_t)t->width + (size_t)x] +=
                    (float)(height * exp(-d * d / 2));
        }
}

void pl_shot_sky(const pl_shot *shot, int jobs, float *electrons)
{
    struct sky k = { shot, electrons };
    pl_pool_run(jobs, (size_t)shot->height, sky_row, &k);
    for (size_t i = 0; i < (size_t)shot->scene->satellites; i++)
        satellite(shot, i, electrons);
}

/* Clouds: a few plane waves of random direction and phase, half a frame to two frames long. */
double pl_shot_transparency(const pl_shot *t, double x_px, double y_px)
{
    const pl_scene *s = t->scene;
    if (s->clouds == 0)
        return s->transparency;
    pl_dice dice;
    gsl_rng *rng = pl_dice_throw(&dice, (uint64_t)s->seed + t->frame, PL_DICE_CLOUD, 0);
    double sum = 0, frame = fmax(t->width, t->height);
    for (int i = 0; i < WAVES; i++) {
        double a = 2 * M_PI * gsl_rng_uniform(rng), phase = 2 * M_PI * gsl_rng_uniform(rng);
        double length = frame * (0.5 + 1.5 * gsl_rng_uniform(rng));
        sum += sin(2 * M_PI * (x_px * cos(a) + y_px * sin(a)) / length + phase);
    }
    return s->transparency * (1 - s->clouds * (0.5 + 0.5 * tanh(sum / sqrt(WAVES / 2.0))));
}
