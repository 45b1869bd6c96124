/* SPDX-License-Identifier: GPL-3.0-or-later */
/* png.c - the picture of donuts: the ring unrolled, rim and hole against angle with the
 * fitted wave and what the tolerance lets pass; the image beside its model; where the star must go.
 */
#include "donut.h"
#include "../../align/donut/donut.h"
#include "../sheet.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MARGIN = PL_SHEET_MARGIN };
enum { W = 1600, H = 1040, LEFT = 960, RIGHT = 1020, TOP = 128, FOOT = 70 };

/* ---- the unrolled ring */

static void reach(const double *v, int n, double *lo, double *hi)
{
    for (int i = 0; i < n; i++)
        if (isfinite(v[i])) {
            *lo = fmin(*lo, v[i]);
            *hi = fmax(*hi, v[i]);
        }
}

static void measured(pl_canvas *c, const pl_plot *p, const double *radius, const double *sigma)
{
    double deg[PL_RING_ANGLES];
    for (int i = 0; i < PL_RING_ANGLES; i++)
        deg[i] = 360.0 * i / PL_RING_ANGLES;
    pl_canvas_tone(c, PL_TONE_INK, 1);
    pl_plot_points(c, p, deg, radius, sigma, PL_RING_ANGLES, 4);
}

static void fitted(pl_canvas *c, const pl_plot *p, const double *deg, const double *radius)
{
    pl_canvas_tone(c, PL_TONE_ACCENT, 1);
    pl_plot_line(c, p, deg, radius, PL_UNROLLED, 4, 0);
}

/* Both strips have the same scale, so that what moves the hole can be held against the rim. */
static double half_span(const pl_donut_star *s, const pl_unrolled *u)
{
    double rim_lo = INFINITY, rim_hi = -INFINITY, lo = INFINITY, hi = -INFINITY;
    reach(s->rim_px, PL_RING_ANGLES, &rim_lo, &rim_hi);
    reach(u->rim_px, PL_UNROLLED, &rim_lo, &rim_hi);
    reach(s->bore_px, PL_RING_ANGLES, &lo, &hi);
    reach(u->bore_px, PL_UNROLLED, &lo, &hi);
    double still_lo = lo, still_hi = hi;
    reach(u->still_px, PL_UNROLLED, &still_lo, &still_hi);
    hi = fmax(hi, still_hi + u->allowed_px);
    lo = fmin(lo, still_lo - u->allowed_px);
    return 0.58 * fmax(rim_hi - rim_lo, hi - lo);
}

static double middle_of(const double *a, const double *b, double extra)
{
    double lo = INFINITY, hi = -INFINITY;
    reach(a, PL_RING_ANGLES, &lo, &hi);
    reach(b, PL_UNROLLED, &lo, &hi);
    return 0.5 * (lo + hi) + extra;
}

static void caption(pl_canvas *c, double x, double y, const char *title, const char *words)
{
    const pl_type head = { .size = PL_SIZE_HEAD, .tone = PL_TONE_INK, .bold = true };
    const pl_type body = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    pl_box b = pl_canvas_text(c, &head, x, y, title);
    pl_canvas_text_in(c, &body, x + b.w + 14, y + 4, LEFT - (x + b.w + 14), words);
}

/* In place of a strip that cannot be drawn. */
static bool is_blank(pl_canvas *c, double middle, double half, pl_box outer, const char *what)
{
    const pl_type body = { .size = PL_SIZE_BODY, .tone = PL_TONE_FAINT };
    if (isfinite(middle) && isfinite(half) && half > 0)
        return false;
    pl_canvas_text_in(c, &body, outer.x, outer.y + 40, outer.w, what);
    return true;
}

static void rim_strip(pl_canvas *c, const pl_donut_star *s, const pl_unrolled *u, double half,
                      pl_box outer)
{
    double mid = middle_of(s->rim_px, u->rim_px, 0);
    pl_plot p = { .x = { 0, 360, "", 45 },
                  .y = { fmax(0, mid - half), mid + half, "radius, px", 0 } };
    caption(c, outer.x, outer.y, "The rim", "dots: measured, with errors; line: the fitted wave");
    if (is_blank(c, mid, half, outer, "The rim cannot be followed in this ring."))
        return;
    outer.y += 34;
    outer.h -= 34;
    pl_plot_fit(c, &p, outer);
    pl_plot_axes(c, &p);
    measured(c, &p, s->rim_px, s->rim_sigma_px);
    fitted(c, &p, u->deg, u->rim_px);
}

