/* SPDX-License-Identifier: GPL-3.0-or-later */
/* unroll.c - rim and hole of a fitted donut against angle, by rays: where 2N grad W takes the edges
 * of the pupil. Laid onto the measured radii in the mean, since diffraction draws a rim 1 to 3 %
 * inside its rays; what is compared is the shape. */
#include "donut.h"

#include <math.h>

enum { RAYS = 360 };

typedef struct {
    double x, y;
} point;

static double wave_at(const pl_wavefront *w, bool coma, double x, double y)
{
    double sum = 0;
    for (int j = PL_NOLL_FIRST; j <= PL_NOLL_LAST; j++)
        if (isfinite(w->zernike_nm[j]) && (coma || (j != 7 && j != 8)))
            sum += w->zernike_nm[j] / 1000 * pl_zernike(j, x, y);
    return sum;
}

/* Where the ray through (x, y) of the pupil meets the sensor, px. */
static point ray(const pl_donut *d, const pl_wavefront *w, bool coma, double x, double y)
{
    double h = 1e-4;
    double scale = 2 * d->facts.focal_mm.v / d->facts.aperture_mm.v / d->facts.pixel_um.v / (2 * h);
    return (point){
        scale * (wave_at(w, coma, x + h, y) - wave_at(w, coma, x - h, y)),
        scale * (wave_at(w, coma, x, y + h) - wave_at(w, coma, x, y - h)),
    };
}

/* A circle of the pupil as the sensor shows it. */
static void trace(const pl_donut *d, const pl_wavefront *w, bool coma, point middle, double r,
                  point at[RAYS])
{
    for (int i = 0; i < RAYS; i++) {
        double a = 2 * M_PI * i / RAYS;
        at[i] = ray(d, w, coma, middle.x + r * cos(a), middle.y + r * sin(a));
    }
}

static double bearing(point p, point centre)
{
    return fmod(atan2(p.y - centre.y, p.x - centre.x) + 2 * M_PI, 2 * M_PI);
}

/* Radius at one bearing: between the two rays on either side of it. */
static double radius_at(const point at[RAYS], point centre, double a)
{
    for (int i = 0; i < RAYS; i++) {
        point p = at[i], q = at[(i + 1) % RAYS];
        double from = bearing(p, centre),
               width = fmod(bearing(q, centre) - from + 2 * M_PI, 2 * M_PI);
        double gone = fmod(a - from + 2 * M_PI, 2 * M_PI);
        if (width > 0 && width < M_PI && gone <= width)
            return hypot(p.x - centre.x, p.y - centre.y) * (1 - gone / width) +
                   hypot(q.x - centre.x, q.y - centre.y) * gone / width;
    }
    return NAN;
}

static void radii(const point at[RAYS], point centre, double out[PL_UNROLLED])
{
    for (int i = 0; i < PL_UNROLLED; i++)
        out[i] = radius_at(at, centre, fmod(2 * M_PI * i / (PL_UNROLLED - 1), 2 * M_PI));
}

/* The centre about which the radius has no first harmonic: that of the circle through the rim. */
static point circle_centre(const point at[RAYS])
{
    point c = { 0, 0 };
    double r[PL_UNROLLED];
    for (int round = 0; round < 4; round++) {
        point step = { 0, 0 };
        radii(at, c, r);
        for (int i = 1; i < PL_UNROLLED; i++) {
            double a = 2 * M_PI * i / (PL_UNROLLED - 1);
            step.x += 2 * r[i] * cos(a) / (PL_UNROLLED - 1);
            step.y += 2 * r[i] * sin(a) / (PL_UNROLLED - 1);
        }
        c.x += step.x;
        c.y += step.y;
    }
    return c;
}

/* Rim and hole together, about the rim's centre. */
static void both(const pl_donut *d, const pl_wavefront *w, bool coma, double rim[PL_UNROLLED],
                 double bore[PL_UNROLLED])
{
    double turn = w->shadow_deg * M_PI / 180, off = 2 * w->shadow_mm / d->facts.aperture_mm.v;
    point at[RAYS], shadow = { off * cos(turn), off * sin(turn) };
    trace(d, w, coma, (point){ 0, 0 }, 1, at);
    point centre = circle_centre(at);
    radii(at, centre, rim);
    trace(d, w, coma, shadow, d->obstruction, at);
    radii(at, centre, bore);
}

static double mean_measured(const double *v)
{
    double sum = 0;
    int n = 0;
    for (int i = 0; i < PL_RING_ANGLES; i++)
        if (isfinite(v[i])) {
            sum += v[i];
            n++;
        }
    return n ? sum / n : NAN;
}

/* Give a curve the mean of what was measured. */
static void lift(double curve[PL_UNROLLED], double mean)
{
    double sum = 0, n = 0;
    for (int i = 1; i < PL_UNROLLED; i++)
        if (isfinite(curve[i])) {
            sum += curve[i];
            n++;
        }
    for (int i = 0; i < PL_UNROLLED; i++)
        curve[i] += n > 0 ? mean - sum / n : NAN;
}

void pl_donut_unroll(const pl_donut *d, const pl_donut_star *s, pl_unrolled *out)
{
    double n = d->facts.focal_mm.v / d->facts.aperture_mm.v, unused[PL_UNROLLED];
    double clear = 1 - d->obstruction * d->obstruction, w131_um;
    for (int i = 0; i < PL_UNROLLED; i++)
        out->deg[i] = 360.0 * i / (PL_UNROLLED - 1);
    both(d, &s->wave, true, out->rim_px, out->bore_px);
    both(d, &s->wave, false, unused, out->still_px);
    lift(out->rim_px, mean_measured(s->rim_px));
    lift(out->bore_px, mean_measured(s->bore_px));
    lift(out->still_px, mean_measured(s->bore_px));
    /* coma moves the hole against the rim by 6 N W131 (1 - e^2): derived here */
    w131_um = d->growth_coma_nm / 1000 * PL_W131_PER_A8;
    out->allowed_px = 6 * n * w131_um * clear / d->facts.pixel_um.v;
}
