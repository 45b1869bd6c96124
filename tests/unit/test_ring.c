/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Donuts drawn here, analytically: an annulus of known rim and hole, averaged over each pixel and
 * blurred by quadrature. None of the library's star or optics code draws them. */
#include "../../lib/star/star.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double SKY = 1000, NOISE = 10;

/* ---- a donut: uniform annulus, blurred */

typedef struct {
    double x, y, outer, inner; /* diameters */
    double dx, dy;             /* hole's centre minus the rim's */
    double level;              /* ADU of the ring without blur */
    double fwhm, beta;         /* of the blur; beta INFINITY: Gaussian; fwhm 0: none */
    int vanes;
    double vane; /* width, px */
} donut;

/* Share of a pixel [-1/2, 1/2]^2 whose centre lies at distance d from the centre of a disc, that
 * the disc covers: the edge as a straight line across the pixel seen along (ux, uy), by a 1-D
 * integral over 16 midpoints. Straight: right to 1 / (8 r) of a pixel at most, and not at the
 * discs' expense: it is symmetric about the edge. */
static double covered(double dx, double dy, double r)
{
    double sum = 0;
    if (hypot(dx, dy) > r + 0.75)
        return 0;
    if (hypot(dx, dy) < r - 0.75)
        return 1;
    for (int i = 0; i < 16; i++) { /* exact chord along y at 16 places in x */
        double x = dx + (i + 0.5) / 16 - 0.5, h2 = r * r - x * x;
        if (h2 <= 0)
            continue;
        double h = sqrt(h2), lo = fmax(-h, dy - 0.5), hi = fmin(h, dy + 0.5);
        sum += hi > lo ? (hi - lo) / 16 : 0;
    }
    return sum;
}

static double through_vanes(const donut *d, double dx, double dy)
{
    double light = 1;
    for (int k = 0; k < d->vanes; k++) {
        double a = 0.3 + 2 * M_PI * k / d->vanes, along = dx * cos(a) + dy * sin(a);
        double across = fabs(dy * cos(a) - dx * sin(a)), edge = 0.5 * d->vane - across + 0.5;
        if (along > 0)
            light -= fmin(1, fmax(0, edge)) * fmin(1, d->vane);
    }
    return fmax(0, light);
}

static double sharp(const donut *d, double x, double y)
{
    double dx = x - d->x, dy = y - d->y;
    double ring = covered(dx, dy, d->outer / 2) - covered(dx - d->dx, dy - d->dy, d->inner / 2);
    return d->level * fmax(0, ring) * (ring > 0 ? through_vanes(d, dx, dy) : 1);
}

/* A blur's kernel on whole pixels (each the mean of 5 x 5 points), unit sum. */
static double *kernel(double fwhm, double beta, int *radius)
{
    int r = *radius = (int)ceil(isinf(beta) ? 1.8 * fwhm : 6 * fwhm), n = 2 * r + 1;
    double *k = calloc((size_t)(n * n), sizeof *k), sum = 0;
    for (int i = 0; i < n * n; i++) {
        for (int j = 0; j < 25; j++) {
            double x = i % n - r + (j % 5 - 2) / 5.0, y = i / n - r + (j / 5 - 2) / 5.0;
            double u = 4 * (x * x + y * y) / (fwhm * fwhm);
            k[i] += isinf(beta) ? exp2(-u) : pow(1 + (exp2(1 / beta) - 1) * u, -beta);
        }
        sum += k[i];
    }
    for (int i = 0; i < n * n; i++)
        k[i] /= sum;
    return k;
}

/* Add a donut to [h][w] pixels. */
static void draw(double *v, int w, int h, const donut *d)
{
    int kr = 0, reach = (int)(d->outer / 2) + 3;
    double *k = d->fwhm > 0 ? kernel(d->fwhm, d->beta, &kr) : NULL;
    int n = 2 * (reach + kr) + 1, x0 = (int)d->x - reach - kr, y0 = (int)d->y - reach - kr;
    double *flat = calloc((size_t)(n * n), sizeof *flat);
    for (int i = 0; i < n * n; i++)
        flat[i] = sharp(d, x0 + i % n, y0 + i / n);
    for (int i = 0; i < n * n; i++) { /* scatter each lit pixel */
        if (flat[i] == 0)
            continue;
        int cx = x0 + i % n, cy = y0 + i / n, kn = 2 * kr + 1;
        for (int j = 0; j < kn * kn; j++) {
            int x = cx + j % kn - kr, y = cy + j / kn - kr;
            if (x >= 0 && y >= 0 && x < w && y < h)
                v[y * w + x] += flat[i] * (k ? k[j] : 1);
        }
    }
    free(flat);
    free(k);
}

/* ---- finding */

typedef struct {
    pl_ring *ring;
    size_t n, good;
} found;

