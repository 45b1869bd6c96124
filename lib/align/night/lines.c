/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lines.c - a robust straight fit with an offset for each group of values. */
#include "night.h"

#include <math.h>
#include <stdlib.h>

enum { MOST_GROUPS = 120 };

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

/* Unknowns: the slopes, then an offset for each group. Expectations of slopes come last. */
static double rest_of(const pl_lines *l, const double *x, size_t i)
{
    double y = x[l->columns + l->group[i]];
    for (size_t j = 0; j < l->columns; j++)
        y += x[j] * l->x[j][i];
    return (l->y[i] - y) / l->sigma[i];
}

static bool rests(const double *x, void *ctx, double *rest)
{
    const pl_lines *l = ctx;
    for (size_t i = 0; i < l->n; i++)
        rest[i] = rest_of(l, x, i);
    for (size_t j = 0; j < l->columns; j++)
        rest[l->n + j] = -x[j] / l->prior[j];
    return true;
}

static bool slopes(const double *x, void *ctx, double *jacobian)
{
    const pl_lines *l = ctx;
    size_t p = l->columns + l->groups;
    (void)x;
    for (size_t i = 0; i < l->n; i++) {
        double *row = jacobian + i * p;
        for (size_t j = 0; j < l->columns; j++)
            row[j] = -l->x[j][i] / l->sigma[i];
        row[l->columns + l->group[i]] = -1 / l->sigma[i];
    }
    for (size_t j = 0; j < l->columns; j++)
        jacobian[(l->n + j) * p + j] = -1 / l->prior[j];
    return true;
}

/* Each group's median to start from; false when a group is empty. */
static bool start(const pl_lines *l, double *x, double *work)
{
    for (size_t g = 0; g < l->groups; g++) {
        size_t n = 0;
        for (size_t i = 0; i < l->n; i++)
            if (l->group[i] == g)
                work[n++] = l->y[i];
        if (n == 0)
            return false;
        x[l->columns + g] = pl_median(work, n);
    }
    return true;
}

static void told(const pl_lines *l, const double *x, const double *cov, pl_lines_fit *out)
{
    size_t p = l->columns + l->groups;
    *out = (pl_lines_fit){ .misfit = 0 };
    for (size_t j = 0; j < l->columns; j++) {
        out->slope[j] = x[j];
        out->sigma[j] = sqrt(cov[j * p + j]);
    }
    for (size_t i = 0; i < l->n; i++) {
        double r = rest_of(l, x, i);
        out->misfit += fmin(r * r, 16);
    }
}

pl_status pl_lines_solve(const pl_lines *l, pl_lines_fit *out, pl_err *err)
{
    size_t p = l->columns + l->groups;
    if (l->n < p + 3 || l->groups > MOST_GROUPS || l->groups < 1)
        return pl_fail(err, PL_ENODATA, "too few values");
    double *x = calloc(p, sizeof *x), *cov = calloc(p * p, sizeof *cov),
           *work = calloc(l->n, sizeof *work);
    pl_status rc = x && cov && work ? PL_OK : pl_fail(err, PL_ENOMEM, "out of memory");
    if (rc == PL_OK && !start(l, x, work))
        rc = pl_fail(err, PL_EARG, "a group without values");
    const pl_nlsq problem = { .rest = rests,
                              .slope = slopes,
                              .ctx = (void *)l,
                              .n = l->n + l->columns,
                              .firm = l->columns,
                              .p = p,
                              .robust = true };
    if (rc == PL_OK)
        rc = pl_nlsq_fit(&problem, x, cov, NULL, NULL, err);
    if (rc == PL_OK)
        told(l, x, cov, out);
    free(x);
    free(cov);
    free(work);
    return rc;
}
