/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Sky, noise, and the FITS file. */
#include <fitsio.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "mkframe.h"

/* The nebula: round Gaussian clumps. exp(-(x^2 + y^2)/2) is a product, so a row costs one
 * multiplication per clump and pixel. */
struct clump {
    double x, y, sigma, height;
    float *across; /* [width], its profile along x */
};
static struct clump clump[BLOBS];

void sky_init(const struct cfg *c)
{
    for (int k = 0; k < BLOBS && c->nebula > 0.0; k++) {
        struct clump *b = &clump[k];
        struct rng r;

        rng_seed(&r, (uint64_t)c->seed, S_NEBULA, (uint64_t)k);
        b->x = 0.5 + (double)c->width * rng_uniform(&r);
        b->y = 0.5 + (double)c->height * rng_uniform(&r);
        b->sigma = rng_log_between(&r, (struct range){ 40.0, 300.0 });
        b->height = c->nebula * rng_between(&r, (struct range){ 0.2, 1.0 });
        b->across = must_alloc((size_t)c->width, sizeof *b->across);
        for (long i = 0; i < c->width; i++) {
            double d = ((double)i + 1.0 - b->x) / b->sigma;
            b->across[i] = (float)exp(-0.5 * d * d);
        }
    }
}

static double clump_row(const struct clump *b, double y)
{
    double d = (y - b->y) / b->sigma;

    return b->height * exp(-0.5 * d * d);
}

/* 1 - FRAC/2 on one border to 1 + FRAC/2 on the other. */
static double gradient_at(const struct cfg *c, double x, double y)
{
    double cs = cos(c->gradient_angle * DEG), sn = sin(c->gradient_angle * DEG);
    double across = (double)c->width * fabs(cs) + (double)c->height * fabs(sn);

    return 1.0 + c->gradient *
                     ((x - 0.5 * ((double)c->width + 1.0)) * cs +
                      (y - 0.5 * ((double)c->height + 1.0)) * sn) /
                     across;
}

/* 1 at the centre, 1 - FRAC in the corners, quadratic. */
double vignette_at(const struct cfg *c, double x, double y)
{
    double dx = x - 0.5 * ((double)c->width + 1.0), dy = y - 0.5 * ((double)c->height + 1.0);
    double w = (double)c->width, h = (double)c->height;

    return 1.0 - c->vignette * 4.0 * (dx * dx + dy * dy) / (w * w + h * h);
}

double sky_at(const struct cfg *c, double x, double y, int colour)
{
    double light = c->sky_rgb[colour] * gradient_at(c, x, y);

    for (int k = 0; k < BLOBS && clump[k].across; k++) {
        double d = (x - clump[k].x) / clump[k].sigma;
        light += clump_row(&clump[k], y) * exp(-0.5 * d * d);
    }
    return light * vignette_at(c, x, y);
}

/* The same for a whole row, out[width]. The gradient is linear along x, the vignette quadratic. */
static void sky_row(const struct cfg *c, const struct plane *p, long row, double *out)
{
    double y = (double)row + 1.0, start = gradient_at(c, 1.0, y),
           step = gradient_at(c, 2.0, y) - start;

    for (long i = 0; i < c->width; i++)
        out[i] = c->sky_rgb[p->colour[2 * (row & 1) + (i & 1)]] * (start + step * (double)i);
    for (int k = 0; k < BLOBS && clump[k].across; k++) {
        double f = clump_row(&clump[k], y);
        for (long i = 0; i < c->width; i++)
            out[i] += f * clump[k].across[i];
    }
    for (long i = 0; i < c->width && c->vignette != 0.0; i++)
        out[i] *= vignette_at(c, (double)i + 1.0, y);
}

/* Light to counts. Above 50 electrons photon noise is Gaussian (skewness 0.14 there) and one
 * normal draw serves both noises. A NaN stays one; a dead column (minus infinity) has no light. */
static double exposed(const struct cfg *c, struct rng *r, double light_adu)
{
    double e = fmax(light_adu, 0.0) * c->gain, ron = c->read_noise;

    if (isnan(light_adu))
        return NAN;
    if (c->no_noise)
        return e / c->gain + c->pedestal;
    if (e > 50.0)
        e += sqrt(e + ron * ron) * rng_normal(r);
    else
        e = rng_poisson(r, e) + ron * rng_normal(r);
    return e / c->gain + c->pedestal;
}

/* How each BITPIX is stored. */
struct store {
    long bitpix;
    int image, memory; /* CFITSIO's image and memory types */
    size_t size;
};
static const struct store stores[] = { { 8, BYTE_IMG, TBYTE, 1 },
                                       { 16, USHORT_IMG, TUSHORT, 2 },
                                       { 32, LONG_IMG, TINT, 4 },
                                       { -32, FLOAT_IMG, TFLOAT, 4 },
                                       { -64, DOUBLE_IMG, TDOUBLE, 8 } };

