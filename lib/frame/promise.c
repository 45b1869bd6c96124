/* SPDX-License-Identifier: GPL-3.0-or-later */
/* promise.c - how long a FITS file will be once it is written: its headers stand before the pixels.
 * Cards are read here, not by CFITSIO, which takes a file that is not all there for a broken one.
 */
#include "frame.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { BLOCK = 2880, CARD = 80, MOST_BLOCKS = 4096, MOST_HDUS = 1024, MOST_AXES = 999 };

/* What the cards of one HDU say of its length. */
typedef struct {
    int64_t bitpix, axes, pixels, pcount, gcount;
    bool first_axis_is_0, end, odd;
    bool no_tile; /* a ZTILEn that is no size */
} size_cards;

static bool card_is(const char *card, const char *name)
{
    size_t n = strlen(name);
    return memcmp(card, name, n) == 0 && strspn(card + n, " ") >= 8 - n && card[8] == '=';
}

static bool whole_number(const char *card, int64_t *out)
{
    char value[CARD - 9], *end;
    memcpy(value, card + 10, CARD - 10);
    value[CARD - 10] = '\0';
    *out = strtoll(value, &end, 10);
    return end != value && *out > -((int64_t)1 << 40) && *out < (int64_t)1 << 40;
}

static void take_card(const char *card, size_cards *h)
{
    int64_t v = 0;
    if (memcmp(card, "END     ", 8) == 0) {
        h->end = true;
    } else if (card_is(card, "BITPIX") && whole_number(card, &v)) {
        h->bitpix = llabs(v);
    } else if (card_is(card, "NAXIS") && whole_number(card, &v)) {
        h->axes = v;
        h->pixels = v > 0;
    } else if (card_is(card, "PCOUNT") && whole_number(card, &v)) {
        h->pcount = v;
    } else if (card_is(card, "GCOUNT") && whole_number(card, &v)) {
        h->gcount = v;
    } else if (memcmp(card, "ZTILE", 5) == 0 && card[8] == '=') {
        h->no_tile |= !whole_number(card, &v) || v < 1;
    } else if (memcmp(card, "NAXIS", 5) == 0 && card[8] == '=' && whole_number(card, &v)) {
        h->odd |= v < 0 || h->axes > MOST_AXES ||
                  (v > 0 && h->pixels > ((int64_t)1 << 50) / v); /* no file is that long */
        if (!h->odd && !(v == 0 && memcmp(card, "NAXIS1  ", 8) == 0))
            h->pixels *= v;
        h->first_axis_is_0 |= v == 0 && memcmp(card, "NAXIS1  ", 8) == 0;
    }
}

static int64_t data_bytes(const size_cards *h)
{
    int64_t pixels = h->first_axis_is_0 ? 0 : h->pixels; /* random groups hold no image */
    if (h->odd || h->pcount < 0 || h->gcount < 1 || h->gcount > 1000)
        return -1;
    return h->bitpix / 8 * h->gcount * (h->pcount + pixels);
}

/* One header from `at` on. Gives: where its data begin; -1: it is not complete; -2: it is none. */
static int64_t read_header(int fd, int64_t at, size_cards *h)
{
    char block[BLOCK];
    *h = (size_cards){ .gcount = 1 };
    for (int i = 0; i < MOST_BLOCKS; i++, at += BLOCK) {
        ssize_t got = pl_read_at(fd, block, BLOCK, (off_t)at);
        if (i == 0 &&
            (got < 9 || (memcmp(block, "SIMPLE  =", 9) != 0 && memcmp(block, "XTENSION=", 9) != 0)))
            return -2;
        if (got != BLOCK)
            return -1;
        for (int c = 0; c < BLOCK && !h->end; c += CARD)
            take_card(block + c, h);
        if (h->end)
            return at + BLOCK;
    }
    return -2;
}

/* The next HDU: where its header ends and the one behind it would begin; of the same kinds of
 * failure as read_header, and -2 where its length makes no sense. */
static int64_t next_hdu(int fd, int64_t at, size_cards *h, int64_t *end)
{
    int64_t data = read_header(fd, at, h);
    int64_t bytes = data < 0 ? data : data_bytes(h);
    *end = data + (bytes < 0 ? 0 : bytes);
    return data >= 0 && bytes < 0 ? -2 : data;
}

static int64_t padded(int64_t bytes)
{
    return (bytes + BLOCK - 1) / BLOCK * BLOCK;
}

const char *pl_fits_misleads(int fd, int64_t size)
{
    int64_t at = 0, end = 0, data = 0;
    for (int i = 0; i < MOST_HDUS && at < size && data >= 0; i++, at = padded(end)) {
        size_cards h;
        data = next_hdu(fd, at, &h, &end);
        if (h.no_tile)
            return "a ZTILE of it is no size";
    }
    return NULL;
}

int64_t pl_fits_promise(int fd, int64_t size)
{
    char first[9];
    int64_t at = 0, promised = 0;
    ssize_t got = pl_read_at(fd, first, sizeof first, 0);
    if (got >= 0 && got < 9)
        return size + 1;
    if (got != 9 || memcmp(first, "SIMPLE  =", 9) != 0)
        return 0;
    for (int i = 0; i < MOST_HDUS && at < size; i++) {
        size_cards h;
        int64_t end = 0, data = next_hdu(fd, at, &h, &end);
        if (data == -1)
            return size + 1;
        if (data < 0)
            break;
        promised = end;
        if (promised > size)
            return promised;
        at = padded(end);
    }
    return promised;
}
