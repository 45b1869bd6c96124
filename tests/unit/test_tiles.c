/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Tile-compressed frames: CFITSIO packs them, and what it unpacks is what must come out, on any
 * number of threads; damaged ones are refused in words. */
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

TestSuite(tiles, .init = frames_begin, .fini = frames_end);

enum { W = 61, H = 47, PLANES = 3, N = W * H };

struct packing {
    int type, image, axes, wide, high, deep; /* of a tile */
};

/* CFITSIO packs no pixels of another type than the image has. */
static void write_pixels(fitsfile *f, int image, LONGLONG n, int *status)
{
    static unsigned char byte[N * PLANES];
    static short small[N * PLANES];
    static unsigned short camera[N * PLANES];
    static int whole[N * PLANES];
    static float real[N * PLANES];
    frames_dice dice = { 8 };
    for (int i = 0; i < n; i++) {
        int top = image == BYTE_IMG ? 200 : image == SHORT_IMG ? 30000 : 60000;
        whole[i] = i % 401 == 5 ? top : (int)(100 + 12 * frames_normal(&dice));
        byte[i] = (unsigned char)whole[i];
        small[i] = (short)whole[i];
        camera[i] = (unsigned short)whole[i];
        real[i] = (float)whole[i];
    }
    void *as = image == BYTE_IMG    ? (void *)byte
               : image == SHORT_IMG ? (void *)small
               : image == LONG_IMG  ? (void *)whole
               : image == FLOAT_IMG ? (void *)real
                                    : (void *)camera;
    int type = image == BYTE_IMG    ? TBYTE
               : image == SHORT_IMG ? TSHORT
               : image == LONG_IMG  ? TINT
               : image == FLOAT_IMG ? TFLOAT
                                    : TUSHORT;
    fits_write_img(f, type, 1, n, as, status);
}

static void write_packed(const char *path, const struct packing *p)
{
    fitsfile *f = NULL;
    int status = 0, planes = p->axes > 2 ? PLANES : 1;
    long axis[3] = { W, H, PLANES }, tile[3] = { p->wide, p->high, p->deep };
    unlink(path);
    fits_create_diskfile(&f, path, &status);
    fits_set_compression_type(f, p->type, &status);
    fits_set_tile_dim(f, p->axes, tile, &status);
    fits_create_img(f, p->image, p->axes, axis, &status);
    write_pixels(f, p->image, (LONGLONG)N * planes, &status);
    fits_close_file(f, &status);
    cr_assert(eq(int, status, 0));
}

static void read_by_cfitsio(const char *path, int plane, float out[N])
{
    fitsfile *f = NULL;
    int status = 0, any = 0;
    fits_open_diskfile(&f, path, READONLY, &status);
    fits_movabs_hdu(f, 2, NULL, &status);
    fits_read_img(f, TFLOAT, (LONGLONG)plane * N + 1, N, NULL, out, &any, &status);
    fits_close_file(f, &status);
    cr_assert(eq(int, status, 0));
}

static void expect_same(const char *path, const float *want, int jobs)
{
    pl_frame *f = NULL;
    pl_err err = { PL_OK, "" };
    float got[N];
    cr_assert(eq(int, pl_frame_open(path, jobs, &f, &err), PL_OK), "%s", err.msg);
    cr_assert(eq(int, pl_frame_read(f, 0, 0, W, H, got, NULL), PL_OK));
    cr_expect(memcmp(got, want, sizeof got) == 0, "%s, %d jobs", path, jobs);
    pl_frame_free(f);
}

