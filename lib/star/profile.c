/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile.c - an elliptical Moffat integrated over square pixels, and its slopes.
 *
 * The pixels a fit uses are packed end to end, so that plain loops over float arrays vectorise and
 * nothing is computed for pixels that are masked, of another colour or outside the circle. A pixel
 * is integrated by Gauss-Legendre points: by one in the star's wings, by more in its core, where
 * their number follows the width of the star, so that the integral is good to 1e-3 of the peak at
 * FWHM 1.3 px and better above. Light and slopes share the points: slopes that are not the light's
 * own leave a fit of what is no Moffat without an end.
 *
 * Half-maximum ellipse: u = A dx^2 + 2 B dx dy + C dy^2 with
 *   (A B; B C) = e^(-2 size) (cosh 2 eta  I  -  sinh(2 eta)/eta  (eta1 eta2; eta2 -eta1)),
 * half axes e^(size + eta), e^(size - eta). Derived here; smooth and unbounded through round. */
#include "profile.h"

#include <math.h>
#include <string.h>

/* Reach of the two parts with more than one point, in FWHM; a pixel more. */
static const double HALO = 2, CORE = 1.2;

/* Gauss-Legendre abscissae and weights on [-1/2, 1/2] (Abramowitz & Stegun 1964, table 25.4). */
static const struct {
    float x[4], w[4];
} rule[5] = {
    { { 0 }, { 0 } },
    { { 0 }, { 1 } },
    { { -0.28867513f, 0.28867513f }, { 0.5f, 0.5f } },
    { { -0.38729833f, 0, 0.38729833f }, { 0.27777778f, 0.44444444f, 0.27777778f } },
    { { -0.43056816f, -0.16999052f, 0.16999052f, 0.43056816f },
      { 0.17392742f, 0.32607258f, 0.32607258f, 0.17392742f } },
};

/* ---- packing */

enum { CENTRE, AROUND, WINGS }; /* parts of a pack */

int pl_pack_points(const double p[PL_MF_N], double slack)
{
    double minor = 2 * exp(p[PL_MF_SIZE] - hypot(p[PL_MF_ETA1], p[PL_MF_ETA2]));
    return minor * slack < 1.8 ? 4 : minor * slack < 3.1 ? 3 : 2;
}

/* Which part each pixel belongs to, PL_PARTS where it is not usable; and how many do. */
static void sort_parts(const pl_stamp *st, const double p[PL_MF_N], unsigned char *part,
                       int count[PL_PARTS + 1])
{
    double major = 2 * exp(p[PL_MF_SIZE] + hypot(p[PL_MF_ETA1], p[PL_MF_ETA2]));
    float halo = (float)(HALO * major + 1), core = (float)(CORE * major + 1);
    float cx = (float)(p[PL_MF_X] - st->x0), cy = (float)(p[PL_MF_Y] - st->y0);
    halo *= halo;
    core *= core;
    for (int y = 0, i = 0; y < st->h; y++)
        for (int x = 0; x < st->w; x++, i++) {
            float dx = (float)x - cx, dy = (float)y - cy, d2 = dx * dx + dy * dy;
            int k = d2 < core ? CENTRE : d2 < halo ? AROUND : WINGS;
            part[i] = (unsigned char)(st->use[i] > 0 ? k : PL_PARTS);
            count[part[i]]++;
        }
}

/* The last pixel of each part again, until its lanes are full. */
static void fill_lanes(pl_pack *k, const int next[PL_PARTS])
{
    for (int part = 0; part < PL_PARTS; part++)
        for (int to = next[part]; to < k->end[part]; to++) {
            k->at[to] = k->at[to - 1];
            k->x[to] = k->x[to - 1];
            k->y[to] = k->y[to - 1];
            k->value[to] = k->value[to - 1];
            k->use[to] = 0;
        }
}

