/* SPDX-License-Identifier: GPL-3.0-or-later */
/* parts.c - the camera turned in its holder between two surfaces: what turned with it is the
 * sensor's own tilt, what stayed belongs to the focuser or the optics.
 *
 * In the frame's axes G1 = s + F and G2 = s + R F. The tube's part F stands still while the frame
 * turns by +angle, so R turns by minus the angle, seen the way the frame's x runs to its y: from
 * behind that is counter-clockwise (rows 90 degrees after columns) or clockwise. So F = P (G1 - G2)
 * with P = (1 - R)^-1, s = (1 - P) G1 + P G2; |1 - R| = 2 sin(angle / 2) in every direction. */
#include "tilt.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double LEAST_DEG = 20; /* less makes the errors of the parts three times the others' */
static const double SLIP_DEG = 2;   /* by hand; common practice, no source */

typedef double matrix[2][2];

static void times(const matrix a, const matrix b, matrix out)
{
    for (int i = 0; i < 2; i++)
        for (int j = 0; j < 2; j++)
            out[i][j] = a[i][0] * b[0][j] + a[i][1] * b[1][j];
}

/* out += m c m' */
static void add_error(const matrix m, const double c[3][3], matrix out)
{
    const matrix in = { { c[0][0], c[0][1] }, { c[1][0], c[1][1] } };
    const matrix turned = { { m[0][0], m[1][0] }, { m[0][1], m[1][1] } };
    matrix half, all;
    times(m, in, half);
    times(half, turned, all);
    for (int i = 0; i < 2; i++)
        for (int j = 0; j < 2; j++)
            out[i][j] += all[i][j];
}

/* A plane m1 G1 + m2 G2 over the first frame. */
static pl_surface plane(const pl_surface *a, const pl_surface *b, const matrix m1, const matrix m2)
{
    pl_surface s = *a;
    matrix cov = { { 0 } };
    add_error(m1, a->cov, cov);
    add_error(m2, b->cov, cov);
    s.tilt_x_um_mm = m1[0][0] * a->tilt_x_um_mm + m1[0][1] * a->tilt_y_um_mm +
                     m2[0][0] * b->tilt_x_um_mm + m2[0][1] * b->tilt_y_um_mm;
    s.tilt_y_um_mm = m1[1][0] * a->tilt_x_um_mm + m1[1][1] * a->tilt_y_um_mm +
                     m2[1][0] * b->tilt_x_um_mm + m2[1][1] * b->tilt_y_um_mm;
    s.curvature_um = NAN;
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++)
            s.cov[i][j] = i < 2 && j < 2 ? cov[i][j] : NAN;
    return s;
}

/* Which way the frame is round, seen from behind: +1 rows counter-clockwise from columns, -1. */
static pl_status sense(const pl_screws *plate, double deg, double *way, pl_err *err)
{
    bool half = fabs(fabs(remainder(deg, 360)) - 180) < 1e-6; /* then it does not matter */
    *way = 1;
    if (plate && pl_plate_known(plate))
        *way = sin((plate->rows_deg - plate->columns_deg) * M_PI / 180) > 0 ? 1 : -1;
    else if (!half)
        return pl_fail(
            err, PL_ENODATA,
            "which way round the frame is, seen from behind, is not known: give "
            "columns_deg and rows_deg in [plate] of the profile (-p), or turn the camera "
            "by 180 degrees, where it does not matter");
    return PL_OK;
}

static pl_status check(const pl_surface *a, const pl_surface *b, double deg, pl_err *err)
{
    double gain = fabs(2 * sin(deg * M_PI / 360));
    if (!(gain >= 2 * sin(LEAST_DEG * M_PI / 360)))
        return pl_fail(
            err, PL_EARG,
            "a turn of %g degrees is too small to tell: errors grow as 1 / |2 sin(turn / "
            "2)|%s; turn by %g to %g, best 90 to 180",
            deg, gain > 1e-6 ? "" : ", and a whole turn is none", LEAST_DEG, 360 - LEAST_DEG);
    if (fabs(a->width_mm / b->width_mm - 1) > 0.01 || fabs(a->height_mm / b->height_mm - 1) > 0.01)
        return pl_fail(
            err, PL_EARG,
            "the surfaces are of frames of %.4g x %.4g mm and %.4g x %.4g mm; two of one "
            "camera are wanted",
            a->width_mm, a->height_mm, b->width_mm, b->height_mm);
    return PL_OK;
}

