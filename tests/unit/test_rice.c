/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Rice-packed pixels. What is packed comes from CFITSIO's packer, in an answer the same pixels must
 * come out; what is damaged must stay inside its bytes (the sanitizers look on: each tile lies in
 * memory of just its length). */
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <stdlib.h>
#include <string.h>

/* In CFITSIO's library, but not in its public header. */
int fits_rcomp(int a[], int nx, unsigned char *c, int clen, int nblock);
int fits_rcomp_short(short a[], int nx, unsigned char *c, int clen, int nblock);
int fits_rcomp_byte(signed char a[], int nx, unsigned char *c, int clen, int nblock);

enum { MOST = 9576, ROOM = 4 * MOST + 100 };

typedef enum { NOISE, EQUAL, RUNS, WILD, STEPS, STARS, FALLING, KINDS } kind;

static const char *const kind_name[] = { "noise", "equal", "zero runs", "wild",
                                         "steps", "stars", "falling" };

/* As stored: camera's pixels less 32768, so the first ones are often negative. */
static short pixel(kind what, int i, frames_dice *dice)
{
    double u = frames_uniform(dice);
    switch (what) {
    case NOISE:
        return (short)(-32268 + 15 * frames_normal(dice));
    case EQUAL:
        return -7;
    case RUNS: /* blocks of 0, a lonely one among them */
        return (short)(i / 97 % 3 ? 12 : (int)(u * 4));
    case WILD: /* no difference is small: stored as they are */
        return (short)(u * 65536 - 32768);
    case STEPS: /* the largest differences there are, up and down */
        return i % 2 ? 32767 : -32768;
    case STARS: /* one large difference among small ones: long runs of 0 bits */
        return (short)(u < 0.01 ? 32000 * u / 0.01 : -32000 + 20 * u);
    default:
        return (short)(-3 * i);
    }
}

/* Bytes in memory of their own, with what lies behind them. */
static unsigned char *alone(const unsigned char *packed, size_t have, int behind)
{
    unsigned char *in = malloc(have + PL_RICE_SPARE);
    memcpy(in, packed, have);
    memset(in + have, behind, PL_RICE_SPARE);
    return in;
}

static bool unpack(const unsigned char *packed, size_t have, int behind, int block, uint16_t *out,
                   size_t n, size_t *left)
{
    unsigned char *in = alone(packed, have, behind);
    uint16_t *own = malloc(n * sizeof *own); /* of just that length, too */
    size_t walked = 0;
    bool good = pl_rice_unpack(in, have, block, 0x8000, own, n, left);
    cr_expect(eq(int, pl_rice_walk(in, have, 2, block, n, &walked), good));
    if (good)
        cr_expect(eq(sz, walked, *left));
    memcpy(out, own, good ? n * sizeof *own : 0);
    free(own);
    free(in);
    return good;
}

struct row {
    int n, block;
};

