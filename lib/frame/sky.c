/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sky.c - level and noise of the sky on a mesh, from a sample of rows.
 * Level: mean of a cell's pixels clipped about their median. Noise: scatter of differences between
 * pixels two columns apart (the same colour on a mosaic), so that gradients and nebulae do not
 * count as noise. Clipping and mesh filtering are common practice, no source. */
#include "frame.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    PAIRS = 8, /* of rows, sampled a cell; every phase is in each */
    CLIP_ROUNDS = 3,
    START_VALUES = 63
};

struct survey {
    const pl_frame *frame;
    pl_sky *sky;
    pl_err *err;              /* one a mesh row, or a mesh */
    float *room[PL_POOL_MAX]; /* each worker's rows, kept from mesh row to mesh row */
};

static int cell_side(int width, int height)
{
    int side = width < height ? width : height;
    return side >= 4096 ? 256 : side >= 2048 ? 128 : side >= 400 ? 64 : 32;
}

/* Where to start clipping: median and MAD of every so many values. */
static void start_clip(const float *v, size_t n, double *centre, double *sigma)
{
    *centre = *sigma = NAN;
    if (n == 0)
        return;
    float some[START_VALUES];
    size_t stride = (n + START_VALUES - 1) / START_VALUES, m = 0;
    for (size_t i = 0; i < n; i += stride)
        some[m++] = v[i];
    *centre = pl_medianf(some, m);
    for (size_t i = 0; i < m; i++)
        some[i] = fabsf(some[i] - (float)*centre);
    *sigma = 1.4826 * pl_medianf(some, m);
}

/* A value less the centre; 0 when that is beyond the limit. Bits masked, not a branch taken. */
PL_INTO float within(float v, float c, float limit, int *count)
{
    union {
        float f;
        int32_t i;
    } d = { v - c };
    int in = -(fabsf(d.f) <= limit);
    d.i &= in;
    *count -= in;
    return d.f;
}

/* Number, sum and sum of squares of what lies within `limit` of c, in independent parts, which
 * vectorises. */
PL_WIDE
static void sum_within(const float *v, size_t n, float c, float limit, double *sum, double *sq,
                       int *m)
{
    enum { PARTS = 16 };
    float s[PARTS] = { 0 }, q[PARTS] = { 0 };
    int count[PARTS] = { 0 };
    size_t i = 0;
    for (; i + PARTS <= n; i += PARTS)
        for (size_t j = 0; j < PARTS; j++) {
            float d = within(v[i + j], c, limit, &count[j]);
            s[j] += d;
            q[j] += d * d;
        }
    for (size_t j = 0; i + j < n; j++) {
        float d = within(v[i + j], c, limit, &count[j]);
        s[j] += d;
        q[j] += d * d;
    }
    *sum = *sq = *m = 0;
    for (size_t j = 0; j < PARTS; j++) {
        *sum += s[j];
        *sq += q[j];
        *m += count[j];
    }
}

/* Mean and scatter of the values within 3 sigma of the centre, clipped anew CLIP_ROUNDS times from
 * the start (c, s). The first sigma is a MAD's; later ones are clipped standard deviations, which
 * unlike a MAD are right for coarsely digitised data too (1.0144: what clipping a Gaussian at 3
 * sigma takes off). */
static void clipped(const float *v, size_t n, double c, double s, double *mean, double *sigma)
{
    *mean = *sigma = NAN;
    if (n < 8)
        return;
    if (!(s > 0)) { /* more than half alike: take the spread of all as a start */
        double sum = 0;
        for (size_t i = 0; i < n; i++)
            sum += fabs(v[i] - c);
        s = sum / (double)n;
    }
    for (int round = 0; round < CLIP_ROUNDS; round++) {
        double sum, sq;
        int m;
        sum_within(v, n, (float)c, (float)(3 * s), &sum, &sq, &m);
        if (m < 4)
            return;
        double shift = sum / m;
        s = 1.0144 * sqrt(fmax(0, sq / m - shift * shift));
        c += shift;
    }
    *mean = c;
    *sigma = s;
}

/* One phase of a cell's row: n values two columns apart, and the n - 1 differences of neighbours.
 * Gives: whether all are finite. */
PL_WIDE
static bool take_row(const float *row, size_t n, float *restrict v, float *restrict d)
{
    int blank = 0;
    for (size_t i = 0; i < n; i++) {
        v[i] = row[2 * i];
        blank |= !(v[i] - v[i] == 0);
    }
    for (size_t i = 0; i + 1 < n; i++)
        d[i] = v[i + 1] - v[i];
    return !blank;
}

