/* SPDX-License-Identifier: GPL-3.0-or-later */
/* astig.c - astigmatism that the whole field shares: stars are stretched one way inside focus
 * and the other way outside.
 *
 * A frame's stretch, ln(major / minor) times (cos, sin) of twice the angle, averaged over its
 * stars, is
 *
 *     e = a slope(z - S, air) + (common + that frame's own) fade(z - S, air)
 *
 * with a as long as the two focal lines are apart and slope as pl_stretch_at has it. `common` is
 * what tracking and air do alike to all frames; a frame's own part is random, and how large is
 * estimated. Both are a blur that adds in squares: it stretches stars as air that differs along two
 * axes would, by ln(air) times the width's slope with it, and less where defocus or poor air make
 * them wide. The same on both sides of focus, it is no astigmatism. Astigmatism that differs over
 * the field is not told: its mean over the stars is.
 *
 * Nanometres: W = n sqrt(6) rho^2 cos 2 theta of Noll's terms adds sqrt(6) n to the rho^2 along the
 * axis and takes as much off across it. Defocus z is W = z rho^2 / (8 N^2), so the two differ by
 * 16 sqrt(6) N^2 n, whatever the obstruction: n is the RMS over the full disc. */
#include "sweep.h"

#include <math.h>
#include <stdlib.h>

enum { FEWEST_FRAMES = 5, FEWEST_A_SIDE = 2, FEWEST_STARS = 8 };

/* Stretch of a star that no error bar knows of: the pixels' share, blends. */
static const double BETWEEN_STARS = 0.005;
/* A star that knows less of its stretch is not asked. */
static const double TOO_NOISY = 0.5;
/* test_sizing.c allows the slope half of it; the rest is for what is not of first order: 120 nm at
 * f/3 read as 118, in rendered frames. */
static const double MODEL_PART = 0.02;
/* A frame is left out that would be so odd once in so many series. */
static const double ODD = 0.01;
/* Sigma by which a frame stands on a side of focus, and by which a cause is worth a word. */
static const double SIDE_SURE = 2, SURE = 2;

/* ---- frames to two focal lines */

struct line {
    double um[2], var, rest; /* var of each um; rest: chi square of 2 (n - 2) */
};

static double weight_of(const pl_sweep_stretch *f, double tau2)
{
    return f->odd ? 0 : 1 / (f->var + tau2 * f->fade * f->fade);
}

/* Least squares without frame `skip`; tau: scatter of the frames' own part. */
static struct line through(const pl_sweep_stretch *f, size_t n, size_t skip, double tau2)
{
    struct line l = { .rest = 0 };
    double ff = 0, fu = 0, uu = 0, fe[2] = { 0, 0 }, ue[2] = { 0, 0 };
    for (size_t i = 0; i < n; i++) {
        double w = i == skip ? 0 : weight_of(&f[i], tau2), u = f[i].by_um, fade = f[i].fade;
        ff += w * fade * fade;
        fu += w * fade * u;
        uu += w * u * u;
        for (int k = 0; k < 2; k++) {
            fe[k] += w * fade * f[i].e[k];
            ue[k] += w * u * f[i].e[k];
        }
    }
    double det = ff * uu - fu * fu;
    l.var = ff / det;
    for (int k = 0; k < 2; k++) {
        l.um[k] = (ff * ue[k] - fu * fe[k]) / det;
        double common = (fe[k] - l.um[k] * fu) / ff;
        for (size_t i = 0; i < n; i++) {
            double rest = f[i].e[k] - common * f[i].fade - l.um[k] * f[i].by_um;
            l.rest += i == skip ? 0 : rest * rest * weight_of(&f[i], tau2);
        }
    }
    return l;
}

/* Scatter from frame to frame that makes chi square what it should be (Paule & Mandel 1982, from
 * memory); nought when it is not larger. */
