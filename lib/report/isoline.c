/* SPDX-License-Identifier: GPL-3.0-or-later */
/* isoline.c - lines of one value. Each square of a grid is cut in two triangles: in a triangle a
 * level crosses two sides or none, so there is no doubtful case. */
#include "isoline.h"

#include <math.h>
#include <stdlib.h>

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

static point node_at(const pl_isolines *m, int x, int y)
{
    double along = (double)x / PL_GRID_X, up = (double)y / PL_GRID_Y;
    return (point){ m->box.x + m->box.w * along,
                    m->box.y + m->box.h * (m->top_down ? up : 1 - up) };
}

static void trace(const pl_isolines *m, double level, pieces *out)
{
    static const int corner[2][3] = { { 0, 1, 3 }, { 0, 3, 2 } }; /* of a square: x, then y */
    for (int i = 0; i < PL_GRID_X * PL_GRID_Y; i++) {
        int gx = i % PL_GRID_X, gy = i / PL_GRID_X;
        for (int half = 0; half < 2; half++) {
            point p[3];
            double at[3];
            for (int k = 0; k < 3; k++) {
                int x = gx + corner[half][k] % 2, y = gy + corner[half][k] / 2;
                p[k] = node_at(m, x, y);
                at[k] = m->v[y * (PL_GRID_X + 1) + x];
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
static double room_at(const pl_isolines *m, point p)
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
static bool roomiest(const pl_isolines *m, const pieces *p, const pl_type *type, const char *text,
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
static void label_level(const pl_isolines *m, const pieces *p, const char *text)
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

void pl_isoline_draw(const pl_isolines *m, double level, const char *text)
{
    pieces p = { .failed = PL_OK };
    trace(m, level, &p);
    pl_canvas_tone(m->c, PL_TONE_PAPER, 0.55);
    stroke(m->c, &p, 5);
    pl_canvas_rgb(m->c, pl_ramp(m->c->red, (level - m->lo) / (m->hi - m->lo)), 1);
    stroke(m->c, &p, 2.6);
    label_level(m, &p, text);
    if (p.failed != PL_OK)
        m->c->failed = p.failed;
    free(p.item);
}
