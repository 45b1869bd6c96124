/* SPDX-License-Identifier: GPL-3.0-or-later */
/* png.c - plumb-zone's picture: how wide a star gets on both sides of focus, in several
 * seeings, with the depths of focus as dimension lines above and shades behind the curves. */
#include "zone.h"
#include "../canvas.h"
#include "../sheet.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { W = 1600, H = 1040, MARGIN = PL_SHEET_MARGIN, SIDE = 32, POINTS = 2 * SIDE + 1, CURVES = 6 };

/* The curves: FWHM in arcsec at each defocus, the given seeing last so that it lies on top. */
struct family {
    size_t n;
    double seeing[CURVES];
    double fwhm[CURVES][POINTS];
    double defocus[POINTS];
};

/* The usual seeings but those too near the given one to be told apart; about a given one far from
 * them all, its multiples. */
static void choose(struct family *f, double given)
{
    static const double usual[] = { 1.5, 2, 2.5, 3, 4 };
    static const double parts[] = { 0.5, 0.7, 1.4, 2 };
    bool far = given < 1 || given > 6;
    size_t n = far ? PL_ARRAY_LEN(parts) : PL_ARRAY_LEN(usual);
    for (size_t i = 0; i < n; i++) {
        double seeing = far ? given * parts[i] : usual[i];
        if (fabs(seeing - given) > 0.14 * given && seeing <= 60)
            f->seeing[f->n++] = seeing;
    }
    f->seeing[f->n++] = given;
}

static pl_status compute(const pl_zone *z, double reach_um, struct family *f, pl_err *err)
{
    pl_status rc = PL_OK;
    choose(f, z->optic.seeing_arcsec);
    for (size_t k = 0; k < f->n && rc == PL_OK; k++) {
        pl_optic o = z->optic;
        o.seeing_arcsec = f->seeing[k];
        for (int i = 0; i <= SIDE && rc == PL_OK; i++) { /* both sides of focus are alike */
            double um, at = reach_um * i / SIDE;
            rc = pl_star_size(&o, at, &um, NULL, err);
            f->defocus[SIDE + i] = at;
            f->defocus[SIDE - i] = -at;
            if (rc == PL_OK)
                f->fwhm[k][SIDE + i] = f->fwhm[k][SIDE - i] = um * z->fwhm_arcsec / z->fwhm_um;
        }
    }
    return rc;
}

/* One depth of focus: half its width and what it is. */
struct depth {
    double half_um;
    const char *name;
    pl_tone tone;
};

static void shade(pl_canvas *c, const pl_plot *p, const struct depth *d)
{
    double x[2] = { -d->half_um, d->half_um };
    double lo[2] = { p->y.lo, p->y.lo }, hi[2] = { p->y.hi, p->y.hi };
    pl_canvas_tone(c, PL_TONE_ACCENT, c->red ? 0.05 : 0.06);
    pl_plot_band(c, p, x, lo, hi, 2);
}

/* A dimension line, as on a workshop drawing, with its label at the right end. `high` is its place
 * in the field; the dashes end there, so that a narrower depth above has free room beside it. */
static void dimension(pl_canvas *c, const pl_plot *p, const struct depth *d, double high)
{
    char text[96];
    double left = pl_plot_x(p, -d->half_um), right = pl_plot_x(p, d->half_um);
    double x[2] = { -d->half_um, -d->half_um }, ends[2] = { p->y.lo, high };
    double y = pl_plot_y(p, high);
    pl_canvas_tone(c, d->tone, 1);
    pl_plot_line(c, p, x, ends, 2, 1.2, 5);
    x[0] = x[1] = d->half_um;
    pl_plot_line(c, p, x, ends, 2, 1.2, 5);
    pl_canvas_arrow(c, (left + right) / 2, y, left, y, 2);
    pl_canvas_arrow(c, (left + right) / 2, y, right, y, 2);
    snprintf(text, sizeof text, "%s  +-%s um", d->name, pl_zone_figure(d->half_um).s);
    const pl_type type = { .size = PL_SIZE_BODY,
                           .tone = d->tone,
                           .bold = d->tone == PL_TONE_ACCENT,
                           .halo = true,
                           .ay = 0.5 };
    double room = p->box.x + p->box.w - right - 20;
    pl_canvas_text_in(c, &type, right + 12, y, room, text);
}

/* A curve with its seeing written on it; labels stand on a line at one third of the left side,
 * where the curves are still apart. */
static void curve(pl_canvas *c, const pl_plot *p, const struct family *f, size_t k, double top)
{
    bool given = k == f->n - 1;
    char text[96];
    pl_rgb ink = pl_ramp(c->red, f->n > 2 ? 0.1 + 0.75 * (double)k / (double)(f->n - 2) : 0.5);
    if (given)
        pl_canvas_tone(c, PL_TONE_ACCENT, 1);
    else
        pl_canvas_rgb(c, ink, 1);
    double fwhm[POINTS];
    for (int i = 0; i < POINTS; i++)
        fwhm[i] = f->fwhm[k][i] < top ? f->fwhm[k][i] : NAN;
    pl_plot_line(c, p, f->defocus, fwhm, POINTS, given ? 5 : 2.5, 0);
    snprintf(text, sizeof text, given ? "seeing %s arcsec" : "%s", pl_signif(f->seeing[k], 3).s);
    const pl_type type = { .size = PL_SIZE_BODY,
                           .tone = given ? PL_TONE_ACCENT : PL_TONE_INK,
                           .bold = given,
                           .halo = true,
                           .ax = 0.5,
                           .ay = 0.5 };
    double x = pl_plot_x(p, 0), y = pl_plot_y(p, f->fwhm[k][SIDE]) + (given ? 18 : 16);
    if (pl_canvas_free_at(c, pl_canvas_measure(c, &type, x, y, text), p->box, 1))
        pl_canvas_text(c, &type, x, y, text);
}

