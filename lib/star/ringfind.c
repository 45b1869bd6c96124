/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ringfind.c - where a frame's wide objects are.
 *
 * The frame is binned 4 x 4, where even a faint donut stands far above the noise, and freed of its
 * sky (ringsky.c). What is lit falls into pieces; each piece is cut again at a quarter of its own
 * level until that changes nothing: so a bright star's wings, a nebula or a satellite do not tie a
 * donut to them. A piece that is not round is tried at rising thresholds for round ones inside it.
 * All sizes of donut are found alike. Derived here. */
#include "ring.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    FEWEST_BINS = 7,    /* 12 px across: what is smaller is a star in focus or too small to read */
    WIDE_BINS = 9,      /* more than the bright part of a star in focus */
    BINS_TO_SPLIT = 24, /* fewer are no group of stars that could fall apart */
    NARROWEST = 14,     /* px: a row of stars in focus is narrower */
    WAYS = 8            /* directions in which a piece's width is taken */
};

static const float LIT = 4;          /* sigma of a bin */
static const double OWN_LEVEL = 0.7; /* quantile of a piece's lit bins that is its level */
static const double PART = 0.25;     /* of its own level bounds a piece */

struct map {
    int w, h;
    float *v;      /* [h][w] in units of the bins' noise above the sky; -1 where blank */
    uint8_t *mark; /* [h][w] 1: waits to be flooded */
    /* room for what lasts no longer than one step, [h * w] each */
    double *value;
    int32_t *bin;
};

/* Bins that hang together; owns them. */
struct piece {
    int32_t *bin;
    size_t n;
    float above; /* the threshold they are above */
    pl_ring_seed seed;
    bool inside; /* of an odd one: only hollow round ones count */
    bool odd;    /* to be kept if nothing was found inside it since `before` */
    size_t before;
};

struct pieces {
    struct piece *item;
    size_t n, cap;
};

/* ---- pieces */

/* Flood from a marked bin; bins within `reach` of each other belong together. */
static size_t flood(const struct map *m, int32_t from, int reach, int32_t *out)
{
    size_t n = 0;
    out[n++] = from;
    m->mark[from] = 0;
    for (size_t i = 0; i < n; i++) {
        int cx = out[i] % m->w, cy = out[i] / m->w;
        for (int y = cy - reach; y <= cy + reach; y++)
            for (int x = cx - reach; x <= cx + reach; x++) {
                if (x < 0 || y < 0 || x >= m->w || y >= m->h)
                    continue;
                int32_t at = y * m->w + x;
                if (m->mark[at]) {
                    m->mark[at] = 0;
                    out[n++] = at;
                }
            }
    }
    return n;
}

static pl_status add(struct pieces *list, struct piece p, pl_err *err)
{
    void *items = list->item;
    pl_status st = pl_grow(&items, &list->cap, list->n, sizeof p, err);
    list->item = items;
    if (st == PL_OK)
        list->item[list->n++] = p;
    else
        free(p.bin);
    return st;
}

static void drop_all(struct pieces *list)
{
    for (size_t i = 0; i < list->n; i++)
        free(list->item[i].bin);
    free(list->item);
}

/* Split bins into the pieces above a threshold, and add those that are large enough to a list.
 *   bins  in  [n], or NULL: all of the map (then n is its size)
 *   like  in  what the pieces are to be but for their bins */
static pl_status split(const struct map *m, const int32_t *bins, size_t n, int reach,
                       struct piece like, struct pieces *list, pl_err *err)
{
    pl_status st = PL_OK;
    for (size_t i = 0; i < n; i++) {
        int32_t at = bins ? bins[i] : (int32_t)i;
        m->mark[at] = m->v[at] > like.above;
    }
    for (size_t i = 0; i < n && st == PL_OK; i++) {
        int32_t at = bins ? bins[i] : (int32_t)i;
        like.n = m->mark[at] ? flood(m, at, reach, m->bin) : 0;
        if (like.n < FEWEST_BINS)
            continue;
        like.bin = malloc(sizeof *like.bin * like.n);
        if (!like.bin)
            return pl_fail(err, PL_ENOMEM, "out of memory for the search");
        memcpy(like.bin, m->bin, sizeof *like.bin * like.n);
        st = add(list, like, err);
    }
    return st;
}

