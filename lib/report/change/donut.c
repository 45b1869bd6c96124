/* SPDX-License-Identifier: GPL-3.0-or-later */
/* donut.c - what changed between two answers from donuts: coma as an arrow before and
 * after, and what is tolerable; beside it the wavefront's faults, before and after. */
#include "change.h"
#include "../sheet.h"

#include <math.h>
#include <string.h>

enum { W = 1600, H = 960, TOP = 170, PLAN = 640, LIST_X = 780 };

/* A direction that could be any is not shown as wider than the arrow is long. */
static pl_change_arrow arrow_of(const pl_wavefront *w)
{
    double across = w->coma_nm * fmin(1, w->coma_sigma_deg * M_PI / 180);
    return (pl_change_arrow){ w->coma_nm, w->coma_deg, w->coma_sigma_nm,
                              fmax(w->coma_sigma_nm, across), w->coma_deg };
}

static void draw_plan(pl_canvas *c, const pl_donut *before, const pl_donut *after)
{
    const pl_change_plan plan = { .title = "Coma, from core to flare",
                                  .unit = "nm",
                                  .decimals = 1,
                                  .before = arrow_of(&before->wave),
                                  .after = arrow_of(&after->wave),
                                  .limit_x = after->growth_coma_nm,
                                  .limit_y = after->growth_coma_nm,
                                  .up = strcmp(after->facts.row_order.s, "TOP-DOWN") != 0 };
    pl_change_draw_plan(c, (pl_box){ PL_SHEET_MARGIN, TOP, PLAN, PLAN + 60 }, &plan);
}

/* ---- the list and the rest */

static const pl_change *called(const pl_changes *changes, const char *what)
{
    for (size_t i = 0; i < changes->items; i++)
        if (strcmp(changes->item[i].name, what) == 0)
            return &changes->item[i];
    return NULL;
}

static void list(pl_canvas *c, const pl_changes *changes)
{
    static const char *const in_nm[] = { "coma", "astigmatism", "trefoil", "spherical" };
    static const char *const other[] = { "axis error", "shadow offset", "defocus" };
    pl_change_line line[PL_ARRAY_LEN(in_nm)];
    size_t n = 0;
    for (size_t i = 0; i < PL_ARRAY_LEN(in_nm); i++) {
        const pl_change *k = called(changes, in_nm[i]);
        if (k)
            line[n++] = (pl_change_line){ k, 1 };
    }
    pl_change_list(c, (pl_box){ LIST_X, TOP, W - PL_SHEET_MARGIN - LIST_X, 400 }, line, n, "nm RMS",
                   NAN);
    double y = TOP + 440;
    for (size_t i = 0; i < PL_ARRAY_LEN(other); i++) {
        const pl_change *k = called(changes, other[i]);
        if (k)
            y = pl_change_in_words(c, k, (pl_box){ LIST_X, y, W - PL_SHEET_MARGIN - LIST_X, 0 });
    }
}

pl_status pl_donut_change_canvas(const pl_donut *before, const pl_donut *after,
                                 const pl_change_sheet *s, pl_canvas **out, pl_err *err)
{
    pl_status rc = pl_change_canvas(s, W, H, out, err);
    if (rc != PL_OK)
        return rc;
    draw_plan(*out, before, after);
    list(*out, s->changes);
    return PL_OK;
}

pl_status pl_donut_change_draw(const pl_donut *before, const pl_donut *after,
                               const pl_changes *changes, const char *against, const char *file,
                               bool red, const char *png, pl_err *err)
{
    pl_canvas *c = NULL;
    const pl_change_sheet s = { changes, "coma before and after",   file,
                                against, "plumb-donut " PL_VERSION, red };
    pl_status rc = pl_donut_change_canvas(before, after, &s, &c, err);
    return pl_change_write(rc, c, &s, png, err);
}
