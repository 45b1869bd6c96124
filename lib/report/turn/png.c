/* SPDX-License-Identifier: GPL-3.0-or-later */
/* png.c - the picture of turns: the cell or plate as seen from behind, its screws where the
 * hand finds them, what each gets; beside it where the vector is and where it goes. */
#include "../report.h"
#include "turn.h"
#include "../../align/turn/turn.h"
#include "../sheet.h"

#include <math.h>
#include <stdio.h>

enum { MARGIN = PL_SHEET_MARGIN };
enum { W = 1600, H = 1000, TOP = 128, FOOT = 70, RIGHT = 1010, HEAD = 30, CURL = 50 };

#define RAD (M_PI / 180)

/* ---- the screws */

/* An arrow round the screw's head: clockwise on the sheet for a clockwise turn. */
static void curl(pl_canvas *c, double x, double y, double turn)
{
    double sweep = fmin(300, fmax(70, 360 * fabs(turn))) * RAD;
    double way = turn > 0 ? 1 : -1, from = -M_PI / 2 - way * sweep / 2, to = from + way * sweep;
    double lean = to - way * 0.35; /* the head lies along the arc's end */
    pl_canvas_tone(c, PL_TONE_ACCENT, 1);
    cairo_set_line_width(c->cr, 6);
    if (turn > 0)
        cairo_arc(c->cr, x, y, CURL, from, lean);
    else
        cairo_arc_negative(c->cr, x, y, CURL, from, lean);
    cairo_stroke(c->cr);
    double tip_x = x + CURL * cos(to), tip_y = y + CURL * sin(to);
    pl_canvas_arrow(c, x + CURL * cos(lean), y + CURL * sin(lean), tip_x, tip_y, 6);
}

static void head(pl_canvas *c, double x, double y, size_t k, bool turned)
{
    char name[2] = { (char)('A' + k), '\0' };
    const pl_type type = { .size = 32,
                           .tone = turned ? PL_TONE_ACCENT : PL_TONE_INK,
                           .bold = true,
                           .ax = 0.5,
                           .ay = 0.5 };
    cairo_new_path(c->cr);
    cairo_arc(c->cr, x, y, HEAD, 0, 2 * M_PI);
    pl_canvas_tone(c, PL_TONE_PAPER, 1);
    cairo_fill_preserve(c->cr);
    pl_canvas_tone(c, turned ? PL_TONE_ACCENT : PL_TONE_FAINT, 1);
    cairo_set_line_width(c->cr, 3);
    cairo_stroke(c->cr);
    pl_canvas_text(c, &type, x, y, name);
}

/* What it gets, two lines in the direction (dx, dy) from (x, y), kept inside the box. */
static void words(pl_canvas *c, const pl_turns *t, size_t k, double x, double y, double dx,
                  double dy, pl_box in)
{
    double turn = t->screw[k].turn;
    char size[16], line[2][40] = { "leave it", "" };
    const pl_type type = { .size = turn != 0 ? 24 : PL_SIZE_BODY,
                           .tone = turn != 0 ? PL_TONE_INK : PL_TONE_FAINT,
                           .bold = turn != 0,
                           .ax = 0.5 };
    if (turn != 0) {
        pl_turn_spell(turn, size);
        snprintf(line[0], sizeof line[0], "%s turn", size);
        snprintf(line[1], sizeof line[1], "%s", pl_turn_way(turn));
    }
    double half = 0, tall = turn != 0 ? 62 : 26;
    for (int i = 0; i < 2; i++)
        half = fmax(half, pl_canvas_measure(c, &type, 0, 0, line[i]).w / 2);
    x += half * fmax(-1, fmin(1, 1.3 * dx)); /* beside the outline, not on it */
    x = fmin(in.x + in.w - half, fmax(in.x + half, x));
    y += (dy - 1) * tall / 2;
    for (int i = 0; i < 2 && line[i][0]; i++)
        pl_canvas_text(c, &type, x, y + 32 * i, line[i]);
}

static void screw(pl_canvas *c, const pl_turns *t, size_t k, double x, double y)
{
    if (t->screw[k].turn != 0)
        curl(c, x, y, t->screw[k].turn);
    head(c, x, y, k, t->screw[k].turn != 0);
}

/* ---- what they hold */