ParameterizedTestParameters(rice, as_packed)
{
    static struct row rows[] = { { 1, 32 },    { 2, 32 },     { 31, 32 },  { 32, 32 },
                                 { 33, 32 },   { 100, 16 },   { 100, 7 },  { 1000, 1 },
                                 { 1000, 13 }, { 1000, 400 }, { 480, 32 }, { MOST, 32 } };
    return cr_make_param_array(struct row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct row *r, rice, as_packed)
{
    static short stored[MOST];
    static uint16_t got[MOST];
    static unsigned char packed[ROOM];
    frames_dice dice = { 1 };
    for (kind k = NOISE; k < KINDS; k++) {
        for (int i = 0; i < r->n; i++)
            stored[i] = pixel(k, i, &dice);
        size_t left = 9;
        int have = fits_rcomp_short(stored, r->n, packed, ROOM, r->block);
        cr_assert(gt(int, have, 0));
        cr_assert(unpack(packed, (size_t)have, 0xff, r->block, got, (size_t)r->n, &left), "%s",
                  kind_name[k]);
        cr_expect(eq(sz, left, 0));
        for (int i = 0; i < r->n; i++)
            cr_assert(eq(int, got[i], stored[i] + 32768), "%s: pixel %d", kind_name[k], i);
        /* more bytes than needed: the same pixels, and it is said */
        cr_assert(unpack(packed, (size_t)have + 11, 0, r->block, got, (size_t)r->n, &left));
        cr_expect(eq(sz, left, 11));
    }
}

/* The packer's last byte holds bits of the last pixel, so no byte can be missing. */
Test(rice, cut_short)
{
    enum { N = 200 };
    short stored[N];
    uint16_t got[N];
    static unsigned char packed[ROOM];
    frames_dice dice = { 2 };
    for (kind k = NOISE; k < KINDS; k++) {
        for (int i = 0; i < N; i++)
            stored[i] = pixel(k, i, &dice);
        int have = fits_rcomp_short(stored, N, packed, ROOM, 32);
        for (int cut = 0; cut < have; cut++) {
            size_t left = 0;
            cr_assert(not(unpack(packed, (size_t)cut, 0, 32, got, N, &left)), "%s: %d of %d",
                      kind_name[k], cut, have);
            cr_assert(not(unpack(packed, (size_t)cut, 0xff, 32, got, N, &left)));
            cr_assert(le(sz, left, (size_t)cut));
        }
    }
}

/* What comes out, or that nothing does, depends on the tile's own bytes alone. */
Test(rice, damaged)
{
    enum { N = 300, TRIES = 3000 };
    short stored[N];
    uint16_t one[N], two[N];
    static unsigned char packed[ROOM];
    frames_dice dice = { 3 };
    int good = 0;
    for (int t = 0; t < TRIES; t++) {
        for (int i = 0; i < N; i++)
            stored[i] = pixel((kind)(t % KINDS), i, &dice);
        size_t a = 0, b = 0, have = (size_t)fits_rcomp_short(stored, N, packed, ROOM, 32);
        for (int i = 0; i < 1 + t % 9; i++)
            packed[(size_t)(frames_uniform(&dice) * (double)have)] =
                (unsigned char)(frames_uniform(&dice) * 256 * (t % 2));
        bool whole = unpack(packed, have, 0, 32, one, N, &a);
        cr_assert(eq(int, unpack(packed, have, 0xff, 32, two, N, &b), whole));
        cr_assert(whole ? a == b && memcmp(one, two, sizeof one) == 0 : true);
        good += whole;
    }
    cr_expect(good > 0 && good < TRIES, "%d of %d", good, TRIES); /* both kinds were tried */
}

/* Zero bits only, or one bits only: no start of anything, and the longest run. */
Test(rice, all_bits_alike)
{
    static unsigned char same[1000];
    uint16_t got[64];
    for (int v = 0; v < 256; v += 255)
        for (size_t have = 0; have < sizeof same; have++) {
            size_t left = 0;
            memset(same, v, have);
            unpack(same, have, v, 32, got, 64, &left);
            cr_assert(le(sz, left, have));
        }
}

Test(rice, pixels_of_other_sizes)
{
    enum { N = 500 };
    static int wide[N];
    static signed char narrow[N];
    static unsigned char packed[ROOM];
    frames_dice dice = { 4 };
    for (int wild = 0; wild < 2; wild++) {
        for (int i = 0; i < N; i++) {
            wide[i] = (int)(frames_normal(&dice) * (wild ? 5e8 : 300)) - 70000;
            narrow[i] = (signed char)(frames_normal(&dice) * (wild ? 30 : 3));
        }
        size_t left = 9, have = (size_t)fits_rcomp(wide, N, packed, ROOM, 32);
        cr_expect(pl_rice_walk(packed, have, 4, 32, N, &left) && left == 0);
        cr_expect(not(pl_rice_walk(packed, have - 1, 4, 32, N, &left)));
        have = (size_t)fits_rcomp_byte(narrow, N, packed, ROOM, 32);
        cr_expect(pl_rice_walk(packed, have, 1, 32, N, &left) && left == 0);
        cr_expect(not(pl_rice_walk(packed, have - 1, 1, 32, N, &left)));
    }
}

Test(rice, what_no_standard_has)
{
    unsigned char in[64 + PL_RICE_SPARE] = { 0 };
    uint16_t out[4];
    size_t left = 0;
    cr_expect(not(pl_rice_unpack(in, 64, 0, 0, out, 4, &left)));
    cr_expect(not(pl_rice_unpack(in, 64, -32, 0, out, 4, &left)));
    cr_expect(not(pl_rice_walk(in, 64, 3, 32, 4, &left)));
    cr_expect(not(pl_rice_walk(in, 64, 8, 32, 4, &left)));
    cr_expect(not(pl_rice_walk(in, 64, 0, 32, 4, &left)));
}
