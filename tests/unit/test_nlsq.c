/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Nonlinear least squares: NIST StRD sets with their certified values, a robust fit against scipy,
 * priors, errors, models with an edge, refusals. */
#include "../../lib/base/base.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <gsl/gsl_errno.h>
#include <math.h>

TestSuite(nlsq, .init = (void (*)(void))gsl_set_error_handler_off);

/* NIST StRD, nonlinear regression (public domain data): model, two starts, certified parameters,
 * their standard deviations and the residual sum of squares. */
typedef struct {
    const char *name;
    double (*model)(const double *b, double x);
    size_t n, p;
    const double *x, *y;
    double start[2][7], certified[7], sd[7], rss;
} nist;

static double misra1a(const double *b, double x)
{
    return b[0] * (1 - exp(-b[1] * x));
}

static double mgh17(const double *b, double x)
{
    return b[0] + b[1] * exp(-x * b[3]) + b[2] * exp(-x * b[4]);
}

static double thurber(const double *b, double x)
{
    return (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) / (1 + x * (b[4] + x * (b[5] + x * b[6])));
}

static const double misra1a_x[] = { 77.6,  114.9, 141.1, 190.8, 239.9, 289.0, 332.8,
                                    378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0 },
                    misra1a_y[] = { 10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02,
                                    44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78 };
static const double mgh17_x[] = { 0,   10,  20,  30,  40,  50,  60,  70,  80,  90,  100,
                                  110, 120, 130, 140, 150, 160, 170, 180, 190, 200, 210,
                                  220, 230, 240, 250, 260, 270, 280, 290, 300, 310, 320 },
                    mgh17_y[] = {
                        .844, .908, .932, .936, .925, .908, .881, .850, .818, .784, .751,
                        .718, .685, .658, .628, .603, .580, .558, .538, .522, .506, .490,
                        .478, .467, .457, .448, .438, .431, .424, .420, .414, .411, .406
                    };
static const double thurber_x[] = { -3.067, -2.981, -2.921, -2.912, -2.840, -2.797, -2.702, -2.699,
                                    -2.633, -2.481, -2.363, -2.322, -1.501, -1.460, -1.274, -1.212,
                                    -1.100, -1.046, -.915,  -.714,  -.566,  -.545,  -.400,  -.309,
                                    -.109,  -.103,  .010,   .119,   .377,   .790,   .963,   1.006,
                                    1.115,  1.572,  1.841,  2.047,  2.200 },
                    thurber_y[] = { 80.574,   84.248,   87.264,   87.195,   89.076,   89.608,
                                    89.868,   90.101,   92.405,   95.854,   100.696,  101.060,
                                    401.672,  390.724,  567.534,  635.316,  733.054,  759.087,
                                    894.206,  990.785,  1090.109, 1080.914, 1122.643, 1178.351,
                                    1260.531, 1273.514, 1288.339, 1327.543, 1353.863, 1414.509,
                                    1425.208, 1421.384, 1442.962, 1464.350, 1468.705, 1447.894,
                                    1457.628 };

static const nist sets[] = {
    { "Misra1a",
      misra1a,
      14,
      2,
      misra1a_x,
      misra1a_y,
      { { 500, 1e-4 }, { 250, 5e-4 } },
      { 2.3894212918E+02, 5.5015643181E-04 },
      { 2.7070075241E+00, 7.2668688436E-06 },
      1.2455138894E-01 },
    { "MGH17",
      mgh17,
      33,
      5,
      mgh17_x,
      mgh17_y,
      { { 50, 150, -100, 1, 2 }, { .5, 1.5, -1, .01, .02 } },
      { 3.7541005211E-01, 1.9358469127E+00, -1.4646871366E+00, 1.2867534640E-02, 2.2122699662E-02 },
      { 2.0723153551E-03, 2.2031669222E-01, 2.2175707739E-01, 4.4861358114E-04, 8.9471996575E-04 },
      5.4648946975E-05 },
    { "Thurber",
      thurber,
      37,
      7,
      thurber_x,
      thurber_y,
      { { 1000, 1000, 400, 40, .7, .3, .03 }, { 1300, 1500, 500, 75, 1, .4, .05 } },
      { 1.2881396800E+03, 1.4910792535E+03, 5.8323836877E+02, 7.5416644291E+01, 9.6629502864E-01,
        3.9797285797E-01, 4.9727297349E-02 },
      { 4.6647963344E+00, 3.9571156086E+01, 2.8698696102E+01, 5.5675370270E+00, 3.1333340687E-02,
        1.4984928198E-02, 6.5842344623E-03 },
      5.6427082397E+03 },
};

static bool nist_rest(const double *b, void *ctx, double *rest)
{
    const nist *set = ctx;
    for (size_t i = 0; i < set->n; i++)
        rest[i] = set->y[i] - set->model(b, set->x[i]);
    return true;
}

