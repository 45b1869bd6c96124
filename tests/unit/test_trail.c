/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Bumps on a line are a trail; bumps in a field, however crowded, are not. */
#include "../../lib/star/star.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>

enum { W = 1200, H = 900, MOST = 2000 };

static size_t count_marked(const pl_bump *b, size_t n, size_t first, size_t last)
{
    pl_nearby nb;
    size_t marked = 0;
    cr_assert(eq(int, pl_nearby_new(W, H, n, &nb, NULL), PL_OK));
    for (size_t i = 0; i < n; i++)
        pl_nearby_add(&nb, i, b[i].x_px, b[i].y_px);
    for (size_t i = first; i < last; i++)
        marked += pl_trail_holds(b, i, &nb);
    pl_nearby_clear(&nb);
    return marked;
}

static size_t scatter(pl_bump *b, size_t n, frames_dice *dice)
{
    for (size_t i = 0; i < n; i++)
        b[i] = (pl_bump){ W * frames_uniform(dice), H * frames_uniform(dice), 10, 0 };
    return n;
}

struct row {
    double deg, spacing;
};

ParameterizedTestParameters(trail, lines)
{
    static struct row rows[] = { { 0, 9 },  { 90, 9 }, { 45, 6 },  { 137, 12 },
                                 { 20, 7 }, { 3, 9 },  { 178, 9 }, { 61.5, 8 } };
    return cr_make_param_array(struct row, rows, sizeof rows / sizeof *rows);
}

/* Along the frame, among 100 stars: nearly all of it is marked, hardly any star. */
ParameterizedTest(struct row *r, trail, lines)
{
    static pl_bump b[MOST];
    frames_dice dice = { 3 };
    size_t n = scatter(b, 100, &dice), first = n;
    double c = cos(r->deg * M_PI / 180), s = sin(r->deg * M_PI / 180);
    for (int i = -30; i < 30; i++, n++)
        b[n] = (pl_bump){ W / 2 + i * r->spacing * c + 0.7 * frames_normal(&dice),
                          H / 2 + i * r->spacing * s + 0.7 * frames_normal(&dice), 10, 0 };
    cr_expect(ge(sz, count_marked(b, n, first, n), 54), "%g deg", r->deg);
    cr_expect(le(sz, count_marked(b, n, 0, first), 4), "%g deg", r->deg);
}

Test(trail, a_crowded_field_is_none)
{
    static pl_bump b[MOST];
    static const size_t crowd[] = { 0, 1, 50, 500, 1000, MOST };
    frames_dice dice = { 4 };
    for (size_t k = 0; k < sizeof crowd / sizeof *crowd; k++) {
        size_t n = scatter(b, crowd[k], &dice);
        cr_expect(le(sz, count_marked(b, n, 0, n), n / 200), "%zu bumps", n);
    }
}
