/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sweep.c - a series through focus, from measured frames to the answer. */
#include "sweep.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { ENOUGH_STARS = 8 };

/* Expected scatter of ln scale: of a step nobody told, and of one that was. */
static const double SCALE_OPEN = 4, SCALE_TOLD = 0.5;
/* What a width as the optics foretell it may be off by: half of what test_sizing.c allows. With
 * MODEL_LN as a wave two e-folds long its slope is off by PL_SWEEP_MODEL. */
static const double MODEL_LN = 0.0025;
/* A scale so far off, and so many sigma, is believed against what was told. */
static const double SCALE_WRONG = 0.08, SCALE_SURE = 3;

/* Widths in cells of every frame with stars enough; with w->light of one brightness. */
static void cut_cells(pl_sweep_work *w)
{
    w->cells = w->s.used = 0;
    for (size_t i = 0; i < w->frames; i++) {
        const pl_field *f = &w->field[i];
        size_t n =
            f->used < ENOUGH_STARS
                ? 0
                : pl_sweep_cut(f, i, offsetof(pl_star, fwhm_px), offsetof(pl_star, fwhm_sigma_px),
                               w->light ? &w->light[i] : NULL, w->cell + w->cells);
        w->cells += n;
        w->s.frame[i].used = n > 0;
        w->s.used += n > 0;
    }
}

static pl_status enough_cells(pl_sweep_work *w, pl_err *err)
{
    cut_cells(w);
    if (w->s.used < 3)
        return pl_fail(err, PL_ENODATA,
                       "%zu of %zu frames have %d stars or more; three such frames are needed",
                       w->s.used, w->frames, ENOUGH_STARS);
    return PL_OK;
}

static pl_status first_cells(pl_sweep_work *w, pl_err *err)
{
    w->cell = malloc(sizeof *w->cell * w->frames * PL_SWEEP_CELLS);
    if (!w->cell)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    return enough_cells(w, err);
}

pl_reading pl_sweep_reading(const pl_sweep_work *w, size_t frame)
{
    const pl_field *f = &w->field[frame];
    return (pl_reading){ .beta = f->beta,
                         .radius_um = fmax(6, 2.75 * f->fwhm_px + 2) * w->pixel_um,
                         .bright = w->light[frame].typical };
}

static void read_frame(void *ctx, size_t i, int worker)
{
    (void)worker;
    pl_sweep_work *w = ctx;
    w->light[i] = pl_sweep_light_of(&w->field[i]);
    pl_reading how = pl_sweep_reading(w, i);
    pl_sizing_read(w->sizing, &how, 1, &w->sizes[i]);
    pl_sizing_brights(w->sizing, &how, w->sharpest_um, 1, &w->light[i].table);
}

/* The optics' answers over the range these frames need, as each frame's own fit reads them. */
static pl_status tables(pl_sweep_work *w, pl_err *err)
{
    double least = INFINITY, most = 0;
    for (size_t i = 0; i < w->cells; i++) {
        least = fmin(least, exp(w->cell[i].ln_fwhm));
        most = fmax(most, exp(w->cell[i].ln_fwhm));
    }
    pl_sizing_range range = { .air_lo_um = 0.5 * least,
                              .air_hi_um = 2.5 * least,
                              .defocus_um = 1.6 * w->optic.f_ratio * most + 30,
                              .radius_um = 2.75 * most + 2 * w->pixel_um,
                              .stretch = true };
    pl_status rc = pl_sizing_new(&w->optic, w->pixel_um, &range, w->jobs, &w->sizing, err);
    w->sizes = malloc(sizeof *w->sizes * w->frames);
    w->light = malloc(sizeof *w->light * w->frames);
    w->sharpest_um = least;
    if (rc == PL_OK && (!w->sizes || !w->light))
        rc = pl_fail(err, PL_ENOMEM, "out of memory");
    if (rc == PL_OK) {
        pl_pool_run(w->jobs, w->frames, read_frame, w);
        rc = enough_cells(w, err);
    }
    return rc;
}

