/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The thread pool: each item once, on any number of threads, also when none can be started. */
#include "../../lib/base/base.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <dirent.h>
#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
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

static void run_another(void *ctx, size_t item, int worker)
{
    atomic_int *calls = ctx;
    static struct tally t[8];
    pl_pool_run(3, 100, count, &t[item]);
    for (size_t i = 0; i < 100; i++)
        atomic_fetch_add(calls, t[item].seen[i] == 1);
    (void)worker;
}

Test(pool, may_be_run_by_its_own_jobs)
{
    atomic_int calls = 0;
    pl_pool_run(4, 8, run_another, &calls);
    cr_expect(eq(int, calls, 800));
}

static size_t threads(void)
{
    DIR *d = opendir("/proc/self/task");
    size_t n = 0;
    while (d && readdir(d))
        n++;
    if (d)
        closedir(d);
    return n > 2 ? n - 2 : 0; /* less . and .. */
}

Test(pool, keeps_its_threads_for_the_next_call)
{
    expect_each_once(4, ITEMS);
    size_t before = threads();
    if (before == 0)
        cr_skip_test("no /proc here");
    for (int i = 0; i < 20; i++)
        expect_each_once(4, ITEMS);
    cr_expect(eq(sz, threads(), before));
}

/* A child of fork has none of its parent's threads, and must not wait for them. */
Test(pool, works_in_a_child, .timeout = 20)
{
    expect_each_once(4, ITEMS);
    pid_t child = fork();
    if (child == 0) {
        static struct tally t;
        pl_pool_run(4, ITEMS, count, &t);
        int all = 1;
        for (size_t i = 0; i < ITEMS; i++)
            all &= t.seen[i] == 1;
        _exit(all ? 0 : 1);
    }
    int status = -1;
    cr_assert(eq(int, waitpid(child, &status, 0), child));
    cr_expect(eq(int, status, 0));
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
