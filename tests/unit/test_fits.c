/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Opening FITS files of every layout, and refusing what is none. */
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

TestSuite(fits, .init = frames_begin, .fini = frames_end);

enum { W = 7, H = 5 };

static pl_frame *open_whole(const char *path)
{
    pl_frame *f = NULL;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_frame_open(path, 1, &f, &err), PL_OK), "%s", err.msg);
    cr_assert(eq(int, pl_frame_width(f), W));
    cr_assert(eq(int, pl_frame_height(f), H));
    return f;
}

static void expect_pixels(const pl_frame *f, const double *want, double tol)
{
    float got[W * H];
    cr_assert(eq(int, pl_frame_read(f, 0, 0, W, H, got, NULL), PL_OK));
    for (int i = 0; i < W * H; i++)
        cr_expect(isnan(want[i]) ? isnan(got[i]) : fabs(got[i] - want[i]) <= tol,
                  "pixel %d: %g, not %g", i, (double)got[i], want[i]);
}

struct layout_row {
    int bitpix;
    double bzero, bscale; /* both 0: no cards */
    int extension, blank;
};

ParameterizedTestParameters(fits, layouts)
{
    static struct layout_row rows[] = {
        { 8, 0, 0, 0, 0 },    { 16, 0, 0, 0, 0 },     { 16, 32768, 1, 0, 0 },
        { 32, 0, 0, 0, 0 },   { 64, 0, 0, 0, 0 },     { -32, 0, 0, 0, 0 },
        { -64, 0, 0, 0, 0 },  { 16, 10, 0.25, 0, 0 }, { -32, 100, 2, 0, 0 },
        { 8, -128, 1, 0, 0 }, { 16, 32768, 1, 1, 0 }, { -32, 0, 0, 1, 0 },
        { 16, 0, 0, 0, 1 },   { 16, 32768, 1, 0, 1 }, { 8, 0, 0, 0, 1 },
        { 32, 0, 0, 1, 1 },
    };
    return cr_make_param_array(struct layout_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct layout_row *r, fits, layouts)
{
    double stored[W * H], want[W * H];
    char cards[200] = "";
    size_t n = 0;
    for (int i = 0; i < W * H; i++) {
        stored[i] = r->bitpix == 8 ? 7 * i : 11 * i - 150;
        want[i] = r->bscale != 0 ? r->bzero + r->bscale * stored[i] : stored[i];
    }
    if (r->bscale != 0)
        n += (size_t)snprintf(cards, sizeof cards, "BZERO   = %20g\nBSCALE  = %20g\n", r->bzero,
                              r->bscale);
    if (r->blank) {
        snprintf(cards + n, sizeof cards - n, "BLANK   = %20d\n", (int)stored[3]);
        want[3] = NAN;
    }
    if (r->bitpix < 0)
        stored[9] = want[9] = NAN;
    frames_layout l = { r->bitpix, W, H, 0, cards, r->extension != 0, 0 };
    const char *path = frames_path("f.fits");
    frames_put(path, &l, stored);
    pl_frame *f = open_whole(path);
    expect_pixels(f, want, 1e-9);
    pl_frame_free(f);
}

/* Tile compression and whole-file gzip: the same pixels; a float image within half its quantum,
 * a sixteenth of its noise by default. */
Test(fits, packed)
{
    double v[W * H], real[W * H];
    frames_dice dice = { 1 };
    for (int i = 0; i < W * H; i++) {
        v[i] = 1871 * i % 65536;
        real[i] = 1000 + 20 * frames_normal(&dice);
    }
    real[17] = NAN;
    static const int type[] = { RICE_1, GZIP_1, GZIP_2 };
    for (int i = 0; i < 3; i++) {
        char name[16];
        snprintf(name, sizeof name, "p%d.fits", i);
        frames_pack(frames_path(name), type[i], USHORT_IMG, W, H, v);
        pl_frame *f = open_whole(frames_path(name));
        expect_pixels(f, v, 0);
        pl_frame_free(f);
        snprintf(name, sizeof name, "q%d.fits", i);
        frames_pack(frames_path(name), type[i], FLOAT_IMG, W, H, real);
        f = open_whole(frames_path(name));
        expect_pixels(f, real, 20.0 / 16);
        pl_frame_free(f);
    }
}

Test(fits, gzipped_file)
{
    double v[W * H];
    char command[700];
    for (int i = 0; i < W * H; i++)
        v[i] = 3 * i;
    frames_layout l = { 16, W, H, 0, "BLANK   =                    9", false, 0 };
    frames_put(frames_path("z.fits"), &l, v);
    v[3] = NAN;
    snprintf(command, sizeof command, "gzip '%s'", frames_path("z.fits"));
    if (system(command) != 0)
        cr_skip_test("no gzip here");
    pl_frame *f = open_whole(frames_path("z.fits.gz"));
    expect_pixels(f, v, 0);
    pl_frame_free(f);
}

/* Of three planes the second, green, and it is said; of other cubes the first, and it is said. */
Test(fits, cubes)
{
    for (int planes = 1; planes <= 4; planes++) {
        double stored[4 * W * H];
        for (int i = 0; i < planes * W * H; i++)
            stored[i] = i;
        frames_layout l = { 16, W, H, planes, NULL, false, 0 };
        frames_put(frames_path("cube.fits"), &l, stored);
        pl_frame *f = open_whole(frames_path("cube.fits"));
        expect_pixels(f, stored + (planes == 3 ? W * H : 0), 0);
        cr_expect(eq(sz, pl_frame_notes(f)->n, planes > 1));
        if (planes == 3)
            cr_expect(ne(ptr, strstr(pl_frame_notes(f)->item[0], "green"), NULL));
        pl_frame_free(f);
    }
}

Test(fits, names_are_taken_as_they_are)
{
    static const char *const name[] = { "a[1].fits", "a[1:3,2:4].fits", "!a.fits", "a b.fits",
                                        "a.fits+1",  "mem:a",           "a|b",     "-a.fits",
                                        "a\nb.fits", "\xff\xfe" };
    double stored[W * H] = { 0 };
    frames_layout l = { 16, W, H, 0, NULL, false, 0 };
    for (size_t i = 0; i < sizeof name / sizeof *name; i++) {
        frames_put(frames_path(name[i]), &l, stored);
        pl_frame_free(open_whole(frames_path(name[i])));
    }
}

/* Some writers leave NUL bytes where blanks belong, or an odd keyword: the pixels are still good.
 */
Test(fits, untidy_header)
{
    static const char junk[] = "OBJECT  = 'a'\nHIERARCH SOME LONG KEY = 3\nCOMMENT caf\xe9\n"
                               "BAD KEY = what\nEXPTIME =                 12.5\n";
    double stored[W * H];
    unsigned char bytes[5760];
    for (int i = 0; i < W * H; i++)
        stored[i] = i;
    frames_layout l = { 16, W, H, 0, junk, false, 0 };
    frames_put(frames_path("u.fits"), &l, stored);
    FILE *f = fopen(frames_path("u.fits"), "rb");
    cr_assert(eq(sz, fread(bytes, 1, sizeof bytes, f), sizeof bytes));
    fclose(f);
    for (int i = 1200; i < 2880; i++) /* after END */
        bytes[i] = 0;
    frames_put_bytes(frames_path("u.fits"), bytes, sizeof bytes);
    pl_frame *fr = open_whole(frames_path("u.fits"));
    expect_pixels(fr, stored, 0);
    cr_expect(eq(dbl, pl_frame_facts(fr)->exposure_s.v, 12.5));
    pl_frame_free(fr);
}

/* The last block need not be filled up: nothing is missing. */
Test(fits, unpadded_end)
{
    double stored[W * H] = { 1, 2, 3 };
    frames_layout l = { 16, W, H, 0, NULL, false, 2880 - W * H * 2 };
    frames_put(frames_path("s.fits"), &l, stored);
    pl_frame *f = open_whole(frames_path("s.fits"));
    expect_pixels(f, stored, 0);
    pl_frame_free(f);
}

/* ---- refusals: the right code, a sentence, the output untouched */

static void expect_refusal(const char *path, pl_status want, const char *says)
{
    pl_frame *f = (pl_frame *)(void *)&f;
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_frame_open(path, 1, &f, &err), want), "%s: %s", path, err.msg);
    cr_expect(eq(int, err.code, want), "\"%s\"", says);
    cr_expect(ne(ptr, strstr(err.msg, says), NULL), "\"%s\" without \"%s\"", err.msg, says);
    cr_expect(eq(ptr, f, (void *)&f), "untouched");
}