/* Whether it moved both ways, twice or more each. */
static bool both_ways(const pl_sweep_work *w)
{
    size_t up = 0, down = 0;
    for (size_t i = 1; w->at_um && i < w->frames; i++) {
        up += w->at_um[i] > w->at_um[i - 1];
        down += w->at_um[i] < w->at_um[i - 1];
    }
    return up >= 2 && down >= 2;
}

/* The blur's scale, as a fit with it free has it. Gives: whether what was told is plainly wrong. */
static bool tell_scale(pl_sweep_work *w, const pl_sweep_model *m, const double *x,
                       const double *cov)
{
    size_t all = pl_sweep_unknowns(m), k = PL_SW_SCALE;
    w->s.blur_scale = exp(x[k]);
    w->s.blur_scale_sigma = w->s.blur_scale * hypot(sqrt(cov[k * all + k]), PL_SWEEP_MODEL);
    double off = fabs(w->s.blur_scale - 1);
    return off > SCALE_WRONG && off > SCALE_SURE * w->s.blur_scale_sigma;
}

static void note_scale(pl_sweep_work *w)
{
    pl_note(&w->s.notes,
            "the blur grows %.2f times as fast as the profile says and is believed: step_um %.3g "
            "(then it is %.3g), or focal_mm over aperture_mm, is wrong",
            w->s.blur_scale, w->step_um, w->step_um * w->s.blur_scale);
}

static void trust_all_air(const pl_sweep_work *w, pl_sweep_model *m)
{
    for (size_t i = 0; i < w->frames; i++)
        m->air_loose[i] = 1;
}

/* The fit anew with the scale free, from the start: where it was held at a wrong one each frame's
 * air made up for it. Is the profile right? Where it plainly is not, the frames' own scale is
 * taken. */
static pl_status check_scale(pl_sweep_work *w, pl_sweep_model *m, double **x, double **cov,
                             pl_err *err)
{
    double *free_x = NULL, *free_cov = NULL, *loose = malloc(sizeof *loose * w->frames);
    if (!loose)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    pl_sweep_model held = *m;
    memcpy(loose, m->air_loose, sizeof *loose * w->frames);
    m->scale = true;
    trust_all_air(w, m);
    bool found = pl_sweep_search(w, m, &free_x, &free_cov, NULL) == PL_OK;
    if (found && tell_scale(w, m, free_x, free_cov)) {
        free(*x);
        free(*cov);
        *x = free_x;
        *cov = free_cov;
        note_scale(w);
    } else {
        *m = held;
        memcpy(m->air_loose, loose, sizeof *loose * w->frames);
        free(free_x);
        free(free_cov);
    }
    free(loose);
    return PL_OK;
}

static pl_status solve(pl_sweep_work *w, pl_sweep_model *m, double **x, double **cov, pl_err *err)
{
    bool told = w->s.positions && isfinite(w->step_um);
    m->blind = !w->s.positions;
    m->scale = w->s.positions && !told;
    m->scale_sigma = told ? SCALE_TOLD : SCALE_OPEN;
    m->lash = both_ways(w);
    double least = INFINITY;
    for (size_t i = 0; i < w->cells; i++)
        least = fmin(least, w->cell[i].ln_fwhm);
    m->rest_sigma_um2 = 0.1 * exp(2 * least);
    pl_err wrong = { PL_OK, "" };
    pl_status rc = pl_sweep_search(w, m, x, cov, told ? &wrong : err);
    if (rc == PL_OK)
        return told ? check_scale(w, m, x, cov, err) : PL_OK;
    if (!told)
        return rc;
    m->scale = true; /* what was told may be too wrong for any fit */
    m->scale_sigma = SCALE_OPEN;
    trust_all_air(w, m);
    rc = pl_sweep_search(w, m, x, cov, err);
    if (rc == PL_OK && tell_scale(w, m, *x, *cov))
        note_scale(w);
    return rc;
}

