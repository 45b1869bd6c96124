/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A hand over the tube's mouth: rings drawn here, with a sector missing where it is known. */
#include "../../lib/align/donut/donut.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <gsl/gsl_errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

TestSuite(hand, .init = (void (*)(void))gsl_set_error_handler_off);

enum { W = 180, H = 160 };

static const double SKY = 800, NOISE = 8, BORE = 0.35;

/* A ring with up to two sectors dark. */
typedef struct {
    double x, y, outer_px, level;
    double gap_deg[2], width_deg[2]; /* width 0: none */
    double dim;                      /* light left in a gap: out of focus it is never quite dark */
    double fwhm;
} ring;

static double away(double a, double b)
{
    return fabs(remainder(a - b, 360));
}

static double sharp(const ring *r, double x, double y)
{
    double d = hypot(x - r->x, y - r->y), a = atan2(y - r->y, x - r->x) * 180 / M_PI;
    if (d > r->outer_px / 2 || d < BORE * r->outer_px / 2)
        return 0;
    for (int k = 0; k < 2; k++)
        if (away(a, r->gap_deg[k]) < r->width_deg[k] / 2)
            return r->level * r->dim;
    return r->level;
}

/* 3 x 3 points a pixel, then a Gaussian along rows and columns. */
static void draw(const ring *r, double *v)
{
    static double flat[W * H], half[W * H];
    double kernel[41], sigma = r->fwhm / 2.3548, sum = 0;
    memset(flat, 0, sizeof flat);
    memset(half, 0, sizeof half);
    for (int k = -20; k <= 20; k++)
        sum += kernel[k + 20] = exp(-k * k / (2 * sigma * sigma));
    for (int i = 0; i < 9 * W * H; i++)
        flat[i / 9] +=
            sharp(r, i / 9 % W + (i % 3 - 1) / 3.0, i / 9 / W + (i % 9 / 3 - 1) / 3.0) / 9;
    for (int i = 0; i < W * H; i++)
        for (int k = -20; k <= 20; k++)
            if (i % W + k >= 0 && i % W + k < W)
                half[i] += kernel[k + 20] / sum * flat[i + k];
    for (int i = 0; i < W * H; i++)
        for (int k = -20; k <= 20; k++)
            if (i / W + k >= 0 && i / W + k < H)
                v[i] += kernel[k + 20] / sum * half[i + k * W];
}

static pl_facts facts_of(bool mosaic)
{
    pl_facts f = pl_facts_unknown();
    f.obstruction = (pl_num){ BORE, PL_FROM_PROFILE };
    f.mosaic.from = PL_FROM_PROFILE;
    memcpy(f.mosaic.s, mosaic ? "RGGB" : "none", 5);
    return f;
}

static pl_status find(const ring *r, bool mosaic, const pl_facts *facts, pl_side side, pl_hand *out,
                      pl_err *err)
{
    double *v = calloc(W * H, sizeof *v);
    frames_dice dice = { 77 };
    if (r)
        draw(r, v);
    for (int i = 0; i < W * H; i++) { /* red and blue are dimmer than green */
        bool green = (i % W + i / W) % 2;
        v[i] = (v[i] + SKY) * (mosaic && !green ? 0.45 : 1);
        v[i] += sqrt(NOISE * NOISE + fmax(0, v[i] - SKY) / 2) * frames_normal(&dice);
    }
    pl_frame *f = frames_memory(W, H, v);
    pl_status rc = pl_hand_find(f, facts, side, 1, out, err);
    pl_frame_free(f);
    free(v);
    return rc;
}

static ring usual(double gap_deg, double width_deg)
{
    return (ring){ .x = 92.3,
                   .y = 78.8,
                   .outer_px = 84,
                   .level = 900,
                   .gap_deg = { gap_deg },
                   .width_deg = { width_deg },
                   .fwhm = 3 };
}

struct gap_row {
    double gap_deg, width_deg, outer_px, fwhm, dim, level;
    int mosaic;
    char what[40];
};

ParameterizedTestParameters(hand, finds_the_gap)
{
    static struct gap_row rows[] = {
        { 0, 60, 84, 3, 0, 900, 0, "towards the last column" },
        { 47, 60, 84, 3, 0, 900, 0, "47 deg" },
        { 90, 60, 84, 3, 0, 900, 0, "towards the last row" },
        { 200, 60, 84, 3, 0, 900, 0, "200 deg" },
        { 355, 60, 84, 3, 0, 900, 0, "across nought" },
        { 123, 30, 84, 3, 0, 900, 0, "a finger or two" },
        { 123, 120, 84, 3, 0, 900, 0, "a whole hand" },
        { 300, 60, 44, 3, 0, 900, 0, "a small ring" },
        { 300, 60, 84, 7, 0, 900, 0, "poor air" },
        { 300, 60, 84, 3, 0.25, 900, 0, "not quite dark" },
        { 300, 60, 84, 3, 0, 80, 0, "faint: ten times the noise" },
        { 47, 60, 84, 3, 0, 900, 1, "a mosaic" },
        { 256, 40, 60, 4, 0.1, 400, 1, "a mosaic, dimmer" },
    };
    return cr_make_param_array(struct gap_row, rows, sizeof rows / sizeof *rows);
}

/* Sectors of 10 degrees: half of one for the direction, and one for each end of the width. The
 * place marks the ring; the middle of what is left of its light lies aside by up to a tenth. */