static void outline(pl_canvas *c, const pl_turns *t, double x, double y, double r)
{
    cairo_new_path(c->cr);
    if (t->now.kind == PL_TURN_COMA) {
        cairo_arc(c->cr, x, y, r, 0, 2 * M_PI);
    } else { /* a plate: its corners are round */
        double s = 0.88 * r, round = 0.25 * r;
        for (int i = 0; i < 4; i++) {
            double sx = i == 0 || i == 3 ? 1 : -1, sy = i < 2 ? 1 : -1;
            cairo_arc(c->cr, x + sx * (s - round), y + sy * (s - round), round, i * M_PI / 2,
                      (i + 1) * M_PI / 2);
        }
        cairo_close_path(c->cr);
    }
    pl_canvas_tone(c, PL_TONE_PANEL, 1);
    cairo_fill_preserve(c->cr);
    pl_canvas_tone(c, PL_TONE_RULE, 1);
    cairo_set_line_width(c->cr, 3);
    cairo_stroke(c->cr);
}

static void edge(pl_canvas *c, double x, double y, double deg, const char *text)
{
    double dx = cos(deg * RAD), dy = -sin(deg * RAD);
    const pl_type type = {
        .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT, .ax = 0.5 - 0.5 * dx, .ay = 0.5 - 0.5 * dy
    };
    pl_canvas_tone(c, PL_TONE_FAINT, 1);
    pl_canvas_arrow(c, x, y, x + 44 * dx, y + 44 * dy, 2);
    pl_canvas_text(c, &type, x + 52 * dx, y + 52 * dy, text);
}

/* How the frame lies before the person; of a mirror, as a donut outside focus shows it. */
static void landmarks(pl_canvas *c, const pl_turns *t, double x, double y)
{
    if (!isfinite(t->columns_deg))
        return;
    edge(c, x, y, t->columns_deg, "last column");
    edge(c, x, y, t->rows_deg, "last row");
}

/* Screws of which only the number is known, in a row. */
static void in_a_row(pl_canvas *c, const pl_turns *t, pl_box b)
{
    double step = b.w / (double)t->screws;
    for (size_t k = 0; k < t->screws; k++) {
        double x = b.x + step * ((double)k + 0.5), y = b.y + 0.4 * b.h;
        screw(c, t, k, x, y);
        words(c, t, k, x, y + CURL + 24, 0, 1, b);
    }
}

static void plan(pl_canvas *c, const pl_turns *t, pl_box b)
{
    const pl_type body = { .size = PL_SIZE_BODY, .tone = PL_TONE_FAINT };
    char title[80];
    snprintf(title, sizeof title, "Seen from behind %s, 12 o'clock up", pl_turn_behind(t));
    pl_canvas_text(c, &body, b.x, b.y, title);
    if (t->geometry.screws == 0) {
        in_a_row(c, t, b);
        return;
    }
    double x = b.x + b.w / 2, y = b.y + b.h / 2 + 14, r = 0.26 * b.h;
    outline(c, t, x, y, r);
    landmarks(c, t, b.x + 150, b.y + b.h - 90);
    for (size_t k = 0; k < t->screws; k++) {
        double dx = cos(t->geometry.angle_deg[k] * RAD), dy = -sin(t->geometry.angle_deg[k] * RAD);
        screw(c, t, k, x + 0.7 * r * dx, y + 0.7 * r * dy);
        words(c, t, k, x + (1.05 * r + 14) * dx, y + (1.05 * r + 14) * dy, dx, dy, b);
    }
}

/* ---- the vector */

/* One-sigma ellipse of a covariance, as a path in the picture. */
static void ellipse(pl_canvas *c, const pl_plot *p, double x, double y, double xx, double xy,
                    double yy)
{
    double half = 0.5 * (xx + yy), apart = hypot(0.5 * (xx - yy), xy),
           turn = 0.5 * atan2(2 * xy, xx - yy);
    double a = sqrt(fmax(0, half + apart)), b = sqrt(fmax(0, half - apart));
    double ex[65], ey[65];
    for (int i = 0; i <= 64; i++) {
        double u = a * cos(i * M_PI / 32), v = b * sin(i * M_PI / 32);
        ex[i] = x + u * cos(turn) - v * sin(turn);
        ey[i] = y + u * sin(turn) + v * cos(turn);
    }
    pl_plot_line(c, p, ex, ey, 65, 2.5, 6);
}

static void tolerance(pl_canvas *c, const pl_plot *p, double allowed)
{
    double x[129], lo[129], hi[129];
    if (!isfinite(allowed))
        return;
    for (int i = 0; i <= 128; i++) {
        x[i] = -allowed * cos(i * M_PI / 128);
        hi[i] = sqrt(fmax(0, allowed * allowed - x[i] * x[i]));
        lo[i] = -hi[i];
    }
    pl_canvas_tone(c, PL_TONE_SHADE, 1);
    pl_plot_band(c, p, x, lo, hi, 129);
}

