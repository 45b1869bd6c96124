/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tilt_png.c - the sheet of a tilt: the plan as the hand finds it, and the table of turns. */
#include "tilt_plan.h"
#include "tilt_report.h"
#include "../align/tilt.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { W = 1600, H = 1040, MARGIN = 40, TOP = 150, FOOT = 60, SPLIT = 920, RIGHT = 960 };

static double rule(pl_canvas *c, double y)
{
    pl_canvas_tone(c, PL_TONE_RULE, 1);
    const double x[2] = { RIGHT, W - MARGIN }, at[2] = { y, y };
    pl_canvas_line(c, x, at, 2, 1.5);
    return y + 12;
}

static double heading(pl_canvas *c, double y, const char *text)
{
    const pl_type head = { .size = PL_SIZE_HEAD, .tone = PL_TONE_INK, .bold = true };
    pl_canvas_text(c, &head, RIGHT, y, text);
    return rule(c, y + 32);
}

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
    y = heading(c, y, "Turns");
    cell(c, AT_WHERE, y, false, PL_TONE_FAINT, "where");
    cell(c, AT_TRAVEL, y, true, PL_TONE_FAINT, "travel");
    cell(c, AT_EXACT, y, true, PL_TONE_FAINT, "exactly");
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
    y = heading(c, y, "The sensor's corners must come out by");
    for (int i = 0; i < PL_CORNERS; i++, y += 32) {
        char text[64];
        snprintf(text, sizeof text, "%s mm", pl_fixed(t->shim_mm[i], 3).s);
        cell(c, RIGHT, y, false, PL_TONE_INK, name[i]);
        cell(c, AT_EXACT, y, true, PL_TONE_ACCENT, text);
    }
    return y + 24;
}

static double number_row(pl_canvas *c, double y, const char *what, const char *value)
{
    const pl_type right = { .size = PL_SIZE_BODY, .tone = PL_TONE_INK, .ax = 1 };
    const pl_type left = { .size = PL_SIZE_BODY, .tone = PL_TONE_FAINT };
    pl_box b = pl_canvas_text(c, &left, RIGHT, y, what);
    pl_canvas_text_in(c, &right, W - MARGIN, y, W - MARGIN - RIGHT - b.w - 20, value);
    return y + 32;
}

static double numbers(pl_canvas *c, const pl_tilt *t, double y)
{
    char text[160];
    const pl_surface *s = &t->surface;
    y = heading(c, y, "Measured");
    snprintf(text, sizeof text, "%s um",
             pl_measured(t->told.across_um, t->told.across_sigma_um, 1).s);
    y = number_row(c, y, "tilt, corner to corner", text);
    snprintf(text, sizeof text, "%s um", pl_fixed(2 * t->allowed_um, 1).s);
    y = number_row(c, y, "may pass", text);
    snprintf(text, sizeof text, "%s arcmin",
             pl_measured(t->told.tilt_arcmin, t->told.tilt_sigma_arcmin, 1).s);
    y = number_row(c, y, "tilt", text);
    snprintf(text, sizeof text, isnan(s->curvature_um) ? "not known" : "%s um",
             pl_measured(s->curvature_um, sqrt(s->cov[2][2]), 1).s);
    y = number_row(c, y, "corners further out than the centre (bend)", text);
    if (!pl_tilt_acts(t) || !t->named || !t->part)
        return y;
    snprintf(text, sizeof text, "%s um, and the bend", pl_fixed(t->remains_um, 1).s);
    return number_row(c, y, "remains after these turns", text);
}

static double legend(pl_canvas *c, double y)
{
    const pl_type body = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    return y + pl_canvas_wrap(
                   c, &body, (pl_box){ RIGHT, y, W - MARGIN - RIGHT, 0 }, 4,
                   "Lines on the sensor: where best focus lies, um, + = further out; the arrow "
                   "points to the side that must come out. The plan is not to scale. Order: "
                   "collimate, corrector spacing, tilt, focus.");
}

static void remarks(pl_canvas *c, const pl_tilt *t, double y)
{
    const pl_type body = { .size = PL_SIZE_SMALL, .tone = PL_TONE_INK };
    double end = H - FOOT - 20;
    for (size_t i = 0; i < t->notes.n && y + 50 < end; i++)
        y += 8 + pl_canvas_wrap(c, &body, (pl_box){ RIGHT, y, W - MARGIN - RIGHT, 0 }, 2,
                                t->notes.item[i]);
}

static void headline(pl_canvas *c, const pl_tilt *t)
{
    pl_type type = { .size = PL_SIZE_TITLE, .tone = PL_TONE_INK, .bold = true };
    while (type.size > PL_SIZE_HEAD &&
           pl_canvas_measure(c, &type, MARGIN, 28, t->verdict.text).w > W - 2 * MARGIN)
        type.size -= 1;
    pl_canvas_text_in(c, &type, MARGIN, 28, W - 2 * MARGIN, t->verdict.text);
    type = (pl_type){ .size = PL_SIZE_BODY, .tone = PL_TONE_INK };
    pl_canvas_wrap(c, &type, (pl_box){ MARGIN, 72, W - 2 * MARGIN, 0 }, 2, t->verdict.action);
}

static void footer(pl_canvas *c, const pl_tilt *t, const char *file)
{
    const pl_type left = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ay = 1 };
    const pl_type right = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = 1, .ay = 1 };
    pl_string words = { 0 };
    pl_string_add(&words, "%s", file ? file : "four corners");
    if (t->surface.date[0])
        pl_string_add(&words, "   %s", t->surface.date);
    if (isfinite(t->allowed_um)) {
        pl_string_add(&words, "   ");
        pl_tilt_rests(t->growth, t->seeing_arcsec, t->allowed_um, &words);
    }
    pl_box name = pl_canvas_text(c, &right, W - MARGIN, H - 20, "plumb-tilt " PL_VERSION);
    pl_canvas_text_in(c, &left, MARGIN, H - 20, name.x - 2 * MARGIN, words.s ? words.s : "");
    free(pl_string_take(&words));
}

pl_status pl_tilt_canvas(const pl_tilt *t, const char *file, bool red, pl_canvas **out, pl_err *err)
{
    pl_canvas *c = NULL;
    double y = TOP + 10;
    pl_status rc = pl_canvas_new(W, H, red, &c, err);
    if (rc != PL_OK)
        return rc;
    headline(c, t);
    pl_tilt_plan(c, t, (pl_box){ MARGIN, TOP, SPLIT - MARGIN, H - TOP - FOOT });
    if (pl_tilt_acts(t))
        y = t->named ? screws(c, t, y) : shims(c, t, y);
    y = numbers(c, t, y);
    remarks(c, t, legend(c, y + 18) + 18);
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
    if (rc == PL_OK)
        rc = pl_canvas_write(c, png, chunk, PL_ARRAY_LEN(chunk), err);
    pl_canvas_free(c);
    return rc;
}
