/* SPDX-License-Identifier: GPL-3.0-or-later */
/* save.c - a simulated frame as a FITS file, with all that the table of facts can say of it.
 *
 * CFITSIO builds the file in memory; it goes to the disc whole, and under a name that CFITSIO never
 * sees. Nothing in it depends on the clock. */
#include "frame.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MORE_CARDS = 60 };

static void put_text(fitsfile *f, const char *key, const char *text, const char *what, int *status)
{
    char value[FLEN_VALUE], plain[FLEN_COMMENT];
    size_t n = 0;
    for (const char *s = text; *s && n < 68; s++) /* headers are ASCII (FITS 4.0, 4.1.2) */
        value[n++] = (char)(*s >= 0x20 && *s < 0x7f ? *s : '?');
    value[n] = '\0';
    snprintf(plain, sizeof plain, "%.47s", what);
    fits_update_key(f, TSTRING, key, value, plain, status);
}

static void put_number(fitsfile *f, const char *key, double v, const char *what, int *status)
{
    char plain[FLEN_COMMENT];
    snprintf(plain, sizeof plain, "%.47s", what);
    if (v == floor(v) && fabs(v) < 1e9)
        fits_update_key_lng(f, key, (LONGLONG)v, plain, status);
    else
        fits_update_key_dbl(f, key, v, -9, plain, status); /* 9 digits, as few as say it */
}

/* Every fact that has a FITS spelling; the first spelling is the one to write. */
static void put_facts(fitsfile *f, const pl_facts *facts, int *status)
{
    size_t n;
    const pl_fact *row = pl_facts_table(&n);
    for (size_t i = 0; i < n; i++) {
        const char *field = (const char *)facts + row[i].offset, *key = row[i].keywords[0];
        pl_num num;
        if (!key)
            continue;
        if (row[i].lo > row[i].hi) {
            if (*field && strcmp(field, "none") != 0)
                put_text(f, key, field, row[i].help, status);
            continue;
        }
        memcpy(&num, field, sizeof num);
        if (num.from != PL_FROM_NOWHERE && isfinite(num.v))
            put_number(f, key, num.v, row[i].help, status);
    }
}

static void put_header(fitsfile *f, const pl_sim *sim, int *status)
{
    put_facts(f, &sim->facts, status);
    if (sim->facts.pixel_um.from != PL_FROM_NOWHERE)
        put_number(f, "YPIXSZ", sim->facts.pixel_um.v, "pixel pitch along y, um", status);
    put_text(f, "IMAGETYP", "Light Frame", "", status);
    put_text(f, "CREATOR", "plumb-sim " PL_VERSION, "program that made this file", status);
    fits_write_comment(f, "Simulated: no camera took this frame.", status);
}

static void build(fitsfile *f, const pl_sim *sim, bool packed, int *status)
{
    long axis[2] = { sim->width_px, sim->height_px };
    if (packed)
        fits_set_compression_type(f, RICE_1, status);
    fits_create_img(f, USHORT_IMG, 2, axis, status);
    fits_set_hdrsize(f, MORE_CARDS,
                     status); /* a header cannot grow over the end of a memory file */
    put_header(f, sim, status);
    fits_write_img(f, TUSHORT, 1, (LONGLONG)axis[0] * axis[1], sim->adu, status);
    fits_flush_file(f, status);
}

/* CFITSIO 4.2 forgets, where it flushes its buffers, that memory was short: the file would have
 * holes and the status be good. */
static _Thread_local bool starved;

static void *grow(void *old, size_t size)
{
    void *p = realloc(old, size);
    starved |= !p;
    return p;
}

/* Bytes of the file up to the end of its last unit. */
static size_t length_of(fitsfile *f, int *status)
{
    LONGLONG head = 0, data = 0, end = 0;
    fits_get_hduaddrll(f, &head, &data, &end, status);
    return (size_t)end;
}

pl_status pl_sim_save(const pl_sim *sim, const char *path, bool packed, pl_err *err)
{
    fitsfile *f = NULL;
    void *bytes = NULL;
    size_t room = 0, used = 0;
    int status = 0, closed = 0;
    starved = false;
    pl_cfitsio_ready();
    fits_create_memfile(&f, &bytes, &room, (size_t)1 << 20, grow, &status);
    if (!status) {
        build(f, sim, packed, &status);
        used = length_of(f, &status);
    }
    if (!status && starved)
        status = MEMORY_ALLOCATION;
    pl_status st = PL_OK;
    if (!status)
        st = pl_write_whole(path, bytes, used, err);
    if (f)
        fits_close_file(f, &closed);
    free(bytes);
    if (status || closed) {
        char text[FLEN_STATUS];
        fits_get_errstatus(status ? status : closed, text);
        fits_clear_errmsg();
        return pl_fail(err, PL_ENOMEM, "cannot write %.120s: %s (CFITSIO %d)", path, text,
                       status ? status : closed);
    }
    return st;
}