static size_t drop_blank(float *v, size_t n)
{
    size_t m = 0;
    for (size_t i = 0; i < n; i++)
        if (isfinite(v[i]))
            v[m++] = v[i];
    return m;
}

/* One phase of one cell out of the sampled rows. */
static void measure_cell(const float *rows, int width, int n_rows, int x0, int x1, int phase,
                         float *v, double *level, double *noise)
{
    size_t n = 0, nd = 0, each = (size_t)(x1 - x0 - (phase & 1) + 1) / 2;
    float *d = v + (size_t)n_rows * (size_t)(x1 - x0);
    bool whole = true;
    for (int r = phase >> 1; r < n_rows; r += 2, n += each, nd += each - 1)
        whole &= take_row(rows + (size_t)r * (size_t)width + x0 + (phase & 1), each, v + n, d + nd);
    if (!whole) {
        n = drop_blank(v, n);
        nd = drop_blank(d, nd);
    }
    double ignored, centre, sigma, scatter;
    start_clip(v, n, &centre, &sigma);
    clipped(v, n, centre, sigma, level, &scatter);
    clipped(d, nd, 0, M_SQRT2 * scatter, &ignored, noise);
    *noise *= M_SQRT1_2; /* a difference of two pixels */
}

static pl_status read_sample(const pl_frame *f, int y0, int y1, float *rows, int *n, pl_err *err)
{
    int pairs = (y1 - y0) / 2 < PAIRS ? (y1 - y0) / 2 : PAIRS;
    *n = 0;
    for (int i = 0; i < pairs; i++) {
        int y = (y0 + (int)((int64_t)i * (y1 - y0) / pairs)) & ~1;
        pl_status st =
            pl_frame_read(f, 0, y, f->width, 2, rows + (size_t)*n * (size_t)f->width, err);
        if (st != PL_OK)
            return st;
        *n += 2;
    }
    return PL_OK;
}

static void survey_row(void *ctx, size_t j, int worker)
{
    struct survey *s = ctx;
    pl_sky *sky = s->sky;
    int w = s->frame->width, n = 0;
    int y0 = (int)j * sky->cell, y1 = (int)j == sky->ny - 1 ? s->frame->height : y0 + sky->cell;
    size_t widest = (size_t)(w - (sky->nx - 1) * sky->cell); /* the last cell of a row */
    if (!s->room[worker])
        s->room[worker] = malloc(sizeof(float) * 2 * PAIRS * ((size_t)w + 2 * widest));
    float *rows = s->room[worker];
    if (!rows) {
        pl_fail(&s->err[j], PL_ENOMEM, "out of memory for the sky");
        return;
    }
    float *v = rows + (size_t)(2 * PAIRS) * (size_t)w;
    if (read_sample(s->frame, y0, y1, rows, &n, &s->err[j]) == PL_OK)
        for (int i = 0; i < sky->nx; i++) {
            int x0 = i * sky->cell, x1 = i == sky->nx - 1 ? w : x0 + sky->cell;
            for (int p = 0; p < 4; p++) {
                double level, noise;
                measure_cell(rows, w, n, x0, x1, p, v, &level, &noise);
                sky->level[p][j * (size_t)sky->nx + (size_t)i] = (float)level;
                sky->noise[p][j * (size_t)sky->nx + (size_t)i] = (float)noise;
            }
        }
}

/* The first of from, from + step, ... that is not below nought. */
static int not_below_0(int from, int step)
{
    return from < 0 ? from + (step - 1 - from) / step * step : from;
}

/* The finite nodes of the square r to each side of a node; where r > 1 of its border only: what
 * lies within was blank, and a mesh that is blank but for a corner must not take for ever. */
static size_t take_around(const float *mesh, int nx, int ny, int i, int j, int r, float *out)
{
    size_t n = 0;
    int down = r == 1 || i >= r || i + r < nx ? 1 : 2 * r; /* are there sides, or top and foot? */
    for (int y = not_below_0(j - r, down); y <= j + r && y < ny; y += down) {
        int along = r == 1 || abs(y - j) == r ? 1 : 2 * r;
        for (int x = not_below_0(i - r, along); x <= i + r && x < nx; x += along)
            if (isfinite(mesh[y * nx + x]))
                out[n++] = mesh[y * nx + x];
    }
    return n;
}

/* Each node becomes the median of the finite ones in the 3 x 3 around it (wider where all are
 * blank): a cell full of a bright star or a nebula's knot follows its neighbours. */