static void vector(pl_canvas *c, const pl_turns *t, pl_box outer)
{
    const pl_turn_entry *e = &t->now;
    double left = t->turn ? hypot(t->left_x, t->left_y) + sqrt(fmax(t->left_xx, t->left_yy)) : 0;
    double span = 1.2 * fmax(fmax(t->length, left), isfinite(e->allowed) ? e->allowed : 0);
    char across[48], up[48];
    snprintf(across, sizeof across, "to the last column, %s", pl_turn_unit(t));
    snprintf(up, sizeof up, "to the last row, %s", pl_turn_unit(t));
    span = span > 0 ? span : 1;
    pl_plot p = { .x = { -span, span, across, 0 }, .y = { -span, span, up, 0 } };
    pl_plot_fit(c, &p, outer);
    double aspect = p.box.h / p.box.w;
    p.x.lo = aspect < 1 ? -span / aspect : -span;
    p.x.hi = -p.x.lo;
    p.y.lo = aspect > 1 ? -span * aspect : -span;
    p.y.hi = -p.y.lo;
    tolerance(c, &p, e->allowed);
    pl_plot_axes(c, &p);
    pl_canvas_tone(c, PL_TONE_ACCENT, 1);
    if (t->turn)
        ellipse(c, &p, t->left_x, t->left_y, t->left_xx, t->left_xy, t->left_yy);
    if (t->turn && !t->trial)
        pl_canvas_arrow(c, pl_plot_x(&p, e->x), pl_plot_y(&p, e->y), pl_plot_x(&p, t->left_x),
                        pl_plot_y(&p, t->left_y), 4);
    pl_canvas_tone(c, PL_TONE_INK, 1);
    pl_plot_points(c, &p, &e->x, &e->y, NULL, 1, 6);
    ellipse(c, &p, e->x, e->y, e->xx, e->xy, e->yy);
    const pl_type type = { .size = PL_SIZE_SMALL, .tone = PL_TONE_INK, .bold = true, .halo = true };
    pl_canvas_place(c, &type, pl_plot_x(&p, e->x), pl_plot_y(&p, e->y), 12, p.box, "now");
}

static void numbers(pl_canvas *c, const pl_turns *t, double y)
{
    char text[160];
    const char *unit = pl_turn_unit(t);
    snprintf(text, sizeof text, "%s +- %s %s", pl_fixed(t->length, 2).s, pl_fixed(t->sigma, 2).s,
             unit);
    y = pl_sheet_row(c, RIGHT, y, "now (dot)", text);
    snprintf(text, sizeof text, "%s %s", pl_fixed(t->now.allowed, 2).s, unit);
    y = pl_sheet_row(c, RIGHT, y, "what passes (shaded)", text);
    if (t->turn) {
        snprintf(text, sizeof text, t->trial ? "up to %s %s" : "about %s %s",
                 pl_fixed(t->left, 2).s, unit);
        y = pl_sheet_row(c, RIGHT, y, "expected then (dashed)", text);
    }
    snprintf(text, sizeof text, "%zu", t->rounds);
    pl_sheet_row(c, RIGHT, y, "rounds so far", text);
}

/* ---- the whole */

static void footer(pl_canvas *c, const pl_turns *t, const char *file)
{
    pl_string text = { 0 };
    pl_string_add(&text, "%s%s%s", file, t->now.date[0] ? "   " : "", t->now.date);
    if (t->turn && t->now.kind == PL_TURN_COMA)
        pl_string_add(&text, "   Support the mirror before loosening anything; force no screw.");
    else if (t->turn)
        pl_string_add(&text, "   Hold the camera before loosening anything; force no screw.");
    pl_sheet_foot(c, &text, "plumb-turn " PL_VERSION);
}

pl_status pl_turn_canvas(const pl_turns *t, const char *file, bool red, pl_canvas **out,
                         pl_err *err)
{
    pl_canvas *c = NULL;
    pl_status rc = pl_canvas_new(W, H, red, &c, err);
    if (rc != PL_OK)
        return rc;
    pl_sheet_head(c, t->verdict.text, t->verdict.action);
    plan(c, t, (pl_box){ MARGIN, TOP + 8, RIGHT - 2 * MARGIN, H - TOP - FOOT - 8 });
    vector(c, t, (pl_box){ RIGHT, TOP + 8, W - MARGIN - RIGHT, 590 });
    numbers(c, t, 770);
    footer(c, t, file);
    *out = c;
    return PL_OK;
}

pl_status pl_turn_draw(const pl_turns *t, const char *file, bool red, const char *png, pl_err *err)
{
    pl_canvas *c = NULL;
    const pl_chunk chunk[] = { { "Title", "which screw to turn" },
                               { "Description", t->verdict.text } };
    pl_status rc = pl_turn_canvas(t, file, red, &c, err);
    return pl_sheet_write(rc, c, png, chunk, PL_ARRAY_LEN(chunk), err);
}
