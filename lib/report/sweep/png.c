/* SPDX-License-Identifier: GPL-3.0-or-later */
/* png.c - the sheet of a series through focus: the curve, the map of best focus, the numbers.
 */
#include "sweep.h"
#include "../../align/align.h"
#include "../sheet.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { MARGIN = PL_SHEET_MARGIN };
enum { W = 1600, H = 1000, LEFT = 960, RIGHT = 1010, TOP = 132, FOOT = 60, MAP = 500 };

static double focus_rows(pl_canvas *c, const pl_sweep *s, double y)
{
    char text[200];
    if (isfinite(s->best_fwhm_px)) {
        snprintf(text, sizeof text, "%s px%s%s%s", pl_fixed(s->best_fwhm_px, 2).s,
                 isfinite(s->best_fwhm_arcsec) ? ", " : "",
                 isfinite(s->best_fwhm_arcsec) ? pl_fixed(s->best_fwhm_arcsec, 2).s : "",
                 isfinite(s->best_fwhm_arcsec) ? " arcsec" : "");
        y = pl_sheet_row(c, RIGHT, y, "FWHM expected at best focus", text);
    }
    snprintf(text, sizeof text, "+-%s um", pl_signif(s->zone_um, 3).s);
    y = pl_sheet_row(c, RIGHT, y, "allowed defocus at the sensor", text);
    if (isfinite(s->blur_scale))
        y = pl_sheet_row(c, RIGHT, y, "blur against the profile, 1 is right",
                         pl_measured(s->blur_scale, s->blur_scale_sigma, 2).s);
    if (isfinite(s->backlash_um)) {
        snprintf(text, sizeof text, "%s um",
                 pl_measured(s->backlash_um, s->backlash_sigma_um, 0).s);
        y = pl_sheet_row(c, RIGHT, y, "backlash of the drawtube", text);
    }
    return y;
}

static double surface_rows(pl_canvas *c, const pl_sweep *s, double y)
{
    char text[200];
    pl_surface_told t = pl_surface_tell(&s->surface);
    if (!pl_sweep_has_surface(s))
        return y;
    snprintf(text, sizeof text, "%s um/mm, %s arcmin",
             pl_measured(t.tilt_um_mm, t.tilt_sigma_um_mm, 1).s, pl_fixed(t.tilt_arcmin, 1).s);
    y = pl_sheet_row(c, RIGHT, y, "tilt", text);
    snprintf(text, sizeof text, "%s um", pl_measured(t.across_um, t.across_sigma_um, 1).s);
    y = pl_sheet_row(c, RIGHT, y, "from corner to corner", text);
    if (isfinite(s->surface.curvature_um)) {
        snprintf(text, sizeof text, "%s um",
                 pl_measured(s->surface.curvature_um, sqrt(s->surface.cov[2][2]), 1).s);
        y = pl_sheet_row(c, RIGHT, y, "curvature, at the corners", text);
    }
    return y;
}

static void numbers(pl_canvas *c, const pl_sweep *s, double y)
{
    char text[120];
    y = surface_rows(c, s, focus_rows(c, s, y));
    if (isfinite(s->red_um) && isfinite(s->blue_um)) {
        snprintf(text, sizeof text, "%s, %s um", pl_fixed(s->red_um, 1).s,
                 pl_fixed(s->blue_um, 1).s);
        y = pl_sheet_row(c, RIGHT, y, "red, blue against green", text);
    }
    snprintf(text, sizeof text, "%zu of %zu", s->used, s->frames);
    pl_sheet_row(c, RIGHT, y, "frames used", text);
}

static void headline(pl_canvas *c, const pl_sweep *s)
{
    pl_string says = { 0 }, more = { 0 };
    pl_verdict v = pl_sweep_verdict(s);
    pl_sweep_says(s, &says);
    if (s->verdict.text[0])
        pl_string_add(&more, "%s. ", v.text);
    pl_string_add(&more, "%s", v.action);
    pl_sheet_head(c, says.s ? says.s : "", more.s ? more.s : "");
    free(pl_string_take(&says));
    free(pl_string_take(&more));
}

static void footer(pl_canvas *c, const pl_sweep *s, const char *const *file)
{
    pl_string words = { 0 };
    pl_sheet_exposures(&words, file[0], s->frames, &s->facts);
    pl_sheet_foot(c, &words, "plumb-sweep " PL_VERSION);
}

pl_status pl_sweep_canvas(const pl_sweep *s, const char *const *file, bool red, pl_canvas **out,
                          pl_err *err)
{
    pl_canvas *c = NULL;
    pl_status rc = pl_canvas_new(W, H, red, &c, err);
    if (rc != PL_OK)
        return rc;
    headline(c, s);
    pl_sweep_curve(c, s, (pl_box){ MARGIN, TOP, LEFT - MARGIN, H - TOP - FOOT });
    pl_sweep_map(c, s, (pl_box){ RIGHT, TOP, W - MARGIN - RIGHT, MAP });
    numbers(c, s, TOP + MAP + 24);
    footer(c, s, file);
    *out = c;
    return PL_OK;
}

pl_status pl_sweep_draw(const pl_sweep *s, const char *const *file, bool red, const char *png,
                        pl_err *err)
{
    pl_canvas *c = NULL;
    pl_string says = { 0 };
    pl_sweep_says(s, &says);
    const pl_chunk chunk[] = { { "Title", "through focus, and best focus over the sensor" },
                               { "Description", says.s ? says.s : "" } };
    pl_status rc = pl_sweep_canvas(s, file, red, &c, err);
    rc = pl_sheet_write(rc, c, png, chunk, PL_ARRAY_LEN(chunk), err);
    free(pl_string_take(&says));
    return rc;
}
