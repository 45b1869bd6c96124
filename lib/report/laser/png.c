/* SPDX-License-Identifier: GPL-3.0-or-later */
/* png.c - the picture of a laser: the squared paper at each distance with its spots, the
 * circle through them and what would pass; beside it what an alignment leaves. */
#include "../report.h"
#include "laser.h"
#include "../sheet.h"
#include "../zone/zone.h"

#include <math.h>
#include <stdio.h>

enum { MARGIN = PL_SHEET_MARGIN };
enum { W = 1600, H = 900, SAFETY = 126, TOP = 196, FOOT = 64, RIGHT = 1050, AROUND = 128 };

#define RAD (M_PI / 180)

/* ---- the paper */

/* Radius of the circle that would pass at this distance, were it all tilt. */
static double passes(const pl_laser *l, const pl_laser_circle *c)
{
    return l->focuser_allowed_mm / l->path_mm * c->seen.at_mm;
}

static double zero_if_unknown(double v)
{
    return isfinite(v) ? v : 0;
}

/* How far from the middle the picture must reach. */
static double span_of(const pl_laser *l, const pl_laser_circle *c)
{
    double far = c->radius_mm, pass = passes(l, c);
    for (size_t i = 0; i < c->seen.marks; i++)
        far = fmax(far, hypot(c->seen.mark[i].x_mm - c->middle_x_mm,
                              c->seen.mark[i].y_mm - c->middle_y_mm));
    if (pass < 3 * far)
        far = fmax(far, pass);
    return 1.25 * fmax(far, 0.5);
}

static pl_plot paper_of(pl_canvas *c, const pl_laser *l, const pl_laser_circle *k, pl_box outer)
{
    double x = zero_if_unknown(k->middle_x_mm), y = zero_if_unknown(k->middle_y_mm);
    double span = span_of(l, k), step = pl_tick_step(-span, span, 6);
    pl_plot p = { .x = { x - span, x + span, "x on the paper, mm", step },
                  .y = { y - span, y + span, "y on the paper, mm", step } };
    pl_plot_fit(c, &p, outer);
    double side = fmin(p.box.w, p.box.h);
    p.box.y += (p.box.h - side) / 2;
    p.box.w = p.box.h = side;
    return p;
}

static void around(const pl_laser_circle *k, double radius, double *x, double *y)
{
    for (int i = 0; i <= AROUND; i++) {
        x[i] = zero_if_unknown(k->middle_x_mm) + radius * cos(2 * M_PI * i / AROUND);
        y[i] = zero_if_unknown(k->middle_y_mm) + radius * sin(2 * M_PI * i / AROUND);
    }
}

static void shade(pl_canvas *c, const pl_plot *p, const pl_laser_circle *k, double radius)
{
    double x[AROUND + 1], lo[AROUND + 1], hi[AROUND + 1];
    double mx = zero_if_unknown(k->middle_x_mm), my = zero_if_unknown(k->middle_y_mm);
    if (!isfinite(radius))
        return;
    for (int i = 0; i <= AROUND; i++) {
        double dx = -radius * cos(M_PI * i / AROUND);
        double dy = sqrt(fmax(0, radius * radius - dx * dx));
        x[i] = mx + dx;
        lo[i] = my - dy;
        hi[i] = my + dy;
    }
    pl_canvas_tone(c, PL_TONE_SHADE, 1);
    pl_plot_band(c, p, x, lo, hi, AROUND + 1);
}

static void cross(pl_canvas *c, double x, double y)
{
    const double arm = 11, ax[5] = { x - arm, x + arm, NAN, x, x },
                 ay[5] = { y, y, NAN, y - arm, y + arm };
    pl_canvas_tone(c, PL_TONE_INK, 1);
    pl_canvas_line(c, ax, ay, 5, 2.5);
    pl_canvas_take(c, (pl_box){ x - arm, y - arm, 2 * arm, 2 * arm });
}

/* The degrees stand outside the circle, where there is room. */
static void degrees(pl_canvas *c, const pl_plot *p, const pl_laser_circle *k, size_t i)
{
    const pl_type type = {
        .size = PL_SIZE_SMALL, .tone = PL_TONE_INK, .halo = true, .ax = 0.5, .ay = 0.5
    };
    const pl_laser_mark *m = &k->seen.mark[i];
    double x = pl_plot_x(p, m->x_mm), y = pl_plot_y(p, m->y_mm);
    double dx = x - pl_plot_x(p, k->middle_x_mm), dy = y - pl_plot_y(p, k->middle_y_mm);
    double unit = 1 / fmax(1, hypot(dx, dy));
    pl_digits text = pl_signif(m->turned_deg, 4);
    for (double out = 26; out < 60; out += 6) {
        double tx = x + out * unit * dx, ty = y + out * unit * dy;
        if (!pl_canvas_free_at(c, pl_canvas_measure(c, &type, tx, ty, text.s), p->box, 2))
            continue;
        pl_canvas_text(c, &type, tx, ty, text.s);
        return;
    }
}

