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
    if (d)
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

static void pack_pixels(fitsfile *f, int image, size_t n, const double *value, int *status)
{
    float *real = malloc(n * sizeof *real), blank = NAN;
    unsigned short *whole = malloc(n * sizeof *whole);
    for (size_t i = 0; i < n; i++) {
        real[i] = (float)value[i];
        whole[i] = image < 0 ? 0 : (unsigned short)value[i];
    }
    if (image < 0)
        fits_write_imgnull(f, TFLOAT, 1, (LONGLONG)n, real, &blank, status);
    else
        fits_write_img(f, TUSHORT, 1, (LONGLONG)n, whole, status);
    free(real);
    free(whole);
}

void frames_pack(const char *path, int type, int image, int width, int height, const double *value)
{
    fitsfile *f = NULL;
    int status = 0;
    long axis[2] = { width, height };
    fits_create_diskfile(&f, path, &status);
    fits_set_compression_type(f, type, &status);
    fits_create_img(f, image, 2, axis, &status);
    pack_pixels(f, image, (size_t)width * (size_t)height, value, &status);
    fits_close_file(f, &status);
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

/* Gauss-Legendre on [-1, 1] (Abramowitz & Stegun 1964, table 25.4), 4 and 8 points. */
struct rule {
    int n;
    double x[8], w[8];
};
static const struct rule
    wide = { 4,
             { -0.861136311594053, -0.339981043584856, 0.339981043584856, 0.861136311594053 },
             { 0.347854845137454, 0.652145154862546, 0.652145154862546, 0.347854845137454 } },
    narrow = { 8,
               { -0.960289856497536, -0.796666477413627, -0.525532409916329, -0.183434642495650,
                 0.183434642495650, 0.525532409916329, 0.796666477413627, 0.960289856497536 },
               { 0.101228536290376, 0.222381034453374, 0.313706645877887, 0.362683783378362,
                 0.362683783378362, 0.313706645877887, 0.222381034453374, 0.101228536290376 } };

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

static double pixel(const frames_star *s, double dx, double dy, const struct rule *r, int parts)
{
    double sum = 0, side = 1.0 / parts;
    for (int k = 0; k < parts * parts; k++)
        for (int i = 0; i < r->n * r->n; i++) {
            double x = dx - 0.5 + (k % parts + 0.5 + 0.5 * r->x[i % r->n]) * side;
            double y = dy - 0.5 + (k / parts + 0.5 + 0.5 * r->x[i / r->n]) * side;
            sum += r->w[i % r->n] * r->w[i / r->n] * density(s, x, y);
        }
    return sum * side * side / 4;
}

static void draw_rows(double *image, int w, const int box[4], int x0, int y0, const frames_star *s)
{
    double minor = s->fwhm * pow(1 - s->ecc * s->ecc, 0.25);
    double far = 3 * s->fwhm / pow(1 - s->ecc * s->ecc, 0.25);
    const struct rule *rule = minor < 3 ? &narrow : &wide;
    for (int y = box[1]; y < box[3]; y++)
        for (int x = box[0]; x < box[2]; x++) {
            double dx = x0 + x - s->x, dy = y0 + y - s->y;
            bool core = dx * dx + dy * dy < far * far;
            image[y * w + x] += s->flux * pixel(s, dx, dy, rule, core && minor < 1.5 ? 2 : 1);
        }
}

void frames_draw(double *image, int x0, int y0, int w, int h, const frames_star *s)
{
    draw_rows(image, w, (const int[4]){ 0, 0, w, h }, x0, y0, s);
}

void frames_draw_near(double *image, int w, int h, const frames_star *s)
{
    int r = (int)(6 * s->fwhm) + 3, x = (int)s->x, y = (int)s->y;
    const int box[4] = { x > r ? x - r : 0, y > r ? y - r : 0, x + r < w ? x + r : w,
                         y + r < h ? y + r : h };
    draw_rows(image, w, box, 0, 0, s);
}

double frames_flux(double snr, double fwhm, double sky_var)
{
    return snr * sqrt(4 * M_PI * sky_var) * fwhm / 2.3548200450309493;
}
