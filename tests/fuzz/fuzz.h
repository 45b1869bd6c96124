/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuzz.h - what the fuzz targets share: the input as a file, since plumb reads files. */
#ifndef PLUMB_FUZZ_H
#define PLUMB_FUZZ_H

#include <fcntl.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* fuzz_file - `size` bytes as the whole of a file; the same file each time, in $TMPDIR.
 * Gives: its path, static storage. */
static inline const char *fuzz_file(const uint8_t *data, size_t size)
{
    static char path[4096];
    static int fd = -1;
    if (fd < 0) {
        const char *dir = getenv("TMPDIR");
        snprintf(path, sizeof path, "%s/plumb-fuzz-XXXXXX", dir ? dir : "/tmp");
        fd = mkstemp(path);
    }
    if (fd < 0 || ftruncate(fd, 0) != 0 || pwrite(fd, data, size, 0) != (ssize_t)size) {
        perror(path);
        exit(2);
    }
    return path;
}

#endif