Test(fits, what_is_no_file)
{
    expect_refusal(frames_path("absent.fits"), PL_EIO, "No such file");
    cr_assert(eq(int, mkdir(frames_path("d.fits"), 0700), 0));
    expect_refusal(frames_path("d.fits"), PL_EIO, "directory");
    cr_assert(eq(int, mkfifo(frames_path("fifo"), 0600), 0)); /* nobody writes: must not wait */
    expect_refusal(frames_path("fifo"), PL_EIO, "is a pipe");
    expect_refusal("/dev/zero", PL_EIO, "is a device");
    expect_refusal("", PL_EIO, "");
}

struct junk_row {
    char text[96], says[24];
    int n;
};

ParameterizedTestParameters(fits, what_is_no_fits)
{
    static struct junk_row rows[] = {
        { "", "empty", 0 },
        { "x", "SIMPLE", 1 },
        { "SIMPLE", "SIMPLE", 6 },
        { "a text file\n", "SIMPLE", 12 },
        { "SIMPLE  =                    T", "", 30 },
        { "\x1f\x8b\x08 no real gzip", "", 16 },
        { "\x1f\x9d\x90 by compress", "(.Z)", 15 },
        { "\x89PNG\r\n\x1a\n", "SIMPLE", 8 },
    };
    return cr_make_param_array(struct junk_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct junk_row *r, fits, what_is_no_fits)
{
    frames_put_bytes(frames_path("j"), r->text, (size_t)r->n);
    expect_refusal(frames_path("j"), PL_EFORMAT, r->says);
}

Test(fits, cut_short)
{
    double stored[W * H] = { 0 };
    for (size_t kept = 0; kept < 5760; kept += kept < 2880 ? 720 : W * H * 2 - 1) {
        frames_layout l = { 16, W, H, 0, NULL, false, 5760 - kept };
        if (kept >= 2880 + W * H * 2)
            break;
        frames_put(frames_path("c.fits"), &l, stored);
        expect_refusal(frames_path("c.fits"), PL_EFORMAT, kept == 2880 ? "cut short" : "");
    }
}

struct lie_row {
    char cards[84], says[16];
    int width, height, bitpix;
};

/* Headers that promise what is not there, or nonsense. Only the header is written. */
ParameterizedTestParameters(fits, lying_headers)
{
    static struct lie_row rows[] = {
        { "", "cut short", 3000, 2000, 16 },
        { "", "", 2000000000, 2000000000, 16 },
        { "", "", 2000000, 1, 8 },
        { "", "cut short", 1000000, 2000, 8 },
        { "", "", 0, 5, 16 },
        { "", "", -7, 5, 16 },
        { "", "", 7, 5, 17 },
        { "", "", 7, 5, 0 },
        { "BSCALE  =                  0.0", "BSCALE", 7, 5, 16 },
        { "BZERO   =               1.E999", "", 7, 5, 16 },
    };
    return cr_make_param_array(struct lie_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct lie_row *r, fits, lying_headers)
{
    static char bytes[5760];
    const char *value[] = { "T", NULL, "2", NULL, NULL };
    static const char *const key[] = { "SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2" };
    const int number[] = { 0, r->bitpix, 0, r->width, r->height };
    memset(bytes, ' ', 2880);
    for (int i = 0; i < 5; i++) {
        char text[81], digits[16];
        snprintf(digits, sizeof digits, "%d", number[i]);
        int n = snprintf(text, sizeof text, "%-8s= %20s", key[i], value[i] ? value[i] : digits);
        memcpy(bytes + 80 * i, text, (size_t)n);
    }
    memcpy(bytes + 400, r->cards, strlen(r->cards));
    memcpy(bytes + 480, "END", 3);
    frames_put_bytes(frames_path("l.fits"), bytes, sizeof bytes);
    pl_frame *f = NULL;
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_frame_open(frames_path("l.fits"), 1, &f, &err), PL_EFORMAT),
              "%d x %d, %d, %s", r->width, r->height, r->bitpix, r->cards);
    cr_expect(ne(ptr, strstr(err.msg, r->says), NULL), "\"%s\" without \"%s\"", err.msg, r->says);
    cr_expect(eq(ptr, f, NULL), "untouched");
    pl_frame_free(f);
}

