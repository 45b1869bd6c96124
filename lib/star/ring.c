/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ring.c - one donut's geometry, and what is no clean donut.
 *
 * The rim is fitted first, then the hole, each with the other's place in hand; wide objects without
 * a hole, cut, clipped, doubled or broken ones are named as such. Limits are common sense, set
 * beside the code; no source. */
#include "ring.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { LEAST_ANGLES = 24 }; /* of 36 for a whole ring */

static const double LEAST_PX = 14;     /* a ring narrower than that is too small to read */
static const double LEAST_WIDE = 18;   /* and anything else narrower may be a star in focus */
static const double SMALL_RADIUS = 20; /* up to here the air may blur a ring beyond reading */

struct crew {
    pl_ring_site site;
    pl_ring *ring;
    pl_err *err;
};

static void forget(pl_ring *r)
{
    *r = (pl_ring){ .x_px = NAN,
                    .y_px = NAN,
                    .outer_px = NAN,
                    .inner_px = NAN,
                    .blur_px = NAN,
                    .hole_dx_px = NAN,
                    .hole_dy_px = NAN,
                    .hole_sigma_px = NAN,
                    .centre_sigma_px = NAN,
                    .sky_adu = NAN,
                    .noise_adu = NAN,
                    .flux_adu = NAN,
                    .snr = NAN };
    for (int k = 0; k < PL_RING_ANGLES; k++)
        r->rim_px[k] = r->rim_sigma_px[k] = r->bore_px[k] = r->bore_sigma_px[k] = NAN;
}

/* ---- the hole */

/* What of the ring's light is missing near a place.
 *   hole  inout  x, y: the place; then the centre of what is missing, its radius, and by how many
 *                sigma it is missing */
struct gap {
    double x, y, radius, significance;
};

static void weigh_gap(const pl_ring_cut *c, const pl_edge *rim, double reach, struct gap *g)
{
    double sum = 0, sx = 0, sy = 0, var = 0;
    for (int i = 0; i < c->w * c->h; i++) {
        double px = c->x0 + i % c->w, py = c->y0 + i / c->w;
        if (!isfinite(c->v[i]) || pl_ring_distance(px - g->x, py - g->y) > reach)
            continue;
        double level = rim->level[pl_ring_direction(px - rim->x, py - rim->y, PL_RING_ANGLES)];
        if (!isfinite(level))
            continue;
        double missing = 1 - c->v[i] / level;
        sum += missing;
        sx += missing * (px - g->x);
        sy += missing * (py - g->y);
        var += (c->noise * c->noise + c->photon * fmax(0, c->v[i])) / (level * level);
    }
    g->significance = sum / sqrt(var);
    g->radius = sqrt(fmax(0, sum) / (M_PI * c->share));
    if (g->significance > 3) {
        g->x += sx / sum;
        g->y += sy / sum;
    }
}

/* Close in on the hole from the whole inside of the ring. */
static struct gap find_gap(const pl_ring_cut *c, const pl_edge *rim)
{
    struct gap g = { rim->x, rim->y, NAN, 0 };
    double reach = 0.65 * rim->radius;
    for (int round = 0; round < 4; round++) {
        weigh_gap(c, rim, reach, &g);
        if (!(g.significance > 3))
            break;
        reach = fmin(0.65 * rim->radius, 1.2 * g.radius + 2 * rim->blur + 1);
        if (hypot(g.x - rim->x, g.y - rim->y) > 0.5 * rim->radius)
            break;
    }
    return g;
}

/* ---- rim and hole in turn */

/* Where to look, given how narrow the ring is at its narrowest. */
static void set_rim(pl_edge *rim, double width)
{
    double near = fmin(0.5 * width, 3.5 * rim->blur + 1);
    rim->flat_hi = rim->radius - near;
    rim->flat_lo = fmax(rim->radius - 0.75 * width, rim->flat_hi - 0.35 * width);
    rim->lo = fmin(rim->flat_lo, rim->radius - 0.7 * width);
    rim->hi = rim->radius + fmax(fmax(0.22 * rim->radius, 5 * rim->blur), 4);
}

static void set_hole(pl_edge *hole, double width)
{
    double near = fmin(0.5 * width, 3.5 * hole->blur + 1);
    hole->flat_lo = hole->radius + near;
    hole->flat_hi = fmin(hole->radius + 0.75 * width, hole->flat_lo + 0.35 * width);
    hole->lo = 0;
    hole->hi = fmax(hole->flat_hi, hole->radius + 0.7 * width);
}

