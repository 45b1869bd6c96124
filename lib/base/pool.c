/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pool.c - share numbered items among a few threads; works, slower, when none can be started.
 * Threads once started are kept for the next batch: to wake one takes some 30 us, to start one has
 * taken up to 3 ms (Linux 6.18, two processors), which is as long as many a batch. */
#include "base.h"

#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <unistd.h>

struct batch {
    pl_job *job;
    void *ctx;
    size_t items;
    atomic_size_t next;
    int openings; /* threads that may still join; also the next one's number */
    int joined;   /* threads at work in it beside the caller */
    struct batch *below;
};

static struct pool {
    pthread_mutex_t lock; /* of what follows, and of a batch's openings and joined */
    pthread_cond_t call;  /* there is a batch to join */
    pthread_cond_t told;  /* a thread is ready, or a batch is left */
    struct batch *top;    /* of those that threads may join, the newest */
    int started, ready, idle;
} pool = { .lock = PTHREAD_MUTEX_INITIALIZER,
           .call = PTHREAD_COND_INITIALIZER,
           .told = PTHREAD_COND_INITIALIZER };

static void work(struct batch *b, int worker)
{
    size_t i;
    while ((i = atomic_fetch_add(&b->next, 1)) < b->items)
        b->job(b->ctx, i, worker);
}

static struct batch *open_batch(void)
{
    struct batch *b = pool.top;
    while (b && b->openings == 0)
        b = b->below;
    return b;
}

static void *thread_main(void *unused)
{
    pthread_mutex_lock(&pool.lock);
    pool.ready++;
    pool.idle++;
    pthread_cond_broadcast(&pool.told);
    for (;;) {
        struct batch *b = open_batch();
        if (!b) {
            pthread_cond_wait(&pool.call, &pool.lock);
            continue;
        }
        int number = b->openings--;
        b->joined++;
        pool.idle--;
        pthread_mutex_unlock(&pool.lock);
        work(b, number);
        pthread_mutex_lock(&pool.lock);
        pool.idle++;
        if (--b->joined == 0)
            pthread_cond_broadcast(&pool.told);
    }
    return unused;
}

/* A child of fork has none of the threads. */
static void forget(void)
{
    pool = (struct pool){ .lock = PTHREAD_MUTEX_INITIALIZER,
                          .call = PTHREAD_COND_INITIALIZER,
                          .told = PTHREAD_COND_INITIALIZER };
}

static void once(void)
{
    pthread_atfork(NULL, NULL, forget);
}

/* Threads that are asleep, for this many openings if they can be had. Signals are the caller's. */
static void have_idle(int wanted)
{
    static pthread_once_t first = PTHREAD_ONCE_INIT;
    sigset_t all, before;
    if (pool.idle >= wanted)
        return;
    pthread_once(&first, once);
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    for (int more = wanted - pool.idle; more > 0 && pool.started < PL_POOL_MAX - 1; more--) {
        pthread_t thread;
        if (pthread_create(&thread, NULL, thread_main, NULL) != 0)
            break;
        pthread_detach(thread);
        pool.started++;
    }
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    while (pool.ready < pool.started)
        pthread_cond_wait(&pool.told, &pool.lock);
}

int pl_pool_cpus(void)
{
    long n = sysconf(_SC_NPROCESSORS_ONLN);
    return n < 1 ? 1 : n > PL_POOL_MAX ? PL_POOL_MAX : (int)n;
}

static void open_to_threads(struct batch *b, int openings)
{
    pthread_mutex_lock(&pool.lock);
    have_idle(openings);
    b->openings = openings;
    b->below = pool.top;
    pool.top = b;
    pthread_cond_broadcast(&pool.call);
    pthread_mutex_unlock(&pool.lock);
}

/* Who has not come by now is not waited for. */
static void close_to_threads(struct batch *b)
{
    pthread_mutex_lock(&pool.lock);
    struct batch **at = &pool.top;
    while (*at != b)
        at = &(*at)->below;
    *at = b->below;
    while (b->joined > 0)
        pthread_cond_wait(&pool.told, &pool.lock);
    pthread_mutex_unlock(&pool.lock);
}

void pl_pool_run(int jobs, size_t items, pl_job *job, void *ctx)
{
    struct batch b = { .job = job, .ctx = ctx, .items = items };
    if (jobs < 1)
        jobs = pl_pool_cpus();
    if (jobs > PL_POOL_MAX)
        jobs = PL_POOL_MAX;
    if ((size_t)jobs > items)
        jobs = items ? (int)items : 1;
    if (jobs > 1)
        open_to_threads(&b, jobs - 1);
    work(&b, 0);
    if (jobs > 1)
        close_to_threads(&b);
}
