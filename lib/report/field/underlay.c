/* SPDX-License-Identifier: GPL-3.0-or-later */
/* underlay.c - the frame under its map: as on a printed plate, stars dark on paper (dim red on
 * black in the red look), pale enough to write on. */
#include "map.h"

#include <math.h>
#include <stdlib.h>

#define DEPTH 0.50 /* how far the brightest pixel goes from paper to ink */

typedef struct {
    int bin, w, h;
    float *v; /* [h][w] */
} thumb;

/* asinh stretch: sky near the paper, the brightest 0.05 % at full depth. Common practice, no
 * source.
 */
typedef struct {
    double floor, soft, top;
} stretch;

static stretch stretch_of(const thumb *t)
{
    size_t n = 0, all = (size_t)t->w * (size_t)t->h;
    stretch s = { 0, 1, 1 };
    double *v = malloc(all * sizeof *v);
    if (!v) {
        pl_memory_short();
        return s;
    }
    for (size_t i = 0; i < all; i++)
        if (isfinite(t->v[i]))
            v[n++] = t->v[i];
    if (n > 0) {
        double sky = pl_median(v, n), noise = pl_mad_sigma(v, n, sky);
        double high = pl_quantile(v, n, 0.9995);
        s.floor = sky - 1.5 * noise;
        s.soft = noise > 0 ? 5 * noise : 1;
        s.top = high > s.floor + 8 * noise ? high - s.floor : 8 * noise;
        if (!(s.top > 0))
            s.top = 1;
    }
    free(v);
    return s;
}

static uint32_t packed(pl_rgb c)
{
    return (uint32_t)(255 * c.r + 0.5) << 16 | (uint32_t)(255 * c.g + 0.5) << 8 |
           (uint32_t)(255 * c.b + 0.5);
}

static void shade(const thumb *t, bool red, cairo_surface_t *surface)
{
    uint32_t tone[256];
    stretch s = stretch_of(t);
    double full = asinh(s.top / s.soft);
    for (int i = 0; i < 256; i++)
        tone[i] = packed(pl_mix(pl_tone_rgb(red, PL_TONE_PAPER), pl_tone_rgb(red, PL_TONE_INK),
                                DEPTH * i / 255));
    cairo_surface_flush(surface);
    unsigned char *pixels = cairo_image_surface_get_data(surface);
    size_t stride = (size_t)cairo_image_surface_get_stride(surface);
    for (int y = 0; y < t->h; y++) {
        uint32_t *row = (uint32_t *)(void *)(pixels + (size_t)y * stride);
        for (int x = 0; x < t->w; x++) {
            double v =
                asinh((t->v[(size_t)y * (size_t)t->w + (size_t)x] - s.floor) / s.soft) / full;
            row[x] = tone[!(v > 0) ? 0 : v > 1 ? 255 : (int)(255 * v)];
        }
    }
    cairo_surface_mark_dirty(surface);
}

static void lay(const pl_map *m, const thumb *t, cairo_surface_t *surface)
{
    cairo_t *cr = m->c->cr;
    cairo_save(cr);
    cairo_rectangle(cr, m->box.x, m->box.y, m->box.w, m->box.h);
    cairo_clip(cr);
    cairo_translate(cr, m->box.x, m->top_down ? m->box.y : m->box.y + m->box.h);
    cairo_scale(cr, m->box.w / m->field->width_px * t->bin,
                (m->top_down ? 1 : -1) * m->box.h / m->field->height_px * t->bin);
    cairo_set_source_surface(cr, surface, 0, 0);
    cairo_pattern_set_filter(cairo_get_source(cr), CAIRO_FILTER_GOOD);
    cairo_pattern_set_extend(cairo_get_source(cr), CAIRO_EXTEND_PAD);
    cairo_paint(cr);
    cairo_restore(cr);
}

pl_status pl_underlay_draw(const pl_map *m, const pl_frame *frame, int jobs, pl_err *err)
{
    int width = pl_frame_width(frame), height = pl_frame_height(frame);
    thumb t = { .bin = 2 };
    while (width >= m->box.w * (t.bin + 2) && height >= m->box.h * (t.bin + 2))
        t.bin += 2;
    while (width / t.bin > 16384 || height / t.bin > 16384)
        t.bin += 2;
    t.w = width / t.bin;
    t.h = height / t.bin;
    if (t.w < 1 || t.h < 1)
        return PL_OK;
    t.v = malloc((size_t)t.w * (size_t)t.h * sizeof *t.v);
    if (!t.v)
        return pl_fail(err, PL_ENOMEM, "out of memory for the frame under the map");
    pl_status st = pl_frame_thumb(frame, t.bin, jobs, t.v, err);
    if (st == PL_OK) {
        cairo_surface_t *surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, t.w, t.h);
        if (cairo_surface_status(surface) == CAIRO_STATUS_SUCCESS) {
            shade(&t, m->c->red, surface);
            lay(m, &t, surface);
        } else {
            st = pl_fail(err, PL_ENOMEM, "out of memory for the frame under the map");
        }
        cairo_surface_destroy(surface);
    }
    free(t.v);
    return st;
}