/* A piece's own level: a high quantile of its bins above a quarter of that level. */
static double own_level(const struct map *m, const struct piece *p)
{
    double level = 0;
    for (int round = 0; round < 10; round++) {
        size_t n = 0;
        for (size_t i = 0; i < p->n; i++)
            if (m->v[p->bin[i]] > PART * level)
                m->value[n++] = m->v[p->bin[i]];
        double next = pl_quantile(m->value, n, OWN_LEVEL);
        if (!(next > level))
            break;
        level = next;
    }
    return level;
}

/* Centre, size and roundness from the widths in eight directions. */
static pl_ring_seed outline(const struct map *m, const struct piece *p, double *narrow)
{
    double lo[WAYS], hi[WAYS], x = 0, y = 0, least = INFINITY, most = 0, mean = 0;
    pl_ring_seed s = { .round = false };
    for (int k = 0; k < WAYS; k++) {
        double c = cos(M_PI * k / WAYS), d = sin(M_PI * k / WAYS);
        lo[k] = INFINITY;
        hi[k] = -INFINITY;
        for (size_t i = 0; i < p->n; i++) {
            int bx = p->bin[i] % m->w, by = p->bin[i] / m->w;
            lo[k] = fmin(lo[k], c * bx + d * by);
            hi[k] = fmax(hi[k], c * bx + d * by);
            s.edge |= bx == 0 || by == 0 || bx == m->w - 1 || by == m->h - 1;
        }
        double width = hi[k] - lo[k] + 1;
        least = fmin(least, width);
        most = fmax(most, width);
        mean += width / WAYS;
        x += (lo[k] + hi[k]) * c / WAYS; /* middles at c . u: least squares over the directions */
        y += (lo[k] + hi[k]) * d / WAYS;
    }
    s.x_px = (x + 0.5) * PL_RING_BIN - 0.5;
    s.y_px = (y + 0.5) * PL_RING_BIN - 0.5;
    s.r_px = 0.5 * mean * PL_RING_BIN;
    s.round = most - least < 0.2 * mean + 1.5;
    *narrow = least * PL_RING_BIN;
    return s;
}

/* Whether light lies all around the centre: in nearly all of 24 directions, away from the middle.
 */
static bool all_around(const struct map *m, const struct piece *p)
{
    const pl_ring_seed *s = &p->seed;
    enum { PARTS = 24, BINS_FOR_IT = 4 };
    bool seen[PARTS] = { false };
    int n = 0;
    if (s->r_px < BINS_FOR_IT * PL_RING_BIN)
        return true;
    for (size_t i = 0; i < p->n; i++) {
        double dx = p->bin[i] % m->w * PL_RING_BIN + 1.5 - s->x_px;
        double dy = p->bin[i] / m->w * PL_RING_BIN + 1.5 - s->y_px;
        int k = (int)((atan2(dy, dx) / (2 * M_PI) + 0.5) * PARTS) % PARTS;
        if (!seen[k] && hypot(dx, dy) > 0.6 * s->r_px) {
            seen[k] = true;
            n++;
        }
    }
    return n >= PARTS - 2;
}

