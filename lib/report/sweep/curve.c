/* SPDX-License-Identifier: GPL-3.0-or-later */
/* curve.c - the star's width through focus: each frame with its error, what is expected in
 * typical air, the zone in which focus must lie. Frames stand where their stars say they stood: at
 * their defocus at the sensor's centre. */
#include "sweep.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* What the level axis counts: um of defocus, or the focuser's steps. */
typedef struct {
    const pl_sweep *s;
    pl_plot plot;
    double origin, per_um; /* axis = origin + per_um * defocus */
} curve;

static double axis_at(const curve *k, double defocus_um)
{
    return k->origin + k->per_um * defocus_um;
}

static bool is_shown(const pl_sweep_frame *f)
{
    return isfinite(f->defocus_um) && isfinite(f->fwhm_px);
}

/* The two used frames farthest apart. Gives: false when there are none. */
static bool farthest(const pl_sweep *s, const pl_sweep_frame **lo, const pl_sweep_frame **hi)
{
    *lo = *hi = NULL;
    for (size_t i = 0; i < s->frames; i++) {
        const pl_sweep_frame *f = &s->frame[i];
        if (!f->used || !is_shown(f))
            continue;
        *lo = !*lo || f->defocus_um < (*lo)->defocus_um ? f : *lo;
        *hi = !*hi || f->defocus_um > (*hi)->defocus_um ? f : *hi;
    }
    return *lo && (*hi)->defocus_um > (*lo)->defocus_um;
}

/* Steps for each um of defocus; NaN: there are none. */
static double steps_per_um(const pl_sweep *s)
{
    const pl_sweep_frame *lo, *hi;
    if (!farthest(s, &lo, &hi))
        return NAN;
    return (hi->position_steps - lo->position_steps) / (hi->defocus_um - lo->defocus_um);
}

/* Defocus for each um of drawtube. */
static double um_per_tube(const pl_sweep *s)
{
    const pl_sweep_frame *lo, *hi;
    if (!farthest(s, &lo, &hi))
        return 1;
    double ratio = (hi->defocus_um - lo->defocus_um) / (hi->position_um - lo->position_um);
    return ratio > 0 && isfinite(ratio) ? ratio : 1;
}

static double reach_of(const pl_sweep *s)
{
    double reach = 2 * s->zone_um;
    for (size_t i = 0; i < s->frames; i++)
        if (is_shown(&s->frame[i]))
            reach = fmax(reach, fabs(s->frame[i].defocus_um));
    return reach > 0 && isfinite(reach) ? 1.08 * reach : 100;
}

/* From just below the lowest to just above the highest that is shown. */
static pl_axis width_axis(const pl_sweep *s, double reach)
{
    double lo = INFINITY, hi = -INFINITY;
    for (size_t i = 0; i < s->frames; i++)
        if (is_shown(&s->frame[i])) {
            lo = fmin(lo, s->frame[i].fwhm_px);
            hi = fmax(hi, s->frame[i].fwhm_px);
        }
    double ratio = um_per_tube(s);
    for (int i = 0; i < PL_SWEEP_CURVE; i++)
        if (isfinite(s->curve_fwhm_px[i]) && fabs(ratio * s->curve_um[i]) <= reach) {
            lo = fmin(lo, s->curve_fwhm_px[i]);
            hi = fmax(hi, s->curve_fwhm_px[i]);
        }
    if (!(hi >= lo))
        return (pl_axis){ 0, 1, "FWHM, px", 0 };
    double room = fmax(hi - lo, 0.02 * hi + 1e-6);
    return (pl_axis){ fmax(0, lo - 0.12 * room), hi + 0.22 * room, "FWHM, px", 0 };
}

static void set_axes(curve *k, double reach)
{
    const pl_sweep *s = k->s;
    const char *um = "defocus at the sensor, um (+ is too far out)";
    double steps = steps_per_um(s), turns = s->move.turns / s->move.sensor_um;
    k->origin = 0;
    k->per_um = 1;
    k->plot.y = width_axis(s, reach);
    if (isfinite(s->best_steps) && fabs(steps) > 1e-6 && fabs(steps) < 1e3) { /* a step of 1 nm */
        k->origin = s->best_steps;
        k->per_um = steps;
        k->plot.top = (pl_axis){ -reach, reach, um, 0 };
    } else if (isfinite(turns) && turns != 0) {
        turns = fabs(turns);
        k->plot.top = (pl_axis){ -reach * turns, reach * turns, "turns of the knob", 0 };
    }
    if (!s->side_known)
        um = "defocus at the sensor, um (which side is + is not known)";
    k->plot.x = (pl_axis){ axis_at(k, -reach), axis_at(k, reach),
                           k->per_um == 1 && k->origin == 0 ? um : "focuser, steps", 0 };
}

static void zone(pl_canvas *c, const curve *k)
{
    double half = k->s->zone_um, top = k->plot.y.hi, bottom = k->plot.y.lo;
    const double x[] = { axis_at(k, -half), axis_at(k, half) };
    const double lo[] = { bottom, bottom }, hi[] = { top, top };
    if (!isfinite(half))
        return;
    pl_canvas_tone(c, PL_TONE_SHADE, 1);
    pl_plot_band(c, &k->plot, x, lo, hi, 2);
}