/* A line of pixels, a spectrum, a table: no image. */
Test(fits, no_image_inside)
{
    fitsfile *f = NULL;
    int status = 0;
    long axis[1] = { 100 };
    char *name[] = { "X" }, *form[] = { "1E" };
    fits_create_diskfile(&f, frames_path("t.fits"), &status);
    fits_create_img(f, SHORT_IMG, 1, axis, &status);
    fits_create_tbl(f, BINARY_TBL, 10, 1, name, form, NULL, "T", &status);
    fits_close_file(f, &status);
    cr_assert(eq(int, status, 0));
    expect_refusal(frames_path("t.fits"), PL_EFORMAT, "no image");
}

/* ---- reading */

Test(fits, reads_any_rectangle)
{
    double stored[W * H];
    for (int i = 0; i < W * H; i++)
        stored[i] = i;
    frames_layout l = { 16, W, H, 0, NULL, false, 0 };
    frames_put(frames_path("r.fits"), &l, stored);
    pl_frame *disc = open_whole(frames_path("r.fits")), *memory = frames_memory(W, H, stored);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++)
            for (int h = 1; h <= H - y; h++)
                for (int w = 1; w <= W - x; w++) {
                    float a[W * H], b[W * H];
                    cr_assert(eq(int, pl_frame_read(disc, x, y, w, h, a, NULL), PL_OK));
                    cr_assert(eq(int, pl_frame_read(memory, x, y, w, h, b, NULL), PL_OK));
                    for (int i = 0; i < w * h; i++)
                        cr_assert(a[i] == stored[(y + i / w) * W + x + i % w] && a[i] == b[i]);
                }
    pl_frame_free(disc);
    pl_frame_free(memory);
}

