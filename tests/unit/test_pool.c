/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The thread pool: each item once, on any number of threads, also when none can be started. */
#include "../../lib/base/base.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <sys/resource.h>
#include <unistd.h>

#if defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
#define SANITIZED 1
#endif
#endif
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
#define SANITIZED 1
#endif

enum { ITEMS = 1000 };

struct tally {
    atomic_int seen[ITEMS];
    atomic_int lowest, highest;
};

static void count(void *ctx, size_t item, int worker)
{
    struct tally *t = ctx;
    atomic_fetch_add(&t->seen[item], 1);
    if (worker < atomic_load(&t->lowest))
        atomic_store(&t->lowest, worker);
    int high = atomic_load(&t->highest);
    while (worker > high && !atomic_compare_exchange_weak(&t->highest, &high, worker))
        ;
}

static void expect_each_once(int jobs, size_t items)
{
    static struct tally t;
    memset(&t, 0, sizeof t);
    pl_pool_run(jobs, items, count, &t);
    for (size_t i = 0; i < ITEMS; i++)
        cr_assert(eq(int, t.seen[i], i < items), "item %zu of %zu, %d jobs", i, items, jobs);
    cr_expect(ge(int, t.lowest, 0));
    if (jobs > 0)
        cr_expect(lt(int, t.highest, jobs));
}

Test(pool, calls_each_item_once)
{
    static const int jobs[] = { -1, 0, 1, 2, 3, 7, 64, 1000 };
    static const size_t items[] = { 0, 1, 2, 63, 64, 65, ITEMS };
    for (size_t j = 0; j < sizeof jobs / sizeof *jobs; j++)
        for (size_t i = 0; i < sizeof items / sizeof *items; i++)
            expect_each_once(jobs[j], items[i]);
}

Test(pool, knows_the_processors)
{
    long n = sysconf(_SC_NPROCESSORS_ONLN);
    cr_expect(eq(int, pl_pool_cpus(), n > 64 ? 64 : (int)n));
}

/* No room for another stack: the caller does all of it alone. */
Test(pool, works_when_no_thread_starts)
{
#ifdef SANITIZED
    cr_skip_test("a sanitizer needs the address space this test takes away");
#else
    unsigned long pages = 0;
    FILE *f = fopen("/proc/self/statm", "r");
    if (!f || fscanf(f, "%lu", &pages) != 1)
        cr_skip_test("no /proc here");
    fclose(f);
    rlim_t now = pages * (rlim_t)sysconf(_SC_PAGESIZE) + (1 << 20);
    cr_assert(eq(int, setrlimit(RLIMIT_AS, &(struct rlimit){ now, now }), 0));
    expect_each_once(8, ITEMS);
#endif
}
