/* SPDX-License-Identifier: GPL-3.0-or-later */
/* change.c - did one number, or one vector, change beyond its errors; and did what it stands for
 * get better.
 *
 * A vector is first asked whether it moved at all: d' C^-1 d of the difference d, with C the sum of
 * both covariances, is chi square with two degrees of freedom when it did not. The length alone
 * would not do: noise makes every vector long, and the noisier of two the longer. What moved is
 * better or worse when its length changed as well, by three standard errors; a vector may move
 * without that.
 * Many comparisons at once: Holm 1979 (Scand. J. Statist. 6, 65, from memory), which holds whatever
 * the comparisons have in common. */
#include "change.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static const double TELLING = 3; /* standard errors of a length */

/* ---- one comparison */

static double along(const pl_vector *v)
{
    double r = hypot(v->x, v->y), c = r > 0 ? v->x / r : 1, s = r > 0 ? v->y / r : 0;
    return sqrt(fmax(0, v->xx * c * c + 2 * v->xy * c * s + v->yy * s * s));
}

/* d' C^-1 d, NaN when C is no covariance. */
static double distance(const pl_vector *d)
{
    double det = d->xx * d->yy - d->xy * d->xy;
    if (!(det > 0) || !(d->xx > 0))
        return NAN;
    return (d->yy * d->x * d->x - 2 * d->xy * d->x * d->y + d->xx * d->y * d->y) / det;
}

static pl_vector less(const pl_vector *a, const pl_vector *b, double sign)
{
    return (pl_vector){ a->x - sign * b->x, a->y - sign * b->y, a->xx + b->xx, a->xy + b->xy,
                        a->yy + b->yy };
}

static pl_change named(const char *name, const char *unit)
{
    pl_change c = { .unit = unit,
                    .moved = NAN,
                    .moved_sigma = NAN,
                    .moved_deg = NAN,
                    .tolerance = NAN,
                    .chance = NAN };
    snprintf(c.name, sizeof c.name, "%s", name);
    return c;
}

pl_change pl_change_vectors(const char *name, const char *unit, pl_vector before, pl_vector after,
                            int spin, bool either)
{
    pl_change c = named(name, unit);
    pl_vector d = less(&after, &before, 1), other = less(&after, &before, -1);
    double chi2 = distance(&d), turn = 360.0 / spin;
    if (either) {
        if (distance(&other) < chi2)
            d = other;
        chi2 = distance(&d);
    }
    c.before = hypot(before.x, before.y);
    c.before_sigma = along(&before);
    c.after = hypot(after.x, after.y);
    c.after_sigma = along(&after);
    c.change = c.after - c.before;
    c.change_sigma = hypot(c.before_sigma, c.after_sigma);
    c.moved = hypot(d.x, d.y);
    c.moved_sigma = along(&d);
    if (!either) {
        double deg = 180 / M_PI * atan2(d.y, d.x) / spin;
        c.moved_deg = deg < 0 ? deg + turn : deg;
    }
    c.chance = exp(-0.5 * chi2);
    return c;
}

pl_change pl_change_numbers(const char *name, const char *unit, double before, double before_sigma,
                            double after, double after_sigma, bool either)
{
    pl_change c = named(name, unit);
    double off = either ? fabs(after) - fabs(before) : after - before;
    c.before = either ? fabs(before) : before;
    c.after = either ? fabs(after) : after;
    c.before_sigma = before_sigma;
    c.after_sigma = after_sigma;
    c.change = fabs(after) - fabs(before);
    c.change_sigma = hypot(before_sigma, after_sigma);
    if (c.change_sigma > 0)
        c.chance = erfc(fabs(off) / c.change_sigma / M_SQRT2);
    return c;
}

bool pl_change_past(const pl_change *c)
{
    return c->seen && c->before * c->after < 0 && fabs(c->before) > TELLING * c->before_sigma &&
           fabs(c->after) > TELLING * c->after_sigma;
}

/* ---- another air */

/* The same fault shows less in worse air. Were all Gaussian, second moments would add, and
 * ellipticities and slopes of FWHM fade as FWHM^-2, third moments, told in units of the width
 * cubed, as FWHM^-3. In long-exposure air with wave optics they fade as FWHM^-1.65 to -1.83
 * (defocus and tracking) and as FWHM^-1.6 to -3.1 (three corners, strong coma; weak coma in fine
 * air hardly): tests/reference/against.py. So the power is known within bounds only, and of all
 * powers between them that one is taken with which the two look most alike. */