static void hole_strip(pl_canvas *c, const pl_donut_star *s, const pl_unrolled *u, double half,
                       pl_box outer)
{
    double lo[PL_UNROLLED], hi[PL_UNROLLED], mid = middle_of(s->bore_px, u->bore_px, 0);
    pl_plot p = { .x = { 0, 360, "direction on the sensor from +x towards +y, deg", 45 },
                  .y = { fmax(0, mid - half), mid + half, "radius, px", 0 } };
    caption(c, outer.x, outer.y, "The hole",
            "seen from the rim's centre; band: where a collimated mirror would put it in this air");
    if (is_blank(c, mid, half, outer,
                 "The hole cannot be followed: the rim's centre lies outside it."))
        return;
    outer.y += 34;
    outer.h -= 34;
    pl_plot_fit(c, &p, outer);
    for (int i = 0; i < PL_UNROLLED; i++) {
        lo[i] = u->still_px[i] - u->allowed_px;
        hi[i] = u->still_px[i] + u->allowed_px;
    }
    pl_canvas_tone(c, PL_TONE_SHADE, 1);
    pl_plot_band(c, &p, u->deg, lo, hi, PL_UNROLLED);
    pl_plot_axes(c, &p);
    measured(c, &p, s->bore_px, s->bore_sigma_px);
    fitted(c, &p, u->deg, u->bore_px);
}

static void unrolled(pl_canvas *c, const pl_donut *d)
{
    pl_unrolled u;
    const pl_donut_star *s = &d->star[0];
    double tall = (H - TOP - FOOT) / 2.0;
    pl_donut_unroll(d, s, &u);
    double half = half_span(s, &u);
    rim_strip(c, s, &u, half, (pl_box){ MARGIN, TOP, LEFT - MARGIN, tall - 24 });
    hole_strip(c, s, &u, half, (pl_box){ MARGIN, TOP + tall, LEFT - MARGIN, tall });
}

/* ---- the image beside its model */

/* A pixel that was not used shows the mean of those beside it that were. */
static double seen_at(const pl_donut_star *s, int x, int y)
{
    double sum = 0, n = 0, v = s->seen[y * s->side_px + x];
    if (isfinite(v))
        return v;
    for (int k = 0; k < 9; k++) {
        int i = x + k % 3 - 1, j = y + k / 3 - 1;
        if (i < 0 || j < 0 || i >= s->side_px || j >= s->side_px)
            continue;
        v = s->seen[j * s->side_px + i];
        sum += isfinite(v) ? v : 0;
        n += isfinite(v);
    }
    return n > 0 ? sum / n : NAN;
}

static double shown(const pl_donut_star *s, int what, int x, int y)
{
    double model = s->model[y * s->side_px + x];
    return what == 1 ? model : what == 0 ? seen_at(s, x, y) : seen_at(s, x, y) - model;
}

/* The part of the stamp that is shown: the ring and a little around it. */
static int margin_of(const pl_donut_star *s)
{
    int m = (int)(0.5 * s->side_px - 0.58 * s->outer_px - 3);
    return m > 0 ? m : 0;
}

/* One image in a square of the picture. Grey runs from lo (paper) to hi (ink). */
static void image(pl_canvas *c, const pl_donut *d, int what, double lo, double hi, pl_box box)
{
    const pl_donut_star *s = &d->star[0];
    bool up = strcmp(d->facts.row_order.s, "TOP-DOWN") != 0;
    int m = margin_of(s), side = s->side_px - 2 * m;
    double step = box.w / side;
    for (int y = 0; y < side; y++)
        for (int x = 0; x < side; x++) {
            double v = (shown(s, what, x + m, y + m) - lo) / (hi - lo);
            if (!isfinite(v))
                continue;
            pl_canvas_rgb(c,
                          pl_mix(pl_tone_rgb(c->red, PL_TONE_PAPER),
                                 pl_tone_rgb(c->red, PL_TONE_INK), fmax(0, fmin(1, v))),
                          1);
            int row = up ? side - 1 - y : y;
            cairo_rectangle(c->cr, floor(box.x + x * step), floor(box.y + row * step),
                            ceil(step) + 0.5, ceil(step) + 0.5);
            cairo_fill(c->cr);
        }
    pl_canvas_tone(c, PL_TONE_RULE, 1);
    cairo_set_line_width(c->cr, 1.5);
    cairo_rectangle(c->cr, box.x, box.y, box.w, box.h);
    cairo_stroke(c->cr);
}

static void images(pl_canvas *c, const pl_donut *d)
{
    static const char *const name[] = { "seen", "fitted", "left over" };
    const pl_donut_star *s = &d->star[0];
    const pl_type type = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    double lo = INFINITY, hi = -INFINITY, gap = 16, side = (W - MARGIN - RIGHT - 2 * gap) / 3.0;
    for (int i = 0; i < s->side_px * s->side_px; i++) {
        lo = fmin(lo, s->model[i]);
        hi = fmax(hi, s->model[i]);
    }
    for (int k = 0; k < 3; k++) {
        pl_box box = { RIGHT + k * (side + gap), TOP + 30, side, side };
        double wide = 0.5 * (hi - lo);
        pl_canvas_text(c, &type, box.x, TOP + 4, name[k]);
        image(c, d, k, k < 2 ? lo : -wide, k < 2 ? hi : wide, box);
    }
}

/* ---- where the star must go */

