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
    bool groups, first_axis_is_0, end, odd;
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
        int64_t data = read_header(fd, at, &h);
        int64_t bytes = data < 0 ? -1 : data_bytes(&h);
        if (data == -1)
            return size + 1;
        if (bytes < 0)
            break;
        promised = data + bytes;
        if (promised > size)
            return promised;
        at = data + (bytes + BLOCK - 1) / BLOCK * BLOCK;
    }
    return promised;
}
