/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tiles.c - tile-compressed images (FITS 4.0, 10.1): a table, in each row one tile's bytes.
 * Unsigned 16-bit pixels packed by Rice, a camera's own, are unpacked here by all threads. CFITSIO
 * does the others, but believes what it reads: of any packing we first see that the tiles lie
 * inside the file, and walk through what Rice packed, since CFITSIO 4.2 runs past the end of a
 * damaged tile. What the header says of the table is asked of CFITSIO's own notebook (Fptr): no
 * second reading of the keywords, which might come out another way. */
#include "frame.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

enum { SLACK = 8 }; /* bytes that a packer may leave behind a tile: to round up, no source */

/* Where the tiles are. */
typedef struct {
    int axes;
    int64_t axis[MAX_COMPRESS_DIM], tile[MAX_COMPRESS_DIM], across[MAX_COMPRESS_DIM];
    int64_t first, n;    /* rows of the table, a tile each: the plane's, or all */
    LONGLONG *have, *at; /* [n] bytes of each, and where in the file */
    size_t most;         /* of those bytes */
    int packing, width;  /* RICE_1, ...; bytes of what the column's heap holds */
    int bytes, block;    /* Rice: of a pixel; pixels of a block */
    bool gaps;           /* some tiles are packed another way */
} layout;

/* What the reading of a tile came to, the worst last. */
typedef enum { TILE_GOOD = 0, TILE_DAMAGED, TILE_SHORTER, TILE_UNREAD, TILE_NO_MEMORY } tile_state;

typedef struct {
    tile_state state;
    int64_t item;   /* the first one as bad as that */
    int error;      /* errno of TILE_UNREAD */
    int64_t longer; /* tiles with bytes to spare */
} tally;

typedef struct {
    const layout *l;
    fitsfile *f; /* read through it where fd is -1 */
    int fd, column, width;
    uint16_t *out;        /* [height][width]; NULL: only look the tiles through */
    unsigned char *room;  /* a worker's packed bytes, then its tile's pixels; [jobs] of it */
    size_t packed, pixel; /* bytes of the two */
    tally tally[PL_POOL_MAX];
} work;

/* Where tile `item` begins, and its size. Gives: its pixels. */
static size_t tile_box(const layout *l, int64_t item, int64_t from[MAX_COMPRESS_DIM],
                       int64_t size[MAX_COMPRESS_DIM])
{
    size_t pixels = 1;
    int64_t row = l->first + item;
    for (int i = 0; i < l->axes; i++) {
        from[i] = row % l->across[i] * l->tile[i];
        row /= l->across[i];
        size[i] = l->axis[i] - from[i] < l->tile[i] ? l->axis[i] - from[i] : l->tile[i];
        pixels *= (size_t)size[i];
    }
    return pixels;
}

/* ---- the pool's part */

/* Of a file in CFITSIO's memory, which swaps what is larger than a byte: swapped back. */
static tile_state read_unzipped(const work *w, int64_t item, unsigned char *room)
{
    int status = 0, width = w->l->width;
    LONGLONG row = w->l->first + item + 1, n = w->l->have[item] / width;
    fits_read_col(w->f, width == 2 ? TSHORT : TBYTE, w->column, row, 1, n, NULL, room, NULL,
                  &status);
    fits_clear_errmsg();
    for (LONGLONG i = 0; width == 2 && i < n; i++) {
        int16_t v;
        memcpy(&v, room + 2 * i, 2);
        room[2 * i] = (unsigned char)((uint16_t)v >> 8);
        room[2 * i + 1] = (unsigned char)v;
    }
    return status || width > 2 ? TILE_DAMAGED : TILE_GOOD;
}

static tile_state read_tile(const work *w, int64_t item, unsigned char *room, int *error)
{
    size_t have = (size_t)w->l->have[item];
    memset(room + have, 0, PL_RICE_SPARE);
    if (w->fd < 0)
        return read_unzipped(w, item, room);
    ssize_t got = pl_read_at(w->fd, room, have, (off_t)w->l->at[item]);
    *error = got < 0 ? errno : 0;
    return got < 0 ? TILE_UNREAD : (size_t)got < have ? TILE_SHORTER : TILE_GOOD;
}

static tile_state unpack_tile(const work *w, int64_t item, unsigned char *room, size_t *left)
{
    const layout *l = w->l;
    int64_t from[MAX_COMPRESS_DIM] = { 0 }, size[MAX_COMPRESS_DIM] = { 0 };
    size_t have = (size_t)l->have[item], pixels = tile_box(l, item, from, size);
    if (!w->out) {
        pl_packed p = pl_packed_holds(l->packing, room, have, l->bytes, l->block, pixels, left);
        return p == PL_PACKED_GOOD        ? TILE_GOOD
               : p == PL_PACKED_NO_MEMORY ? TILE_NO_MEMORY
                                          : TILE_DAMAGED;
    }
    uint16_t *to = w->out + from[1] * w->width + from[0];
    uint16_t *tile = w->pixel ? (uint16_t *)(void *)(room + w->packed) : to;
    if (!pl_rice_unpack(room, have, l->block, 0x8000, tile, pixels, left))
        return TILE_DAMAGED;
    for (int64_t y = 0; tile != to && y < size[1]; y++)
        memcpy(to + y * w->width, tile + y * size[0], (size_t)size[0] * sizeof *to);
    return TILE_GOOD;
}