static void expected(pl_canvas *c, const curve *k)
{
    double x[PL_SWEEP_CURVE], ratio = um_per_tube(k->s);
    for (int i = 0; i < PL_SWEEP_CURVE; i++)
        x[i] = axis_at(k, ratio * k->s->curve_um[i]);
    pl_canvas_tone(c, PL_TONE_ACCENT, 1);
    pl_plot_line(c, &k->plot, x, k->s->curve_fwhm_px, PL_SWEEP_CURVE, 4, 0);
}

/* Best focus with its error: a line and, across it, the error's length. */
static void best(pl_canvas *c, const curve *k)
{
    double y = k->plot.y.lo + 0.955 * (k->plot.y.hi - k->plot.y.lo), sigma = k->s->best_sigma_um;
    const double x[] = { axis_at(k, 0), axis_at(k, 0) };
    const double up[] = { k->plot.y.lo, y };
    const double ends[] = { axis_at(k, -sigma), axis_at(k, sigma) }, level[] = { y, y };
    pl_canvas_tone(c, PL_TONE_INK, 1);
    pl_plot_line(c, &k->plot, x, up, 2, 1.5, 6);
    if (isfinite(sigma))
        pl_plot_line(c, &k->plot, ends, level, 2, 5, 0);
    const pl_type type = { .size = PL_SIZE_BODY, .tone = PL_TONE_INK, .bold = true, .halo = true };
    pl_string text = { 0 };
    pl_string_add(&text, "best ");
    if (isfinite(k->s->best_steps))
        pl_sweep_position(k->s, &text);
    else
        pl_string_add(&text, "focus, +- %s um", pl_signif(sigma, 2).s);
    pl_canvas_place(c, &type, pl_plot_x(&k->plot, x[0]), pl_plot_y(&k->plot, y), 16, k->plot.box,
                    text.s ? text.s : "");
    free(pl_string_take(&text));
}

static void cross(pl_canvas *c, double x, double y)
{
    cairo_set_line_width(c->cr, 2.5);
    for (int way = -1; way <= 1; way += 2) {
        cairo_move_to(c->cr, x - 8, y - 8 * way);
        cairo_line_to(c->cr, x + 8, y + 8 * way);
    }
    cairo_stroke(c->cr);
}

/* Its number beside each frame, where there is room. */
static void number(pl_canvas *c, const curve *k, size_t i, double x, double y)
{
    const pl_type type = { .size = PL_SIZE_SMALL,
                           .tone = k->s->frame[i].used ? PL_TONE_INK : PL_TONE_FAINT,
                           .halo = true };
    char text[48];
    snprintf(text, sizeof text, k->s->frame[i].used ? "%zu" : "%zu left out", i + 1);
    pl_canvas_place(c, &type, x, y, 15, k->plot.box, text);
}

static void frames(pl_canvas *c, const curve *k)
{
    for (size_t i = 0; i < k->s->frames; i++) {
        const pl_sweep_frame *f = &k->s->frame[i];
        if (!is_shown(f))
            continue;
        double at = axis_at(k, f->defocus_um);
        double x = pl_plot_x(&k->plot, at), y = pl_plot_y(&k->plot, f->fwhm_px);
        if (f->used) {
            pl_canvas_tone(c, PL_TONE_INK, 1);
            pl_plot_points(c, &k->plot, &at, &f->fwhm_px, &f->fwhm_sigma_px, 1, 6);
        } else {
            pl_canvas_tone(c, PL_TONE_FAINT, 1);
            cross(c, x, y);
        }
        pl_canvas_take(c, (pl_box){ x - 8, y - 8, 16, 16 });
    }
    for (size_t i = 0; i < k->s->frames; i++)
        if (is_shown(&k->s->frame[i]))
            number(c, k, i, pl_plot_x(&k->plot, axis_at(k, k->s->frame[i].defocus_um)),
                   pl_plot_y(&k->plot, k->s->frame[i].fwhm_px));
}

void pl_sweep_curve(pl_canvas *c, const pl_sweep *s, pl_box room)
{
    const pl_type head = { .size = PL_SIZE_HEAD, .tone = PL_TONE_INK, .bold = true };
    const pl_type body = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    curve k = { .s = s };
    char text[160];
    pl_box b = pl_canvas_text(c, &head, room.x, room.y, "Through focus");
    snprintf(text, sizeof text,
             "dots: frames, with errors; line: expected in air of %s arcsec; band: allowed",
             pl_fixed(s->seeing_arcsec, 2).s);
    pl_canvas_text_in(c, &body, b.x + b.w + 14, room.y + 4, room.w - b.w - 14, text);
    set_axes(&k, reach_of(s));
    room.y += 34;
    room.h -= 34;
    pl_plot_fit(c, &k.plot, room);
    zone(c, &k);
    pl_plot_axes(c, &k.plot);
    best(c, &k);
    expected(c, &k);
    frames(c, &k);
}
