/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fits.c - open a FITS file and hand out rectangles of its pixels.
 * CFITSIO reads headers and what is compressed, but for Rice tiles (tiles.c). The pixels of plain
 * files are read from the file itself with pread, a strip at a time: no copy of the frame, a few
 * KiB of memory, and a file that is cut short while we read is an error, not a crash. */
#include "frame.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { MAX_SIDE = 1 << 20, CHUNK_BYTES = 1 << 16 };
#define MAX_PIXELS ((int64_t)1 << 31)

static void wake(void)
{
    fits_init_cfitsio();
}

/* CFITSIO 4.2 looks without a lock whether it is ready. */
void pl_cfitsio_ready(void)
{
    static pthread_once_t once = PTHREAD_ONCE_INIT;
    pthread_once(&once, wake);
}

/* CFITSIO does not say whether the file or the disc is at fault; errno, 0 before, does. */
static pl_status fits_failure(int status, const char *what, pl_err *err)
{
    char text[FLEN_STATUS];
    int bad = errno;
    fits_get_errstatus(status, text);
    fits_clear_errmsg();
    if (bad == EIO || bad == ESTALE || bad == ETIMEDOUT)
        return pl_fail(err, PL_EIO, "cannot be read: %s", strerror(bad));
    return pl_fail(err, PL_EFORMAT, "%s: %s (CFITSIO %d)", what, text, status);
}

static int64_t modified(const struct stat *st)
{
    return (int64_t)st->st_mtim.tv_sec * 1000000000 + st->st_mtim.tv_nsec;
}

/* Open without waiting on a pipe, and refuse what is no regular file. */
static pl_status open_regular(const char *path, struct pl_frame *fr, pl_err *err)
{
    struct stat st;
    int f = open(path, O_RDONLY | O_NONBLOCK | O_CLOEXEC);
    if (f < 0)
        return pl_fail(err, PL_EIO, "cannot be opened: %s", strerror(errno));
    if (fstat(f, &st) != 0 || !S_ISREG(st.st_mode)) {
        close(f);
        return pl_fail(err, PL_EIO, "is %s; %s", pl_file_kind(st.st_mode),
                       S_ISDIR(st.st_mode) ? "name the frames in it"
                                           : "save the frame to disc first");
    }
    fr->fd = f;
    fr->bytes = st.st_size;
    fr->modified_ns = modified(&st);
    return PL_OK;
}

pl_status pl_frame_settled(const pl_frame *frame, pl_err *err)
{
    struct stat st;
    if (frame->fd < 0) /* read as a whole, and looked after then */
        return PL_OK;
    if (fstat(frame->fd, &st) != 0)
        return pl_fail(err, PL_EIO, "cannot be looked at: %s", strerror(errno));
    if (st.st_size != frame->bytes || modified(&st) != frame->modified_ns)
        return pl_fail(err, PL_EIO,
                       "was written to while it was read; measure it when it is whole");
    return PL_OK;
}

/* The last four bytes of a gzip file are its unpacked length (RFC 1952, 2.3.1), which CFITSIO
 * reserves at once; deflate packs at most 1032 to 1 (Adler & Gailly, from memory). */
static bool gzip_is_sane(int fd, int64_t size)
{
    unsigned char tail[4];
    if (size < 18 || pl_read_at(fd, tail, sizeof tail, size - 4) != sizeof tail)
        return false;
    int64_t length = tail[0] | tail[1] << 8 | tail[2] << 16 | (int64_t)tail[3] << 24;
    return length <= 1032 * size;
}

/* What the first bytes tell: 1 plain FITS, 0 perhaps compressed FITS, or a failure. */
static pl_status sniff(int fd, int64_t size, bool *plain, pl_err *err)
{
    unsigned char head[16] = { 0 };
    if (size == 0)
        return pl_fail(err, PL_EFORMAT, "is empty; was the exposure saved?");
    ssize_t got = pl_read_at(fd, head, sizeof head, 0);
    if (got < 0)
        return pl_fail(err, PL_EIO, "cannot be read: %s", strerror(errno));
    *plain = got >= 9 && memcmp(head, "SIMPLE  =", 9) == 0;
    bool packed = got >= 2 && head[0] == 0x1f && head[1] == 0x8b;
    if (got >= 2 && head[0] == 0x1f &&
        head[1] == 0x9d) /* grows by any factor: memory is in danger */
        return pl_fail(err, PL_EFORMAT,
                       "is packed by compress (.Z), which is not read; unpack it first (gzip -d)");
    if (packed && !gzip_is_sane(fd, size))
        return pl_fail(err, PL_EFORMAT,
                       "is a damaged gzip file: its length cannot be true; copy it "
                       "again");
    if (!*plain && !packed)
        return pl_fail(err, PL_EFORMAT,
                       "is no FITS file (it does not begin with SIMPLE); save frames as FITS");
    return PL_OK;
}

