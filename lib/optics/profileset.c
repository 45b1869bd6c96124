/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profileset.c - write keys of a profile; comments, order and all else stay. */
#include "optics.h"

#include <errno.h>
#include <glib.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { LARGEST = 1 << 20 };

/* The profile as it was, to PATH~. */
static pl_status keep_old(const char *path, const char *text, size_t n, pl_err *err)
{
    size_t size = strlen(path) + 2;
    char *old = malloc(size);
    if (!old)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    snprintf(old, size, "%s~", path);
    pl_status rc = pl_write_whole(old, text, n, err);
    free(old);
    return rc;
}

static pl_status load(const char *path, GKeyFile *keys, pl_err *err)
{
    char *text = NULL;
    size_t n = 0;
    if (access(path, F_OK) != 0 && errno == ENOENT)
        return PL_OK;
    pl_status rc = pl_load_text(path, "profile", "plumb-profile(5)", LARGEST, &text, &n, err);
    size_t mark = rc == PL_OK && strncmp(text, "\xef\xbb\xbf", 3) == 0 ? 3 : 0; /* byte order */
    GError *why = NULL;
    if (rc == PL_OK &&
        !g_key_file_load_from_data(keys, text + mark, n - mark, G_KEY_FILE_KEEP_COMMENTS, &why))
        rc = pl_fail(err, PL_EFORMAT, "no profile: %.150s", why ? why->message : "unreadable");
    g_clear_error(&why);
    if (rc == PL_OK)
        rc = keep_old(path, text, n, err);
    free(text);
    return rc;
}

pl_status pl_profile_set(const char *path, const pl_setting *setting, size_t settings, pl_err *err)
{
    GKeyFile *keys = g_key_file_new();
    pl_status rc = load(path, keys, err);
    if (rc == PL_OK) {
        gsize n = 0;
        for (size_t i = 0; i < settings; i++)
            g_key_file_set_value(keys, setting[i].section, setting[i].key, setting[i].value);
        char *text = g_key_file_to_data(keys, &n, NULL);
        rc = text ? pl_write_whole(path, text, n, err) : pl_fail(err, PL_ENOMEM, "out of memory");
        g_free(text);
    }
    g_key_file_free(keys);
    return rc;
}