static void split(const pl_surface *a, const pl_surface *b, double turn_deg, pl_tilt_parts *p)
{
    /* 1 - R with R turning by -turn; the inverse of {{u, -v}, {v, u}} is {{u, v}, {-v, u}} / det */
    double t = turn_deg * M_PI / 180, u = 1 - cos(t), v = sin(t);
    double det = 2 * u; /* u^2 + v^2 */
    const matrix P = { { u / det, v / det }, { -v / det, u / det } };
    const matrix less = { { -P[0][0], -P[0][1] }, { -P[1][0], -P[1][1] } };
    const matrix rest = { { 1 - P[0][0], -P[0][1] }, { -P[1][0], 1 - P[1][1] } };
    p->tube = plane(a, b, P, less);
    p->sensor = plane(a, b, rest, P);
}

/* ---- words */

static void judge(pl_tilt_parts *p)
{
    pl_verdict *v = &p->verdict;
    bool told = isfinite(p->allowed_um);
    pl_state s = told ? pl_tilt_state(&p->sensor, &p->sensor_told, p->allowed_um) : PL_UNSURE;
    pl_state f = told ? pl_tilt_state(&p->tube, &p->tube_told, p->allowed_um) : PL_UNSURE;
    char sensor[64], tube[64], may[64] = "";
    bool out = s == PL_OUTSIDE || f == PL_OUTSIDE;
    v->state = out ? PL_OUTSIDE : s == PL_INSIDE && f == PL_INSIDE ? PL_INSIDE : PL_UNSURE;
    v->cause = out ? PL_CAUSE_TILT : PL_CAUSE_NONE;
    pl_tilt_amount(&p->sensor_told, sensor, sizeof sensor);
    pl_tilt_amount(&p->tube_told, tube, sizeof tube);
    if (told)
        snprintf(may, sizeof may, "; each may be %.1f um", 2 * p->allowed_um);
    snprintf(v->text, sizeof v->text,
             "of the tilt %s turn with the camera and %s stay with the tube, corner to corner%s",
             sensor, tube, may);
    snprintf(v->action, sizeof v->action, "%s",
             s == PL_OUTSIDE && f == PL_OUTSIDE
                 ? "Square the focuser or the optics first, collimate, and then the sensor with "
                   "its plate."
             : f == PL_OUTSIDE ? "The focuser or the optics lean: a plate that turns with the "
                                 "camera helps in one position only. Square the focuser, and "
                                 "collimate again."
             : s == PL_OUTSIDE ? "The sensor leans in its camera: its plate cures it for every "
                                 "position. Give one of the two alone for the turns."
             : v->state == PL_INSIDE ? "Leave both."
                                     : "Measure both with more frames, or turn the camera by 180.");
}

pl_status pl_tilt_rotated(const pl_surface *before, const pl_surface *after, const pl_facts *facts,
                          const pl_screws *plate, const pl_tilt_options *options,
                          pl_tilt_parts *out, pl_err *err)
{
    double way = 1, rotated_deg = options->rotated_deg;
    pl_tilt_parts p = { .rotated_deg = rotated_deg, .facts = *facts };
    pl_tilt_zone zone;
    pl_status rc = check(before, after, rotated_deg, err);
    if (rc == PL_OK)
        rc = sense(plate, rotated_deg, &way, err);
    if (rc == PL_OK)
        rc = pl_tilt_zone_of(before, facts, options, &zone, &p.notes, err);
    if (rc != PL_OK) {
        pl_notes_clear(&p.notes);
        return rc;
    }
    p.growth = zone.growth;
    p.seeing_arcsec = zone.seeing_arcsec;
    p.allowed_um = zone.allowed_um;
    split(before, after, way * rotated_deg, &p);
    p.gain = 1 / fabs(2 * sin(rotated_deg * M_PI / 360));
    p.sensor_told = pl_surface_tell(&p.sensor);
    p.tube_told = pl_surface_tell(&p.tube);
    p.slip_um = SLIP_DEG * M_PI / 180 * p.gain * p.tube_told.across_um;
    if (isnan(p.tube_told.across_sigma_um))
        pl_note(&p.notes, "the surfaces tell no errors; they are taken as exact");
    pl_note(&p.notes, "the tube must point the same way both times: what sags would count as tilt");
    judge(&p);
    *out = p;
    return PL_OK;
}

void pl_tilt_parts_clear(pl_tilt_parts *parts)
{
    if (parts)
        pl_notes_clear(&parts->notes);
}