/* The frame, its donuts where they stand, and one arrow: the way the star must go. */
static void plan(pl_canvas *c, const pl_donut *d, pl_box b)
{
    bool up = strcmp(d->facts.row_order.s, "TOP-DOWN") != 0;
    double scale = fmin(b.w / d->width_px, b.h / d->height_px);
    pl_box f = { b.x + (b.w - scale * d->width_px) / 2, b.y, scale * d->width_px,
                 scale * d->height_px };
    pl_canvas_tone(c, PL_TONE_INK, 1);
    cairo_set_line_width(c->cr, 2);
    cairo_rectangle(c->cr, f.x, f.y, f.w, f.h);
    cairo_stroke(c->cr);
    pl_sheet_edges(c, f, up);
    for (size_t i = 0; i < d->used; i++) {
        double y = scale * d->star[i].y_px;
        cairo_arc(c->cr, f.x + scale * d->star[i].x_px, up ? f.y + f.h - y : f.y + y, 3.5, 0,
                  2 * M_PI);
        pl_canvas_tone(c, PL_TONE_FAINT, 1);
        cairo_fill(c->cr);
    }
    if (d->verdict.state != PL_OUTSIDE)
        return;
    double a = d->wave.coma_deg * M_PI / 180, long_px = 0.3 * fmin(f.w, f.h);
    double dx = long_px * cos(a), dy = (up ? -1 : 1) * long_px * sin(a);
    double x = f.x + f.w / 2, y = f.y + f.h / 2;
    const pl_type words = {
        .size = PL_SIZE_SMALL, .tone = PL_TONE_ACCENT, .bold = true, .ax = 0.5
    };
    pl_canvas_text(c, &words, x, f.y + f.h + 30, "the way the star must go");
    pl_canvas_tone(c, PL_TONE_ACCENT, 1);
    pl_canvas_arrow(c, x - dx, y - dy, x + dx, y + dy, 5);
}

/* ---- numbers */

static void numbers(pl_canvas *c, const pl_donut *d, double y)
{
    const pl_wavefront *w = &d->wave;
    char text[200];
    snprintf(text, sizeof text, "%s +- %s mm; allowed %s", pl_fixed(d->axis_mm, 2).s,
             pl_fixed(d->axis_sigma_mm, 2).s, pl_fixed(d->growth_mm, 2).s);
    y = pl_sheet_row(c, RIGHT, y, "primary's axis", text);
    snprintf(text, sizeof text, "%s nm; allowed %s", pl_measured(w->coma_nm, w->coma_sigma_nm, 1).s,
             pl_fixed(d->growth_coma_nm, 0).s);
    y = pl_sheet_row(c, RIGHT, y, "coma", text);
    snprintf(text, sizeof text, "%s um%s",
             pl_measured(fabs(w->defocus_um), w->defocus_sigma_um, 1).s,
             d->side == PL_SIDE_OUT  ? " out"
             : d->side == PL_SIDE_IN ? " in"
                                     : ", side unknown");
    y = pl_sheet_row(c, RIGHT, y, "defocus", text);
    snprintf(text, sizeof text, "%s nm",
             pl_measured(w->astigmatism_nm, w->astigmatism_sigma_nm, 1).s);
    y = pl_sheet_row(c, RIGHT, y, "astigmatism", text);
    snprintf(text, sizeof text, "%s nm", pl_measured(w->trefoil_nm, w->trefoil_sigma_nm, 1).s);
    y = pl_sheet_row(c, RIGHT, y, "trefoil", text);
    snprintf(text, sizeof text, "%s nm",
             pl_measured(fabs(w->spherical_nm), w->spherical_sigma_nm, 1).s);
    y = pl_sheet_row(c, RIGHT, y, "spherical", text);
    snprintf(text, sizeof text, "%s mm", pl_measured(w->shadow_mm, w->shadow_sigma_mm, 1).s);
    pl_sheet_row(c, RIGHT, y, "secondary's shadow off centre", text);
}

/* ---- the whole */

static void footer(pl_canvas *c, const pl_donut *d, const char *const *file)
{
    pl_string words = { 0 };
    pl_sheet_exposures(&words, file[0], d->frames, &d->facts);
    pl_sheet_foot(c, &words, "plumb-donut " PL_VERSION);
}

pl_status pl_donut_canvas(const pl_donut *d, const char *const *file, bool red, pl_canvas **out,
                          pl_err *err)
{
    pl_canvas *c = NULL;
    pl_status rc = pl_canvas_new(W, H, red, &c, err);
    if (rc != PL_OK)
        return rc;
    pl_sheet_head(c, d->verdict.text, d->verdict.action);
    unrolled(c, d);
    images(c, d);
    plan(c, d, (pl_box){ RIGHT + 40, 400, W - MARGIN - RIGHT - 80, 280 });
    numbers(c, d, 738);
    footer(c, d, file);
    *out = c;
    return PL_OK;
}

pl_status pl_donut_draw(const pl_donut *d, const char *const *file, bool red, const char *png,
                        pl_err *err)
{
    pl_canvas *c = NULL;
    const pl_chunk chunk[] = { { "Title", "a star out of focus, unrolled" },
                               { "Description", d->verdict.text } };
    pl_status rc = pl_donut_canvas(d, file, red, &c, err);
    return pl_sheet_write(rc, c, png, chunk, PL_ARRAY_LEN(chunk), err);
}
