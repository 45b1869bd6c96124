/* SPDX-License-Identifier: GPL-3.0-or-later */
/* zone.c - the same boxes of two frames, compared.
 *
 * Each box is a weighted mean of its stars, once those more than 3.5 sigma off the box's median are
 * left out. How far stars scatter about their box is taken from all boxes together: fifteen stars
 * alone know their own scatter too badly for a verdict among fifty. Sizes are told against the mean
 * of all boxes, so that what the air does to all alike cancels. */
#include "change.h"

#include <math.h>
#include <stdlib.h>

enum { STARS_A_ZONE = 15, FEWEST = 6, MOST_SIDE = 5, PARTS = 3 };

static const double CLIP = 3.5;

/* What the stars of one frame say in each box. */
typedef struct {
    double v[PARTS], sigma[PARTS]; /* ln FWHM, chi1, chi2 */
    size_t stars;
} box;

typedef struct {
    const pl_field *f;
    size_t columns, rows;
    double *work; /* [2 used] */
    size_t *where;
} survey;

static double value_of(const pl_star *s, int part, double *sigma)
{
    *sigma = part == 0 ? hypot(s->fwhm_sigma_px / s->fwhm_px, 0.01) : hypot(s->chi_sigma, 0.005);
    return part == 0 ? log(s->fwhm_px) : part == 1 ? s->chi1 : s->chi2;
}

static size_t cell(double at, int pixels, size_t cells)
{
    double k = floor((at + 0.5) / pixels * (double)cells);
    return k < 0 ? 0 : k >= (double)cells ? cells - 1 : (size_t)k;
}

static double median_of(const survey *s, size_t k, int part)
{
    size_t n = 0;
    double ignored;
    for (size_t i = 0; i < s->f->used; i++)
        if (s->where[i] == k)
            s->work[n++] = value_of(&s->f->star[i], part, &ignored);
    return pl_median(s->work, n);
}

/* One quantity: means and errors of all boxes. */
static void average(const survey *s, int part, box *out)
{
    size_t n = 0, used = s->f->used, boxes = s->columns * s->rows, filled = 0;
    double sigma, *rest = s->work + used;
    for (size_t at = 0; at < boxes; at++) {
        out[at].v[part] = median_of(s, at, part);
        filled += out[at].stars > 0;
    }
    for (size_t i = 0; i < used; i++) {
        double v = value_of(&s->f->star[i], part, &sigma);
        rest[n++] = (v - out[s->where[i]].v[part]) / sigma;
    }
    /* about medians of their own, stars lie closer than about the truth */
    double scale = fmax(1, pl_mad_sigma(rest, n, 0) *
                               sqrt((double)n / fmax(1, (double)(n - fmin(n - 1, filled)))));
    for (size_t k = 0; k < boxes; k++) {
        double sum = 0, weight = 0, mid = out[k].v[part];
        for (size_t i = 0; i < used; i++) {
            double v = value_of(&s->f->star[i], part, &sigma);
            if (s->where[i] != k || fabs(v - mid) > CLIP * scale * sigma)
                continue;
            sum += v / (sigma * sigma);
            weight += 1 / (sigma * sigma);
        }
        out[k].v[part] = sum / weight;
        out[k].sigma[part] = scale / sqrt(weight);
    }
}

static pl_status look(const pl_field *f, size_t columns, size_t rows, box *out, pl_err *err)
{
    survey s = { f, columns, rows, malloc(2 * (f->used + 1) * sizeof *s.work),
                 malloc((f->used + 1) * sizeof *s.where) };
    bool room = s.work && s.where;
    for (size_t i = 0; room && i < f->used; i++) {
        const pl_star *t = &f->star[i];
        s.where[i] =
            cell(t->y_px, f->height_px, rows) * columns + cell(t->x_px, f->width_px, columns);
        out[s.where[i]].stars++;
    }
    for (int part = 0; room && part < PARTS; part++)
        average(&s, part, out);
    free(s.work);
    free(s.where);
    return room ? PL_OK : pl_fail(err, PL_ENOMEM, "out of memory for the zones");
}

