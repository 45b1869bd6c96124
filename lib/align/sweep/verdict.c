/* SPDX-License-Identifier: GPL-3.0-or-later */
/* verdict.c - is the sensor square and the field flat? The measure is half of what best focus
 * differs over middle and corners: with the focuser at its best compromise, that is the defocus
 * left where it is worst. */
#include "sweep.h"

#include <math.h>
#include <stdio.h>

/* Sigma by which the limit must be passed, or kept, to be sure. */
static const double SURE = 2;

struct place {
    double x, y, r2, s; /* mm, mm, of the corner, um */
};

/* Half the difference between the places where focus lies farthest out and in, and its error. */
static double unevenness(const pl_surface *f, double *sigma)
{
    struct place p[5] = { { 0, 0, 0, 0 } };
    size_t lo = 0, hi = 0;
    for (int k = 1; k < 5; k++) {
        struct place *q = &p[k];
        q->x = (k & 1 ? 0.5 : -0.5) * f->width_mm;
        q->y = (k & 2 ? 0.5 : -0.5) * f->height_mm;
        q->r2 = 1;
        q->s = f->tilt_x_um_mm * q->x + f->tilt_y_um_mm * q->y + f->curvature_um;
        lo = q->s < p[lo].s ? (size_t)k : lo;
        hi = q->s > p[hi].s ? (size_t)k : hi;
    }
    double d[3] = { p[hi].x - p[lo].x, p[hi].y - p[lo].y, p[hi].r2 - p[lo].r2 }, var = 0;
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++)
            var += d[i] * d[j] * f->cov[i][j];
    *sigma = sqrt(fmax(0, var)) / 2;
    return (p[hi].s - p[lo].s) / 2;
}

static void cannot_reach(pl_sweep *s)
{
    pl_verdict *v = &s->verdict;
    v->state = PL_UNSURE;
    v->cause = PL_CAUSE_FOCUS;
    const char *way = !s->side_known ? "" : s->last_um > 0 ? ", further in" : ", further out";
    snprintf(v->text, sizeof v->text, "best focus lies beyond the frames%s", way);
    snprintf(v->action, sizeof v->action,
             "Move the focuser%s by about %.0f um at the sensor and take the series anew, with "
             "frames on both sides.",
             !s->side_known   ? ""
             : s->last_um > 0 ? " in"
                              : " out",
             fabs(s->last_um));
}

static void judge_surface(pl_sweep *s)
{
    const pl_surface *f = &s->surface;
    pl_verdict *v = &s->verdict;
    double sigma, uneven = unevenness(f, &sigma), zone = s->zone_um;
    double across = fabs(f->tilt_x_um_mm) * f->width_mm + fabs(f->tilt_y_um_mm) * f->height_mm;
    bool tilt = across > fabs(f->curvature_um);
    v->state = uneven - SURE * sigma > zone   ? PL_OUTSIDE
               : uneven + SURE * sigma < zone ? PL_INSIDE
                                              : PL_UNSURE;
    v->cause = v->state == PL_INSIDE ? PL_CAUSE_NONE : tilt ? PL_CAUSE_TILT : PL_CAUSE_SPACING;
    if (v->state == PL_INSIDE) {
        snprintf(v->text, sizeof v->text,
                 "square and flat: no place is more than %.1f um from the common focus, %.1f are "
                 "allowed",
                 uneven, zone);
        snprintf(v->action, sizeof v->action, "Leave the sensor as it is.");
        return;
    }
    const char *sure = v->state == PL_UNSURE ? "at the limit: " : "";
    double deg = atan2(f->tilt_y_um_mm, f->tilt_x_um_mm) * 180 / M_PI;
    if (tilt)
        snprintf(v->text, sizeof v->text,
                 "%stilted: best focus moves %.0f um from corner to corner, %s %s; %.1f um off "
                 "where it is worst, %.1f allowed",
                 sure, across, s->side_known ? "further out" : "one way",
                 pl_toward(deg < 0 ? deg + 360 : deg), uneven, zone);
    else
        snprintf(v->text, sizeof v->text,
                 "%scurved: best focus at the corners lies %.0f um %s; %.1f um off where it is "
                 "worst, %.1f allowed",
                 sure, fabs(f->curvature_um),
                 !s->side_known        ? "from the middle's"
                 : f->curvature_um > 0 ? "further out"
                                       : "further in",
                 uneven, zone);
    snprintf(v->action, sizeof v->action, "%s",
             tilt ? "Collimate first, then the corrector's spacing; then square the sensor: "
                    "plumb-tilt tells which screw and how far."
                  : "Collimate first; then change the corrector's spacing a little, one way, and "
                    "take the series anew.");
}

void pl_sweep_judge(pl_sweep *s)
{
    if (s->outside)
        cannot_reach(s);
    else
        judge_surface(s);
}
