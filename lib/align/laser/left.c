/* SPDX-License-Identifier: GPL-3.0-or-later */
/* left.c - what an alignment with this laser leaves: the exact trace of the beams that fit the
 * marks, coma and width of stars; errors carried along. */
#include "laser.h"
#include "../../optics/optics.h"

#include <math.h>

/* What the trace makes of a beam: values, covariance of each pair (xx, xy, yy at its beginning),
 * and what a tilt of the laser does to it. */
struct traced {
    double value[PL_LEFT], cov[PL_LEFT][3], lever[PL_LEFT];
};

/* ---- the trace */

/* Values, and their slopes with the beam by central differences. */
static bool differentiate(const pl_fold *fold, const double at[PL_BEAM], double value[PL_LEFT],
                          double slope[PL_LEFT][PL_BEAM])
{
    static const double step[PL_BEAM] = { 1e-2, 1e-2, 1e-5, 1e-5 };
    bool ok = pl_fold_trace(fold, at, value);
    for (int j = 0; j < PL_BEAM && ok; j++) {
        double up[PL_LEFT], down[PL_LEFT], near[PL_BEAM] = { at[0], at[1], at[2], at[3] };
        near[j] = at[j] + step[j];
        ok = pl_fold_trace(fold, near, up);
        near[j] = at[j] - step[j];
        ok = ok && pl_fold_trace(fold, near, down);
        for (int i = 0; i < PL_LEFT && ok; i++)
            slope[i][j] = (up[i] - down[i]) / (2 * step[j]);
    }
    return ok;
}

static double carried(const double a[PL_BEAM], const double b[PL_BEAM], const pl_laser_beam *beam)
{
    double sum = 0;
    for (int j = 0; j < PL_BEAM; j++)
        for (int k = 0; k < PL_BEAM; k++)
            sum += a[j] * b[k] * beam->cov[j][k];
    return sum;
}

static pl_status trace(const pl_fold *fold, const pl_laser_beam *b, struct traced *out, pl_err *err)
{
    double slope[PL_LEFT][PL_BEAM];
    if (!differentiate(fold, b->at, out->value, slope))
        return pl_fail(err, PL_EARG, "a beam that leans so far never meets the primary");
    for (int i = 0; i < PL_LEFT; i += 2) {
        const double *x = slope[i], *y = slope[i + 1];
        out->cov[i][0] = carried(x, x, b);
        out->cov[i][1] = carried(x, y, b);
        out->cov[i][2] = carried(y, y, b);
        out->lever[i] = hypot(x[PL_BEAM_TILT_X], y[PL_BEAM_TILT_X]);
    }
    return PL_OK;
}

/* A pair's length with the play of one more insertion, RMS: play adds its square for each axis. */
static pl_laser_span with_play(const pl_laser *l, const struct traced *t, size_t beams, int pair,
                               double unit)
{
    pl_laser_span out = PL_SPAN_UNKNOWN;
    bool plays = l->play_mrad > 0;
    for (size_t k = 0; k < beams; k++) {
        const double *v = &t[k].value[pair], *c = t[k].cov[pair], lever = t[k].lever[pair];
        double length = hypot(v[0], v[1]), error = pl_reach(v[0], v[1], c[0], c[1], c[2]);
        double play = plays ? M_SQRT2 * 1e-3 * lever * l->play_mrad : 0;
        double doubt = plays ? M_SQRT2 * 1e-3 * lever * l->play_sigma_mrad : 0;
        double total = hypot(length, play);
        double sigma =
            hypot(hypot(length + error, play) - total, hypot(length, play + doubt) - total);
        out = pl_span_cover(out, unit * total, unit * sigma);
    }
    return out;
}

/* ---- what it costs */

/* y = f(x) for both ends; the error as the upper end moves by its own. */
typedef double cost(const pl_zone *zone, double x);

static pl_laser_span costs(const pl_zone *z, const pl_laser_span *x, cost *f)
{
    double most = f(z, x->most), least = x->least < x->most ? f(z, x->least) : most;
    return (pl_laser_span){ least, most, fabs(f(z, x->most + x->sigma) - most) };
}

static double coma_of(const pl_zone *z, double axis_mm)
{
    double um = NAN, arcmin = axis_mm / z->magnification / z->mirror_focal_mm / PL_ARCMIN_RAD;
    return pl_coma_w131(z->optic.aperture_mm, z->mirror_ratio, arcmin, &um, NULL) == PL_OK ? um
                                                                                           : NAN;
}

static double coma_growth_of(const pl_zone *z, double coma_um)
{
    double wide = NAN;
    return pl_star_coma(&z->optic, coma_um, &wide, NULL) == PL_OK ? wide / z->fwhm_um - 1 : NAN;
}

static double corner_growth_of(const pl_zone *z, double tilt_arcmin)
{
    double wide = NAN, um = 1e3 * tan(tilt_arcmin * PL_ARCMIN_RAD) * z->diagonal_mm / 2;
    return isfinite(um) && pl_star_size(&z->optic, um, &wide, NULL, NULL) == PL_OK
               ? wide / z->fwhm_um - 1
               : NAN;
}

static pl_state state_of(const pl_laser_span *s, double allowed)
{
    return s->least - s->sigma > allowed   ? PL_OUTSIDE
           : s->most + s->sigma <= allowed ? PL_INSIDE
                                           : PL_UNSURE;
}

