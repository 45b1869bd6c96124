/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clang-format off */
/* pattern.c - the shapes that faults leave over a field, fitted to the stars.
 *
 * With z = x + iy from the frame's centre in half diagonals, ellipticity chi as a complex number of
 * spin 2, flare (third moment, spin 1) and three-cornered moment (spin 3):
 *   chi    = a                    alike everywhere: tracking, wind
 *          + c z^2                grows outward, radial (c > 0) or tangential (c < 0): astigmatism
 *                                 about the axis, as corrector spacing and curvature leave it
 *   chi    = -k (z - z0)^2        along circles about z0: the field turned during the exposure
 *   ln FWHM = s + g.(x, y) + q r^2   g: tilt, q: curvature
 *   flare  = m + n z              m: coma alike everywhere (collimation), n: coma that grows outward
 *   corner = t                    trefoil
 * Astigmatism of a misaligned system is quadratic in z with two nodes, coma shifted as a whole:
 * Thompson 2005, JOSA A 22, 1389; the patterns of constant coma, linear astigmatism and tilt:
 * Schechter & Levinson 2011, PASP 123, 812. The turning pattern is derived here: a star at distance d
 * from the pivot is smeared along the tangent by an angle times d, which adds to the second moment as
 * d^2. Turning and (a, c) have three unknowns each; the one with the smaller chi square is told. */
/* clang-format on */
#include "../align.h"

#include <math.h>
#include <stdlib.h>

struct sky {
    const pl_star *star;
    size_t n;
    double cx, cy, r; /* centre and half diagonal, px */
    double *rows, *rhs;
};

enum { MOST = 5 };

static const double LEAST_TURN = 4;     /* sigma, to be taken for a turning field at all */
static const double LEAST_PIVOT = 0.25; /* half diagonals from the centre */

struct answer {
    double c[MOST], cov[MOST * MOST], chi2;
};

static void place(const struct sky *s, size_t i, double *x, double *y)
{
    *x = (s->star[i].x_px - s->cx) / s->r;
    *y = (s->star[i].y_px - s->cy) / s->r;
}

/* One linear model: which quantity of a star (component `part` of `parts`), its p terms at a place,
 * and what to take off first (NULL: nothing). `with` is the model's own, passed through. */
struct linear {
    double (*value)(const pl_star *s, int part, double *sigma);
    void (*row)(const void *with, double x, double y, int part, double *row);
    double (*given)(const void *with, double x, double y, int part);
    int parts;
    size_t p;
};

static double chi_of(const pl_star *s, int part, double *sigma)
{
    *sigma = hypot(s->chi_sigma, 0.005); /* no star weighs as if it knew the optics exactly */
    return part ? s->chi2 : s->chi1;
}

static double flare_of(const pl_star *s, int part, double *sigma)
{
    *sigma = hypot(s->flare_sigma, 0.005);
    return part ? s->flare2 : s->flare1;
}

static double corner_of(const pl_star *s, int part, double *sigma)
{
    *sigma = hypot(s->corner_sigma, 0.005);
    return part ? s->corner2 : s->corner1;
}

static double size_of(const pl_star *s, int part, double *sigma)
{
    (void)part;
    *sigma = hypot(s->fwhm_sigma_px / s->fwhm_px, 0.01);
    return log(s->fwhm_px);
}

static void row_stretch(const void *with, double x, double y, int part, double *row)
{
    (void)with; /* a, c */
    row[0] = !part;
    row[1] = part;
    row[2] = part ? 2 * x * y : x * x - y * y;
}

static void row_square(const void *with, double x, double y, int part, double *row)
{
    (void)with; /* c, b, a of c z^2 + b z + a */
    row[3] = !part;
    row[4] = part;
    row[0] = part ? 2 * x * y : x * x - y * y;
    row[1] = part ? y : x;
    row[2] = part ? x : -y;
}

static void row_size(const void *with, double x, double y, int part, double *row)
{
    (void)with;
    (void)part;
    row[0] = 1;
    row[1] = x;
    row[2] = y;
    row[3] = x * x + y * y;
}

static void row_flare(const void *with, double x, double y, int part, double *row)
{
    (void)with;
    row[0] = !part;
    row[1] = part;
    row[2] = part ? y : x;
}

static void row_constant(const void *with, double x, double y, int part, double *row)
{
    (void)with;
    (void)x;
    (void)y;
    row[0] = !part;
    row[1] = part;
}

/* Sum of robust losses: squares up to 3 sigma, flat beyond, so that a few odd stars do not choose
 * between two models. */
