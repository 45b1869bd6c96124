/* SPDX-License-Identifier: GPL-3.0-or-later */
/* vet.c - tell stars from what is no star by comparing each with its field.
 * Light from a star cannot be narrower than the field's stars, and its size and stretch change
 * smoothly over the field: each is fitted as a quadratic of place, and what lies far off is named.
 * Near the noise a free shape means little; there the question is whether the field's own shape
 * explains the pixels as well. The limits are this program's choices, set by the tests of detection
 * in tests/reference. */
#include "star.h"

#include <math.h>
#include <stdlib.h>

enum { TERMS = 6, ENOUGH = 40, FEWEST = 5, SIZE = 0, ETA1, ETA2, TRENDS };

static const double BRIGHT_SNR = 30;    /* above it a free shape is to be trusted */
static const double LEAST_GAIN = 16;    /* chi square that a shape of its own must save */
static const double WORST_WIDTH = 0.25; /* relative error of FWHM beyond which there is no shape */

/* One property over the field: values, errors, residuals, the smooth part's coefficients. */
struct trend {
    double *value, *sigma, *rest, coef[TERMS], scatter;
};

struct field {
    const pl_site *site;
    const size_t *bump_of;
    pl_star *star;
    size_t n;
    struct trend trend[TRENDS];
};

static double smooth_part(const struct field *f, const struct trend *t, const pl_star *s,
                          double row[TERMS])
{
    double x = 2 * s->x_px / f->site->frame->width - 1,
           y = 2 * s->y_px / f->site->frame->height - 1;
    double b[TERMS] = { 1, x, y, x * x, x * y, y * y }, sum = 0;
    for (int i = 0; i < TERMS; i++) {
        row[i] = b[i];
        sum += t->coef[i] * b[i];
    }
    return sum;
}

/* Fit over what still counts as stars; few of them: the median alone. */
static bool fit_trend(struct field *f, struct trend *t, double *work)
{
    double *rows = work, *rhs = work + f->n * TERMS, b[TERMS];
    size_t m = 0;
    for (size_t i = 0; i < f->n; i++) {
        if (f->star[i].kind != PL_STAR)
            continue;
        double s = hypot(t->sigma[i], 0.02);
        smooth_part(f, t, &f->star[i], b);
        for (size_t j = 0; j < TERMS; j++)
            rows[m * TERMS + j] = b[j] / s;
        rhs[m++] = t->value[i] / s;
    }
    if (m < 3)
        return false;
    if (m < ENOUGH || pl_lsq_fit(rows, rhs, m, TERMS, t->coef, NULL, NULL, NULL) != PL_OK) {
        m = 0;
        for (size_t i = 0; i < f->n; i++)
            if (f->star[i].kind == PL_STAR)
                rhs[m++] = t->value[i];
        for (size_t j = 0; j < TERMS; j++)
            t->coef[j] = 0;
        t->coef[0] = pl_median(rhs, m);
    }
    m = 0;
    for (size_t i = 0; i < f->n; i++) {
        t->rest[i] = t->value[i] - smooth_part(f, t, &f->star[i], b);
        if (f->star[i].kind == PL_STAR)
            rhs[m++] = t->rest[i];
    }
    t->scatter = fmin(0.1, pl_mad_sigma(rhs, m, 0));
    return true;
}

/* By its own shape: residuals in ln FWHM and in stretch against errors and the field's scatter. */
static pl_kind by_shape(const struct field *f, size_t i)
{
    const pl_star *s = &f->star[i];
    const struct trend *size = &f->trend[SIZE], *e1 = &f->trend[ETA1], *e2 = &f->trend[ETA2];
    double ss = hypot(size->sigma[i], size->scatter);
    double se = hypot(e1->sigma[i], hypot(e1->scatter, e2->scatter) / M_SQRT2);
    double r = size->rest[i], eta = hypot(e1->rest[i], e2->rest[i]);
    if (s->fwhm_minor_px + 2 * s->fwhm_minor_sigma_px < 0.9)
        return PL_SHARP; /* narrower than one pixel whatever the field says */
    if (r < -fmax(4 * ss, 0.25))
        return PL_SHARP;
    if (!(s->fwhm_sigma_px < WORST_WIDTH * s->fwhm_px))
        return r < 0 ? PL_SHARP : PL_FAINT;
    if (s->misfit > 1.4 + 0.001 * s->snr * s->snr) /* 3 % of the peak may be unlike a Moffat */
        return PL_BLENDED;
    if (eta > fmax(5 * se, 0.12)) /* 0.12: axis ratio 1.27 beyond the field's */
        return r > fmax(4 * ss, 0.3) && eta < 0.35 ? PL_EXTENDED
               : eta > 0.35                        ? PL_TRAIL
                                                   : PL_BLENDED;
    return r > fmax(4 * ss, 0.25) ? PL_EXTENDED : PL_STAR;
}