ParameterizedTestParameters(tiles, as_cfitsio_reads_them)
{
    static struct packing rows[] = {
        { RICE_1, USHORT_IMG, 2, W, 1, 1 },       { RICE_1, USHORT_IMG, 2, W, 5, 1 },
        { RICE_1, USHORT_IMG, 2, W, H, 1 },       { RICE_1, USHORT_IMG, 2, 16, 10, 1 },
        { RICE_1, USHORT_IMG, 2, W - 1, 1, 1 },   { RICE_1, USHORT_IMG, 2, 1, 1, 1 },
        { RICE_1, USHORT_IMG, 3, W, 1, 1 },       { RICE_1, USHORT_IMG, 3, 20, 20, 1 },
        { RICE_1, USHORT_IMG, 3, W, H, 2 },       { RICE_1, SHORT_IMG, 2, W, 1, 1 },
        { RICE_1, BYTE_IMG, 2, 20, 20, 1 },       { RICE_1, LONG_IMG, 2, W, 1, 1 },
        { RICE_1, FLOAT_IMG, 2, W, 1, 1 },        { GZIP_1, USHORT_IMG, 2, W, 2, 1 },
        { GZIP_2, LONG_IMG, 3, W, 1, 1 },         { GZIP_2, FLOAT_IMG, 2, W, 1, 1 },
        { HCOMPRESS_1, USHORT_IMG, 2, W, 16, 1 }, { HCOMPRESS_1, LONG_IMG, 2, 20, 20, 1 },
        { PLIO_1, SHORT_IMG, 2, W, 1, 1 },        { PLIO_1, SHORT_IMG, 2, 20, 20, 1 },
    };
    return cr_make_param_array(struct packing, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct packing *p, tiles, as_cfitsio_reads_them)
{
    float want[N];
    const char *path = frames_path("t.fits");
    write_packed(path, p);
    read_by_cfitsio(path, p->axes > 2, want); /* of three planes the second */
    for (int jobs = 0; jobs <= 5; jobs++)
        expect_same(path, want, jobs);
    char command[800];
    snprintf(command, sizeof command, "gzip '%s'", path);
    if (system(command) == 0) /* CFITSIO's memory instead of the file */
        expect_same(frames_path("t.fits.gz"), want, 4);
}

/* Constant rows cannot be quantised: their tiles are gzipped, in a column of their own. */
Test(tiles, some_packed_another_way)
{
    double v[N];
    float want[N];
    frames_dice dice = { 5 };
    for (int i = 0; i < N; i++)
        v[i] = i / W % 3 ? 100 + 9 * frames_normal(&dice) : i / W == 3 ? NAN : 7 * (double)(i / W);
    frames_pack(frames_path("g.fits"), RICE_1, FLOAT_IMG, W, H, v);
    read_by_cfitsio(frames_path("g.fits"), 0, want);
    pl_frame *f = NULL;
    float got[N];
    cr_assert(eq(int, pl_frame_open(frames_path("g.fits"), 2, &f, NULL), PL_OK));
    cr_assert(eq(int, pl_frame_read(f, 0, 0, W, H, got, NULL), PL_OK));
    for (int i = 0; i < N; i++)
        cr_assert(isnan(v[i]) ? isnan(got[i]) : got[i] == want[i], "pixel %d", i);
    pl_frame_free(f);
}

/* ---- damaged ones */

/* Where the file has row's descriptor (two 32-bit numbers: bytes, and where in the heap), and where
 * the tile itself. */
struct place {
    LONGLONG descriptor, tile, bytes;
};

static struct place find_tile(const char *path, int row)
{
    fitsfile *f = NULL;
    int status = 0;
    LONGLONG data = 0, bytes = 0, at = 0, rows = 0, row_bytes = 0;
    fits_open_diskfile(&f, path, READONLY, &status);
    fits_movabs_hdu(f, 2, NULL, &status);
    fits_get_hduaddrll(f, NULL, &data, NULL, &status);
    fits_get_num_rowsll(f, &rows, &status);
    fits_read_key(f, TLONGLONG, "NAXIS1", &row_bytes, NULL, &status);
    fits_read_descriptll(f, 1, row, &bytes, &at, &status);
    fits_close_file(f, &status);
    cr_assert(eq(int, status, 0));
    return (struct place){ data + row_bytes * (row - 1), data + row_bytes * rows + at, bytes };
}

static void overwrite(const char *path, LONGLONG at, const void *bytes, size_t n)
{
    FILE *f = fopen(path, "r+b");
    cr_assert(f && fseek(f, (long)at, SEEK_SET) == 0 && fwrite(bytes, 1, n, f) == n);
    cr_assert(eq(int, fclose(f), 0));
}

static void expect_refusal(const char *path, const char *says)
{
    char first[sizeof(pl_err)] = "";
    for (int jobs = 1; jobs <= 5; jobs += 2) { /* the same words on any number of threads */
        pl_frame *f = NULL;
        pl_err err = { PL_OK, "" };
        cr_expect(eq(int, pl_frame_open(path, jobs, &f, &err), PL_EFORMAT), "%s", says);
        cr_expect(ne(ptr, strstr(err.msg, says), NULL), "\"%s\" without \"%s\"", err.msg, says);
        cr_expect(eq(ptr, f, NULL));
        cr_expect(strcmp(first, err.msg) == 0 || !first[0], "%s; %s", first, err.msg);
        snprintf(first, sizeof first, "%s", err.msg);
    }
}

static const char *pack_noise(int type, int image)
{
    const char *path = frames_path("d.fits");
    write_packed(path, &(struct packing){ type, image, 2, W, 1, 1 });
    return path;
}

struct damage {
    int type, image;
    char says[24];
};

/* Tiles 12 and 30 are cut in half, by their descriptors. */
ParameterizedTestParameters(tiles, cut)
{
    static struct damage rows[] = {
        { RICE_1, USHORT_IMG, "tile 12 of 47" }, { RICE_1, BYTE_IMG, "tile 12 of 47" },
        { RICE_1, LONG_IMG, "tile 12 of 47" },   { RICE_1, FLOAT_IMG, "tile 12 of 47" },
        { GZIP_1, USHORT_IMG, "tile 12 of 47" }, { GZIP_2, FLOAT_IMG, "tile 12 of 47" },
        { PLIO_1, SHORT_IMG, "tile 12 of 47" }
    };
    return cr_make_param_array(struct damage, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct damage *d, tiles, cut)
{
    const char *path = pack_noise(d->type, d->image);
    for (int row = 30; row >= 12; row -= 18) {
        struct place p = find_tile(path, row);
        int n = (int)(p.bytes / 2);
        unsigned char half[4] = { (unsigned char)(n >> 24), (unsigned char)(n >> 16),
                                  (unsigned char)(n >> 8), (unsigned char)n };
        overwrite(path, p.descriptor, half, sizeof half);
    }
    expect_refusal(path, d->says);
}

/* A row of zero bits has no end. */
Test(tiles, zeroed)
{
    const char *path = pack_noise(RICE_1, USHORT_IMG);
    struct place p = find_tile(path, 47);
    void *nothing = calloc(1, (size_t)p.bytes);
    overwrite(path, p.tile + 2, nothing, (size_t)p.bytes - 2);
    free(nothing);
    cr_expect(gt(i64, p.bytes, 20));
    pl_frame *f = NULL;
    pl_err err = { PL_OK, "" };
    /* behind the first pixel twice "no low bits at all": few bytes do for all pixels */
    cr_assert(eq(int, pl_frame_open(path, 2, &f, &err), PL_OK), "%s", err.msg);
    cr_assert(eq(sz, pl_frame_notes(f)->n, 1));
    cr_expect(ne(ptr, strstr(pl_frame_notes(f)->item[0], "1 of 47 compressed tiles"), NULL), "%s",
              pl_frame_notes(f)->item[0]);
    pl_frame_free(f);
    overwrite(path, p.tile + 2, "\x10",
              1); /* differences of 0 low bits: of their 1s there is none */
    expect_refusal(path, "tile 47 of 47");
}

Test(tiles, descriptors_that_lie)
{
    static const char lie[][8] = { "\x7f\xff\xff\xff\0\0\0", "\xff\xff\xff\xff\0\0\0",
                                   "\0\0\0\x09\x7f\xff\xff", "\0\0\0\x09\xff\xff\xff",
                                   "\x70\0\0\0\x70\0\0" };
    for (size_t i = 0; i < sizeof lie / sizeof *lie; i++) {
        const char *path = pack_noise(i % 2 ? GZIP_1 : RICE_1, USHORT_IMG);
        overwrite(path, find_tile(path, 9).descriptor, lie[i], sizeof lie[i]);
        expect_refusal(path, "tile 9 of 47 lies outside");
    }
    /* no bytes, and no other column that has them */
    const char *path = pack_noise(RICE_1, USHORT_IMG);
    overwrite(path, find_tile(path, 9).descriptor, "\0\0\0\0", 4);
    expect_refusal(path, "decoded");
}

/* The sides and the bit planes that an H-compressed tile has in its head. */
Test(tiles, hcompress_of_another_size)
{
    static const int at[] = { 0, 2, 5, 9, 22 };
    for (size_t i = 0; i < sizeof at / sizeof *at; i++) {
        const char *path = frames_path("h.fits");
        write_packed(path, &(struct packing){ HCOMPRESS_1, USHORT_IMG, 2, W, 16, 1 });
        overwrite(path, find_tile(path, 2).tile + at[i], "\x77", 1);
        expect_refusal(path, "tile 2 of 3");
    }
}

/* Where a card of the table's header stands. */
static LONGLONG find_card(const char *path, const char key[9])
{
    char head[5760];
    FILE *f = fopen(path, "rb");
    cr_assert(f && fread(head, 1, sizeof head, f) == sizeof head);
    fclose(f);
    size_t i = 2880;
    while (i < sizeof head && memcmp(head + i, key, 8) != 0)
        i += 80;
    cr_assert(lt(sz, i, sizeof head));
    return (LONGLONG)i;
}

/* Fewer rows than tiles; CFITSIO may see it before us, and call it no image. */
Test(tiles, shorter_table)
{
    const char *path = pack_noise(RICE_1, USHORT_IMG);
    overwrite(path, find_card(path, "ZNAXIS2 ") + 28, "99", 2);
    expect_refusal(path, "");
}

/* CFITSIO divides by it while it reads the header. */
Test(tiles, no_size_of_a_tile)
{
    static const char value[][24] = { "                   0", "                  -1",
                                      "          F       20", "                    " };
    for (size_t i = 0; i < sizeof value / sizeof *value; i++) {
        const char *path = pack_noise(RICE_1, USHORT_IMG);
        LONGLONG at = find_card(path, "ZTILE1  ");
        overwrite(path, at + 10, value[i], 20);
        expect_refusal(path, "ZTILE");
    }
}

/* A tile's zero point beyond what a float holds: blank, as in a plain frame. */
Test(tiles, infinite_pixels)
{
    enum { ROW = 5 };
    const char *path = pack_noise(RICE_1, FLOAT_IMG);
    fitsfile *table = NULL;
    int status = 0, column = 0;
    char name[] = "ZZERO";
    double beyond = -1e292;
    fits_open_diskfile(&table, path, READWRITE, &status);
    fits_movabs_hdu(table, 2, NULL, &status);
    fits_get_colnum(table, CASEINSEN, name, &column, &status);
    fits_write_col(table, TDOUBLE, column, ROW, 1, 1, &beyond, &status);
    fits_close_file(table, &status);
    cr_assert(eq(int, status, 0));
    pl_frame *f = NULL;
    pl_err err = { PL_OK, "" };
    float got[N];
    cr_assert(eq(int, pl_frame_open(path, 1, &f, &err), PL_OK), "%s", err.msg);
    cr_assert(eq(int, pl_frame_read(f, 0, 0, W, H, got, NULL), PL_OK));
    for (int i = 0; i < N; i++)
        cr_assert(i / W == ROW - 1 ? isnan(got[i]) : isfinite(got[i]), "pixel %d", i);
    pl_frame_free(f);
}