static double loss(const struct sky *s, size_t rows, size_t p, const double *c)
{
    double sum = 0;
    for (size_t i = 0; i < rows; i++) {
        double r = s->rhs[i];
        for (size_t j = 0; j < p; j++)
            r -= c[j] * s->rows[i * p + j];
        sum += fmin(r * r, 9);
    }
    return sum;
}

static pl_status fit(const struct sky *s, const struct linear *l, const void *with,
                     struct answer *out, pl_err *err)
{
    size_t m = 0, p = l->p;
    for (size_t i = 0; i < s->n; i++)
        for (int part = 0; part < l->parts; part++, m++) {
            double x, y, sigma, v = l->value(&s->star[i], part, &sigma);
            place(s, i, &x, &y);
            l->row(with, x, y, part, &s->rows[m * p]);
            if (l->given)
                v -= l->given(with, x, y, part);
            for (size_t j = 0; j < p; j++)
                s->rows[m * p + j] /= sigma;
            s->rhs[m] = v / sigma;
        }
    pl_status st = pl_lsq_fit(s->rows, s->rhs, m, p, out->c, out->cov, NULL, err);
    if (st == PL_OK)
        out->chi2 = loss(s, m, p, out->c);
    return st;
}

static double variance(const struct answer *a, size_t p, size_t i, size_t j)
{
    return a->cov[i * p + j];
}

/* Length, error and significance of the vector (c[i], c[j]) of a fit of p terms. */
static void vector(const struct answer *a, size_t p, size_t i, size_t j, pl_pattern *out,
                   pl_vector *both)
{
    double x = a->c[i], y = a->c[j], len = hypot(x, y);
    double ux = len > 0 ? x / len : 1, uy = len > 0 ? y / len : 0;
    double xx = variance(a, p, i, i), yy = variance(a, p, j, j), xy = variance(a, p, i, j);
    *both = (pl_vector){ x, y, xx, xy, yy };
    out->amplitude = len;
    out->amplitude_sigma = sqrt(xx * ux * ux + 2 * xy * ux * uy + yy * uy * uy);
    double det = xx * yy - xy * xy;
    out->significance = det > 0 ? sqrt((yy * x * x - 2 * xy * x * y + xx * y * y) / det) : 0;
}

static double angle(double x, double y, int spin)
{
    double deg = 180 / M_PI * atan2(y, x) / spin, turn = 360.0 / spin;
    return deg < 0 ? deg + turn : deg;
}

/* -k (z - z0)^2 with its place: k, x0, y0. */
struct turn {
    double k, x, y;
};

static double turning(const void *with, double x, double y, int part)
{
    const struct turn *t = with;
    double dx = x - t->x, dy = y - t->y;
    return -t->k * (part ? 2 * dx * dy : dx * dx - dy * dy);
}

/* Gauss-Newton on (k, x0, y0): derivatives -(z-z0)^2, 2k (z-z0), 2ik (z-z0). */
static void row_turning(const void *with, double x, double y, int part, double *row)
{
    const struct turn *t = with;
    double dx = x - t->x, dy = y - t->y;
    row[0] = part ? -2 * dx * dy : dy * dy - dx * dx;
    row[1] = 2 * t->k * (part ? dy : dx);
    row[2] = 2 * t->k * (part ? dx : -dy);
}

static const struct linear stretch = { chi_of, row_stretch, NULL, 2, 3 },
                           square = { chi_of, row_square, NULL, 2, 5 },
                           turned = { chi_of, row_turning, turning, 2, 3 },
                           stretch_rest = { chi_of, row_stretch, turning, 2, 3 },
                           size = { size_of, row_size, NULL, 1, 4 },
                           flare = { flare_of, row_flare, NULL, 2, 3 },
                           corner = { corner_of, row_constant, NULL, 2, 2 };

/* A turning field, from the general quadratic's start. False when the stars show none. */
static bool fit_turning(const struct sky *s, struct turn *t, struct answer *out)
{
    enum { ROUNDS = 12 };
    struct answer a;
    if (fit(s, &square, NULL, &a, NULL) != PL_OK || a.c[0] >= 0)
        return false;
    *t = (struct turn){ -a.c[0], -a.c[1] / (2 * a.c[0]), -a.c[2] / (2 * a.c[0]) };
    for (int i = 0; i < ROUNDS; i++) {
        if (fit(s, &turned, t, out, NULL) != PL_OK)
            return false;
        double limit = 0.5 * t->k; /* no step may turn the sign of k at once */
        t->k += fmax(-limit, out->c[0]);
        t->x += fmax(-1, fmin(1, out->c[1]));
        t->y += fmax(-1, fmin(1, out->c[2]));
        if (!(hypot(t->x, t->y) < 20))
            return false;
    }
    return t->k > 0;
}

static const pl_pattern unknown = { NAN, NAN, "", 0, NAN, NAN, NAN, NAN, "" };

