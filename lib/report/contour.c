/* SPDX-License-Identifier: GPL-3.0-or-later */
/* contour.c - how the width of the stars changes over the field, drawn as lines of equal FWHM.
 * Each square of a grid is cut in two triangles: in a triangle a level crosses two sides or none,
 * so there is no doubtful case. */
#include "map.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { TERMS = 6, FEWEST = 24, GRID_X = 64, GRID_Y = 48 };

static void basis(const pl_field *f, double x_px, double y_px, double b[TERMS])
{
    double half = 0.5 * hypot(f->width_px, f->height_px);
    double u = (x_px - 0.5 * (f->width_px - 1)) / half;
    double v = (y_px - 0.5 * (f->height_px - 1)) / half;
    const double all[TERMS] = { 1, u, v, u * u, u * v, v * v };
    memcpy(b, all, sizeof all);
}

static bool is_usable(const pl_star *s)
{
    return s->kind == PL_STAR && s->fwhm_px > 0 && isfinite(s->fwhm_px) && isfinite(s->x_px) &&
           isfinite(s->y_px) && s->fwhm_sigma_px > 0 && isfinite(s->fwhm_sigma_px);
}

/* Rows divided by sigma; 2 % of the width is added to each error, so that a few bright stars do not
 * decide alone. */
static size_t fill_rows(const pl_field *f, double *rows, double *rhs)
{
    size_t n = 0;
    for (size_t i = 0; i < f->stars; i++) {
        const pl_star *s = &f->star[i];
        if (!is_usable(s))
            continue;
        double weight = 1 / hypot(s->fwhm_sigma_px, 0.02 * s->fwhm_px);
        basis(f, s->x_px, s->y_px, rows + n * TERMS);
        for (int k = 0; k < TERMS; k++)
            rows[n * TERMS + (size_t)k] *= weight;
        rhs[n++] = s->fwhm_px * weight;
    }
    return n;
}

bool pl_relief_fit(const pl_field *f, pl_relief *out)
{
    double *rows = malloc((f->stars + 1) * TERMS * sizeof *rows);
    double *rhs = malloc((f->stars + 1) * sizeof *rhs);
    size_t n = rows && rhs ? fill_rows(f, rows, rhs) : 0;
    bool fits =
        n >= FEWEST && pl_lsq_fit(rows, rhs, n, TERMS, out->coef, out->cov, NULL, NULL) == PL_OK;
    free(rows);
    free(rhs);
    return fits;
}

double pl_relief_at(const pl_relief *s, const pl_field *f, double x_px, double y_px)
{
    double b[TERMS], v = 0;
    basis(f, x_px, y_px, b);
    for (int k = 0; k < TERMS; k++)
        v += b[k] * s->coef[k];
    return v;
}

/* Picture-independent: node i of `n` along a side of `pixels`. */
static double node(int i, int n, int pixels)
{
    return (double)i / n * pixels - 0.5;
}

/* |S - its mean| / sigma at one place. */
static double departure(const pl_relief *s, const double b[TERMS], const double mean[TERMS])
{
    double d = 0, var = 0;
    for (int i = 0; i < TERMS; i++) {
        d += (b[i] - mean[i]) * s->coef[i];
        for (int k = 0; k < TERMS; k++)
            var += (b[i] - mean[i]) * (b[k] - mean[k]) * s->cov[TERMS * i + k];
    }
    return var > 0 ? fabs(d) / sqrt(var) : 0;
}

bool pl_relief_varies(const pl_relief *s, const pl_field *f, double *lo, double *hi)
{
    enum { N = 16 };
    double mean[TERMS] = { 0 }, b[TERMS], most = 0;
    *lo = INFINITY;
    *hi = -INFINITY;
    for (int i = 0; i < (N + 1) * (N + 1); i++) {
        double x = node(i % (N + 1), N, f->width_px), y = node(i / (N + 1), N, f->height_px);
        basis(f, x, y, b);
        for (int k = 0; k < TERMS; k++)
            mean[k] += b[k] / ((N + 1) * (N + 1));
        double v = pl_relief_at(s, f, x, y);
        *lo = fmin(*lo, v);
        *hi = fmax(*hi, v);
    }
    for (int i = 0; i < (N + 1) * (N + 1); i++) {
        basis(f, node(i % (N + 1), N, f->width_px), node(i / (N + 1), N, f->height_px), b);
        most = fmax(most, departure(s, b, mean));
    }
    return most > 4 && *lo > 0 && *hi - *lo > 0.01 * *hi;
}

/* ---- drawing */

typedef struct {
    double x, y;
} point;

typedef struct {
    point a, b;
} segment;

/* All pieces of one level. */
typedef struct {
    segment *item;
    size_t n, cap;
    pl_status failed;
} pieces;

static void add_piece(pieces *p, point a, point b)
{
    void *items = p->item;
    if (pl_grow(&items, &p->cap, p->n, sizeof *p->item, NULL) != PL_OK)
        p->failed = PL_ENOMEM;
    p->item = items;
    if (p->n < p->cap)
        p->item[p->n++] = (segment){ a, b };
}

/* Where `level` crosses the sides of a triangle. */
static void cross(pieces *out, const point p[3], const double v[3], double level)
{
    point hit[3];
    int n = 0;
    for (int i = 0; i < 3; i++) {
        int k = (i + 1) % 3;
        if ((v[i] < level) == (v[k] < level))
            continue;
        double t = (level - v[i]) / (v[k] - v[i]);
        hit[n++] = (point){ p[i].x + t * (p[k].x - p[i].x), p[i].y + t * (p[k].y - p[i].y) };
    }
    if (n == 2)
        add_piece(out, hit[0], hit[1]);
}

