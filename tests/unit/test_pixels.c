/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Stored values to physical ones: FITS 4.0, 4.4.2 and table 11. */
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <string.h>

struct row {
    unsigned char raw[8];
    int bitpix;
    double bscale, bzero, want;
    char source[48];
};

ParameterizedTestParameters(pixels, convert)
{
    static struct row rows[] = {
        { { 0x80, 0x00 }, 16, 1, 32768, 0, "FITS 4.0 table 11: 0 is stored as -32768" },
        { { 0xff, 0xff }, 16, 1, 32768, 32767, "table 11" },
        { { 0x00, 0x00 }, 16, 1, 32768, 32768, "table 11" },
        { { 0x7f, 0xff }, 16, 1, 32768, 65535, "table 11" },
        { { 0xff, 0xfe }, 16, 1, 0, -2, "two's complement, big-endian" },
        { { 0x01, 0x02 }, 16, 2, 10, 526, "by hand: 10 + 2 x 258" },
        { { 0xff }, 8, 1, 0, 255, "BITPIX 8 is unsigned" },
        { { 0x00 }, 8, 1, -128, -128, "table 11: signed bytes" },
        { { 0x80, 0, 0, 0 }, 32, 1, 2147483648.0, 0, "table 11: unsigned 32 bit" },
        { { 0, 0, 1, 2 }, 32, 0.5, 0, 129, "by hand: 258 / 2" },
        { { 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xfd }, 64, 1, 0, -3, "two's complement" },
        { { 0x3f, 0x80, 0, 0 }, -32, 1, 0, 1, "IEEE 754 single" },
        { { 0xc0, 0x20, 0, 0 }, -32, 2, 1, -4, "IEEE 754: 1 + 2 x -2.5" },
        { { 0x7f, 0xc0, 0, 0 }, -32, 1, 0, NAN, "quiet NaN is blank" },
        { { 0xff, 0x80, 0, 1 }, -32, 1, 0, NAN, "signalling NaN is blank" },
        { { 0x7f, 0x80, 0, 0 }, -32, 1, 0, NAN, "an infinity is no measured value" },
        { { 0x3f, 0xf8, 0, 0, 0, 0, 0, 0 }, -64, 1, 0, 1.5, "IEEE 754 double" },
        { { 0x7f, 0xf8, 0, 0, 0, 0, 0, 0 }, -64, 1, 0, NAN, "quiet NaN is blank" },
    };
    return cr_make_param_array(struct row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct row *r, pixels, convert)
{
    struct pl_frame f = { .bitpix = r->bitpix, .bscale = r->bscale, .bzero = r->bzero };
    unsigned char raw[8 * 5]; /* five alike: a vector loop and its rest */
    float out[5];
    size_t width = (size_t)(r->bitpix < 0 ? -r->bitpix : r->bitpix) / 8;
    for (size_t i = 0; i < 5; i++)
        memcpy(raw + i * width, r->raw, width);
    pl_pixels_convert(&f, raw, 5, out);
    for (int i = 0; i < 5; i++)
        cr_expect(isnan(r->want) ? isnan(out[i]) : out[i] == (float)r->want, "%s: %g", r->source,
                  (double)out[i]);
}

/* BLANK speaks of the stored value (FITS 4.0, 4.4.2.5), and of integers alone. */
Test(pixels, blank)
{
    const unsigned char raw[6] = { 0x80, 0x00, 0xff, 0xff, 0x00, 0x07 };
    struct pl_frame f = {
        .bitpix = 16, .bscale = 1, .bzero = 32768, .has_blank = true, .blank = -1
    };
    float out[3];
    pl_pixels_convert(&f, raw, 3, out);
    cr_expect(out[0] == 0 && isnan(out[1]) && out[2] == 32775);
}

/* The fast road for unsigned 16 bit and the general one give the same, all 65536 values. */
Test(pixels, fast_road_is_the_general_one)
{
    static unsigned char raw[2 * 65536];
    static float fast[65536], general[65536];
    for (unsigned i = 0; i < 65536; i++) {
        raw[2 * i] = (unsigned char)(i >> 8);
        raw[2 * i + 1] = (unsigned char)i;
    }
    struct pl_frame f = { .bitpix = 16, .bscale = 1, .bzero = 32768 };
    pl_pixels_convert(&f, raw, 65536, fast);
    f.has_blank = true;
    f.blank = 1 << 20; /* no 16-bit value: takes the general road */
    pl_pixels_convert(&f, raw, 65536, general);
    cr_expect(eq(int, memcmp(fast, general, sizeof fast), 0));
}

/* Likewise for real numbers of 32 bit: every exponent, both signs, some mantissas. */
Test(pixels, fast_road_of_real_numbers_is_the_general_one)
{
    enum { N = 1 << 17 };
    static unsigned char raw[4 * N];
    static float fast[N], general[N];
    for (uint32_t i = 0; i < N; i++) {
        uint32_t bits = i << 15 | i % 3; /* sign, exponent and the mantissa's first eight bits */
        for (int k = 0; k < 4; k++)
            raw[4 * i + (uint32_t)k] = (unsigned char)(bits >> (24 - 8 * k));
    }
    struct pl_frame f = { .bitpix = -32, .bscale = 1, .bzero = 0 };
    pl_pixels_convert(&f, raw, N, fast);
    f.has_blank = true; /* says nothing of real numbers: takes the general road */
    pl_pixels_convert(&f, raw, N, general);
    for (int i = 0; i < N; i++)
        if (isnan(general[i]) ? !isnan(fast[i]) : fast[i] != general[i])
            cr_fatal("value %d: %g, not %g", i, (double)fast[i], (double)general[i]);
}
