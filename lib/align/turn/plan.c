/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plan.c - from what is believed to turns: the best ones, what of them a hand can make, and,
 * while too little is known, the turns that teach most. */
#include "turn.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <gsl/gsl_linalg.h>

enum { LAST_STEP = 32 };

static const double MOST_TURNS = 2;    /* of one screw at once */
static const double RIDGE = 1e-5;      /* of the screws' effect: chooses the least movement */
static const double NEARLY = 1.25;     /* rounding may lengthen what is left by this */
static const double WELL_INSIDE = 0.5; /* or leave this part of what is allowed */

/* H t = -g, and with it the sum nought: with a Lagrange multiplier q, H t = -g - q 1. GSL's LU,
 * which would solve both at once, does not look whether it got its memory. */
double pl_turn_best(const pl_turn_loss *l, bool unbound, double *turn)
{
    size_t n = l->screws;
    double a[PL_SCREWS_MAX * PL_SCREWS_MAX], x[PL_SCREWS_MAX], one[PL_SCREWS_MAX];
    double trace = 0, sum = 0, ones = 0;
    for (size_t k = 0; k < n; k++)
        trace += l->h[k][k] / (double)n;
    for (size_t k = 0; k < n; k++) {
        for (size_t j = 0; j < n; j++)
            a[k * n + j] = l->h[k][j] / trace + (k == j ? RIDGE : 0);
        x[k] = -l->g[k] / trace;
        one[k] = 1;
    }
    gsl_matrix_view matrix = gsl_matrix_view_array(a, n, n);
    gsl_vector_view free_turn = gsl_vector_view_array(x, n), bond = gsl_vector_view_array(one, n);
    bool good = trace > 0 && isfinite(trace) && gsl_linalg_cholesky_decomp1(&matrix.matrix) == 0 &&
                gsl_linalg_cholesky_svx(&matrix.matrix, &free_turn.vector) == 0 &&
                gsl_linalg_cholesky_svx(&matrix.matrix, &bond.vector) == 0;
    for (size_t k = 0; k < n; k++) {
        sum += x[k];
        ones += one[k];
    }
    for (size_t k = 0; k < n; k++) {
        double t = unbound ? x[k] : x[k] - sum / ones * one[k];
        turn[k] = good && isfinite(t) ? t : 0;
    }
    return pl_turn_cost(l, turn);
}

static double longest(size_t screws, const double *turn)
{
    double most = 0;
    for (size_t k = 0; k < screws; k++)
        most = fmax(most, fabs(turn[k]));
    return most;
}

bool pl_turn_shorten(size_t screws, double *turn)
{
    double over = longest(screws, turn) / MOST_TURNS;
    for (size_t k = 0; k < screws && over > 1; k++)
        turn[k] /= over;
    return over > 1;
}

/* The best multiples of `step` near `exact`, of no screw more than MOST_TURNS. Gives: the cost,
 * infinite when none of them adds up to nought. */
static double nearest(const pl_turn_loss *l, bool unbound, const double *exact, double step,
                      double *turn)
{
    double best = INFINITY;
    size_t ways = (size_t)1 << (2 * l->screws);
    for (size_t way = 0; way < ways; way++) {
        double t[PL_SCREWS_MAX], sum = 0, away = 0;
        for (size_t k = 0; k < l->screws; k++) {
            t[k] = step * (floor(exact[k] / step) + (double)((way >> (2 * k)) & 3) - 1);
            away = fmax(away, fabs(t[k] - exact[k]));
            sum += t[k];
        }
        double cost = pl_turn_cost(l, t);
        if (away <= step * (1 + 1e-9) && longest(l->screws, t) <= MOST_TURNS &&
            (unbound || fabs(sum) < 0.5 * step) && cost < best) {
            best = cost;
            memcpy(turn, t, l->screws * sizeof *t);
        }
    }
    return best;
}

double pl_turn_round(const pl_turn_loss *l, bool unbound, const double *exact, double allowed,
                     double *turn)
{
    double least = sqrt(pl_turn_cost(l, exact)), step = 0.25;
    double goal = fmax(NEARLY * least, isfinite(allowed) ? WELL_INSIDE * allowed : 0);
    while (sqrt(nearest(l, unbound, exact, step, turn)) > goal && step > 1.0 / LAST_STEP)
        step /= 2;
    return step;
}

