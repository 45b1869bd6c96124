/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile.c - read a profile: INI text about telescope, camera and focuser into facts. */
#include "ini.h"
#include "optics.h"

enum { MOST_NAMES = 128 };

/* Sections and keys of the programs that turn screws and calibrate: known, read by those. */
static const pl_ini_name others[] = {
    { "plate", "radius_mm", true }, { "plate", "angles_deg", true }, { "plate", "pitch_mm", true },
    { "plate", "kind", true },      { "plate", "clockwise", true },  { "cell", "radius_mm", true },
    { "cell", "angles_deg", true }, { "cell", "pitch_mm", true },    { "cell", "kind", true },
    { "cell", "clockwise", true },  { "surface", NULL, true }, /* a program wrote it */
};

static pl_status take(void *ctx, const char *section, const char *key, const char *value,
                      pl_err *err)
{
    (void)section;
    return pl_facts_set(ctx, key, value, PL_FROM_PROFILE, err);
}

pl_status pl_profile_read(const char *path, pl_facts *facts, pl_notes *notes, pl_err *err)
{
    pl_ini_name name[MOST_NAMES];
    size_t n, used = 0;
    const pl_fact *rows = pl_facts_table(&n);
    for (size_t i = 0; i < n && used < MOST_NAMES - PL_ARRAY_LEN(others); i++)
        if (rows[i].section)
            name[used++] = (pl_ini_name){ rows[i].section, rows[i].name, false };
    for (size_t i = 0; i < PL_ARRAY_LEN(others); i++)
        name[used++] = others[i];
    pl_ini ini = { "profile", "plumb-profile(5)", name, used, take };
    pl_facts read = *facts;
    pl_status rc = pl_ini_read(path, &ini, &read, notes, err);
    if (rc == PL_OK)
        *facts = read;
    return rc;
}