static found find_on(const pl_frame *f, const char *mosaic, double saturation, int jobs)
{
    found r = { NULL, 0, 0 };
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_rings_find(f, mosaic, saturation, jobs, &r.ring, &r.n, &err), PL_OK), "%s",
              err.msg);
    for (size_t i = 0; i < r.n; i++)
        r.good += r.ring[i].kind == PL_RING;
    return r;
}

static found find(const double *v, int w, int h)
{
    pl_frame *f = frames_memory(w, h, v);
    found r = find_on(f, "", INFINITY, 1);
    pl_frame_free(f);
    return r;
}

/* Sky, donuts, noise (the sky's, and photons at one electron an ADU). */
static double *scene(int w, int h, const donut *d, size_t n, uint64_t seed)
{
    double *v = calloc((size_t)(w * h), sizeof *v);
    frames_dice dice = { seed };
    for (size_t i = 0; i < n; i++)
        draw(v, w, h, &d[i]);
    frames_noise(v, (size_t)(w * h), NOISE * NOISE, 1, &dice);
    for (int i = 0; i < w * h; i++)
        v[i] += SKY;
    return v;
}

/* Level for a signal to noise of one pixel: s / sqrt(NOISE^2 + s) = q. */
static double level_for(double q)
{
    return 0.5 * (q * q + sqrt(q * q * q * q + 4 * q * q * NOISE * NOISE));
}

static donut plain(double x, double y, double outer, double snr)
{
    return (donut){ .x = x,
                    .y = y,
                    .outer = outer,
                    .inner = 0.35 * outer,
                    .level = level_for(snr),
                    .fwhm = 0.06 * outer,
                    .beta = INFINITY };
}

static pl_ring only(const double *v, int w, int h, const char *what)
{
    found r = find(v, w, h);
    cr_assert(eq(sz, r.good, 1), "%s: %zu found, %zu good, the first is %s", what, r.n, r.good,
              r.n ? pl_ring_kind_name(r.ring[0].kind) : "none");
    pl_ring got = r.ring[0];
    free(r.ring);
    return got;
}

/* ---- one donut, many ways */

struct row {
    double outer, inner, shift, snr, fwhm, beta;
    int vanes;
    double vane;
    char what[32];
};

ParameterizedTestParameters(ring, geometry)
{
    static struct row rows[] = {
        { 16, .5, 0, 30, 1.2, INFINITY, 0, 0, "smallest" },
        { 20, .4, .02, 30, 2, INFINITY, 0, 0, "small" },
        { 24, .4, .04, 10, 2, 3, 0, 0, "small, winged" },
        { 40, .35, .05, 100, 3, INFINITY, 4, 1, "four vanes" },
        { 40, .1, .02, 100, 3, INFINITY, 0, 0, "smallest hole" },
        { 60, .5, .08, 30, 6, INFINITY, 0, 0, "blur of a tenth" },
        { 60, .2, .05, 30, 6, INFINITY, 0, 0, "small hole, blur of a tenth" },
        { 60, .35, .05, 30, 5, 3, 3, 2, "winged, three vanes" },
        { 60, .35, .05, 3, 4, INFINITY, 0, 0, "faint" },
        { 80, .35, .1, 300, 4, INFINITY, 4, 2, "bright" },
        { 120, .3, .05, 30, 0, INFINITY, 4, 3, "sharp" },
        { 200, .35, .1, 10, 5, INFINITY, 4, 3, "large" },
        { 200, .35, .05, 3, 5, INFINITY, 4, 3, "large and faint" },
        { 400, .35, .05, 30, 6, INFINITY, 4, 5, "largest" },
    };
    return cr_make_param_array(struct row, rows, sizeof rows / sizeof *rows);
}

/* Asked of the rim: 2 % + 0.3 px. The centre: 0.1 px at SNR 30, in proportion below (its error
 * goes as 1 / SNR), 0.1 px above (4 sigma of what is stated, where that is more). */
ParameterizedTest(struct row *r, ring, geometry)
{
    int side = (int)(2.2 * r->outer) + 60;
    donut d = { .x = 0.5 * side + 1.3,
                .y = 0.5 * side - 0.7,
                .outer = r->outer,
                .inner = r->inner * r->outer,
                .dx = 0.8 * r->shift * r->outer,
                .dy = -0.6 * r->shift * r->outer,
                .level = level_for(r->snr),
                .fwhm = r->fwhm,
                .beta = r->beta,
                .vanes = r->vanes,
                .vane = r->vane };
    double *v = scene(side, side, &d, 1, 31);
    pl_ring got = only(v, side, side, r->what);
    double centre = 0.1 * fmax(1, 30 / r->snr);
    double hole = fmax(centre, 4 * got.hole_sigma_px);
    cr_expect(epsilon_eq(dbl, got.outer_px, r->outer, 0.02 * r->outer + 0.3), "%s", r->what);
    cr_expect(epsilon_eq(dbl, got.inner_px, d.inner, 0.02 * r->outer + 0.3), "%s", r->what);
    cr_expect(epsilon_eq(dbl, got.x_px, d.x, centre), "%s", r->what);
    cr_expect(epsilon_eq(dbl, got.y_px, d.y, centre), "%s", r->what);
    cr_expect(epsilon_eq(dbl, got.hole_dx_px, d.dx, hole), "%s", r->what);
    cr_expect(epsilon_eq(dbl, got.hole_dy_px, d.dy, hole), "%s", r->what);
    cr_expect(lt(dbl, got.hole_sigma_px, 0.02 * r->outer), "%s", r->what);
    cr_expect(epsilon_eq(dbl, got.sky_adu, SKY, 1.5), "%s", r->what);
    cr_expect(epsilon_eq(dbl, got.noise_adu, NOISE, 1.2), "%s", r->what);
    /* a ring not level for its edges, or level to worse than its noise at SNR 300, looks noisier */
    bool easy = r->snr <= 100 && r->outer * (1 - r->inner) > 6 * r->fwhm + 10;
    cr_expect(epsilon_eq(dbl, got.snr / r->snr, 1, easy ? 0.15 : 0.35), "%s", r->what);
    free(v);
}

