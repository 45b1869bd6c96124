/* SPDX-License-Identifier: GPL-3.0-or-later */
/* usual.c - what is usual for exposures of the same object, filter and exposure time. */
#include "night.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { FEWEST = 5 };

/* Light that a unit of airmass takes, mag; counts of stars fainter by a magnitude, as log10. Common
 * practice, no source. */
static const double EXTINCTION = 0.2, COUNTS = 0.35;

double pl_sub_in_focus_px(const pl_sub *s)
{
    return s->fwhm_px * sqrt(s->worth_focus);
}

double pl_sub_light(const pl_sub *s)
{
    double airmass = isnan(s->airmass) ? 1 : s->airmass;
    return s->light_adu_s * pow(10, 0.4 * EXTINCTION * (airmass - 1));
}

/* The faintest star has so much light as noise and width ask for. */
double pl_sub_light_by_count(const pl_sub *s)
{
    return pow(s->stars, 1 / (2.5 * COUNTS)) * s->noise_adu * s->fwhm_px;
}

static double noise(const pl_sub *s)
{
    return s->noise_adu;
}

static double airmass(const pl_sub *s)
{
    return s->airmass;
}

static double trails(const pl_sub *s)
{
    return s->trails;
}

/* An exposure, and where it stood; for sorting by kind. */
typedef struct {
    const pl_sub *sub;
    size_t at;
} entry;

static int by_kind(const void *a, const void *b)
{
    const pl_sub *p = ((const entry *)a)->sub, *q = ((const entry *)b)->sub;
    int object = strcmp(p->object, q->object), filter = strcmp(p->filter, q->filter);
    if (object || filter)
        return object ? object : filter;
    if (isnan(p->exposure_s) || isnan(q->exposure_s))
        return !isnan(p->exposure_s) - !isnan(q->exposure_s);
    return (p->exposure_s > q->exposure_s) - (p->exposure_s < q->exposure_s);
}

typedef double measure(const pl_sub *s);

/* Quantile over exposures of one kind, and the scatter around their median; NaN for too few. */
static double over(const entry *e, size_t n, measure *of, double q, double *scatter, double *work)
{
    size_t m = 0;
    for (size_t i = 0; i < n; i++) {
        double v = of(e[i].sub);
        if (isfinite(v))
            work[m++] = v;
    }
    if (m < FEWEST)
        return NAN;
    double v = pl_quantile(work, m, q), middle = pl_median(work, m);
    if (scatter)
        *scatter = pl_mad_sigma(work, m, middle) / middle; /* leaves distances in `work` */
    return v;
}

static pl_usual usual_of(const entry *e, size_t n, double *work)
{
    pl_usual u = { .light_scatter = 0 };
    u.in_focus_px = over(e, n, pl_sub_in_focus_px, 0.5, NULL, work);
    u.noise_adu = over(e, n, noise, 0.5, NULL, work);
    u.airmass = over(e, n, airmass, 0.5, NULL, work);
    u.trails = over(e, n, trails, 0.5, NULL, work);
    u.light = over(e, n, pl_sub_light, 0.75, &u.light_scatter, work);
    u.by_count = over(e, n, pl_sub_light_by_count, 0.75, &u.by_count_scatter, work);
    return u;
}

pl_status pl_night_usual(const pl_night *n, pl_usual **out, pl_err *err)
{
    entry *e = calloc(n->subs + 1, sizeof *e);
    double *work = calloc(n->subs + 1, sizeof *work);
    pl_usual *usual = calloc(n->subs + 1, sizeof *usual);
    bool room = e && work && usual;
    for (size_t i = 0; room && i < n->subs; i++)
        e[i] = (entry){ &n->sub[i], i };
    if (room)
        qsort(e, n->subs, sizeof *e, by_kind);
    for (size_t from = 0, to = 0; room && from < n->subs; from = to) {
        while (to < n->subs && by_kind(&e[from], &e[to]) == 0)
            to++;
        pl_usual u = usual_of(e + from, to - from, work);
        for (size_t i = from; i < to; i++)
            usual[e[i].at] = u;
    }
    free(e);
    free(work);
    if (room)
        *out = usual;
    else
        free(usual);
    return room ? PL_OK : pl_fail(err, PL_ENOMEM, "out of memory");
}