static void do_tile(void *ctx, size_t index, int worker)
{
    work *w = ctx;
    int64_t item = (int64_t)index;
    unsigned char *room = w->room + (size_t)worker * (w->packed + w->pixel);
    tally *t = &w->tally[worker];
    int error = 0;
    size_t left = 0;
    if (w->l->have[item] == 0)
        return;
    tile_state state = read_tile(w, item, room, &error);
    if (state == TILE_GOOD)
        state = unpack_tile(w, item, room, &left);
    t->longer += state == TILE_GOOD && left >= SLACK;
    if (state > t->state || (state && state == t->state && item < t->item)) {
        t->state = state;
        t->item = item;
        t->error = error;
    }
}

static pl_status judge(const work *w, int jobs, pl_notes *notes, pl_err *err)
{
    tally worst = { TILE_GOOD, 0, 0, 0 };
    int64_t longer = 0;
    for (int i = 0; i < jobs; i++) {
        const tally *t = &w->tally[i];
        longer += t->longer;
        if (t->state > worst.state || (t->state == worst.state && t->item < worst.item))
            worst = *t;
    }
    switch (worst.state) {
    case TILE_NO_MEMORY:
        return pl_fail(err, PL_ENOMEM, "out of memory: looking through its tiles");
    case TILE_UNREAD:
        return pl_fail(err, PL_EIO, "reading its pixels: %s", strerror(worst.error));
    case TILE_SHORTER:
        return pl_fail(err, PL_EIO, "became shorter while it was read");
    case TILE_DAMAGED:
        return pl_fail(err, PL_EFORMAT,
                       "its pixels cannot be decoded: tile %lld of %lld is damaged; copy it again",
                       (long long)(worst.item + 1), (long long)w->l->n);
    default:
        break;
    }
    if (longer)
        pl_note(notes, "%lld of %lld compressed tiles have bytes left over: is the file damaged?",
                (long long)longer, (long long)w->l->n);
    return PL_OK;
}

static pl_status all_tiles(work *w, int jobs, pl_notes *notes, pl_err *err)
{
    if (jobs < 1)
        jobs = pl_pool_cpus();
    if (jobs > PL_POOL_MAX)
        jobs = PL_POOL_MAX;
    if (w->fd < 0) /* one fitsfile, one thread */
        jobs = 1;
    if (jobs > w->l->n)
        jobs = (int)w->l->n;
    w->packed = (w->l->most + PL_RICE_SPARE + 63) / 64 * 64;
    w->room = malloc((size_t)jobs * (w->packed + w->pixel));
    if (!w->room)
        return pl_fail(err, PL_ENOMEM, "out of memory: %d threads for compressed tiles", jobs);
    pl_pool_run(jobs, (size_t)w->l->n, do_tile, w);
    free(w->room);
    return judge(w, jobs, notes, err);
}

/* ---- the table */

static pl_status broken_table(pl_err *err)
{
    return pl_fail(err, PL_EFORMAT,
                   "is damaged: its table of compressed tiles contradicts itself; copy it again");
}

/* The tiles' number along each axis, and the plane's rows. */
static pl_status find_tiles(const FITSfile *table, int64_t plane, layout *l, pl_err *err)
{
    int64_t all = 1;
    l->axes = table->zndim;
    if (l->axes < 2 || l->axes > MAX_COMPRESS_DIM || table->numrows < 1)
        return broken_table(err);
    for (int i = 0; i < l->axes; i++) {
        l->axis[i] = table->znaxis[i];
        l->tile[i] = table->tilesize[i];
        if (l->axis[i] < 1 || l->tile[i] < 1)
            return broken_table(err);
        if (l->tile[i] > l->axis[i])
            l->tile[i] = l->axis[i];
        l->across[i] = (l->axis[i] - 1) / l->tile[i] + 1;
        if (l->across[i] > table->numrows / all)
            return broken_table(err);
        all *= l->across[i];
    }
    l->n = all;
    if (l->axes > 2 && l->tile[2] == 1) {
        l->n = l->across[0] * l->across[1];
        l->first = plane * l->n;
    }
    return PL_OK;
}

