/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <dirent.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { BLOCK = 2880, CARD = 80 };

static char folder[40];

void frames_begin(void)
{
    snprintf(folder, sizeof folder, "/tmp/plumb-frames-XXXXXX");
    cr_assert(ne(ptr, mkdtemp(folder), NULL));
}

void frames_end(void)
{
    struct dirent *e;
    DIR *d = opendir(folder);
    while (d && (e = readdir(d))) {
        char path[400];
        snprintf(path, sizeof path, "%s/%s", folder, e->d_name);
        if (e->d_name[0] != '.' && unlink(path) != 0)
            rmdir(path);
    }
    closedir(d);
    rmdir(folder);
}

const char *frames_path(const char *name)
{
    static char path[8][320];
    static int turn;
    char *p = path[turn++ % 8];
    snprintf(p, sizeof path[0], "%s/%s", folder, name);
    return p;
}

void frames_put_bytes(const char *path, const void *bytes, size_t n)
{
    FILE *f = fopen(path, "wb");
    cr_assert(ne(ptr, f, NULL), "%s", path);
    cr_assert(eq(sz, n ? fwrite(bytes, 1, n, f) : 0, n));
    cr_assert(eq(int, fclose(f), 0));
}

/* ---- FITS by hand: cards of 80 bytes, blocks of 2880, big-endian pixels (FITS 4.0, 3 and 5) */

struct buffer {
    unsigned char *b;
    size_t n;
};

static void pad(struct buffer *o, int with)
{
    while (o->n % BLOCK)
        o->b[o->n++] = (unsigned char)with;
}

static void card(struct buffer *o, const char *text, size_t len)
{
    memset(o->b + o->n, ' ', CARD);
    memcpy(o->b + o->n, text, len < CARD ? len : CARD);
    o->n += CARD;
}

static void number_card(struct buffer *o, const char *key, long v)
{
    char text[CARD + 1];
    int len = snprintf(text, sizeof text, "%-8s= %20ld", key, v);
    card(o, text, (size_t)len);
}

static void first_card(struct buffer *o, bool extension)
{
    const char *text = extension ? "XTENSION= 'IMAGE   '" : "SIMPLE  =                    T";
    card(o, text, strlen(text));
}

static void header(struct buffer *o, const frames_layout *l, bool extension)
{
    first_card(o, extension);
    number_card(o, "BITPIX", l->bitpix);
    number_card(o, "NAXIS", l->planes ? 3 : 2);
    number_card(o, "NAXIS1", l->width);
    number_card(o, "NAXIS2", l->height);
    if (l->planes)
        number_card(o, "NAXIS3", l->planes);
    if (extension) {
        number_card(o, "PCOUNT", 0);
        number_card(o, "GCOUNT", 1);
    }
    for (const char *c = l->cards; c && *c; c += strcspn(c, "\n") + (strchr(c, '\n') != NULL))
        card(o, c, strcspn(c, "\n"));
    card(o, "END", 3);
    pad(o, ' ');
}

static void put_pixel(struct buffer *o, int bitpix, double v)
{
    uint64_t bits = 0;
    int bytes = abs(bitpix) / 8;
    if (bitpix == -32) {
        float f = (float)v;
        uint32_t u;
        memcpy(&u, &f, sizeof u);
        bits = u;
    } else if (bitpix == -64)
        memcpy(&bits, &v, sizeof bits);
    else
        bits = (uint64_t)(int64_t)v;
    for (int i = bytes - 1; i >= 0; i--)
        o->b[o->n++] = (unsigned char)(bits >> (8 * i));
}

void frames_put(const char *path, const frames_layout *l, const double *stored)
{
    size_t n = (size_t)l->width * (size_t)l->height * (size_t)(l->planes ? l->planes : 1);
    struct buffer o = { calloc(1, n * 8 + 20 * BLOCK), 0 };
    cr_assert(ne(ptr, o.b, NULL));
    if (l->extension) {
        first_card(&o, false);
        number_card(&o, "BITPIX", 8);
        number_card(&o, "NAXIS", 0);
        card(&o, "EXTEND  =                    T", 30);
        card(&o, "END", 3);
        pad(&o, ' ');
    }
    header(&o, l, l->extension);
    for (size_t i = 0; i < n; i++)
        put_pixel(&o, l->bitpix, stored ? stored[i] : 0);
    pad(&o, 0);
    frames_put_bytes(path, o.b, o.n - l->missing);
    free(o.b);
}