/* Sums of 2 x 2, of an odd frame, whatever way the pixels are kept. */
Test(fits, bins_are_sums_of_four)
{
    static const struct {
        int bitpix;
        const char *cards;
        double zero, blank; /* added to what is stored; a stored value that is no pixel */
    } kind[] = { { 16, "BZERO   =                32768", 32768, NAN },
                 { 16, NULL, 0, NAN },
                 { 16, "BZERO   =                32768\nBLANK   =                   -1", 32768,
                   -1 },
                 { -32, NULL, 0, INFINITY } };
    static const double hard[] = {
        -32768, -32767, -129, -128, -1, 0, 1, 127, 128, 255, 256, 32767
    };
    double stored[W * H], adu[W * H];
    float room[2 * W], got[W / 2];
    for (size_t k = 0; k <= sizeof kind / sizeof *kind; k++) { /* the last is packed */
        bool packed = k == sizeof kind / sizeof *kind;
        double zero = packed ? 32768 : kind[k].zero;
        for (int i = 0; i < W * H; i++) {
            stored[i] = hard[(5 * i + i / W) % 12];
            adu[i] = stored[i] + zero;
        }
        if (!packed && kind[k].bitpix < 0)
            stored[3] = kind[k].blank;
        const char *file = frames_path(packed ? "packed.fits" : "bins.fits");
        if (packed)
            frames_pack(file, RICE_1, USHORT_IMG, W, H, adu);
        else {
            frames_layout l = { kind[k].bitpix, W, H, 0, kind[k].cards, false, 0 };
            frames_put(file, &l, stored);
        }
        pl_frame *f = open_whole(file);
        for (int y = 0; y < H / 2; y++) {
            cr_assert(eq(int, pl_frame_bins(f, y, room, got, NULL), PL_OK));
            for (int x = 0; x < W / 2; x++) {
                double sum = 0;
                for (int i = 0; i < 4; i++) {
                    int at = (2 * y + i / 2) * W + 2 * x + i % 2;
                    sum += !packed && stored[at] == kind[k].blank ? NAN : adu[at];
                }
                cr_expect(isnan(sum) ? isnan(got[x]) : got[x] == sum, "kind %zu: %g, not %g", k,
                          got[x], sum);
            }
        }
        pl_frame_free(f);
    }
}

Test(fits, refuses_rectangles_outside)
{
    static const int bad[][4] = { { -1, 0, 1, 1 },
                                  { 0, -1, 1, 1 },
                                  { 0, 0, W + 1, 1 },
                                  { 0, 0, 1, H + 1 },
                                  { W, 0, 1, 1 },
                                  { 0, H, 1, 1 },
                                  { 0, 0, 0, 1 },
                                  { 0, 0, 1, 0 },
                                  { 1, 1, W, 1 },
                                  { 1, 1, 1, H },
                                  { 2147483647, 0, 2147483647, 1 },
                                  { 0, 0, -5, -5 } };
    double stored[W * H] = { 0 };
    pl_frame *f = frames_memory(W, H, stored);
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        float out[W * H] = { 7 };
        pl_err err = { PL_OK, "" };
        const int *b = bad[i];
        cr_expect(eq(int, pl_frame_read(f, b[0], b[1], b[2], b[3], out, &err), PL_EARG), "%zu", i);
        cr_expect(out[0] == 7 && err.code == PL_EARG, "%zu", i);
    }
    pl_frame_free(f);
}