static void trace(const pl_map *m, const double *v, double level, pieces *out)
{
    static const int corner[2][3] = { { 0, 1, 3 }, { 0, 3, 2 } }; /* of a square: x, then y */
    for (int i = 0; i < GRID_X * GRID_Y; i++) {
        int gx = i % GRID_X, gy = i / GRID_X;
        for (int half = 0; half < 2; half++) {
            point p[3];
            double at[3];
            for (int k = 0; k < 3; k++) {
                int x = gx + corner[half][k] % 2, y = gy + corner[half][k] / 2;
                p[k] = (point){ pl_map_x(m, node(x, GRID_X, m->field->width_px)),
                                pl_map_y(m, node(y, GRID_Y, m->field->height_px)) };
                at[k] = v[y * (GRID_X + 1) + x];
            }
            cross(out, p, at, level);
        }
    }
}

static void stroke(pl_canvas *c, const pieces *p, double width)
{
    cairo_set_line_width(c->cr, width);
    for (size_t i = 0; i < p->n; i++) {
        cairo_move_to(c->cr, p->item[i].a.x, p->item[i].a.y);
        cairo_line_to(c->cr, p->item[i].b.x, p->item[i].b.y);
    }
    cairo_stroke(c->cr);
}

/* Room around a place: to the map's edges and to the texts on it, at most 140 px. */
static double room_at(const pl_map *m, point p)
{
    double room = fmin(140, fmin(fmin(p.x - m->box.x, m->box.x + m->box.w - p.x),
                                 fmin(p.y - m->box.y, m->box.y + m->box.h - p.y)));
    for (size_t i = 0; i < m->c->labels; i++) {
        pl_box b = m->c->label[i].box;
        room = fmin(room, hypot(b.x + b.w / 2 - p.x, b.y + b.h / 2 - p.y));
    }
    return room;
}

/* The place for the level's number that has the most room and keeps `away` px from `other`.
 * Gives: false when it would touch another text everywhere. */
static bool roomiest(const pl_map *m, const pieces *p, const pl_type *type, const char *text,
                     const point *other, double away, point *at)
{
    double best = 0;
    for (size_t i = 0; i < p->n; i++) {
        point mid = { 0.5 * (p->item[i].a.x + p->item[i].b.x),
                      0.5 * (p->item[i].a.y + p->item[i].b.y) };
        if (other && hypot(mid.x - other->x, mid.y - other->y) < away)
            continue;
        double room = room_at(m, mid);
        pl_box box = pl_canvas_measure(m->c, type, mid.x, mid.y, text);
        if (room > best && pl_canvas_free_at(m->c, box, m->box, 3)) {
            best = room;
            *at = mid;
        }
    }
    return best > 0;
}

/* A number for the level, and a second one far off: it may have two branches. */
static void label_level(const pl_map *m, const pieces *p, const char *text)
{
    const pl_type type = {
        .size = PL_SIZE_SMALL, .tone = PL_TONE_INK, .bold = true, .halo = true, .ax = 0.5, .ay = 0.5
    };
    point first = { 0, 0 }, second = { 0, 0 };
    if (!roomiest(m, p, &type, text, NULL, 0, &first))
        return;
    pl_canvas_text(m->c, &type, first.x, first.y, text);
    if (roomiest(m, p, &type, text, &first, 0.5 * fmax(m->box.w, m->box.h), &second))
        pl_canvas_text(m->c, &type, second.x, second.y, text);
}

static void draw_level(pl_map *m, const double *v, double level)
{
    pieces p = { .failed = PL_OK };
    double span = m->contour_hi - m->contour_lo;
    char text[64];
    trace(m, v, level, &p);
    pl_canvas_tone(m->c, PL_TONE_PAPER, 0.55);
    stroke(m->c, &p, 5);
    pl_canvas_rgb(m->c, pl_ramp(m->c->red, (level - m->contour_lo) / span), 1);
    stroke(m->c, &p, 2.6);
    snprintf(text, sizeof text, "%s%s", pl_tick_label(level, m->contour_step).s,
             m->unit[0] == 'a' ? "\"" : " px");
    label_level(m, &p, text);
    if (p.failed != PL_OK)
        m->c->failed = p.failed;
    free(p.item);
}

void pl_contours_draw(pl_map *m)
{
    pl_relief s;
    double lo, hi;
    if (!pl_relief_fit(m->field, &s) || !pl_relief_varies(&s, m->field, &lo, &hi))
        return;
    double *v = malloc((size_t)(GRID_X + 1) * (GRID_Y + 1) * sizeof *v);
    if (!v) {
        m->c->failed = PL_ENOMEM;
        return;
    }
    for (int i = 0; i < (GRID_X + 1) * (GRID_Y + 1); i++)
        v[i] = m->unit_px * pl_relief_at(&s, m->field,
                                         node(i % (GRID_X + 1), GRID_X, m->field->width_px),
                                         node(i / (GRID_X + 1), GRID_Y, m->field->height_px));
    m->has_contours = true;
    m->contour_lo = lo * m->unit_px;
    m->contour_hi = hi * m->unit_px;
    m->contour_step = pl_tick_step(m->contour_lo, m->contour_hi, 6);
    double first = ceil(m->contour_lo / m->contour_step);
    for (int i = 0; i < 16 && (first + i) * m->contour_step < m->contour_hi; i++)
        draw_level(m, v, (first + i) * m->contour_step);
    free(v);
}
