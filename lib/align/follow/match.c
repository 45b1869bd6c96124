/* SPDX-License-Identifier: GPL-3.0-or-later */
/* match.c - the same stars in two exposures of one field, and what became of their light.
 *
 * Two stars of one frame and two of the other that lie equally far apart, in one direction but for
 * a degree or half a turn, tell how one frame lies on the other. Pairs of the brightest stars vote;
 * what most of them say is held to all stars by least squares. As many stars have to fit as chance
 * never makes fit. */
#include "../align.h"

#include <math.h>
#include <stdlib.h>

enum { BRIGHTEST = 48, MOST_VOTES = 6000, FEWEST = 6, ROUNDS = 4 };

static const double LONGEST_TURN = 1.2 * M_PI / 180;   /* a degree, and room for its error */
static const double SAME_LENGTH = 1.5, SAME_PLACE = 4; /* px */

/* How the first frame lies on the second: q = c + (a, -b; b, a) (p - centre), px from the centre.
 */
typedef struct {
    double a, b, cx, cy;
} lie;

typedef struct {
    double x, y; /* from the frame's centre */
    const pl_star *star;
} dot;

typedef struct {
    dot *dot; /* [n] brightest first */
    size_t n;
    double half_x, half_y;
} sheet;

/* Two stars of a sheet, the first one the brighter. */
typedef struct {
    double length, dx, dy;
    const dot *from;
} span;

static pl_status sheet_of(const pl_field *f, sheet *s, pl_err *err)
{
    *s =
        (sheet){ malloc((f->used + 1) * sizeof *s->dot), 0, f->width_px / 2.0, f->height_px / 2.0 };
    if (!s->dot)
        return pl_fail(err, PL_ENOMEM, "out of memory for %zu stars", f->used);
    for (size_t i = 0; i < f->used; i++) {
        const pl_star *t = &f->star[i];
        if (t->flux_adu > 0 && t->snr > 0)
            s->dot[s->n++] = (dot){ t->x_px - s->half_x + 0.5, t->y_px - s->half_y + 0.5, t };
    }
    return PL_OK;
}

static int shorter(const void *a, const void *b)
{
    double p = ((const span *)a)->length, q = ((const span *)b)->length;
    return (p > q) - (p < q);
}

/* All pairs of the brightest, by length. Short ones tell no direction. */
static size_t spans_of(const sheet *s, span *out)
{
    size_t n = 0, stars = s->n < BRIGHTEST ? s->n : BRIGHTEST;
    double least = 0.05 * hypot(s->half_x, s->half_y);
    for (size_t i = 0; i < stars; i++)
        for (size_t j = i + 1; j < stars; j++) {
            const dot *p = &s->dot[i], *q = &s->dot[j];
            double length = hypot(q->x - p->x, q->y - p->y);
            if (length > least)
                out[n++] = (span){ length, q->x - p->x, q->y - p->y, p };
        }
    qsort(out, n, sizeof *out, shorter);
    return n;
}

/* What two spans of equal length say; `way` -1: the second one is read from its other end. */
static bool vote(const span *p, const span *q, int way, lie *out)
{
    double dx = way * q->dx, dy = way * q->dy, l2 = p->length * p->length;
    double a = (p->dx * dx + p->dy * dy) / l2, b = (p->dx * dy - p->dy * dx) / l2;
    if (fabs(b) > LONGEST_TURN)
        return false;
    double x = q->from->x + (way < 0 ? q->dx : 0), y = q->from->y + (way < 0 ? q->dy : 0);
    double each = 1 / hypot(a, b);
    *out = (lie){ a * each, b * each, 0, 0 };
    out->cx = x - (out->a * p->from->x - out->b * p->from->y);
    out->cy = y - (out->b * p->from->x + out->a * p->from->y);
    return true;
}

static size_t votes_of(const span *p, size_t np, const span *q, size_t nq, const sheet *s, lie *out)
{
    size_t n = 0, first = 0;
    for (size_t i = 0; i < np; i++) {
        while (first < nq && q[first].length < p[i].length - SAME_LENGTH)
            first++;
        for (size_t j = first; j < nq && q[j].length <= p[i].length + SAME_LENGTH; j++)
            for (int way = -1; way <= 1 && n < MOST_VOTES; way += 2)
                if (vote(&p[i], &q[j], way, &out[n]))
                    n += fabs(out[n].cx) < s->half_x && fabs(out[n].cy) < s->half_y;
    }
    return n;
}

