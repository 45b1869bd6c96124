/* SPDX-License-Identifier: GPL-3.0-or-later */
/* expect.c - what a series foretells: the curve through focus in typical air, the stars at its
 * bottom, and how much defocus they allow. */
#include "sweep.h"

#include <math.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_interp.h>

/* Width typical of the field, px, at a defocus of the middle: median over a grid of places, as one
 * frame's fit would read it. */
static double over_field(const pl_sweep_work *w, const double *x, size_t frame, double defocus)
{
    enum { SIDE = 9, PLACES = SIDE * SIDE };
    double ln[PLACES], air = exp(x[PL_SW_TYPICAL]);
    for (int j = 0; j < SIDE; j++)
        for (int i = 0; i < SIDE; i++)
            ln[j * SIDE + i] =
                pl_sweep_ln_fwhm(w, x, frame, defocus, air, ((i + 0.5) / SIDE - 0.5) * w->width_mm,
                                 ((j + 0.5) / SIDE - 0.5) * w->height_mm);
    return exp(pl_median(ln, PLACES)) / w->pixel_um;
}

/* The expected curve: the reading of the frame nearest to focus, times what the others read
 * differently, smoothly between them. */
struct curve {
    size_t reference, n;
    double at[PL_SWEEP_FRAMES], more[PL_SWEEP_FRAMES]; /* defocus, rising; ln */
};

static struct curve curve_of(const pl_sweep_work *w, const double *x)
{
    const pl_sweep_frame *f = w->s.frame;
    struct curve c = { .reference = w->cell[0].frame };
    size_t order[PL_SWEEP_FRAMES], n = 0;
    for (size_t i = 0; i < w->frames; i++) {
        size_t k = n;
        if (!f[i].used)
            continue;
        for (; k > 0 && f[order[k - 1]].defocus_um > f[i].defocus_um; k--)
            order[k] = order[k - 1];
        order[k] = i;
        n++;
        if (fabs(f[i].defocus_um) < fabs(f[c.reference].defocus_um))
            c.reference = i;
    }
    for (size_t k = 0; k < n; k++) {
        double z = f[order[k]].defocus_um;
        if (c.n > 0 && z < c.at[c.n - 1] + 1) /* the same place once more */
            continue;
        c.at[c.n] = z;
        c.more[c.n++] = log(over_field(w, x, order[k], z) / over_field(w, x, c.reference, z));
    }
    return c;
}

static double expected(const pl_sweep_work *w, const double *x, const struct curve *c,
                       double defocus)
{
    double within = fmax(c->at[0], fmin(c->at[c->n - 1], defocus)), more = c->more[0];
    double slope = 0; /* straight on beyond the ends */
    gsl_interp *smooth = c->n >= 3 ? gsl_interp_alloc(gsl_interp_cspline, c->n) : NULL;
    int bad = smooth ? gsl_interp_init(smooth, c->at, c->more, c->n) : GSL_ENOMEM;
    if (c->n >= 3 && bad == GSL_ENOMEM)
        pl_memory_short();
    if (bad == 0) {
        gsl_interp_eval_e(smooth, c->at, c->more, within, NULL, &more);
        gsl_interp_eval_deriv_e(smooth, c->at, c->more, within, NULL, &slope);
    }
    gsl_interp_free(smooth);
    return over_field(w, x, c->reference, defocus) * exp(more + slope * (defocus - within));
}

static pl_status allowed(pl_sweep_work *w, double air_um, pl_err *err)
{
    pl_facts *f = &w->s.facts;
    if (f->fwhm_growth.from == PL_FROM_NOWHERE) {
        f->fwhm_growth = (pl_num){ PL_DEFAULT_GROWTH, PL_FROM_DEFAULT };
        pl_note(&w->s.notes, "fwhm_growth %g by default (--fwhm-growth)", PL_DEFAULT_GROWTH);
    }
    pl_optic o = w->optic;
    o.seeing_arcsec = air_um / (1000 * w->focal_mm) / PL_ARCSEC_RAD;
    w->s.seeing_arcsec = o.seeing_arcsec;
    double hfd_um = NAN;
    pl_status rc = pl_star_depth(&o, f->fwhm_growth.v, &w->s.zone_um, err);
    if (rc == PL_OK)
        rc = pl_star_size(&o, 0, NULL, &hfd_um, err);
    w->s.best_hfd_px = hfd_um / w->pixel_um;
    return rc;
}

pl_status pl_sweep_expect(pl_sweep_work *w, const double *x, pl_err *err)
{
    pl_sweep *s = &w->s;
    double lo = 0, hi = 0;
    for (size_t i = 0; i < w->frames; i++) {
        lo = fmin(lo, s->frame[i].defocus_um);
        hi = fmax(hi, s->frame[i].defocus_um);
    }
    double margin = 0.08 * (hi - lo);
    struct curve curve = curve_of(w, x);
    for (int i = 0; i < PL_SWEEP_CURVE; i++) {
        double z = lo - margin + (hi - lo + 2 * margin) * i / (PL_SWEEP_CURVE - 1);
        s->curve_um[i] = z / w->carried;
        s->curve_fwhm_px[i] = expected(w, x, &curve, z);
    }
    s->best_fwhm_px = expected(w, x, &curve, 0);
    s->best_fwhm_arcsec = s->best_fwhm_px * w->pixel_um / (1000 * w->focal_mm) / PL_ARCSEC_RAD;
    return allowed(w, exp(x[PL_SW_TYPICAL]), err);
}