/* What the answer moves by when the optics' answer is off by MODEL_LN, with the width as a wave of
 * any phase, is added to its errors: cells alike are off alike, so no scatter shows it. */
static pl_status doubt_model(pl_sweep_work *w, const pl_sweep_model *m, const double *x,
                             double *cov, pl_err *err)
{
    size_t all = pl_sweep_unknowns(m);
    double *moved = malloc(sizeof *moved * (all + w->cells));
    if (!moved)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    double *was = moved + all;
    pl_status rc = PL_OK;
    for (int phase = 0; rc == PL_OK && phase < 2; phase++) {
        memcpy(moved, x, sizeof *x * all);
        for (size_t i = 0; i < w->cells; i++) {
            was[i] = w->cell[i].ln_fwhm;
            w->cell[i].ln_fwhm += MODEL_LN * sin(M_PI * (was[i] + phase / 2.0));
        }
        rc = pl_sweep_fit(m, moved, NULL, NULL, err);
        for (size_t i = 0; rc == PL_OK && i < all * all; i++)
            cov[i] += (moved[i / all] - x[i / all]) * (moved[i % all] - x[i % all]);
        for (size_t i = 0; i < w->cells; i++)
            w->cell[i].ln_fwhm = was[i];
    }
    free(moved);
    return rc;
}

static pl_status run(pl_sweep_work *w, pl_err *err)
{
    pl_sweep_model m = { .w = w };
    double *x = NULL, *cov = NULL;
    pl_status rc = pl_sweep_set_up(w, err);
    if (rc == PL_OK)
        rc = first_cells(w, err);
    if (rc == PL_OK)
        rc = tables(w, err);
    m.air_loose = malloc(sizeof *m.air_loose * w->frames);
    if (rc == PL_OK && !m.air_loose)
        rc = pl_fail(err, PL_ENOMEM, "out of memory");
    for (size_t i = 0; m.air_loose && i < w->frames; i++)
        m.air_loose[i] = 1;
    if (rc == PL_OK)
        rc = solve(w, &m, &x, &cov, err);
    if (rc == PL_OK)
        rc = doubt_model(w, &m, x, cov, err);
    if (rc == PL_OK) {
        pl_sweep_answer(w, &m, x, cov);
        rc = pl_sweep_expect(w, x, err);
    }
    if (rc == PL_OK) {
        pl_sweep_colours(w, x);
        pl_sweep_astigmatism(w, x);
        pl_sweep_judge(&w->s);
    }
    free(m.air_loose);
    free(x);
    free(cov);
    return rc;
}

pl_status pl_sweep_solve(const pl_field *field, size_t frames, const pl_sweep_options *options,
                         int jobs, pl_sweep *out, pl_err *err)
{
    pl_sweep_options plain = pl_sweep_defaults();
    pl_sweep_work w = {
        .field = field, .frames = frames, .options = options ? options : &plain, .jobs = jobs
    };
    if (frames == 0)
        return pl_fail(err, PL_EARG, "no frames");
    w.s.frame = calloc(frames, sizeof *w.s.frame);
    if (!w.s.frame)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    w.s.frames = frames;
    w.s.blur_scale = w.s.blur_scale_sigma = NAN;
    pl_status rc = run(&w, err);
    pl_sizing_free(w.sizing);
    free(w.sizes);
    free(w.light);
    free(w.cell);
    free(w.at_um);
    if (rc == PL_OK)
        *out = w.s;
    else
        pl_sweep_clear(&w.s);
    return rc;
}

void pl_sweep_clear(pl_sweep *sweep)
{
    if (!sweep)
        return;
    free(sweep->frame);
    pl_notes_clear(&sweep->notes);
    *sweep = (pl_sweep){ 0 };
}