/* Mean of the sizes of the boxes that count, each as much as any other. */
static double middle(const box *b, const bool *counts, size_t n, double *variance)
{
    double sum = 0, many = 0;
    *variance = 0;
    for (size_t k = 0; k < n; k++)
        if (counts[k]) {
            sum += b[k].v[0];
            *variance += b[k].sigma[0] * b[k].sigma[0];
            many++;
        }
    *variance /= many * many;
    return sum / many;
}

/* Error of a box against the mean in which it has its own share. */
static double against(const box *b, double variance, double many)
{
    return sqrt(fmax(0, b->sigma[0] * b->sigma[0] * (1 - 2 / many) + variance));
}

static pl_vector stretch_of(const box *b)
{
    return (pl_vector){ b->v[1], b->v[2], pow(b->sigma[1], 2), 0, pow(b->sigma[2], 2) };
}

static double axis(const box *b)
{
    double deg = 90 / M_PI * atan2(b->v[2], b->v[1]);
    return deg < 0 ? deg + 180 : deg;
}

/* What the boxes are told against: which count, how many, the mean of each frame. */
typedef struct {
    bool counts[MOST_SIDE * MOST_SIDE];
    double many, before, after, before_variance, after_variance;
} common;

static common common_of(const box *b, const box *a, size_t n)
{
    common c = { .many = 0 };
    for (size_t at = 0; at < n; at++)
        c.many += c.counts[at] = b[at].stars >= FEWEST && a[at].stars >= FEWEST;
    c.before = middle(b, c.counts, n, &c.before_variance);
    c.after = middle(a, c.counts, n, &c.after_variance);
    return c;
}

static pl_change size_of(const box *b, const box *a, const common *m, double swell)
{
    return pl_change_numbers_in_air("size", "fraction", b->v[0] - m->before,
                                    against(b, m->before_variance, m->many), a->v[0] - m->after,
                                    against(a, m->after_variance, m->many), swell, 2);
}

static void compare(const box *b, const box *a, double swell, pl_changes *c)
{
    size_t n = c->columns * c->rows;
    pl_change *all[2 * MOST_SIDE * MOST_SIDE];
    common m = common_of(b, a, n);
    for (size_t at = 0; at < n; at++) {
        pl_zone_change *z = &c->zone[at];
        z->before_stars = b[at].stars;
        z->after_stars = a[at].stars;
        z->size = size_of(&b[at], &a[at], &m, swell);
        z->stretch = pl_change_vectors_in_air("stretch", "chi", stretch_of(&b[at]),
                                              stretch_of(&a[at]), 2, swell, 2);
        if (!m.counts[at])
            z->size.chance = z->stretch.chance = NAN;
        z->before_deg = axis(&b[at]);
        z->after_deg = axis(&a[at]);
        all[2 * at] = &z->size;
        all[2 * at + 1] = &z->stretch;
    }
    pl_changes_holm(all, 2 * n);
    for (size_t at = 0; at < 2 * n; at++)
        pl_change_say(all[at]);
}

static size_t side(double want)
{
    return want < 1.5 ? 1 : want > MOST_SIDE ? MOST_SIDE : (size_t)lround(want);
}

pl_status pl_zones_compare(const pl_field *before, const pl_field *after, double swell,
                           pl_changes *out, pl_err *err)
{
    double stars = (double)(before->used < after->used ? before->used : after->used);
    double aspect = (double)before->width_px / before->height_px;
    size_t ny = side(sqrt(stars / STARS_A_ZONE / aspect)),
           nx = side(stars / STARS_A_ZONE / (double)ny), n = nx * ny;
    box *b = calloc(2 * n, sizeof *b);
    out->zone = calloc(n, sizeof *out->zone);
    out->columns = nx;
    out->rows = ny;
    pl_status rc = b && out->zone ? PL_OK : pl_fail(err, PL_ENOMEM, "out of memory for the zones");
    if (rc == PL_OK)
        rc = look(before, nx, ny, b, err);
    if (rc == PL_OK)
        rc = look(after, nx, ny, b + n, err);
    if (rc == PL_OK) {
        for (size_t k = 0; k < n; k++) {
            out->zone[k].x_px = ((double)(k % nx) + 0.5) * before->width_px / (double)nx - 0.5;
            out->zone[k].y_px = ((double)(k / nx) + 0.5) * before->height_px / (double)ny - 0.5;
        }
        compare(b, b + n, swell, out);
    }
    free(b);
    return rc;
}