static pl_edge first_rim(const pl_ring_seed *s)
{
    double r = fmax(3, s->r_px - 0.5 * PL_RING_BIN);
    pl_edge e = { .x = s->x_px, .y = s->y_px, .at = r, .radius = r, .blur = 0.08 * r + 1 };
    for (int k = 0; k < PL_RING_ANGLES; k++)
        e.level[k] = NAN;
    set_rim(&e, 0.6 * r);
    return e;
}

static double narrowest(const pl_edge *rim, const pl_edge *hole)
{
    return rim->radius - hole->radius - hypot(hole->x - rim->x, hole->y - rim->y);
}

/* Refine both twice.
 *   whole  out  false when either is no edge or the ring is no ring */
static pl_status fit_both(pl_ring_cut *c, pl_edge *rim, pl_edge *hole, bool *whole, pl_err *err)
{
    *whole = true;
    for (int round = 0; *whole && round < 2; round++) {
        double width = narrowest(rim, hole);
        pl_status st = pl_ring_cut_noise(c, rim->x, rim->y, rim->radius - 0.65 * width,
                                         rim->radius - 0.35 * width, err);
        if (st != PL_OK)
            return st;
        set_hole(hole, width);
        hole->blur = rim->blur;
        *whole = width > 0.1 * rim->radius && pl_edge_fit(c, hole);
        width = narrowest(rim, hole);
        set_rim(rim, width);
        *whole = *whole && width > 0.1 * rim->radius && pl_edge_fit(c, rim);
    }
    return PL_OK;
}

/* ---- from edges to a ring */

/* Distance from the rim's centre to the hole's edge in direction k: the hole's own circle and
 * shifts, seen from there. NaN where the rim's centre is not inside the hole. */
static double bore(const pl_edge *rim, const pl_edge *hole, int k, double *sigma)
{
    double a = k * 2 * M_PI / PL_RING_ANGLES, ux = cos(a), uy = sin(a), r = hole->radius;
    double dx = hole->x - rim->x, dy = hole->y - rim->y;
    int at = k;
    *sigma = NAN;
    for (int round = 0; round < 4; round++) {
        double along = dx * ux + dy * uy, across = dx * uy - dy * ux, h2 = r * r - across * across;
        if (hypot(dx, dy) >= 0.95 * r || h2 <= 0)
            return NAN;
        double reach = along + sqrt(h2);
        at = pl_ring_direction(reach * ux - dx, reach * uy - dy, PL_RING_ANGLES);
        if (round == 3) {
            *sigma = hole->shift_sigma[at];
            return reach;
        }
        r = hole->radius + hole->shift[at];
    }
    return NAN;
}

static double whole_light(const pl_ring_cut *c, const pl_edge *rim)
{
    double sum = 0, reach = rim->radius + 4 * rim->blur;
    for (int i = 0; i < c->w * c->h; i++)
        if (isfinite(c->v[i]) &&
            pl_ring_distance(c->x0 + i % c->w - rim->x, c->y0 + i / c->w - rim->y) < reach)
            sum += c->v[i];
    return sum / c->share;
}

static double typical_level(const pl_edge *rim)
{
    double v[PL_RING_ANGLES];
    size_t n = 0;
    for (int k = 0; k < PL_RING_ANGLES; k++)
        if (isfinite(rim->level[k]))
            v[n++] = rim->level[k];
    return pl_median(v, n);
}

static void tell_rim(const pl_ring_cut *c, const pl_edge *rim, pl_ring *r)
{
    double level = typical_level(rim);
    r->x_px = rim->x;
    r->y_px = rim->y;
    r->outer_px = 2 * rim->radius;
    r->blur_px = rim->blur;
    r->centre_sigma_px = rim->sigma;
    r->flux_adu = whole_light(c, rim);
    r->snr = level / sqrt(c->noise * c->noise + c->photon * level);
    for (int k = 0; k < PL_RING_ANGLES; k++) {
        r->rim_px[k] = rim->radius + rim->shift[k];
        r->rim_sigma_px[k] = rim->shift_sigma[k];
    }
}

static void tell_hole(const pl_edge *rim, const pl_edge *hole, pl_ring *r)
{
    r->inner_px = 2 * hole->radius;
    r->hole_dx_px = hole->x - rim->x;
    r->hole_dy_px = hole->y - rim->y;
    r->hole_sigma_px = hypot(rim->sigma, hole->sigma);
    for (int k = 0; k < PL_RING_ANGLES; k++)
        r->bore_px[k] = bore(rim, hole, k, &r->bore_sigma_px[k]);
}

/* ---- what it is */