static bool agree(const lie *p, const lie *q, double half)
{
    return fabs(p->cx - q->cx) < SAME_PLACE && fabs(p->cy - q->cy) < SAME_PLACE &&
           hypot(p->a - q->a, p->b - q->b) * half < 2 * SAME_PLACE;
}

/* The vote that most others share. Gives: how many do. */
static size_t elect(const lie *v, size_t n, const sheet *s, lie *out)
{
    size_t most = 0;
    for (size_t i = 0; i < n; i++) {
        size_t with = 0;
        for (size_t j = 0; j < n; j++)
            with += agree(&v[i], &v[j], fmin(s->half_x, s->half_y));
        if (with > most) {
            most = with;
            *out = v[i];
        }
    }
    return most;
}

static void onto(const lie *t, const dot *p, double *x, double *y)
{
    *x = t->cx + t->a * p->x - t->b * p->y;
    *y = t->cy + t->b * p->x + t->a * p->y;
}

typedef struct {
    const dot *p, *q;
} couple;

/* For each star of the first sheet the nearest one of the second within `reach`, no star twice:
 * where two claim it, the nearer keeps it.
 *   inside  out  stars of the first sheet that lie in the second frame */
static size_t couples_of(const sheet *s, const sheet *t, const lie *how, double reach, couple *out,
                         size_t *inside)
{
    size_t n = 0;
    *inside = 0;
    for (size_t i = 0; i < s->n; i++) {
        double x, y, best = reach;
        const dot *near = NULL;
        onto(how, &s->dot[i], &x, &y);
        if (fabs(x) > t->half_x || fabs(y) > t->half_y)
            continue;
        ++*inside;
        for (size_t j = 0; j < t->n; j++) {
            double d = hypot(t->dot[j].x - x, t->dot[j].y - y);
            if (d < best) {
                best = d;
                near = &t->dot[j];
            }
        }
        size_t at = 0;
        while (at < n && out[at].q != near)
            at++;
        if (near && at == n)
            out[n++] = (couple){ &s->dot[i], near };
    }
    return n;
}

/* Shift, turn and scale by robust least squares. */
static bool settle(const couple *c, size_t n, double *rows, double *rhs, lie *out)
{
    double at[4];
    for (size_t i = 0; i < n; i++) {
        const dot *p = c[i].p, *q = c[i].q;
        const double row[8] = { p->x, -p->y, 1, 0, p->y, p->x, 0, 1 };
        for (int k = 0; k < 8; k++)
            rows[8 * i + (size_t)k] = row[k];
        rhs[2 * i] = q->x;
        rhs[2 * i + 1] = q->y;
    }
    if (pl_lsq_fit(rows, rhs, 2 * n, 4, at, NULL, NULL, NULL) != PL_OK)
        return false;
    *out = (lie){ at[0], at[1], at[2], at[3] };
    return true;
}

static double scatter_of(const couple *c, size_t n, const lie *how, double *work)
{
    for (size_t i = 0; i < n; i++) {
        double x, y;
        onto(how, c[i].p, &x, &y);
        work[2 * i] = x - c[i].q->x;
        work[2 * i + 1] = y - c[i].q->y;
    }
    return pl_mad_sigma(work, 2 * n, 0);
}

/* Stars that would fit by chance, were the frames of two fields: as many as the second frame has in
 * circles of `reach` about those of the first. */
static double by_chance(const sheet *t, size_t inside, double reach)
{
    return (double)inside * (double)t->n * M_PI * reach * reach / (4 * t->half_x * t->half_y);
}

/* Means over stars: of the logarithm of the ratios of light and of width. */
static void ratios(const couple *c, size_t n, double seconds, double *work, pl_match *m)
{
    double mean, error;
    for (size_t i = 0; i < n; i++)
        work[i] = log(c[i].q->star->flux_adu / c[i].p->star->flux_adu);
    pl_robust_mean(work, n, &mean, NULL, &error);
    m->transparency = exp(mean) / seconds;
    m->transparency_sigma = error * m->transparency;
    for (size_t i = 0; i < n; i++)
        work[i] = log(c[i].q->star->fwhm_px / c[i].p->star->fwhm_px);
    pl_robust_mean(work, n, &mean, NULL, &error);
    m->spread = exp(mean);
    m->spread_sigma = error * m->spread;
}

