/* SPDX-License-Identifier: GPL-3.0-or-later */
/* psf.c - the object that computes star images: its pupils, its arrays and plans. */
#include "psf.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Rows of an array that is transformed in columns: an odd number of 64-byte lines. */
static int padded(int n)
{
    int lines = (n + 3) / 4;
    return 4 * (lines + (lines % 2 == 0));
}

/* Cells of one pupil within the rim and its soft edge, row by row. Without room to
 * write to it only counts them. */
static size_t list_cells(struct pl_view *v, double *x, double *y)
{
    size_t n = 0;
    int reach = v->rows / 2;
    double radius = 1 / v->side + PL_EDGE;
    for (int j = -reach; j <= reach; j++) {
        int chord = j * j <= radius * radius ? (int)sqrt(radius * radius - j * j) : -1;
        v->run[j + reach] =
            (struct pl_run){ v->first + n, reach - chord, 2 * chord + 1, j * v->side };
        for (int i = -chord; i <= chord; i++, n++)
            if (x) {
                x[v->first + n] = i * v->side;
                y[v->first + n] = j * v->side;
            }
    }
    return n;
}

static bool make_views(pl_psf *p)
{
    const pl_psf_grid *g = &p->grid;
    double all = 0, extent = p->sampling.n * g->pixel_um / p->sampling.oversample;
    for (int i = 0; i < g->lights; i++)
        all += g->light[i].weight;
    for (int i = 0; i < g->lights; i++) {
        struct pl_view *v = &p->view[i];
        v->lambda_um = g->light[i].lambda_um;
        v->weight = g->light[i].weight / all;
        v->side = 2 * v->lambda_um * g->f_ratio / extent;
        v->rows = 2 * (int)(1 / v->side + PL_EDGE) + 1;
        v->first = p->cells;
        int blocks = (v->rows + PL_PSF_BLOCK - 1) / PL_PSF_BLOCK * PL_PSF_BLOCK;
        p->columns = blocks > p->columns ? blocks : p->columns;
        v->run = malloc((size_t)v->rows * sizeof *v->run);
        if (!v->run)
            return false;
        v->cells = list_cells(v, NULL, NULL);
        v->edge = malloc(pl_aperture_edges(v->cells, (size_t)v->rows) * sizeof *v->edge);
        if (!v->edge)
            return false;
        p->cells += v->cells;
    }
    return true;
}

static bool make_cells(pl_psf *p)
{
    size_t most = 1;
    for (int i = 0; i < p->grid.lights; i++)
        most = p->view[i].cells > most ? p->view[i].cells : most;
    p->x = malloc(p->cells * sizeof *p->x);
    p->y = malloc(p->cells * sizeof *p->y);
    p->open = malloc(p->cells * sizeof *p->open);
    p->gain = malloc(most * sizeof *p->gain);
    p->turn = malloc(most * sizeof *p->turn);
    p->lit = malloc(most * sizeof *p->lit);
    if (!p->x || !p->y || !p->open || !p->gain || !p->turn || !p->lit)
        return false;
    for (int i = 0; i < p->grid.lights; i++)
        list_cells(&p->view[i], p->x, p->y);
    return true;
}

/* What does not change with the blur: it is made anew at every step of a fit. */
static void fill_frequencies(pl_psf *p)
{
    size_t half = (size_t)p->half;
    for (size_t i = 0; i < half; i++)
        p->box[i] = pl_psf_box((double)i / p->sampling.m);
    for (size_t j = 0; j < half; j++)
        for (size_t i = 0; i < half; i++)
            p->turbulence[j * half + i] = pow((double)(i * i + j * j), 5.0 / 6);
}

static void *zeros(size_t bytes)
{
    void *room = fftw_malloc(bytes);
    return room ? memset(room, 0, bytes) : NULL;
}

static bool make_arrays(pl_psf *p)
{
    size_t n = (size_t)p->sampling.n, m = (size_t)p->sampling.m, half = (size_t)p->half;
    p->pitch = padded(p->sampling.n);
    p->pitch_way = padded(p->columns);
    p->pitch_half = padded(p->half + PL_PSF_BLOCK - 1);
    p->pitch_small = padded(p->sampling.m);
    p->field = fftw_malloc(n * (size_t)p->pitch * sizeof *p->field);
    p->half_way = zeros(n * (size_t)p->pitch_way * sizeof *p->half_way);
    p->row_way = zeros(((size_t)p->columns + n) * sizeof *p->row_way);
    p->turned = zeros(n * sizeof *p->turned);
    p->intensity = zeros(n * sizeof *p->intensity);
    p->spectrum = zeros(n * (size_t)p->pitch_half * sizeof *p->spectrum);
    p->small = zeros(m * (size_t)p->pitch_small * sizeof *p->small);
    p->across = malloc(m * sizeof *p->across);
    p->down = malloc(n * sizeof *p->down);
    p->weight = malloc(half * sizeof *p->weight);
    p->box = malloc(half * sizeof *p->box);
    p->turbulence = malloc(half * half * sizeof *p->turbulence);
    for (int i = 0; i < p->grid.lights; i++) {
        p->view[i].transfer = malloc(n * half * sizeof(double));
        p->view[i].reach = malloc(n * sizeof(int));
        if (!p->view[i].transfer || !p->view[i].reach)
            return false;
    }
    if (!p->field || !p->half_way || !p->row_way || !p->turned || !p->intensity || !p->spectrum ||
        !p->small || !p->across || !p->down || !p->weight || !p->box || !p->turbulence)
        return false;
    fill_frequencies(p);
    return true;
}

