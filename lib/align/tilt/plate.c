/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plate.c - from the slope of best focus to the screws of the plate that holds the camera.
 *
 * Seen from behind the camera, e(a) = (cos a, sin a) with a from the right, counter-clockwise. The
 * frame's +x lies along e(columns_deg), +y along e(rows_deg), so the slope in the hand's axes is
 * g = tilt_x e(columns) + tilt_y e(rows). Defocus is z - S: to be sharp everywhere the sensor's z
 * must follow S, so at a screw at R e(a) the plate moves OUT by R g . e(a) + c. Out is towards the
 * person behind the camera; travel is counted away from him: minus that. c is free: */
#include "tilt.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const int PARTS[] = { 8, 16, 32 }; /* of a turn, that a hand can do */

/* How a screw's outward travel depends on tilt_x and tilt_y. */
struct lever {
    double x, y;
};

static bool one_way(const pl_screws *p)
{
    return strcmp(p->kind, "push") == 0 || strcmp(p->kind, "pull") == 0;
}

static double cos_deg(double deg)
{
    return cos(deg * M_PI / 180);
}

bool pl_plate_known(const pl_screws *plate)
{
    return isfinite(plate->columns_deg) && isfinite(plate->rows_deg);
}

double pl_plate_lever_um(const pl_tilt *t)
{
    return t->plate.radius_mm * t->told.tilt_um_mm;
}

static double outward(const pl_tilt *t, struct lever k)
{
    return k.x * t->surface.tilt_x_um_mm + k.y * t->surface.tilt_y_um_mm;
}

/* What stands still: of pushpull the mean of the screws (least squares of the travel, and the turns
 * sum up to nought); the screw that is furthest in (push: the plate can only go out) or out. */
static struct lever still(const pl_tilt *t, const struct lever *screw)
{
    const pl_screws *p = &t->plate;
    struct lever mean = { 0, 0 }, end = screw[0];
    double sign = strcmp(p->kind, "push") == 0 ? 1 : -1;
    for (size_t i = 0; i < p->screws; i++) {
        mean.x += screw[i].x / (double)p->screws;
        mean.y += screw[i].y / (double)p->screws;
        if (sign * outward(t, screw[i]) < sign * outward(t, end))
            end = screw[i];
    }
    return one_way(p) ? end : mean;
}

static void travels(pl_tilt *t)
{
    const pl_screws *p = &t->plate;
    struct lever at[PL_SCREWS_MAX] = { { 0, 0 } };
    for (size_t i = 0; i < p->screws; i++)
        at[i] = (struct lever){ p->radius_mm * cos_deg(p->columns_deg - p->angle_deg[i]),
                                p->radius_mm * cos_deg(p->rows_deg - p->angle_deg[i]) };
    struct lever c = still(t, at);
    t->centre_um = fabs(outward(t, c)) > 1e-6 ? -outward(t, c) : 0; /* rounding */
    for (size_t i = 0; i < p->screws; i++) {
        struct lever k = { at[i].x - c.x, at[i].y - c.y };
        pl_tilt_screw *s = &t->screw[i];
        double um = -outward(t, k);
        s->travel_um = um == 0 ? 0 : um; /* no -0 */
        s->travel_sigma_um =
            sqrt(fmax(0, k.x * k.x * t->surface.cov[0][0] + 2 * k.x * k.y * t->surface.cov[0][1] +
                             k.y * k.y * t->surface.cov[1][1]));
    }
}

/* ---- for human hands */

/* Tilt across the frame that errors of the screws make, um: slopes of the least-squares plane
 * through them, in the frame's axes. `off` in um, [screws]. */
static double across_of(const pl_tilt *t, const double *off)
{
    const pl_screws *p = &t->plate;
    double mx = 0, my = 0, mo = 0, n = (double)p->screws;
    double xx = 0, xy = 0, yy = 0, xo = 0, yo = 0;
    double x[PL_SCREWS_MAX], y[PL_SCREWS_MAX];
    for (size_t i = 0; i < p->screws; i++) {
        x[i] = p->radius_mm * cos_deg(p->columns_deg - p->angle_deg[i]);
        y[i] = p->radius_mm * cos_deg(p->rows_deg - p->angle_deg[i]);
        mx += x[i] / n;
        my += y[i] / n;
        mo += off[i] / n;
    }
    for (size_t i = 0; i < p->screws; i++) {
        xx += (x[i] - mx) * (x[i] - mx);
        xy += (x[i] - mx) * (y[i] - my);
        yy += (y[i] - my) * (y[i] - my);
        xo += (x[i] - mx) * (off[i] - mo);
        yo += (y[i] - my) * (off[i] - mo);
    }
    double det = xx * yy - xy * xy;
    return fabs(xo * yy - yo * xy) / det * t->surface.width_mm +
           fabs(yo * xx - xo * xy) / det * t->surface.height_mm;
}

/* A plate that can only be pushed out, or only pulled in, is not turned back by rounding; where
 * both can be done, the turns still sum up to nought. */
static bool allowed(const pl_screws *p, const double *whole)
{
    double sum = 0;
    bool can = true;
    for (size_t i = 0; i < p->screws; i++) {
        sum += whole[i];
        can = can && (strcmp(p->kind, "push") == 0 ? whole[i] <= 0 : whole[i] >= 0);
    }
    return one_way(p) ? can : sum == 0;
}

