/* SPDX-License-Identifier: GPL-3.0-or-later */
/* rice.c - Rice-packed pixels: FITS 4.0, 10.4.1, after Rice, Yeh & Miller 1993 and Pence, Seaman &
 * White 2009 (from memory). The first pixel stands as it is, big-endian; then, block by block, how
 * many low bits each difference keeps, and the differences d = pixel - the one before, as
 * 2 d or -2 d - 1: the high part in unary (so many 0 and a 1), then the low bits as they are.
 * Two numbers of low bits mean something else: none at all, all differences are 0; and the largest,
 * all stand there as they are. The first pixel's own difference, 0, is packed with the others. */
#include "frame.h"

#include <string.h>

/* What depends on the pixel's size. */
typedef struct {
    int bits;  /* of a pixel */
    int count; /* bits that tell a block's number of low bits, plus 1 */
    int raw;   /* this number: differences as they are */
} rice_kind;

static const rice_kind bytes1 = { 8, 3, 6 }, bytes2 = { 16, 4, 14 }, bytes4 = { 32, 5, 25 };

/* Where we are: `at` bits from the beginning of `in`, `end` bits of it hold pixels; behind them
 * PL_RICE_SPARE bytes can be read too. */
typedef struct {
    const unsigned char *in;
    uint64_t at, end;
} rice_bits;

PL_INTO int zeros_before_a_one(uint64_t w)
{
#ifdef __GNUC__
    return __builtin_clzll(w);
#else
    int n = 0;
    for (; !(w >> 63); w <<= 1)
        n++;
    return n;
#endif
}

/* The next 57 bits or more, from the left, then 0. */
PL_INTO uint64_t peek(const rice_bits *b)
{
    const unsigned char *p = b->in + (b->at >> 3);
    uint64_t w = (uint64_t)p[0] << 56 | (uint64_t)p[1] << 48 | (uint64_t)p[2] << 40 |
                 (uint64_t)p[3] << 32 | (uint64_t)p[4] << 24 | (uint64_t)p[5] << 16 |
                 (uint64_t)p[6] << 8 | (uint64_t)p[7];
    return w << (b->at & 7);
}

/* n bits, at most 32, as a number. Gives: false when they are not there. */
PL_INTO bool take(rice_bits *b, int n, uint32_t *out)
{
    if (b->end - b->at < (uint64_t)n)
        return false;
    *out = n ? (uint32_t)(peek(b) >> (64 - n)) : 0;
    b->at += (uint64_t)n;
    return true;
}

/* One difference of any length. */
PL_INTO bool take_code(rice_bits *b, int low, uint32_t *code)
{
    enum { SEEN = 57 };
    uint32_t high = 0, rest = 0;
    uint64_t w = peek(b);
    while (!(w >> (64 - SEEN))) {
        if (b->end - b->at < SEEN)
            return false;
        b->at += SEEN;
        high += SEEN;
        w = peek(b);
    }
    uint64_t zeros = (uint64_t)zeros_before_a_one(w);
    if (b->end - b->at < zeros + 1)
        return false;
    high += (uint32_t)zeros;
    b->at += zeros + 1;
    if (!take(b, low, &rest))
        return false;
    *code = high << low | rest;
    return true;
}

PL_INTO uint32_t difference(uint32_t code)
{
    return code & 1 ? ~(code >> 1) : code >> 1;
}

PL_INTO void put(uint16_t *out, size_t i, uint32_t pixel)
{
    if (out)
        out[i] = (uint16_t)pixel;
}

/* A block of m differences with `low` low bits each. Four codes at a time where they fit in what
 * one look shows, as they mostly do. */
PL_INTO bool take_block(rice_bits *b, int low, uint32_t *pixel, uint16_t *out, size_t first,
                        size_t m)
{
    enum { AT_ONCE = 4, SEEN = 57 };
    size_t i = 0;
    uint32_t code = 0, last = *pixel;
    while (i < m) {
        if (m - i >= AT_ONCE && b->end - b->at >= SEEN) {
            uint64_t w = peek(b);
            uint32_t four[AT_ONCE];
            int used = 0;
            for (int k = 0; k < AT_ONCE; k++) {
                int zeros = zeros_before_a_one(w | 1);
                uint64_t rest = w << zeros << 1;
                four[k] = (uint32_t)zeros << low | (uint32_t)(rest >> 1 >> (63 - low));
                w = rest << low;
                used += zeros + 1 + low;
            }
            if (used <= SEEN) {
                for (int k = 0; k < AT_ONCE; k++)
                    put(out, first + i + (size_t)k, last += difference(four[k]));
                i += AT_ONCE;
                b->at += (uint64_t)used;
                continue;
            }
        }
        if (!take_code(b, low, &code))
            return false;
        put(out, first + i++, last += difference(code));
    }
    *pixel = last;
    return true;
}

/* All of a tile. out: NULL: only walk through it. */
PL_INTO bool unpack(rice_bits *b, const rice_kind kind, int block, uint16_t plus, uint16_t *out,
                    size_t n)
{
    uint32_t pixel = 0, count = 0, code = 0;
    if (!take(b, kind.bits, &pixel))
        return false;
    pixel += plus;
    for (size_t i = 0; i < n; i += (size_t)block) {
        size_t m = n - i < (size_t)block ? n - i : (size_t)block;
        if (!take(b, kind.count, &count))
            return false;
        int low = (int)count - 1;
        if (low == kind.raw) {
            for (size_t k = 0; k < m; k++) {
                if (!take(b, kind.bits, &code))
                    return false;
                put(out, i + k, pixel += difference(code));
            }
        } else if (low < 0) {
            for (size_t k = 0; k < m; k++)
                put(out, i + k, pixel);
        } else if (!take_block(b, low, &pixel, out, i, m)) {
            return false;
        }
    }
    return true;
}

bool pl_rice_unpack(const unsigned char *in, size_t have, int block, uint16_t plus, uint16_t *out,
                    size_t n, size_t *left)
{
    rice_bits b = { in, 0, (uint64_t)have * 8 };
    bool good = block > 0 && unpack(&b, bytes2, block, plus, out, n);
    *left = (size_t)(b.end - b.at) / 8;
    return good;
}

bool pl_rice_walk(const unsigned char *in, size_t have, int bytes, int block, size_t n,
                  size_t *left)
{
    rice_bits b = { in, 0, (uint64_t)have * 8 };
    bool good = false;
    if (block > 0 && bytes == 1)
        good = unpack(&b, bytes1, block, 0, NULL, n);
    else if (block > 0 && bytes == 2)
        good = unpack(&b, bytes2, block, 0, NULL, n);
    else if (block > 0 && bytes == 4)
        good = unpack(&b, bytes4, block, 0, NULL, n);
    *left = (size_t)(b.end - b.at) / 8;
    return good;
}
