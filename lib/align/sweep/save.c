/* SPDX-License-Identifier: GPL-3.0-or-later */
/* save.c - what a series taught, into the profile, in one write: the focal surface, and of the
 * focuser what the profile did not know. */
#include "../align.h"

#include <glib.h>
#include <math.h>

enum { FOCUSER_KEYS = 2 };

/* Told from none: below two sigma it may be nothing. */
static bool has_backlash(const pl_sweep *s)
{
    return s->backlash_um > 2 * s->backlash_sigma_um && s->backlash_um > 0;
}

static bool has_new_step(const pl_sweep *s)
{
    return s->facts.step_um.from == PL_FROM_NOWHERE && s->step_um > 0 && isfinite(s->step_um);
}

/* Six digits, with a point whatever the locale. Only what the profile takes again is put there. */
static void add_length(const char *key, double v, pl_setting *set, size_t *n)
{
    pl_facts any = pl_facts_unknown();
    pl_setting s = { .section = "focuser", .key = key };
    g_ascii_formatd(s.value, sizeof s.value, "%.6g", v);
    if (pl_facts_set(&any, key, s.value, PL_FROM_PROFILE, NULL) == PL_OK)
        set[(*n)++] = s;
}

static pl_status check(const pl_sweep *s, pl_err *err)
{
    if (!s->side_known)
        return pl_fail(err, PL_ENODATA,
                       "nothing is saved: which side of focus the frames stand on is not known; "
                       "tell it by --first in or out");
    if (s->outside)
        return pl_fail(err, PL_ENODATA,
                       "nothing is saved: best focus lies beyond the frames; take a series around "
                       "it");
    if (!isfinite(s->surface.tilt_x_um_mm) || !isfinite(s->surface.tilt_y_um_mm))
        return pl_fail(err, PL_ENODATA, "nothing is saved: the focal surface could not be told");
    return PL_OK;
}

pl_status pl_sweep_save(const pl_sweep *s, const char *profile, pl_err *err)
{
    pl_setting set[PL_SURFACE_SETTINGS + FOCUSER_KEYS];
    pl_status rc = check(s, err);
    if (rc != PL_OK)
        return rc;
    size_t n = pl_surface_settings(&s->surface, set, PL_SURFACE_SETTINGS);
    if (has_backlash(s))
        add_length("backlash_um", s->backlash_um, set, &n);
    if (has_new_step(s))
        add_length("step_um", s->step_um, set, &n);
    return pl_profile_set(profile, set, n, err);
}
