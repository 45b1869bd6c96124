/* SPDX-License-Identifier: GPL-3.0-or-later */
/* colour.c - where red and blue come to focus, against green.
 *
 * Air, surface and defocus are those that green has told; one colour's widths then tell how far its
 * own focus is shifted and how much wider or finer its images are. The optics' answer is green's:
 * the wavelength changes widths alike on both sides of focus, which that factor takes up. */
#include "sweep.h"

#include <math.h>
#include <stdlib.h>

enum { FEWEST_CELLS = 20 };

/* What green's answer is off by for another colour, as tests/reference/sweep.py shows: 0.2 of 6 um.
 */
static const double MODEL_UM = 0.1, MODEL_PART = 0.03;

struct colour {
    const pl_sweep_work *w;
    const double *x; /* as fitted in green */
    const pl_sweep_cell *cell;
    size_t cells;
};

static bool residuals(const double *shift, void *ctx, double *rest)
{
    const struct colour *c = ctx;
    for (size_t i = 0; i < c->cells; i++) {
        const pl_sweep_cell *cell = &c->cell[i];
        double defocus = c->w->s.frame[cell->frame].defocus_um - 10 * shift[0];
        double air = exp(c->x[PL_SW_SHARED + cell->frame] + 0.1 * shift[1]);
        rest[i] = (cell->ln_fwhm - pl_sweep_ln_fwhm(c->w, c->x, cell->frame, defocus, air,
                                                    cell->x_mm, cell->y_mm)) /
                  cell->sigma;
    }
    return true;
}

/* The shift of a colour whose widths stand at that offset in pl_star; NaN when it cannot be told.
 */
static void shift_of(const pl_sweep_work *w, const double *x, size_t value, size_t sigma,
                     pl_sweep_cell *cell, double *um, double *um_sigma)
{
    struct colour c = { .w = w, .x = x, .cell = cell };
    *um = *um_sigma = NAN;
    for (size_t i = 0; i < w->frames; i++)
        if (w->s.frame[i].used)
            c.cells += pl_sweep_cut(&w->field[i], i, value, sigma, NULL, cell + c.cells);
    double shift[2] = { 0, 0 }, cov[4];
    pl_nlsq problem = { residuals, NULL, &c, c.cells, 0, 2, true };
    if (c.cells < FEWEST_CELLS || pl_nlsq_fit(&problem, shift, cov, NULL, NULL, NULL) != PL_OK)
        return;
    *um = 10 * shift[0];
    *um_sigma = hypot(10 * sqrt(cov[0]), hypot(MODEL_UM, MODEL_PART * *um));
}

void pl_sweep_colours(pl_sweep_work *w, const double *x)
{
    pl_sweep *s = &w->s;
    s->red_um = s->red_sigma_um = s->blue_um = s->blue_sigma_um = NAN;
    pl_sweep_cell *cell = malloc(sizeof *cell * w->frames * PL_SWEEP_CELLS);
    if (s->mosaic[0] && cell) {
        shift_of(w, x, offsetof(pl_star, red_fwhm_px), offsetof(pl_star, red_fwhm_sigma_px), cell,
                 &s->red_um, &s->red_sigma_um);
        shift_of(w, x, offsetof(pl_star, blue_fwhm_px), offsetof(pl_star, blue_fwhm_sigma_px), cell,
                 &s->blue_um, &s->blue_sigma_um);
    }
    if (!cell)
        pl_memory_short();
    free(cell);
}