void frames_pack(const char *path, int type, int image, int width, int height, const double *value)
{
    fitsfile *f = NULL;
    int status = 0;
    long axis[2] = { width, height };
    double *copy = malloc(sizeof *copy * (size_t)width * (size_t)height), blank = NAN;
    memcpy(copy, value, sizeof *copy * (size_t)width * (size_t)height);
    fits_create_diskfile(&f, path, &status);
    fits_set_compression_type(f, type, &status);
    if (image < 0)
        fits_set_quantize_level(f, 9999, &status); /* hardly lossy */
    fits_create_img(f, image, 2, axis, &status);
    if (image < 0)
        fits_write_imgnull(f, TDOUBLE, 1, (LONGLONG)width * height, copy, &blank, &status);
    else
        fits_write_img(f, TDOUBLE, 1, (LONGLONG)width * height, copy, &status);
    fits_close_file(f, &status);
    free(copy);
    cr_assert(eq(int, status, 0));
}

pl_frame *frames_memory(int width, int height, const double *adu)
{
    size_t n = (size_t)width * (size_t)height;
    pl_frame *f = calloc(1, sizeof *f);
    f->width = width;
    f->height = height;
    f->fd = -1;
    f->bitpix = -32;
    f->bscale = 1;
    f->facts = pl_facts_unknown();
    f->memf = malloc(n * sizeof *f->memf);
    for (size_t i = 0; i < n; i++)
        f->memf[i] = (float)adu[i];
    return f;
}

/* ---- random numbers: splitmix64 (Steele, Lea, Flood 2014, from memory), Box-Muller */

double frames_uniform(frames_dice *d)
{
    uint64_t z = (d->state += 0x9e3779b97f4a7c15u);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return ((double)((z ^ (z >> 31)) >> 11) + 0.5) / 9007199254740992.0;
}

double frames_normal(frames_dice *d)
{
    double r = sqrt(-2 * log(frames_uniform(d)));
    return r * cos(2 * M_PI * frames_uniform(d));
}

void frames_noise(double *image, size_t n, double sky_var, double gain, frames_dice *dice)
{
    for (size_t i = 0; i < n; i++)
        image[i] += sqrt(sky_var + fmax(0, image[i]) / gain) * frames_normal(dice);
}

/* ---- stars */

/* Gauss-Legendre, 8 points on [-1, 1] (Abramowitz & Stegun 1964, table 25.4). */
static const double point[8] = { -0.960289856497536, -0.796666477413627, -0.525532409916329,
                                 -0.183434642495650, 0.183434642495650,  0.525532409916329,
                                 0.796666477413627,  0.960289856497536 };
static const double weight[8] = { 0.101228536290376, 0.222381034453374, 0.313706645877887,
                                  0.362683783378362, 0.362683783378362, 0.313706645877887,
                                  0.222381034453374, 0.101228536290376 };

/* Light per square pixel of a unit flux at (dx, dy) from the centre: Gaussian exp(-r^2 / 2 s^2) /
 * (2 pi s^2), Moffat (beta - 1) / (pi a^2) (1 + r^2 / a^2)^-beta, r along the star's own axes. */
static double density(const frames_star *s, double dx, double dy)
{
    double q = pow(1 - s->ecc * s->ecc, 0.25), a = s->angle_deg * M_PI / 180;
    double u = (dx * cos(a) + dy * sin(a)) * q, v = (dy * cos(a) - dx * sin(a)) / q;
    double r2 = u * u + v * v;
    if (isinf(s->beta)) {
        double s2 = pow(s->fwhm / 2.3548200450309493, 2);
        return exp(-r2 / (2 * s2)) / (2 * M_PI * s2);
    }
    double a2 = pow(s->fwhm / 2, 2) / (pow(2, 1 / s->beta) - 1);
    return (s->beta - 1) / (M_PI * a2) * pow(1 + r2 / a2, -s->beta);
}

static double pixel(const frames_star *s, double dx, double dy, int parts)
{
    double sum = 0, side = 1.0 / parts;
    for (int k = 0; k < parts * parts; k++)
        for (int i = 0; i < 64; i++) {
            double x = dx - 0.5 + (k % parts + 0.5 + 0.5 * point[i % 8]) * side;
            double y = dy - 0.5 + (k / parts + 0.5 + 0.5 * point[i / 8]) * side;
            sum += weight[i % 8] * weight[i / 8] * density(s, x, y);
        }
    return sum * side * side / 4;
}

void frames_draw(double *image, int x0, int y0, int w, int h, const frames_star *s)
{
    double minor = s->fwhm * pow(1 - s->ecc * s->ecc, 0.25);
    double far = 3 * s->fwhm / pow(1 - s->ecc * s->ecc, 0.25);
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            double dx = x0 + x - s->x, dy = y0 + y - s->y;
            bool core = dx * dx + dy * dy < far * far;
            if (isinf(s->beta) && dx * dx + dy * dy > 9 * far * far)
                continue;
            image[y * w + x] += s->flux * pixel(s, dx, dy, core && minor < 1.5 ? 2 : 1);
        }
}
