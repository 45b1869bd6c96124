/* SPDX-License-Identifier: GPL-3.0-or-later */
/* check_text.c - one exposure's focus and air in words. */
#include "report.h"

char *pl_check_text(const pl_check *c, const char *file)
{
    pl_string out = { 0 };
    pl_string_add(&out, "%s: %s\n", file, c->verdict.text);
    return pl_string_take(&out);
}