/* A diffracted donut: the field of an annular pupil (f/3.1, inner 0.35) 600 um from focus, as an
 * integral over its rings, |int exp(2 pi i W rho^2) J0(pi r rho / lambda N) rho d rho|^2 with
 * W = dz / (8 N^2 lambda) (Born & Wolf 8.8, from memory), 0.53 um, pixels of 3.76 um, then blurred.
 * The geometric diameter is dz / N. 2 %: what the equal-area rim is said to lie inside. */
static double diffracted(double r_um)
{
    enum { POINTS = 600 };
    const double lambda = 0.53, ratio = 3.1, waves = 600 / (8 * ratio * ratio * lambda);
    double re = 0, im = 0;
    for (int i = 0; i < POINTS; i++) {
        double rho = 0.35 + 0.65 * (i + 0.5) / POINTS, phase = 2 * M_PI * waves * rho * rho;
        double w = j0(M_PI * r_um * rho / (lambda * ratio)) * rho;
        re += w * cos(phase);
        im += w * sin(phase);
    }
    return re * re + im * im;
}

Test(ring, diffracted_rim)
{
    enum { SIDE = 140, STEPS = 1200 };
    static double table[STEPS]; /* every 0.1 px */
    int kr;
    double *k = kernel(2.8, INFINITY, &kr), *v = calloc(SIDE * SIDE, sizeof *v), top = 0;
    frames_dice dice = { 44 };
    for (int i = 0; i < STEPS; i++)
        top = fmax(top, table[i] = diffracted(0.376 * i));
    for (int i = 0; i < SIDE * SIDE; i++) {
        double light = 0;
        for (int j = 0; j < 9; j++)
            light += table[(int)(10 * hypot(i % SIDE - 70 + (j % 3 - 1) / 3.0,
                                            i / SIDE - 70 + (j / 3 - 1) / 3.0))];
        for (int j = 0, n = 2 * kr + 1; j < n * n && light > 0; j++) {
            int x = i % SIDE + j % n - kr, y = i / SIDE + j / n - kr;
            if (x >= 0 && y >= 0 && x < SIDE && y < SIDE)
                v[y * SIDE + x] += 2000 * k[j] * light / (9 * top);
        }
    }
    frames_noise(v, SIDE * SIDE, NOISE * NOISE, 1, &dice);
    pl_ring got = only(v, SIDE, SIDE, "diffracted");
    double want = 600 / 3.1 / 3.76;
    cr_expect(epsilon_eq(dbl, got.outer_px / want, 1, 0.02), "%g of %g", got.outer_px, want);
    cr_expect(epsilon_eq(dbl, got.inner_px / (0.35 * want), 1, 0.06), "%g", got.inner_px);
    cr_expect(epsilon_eq(dbl, got.hole_dx_px, 0, 0.12));
    cr_expect(epsilon_eq(dbl, got.hole_dy_px, 0, 0.12));
    free(k);
    free(v);
}

/* ---- errors are what they say */

struct pull_row {
    double outer, inner, snr, shift;
    char what[32];
};

ParameterizedTestParameters(ring, pulls)
{
    static struct pull_row rows[] = { { 60, .35, 30, 2, "60 px" },
                                      { 60, .35, 4, 2, "60 px, faint" },
                                      { 24, .4, 10, 0.7, "24 px" },
                                      { 90, .2, 100, 4, "small hole" } };
    return cr_make_param_array(struct pull_row, rows, sizeof rows / sizeof *rows);
}

/* 48 donuts anywhere within a pixel: 96 values, whose scatter is known to 1 / sqrt(2 x 96) = 7 %;
 * 0.7 .. 1.4 is asked for. The mean of the pulls within 3 / sqrt(96): no bias. */