/* Dark places shut in by a piece: bins of its box that no way along dark bins leads out of. */
static int count_holes(const struct map *m, const struct piece *p)
{
    int x0 = m->w, y0 = m->h, x1 = 0, y1 = 0, holes = 0;
    for (size_t i = 0; i < p->n; i++) {
        int x = p->bin[i] % m->w, y = p->bin[i] / m->w;
        x0 = x < x0 ? x : x0;
        x1 = x > x1 ? x : x1;
        y0 = y < y0 ? y : y0;
        y1 = y > y1 ? y : y1;
    }
    for (int y = y0; y <= y1; y++)
        memset(m->mark + (size_t)y * (size_t)m->w + x0, 1, (size_t)(x1 - x0 + 1));
    for (size_t i = 0; i < p->n; i++)
        m->mark[p->bin[i]] = 0;
    for (int y = y0; y <= y1; y++) /* open to the outside */
        for (int x = x0; x <= x1; x += y == y0 || y == y1 || x == x1 ? 1 : x1 - x0)
            if (m->mark[y * m->w + x])
                flood(m, y * m->w + x, 1, m->bin);
    for (int y = y0; y <= y1; y++)
        for (int x = x0; x <= x1; x++)
            if (m->mark[y * m->w + x])
                holes += flood(m, y * m->w + x, 1, m->bin) >= 1 + p->n / 50;
    return holes;
}

/* Whether some bin near the middle is darker than the piece. */
static bool is_hollow(const struct map *m, const pl_ring_seed *s, double level)
{
    double cx = (s->x_px - 1.5) / PL_RING_BIN, cy = (s->y_px - 1.5) / PL_RING_BIN;
    double r = fmax(1, 0.4 * s->r_px / PL_RING_BIN);
    for (int y = (int)ceil(cy - r); y <= cy + r; y++)
        for (int x = (int)ceil(cx - r); x <= cx + r; x++)
            if (x >= 0 && y >= 0 && x < m->w && y < m->h && m->v[y * m->w + x] < 0.7 * level)
                return true;
    return false;
}

/* Whether a piece is level: that most of what is above 0.6 of its level hangs together in wide
 * parts. A group of stars falls apart there. */
static bool is_level(const struct map *m, const struct piece *p, double level)
{
    size_t all = 0, wide = 0;
    for (size_t i = 0; i < p->n; i++)
        m->mark[p->bin[i]] = m->v[p->bin[i]] > 0.6 * level;
    for (size_t i = 0; i < p->n; i++)
        if (m->mark[p->bin[i]]) {
            size_t n = flood(m, p->bin[i], 1, m->bin);
            all += n;
            wide += n >= WIDE_BINS ? n : 0;
        }
    return 10 * wide >= 6 * all;
}

/* A piece that a quarter of its own level does not change: kept if it is round. What is not round
 * is searched at rising thresholds for round and hollow ones inside it; if there is none it is kept
 * itself, unless it is as narrow as a row of stars, or a group of them. Takes p over. */
static pl_status judge_shape(const struct map *m, struct piece p, double level, struct pieces *todo,
                             struct pieces *kept, pl_err *err)
{
    double narrow;
    p.seed = outline(m, &p, &narrow);
    p.seed.round = p.seed.round && all_around(m, &p);
    bool even = (p.seed.round && p.n < BINS_TO_SPLIT) || is_level(m, &p, level);
    if (p.seed.round && (p.inside ? is_hollow(m, &p.seed, level) : even))
        return add(kept, p, err);
    pl_status st = PL_OK;
    struct piece part = { .above = 1.5f * p.above, .inside = true };
    if (p.seed.round || p.inside || !even || narrow < NARROWEST) {
        if (!p.seed.round)
            st = split(m, p.bin, p.n, 1, part, todo, err);
        free(p.bin);
        return st;
    }
    p.odd = true;
    p.before = kept->n;
    p.seed.holes = count_holes(m, &p);
    st = add(todo, p, err);
    return st == PL_OK ? split(m, p.bin, p.n, 1, part, todo, err) : st;
}

/* One piece: cut it at a quarter of its own level as long as that changes it. Takes p over.
 *   todo  inout  pieces to be judged, the last one first */
