/* SPDX-License-Identifier: GPL-3.0-or-later */
/* write.c - a file appears whole or not at all. */
#define _XOPEN_SOURCE 700 /* realpath */
#include "base.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* A new file beside `path`, in `temp` (room for strlen(path) + 32).
 * Gives: its descriptor, or -1 with errno. */
static int open_beside(const char *path, char *temp, mode_t mode)
{
    int dir = (int)(pl_file_name(path) - path);
    int fd = -1;
    for (int i = 0; i < 100 && fd < 0; i++) {
        snprintf(temp, strlen(path) + 32, "%.*s.plumb-%ld-%d.part", dir, path, (long)getpid(), i);
        fd = open(temp, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, mode);
        if (fd < 0 && errno != EEXIST)
            return -1;
    }
    return fd;
}

static int write_all(int fd, const char *data, size_t size)
{
    while (size > 0) {
        ssize_t n = write(fd, data, size);
        if (n < 0 && errno == EINTR)
            continue;
        if (n <= 0)
            return -1;
        data += n;
        size -= (size_t)n;
    }
    /* some file systems cannot sync: that alone is no failure */
    return fsync(fd) == 0 || errno == EINVAL || errno == ENOTSUP ? 0 : -1;
}

/* Writes to /dev/stdout and pipes, which have no place beside them. */
static pl_status write_through(const char *path, const void *data, size_t size, pl_err *err)
{
    int fd = open(path, O_WRONLY | O_CLOEXEC);
    if (fd < 0)
        return pl_fail(err, PL_EIO, "cannot write %.120s: %s", path, strerror(errno));
    int bad = write_all(fd, data, size) != 0 ? errno : 0;
    if (close(fd) != 0 && !bad)
        bad = errno;
    return bad ? pl_fail(err, PL_EIO, "cannot write %.120s: %s", path, strerror(bad)) : PL_OK;
}

/* Through a new file beside `target`, which takes its place with the mode of what `was` there.
 * Gives: 0 or an errno. */
static int replace(const char *target, const struct stat *was, char *temp, const void *data,
                   size_t size)
{
    int fd = open_beside(target, temp, 0666), bad = 0;
    if (fd < 0)
        return errno;
    if ((was && fchmod(fd, was->st_mode & 07777) != 0) || write_all(fd, data, size) != 0)
        bad = errno;
    if (close(fd) != 0 && !bad)
        bad = errno;
    if (!bad && rename(temp, target) != 0)
        bad = errno;
    if (bad)
        unlink(temp);
    return bad;
}

/* What ends a program waits until no file of ours is half done: it would lie there for ever. */
static int replace_in_peace(const char *target, const struct stat *was, char *temp,
                            const void *data, size_t size)
{
    sigset_t ends, before;
    sigemptyset(&ends);
    sigaddset(&ends, SIGINT);
    sigaddset(&ends, SIGTERM);
    sigaddset(&ends, SIGHUP);
    int blocked = pthread_sigmask(SIG_BLOCK, &ends, &before);
    int bad = replace(target, was, temp, data, size);
    if (blocked == 0)
        pthread_sigmask(SIG_SETMASK, &before, NULL);
    return bad;
}

pl_status pl_write_whole(const char *path, const void *data, size_t size, pl_err *err)
{
    struct stat was;
    bool there = stat(path, &was) == 0;
    if (!*path)
        return pl_fail(err, PL_EARG, "cannot write: the file name is empty");
    if (there && S_ISDIR(was.st_mode))
        return pl_fail(err, PL_EIO, "cannot write %.120s: it is a directory", path);
    if (there && !S_ISREG(was.st_mode))
        return write_through(path, data, size, err);
    char *real = there ? realpath(path, NULL) : NULL; /* a link stays a link */
    const char *target = real ? real : path;
    char *temp = malloc(strlen(target) + 32);
    int bad;
    pl_status st = PL_OK;
    if (!temp || (there && !real))
        st = pl_fail(err, PL_ENOMEM, "out of memory writing %.120s", path);
    else if ((bad = replace_in_peace(target, there ? &was : NULL, temp, data, size)) != 0)
        st = pl_fail(err, PL_EIO, "cannot write %.120s: %s", path, strerror(bad));
    free(temp);
    free(real);
    return st;
}