static pl_state worse(pl_state a, pl_state b)
{
    return a == PL_OUTSIDE || b == PL_OUTSIDE ? PL_OUTSIDE
           : a == PL_UNSURE || b == PL_UNSURE ? PL_UNSURE
                                              : PL_INSIDE;
}

static void reckon(const pl_laser *l, const pl_zone *z, pl_laser_left *left)
{
    left->coma_um = costs(z, &left->axis_mm, coma_of);
    left->coma_nm = left->coma_um;
    left->coma_nm.least *= 1e3 / PL_W131_PER_A8;
    left->coma_nm.most *= 1e3 / PL_W131_PER_A8;
    left->coma_nm.sigma *= 1e3 / PL_W131_PER_A8;
    left->growth = costs(z, &left->coma_um, coma_growth_of);
    left->corner = costs(z, &left->tilt_arcmin, corner_growth_of);
    left->state = state_of(&left->axis_mm, l->axis_allowed_mm); /* of one not known: unsure */
    if (isfinite(l->tilt_allowed_arcmin))
        left->state = worse(left->state, state_of(&left->tilt_arcmin, l->tilt_allowed_arcmin));
}

/* ---- the telescope */

/* Where the flat is moves the answer by less than a micrometre, so a guess does. */
static pl_status fold_of(const pl_laser *l, const pl_zone *z, pl_fold *out, pl_err *err)
{
    const pl_facts *f = &l->facts;
    double to_focus = f->secondary_to_focus_mm.v, behind = l->options.behind_mm.v;
    pl_secondary place = { .offset_mm = 0 };
    if (isnan(to_focus))
        to_focus = fmin(0.5 * z->mirror_focal_mm, 0.75 * z->optic.aperture_mm);
    if (isfinite(f->secondary_mm.v)) {
        pl_status rc = pl_secondary_place(z->optic.aperture_mm, z->mirror_focal_mm,
                                          f->secondary_mm.v, to_focus, &place, err);
        if (rc != PL_OK)
            return rc;
    }
    if (!(to_focus > 0 && to_focus < z->mirror_focal_mm && behind < to_focus))
        return pl_fail(err, PL_EARG,
                       "the holder's face cannot lie %g mm from the focus: the flat is %g mm from "
                       "it, and the mirror's focal length %g",
                       behind, to_focus, z->mirror_focal_mm);
    *out = (pl_fold){ .focal_mm = z->mirror_focal_mm,
                      .to_focus_mm = to_focus,
                      .offset_mm = place.offset_mm,
                      .behind_mm = behind,
                      .lens_mm = l->options.lens_mm.v };
    return PL_OK;
}

static void keep_tolerances(pl_laser *l, pl_zone *z)
{
    double share = sqrt(pl_carried(&l->facts)); /* tilt at the sensor for each of the focuser's */
    l->aperture_mm = z->optic.aperture_mm;
    l->f_ratio = z->optic.f_ratio;
    l->axis_allowed_mm = z->axis_mm;
    l->tilt_allowed_arcmin = z->tilt_arcmin;
    l->coma_allowed_um = z->axis_coma_um;
    l->coma_allowed_nm = 1e3 / PL_W131_PER_A8 * z->axis_coma_um;
    l->growth_allowed = z->growth;
    l->path_mm = z->mirror_focal_mm - l->options.behind_mm.v;
    l->focuser_allowed_mm = tan(z->tilt_arcmin * PL_ARCMIN_RAD) / share * l->path_mm;
    pl_notes_clear(&l->notes);
    l->notes = z->notes;
    z->notes = (pl_notes){ NULL, 0, 0 };
}

static pl_status leave_in(pl_laser *l, pl_zone *z, pl_err *err)
{
    pl_laser_beam beam[2];
    struct traced t[2];
    pl_fold fold;
    keep_tolerances(l, z);
    size_t beams = pl_laser_beams(l, beam);
    pl_status rc = fold_of(l, z, &fold, err);
    for (size_t k = 0; k < beams && rc == PL_OK; k++)
        rc = trace(&fold, &beam[k], &t[k], err);
    if (rc != PL_OK)
        return rc;
    double arcmin = sqrt(pl_carried(&l->facts)) / PL_ARCMIN_RAD, m = z->magnification;
    l->decentred = m * (l->decentre_mm.least - l->decentre_mm.sigma) > l->axis_allowed_mm;
    l->focuser_mm = with_play(l, t, beams, PL_LEFT_FOCUSER, 1);
    l->focuser_play_mm = M_SQRT2 * 1e-3 * l->play_mrad * t[0].lever[PL_LEFT_FOCUSER];
    l->bare.axis_mm = with_play(l, t, beams, PL_LEFT_AXIS, m);
    l->bare.tilt_arcmin = with_play(l, t, beams, PL_LEFT_TILT, arcmin);
    l->diverging.axis_mm = with_play(l, t, beams, PL_LEFT_SPREAD_AXIS, m);
    l->diverging.tilt_arcmin = with_play(l, t, beams, PL_LEFT_SPREAD_TILT, arcmin);
    reckon(l, z, &l->bare);
    reckon(l, z, &l->diverging);
    return PL_OK;
}

pl_status pl_laser_leave(pl_laser *l, pl_err *err)
{
    pl_zone z;
    pl_status rc = pl_zone_tolerances(&l->facts, &l->options.evening, &z, err);
    if (rc != PL_OK)
        return rc;
    rc = leave_in(l, &z, err);
    pl_zone_clear(&z);
    return rc;
}
