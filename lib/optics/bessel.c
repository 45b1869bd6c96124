/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bessel.c - a table of J0 and J2, read by quintics. */
#include "bessel.h"

#include <math.h>
#include <stdlib.h>
#include <gsl/gsl_sf_bessel.h>

static const double STEP = 0.25;

/* J0' = -J1; J2 = 2 J1 / v - J0, J2' = J1 - 2 J2 / v; and Bessel's equation,
 * J'' = -J' / v - (1 - order^2 / v^2) J. */
static pl_bessel_node node_at(double v)
{
    if (v == 0)
        return (pl_bessel_node){ { 1, 0, -0.5 }, { 0, 0, 0.25 } };
    double j0 = gsl_sf_bessel_J0(v), j1 = gsl_sf_bessel_J1(v);
    double j2 = 2 * j1 / v - j0, slope = j1 - 2 * j2 / v;
    return (pl_bessel_node){ { j0, -j1, j1 / v - j0 },
                             { j2, slope, -slope / v - (1 - 4 / (v * v)) * j2 } };
}

pl_status pl_bessel_new(double most, pl_bessel *out, pl_err *err)
{
    pl_bessel b = { .nodes = (size_t)(most / STEP) + 3 };
    b.node = malloc(b.nodes * sizeof *b.node);
    if (!b.node)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    for (size_t i = 0; i < b.nodes; i++)
        b.node[i] = node_at((double)i * STEP);
    *out = b;
    return PL_OK;
}

void pl_bessel_clear(pl_bessel *table)
{
    free(table->node);
    *table = (pl_bessel){ NULL, 0 };
}

/* By how much value, slope and bend at either end count at t in [0, 1] between them. */
struct quintic {
    double from[3], to[3];
};

static struct quintic quintic_at(double t)
{
    double q = 1 - t, t3 = t * t * t, q3 = q * q * q;
    double half = STEP * STEP / 2;
    return (struct quintic){
        { q3 * (1 + 3 * t + 6 * t * t), STEP * q3 * t * (1 + 3 * t), half * q3 * t * t },
        { t3 * (1 + 3 * q + 6 * q * q), -STEP * t3 * q * (1 + 3 * q), half * t3 * q * q }
    };
}

static double between(const struct quintic *w, const double from[3], const double to[3])
{
    return w->from[0] * from[0] + w->from[1] * from[1] + w->from[2] * from[2] + w->to[0] * to[0] +
           w->to[1] * to[1] + w->to[2] * to[2];
}

void pl_bessel_row(const pl_bessel *table, double times, const double *at, size_t n, double *j0,
                   double *j2)
{
    for (size_t i = 0; i < n; i++) {
        double place = times * at[i] / STEP;
        const pl_bessel_node *from = table->node + (size_t)place, *to = from + 1;
        struct quintic w = quintic_at(place - (double)(size_t)place);
        j0[i] = between(&w, from->j0, to->j0);
        if (j2)
            j2[i] = between(&w, from->j2, to->j2);
    }
}