/* Shape of the current HDU: false when it holds no image of two or three axes (more are taken when
 * they are 1 long). */
static bool image_shape(fitsfile *f, int *bitpix, LONGLONG axis[3])
{
    enum { MOST_AXES = 9 };
    LONGLONG all[MOST_AXES];
    int status = 0, type = 0, naxis = 0;
    for (int i = 0; i < MOST_AXES; i++)
        all[i] = i < 2 ? 0 : 1;
    fits_get_hdu_type(f, &type, &status);
    if (status || (type != IMAGE_HDU && !fits_is_compressed_image(f, &status)))
        return false;
    fits_get_img_paramll(f, MOST_AXES, bitpix, &naxis, all, &status);
    for (int i = naxis < 0 ? 0 : naxis; i < MOST_AXES; i++)
        all[i] = i < 2 ? 0 : 1;
    for (int i = 3; i < MOST_AXES; i++)
        if (all[i] != 1)
            return false;
    for (int i = 0; i < 3; i++)
        axis[i] = all[i];
    return !status && naxis >= 2 && naxis <= MOST_AXES && axis[0] > 0 && axis[1] > 0 && axis[2] > 0;
}

static pl_status find_image(fitsfile *f, int *bitpix, LONGLONG axis[3], pl_err *err)
{
    int status = 0, n = 0;
    fits_get_num_hdus(f, &n, &status);
    if (status)
        return fits_failure(status, "its header cannot be read", err);
    for (int i = 1; i <= n; i++) {
        int type;
        if (fits_movabs_hdu(f, i, &type, &status))
            return fits_failure(status, "one of its headers cannot be read", err);
        if (image_shape(f, bitpix, axis))
            return PL_OK;
    }
    return pl_fail(err, PL_EFORMAT, "holds no image of two dimensions");
}

static pl_status check_size(const LONGLONG axis[3], pl_err *err)
{
    if (axis[0] > MAX_SIDE || axis[1] > MAX_SIDE || axis[0] * axis[1] > MAX_PIXELS)
        return pl_fail(err, PL_EFORMAT, "claims %lld x %lld pixels, more than plumb reads",
                       (long long)axis[0], (long long)axis[1]);
    return PL_OK;
}

static int64_t plane_of(const LONGLONG axis[3], pl_notes *notes)
{
    if (axis[2] == 3) {
        pl_note(notes, "colour cube: its second plane, green, was measured");
        return 1;
    }
    if (axis[2] > 1)
        pl_note(notes, "cube of %lld planes: the first one was measured", (long long)axis[2]);
    return 0;
}

/* A number of the header that decides what pixels mean: absent is its default, unreadable a
 * failure. */
static pl_status key_number(fitsfile *f, const char *key, double absent, double *out, pl_err *err)
{
    int status = 0;
    *out = absent;
    fits_read_key(f, TDOUBLE, key, out, NULL, &status);
    fits_clear_errmsg();
    if (status == KEY_NO_EXIST)
        *out = absent;
    else if (status || !isfinite(*out))
        return pl_fail(err, PL_EFORMAT, "its %s is no usable number", key);
    return PL_OK;
}

/* BSCALE, BZERO, BLANK of a plain image, and where its pixels start. */
static pl_status plain_layout(fitsfile *f, int64_t plane, int64_t size, struct pl_frame *fr,
                              pl_err *err)
{
    int status = 0;
    LONGLONG head, data, end, blank = 0;
    fits_get_hduaddrll(f, &head, &data, &end, &status);
    if (status)
        return fits_failure(status, "its layout cannot be read", err);
    pl_status st = key_number(f, "BSCALE", 1, &fr->bscale, err);
    if (st == PL_OK)
        st = key_number(f, "BZERO", 0, &fr->bzero, err);
    if (st == PL_OK && fr->bscale == 0)
        st = pl_fail(err, PL_EFORMAT, "its BSCALE is 0: every pixel would be the same");
    if (st != PL_OK)
        return st;
    fits_read_key(f, TLONGLONG, "BLANK", &blank, NULL, &status);
    fr->has_blank = status == 0 && fr->bitpix > 0;
    fr->blank = blank;
    fits_clear_errmsg();
    int64_t bytes = (int64_t)fr->width * fr->height * (abs(fr->bitpix) / 8);
    fr->start = (off_t)(data + plane * bytes);
    if (fr->start + bytes > size)
        return pl_fail(err, PL_EFORMAT,
                       "is cut short: its header promises %lld bytes of pixels, %lld are there; "
                       "copy it again",
                       (long long)(fr->start + bytes - data),
                       (long long)(size > data ? size - data : 0));
    return PL_OK;
}