static double scatter(const pl_sweep_stretch *f, size_t n, double freedom)
{
    double lo = 0, hi = 1;
    if (through(f, n, n, 0).rest <= freedom)
        return 0;
    for (int i = 0; i < 60; i++) {
        double mid = (lo + hi) / 2;
        *(through(f, n, n, mid).rest > freedom ? &lo : &hi) = mid;
    }
    return hi;
}

/* Leaves out the frame without which the others agree best, when chance seldom does as much: with
 * F = (loss / 2) / (rest / m) on 2 and m degrees, chance exceeds it in (1 + 2 F / m)^(-m / 2),
 * which is the ratio of the two chi squares to the power m / 2. */
static bool leave_out(pl_sweep_stretch *f, size_t n, double freedom, double tau2)
{
    double whole = through(f, n, n, tau2).rest, least = whole, left = freedom - 2;
    size_t worst = n, kept = 0;
    for (size_t i = 0; i < n; i++) {
        double rest = f[i].odd ? whole : through(f, n, i, tau2).rest;
        kept += !f[i].odd;
        if (rest < least) {
            least = rest;
            worst = i;
        }
    }
    if (worst == n || !((double)kept * pow(least / whole, left / 2) < ODD))
        return false;
    f[worst].odd = true;
    return true;
}

bool pl_sweep_lines(pl_sweep_stretch *f, size_t n, double um[2], double *sigma_um)
{
    for (;;) {
        size_t kept = 0, in = 0, out = 0;
        for (size_t i = 0; i < n; i++) {
            kept += !f[i].odd;
            in += !f[i].odd && f[i].side < 0;
            out += !f[i].odd && f[i].side > 0;
        }
        if (kept < FEWEST_FRAMES || in < FEWEST_A_SIDE || out < FEWEST_A_SIDE)
            return false;
        double freedom = 2 * ((double)kept - 2), tau2 = scatter(f, n, freedom);
        if (tau2 > 0 && leave_out(f, n, freedom, tau2))
            continue;
        struct line l = through(f, n, n, tau2);
        um[0] = l.um[0];
        um[1] = l.um[1];
        /* an error that is estimated itself makes Student's deviates, wider by this */
        *sigma_um = sqrt(l.var * (tau2 > 0 ? freedom / (freedom - 2) : 1));
        return isfinite(*sigma_um);
    }
}

/* ---- stars to frames */

struct job {
    const pl_sweep_work *w;
    const double *x;
    pl_sweep_stretch *frame; /* [frames]; odd: not to be had */
};

/* What the stars of one frame say, [n] each. */
struct stars {
    double *e[2], *sigma;
    size_t n;
};

/* They, and in `out` what is expected of their mean. */
static struct stars gather(const struct job *job, size_t i, const pl_stretches *stretches,
                           double *room, pl_sweep_stretch *out)
{
    const pl_sweep_work *w = job->w;
    const pl_field *f = &w->field[i];
    struct stars v = { { room, room + f->used }, room + 2 * f->used, 0 };
    double cx, cy, mm = w->pixel_um / 1000, air = job->x[PL_SW_SHARED + i], sum = 0;
    pl_sensor_centre(&f->facts, f->width_px, f->height_px, &cx, &cy);
    for (size_t j = 0; j < f->used; j++) {
        const pl_star *s = &f->star[j];
        double e = log(s->fwhm_major_px / s->fwhm_minor_px), a = s->angle_deg * M_PI / 90;
        double sigma = hypot(2 * s->eta_sigma, BETWEEN_STARS), weight = 1 / (sigma * sigma), by_air;
        if (!(isfinite(e) && isfinite(a) && sigma < TOO_NOISY))
            continue;
        double z = w->s.frame[i].defocus_um -
                   pl_sweep_focal(w, job->x, (s->x_px - cx) * mm, (s->y_px - cy) * mm);
        pl_sizes_at(&w->sizes[i], z, air, NULL, &by_air);
        out->by_um += weight * pl_stretch_at(stretches, &w->sizes[i], z, air);
        out->fade += weight * by_air;
        sum += weight;
        v.e[0][v.n] = e * cos(a);
        v.e[1][v.n] = e * sin(a);
        v.sigma[v.n++] = sigma;
    }
    out->by_um /= sum;
    out->fade *= exp(2 * (job->x[PL_SW_TYPICAL] - air)) / sum; /* as many um^2 in any air */
    return v;
}

