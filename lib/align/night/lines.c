/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lines.c - a robust straight fit with an offset for each group of values.
 *
 * Given the slopes, a group's best offset is the weighted mean of what they leave. So all is taken
 * from its group's means, and only the slopes are solved for (Frisch & Waugh 1933, Econometrica 1,
 * 387, from memory): the work grows with the values, however many the groups. Rounds of weights are
 * those of nlsq.c: Huber's, then Tukey's. */
#include "night.h"

#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { ROUNDS = 50 };

static const double TUNE = 4.685, HUBER = 1.345, NEAR = 0.1,
                    SETTLED = 1e-4; /* of a parameter's sigma */

pl_status pl_lines_new(size_t n, pl_lines *out, pl_err *err)
{
    pl_lines l = { 0 };
    bool ok = true;
    double **room[] = { &l.y, &l.sigma, &l.x[0], &l.x[1], &l.x[2] };
    for (size_t i = 0; i < PL_ARRAY_LEN(room); i++)
        ok &= (*room[i] = calloc(n + 1, sizeof **room[i])) != NULL;
    l.group = calloc(n + 1, sizeof *l.group);
    for (int j = 0; j < PL_LINES_MAX; j++)
        l.prior[j] = INFINITY;
    *out = l;
    if (ok && l.group)
        return PL_OK;
    pl_lines_free(out);
    return pl_fail(err, PL_ENOMEM, "out of memory");
}

void pl_lines_free(pl_lines *l)
{
    free(l->y);
    free(l->sigma);
    for (int j = 0; j < PL_LINES_MAX; j++)
        free(l->x[j]);
    free(l->group);
    *l = (pl_lines){ 0 };
}

/* What the values of one group come to. */
typedef struct {
    double weight, y, x[PL_LINES_MAX]; /* sum of weights, means by them */
    double offset;
} group;

/* A fit on its way. */
typedef struct {
    const pl_lines *l;
    double slope[PL_LINES_MAX], cov[PL_LINES_MAX * PL_LINES_MAX];
    group *group;                 /* [groups] */
    double *weight, *rest, *work; /* [n]; rest: what is left of a value over its sigma */
    double scale;                 /* scatter of these */
    double moved;                 /* how far the last round led, in sigma of what moved farthest */
} fit;

static bool begin(const pl_lines *l, fit *f)
{
    *f = (fit){ .l = l,
                .group = calloc(l->groups, sizeof *f->group),
                .weight = calloc(3 * l->n, sizeof *f->weight) };
    if (!f->group || !f->weight)
        return false;
    f->rest = f->weight + l->n;
    f->work = f->rest + l->n;
    for (size_t i = 0; i < l->n; i++)
        f->weight[i] = 1;
    return true;
}

static void end(fit *f)
{
    free(f->group);
    free(f->weight);
}

/* A value's part in all sums. */
static double share(const fit *f, size_t i)
{
    return f->weight[i] / (f->l->sigma[i] * f->l->sigma[i]);
}

/* Means of each group; of one whose values were all forgotten there is none. */
static void average(fit *f)
{
    const pl_lines *l = f->l;
    for (size_t g = 0; g < l->groups; g++)
        f->group[g] = (group){ .offset = f->group[g].offset };
    for (size_t i = 0; i < l->n; i++) {
        group *g = &f->group[l->group[i]];
        double w = share(f, i), part = 0;
        g->weight += w;
        if (w > 0)
            part = w / g->weight;
        g->y += part * (l->y[i] - g->y);
        for (size_t j = 0; j < l->columns; j++)
            g->x[j] += part * (l->x[j][i] - g->x[j]);
    }
}

/* Normal matrix (lower half) and right side of what the means leave, and each column's length
 * before they were taken off. */
static void add_up(fit *f, double *right, double *length)
{
    const pl_lines *l = f->l;
    size_t p = l->columns;
    for (size_t j = 0; j < p; j++)
        length[j] = f->cov[j * p + j] = 1 / (l->prior[j] * l->prior[j]);
    for (size_t i = 0; i < l->n; i++) {
        const group *g = &f->group[l->group[i]];
        double w = share(f, i), x[PL_LINES_MAX];
        for (size_t j = 0; j < p; j++) {
            x[j] = l->x[j][i] - g->x[j];
            length[j] += w * l->x[j][i] * l->x[j][i];
            right[j] += w * x[j] * (l->y[i] - g->y);
            for (size_t k = 0; k <= j; k++)
                f->cov[j * p + k] += w * x[j] * x[k];
        }
    }
}

