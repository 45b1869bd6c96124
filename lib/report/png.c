/* SPDX-License-Identifier: GPL-3.0-or-later */
/* png.c - a picture as PNG bytes, with what it shows in text chunks. */
#include "canvas.h"

#include <errno.h>
#include <png.h>
#include <setjmp.h>
#include <stdlib.h>
#include <string.h>

static void more_bytes(png_structp png, png_bytep data, size_t n)
{
    pl_string *out = png_get_io_ptr(png);
    pl_string_bytes(out, (const char *)data, n);
    if (out->failed)
        png_error(png, "out of memory");
}

static void no_flush(png_structp png)
{
    (void)png;
}

static void complain(png_structp png, png_const_charp message)
{
    (void)message;
    png_longjmp(png, 1);
}

static void hush(png_structp png, png_const_charp message)
{
    (void)png;
    (void)message;
}

static bool is_ascii(const char *s)
{
    for (; *s; s++)
        if ((unsigned char)*s > 0x7e)
            return false;
    return true;
}

static png_text chunk_of(const char *key, char *text)
{
    png_text t;
    memset(&t, 0, sizeof t);
    t.key = (char *)(uintptr_t)key;
    t.text = text;
    t.compression = is_ascii(text) ? PNG_TEXT_COMPRESSION_NONE : PNG_ITXT_COMPRESSION_NONE;
    return t;
}

static void write_rows(png_structp png, const pl_canvas *c, unsigned char *row)
{
    const unsigned char *pixels = cairo_image_surface_get_data(c->surface);
    int stride = cairo_image_surface_get_stride(c->surface);
    for (int y = 0; y < c->height; y++) {
        const uint32_t *p = (const uint32_t *)(const void *)(pixels + (size_t)y * (size_t)stride);
        for (size_t x = 0; x < (size_t)c->width;
             x++) { /* cairo: 0x00RRGGBB in the machine's own order */
            row[3 * x] = (unsigned char)(p[x] >> 16);
            row[3 * x + 1] = (unsigned char)(p[x] >> 8);
            row[3 * x + 2] = (unsigned char)p[x];
        }
        png_write_row(png, row);
    }
}

/* Between setjmp and its return: nothing here may own memory. Gives: whether it went well. */
static bool encode(png_structp png, png_infop info, const pl_canvas *c, unsigned char *row,
                   png_text *text, size_t texts, pl_string *out)
{
    if (setjmp(png_jmpbuf(png)))
        return false;
    png_set_write_fn(png, out, more_bytes, no_flush);
    png_set_IHDR(png, info, (png_uint_32)c->width, (png_uint_32)c->height, 8, PNG_COLOR_TYPE_RGB,
                 PNG_INTERLACE_NONE, PNG_COMPRESSION_TYPE_DEFAULT, PNG_FILTER_TYPE_DEFAULT);
    png_set_sRGB(png, info, PNG_sRGB_INTENT_RELATIVE);
    png_set_text(png, info, text, (int)texts);
    png_set_compression_level(png, 6);
    png_set_filter(png, 0, PNG_FILTER_NONE | PNG_FILTER_SUB | PNG_FILTER_UP);
    png_write_info(png, info);
    write_rows(png, c, row);
    png_write_end(png, NULL);
    return true;
}

/* The cleaned texts of the chunks, Software behind them; false when memory is short. */
static bool clean_chunks(const pl_chunk *chunk, size_t chunks, png_text *text)
{
    for (size_t i = 0; i <= chunks; i++) {
        char *clean = i < chunks ? pl_clean(chunk[i].text, PL_CLEAN_SHOWN, NULL)
                                 : strdup("plumb " PL_VERSION);
        if (!clean)
            return false;
        text[i] = chunk_of(i < chunks ? chunk[i].key : "Software", clean);
    }
    return true;
}

static bool to_png(const pl_canvas *c, const pl_chunk *chunk, size_t chunks, pl_string *out)
{
    bool good = false;
    png_text *text = calloc(chunks + 1, sizeof *text);
    unsigned char *row = malloc((size_t)c->width * 3);
    png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, NULL, complain, hush);
    png_infop info = png ? png_create_info_struct(png) : NULL;
    if (text && row && info && clean_chunks(chunk, chunks, text))
        good = encode(png, info, c, row, text, chunks + 1, out);
    if (png)
        png_destroy_write_struct(&png, &info);
    for (size_t i = 0; text && i <= chunks; i++)
        free(text[i].text);
    free(text);
    free(row);
    return good;
}

pl_status pl_canvas_write(pl_canvas *c, const char *path, const pl_chunk *chunk, size_t chunks,
                          pl_err *err)
{
    if (errno == ENOMEM || pl_memory_shortages() != c->shortages) /* see heed() in canvas.c */
        c->failed = PL_ENOMEM;
    cairo_surface_flush(c->surface);
    if (c->failed != PL_OK || cairo_status(c->cr) != CAIRO_STATUS_SUCCESS)
        return pl_fail(err, c->failed != PL_OK ? c->failed : PL_ENOMEM,
                       "the picture %.120s could not be drawn: %s", path,
                       cairo_status_to_string(c->failed != PL_OK ? CAIRO_STATUS_NO_MEMORY
                                                                 : cairo_status(c->cr)));
    pl_string bytes = { 0 };
    pl_status st = PL_OK;
    if (to_png(c, chunk, chunks, &bytes))
        st = pl_write_whole(path, bytes.s, bytes.n, err);
    else
        st = pl_fail(err, PL_ENOMEM, "out of memory for the picture %.120s", path);
    free(bytes.s);
    return st;
}