/* Decode the current HDU's plane into memory: 16 bit where that holds it, else float. */
static pl_status decode(fitsfile *f, int64_t plane, struct pl_frame *fr, pl_err *err)
{
    int status = 0, type = 0, anynul = 0;
    size_t n = (size_t)fr->width * (size_t)fr->height;
    fits_get_img_equivtype(f, &type, &status);
    bool small = type == BYTE_IMG || type == USHORT_IMG;
    LONGLONG blank;
    int has = 0;
    fits_read_key(f, TLONGLONG, "BLANK", &blank, NULL, &has);
    small = small && has != 0;
    fits_clear_errmsg();
    LONGLONG first = plane * (LONGLONG)n + 1;
    float nan = NAN;
    if (small) {
        fr->mem16 = malloc(n * sizeof *fr->mem16);
        if (fr->mem16)
            fits_read_img(f, TUSHORT, first, (LONGLONG)n, NULL, fr->mem16, &anynul, &status);
    } else {
        fr->memf = malloc(n * sizeof *fr->memf);
        if (fr->memf)
            fits_read_img(f, TFLOAT, first, (LONGLONG)n, &nan, fr->memf, &anynul, &status);
        for (size_t i = 0; fr->memf && !status && i < n; i++)
            if (!isfinite(fr->memf[i])) /* what a scale or the float's range made of it */
                fr->memf[i] = NAN;
    }
    if (!fr->mem16 && !fr->memf)
        return pl_fail(err, PL_ENOMEM, "out of memory: %d x %d pixels", fr->width, fr->height);
    return status ? fits_failure(status, "its pixels cannot be decoded; copy it again", err)
                  : PL_OK;
}

/* Anything but a plain image. */
static pl_status unpack(fitsfile *f, bool plain_file, int64_t plane, int jobs, struct pl_frame *fr,
                        pl_err *err)
{
    int status = 0;
    pl_status st = PL_OK;
    if (fits_is_compressed_image(f, &status))
        st = pl_tiles_unpack(f, plain_file ? fr->fd : -1, plane, jobs, &fr->mem16, &fr->notes, err);
    if (st == PL_OK && !fr->mem16)
        st = decode(f, plane, fr, err);
    if (st == PL_OK)
        st = pl_frame_settled(fr, err);
    close(fr->fd);
    fr->fd = -1;
    return st;
}

static pl_status load(const char *path, bool plain_file, int jobs, struct pl_frame *fr, pl_err *err)
{
    fitsfile *f = NULL;
    int status = 0;
    LONGLONG axis[3] = { 0, 0, 1 };
    if (strlen(path) >= FLEN_FILENAME)
        return pl_fail(err, PL_EIO, "its path has more than the %d bytes CFITSIO takes; go nearer",
                       FLEN_FILENAME - 1);
    const char *wrong = plain_file ? pl_fits_misleads(fr->fd, fr->bytes) : NULL;
    if (wrong)
        return pl_fail(err, PL_EFORMAT, "its header is damaged: %s; copy it again", wrong);
    pl_cfitsio_ready();
    errno = 0;
    if (fits_open_diskfile(&f, path, READONLY, &status))
        return fits_failure(status, "cannot be read as FITS", err);
    pl_status st = find_image(f, &fr->bitpix, axis, err);
    if (st == PL_OK)
        st = check_size(axis, err);
    if (st == PL_OK) {
        fr->width = (int)axis[0];
        fr->height = (int)axis[1];
        pl_header_facts(f, &fr->facts, &fr->notes);
        int64_t plane = plane_of(axis, &fr->notes);
        bool plain = plain_file && !fits_is_compressed_image(f, &status);
        st = plain ? plain_layout(f, plane, fr->bytes, fr, err)
                   : unpack(f, plain_file, plane, jobs, fr, err);
    }
    status = 0;
    fits_close_file(f, &status);
    fits_clear_errmsg();
    return st;
}