/* A faint one again, with the field's shape: is that as good, and does it stand above the noise? */
static void second_look(void *ctx, size_t i, int worker)
{
    (void)worker;
    struct field *f = ctx;
    pl_star *s = &f->star[i];
    double snr, chi2, row[TERMS];
    int pixels;
    bool own = isfinite(s->fwhm_px), look = s->kind == PL_STAR || s->kind >= PL_SHARP;
    if (!look || !(s->snr < BRIGHT_SNR))
        return;
    double fwhm = exp(smooth_part(f, &f->trend[SIZE], s, row));
    if (!pl_measure_forced(f->site, f->bump_of[i], s, fwhm, smooth_part(f, &f->trend[ETA1], s, row),
                           smooth_part(f, &f->trend[ETA2], s, row), &snr, &chi2, &pixels) ||
        snr < PL_LEAST_SNR) {
        s->kind = PL_NOISE;
        return;
    }
    double dof = pixels - 7, free_chi2 = isfinite(s->misfit) ? s->misfit * dof : dof;
    bool star = chi2 - free_chi2 < LEAST_GAIN;
    bool shaped = own && s->fwhm_sigma_px < WORST_WIDTH * s->fwhm_px && s->kind == PL_STAR;
    if (star)
        s->kind = shaped ? PL_STAR : PL_FAINT;
    else if (s->kind == PL_STAR || s->kind == PL_NOISE)
        s->kind = f->trend[SIZE].rest[i] < 0 ? PL_SHARP : PL_EXTENDED;
}

static void load(struct field *f, double *room)
{
    for (int k = 0; k < TRENDS; k++)
        f->trend[k] = (struct trend){ .value = room + f->n * (size_t)(3 * k),
                                      .sigma = room + f->n * (size_t)(3 * k + 1),
                                      .rest = room + f->n * (size_t)(3 * k + 2) };
    for (size_t i = 0; i < f->n; i++) {
        const pl_star *s = &f->star[i];
        double eta = 0.5 * log(s->fwhm_major_px / s->fwhm_minor_px), a = s->angle_deg * M_PI / 90;
        f->trend[SIZE].value[i] = log(s->fwhm_px);
        f->trend[SIZE].sigma[i] = s->fwhm_sigma_px / s->fwhm_px;
        f->trend[ETA1].value[i] = eta * cos(a);
        f->trend[ETA2].value[i] = eta * sin(a);
        f->trend[ETA1].sigma[i] = f->trend[ETA2].sigma[i] = s->eta_sigma;
    }
}

pl_status pl_vet_stars(const pl_site *site, const size_t *bump_of, pl_star *star, size_t n,
                       int jobs, pl_err *err)
{
    enum { ROUNDS = 2 };
    struct field f = { site, bump_of, star, n, { { 0 } } };
    double *room = malloc(sizeof *room * (n + 1) * (3 * TRENDS + TERMS + 1));
    if (!room)
        return pl_fail(err, PL_ENOMEM, "out of memory for %zu stars", n);
    load(&f, room);
    bool known = true;
    for (int round = 0; round < ROUNDS && known; round++) {
        for (int k = 0; k < TRENDS && known; k++)
            known = fit_trend(&f, &f.trend[k], room + 3 * (size_t)TRENDS * n);
        for (size_t i = 0; i < n && known; i++)
            if (star[i].kind == PL_STAR)
                star[i].kind = by_shape(&f, i);
    }
    if (known)
        pl_pool_run(jobs, n, second_look, &f);
    size_t stars = 0;
    for (size_t i = 0; i < n; i++)
        stars += star[i].kind == PL_STAR;
    for (size_t i = 0; i < n && stars < FEWEST; i++) /* nobody left to vouch for the faint ones */
        if (star[i].kind == PL_FAINT)
            star[i].kind = PL_NOISE;
    free(room);
    return PL_OK;
}
