/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fieldcoma.c - coma that a star has by its place in the field, apart from the axis: seen in many
 * stars it is taken off, of one star without a known corrector it can only be feared. */
#include "work.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Equations of a least-squares fit: coma = that of the middle + growth times the place. */
typedef struct {
    double *rows, *rhs; /* [n][3], [n]: two for each star, divided by sigma */
    size_t n;
    double far_mm;
} equations;

void pl_donut_place(const pl_donut_work *w, const pl_wavefit *fit, double *x_mm, double *y_mm)
{
    double cx, cy;
    pl_sensor_centre(&w->d.facts, w->d.width_px, w->d.height_px, &cx, &cy);
    *x_mm = (fit->p[PL_WF_X] - cx) * w->pixel_um / 1000;
    *y_mm = (fit->p[PL_WF_Y] - cy) * w->pixel_um / 1000;
}

/* What a paraboloid without a corrector has: um of Noll 7, 8 for each mm at the sensor. W131 =
 * theta D / (32 N^2) by the mirror's own ratio, theta = r / focal length. */
static double bare_coma(const pl_donut_work *w)
{
    double mirror = w->d.facts.mirror_focal_mm.v / w->optic.aperture_mm;
    return 1000 * w->optic.aperture_mm / (32 * mirror * mirror) / w->focal_mm / PL_W131_PER_A8;
}

static void add_star(const pl_donut_work *w, const pl_wavefit *fit, equations *e)
{
    double place[2];
    pl_donut_place(w, fit, &place[0], &place[1]);
    e->far_mm = fmax(e->far_mm, hypot(place[0], place[1]));
    for (int c = 0; c < 2; c++) { /* Noll 8 along x, 7 along y */
        int p = pl_wavefit_of(8 - c);
        double sigma = sqrt(fit->cov[p][p] * fmax(1, fit->chi2));
        e->rows[3 * e->n + (size_t)c] = 1 / sigma;
        e->rows[3 * e->n + 2] = place[c] / sigma;
        e->rhs[e->n++] = fit->p[p] / sigma;
    }
}

static bool has_corrector(const pl_donut_work *w)
{
    const char *told = w->d.facts.corrected.s;
    double m = w->focal_mm / w->d.facts.mirror_focal_mm.v;
    return told[0] ? strcmp(told, "yes") == 0 : fabs(m - 1) > 0.02;
}

/* The growth when it stands out; else, when it could not have been seen, what is to be feared. */
static void settle(pl_donut_work *w, const equations *e)
{
    double coef[3], cov[9], bare = bare_coma(w);
    bool fitted = e->n >= 6 && pl_lsq_fit(e->rows, e->rhs, e->n, 3, coef, cov, NULL, NULL) == PL_OK;
    double sigma = fitted ? sqrt(cov[8]) : INFINITY;
    if (fitted && fabs(coef[2]) > 4 * sigma) {
        w->field_coma = coef[2];
        pl_note(
            &w->d.notes,
            "coma grows outward, %.0f %% of what a mirror without corrector has: taken off, and "
            "told for the middle",
            100 * w->field_coma / bare);
    } else if (strcmp(w->d.facts.corrected.s, "no") == 0) {
        w->field_coma = bare;
        pl_note(&w->d.notes, "no corrector: the coma of the star's place was taken off");
    } else if (4 * sigma > bare && !has_corrector(w))
        w->d.place_coma_nm = 1000 * bare * e->far_mm;
}

pl_status pl_donut_field_coma(pl_donut_work *w, pl_err *err)
{
    size_t all = 1;
    for (size_t i = 0; i < w->d.frames; i++)
        all += 2 * w->shot[i].fits;
    equations e = { .rows = calloc(3 * all, sizeof *e.rows), .rhs = calloc(all, sizeof *e.rhs) };
    pl_status rc = e.rows && e.rhs ? PL_OK : pl_fail(err, PL_ENOMEM, "out of memory for donuts");
    for (size_t i = 0; i < w->d.frames && rc == PL_OK; i++)
        for (size_t k = 0; k < w->shot[i].fits; k++)
            if (w->shot[i].fit[k].done)
                add_star(w, &w->shot[i].fit[k].wave, &e);
    if (rc == PL_OK)
        settle(w, &e);
    free(e.rows);
    free(e.rhs);
    return rc;
}
