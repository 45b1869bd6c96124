/* SPDX-License-Identifier: GPL-3.0-or-later */
/* left.c - what an alignment with this laser leaves: the exact trace of the beams that fit the
 * marks, coma and width of stars; errors carried along. */
#include "laser.h"
#include "../../optics/optics.h"

#include <math.h>
#include <stddef.h>

/* What the trace makes of it: values, covariances of the pairs, and what play does to each pair. */
struct traced {
    double value[PL_FOLD_LEFT], cov[PL_FOLD_LEFT][3], lever[PL_FOLD_LEFT];
};

enum { FOCUSER = 0, AXIS = 2, TILT = 4, SPREAD_AXIS = 6, SPREAD_TILT = 8 };

_Static_assert(sizeof(pl_fold_left) == PL_FOLD_LEFT * sizeof(double), "all of it is numbers");
_Static_assert(offsetof(pl_fold_left, spread_tilt_rad) == SPREAD_TILT * sizeof(double), "in order");

/* ---- the trace */

static pl_status trace_beam(const pl_fold *fold, const pl_laser_beam *b, struct traced *out,
                            pl_err *err)
{
    static const double step[PL_BEAM] = { 1e-2, 1e-2, 1e-5, 1e-5 };
    double slope[PL_FOLD_LEFT][PL_BEAM];
    pl_fold_left here;
    bool ok = pl_fold_trace(fold, b->at, &here);
    for (int j = 0; j < PL_BEAM && ok; j++) {
        pl_fold_left up, down;
        double at[PL_BEAM];
        for (int i = 0; i < PL_BEAM; i++)
            at[i] = b->at[i];
        at[j] = b->at[j] + step[j];
        ok = pl_fold_trace(fold, at, &up);
        at[j] = b->at[j] - step[j];
        ok = ok && pl_fold_trace(fold, at, &down);
        for (int i = 0; i < PL_FOLD_LEFT && ok; i++)
            slope[i][j] = (((double *)&up)[i] - ((double *)&down)[i]) / (2 * step[j]);
    }
    if (!ok)
        return pl_fail(err, PL_EARG, "a beam that leans so far never meets the primary");
    for (int i = 0; i < PL_FOLD_LEFT; i++)
        out->value[i] = ((double *)&here)[i];
    for (int i = 0; i < PL_FOLD_LEFT; i += 2) {
        double v[3] = { 0, 0, 0 };
        for (int j = 0; j < PL_BEAM; j++)
            for (int k = 0; k < PL_BEAM; k++) {
                v[0] += slope[i][j] * slope[i][k] * b->cov[j][k];
                v[1] += slope[i][j] * slope[i + 1][k] * b->cov[j][k];
                v[2] += slope[i + 1][j] * slope[i + 1][k] * b->cov[j][k];
            }
        for (int k = 0; k < 3; k++)
            out->cov[i][k] = v[k];
        out->lever[i] = hypot(slope[i][PL_BEAM_TILT_X], slope[i + 1][PL_BEAM_TILT_X]);
    }
    return PL_OK;
}

/* A pair's length with the play of one more insertion, RMS: play adds its square for each axis. */
static pl_laser_span with_play(const pl_laser *l, const struct traced *t, size_t beams, int pair,
                               double unit)
{
    pl_laser_span out = PL_SPAN_UNKNOWN;
    for (size_t k = 0; k < beams; k++) {
        const double *v = &t[k].value[pair], *c = t[k].cov[pair];
        double length = hypot(v[0], v[1]), error = pl_reach(v[0], v[1], c[0], c[1], c[2]);
        double play = 1e-3 * t[k].lever[pair] * (l->play_mrad > 0 ? l->play_mrad : 0);
        double doubt = 1e-3 * t[k].lever[pair] * (l->play_mrad > 0 ? l->play_sigma_mrad : 0);
        double total = sqrt(length * length + 2 * play * play);
        double sigma = total > 0 ? hypot(length * error, 2 * play * doubt) / total : error;
        out = pl_span_cover(out, unit * total, unit * fmax(sigma, length > 0 ? 0 : error));
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
    left->state = state_of(&left->axis_mm, l->axis_allowed_mm);
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
        rc = trace_beam(&fold, &beam[k], &t[k], err);
    if (rc != PL_OK)
        return rc;
    double arcmin = sqrt(pl_carried(&l->facts)) / PL_ARCMIN_RAD, m = z->magnification;
    l->decentred = m * (l->decentre_mm.least - l->decentre_mm.sigma) > l->axis_allowed_mm;
    l->focuser_mm = with_play(l, t, beams, FOCUSER, 1);
    l->focuser_play_mm = M_SQRT2 * 1e-3 * l->play_mrad * t[0].lever[FOCUSER];
    l->bare.axis_mm = with_play(l, t, beams, AXIS, m);
    l->bare.tilt_arcmin = with_play(l, t, beams, TILT, arcmin);
    l->diverging.axis_mm = with_play(l, t, beams, SPREAD_AXIS, m);
    l->diverging.tilt_arcmin = with_play(l, t, beams, SPREAD_TILT, arcmin);
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