static void spots(pl_canvas *c, const pl_plot *p, const pl_laser_circle *k)
{
    pl_canvas_tone(c, PL_TONE_INK, 1);
    for (size_t i = 0; i < k->seen.marks; i++) {
        const pl_laser_mark *m = &k->seen.mark[i];
        double x = pl_plot_x(p, m->x_mm), y = pl_plot_y(p, m->y_mm);
        pl_plot_points(c, p, &m->x_mm, &m->y_mm, NULL, 1, 7);
        pl_canvas_take(c, (pl_box){ x - 8, y - 8, 16, 16 });
    }
    for (size_t i = 0; i < k->seen.marks; i++)
        degrees(c, p, k, i);
}

/* From the circle to its middle: the way of the spot of the laser not turned. */
static void way(pl_canvas *c, const pl_plot *p, const pl_laser_circle *k)
{
    const pl_type type = {
        .size = PL_SIZE_BODY, .tone = PL_TONE_ACCENT, .bold = true, .halo = true
    };
    double mx = zero_if_unknown(k->middle_x_mm), my = zero_if_unknown(k->middle_y_mm);
    double x0 = pl_plot_x(p, mx + k->x_mm), y0 = pl_plot_y(p, my + k->y_mm), x1 = pl_plot_x(p, mx),
           y1 = pl_plot_y(p, my), gap = 14 / fmax(14, hypot(x1 - x0, y1 - y0));
    char text[64];
    snprintf(text, sizeof text, "%s mm", pl_fixed(k->radius_mm, 1).s);
    pl_canvas_tone(c, PL_TONE_ACCENT, 1);
    pl_canvas_arrow(c, x0, y0, x1 + gap * (x0 - x1), y1 + gap * (y0 - y1), 5);
    for (int i = 0; i <= 20; i++)
        pl_canvas_take(c,
                       (pl_box){ x0 + (x1 - x0) * i / 20 - 4, y0 + (y1 - y0) * i / 20 - 4, 8, 8 });
    pl_canvas_place(c, &type, (x0 + x1) / 2, (y0 + y1) / 2, 16, p->box, text);
}

static void paper(pl_canvas *c, const pl_laser *l, const pl_laser_circle *k, pl_box outer)
{
    const pl_type head = { .size = PL_SIZE_BODY, .tone = PL_TONE_INK, .bold = true };
    double x[AROUND + 1], y[AROUND + 1];
    char title[80];
    snprintf(title, sizeof title, "The paper at %s mm", pl_signif(k->seen.at_mm, 6).s);
    pl_canvas_text(c, &head, outer.x, outer.y, title);
    outer.y += 34;
    outer.h -= 34;
    pl_plot p = paper_of(c, l, k, outer);
    shade(c, &p, k, passes(l, k));
    pl_plot_axes(c, &p);
    around(k, k->radius_mm, x, y);
    pl_canvas_tone(c, PL_TONE_ACCENT, 1);
    pl_plot_line(c, &p, x, y, AROUND + 1, 3, 0);
    cross(c, pl_plot_x(&p, zero_if_unknown(k->middle_x_mm)),
          pl_plot_y(&p, zero_if_unknown(k->middle_y_mm)));
    if (l->advice == PL_LASER_ADJUST && !l->decentred && k == &l->circle[l->circles - 1])
        way(c, &p, k);
    spots(c, &p, k);
}

static void papers(pl_canvas *c, const pl_laser *l)
{
    const pl_type small = { .size = PL_SIZE_SMALL, .tone = PL_TONE_FAINT };
    double room = RIGHT - 2 * MARGIN, bottom = H - FOOT - 100;
    double wide = l->circles > 1 ? (room - 20) / 2 : fmin(room, bottom - TOP);
    double high = fmin(bottom - TOP, wide + 60);
    for (size_t i = 0; i < l->circles; i++)
        paper(c, l, &l->circle[i], (pl_box){ MARGIN + (double)i * (wide + 20), TOP, wide, high });
    char words[400];
    snprintf(words, sizeof words,
             "%sLine: the circle the spot runs on as the laser is turned; cross: where the "
             "holder's axis meets the paper.%s",
             l->circle[0].seen.marks > 0 ? "Dots: the spot, with the degrees turned. " : "",
             isfinite(l->focuser_allowed_mm) ? " Shaded: what would pass, were it all tilt." : "");
    pl_canvas_wrap(c, &small, (pl_box){ MARGIN, TOP + high + 12, room, 0 }, 3, words);
}

