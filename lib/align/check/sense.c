/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sense.c - one exposure's focus and air, or a pair's: from stars to the answer. */
#include "sense.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <gsl/gsl_cdf.h>

/* Chance that z lies elsewhere, above which no side is claimed. */
static const double DOUBT = 0.003;
/* The same of a pair, whose answer is one broad place, not two. */
static const double DOUBT_PAIR = 0.03;
/* Chance of widths as odd as these, below which the surface is not believed. */
static const double MISFIT = 1e-3;
/* The same of what another tilt and curvature would gain. */
static const double OTHER_SURFACE = 3e-3;
/* Parameters of that: two of tilt, one of curvature. */
enum { LOOSE = 3 };
/* Cells are not better than this part of what their errors say, as a square. */
static const double LEAST_SCATTER = 0.25;
/* |z| known no better than this part of what was looked at is not known: evenly spread has 0.29. */
static const double VAGUE = 0.15;
/* One beta for stars in focus: fits of Kolmogorov's air with its pixels come to 3.4 to 3.6 in the
 * frames of tests/reference, and by how much ln FWHM then moves. */
static const double FOCUSED_BETA = 3.5, FOCUSED_LN = 0.005;
/* Scatter of ln air from one exposure to the next. */
static const double AIR_TIE = 0.08;
/* Air before anything is known, arcsec, and the scatter of its ln: loose, it only keeps stars far
 * out of focus from being explained by no air at all. Common practice, no source. */
static const double AIR_USUAL = 2.5, AIR_LOOSE = 0.4;
/* What a surface that was never measured may be, um over the half diagonal. */
static const double TILT_OPEN = 60, CURVE_OPEN = 30;
/* Difference of ln air that is none for the brightness of stars. */
static const double SAME_AIR = 0.1;
/* The finest air, as a part of the sharpest cell; and the widest. */
static const double AIR_LEAST = 0.3, AIR_MOST = 1.4, AIR_FINEST_ARCSEC = 0.6;

struct work {
    const pl_field *field; /* [frames] */
    size_t frames;
    int jobs;
    const pl_sense_options *options;
    pl_optic optic;
    double focal_mm, pixel_um, far_um;
    pl_sense_model model;
    pl_sizing *sizing;
    pl_reading how[PL_SENSE_FRAMES];
    pl_sweep_light light[PL_SENSE_FRAMES];
    double evened; /* ln air, um, for which stars were brought to one brightness */
    pl_notes *notes;
};

pl_sense_options pl_sense_defaults(void)
{
    return (pl_sense_options){ NAN, NAN };
}

static bool differs(double a, double b)
{
    return isfinite(a) && isfinite(b) && fabs(a - b) > 0.01 * fabs(a);
}

static double binning(double v)
{
    return v > 0 ? v : 1;
}

/* Why a surface says nothing about this frame; "" when it does. */
static void compare_camera(const struct work *w, const pl_surface *s, char *why, size_t n)
{
    const pl_field *f = &w->field[0];
    double pitch = w->pixel_um / binning(f->facts.binning_x.v),
           then = s->pixel_um / binning(s->binning), width = f->width_px * w->pixel_um / 1000,
           height = f->height_px * w->pixel_um / 1000;
    why[0] = '\0';
    if (differs(pitch, then))
        snprintf(why, n,
                 "the saved surface is of a camera with pixels of %.3g um, this one has %.3g", then,
                 pitch);
    else if (differs(w->focal_mm, s->focal_mm))
        snprintf(why, n, "the saved surface is of a focal length of %.4g mm, this one is %.4g",
                 s->focal_mm, w->focal_mm);
    else if (width > 1.01 * s->width_mm || height > 1.01 * s->height_mm)
        snprintf(why, n, "the saved surface is of %.1f x %.1f mm, this frame has %.1f x %.1f",
                 s->width_mm, s->height_mm, width, height);
}

/* ---- the data */

static void cut(struct work *w, const pl_sweep_light *light)
{
    pl_sense_model *m = &w->model;
    m->cells = 0;
    for (size_t i = 0; i < w->frames; i++)
        m->cells += pl_sweep_cut(&w->field[i], i, offsetof(pl_star, fwhm_px),
                                 offsetof(pl_star, fwhm_sigma_px), light ? &light[i] : NULL,
                                 m->cell + m->cells);
}

/* What a star's brightness does to its width depends on the air, most of all far out of focus. */
static void even_out(struct work *w, double ln_air)
{
    w->evened = ln_air;
    for (size_t i = 0; i < w->frames; i++)
        pl_sizing_brights(w->sizing, &w->how[i], exp(ln_air), w->jobs, &w->light[i].table);
    cut(w, w->light);
}