/* In place; columns are brought to like length first. Gives: false when it is singular. */
static bool invert(double *normal, const double *length, size_t p)
{
    gsl_matrix_view m = gsl_matrix_view_array(normal, p, p);
    for (size_t j = 0; j < p; j++) {
        if (!(length[j] > 0 && isfinite(length[j])))
            return false;
        for (size_t k = 0; k <= j; k++)
            normal[j * p + k] /= sqrt(length[j] * length[k]);
    }
    if (gsl_linalg_cholesky_decomp1(&m.matrix))
        return false;
    for (size_t j = 0; j < p; j++) /* what offsets and other columns leave of it is rounding */
        if (!(normal[j * p + j] * normal[j * p + j] > 1e-13))
            return false;
    if (gsl_linalg_cholesky_invert(&m.matrix))
        return false;
    for (size_t j = 0; j < p; j++)
        for (size_t k = 0; k < p; k++)
            normal[j * p + k] /= sqrt(length[j] * length[k]);
    return true;
}

static void move(fit *f, double *to, double value, double sigma)
{
    f->moved = fmax(f->moved, fabs(value - *to) / sigma);
    *to = value;
}

/* Slopes and offsets by the inverse matrix. */
static void step(fit *f, const double *right)
{
    const pl_lines *l = f->l;
    size_t p = l->columns;
    f->moved = 0;
    for (size_t j = 0; j < p; j++) {
        double slope = 0;
        for (size_t k = 0; k < p; k++)
            slope += f->cov[j * p + k] * right[k];
        move(f, &f->slope[j], slope, sqrt(f->cov[j * p + j]));
    }
    for (size_t i = 0; i < l->groups; i++) {
        group *g = &f->group[i];
        double offset = g->y;
        for (size_t j = 0; j < p; j++)
            offset -= f->slope[j] * g->x[j];
        if (g->weight > 0)
            move(f, &g->offset, offset, 1 / sqrt(g->weight));
    }
}

/* Scatter: the expectations of slopes count as values. */
static void leave(fit *f)
{
    const pl_lines *l = f->l;
    double values = (double)(l->n + l->columns), freedom = (double)(l->n - l->groups);
    for (size_t i = 0; i < l->n; i++) {
        double y = f->group[l->group[i]].offset;
        for (size_t j = 0; j < l->columns; j++)
            y += f->slope[j] * l->x[j][i];
        f->rest[i] = (l->y[i] - y) / l->sigma[i];
    }
    memcpy(f->work, f->rest, l->n * sizeof *f->work);
    f->scale = pl_mad_sigma(f->work, l->n, 0) * sqrt(values / freedom);
}

/* The least squares for the weights as they stand; false where they do not determine the slopes. */
static bool solve(fit *f)
{
    double right[PL_LINES_MAX] = { 0 }, length[PL_LINES_MAX];
    memset(f->cov, 0, sizeof f->cov);
    average(f);
    add_up(f, right, length);
    if (!invert(f->cov, length, f->l->columns))
        return false;
    step(f, right);
    leave(f);
    return true;
}

static void reweigh(fit *f, bool huber)
{
    for (size_t i = 0; i < f->l->n; i++) {
        double u = f->scale > 0 ? fabs(f->rest[i]) / f->scale : 0, v = u / TUNE;
        f->weight[i] = huber ? fmin(1, HUBER / u) : v < 1 ? (1 - v * v) * (1 - v * v) : 0;
    }
}

static bool find(fit *f)
{
    bool huber = true, good = solve(f);
    for (int round = 0; good && round < ROUNDS; round++) {
        reweigh(f, huber);
        good = solve(f);
        bool rests = f->moved <= (huber ? NEAR : SETTLED) * fmax(1, f->scale);
        if (rests && !huber)
            break;
        huber = huber && !rests;
    }
    return good;
}

static void told(const fit *f, pl_lines_fit *out)
{
    size_t p = f->l->columns;
    *out = (pl_lines_fit){ .misfit = 0 };
    for (size_t j = 0; j < p; j++) {
        out->slope[j] = f->slope[j];
        out->sigma[j] = sqrt(f->cov[j * p + j]) * fmax(1, f->scale);
    }
    for (size_t i = 0; i < f->l->n; i++)
        out->misfit += fmin(f->rest[i] * f->rest[i], 16);
}

static bool any_empty(const fit *f)
{
    for (size_t g = 0; g < f->l->groups; g++)
        if (!(f->group[g].weight > 0))
            return true;
    return false;
}

pl_status pl_lines_solve(const pl_lines *l, pl_lines_fit *out, pl_err *err)
{
    fit f;
    if (l->groups < 1 || l->n < l->columns + l->groups + 3)
        return pl_fail(err, PL_ENODATA, "too few values");
    pl_status rc = begin(l, &f) ? PL_OK : pl_fail(err, PL_ENOMEM, "out of memory");
    if (rc == PL_OK)
        average(&f);
    if (rc == PL_OK && any_empty(&f))
        rc = pl_fail(err, PL_EARG, "a group without values");
    if (rc == PL_OK && !find(&f))
        rc = pl_fail(err, PL_EARG, "the values do not determine the slopes");
    if (rc == PL_OK)
        told(&f, out);
    end(&f);
    return rc;
}
