/* SPDX-License-Identifier: GPL-3.0-or-later */
/* circle.c - the circle on which the spot runs as the laser is turned.
 *
 *   p_i = c + R(angle_i + d_i) q + errors of reading,   d_i ~ angle error
 *
 * by least squares in c, q and every d_i. Where the circle is wide against the reading the marks
 * themselves tell the angles; where it is small the told angles keep the errors of reading from
 * passing for a radius, as they do in a circle fitted to places alone. */
#include "laser.h"

#include <math.h>
#include <gsl/gsl_cdf.h>

enum { CX, CY, QX, QY, SX, SY, MOST_FIXED, MOST = MOST_FIXED + PL_LASER_MARKS, FREE_MARKS = 5 };

#define RAD (M_PI / 180)
static const double CHANCE = 0.01, HARDLY = 0.05;
static const double SIDE_DEG = 20; /* how well one sees on which side a spot is; common practice */

/* One fit: of which marks, with which errors. */
struct fit {
    const pl_laser_sheet *sheet;
    int without;             /* index of a mark left out; -1: none */
    bool oval;               /* with the second half axis s: p += R(-angle) s */
    double hand;             /* -1: clockwise on the paper */
    double reading, turning; /* mm, rad */
    double x[MOST];          /* the answer: c, q, (s), d */
    double cov[MOST * MOST];
    double chi2;
    size_t marks, fixed; /* used; unknowns before the d */
};

static const pl_laser_mark *mark(const struct fit *f, size_t i)
{
    return &f->sheet->mark[f->without >= 0 && i >= (size_t)f->without ? i + 1 : i];
}

static double angle(const struct fit *f, const double *x, size_t i)
{
    return f->hand * (mark(f, i)->turned_deg * RAD + x[f->fixed + i]);
}

static bool rest(const double *x, void *ctx, double *out)
{
    const struct fit *f = ctx;
    for (size_t i = 0; i < f->marks; i++) {
        double a = angle(f, x, i), c = cos(a), s = sin(a);
        double px = x[CX] + c * x[QX] - s * x[QY], py = x[CY] + s * x[QX] + c * x[QY];
        if (f->oval) {
            px += c * x[SX] + s * x[SY];
            py += -s * x[SX] + c * x[SY];
        }
        out[2 * i] = (px - mark(f, i)->x_mm) / f->reading;
        out[2 * i + 1] = (py - mark(f, i)->y_mm) / f->reading;
        out[2 * f->marks + i] = x[f->fixed + i] / f->turning;
    }
    return true;
}

static bool slope(const double *x, void *ctx, double *jacobian)
{
    const struct fit *f = ctx;
    size_t p = f->fixed + f->marks;
    for (size_t i = 0; i < f->marks; i++) {
        double a = angle(f, x, i), c = cos(a) / f->reading, s = sin(a) / f->reading;
        double *jx = jacobian + 2 * i * p, *jy = jx + p, *jd = jacobian + (2 * f->marks + i) * p;
        double by_a = -s * x[QX] - c * x[QY], by_b = c * x[QX] - s * x[QY];
        jx[CX] = jy[CY] = 1 / f->reading;
        jx[QX] = jy[QY] = c;
        jx[QY] = -s;
        jy[QX] = s;
        if (f->oval) {
            jx[SX] = jy[SY] = c;
            jx[SY] = s;
            jy[SX] = -s;
            by_a += -s * x[SX] + c * x[SY];
            by_b += -c * x[SX] - s * x[SY];
        }
        jx[f->fixed + i] = f->hand * by_a;
        jy[f->fixed + i] = f->hand * by_b;
        jd[f->fixed + i] = 1 / f->turning;
    }
    return true;
}

/* The answer for angles all round and without errors. */
static void begin(struct fit *f)
{
    double n = (double)f->marks;
    for (size_t j = 0; j < MOST; j++)
        f->x[j] = 0;
    for (size_t i = 0; i < f->marks; i++) {
        f->x[CX] += mark(f, i)->x_mm / n;
        f->x[CY] += mark(f, i)->y_mm / n;
    }
    for (size_t i = 0; i < f->marks; i++) {
        double a = f->hand * mark(f, i)->turned_deg * RAD, dx = mark(f, i)->x_mm - f->x[CX],
               dy = mark(f, i)->y_mm - f->x[CY];
        f->x[QX] += (cos(a) * dx + sin(a) * dy) / n;
        f->x[QY] += (cos(a) * dy - sin(a) * dx) / n;
    }
}