/* ln um */
static double sharpest(const pl_sense_model *m, size_t frame)
{
    double least = INFINITY;
    for (size_t i = 0; i < m->cells; i++)
        if (m->cell[i].frame == frame)
            least = fmin(least, m->cell[i].ln_fwhm);
    return least;
}

static pl_status tables(struct work *w, pl_err *err)
{
    pl_sense_model *m = &w->model;
    double least = INFINITY, most = 0;
    for (size_t i = 0; i < m->cells; i++) {
        least = fmin(least, exp(m->cell[i].ln_fwhm));
        most = fmax(most, exp(m->cell[i].ln_fwhm));
    }
    double finest = AIR_FINEST_ARCSEC * w->focal_mm * 1000 * PL_ARCSEC_RAD;
    pl_sizing_range range = { .air_lo_um = fmin(0.8 * least, fmax(AIR_LEAST * least, finest)),
                              .air_hi_um = AIR_MOST * least,
                              .defocus_um = 1.6 * w->optic.f_ratio * most + 30,
                              .radius_um = 2.75 * most + 2 * w->pixel_um };
    pl_status rc = pl_sizing_new(&w->optic, w->pixel_um, &range, w->jobs, &w->sizing, err);
    for (size_t i = 0; rc == PL_OK && i < w->frames; i++) {
        const pl_field *f = &w->field[i];
        w->light[i] = pl_sweep_light_of(f);
        w->how[i] = (pl_reading){ .beta = f->beta,
                                  .radius_um = fmax(6, 2.75 * f->fwhm_px + 2) * w->pixel_um,
                                  .bright = w->light[i].typical };
        pl_sizing_read(w->sizing, &w->how[i], w->jobs, &m->sizes[i]);
    }
    if (rc == PL_OK)
        even_out(w, fmin(log(least), m->air));
    for (size_t i = 0; rc == PL_OK && i < w->frames; i++)
        w->far_um = fmax(
            w->far_um, pl_sweep_how_far(&m->sizes[i], sharpest(m, i) + log(1.1), range.air_lo_um));
    return rc;
}

static pl_status set_up(struct work *w, const pl_surface *s, pl_err *err)
{
    const pl_field *f = &w->field[0];
    double lambda = w->options->wavelength_um;
    for (size_t i = 0; i < w->frames; i++)
        if (w->field[i].used < PL_SENSE_STARS)
            return pl_fail(err, PL_ENODATA, "usable stars: %zu, needed to tell focus from air: %d",
                           w->field[i].used, PL_SENSE_STARS);
    if (isnan(lambda) && s)
        lambda = s->lambda_um;
    pl_status rc = pl_optic_told(&f->facts, f->mosaic[0] != '\0', lambda, &w->optic, &w->focal_mm,
                                 &w->pixel_um, w->notes, err);
    if (rc != PL_OK)
        return rc;
    w->model.frames = w->frames;
    w->model.tie_sigma = AIR_TIE * M_SQRT2;
    w->model.air = log(AIR_USUAL * w->focal_mm * 1000 * PL_ARCSEC_RAD);
    w->model.air_sigma = AIR_LOOSE;
    w->model.near_um = w->optic.lambda_um * w->optic.f_ratio * w->optic.f_ratio; /* 1/8 wave */
    if (w->frames > 1)
        w->model.offset_um[1] = w->options->moved_um * pl_carried(&f->facts);
    cut(w, NULL);
    if (w->model.cells == 0)
        return pl_fail(err, PL_ENODATA, "no star has a width that can be trusted");
    return tables(w, err);
}

/* A surface of which nothing is known. */
static pl_surface open_surface(const struct work *w)
{
    pl_surface s = { .width_mm = w->field[0].width_px * w->pixel_um / 1000,
                     .height_mm = w->field[0].height_px * w->pixel_um / 1000 };
    double half = hypot(s.width_mm, s.height_mm) / 2, tilt = TILT_OPEN / 2 / half;
    s.cov[0][0] = s.cov[1][1] = tilt * tilt;
    s.cov[2][2] = CURVE_OPEN * CURVE_OPEN;
    return s;
}

/* ---- the answer */

static bool look(struct work *w, const pl_surface *s, pl_sense_search *out)
{
    pl_surface open = open_surface(w);
    double air = s && s->seeing_um > 0 ? s->seeing_um : exp(w->model.air);
    pl_sense_known(&w->model, s ? s : &open, air * air);
    if (!pl_sense_look(&w->model, w->far_um, w->jobs, out))
        return false;
    if (fabs(out->air - w->evened) < SAME_AIR)
        return true;
    even_out(w, out->air);
    return pl_sense_look(&w->model, w->far_um, w->jobs, out);
}