/* From the elected lie to the answer.
 *   room  in  the couples, then [8 n] and [2 n] numbers for n stars of the first sheet */
static pl_status hold(const sheet *s, const sheet *t, lie how, double seconds, couple *c,
                      double *work, pl_match *out, pl_err *err)
{
    double reach = 3 * SAME_PLACE, scatter = NAN;
    size_t n = 0, inside = 0;
    bool fits = true;
    for (int round = 0; round < ROUNDS && fits; round++) {
        n = couples_of(s, t, &how, reach, c, &inside);
        fits = n >= 4 && settle(c, n, work, work + 8 * n, &how);
        scatter = fits ? scatter_of(c, n, &how, work) : NAN;
        reach = fmin(reach, fmax(1, 5 * scatter));
    }
    n = fits ? couples_of(s, t, &how, reach, c, &inside) : 0;
    double chance = by_chance(t, inside, reach);
    /* votes pick the best of thousands of lies: six sigma, and a seventh of the stars */
    if (n < FEWEST || (double)n < chance + 6 * sqrt(chance) + 3 ||
        (double)n < 0.15 * (double)(inside < t->n ? inside : t->n))
        return pl_fail(err, PL_ENODATA,
                       "the stars are not those of the other frame: %zu of %zu fall on one", n,
                       inside);
    *out = (pl_match){ .stars = n,
                       .shift_x_px = how.cx,
                       .shift_y_px = how.cy,
                       .rotation_deg = 180 / M_PI * atan2(how.b, how.a),
                       .scale = hypot(how.a, how.b),
                       .scatter_px = scatter };
    ratios(c, n, seconds, work, out);
    return PL_OK;
}

/* Exposure of the second over the first; 1 when they do not tell. */
static double seconds_ratio(const pl_field *p, const pl_field *q)
{
    double ratio = q->facts.exposure_s.v / p->facts.exposure_s.v;
    return isfinite(ratio) && ratio > 0 ? ratio : 1;
}

static pl_status match(const sheet *s, const sheet *t, double seconds, pl_match *out, pl_err *err)
{
    size_t most = BRIGHTEST * (BRIGHTEST - 1) / 2;
    span *p = malloc(2 * most * sizeof *p);
    lie *v = malloc((MOST_VOTES + 1) * sizeof *v), how = { 0 };
    couple *c = malloc((s->n + 1) * sizeof *c);
    double *work = malloc((s->n + 1) * 10 * sizeof *work);
    pl_status rc = PL_OK;
    if (!p || !v || !c || !work)
        rc = pl_fail(err, PL_ENOMEM, "out of memory for %zu stars", s->n);
    if (rc == PL_OK) {
        size_t np = spans_of(s, p), nq = spans_of(t, p + most);
        size_t n = votes_of(p, np, p + most, nq, s, v);
        if (elect(v, n, s, &how) == 0)
            rc = pl_fail(err, PL_ENODATA, "the stars are not those of the other frame");
        else
            rc = hold(s, t, how, seconds, c, work, out, err);
    }
    free(p);
    free(v);
    free(c);
    free(work);
    return rc;
}

pl_status pl_match_fields(const pl_field *before, const pl_field *after, pl_match *out, pl_err *err)
{
    sheet s = { 0 }, t = { 0 };
    if (before->width_px != after->width_px || before->height_px != after->height_px)
        return pl_fail(err, PL_EARG, "the frames differ in size: %d x %d and %d x %d pixels",
                       before->width_px, before->height_px, after->width_px, after->height_px);
    pl_status rc = sheet_of(before, &s, err);
    if (rc == PL_OK)
        rc = sheet_of(after, &t, err);
    if (rc == PL_OK)
        rc = match(&s, &t, seconds_ratio(before, after), out, err);
    free(s.dot);
    free(t.dot);
    return rc;
}
