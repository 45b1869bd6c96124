/* SPDX-License-Identifier: GPL-3.0-or-later */
/* keys.c - a set of 64-bit keys, each with a number. */
#include "base.h"

#include <stdlib.h>

uint64_t pl_key_of(const void *bytes, size_t n)
{
    const unsigned char *s = bytes;
    uint64_t h = 0xcbf29ce484222325;
    for (size_t i = 0; i < n; i++)
        h = (h ^ s[i]) * 0x100000001b3;
    return h;
}

/* Key 0 marks an empty place; the one key that is 0 becomes another. */
static uint64_t stored(uint64_t key)
{
    return key ? key : 1;
}

static size_t place(const pl_keys *k, uint64_t key)
{
    size_t i = (size_t)(key * 0x9e3779b97f4a7c15 >> 20) & (k->cap - 1);
    while (k->key[i] && k->key[i] != key)
        i = (i + 1) & (k->cap - 1);
    return i;
}

static pl_status widen(pl_keys *k, pl_err *err)
{
    pl_keys wider = { .n = k->n, .cap = k->cap ? 2 * k->cap : 64 };
    wider.key = calloc(wider.cap, sizeof *wider.key);
    wider.value = calloc(wider.cap, sizeof *wider.value);
    if (!wider.key || !wider.value) {
        pl_keys_clear(&wider);
        return pl_fail(err, PL_ENOMEM, "out of memory for %zu keys", k->n + 1);
    }
    for (size_t i = 0; i < k->cap; i++)
        if (k->key[i]) {
            size_t at = place(&wider, k->key[i]);
            wider.key[at] = k->key[i];
            wider.value[at] = k->value[i];
        }
    free(k->key);
    free(k->value);
    k->key = wider.key;
    k->value = wider.value;
    k->cap = wider.cap;
    return PL_OK;
}

pl_status pl_keys_put(pl_keys *keys, uint64_t key, size_t value, pl_err *err)
{
    pl_status rc = 2 * (keys->n + 1) > keys->cap ? widen(keys, err) : PL_OK;
    if (rc != PL_OK)
        return rc;
    size_t at = place(keys, stored(key));
    keys->n += keys->key[at] == 0;
    keys->key[at] = stored(key);
    keys->value[at] = value;
    return PL_OK;
}

bool pl_keys_get(const pl_keys *keys, uint64_t key, size_t *value)
{
    if (keys->cap == 0)
        return false;
    size_t at = place(keys, stored(key));
    if (!keys->key[at])
        return false;
    if (value)
        *value = keys->value[at];
    return true;
}

void pl_keys_clear(pl_keys *keys)
{
    free(keys->key);
    free(keys->value);
    *keys = (pl_keys){ NULL, NULL, 0, 0 };
}
