/* SPDX-License-Identifier: GPL-3.0-or-later */
/* render.c - the stars' light on the sensor: each star its own wavefront, its own image.
 *
 * A star is one piece of work for the pool; it fills a stamp of its own, and the stamps are added
 * in a fixed order, so the sum does not depend on threads. Stamps come in few sizes, so that plans
 * and buffers are shared; all stars of one size are done before the next size. */
#include "scene.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const int sizes[] = { 24, 32, 48, 64, 96, 128, 192, 256, 384, 512, 768, 1024 };

enum {
    SIZES = PL_ARRAY_LEN(sizes),
    BATCH_PIXELS = 1 << 20,
    MOST_MOMENTS = 10000,
    MOST_PATH = 200,
    OUTSIDE = -1
};

/* One star on its way to the sensor. */
struct spot {
    double x, y;                  /* green, middle of the exposure */
    double electrons[PL_COLOURS]; /* of its sharp image */
    double halo;                  /* electrons that dew scatters, green */
    double zernike_um[PL_NOLL_MAX + 1];
    double defocus_um;
    int size;     /* number in sizes, or OUTSIDE the frame */
    double air_s; /* when its air starts */
    double *stamp;
    int x0, y0;
    double peak;
};

/* What one worker keeps between stars. */
struct bench {
    pl_psf *psf[PL_COLOURS];
    double *image; /* two of them */
    double *phase; /* the air of a moment, cells of the widest pupil */
    pl_status status;
    pl_err err;
};

struct work {
    const pl_shot *shot;
    const pl_screen *screen; /* NULL: long-exposure air */
    struct spot **spot;      /* of one batch */
    int size;                /* number in sizes */
    struct bench bench[PL_POOL_MAX];
};

static bool moving(const pl_shot *t)
{
    return t->scene->turbulence == PL_TURBULENCE_MOVING;
}

/* ---- how large a stamp must be */

/* Light per pixel, as a part of the star's, at r pixels from its rim: the wings of the air and of
 * diffraction, and the spikes of the vanes. Derived here:
 * air: the transfer function 1 - 3.44 (seeing u / 0.976)^(5/3) at low frequencies is the transform
 *   of 0.0238 seeing^(5/3) r^(-11/3);
 * rim and hole: mean of the pattern far out, lambda N / (pi^3 (1 - e) r^3);
 * vane of width w and length l: (w l)^2 / (lambda^2 A) sinc^2, across it spread over the seeing. */
static double wing(const pl_shot *t, double r)
{
    const pl_aperture *a = &t->aperture;
    double lambda = t->lambda_um[PL_GREEN], e = a->obstruction;
    double seeing = fmax(t->blur[PL_GREEN].seeing_um / t->pixel_um, 1);
    double air = 0.0238 * pow(seeing, 5.0 / 3) * pow(r, -11.0 / 3);
    double rim = lambda * t->f_ratio / t->pixel_um / (31.0 * (1 - e) * r * r * r);
    if (a->vanes == 0)
        return air + rim;
    double radius_um = t->aperture_mm * 500, w = a->vane_width * radius_um;
    double angle = t->pixel_um / (t->focal_mm * 1000),
           area = M_PI * radius_um * radius_um * (1 - e * e);
    double spike = 2 * w * w * radius_um * (1 - e) / (lambda * area) * angle / seeing;
    double turn = M_PI * w * r * angle / lambda;
    return air + rim + spike / (1 + 2 * turn * turn);
}

/* Number of the smallest size whose rim lies where the star is lost in the noise; SIZES when not
 * even its rays fit the largest. */
static int size_for(const pl_shot *t, const struct spot *p, double path_px)
{
    pl_psf_grid grid = pl_shot_grid(t, PL_RED, 64);
    double flux = fmax(p->electrons[PL_GREEN], fmax(p->electrons[PL_RED], p->electrons[PL_BLUE]));
    double blur = fabs(p->defocus_um) / t->f_ratio / t->pixel_um / 2,
           lost = 0.3 * fmax(t->noise_e, 1);
    double wander = moving(t) ? 2 * t->blur[PL_BLUE].seeing_um / t->pixel_um : 0;
    int least = pl_psf_size(&grid, &t->blur[PL_BLUE], p->zernike_um), k = 0;
    least += (int)ceil(path_px + 2 * wander);
    if (least > sizes[SIZES - 1])
        return SIZES;
    while (k < SIZES - 1 && (sizes[k] < least ||
                             flux * wing(t, fmax(1, sizes[k] / 2.0 - blur - path_px / 2)) > lost))
        k++;
    return k;
}