static pl_status solve(struct fit *f)
{
    f->marks = f->sheet->marks - (f->without >= 0);
    f->fixed = f->oval ? MOST_FIXED : SX;
    const pl_nlsq problem = { .rest = rest,
                              .slope = slope,
                              .ctx = f,
                              .n = 3 * f->marks,
                              .firm = f->marks,
                              .p = f->fixed + f->marks };
    double out[3 * PL_LASER_MARKS], x[MOST];
    begin(f);
    for (size_t j = 0; j < MOST; j++)
        x[j] = f->x[j];
    pl_status rc = pl_nlsq_fit(&problem, x, f->cov, NULL, NULL, NULL);
    if (rc != PL_OK)
        return rc;
    rest(x, f, out);
    f->chi2 = 0;
    for (size_t i = 0; i < problem.n; i++)
        f->chi2 += out[i] * out[i];
    for (size_t j = 0; j < MOST; j++)
        f->x[j] = x[j];
    return PL_OK;
}

static double freedom(const struct fit *f)
{
    return 2 * (double)f->marks - (double)f->fixed;
}

/* The scatter at which the marks' chi square is what it should be; not less than the reading. */
static pl_status settle(struct fit *f)
{
    double lo = f->reading, hi = lo;
    pl_status rc = solve(f);
    if (rc != PL_OK || f->chi2 <= freedom(f))
        return rc;
    do {
        lo = hi;
        f->reading = hi *= 2;
        rc = solve(f);
    } while (rc == PL_OK && f->chi2 > freedom(f));
    for (int i = 0; i < 30 && rc == PL_OK; i++) {
        f->reading = sqrt(lo * hi);
        rc = solve(f);
        *(f->chi2 > freedom(f) ? &lo : &hi) = f->reading;
    }
    return rc;
}

/* Whether two unknowns more explain what chance does not; the marks are read no better than told.
 */
static bool better(const struct fit *plain, const struct fit *with, double chance)
{
    double left = freedom(plain) - 2, noise = fmax(1, with->chi2 / left);
    return gsl_cdf_fdist_Q((plain->chi2 - with->chi2) / 2 / noise, 2, left) < chance;
}

static void look_for_oval(const struct fit *plain, pl_laser_circle *c)
{
    struct fit f = *plain;
    f.oval = true;
    if (plain->marks < FREE_MARKS || solve(&f) != PL_OK || !better(plain, &f, CHANCE))
        return;
    double q = hypot(f.x[QX], f.x[QY]), s = hypot(f.x[SX], f.x[SY]);
    c->oval = true;
    c->long_mm = q + s;
    c->short_mm = fabs(q - s);
}

static void look_for_odd(const struct fit *plain, pl_laser_circle *c)
{
    double best = plain->chi2;
    for (int i = 0; plain->marks > FREE_MARKS && i < (int)plain->marks; i++) {
        struct fit f = *plain;
        f.without = i;
        if (solve(&f) != PL_OK || !(f.chi2 < best) ||
            !better(plain, &f, CHANCE / (double)plain->marks))
            continue;
        best = f.chi2;
        c->odd = i;
    }
}

static void hand_over(const struct fit *f, double told_reading, pl_laser_circle *c)
{
    size_t p = f->fixed + f->marks;
    bool plays = f->reading > told_reading;
    double few = plays ? gsl_cdf_tdist_Pinv(0.841344746, freedom(f)) : 1; /* of one sigma */
    c->middle_x_mm = f->x[CX];
    c->middle_y_mm = f->x[CY];
    c->middle_sigma_mm = few * sqrt((f->cov[CX * p + CX] + f->cov[CY * p + CY]) / 2);
    c->x_mm = f->x[QX];
    c->y_mm = f->x[QY];
    c->xx = few * few * f->cov[QX * p + QX];
    c->xy = few * few * f->cov[QX * p + QY];
    c->yy = few * few * f->cov[QY * p + QY];
    c->scatter_mm = f->reading;
    c->play_mm = plays ? sqrt(f->reading * f->reading - told_reading * told_reading) : 0;
    c->freedom = (size_t)freedom(f);
}

/* Whether the angles go round far enough to tell a circle. */
static bool goes_round(const pl_laser_sheet *s)
{
    double x = 0, y = 0, n = (double)s->marks;
    for (size_t i = 0; i < s->marks; i++) {
        x += cos(s->mark[i].turned_deg * RAD) / n;
        y += sin(s->mark[i].turned_deg * RAD) / n;
    }
    return 1 - x * x - y * y > HARDLY;
}

static struct fit fit_of(const pl_laser_sheet *s, const pl_laser_options *o, bool clockwise)
{
    return (struct fit){ .sheet = s,
                         .without = -1,
                         .hand = clockwise ? -1 : 1,
                         .reading = o->reading_mm.v,
                         .turning = o->turning_deg.v * RAD };
}

