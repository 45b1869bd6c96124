/* SPDX-License-Identifier: GPL-3.0-or-later */
/* moves.c - where a night was refocused: by the focuser's positions, else by jumps of defocus
 * back towards focus. */
#include "night.h"

#include <gsl/gsl_sort.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    SIDE = 4,  /* exposures on each side of a gap that are looked at */
    LEAST = 2, /* fewest between two jumps */
    MOST_JUMPS = 40,
    PART = 120,   /* exposures looked at together */
    MARGIN = 15,  /* of them, at either end, those that another part knows better */
    OFTEN = 3,    /* a move in every third gap or more is no refocusing by hand or routine */
    FEW_MOVES = 4 /* up to so many are refocusings in any case */
};

/* What a jump must gain in squared errors, over those of the night's scatter: one in 5000 for one
 * gap, were errors Gaussian. By invented nights (tests/reference/night.py) it invents none in 400
 * nights of 60, and misses one in a hundred jumps of five errors. */
static const double GAIN = 14;
/* A step of neighbours so many times its error is tried for a jump. */
static const double LIKELY = 2.0;

/* The exposures whose defocus is known, in order, and the fit of a smooth drift with jumps. */
struct known {
    size_t n, *index;
    bool *jump; /* before that item */
    double *work;
    pl_lines lines;
};

static pl_status add(pl_night *n, pl_refocus r, pl_err *err)
{
    pl_status rc =
        pl_grow((void **)&n->refocus, &n->refocus_cap, n->refocuses, sizeof *n->refocus, err);
    if (rc == PL_OK)
        n->refocus[n->refocuses++] = r;
    return rc;
}

/* ---- by position */

static size_t positions(const pl_night *n)
{
    size_t known = 0;
    for (size_t i = 0; i < n->subs; i++)
        known += isfinite(n->sub[i].position_steps);
    return known;
}

static pl_status moves_told(pl_night *n, pl_err *err)
{
    double last = NAN;
    pl_status rc = PL_OK;
    for (size_t i = 0; i < n->subs && rc == PL_OK; i++) {
        double now = n->sub[i].position_steps;
        if (!isfinite(now))
            continue;
        if (isfinite(last) && now != last)
            rc = add(n, (pl_refocus){ i, last, now, NAN, NAN }, err);
        last = now;
    }
    n->moving = n->refocuses > FEW_MOVES && n->refocuses * OFTEN > positions(n);
    return rc;
}

/* ---- by jumps */

/* Scatter between neighbours beyond their errors, as a factor of these, at least 1. */
static double excess(struct known *k)
{
    const pl_lines *l = &k->lines;
    for (size_t i = 1; i < k->n; i++)
        k->work[i - 1] = fabs(l->y[i] - l->y[i - 1]) / hypot(l->sigma[i], l->sigma[i - 1]);
    return k->n > 1 ? fmax(1, 1.4826 * pl_median(k->work, k->n - 1)) : 1;
}

/* Median defocus of items [from, to). */
static double level(struct known *k, size_t from, size_t to)
{
    memcpy(k->work, k->lines.y + from, (to - from) * sizeof *k->work);
    return pl_median(k->work, to - from);
}

/* How far the levels on both sides of the gap before item i are apart when it leads towards focus,
 * else 0. Looks at nothing behind another jump. */
static double step_at(struct known *k, size_t i, double *from, double *to)
{
    size_t lo = i - 1, hi = i + 1;
    while (lo > 0 && i - lo < SIDE && !k->jump[lo])
        lo--;
    while (hi < k->n && hi - i < SIDE && !k->jump[hi])
        hi++;
    *from = level(k, lo, i);
    *to = level(k, i, hi);
    bool room = i - lo >= LEAST && hi - i >= LEAST;
    return room && fabs(*to) < fabs(*from) ? fabs(*to - *from) : 0;
}

/* Squared errors of a smooth drift with the jumps marked. */
static double misfit(struct known *k)
{
    pl_lines_fit fit;
    pl_err none = { PL_OK, "" };
    size_t group = 0;
    for (size_t i = 0; i < k->n; i++)
        k->lines.group[i] = group += k->jump[i];
    k->lines.groups = group + 1;
    return pl_lines_solve(&k->lines, &fit, &none) == PL_OK ? fit.misfit : INFINITY;
}

static double misfit_toggled(struct known *k, size_t i)
{
    k->jump[i] = !k->jump[i];
    double m = misfit(k);
    k->jump[i] = !k->jump[i];
    return m;
}