static void store_row(const struct store *t, const struct cfg *c, const double *v, void *out)
{
    for (long i = 0; i < c->width; i++) {
        double x = fmin(v[i], c->saturation);

        if (t->bitpix < 0)
            x = isnan(v[i]) ? NAN : x;
        else
            x = floor(fmax(x, 0.0) + 0.5);
        switch (t->memory) {
        case TBYTE:
            ((unsigned char *)out)[i] = (unsigned char)x;
            break;
        case TUSHORT:
            ((unsigned short *)out)[i] = (unsigned short)x;
            break;
        case TINT:
            ((int *)out)[i] = (int)x;
            break;
        case TFLOAT:
            ((float *)out)[i] = (float)x;
            break;
        default:
            ((double *)out)[i] = x;
        }
    }
}

static void write_rows(fitsfile *f, const struct store *t, const struct cfg *c,
                       const struct plane *p, int *status)
{
    double *v = must_alloc((size_t)c->width, sizeof *v);
    void *out = must_alloc((size_t)c->width, t->size);

    for (long row = 0; row < c->height && *status == 0; row++) {
        const float *light = p->adu + (size_t)row * (size_t)c->width;
        struct rng r;

        rng_seed(&r, (uint64_t)c->seed, S_ROW, (uint64_t)row);
        sky_row(c, p, row, v);
        for (long i = 0; i < c->width; i++)
            v[i] = exposed(c, &r, v[i] + (double)light[i]);
        store_row(t, c, v, out);
        fits_write_img(f, t->memory, (LONGLONG)row * c->width + 1, c->width, out, status);
    }
    free(out);
    free(v);
}

static void put_text(fitsfile *f, const char *key, const char *value, const char *comment,
                     int *status)
{
    char text[FLEN_VALUE];

    snprintf(text, sizeof text, "%s", value);
    fits_update_key(f, TSTRING, key, text, comment, status);
}

static void put_number(fitsfile *f, const char *key, double value, const char *comment, int *status)
{
    fits_update_key(f, TDOUBLE, key, &value, comment, status);
}

/* KEY=VALUE: a whole number, a number, or text. */
static void put_pair(fitsfile *f, const char *pair, int *status)
{
    char key[FLEN_KEYWORD];
    const char *value = strchr(pair, '=') + 1;
    double number;

    snprintf(key, sizeof key, "%.*s", (int)(value - 1 - pair), pair);
    if (!parse_number(value, &number)) {
        put_text(f, key, value, NULL, status);
    } else if (strspn(value, "+-0123456789") == strlen(value) && fabs(number) < 1e15) {
        LONGLONG whole = (LONGLONG)number;
        fits_update_key(f, TLONGLONG, key, &whole, NULL, status);
    } else {
        put_number(f, key, number, NULL, status);
    }
}

static void write_header(fitsfile *f, const struct cfg *c, int *status)
{
    if (!c->bare) {
        put_number(f, "EXPTIME", c->exptime, "[s] exposure time", status);
        put_text(f, "DATE-OBS", c->date_obs, "start of exposure, UTC", status);
        put_number(f, "XPIXSZ", c->pixel_um, "[um] pixel width", status);
        put_number(f, "YPIXSZ", c->pixel_um, "[um] pixel height", status);
        put_number(f, "FOCALLEN", c->focal_mm, "[mm] focal length", status);
        put_number(f, "APTDIA", c->aperture_mm, "[mm] aperture", status);
        put_number(f, "EGAIN", c->gain, "electrons per ADU", status);
    }
    if (strcmp(c->bayerpat, "none") != 0)
        put_text(f, "BAYERPAT", c->bayerpat, "colour mosaic", status);
    if (c->roworder)
        put_text(f, "ROWORDER", c->roworder, "which edge the first row is", status);
    for (int i = 0; i < c->n_header; i++)
        put_pair(f, c->header[i], status);
}

/* Fixed dither seed: the default one is taken from the clock. */
static void set_compression(fitsfile *f, const struct cfg *c, int *status)
{
    if (strcmp(c->compress, "none") == 0)
        return;
    fits_set_compression_type(f, strcmp(c->compress, "rice") == 0 ? RICE_1 : GZIP_1, status);
    if (c->bitpix < 0 && strcmp(c->compress, "rice") == 0) {
        fits_set_quantize_level(f, 16.0f, status);
        fits_set_dither_seed(f, 1, status);
    } else if (c->bitpix < 0) {
        fits_set_quantize_level(f, 0.0f, status); /* 0: lossless */
    }
}

void write_frame(const struct cfg *c, const struct plane *p)
{
    const struct store *t = stores;
    fitsfile *f = NULL;
    int status = 0, ignored = 0;
    long size[2] = { c->width, c->height };
    char reason[FLEN_STATUS];

    while (t->bitpix != c->bitpix)
        t++;
    unlink(c->out);
    fits_create_diskfile(&f, c->out, &status);
    set_compression(f, c, &status);
    fits_create_img(f, t->image, 2, size, &status);
    write_header(f, c, &status);
    write_rows(f, t, c, p, &status);
    if (f)
        fits_close_file(f, status ? &ignored : &status);
    if (status) {
        fits_get_errstatus(status, reason);
        unlink(c->out);
        die("%s: cannot be written: %s", c->out, reason);
    }
    for (int k = 0; k < BLOBS; k++)
        free(clump[k].across);
}