static bool filter_mesh(float *mesh, int nx, int ny)
{
    float *out = malloc(sizeof *out * (size_t)nx * (size_t)ny);
    float *near = malloc(sizeof *near * (size_t)nx * (size_t)ny);
    for (int j = 0; out && near && j < ny; j++)
        for (int i = 0; i < nx; i++) {
            size_t n = 0;
            for (int r = 1; n == 0 && r < nx + ny; r++)
                n = take_around(mesh, nx, ny, i, j, r, near);
            out[j * nx + i] = pl_medianf(near, n);
        }
    bool ok = out && near;
    if (ok)
        memcpy(mesh, out, sizeof *out * (size_t)nx * (size_t)ny);
    free(out);
    free(near);
    return ok;
}

/* The four phases' levels and their noises, each a mesh; as many errors. */
enum { MESHES = 8 };

static void filter_one(void *ctx, size_t i, int worker)
{
    (void)worker;
    struct survey *s = ctx;
    float *mesh = i < MESHES / 2 ? s->sky->level[i] : s->sky->noise[i - MESHES / 2];
    if (!filter_mesh(mesh, s->sky->nx, s->sky->ny))
        pl_fail(&s->err[i], PL_ENOMEM, "out of memory for the sky");
}

static pl_status first_error(const pl_err *errs, int n, pl_err *err)
{
    for (int i = 0; i < n; i++)
        if (errs[i].code != PL_OK)
            return pl_fail(err, errs[i].code, "%s", errs[i].msg);
    return PL_OK;
}

static pl_status summarise(pl_sky *sky, pl_err *err)
{
    size_t n = (size_t)sky->nx * (size_t)sky->ny, used = 0, noisy = 0;
    float *all = malloc(sizeof *all * n * 8);
    if (!all)
        return pl_fail(err, PL_ENOMEM, "out of memory for the sky");
    float *noise = all + 4 * n;
    for (int p = 0; p < 4; p++)
        for (size_t i = 0; i < n; i++) {
            if (isfinite(sky->level[p][i]))
                all[used++] = sky->level[p][i];
            if (isfinite(sky->noise[p][i]))
                noise[noisy++] = sky->noise[p][i];
        }
    sky->sky_adu = pl_medianf(all, used);
    sky->noise_adu = pl_medianf(noise, noisy);
    free(all);
    if (used == 0)
        return pl_fail(err, PL_ENODATA, "all its pixels are blank");
    if (!(fabs(sky->sky_adu) < 1e15))
        return pl_fail(err, PL_ENODATA, "its pixels are around %.3g, beyond what can be measured",
                       sky->sky_adu);
    if (!(sky->noise_adu > 0))
        return pl_fail(err, PL_ENODATA,
                       "its sky is the same number everywhere (%g ADU, no noise): a cap, a clipped "
                       "or a processed frame; take the raw one",
                       sky->sky_adu);
    float least = (float)(0.05 * sky->noise_adu); /* dead regions must not turn noise into stars */
    for (int p = 0; p < 4; p++)
        for (size_t i = 0; i < n; i++)
            sky->noise[p][i] = sky->noise[p][i] < least ? least : sky->noise[p][i];
    return PL_OK;
}

static pl_status reserve(pl_sky *sky, pl_err *err)
{
    size_t n = (size_t)sky->nx * (size_t)sky->ny;
    for (int p = 0; p < 4; p++) {
        sky->level[p] = malloc(n * sizeof(float));
        sky->noise[p] = malloc(n * sizeof(float));
        if (!sky->level[p] || !sky->noise[p])
            return pl_fail(err, PL_ENOMEM, "out of memory for the sky");
    }
    return PL_OK;
}

pl_status pl_sky_measure(const pl_frame *frame, int jobs, pl_sky *out, pl_err *err)
{
    if (frame->width < 16 || frame->height < 16)
        return pl_fail(err, PL_ENODATA, "is %d x %d pixels; at least 16 x 16 are needed",
                       frame->width, frame->height);
    pl_sky sky = { .cell = cell_side(frame->width, frame->height) };
    sky.nx = frame->width / sky.cell > 0 ? frame->width / sky.cell : 1;
    sky.ny = frame->height / sky.cell > 0 ? frame->height / sky.cell : 1;
    pl_err *errs = calloc((size_t)(sky.ny > MESHES ? sky.ny : MESHES), sizeof *errs);
    pl_status st = errs ? reserve(&sky, err) : pl_fail(err, PL_ENOMEM, "out of memory for the sky");
    if (st != PL_OK)
        goto done;
    struct survey s = { .frame = frame, .sky = &sky, .err = errs };
    pl_pool_run(jobs, (size_t)sky.ny, survey_row, &s);
    for (int i = 0; i < PL_POOL_MAX; i++)
        free(s.room[i]);
    st = first_error(errs, sky.ny, err);
    if (st == PL_OK)
        st = summarise(&sky, err);
    if (st == PL_OK) {
        pl_pool_run(jobs, MESHES, filter_one, &s);
        st = first_error(errs, MESHES, err);
    }
done:
    free(errs);
    if (st != PL_OK)
        pl_sky_clear(&sky);
    else
        *out = sky;
    return st;
}

