/* SPDX-License-Identifier: GPL-3.0-or-later */
/* readonly FRAME... [short|float [THREADS]] - only fits_read_img of the whole frames, one after the
 * other, as unsigned 16-bit pixels (or as float): the yardstick for plumb's speed. Prints each
 * one's shape and one pixel. With THREADS each thread opens the frame for itself and reads its part
 * of the rows: what CFITSIO can do with several processors. */
#include <fitsio.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MAX_THREADS = 64 };

struct part {
    const char *path;
    int type, status;
    long axis[2];
    LONGLONG first, n; /* pixels */
    char *pixels;      /* of the whole frame */
};

static size_t pixel_bytes(int type)
{
    return type == TFLOAT ? sizeof(float) : sizeof(uint16_t);
}

static fitsfile *open_frame(const char *path, long axis[2], int *status)
{
    fitsfile *f = NULL;
    int number = 0;
    axis[0] = axis[1] = 0;
    fits_open_diskfile(&f, path, READONLY, status);
    if (!*status && fits_get_hdu_num(f, &number) == 1) {
        fits_get_img_size(f, 2, axis, status);
        if (axis[0] == 0) /* tile-compressed: the image is in the first extension */
            fits_movabs_hdu(f, 2, NULL, status);
    }
    fits_get_img_size(f, 2, axis, status);
    return f;
}

static void *read_part(void *arg)
{
    struct part *p = arg;
    int any = 0;
    fitsfile *f = open_frame(p->path, p->axis, &p->status);
    fits_read_img(f, p->type, p->first + 1, p->n, NULL,
                  p->pixels + (size_t)p->first * pixel_bytes(p->type), &any, &p->status);
    if (f)
        fits_close_file(f, &p->status);
    return NULL;
}

/* Rows shared out evenly; the caller takes the first part. */
static int read_split(struct part whole, int threads)
{
    struct part part[MAX_THREADS] = { whole };
    pthread_t thread[MAX_THREADS];
    int status = 0;
    for (int i = 0; i < threads; i++) {
        long from = whole.axis[1] * i / threads, to = whole.axis[1] * (i + 1) / threads;
        part[i] = whole;
        part[i].first = (LONGLONG)from * whole.axis[0];
        part[i].n = (LONGLONG)(to - from) * whole.axis[0];
        if (i > 0 && pthread_create(&thread[i], NULL, read_part, &part[i]) != 0)
            exit(2);
    }
    read_part(&part[0]);
    for (int i = 0; i < threads; i++) {
        if (i > 0)
            pthread_join(thread[i], NULL);
        status = status ? status : part[i].status;
    }
    return status;
}

static int read_frame(const char *path, int type, int threads)
{
    struct part whole = { .path = path, .type = type };
    int status = 0;
    fitsfile *f = open_frame(path, whole.axis, &status);
    if (f)
        fits_close_file(f, &status);
    size_t n = (size_t)whole.axis[0] * (size_t)whole.axis[1];
    whole.pixels = status ? NULL : malloc(n * pixel_bytes(type));
    if (whole.pixels)
        status = read_split(whole, threads);
    if (!whole.pixels || status) {
        fits_report_error(stderr, status);
        free(whole.pixels);
        return 2;
    }
    const void *pixels = whole.pixels;
    printf("%ld %ld %g\n", whole.axis[0], whole.axis[1],
           type == TFLOAT ? (double)((const float *)pixels)[n / 2]
                          : (double)((const uint16_t *)pixels)[n / 2]);
    free(whole.pixels);
    return 0;
}

static int type_named(const char *word)
{
    return !strcmp(word, "short") ? TUSHORT : !strcmp(word, "float") ? TFLOAT : 0;
}

int main(int argc, char **argv)
{
    int type = TUSHORT, files = argc - 1, threads = 1;
    if (files > 2 && type_named(argv[files - 1]) && atoi(argv[files]) > 0)
        threads = atoi(argv[files--]);
    if (files > 1 && type_named(argv[files]))
        type = type_named(argv[files--]);
    if (files < 1 || threads > MAX_THREADS) {
        fputs("usage: readonly FRAME... [short|float [THREADS]]\n", stderr);
        return 2;
    }
    fits_init_cfitsio();
    for (int i = 1; i <= files; i++)
        if (read_frame(argv[i], type, threads))
            return 2;
    return 0;
}
