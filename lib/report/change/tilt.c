/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tilt.c - what changed between two focal surfaces: the tilt as an arrow before and
 * after, and what is tolerable; beside it the bend, and what is left to do. */
#include "change.h"
#include "../sheet.h"

#include <math.h>
#include <stdlib.h>

enum { W = 1600, H = 960, TOP = 170, PLAN = 640, RIGHT = 780 };

/* The axes of the covariance are those of its quadratic form. */
static pl_change_arrow arrow_of(const pl_surface *s)
{
    double xx = s->cov[0][0], xy = s->cov[0][1], yy = s->cov[1][1];
    double mean = (xx + yy) / 2, half = hypot((xx - yy) / 2, xy);
    return (pl_change_arrow){ .length = hypot(s->tilt_x_um_mm, s->tilt_y_um_mm),
                              .deg = 180 / M_PI * atan2(s->tilt_y_um_mm, s->tilt_x_um_mm),
                              .along = sqrt(mean + half),
                              .across = sqrt(fmax(0, mean - half)),
                              .axis_deg = 90 / M_PI * atan2(2 * xy, xx - yy) };
}

/* From corner to corner a tilt makes |x| width + |y| height: what may pass is a rhombus. */
static void draw_plan(pl_canvas *c, const pl_surface *before, const pl_tilt *t)
{
    const pl_change_plan plan = { .title = "Tilt, to where best focus lies further out",
                                  .unit = "um/mm",
                                  .decimals = 2,
                                  .before = arrow_of(before),
                                  .after = arrow_of(&t->surface),
                                  .limit_x = 2 * t->allowed_um / t->surface.width_mm,
                                  .limit_y = 2 * t->allowed_um / t->surface.height_mm,
                                  .straight = true,
                                  .up = true };
    pl_change_draw_plan(c, (pl_box){ PL_SHEET_MARGIN, TOP, PLAN, PLAN + 60 }, &plan);
}

static double line(pl_canvas *c, double y, pl_tone tone, const char *text)
{
    const pl_type type = { .size = PL_SIZE_BODY, .tone = tone };
    return y + 8 +
           pl_canvas_wrap(c, &type, (pl_box){ RIGHT, y, W - PL_SHEET_MARGIN - RIGHT, 0 }, 4, text);
}

static double corners(pl_canvas *c, const pl_surface *before, const pl_tilt *t, double y)
{
    pl_surface_told was = pl_surface_tell(before);
    pl_string words = { 0 };
    pl_string_add(&words, "corner to corner: %s before, %s um after",
                  pl_measured(was.across_um, was.across_sigma_um, 1).s,
                  pl_measured(t->told.across_um, t->told.across_sigma_um, 1).s);
    if (isfinite(t->allowed_um))
        pl_string_add(&words, "; %s um may pass", pl_fixed(2 * t->allowed_um, 1).s);
    if (words.s)
        y = line(c, y, PL_TONE_INK, words.s);
    c->failed = words.failed ? PL_ENOMEM : c->failed;
    free(words.s);
    return y;
}

static void panel(pl_canvas *c, const pl_surface *before, const pl_tilt *t,
                  const pl_changes *changes)
{
    double y = pl_sheet_heading(c, RIGHT, TOP, "Before and after");
    for (size_t i = 0; i < changes->items; i++)
        y = pl_change_in_words(c, &changes->item[i],
                               (pl_box){ RIGHT, y, W - PL_SHEET_MARGIN - RIGHT, 0 });
    y = pl_sheet_heading(c, RIGHT, corners(c, before, t, y) + 24, "What is left");
    y = line(c, y, PL_TONE_INK, t->verdict.text);
    y = line(c, y, PL_TONE_INK, t->verdict.action);
    for (size_t i = 0; i < t->notes.n && y < H - 140; i++)
        y = line(c, y, PL_TONE_FAINT, t->notes.item[i]);
}

pl_status pl_tilt_change_canvas(const pl_surface *before, const pl_tilt *after,
                                const pl_change_sheet *s, pl_canvas **out, pl_err *err)
{
    pl_status rc = pl_change_canvas(s, W, H, out, err);
    if (rc != PL_OK)
        return rc;
    draw_plan(*out, before, after);
    panel(*out, before, after, s->changes);
    return PL_OK;
}

pl_status pl_tilt_change_draw(const pl_surface *before, const pl_tilt *after,
                              const pl_changes *changes, const char *against, const char *file,
                              bool red, const char *png, pl_err *err)
{
    pl_canvas *c = NULL;
    const pl_change_sheet s = { changes, "tilt before and after",  file,
                                against, "plumb-tilt " PL_VERSION, red };
    pl_status rc = pl_tilt_change_canvas(before, after, &s, &c, err);
    return pl_change_write(rc, c, &s, png, err);
}
