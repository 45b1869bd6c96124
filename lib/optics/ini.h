/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ini.h - INI text whose keys are known beforehand. Private to `optics`. */
#ifndef PL_INI_H
#define PL_INI_H

#include "../base/base.h"

/* One name that is known. */
typedef struct {
    const char *section;
    const char *key; /* NULL: the section takes whatever stands in it */
    bool later;      /* known, but another program's affair: not taken */
} pl_ini_name;

/* One kind of file. */
typedef struct {
    const char *what, *page; /* "profile", "plumb-profile(5)" */
    const pl_ini_name *name; /* [names]; of two equally near, the first one is offered */
    size_t names;
    /* One value, without the blanks around it; a failure's sentence needs no section. */
    pl_status (*take)(void *ctx, const char *section, const char *key, const char *value,
                      pl_err *err);
} pl_ini;

/* pl_ini_read - hand over each known key of a file.
 *   notes  out  a sentence for each unknown section or key, with the nearest known one
 * Gives: PL_EIO, PL_EFORMAT (with the line, or the key and what was wanted; also when no key at all
 * is known). Keys before the failure have been taken. */
pl_status pl_ini_read(const char *path, const pl_ini *ini, void *ctx, pl_notes *notes, pl_err *err);

#endif