static bool leaves_frame(const pl_frame *f, double x, double y, double reach)
{
    return x - reach < -0.5 || y - reach < -0.5 || x + reach > f->width - 0.5 ||
           y + reach > f->height - 0.5;
}

/* How unlike the edge's softness is around the rim, over its mean: nothing for a lone ring, whose
 * edge is alike all around; much where another ring looks out from under it. Spread from the 10 %
 * to the 90 % quantile (2.563 sigma of a Gaussian), so that a star beside the rim does not count;
 * less twice the variance noise makes: a spread over 36 angles varies by itself. */
static double unevenness(const pl_edge *rim)
{
    double v[PL_RING_ANGLES], noise2 = 0;
    size_t n = 0;
    for (int k = 0; k < PL_RING_ANGLES; k++)
        if (isfinite(rim->soft[k])) {
            v[n++] = rim->soft[k];
            noise2 += rim->soft_sigma[k] * rim->soft_sigma[k];
        }
    double spread = (pl_quantile(v, n, 0.9) - pl_quantile(v, n, 0.1)) / 2.563;
    return sqrt(fmax(0, spread * spread - 2 * noise2 / (double)n));
}

/* Angles at which the edge was seen, and those darker than a third of the typical level. */
static void look_around(const pl_edge *edge, int *seen, int *dark)
{
    double level = typical_level(edge);
    *seen = *dark = 0;
    for (int k = 0; k < PL_RING_ANGLES; k++) {
        *seen += isfinite(edge->shift[k]);
        *dark += !(edge->level[k] > level / 3);
    }
}

/* Light all around, but within an edge that is sharp here and soft there. */
static bool is_overlapped(const pl_edge *rim)
{
    int seen, dark;
    look_around(rim, &seen, &dark);
    return dark <= PL_RING_ANGLES / 6 && unevenness(rim) > 0.25;
}

static pl_ring_kind kind_of(const pl_edge *rim, const pl_edge *hole)
{
    int seen, dark, hole_seen, hole_dark;
    double r = rim->radius, bent = hypot(rim->shape[3], rim->shape[4]);
    double cornered = hypot(rim->shape[5], rim->shape[6]);
    look_around(rim, &seen, &dark);
    look_around(hole, &hole_seen, &hole_dark);
    if (is_overlapped(rim))
        return PL_RING_OVERLAP;
    if (bent > 0.15 * r || cornered > 0.1 * r || rim->scatter > 0.05 * r + 8 * rim->sigma ||
        dark > PL_RING_ANGLES / 6 || seen < LEAST_ANGLES)
        return PL_RING_BROKEN;
    if (rim->blur > 0.18 * r) /* no air does that to a wide one: it is smeared or doubled */
        return r < SMALL_RADIUS ? PL_RING_SMALL : PL_RING_BROKEN;
    if (2 * r < LEAST_PX || hole_seen < LEAST_ANGLES / 2)
        return PL_RING_SMALL;
    return PL_RING;
}

/* What can be told before any fit: false when nothing more is to be measured. */
static bool worth_fitting(const pl_ring_site *s, const pl_ring_seed *seed, const pl_ring_cut *c,
                          pl_ring *r)
{
    r->x_px = seed->x_px;
    r->y_px = seed->y_px;
    r->outer_px = 2 * seed->r_px - PL_RING_BIN;
    r->sky_adu = c->sky;
    r->noise_adu = c->noise;
    if (c->absent > 0.01 || (!seed->round && seed->edge) ||
        leaves_frame(s->frame, seed->x_px, seed->y_px, 0.5 * r->outer_px - 1))
        r->kind = PL_RING_CUT;
    else if (c->clipped > 0.002)
        r->kind = PL_RING_SATURATED;
    else if (!seed->round)
        r->kind = seed->holes >= 2 ? PL_RING_OVERLAP : PL_RING_BROKEN;
    else
        return true;
    return false;
}

