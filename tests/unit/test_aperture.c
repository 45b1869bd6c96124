/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The pupil on a grid: areas by geometry, derivatives by differences. */
#include "../../lib/optics/optics.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>
#include <string.h>

enum { SIDE = 90, CELLS = SIDE * SIDE };
static const double CELL = 2.2 / SIDE;
static double x[CELLS], y[CELLS];
static double open[CELLS], slope[CELLS][PL_BY_PUPIL];

static void fill(const pl_aperture *a)
{
    for (int i = 0; i < CELLS; i++) {
        x[i] = (i % SIDE - SIDE / 2 + 0.3) * CELL;
        y[i] = (i / SIDE - SIDE / 2 - 0.2) * CELL;
    }
    static pl_edge edge[CELLS];
    size_t edges;
    pl_aperture_fill(a, x, y, CELLS, CELL, open, edge, &edges);
    memset(slope, 0, sizeof slope);
    for (size_t k = 0; k < edges; k++)
        memcpy(slope[edge[k].cell], edge[k].by, sizeof edge[k].by);
}

static double area(const pl_aperture *a)
{
    double sum = 0;
    fill(a);
    for (int i = 0; i < CELLS; i++)
        sum += open[i];
    return sum * CELL * CELL;
}

/* 2e-4: what the average over an edge's directions leaves with 82 cells across. */
Test(aperture, areas)
{
    pl_aperture a = { 0 };
    cr_expect(epsilon_eq(dbl, area(&a), M_PI, 2e-4 * M_PI));
    a.obstruction = 0.33;
    cr_expect(epsilon_eq(dbl, area(&a), M_PI * (1 - 0.33 * 0.33), 2e-4 * M_PI));
    a.shadow_x = 0.083;
    a.shadow_y = -0.051;
    cr_expect(epsilon_eq(dbl, area(&a), M_PI * (1 - 0.33 * 0.33), 2e-4 * M_PI), "off centre");
}

/* A vane from the centre covers its width times what the rim and the shadow leave of the radius,
 * but for the curvature of both, w^3 / 24 (1 + 1 / e). Thinner than a cell (0.024) or wider; 1 % of
 * the vanes for those at odd angles. */
Test(aperture, vanes)
{
    const double width[] = { 0.01, 0.06 }, deg[] = { 0, 17 };
    for (int i = 0; i < 4; i++) {
        pl_aperture a = {
            .obstruction = 0.33, .vanes = 3, .vane_width = width[i % 2], .vane_deg = deg[i / 2]
        };
        double vane = 3 * width[i % 2] * (1 - 0.33);
        cr_expect(epsilon_eq(dbl, M_PI * (1 - 0.33 * 0.33) - area(&a), vane, 0.01 * vane + 2e-4),
                  "%g wide at %g", width[i % 2], deg[i / 2]);
    }
}

/* Light and shadow where they must be: the secondary moved to +x, a vane along 90 degrees only. */
Test(aperture, where)
{
    const pl_aperture a = { 0.3, 0.1, 0, 1, 0.05, 90 };
    const double px[] = { 0.35, -0.25, 0.1, 0.1, 0.9, 1.1 }, py[] = { 0, 0, 0.6, -0.6, 0, 0 };
    const double want[] = { 0, 1, 0, 1, 1, 0 };
    double o[6];
    pl_edge edge[6];
    size_t edges;
    double light = pl_aperture_fill(&a, px, py, 6, 0.01, o, edge, &edges);
    cr_expect(epsilon_eq(dbl, light, 3, 1e-12));
    for (int i = 0; i < 6; i++)
        cr_expect(epsilon_eq(dbl, o[i], want[i], 1e-12), "point %d", i);
}

/* Never more edges than there is room for: every vane there may be, as wide as makes most of them.
 */
Test(aperture, edges_have_room)
{
    static pl_edge edge[CELLS];
    for (int i = 0; i < 8; i++) {
        pl_aperture a = { 0.1 * i, 0.3 - 0.1 * i, 0, 16, 0.05 * i, 11 * i };
        size_t edges = 0;
        fill(&a);
        pl_aperture_fill(&a, x, y, CELLS, CELL, open, edge, &edges);
        cr_expect(le(sz, edges, pl_aperture_edges(1000 * CELLS, (size_t)(2 / CELL))));
    }
}

/* Central differences, cell by cell. The spread's second derivative has steps, so a few cells in a
 * thousand that pass one within h differ by up to 3 h / cell^2; the rest by rounding. */
Test(aperture, derivatives)
{
    static double at[CELLS], up[CELLS];
    const double h = 1e-6;
    pl_aperture a = { 0.33, 0.04, -0.03, 4, 0.03, 20 };
    double *by[PL_BY_PUPIL] = { &a.shadow_x, &a.shadow_y, &a.obstruction };
    for (int k = 0; k < PL_BY_PUPIL; k++) {
        double *place = by[k], middle = *place;
        fill(&a);
        for (int i = 0; i < CELLS; i++)
            at[i] = slope[i][k];
        *place = middle + h;
        fill(&a);
        for (int i = 0; i < CELLS; i++)
            up[i] = open[i];
        *place = middle - h;
        fill(&a);
        for (int i = 0; i < CELLS; i++) {
            double want = (up[i] - open[i]) / (2 * h);
            cr_expect(epsilon_eq(dbl, at[i], want, 3 * h / CELL / CELL), "cell %d", i);
        }
        *place = middle;
    }
}