/* ---- one star */

/* Where the star stands at a part of the exposure, [0, 1]; the middle is its place. */
static void place_at(const pl_shot *t, const struct spot *p, double part, double *x, double *y)
{
    const pl_scene *s = t->scene;
    double turn = s->rotation_arcmin * PL_ARCMIN_RAD * (part - 0.5);
    double drift = s->drift_arcsec * t->um_arcsec / t->pixel_um * (part - 0.5);
    double cx = p->x - (t->width - 1) / 2.0, cy = p->y - (t->height - 1) / 2.0;
    *x = p->x + cx * (cos(turn) - 1) - cy * sin(turn) + drift * cos(s->drift_deg * M_PI / 180);
    *y = p->y + cx * sin(turn) + cy * (cos(turn) - 1) + drift * sin(s->drift_deg * M_PI / 180);
}

static double path_of(const pl_shot *t, const struct spot *p)
{
    double x[2], y[2];
    for (int i = 0; i < 2; i++)
        place_at(t, p, i, &x[i], &y[i]);
    return hypot(x[1] - x[0], y[1] - y[0]);
}

/* Fried's length, mm: 0.976 lambda over the seeing as an angle. */
static double fried_mm(const pl_shot *t)
{
    return 0.976e-3 * t->lambda_um[PL_GREEN] / (t->scene->seeing_arcsec * PL_ARCSEC_RAD);
}

/* Moments whose images add up to the exposure. Of the path: a third of the image's sigma apart,
 * where sum and integral differ by less than 1 % of the spectrum that is left. Of the air: half of
 * Fried's length of wind. */
static double moments_of(const pl_shot *t, const struct spot *p)
{
    double sigma = fmax(t->blur[PL_GREEN].seeing_um / t->pixel_um / 2.3548, 0.5);
    double n = fmax(1, ceil(path_of(t, p) / (sigma / 3)));
    if (moving(t))
        n = fmax(n, ceil(t->scene->wind_m_s * 1000 * t->exposure_s / (fried_mm(t) / 2)));
    return n;
}

/* The air over the pupil at a part of the exposure, handed to the image's computation. */
static void set_air(const struct work *w, const struct spot *p, double part, pl_psf *psf,
                    double *phase)
{
    const double *x, *y;
    size_t cells = pl_psf_cells(psf, &x, &y);
    pl_screen_phase(w->screen, p->air_s + part * w->shot->exposure_s, x, y, cells, phase);
    pl_psf_set_phase(psf, phase);
}

/* The image in one colour, added up over the exposure, into b->image; false: too steep a wave. */
static bool expose(const struct work *w, const struct spot *p, int colour, struct bench *b)
{
    const pl_shot *t = w->shot;
    int n = (int)moments_of(t, p);
    size_t pixels = (size_t)sizes[p->size] * (size_t)sizes[p->size];
    for (int k = 0; k < n; k++) {
        double x, y, part = (k + 0.5) / n, *out = b->image + (k ? pixels : 0);
        place_at(t, p, part, &x, &y);
        if (w->screen)
            set_air(w, p, part, b->psf[colour], b->phase);
        if (!pl_psf_image(b->psf[colour], p->zernike_um, x + t->shift_x_px[colour] - p->x0,
                          y + t->shift_y_px[colour] - p->y0, out))
            return false;
        for (size_t i = 0; k && i < pixels; i++)
            b->image[i] += out[i];
    }
    for (size_t i = 0; i < pixels; i++)
        b->image[i] *= p->electrons[colour] / n;
    return true;
}