/* FFTW_ESTIMATE: the same plan, and so the same bytes, every time. With padded rows FFTW_MEASURE is
 * no more than a third faster and takes half a second to find out (measured). */
static bool make_plans(pl_psf *p)
{
    const unsigned effort = FFTW_ESTIMATE;
    int n = p->sampling.n, side[2] = { p->sampling.m, p->sampling.m };
    int room[2] = { p->sampling.m, p->pitch_small };
    pl_plan_lock();
    p->column_block = fftw_plan_many_dft(1, &n, PL_PSF_BLOCK, p->half_way, NULL, p->pitch_way, 1,
                                         p->half_way, NULL, p->pitch_way, 1, FFTW_BACKWARD, effort);
    p->row = fftw_plan_dft_1d(n, p->row_way, p->turned, FFTW_BACKWARD, effort);
    p->spectrum_row = fftw_plan_dft_r2c_1d(n, p->intensity, p->spectrum, effort);
    p->spectrum_block =
        fftw_plan_many_dft(1, &n, PL_PSF_BLOCK, p->spectrum, NULL, p->pitch_half, 1, p->spectrum,
                           NULL, p->pitch_half, 1, FFTW_FORWARD, effort);
    p->to_image = fftw_plan_many_dft(2, side, 1, p->small, room, 1, 0, p->small, room, 1, 0,
                                     FFTW_BACKWARD, effort);
    pl_plan_unlock();
    return p->column_block && p->row && p->spectrum_row && p->spectrum_block && p->to_image;
}

pl_status pl_psf_new(const pl_psf_grid *grid, pl_psf **out, pl_err *err)
{
    pl_psf_sampling sampling;
    pl_status st = pl_psf_sample(grid, &sampling, err);
    if (st != PL_OK)
        return st;
    pl_psf *p = calloc(1, sizeof *p);
    if (!p)
        return pl_fail(err, PL_ENOMEM, "out of memory for a star image");
    p->grid = *grid;
    p->sampling = sampling;
    p->half = sampling.n / 2 + 1;
    if (!make_views(p) || !make_cells(p) || !make_arrays(p) || !make_plans(p)) {
        pl_psf_free(p);
        return pl_fail(err, PL_ENOMEM, "out of memory for a star image of %d px", grid->size);
    }
    p->blur.seeing_um = NAN; /* none is set */
    pl_psf_set_blur(p, &(pl_blur){ 0 });
    p->aperture.obstruction = NAN; /* none is set */
    pl_psf_set_aperture(p, &(pl_aperture){ 0 });
    *out = p;
    return PL_OK;
}

static void drop(fftw_plan plan)
{
    if (plan)
        fftw_destroy_plan(plan);
}

void pl_psf_free(pl_psf *p)
{
    if (!p)
        return;
    pl_plan_lock();
    drop(p->column_block);
    drop(p->row);
    drop(p->spectrum_row);
    drop(p->spectrum_block);
    drop(p->to_image);
    pl_plan_unlock();
    for (int i = 0; i < PL_LIGHTS_MAX; i++) {
        free(p->view[i].run);
        free(p->view[i].edge);
        free(p->view[i].transfer);
        free(p->view[i].reach);
    }
    fftw_free(p->field);
    fftw_free(p->half_way);
    fftw_free(p->row_way);
    fftw_free(p->turned);
    fftw_free(p->intensity);
    fftw_free(p->spectrum);
    fftw_free(p->small);
    free(p->across);
    free(p->down);
    free(p->weight);
    free(p->box);
    free(p->turbulence);
    free(p->x);
    free(p->y);
    free(p->open);
    free(p->gain);
    free(p->turn);
    free(p->lit);
    free(p);
}

static bool same_aperture(const pl_aperture *a, const pl_aperture *b)
{
    return a->obstruction == b->obstruction && a->shadow_x == b->shadow_x &&
           a->shadow_y == b->shadow_y && a->vanes == b->vanes && a->vane_width == b->vane_width &&
           a->vane_deg == b->vane_deg;
}

/* A gradient is mostly asked for where the image was. */
void pl_psf_set_aperture(pl_psf *p, const pl_aperture *a)
{
    if (same_aperture(a, &p->aperture))
        return;
    p->aperture = *a;
    p->kept = false;
    for (int i = 0; i < p->grid.lights; i++) {
        struct pl_view *v = &p->view[i];
        v->light = pl_aperture_fill(a, p->x + v->first, p->y + v->first, v->cells, v->side,
                                    p->open + v->first, v->edge, &v->edges);
        memset(v->by, 0, sizeof v->by);
        for (size_t c = 0; c < v->edges; c++)
            for (int k = 0; k < PL_BY_PUPIL; k++)
                v->by[k] += v->edge[c].by[k];
    }
}

size_t pl_psf_cells(const pl_psf *p, const double **x, const double **y)
{
    *x = p->x;
    *y = p->y;
    return p->cells;
}

void pl_psf_set_phase(pl_psf *p, const double *phase_um)
{
    p->phase_um = phase_um;
    p->kept = false;
}

size_t pl_psf_area(const pl_psf *p)
{
    return (size_t)p->grid.size * (size_t)p->grid.size;
}