static void one_set(const nist *set, int start)
{
    double b[7], cov[49], rest[37] = { 0 }, scale, sum = 0;
    pl_err err = { PL_OK, "" };
    for (size_t j = 0; j < set->p; j++)
        b[j] = set->start[start][j];
    pl_nlsq problem = { nist_rest, NULL, (void *)set, set->n, 0, set->p, false };
    cr_assert(eq(int, pl_nlsq_fit(&problem, b, cov, &scale, NULL, &err), PL_OK), "%s, start %d: %s",
              set->name, start, err.msg);
    double unit = fmax(1, scale); /* the covariance is never below that of unit errors */
    for (size_t j = 0; j < set->p; j++) {
        cr_expect(epsilon_eq(dbl, b[j] / set->certified[j], 1, 1e-6), "%s, start %d, b%zu",
                  set->name, start, j + 1);
        cr_expect(epsilon_eq(dbl, sqrt(cov[j * set->p + j]) * scale / unit / set->sd[j], 1, 1e-4),
                  "%s, start %d, sd of b%zu", set->name, start, j + 1);
    }
    nist_rest(b, (void *)set, rest);
    for (size_t i = 0; i < set->n; i++)
        sum += rest[i] * rest[i];
    cr_expect(epsilon_eq(dbl, sum / set->rss, 1, 1e-9), "%s, start %d", set->name, start);
    cr_expect(epsilon_eq(dbl, scale, sqrt(set->rss / (double)(set->n - set->p)), 1e-9 * scale));
}

Test(nlsq, nist)
{
    for (size_t s = 0; s < PL_ARRAY_LEN(sets); s++)
        for (int start = 0; start < 2; start++)
            one_set(&sets[s], start);
}

/* ---- a decay with wild values, with or without a prior on its height */

enum { DECAYS = 40 };

static bool decay_rest(const double *b, void *ctx, double *rest)
{
    const bool *prior = ctx;
    for (int i = 0; i < DECAYS; i++) {
        double x = i / 4.0, wild = i % 7 == 3 ? 1.5 : 0;
        double y = 5 * exp(-0.3 * x) + 2 + 0.05 * sin(7.0 * i * i) + wild;
        rest[i] = (y - b[0] * exp(-b[1] * x) - b[2]) / 0.02;
    }
    if (*prior)
        rest[DECAYS] = (b[0] - 5.2) / 0.1;
    return true;
}

/* scipy 1.10.1, by tests/reference/robust.py: optimize.least_squares with Tukey's loss. */
static const double scipy[2][4] = { { 5.0114972, 0.294243874, 1.97869919, 2.85552854 },
                                    { 5.01530784, 0.294018445, 1.9764015, 2.81860506 } };

Test(nlsq, robust_as_scipy)
{
    for (int with = 0; with < 2; with++) {
        bool prior = with;
        double b[3] = { 4, 0.5, 1.5 }, cov[9], scale, weight[DECAYS + 1];
        pl_nlsq problem = {
            decay_rest, NULL, &prior, DECAYS + (size_t)with, (size_t)with, 3, true
        };
        pl_err err = { PL_OK, "" };
        cr_assert(eq(int, pl_nlsq_fit(&problem, b, cov, &scale, weight, &err), PL_OK), "%s",
                  err.msg);
        for (int j = 0; j < 3; j++)
            cr_expect(epsilon_eq(dbl, b[j], scipy[with][j], 1e-3 * sqrt(cov[4 * j])), "b%d", j + 1);
        cr_expect(epsilon_eq(dbl, scale, scipy[with][3], 1e-4));
        for (int i = 0; i < DECAYS; i++)
            cr_expect(eq(int, weight[i] < 0.01, i % 7 == 3), "only wild values are out: %d", i);
        if (prior)
            cr_expect(eq(dbl, weight[DECAYS], 1), "a prior is not weighed again");
    }
}

/* ---- errors: a hyperbola in noise, a tenth of whose points may be useless */

typedef struct {
    double y[60];
} curve;

static double hyperbola(const double *b, int i)
{
    double z = (i % 30) * 10.0 - 145 - b[0];
    return sqrt(b[1] * b[1] + b[2] * b[2] * z * z);
}

static bool curve_rest(const double *b, void *ctx, double *rest)
{
    const curve *c = ctx;
    if (b[1] <= 0)
        return false;
    for (int i = 0; i < 60; i++)
        rest[i] = (c->y[i] - hyperbola(b, i)) / 0.3;
    return true;
}

/* 400 fits: the scatter of their answers is known to 3.5 %. The robust ones are told 2 % too wide,
 * and with a tenth of wild values, which widen the median of the residuals by 13 %, so much more.
 */
static void pulls(bool robust, bool clouded)
{
    enum { TRIALS = 400 };
    static const double truth[3] = { 12, 15, 0.3 };
    double sum[3] = { 0 };
    frames_dice dice = { 21 };
    for (int t = 0; t < TRIALS; t++) {
        curve c;
        for (int i = 0; i < 60; i++) {
            c.y[i] = hyperbola(truth, i) + 0.3 * frames_normal(&dice);
            if (clouded && i % 10 == 1)
                c.y[i] += 50;
        }
        double b[3] = { -20, 12, 0.25 }, cov[9];
        pl_nlsq problem = { curve_rest, NULL, &c, 60, 0, 3, robust };
        cr_assert(eq(int, pl_nlsq_fit(&problem, b, cov, NULL, NULL, NULL), PL_OK));
        for (int j = 0; j < 3; j++)
            sum[j] += pow(b[j] - truth[j], 2) / cov[4 * j];
    }
    for (int j = 0; j < 3; j++)
        cr_expect(epsilon_eq(dbl, sqrt(sum[j] / TRIALS), 1, clouded ? 0.2 : 0.12), "b%d", j + 1);
}

