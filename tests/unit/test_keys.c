/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "../../lib/base/base.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <string.h>

/* FNV-1a's published test vectors (from memory). */
Test(keys, fnv)
{
    cr_expect(eq(u64, pl_key_of("", 0), 0xcbf29ce484222325));
    cr_expect(eq(u64, pl_key_of("a", 1), 0xaf63dc4c8601ec8c));
    cr_expect(eq(u64, pl_key_of("foobar", 6), 0x85944171f73967e8));
}

/* Against what was put in: multiplicative steps through all 64 bits meet no key twice. */
Test(keys, finds_what_was_put_and_nothing_else)
{
    enum { N = 20000 };
    pl_keys k = { NULL, NULL, 0, 0 };
    const uint64_t step = 0x9e3779b97f4a7c15;
    size_t v = 0;
    cr_expect(not(pl_keys_get(&k, 5, NULL)));
    for (size_t i = 0; i < N; i++)
        cr_assert(eq(int, pl_keys_put(&k, i * step, i, NULL), PL_OK));
    cr_assert(eq(sz, k.n, N));
    for (size_t i = 0; i < N; i++)
        cr_assert(pl_keys_get(&k, i * step, &v) && v == i, "%zu", i);
    for (size_t i = N; i < 2 * N; i++)
        cr_assert(not(pl_keys_get(&k, i * step, NULL)), "%zu", i);
    cr_assert(eq(int, pl_keys_put(&k, 7 * step, 99, NULL), PL_OK));
    cr_expect(pl_keys_get(&k, 7 * step, &v) && v == 99 && k.n == N);
    pl_keys_clear(&k);
    cr_expect(not(pl_keys_get(&k, step, NULL)));
}
