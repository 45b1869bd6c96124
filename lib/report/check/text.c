/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.c - one exposure's focus and air in words: the verdict, what to do, then the numbers
 * and what they rest on. Lines of at most 78 columns, file names apart. */
#include "../report.h"
#include "../text.h"
#include "../../align/check/check.h"

#include <math.h>
#include <stdlib.h>

static void row(pl_string *out, const char *label, pl_string *words)
{
    if (words->s)
        pl_text_row(out, label, words->s);
    out->failed |= words->failed;
    free(pl_string_take(words));
}

static void defocus(pl_string *out, const pl_check *c)
{
    const pl_sense *s = &c->sense;
    pl_string w = { 0 };
    const char *side = pl_check_side(s);
    if (side[0])
        pl_string_add(&w, "%s um at the sensor, too far %s; %s um are allowed each side",
                      pl_measured(fabs(s->defocus_um), s->defocus_sigma_um, 0).s, side,
                      pl_fixed(s->zone_um, 0).s);
    else if (s->sign_known)
        pl_string_add(&w, "%s um at the sensor, + = too far out; %s um are allowed each side",
                      pl_measured(s->defocus_um, s->defocus_sigma_um, 0).s,
                      pl_fixed(s->zone_um, 0).s);
    else if (isfinite(s->size_um))
        pl_string_add(&w, "%s um at the sensor, in or out; %s um are allowed each side",
                      pl_measured(s->size_um, s->size_sigma_um, 0).s, pl_fixed(s->zone_um, 0).s);
    else
        pl_string_add(&w, "not known");
    row(out, "defocus", &w);
}

static void air(pl_string *out, const pl_sense *s)
{
    pl_string w = { 0 };
    pl_string_add(&w, "%s", pl_measured(s->seeing_arcsec, s->seeing_sigma_arcsec, 2).s);
    if (isfinite(s->seeing_arcsec))
        pl_string_add(&w, " arcsec, pixel and diffraction taken out");
    if (isfinite(s->seeing_arcsec) && isfinite(s->usual_arcsec))
        pl_string_add(&w, "; %s when the surface was measured", pl_fixed(s->usual_arcsec, 2).s);
    row(out, "air", &w);
}

static void stars(pl_string *out, const pl_check *c)
{
    pl_string w = { 0 };
    pl_string_add(&w, "%zu used, FWHM %s px", c->stars,
                  pl_measured(c->fwhm_px, c->fwhm_sigma_px, 2).s);
    if (isfinite(c->scale_arcsec_px))
        pl_string_add(&w, " (%s arcsec)", pl_fixed(c->fwhm_px * c->scale_arcsec_px, 2).s);
    if (c->sense.sign_known)
        pl_string_add(&w, ", in focus %s",
                      pl_measured(c->sense.focused_px, c->sense.focused_sigma_px, 2).s);
    pl_string_add(&w, "; eccentricity %s",
                  pl_measured(c->eccentricity, c->eccentricity_sigma, 2).s);
    row(out, "stars", &w);
    if (!isfinite(c->softer))
        return;
    pl_string_add(&w, "%s %% %s than the reference's, %s %% of its stars",
                  pl_fixed(100 * fabs(c->softer), 1).s, c->softer < 0 ? "sharper" : "wider",
                  pl_fixed(100 * c->star_ratio, 0).s);
    row(out, "", &w);
}

static void surface(pl_string *out, const pl_sense *s)
{
    pl_string w = { 0 };
    if (!s->surface_known)
        pl_string_add(&w, "none that holds for this frame (plumb-sweep --save writes one)");
    else if (!s->surface_checked)
        pl_string_add(&w, "%zu cells are too few to see whether it fits", s->cells);
    else
        pl_string_add(&w, "%s: %zu cells, chi square %s of %zu; the other side of focus %s worse",
                      s->surface_fits ? "fits" : "no longer fits", s->cells, pl_fixed(s->chi2, 0).s,
                      s->freedom, pl_fixed(s->other_side, 0).s);
    row(out, "surface", &w);
}

static void cost(pl_string *out, const pl_check *c)
{
    pl_string w = { 0 };
    if (!isfinite(c->drift_cost_s))
        return;
    pl_string_add(&w, "shooting on loses %s min of the time left to faint stars",
                  pl_fixed(c->drift_cost_s / 60, 1).s);
    if (isfinite(c->refocus_cost_s))
        pl_string_add(&w, ", refocusing %s", pl_fixed(c->refocus_cost_s / 60, 1).s);
    if (!isfinite(c->drift_um_h))
        pl_string_add(&w, ", if focus stays where it is");
    else if (c->drift_of)
        pl_string_add(&w, ", at %s um an hour as %zu exposures show", pl_fixed(c->drift_um_h, 1).s,
                      c->drift_of);
    else
        pl_string_add(&w, ", at %s um an hour", pl_fixed(c->drift_um_h, 1).s);
    pl_string_add(&w, "; smooth nebulae lose sharpness, not depth");
    row(out, "cost", &w);
}

char *pl_check_text(const pl_check *c, const char *file)
{
    pl_string out = { 0 };
    pl_text_verdict(&out, file, 0, &c->verdict);
    pl_string_add(&out, "\n");
    defocus(&out, c);
    air(&out, &c->sense);
    stars(&out, c);
    surface(&out, &c->sense);
    cost(&out, c);
    pl_text_notes(&out, &c->notes);
    return pl_string_take(&out);
}