/* ---- the numbers */

static double row(pl_canvas *c, double y, const char *what, const pl_laser_span *s, double unit,
                  const char *name, double allowed)
{
    char text[120];
    bool both = isfinite(allowed) && isfinite(s->most);
    snprintf(text, sizeof text, both ? "%s of %s %s" : "%s",
             both ? pl_span_words(s, unit).s : pl_span_with(s, unit, name).s,
             pl_zone_figure(allowed * unit).s, name);
    return pl_sheet_row(c, RIGHT, y, what, text);
}

static double left(pl_canvas *c, double y, const pl_laser *l, const pl_laser_left *e)
{
    y = row(c, y, "primary's axis", &e->axis_mm, 1, "mm", l->axis_allowed_mm);
    y = row(c, y, "coma, RMS", &e->coma_nm, 1, "nm", l->coma_allowed_nm);
    y = row(c, y, "stars wider by it", &e->growth, 100, "%", l->growth_allowed);
    y = row(c, y, "image's tilt", &e->tilt_arcmin, 1, "arcmin", l->tilt_allowed_arcmin);
    if (isfinite(e->corner.most))
        y = row(c, y, "wider in the corner", &e->corner, 100, "%", l->growth_allowed);
    return y;
}

static void numbers(pl_canvas *c, const pl_laser *l)
{
    double y = pl_sheet_heading(c, RIGHT, TOP, "The laser");
    y = row(c, y, "beam's tilt", &l->tilt_mrad, 1, "mrad", NAN);
    y = row(c, y, "decentre", &l->decentre_mm, 1, "mm", NAN);
    if (isfinite(l->play_sigma_mrad)) {
        char text[64];
        snprintf(text, sizeof text, l->play_mrad > 0 ? "%s mrad" : "none shows",
                 pl_measured(l->play_mrad, l->play_sigma_mrad, 2).s);
        y = pl_sheet_row(c, RIGHT, y, "holder's play", text);
    }
    y = pl_sheet_heading(c, RIGHT, y + 14, "Aligned with it, off by ... of what passes");
    y = row(c, y, "focuser's axis", &l->focuser_mm, 1, "mm", l->focuser_allowed_mm);
    y = left(c, y, l, &l->bare);
    y = pl_sheet_heading(c, RIGHT, y + 14, "The primary with a diverging beam");
    left(c, y, l, &l->diverging);
}

/* ---- the whole */

static void footer(pl_canvas *c, const pl_laser *l, const char *file)
{
    pl_string text = { 0 };
    pl_string_add(&text, "%s   %s mm f/%s", file ? file : "circles by eye",
                  pl_signif(l->aperture_mm, 5).s, pl_fixed(l->f_ratio, 2).s);
    pl_sheet_foot(c, &text, "plumb-laser " PL_VERSION);
}

pl_status pl_laser_canvas(const pl_laser *l, const char *file, bool red, pl_canvas **out,
                          pl_err *err)
{
    const pl_type bold = { .size = PL_SIZE_SMALL, .tone = PL_TONE_ACCENT, .bold = true };
    pl_canvas *c = NULL;
    pl_status rc = pl_canvas_new(W, H, red, &c, err);
    if (rc != PL_OK)
        return rc;
    pl_sheet_head(c, l->verdict.text, l->verdict.action);
    pl_canvas_wrap(c, &bold, (pl_box){ MARGIN, SAFETY, W - 2 * MARGIN, 0 }, 2,
                   PL_LASER_EYES " " PL_LASER_SUN);
    papers(c, l);
    numbers(c, l);
    footer(c, l, file);
    *out = c;
    return PL_OK;
}

pl_status pl_laser_draw(const pl_laser *l, const char *file, bool red, const char *png, pl_err *err)
{
    pl_canvas *c = NULL;
    const pl_chunk chunk[] = { { "Title", "an alignment laser" },
                               { "Description", l->verdict.text },
                               { "Warning", PL_LASER_EYES " " PL_LASER_SUN } };
    pl_status rc = pl_laser_canvas(l, file, red, &c, err);
    return pl_sheet_write(rc, c, png, chunk, PL_ARRAY_LEN(chunk), err);
}