static pl_status judge(const struct map *m, struct piece p, struct pieces *todo,
                       struct pieces *kept, pl_err *err)
{
    if (p.odd && kept->n == p.before)
        return add(kept, p, err);
    double level = p.odd ? 0 : own_level(m, &p);
    struct piece part = { .above = (float)(PART * level), .inside = p.inside };
    if (!p.odd && !(part.above > 1.15f * p.above))
        return judge_shape(m, p, level, todo, kept, err);
    pl_status st = p.odd ? PL_OK : split(m, p.bin, p.n, 2, part, todo, err);
    free(p.bin);
    return st;
}

/* ---- all together */

/* Whose each bin is; light that is nobody's, and a bin around all light, is -1. */
static void paint(const struct map *m, const struct pieces *kept, pl_ring_map *map)
{
    for (int y = 0; y < m->h; y++)
        for (int x = 0; x < m->w; x++) {
            if (!(m->v[y * m->w + x] > LIT))
                continue;
            for (int j = y > 0 ? y - 1 : 0; j <= y + 1 && j < m->h; j++)
                for (int i = x > 0 ? x - 1 : 0; i <= x + 1 && i < m->w; i++)
                    map->of[j * m->w + i] = -1;
        }
    for (size_t k = 0; k < kept->n; k++)
        for (size_t i = 0; i < kept->item[k].n; i++)
            map->of[kept->item[k].bin[i]] = (int32_t)k + 1;
}

static pl_status search(const struct map *m, struct pieces *kept, pl_err *err)
{
    struct pieces todo = { 0 };
    const struct piece lit = { .above = LIT };
    pl_status st = split(m, NULL, (size_t)m->w * (size_t)m->h, 2, lit, &todo, err);
    while (st == PL_OK && todo.n > 0)
        st = judge(m, todo.item[--todo.n], &todo, kept, err);
    drop_all(&todo);
    return st;
}

static pl_status hand_over(const struct map *m, const struct pieces *kept, pl_ring_map *map,
                           pl_err *err)
{
    map->seed = malloc(sizeof *map->seed * (kept->n + 1));
    map->of = calloc((size_t)m->w * (size_t)m->h, sizeof *map->of);
    if (!map->seed || !map->of)
        return pl_fail(err, PL_ENOMEM, "out of memory for %zu objects", kept->n);
    for (size_t k = 0; k < kept->n; k++)
        map->seed[k] = kept->item[k].seed;
    map->n = kept->n;
    map->w = m->w;
    map->h = m->h;
    paint(m, kept, map);
    return PL_OK;
}

pl_status pl_ring_map_find(const pl_frame *frame, int jobs, pl_ring_map *out, pl_err *err)
{
    struct map m = { .w = frame->width / PL_RING_BIN, .h = frame->height / PL_RING_BIN };
    struct pieces kept = { 0 };
    pl_ring_map map = { 0 };
    if (m.w < 8 || m.h < 8)
        return pl_fail(err, PL_ENODATA, "is %d x %d pixels; at least 32 x 32 are needed",
                       frame->width, frame->height);
    size_t all = (size_t)m.w * (size_t)m.h;
    m.v = malloc(sizeof *m.v * all);
    m.mark = calloc(all, sizeof *m.mark);
    m.value = malloc(sizeof *m.value * all);
    m.bin = malloc(sizeof *m.bin * all);
    pl_status st = m.v && m.mark && m.value && m.bin
                       ? pl_frame_thumb(frame, PL_RING_BIN, jobs, m.v, err)
                       : pl_fail(err, PL_ENOMEM, "out of memory for the search");
    if (st == PL_OK)
        st = pl_ring_level(m.v, m.w, m.h, err);
    if (st == PL_OK)
        st = search(&m, &kept, err);
    if (st == PL_OK)
        st = hand_over(&m, &kept, &map, err);
    drop_all(&kept);
    free(m.v);
    free(m.mark);
    free(m.value);
    free(m.bin);
    if (st != PL_OK)
        pl_ring_map_clear(&map);
    else
        *out = map;
    return st;
}

void pl_ring_map_clear(pl_ring_map *map)
{
    free(map->of);
    free(map->seed);
    *map = (pl_ring_map){ 0 };
}