/* Wider than the read buffer: no seam. */
Test(fits, long_rows)
{
    enum { LONG = 70001 };
    double *stored = malloc(sizeof *stored * LONG * 2);
    float *got = malloc(sizeof *got * LONG * 2);
    for (int i = 0; i < 2 * LONG; i++)
        stored[i] = i % 30011;
    frames_layout l = { 16, LONG, 2, 0, NULL, false, 0 };
    frames_put(frames_path("w.fits"), &l, stored);
    pl_frame *f = NULL;
    cr_assert(eq(int, pl_frame_open(frames_path("w.fits"), 1, &f, NULL), PL_OK));
    cr_assert(eq(int, pl_frame_read(f, 0, 0, LONG, 2, got, NULL), PL_OK));
    for (int i = 0; i < 2 * LONG; i++)
        cr_assert(got[i] == (float)stored[i], "pixel %d", i);
    pl_frame_free(f);
    free(stored);
    free(got);
}

Test(fits, a_file_cut_under_us_is_an_error)
{
    double stored[W * H] = { 0 };
    float out[W * H];
    frames_layout l = { 16, W, H, 0, NULL, false, 0 };
    frames_put(frames_path("x.fits"), &l, stored);
    pl_frame *f = open_whole(frames_path("x.fits"));
    cr_assert(eq(int, truncate(frames_path("x.fits"), 2890), 0));
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_frame_read(f, 0, 0, W, H, out, &err), PL_EIO));
    cr_expect(ne(ptr, strstr(err.msg, "shorter"), NULL), "%s", err.msg);
    pl_frame_free(f);
}

/* What was measured would be parts of two exposures. */
Test(fits, a_file_written_to_under_us_is_an_error)
{
    double stored[W * H] = { 0 };
    frames_layout l = { 16, W, H, 0, NULL, false, 0 };
    frames_put(frames_path("v.fits"), &l, stored);
    pl_frame *f = open_whole(frames_path("v.fits"));
    cr_expect(eq(int, pl_frame_settled(f, NULL), PL_OK));
    struct stat st;
    cr_assert(eq(int, stat(frames_path("v.fits"), &st), 0));
    cr_assert(eq(int, truncate(frames_path("v.fits"), st.st_size + 2880), 0));
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_frame_settled(f, &err), PL_EIO));
    cr_expect(ne(ptr, strstr(err.msg, "written to"), NULL), "%s", err.msg);
    cr_assert(eq(int, truncate(frames_path("v.fits"), st.st_size), 0)); /* as long as before */
    const struct timespec later[2] = { st.st_atim, { st.st_mtim.tv_sec + 1, 0 } };
    cr_assert(eq(int, utimensat(AT_FDCWD, frames_path("v.fits"), later, 0), 0));
    cr_expect(eq(int, pl_frame_settled(f, NULL), PL_EIO));
    pl_frame_free(f);
}

struct reader {
    const pl_frame *frame;
    int wrong[64];
};

static void read_all(void *ctx, size_t item, int worker)
{
    struct reader *r = ctx;
    float row[W];
    (void)worker;
    int y = (int)item % H;
    bool ok = pl_frame_read(r->frame, 0, y, W, 1, row, NULL) == PL_OK;
    for (int x = 0; x < W; x++)
        r->wrong[item] += !ok || row[x] != (float)(y * W + x);
}

Test(fits, many_threads_read_one_frame)
{
    double stored[W * H];
    for (int i = 0; i < W * H; i++)
        stored[i] = i;
    frames_layout l = { 16, W, H, 0, NULL, false, 0 };
    frames_put(frames_path("m.fits"), &l, stored);
    pl_frame *f = open_whole(frames_path("m.fits"));
    struct reader r = { f, { 0 } };
    pl_pool_run(4, 64, read_all, &r);
    for (int i = 0; i < 64; i++)
        cr_expect(eq(int, r.wrong[i], 0));
    pl_frame_free(f);
    pl_frame_free(NULL);
}