/* Takes from b->image the pixels that this colour's filter covers. */
static void mix(const pl_shot *t, struct spot *p, int colour, const double *image)
{
    int size = sizes[p->size];
    for (int y = 0; y < size; y++)
        for (int x = 0; x < size; x++) {
            size_t i = (size_t)y * (size_t)size + (size_t)x;
            if (pl_colour_of(t->mosaic, p->x0 + x, p->y0 + y) == colour)
                p->stamp[i] = image[i];
        }
}

static pl_status make_psf(const struct work *w, struct bench *b, int size, pl_err *err)
{
    const pl_shot *t = w->shot;
    pl_status st = PL_OK;
    size_t cells = 1;
    if (b->image)
        return PL_OK;
    for (int c = t->first; c <= t->last && st == PL_OK; c++) {
        const double *x, *y;
        pl_psf_grid grid = pl_shot_grid(t, c, size);
        pl_blur blur = t->blur[c];
        blur.seeing_um = w->screen ? 0 : blur.seeing_um;
        st = pl_psf_new(&grid, &b->psf[c], err);
        if (st == PL_OK) {
            pl_psf_set_aperture(b->psf[c], &t->aperture);
            pl_psf_set_blur(b->psf[c], &blur);
            size_t here = pl_psf_cells(b->psf[c], &x, &y);
            cells = here > cells ? here : cells;
        }
    }
    b->image = malloc(2 * (size_t)size * (size_t)size * sizeof *b->image);
    b->phase = malloc(cells * sizeof *b->phase);
    return st == PL_OK && (!b->image || !b->phase)
               ? pl_fail(err, PL_ENOMEM, "out of memory for a star")
               : st;
}

static pl_status too_wide(const struct spot *p, pl_err *err)
{
    return pl_fail(err, PL_EARG, "the star at x %.0f, y %.0f is spread over more than %d px",
                   p->x + 1, p->y + 1, sizes[SIZES - 1]);
}

static void star_job(void *ctx, size_t item, int worker)
{
    struct work *w = ctx;
    struct bench *b = &w->bench[worker];
    struct spot *p = w->spot[item];
    size_t size = (size_t)sizes[p->size];
    if (b->status == PL_OK)
        b->status = make_psf(w, b, (int)size, &b->err);
    for (int c = w->shot->first; c <= w->shot->last && b->status == PL_OK; c++) {
        if (expose(w, p, c, b))
            mix(w->shot, p, c, b->image);
        else
            b->status = too_wide(p, &b->err);
    }
}

static void clear_bench(struct work *w)
{
    for (int i = 0; i < PL_POOL_MAX; i++) {
        for (int c = 0; c < PL_COLOURS; c++)
            pl_psf_free(w->bench[i].psf[c]);
        free(w->bench[i].image);
        free(w->bench[i].phase);
        w->bench[i] = (struct bench){ 0 };
    }
}

/* ---- all stars */

static void add_stamp(const pl_shot *t, struct spot *p, float *electrons)
{
    int size = sizes[p->size];
    for (int y = 0; y < size; y++)
        for (int x = 0; x < size; x++) {
            int fx = p->x0 + x, fy = p->y0 + y;
            double v = p->stamp[(size_t)y * (size_t)size + (size_t)x];
            if (fx < 0 || fy < 0 || fx >= t->width || fy >= t->height)
                continue;
            p->peak = fmax(p->peak, v);
            electrons[(size_t)fy * (size_t)t->width + (size_t)fx] += (float)v;
        }
}

/* One batch: spots of one size, their stamps in `stamps`. */
static pl_status run_batch(struct work *w, size_t n, double *stamps, int jobs, float *electrons,
                           pl_err *err)
{
    size_t pixels = (size_t)sizes[w->size] * (size_t)sizes[w->size];
    for (size_t i = 0; i < n; i++)
        w->spot[i]->stamp = stamps + i * pixels;
    memset(stamps, 0, n * pixels * sizeof *stamps);
    pl_pool_run(jobs, n, star_job, w);
    for (int i = 0; i < PL_POOL_MAX; i++)
        if (w->bench[i].status != PL_OK)
            return pl_fail(err, w->bench[i].status, "%s", w->bench[i].err.msg);
    for (size_t i = 0; i < n; i++)
        add_stamp(w->shot, w->spot[i], electrons);
    return PL_OK;
}

