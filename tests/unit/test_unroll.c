/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The ring unrolled, against geometry done by hand: a circle R off centre by s along t has the
 * radius s cos(t) + sqrt(R^2 - s^2 sin^2 t), whose first harmonic is s exactly. */
#include "../../lib/align/donut/donut.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>

static const double RATIO = 3, APERTURE = 300, PIXEL = 4, BORE = 0.35;

/* A star of so much defocus whose measured radii are those of the rays. */
static void scope(pl_donut *d, pl_donut_star *s, double defocus_um)
{
    *d = (pl_donut){ .facts = pl_facts_unknown(), .obstruction = BORE };
    d->facts.focal_mm.v = RATIO * APERTURE;
    d->facts.aperture_mm.v = APERTURE;
    d->facts.pixel_um.v = PIXEL;
    *s = (pl_donut_star){ 0 };
    for (int j = 0; j <= PL_NOLL_LAST; j++)
        s->wave.zernike_nm[j] = NAN;
    s->wave.zernike_nm[4] = 1000 * defocus_um / (8 * RATIO * RATIO) / 3.4641016151377544;
    for (int i = 0; i < PL_RING_ANGLES; i++) {
        s->rim_px[i] = fabs(defocus_um) / (2 * RATIO) / PIXEL;
        s->bore_px[i] = BORE * s->rim_px[i];
    }
}

typedef struct {
    double mean, x, y, even, odd; /* of the radius: mean, first harmonic, second one */
} harmonics;

static harmonics of(const double *r)
{
    harmonics h = { 0, 0, 0, 0, 0 };
    const int n = PL_UNROLLED - 1; /* the last one is the first again */
    for (int i = 0; i < n; i++) {
        double a = 2 * M_PI * i / n;
        h.mean += r[i] / n;
        h.x += 2 * r[i] * cos(a) / n;
        h.y += 2 * r[i] * sin(a) / n;
        h.even += 2 * r[i] * cos(2 * a) / n;
        h.odd += 2 * r[i] * sin(2 * a) / n;
    }
    return h;
}

struct defocus_row {
    double um;
};

ParameterizedTestParameters(unroll, on_either_side)
{
    static struct defocus_row rows[] = { { 600 }, { -600 }, { 1200 }, { -300 } };
    return cr_make_param_array(struct defocus_row, rows, sizeof rows / sizeof *rows);
}

/* Defocus alone: circles. Straight lines between 360 rays: 1e-4 of the radius. */
ParameterizedTest(struct defocus_row *r, unroll, on_either_side)
{
    pl_donut d;
    pl_donut_star s;
    pl_unrolled u;
    scope(&d, &s, r->um);
    pl_donut_unroll(&d, &s, &u);
    double rim = fabs(r->um) / (2 * RATIO) / PIXEL;
    for (int i = 0; i < PL_UNROLLED; i++) {
        cr_expect(epsilon_eq(dbl, u.deg[i], 3.0 * i, 1e-9));
        cr_expect(epsilon_eq(dbl, u.rim_px[i], rim, 1e-4 * rim), "at %g", u.deg[i]);
        cr_expect(epsilon_eq(dbl, u.bore_px[i], BORE * rim, 1e-4 * rim), "at %g", u.deg[i]);
        cr_expect(epsilon_eq(dbl, u.still_px[i], BORE * rim, 1e-4 * rim), "at %g", u.deg[i]);
    }

    /* A shadow off by o in the pupil: (o / a) dz / (2 N), turned by the side. */
    s.wave.shadow_mm = 6;
    s.wave.shadow_deg = 30;
    pl_donut_unroll(&d, &s, &u);
    harmonics h = of(u.bore_px), rest = of(u.still_px), round = of(u.rim_px);
    double moved = 6.0 / 150 * r->um / (2 * RATIO) / PIXEL;
    cr_expect(epsilon_eq(dbl, h.x, moved * cos(M_PI / 6), 1e-3 * fabs(moved)));
    cr_expect(epsilon_eq(dbl, h.y, moved * sin(M_PI / 6), 1e-3 * fabs(moved)));
    cr_expect(epsilon_eq(dbl, rest.x, h.x, 1e-9), "no coma: it is there already");
    cr_expect(epsilon_eq(dbl, round.x, 0, 1e-4 * rim));

    /* Coma: hole less rim -6 N W131 (1 - e^2) along the flare, the same on both sides; W131 = 3
     * sqrt 8 a. 40 nm at 120 deg. 0.5 %: the square of the shift over the radius. */
    s.wave.shadow_mm = 0;
    s.wave.zernike_nm[8] = 40 * cos(2 * M_PI / 3);
    s.wave.zernike_nm[7] = 40 * sin(2 * M_PI / 3);
    pl_donut_unroll(&d, &s, &u);
    h = of(u.bore_px);
    rest = of(u.still_px);
    round = of(u.rim_px);
    moved = -6 * RATIO * 0.04 * 8.48528 * (1 - BORE * BORE) / PIXEL;
    cr_expect(epsilon_eq(dbl, h.x, moved * cos(2 * M_PI / 3), 5e-3 * fabs(moved)), "%g", h.x);
    cr_expect(epsilon_eq(dbl, h.y, moved * sin(2 * M_PI / 3), 5e-3 * fabs(moved)), "%g", h.y);
    cr_expect(epsilon_eq(dbl, hypot(rest.x, rest.y), 0, 1e-4 * rim), "where it would be without");
    cr_expect(epsilon_eq(dbl, hypot(round.x, round.y), 0, 1e-4 * rim), "about the rim's centre");
}

