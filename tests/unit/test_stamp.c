/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The pixels a fit may use: colour, blanks, neighbours, and why a star is not to be measured. */
#include "../../lib/star/star.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { W = 120, H = 100, MOST = 8 };

/* A frame with made-up sky (one node) and bumps. */
struct stage {
    double v[W * H];
    float level[4], noise[4];
    pl_sky sky;
    pl_bump bump[MOST];
    pl_nearby nearby;
    pl_frame *frame;
    pl_site site;
    pl_stamp stamp;
};

static struct stage *stage_new(const char *mosaic)
{
    struct stage *t = calloc(1, sizeof *t);
    t->sky = (pl_sky){ .nx = 1, .ny = 1, .cell = 128, .sky_adu = 100, .noise_adu = 5 };
    for (int p = 0; p < 4; p++) {
        t->level[p] = mosaic[0] ? 100 + 10 * p : 100;
        t->noise[p] = 5;
        t->sky.level[p] = &t->level[p];
        t->sky.noise[p] = &t->noise[p];
    }
    for (int i = 0; i < W * H; i++)
        t->v[i] = t->level[2 * (i / W & 1) + (i % W & 1)];
    t->site = (pl_site){ .sky = &t->sky,
                         .bump = t->bump,
                         .gain = 1,
                         .saturation = 65535,
                         .fwhm = 3,
                         .beta = 4,
                         .stretch = 1 };
    snprintf(t->site.mosaic, sizeof t->site.mosaic, "%s", mosaic);
    return t;
}

static void add(struct stage *t, double x, double y, double flux)
{
    frames_star s = { x, y, flux, 3, 0, 0, 4 };
    frames_draw_near(t->v, W, H, &s);
    t->bump[t->site.bumps++] = (pl_bump){ x, y, (float)(flux / (5 * 3.5449 * 3 / 2.3548)), 0 };
}

static pl_kind cut(struct stage *t, size_t bump, char colour, double radius)
{
    t->frame = frames_memory(W, H, t->v);
    t->site.frame = t->frame;
    pl_nearby_new(W, H, MOST, &t->nearby, NULL);
    for (size_t i = 0; i < t->site.bumps; i++)
        pl_nearby_add(&t->nearby, i, t->bump[i].x_px, t->bump[i].y_px);
    t->site.nearby = &t->nearby;
    pl_kind kind = pl_stamp_cut(&t->site, bump, colour, radius, &t->stamp);
    pl_nearby_clear(&t->nearby);
    pl_frame_free(t->frame);
    return kind;
}

static float used_at(const pl_stamp *s, int x, int y)
{
    return s->use[(y - s->y0) * s->w + x - s->x0];
}

Test(stamp, a_star_alone)
{
    struct stage *t = stage_new("");
    add(t, 60.3, 50.8, 5000);
    cr_assert(eq(int, cut(t, 0, 'G', 9), PL_STAR));
    const pl_stamp *s = &t->stamp;
    cr_expect(s->sky == 100 && s->var == 25 && s->gain == 1 && s->share == 1);
    for (int y = 0; y < s->h; y++)
        for (int x = 0; x < s->w; x++) {
            int px = s->x0 + x, py = s->y0 + y;
            bool inside = hypot(px - 60.3, py - 50.8) <= 9;
            cr_assert(s->use[y * s->w + x] == inside, "%d %d", px, py);
            if (inside)
                cr_assert(s->value[y * s->w + x] == (float)t->v[py * W + px]);
        }
    free(t);
}

/* Of a mosaic one colour, all levelled to that colour's sky: half of the pixels are green. */
Test(stamp, a_colour_alone)
{
    static const char colour[3] = { 'R', 'G', 'B' };
    static const double sky[3] = { 100, 115, 130 }, share[3] = { 0.25, 0.5, 0.25 };
    for (int c = 0; c < 3; c++) {
        struct stage *t = stage_new("RGGB");
        t->bump[t->site.bumps++] = (pl_bump){ 60, 50, 20, 0 };
        cr_assert(eq(int, cut(t, 0, colour[c], 9), PL_STAR));
        const pl_stamp *s = &t->stamp;
        cr_expect(epsilon_eq(dbl, s->sky, sky[c], 1e-5));
        cr_expect(eq(dbl, s->share, share[c]));
        for (int i = 0; i < s->w * s->h; i++)
            if (s->use[i] > 0) {
                int x = s->x0 + i % s->w, y = s->y0 + i / s->w;
                cr_assert(eq(chr, t->site.mosaic[2 * (y & 1) + (x & 1)], colour[c]));
                cr_assert(epsilon_eq(flt, s->value[i], (float)sky[c], 1e-3f));
            }
        free(t);
    }
}

