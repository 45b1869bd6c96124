/* SPDX-License-Identifier: GPL-3.0-or-later */
/* path.c - the folder and the name in a path. */
#include "base.h"

#include <string.h>

const char *pl_file_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash && slash[1] ? slash + 1 : path;
}