static void tell_air(const struct work *w, const pl_sense_search *s, pl_sense *out)
{
    out->seeing_arcsec = exp(s->air) / (1000 * w->focal_mm * PL_ARCSEC_RAD);
    out->seeing_sigma_arcsec = out->seeing_arcsec * s->air_sigma;
}

/* The width after refocusing, as a frame in focus would be read: with the profile and the window of
 * such stars, not with those of this exposure's wider ones. */
static void tell_focused(struct work *w, const pl_sense_search *s, pl_sense *out)
{
    size_t last = w->frames - 1;
    pl_sense_model *m = &w->model;
    double here = exp(pl_sense_width(m, s->best.x, last, 0)); /* um */
    pl_reading how = { .beta = FOCUSED_BETA,
                       .radius_um = fmax(6 * w->pixel_um, 2.75 * here + 2 * w->pixel_um),
                       .bright = w->how[last].bright };
    pl_sizes was = m->sizes[last];
    pl_sizing_read(w->sizing, &how, w->jobs, &m->sizes[last]);
    out->focused_px = exp(pl_sense_width(m, s->best.x, last, 0)) / w->pixel_um;
    out->focused_sigma_px = out->focused_px * hypot(s->air_sigma, FOCUSED_LN);
    m->sizes[last] = was;
}

static void tell_widths(const struct work *w, const pl_sense_search *s, pl_sense *out)
{
    size_t last = w->frames - 1;
    const pl_sense_model *m = &w->model;
    double z = s->best.x[PL_SE_Z] + m->offset_um[last];
    out->fwhm_px = exp(pl_sense_width(m, s->best.x, last, z)) / w->pixel_um;
    out->far_um = w->far_um;
    for (int i = 0; i < PL_SENSE_CURVE; i++) {
        double at = (2.0 * i / (PL_SENSE_CURVE - 1) - 1) * w->far_um;
        double ln = pl_sizes_at(&m->sizes[last], at, s->best.x[PL_SE_AIR + last], NULL, NULL);
        out->curve_px[i] = exp(pl_sense_width(m, s->best.x, last, at)) / w->pixel_um;
        out->local_px[i] = exp(ln) / w->pixel_um;
    }
}

static void tell_cells(const struct work *w, const pl_surface *surface, const pl_sense_search *s,
                       pl_sense *out)
{
    const pl_sense_model *m = &w->model;
    out->cells = 0;
    for (size_t i = 0; i < m->cells; i++) {
        const pl_sweep_cell *c = &m->cell[i];
        if (c->frame + 1 != w->frames)
            continue;
        pl_sense_cell *o = &out->cell[out->cells++];
        *o = (pl_sense_cell){ .x_mm = c->x_mm, .y_mm = c->y_mm, .focal_um = NAN };
        if (surface)
            o->focal_um = pl_surface_at(surface, c->x_mm, c->y_mm, &o->focal_sigma_um);
        o->fwhm_px = exp(c->ln_fwhm) / w->pixel_um;
        o->fwhm_sigma_px = o->fwhm_px * c->sigma;
        o->expected_px = exp(pl_sense_cell_width(m, s->best.x, i)) / w->pixel_um;
    }
}

/* The last frame's defocus, as far as it is known. */
static void tell_defocus(const struct work *w, const pl_sense_search *s, pl_sense *out)
{
    double z = s->z_um + w->model.offset_um[w->frames - 1];
    double sigma = hypot(s->z_sigma, PL_SWEEP_MODEL * z);
    bool rests = w->frames > 1 || (out->surface_known && out->surface_fits);
    bool vague = !rests || s->size_sigma > VAGUE * s->far_um;
    out->defocus_um = out->sign_known ? z : NAN;
    out->defocus_sigma_um = out->sign_known ? sigma : NAN;
    out->size_um = out->sign_known ? fabs(z) : vague ? NAN : s->size_um;
    out->size_sigma_um = out->sign_known ? sigma : vague ? NAN : s->size_sigma;
    if (vague && !out->sign_known) /* then nor is what rests on the air */
        out->seeing_arcsec = out->seeing_sigma_arcsec = out->fwhm_px = out->focused_px =
            out->focused_sigma_px = NAN;
}

/* Whether another tilt and curvature explain the cells better, by the scatter that then remains. */
static bool other_surface(double chi2, double gain, double n)
{
    double rest = fmax((chi2 - gain) / (n - LOOSE), LEAST_SCATTER);
    return gsl_cdf_fdist_Q(gain / LOOSE / rest, LOOSE, n - LOOSE) <= OTHER_SURFACE;
}