void pl_pack_stamp(const pl_stamp *st, const double p[PL_MF_N], pl_pack *out)
{
    unsigned char part[PL_STAMP_MAX * PL_STAMP_MAX];
    int count[PL_PARTS + 1] = { 0 }, next[PL_PARTS];
    sort_parts(st, p, part, count);
    out->x0 = st->x0;
    out->y0 = st->y0;
    out->n = 0;
    out->points[CENTRE] = pl_pack_points(p, 1);
    out->points[AROUND] = 2;
    out->points[WINGS] = 1;
    for (int k = 0; k < PL_PARTS; k++) {
        next[k] = out->n;
        out->n = out->end[k] = next[k] + (count[k] + PL_LANES - 1) / PL_LANES * PL_LANES;
    }
    for (int y = 0, i = 0; y < st->h; y++)
        for (int x = 0; x < st->w; x++, i++)
            if (part[i] < PL_PARTS) {
                int to = next[part[i]]++;
                out->at[to] = i;
                out->x[to] = (float)x;
                out->y[to] = (float)y;
                out->value[to] = st->value[i];
                out->use[to] = 1;
            }
    fill_lanes(out, next);
}

/* ---- the profile */

/* The profile's shape at the current parameters, and its derivatives with respect to eta. */
struct shape {
    double a, b, c; /* the ellipse */
    double da[2], db[2], dc[2];
    double beta, k, dk; /* k = 2^(1/beta) - 1, dk / d(1/beta) */
    double norm;        /* of a unit flux: (beta - 1) k e^(-2 size) / pi */
    double dlnnorm;     /* d ln norm / d(1/beta) */
};

static struct shape shape_at(const double p[PL_MF_N])
{
    struct shape s;
    double e1 = p[PL_MF_ETA1], e2 = p[PL_MF_ETA2], q = e1 * e1 + e2 * e2, eta = sqrt(q);
    double ch = cosh(2 * eta);
    double sh = eta < 1e-3 ? 2 + 4.0 / 3 * q : sinh(2 * eta) / eta;       /* sinh(2 eta) / eta */
    double ds = eta < 0.05 ? 8.0 / 3 + 16.0 / 15 * q : (2 * ch - sh) / q; /* d sh / d eta / eta */
    double g = exp(-2 * p[PL_MF_SIZE]);
    s.a = g * (ch - sh * e1);
    s.b = -g * sh * e2;
    s.c = g * (ch + sh * e1);
    for (int i = 0; i < 2; i++) {
        double e = i ? e2 : e1, dch = 2 * sh * e, dsh = ds * e;
        s.da[i] = g * (dch - dsh * e1 - (i ? 0 : sh));
        s.db[i] = -g * (dsh * e2 + (i ? sh : 0));
        s.dc[i] = g * (dch + dsh * e1 + (i ? 0 : sh));
    }
    double ib = p[PL_MF_INVBETA];
    s.beta = 1 / ib;
    s.k = exp2(ib) - 1;
    s.dk = exp2(ib) * M_LN2;
    s.norm = (s.beta - 1) * s.k * g / M_PI;
    s.dlnnorm = -s.beta * s.beta / (s.beta - 1) + s.dk / s.k;
    return s;
}

/* The same in float, as the loops need it. */
struct terms {
    float x, y; /* the centre, from the stamp's first pixel */
    float a, b, c, k, beta;
    float a1, b1, c1, a2, b2, c2;
    float norm, flux, sky, steep; /* steep: flux norm dP/du = steep P1 */
    float ln, l2, dk;
};

static struct terms terms_at(const pl_pack *k, const double p[PL_MF_N])
{
    struct shape s = shape_at(p);
    double flux = p[PL_MF_FLUX] * s.norm;
    return (struct terms){ .x = (float)(p[PL_MF_X] - k->x0),
                           .y = (float)(p[PL_MF_Y] - k->y0),
                           .a = (float)s.a,
                           .b = (float)(2 * s.b),
                           .c = (float)s.c,
                           .k = (float)s.k,
                           .beta = (float)s.beta,
                           .a1 = (float)s.da[0],
                           .b1 = (float)(2 * s.db[0]),
                           .c1 = (float)s.dc[0],
                           .a2 = (float)s.da[1],
                           .b2 = (float)(2 * s.db[1]),
                           .c2 = (float)s.dc[1],
                           .norm = (float)s.norm,
                           .flux = (float)flux,
                           .sky = (float)p[PL_MF_SKY],
                           .steep = (float)(-flux * s.beta * s.k),
                           .ln = (float)s.dlnnorm,
                           .l2 = (float)(s.beta * s.beta * M_LN2),
                           .dk = (float)(s.beta * s.dk) };
}

/* Of some pixels: sums over the quadrature points of P = (1 + k u)^-beta, P1 = P / (1 + k u) times
 * dx, dy, dx^2, dx dy, dy^2, and P log2(1 + k u). */