enum { POWERS = 17 };

static double faded(double swell, int order, int i)
{
    double lo = order == 3 ? 0.6 : 1.5, hi = order == 3 ? 3.2 : 2.0;
    double power = lo + (hi - lo) * i / (POWERS - 1);
    return pow(swell, order == 4 ? 2 * power : power);
}

/* The middle one first, since where all are sure any will do. */
static int turn_of(int i)
{
    return (i + POWERS / 2) % POWERS;
}

pl_change pl_change_vectors_in_air(const char *name, const char *unit, pl_vector before,
                                   pl_vector after, int spin, double swell, int order)
{
    pl_change best = { .chance = -1 };
    for (int i = 0; i < POWERS; i++) {
        double by = faded(swell, order, turn_of(i)), square = by * by;
        pl_vector v = { by * after.x, by * after.y, square * after.xx, square * after.xy,
                        square * after.yy };
        pl_change c = pl_change_vectors(name, unit, before, v, spin, false);
        if (i == 0 || c.chance > best.chance)
            best = c;
    }
    return best;
}

pl_change pl_change_numbers_in_air(const char *name, const char *unit, double before,
                                   double before_sigma, double after, double after_sigma,
                                   double swell, int order)
{
    pl_change best = { .chance = -1 };
    for (int i = 0; i < POWERS; i++) {
        double by = faded(swell, order, turn_of(i));
        pl_change c = pl_change_numbers(name, unit, before, before_sigma, by * after,
                                        by * after_sigma, false);
        if (i == 0 || c.chance > best.chance)
            best = c;
    }
    return best;
}

/* ---- many */

static int by_chance(const void *a, const void *b)
{
    const pl_change *const *p = a, *const *q = b;
    double x = (*p)->chance, y = (*q)->chance;
    return x < y ? -1 : x > y;
}

void pl_changes_holm(pl_change **c, size_t n)
{
    pl_change *known[PL_CHANGE_MOST] = { NULL };
    size_t m = 0;
    double least = 0;
    for (size_t i = 0; i < n && m < PL_CHANGE_MOST; i++)
        if (!isnan(c[i]->chance))
            known[m++] = c[i];
    qsort(known, m, sizeof *known, by_chance);
    for (size_t i = 0; i < m; i++) {
        pl_change *k = known[i];
        least = fmax(least, fmin(1, (double)(m - i) * k->chance));
        k->chance = least;
        k->seen = least <= PL_CHANGE_ALARM;
        bool told = k->seen && fabs(k->change) > TELLING * k->change_sigma;
        k->state = !told ? PL_SAME : k->change < 0 ? PL_BETTER : PL_WORSE;
    }
}

void pl_change_add(pl_changes *all, pl_change c)
{
    if (all->items < PL_CHANGES_MAX)
        all->item[all->items++] = c;
}

void pl_changes_settle(pl_changes *all)
{
    pl_change *c[PL_CHANGES_MAX] = { NULL };
    for (size_t i = 0; i < all->items; i++)
        c[i] = &all->item[i];
    pl_changes_holm(c, all->items);
    for (size_t i = 0; i < all->items; i++)
        pl_change_say(&all->item[i]);
}

void pl_change_say(pl_change *c)
{
    double part = fabs(c->before) > 0 ? fabs(c->change / c->before) : INFINITY;
    char much[40] = "";
    if (fabs(c->before) > TELLING * c->before_sigma && part < 2)
        snprintf(much, sizeof much, " by %.0f %%", 100 * part);
    else
        snprintf(much, sizeof much, " from %.2g to %.2g", c->before, c->after);
    if (isnan(c->chance))
        snprintf(c->text, sizeof c->text, "could not be compared");
    else if (!c->seen)
        snprintf(c->text, sizeof c->text, "no change that can be seen");
    else if (c->state == PL_SAME)
        snprintf(c->text, sizeof c->text, "%s, no better and no worse",
                 pl_change_past(c) ? "went past nought" : "moved");
    else
        snprintf(c->text, sizeof c->text, "%s%s%s", c->state == PL_BETTER ? "fell" : "grew", much,
                 pl_change_past(c) ? ", past nought to the other sign" : "");
}

void pl_changes_clear(pl_changes *changes)
{
    if (!changes)
        return;
    free(changes->zone);
    pl_notes_clear(&changes->notes);
    *changes = (pl_changes){ 0 };
}