ParameterizedTest(struct pull_row *r, ring, pulls)
{
    enum { SEEDS = 48 };
    double hole = 0, rim = 0, mean[2] = { 0, 0 };
    int side = (int)(2 * r->outer) + 50;
    for (uint64_t seed = 1; seed <= SEEDS; seed++) {
        frames_dice dice = { 900 + seed };
        donut d = plain(side / 2 + frames_uniform(&dice), side / 2 + frames_uniform(&dice),
                        r->outer, r->snr);
        d.inner = r->inner * r->outer;
        d.dx = r->shift;
        d.dy = -0.5 * r->shift;
        double *v = scene(side, side, &d, 1, seed);
        pl_ring got = only(v, side, side, r->what);
        double px = (got.hole_dx_px - d.dx) / got.hole_sigma_px;
        double py = (got.hole_dy_px - d.dy) / got.hole_sigma_px;
        hole += (px * px + py * py) / (2 * SEEDS);
        mean[0] += px / SEEDS;
        mean[1] += py / SEEDS;
        rim += (pow(got.x_px - d.x, 2) + pow(got.y_px - d.y, 2)) / pow(got.centre_sigma_px, 2) /
               (2 * SEEDS);
        free(v);
    }
    cr_expect(epsilon_eq(dbl, sqrt(hole), 1.05, 0.35), "%s: %g", r->what, sqrt(hole));
    cr_expect(epsilon_eq(dbl, sqrt(rim), 1.05, 0.35), "%s: %g", r->what, sqrt(rim));
    for (int i = 0; i < 2; i++)
        cr_expect(epsilon_eq(dbl, mean[i], 0, 3 / sqrt(SEEDS)), "%s: %g", r->what, mean[i]);
}

/* The faintest and smallest: SNR 3 a pixel, 12 each of 16, 23 and 30 px. Noise must not make
 * another kind of any, but that of the smallest, whose hole of 25 px stands out by 8 sigma on the
 * average, now and then one is not sure to have a hole. */
Test(ring, faint_and_small)
{
    int rings = 0;
    for (uint64_t seed = 1; seed <= 12; seed++)
        for (int outer = 16; outer <= 30; outer += 7) {
            donut d = plain(60.3, 59.8, outer, 3);
            d.dx = 0.04 * outer;
            double *v = scene(120, 120, &d, 1, 500 + seed);
            found r = find(v, 120, 120);
            cr_assert(eq(sz, r.n, 1));
            rings += r.ring[0].kind == PL_RING;
            cr_expect(r.ring[0].kind == PL_RING || (r.ring[0].kind == PL_RING_SMALL && outer == 16),
                      "%d px: %s", outer, pl_ring_kind_name(r.ring[0].kind));
            cr_expect(lt(dbl, hypot(r.ring[0].x_px - d.x, r.ring[0].y_px - d.y), 0.5));
            free(r.ring);
            free(v);
        }
    cr_expect(ge(int, rings, 34), "%d of 36", rings);
}

/* Angle by angle: the rim of a circle, the bore of a shifted one by the law of cosines, within
 * what is stated: 2 x 36 pulls, scatter known to 8 %. */
Test(ring, angle_by_angle)
{
    donut d = plain(110.2, 109.6, 80, 30);
    d.dx = 4;
    d.dy = 3;
    double *v = scene(220, 220, &d, 1, 5), rim = 0, bore = 0;
    pl_ring got = only(v, 220, 220, "80 px");
    for (int k = 0; k < PL_RING_ANGLES; k++) {
        double a = k * M_PI / 18, along = d.dx * cos(a) + d.dy * sin(a);
        double across = d.dx * sin(a) - d.dy * cos(a);
        double want = along + sqrt(pow(d.inner / 2, 2) - across * across);
        cr_assert(got.rim_sigma_px[k] < 0.5 && got.bore_sigma_px[k] < 1);
        rim += pow((got.rim_px[k] - d.outer / 2) / got.rim_sigma_px[k], 2) / PL_RING_ANGLES;
        bore += pow((got.bore_px[k] - want) / got.bore_sigma_px[k], 2) / PL_RING_ANGLES;
    }
    cr_expect(epsilon_eq(dbl, sqrt(rim), 1, 0.4), "%g", sqrt(rim));
    cr_expect(epsilon_eq(dbl, sqrt(bore), 1, 0.4), "%g", sqrt(bore));
    free(v);
}

/* The whole light: level times the annulus' area. 2 %: photons, and sky over twice the area. */
Test(ring, light)
{
    donut d = plain(100, 100, 70, 50);
    double *v = scene(200, 200, &d, 1, 6);
    pl_ring got = only(v, 200, 200, "70 px");
    double want = d.level * M_PI / 4 * (d.outer * d.outer - d.inner * d.inner);
    cr_expect(epsilon_eq(dbl, got.flux_adu / want, 1, 0.02));
    free(v);
}

/* ---- what lies around it */