static size_t batch_of(int size)
{
    size_t n = BATCH_PIXELS / ((size_t)sizes[size] * (size_t)sizes[size]);
    return n < 4 ? 4 : n > 512 ? 512 : n;
}

/* All spots of one size, in the order of their numbers. */
static pl_status run_size(struct work *w, struct spot *spot, size_t n, int jobs, float *electrons,
                          pl_err *err)
{
    size_t most = batch_of(w->size), used = 0;
    pl_status st = PL_OK;
    double *stamps =
        malloc(most * (size_t)sizes[w->size] * (size_t)sizes[w->size] * sizeof *stamps);
    w->spot = malloc(most * sizeof(struct spot *));
    if (!stamps || !w->spot)
        st = pl_fail(err, PL_ENOMEM, "out of memory for stars of %d px", sizes[w->size]);
    for (size_t i = 0; i < n && st == PL_OK; i++) {
        if (spot[i].size == w->size)
            w->spot[used++] = &spot[i];
        if (used == most || (i == n - 1 && used)) {
            st = run_batch(w, used, stamps, jobs, electrons, err);
            used = 0;
        }
    }
    if (st == PL_OK && used) /* the last spot was of another size */
        st = run_batch(w, used, stamps, jobs, electrons, err);
    clear_bench(w);
    free(stamps);
    free(w->spot);
    return st;
}

/* ---- halo of a dewed mirror: a wide Gaussian, common practice, no source */

static void add_halo(const pl_shot *t, const struct spot *p, float *electrons)
{
    double sigma = t->scene->dew_arcsec / 2.3548 * t->um_arcsec / t->pixel_um;
    double peak = p->halo / (2 * M_PI * sigma * sigma);
    int reach = (int)ceil(4 * sigma);
    for (int y = -reach; y <= reach; y++)
        for (int x = -reach; x <= reach; x++) {
            int fx = (int)lround(p->x) + x, fy = (int)lround(p->y) + y;
            if (fx < 0 || fy < 0 || fx >= t->width || fy >= t->height)
                continue;
            double d2 = pow(fx - p->x, 2) + pow(fy - p->y, 2);
            electrons[(size_t)fy * (size_t)t->width + (size_t)fx] +=
                (float)(peak * exp(-d2 / (2 * sigma * sigma)));
        }
}

/* ---- */

static struct spot spot_of(const pl_shot *t, const pl_scene_star *star)
{
    struct spot p = { .x = star->x_px, .y = star->y_px };
    double mm = t->pixel_um / 1000, x_mm = (p.x - (t->width - 1) / 2.0) * mm;
    double y_mm = (p.y - (t->height - 1) / 2.0) * mm, dew = t->scene->dew;
    double all = t->zero_e * pow(10, -0.4 * star->mag) * pl_shot_transparency(t, p.x, p.y);
    for (int c = 0; c < PL_COLOURS; c++) /* a positive colour: fainter in blue than in red */
        p.electrons[c] = all * (1 - dew) * pow(10, 0.2 * star->colour_mag * (PL_GREEN - c));
    p.halo = all * dew;
    pl_misalign_wave(&t->misalign, x_mm, y_mm, p.zernike_um);
    p.defocus_um = p.zernike_um[4] * 2 * sqrt(3) * 8 * t->f_ratio * t->f_ratio;
    p.size = size_for(t, &p, path_of(t, &p));
    if (p.size == SIZES)
        return p;
    p.x0 = (int)lround(p.x) - sizes[p.size] / 2;
    p.y0 = (int)lround(p.y) - sizes[p.size] / 2;
    if (p.x0 >= t->width || p.y0 >= t->height || p.x0 + sizes[p.size] <= 0 ||
        p.y0 + sizes[p.size] <= 0)
        p.size = OUTSIDE;
    return p;
}

