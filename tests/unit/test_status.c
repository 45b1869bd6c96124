/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Outcome of a call, notes, growable arrays. */
#include "../../lib/base/base.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <stdlib.h>
#include <string.h>

#if defined(__SANITIZE_ADDRESS__)
#define SANITIZED
#elif defined(__has_feature)
#if __has_feature(address_sanitizer)
#define SANITIZED
#endif
#endif

Test(status, the_first_cause_wins)
{
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_fail(&err, PL_EIO, "disc %d", 7), PL_EIO));
    cr_expect(eq(int, pl_fail(&err, PL_EARG, "later"), PL_EARG)); /* the caller's own code */
    cr_expect(eq(int, err.code, PL_EIO));
    cr_expect(eq(str, err.msg, "disc 7"));
    cr_expect(eq(int, pl_fail(NULL, PL_ENOMEM, "nobody listens"), PL_ENOMEM));
}

Test(status, a_long_sentence_is_cut_not_overrun)
{
    char text[600];
    pl_err err = { PL_OK, "" };
    memset(text, 'x', sizeof text - 1);
    text[sizeof text - 1] = '\0';
    pl_fail(&err, PL_EARG, "%s", text);
    cr_expect(eq(sz, strlen(err.msg), sizeof err.msg - 1));
    pl_notes notes = { NULL, 0, 0 };
    pl_note(&notes, "%s", text);
    cr_assert(eq(sz, notes.n, 1));
    cr_expect(eq(sz, strlen(notes.item[0]), 511));
    pl_notes_clear(&notes);
}

Test(status, notes_grow_and_repeat_nothing)
{
    pl_notes notes = { NULL, 0, 0 };
    for (int round = 0; round < 2; round++)
        for (int i = 0; i < 100; i++)
            pl_note(&notes, "note %d", i);
    cr_assert(eq(sz, notes.n, 100));
    cr_expect(eq(str, notes.item[0], "note 0"));
    cr_expect(eq(str, notes.item[99], "note 99"));
    pl_notes_clear(&notes);
    cr_expect(eq(sz, notes.n + notes.cap, 0));
    cr_expect(eq(ptr, notes.item, NULL));
    pl_notes_clear(&notes); /* empty and NULL are fine */
    pl_notes_clear(NULL);
    pl_note(NULL, "dropped");
}

Test(status, grow_keeps_the_items)
{
    void *items = NULL;
    size_t cap = 0;
    for (size_t n = 0; n < 1000; n++) {
        cr_assert(eq(int, pl_grow(&items, &cap, n, sizeof(int), NULL), PL_OK));
        cr_assert(gt(sz, cap, n));
        ((int *)items)[n] = (int)n;
    }
    for (int i = 0; i < 1000; i++)
        cr_assert(eq(int, ((int *)items)[i], i));
    free(items);
}

/* A size that overflows, and one no machine has: the array stays as it was. */
Test(status, grow_refuses_the_impossible)
{
    int one = 1;
    void *items = &one;
    size_t cap = SIZE_MAX / 16;
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_grow(&items, &cap, cap, 64, &err), PL_ENOMEM));
    cr_expect(eq(int, err.code, PL_ENOMEM));
    cr_expect(eq(ptr, items, &one));
    cr_expect(eq(sz, cap, SIZE_MAX / 16));
}

/* Also where nobody listens, and of every failed pl_malloc; never of another failure. */
Test(status, short_memory_is_counted)
{
    size_t before = pl_memory_shortages();
    pl_fail_say(NULL, PL_ENODATA, "too few");
    cr_expect(eq(sz, pl_memory_shortages(), before));
    pl_fail_say(NULL, PL_ENOMEM, "out of memory");
    cr_expect(eq(sz, pl_memory_shortages(), before + 1));
#ifndef SANITIZED /* the sanitizer itself complains of such a size */
    volatile size_t none_has_it = SIZE_MAX / 2;
    cr_expect(eq(ptr, pl_malloc(none_has_it), NULL));
    cr_expect(eq(sz, pl_memory_shortages(), before + 2));
#endif
}

static void grow_too_much(void *ctx, size_t item, int worker)
{
    size_t cap = SIZE_MAX / 16;
    void *items = ctx;
    (void)item;
    (void)worker;
    pl_grow(&items, &cap, cap, 64, NULL);
}

Test(status, short_memory_is_counted_on_every_thread)
{
    size_t before = pl_memory_shortages();
    int one = 1;
    pl_pool_run(4, 1000, grow_too_much, &one);
    cr_expect(eq(sz, pl_memory_shortages(), before + 1000));
}
