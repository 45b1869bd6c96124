/* SPDX-License-Identifier: GPL-3.0-or-later */
/* look.c - all defoci on both sides compared: where the best fit is, whether another place is
 * nearly as good, and what they all have in common.
 *
 * Chi square with z held and all else fitted stands for the likelihood of that z; before the frame
 * is looked at, all z within reach are alike. */
#include "sense.h"

#include <math.h>
#include <stdlib.h>

enum { SIDE = 30, LOWS = 6, AROUND = 12, NODES = 2 * SIDE + 1 + LOWS * AROUND };

/* A low this much worse than the best grid point is not looked at more closely. */
static const double HOPELESS = 60;
/* A fit within so many sigma is the same answer. */
static const double SAME = 4;

static const double around[AROUND] = { -6, -4, -3, -2, -1, -0.4, 0.4, 1, 2, 3, 4, 6 };

struct node {
    double z, chi2, air, air_var;
};

/* A low of the grid, looked at more closely. */
struct low {
    double z;
    pl_sense_fit best, end; /* the best on the way; where z free ended */
    bool ended;             /* within reach */
};

struct looking {
    const pl_sense_model *m;
    double far,
        move; /* the last frame, which the answer is of, is looked for within +-far; from z */
    struct node node[NODES];
    size_t nodes;
    struct low low[LOWS];
};

/* z held, all else fitted; from where `start` is, which moves along. */
static struct node held_at(const pl_sense_model *m, double z, pl_sense_fit *start)
{
    size_t air = PL_SE_AIR + m->frames - 1;
    start->x[PL_SE_Z] = z;
    if (!pl_sense_solve(m, true, start))
        return (struct node){ z, INFINITY, NAN, NAN };
    return (struct node){ z, start->chi2, start->x[air], start->cov[air][air] };
}

/* Air in which the mean width is had with the frame's middle at z. */
static void start_air(const pl_sense_model *m, double z, double *x)
{
    for (size_t f = 0; f < m->frames; f++) {
        double sum = 0, weight = 0, lo = m->sizes[f].air_from,
               hi = lo + (PL_SIZING_AIR - 1) * m->sizes[f].air_step;
        for (size_t i = 0; i < m->cells; i++)
            if (m->cell[i].frame == f) {
                double w = 1 / (m->cell[i].sigma * m->cell[i].sigma);
                sum += w * m->cell[i].ln_fwhm;
                weight += w;
            }
        for (int i = 0; i < 30; i++) {
            double mid = (lo + hi) / 2;
            *(pl_sizes_at(&m->sizes[f], z + m->offset_um[f], mid, NULL, NULL) < sum / weight
                  ? &lo
                  : &hi) = mid;
        }
        x[PL_SE_AIR + f] = (lo + hi) / 2;
    }
}

static pl_sense_fit started(const pl_sense_model *m, double z)
{
    pl_sense_fit fit = { .chi2 = INFINITY };
    for (int i = PL_SE_TILT_X; i < PL_SE_AIR; i++)
        fit.x[i] = m->known[i];
    fit.x[PL_SE_Z] = z;
    start_air(m, z, fit.x);
    return fit;
}

static int by_z(const void *a, const void *b)
{
    const struct node *p = a, *q = b;
    return p->z < q->z ? -1 : p->z > q->z;
}

/* z free, from a low of the grid. */
static void settle_low(void *ctx, size_t i, int worker)
{
    (void)worker;
    struct looking *l = ctx;
    struct low *low = &l->low[i];
    pl_sense_fit fit = started(l->m, low->z);
    held_at(l->m, low->z, &fit);
    fit.cov[PL_SE_Z][PL_SE_Z] = l->far * l->far; /* a plain has no bottom: then the start will do */
    low->best = fit;
    low->ended = pl_sense_solve(l->m, false, &fit) && fabs(fit.x[PL_SE_Z] + l->move) < 1.5 * l->far;
    low->end = fit;
    if (low->ended && fit.chi2 < low->best.chi2)
        low->best = fit;
}

/* One of the places around where a low ended. */
static void look_around(void *ctx, size_t i, int worker)
{
    (void)worker;
    struct looking *l = ctx;
    const struct low *low = &l->low[i / AROUND];
    pl_sense_fit step = low->end;
    double at = step.x[PL_SE_Z] + around[i % AROUND] * sqrt(step.cov[PL_SE_Z][PL_SE_Z]);
    bool within = low->ended && fabs(at + l->move) < 1.5 * l->far;
    l->node[l->nodes + i] = within ? held_at(l->m, at, &step) : (struct node){ .z = NAN };
}