static pl_status by_marks(const pl_laser_sheet *s, const pl_laser_options *o, bool clockwise,
                          pl_laser_circle *c)
{
    struct fit f = fit_of(s, o, clockwise);
    pl_status rc = solve(&f);
    if (rc != PL_OK)
        return rc;
    look_for_oval(&f, c);
    look_for_odd(&f, c);
    rc = settle(&f);
    if (rc == PL_OK)
        hand_over(&f, o->reading_mm.v, c);
    return rc;
}

/* Half of the width; both of its edges were read. */
static void by_eye(const pl_laser_sheet *s, const pl_laser_options *o, pl_laser_circle *c)
{
    c->x_mm = s->across_mm / 2;
    c->y_mm = c->xy = c->yy = 0;
    c->xx = o->reading_mm.v * o->reading_mm.v / 2;
}

/* How the two papers, or the two sides seen by eye, are turned to each other: half of it each. */
static void turn_loose(pl_laser_circle *c, double deg)
{
    double part = deg * RAD * deg * RAD / 2;
    c->xx += part * c->y_mm * c->y_mm;
    c->xy -= part * c->x_mm * c->y_mm;
    c->yy += part * c->x_mm * c->x_mm;
}

static void measure(pl_laser_circle *c)
{
    double r2 = c->x_mm * c->x_mm + c->y_mm * c->y_mm;
    c->radius_mm = sqrt(r2);
    double along =
        c->x_mm * c->x_mm * c->xx + 2 * c->x_mm * c->y_mm * c->xy + c->y_mm * c->y_mm * c->yy;
    c->radius_sigma_mm = sqrt(r2 > 0 ? along / r2 : fmax(c->xx, c->yy));
}

/* The sense of the angles: as told, unless the other fits clearly better. */
static bool runs_clockwise(const pl_laser_sheets *s, const pl_laser_options *o)
{
    const double CLEARLY = 9;
    double chi2[2] = { 0, 0 };
    for (size_t i = 0; i < s->sheets; i++)
        for (int way = 0; way < 2 && s->sheet[i].marks > 0; way++) {
            struct fit f = fit_of(&s->sheet[i], o, way);
            chi2[way] += solve(&f) == PL_OK ? f.chi2 : INFINITY;
        }
    return chi2[1] < chi2[0] - CLEARLY;
}

pl_laser_circle pl_laser_no_circle(void)
{
    return (pl_laser_circle){ .seen = { .at_mm = NAN, .across_mm = NAN },
                              .middle_x_mm = NAN,
                              .middle_y_mm = NAN,
                              .middle_sigma_mm = NAN,
                              .x_mm = NAN,
                              .y_mm = NAN,
                              .radius_mm = NAN,
                              .radius_sigma_mm = NAN,
                              .scatter_mm = NAN,
                              .play_mm = NAN,
                              .long_mm = NAN,
                              .short_mm = NAN,
                              .odd = -1 };
}

static pl_status check(const pl_laser_sheets *s, pl_err *err)
{
    for (size_t i = 0; i < s->sheets; i++)
        if (s->sheet[i].marks > 0 && !goes_round(&s->sheet[i]))
            return pl_fail(err, PL_ENODATA,
                           "at %g mm the laser was hardly turned; turn it all the way round, best "
                           "in eight steps of 45 degrees",
                           s->sheet[i].at_mm);
    return PL_OK;
}

pl_status pl_laser_fit(const pl_laser_sheets *s, const pl_laser_options *o, pl_laser_circle *out,
                       bool *clockwise, pl_err *err)
{
    pl_laser_circle c[PL_LASER_SHEETS];
    pl_status rc = check(s, err);
    if (rc != PL_OK)
        return rc;
    bool way = runs_clockwise(s, o);
    for (size_t i = 0; i < s->sheets; i++) {
        bool eye = s->sheet[i].marks == 0;
        c[i] = pl_laser_no_circle();
        c[i].seen = s->sheet[i];
        if (eye)
            by_eye(&s->sheet[i], o, &c[i]);
        else
            rc = by_marks(&s->sheet[i], o, way, &c[i]);
        if (rc == PL_ENOMEM)
            return pl_fail(err, rc, "out of memory");
        if (rc != PL_OK)
            return pl_fail(
                err, PL_ENODATA,
                "the marks at %g mm lie on no circle; look at their angles, x and y again",
                s->sheet[i].at_mm);
        measure(&c[i]);
        if (s->sheets > 1)
            turn_loose(&c[i], eye ? SIDE_DEG : o->turning_deg.v);
    }
    for (size_t i = 0; i < s->sheets; i++)
        out[i] = c[i];
    *clockwise = way;
    return PL_OK;
}
