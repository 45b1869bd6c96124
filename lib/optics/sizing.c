/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sizing.c - radial images of a star over defocus and air: pl_star_size's transfer functions,
 * Hankel transform by Gauss quadrature. fitreader.c reads them.
 *
 * A pixel of side p averages what falls on it: f + p^2/24 laplacian f, to fourth order. */
#include "bessel.h"
#include "sizing.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { NODES = 16, RADII = PL_SIZING_RADII, BEYOND = 2, PARTS = 8 };

#define WAVES_MAX 60.0
#define NOTHING   1e-9 /* part of a transfer that may be left out */

/* Quadrature over the shift s, shared by all images. */
struct plan {
    pl_optic optic;
    pl_gauss rule;
    double v_um; /* v for each um of radius */
    size_t n;
    double *s, *weight; /* [n], s ascending */
    double *bessel;     /* [n][RADII] */
    double *air;        /* [PL_SIZING_AIR][n] */
    double *bessel2;    /* [n][RADII] of the second order */
    double *transfer;   /* [PL_SIZING_Z + BEYOND][n], times weight */
    pl_bessel table;
    pl_sizing *sizing;
};

double pl_sizing_air(const pl_sizing *sizing, int i)
{
    return exp(sizing->air_from + i * sizing->air_step);
}

static pl_optic in_air(const struct plan *p, double air_um)
{
    pl_optic o = p->optic;
    o.seeing_arcsec = air_um / (o.aperture_mm * o.f_ratio * 1000) / PL_ARCSEC_RAD;
    return o;
}

/* All columns' cosines of one defocus, and on to the next: cos (i + 1) a = 2 cos a cos i a -
 * cos (i - 1) a. Sums in PARTS, which vectorises. n: a multiple of PARTS. */
PL_WIDE
static double next_defocus(const double *restrict twice, double *restrict now,
                           double *restrict last, size_t n)
{
    double part[PARTS] = { 0 }, sum = 0;
    for (size_t i = 0; i < n; i += PARTS)
        for (size_t j = 0; j < PARTS; j++) {
            double next = twice[i + j] * now[i + j] - last[i + j];
            part[j] += now[i + j];
            last[i + j] = now[i + j];
            now[i + j] = next;
        }
    for (size_t j = 0; j < PARTS; j++)
        sum += part[j];
    return sum;
}

/* At one shift, of all defoci: pl_pupil_transfer's sum, whose columns are the same for all. */
static void transfers(const struct plan *p, size_t j)
{
    pl_column column[PL_COLUMNS_MAX];
    double twice[PL_COLUMNS_MAX], now[PL_COLUMNS_MAX], last[PL_COLUMNS_MAX],
        e = p->optic.obstruction;
    double s = p->s[j], f = p->optic.f_ratio;
    double phase = 4 * M_PI * s * p->sizing->z_step / (8 * f * f * p->optic.lambda_um);
    int panels = 1 + (int)((PL_SIZING_Z + BEYOND) * phase * (1 - s / 2) / 12);
    size_t n = pl_pupil_columns(&p->rule, e, s, panels, column), i = 0;
    for (; i < n; i++) {
        double length = column[i].weight * (column[i].high - column[i].low);
        twice[i] = 2 * cos(phase * column[i].x);
        now[i] = length;
        last[i] = length * twice[i] / 2;
    }
    for (; i % PARTS; i++)
        twice[i] = now[i] = last[i] = 0;
    for (size_t iz = 0; iz < PL_SIZING_Z + BEYOND; iz++)
        p->transfer[iz * p->n + j] =
            p->weight[j] * 4 * next_defocus(twice, now, last, i) / (M_PI * (1 - e * e));
}

/* What all images need at one shift. */
static void one_shift(void *ctx, size_t j, int worker)
{
    (void)worker;
    const struct plan *p = ctx;
    pl_bessel_row(&p->table, p->v_um * p->s[j], p->sizing->radius, RADII, p->bessel + j * RADII,
                  p->sizing->stretch ? p->bessel2 + j * RADII : NULL);
    for (int ia = 0; ia < PL_SIZING_AIR; ia++) {
        pl_optic o = in_air(p, pl_sizing_air(p->sizing, ia));
        p->air[(size_t)ia * p->n + j] = pl_air_transfer(&o, p->s[j]);
    }
    transfers(p, j);
}

/* The transfer's slope with the defocus, from the nodes beside (five points, even in the defocus).
 */
static double slope_at(const struct plan *p, size_t iz, size_t j)
{
    const double *t = p->transfer + j;
    size_t before = iz ? iz - 1 : 1, long_before = iz > 1 ? iz - 2 : 2 - iz;
    double near = t[(iz + 1) * p->n] - t[before * p->n];
    double far = t[(iz + 2) * p->n] - t[long_before * p->n];
    return (8 * near - far) / (12 * p->sizing->z_step);
}

PL_WIDE
static void add_ring(double *restrict sum, double times, const double *restrict ring)
{
    for (int k = 0; k < RADII; k++)
        sum[k] += times * ring[k];
}

