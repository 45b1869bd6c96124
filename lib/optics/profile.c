/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile.c - read a profile: INI text about telescope, camera and focuser into facts. */
#include "ini.h"
#include "optics.h"

#include <string.h>

enum { MOST_NAMES = 128 };

/* Sections and keys of the programs that turn screws and calibrate: known, read by those. */
static const pl_ini_name others[] = {
    { "plate", "radius_mm", true },  { "plate", "angles_deg", true },
    { "plate", "pitch_mm", true },   { "plate", "kind", true },
    { "plate", "clockwise", true },  { "plate", "columns_deg", true },
    { "plate", "rows_deg", true },   { "cell", "radius_mm", true },
    { "cell", "angles_deg", true },  { "cell", "pitch_mm", true },
    { "cell", "kind", true },        { "cell", "clockwise", true },
    { "cell", "columns_deg", true }, { "cell", "rows_deg", true },
    { "surface", NULL, true }, /* a program wrote it */
};

static pl_status take(void *ctx, const char *section, const char *key, const char *value,
                      pl_err *err)
{
    (void)section;
    return pl_facts_set(ctx, key, value, PL_FROM_PROFILE, err);
}

/* All names; those of another section than `section` (NULL: of the facts) are another's affair. */
static size_t list_names(const char *section, pl_ini_name name[MOST_NAMES])
{
    size_t n, used = 0;
    const pl_fact *rows = pl_facts_table(&n);
    for (size_t i = 0; i < n && used < MOST_NAMES - PL_ARRAY_LEN(others); i++)
        if (rows[i].section)
            name[used++] = (pl_ini_name){ rows[i].section, rows[i].name, section != NULL };
    for (size_t i = 0; i < PL_ARRAY_LEN(others); i++) {
        name[used] = others[i];
        name[used++].later = !section || strcmp(section, others[i].section) != 0;
    }
    return used;
}

pl_status pl_profile_read(const char *path, pl_facts *facts, pl_notes *notes, pl_err *err)
{
    pl_ini_name name[MOST_NAMES];
    pl_ini ini = { "profile", "plumb-profile(5)", name, list_names(NULL, name), take };
    pl_facts read = *facts;
    pl_status rc = pl_ini_read(path, &ini, &read, notes, err);
    if (rc == PL_OK)
        *facts = read;
    return rc;
}

pl_status pl_profile_section(const char *path, const char *section, pl_profile_take *taker,
                             void *ctx, pl_err *err)
{
    pl_ini_name name[MOST_NAMES];
    pl_notes notes = { NULL, 0, 0 }; /* said where the facts are read */
    pl_ini ini = { "profile", "plumb-profile(5)", name, list_names(section, name), taker };
    pl_status rc = pl_ini_read(path, &ini, ctx, &notes, err);
    pl_notes_clear(&notes);
    return rc;
}