/* A slope of 6 ADU a pixel: a dozen sigma over the donut. */
Test(ring, gradient)
{
    donut d = plain(150.3, 139.8, 60, 20);
    double *v = scene(300, 280, &d, 1, 7);
    for (int i = 0; i < 300 * 280; i++)
        v[i] += 6 * (i % 300 - 150.3) - 3 * (i / 300 - 139.8);
    pl_ring got = only(v, 300, 280, "slope");
    cr_expect(epsilon_eq(dbl, got.x_px, d.x, 0.15));
    cr_expect(epsilon_eq(dbl, got.y_px, d.y, 0.15));
    cr_expect(epsilon_eq(dbl, got.outer_px, d.outer, 0.02 * d.outer + 0.3));
    cr_expect(epsilon_eq(dbl, got.sky_adu, SKY, 2));
    free(v);
}

/* The mesh of the star room takes a third and more of a wide donut for sky; the ring's own must
 * not.
 */
Test(ring, sky_is_not_the_donut)
{
    donut d = plain(325, 250, 300, 5);
    double *v = scene(650, 500, &d, 1, 8);
    pl_ring got = only(v, 650, 500, "300 px of 500");
    cr_expect(epsilon_eq(dbl, got.sky_adu, SKY, 1));
    pl_frame *f = frames_memory(650, 500, v);
    pl_sky sky = { 0 };
    float level;
    cr_assert(eq(int, pl_sky_measure(f, 1, &sky, NULL), PL_OK));
    pl_sky_at(&sky, 0, 325 + 0.4 * d.outer, 250, &level, NULL);
    cr_expect(gt(dbl, level, SKY + 0.3 * d.level), "the mesh: %g", (double)level);
    pl_sky_clear(&sky);
    pl_frame_free(f);
    free(v);
}

/* Stars in focus: one on the rim, one beside it, one far away. The angles under the two are left
 * out; centre and hole stay where they are (0.15: up to 4 angles of 36 lost). */
Test(ring, stars_in_focus_beside)
{
    donut d = plain(120.4, 121.1, 90, 30);
    double *v = calloc(240 * 240, sizeof *v);
    frames_dice dice = { 9 };
    draw(v, 240, 240, &d);
    const frames_star star[] = { { 165.8, 121, 60 * d.level, 3, 0, 0, 4 },
                                 { 120, 60, 40 * d.level, 3, 0, 0, 4 },
                                 { 30, 200, 400 * d.level, 3, 0, 0, 4 } };
    for (int i = 0; i < 3; i++)
        frames_draw_near(v, 240, 240, &star[i]);
    frames_noise(v, 240 * 240, NOISE * NOISE, 1, &dice);
    pl_ring got = only(v, 240, 240, "stars");
    cr_expect(epsilon_eq(dbl, got.x_px, d.x, 0.15));
    cr_expect(epsilon_eq(dbl, got.y_px, d.y, 0.15));
    cr_expect(epsilon_eq(dbl, got.hole_dx_px, 0, 0.15));
    cr_expect(isnan(got.rim_px[0]), "the angle under the star: %g", got.rim_px[0]);
    cr_expect(isfinite(got.rim_px[9]) && isfinite(got.rim_px[18]));
    free(v);
}

/* A dozen over the field, unlike in size and light; each found once, brightest first. */
Test(ring, a_dozen)
{
    enum { N = 12, W = 900, H = 700 };
    donut d[N];
    frames_dice dice = { 10 };
    for (int i = 0; i < N; i++)
        d[i] = plain(120 + 220 * (i % 4) + 30 * frames_uniform(&dice),
                     110 + 230 * (i / 4) + 30 * frames_uniform(&dice), 40 + 6 * i, 5 + 8 * i);
    double *v = scene(W, H, d, N, 11);
    found r = find(v, W, H);
    cr_assert(eq(sz, r.good, N));
    cr_expect(eq(sz, r.n, N));
    for (size_t i = 0; i < r.n; i++) {
        const donut *want = &d[N - 1 - i];
        cr_expect(lt(dbl, hypot(r.ring[i].x_px - want->x, r.ring[i].y_px - want->y), 0.5));
        cr_expect(epsilon_eq(dbl, r.ring[i].outer_px, want->outer, 0.02 * want->outer + 0.3));
    }
    free(r.ring);
    free(v);
}

/* A colour mosaic: red and blue see the star two and half as bright, on skies of their own; red
 * light is displaced by 1.5 px (the air's dispersion), which green must not feel. */
