/* SPDX-License-Identifier: GPL-3.0-or-later */
/* filter.c - what a measurement after turns teaches: a Kalman filter for each guess, the
 * guesses weighed by how well they foretold it (Bayes' rule). */
#include "turn.h"

#include <math.h>
#include <string.h>

/* What is lost of a turn: thread, springs, play on turning back. Common practice, no source. */
static const double SLOP = 0.05, SLOP_TURNS = 0.01;

enum { PASSES = 6 };

static double slop_of(double turn)
{
    return turn == 0 ? 0 : SLOP * SLOP * turn * turn + SLOP_TURNS * SLOP_TURNS;
}

static double square(const pl_turn_guess *g, size_t k)
{
    return g->mean[2 + 2 * k] * g->mean[2 + 2 * k] + g->mean[3 + 2 * k] * g->mean[3 + 2 * k] +
           g->cov[2 + 2 * k][2 + 2 * k] + g->cov[3 + 2 * k][3 + 2 * k];
}

void pl_turn_begin(pl_turn_belief *b, const pl_turn_entry *e)
{
    for (size_t i = 0; i < b->guesses; i++) {
        pl_turn_guess *g = &b->guess[i];
        g->mean[0] = e->x;
        g->mean[1] = e->y;
        g->cov[0][0] = e->xx;
        g->cov[0][1] = g->cov[1][0] = e->xy;
        g->cov[1][1] = e->yy;
    }
}

/* Variance on each axis of what the turns lose, by what is believed of the screws. */
static double lost_by(const pl_turn_guess *g, size_t screws, const double *turn)
{
    double lost = 0;
    for (size_t k = 0; k < screws; k++)
        lost += 0.5 * slop_of(turn[k]) * square(g, k);
    return lost;
}

/* The state after turns: only v changes. */
static void predict(pl_turn_guess *g, size_t screws, const double *turn, double lost)
{
    size_t n = 2 + 2 * screws;
    for (size_t k = 0; k < screws; k++)
        for (size_t i = 0; i < 2; i++)
            g->mean[i] += turn[k] * g->mean[2 + 2 * k + i];
    for (size_t k = 0; k < screws; k++)
        for (size_t i = 0; i < 2; i++)
            for (size_t j = 0; j < n; j++)
                g->cov[i][j] += turn[k] * g->cov[2 + 2 * k + i][j];
    for (size_t k = 0; k < screws; k++)
        for (size_t i = 0; i < 2; i++)
            for (size_t j = 0; j < n; j++)
                g->cov[j][i] += turn[k] * g->cov[j][2 + 2 * k + i];
    g->cov[0][0] += lost;
    g->cov[1][1] += lost;
}

/* Gives: chi square; the logarithm of the likelihood but for a constant in *log_p. */
static double correct(pl_turn_guess *g, size_t screws, double x, double y, const double noise[3],
                      double *log_p)
{
    size_t n = 2 + 2 * screws;
    double sxx = g->cov[0][0] + noise[0], sxy = g->cov[0][1] + noise[1];
    double syy = g->cov[1][1] + noise[2], det = sxx * syy - sxy * sxy;
    double dx = x - g->mean[0], dy = y - g->mean[1];
    double ux = (syy * dx - sxy * dy) / det, uy = (sxx * dy - sxy * dx) / det;
    double gain[PL_TURN_STATE][2], top[2][PL_TURN_STATE];
    for (size_t i = 0; i < n; i++) {
        gain[i][0] = (g->cov[i][0] * syy - g->cov[i][1] * sxy) / det;
        gain[i][1] = (g->cov[i][1] * sxx - g->cov[i][0] * sxy) / det;
        top[0][i] = g->cov[0][i];
        top[1][i] = g->cov[1][i];
    }
    for (size_t i = 0; i < n; i++)
        g->mean[i] += g->cov[i][0] * ux + g->cov[i][1] * uy;
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j < n; j++)
            g->cov[i][j] -= gain[i][0] * top[0][j] + gain[i][1] * top[1][j];
    double chi = dx * ux + dy * uy;
    *log_p = -0.5 * (chi + log(det));
    return chi;
}

/* Of a screw of which nothing was known it is not known what it may lose, either: what was learned
 * tells, so it is learned anew until that no longer changes. */