/* Light, and what astigmatism does to it: `bent` times cos 2 phi is the change for each um by which
 * defocus along x (phi = 0) is more, and along y less.
 *
 * With W = c rho^2 cos 2 theta, two points of the pupil a vector s apart, in the direction phi,
 * differ by 2 c (p_x s_x - p_y s_y) = 2 c s (p_along cos 2 phi - p_across sin 2 phi), p their
 * middle; for defocus, W = w rho^2, it is 2 w s p_along. The part with p_across is odd and sums up
 * to nought, so to first order the transfer changes by cos 2 phi times its slope with w; the
 * transform of g(s) cos 2 phi is - cos 2 phi times the second order's Hankel transform. */
static void one_defocus(void *ctx, size_t iz, int worker)
{
    (void)worker;
    const struct plan *p = ctx;
    const double *transfer = p->transfer + iz * p->n;
    for (int ia = 0; ia < PL_SIZING_AIR; ia++) {
        double *light = p->sizing->light[iz][ia], *bent = p->sizing->bent[iz][ia];
        memset(light, 0, sizeof p->sizing->light[iz][ia]);
        if (p->sizing->stretch)
            memset(bent, 0, sizeof p->sizing->bent[iz][ia]);
        for (size_t j = 0; j < p->n && p->air[(size_t)ia * p->n + j] > NOTHING; j++) {
            double air = p->air[(size_t)ia * p->n + j];
            add_ring(light, transfer[j] * air, p->bessel + j * RADII);
            if (p->sizing->stretch)
                add_ring(bent, -slope_at(p, iz, j) * air, p->bessel2 + j * RADII);
        }
    }
}

static void fill_shifts(struct plan *p, size_t panels, double reach)
{
    double half = reach / (2 * (double)panels);
    for (size_t j = 0; j < p->n; j++) {
        p->s[j] = half * (2 * (double)(j / NODES) + 1 + p->rule.x[j % NODES]);
        double wave = p->v_um * p->s[j] * p->sizing->pixel_um; /* radians across a pixel */
        p->weight[j] = p->rule.w[j % NODES] * half * p->s[j] * fmax(0, 1 - wave * wave / 24);
    }
}

static pl_status compute(pl_sizing *sizing, const pl_optic *optic, int jobs, pl_err *err)
{
    struct plan p = { .optic = *optic, .rule = pl_gauss_rule(NODES), .sizing = sizing };
    p.v_um = M_PI / (optic->lambda_um * optic->f_ratio);
    pl_optic finest = in_air(&p, pl_sizing_air(sizing, 0));
    double reach = pl_air_reach(&finest);
    double cycles = p.v_um * sizing->radius[RADII - 1] * reach / (2 * M_PI);
    size_t panels = 4 + (size_t)cycles;
    p.n = panels * NODES;
    double *room =
        malloc(p.n * sizeof *room * (2 + 2 * RADII + PL_SIZING_AIR + PL_SIZING_Z + BEYOND));
    if (!room || pl_bessel_new(2 * M_PI * cycles, &p.table, err) != PL_OK) {
        free(room);
        return pl_fail(err, PL_ENOMEM, "out of memory");
    }
    p.s = room;
    p.weight = p.s + p.n;
    p.bessel = p.weight + p.n;
    p.bessel2 = p.bessel + p.n * RADII;
    p.air = p.bessel2 + p.n * RADII;
    p.transfer = p.air + p.n * PL_SIZING_AIR;
    fill_shifts(&p, panels, reach);
    pl_pool_run(jobs, p.n, one_shift, &p);
    pl_pool_run(jobs, PL_SIZING_Z, one_defocus, &p);
    free(room);
    pl_bessel_clear(&p.table);
    return PL_OK;
}

pl_status pl_sizing_new(const pl_optic *optic, double pixel_um, const pl_sizing_range *range,
                        int jobs, pl_sizing **out, pl_err *err)
{
    pl_optic o = *optic;
    o.seeing_arcsec = 0;
    pl_status rc = pl_optic_check(&o, err);
    if (rc != PL_OK)
        return rc;
    double waves = range->defocus_um / (8 * o.f_ratio * o.f_ratio * o.lambda_um);
    if (!(range->air_lo_um > 0 && range->air_hi_um > range->air_lo_um && range->radius_um > 0 &&
          waves > 0 && waves <= WAVES_MAX))
        return pl_fail(
            err, PL_EARG,
            "stars blurred by a defocus of some %.0f um are more than can be computed: leave out "
            "the frames farthest from focus",
            range->defocus_um);
    pl_sizing *s = malloc(sizeof *s);
    if (!s)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    s->pixel_um = pixel_um;
    s->stretch = range->stretch;
    s->z_step = range->defocus_um / (PL_SIZING_Z - 1);
    s->air_from = log(range->air_lo_um);
    s->air_step = log(range->air_hi_um / range->air_lo_um) / (PL_SIZING_AIR - 1);
    for (int k = 0; k < RADII; k++)
        s->radius[k] = range->radius_um * (k + 0.5) / RADII;
    rc = compute(s, &o, jobs, err);
    if (rc == PL_OK)
        *out = s;
    else
        free(s);
    return rc;
}

void pl_sizing_free(pl_sizing *sizing)
{
    free(sizing);
}