Test(ring, mosaic)
{
    enum { W = 260, H = 240 };
    const char *pattern[] = { "RGGB", "GRBG" };
    donut d = plain(130.3, 119.6, 70, 30), red = d;
    red.x += 1.5;
    red.level *= 2;
    double *g = calloc(W * H, sizeof *g), *r = calloc(W * H, sizeof *r),
           *v = calloc(W * H, sizeof *v);
    draw(g, W, H, &d);
    draw(r, W, H, &red);
    for (int p = 0; p < 2; p++) {
        frames_dice dice = { 12 };
        for (int i = 0; i < W * H; i++) {
            char c = pattern[p][2 * (i / W & 1) + (i % W & 1)];
            v[i] = c == 'R' ? r[i] : c == 'B' ? 0.5 * g[i] : g[i];
        }
        frames_noise(v, W * H, NOISE * NOISE, 1, &dice);
        for (int i = 0; i < W * H; i++) {
            char c = pattern[p][2 * (i / W & 1) + (i % W & 1)];
            v[i] += c == 'R' ? 0.6 * SKY : c == 'B' ? 0.7 * SKY : SKY;
        }
        pl_frame *f = frames_memory(W, H, v);
        found got = find_on(f, pattern[p], INFINITY, 1);
        cr_assert(eq(sz, got.good, 1), "%s", pattern[p]);
        cr_expect(epsilon_eq(dbl, got.ring[0].x_px, d.x, 0.12), "%s", pattern[p]);
        cr_expect(epsilon_eq(dbl, got.ring[0].y_px, d.y, 0.12), "%s", pattern[p]);
        cr_expect(epsilon_eq(dbl, got.ring[0].outer_px, d.outer, 0.02 * d.outer + 0.3));
        cr_expect(epsilon_eq(dbl, got.ring[0].sky_adu, SKY, 2));
        cr_expect(epsilon_eq(dbl, got.ring[0].hole_dx_px, 0, 0.2));
        free(got.ring);
        pl_frame_free(f);
    }
    free(g);
    free(r);
    free(v);
}

/* ---- what is no clean ring */

static void expect_kind(const double *v, int w, int h, double saturation, double x, double y,
                        pl_ring_kind want, const char *what)
{
    pl_frame *f = frames_memory(w, h, v);
    found r = find_on(f, "", saturation, 1);
    cr_assert(gt(sz, r.n, 0), "%s: nothing found", what);
    size_t near = 0;
    for (size_t i = 1; i < r.n; i++)
        if (hypot(r.ring[i].x_px - x, r.ring[i].y_px - y) <
            hypot(r.ring[near].x_px - x, r.ring[near].y_px - y))
            near = i;
    cr_expect(eq(int, r.ring[near].kind, want), "%s: %s, not %s", what,
              pl_ring_kind_name(r.ring[near].kind), pl_ring_kind_name(want));
    cr_expect(eq(sz, r.good, want == PL_RING), "%s: %zu good", what, r.good);
    free(r.ring);
    pl_frame_free(f);
}

Test(ring, cut)
{
    const double at[][2] = { { 20, 100 }, { 110, 175 }, { 195, 195 }, { 3, 100 }, { 28, 100 } };
    for (int i = 0; i < 5; i++) {
        donut d = plain(at[i][0], at[i][1], 60, 30);
        double *v = scene(200, 200, &d, 1, 13);
        expect_kind(v, 200, 200, INFINITY, d.x, d.y, PL_RING_CUT, "cut by the edge");
        free(v);
    }
    donut d = plain(100, 100, 60, 30);
    double *v = scene(200, 200, &d, 1, 13);
    for (int i = 0; i < 200 * 200; i++)
        if (i % 200 > 120)
            v[i] = NAN;
    expect_kind(v, 200, 200, INFINITY, d.x, d.y, PL_RING_CUT, "blank columns");
    free(v);
}

Test(ring, saturated)
{
    donut d = plain(100, 100, 60, 30);
    double *v = scene(200, 200, &d, 1, 14);
    for (int i = 0; i < 200 * 200; i++)
        v[i] = fmin(v[i], floor(SKY + 0.95 * d.level));
    expect_kind(v, 200, 200, floor(SKY + 0.95 * d.level), d.x, d.y, PL_RING_SATURATED, "clipped");
    expect_kind(v, 200, 200, INFINITY, d.x, d.y, PL_RING, "the same, not said to be clipped");
    v[100 * 200 + 80] = 65535; /* one hot pixel is no saturated ring */
    expect_kind(v, 200, 200, 65535, d.x, d.y, PL_RING, "a hot pixel");
    free(v);
}

Test(ring, filled)
{
    const frames_star blob[] = { { 100.3, 99.8, 4e6, 24, 0, 0, INFINITY },
                                 { 100.3, 99.8, 4e6, 20, 0.6, 30, 1.5 },
                                 { 100.3, 99.8, 1e8, 16, 0, 0, 2.5 } };
    for (int i = 0; i < 3; i++) {
        double *v = calloc(200 * 200, sizeof *v);
        frames_dice dice = { 15 };
        frames_draw(v, 0, 0, 200, 200, &blob[i]);
        frames_noise(v, 200 * 200, NOISE * NOISE, 1, &dice);
        expect_kind(v, 200, 200, INFINITY, 100, 100, PL_RING_FILLED, "a blob");
        free(v);
    }
    donut d = plain(100, 100, 60, 30);
    d.inner = 0;
    double *v = scene(200, 200, &d, 1, 15);
    expect_kind(v, 200, 200, INFINITY, 100, 100, PL_RING_FILLED, "a disc without a hole");
    free(v);
}

