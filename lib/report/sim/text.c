/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.c - what was rendered, in a line or two. */
#include "../format.h"

#include <math.h>
#include <stdlib.h>

static void state(pl_string *out, const pl_sim *s)
{
    if (isfinite(s->facts.position_steps.v))
        pl_string_add(out, ", focuser %s", pl_signif(s->facts.position_steps.v, 8).s);
    if (isfinite(s->facts.temperature_c.v))
        pl_string_add(out, ", %s C", pl_fixed(s->facts.temperature_c.v, 1).s);
    if (isfinite(s->facts.altitude_deg.v))
        pl_string_add(out, ", altitude %s deg", pl_fixed(s->facts.altitude_deg.v, 1).s);
}

char *pl_sim_text(const pl_sim *s, const char *file)
{
    pl_string out = { 0 };
    size_t clipped = 0;
    for (size_t i = 0; i < s->stars; i++)
        clipped += s->star[i].saturated;
    char *name = pl_clean(file, PL_CLEAN_PLAIN, NULL);
    pl_string_add(&out, "%s: %d x %d px, %zu stars (%zu saturated), seeing %s arcsec",
                  name ? name : "?", s->width_px, s->height_px, s->stars, clipped,
                  pl_fixed(s->seeing_arcsec, 2).s);
    if (isfinite(s->fwhm_px))
        pl_string_add(&out, ", FWHM %s px", pl_fixed(s->fwhm_px, 2).s);
    else if (s->donut_px > 1)
        pl_string_add(&out, ", donuts of %s px", pl_fixed(s->donut_px, 1).s);
    pl_string_add(&out, ", defocus %s um", pl_fixed(s->defocus_um, 1).s);
    state(&out, s);
    pl_string_add(&out, "\n");
    char *text = name ? pl_string_take(&out) : NULL;
    if (!name)
        free(pl_string_take(&out));
    free(name);
    return text;
}
