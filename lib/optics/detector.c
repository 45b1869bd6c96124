/* SPDX-License-Identifier: GPL-3.0-or-later */
/* detector.c - from electrons to the numbers a camera stores, with its faults. */
#include "scene.h"

#include <gsl/gsl_randist.h>
#include <math.h>

struct read_out {
    const pl_detector *detector;
    const float *electrons;
    uint16_t *adu;
    int width;
};

/* Above this mean a Poisson number is drawn as a Gaussian of the same variance: its skewness,
 * 1 / sqrt(mean), is 3 % there. */
static double draw(gsl_rng *rng, double mean, double read_noise)
{
    double e = mean;
    if (mean > 1000)
        e += gsl_ran_gaussian_ziggurat(rng, sqrt(mean));
    else if (mean > 0)
        e = gsl_ran_poisson(rng, mean);
    return read_noise > 0 ? e + gsl_ran_gaussian_ziggurat(rng, read_noise) : e;
}

static void read_row(void *ctx, size_t row, int worker)
{
    (void)worker;
    const struct read_out *r = ctx;
    const pl_detector *d = r->detector;
    const float *electrons = r->electrons + row * (size_t)r->width;
    uint16_t *adu = r->adu + row * (size_t)r->width;
    double most = floor(fmin(d->saturation_adu, 65535));
    pl_dice dice;
    gsl_rng *rng = pl_dice_throw(&dice, d->seed, PL_DICE_NOISE, row);
    for (int x = 0; x < r->width; x++) {
        double e = d->noise ? draw(rng, electrons[x], d->read_noise_e) : electrons[x];
        double v = floor(e / d->gain_e_adu + d->bias_adu + 0.5);
        adu[x] = (uint16_t)(v < 0 ? 0 : v > most ? most : v);
    }
}

void pl_detector_read_out(const pl_detector *detector, const float *electrons, int width,
                          int height, int jobs, uint16_t *adu)
{
    struct read_out r = { detector, electrons, adu, width };
    pl_pool_run(jobs, (size_t)height, read_row, &r);
}

/* ---- faults */

static void add(float *electrons, int width, int height, double x, double y, double charge)
{
    if (x >= 0 && y >= 0 && x < width && y < height)
        electrons[(size_t)y * (size_t)width + (size_t)x] += (float)charge;
}

/* A charged particle leaves its charge evenly along a straight path through the silicon. */
static void track(gsl_rng *rng, double gain, int width, int height, float *electrons)
{
    double x = gsl_rng_uniform(rng) * width, y = gsl_rng_uniform(rng) * height;
    double a = 2 * M_PI * gsl_rng_uniform(rng), length = 1 + gsl_ran_exponential(rng, 4);
    double charge = gain * 400 * (1 + gsl_ran_exponential(rng, 2)); /* per pixel of path; made up */
    for (double t = 0; t < length; t += 0.25)
        add(electrons, width, height, x + t * cos(a), y + t * sin(a), charge / 4);
}

void pl_detector_faults(const pl_scene *s, size_t frame, double gain, int width, int height,
                        float *electrons)
{
    pl_dice dice;
    gsl_rng *rng = pl_dice_throw(&dice, (uint64_t)s->seed, PL_DICE_HOT, 0);
    for (size_t i = 0; i < (size_t)s->hot_pixels; i++) {
        double x = gsl_rng_uniform(rng) * width, y = gsl_rng_uniform(rng) * height;
        add(electrons, width, height, x, y, gain * s->hot_adu * (0.1 + 0.9 * gsl_rng_uniform(rng)));
    }
    rng = pl_dice_throw(&dice, (uint64_t)s->seed, PL_DICE_COSMIC, frame);
    for (size_t i = 0; i < (size_t)s->cosmic_rays; i++)
        track(rng, gain, width, height, electrons);
}