/* The second scale: what one turns or types. */
static pl_axis second_scale(const pl_zone *z, double reach_um)
{
    const pl_travel *t = &z->allowed;
    double steps = t->steps / t->sensor_um, tube = t->drawtube_um / t->sensor_um;
    if (isfinite(steps))
        return (pl_axis){ -reach_um * steps, reach_um * steps, "focuser, steps", 0 };
    if (fabs(tube - 1) > 1e-6)
        return (pl_axis){ -reach_um * tube, reach_um * tube, "drawtube, um", 0 };
    return (pl_axis){ 0, 0, NULL, 0 };
}

/* Heights of the picture: the curves of the given seeing whole inside the shade, room above for the
 * dimension lines. */
static pl_axis height(const struct family *f, double *curves_top)
{
    double lo = INFINITY, hi = 0;
    for (size_t k = 0; k < f->n; k++) {
        lo = fmin(lo, f->fwhm[k][SIDE]);
        hi = fmax(hi, f->fwhm[k][SIDE]);
    }
    *curves_top = 1.3 * hi;
    lo = fmax(0, lo - 0.12 * (*curves_top - lo));
    return (pl_axis){ lo, lo + (*curves_top - lo) / 0.76, "FWHM of a star, arcsec", 0 };
}

static void headline(pl_canvas *c, const pl_zone *z)
{
    const pl_type type = { .size = PL_SIZE_HEAD, .tone = PL_TONE_FAINT };
    pl_string says = { 0 }, why = { 0 };
    pl_zone_says(z, &says);
    if (z->diffraction_rules)
        pl_string_add(&why,
                      "This air is finer than diffraction: the wavefront rules, not the width.");
    else
        pl_string_add(
            &why, "There stars are %s %% wider than the %s arcsec this air leaves them in focus.",
            pl_signif(100 * z->growth, 3).s, pl_fixed(z->fwhm_arcsec, 2).s);
    pl_sheet_title(c, says.s ? says.s : "");
    pl_canvas_text_in(c, &type, MARGIN, 72, W - 2 * MARGIN, why.s ? why.s : "");
    free(pl_string_take(&says));
    free(pl_string_take(&why));
}

static void footer(pl_canvas *c, const pl_zone *z)
{
    pl_string scope = { 0 };
    pl_zone_scope(z, &scope);
    pl_sheet_foot(c, &scope, "plumb-zone " PL_VERSION);
}

static int narrower(const void *a, const void *b)
{
    double p = ((const struct depth *)a)->half_um, q = ((const struct depth *)b)->half_um;
    return (p > q) - (p < q);
}

static void diagram(pl_canvas *c, const pl_zone *z, const struct family *f, double reach_um)
{
    char own[96];
    double top;
    snprintf(own, sizeof own, "stars %s %% wider", pl_signif(100 * z->growth, 3).s);
    struct depth depth[] = { { z->quarter.sensor_um, "quarter wave", PL_TONE_INK },
                             { z->common.sensor_um, "half of 4.88 lambda N^2", PL_TONE_INK },
                             { z->allowed.sensor_um, own, PL_TONE_ACCENT } };
    size_t n = PL_ARRAY_LEN(depth) - z->diffraction_rules; /* then `allowed` is one of the others */
    qsort(depth, n, sizeof *depth, narrower);
    pl_plot p = { .x = { -reach_um, reach_um, "defocus at the sensor, um (+ is too far out)", 0 },
                  .y = height(f, &top),
                  .top = second_scale(z, reach_um) };
    pl_plot_fit(c, &p, (pl_box){ MARGIN, 104, W - 2 * MARGIN, H - 104 - 56 });
    for (size_t i = 0; i < n; i++)
        shade(c, &p, &depth[i]);
    pl_plot_axes(c, &p);
    for (size_t i = 0; i < n; i++)
        dimension(c, &p, &depth[i], p.y.hi - (p.y.hi - top) * (0.2 + 0.3 * (double)i));
    for (size_t k = 0; k < f->n; k++)
        curve(c, &p, f, k, top);
}

/* Half the width of the diagram: all depths well inside it. */
static double reach_of(const pl_zone *z)
{
    return 2.1 * fmax(fmax(z->allowed.sensor_um, z->grow_10.sensor_um), z->common.sensor_um);
}

pl_status pl_zone_draw(const pl_zone *z, bool red, const char *png, pl_err *err)
{
    pl_canvas *c = NULL;
    pl_string about = { 0 };
    struct family f = { 0 };
    pl_status rc = compute(z, reach_of(z), &f, err);
    if (rc == PL_OK)
        rc = pl_canvas_new(W, H, red, &c, err);
    if (rc == PL_OK) {
        headline(c, z);
        diagram(c, z, &f, reach_of(z));
        footer(c, z);
        pl_zone_says(z, &about);
        const pl_chunk chunk[] = { { "Title", "FWHM of a star against defocus" },
                                   { "Description", about.s ? about.s : "" } };
        rc = pl_canvas_write(c, png, chunk, PL_ARRAY_LEN(chunk), err);
    }
    free(pl_string_take(&about));
    pl_canvas_free(c);
    return rc;
}
