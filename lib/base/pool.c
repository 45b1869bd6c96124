/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pool.c - share numbered items among a few threads; works, slower, when none can be started. */
#include "base.h"

#include <pthread.h>
#include <stdatomic.h>
#include <unistd.h>

struct batch {
    pl_job *job;
    void *ctx;
    size_t items;
    atomic_size_t next;
};

struct worker {
    struct batch *batch;
    int number;
    pthread_t thread;
};

static void work(struct batch *b, int worker)
{
    size_t i;
    while ((i = atomic_fetch_add(&b->next, 1)) < b->items)
        b->job(b->ctx, i, worker);
}

static void *thread_main(void *arg)
{
    struct worker *w = arg;
    work(w->batch, w->number);
    return NULL;
}

int pl_pool_cpus(void)
{
    long n = sysconf(_SC_NPROCESSORS_ONLN);
    return n < 1 ? 1 : n > PL_POOL_MAX ? PL_POOL_MAX : (int)n;
}

void pl_pool_run(int jobs, size_t items, pl_job *job, void *ctx)
{
    struct batch b = { .job = job, .ctx = ctx, .items = items };
    struct worker w[PL_POOL_MAX];
    if (jobs < 1)
        jobs = pl_pool_cpus();
    if (jobs > PL_POOL_MAX)
        jobs = PL_POOL_MAX;
    if ((size_t)jobs > items)
        jobs = items ? (int)items : 1;
    int started = 1; /* the caller is worker 0 */
    for (; started < jobs; started++) {
        w[started] = (struct worker){ .batch = &b, .number = started };
        if (pthread_create(&w[started].thread, NULL, thread_main, &w[started]) != 0)
            break;
    }
    work(&b, 0);
    for (int i = 1; i < started; i++)
        pthread_join(w[i].thread, NULL);
}