Test(stamp, near_the_edge)
{
    static const double at[][2] = { { 2, 50 }, { W - 3, 50 }, { 60, 1 }, { 60, H - 2 } };
    for (int i = 0; i < 4; i++) {
        struct stage *t = stage_new("");
        add(t, at[i][0], at[i][1], 5000);
        cr_expect(eq(int, cut(t, 0, 'G', 9), PL_EDGE));
        free(t);
    }
    struct stage *t = stage_new(""); /* near it, but whole: a smaller stamp */
    add(t, 6, 5, 5000);
    cr_expect(eq(int, cut(t, 0, 'G', 9), PL_STAR));
    cr_expect(t->stamp.x0 == 0 && t->stamp.y0 == 0 && t->stamp.w < 19);
    free(t);
}

/* A blank in the core spoils it, one in the wings is left out. */
Test(stamp, blanks)
{
    struct stage *t = stage_new("");
    add(t, 60, 50, 5000);
    t->v[50 * W + 66] = NAN;
    cr_assert(eq(int, cut(t, 0, 'G', 9), PL_STAR));
    cr_expect(used_at(&t->stamp, 66, 50) == 0);
    for (int i = 0; i < t->stamp.w * t->stamp.h; i++)
        cr_assert(isfinite(t->stamp.value[i]));
    t->v[50 * W + 61] = NAN;
    cr_expect(eq(int, cut(t, 0, 'G', 9), PL_EDGE));
    free(t);
}

Test(stamp, clipped)
{
    struct stage *t = stage_new("");
    add(t, 60, 50, 50000);
    t->site.saturation = 4000; /* the peak is about 5000 */
    cr_expect(eq(int, cut(t, 0, 'G', 9), PL_SATURATED));
    t->site.saturation = 65535;
    cr_expect(eq(int, cut(t, 0, 'G', 9), PL_STAR));
    for (int i = 0; i < W * H; i++) /* clipped, whatever level: flat on top */
        t->v[i] = fmin(t->v[i], 2000);
    cr_expect(eq(int, cut(t, 0, 'G', 9), PL_SATURATED));
    free(t);
}

Test(stamp, on_a_trail)
{
    struct stage *t = stage_new("");
    add(t, 60, 50, 5000);
    for (int i = 1; i <= 6; i++)
        add(t, 60 + 7 * i, 50 + 2 * i, 5000);
    cr_expect(eq(int, cut(t, 0, 'G', 9), PL_TRAIL));
    free(t);
}

/* A neighbour within the core blends, one in the wings is masked, a faint one hardly matters. */
Test(stamp, neighbours)
{
    struct stage *t = stage_new("");
    add(t, 60, 50, 5000);
    add(t, 63, 50, 5000);
    cr_expect(eq(int, cut(t, 0, 'G', 9), PL_BLENDED));
    cr_expect(eq(int, cut(t, 1, 'G', 9), PL_BLENDED));
    free(t);
    t = stage_new("");
    add(t, 60, 50, 5000);
    add(t, 68, 50, 3000);
    cr_assert(eq(int, cut(t, 0, 'G', 9), PL_STAR));
    cr_expect(used_at(&t->stamp, 68, 50) == 0, "the neighbour's centre is masked");
    cr_expect(used_at(&t->stamp, 67, 50) == 0);
    cr_expect(used_at(&t->stamp, 60, 50) == 1 && used_at(&t->stamp, 61, 50) == 1,
              "not my own core");
    cr_expect(used_at(&t->stamp, 53, 50) == 1, "not the other side");
    free(t);
}

/* Never larger than the room for it. */
Test(stamp, its_largest_size)
{
    struct stage *t = stage_new("");
    add(t, 60, 50, 5000);
    cr_assert(eq(int, cut(t, 0, 'G', 1000), PL_STAR));
    cr_expect(le(int, t->stamp.w, PL_STAMP_MAX));
    cr_expect(le(int, t->stamp.h, PL_STAMP_MAX));
    free(t);
}
