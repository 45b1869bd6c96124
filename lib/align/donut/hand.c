/* SPDX-License-Identifier: GPL-3.0-or-later */
/* hand.c - a hand over the tube's mouth, on the focuser's side, takes a piece out of the ring:
 * which way the focuser lies in the frame, or, that known, which side of focus the sensor stands
 * on. */
#include "donut.h"

#include <math.h>
#include <stdlib.h>

enum { SECTORS = PL_RING_ANGLES };

static const double DARK = 0.5; /* of the ring's level: a sector the hand covers */

/* Mean light of the ring above its sky in each direction; NaN where no pixel was seen. */
static pl_status sectors(const pl_ringfits *s, const pl_ring *r, double obstruction,
                         double level[SECTORS], pl_err *err)
{
    double sum[SECTORS] = { 0 }, n[SECTORS] = { 0 };
    double rim = r->outer_px / 2, bore = obstruction * rim;
    double from = bore + 0.3 * (rim - bore), to = bore + 0.75 * (rim - bore);
    int x0 = (int)fmax(0, floor(r->x_px - rim)), x1 = (int)fmin(s->frame->width, r->x_px + rim);
    int y0 = (int)fmax(0, floor(r->y_px - rim)), y1 = (int)fmin(s->frame->height, r->y_px + rim);
    float *row = malloc((size_t)(x1 - x0 + 1) * sizeof *row);
    pl_status rc = row ? PL_OK : pl_fail(err, PL_ENOMEM, "out of memory for a ring");
    for (int y = y0; y < y1 && rc == PL_OK; y++) {
        rc = pl_frame_read(s->frame, x0, y, x1 - x0, 1, row, err);
        for (int x = x0; x < x1 && rc == PL_OK; x++) {
            double d = hypot(x - r->x_px, y - r->y_px);
            if (d < from || d > to || !isfinite(row[x - x0]) || !pl_ringfits_green(s, x, y))
                continue;
            double turn = atan2(y - r->y_px, x - r->x_px) / (2 * M_PI) + 1;
            int k = (int)floor(turn * SECTORS + 0.5) % SECTORS;
            sum[k] += row[x - x0] - r->sky_adu;
            n[k]++;
        }
    }
    for (int k = 0; k < SECTORS; k++)
        level[k] = n[k] > 0 ? sum[k] / n[k] : NAN;
    free(row);
    return rc;
}

/* The one gap between 20 and 150 degrees wide. */
static pl_status gap_of(const double level[SECTORS], double *deg, double *width_deg, pl_err *err)
{
    double sorted[SECTORS], x = 0, y = 0;
    int n = 0, dark = 0, gaps = 0;
    for (int k = 0; k < SECTORS; k++)
        if (isfinite(level[k]))
            sorted[n++] = level[k];
    double limit = DARK * pl_quantile(sorted, (size_t)n, 0.7);
    for (int k = 0; k < SECTORS; k++) {
        bool here = level[k] < limit, before = level[(k + SECTORS - 1) % SECTORS] < limit;
        double a = 2 * M_PI * k / SECTORS;
        dark += here;
        gaps += here && !before;
        x += here ? cos(a) : 0;
        y += here ? sin(a) : 0;
    }
    *width_deg = 360.0 * dark / SECTORS;
    *deg = fmod(atan2(y, x) * 180 / M_PI + 360, 360);
    if (gaps == 0)
        return pl_fail(err, PL_ENODATA,
                       "the ring has no gap: hold the hand deeper over the tube's mouth");
    if (gaps > 1 || *width_deg < 20 || *width_deg > 150)
        return pl_fail(
            err, PL_ENODATA,
            "the ring has %d dark pieces, %.0f deg in all; one of 20 to 150 deg is wanted", gaps,
            *width_deg);
    return PL_OK;
}

/* The brightest wide thing: a ring with a piece missing is no whole ring. */
static const pl_ring *biggest(const pl_ringfits *s)
{
    const pl_ring *best = NULL;
    for (size_t k = 0; k < s->rings; k++) {
        const pl_ring *r = &s->ring[k];
        bool may = r->kind == PL_RING || r->kind == PL_RING_BROKEN || r->kind == PL_RING_OVERLAP;
        if (may && r->outer_px > 20 && (!best || r->flux_adu > best->flux_adu))
            best = r;
    }
    return best;
}

/* Cut twice, a ring falls into pieces that are found one by one, side by side; each alone would
 * seem to have its gap where the other one is not. */
static bool in_pieces(const pl_ringfits *s, const pl_ring *r)
{
    for (size_t k = 0; k < s->rings; k++) {
        const pl_ring *o = &s->ring[k];
        double reach = (o->outer_px + r->outer_px) / 2;
        if (o != r && o->outer_px > r->outer_px / 3 &&
            hypot(o->x_px - r->x_px, o->y_px - r->y_px) < reach)
            return true;
    }
    return false;
}

static void tell_side(pl_hand *h, pl_side told, double focuser_deg)
{
    h->side = told;
    h->focuser_deg = focuser_deg;
    if (told == PL_SIDE_UNKNOWN && isfinite(focuser_deg))
        h->side = cos((h->gap_deg - focuser_deg) * M_PI / 180) > 0 ? PL_SIDE_OUT : PL_SIDE_IN;
    else if (told != PL_SIDE_UNKNOWN)
        h->focuser_deg = fmod(h->gap_deg + (told == PL_SIDE_IN ? 180 : 0), 360);
}

pl_status pl_hand_find(const pl_frame *frame, const pl_facts *facts, pl_side side, int jobs,
                       pl_hand *out, pl_err *err)
{
    pl_ringfits s = { 0 };
    pl_hand h = { 0 };
    double level[SECTORS];
    pl_status rc = pl_ringfits_open(frame, facts, jobs, &s, NULL, err);
    if (rc != PL_OK)
        return rc;
    const pl_ring *r = biggest(&s);
    double obstruction = isfinite(facts->obstruction.v) ? facts->obstruction.v : 0.35;
    if (!r)
        rc = pl_fail(err, PL_ENODATA, "no ring with a gap: rack out until the star is a wide ring");
    else if (in_pieces(&s, r))
        rc = pl_fail(err, PL_ENODATA,
                     "the ring is in pieces: cover one side of the mouth, on a star that stands "
                     "alone");
    if (rc == PL_OK)
        rc = sectors(&s, r, obstruction, level, err);
    if (rc == PL_OK)
        rc = gap_of(level, &h.gap_deg, &h.width_deg, err);
    if (rc == PL_OK)
        rc = pl_frame_settled(frame, err);
    if (rc == PL_OK) {
        h.x_px = r->x_px;
        h.y_px = r->y_px;
        tell_side(&h, side, facts->focuser_deg.v);
        *out = h;
    }
    pl_ringfits_clear(&s);
    return rc;
}
