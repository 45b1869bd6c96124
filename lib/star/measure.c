/* SPDX-License-Identifier: GPL-3.0-or-later */
/* measure.c - one star: from a bump to numbers with errors. */
#include "star.h"

#include <math.h>
#include <string.h>

static const float DOUBTFUL = 8; /* score of a bump below which it may be noise */

/* exp(-d^2 / 2 s^2) along one side of a stamp about `at`; beyond four sigma nought. */
static void window(double at, int n, double s2, double *w)
{
    for (int i = 0; i < n; i++) {
        double q = (i - at) * (i - at) / (2 * s2);
        w[i] = q > 8 ? 0 : exp(-q);
    }
}

/* Centroid under a Gaussian window of the expected width, iterated; a start for the fit. */
static void start_place(const pl_stamp *st, const pl_bump *b, double fwhm, double *x, double *y)
{
    double s2 = pow(fwhm / 2.355, 2) + 0.3, wx[PL_STAMP_MAX], wy[PL_STAMP_MAX];
    float sky = (float)st->sky;
    *x = b->x_px;
    *y = b->y_px;
    for (int round = 0; round < 4; round++) {
        double sum = 0, sx = 0, sy = 0, cx = *x - st->x0, cy = *y - st->y0;
        window(cx, st->w, s2, wx);
        window(cy, st->h, s2, wy);
        int from = 0, to = st->w;
        while (from < to && wx[from] == 0)
            from++;
        while (from < to && wx[to - 1] == 0)
            to--;
        for (int j = 0; j < st->h; j++) {
            const float *value = st->value + (size_t)j * (size_t)st->w,
                        *use = st->use + (value - st->value);
            double light = 0, leaning = 0;
            if (wy[j] == 0)
                continue;
            for (int i = from; i < to; i++) {
                double v = wx[i] * (use[i] * (value[i] - sky));
                light += v;
                leaning += v * (i - cx);
            }
            sum += wy[j] * light;
            sx += wy[j] * leaning;
            sy += wy[j] * light * (j - cy);
        }
        if (!(sum > 0))
            return;
        double limit = 0.5 * fwhm; /* twice the step: the window halves each shift */
        *x += fmax(-limit, fmin(limit, 2 * sx / sum));
        *y += fmax(-limit, fmin(limit, 2 * sy / sum));
    }
    if (hypot(*x - b->x_px, *y - b->y_px) > fmax(2, fwhm)) {
        *x = b->x_px;
        *y = b->y_px;
    }
}

static double box_light(const pl_stamp *st, double x, double y, double r)
{
    double sum = 0;
    pl_stamp_box box = pl_stamp_within(st, x, y, r);
    for (int row = box.y0; row < box.y1; row++)
        for (int i = row * st->w + box.x0; i < row * st->w + box.x1; i++)
            if (pl_stamp_d2(st, i, x, y) < r * r)
                sum += st->use[i] * (st->value[i] - st->sky);
    return sum / st->share;
}

static void fill_position(const pl_moffat *f, pl_star *s)
{
    s->x_px = f->p[PL_MF_X];
    s->y_px = f->p[PL_MF_Y];
    s->x_sigma_px = sqrt(f->cov[PL_MF_X][PL_MF_X]);
    s->y_sigma_px = sqrt(f->cov[PL_MF_Y][PL_MF_Y]);
    s->flux_adu = f->p[PL_MF_FLUX];
    s->flux_sigma_adu = sqrt(f->cov[PL_MF_FLUX][PL_MF_FLUX]);
    s->sky_adu = f->p[PL_MF_SKY];
    s->snr = s->flux_adu * sqrt(f->unit_info);
    s->misfit = f->chi2;
    s->beta = 1 / f->p[PL_MF_INVBETA];
}

/* Size and stretch with errors: half axes e^(size +- eta); chi = tanh(2 eta); eccentricity
 * sqrt(1 - e^(-4 eta)). Errors to first order, except the eccentricity's near round, where it grows
 * as the root of eta: there the difference over one sigma of eta. */
