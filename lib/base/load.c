/* SPDX-License-Identifier: GPL-3.0-or-later */
/* load.c - a small text file, whole, into memory. */
#include "base.h"

#include <errno.h>
#include <fcntl.h>
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
        rc = pl_fail(err, PL_EIO, "is %s; a %s is a file, see %s",
                     S_ISDIR(st.st_mode) ? "a directory" : "no regular file", what, page);
    else if ((uintmax_t)st.st_size > most)
        rc = pl_fail(err, PL_EFORMAT, "is no %s: %lld bytes, %zu MiB at most", what,
                     (long long)st.st_size, most >> 20);
    else
        rc = slurp(fd, (size_t)st.st_size, text, n, err);
    close(fd);
    return rc;
}