enum { S_P, S_X, S_Y, S_XX, S_XY, S_YY, S_L, SUMS, CHUNK = 64 };

PL_INTO void add_point(const struct terms *t, const float *restrict px, const float *restrict py,
                       float dx, float dy, float weight, int n, bool beta, float sum[SUMS][CHUNK])
{
    const float a = t->a, b = t->b, c = t->c, k = t->k, power = -(t->beta + 1);
    dx -= t->x;
    dy -= t->y;
    for (int i = 0; i < n; i++) {
        float x = px[i] + dx, y = py[i] + dy;
        float ku = k * (a * x * x + (b * x + c * y) * y), q = 1 + ku;
        /* the second term gives back what rounding took from 1 + ku: near a Gaussian, ku is
         * small and beta large */
        float l = pl_fast_log2(q) + (ku - (q - 1)) * 1.442695f;
        float p1 = weight * pl_fast_exp2(power * l), p = p1 * q;
        float p1x = p1 * x, p1y = p1 * y;
        sum[S_P][i] += p;
        sum[S_X][i] += p1x;
        sum[S_Y][i] += p1y;
        sum[S_XX][i] += p1x * x;
        sum[S_XY][i] += p1x * y;
        sum[S_YY][i] += p1y * y;
        if (beta)
            sum[S_L][i] += p * l;
    }
}

PL_INTO void fill(const struct terms *t, const float sum[SUMS][CHUNK], int from, int n, bool beta,
                  pl_profile *out)
{
    const float a = t->a, b = t->b, c = t->c, d = t->steep, f = t->flux;
    float *restrict light = out->light + from, *restrict flux = out->slope[PL_MF_FLUX] + from,
                    *restrict by_x = out->slope[PL_MF_X] + from,
                    *restrict by_y = out->slope[PL_MF_Y] + from,
                    *restrict size = out->slope[PL_MF_SIZE] + from,
                    *restrict eta1 = out->slope[PL_MF_ETA1] + from,
                    *restrict eta2 = out->slope[PL_MF_ETA2] + from,
                    *restrict sky = out->slope[PL_MF_SKY] + from,
                    *restrict invbeta = out->slope[PL_MF_INVBETA] + from;
    for (int i = 0; i < n; i++) {
        float p = sum[S_P][i], x = sum[S_X][i], y = sum[S_Y][i];
        float xx = sum[S_XX][i], xy = sum[S_XY][i], yy = sum[S_YY][i];
        float u = a * xx + b * xy + c * yy;
        light[i] = f * p + t->sky;
        flux[i] = t->norm * p;
        by_x[i] = -d * (2 * a * x + b * y);
        by_y[i] = -d * (b * x + 2 * c * y);
        size[i] = -2 * (f * p + d * u);
        eta1[i] = d * (t->a1 * xx + t->b1 * xy + t->c1 * yy);
        eta2[i] = d * (t->a2 * xx + t->b2 * xy + t->c2 * yy);
        sky[i] = 1;
        if (beta)
            invbeta[i] = f * (t->ln * p + t->l2 * sum[S_L][i] - t->dk * u);
    }
}

PL_INTO void all_chunks(const pl_pack *k, const struct terms *t, bool beta, pl_profile *out)
{
    float sum[SUMS][CHUNK];
    for (int part = 0, from = 0; part < PL_PARTS; part++) {
        int points = k->points[part], end = k->end[part];
        for (int n; from < end; from += n) {
            n = end - from < CHUNK ? end - from : CHUNK;
            memset(sum, 0, sizeof sum);
            for (int py = 0; py < points; py++)
                for (int px = 0; px < points; px++)
                    add_point(t, k->x + from, k->y + from, rule[points].x[px], rule[points].x[py],
                              rule[points].w[px] * rule[points].w[py], n, beta, sum);
            fill(t, sum, from, n, beta, out);
        }
    }
}

PL_WIDE
static void without_beta(const pl_pack *k, const struct terms *t, pl_profile *out)
{
    all_chunks(k, t, false, out);
}

PL_WIDE
static void with_beta(const pl_pack *k, const struct terms *t, pl_profile *out)
{
    all_chunks(k, t, true, out);
}

void pl_profile_on(const pl_pack *pack, const double p[PL_MF_N], bool beta, pl_profile *out)
{
    struct terms t = terms_at(pack, p);
    (beta ? with_beta : without_beta)(pack, &t, out);
}
