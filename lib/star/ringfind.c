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
    FEWEST_BINS = 9,    /* 14 px across: what is smaller is a star in focus or too small to read */
    BINS_TO_SPLIT = 24, /* fewer are no group of stars that could fall apart */
    MOST_DEPTH = 40,
    WAYS = 8 /* directions in which a piece's width is taken */
};

static const float LIT = 4;          /* sigma of a bin */
static const double OWN_LEVEL = 0.7; /* quantile of a piece's lit bins that is its level */
static const double PART = 0.25;     /* of its own level bounds a piece */

struct map {
    int w, h;
    float *v;      /* [h][w] in units of the bins' noise above the sky; -1 where blank */
    uint8_t *mark; /* [h][w] 1: waits to be flooded */
    double *spare; /* [h * w] */
    int32_t *room; /* [h * w] */
};

/* Bins of one piece: a part of a longer array. */
struct piece {
    int32_t *bin;
    size_t n;
};

struct found {
    pl_ring_seed *seed;
    struct piece *piece; /* own copies */
    size_t n, cap, pieces_cap;
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

/* Split the bins above a threshold into pieces.
 *   bins    in   [n], or NULL: all of the map (then n is its size)
 *   room    out  [n] the pieces' bins, one piece after the other
 *   size    out  [n] of each piece
 * Gives: how many pieces. */
static size_t split(const struct map *m, const int32_t *bins, size_t n, float above, int reach,
                    int32_t *room, size_t *size)
{
    size_t pieces = 0, used = 0;
    for (size_t i = 0; i < n; i++) {
        int32_t at = bins ? bins[i] : (int32_t)i;
        m->mark[at] = m->v[at] > above;
    }
    for (size_t i = 0; i < n; i++) {
        int32_t at = bins ? bins[i] : (int32_t)i;
        if (m->mark[at]) {
            size[pieces] = flood(m, at, reach, room + used);
            used += size[pieces++];
        }
    }
    return pieces;
}

/* A piece's own level: a high quantile of its bins above a quarter of that level. */
static double own_level(const struct map *m, const struct piece *p)
{
    double level = 0;
    for (int round = 0; round < 10; round++) {
        size_t n = 0;
        for (size_t i = 0; i < p->n; i++)
            if (m->v[p->bin[i]] > PART * level)
                m->spare[n++] = m->v[p->bin[i]];
        double next = pl_quantile(m->spare, n, OWN_LEVEL);
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
static bool all_around(const struct map *m, const struct piece *p, const pl_ring_seed *s)
{
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
                flood(m, y * m->w + x, 1, m->room);
    for (int y = y0; y <= y1; y++)
        for (int x = x0; x <= x1; x++)
            if (m->mark[y * m->w + x])
                holes += flood(m, y * m->w + x, 1, m->room) >= 1 + p->n / 50;
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
            size_t n = flood(m, p->bin[i], 1, m->room);
            all += n;
            wide += n >= FEWEST_BINS ? n : 0;
        }
    return 10 * wide >= 6 * all;
}

static pl_status keep(struct found *f, const pl_ring_seed *s, const struct piece *p, pl_err *err)
{
    void *seeds = f->seed, *pieces = f->piece;
    pl_status st = pl_grow(&seeds, &f->cap, f->n, sizeof *s, err);
    f->seed = seeds;
    if (st == PL_OK)
        st = pl_grow(&pieces, &f->pieces_cap, f->n, sizeof *p, err);
    f->piece = pieces;
    if (st != PL_OK)
        return st;
    int32_t *own = malloc(sizeof *own * p->n);
    if (!own)
        return pl_fail(err, PL_ENOMEM, "out of memory for the search");
    memcpy(own, p->bin, sizeof *own * p->n);
    f->seed[f->n] = *s;
    f->piece[f->n++] = (struct piece){ own, p->n };
    return PL_OK;
}

static pl_status judge(const struct map *m, const struct piece *p, float above, int depth,
                       bool must_be_hollow, struct found *f, pl_err *err);

/* Cut a piece at a higher threshold and judge its parts. */
static pl_status judge_parts(const struct map *m, const struct piece *p, float above, int reach,
                             int depth, bool must_be_hollow, struct found *f, pl_err *err)
{
    int32_t *room = malloc(sizeof *room * p->n);
    size_t *size = malloc(sizeof *size * p->n), used = 0;
    pl_status st = room && size ? PL_OK : pl_fail(err, PL_ENOMEM, "out of memory for the search");
    size_t parts = st == PL_OK ? split(m, p->bin, p->n, above, reach, room, size) : 0;
    for (size_t i = 0; i < parts && st == PL_OK; used += size[i++]) {
        struct piece part = { room + used, size[i] };
        if (part.n >= FEWEST_BINS)
            st = judge(m, &part, above, depth + 1, must_be_hollow, f, err);
    }
    free(room);
    free(size);
    return st;
}

/* What is not round: round and hollow parts of it at higher thresholds; else itself, unless it is
 * as narrow as a row of stars. */
static pl_status judge_odd(const struct map *m, const struct piece *p, pl_ring_seed *s,
                           double narrow, float above, int depth, bool must_be_hollow,
                           struct found *f, pl_err *err)
{
    size_t before = f->n;
    pl_status st = judge_parts(m, p, 1.5f * above, 1, depth, true, f, err);
    if (st != PL_OK || f->n > before || must_be_hollow || narrow < 14 ||
        !is_level(m, p, own_level(m, p)))
        return st;
    s->holes = count_holes(m, p);
    return keep(f, s, p, err);
}

/* A piece above a threshold: cut it at a quarter of its own level until it stays whole. */
static pl_status judge(const struct map *m, const struct piece *p, float above, int depth,
                       bool must_be_hollow, struct found *f, pl_err *err)
{
    double level = own_level(m, p), narrow;
    float own = (float)(PART * level);
    if (depth >= MOST_DEPTH)
        return PL_OK;
    if (own > 1.15f * above)
        return judge_parts(m, p, own, 2, depth, must_be_hollow, f, err);
    pl_ring_seed s = outline(m, p, &narrow);
    s.round = s.round && all_around(m, p, &s);
    if (!s.round)
        return judge_odd(m, p, &s, narrow, above, depth, must_be_hollow, f, err);
    bool wanted =
        must_be_hollow ? is_hollow(m, &s, level) : p->n < BINS_TO_SPLIT || is_level(m, p, level);
    return wanted ? keep(f, &s, p, err) : PL_OK;
}

/* ---- all together */

/* Whose each bin is; light that is nobody's, and a bin around all light, is -1. */
static void paint(const struct map *m, const struct found *f, int32_t *of)
{
    for (int y = 0; y < m->h; y++)
        for (int x = 0; x < m->w; x++) {
            if (!(m->v[y * m->w + x] > LIT))
                continue;
            for (int j = y > 0 ? y - 1 : 0; j <= y + 1 && j < m->h; j++)
                for (int i = x > 0 ? x - 1 : 0; i <= x + 1 && i < m->w; i++)
                    of[j * m->w + i] = -1;
        }
    for (size_t k = 0; k < f->n; k++)
        for (size_t i = 0; i < f->piece[k].n; i++)
            of[f->piece[k].bin[i]] = (int32_t)k + 1;
}

static pl_status search(struct map *m, struct found *f, pl_err *err)
{
    size_t all = (size_t)m->w * (size_t)m->h, used = 0;
    int32_t *room = malloc(sizeof *room * all);
    size_t *size = malloc(sizeof *size * all);
    pl_status st = room && size ? PL_OK : pl_fail(err, PL_ENOMEM, "out of memory for the search");
    size_t pieces = st == PL_OK ? split(m, NULL, all, LIT, 2, room, size) : 0;
    for (size_t i = 0; i < pieces && st == PL_OK; used += size[i++]) {
        struct piece p = { room + used, size[i] };
        if (p.n >= FEWEST_BINS)
            st = judge(m, &p, LIT, 0, false, f, err);
    }
    free(room);
    free(size);
    return st;
}

pl_status pl_ring_map_find(const pl_frame *frame, int jobs, pl_ring_map *out, pl_err *err)
{
    struct map m = { .w = frame->width / PL_RING_BIN, .h = frame->height / PL_RING_BIN };
    struct found f = { 0 };
    pl_ring_map map = { .w = m.w, .h = m.h };
    if (m.w < 8 || m.h < 8)
        return pl_fail(err, PL_ENODATA, "is %d x %d pixels; at least 32 x 32 are needed",
                       frame->width, frame->height);
    size_t all = (size_t)m.w * (size_t)m.h;
    m.v = malloc(sizeof *m.v * all);
    m.mark = calloc(all, sizeof *m.mark);
    m.spare = malloc(sizeof *m.spare * all);
    m.room = malloc(sizeof *m.room * all);
    map.of = calloc(all, sizeof *map.of);
    pl_status st = m.v && m.mark && m.spare && map.of
                       ? pl_frame_thumb(frame, PL_RING_BIN, jobs, m.v, err)
                       : pl_fail(err, PL_ENOMEM, "out of memory for the search");
    if (st == PL_OK)
        st = pl_ring_level(m.v, m.w, m.h, err);
    if (st == PL_OK)
        st = search(&m, &f, err);
    if (st == PL_OK)
        paint(&m, &f, map.of);
    for (size_t k = 0; k < f.n; k++)
        free(f.piece[k].bin);
    free(f.piece);
    free(m.v);
    free(m.mark);
    free(m.spare);
    free(m.room);
    map.seed = f.seed;
    map.n = f.n;
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
