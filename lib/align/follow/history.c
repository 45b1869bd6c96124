/* SPDX-License-Identifier: GPL-3.0-or-later */
/* history.c - the last exposures of a night, and what the stars' light did over them. */
#include "../align.h"

#include <math.h>
#include <string.h>

enum { WINDOW = 12, FEWEST = 6 };

static const double EXTINCTION = 0.2 * 0.921034; /* ln of light for each airmass; 0.4 ln 10 */
static const double SURE = 4;                    /* sigma */

void pl_history_add(pl_history *h, const pl_past *past)
{
    if (h->n == PL_PAST)
        memmove(h->past, h->past + 1, --h->n * sizeof *h->past);
    h->past[h->n++] = *past;
}

pl_standing pl_history_standing(const pl_history *h)
{
    const pl_past *last = h->n ? &h->past[h->n - 1] : NULL;
    return last ? (pl_standing){ true, last->state, last->cause } : (pl_standing){ .told = false };
}

/* A quantity of the last exposures. */
typedef struct {
    double v[WINDOW], sigma[WINDOW];
    size_t n;
} course;

static double light_of(const pl_past *p)
{
    double air = isfinite(p->airmass) ? EXTINCTION * p->airmass : 0;
    return log(p->transparency) + air;
}

static course course_of(const pl_history *h, bool light)
{
    course c = { .n = 0 };
    size_t first = h->n > WINDOW ? h->n - WINDOW : 0;
    for (size_t i = first; i < h->n; i++) {
        const pl_past *p = &h->past[i];
        if (!(p->transparency > 0) || !(p->spread > 0))
            continue;
        c.v[c.n] = light ? light_of(p) : log(p->spread);
        c.sigma[c.n++] =
            light ? p->transparency_sigma / p->transparency : p->spread_sigma / p->spread;
    }
    return c;
}

static double mean_of(const course *c, size_t from, size_t n, double *variance)
{
    double sum = 0;
    *variance = 0;
    for (size_t i = from; i < from + n; i++) {
        sum += c->v[i] / (double)n;
        *variance += c->sigma[i] * c->sigma[i] / (double)(n * n);
    }
    return sum;
}

/* Whether it went one way from the first third to the last by more than `least`, and steadily: in
 * four of five pairs the later one is farther (Kendall's count). */
static bool went(const course *c, int way, double least)
{
    double before, after, with = 0, pairs = 0;
    size_t third = c->n / 3;
    if (c->n < FEWEST)
        return false;
    double change = way * (mean_of(c, c->n - third, third, &after) - mean_of(c, 0, third, &before));
    for (size_t i = 0; i < c->n; i++)
        for (size_t j = i + 1; j < c->n; j++, pairs++)
            with += way * (c->v[j] - c->v[i]) > 0;
    return change > least && change > SURE * sqrt(before + after) && with > 0.8 * pairs;
}

/* The last exposure far below the best of all. */
static bool is_dim(const pl_history *h)
{
    const pl_past *last = &h->past[h->n - 1];
    double best = -INFINITY;
    for (size_t i = 0; i < h->n; i++)
        if (h->past[i].transparency > 0)
            best = fmax(best, light_of(&h->past[i]));
    double fall = best - light_of(last);
    return fall > -log(0.7) && fall > SURE * last->transparency_sigma / last->transparency;
}

pl_fade pl_history_fade(const pl_history *h)
{
    if (h->n == 0 || !(h->past[h->n - 1].transparency > 0))
        return PL_FADE_NONE;
    course light = course_of(h, true), width = course_of(h, false);
    if (went(&light, -1, -log(0.85)))
        return went(&width, 1, log(1.05)) ? PL_FADE_DEW : PL_FADE_FALL;
    return is_dim(h) ? PL_FADE_CLOUD : PL_FADE_NONE;
}
