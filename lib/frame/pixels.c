/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pixels.c - stored values to physical ones: physical = BZERO + BSCALE * stored (FITS 4.0, 4.4.2).
 * Stored values are big-endian; the loops swap as they go and are plain enough to vectorise. */
#include "frame.h"

#include <math.h>
#include <string.h>

static uint16_t load16(const unsigned char *p)
{
    return (uint16_t)(p[0] << 8 | p[1]);
}

static uint32_t load32(const unsigned char *p)
{
    return (uint32_t)p[0] << 24 | (uint32_t)p[1] << 16 | (uint32_t)p[2] << 8 | p[3];
}

static uint64_t load64(const unsigned char *p)
{
    return (uint64_t)load32(p) << 32 | load32(p + 4);
}

static bool is_little_endian(void)
{
    uint16_t probe = 1;
    unsigned char low;
    memcpy(&low, &probe, 1);
    return low;
}

/* The usual camera frame: unsigned 16 bit, stored less 32768. */
PL_WIDE
static void convert_u16(const uint16_t *restrict p, size_t n, float *restrict o)
{
    if (is_little_endian())
        for (size_t i = 0; i < n; i++)
            o[i] = (float)(uint16_t)((uint16_t)(p[i] << 8 | p[i] >> 8) ^ 0x8000);
    else
        for (size_t i = 0; i < n; i++)
            o[i] = (float)(uint16_t)(p[i] ^ 0x8000);
}

/* Real numbers as they are; what is not finite is blank. */
PL_WIDE
static void convert_real32(const uint32_t *restrict p, size_t n, float *restrict o)
{
    const uint32_t exponent = 0x7f800000, quiet_nan = 0x7fc00000;
    bool swap = is_little_endian();
    for (size_t i = 0; i < n; i++) {
        union {
            uint32_t u;
            float f;
        } v = { p[i] };
        if (swap)
            v.u = v.u << 24 | (v.u & 0xff00) << 8 | (v.u >> 8 & 0xff00) | v.u >> 24;
        v.u = (v.u & exponent) == exponent ? quiet_nan : v.u;
        o[i] = v.f;
    }
}

static float scaled(const struct pl_frame *f, int64_t stored)
{
    if (f->has_blank && stored == f->blank)
        return NAN;
    return (float)(f->bzero + f->bscale * (double)stored);
}

static float scaled_real(const struct pl_frame *f, double stored)
{
    return isfinite(stored) ? (float)(f->bzero + f->bscale * stored) : NAN;
}

static float real32(const unsigned char *p)
{
    uint32_t u = load32(p);
    float v;
    memcpy(&v, &u, sizeof v);
    return v;
}

static double real64(const unsigned char *p)
{
    uint64_t u = load64(p);
    double v;
    memcpy(&v, &u, sizeof v);
    return v;
}

bool pl_pixels_are_camera(const struct pl_frame *f)
{
    return f->bscale == 1.0 && !f->has_blank && f->bitpix == 16 && f->bzero == 32768.0;
}

void pl_pixels_convert(const struct pl_frame *f, const void *raw, size_t n, float *out)
{
    const unsigned char *p = raw; /* rows start on whole values of a malloc'd or stack buffer */
    if (pl_pixels_are_camera(f)) {
        convert_u16(raw, n, out);
        return;
    }
    if (f->bscale == 1.0 && !f->has_blank && f->bitpix == -32 && f->bzero == 0.0) {
        convert_real32(raw, n, out);
        return;
    }
    for (size_t i = 0; i < n; i++)
        switch (f->bitpix) {
        case 8:
            out[i] = scaled(f, p[i]);
            break;
        case 16:
            out[i] = scaled(f, (int16_t)load16(p + 2 * i));
            break;
        case 32:
            out[i] = scaled(f, (int32_t)load32(p + 4 * i));
            break;
        case 64:
            out[i] = scaled(f, (int64_t)load64(p + 8 * i));
            break;
        case -32:
            out[i] = scaled_real(f, real32(p + 4 * i));
            break;
        default:
            out[i] = scaled_real(f, real64(p + 8 * i));
            break;
        }
}

/* Two neighbours of a row at once. */
static uint32_t pair(const void *row, size_t i)
{
    uint32_t two;
    memcpy(&two, (const unsigned char *)row + 4 * i, sizeof two);
    return two;
}

/* High bytes come first, and their sign bit is turned over by the 32768. On a processor that keeps
 * them the other way round the two kinds of byte change places. */
PL_WIDE
static void bin_stored(const void *top, const void *low, size_t n, float *restrict out)
{
    const uint32_t byte = 0x00ff00ff, sign = is_little_endian() ? 0x00800080 : 0x80008000;
    int even = is_little_endian() ? 256 : 1, odd = 257 - even;
    for (size_t i = 0; i < n; i++) {
        uint32_t a = pair(top, i) ^ sign, b = pair(low, i) ^ sign;
        uint32_t e = (a & byte) + (b & byte), o = (a >> 8 & byte) + (b >> 8 & byte);
        e = (e & 0xffff) + (e >> 16);
        o = (o & 0xffff) + (o >> 16);
        out[i] = (float)(even * (int)e + odd * (int)o);
    }
}

PL_WIDE
static void bin_u16(const uint16_t *top, const uint16_t *low, size_t n, float *restrict out)
{
    for (size_t i = 0; i < n; i++) {
        uint32_t a = pair(top, i), b = pair(low, i);
        out[i] = (float)(int)((a & 0xffff) + (a >> 16) + (b & 0xffff) + (b >> 16));
    }
}

PL_WIDE
static void bin_real(const float *top, const float *low, size_t n, float *restrict out)
{
    for (size_t i = 0; i < n; i++)
        out[i] = top[2 * i] + top[2 * i + 1] + low[2 * i] + low[2 * i + 1];
}

void pl_pixels_bin(pl_pixels kind, const void *top, const void *low, size_t n, float *out)
{
    switch (kind) {
    case PL_STORED:
        bin_stored(top, low, n, out);
        break;
    case PL_U16:
        bin_u16(top, low, n, out);
        break;
    default:
        bin_real(top, low, n, out);
    }
}