static void fill_shape(const pl_moffat *f, pl_star *s)
{
    double e1 = f->p[PL_MF_ETA1], e2 = f->p[PL_MF_ETA2], eta = hypot(e1, e2);
    double ux = eta > 0 ? e1 / eta : 1, uy = eta > 0 ? e2 / eta : 0;
    double vs = f->cov[PL_MF_SIZE][PL_MF_SIZE];
    double v1 = f->cov[PL_MF_ETA1][PL_MF_ETA1], v2 = f->cov[PL_MF_ETA2][PL_MF_ETA2],
           v12 = f->cov[PL_MF_ETA1][PL_MF_ETA2];
    double along = v1 * ux * ux + 2 * v12 * ux * uy + v2 * uy * uy;
    double cross = v1 * uy * uy - 2 * v12 * ux * uy + v2 * ux * ux;
    double shared = f->cov[PL_MF_SIZE][PL_MF_ETA1] * ux + f->cov[PL_MF_SIZE][PL_MF_ETA2] * uy;
    double se = sqrt(along), flat = 1 / pow(cosh(2 * eta), 2);
    s->fwhm_px = 2 * exp(f->p[PL_MF_SIZE]);
    s->fwhm_sigma_px = s->fwhm_px * sqrt(vs);
    s->fwhm_major_px = s->fwhm_px * exp(eta);
    s->fwhm_minor_px = s->fwhm_px * exp(-eta);
    s->fwhm_major_sigma_px = s->fwhm_major_px * sqrt(fmax(0, vs + along + 2 * shared));
    s->fwhm_minor_sigma_px = s->fwhm_minor_px * sqrt(fmax(0, vs + along - 2 * shared));
    s->chi1 = tanh(2 * eta) * ux;
    s->chi2 = tanh(2 * eta) * uy;
    double round = eta > 1e-6 ? tanh(2 * eta) / eta : 2;
    s->chi_sigma = sqrt(0.5 * (4 * flat * flat * along + round * round * cross));
    s->eta_sigma = sqrt(0.5 * (along + cross));
    s->eccentricity = sqrt(1 - exp(-4 * eta));
    double slope = 2 * exp(-4 * eta) / fmax(s->eccentricity, 1e-9) * se;
    s->eccentricity_sigma = fmin(slope, sqrt(1 - exp(-4 * (eta + se))) - s->eccentricity);
    if (eta > 2 * se)
        s->eccentricity_sigma = slope;
    double deg = 90 / M_PI * atan2(e2, e1);
    s->angle_deg = deg < 0 ? deg + 180 : deg;
    s->angle_sigma_deg =
        fmin(90 / M_PI * sqrt(cross) / fmax(eta, 1e-9), 52); /* 52: knows nothing */
}

static double brightest(const pl_stamp *st, double x, double y, double r)
{
    double top = 0;
    pl_stamp_box box = pl_stamp_within(st, x, y, r);
    for (int row = box.y0; row < box.y1; row++)
        for (int i = row * st->w + box.x0; i < row * st->w + box.x1; i++)
            if (st->use[i] > 0 && pl_stamp_d2(st, i, x, y) < r * r)
                top = fmax(top, st->value[i] - st->sky);
    return top;
}

static pl_star blank_star(const pl_bump *b, pl_kind kind)
{
    pl_star s = { .kind = kind };
    for (size_t at = 0; at < offsetof(pl_star, kind); at += sizeof(double)) {
        double unknown = NAN;
        memcpy((char *)&s + at, &unknown, sizeof unknown);
    }
    s.x_px = b->x_px;
    s.y_px = b->y_px;
    s.snr = b->score;
    return s;
}

/* A fit that ran away says what the thing is by where it ran. */
static pl_kind runaway(const pl_moffat *f, double fwhm)
{
    double w = 2 * exp(f->p[PL_MF_SIZE]);
    return w < 0.6 * fwhm ? PL_SHARP : w > 2 * fwhm ? PL_EXTENDED : PL_NOISE;
}

static double stamp_radius(const pl_site *s, const pl_bump *b)
{
    double fwhm = s->fwhm > 0 ? s->fwhm * s->stretch : 3 << b->scale;
    return fmin(fmax(6, 2.75 * fwhm + 2), PL_STAMP_MAX / 2);
}