/* Of each component, under robust weights. */
static bool average(struct stars *v, pl_sweep_stretch *out)
{
    double var[2] = { 0, 0 };
    bool ok = v->n >= FEWEST_STARS;
    for (size_t j = 0; j < v->n; j++)
        v->sigma[j] = 1 / v->sigma[j];
    for (int k = 0; ok && k < 2; k++) {
        for (size_t j = 0; j < v->n; j++)
            v->e[k][j] *= v->sigma[j];
        ok = pl_lsq_fit(v->sigma, v->e[k], v->n, 1, &out->e[k], &var[k], NULL, NULL) == PL_OK;
    }
    out->var = (var[0] + var[1]) / 2;
    return ok;
}

static void one_frame(void *ctx, size_t i, int worker)
{
    (void)worker;
    const struct job *job = ctx;
    const pl_sweep_work *w = job->w;
    const pl_sweep_frame *f = &w->s.frame[i];
    pl_sweep_stretch *out = &job->frame[i];
    *out = (pl_sweep_stretch){ .odd = true };
    if (!f->used)
        return;
    double *room = malloc(sizeof *room * 3 * w->field[i].used);
    if (!room) {
        pl_memory_short();
        return;
    }
    pl_reading how = pl_sweep_reading(w, i);
    pl_stretches stretches;
    pl_sizing_stretch(w->sizing, &how, &w->sizes[i], exp(job->x[PL_SW_SHARED + i]), &stretches);
    struct stars stars = gather(job, i, &stretches, room, out);
    out->odd = !average(&stars, out);
    bool sure = fabs(f->defocus_um) > SIDE_SURE * f->defocus_sigma_um;
    out->side = !sure ? 0 : f->defocus_um > 0 ? 1 : -1;
    free(room);
}

/* ---- the answer */

static void tell(pl_sweep *s, const double um[2], double sigma, double f_ratio)
{
    double nm_um = 1000 / (16 * sqrt(6) * f_ratio * f_ratio), deg = 90 / M_PI * atan2(um[1], um[0]);
    s->astigmatism_um = hypot(um[0], um[1]);
    s->astigmatism_sigma_um = hypot(sigma, MODEL_PART * s->astigmatism_um);
    s->astigmatism_nm = nm_um * s->astigmatism_um;
    s->astigmatism_sigma_nm = nm_um * s->astigmatism_sigma_um;
    if (s->side_known) {
        s->astigmatism_deg = deg < 0 ? deg + 180 : deg;
        s->astigmatism_sigma_deg = fmin(90 / M_PI * sigma / s->astigmatism_um, 52);
    }
    /* common practice, no source */
    if ((s->astigmatism_um - SURE * s->astigmatism_sigma_um) / 2 > s->zone_um)
        pl_note(&s->notes, "astigmatism: the two focal lines lie farther from best focus than it "
                           "allows: a mirror, flat or corrector that is strained, tilted or sags, "
                           "or warm air? let all cool, loosen what clamps, collimate, sweep anew");
}

void pl_sweep_astigmatism(pl_sweep_work *w, const double *x)
{
    pl_sweep *s = &w->s;
    double um[2], sigma;
    s->astigmatism_um = s->astigmatism_sigma_um = s->astigmatism_nm = s->astigmatism_sigma_nm = NAN;
    s->astigmatism_deg = s->astigmatism_sigma_deg = NAN;
    if (s->outside)
        return;
    struct job job = { w, x, malloc(sizeof *job.frame * w->frames) };
    if (!job.frame) {
        pl_memory_short();
        return;
    }
    pl_pool_run(w->jobs, w->frames, one_frame, &job);
    if (pl_sweep_lines(job.frame, w->frames, um, &sigma))
        tell(s, um, sigma, w->optic.f_ratio);
    free(job.frame);
}