/* Two rings of 60 px, alike or one fainter, from nearly touching to nearly one. Whatever they are
 * called, neither is clean; where two rings can be told they are called overlapping. */
Test(ring, overlap)
{
    const double apart[] = { 57, 45, 30, 18, 12 }, fainter[] = { 1, 0.5 };
    for (int i = 0; i < 5; i++)
        for (int j = 0; j < 2; j++) {
            donut d[2] = { plain(120, 120, 60, 30),
                           plain(120 + 0.8 * apart[i], 120 + 0.6 * apart[i], 60, 30) };
            d[1].level *= fainter[j];
            double *v = scene(280, 280, d, 2, 16);
            found r = find(v, 280, 280);
            cr_assert(gt(sz, r.n, 0));
            cr_expect(eq(sz, r.good, 0), "%g px apart, %g as bright", apart[i], fainter[j]);
            for (size_t k = 0; k < r.n && apart[i] > 25; k++)
                cr_expect(eq(int, r.ring[k].kind, PL_RING_OVERLAP), "%g px apart, %g as bright: %s",
                          apart[i], fainter[j], pl_ring_kind_name(r.ring[k].kind));
            free(r.ring);
            free(v);
        }
}

/* Two rings 8 px from rim to rim are two. */
Test(ring, neighbours)
{
    donut d[2] = { plain(120, 120, 60, 30), plain(190, 123, 60, 20) };
    double *v = scene(320, 240, d, 2, 17);
    found r = find(v, 320, 240);
    cr_assert(eq(sz, r.good, 2), "%zu good", r.good);
    for (int i = 0; i < 2; i++) {
        cr_expect(epsilon_eq(dbl, r.ring[i].x_px, d[i].x, 0.2));
        cr_expect(epsilon_eq(dbl, r.ring[i].y_px, d[i].y, 0.2));
        cr_expect(epsilon_eq(dbl, r.ring[i].outer_px, 60, 1.5));
    }
    free(r.ring);
    free(v);
}

/* Arcs: what a gap of a third, or three gaps, leave. A ring stretched to 1.5 : 1. */
Test(ring, broken)
{
    for (int gaps = 1; gaps <= 3; gaps += 2) {
        donut d = plain(100, 100, 70, 30);
        double *v = calloc(200 * 200, sizeof *v);
        frames_dice dice = { 18 };
        draw(v, 200, 200, &d);
        for (int i = 0; i < 200 * 200; i++) {
            double turn = atan2(i / 200 - 100, i % 200 - 100) / (2 * M_PI) + 1;
            if (fmod(turn * gaps, 1) < 0.4)
                v[i] = 0;
        }
        frames_noise(v, 200 * 200, NOISE * NOISE, 1, &dice);
        found r = find(v, 200, 200);
        cr_expect(gt(sz, r.n, 0), "%d gaps: nothing", gaps);
        cr_expect(eq(sz, r.good, 0), "%d gaps", gaps);
        free(r.ring);
        free(v);
    }
    double *v = calloc(200 * 200, sizeof *v);
    frames_dice dice = { 19 };
    for (int i = 0; i < 200 * 200; i++) {
        double x = (i % 200 - 100) / 45.0, y = (i / 200 - 100) / 30.0, q = hypot(x, y);
        v[i] = q < 1 && q > 0.4 ? 2000 : 0;
    }
    frames_noise(v, 200 * 200, NOISE * NOISE, 1, &dice);
    expect_kind(v, 200, 200, INFINITY, 100, 100, PL_RING_BROKEN, "stretched");
    free(v);
}

Test(ring, none_in_noise)
{
    for (uint64_t seed = 1; seed <= 10; seed++) {
        double *v = scene(640, 480, NULL, 0, 300 + seed);
        found r = find(v, 640, 480);
        cr_expect(eq(sz, r.n, 0));
        cr_expect(eq(ptr, r.ring, NULL));
        free(v);
    }
}

/* A Moffat star of beta 3 by its values at pixel centres: near enough for what must not be found.
 */
static void star_field_star(double *v, int w, int h, double x, double y, double flux, double fwhm)
{
    double a2 = fwhm * fwhm / 4 / (cbrt(2) - 1), peak = 2 * flux / (M_PI * a2);
    int r = (int)(5 * fwhm) + (flux > 1e5 ? 30 : 0);
    for (int j = (int)fmax(0, y - r); j < fmin(h, y + r); j++)
        for (int i = (int)fmax(0, x - r); i < fmin(w, x + r); i++) {
            double q = 1 + ((i - x) * (i - x) + (j - y) * (j - y)) / a2;
            v[j * w + i] += peak / (q * q * q);
        }
}