/* Place, flux and sky on one colour's pixels, the shape held. */
static bool fit_place(const pl_site *site, size_t bump, char colour, const double start[PL_MF_N],
                      pl_stamp *st, pl_moffat *fit)
{
    if (pl_stamp_cut(site, bump, colour, stamp_radius(site, &site->bump[bump]), st) != PL_STAR)
        return false;
    memcpy(fit->p, start, sizeof fit->p);
    fit->p[PL_MF_SKY] = st->sky;
    return pl_moffat_fit(st, PL_FREE_PLACE, fit, NULL);
}

bool pl_measure_forced(const pl_site *site, size_t bump, const pl_star *at, double fwhm,
                       double eta1, double eta2, double *snr, double *chi2, int *pixels)
{
    double flux = isfinite(at->flux_adu) ? at->flux_adu : 5 * site->sky->noise_adu * fwhm;
    double start[PL_MF_N] = { flux, at->x_px, at->y_px, log(0.5 * fwhm),
                              eta1, eta2,     0,        1 / site->beta };
    pl_moffat fit;
    pl_stamp st;
    if (!fit_place(site, bump, 'G', start, &st, &fit))
        return false;
    *snr = fit.p[PL_MF_FLUX] * sqrt(fit.unit_info);
    *pixels = fit.pixels;
    *chi2 = fit.chi2 * fmax(1, fit.pixels - 4);
    return true;
}

/* A weak bump is first asked whether anything is there with the frame's shape: cheaper than letting
 * a free shape wander about in noise. */
static bool is_noise(const pl_site *site, size_t bump, const pl_star *s)
{
    double snr, chi2;
    int pixels;
    return !pl_measure_forced(site, bump, s, site->fwhm, 0, 0, &snr, &chi2, &pixels) ||
           snr < PL_LEAST_SNR;
}

/* Pixels far above the profile that are no part of it: a hot pixel or a cosmic ray in the wings. A
 * real star may differ from a Moffat by a part of its own light, so both limits must be passed. */
static int mask_hits(pl_stamp *st, const pl_moffat *fit, pl_seen *seen)
{
    int hits = 0;
    pl_pack *k = &seen->pack;
    double core = 1.2 * exp(fit->p[PL_MF_SIZE] + hypot(fit->p[PL_MF_ETA1], fit->p[PL_MF_ETA2]));
    float sky = (float)fit->p[PL_MF_SKY];
    for (int i = 0; i < k->n; i++) {
        float rest = k->value[i] - seen->image.light[i] - sky, model = seen->image.light[i];
        double light = fmax(0, model);
        if (k->use[i] > 0 && rest > 0.5f * model &&
            rest * rest > 30 * (st->var + light / st->gain) && /* 5.5 sigma */
            pl_stamp_d2(st, k->at[i], fit->p[PL_MF_X], fit->p[PL_MF_Y]) > core * core) {
            k->use[i] = st->use[k->at[i]] = 0;
            hits++;
        }
    }
    return hits;
}

static bool fit_cleaned(pl_stamp *st, unsigned free, bool keep_spikes, pl_moffat *fit,
                        pl_seen *seen, int *spikes)
{
    enum { ROUNDS = 3 };
    *spikes = 0;
    for (int round = 0; round < ROUNDS; round++) {
        if (!pl_moffat_fit(st, free, fit, seen))
            return false;
        int hits = keep_spikes ? 0 : mask_hits(st, fit, seen);
        *spikes += hits;
        if (hits == 0 || hits > fit->pixels / 8)
            break;
    }
    return true;
}

