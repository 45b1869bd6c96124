/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stamp.c - cut the pixels around one star: the right colour, no blanks, no neighbours. */
#include "star.h"

#include <math.h>
#include <string.h>

double pl_stamp_d2(const pl_stamp *st, int i, double x, double y)
{
    double dx = st->x0 + i % st->w - x, dy = st->y0 + i / st->w - y;
    return dx * dx + dy * dy;
}

pl_stamp_box pl_stamp_within(const pl_stamp *st, double x, double y, double r)
{
    x -= st->x0;
    y -= st->y0;
    return (pl_stamp_box){ (int)fmax(0, ceil(x - r)), (int)fmin(st->w, floor(x + r) + 1),
                           (int)fmax(0, ceil(y - r)), (int)fmin(st->h, floor(y + r) + 1) };
}

static bool wanted(const pl_site *s, char colour, int x, int y)
{
    return !s->mosaic[0] || s->mosaic[2 * (y & 1) + (x & 1)] == colour;
}

/* Sky level and variance of the colour at the star; the phases' own levels for levelling them. */
static void local_sky(const pl_site *s, char colour, const pl_bump *b, pl_stamp *st, float level[4])
{
    int n = 0;
    st->sky = st->var = 0;
    for (int p = 0; p < 4; p++) {
        float noise;
        pl_sky_at(s->sky, p, b->x_px, b->y_px, &level[p], &noise);
        if (!wanted(s, colour, p & 1, p >> 1))
            continue;
        st->sky += level[p];
        st->var += noise * noise;
        n++;
    }
    st->sky /= n;
    st->var /= n;
    st->share = n / 4.0;
    st->gain = s->gain;
}

/* Clipped, or flat on top: four pixels and more within 0.3 % of the highest of a bright star. */
static bool is_saturated(const pl_site *s, const pl_stamp *st, double cx, double cy, double core)
{
    float top = -1e30f;
    int flat = 0;
    pl_stamp_box box = pl_stamp_within(st, cx, cy, core);
    for (int pass = 0; pass < 2; pass++)
        for (int y = box.y0; y < box.y1; y++)
            for (int x = box.x0; x < box.x1; x++) {
                int i = y * st->w + x;
                if (st->use[i] == 0 || pl_stamp_d2(st, i, cx, cy) > core * core)
                    continue;
                if (pass == 0)
                    top = fmaxf(top, st->value[i]);
                else
                    flat += st->value[i] - st->sky >= 0.997 * (top - st->sky);
            }
    return top >= 0.97 * s->saturation || (flat >= 4 && top - st->sky > 100 * sqrt(st->var));
}

/* A neighbour's peak over the noise of a pixel, from its matched-filter score (derived: peak =
 * flux / (2 pi s^2), flux = score noise sqrt(4 pi) s, s = FWHM / 2.355). */
static double peak_in_noise(const pl_bump *b, double fwhm)
{
    return 1.33 * b->score / fwhm;
}

static double wing(const pl_site *s, double fwhm, double d)
{
    double u = 4 * d * d / (fwhm * fwhm);
    return pow(1 + (exp2(1 / s->beta) - 1) * u, -s->beta);
}

/* Radius at which light of that peak sinks below half a pixel's noise. */
static double reach(const pl_site *s, double peak, double fwhm)
{
    double u = (pow(fmax(1, 2 * peak), 1 / s->beta) - 1) / (exp2(1 / s->beta) - 1);
    return 0.5 * fwhm * sqrt(u);
}

static void mask_disc(pl_stamp *st, double x, double y, double r)
{
    pl_stamp_box box = pl_stamp_within(st, x, y, r);
    for (int row = box.y0; row < box.y1; row++)
        for (int i = row * st->w + box.x0; i < row * st->w + box.x1; i++)
            if (pl_stamp_d2(st, i, x, y) < r * r)
                st->use[i] = 0;
}

