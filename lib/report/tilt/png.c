/* SPDX-License-Identifier: GPL-3.0-or-later */
/* png.c - the sheet of a tilt: the plan as the hand finds it, and the table of turns. */
#include "plan.h"
#include "tilt.h"
#include "../../align/tilt/tilt.h"
#include "../sheet.h"

#include <math.h>
#include <stdio.h>

enum { MARGIN = PL_SHEET_MARGIN };
enum { W = 1600, H = 1040, TOP = 150, FOOT = 60, SPLIT = 920, RIGHT = 960 };

/* Columns of the table: where their right or left edges stand. */
enum {
    AT_WHERE = RIGHT + 40,
    AT_TRAVEL = RIGHT + 264,
    AT_EXACT = RIGHT + 340,
    AT_HAND = RIGHT + 356
};

static void cell(pl_canvas *c, double x, double y, bool right, pl_tone tone, const char *text)
{
    const pl_type type = { .size = PL_SIZE_BODY, .tone = tone, .ax = right ? 1 : 0 };
    pl_canvas_text(c, &type, x, y, text);
}

static double screw_row(pl_canvas *c, const pl_tilt *t, size_t i, double y)
{
    char text[96];
    const pl_tilt_screw *s = &t->screw[i];
    const pl_type name = { .size = PL_SIZE_BODY, .tone = PL_TONE_INK, .bold = true };
    const pl_type hand = { .size = PL_SIZE_SMALL, .tone = PL_TONE_ACCENT, .bold = true };
    snprintf(text, sizeof text, "%c", (char)('A' + i));
    pl_canvas_text(c, &name, RIGHT, y, text);
    cell(c, AT_WHERE, y, false, PL_TONE_INK, pl_hand_where(t->plate.angle_deg[i]));
    snprintf(text, sizeof text, "%s um %s", pl_fixed(fabs(s->travel_um), 0).s,
             s->travel_um > 0 ? "in" : "out");
    cell(c, AT_TRAVEL, y, true, PL_TONE_INK, text);
    cell(c, AT_EXACT, y, true, PL_TONE_INK, pl_fixed(s->turns, 3).s);
    pl_tilt_by_hand(t, i, text, sizeof text);
    pl_canvas_text_in(c, &hand, AT_HAND, y + 1, W - MARGIN - AT_HAND, text);
    return y + 32;
}

static double screws(pl_canvas *c, const pl_tilt *t, double y)
{
    y = pl_sheet_heading(c, RIGHT, y, "Turns");
    cell(c, AT_WHERE, y, false, PL_TONE_FAINT, "where");
    cell(c, AT_TRAVEL, y, true, PL_TONE_FAINT, "travel");
    cell(c, AT_EXACT, y, true, PL_TONE_FAINT, "exact");
    cell(c, AT_HAND, y, false, PL_TONE_FAINT, "turns, by hand");
    y += 32;
    for (size_t i = 0; i < t->plate.screws; i++)
        y = screw_row(c, t, i, y);
    cell(c, RIGHT, y + 4, false, PL_TONE_FAINT, "in: away from you; out: towards you");
    return y + 54;
}

static double shims(pl_canvas *c, const pl_tilt *t, double y)
{
    static const char *const name[PL_CORNERS] = { [PL_X1Y1] = "column 1, row 1",
                                                  [PL_X2Y1] = "last column, row 1",
                                                  [PL_X1Y2] = "column 1, last row",
                                                  [PL_X2Y2] = "last column, last row" };
    y = pl_sheet_heading(c, RIGHT, y, "The sensor's corners must come out by");
    for (int i = 0; i < PL_CORNERS; i++, y += 32) {
        char text[64];
        snprintf(text, sizeof text, "%s mm", pl_fixed(t->shim_mm[i], 3).s);
        cell(c, RIGHT, y, false, PL_TONE_INK, name[i]);
        cell(c, AT_EXACT, y, true, PL_TONE_ACCENT, text);
    }
    return y + 24;
}