static pl_status measure(const pl_ring_site *s, const pl_ring_seed *seed, pl_ring_cut *c,
                         pl_ring *r, pl_err *err)
{
    pl_edge rim = first_rim(seed), hole;
    bool whole;
    pl_status st = pl_ring_cut_noise(c, rim.x, rim.y, 0.6 * rim.radius, 0.8 * rim.radius, err);
    r->kind = PL_RING_FILLED;
    if (st != PL_OK || !pl_edge_fit(c, &rim))
        return st;
    tell_rim(c, &rim, r);
    struct gap g = find_gap(c, &rim);
    bool hollow = g.radius > 0.05 * rim.radius;
    if (!(hollow && g.significance > 5)) {
        bool perhaps = hollow && g.significance > 3 && rim.radius < SMALL_RADIUS;
        r->kind = is_overlapped(&rim) ? PL_RING_OVERLAP : perhaps ? PL_RING_SMALL : PL_RING_FILLED;
        return PL_OK;
    }
    hole = (pl_edge){ .hole = true, .x = g.x, .y = g.y, .at = g.radius, .radius = g.radius };
    r->kind = is_overlapped(&rim) ? PL_RING_OVERLAP : PL_RING_BROKEN;
    st = fit_both(c, &rim, &hole, &whole, err);
    if (st != PL_OK || !whole)
        return st;
    tell_rim(c, &rim, r);
    tell_hole(&rim, &hole, r);
    r->kind = leaves_frame(s->frame, rim.x, rim.y, rim.radius + 2 * rim.blur)
                  ? PL_RING_CUT
                  : kind_of(&rim, &hole);
    return PL_OK;
}

static void measure_item(void *ctx, size_t i, int worker)
{
    (void)worker;
    struct crew *crew = ctx;
    const pl_ring_seed *seed = &crew->site.map->seed[i];
    pl_ring_cut cut = { 0 };
    pl_ring *r = &crew->ring[i];
    forget(r);
    pl_status st = pl_ring_cut_new(&crew->site, i, &cut, &crew->err[i]);
    if (st == PL_ENODATA) /* no sky around it */
        crew->err[i] = (pl_err){ PL_OK, "" };
    if (crew->err[i].code == PL_OK && worth_fitting(&crew->site, seed, &cut, r)) {
        r->kind = PL_RING_BROKEN;
        if (st == PL_OK)
            measure(&crew->site, seed, &cut, r, &crew->err[i]);
    }
    pl_ring_cut_clear(&cut);
}

/* ---- all of a frame */

static int by_use(const void *a, const void *b)
{
    const pl_ring *p = a, *q = b;
    if ((p->kind == PL_RING) != (q->kind == PL_RING))
        return p->kind == PL_RING ? -1 : 1;
    double pf = isfinite(p->flux_adu) ? p->flux_adu : 0,
           qf = isfinite(q->flux_adu) ? q->flux_adu : 0;
    if (pf != qf)
        return pf < qf ? 1 : -1;
    if (p->y_px != q->y_px)
        return p->y_px < q->y_px ? -1 : 1;
    return p->x_px < q->x_px ? -1 : p->x_px > q->x_px;
}

/* Leave out what is as narrow as a star in focus. */
static size_t drop_narrow(pl_ring *r, size_t n)
{
    size_t kept = 0;
    for (size_t i = 0; i < n; i++)
        if (r[i].outer_px >= LEAST_WIDE || r[i].kind == PL_RING || r[i].kind == PL_RING_SMALL)
            r[kept++] = r[i];
    return kept;
}

pl_status pl_rings_find(const pl_frame *frame, const char *mosaic, double saturation_adu, int jobs,
                        pl_ring **out, size_t *n, pl_err *err)
{
    pl_ring_map map = { 0 };
    pl_status st = pl_ring_map_find(frame, jobs, &map, err);
    if (st != PL_OK)
        return st;
    struct crew crew = { .site = { frame, mosaic, saturation_adu, &map } };
    crew.ring = malloc(sizeof *crew.ring * (map.n + 1));
    crew.err = calloc(map.n + 1, sizeof *crew.err);
    if (!crew.ring || !crew.err)
        st = pl_fail(err, PL_ENOMEM, "out of memory for %zu rings", map.n);
    else
        pl_pool_run(jobs, map.n, measure_item, &crew);
    for (size_t i = 0; i < map.n && st == PL_OK; i++)
        if (crew.err[i].code != PL_OK)
            st = pl_fail(err, crew.err[i].code, "%s", crew.err[i].msg);
    if (st == PL_OK) {
        *n = drop_narrow(crew.ring, map.n);
        qsort(crew.ring, *n, sizeof *crew.ring, by_use);
        *out = *n ? crew.ring : NULL;
    }
    if (st != PL_OK || !*n)
        free(crew.ring);
    free(crew.err);
    pl_ring_map_clear(&map);
    return st;
}

const char *pl_ring_kind_name(pl_ring_kind kind)
{
    static const char *const name[PL_RING_KINDS] = { "ring",      "small",   "filled", "cut",
                                                     "saturated", "overlap", "broken" };
    return (unsigned)kind < PL_RING_KINDS ? name[kind] : "unknown";
}