/* One column's bytes, and where in the file; all inside of it. */
static pl_status read_places(fitsfile *f, int column, layout *l, pl_err *err)
{
    const FITSfile *table = f->Fptr;
    int status = 0, type = 0;
    LONGLONG repeat = 0, width = 0;
    l->gaps = false;
    l->most = 0;
    fits_get_coltypell(f, column, &type, &repeat, &width, &status);
    fits_read_descriptsll(f, column, l->first + 1, l->n, l->have, l->at, &status);
    fits_clear_errmsg();
    if (status || type >= 0 || width < 1)
        return broken_table(err);
    LONGLONG heap = table->datastart + table->heapstart;
    for (int64_t i = 0; i < l->n; i++) {
        if (l->have[i] < 0 || l->at[i] < 0 || l->have[i] > table->filesize / width ||
            l->at[i] > table->filesize - heap ||
            heap + l->at[i] > table->filesize - l->have[i] * width)
            return pl_fail(err, PL_EFORMAT,
                           "is cut short or damaged: its compressed tile %lld of %lld lies "
                           "outside of it; copy it again",
                           (long long)(i + 1), (long long)l->n);
        l->width = (int)width;
        l->at[i] += heap;
        l->have[i] *= width;
        l->gaps |= l->have[i] == 0;
        if ((size_t)l->have[i] > l->most)
            l->most = (size_t)l->have[i];
    }
    return PL_OK;
}

static pl_status make_room(const FITSfile *table, layout *l, pl_err *err)
{
    if (table->cn_compressed < 1 || table->rowlength < 8 ||
        l->n > table->filesize / table->rowlength)
        return broken_table(err);
    l->have = malloc((size_t)l->n * sizeof *l->have);
    l->at = malloc((size_t)l->n * sizeof *l->at);
    if (!l->have || !l->at)
        return pl_fail(err, PL_ENOMEM, "out of memory: %lld compressed tiles", (long long)l->n);
    return PL_OK;
}

/* Pixels that pl_rice_unpack can make. */
static bool is_ours(fitsfile *f, const layout *l)
{
    int status = 0, type = 0, has = 0;
    LONGLONG blank;
    fits_get_img_equivtype(f, &type, &status);
    fits_read_key(f, TLONGLONG, "BLANK", &blank, NULL, &has);
    fits_clear_errmsg();
    return !status && l->packing == RICE_1 && type == USHORT_IMG && has != 0 &&
           f->Fptr->cn_zblank == 0 && l->bytes == 2 && !l->gaps && (l->axes < 3 || l->tile[2] == 1);
}

/* The tiles of one column, all packed the same way. */
static pl_status take_column(work *w, layout *l, int column, int packing, pl_err *err)
{
    w->column = column;
    l->packing = packing;
    return read_places(w->f, column, l, err);
}

static pl_status unpack(work *w, int64_t height, int jobs, uint16_t **out, pl_notes *notes,
                        pl_err *err)
{
    const layout *l = w->l;
    if (l->tile[0] < l->axis[0]) /* rows of a tile do not lie end to end in the frame */
        w->pixel = (size_t)(l->tile[0] * l->tile[1] + 31) / 32 * 64;
    w->out = malloc((size_t)w->width * (size_t)height * sizeof *w->out);
    if (!w->out)
        return pl_fail(err, PL_ENOMEM, "out of memory: %d x %lld pixels", w->width,
                       (long long)height);
    pl_status st = all_tiles(w, jobs, notes, err);
    if (st == PL_OK)
        *out = w->out;
    else
        free(w->out);
    return st;
}

/* Columns for tiles that the usual packing could not take, then the usual one. */
static pl_status all_columns(work *w, layout *l, int jobs, uint16_t **out, pl_notes *notes,
                             pl_err *err)
{
    const FITSfile *table = w->f->Fptr;
    pl_status st = PL_OK;
    if (table->cn_uncompressed > 0)
        st = take_column(w, l, table->cn_uncompressed, 0, err);
    if (st == PL_OK && table->cn_gzip_data > 0) {
        st = take_column(w, l, table->cn_gzip_data, GZIP_1, err);
        if (st == PL_OK)
            st = all_tiles(w, jobs, notes, err);
    }
    if (st == PL_OK)
        st = take_column(w, l, table->cn_compressed, table->compress_type, err);
    if (st != PL_OK)
        return st;
    return is_ours(w->f, l) ? unpack(w, l->axis[1], jobs, out, notes, err)
                            : all_tiles(w, jobs, notes, err);
}

pl_status pl_tiles_unpack(fitsfile *f, int fd, int64_t plane, int jobs, uint16_t **out,
                          pl_notes *notes, pl_err *err)
{
    const FITSfile *table = f->Fptr;
    layout l = { .bytes = table->rice_bytepix, .block = table->rice_blocksize };
    pl_status st = find_tiles(table, plane, &l, err);
    if (st == PL_OK)
        st = make_room(table, &l, err);
    work w = { .l = &l, .f = f, .fd = fd, .width = (int)l.axis[0] };
    if (st == PL_OK)
        st = all_columns(&w, &l, jobs, out, notes, err);
    free(l.have);
    free(l.at);
    return st;
}