static void tell_fit(const struct work *w, const pl_sense_search *s, pl_sense *out)
{
    out->chi2 = s->best.chi2;
    out->freedom = pl_sense_freedom(&w->model);
    out->other_side = s->other_side;
    out->gain = pl_sense_loosen(&w->model, &s->best);
    double n = (double)out->freedom;
    bool enough = out->freedom > LOOSE;
    bool odd = n > 0 && gsl_cdf_chisq_Q(out->chi2, n) <= MISFIT;
    out->surface_checked = enough || odd; /* few cells can refuse a surface, not confirm it */
    out->surface_fits = enough && !odd && !other_surface(out->chi2, out->gain, n);
}

static void tell_reason(pl_sense *out)
{
    const char *why = "";
    if (out->reason[0])
        return;
    if (!out->surface_known && !out->sign_known)
        why = "no focal surface is known";
    else if (out->surface_known && !out->surface_checked)
        why = "too few stars to see whether the saved focal surface still fits";
    else if (out->surface_known && !out->surface_fits)
        why = "the saved focal surface no longer fits";
    else if (!out->sign_known && !isfinite(out->size_um))
        why = "the field is too even to tell focus from air in one exposure";
    else if (!out->sign_known)
        why = "both sides of focus explain these stars";
    snprintf(out->reason, sizeof out->reason, "%s", why);
}

static pl_status tell_zone(const struct work *w, pl_sense *out, pl_err *err)
{
    double growth = w->field[w->frames - 1].facts.fwhm_growth.v;
    pl_optic o = w->optic;
    o.seeing_arcsec = out->seeing_arcsec;
    out->zone_um = NAN;
    if (isnan(o.seeing_arcsec))
        return PL_OK;
    return pl_star_depth(&o, isfinite(growth) ? growth : PL_DEFAULT_GROWTH, &out->zone_um, err);
}

static pl_status answer(struct work *w, const pl_surface *s, pl_sense *out, pl_err *err)
{
    pl_sense_search found;
    if (!look(w, s, &found))
        return pl_fail(err, PL_ENODATA, "no defocus in any air explains the widths of the stars");
    tell_fit(w, &found, out);
    out->surface_known = s != NULL;
    if (s && !out->surface_fits && !look(w, NULL, &found))
        return pl_fail(err, PL_ENODATA, "no defocus in any air explains the widths of the stars");
    bool pair = w->frames > 1;
    out->sign_known =
        (pair || (s && out->surface_fits)) && found.elsewhere < (pair ? DOUBT_PAIR : DOUBT);
    tell_air(w, &found, out);
    tell_widths(w, &found, out);
    tell_focused(w, &found, out);
    tell_cells(w, s, &found, out);
    tell_defocus(w, &found, out);
    out->usual_arcsec = s ? s->seeing_um / (1000 * w->focal_mm * PL_ARCSEC_RAD) : NAN;
    tell_reason(out);
    return tell_zone(w, out, err);
}

static pl_status sense(const pl_field *field, size_t frames, const pl_surface *surface,
                       const pl_sense_options *options, int jobs, pl_notes *notes, pl_sense *out,
                       pl_err *err)
{
    pl_sense_options plain = pl_sense_defaults();
    struct work *w = calloc(1, sizeof *w);
    pl_sense s = { .sign_known = false };
    if (!w)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    w->field = field;
    w->frames = frames;
    w->jobs = jobs;
    w->options = options ? options : &plain;
    w->notes = notes;
    pl_status rc = set_up(w, surface, err);
    if (rc == PL_OK && surface) {
        compare_camera(w, surface, s.reason, sizeof s.reason);
        if (s.reason[0])
            surface = NULL;
    }
    if (rc == PL_OK)
        rc = answer(w, surface, &s, err);
    pl_sizing_free(w->sizing);
    free(w);
    if (rc == PL_OK)
        *out = s;
    return rc;
}

pl_status pl_sense_frame(const pl_field *field, const pl_surface *surface,
                         const pl_sense_options *options, int jobs, pl_notes *notes, pl_sense *out,
                         pl_err *err)
{
    return sense(field, 1, surface, options, jobs, notes, out, err);
}

pl_status pl_sense_pair(const pl_field *field, const pl_surface *surface,
                        const pl_sense_options *options, int jobs, pl_notes *notes, pl_sense *out,
                        pl_err *err)
{
    if (!options || !(fabs(options->moved_um) > 0))
        return pl_fail(err, PL_EARG, "a pair needs the move between its exposures (--moved)");
    return sense(field, 2, surface, options, jobs, notes, out, err);
}