Test(nlsq, its_errors_are_right)
{
    pulls(false, false);
    pulls(true, false);
    pulls(true, true);
}

/* ---- a parameter that starts at nothing, or near it, has no size of its own */

static bool plane_rest(const double *b, void *ctx, double *rest)
{
    (void)ctx;
    for (int i = 0; i < 20; i++)
        rest[i] = (30 + 1e-7 * (i - 8) - (b[0] + b[1] * (i - 8) + b[2] * sin(i))) / 1e-6;
    return true;
}

Test(nlsq, from_nothing)
{
    static const double starts[3][3] = { { 0, 0, 0 }, { 30, 1e-17, -1e-17 }, { 1e9, 1, -1 } };
    for (int s = 0; s < 3; s++) {
        double b[3] = { starts[s][0], starts[s][1], starts[s][2] }, scale;
        pl_nlsq problem = { plane_rest, NULL, NULL, 20, 0, 3, false };
        pl_err err = { PL_OK, "" };
        cr_assert(eq(int, pl_nlsq_fit(&problem, b, NULL, &scale, NULL, &err), PL_OK), "%d: %s", s,
                  err.msg);
        cr_expect(epsilon_eq(dbl, b[0], 30, 1e-9));
        cr_expect(epsilon_eq(dbl, b[1], 1e-7, 1e-11));
        cr_expect(epsilon_eq(dbl, b[2], 0, 1e-10));
    }
}

/* ---- the model's edge: a square root whose start is on it, and whose steps would cross it */

static bool root_rest(const double *b, void *ctx, double *rest)
{
    (void)ctx;
    if (b[0] < 0)
        return false;
    for (int i = 0; i < 10; i++)
        rest[i] = sqrt(b[0] + i) - sqrt(0.01 + i) + b[1];
    return true;
}

Test(nlsq, edge_of_the_model)
{
    double b[2] = { 40, 3 };
    pl_nlsq problem = { root_rest, NULL, NULL, 10, 0, 2, false };
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_nlsq_fit(&problem, b, NULL, NULL, NULL, &err), PL_OK), "%s", err.msg);
    cr_expect(epsilon_eq(dbl, b[0], 0.01, 1e-6));
    cr_expect(epsilon_eq(dbl, b[1], 0, 1e-6));
}

/* ---- refusals: a code, a sentence, outputs untouched */

typedef enum { GOOD, ALIKE, UNUSED, HOLE, RUNAWAY } fault;

static bool bad_rest(const double *b, void *ctx, double *rest)
{
    const fault *what = ctx;
    for (int i = 0; i < 6; i++) {
        rest[i] = i - b[0] - b[1] * i;
        if (*what == ALIKE)
            rest[i] = i - b[0] - b[1];
        else if (*what == UNUSED)
            rest[i] = i - b[0];
        else if (*what == HOLE && i == 3)
            rest[i] = NAN;
        else if (*what == RUNAWAY) /* ever less towards infinity: no minimum */
            rest[i] = exp(-b[0] - 0.1 * b[1] * i);
    }
    return true;
}

static void refuse(fault what, size_t n, size_t firm, size_t p, bool robust, pl_status want)
{
    double b[2] = { 7, 7 }, cov[4] = { 7, 7, 7, 7 }, scale = 7, weight[6] = { 7, 7, 7, 7, 7, 7 };
    pl_nlsq problem = { bad_rest, NULL, &what, n, firm, p, robust };
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_nlsq_fit(&problem, b, cov, &scale, weight, &err), want), "%s", err.msg);
    cr_expect(eq(int, err.code, want));
    cr_expect(want == PL_OK || err.msg[0], "in words");
    for (int i = 0; want && i < 6; i++)
        cr_expect(b[i % 2] == 7 && cov[i % 4] == 7 && scale == 7 && weight[i] == 7, "untouched");
}

Test(nlsq, refusals)
{
    for (int robust = 0; robust < 2; robust++) {
        refuse(GOOD, 6, 0, 2, robust, PL_OK);
        refuse(GOOD, 2, 0, 2, robust, PL_ENODATA);
        refuse(GOOD, 0, 0, 2, robust, PL_ENODATA);
        refuse(GOOD, 6, 0, 0, robust, PL_EARG);
        refuse(GOOD, 6, 7, 2, robust, PL_EARG);
        refuse(ALIKE, 6, 0, 2, robust, PL_EARG);
        refuse(UNUSED, 6, 0, 2, robust, PL_EARG);
        refuse(HOLE, 6, 0, 2, robust, PL_EARG);
        refuse(RUNAWAY, 6, 0, 2, robust, PL_EARG);
    }
}