void pl_sky_clear(pl_sky *sky)
{
    for (int p = 0; p < 4; p++) {
        free(sky->level[p]);
        free(sky->noise[p]);
        sky->level[p] = sky->noise[p] = NULL;
    }
}

void pl_sky_merge_phases(pl_sky *sky)
{
    size_t n = (size_t)sky->nx * (size_t)sky->ny;
    for (size_t i = 0; i < n; i++) {
        float level = 0, var = 0;
        for (int p = 0; p < 4; p++) {
            level += sky->level[p][i] / 4;
            var += sky->noise[p][i] * sky->noise[p][i] / 4;
        }
        for (int p = 0; p < 4; p++) {
            sky->level[p][i] = level;
            sky->noise[p][i] = sqrtf(var);
        }
    }
}

/* Node below a coordinate, and the weight of the next one. */
static int node(double at, int cell, int n, float *weight)
{
    double t = (at + 0.5) / cell - 0.5;
    t = t < 0 ? 0 : t > n - 1 ? n - 1 : t;
    int i = (int)t;
    if (i > n - 2)
        i = n > 1 ? n - 2 : 0;
    *weight = n > 1 ? (float)(t - i) : 0.0f;
    return i;
}

static float between(const float *mesh, int nx, int i, int j, float wx, float wy, int right, int up)
{
    const float *a = mesh + (size_t)j * (size_t)nx + i, *b = a + (size_t)up * (size_t)nx;
    return (1 - wy) * ((1 - wx) * a[0] + wx * a[right]) + wy * ((1 - wx) * b[0] + wx * b[right]);
}

void pl_sky_at(const pl_sky *sky, int phase, double x, double y, float *level, float *noise)
{
    float wx, wy;
    int i = node(x, sky->cell, sky->nx, &wx), j = node(y, sky->cell, sky->ny, &wy);
    int right = sky->nx > 1, up = sky->ny > 1;
    if (level)
        *level = between(sky->level[phase], sky->nx, i, j, wx, wy, right, up);
    if (noise)
        *noise = between(sky->noise[phase], sky->nx, i, j, wx, wy, right, up);
}

/* Bins [from, to) between a node and the next: of each phase the level and noise at both. */
PL_WIDE
static void ramp(const float end[4][4], int cell, int node, int last, int from, int to,
                 float *restrict level, float *restrict inverse)
{
    for (int k = from; k < to; k++) {
        double t = (2.0 * k + 1.0) / cell - 0.5 - node;
        float w = t < 0 ? 0.0f : t > last ? (float)last : (float)t, sum = 0, var = 0;
        for (int p = 0; p < 4; p++) {
            float noise = (1 - w) * end[p][2] + w * end[p][3];
            sum += (1 - w) * end[p][0] + w * end[p][1];
            var += noise * noise;
        }
        level[k] = sum;
        inverse[k] = 1 / sqrtf(var);
    }
}

void pl_sky_bins(const pl_sky *sky, int row, int bins, float *level, float *inverse)
{
    int last = sky->nx > 1;
    for (int i = 0, from = 0; from < bins; i++) {
        /* a bin's middle passes a node's at a whole bin, since cells are multiples of 4 px */
        int to = i + 2 < sky->nx ? (2 * i + 3) * sky->cell / 4 : bins;
        size_t at = (size_t)row * (size_t)sky->nx + (size_t)i;
        float end[4][4];
        for (int p = 0; p < 4; p++) {
            const float *l = sky->level[p] + at, *n = sky->noise[p] + at;
            memcpy(end[p], (float[]){ l[0], l[last], n[0], n[last] }, sizeof end[p]);
        }
        to = to < bins ? to : bins;
        ramp(end, sky->cell, i, last, from, to, level, inverse);
        from = to;
    }
}