void pl_measure_star(const pl_site *site, size_t bump, unsigned free, const pl_weight *weight,
                     pl_star *out, pl_extra *extra)
{
    const pl_bump *b = &site->bump[bump];
    pl_stamp st;
    pl_moffat fit = { .p = { 0 } };
    double fwhm = site->fwhm > 0 ? site->fwhm : 3 << b->scale;
    pl_kind kind = pl_stamp_cut(site, bump, 'G', stamp_radius(site, b), &st);
    *out = blank_star(b, kind);
    if (kind != PL_STAR)
        return;
    if (site->fwhm > 0 && b->score < DOUBTFUL && is_noise(site, bump, out)) {
        out->kind = PL_NOISE;
        return;
    }
    start_place(&st, b, fwhm, &fit.p[PL_MF_X], &fit.p[PL_MF_Y]);
    double flux = box_light(&st, fit.p[PL_MF_X], fit.p[PL_MF_Y], fwhm);
    fit.p[PL_MF_FLUX] = fmax(flux, 5 * sqrt(st.var) * fwhm) * 1.3;
    fit.p[PL_MF_SIZE] = log(0.5 * fwhm);
    fit.p[PL_MF_SKY] = st.sky;
    fit.p[PL_MF_INVBETA] = 1 / site->beta;
    pl_seen seen;
    int spikes;
    bool good = fit_cleaned(&st, free, site->keep_spikes, &fit, &seen, &spikes);
    double moved = hypot(fit.p[PL_MF_X] - b->x_px, fit.p[PL_MF_Y] - b->y_px);
    if (!good || !(fit.p[PL_MF_FLUX] > 0)) {
        out->kind = runaway(&fit, fwhm);
        out->misfit = fit.chi2;
        return;
    }
    if (moved > fmax(2, fwhm)) { /* it found another bump's star */
        out->kind = PL_NOISE;
        return;
    }
    fill_position(&fit, out);
    fill_shape(&fit, out);
    out->peak_adu = brightest(&st, out->x_px, out->y_px, fmax(1.5, out->fwhm_px));
    if (extra)
        *extra = (pl_extra){ sqrt(fit.cov[PL_MF_INVBETA][PL_MF_INVBETA]), spikes };
    if (weight)
        pl_leftover_measure(&st, &fit, &seen, weight, out);
}

/* What one colour of a star is like against its green. */
struct tint {
    double x_px, y_px, sigma_px, fwhm_px, fwhm_sigma_px;
};

static struct tint colour_of(const pl_site *site, size_t bump, char colour, const pl_star *s)
{
    double eta = 0.5 * log(s->fwhm_major_px / s->fwhm_minor_px), a = 2 * s->angle_deg * M_PI / 180;
    double start[PL_MF_N] = { s->flux_adu,  s->x_px,      s->y_px, log(0.5 * s->fwhm_px),
                              eta * cos(a), eta * sin(a), 0,       1 / s->beta };
    struct tint t = { NAN, NAN, NAN, NAN, NAN };
    pl_moffat fit;
    pl_stamp st;
    if (!fit_place(site, bump, colour, start, &st, &fit))
        return t;
    t.x_px = fit.p[PL_MF_X] - s->x_px;
    t.y_px = fit.p[PL_MF_Y] - s->y_px;
    t.sigma_px = sqrt(0.5 * (fit.cov[PL_MF_X][PL_MF_X] + fit.cov[PL_MF_Y][PL_MF_Y]));
    if (pl_moffat_fit(&st, PL_FREE_WIDTH, &fit, NULL)) {
        t.fwhm_px = 2 * exp(fit.p[PL_MF_SIZE]);
        t.fwhm_sigma_px = t.fwhm_px * sqrt(fit.cov[PL_MF_SIZE][PL_MF_SIZE]);
    }
    return t;
}

void pl_measure_colours(const pl_site *site, size_t bump, pl_star *s)
{
    struct tint red = colour_of(site, bump, 'R', s), blue = colour_of(site, bump, 'B', s);
    s->red_x_px = red.x_px;
    s->red_y_px = red.y_px;
    s->red_sigma_px = red.sigma_px;
    s->red_fwhm_px = red.fwhm_px;
    s->red_fwhm_sigma_px = red.fwhm_sigma_px;
    s->blue_x_px = blue.x_px;
    s->blue_y_px = blue.y_px;
    s->blue_sigma_px = blue.sigma_px;
    s->blue_fwhm_px = blue.fwhm_px;
    s->blue_fwhm_sigma_px = blue.fwhm_sigma_px;
}
