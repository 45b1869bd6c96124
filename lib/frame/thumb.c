/* SPDX-License-Identifier: GPL-3.0-or-later */
/* thumb.c - the frame binned down for a picture. */
#include "frame.h"

#include <math.h>
#include <stdlib.h>

struct shrink {
    const pl_frame *frame;
    int bin, w;
    float *out;
    pl_err *err; /* [rows of out] */
};

static void shrink_row(void *ctx, size_t row, int worker)
{
    (void)worker;
    struct shrink *s = ctx;
    size_t w = (size_t)s->frame->width;
    float *pix = malloc(sizeof *pix * w * (size_t)s->bin), *out = s->out + row * (size_t)s->w;
    if (!pix)
        pl_fail(&s->err[row], PL_ENOMEM, "out of memory for the picture");
    else if (pl_frame_read(s->frame, 0, (int)row * s->bin, s->frame->width, s->bin, pix,
                           &s->err[row]) == PL_OK)
        for (int x = 0; x < s->w; x++) {
            double sum = 0, n = 0;
            for (int y = 0; y < s->bin; y++)
                for (int i = 0; i < s->bin; i++) {
                    float v = pix[(size_t)y * w + (size_t)(x * s->bin + i)];
                    if (isfinite(v)) {
                        sum += v;
                        n++;
                    }
                }
            out[x] = n > 0 ? (float)(sum / n) : NAN;
        }
    free(pix);
}

pl_status pl_frame_thumb(const pl_frame *frame, int bin, int jobs, float *out, pl_err *err)
{
    if (bin < 1 || bin > frame->width || bin > frame->height)
        return pl_fail(err, PL_EARG, "cannot bin a %d x %d frame by %d", frame->width,
                       frame->height, bin);
    size_t rows = (size_t)(frame->height / bin);
    struct shrink s = { frame, bin, frame->width / bin, out, calloc(rows, sizeof *s.err) };
    if (!s.err)
        return pl_fail(err, PL_ENOMEM, "out of memory for the picture");
    pl_pool_run(jobs, rows, shrink_row, &s);
    pl_status st = PL_OK;
    for (size_t i = 0; i < rows && st == PL_OK; i++)
        if (s.err[i].code != PL_OK)
            st = pl_fail(err, s.err[i].code, "%s", s.err[i].msg);
    free(s.err);
    return st;
}