/* Astigmatism W = a6 sqrt 6 rho^2 cos 2t squeezes the ring: rays at 2 N (b + c) x, 2 N (b - c) y
 * with b = 2 sqrt 3 a4, c = sqrt 6 a6 (twice, from the gradient): an ellipse, whose radius in the
 * direction t has the second harmonic R c / b to first order. Derived here. 1 %: its square. */
Test(unroll, astigmatism_makes_an_ellipse)
{
    pl_donut d;
    pl_donut_star s;
    pl_unrolled u;
    for (int side = -1; side <= 1; side += 2) {
        scope(&d, &s, side * 600);
        s.wave.zernike_nm[6] = 60;
        pl_donut_unroll(&d, &s, &u);
        double rim = 600 / (2 * RATIO) / PIXEL, b = side * 600.0 / (8 * RATIO * RATIO);
        double want = rim * sqrt(6) * 0.06 / b;
        cr_expect(epsilon_eq(dbl, of(u.rim_px).even, want, 0.01 * fabs(want)));
        cr_expect(epsilon_eq(dbl, of(u.bore_px).even, BORE * want, 0.01 * fabs(want)));
        cr_expect(epsilon_eq(dbl, of(u.rim_px).odd, 0, 1e-3));
    }
}

/* The curves take the mean of what was measured, whatever was not seen. */
Test(unroll, laid_onto_the_measured_mean)
{
    pl_donut d;
    pl_donut_star s;
    pl_unrolled u;
    scope(&d, &s, 600);
    for (int i = 0; i < PL_RING_ANGLES; i++) {
        s.rim_px[i] = i % 3 ? 24 : NAN;
        s.bore_px[i] = NAN;
    }
    pl_donut_unroll(&d, &s, &u);
    cr_expect(epsilon_eq(dbl, of(u.rim_px).mean, 24, 1e-9));
    cr_expect(isnan(u.bore_px[7]), "a hole not seen is not drawn");
    cr_expect(isnan(u.still_px[7]));
}

/* 6 N W131 (1 - e^2) of the coma allowed, by hand: 6 x 3 x 0.05 x 8.48528 x 0.8775 / 4 = 1.67531.
 */
Test(unroll, allowed)
{
    pl_donut d;
    pl_donut_star s;
    pl_unrolled u;
    scope(&d, &s, 600);
    d.growth_coma_nm = 50;
    pl_donut_unroll(&d, &s, &u);
    cr_expect(epsilon_eq(dbl, u.allowed_px, 1.67531, 1e-5));
}