/* Mask each neighbour out to its reach; false when that would eat the star's own core. */
static bool mask_neighbours(const pl_site *s, size_t me, double radius, pl_stamp *st)
{
    const pl_bump *b = &s->bump[me];
    double fwhm = s->fwhm > 0 ? s->fwhm : 3 << b->scale;
    int64_t k;
    for (pl_nearby_walk w = pl_nearby_start(s->nearby, b->x_px, b->y_px);
         (k = pl_nearby_next(&w)) >= 0;) {
        const pl_bump *o = &s->bump[k];
        double d = hypot(o->x_px - b->x_px, o->y_px - b->y_px);
        if ((size_t)k == me || d > radius + 2 * fwhm)
            continue;
        double peak = peak_in_noise(o, fwhm), mine = peak_in_noise(b, fwhm);
        double spill = peak * wing(s, fwhm, d); /* its light on my centre */
        if (spill > 0.03 * mine && spill > 0.3)
            return false;
        double r = fmin(fmax(fwhm, reach(s, peak, fwhm)), d - 0.8 * fwhm);
        if (r > 0)
            mask_disc(st, o->x_px, o->y_px, r);
    }
    return true;
}

static bool core_is_whole(const pl_stamp *st, double cx, double cy, double core)
{
    pl_stamp_box box = pl_stamp_within(st, cx, cy, core);
    for (int row = box.y0; row < box.y1; row++)
        for (int i = row * st->w + box.x0; i < row * st->w + box.x1; i++)
            if (!isfinite(st->value[i]) && pl_stamp_d2(st, i, cx, cy) < core * core)
                return false;
    return true;
}

/* Level the phases, drop other colours, blanks and what lies outside the circle. */
static void choose_pixels(const pl_site *s, char colour, const pl_bump *b, double radius,
                          const float level[4], pl_stamp *st)
{
    float sky = (float)st->sky, lift[4];
    bool want[4];
    for (int p = 0; p < 4; p++) {
        lift[p] = level[p] - sky;
        want[p] = wanted(s, colour, p & 1, p >> 1);
    }
    for (int row = 0, i = 0; row < st->h; row++) {
        double dy = st->y0 + row - b->y_px, room = radius * radius - dy * dy;
        for (int x = st->x0; x < st->x0 + st->w; x++, i++) {
            int p = 2 * ((st->y0 + row) & 1) + (x & 1);
            double dx = x - b->x_px;
            bool ok = isfinite(st->value[i]) && want[p] && dx * dx <= room;
            st->use[i] = ok;
            st->value[i] = ok ? st->value[i] - lift[p] : sky;
        }
    }
}

pl_kind pl_stamp_cut(const pl_site *site, size_t bump, char colour, double radius, pl_stamp *st)
{
    const pl_site *s = site;
    const pl_bump *b = &s->bump[bump];
    int cx = (int)lround(b->x_px), cy = (int)lround(b->y_px), r = (int)ceil(radius);
    double fwhm = s->fwhm > 0 ? s->fwhm : 3 << b->scale, core = fmax(1.5, 0.75 * fwhm);
    float level[4];
    if (r > PL_STAMP_MAX / 2)
        r = PL_STAMP_MAX / 2;
    int x1 = cx + r < s->frame->width ? cx + r : s->frame->width - 1;
    int y1 = cy + r < s->frame->height ? cy + r : s->frame->height - 1;
    st->x0 = cx - r > 0 ? cx - r : 0;
    st->y0 = cy - r > 0 ? cy - r : 0;
    st->w = x1 - st->x0 + 1;
    st->h = y1 - st->y0 + 1;
    double margin = fmin(fmin(b->x_px, s->frame->width - 1 - b->x_px),
                         fmin(b->y_px, s->frame->height - 1 - b->y_px));
    if (margin < fmax(3, 1.5 * fwhm))
        return PL_EDGE;
    if (pl_frame_read(s->frame, st->x0, st->y0, st->w, st->h, st->value, NULL) != PL_OK) {
        if (s->unread)
            atomic_store(s->unread, true);
        return PL_EDGE;
    }
    if (!core_is_whole(st, b->x_px, b->y_px, core))
        return PL_EDGE;
    if (pl_trail_holds(s->bump, bump, s->nearby))
        return PL_TRAIL;
    local_sky(s, colour, b, st, level);
    choose_pixels(s, colour, b, radius, level, st);
    if (is_saturated(s, st, b->x_px, b->y_px, core))
        return PL_SATURATED;
    return mask_neighbours(s, bump, radius, st) ? PL_STAR : PL_BLENDED;
}