pl_status pl_frame_open(const char *path, int jobs, pl_frame **out, pl_err *err)
{
    bool plain = false;
    struct pl_frame *fr = calloc(1, sizeof *fr);
    if (!fr)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    fr->fd = -1;
    fr->facts = pl_facts_unknown();
    pl_status st = open_regular(path, fr, err);
    if (st == PL_OK)
        st = sniff(fr->fd, fr->bytes, &plain, err);
    if (st == PL_OK)
        st = load(path, plain, jobs, fr, err);
    if (st != PL_OK) {
        pl_frame_free(fr);
        return st;
    }
    *out = fr;
    return PL_OK;
}

void pl_frame_free(pl_frame *frame)
{
    if (!frame)
        return;
    if (frame->fd >= 0)
        close(frame->fd);
    free(frame->mem16);
    free(frame->memf);
    pl_notes_clear(&frame->notes);
    free(frame);
}

int pl_frame_width(const pl_frame *frame)
{
    return frame->width;
}

int pl_frame_height(const pl_frame *frame)
{
    return frame->height;
}

const pl_facts *pl_frame_facts(const pl_frame *frame)
{
    return &frame->facts;
}

const pl_notes *pl_frame_notes(const pl_frame *frame)
{
    return &frame->notes;
}

static pl_status pread_all(int fd, void *buf, size_t want, off_t at, pl_err *err)
{
    ssize_t got = pl_read_at(fd, buf, want, at);
    if (got < 0)
        return pl_fail(err, PL_EIO, "reading its pixels: %s", strerror(errno));
    return (size_t)got == want ? PL_OK : pl_fail(err, PL_EIO, "became shorter while it was read");
}

/* n stored values from pixel `first` on, through a buffer that stays in the cache. */
static pl_status read_run(const struct pl_frame *f, int64_t first, size_t n, float *out,
                          pl_err *err)
{
    size_t width = (size_t)abs(f->bitpix) / 8;
    uint64_t raw[CHUNK_BYTES / sizeof(uint64_t)];
    while (n) {
        size_t m = n < CHUNK_BYTES / width ? n : CHUNK_BYTES / width;
        pl_status st =
            pread_all(f->fd, raw, m * width, f->start + (off_t)(first * (int64_t)width), err);
        if (st != PL_OK)
            return st;
        pl_pixels_convert(f, raw, m, out);
        out += m;
        first += (int64_t)m;
        n -= m;
    }
    return PL_OK;
}

static void copy_run(const struct pl_frame *f, int64_t first, size_t n, float *out)
{
    if (f->memf) {
        memcpy(out, f->memf + first, n * sizeof *out);
        return;
    }
    const uint16_t *p = f->mem16 + first;
    for (size_t i = 0; i < n; i++)
        out[i] = (float)p[i];
}

pl_status pl_frame_read(const pl_frame *frame, int x, int y, int w, int h, float *out, pl_err *err)
{
    if (x < 0 || y < 0 || w < 1 || h < 1 || x > frame->width - w || y > frame->height - h)
        return pl_fail(err, PL_EARG, "rectangle %d,%d %dx%d is outside the %dx%d frame", x, y, w, h,
                       frame->width, frame->height);
    bool whole = w == frame->width; /* rows lie end to end: one run */
    int runs = whole ? 1 : h;
    size_t n = whole ? (size_t)w * (size_t)h : (size_t)w;
    for (int i = 0; i < runs; i++) {
        int64_t first = (int64_t)(y + i) * frame->width + x;
        if (frame->fd < 0)
            copy_run(frame, first, n, out + (size_t)i * n);
        else {
            pl_status st = read_run(frame, first, n, out + (size_t)i * n, err);
            if (st != PL_OK)
                return st;
        }
    }
    return PL_OK;
}

pl_status pl_frame_bins(const pl_frame *frame, int by, float *room, float *out, pl_err *err)
{
    size_t w = (size_t)frame->width;
    int64_t first = 2 * (int64_t)by * frame->width;
    pl_status st = PL_OK;
    if (frame->fd < 0 && !frame->memf)
        pl_pixels_bin(PL_U16, frame->mem16 + first, frame->mem16 + first + w, w / 2, out);
    else if (frame->fd >= 0 && pl_pixels_are_camera(frame)) {
        st = pread_all(frame->fd, room, 4 * w, frame->start + (off_t)(2 * first), err);
        if (st == PL_OK)
            pl_pixels_bin(PL_STORED, room, (const char *)room + 2 * w, w / 2, out);
    } else {
        st = pl_frame_read(frame, 0, 2 * by, frame->width, 2, room, err);
        if (st == PL_OK)
            pl_pixels_bin(PL_REAL, room, room + w, w / 2, out);
    }
    return st;
}