/* Marks the gaps whose step is the greatest around and beyond the noise: a smooth drift alone may
 * pass through several jumps and see none of them. */
static void mark_likely(struct known *k, double scatter, double *step)
{
    double from, to;
    for (size_t i = 1; i < k->n; i++) {
        double sigma = 1.2533 * k->lines.sigma[i] * sqrt(2.0 / SIDE) * scatter;
        step[i] = step_at(k, i, &from, &to) / sigma;
    }
    for (size_t i = 1; i < k->n; i++) {
        bool top = step[i] > LIKELY;
        for (size_t j = i > SIDE ? i - SIDE : 1; j < k->n && j <= i + SIDE; j++)
            top = top && step[j] <= step[i] && (j >= i || step[j] < step[i]);
        step[i] = top ? step[i] : fmin(step[i], LIKELY);
    }
    for (size_t i = 1; i < k->n; i++)
        k->jump[i] = step[i] > LIKELY;
}

/* Takes away the jump that explains least, again and again, while it is not worth it. */
static void weed(struct known *k, double gain)
{
    for (;;) {
        size_t worst = 0;
        double now = misfit(k), least = gain;
        for (size_t i = 1; i < k->n; i++) {
            double lost = k->jump[i] ? misfit_toggled(k, i) - now : INFINITY;
            if (lost < least || (k->jump[i] && isinf(now))) {
                least = lost;
                worst = i;
            }
        }
        if (!worst)
            return;
        k->jump[worst] = false;
    }
}

/* Moves a jump by an exposure or two where that explains more. */
static void settle(struct known *k, size_t i)
{
    double least = misfit(k);
    size_t best = i;
    k->jump[i] = false;
    for (size_t j = i > 3 ? i - 2 : LEAST; j <= i + 2 && j + LEAST <= k->n; j++) {
        double m = k->jump[j] ? INFINITY : misfit_toggled(k, j);
        if (m < least - 1e-9) {
            least = m;
            best = j;
        }
    }
    k->jump[best] = true;
}

/* The jump that explains most besides those there are. Gives: whether one gains enough. */
static bool one_more(struct known *k, double gain)
{
    double from, to, now = misfit(k);
    size_t best = 0;
    for (size_t i = 1; i < k->n; i++) {
        bool leads = !k->jump[i] && step_at(k, i, &from, &to) > 0;
        double gained = leads ? now - misfit_toggled(k, i) : 0;
        if (gained > gain) {
            gain = gained;
            best = i;
        }
    }
    k->jump[best] = best > 0;
    return best > 0;
}

static pl_status find_jumps(struct known *k, pl_err *err)
{
    double *step = calloc(k->n + 1, sizeof *step), scatter = excess(k);
    double gain = GAIN * scatter * scatter;
    if (!step)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    mark_likely(k, scatter, step);
    free(step);
    weed(k, gain);
    for (int i = 0; i < MOST_JUMPS && k->n > 1 && one_more(k, gain); i++)
        ;
    for (size_t i = k->n; i-- > 1;)
        if (k->jump[i])
            settle(k, i);
    return PL_OK;
}

/* Items [lo, hi) by themselves; borrowed from `k`. */
static struct known part_of(const struct known *k, size_t lo, size_t hi)
{
    struct known part = *k;
    part.n = part.lines.n = hi - lo;
    part.jump += lo;
    part.lines.y += lo;
    part.lines.sigma += lo;
    part.lines.group += lo;
    for (int j = 0; j < PL_LINES_MAX; j++)
        part.lines.x[j] += lo;
    return part;
}

/* A long night in parts that overlap, so that the work grows no faster than the night; of a part
 * only its middle counts. */
static pl_status find_in_parts(struct known *k, pl_err *err)
{
    bool *found = calloc(k->n + 1, sizeof *found);
    pl_status rc = found ? PL_OK : pl_fail(err, PL_ENOMEM, "out of memory");
    for (size_t lo = 0, hi = 0; rc == PL_OK && hi < k->n; lo += PART - 2 * MARGIN) {
        hi = k->n - lo > PART + MARGIN ? lo + PART : k->n;
        struct known part = part_of(k, lo, hi);
        rc = find_jumps(&part, err);
        for (size_t i = lo ? lo + MARGIN : 0; i < (hi < k->n ? hi - MARGIN : hi); i++)
            found[i] = k->jump[i];
        memset(k->jump + lo, 0, hi - lo);
    }
    if (found)
        memcpy(k->jump, found, k->n * sizeof *found);
    free(found);
    return rc;
}