static pl_sim_star told(const pl_shot *t, const struct spot *p, const pl_scene_star *star)
{
    pl_sim_star s = { .x_px = p->x,
                      .y_px = p->y,
                      .mag = star->mag,
                      .colour_mag = star->colour_mag,
                      .flux_adu = (p->electrons[PL_GREEN] + p->halo) / t->gain_e_adu,
                      .peak_adu = p->peak / t->gain_e_adu,
                      .defocus_um = p->defocus_um };
    s.saturated = s.peak_adu + t->scene->level_adu + t->scene->bias_adu >= t->saturation_adu;
    for (int j = 0; j <= PL_NOLL_MAX; j++)
        s.zernike_nm[j] = 1000 * p->zernike_um[j];
    return s;
}

/* Air of its own for each star: the same screen, far from where the others look. */
static double air_start(const pl_shot *t, size_t star)
{
    double lap = 256 * t->aperture_mm / fmax(1, t->scene->wind_m_s * 1000),
           part = 0.6180339887 * (double)star;
    return t->scene->shared ? 0 : lap * (part - floor(part));
}

static pl_status make_screen(const pl_shot *t, pl_screen **screen, pl_err *err)
{
    pl_dice dice;
    gsl_rng *rng = pl_dice_throw(&dice, (uint64_t)t->scene->seed, PL_DICE_AIR, t->frame);
    pl_screen_spec spec = { fried_mm(t),        t->lambda_um[PL_GREEN],
                            t->aperture_mm,     t->scene->wind_m_s * 1000,
                            t->scene->wind_deg, gsl_rng_get(rng) };
    struct spot still = { 0 };
    if (moments_of(t, &still) > MOST_MOMENTS)
        return pl_fail(err, PL_EARG,
                       "moving turbulence over %g s would take %.0f moments, %d at most; "
                       "in so long an exposure it averages out: turbulence = averaged",
                       t->exposure_s, moments_of(t, &still), MOST_MOMENTS);
    return pl_screen_new(&spec, screen, err);
}

static pl_status render(const pl_shot *t, const pl_scene_star *list, size_t n, int jobs,
                        struct spot *spot, float *electrons, pl_err *err)
{
    pl_status st = PL_OK;
    pl_screen *screen = NULL;
    struct work w = { .shot = t };
    if (moving(t))
        st = make_screen(t, &screen, err);
    w.screen = screen;
    for (size_t i = 0; i < n && st == PL_OK; i++) {
        spot[i] = spot_of(t, &list[i]);
        spot[i].air_s = air_start(t, i);
        if (spot[i].size == SIZES)
            st = too_wide(&spot[i], err);
        else if (path_of(t, &spot[i]) > MOST_PATH)
            st = pl_fail(err, PL_EARG, "the star at x %.0f, y %.0f moves by %.0f px; %d at most",
                         spot[i].x + 1, spot[i].y + 1, path_of(t, &spot[i]), MOST_PATH);
    }
    for (w.size = 0; w.size < (int)SIZES && st == PL_OK; w.size++)
        st = run_size(&w, spot, n, jobs, electrons, err);
    for (size_t i = 0; i < n && st == PL_OK && t->scene->dew > 0; i++)
        add_halo(t, &spot[i], electrons);
    pl_screen_free(screen);
    return st;
}

pl_status pl_render_stars(const pl_shot *shot, double dx_px, double dy_px, int jobs,
                          float *electrons, pl_sim_star **star, size_t *stars, pl_err *err)
{
    pl_scene_star *list = NULL;
    size_t n = 0;
    pl_status st =
        pl_starlist_make(shot->scene, shot->width, shot->height, dx_px, dy_px, &list, &n, err);
    if (st != PL_OK)
        return st;
    struct spot *spot = calloc(n ? n : 1, sizeof *spot);
    pl_sim_star *out = calloc(n ? n : 1, sizeof *out);
    if (!spot || !out)
        st = pl_fail(err, PL_ENOMEM, "out of memory for %zu stars", n);
    else
        st = render(shot, list, n, jobs, spot, electrons, err);
    if (st == PL_OK) {
        for (size_t i = 0; i < n; i++)
            out[i] = told(shot, &spot[i], &list[i]);
        *star = out;
        *stars = n;
        out = NULL;
    }
    free(out);
    free(spot);
    free(list);
    return st;
}