/* Two thousand stars in focus, some very bright: none is a ring. Of those 6 px wide some 800 pairs
 * lie within two widths of each other (n^2 / 2 x pi r^2 / area); of groups that look like one wide
 * object there may be a twentieth of the stars' number, else a fiftieth. */
Test(ring, none_in_a_star_field)
{
    enum { W = 1200, H = 900, STARS = 2000 };
    for (int fwhm = 2; fwhm <= 6; fwhm += 2) {
        double *v = calloc(W * H, sizeof *v);
        frames_dice dice = { 20 };
        for (int i = 0; i < STARS; i++) {
            double flux = 3e3 * pow(frames_uniform(&dice), -1.2);
            star_field_star(v, W, H, W * frames_uniform(&dice), H * frames_uniform(&dice),
                            fmin(flux, 5e6), fwhm);
        }
        frames_noise(v, W * H, NOISE * NOISE, 1, &dice);
        found r = find(v, W, H);
        cr_expect(eq(sz, r.good, 0), "FWHM %d: %zu rings", fwhm, r.good);
        cr_expect(le(sz, r.n, fwhm < 6 ? STARS / 50 : STARS / 20), "FWHM %d: %zu listed", fwhm,
                  r.n);
        free(r.ring);
        free(v);
    }
}

/* A bright edge and a blob of nebula under a donut that is clean. */
Test(ring, nebula)
{
    donut d = plain(220, 150, 60, 30);
    double *v = scene(400, 300, &d, 1, 22);
    for (int i = 0; i < 400 * 300; i++) {
        double x = i % 400, y = i / 400;
        v[i] += 200 / (1 + exp((x - 130 - 0.3 * y) / 4)) +
                300 * exp(-(pow(x - 330, 2) + pow(y - 150, 2)) / 1800);
    }
    found r = find(v, 400, 300);
    cr_expect(eq(sz, r.good, 1), "%zu good", r.good);
    cr_expect(epsilon_eq(dbl, r.ring[0].x_px, d.x, 0.2));
    cr_expect(epsilon_eq(dbl, r.ring[0].y_px, d.y, 0.2));
    free(r.ring);
    free(v);
}

/* ---- the rest */

Test(ring, any_number_of_threads)
{
    donut d[6];
    for (int i = 0; i < 6; i++)
        d[i] = plain(100 + 180 * (i % 3), 100 + 170 * (i / 3), 40 + 10 * i, 10 + 10 * i);
    double *v = scene(560, 380, d, 6, 23);
    pl_frame *f = frames_memory(560, 380, v);
    found one = find_on(f, "", 4000, 1);
    cr_assert(eq(sz, one.n, 6));
    for (int jobs = 2; jobs <= 4; jobs++) {
        found many = find_on(f, "", 4000, jobs);
        cr_assert(eq(sz, many.n, one.n));
        for (size_t i = 0; i < one.n; i++)
            cr_expect(memcmp(&one.ring[i], &many.ring[i], offsetof(pl_ring, kind)) == 0 &&
                      one.ring[i].kind == many.ring[i].kind);
        free(many.ring);
    }
    free(one.ring);
    pl_frame_free(f);
    free(v);
}

Test(ring, refusals)
{
    double *v = scene(64, 64, NULL, 0, 1);
    pl_ring *ring = (pl_ring *)v;
    size_t n = 77;
    pl_err err = { PL_OK, "" };
    pl_frame *f = frames_memory(31, 64, v);
    cr_expect(eq(int, pl_rings_find(f, "", INFINITY, 1, &ring, &n, &err), PL_ENODATA));
    cr_expect(ne(ptr, strstr(err.msg, "31 x 64"), NULL), "%s", err.msg);
    pl_frame_free(f);
    for (int i = 0; i < 64 * 64; i++)
        v[i] = NAN;
    f = frames_memory(64, 64, v);
    err = (pl_err){ PL_OK, "" };
    cr_expect(eq(int, pl_rings_find(f, "", INFINITY, 1, &ring, &n, &err), PL_ENODATA));
    cr_expect(ne(ptr, strstr(err.msg, "blank"), NULL), "%s", err.msg);
    cr_expect(eq(ptr, ring, (pl_ring *)v), "untouched");
    cr_expect(eq(sz, n, 77));
    pl_frame_free(f);
    free(v);
}

Test(ring, constant_frame_has_none)
{
    double *v = calloc(64 * 64, sizeof *v);
    found r = find(v, 64, 64);
    cr_expect(eq(sz, r.n, 0));
    free(v);
}

Test(ring, kind_names)
{
    for (int k = 0; k < PL_RING_KINDS; k++)
        for (int j = 0; j < k; j++)
            cr_expect(ne(int, strcmp(pl_ring_kind_name(j), pl_ring_kind_name(k)), 0));
    cr_expect(eq(int, strcmp(pl_ring_kind_name(PL_RING_SATURATED), "saturated"), 0));
    cr_expect(eq(int, strcmp(pl_ring_kind_name(PL_RING_KINDS), "unknown"), 0));
}
