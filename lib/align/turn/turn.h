/* SPDX-License-Identifier: GPL-3.0-or-later */
/* turn.h - what the screws do: beliefs, how measurements change them, what to turn. Private to
 * `align`.
 *
 * The state is (v, R_A, R_B, ...): the vector to bring to nought and what one clockwise turn of
 * each screw adds to it. A guess is one way the camera may show the screws; within it the state is
 * Gaussian. */
#ifndef PL_TURN_H
#define PL_TURN_H

#include "../align.h"

enum {
    PL_TURN_STATE = 2 + 2 * PL_SCREWS_MAX,
    PL_TURN_ANGLES = 24, /* rotations tried while none is known */
    PL_TURN_GUESSES = 2 * PL_TURN_ANGLES
};

typedef struct {
    double weight; /* they add up to 1 */
    double mean[PL_TURN_STATE], cov[PL_TURN_STATE][PL_TURN_STATE];
} pl_turn_guess;

typedef struct {
    size_t screws, guesses;
    pl_turn_guess guess[PL_TURN_GUESSES];
} pl_turn_belief;

/* ---- prior.c */

/* pl_turn_slopes - tilt of a plane on screws for one of them moved by 1: along the angles' 0 and 90
 * degrees, per mm. Gives: PL_EARG when the screws do not hold a plane. */
pl_status pl_turn_slopes(const pl_screws *screws, double slope[][2], pl_err *err);

/* How hand angles a become directions b on the frame: b = turn + a, mirrored b = turn - a. */
typedef struct {
    double turn_deg; /* NaN: any */
    int handed;      /* +1, -1 mirrored, 0: either */
} pl_turn_view;

/* pl_turn_prior - what is believed before the first turn.
 *   reach  in  what a tilt of 1 adds to the vector: mm or um/mm
 *   view   in  [views] possible ones, equally likely */
pl_status pl_turn_prior(const pl_screws *screws, double reach, const pl_turn_view *view,
                        size_t views, pl_turn_belief *out, pl_err *err);

/* pl_turn_prior_blank - screws of which nothing is known but that a turn may do up to a few times
 * `typical`. */
void pl_turn_prior_blank(size_t screws, double typical, pl_turn_belief *out);

/* ---- filter.c */

/* pl_turn_begin - the first measurement. */
void pl_turn_begin(pl_turn_belief *belief, const pl_turn_entry *entry);

/* pl_turn_update - turns and the measurement after them.
 * Gives: how far from foretold it came, chi square of 2, by the guess that foretold it best. */
double pl_turn_update(pl_turn_belief *b, const double *turn, double x, double y,
                      const double noise[3]);

/* The expected square of the vector's length after turns t: c + 2 g t + t H t, slop and all that
 * is not known included. */
typedef struct {
    size_t screws;
    double c, g[PL_SCREWS_MAX], h[PL_SCREWS_MAX][PL_SCREWS_MAX];
} pl_turn_loss;

void pl_turn_weigh(const pl_turn_belief *belief, pl_turn_loss *out);
double pl_turn_cost(const pl_turn_loss *loss, const double *turn);

/* pl_turn_forecast - mean and covariance (xx, xy, yy) of the vector after turns. */
void pl_turn_forecast(const pl_turn_belief *belief, const double *turn, double mean[2],
                      double cov[3]);

/* pl_turn_response - mean and error of R of one screw; how sure its direction is, 0 to 1. */
double pl_turn_response(const pl_turn_belief *b, size_t k, double mean[2], double sigma[2]);

/* ---- plan.c */

/* pl_turn_best - turns of least expected length, the least movement of those alike; their sum is
 * nought unless `unbound`. Gives: the cost. */
double pl_turn_best(const pl_turn_loss *loss, bool unbound, double *turn);

/* pl_turn_shorten - all by one factor, so that no screw is asked for more than two turns at once.
 * Gives: whether they were. */
bool pl_turn_shorten(size_t screws, double *turn);

/* pl_turn_round - the coarsest of quarters, eighths, ... that does nearly as well, or well within
 * `allowed`; NaN: none told. Of no screw more than two turns; `exact` is shortened. Gives: the
 * step. */
double pl_turn_round(const pl_turn_loss *loss, bool unbound, const double *exact, double allowed,
                     double *turn);

/* pl_turn_trial - the turns after which the next correction is expected to come closest; of no
 * screw more than two.
 *   noise  in  covariance of the next measurement
 * Gives: the step; PL_ENOMEM through err leaves `turn` untouched and gives 0. */
double pl_turn_trial(const pl_turn_belief *belief, bool unbound, const double noise[3],
                     double *turn, pl_err *err);

/* ---- advice.c */

/* pl_turn_spell - the size of a turn as a person reads it: "3/8", "1 1/4". */
void pl_turn_spell(double turn, char out[16]);

/* pl_turn_way - "clockwise", "counter-clockwise", "" */
const char *pl_turn_way(double turn);

/* pl_turn_at_limit - well enough measured, and neither inside nor outside. */
bool pl_turn_at_limit(const pl_turns *turns);

/* pl_turn_advise - the verdict's words, from all else. */
void pl_turn_advise(pl_turns *turn);

#endif
