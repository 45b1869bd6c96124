/* SPDX-License-Identifier: GPL-3.0-or-later */
/* packed.c - a tile's bytes before CFITSIO unpacks them. CFITSIO 4.2 believes what they say: cut
 * short, Rice makes it read past their end, gzip makes it reserve memory without end; a wrong size
 * inside makes HCOMPRESS write, and PLIO read, outside. (Each was seen on frames damaged at
 * random.) What HCOMPRESS packed is not followed to its end, which takes all of its unpacker. */
#include "frame.h"

#include <string.h>
#include <zlib.h>

static int64_t word(const unsigned char *p, int bytes)
{
    uint64_t v = 0;
    for (int i = 0; i < bytes; i++)
        v = v << 8 | p[i];
    return (int64_t)v;
}

/* A gzip member (RFC 1952), which gives at most so many bytes. */
static pl_packed gzip_holds(const unsigned char *in, size_t have, size_t most, size_t *left)
{
    unsigned char out[1 << 14];
    z_stream z;
    memset(&z, 0, sizeof z);
    enum { GZIP_ONLY = 15 + 16 };
    int rc = have > UINT32_MAX ? Z_DATA_ERROR : inflateInit2(&z, GZIP_ONLY);
    if (rc != Z_OK)
        return rc == Z_MEM_ERROR ? PL_PACKED_NO_MEMORY : PL_PACKED_DAMAGED;
    z.next_in = (unsigned char *)(uintptr_t)in; /* zlib only reads it */
    z.avail_in = (uInt)have;
    while (rc == Z_OK && z.total_out <= most) {
        z.next_out = out;
        z.avail_out = sizeof out;
        rc = inflate(&z, Z_NO_FLUSH);
    }
    *left = z.avail_in;
    inflateEnd(&z);
    if (rc == Z_MEM_ERROR)
        return PL_PACKED_NO_MEMORY;
    return rc == Z_STREAM_END && z.total_out <= most ? PL_PACKED_GOOD : PL_PACKED_DAMAGED;
}

/* The head of a line list (FITS 4.0, 10.4.3; its words in the order of IRAF's own, from memory):
 * how many words it has, itself included. An order to set the high bits takes the next word too. */
static bool plio_holds(const unsigned char *in, size_t have)
{
    int64_t words = (int64_t)(have / 2);
    if (words < 5)
        return false;
    int64_t n = word(in + 4, 2);
    if (n == 0 || n > INT16_MAX) {
        n = word(in + 8, 2) << 15 | word(in + 6, 2);
        if (word(in + 2, 2) > INT16_MAX) /* where the orders begin */
            return false;
    }
    return n <= words && (n < words || n < 1 || word(in + 2 * (n - 1), 2) >> 12 != 1);
}

/* The head of an H-compressed tile (White, Postman & Lattanzi 1992, from memory): a mark, the two
 * sides, the scale, the sum, and of each of three quadrants its number of bit planes. */
static bool hcompress_holds(const unsigned char *in, size_t have, size_t n)
{
    enum { HEAD = 25, PLANES = 22, MOST_PLANES = 64 };
    if (have < HEAD || word(in, 2) != 0xdd99)
        return false;
    int64_t nx = word(in + 2, 4), ny = word(in + 6, 4);
    for (int i = 0; i < 3; i++)
        if (in[PLANES + i] > MOST_PLANES)
            return false;
    return nx > 0 && ny > 0 && nx <= INT32_MAX && ny <= INT32_MAX && (uint64_t)(nx * ny) == n;
}

pl_packed pl_packed_holds(int packing, const unsigned char *in, size_t have, int bytes, int block,
                          size_t n, size_t *left)
{
    enum { MOST_BYTES = 8 }; /* of a pixel */
    bool good = true;
    *left = 0;
    switch (packing) {
    case RICE_1:
        good = pl_rice_walk(in, have, bytes, block, n, left);
        break;
    case GZIP_1:
    case GZIP_2:
        return gzip_holds(in, have, n * MOST_BYTES, left);
    case PLIO_1:
        good = plio_holds(in, have);
        break;
    case HCOMPRESS_1:
        good = hcompress_holds(in, have, n);
        break;
    default:
        break;
    }
    return good ? PL_PACKED_GOOD : PL_PACKED_DAMAGED;
}
