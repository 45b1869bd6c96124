/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The name in a path: as POSIX's basename has it, but for a slash at the end. */
#include "../../lib/base/base.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>

struct row {
    char path[24], want[24];
};

ParameterizedTestParameters(path, name)
{
    static struct row rows[] = {
        { "sub.fits", "sub.fits" },
        { "a/b/sub.fits", "sub.fits" },
        { "/sub.fits", "sub.fits" },
        { "./..fits", "..fits" },
        { "a/b/", "a/b/" },
        { "/", "/" },
        { "", "" },
    };
    return cr_make_param_array(struct row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct row *r, path, name)
{
    cr_expect(eq(str, (char *)pl_file_name(r->path), r->want), "%s", r->path);
}
