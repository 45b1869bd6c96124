/* SPDX-License-Identifier: GPL-3.0-or-later */
/* digest.c - what a file is called by its bytes: SHA-256, by GLib. */
#include "frame.h"

#include <errno.h>
#include <fcntl.h>
#include <glib.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { CHUNK = 1 << 18 };

static pl_status feed(int fd, GChecksum *sum, unsigned char *chunk, pl_err *err)
{
    for (;;) {
        ssize_t n = read(fd, chunk, CHUNK);
        if (n == 0)
            return PL_OK;
        if (n < 0 && errno != EINTR)
            return pl_fail(err, PL_EIO, "cannot be read: %s", strerror(errno));
        if (n > 0)
            g_checksum_update(sum, chunk, n);
    }
}

pl_status pl_file_digest(const char *path, char digest[65], pl_err *err)
{
    int fd = open(path, O_RDONLY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return pl_fail(err, PL_EIO, "cannot be opened: %s", strerror(errno));
    GChecksum *sum = g_checksum_new(G_CHECKSUM_SHA256);
    unsigned char *chunk = malloc(CHUNK);
    pl_status rc = sum && chunk ? feed(fd, sum, chunk, err)
                                : pl_fail(err, PL_ENOMEM, "out of memory for its digest");
    if (rc == PL_OK)
        snprintf(digest, 65, "%s", g_checksum_get_string(sum));
    if (sum)
        g_checksum_free(sum);
    free(chunk);
    close(fd);
    return rc;
}

struct pl_digest {
    const char *path;
    char digest[65];
    pl_err err;
    pl_status rc;
    pthread_t thread;
    bool running;
};

static void *sum_up(void *ctx)
{
    pl_digest *d = ctx;
    d->rc = pl_file_digest(d->path, d->digest, &d->err);
    return NULL;
}

pl_digest *pl_digest_begin(const char *path)
{
    pl_digest *d = calloc(1, sizeof *d);
    if (!d)
        return NULL;
    d->path = path;
    d->running = pthread_create(&d->thread, NULL, sum_up, d) == 0;
    return d;
}

pl_status pl_digest_end(pl_digest *running, char digest[65], pl_err *err)
{
    if (!running)
        return pl_fail(err, PL_ENOMEM, "out of memory for its digest");
    if (running->running)
        pthread_join(running->thread, NULL);
    else
        sum_up(running); /* no thread could be had */
    pl_status rc = running->rc;
    if (rc == PL_OK)
        memcpy(digest, running->digest, 65);
    else
        pl_fail_say(err, rc, "%s", running->err.msg);
    free(running);
    return rc;
}