/* Whole n-ths near the exact turns: of each screw the one below or above, such that what the screws
 * miss differs least among them (all alike only moves the focus). */
static void round_to(pl_tilt *t, int part, double *whole)
{
    size_t n = t->plate.screws;
    double least = INFINITY;
    for (unsigned choice = 0; choice < 1u << n; choice++) {
        double v[PL_SCREWS_MAX], sum = 0, square = 0;
        for (size_t i = 0; i < n; i++) {
            double exact = t->screw[i].travel_um / t->plate.pitch_mm * 1e-3 * part;
            double below = floor(exact + 1e-9); /* a whole number is one in spite of rounding */
            v[i] = below + (choice >> i & 1);
            sum += v[i] - exact;
            square += (v[i] - exact) * (v[i] - exact);
        }
        double spread = square - sum * sum / (double)n + 1e-6 * square;
        if (allowed(&t->plate, v) && spread < least - 1e-12) {
            least = spread;
            memcpy(whole, v, n * sizeof *v);
        }
    }
}

static double left_by(const pl_tilt *t, int part, const double *whole)
{
    double off[PL_SCREWS_MAX];
    for (size_t i = 0; i < t->plate.screws; i++)
        off[i] = whole[i] / part * t->plate.pitch_mm * 1e3 - t->screw[i].travel_um;
    return across_of(t, off);
}

/* The coarsest parts that leave half of what may pass, or the finest. */
static void turns(pl_tilt *t)
{
    double whole[PL_SCREWS_MAX] = { 0 };
    double may = isfinite(t->allowed_um) ? t->allowed_um : t->told.across_um / 4;
    for (size_t i = 0; i < PL_ARRAY_LEN(PARTS); i++) {
        t->part = PARTS[i];
        round_to(t, t->part, whole);
        t->remains_um = left_by(t, t->part, whole);
        if (t->remains_um <= may)
            break;
    }
    for (size_t i = 0; i < t->plate.screws; i++) {
        pl_tilt_screw *s = &t->screw[i];
        double way = s->travel_um * t->plate.clockwise;
        s->turns = fabs(s->travel_um) * 1e-3 / t->plate.pitch_mm;
        s->hand_turns = fabs(whole[i]) / t->part;
        if (whole[i] != 0) /* rounding may turn a tiny travel round */
            way = whole[i] * t->plate.clockwise;
        s->direction = way > 0 ? 1 : way < 0 ? -1 : 0;
    }
}

/* ---- shims: where the sensor must go out, least at the corner that is furthest in */

static void shims(pl_tilt *t)
{
    const pl_surface *s = &t->surface;
    double x = fabs(s->tilt_x_um_mm) * s->width_mm * 1e-3;
    double y = fabs(s->tilt_y_um_mm) * s->height_mm * 1e-3;
    bool right = s->tilt_x_um_mm > 0, last = s->tilt_y_um_mm > 0;
    for (int i = 0; i < PL_CORNERS; i++)
        t->shim_mm[i] = ((i == PL_X2Y1 || i == PL_X2Y2) == right ? x : 0) +
                        ((i == PL_X1Y2 || i == PL_X2Y2) == last ? y : 0);
}

void pl_plate_solve(pl_tilt *t)
{
    t->part = 0;
    t->centre_um = t->remains_um = NAN;
    t->named = t->plate.screws > 0 && pl_plate_known(&t->plate);
    for (size_t i = 0; i < PL_SCREWS_MAX; i++)
        t->screw[i] = (pl_tilt_screw){ NAN, NAN, NAN, NAN, 0 };
    shims(t);
    if (!t->named)
        return;
    travels(t);
    if (isfinite(t->plate.pitch_mm))
        turns(t);
}

/* ---- in words */

void pl_part_say(double turns, int part, char *out, size_t size)
{
    long n = lround(turns * part), d = part, whole = n / d;
    n -= whole * d;
    while (n > 0 && n % 2 == 0) { /* parts are powers of two */
        n /= 2;
        d /= 2;
    }
    if (n == 0)
        snprintf(out, size, "%ld", whole);
    else if (whole == 0)
        snprintf(out, size, "%ld/%ld", n, d);
    else
        snprintf(out, size, "%ld %ld/%ld", whole, n, d);
}

void pl_plate_say(const pl_tilt *t, size_t screw, char *out, size_t size)
{
    const pl_tilt_screw *s = &t->screw[screw];
    const char *way = s->travel_um > 0 ? "away from you" : "towards you";
    char part[32];
    if (t->part == 0) {
        snprintf(out, size, "%.0f um %s", fabs(s->travel_um), way);
        return;
    }
    pl_part_say(s->hand_turns, t->part, part, sizeof part);
    if (s->hand_turns == 0)
        snprintf(out, size, "leave");
    else
        snprintf(out, size, "%s %s%s", part, s->hand_turns > 1 ? "turns" : "turn",
                 s->direction > 0   ? " clockwise"
                 : s->direction < 0 ? " counter-clockwise"
                 : s->travel_um > 0 ? " (away from you)"
                                    : " (towards you)");
}