static pl_status jumps_seen(pl_night *n, struct known *k, pl_err *err)
{
    pl_status rc = find_in_parts(k, err);
    if (k->n > 0)
        pl_note(&n->notes,
                "no positions are told: a refocusing that moved focus by less than some six errors "
                "of one exposure may not be seen, and makes the coefficient look smaller");
    for (size_t i = 1; i < k->n && rc == PL_OK; i++)
        if (k->jump[i])
            rc = add(n, (pl_refocus){ k->index[i], NAN, NAN, NAN, NAN }, err);
    return rc;
}

/* How a night's best focus may drift, besides by temperature: um at the sensor an hour, and a
 * degree of altitude. Stiff, so that jumps stand out; common practice, no source. */
static const double AN_HOUR = 5, A_DEGREE = 1, ANY = 1000;

/* Whether temperatures are known, and finer than the night's drift: a thermometer that counts whole
 * degrees would itself seem to jump. */
static bool temperature_fine(const pl_night *n, double *work)
{
    size_t values = 0, known = 0;
    for (size_t i = 0; i < n->subs; i++)
        if (isfinite(n->sub[i].defocus_um))
            work[known++] = n->sub[i].temperature_c;
    for (size_t i = 0; i < known; i++)
        if (isnan(work[i]))
            return false;
    gsl_sort(work, 1, known);
    for (size_t i = 0; i < known; i++)
        values += i == 0 || work[i] != work[i - 1];
    return 3 * values > known;
}

static void drift_of(const pl_sub *s, double hour, bool fine, double *x[])
{
    *x[0] = hour;
    *x[1] = fine ? s->temperature_c : hour * hour;
    *x[2] = isfinite(s->altitude_deg) ? s->altitude_deg : 0;
}

static void take_known(const pl_night *n, struct known *k)
{
    bool fine = temperature_fine(n, k->work);
    pl_lines *l = &k->lines;
    l->columns = 3;
    l->prior[0] = fine ? AN_HOUR : ANY;
    l->prior[1] = ANY;
    l->prior[2] = A_DEGREE;
    for (size_t i = 0; i < n->subs; i++) {
        const pl_sub *s = &n->sub[i];
        double *x[] = { &l->x[0][k->n], &l->x[1][k->n], &l->x[2][k->n] };
        if (!isfinite(s->defocus_um) || !(s->defocus_sigma_um > 0) || !isfinite(s->time_s))
            continue;
        drift_of(s, (s->time_s - n->sub[n->subs - 1].time_s) / 3600, fine, x);
        k->index[k->n] = i;
        l->y[k->n] = s->defocus_um;
        l->sigma[k->n++] = s->defocus_sigma_um;
    }
    l->n = k->n;
}

static pl_status with_known(const pl_night *n, struct known *k, pl_err *err)
{
    *k = (struct known){ .index = calloc(n->subs, sizeof *k->index),
                         .jump = calloc(n->subs, sizeof *k->jump),
                         .work = calloc(n->subs, sizeof *k->work) };
    pl_status rc = pl_lines_new(n->subs, &k->lines, err);
    if (rc != PL_OK || !k->index || !k->jump || !k->work)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    take_known(n, k);
    return PL_OK;
}

static void without_known(struct known *k)
{
    free(k->index);
    free(k->jump);
    free(k->work);
    pl_lines_free(&k->lines);
}

/* ---- both */

/* Defocus just before and after each refocusing. */
static void levels(pl_night *n, struct known *k)
{
    for (size_t i = 1; i < k->n; i++)
        k->jump[i] = n->sub[k->index[i]].stretch != n->sub[k->index[i - 1]].stretch;
    for (size_t r = 0, i = 0; r < n->refocuses; r++) {
        while (i < k->n && k->index[i] < n->refocus[r].after)
            i++;
        if (i > 0 && i < k->n)
            step_at(k, i, &n->refocus[r].from_um, &n->refocus[r].to_um);
    }
}

static void number_stretches(pl_night *n)
{
    for (size_t i = 0, r = 0; i < n->subs; i++) {
        while (r < n->refocuses && n->refocus[r].after <= i)
            r++;
        n->sub[i].stretch = r;
    }
}

pl_status pl_night_moves(pl_night *n, pl_err *err)
{
    struct known k;
    pl_status rc = with_known(n, &k, err);
    n->by_position = positions(n) >= 2;
    if (rc == PL_OK && n->by_position)
        rc = moves_told(n, err);
    else if (rc == PL_OK)
        rc = jumps_seen(n, &k, err);
    if (rc == PL_OK) {
        number_stretches(n);
        levels(n, &k);
    }
    without_known(&k);
    return rc;
}