static double learn(pl_turn_guess *g, size_t screws, const double *turn, double x, double y,
                    const double noise[3], double *log_p)
{
    const pl_turn_guess before = *g;
    double lost = lost_by(g, screws, turn), chi = 0;
    for (int i = 0; i < PASSES; i++) {
        *g = before;
        predict(g, screws, turn, lost);
        chi = correct(g, screws, x, y, noise, log_p);
        double now = lost_by(g, screws, turn);
        if (now > 0.8 * lost)
            break;
        lost = now;
    }
    return chi;
}

double pl_turn_update(pl_turn_belief *b, const double *turn, double x, double y,
                      const double noise[3])
{
    double log_p[PL_TURN_GUESSES], best = -INFINITY, least = INFINITY, sum = 0;
    for (size_t i = 0; i < b->guesses; i++) {
        pl_turn_guess *g = &b->guess[i];
        least = fmin(least, learn(g, b->screws, turn, x, y, noise, &log_p[i]));
        log_p[i] += log(g->weight);
        best = fmax(best, log_p[i]);
    }
    for (size_t i = 0; i < b->guesses; i++)
        sum += exp(log_p[i] - best);
    for (size_t i = 0; i < b->guesses; i++)
        b->guess[i].weight = fmax(1e-12, exp(log_p[i] - best) / sum);
    return least;
}

void pl_turn_weigh(const pl_turn_belief *b, pl_turn_loss *out)
{
    *out = (pl_turn_loss){ .screws = b->screws };
    for (size_t i = 0; i < b->guesses; i++) {
        const pl_turn_guess *g = &b->guess[i];
        for (size_t c = 0; c < 2; c++) {
            out->c += g->weight * (g->mean[c] * g->mean[c] + g->cov[c][c]);
            for (size_t k = 0; k < b->screws; k++) {
                size_t p = 2 + 2 * k + c;
                out->g[k] += g->weight * (g->mean[c] * g->mean[p] + g->cov[c][p]);
                for (size_t l = 0; l < b->screws; l++) {
                    size_t q = 2 + 2 * l + c;
                    out->h[k][l] += g->weight * (g->mean[p] * g->mean[q] + g->cov[p][q]);
                }
            }
        }
    }
    for (size_t k = 0; k < b->screws; k++)
        out->h[k][k] *= 1 + SLOP * SLOP;
}

double pl_turn_cost(const pl_turn_loss *l, const double *turn)
{
    double sum = l->c;
    for (size_t k = 0; k < l->screws; k++) {
        sum += 2 * l->g[k] * turn[k];
        for (size_t j = 0; j < l->screws; j++)
            sum += turn[k] * l->h[k][j] * turn[j];
    }
    return fmax(0, sum);
}

void pl_turn_forecast(const pl_turn_belief *b, const double *turn, double mean[2], double cov[3])
{
    double sum[5] = { 0 };
    for (size_t i = 0; i < b->guesses; i++) {
        pl_turn_guess g = b->guess[i];
        predict(&g, b->screws, turn, lost_by(&g, b->screws, turn));
        sum[0] += g.weight * g.mean[0];
        sum[1] += g.weight * g.mean[1];
        sum[2] += g.weight * (g.mean[0] * g.mean[0] + g.cov[0][0]);
        sum[3] += g.weight * (g.mean[0] * g.mean[1] + g.cov[0][1]);
        sum[4] += g.weight * (g.mean[1] * g.mean[1] + g.cov[1][1]);
    }
    mean[0] = sum[0];
    mean[1] = sum[1];
    cov[0] = sum[2] - sum[0] * sum[0];
    cov[1] = sum[3] - sum[0] * sum[1];
    cov[2] = sum[4] - sum[1] * sum[1];
}

double pl_turn_response(const pl_turn_belief *b, size_t k, double mean[2], double sigma[2])
{
    double whole = 0;
    for (size_t c = 0; c < 2; c++) {
        double square_mean = 0;
        mean[c] = 0;
        for (size_t i = 0; i < b->guesses; i++) {
            const pl_turn_guess *g = &b->guess[i];
            size_t p = 2 + 2 * k + c;
            mean[c] += g->weight * g->mean[p];
            square_mean += g->weight * (g->mean[p] * g->mean[p] + g->cov[p][p]);
        }
        sigma[c] = sqrt(fmax(0, square_mean - mean[c] * mean[c]));
        whole += square_mean;
    }
    return whole > 0 ? (mean[0] * mean[0] + mean[1] * mean[1]) / whole : 0;
}