/* From the middle outwards on either side, so that each fit starts where the last one ended. */
static void sweep_side(void *ctx, size_t side, int worker)
{
    (void)worker;
    struct looking *l = ctx;
    int way = side ? 1 : -1;
    pl_sense_fit fit = started(l->m, -l->move);
    for (int i = 0; i <= SIDE; i++) {
        double z = way * l->far * i / SIDE - l->move;
        pl_sense_fit fresh = started(l->m, z);
        fit.x[PL_SE_AIR] = fresh.x[PL_SE_AIR];
        fit.x[PL_SE_AIR + 1] = fresh.x[PL_SE_AIR + 1];
        struct node node = held_at(l->m, z, &fit);
        if (i > 0 || way > 0) /* the middle is one side's */
            l->node[SIDE + way * i] = node;
    }
}

static double least(const struct looking *l)
{
    double low = INFINITY;
    for (size_t i = 0; i < l->nodes; i++)
        low = fmin(low, l->node[i].chi2);
    return low;
}

static size_t find_lows(struct looking *l)
{
    size_t lows = 0;
    double low = least(l);
    for (size_t i = 0; i < l->nodes && lows < LOWS; i++) {
        bool left = i == 0 || l->node[i].chi2 <= l->node[i - 1].chi2;
        bool right = i + 1 == l->nodes || l->node[i].chi2 < l->node[i + 1].chi2;
        if (left && right && l->node[i].chi2 < low + HOPELESS)
            l->low[lows++].z = l->node[i].z;
    }
    return lows;
}

static void refine_lows(struct looking *l, int jobs, pl_sense_fit *best)
{
    size_t lows = find_lows(l), from = l->nodes;
    pl_pool_run(jobs, lows, settle_low, l);
    for (size_t i = 0; i < lows; i++)
        if (l->low[i].best.chi2 < best->chi2)
            *best = l->low[i].best;
    pl_pool_run(jobs, lows * AROUND, look_around, l);
    for (size_t i = 0; i < lows * AROUND; i++)
        if (!isnan(l->node[from + i].z))
            l->node[l->nodes++] = l->node[from + i];
}

/* What all nodes have in common, each weighed by its likelihood and its share of z. */
static void weigh(struct looking *l, pl_sense_search *s)
{
    double low = least(l), sum = 0, out = 0, mean = 0, spread = 0, v[4] = { 0 };
    double z0 = s->best.x[PL_SE_Z];
    double same = fmin(l->m->near_um, SAME * sqrt(s->best.cov[PL_SE_Z][PL_SE_Z]));
    double move = l->move, other = INFINITY;
    qsort(l->node, l->nodes, sizeof *l->node, by_z);
    for (size_t i = 0; i < l->nodes; i++) {
        const struct node *n = &l->node[i];
        double from = l->node[i > 0 ? i - 1 : 0].z, to = l->node[i + 1 < l->nodes ? i + 1 : i].z,
               size = fabs(n->z + move);
        double w = exp((low - n->chi2) / 2) * (to - from);
        bool across = (n->z + move) * (z0 + move) <= 0;
        other = across ? fmin(other, n->chi2) : other;
        if (!(w > 0))
            continue;
        sum += w;
        if (across && fabs(n->z - z0) > same)
            out += w;
        else {
            mean += w * (n->z - z0);
            spread += w * (n->z - z0) * (n->z - z0);
        }
        v[0] += w * size;
        v[1] += w * size * size;
        v[2] += w * n->air;
        v[3] += w * (n->air * n->air + n->air_var);
    }
    s->elsewhere = out / sum;
    mean /= sum - out;
    s->z_um = z0 + mean;
    s->z_sigma = sqrt(fmax(0, spread / (sum - out) - mean * mean));
    s->size_um = v[0] / sum;
    s->size_sigma = sqrt(fmax(0, v[1] / sum - s->size_um * s->size_um));
    s->air = v[2] / sum;
    s->air_sigma = sqrt(fmax(0, v[3] / sum - s->air * s->air));
    s->other_side = other - low;
}

bool pl_sense_look(const pl_sense_model *m, double far, int jobs, pl_sense_search *out)
{
    struct looking *l = malloc(sizeof *l);
    pl_sense_search s = { .best = { .chi2 = INFINITY }, .far_um = far };
    if (!l) {
        pl_memory_short();
        return false;
    }
    *l = (struct looking){ .m = m, .far = far, .move = m->offset_um[m->frames - 1] };
    pl_pool_run(jobs, 2, sweep_side, l);
    l->nodes = 2 * SIDE + 1;
    refine_lows(l, jobs, &s.best);
    bool found = isfinite(s.best.chi2);
    if (found) {
        weigh(l, &s);
        *out = s;
    }
    free(l);
    return found;
}
