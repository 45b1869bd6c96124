/* SPDX-License-Identifier: GPL-3.0-or-later */
/* path.c - the name in a path, and what kind of file it is of. */
#include "base.h"

#include <string.h>
#include <sys/stat.h>

const char *pl_file_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash && slash[1] ? slash + 1 : path;
}

const char *pl_file_kind(unsigned mode)
{
    return S_ISREG(mode)    ? "a file"
           : S_ISDIR(mode)  ? "a directory"
           : S_ISFIFO(mode) ? "a pipe"
           : S_ISSOCK(mode) ? "a socket"
                            : "a device";
}