/* Expected square after the turns, a measurement and the best turns then: the mean over the likely
 * truths. */
static double look_ahead(const pl_turn_belief *b, bool unbound, const double noise[3],
                         const double *turn, pl_turn_belief *then)
{
    double sum = 0, weights = 0, heavy = 0;
    for (size_t i = 0; i < b->guesses; i++)
        heavy = fmax(heavy, b->guess[i].weight);
    for (size_t i = 0; i < b->guesses; i++) {
        const pl_turn_guess *g = &b->guess[i];
        double x = g->mean[0], y = g->mean[1], next[PL_SCREWS_MAX];
        pl_turn_loss loss;
        if (g->weight < 0.02 * heavy)
            continue;
        for (size_t k = 0; k < b->screws; k++) {
            x += turn[k] * g->mean[2 + 2 * k];
            y += turn[k] * g->mean[3 + 2 * k];
        }
        *then = *b;
        pl_turn_update(then, turn, x, y, noise);
        pl_turn_weigh(then, &loss);
        sum += g->weight * pl_turn_best(&loss, unbound, next);
        weights += g->weight;
    }
    return sum / weights;
}

/* The best so far. */
struct search {
    const pl_turn_belief *belief;
    pl_turn_belief *scratch;
    const double *noise;
    bool unbound;
    double best, turn[PL_SCREWS_MAX];
};

/* A later one must be better by more than rounding, so that of equal ones the first is taken. */
static void consider(struct search *s, const double *turn)
{
    if (longest(s->belief->screws, turn) > MOST_TURNS)
        return;
    double cost = look_ahead(s->belief, s->unbound, s->noise, turn, s->scratch);
    if (cost < 0.98 * s->best) {
        s->best = cost;
        memcpy(s->turn, turn, s->belief->screws * sizeof *turn);
    }
}

static void pairs(struct search *s, const double *base, double size)
{
    size_t n = s->belief->screws;
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j < n; j++) {
            double turn[PL_SCREWS_MAX];
            if (i == j && !s->unbound)
                continue;
            memcpy(turn, base, n * sizeof *turn);
            turn[i] += size;
            if (i != j)
                turn[j] -= size;
            consider(s, turn);
        }
}

double pl_turn_trial(const pl_turn_belief *b, bool unbound, const double noise[3], double *turn,
                     pl_err *err)
{
    const double none[PL_SCREWS_MAX] = { 0 };
    double cautious[PL_SCREWS_MAX], exact[PL_SCREWS_MAX] = { 0 }, step = 0.125, effect = 0;
    pl_turn_loss loss;
    struct search s = { b, malloc(sizeof *s.scratch), noise, unbound, INFINITY, { 0 } };
    if (!s.scratch) {
        pl_fail(err, PL_ENOMEM, "out of memory");
        return 0;
    }
    pl_turn_weigh(b, &loss);
    pl_turn_best(&loss, unbound, exact);
    pl_turn_shorten(b->screws, exact);
    for (size_t k = 0; k < b->screws; k++)
        effect += sqrt(loss.h[k][k]) / (double)b->screws;
    /* as much as would take the vector away, and enough to be seen */
    double size = fmax(sqrt(loss.c), 8 * sqrt(noise[0] + noise[2])) / (1.7 * effect);
    while (step > size && step > 1.0 / LAST_STEP)
        step /= 2;
    size = fmin(1, step * fmax(1, floor(size / step + 0.5)));
    for (size_t k = 0; k < b->screws; k++)
        cautious[k] = 0;
    if (pl_turn_cost(&loss, exact) < 0.9 * loss.c)
        nearest(&loss, unbound, exact, step, cautious);
    pairs(&s, none, size);
    pairs(&s, cautious, size);
    if (size > 1.5 * step)
        pairs(&s, cautious, step * floor(0.5 * size / step + 0.5));
    memcpy(turn, s.turn, b->screws * sizeof *turn);
    free(s.scratch);
    return step;
}
