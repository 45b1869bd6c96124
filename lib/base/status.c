/* SPDX-License-Identifier: GPL-3.0-or-later */
/* status.c - the outcome of a call in a code and a sentence; notes; growable arrays. */
#include "base.h"

#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static atomic_size_t shortages;

size_t pl_memory_shortages(void)
{
    return atomic_load(&shortages);
}

void pl_memory_short(void)
{
    atomic_fetch_add(&shortages, 1);
}

void *pl_malloc(size_t size)
{
    void *p = malloc(size);
    if (!p)
        pl_memory_short();
    return p;
}

void pl_fail_say(pl_err *err, pl_status code, const char *fmt, ...)
{
    if (code == PL_ENOMEM)
        pl_memory_short();
    if (err && err->code == PL_OK) { /* the first cause wins */
        va_list ap;
        va_start(ap, fmt);
        err->code = code;
        vsnprintf(err->msg, sizeof err->msg, fmt, ap);
        va_end(ap);
    }
}

pl_status pl_grow(void **items, size_t *cap, size_t n, size_t size, pl_err *err)
{
    if (n < *cap)
        return PL_OK;
    size_t want = *cap ? *cap * 2 : 16;
    void *p = want > SIZE_MAX / size ? NULL : realloc(*items, want * size);
    if (!p)
        return pl_fail(err, PL_ENOMEM, "out of memory (%zu items of %zu bytes)", want, size);
    *items = p;
    *cap = want;
    return PL_OK;
}

void pl_note(pl_notes *notes, const char *fmt, ...)
{
    if (!notes)
        return;
    char text[512];
    va_list ap;
    va_start(ap, fmt);
    vsnprintf(text, sizeof text, fmt, ap);
    va_end(ap);
    for (size_t i = 0; i < notes->n; i++)
        if (strcmp(notes->item[i], text) == 0)
            return; /* said once is enough */
    void *items = notes->item;
    pl_status grown = pl_grow(&items, &notes->cap, notes->n, sizeof *notes->item, NULL);
    notes->item = items;
    char *copy = grown == PL_OK ? strdup(text) : NULL;
    if (copy)
        notes->item[notes->n++] = copy;
    else
        pl_memory_short();
}

void pl_notes_clear(pl_notes *notes)
{
    if (!notes)
        return;
    for (size_t i = 0; i < notes->n; i++)
        free(notes->item[i]);
    free(notes->item);
    *notes = (pl_notes){ NULL, 0, 0 };
}
