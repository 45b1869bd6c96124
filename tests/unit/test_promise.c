/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How long a FITS file will be: against files whose whole length is known because this test or
 * CFITSIO wrote all of it. */
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

TestSuite(promise, .init = frames_begin, .fini = frames_end);

static int64_t size_of(const char *path)
{
    struct stat st;
    cr_assert(eq(int, stat(path, &st), 0));
    return st.st_size;
}

/* What the file promises when only its first `size` bytes are there. */
static int64_t promise_of(const char *path, int64_t size)
{
    cr_assert(eq(int, truncate(path, size), 0));
    int fd = open(path, O_RDONLY);
    int64_t promised = pl_fits_promise(fd, size);
    close(fd);
    return promised;
}

struct promise_row {
    frames_layout layout;
    int64_t data; /* bytes of the last HDU before its padding, by hand */
    char what[32];
};

ParameterizedTestParameters(promise, plain)
{
    static struct promise_row rows[] = {
        { { 16, 100, 50, 0, NULL, false, 0 }, 10000, "16 bit" },
        { { -32, 33, 7, 0, NULL, false, 0 }, 924, "float" },
        { { 8, 31, 31, 3, NULL, false, 0 }, 2883, "a cube" },
        { { 16, 100, 50, 0, NULL, true, 0 }, 10000, "in an extension" },
    };
    return cr_make_param_array(struct promise_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct promise_row *r, promise, plain)
{
    const char *path = frames_path("f.fits");
    frames_put(path, &r->layout, NULL);
    int64_t whole = size_of(path), blocks = (r->data + 2879) / 2880 * 2880;
    int64_t end = whole - blocks + r->data; /* the padding is not asked for */
    cr_expect(eq(i64, promise_of(path, whole), end), "%s", r->what);
    cr_expect(eq(i64, promise_of(path, end), end), "%s", r->what);
    cr_expect(eq(i64, promise_of(path, end - 1), end), "%s", r->what);
    int64_t header = whole - blocks;
    cr_expect(eq(i64, promise_of(path, header), end), "%s", r->what);
    cr_expect(promise_of(path, header - 100) > header - 100, "%s: a header cut short", r->what);
    cr_expect(promise_of(path, 5) > 5 && promise_of(path, 0) > 0, "%s: hardly begun", r->what);
}

/* A table with a heap (PCOUNT), as CFITSIO packs images; it pads its own file. */
Test(promise, packed)
{
    enum { W = 90, H = 70 };
    double *value = calloc((size_t)W * H, sizeof *value);
    const char *path = frames_path("packed.fits");
    for (int i = 0; i < W * H; i++)
        value[i] = 1000 + i * 37 % 101;
    frames_pack(path, RICE_1, USHORT_IMG, W, H, value);
    free(value);
    int64_t whole = size_of(path), promised = promise_of(path, whole);
    cr_expect(promised <= whole && promised > whole - 2880, "%lld of %lld", (long long)promised,
              (long long)whole);
    cr_expect(eq(i64, promise_of(path, promised - 1), promised));
    cr_expect(promise_of(path, 2880 + 1000) > 2880 + 1000);
}

Test(promise, what_is_no_fits_promises_nothing)
{
    char text[6000];
    memset(text, 'x', sizeof text);
    frames_put_bytes(frames_path("x"), text, sizeof text);
    cr_expect(eq(i64, promise_of(frames_path("x"), sizeof text), 0));
    /* sound, then rubbish behind it */
    const frames_layout plain = { 16, 100, 50, 0, NULL, false, 0 };
    const char *path = frames_path("y");
    frames_put(path, &plain, NULL);
    int64_t whole = size_of(path);
    FILE *f = fopen(path, "ab");
    fwrite(text, 1, sizeof text, f);
    fclose(f);
    cr_expect(promise_of(path, whole + (int64_t)sizeof text) <= whole);
}

/* Numbers that no file has must neither overflow nor be waited for. */
Test(promise, nonsense)
{
    static const char *const card[] = { "NAXIS1  = 99999999999999999999", "PCOUNT  = -5",
                                        "GCOUNT  = 0", "NAXIS2  = -3", "BITPIX  = 'x'" };
    for (size_t i = 0; i < PL_ARRAY_LEN(card); i++) {
        char block[5760];
        memset(block, ' ', sizeof block);
        memcpy(block, "SIMPLE  =                    T", 30);
        memcpy(block + 80, "BITPIX  =                   16", 30);
        memcpy(block + 160, "NAXIS   =                    2", 30);
        memcpy(block + 240, "NAXIS1  =                  900", 30);
        memcpy(block + 320, "NAXIS2  =                  900", 30);
        memcpy(block + 400, card[i], strlen(card[i]));
        memcpy(block + 480, "END", 3);
        frames_put_bytes(frames_path("n"), block, sizeof block);
        int64_t promised = promise_of(frames_path("n"), sizeof block);
        cr_expect(promised >= 0 && promised < (int64_t)1 << 60, "%s: %lld", card[i],
                  (long long)promised);
    }
}