ParameterizedTest(struct gap_row *r, hand, finds_the_gap)
{
    ring d = usual(r->gap_deg, r->width_deg);
    pl_facts facts = facts_of(r->mosaic);
    pl_hand h;
    pl_err err = { PL_OK, "" };
    d.outer_px = r->outer_px;
    d.fwhm = r->fwhm;
    d.dim = r->dim;
    d.level = r->level;
    cr_assert(eq(int, find(&d, r->mosaic, &facts, PL_SIDE_UNKNOWN, &h, &err), PL_OK), "%s: %s",
              r->what, err.msg);
    cr_expect(lt(dbl, away(h.gap_deg, r->gap_deg), 5), "%s: %g", r->what, h.gap_deg);
    cr_expect(h.gap_deg >= 0 && h.gap_deg < 360);
    cr_expect(epsilon_eq(dbl, h.width_deg, r->width_deg, 20), "%s", r->what);
    cr_expect(lt(dbl, hypot(h.x_px - d.x, h.y_px - d.y), 0.1 * r->outer_px), "%s", r->what);
    cr_expect(eq(int, h.side, PL_SIDE_UNKNOWN));
    cr_expect(isnan(h.focuser_deg), "not before the side is known");
}

struct refused_row {
    double gap[2], width[2];
    char says[48], what[24];
};

ParameterizedTestParameters(hand, refuses)
{
    static struct refused_row rows[] = {
        { { 0, 0 }, { 0, 0 }, "the ring has no gap", "no hand" },
        { { 40, 220 }, { 30, 30 }, "2 dark pieces", "two gaps" },
        { { 40, 220 }, { 50, 50 }, "in pieces", "two halves" },
        { { 10, 170 }, { 60, 40 }, "in pieces", "two unequal parts" },
        { { 40, 130 }, { 40, 40 }, "2 dark pieces", "two gaps, near" },
    };
    return cr_make_param_array(struct refused_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct refused_row *r, hand, refuses)
{
    ring d = usual(r->gap[0], r->width[0]);
    pl_facts facts = facts_of(false);
    pl_hand h = { .gap_deg = -7 };
    pl_err err = { PL_OK, "" };
    d.gap_deg[1] = r->gap[1];
    d.width_deg[1] = r->width[1];
    cr_expect(eq(int, find(&d, false, &facts, PL_SIDE_UNKNOWN, &h, &err), PL_ENODATA), "%s",
              r->what);
    cr_expect(ne(ptr, strstr(err.msg, r->says), NULL), "%s: %s", r->what, err.msg);
    cr_expect(ne(int, err.msg[0], 0));
    cr_expect(eq(dbl, h.gap_deg, -7), "untouched");
}

/* Half a ring is no ring whose middle could be seen: it may be refused, but what is told is right.
 */
Test(hand, half_the_mirror)
{
    pl_facts facts = facts_of(false);
    for (double width = 150; width < 230; width += 25) {
        ring d = usual(123, width);
        pl_hand h;
        if (find(&d, false, &facts, PL_SIDE_UNKNOWN, &h, NULL) == PL_OK)
            cr_expect(lt(dbl, away(h.gap_deg, 123), 5), "%g: %g", width, h.gap_deg);
    }
}

Test(hand, no_ring_at_all)
{
    pl_facts facts = facts_of(false);
    pl_hand h = { .gap_deg = -7 };
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, find(NULL, false, &facts, PL_SIDE_UNKNOWN, &h, &err), PL_ENODATA));
    cr_expect(ne(ptr, strstr(err.msg, "no ring with a gap"), NULL), "%s", err.msg);
    ring small = usual(90, 60); /* 12 px: too small to show a gap */
    small.outer_px = 12;
    small.level = 3000;
    cr_expect(eq(int, find(&small, false, &facts, PL_SIDE_UNKNOWN, &h, NULL), PL_ENODATA));
    cr_expect(eq(dbl, h.gap_deg, -7), "untouched");
}

struct side_row {
    double known_deg; /* focuser in the profile */
    int told, side;
    double focuser_deg;
    char what[48];
};

/* The hand is on the focuser's side and shows at 47 deg; inside focus the image of the pupil is
 * turned by half. */
ParameterizedTestParameters(hand, side_and_focuser)
{
    static struct side_row rows[] = {
        { NAN, PL_SIDE_OUT, PL_SIDE_OUT, 47, "told out: the focuser is where the gap is" },
        { NAN, PL_SIDE_IN, PL_SIDE_IN, 227, "told in: opposite" },
        { 50, PL_SIDE_UNKNOWN, PL_SIDE_OUT, 50, "known, and there" },
        { 110, PL_SIDE_UNKNOWN, PL_SIDE_OUT, 110, "known, and roughly there" },
        { 230, PL_SIDE_UNKNOWN, PL_SIDE_IN, 230, "known, and opposite" },
        { 230, PL_SIDE_OUT, PL_SIDE_OUT, 47, "told outranks what was known" },
    };
    return cr_make_param_array(struct side_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct side_row *r, hand, side_and_focuser)
{
    ring d = usual(47, 60);
    pl_facts facts = facts_of(false);
    pl_hand h;
    facts.focuser_deg.v = r->known_deg;
    cr_assert(eq(int, find(&d, false, &facts, (pl_side)r->told, &h, NULL), PL_OK));
    cr_expect(eq(int, h.side, r->side), "%s", r->what);
    cr_expect(lt(dbl, away(h.focuser_deg, r->focuser_deg), 5), "%s: %g", r->what, h.focuser_deg);
    cr_expect(h.focuser_deg >= 0 && h.focuser_deg < 360);
}
