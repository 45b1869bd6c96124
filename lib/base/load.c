/* SPDX-License-Identifier: GPL-3.0-or-later */
/* load.c - a small text, whole, into memory. */
#include "base.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

ssize_t pl_read_at(int fd, void *buf, size_t want, off_t at)
{
    size_t done = 0;
    while (done < want) {
        ssize_t got = pread(fd, (char *)buf + done, want - done, at + (off_t)done);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return -1;
        if (got == 0)
            break;
        done += (size_t)got;
    }
    return (ssize_t)done;
}

static pl_status slurp(int fd, size_t size, char **text, size_t *n, pl_err *err)
{
    char *s = malloc(size + 1);
    if (!s)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    ssize_t used = pl_read_at(fd, s, size, 0);
    if (used < 0) {
        free(s);
        return pl_fail(err, PL_EIO, "cannot be read: %s", strerror(errno));
    }
    s[used] = '\0';
    *text = s;
    *n = (size_t)used;
    return PL_OK;
}

/* One chunk more. Gives: its bytes, 0 at the end, -1 with errno. */
static ssize_t next_bytes(int fd, char *to, size_t room)
{
    struct pollfd ready = { fd, POLLIN, 0 };
    ssize_t got;
    while ((got = read(fd, to, room)) < 0 && (errno == EINTR || errno == EAGAIN))
        poll(&ready, 1, -1);
    return got;
}

static pl_status drain(int fd, const char *what, size_t most, char **text, size_t *n, pl_err *err)
{
    size_t used = 0, room = 1 << 16;
    ssize_t got = 1;
    char *s = malloc(room + 1);
    while (s && used <= most && (got = next_bytes(fd, s + used, room - used)) > 0)
        if ((used += (size_t)got) == room) {
            char *more = realloc(s, 2 * room + 1);
            if (!more)
                free(s);
            s = more;
            room *= 2;
        }
    pl_status rc = !s        ? pl_fail(err, PL_ENOMEM, "out of memory")
                   : got < 0 ? pl_fail(err, PL_EIO, "cannot be read: %s", strerror(errno))
                   : used > most
                       ? pl_fail(err, PL_EFORMAT, "is no %s: more than %zu MiB", what, most >> 20)
                       : PL_OK;
    if (rc != PL_OK) {
        free(s);
        return rc;
    }
    s[used] = '\0';
    *text = s;
    *n = used;
    return PL_OK;
}

pl_status pl_load_stream(const char *path, const char *what, size_t most, char **text, size_t *n,
                         pl_err *err)
{
    struct stat st;
    pl_status rc;
    bool standard = strcmp(path, "-") == 0;
    int fd = standard ? dup(STDIN_FILENO) : open(path, O_RDONLY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return pl_fail(err, PL_EIO, "cannot be opened: %s", strerror(errno));
    if (fstat(fd, &st) != 0)
        rc = pl_fail(err, PL_EIO, "cannot be read: %s", strerror(errno));
    else if (S_ISREG(st.st_mode) || S_ISFIFO(st.st_mode) || S_ISSOCK(st.st_mode))
        rc = drain(fd, what, most, text, n, err);
    else
        rc = pl_fail(err, PL_EIO, "is %s; a %s is a file or comes through a pipe",
                     isatty(fd) ? "a terminal" : pl_file_kind(st.st_mode), what);
    close(fd);
    if (rc == PL_OK && *n == 0 && S_ISFIFO(st.st_mode)) {
        free(*text);
        *text = NULL;
        rc = pl_fail(err, PL_ENODATA,
                     "is a pipe, and nothing came through it: start what writes "
                     "into it first");
    }
    return rc;
}

/* O_NONBLOCK: a pipe without a writer is refused, not waited for. */
pl_status pl_load_text(const char *path, const char *what, const char *page, size_t most,
                       char **text, size_t *n, pl_err *err)
{
    struct stat st;
    pl_status rc;
    int fd = open(path, O_RDONLY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return pl_fail(err, PL_EIO, "cannot be opened: %s", strerror(errno));
    if (fstat(fd, &st) != 0)
        rc = pl_fail(err, PL_EIO, "cannot be read: %s", strerror(errno));
    else if (!S_ISREG(st.st_mode))
        rc = pl_fail(err, PL_EIO, "is %s; a %s is a file, see %s", pl_file_kind(st.st_mode), what,
                     page);
    else if ((uintmax_t)st.st_size > most)
        rc = pl_fail(err, PL_EFORMAT, "is no %s: %lld bytes, %zu MiB at most", what,
                     (long long)st.st_size, most >> 20);
    else
        rc = slurp(fd, (size_t)st.st_size, text, n, err);
    close(fd);
    return rc;
}