static double numbers(pl_canvas *c, const pl_tilt *t, double y)
{
    char text[160];
    const pl_surface *s = &t->surface;
    y = pl_sheet_heading(c, RIGHT, y, "Measured");
    snprintf(text, sizeof text, "%s um",
             pl_measured(t->told.across_um, t->told.across_sigma_um, 1).s);
    y = pl_sheet_row(c, RIGHT, y, "tilt, corner to corner", text);
    snprintf(text, sizeof text, "%s um", pl_fixed(2 * t->allowed_um, 1).s);
    y = pl_sheet_row(c, RIGHT, y, "may pass", text);
    snprintf(text, sizeof text, "%s arcmin",
             pl_measured(t->told.tilt_arcmin, t->told.tilt_sigma_arcmin, 1).s);
    y = pl_sheet_row(c, RIGHT, y, "tilt", text);
    snprintf(text, sizeof text, isnan(s->curvature_um) ? "not known" : "%s um",
             pl_measured(s->curvature_um, sqrt(s->cov[2][2]), 1).s);
    y = pl_sheet_row(c, RIGHT, y, "corners further out than the centre (bend)", text);
    if (!pl_tilt_acts(t) || !t->named || !t->part)
        return y;
    snprintf(text, sizeof text, "%s um, and the bend", pl_fixed(t->remains_um, 1).s);
    return pl_sheet_row(c, RIGHT, y, "remains after these turns", text);
}

static double legend(pl_canvas *c, const pl_tilt *t, double y)
{
    const pl_type body = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    char text[240];
    snprintf(
        text, sizeof text,
        "Lines on the sensor: where best focus lies, um, + = further out%s. The plan is not to "
        "scale. Order: collimate, corrector spacing, tilt, focus.",
        pl_tilt_acts(t) ? "; the arrow points to the side that must come out" : "");
    return y + pl_canvas_wrap(c, &body, (pl_box){ RIGHT, y, W - MARGIN - RIGHT, 0 }, 4, text);
}

static void remarks(pl_canvas *c, const pl_tilt *t, double y)
{
    const pl_type body = { .size = PL_SIZE_SMALL, .tone = PL_TONE_INK };
    double end = H - FOOT - 20;
    for (size_t i = 0; i < t->notes.n && y + 50 < end; i++)
        y += 8 + pl_canvas_wrap(c, &body, (pl_box){ RIGHT, y, W - MARGIN - RIGHT, 0 }, 2,
                                t->notes.item[i]);
}

static void footer(pl_canvas *c, const pl_tilt *t, const char *file)
{
    pl_string words = { 0 };
    pl_string_add(&words, "%s", file ? file : "four corners");
    if (t->surface.date[0])
        pl_string_add(&words, "   %s", t->surface.date);
    if (isfinite(t->allowed_um)) {
        pl_string_add(&words, "   ");
        pl_tilt_rests(t->growth, t->seeing_arcsec, t->allowed_um, &words);
    }
    pl_sheet_foot(c, &words, "plumb-tilt " PL_VERSION);
}

pl_status pl_tilt_canvas(const pl_tilt *t, const char *file, bool red, pl_canvas **out, pl_err *err)
{
    pl_canvas *c = NULL;
    double y = TOP + 10;
    pl_status rc = pl_canvas_new(W, H, red, &c, err);
    if (rc != PL_OK)
        return rc;
    pl_sheet_head(c, t->verdict.text, t->verdict.action);
    pl_tilt_plan(c, t, (pl_box){ MARGIN, TOP, SPLIT - MARGIN, H - TOP - FOOT });
    if (pl_tilt_acts(t))
        y = t->named ? screws(c, t, y) : shims(c, t, y);
    y = numbers(c, t, y);
    remarks(c, t, legend(c, t, y + 18) + 18);
    footer(c, t, file);
    *out = c;
    return PL_OK;
}

pl_status pl_tilt_draw(const pl_tilt *t, const char *file, bool red, const char *png, pl_err *err)
{
    pl_canvas *c = NULL;
    const pl_chunk chunk[] = { { "Title", "the camera's plate, seen from behind" },
                               { "Description", t->verdict.text } };
    pl_status rc = pl_tilt_canvas(t, file, red, &c, err);
    return pl_sheet_write(rc, c, png, chunk, PL_ARRAY_LEN(chunk), err);
}
