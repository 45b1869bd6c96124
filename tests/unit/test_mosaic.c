/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Seeing a colour mosaic: header right, silent and wrong; coloured sky, or grey sky and stars. */
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { W = 400, H = 320, STARS = 60 };

/* Factor of a pixel's colour against green. */
static double factor(const char *pattern, int x, int y, double red, double blue)
{
    char c = pattern[0] ? pattern[2 * (y & 1) + (x & 1)] : 'G';
    return c == 'R' ? red : c == 'B' ? blue : 1;
}

/* Sky of 900 and 60 stars, each with its own colour, seen through a mosaic. */
static double *scene(const char *pattern, double sky_red, double sky_blue, pl_spot *spot,
                     double flux)
{
    double *v = malloc(sizeof *v * W * H), *one = calloc(W * H, sizeof *one);
    frames_dice dice = { 11 };
    for (int i = 0; i < W * H; i++)
        v[i] = 900 * factor(pattern, i % W, i / W, sky_red, sky_blue);
    for (int n = 0; n < STARS; n++) {
        frames_star s = { 20 + 40 * (n % 10) + 5 * frames_uniform(&dice),
                          25 + 50 * (n / 10) + 5 * frames_uniform(&dice),
                          flux,
                          3,
                          0,
                          0,
                          4 };
        double red = 0.3 + 1.2 * frames_uniform(&dice), blue = 1.8 - red;
        spot[n] = (pl_spot){ s.x, s.y };
        memset(one, 0, sizeof *one * W * H);
        frames_draw_near(one, W, H, &s);
        for (int i = 0; i < W * H; i++)
            v[i] += one[i] * factor(pattern, i % W, i / W, red, blue);
    }
    frames_noise(v, W * H, 0, 1, &dice);
    free(one);
    return v;
}

static void decide(const double *v, const pl_spot *spot, const char *told, pl_source from,
                   char mosaic[8], pl_notes *notes)
{
    pl_frame *f = frames_memory(W, H, v);
    pl_sky sky = { 0 };
    pl_facts facts = pl_facts_unknown();
    if (told[0])
        cr_assert(eq(int, pl_facts_set(&facts, "mosaic", told, from, NULL), PL_OK));
    cr_assert(eq(int, pl_sky_measure(f, 1, &sky, NULL), PL_OK));
    cr_assert(
        eq(int, pl_mosaic_decide(f, &sky, spot, STARS, &facts, 2, mosaic, notes, NULL), PL_OK));
    pl_sky_clear(&sky);
    pl_frame_free(f);
}

struct row {
    char truth[8], told[8];
    double sky_red, sky_blue;
    char want[8];
    int notes;
    char says[40];
};

/* Green is what can be seen. Told nothing, red and blue may be exchanged: RGGB stands for BGGR too.
 * Told a pattern of the other diagonal, it is taken one row on: what RGGB of an even height reads
 * from the bottom up is GBRG (by hand). */
ParameterizedTestParameters(mosaic, decide)
{
    static struct row rows[] = {
        { "RGGB", "RGGB", 0.5, 0.7, "RGGB", 0, "" },
        { "GRBG", "GRBG", 0.5, 0.7, "GRBG", 0, "" },
        { "GBRG", "GBRG", 0.5, 0.7, "GBRG", 0, "" },
        { "BGGR", "BGGR", 0.5, 0.7, "BGGR", 0, "" },
        { "RGGB", "", 0.5, 0.7, "RGGB", 1, "no mosaic is named" },
        { "BGGR", "", 0.5, 0.7, "RGGB", 1, "may be exchanged" },
        { "GBRG", "", 0.5, 0.7, "GRBG", 1, "may be exchanged" },
        { "GRBG", "RGGB", 0.5, 0.7, "GBRG", 1, "other diagonal" },
        { "RGGB", "GBRG", 0.5, 0.7, "RGGB", 1, "other diagonal" },
        { "BGGR", "GRBG", 0.5, 0.7, "BGGR", 1, "other edge" },
        { "RGGB", "RGGB", 1, 1, "RGGB", 0, "" },
        { "RGGB", "", 1, 1, "RGGB", 1, "no mosaic is named" },
        { "GBRG", "RGGB", 1, 1, "GBRG", 1, "other edge" },
        { "RGGB", "none", 0.5, 0.7, "RGGB", 1, "no mosaic is named" },
        { "", "", 1, 1, "", 0, "" },
        { "", "none", 1, 1, "", 0, "" },
        { "", "RGGB", 1, 1, "", 1, "measured as mono" },
    };
    return cr_make_param_array(struct row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct row *r, mosaic, decide)
{
    pl_spot spot[STARS];
    double *v = scene(r->truth, r->sky_red, r->sky_blue, spot, 20000);
    char got[8] = "x";
    pl_notes notes = { NULL, 0, 0 };
    decide(v, spot, r->told, PL_FROM_HEADER, got, &notes);
    cr_expect(eq(str, got, r->want), "truth %s, header %s, sky %g", r->truth, r->told, r->sky_red);
    cr_expect(eq(sz, notes.n, (size_t)r->notes), "truth %s, header %s", r->truth, r->told);
    if (notes.n)
        cr_expect(ne(ptr, strstr(notes.item[0], r->says), NULL), "%s", notes.item[0]);
    pl_notes_clear(&notes);
    free(v);
}

/* The command line is believed, whatever the pixels show. */
Test(mosaic, what_the_user_says_holds)
{
    static const char told[3][8] = { "GRBG", "none", "RGGB" }, want[3][8] = { "GRBG", "", "RGGB" };
    pl_spot spot[STARS];
    double *v = scene("RGGB", 0.5, 0.7, spot, 20000);
    for (int i = 0; i < 3; i++) {
        char got[8] = "x";
        pl_notes notes = { NULL, 0, 0 };
        decide(v, spot, told[i], PL_FROM_OPTION, got, &notes);
        cr_expect(eq(str, got, (char *)want[i]));
        cr_expect(eq(sz, notes.n, 0));
    }
    free(v);
}

/* A grey sky without stars shows nothing: the header is believed; silent, it is mono. */
Test(mosaic, nothing_to_see)
{
    static const char told[2][8] = { "GBRG", "" };
    pl_spot spot[STARS];
    double *v = scene("GBRG", 1, 1, spot, 0);
    for (int i = 0; i < 2; i++) {
        char got[8] = "x";
        pl_notes notes = { NULL, 0, 0 };
        decide(v, spot, told[i], PL_FROM_HEADER, got, &notes);
        cr_expect(eq(str, got, (char *)told[i]));
        cr_expect(eq(sz, notes.n, 0));
        pl_notes_clear(&notes);
    }
    free(v);
}