/* Ellipticity: alike everywhere and outward; or turning, and the two on what that leaves. */
static pl_status fit_stretch(const struct sky *s, pl_pattern_fit *out, pl_err *err)
{
    struct answer plain, rest, turn_a;
    struct turn t = { 0 };
    pl_pattern *even = &out->p[PL_EVEN_STRETCH], *outward = &out->p[PL_OUTWARD_STRETCH],
               *turn = &out->p[PL_TURNING];
    pl_status st = fit(s, &stretch, NULL, &plain, err);
    if (st != PL_OK)
        return st;
    vector(&plain, 3, 0, 1, even, &out->unturned);
    out->unturned_outward = plain.c[2];
    out->unturned_sigma = sqrt(variance(&plain, 3, 2, 2));
    turn->amplitude = 0;
    turn->amplitude_sigma = sqrt(variance(&plain, 3, 2, 2));
    /* about the centre it is the outward stretch, across the radius, and told as that */
    if (fit_turning(s, &t, &turn_a) && turn_a.chi2 < plain.chi2 - 9 &&
        hypot(t.x, t.y) > LEAST_PIVOT && t.k > LEAST_TURN * sqrt(variance(&turn_a, 3, 0, 0))) {
        turn->amplitude = t.k;
        turn->amplitude_sigma = sqrt(variance(&turn_a, 3, 0, 0));
        turn->significance = t.k / turn->amplitude_sigma;
        turn->x_px = s->cx + t.x * s->r;
        turn->y_px = s->cy + t.y * s->r;
        if (fit(s, &stretch_rest, &t, &rest, NULL) == PL_OK)
            plain = rest;
    }
    vector(&plain, 3, 0, 1, even, &out->vector[PL_EVEN_STRETCH]);
    even->angle_deg = angle(plain.c[0], plain.c[1], 2);
    outward->amplitude = plain.c[2];
    outward->amplitude_sigma = sqrt(variance(&plain, 3, 2, 2));
    outward->significance = fabs(plain.c[2]) / outward->amplitude_sigma;
    return PL_OK;
}

static pl_status fit_all(const struct sky *s, pl_pattern_fit *out, pl_err *err)
{
    struct answer a;
    pl_status st = fit_stretch(s, out, err);
    if (st == PL_OK && (st = fit(s, &size, NULL, &a, err)) == PL_OK) {
        vector(&a, 4, 1, 2, &out->p[PL_SIZE_SLOPE], &out->vector[PL_SIZE_SLOPE]);
        out->p[PL_SIZE_SLOPE].angle_deg = angle(a.c[1], a.c[2], 1);
        out->bowl = a.c[3];
        out->bowl_sigma = sqrt(variance(&a, 4, 3, 3));
    }
    if (st == PL_OK && (st = fit(s, &flare, NULL, &a, err)) == PL_OK) {
        vector(&a, 3, 0, 1, &out->p[PL_FLARE], &out->vector[PL_FLARE]);
        out->p[PL_FLARE].angle_deg = angle(a.c[0], a.c[1], 1);
        out->comatic = a.c[2];
        out->comatic_sigma = sqrt(variance(&a, 3, 2, 2));
    }
    if (st == PL_OK && (st = fit(s, &corner, NULL, &a, err)) == PL_OK) {
        vector(&a, 2, 0, 1, &out->p[PL_CORNERED], &out->vector[PL_CORNERED]);
        out->p[PL_CORNERED].angle_deg = angle(a.c[0], a.c[1], 3);
    }
    return st;
}

pl_status pl_patterns_fit(const pl_star *star, size_t n, const pl_view *view, pl_pattern_fit *out,
                          pl_err *err)
{
    static const char *const unit[PL_PATTERNS] = { "chi",      "chi",     "chi",
                                                   "fraction", "sigma^3", "sigma^3" };
    pl_pattern_fit f = { .bowl = NAN, .bowl_sigma = NAN, .comatic = NAN, .comatic_sigma = NAN };
    for (int i = 0; i < PL_PATTERNS; i++) {
        f.p[i] = unknown;
        f.p[i].unit = unit[i];
    }
    pl_status st = PL_OK;
    if (n >= PL_PATTERN_STARS) {
        struct sky s = { star,
                         n,
                         view->x_px,
                         view->y_px,
                         view->radius_px,
                         malloc(sizeof *s.rows * n * 2 * MOST),
                         malloc(sizeof *s.rhs * n * 2) };
        st = s.rows && s.rhs ? fit_all(&s, &f, err)
                             : pl_fail(err, PL_ENOMEM, "out of memory for the patterns");
        free(s.rows);
        free(s.rhs);
    }
    if (st == PL_OK)
        *out = f;
    return st;
}
