/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Cells of about equal star count, and what each says. */
#include "../../lib/align/align.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdlib.h>

enum { W = 3000, H = 2000, MOST = 3000 };

static pl_field field(void)
{
    pl_field f = { .width_px = W, .height_px = H, .facts = pl_facts_unknown() };
    f.facts.pixel_um = (pl_num){ 4, PL_FROM_OPTION };
    return f;
}

static pl_star *stars(size_t n)
{
    pl_star *s = calloc(n + 1, sizeof *s);
    frames_dice dice = { 51 };
    for (size_t i = 0; i < n; i++) {
        double u = frames_uniform(&dice);
        s[i].x_px = W * u * u; /* crowded on one side */
        s[i].y_px = H * frames_uniform(&dice);
        s[i].fwhm_px = 3 + s[i].x_px / 1000;
        s[i].chi1 = 0.1;
        s[i].chi2 = 0;
    }
    return s;
}

struct row {
    int stars;
};

ParameterizedTestParameters(cells, equal_counts)
{
    static struct row rows[] = { { 5 }, { 20 }, { 40 }, { 100 }, { 377 }, { 3000 } };
    return cr_make_param_array(struct row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct row *r, cells, equal_counts)
{
    size_t n = (size_t)r->stars, cells, all = 0, least = MOST, most = 0;
    pl_star *s = stars(n);
    pl_field f = field();
    pl_cell *c;
    cr_assert(eq(int, pl_cells_cut(s, n, &f, &c, &cells, NULL), PL_OK));
    cr_assert(cells >= 1 && cells <= 25);
    for (size_t i = 0; i < cells; i++) {
        all += c[i].stars;
        least = c[i].stars < least ? c[i].stars : least;
        most = c[i].stars > most ? c[i].stars : most;
        cr_expect(c[i].x_px >= 0 && c[i].x_px <= W && c[i].y_px >= 0 && c[i].y_px <= H);
        /* width follows the place: 3 + x / 1000, by hand; medians of both in one cell */
        cr_expect(epsilon_eq(dbl, c[i].fwhm_px, 3 + c[i].x_px / 1000, 1e-9));
        cr_expect(epsilon_eq(dbl, c[i].x_mm, (c[i].x_px - 1499.5) * 0.004, 1e-9));
        cr_expect(epsilon_eq(dbl, c[i].y_mm, (c[i].y_px - 999.5) * 0.004, 1e-9));
    }
    cr_expect(eq(sz, all, n), "every star in one cell");
    cr_expect(le(sz, most - least, 1 + n / cells / 4), "%zu to %zu", least, most);
    free(c);
    free(s);
}

/* chi 0.1 along +x: eccentricity sqrt(2 x 0.1 / 1.1) = 0.4264 (from chi = (a^2-b^2)/(a^2+b^2)). */
Test(cells, eccentricity_of_the_mean)
{
    pl_star *s = stars(30);
    pl_field f = field();
    pl_cell *c;
    size_t cells;
    f.facts.pixel_um = (pl_num){ NAN, PL_FROM_NOWHERE };
    for (int i = 0; i < 30; i++) {
        s[i].chi1 = 0;
        s[i].chi2 = -0.1;
    }
    cr_assert(eq(int, pl_cells_cut(s, 30, &f, &c, &cells, NULL), PL_OK));
    for (size_t i = 0; i < cells; i++) {
        cr_expect(epsilon_eq(dbl, c[i].eccentricity, 0.42640, 1e-5));
        cr_expect(epsilon_eq(dbl, c[i].angle_deg, 135, 1e-9));
        cr_expect(isnan(c[i].x_mm) && isnan(c[i].y_mm), "no pixel size: no millimetres");
    }
    free(c);
    free(s);
}
