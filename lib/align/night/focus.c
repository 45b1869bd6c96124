/* SPDX-License-Identifier: GPL-3.0-or-later */
/* focus.c - what moves best focus: temperature, told apart from altitude or not; the lag
 * behind the thermometer; the drift while nobody touched the focuser; how often to refocus.
 *
 * Best focus, as a place of the drawtube, is position - defocus / carried. Where positions are not
 * known in um each stretch between refocusings gets an offset of its own. */
#include "night.h"
#include "../../optics/optics.h"

#include <gsl/gsl_fit.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { FEWEST = 6, REFOCUSES = 3 };

/* How far best focus may move with altitude, expected before looking: 1 um of drawtube a degree.
 * Common practice, no source; a sound tube bends less, a loose focuser more. */
static const double FLEXURE = 1;
/* An error of that smaller by so much was learnt from the night. */
static const double LEARNT = 0.9;
/* Temperature and altitude cannot be told apart when the error grows by so much through altitude,
 * and is then so much of the number. */
static const double SWELLS = 3, LARGE = 1 / 3.0;
/* Two fits differ by more than so many errors of their difference. */
static const double APART = 4;
/* Lags that are tried, min, and the gain in squared errors that makes one believed. */
static const double LAG_MIN[] = { 10, 20, 30, 45, 60, 90, 120 }, LAG_GAIN = 16;

static double best_um(const pl_night *n, const pl_sub *s, bool by_position)
{
    double carried = pl_carried(&n->facts), steps = by_position ? s->position_steps : 0;
    double um = by_position ? n->facts.step_um.v * n->facts.outward.v : 1;
    return steps * um - s->defocus_um / carried;
}

/* ---- values for a fit */

typedef double column(const pl_night *n, size_t i);

static double temperature(const pl_night *n, size_t i)
{
    return n->sub[i].temperature_c;
}

static double altitude(const pl_night *n, size_t i)
{
    return n->sub[i].altitude_deg;
}

static double hours(const pl_night *n, size_t i)
{
    return (n->sub[i].time_s - n->sub[n->subs - 1].time_s) / 3600;
}

static bool has_defocus(const pl_sub *s)
{
    return isfinite(s->defocus_um) && s->defocus_sigma_um > 0;
}

/* Numbers stretches that have values from 0 on. */
static void renumber(pl_lines *l)
{
    size_t last = (size_t)-1;
    l->groups = 0;
    for (size_t i = 0; i < l->n; i++) {
        size_t was = l->group[i];
        l->groups += was != last;
        last = was;
        l->group[i] = l->groups - 1;
    }
}

static void centre(double *v, size_t n)
{
    double mean = 0;
    for (size_t i = 0; i < n; i++)
        mean += v[i] / (double)n;
    for (size_t i = 0; i < n; i++)
        v[i] -= mean;
}

static void fill(const pl_night *n, column *const *x, bool by_position, pl_lines *l)
{
    double carried = pl_carried(&n->facts);
    for (size_t i = 0; i < n->subs; i++) {
        const pl_sub *s = &n->sub[i];
        bool all = has_defocus(s) && isfinite(best_um(n, s, by_position));
        for (size_t j = 0; j < l->columns; j++)
            all = all && isfinite(l->x[j][l->n] = x[j](n, i));
        if (!all)
            continue;
        l->y[l->n] = best_um(n, s, by_position);
        l->sigma[l->n] = s->defocus_sigma_um / carried;
        l->group[l->n++] = by_position ? 0 : s->stretch;
    }
    for (size_t j = 0; j < l->columns; j++)
        centre(l->x[j], l->n);
    renumber(l);
}

static pl_status fit(const pl_night *n, column *const *x, size_t columns, bool by_position,
                     pl_lines_fit *out, pl_err *err)
{
    pl_lines l;
    pl_status rc = pl_lines_new(n->subs, &l, err);
    if (rc != PL_OK)
        return rc;
    l.columns = columns;
    l.prior[1] = FLEXURE;
    fill(n, x, by_position, &l);
    rc =
        l.n < FEWEST ? pl_fail(err, PL_ENODATA, "too few exposures") : pl_lines_solve(&l, out, err);
    pl_lines_free(&l);
    return rc;
}

/* ---- temperature */

static bool positions_in_um(const pl_night *n)
{
    return n->by_position && isfinite(n->facts.step_um.v) && isfinite(n->facts.outward.v);
}

static bool altitude_known(const pl_night *n)
{
    size_t known = 0, of = 0;
    for (size_t i = 0; i < n->subs; i++) {
        of += has_defocus(&n->sub[i]);
        known += has_defocus(&n->sub[i]) && isfinite(n->sub[i].altitude_deg);
    }
    return of > 0 && known * 10 >= of * 9;
}

/* With positions in um one offset does, unless what the focuser was told is not where it went: the
 * difference of a surer and a more cautious answer has the difference of their variances (Hausman
 * 1978, from memory). */
static bool positions_add_up(pl_night *n, column *const *x, size_t columns)
{
    pl_lines_fit whole, apart;
    pl_err none = { PL_OK, "" };
    if (!positions_in_um(n) || fit(n, x, columns, true, &whole, &none) != PL_OK)
        return false;
    if (n->moving || fit(n, x, columns, false, &apart, &none) != PL_OK)
        return true;
    double gap = whole.slope[0] - apart.slope[0], least = apart.sigma[0];
    double variance = pow(apart.sigma[0], 2) - pow(whole.sigma[0], 2);
    double sigma = variance > 0 ? sqrt(variance) : least; /* a misfit made the surer one unsure */
    if (!(fabs(gap) > APART * sigma))
        return true;
    pl_note(&n->notes, "the focuser's positions and the defocus do not add up over the refocusings "
                       "(backlash, slip, or a wrong step_um): each stretch counts by itself");
    return false;
}

/* Gives: whether positions were believed. */
static bool thermal(pl_night *n)
{
    static column *const x[] = { temperature, altitude };
    pl_lines_fit alone, both;
    pl_err none = { PL_OK, "" };
    size_t columns = altitude_known(n) ? 2 : 1;
    bool by_position = positions_add_up(n, x, columns);
    if (fit(n, x, 1, by_position, &alone, &none) != PL_OK)
        return by_position;
    n->alone_um_c = n->thermal_um_c = alone.slope[0];
    n->alone_sigma_um_c = n->thermal_sigma_um_c = alone.sigma[0];
    if (columns == 1)
        pl_note(&n->notes, "the altitude is not told (altitude_deg): what gravity bends is in the "
                           "thermal coefficient, and not in its error");
    if (columns == 1 || fit(n, x, 2, by_position, &both, &none) != PL_OK)
        return by_position;
    if (both.sigma[1] < LEARNT * FLEXURE) {
        n->flexure_um_deg = both.slope[1];
        n->flexure_sigma_um_deg = both.sigma[1];
    }
    n->inseparable =
        both.sigma[0] > SWELLS * alone.sigma[0] && both.sigma[0] > LARGE * fabs(both.slope[0]);
    n->thermal_um_c = n->inseparable ? NAN : both.slope[0];
    n->thermal_sigma_um_c = n->inseparable ? NAN : both.sigma[0];
    return by_position;
}

/* Where the refocusings went against the temperature, each taken for best focus. */
static void by_refocusings(pl_night *n)
{
    double *x = calloc(n->refocuses + 1, sizeof *x), *y = calloc(n->refocuses + 1, sizeof *y);
    size_t m = 0;
    for (size_t r = 0; x && y && r < n->refocuses && positions_in_um(n) && !n->moving; r++) {
        x[m] = n->sub[n->refocus[r].after].temperature_c;
        y[m] = n->refocus[r].to_steps * n->facts.step_um.v * n->facts.outward.v;
        m += isfinite(x[m]) && isfinite(y[m]);
    }
    if (m >= REFOCUSES) {
        double c0, c1, v00, v01, v11, sum;
        gsl_fit_linear(x, 1, y, 1, m, &c0, &c1, &v00, &v01, &v11, &sum);
        n->from_positions = isfinite(c1) && isfinite(v11) && v11 > 0;
        if (n->from_positions) {
            n->thermal_um_c = c1;
            n->thermal_sigma_um_c = sqrt(v11);
        }
    }
    if (!x || !y)
        pl_memory_short();
    free(x);
    free(y);
}

/* ---- the lag */

/* What a body is like that follows the thermometer with a time constant, settled at the first
 * exposure; in place of the temperatures. */
static void lagged(const pl_night *n, double minutes, double *t)
{
    double last = NAN, when = NAN;
    for (size_t i = 0; i < n->subs; i++) {
        const pl_sub *s = &n->sub[i];
        if (isfinite(s->temperature_c) && isfinite(s->time_s)) {
            double part = isnan(last) ? 1 : 1 - exp(-(s->time_s - when) / 60 / minutes);
            last = isnan(last) ? s->temperature_c : last + part * (s->temperature_c - last);
            when = s->time_s;
        }
        t[i] = isfinite(s->temperature_c) ? last : NAN;
    }
}

static void swap_temperatures(pl_night *n, double *t)
{
    for (size_t i = 0; i < n->subs; i++) {
        double was = n->sub[i].temperature_c;
        n->sub[i].temperature_c = t[i];
        t[i] = was;
    }
}

/* Only told; the coefficient stays that against the thermometer, which a focuser can be given. */
static void lag(pl_night *n, bool by_position)
{
    static column *const x[] = { temperature, altitude };
    size_t columns = altitude_known(n) ? 2 : 1;
    pl_lines_fit now, then;
    pl_err none = { PL_OK, "" };
    double *t = calloc(n->subs, sizeof *t);
    if (t && fit(n, x, columns, by_position, &now, &none) == PL_OK) {
        double least = now.misfit - LAG_GAIN;
        for (size_t i = 0; i < PL_ARRAY_LEN(LAG_MIN); i++) {
            lagged(n, LAG_MIN[i], t);
            swap_temperatures(n, t);
            if (fit(n, x, columns, by_position, &then, &none) == PL_OK && then.misfit < least) {
                least = then.misfit;
                n->lag_min = LAG_MIN[i];
            }
            swap_temperatures(n, t);
        }
    }
    if (!t)
        pl_memory_short();
    free(t);
}

/* ---- the cadence */

static void drift(pl_night *n)
{
    static column *const x[] = { hours };
    pl_lines_fit f;
    pl_err none = { PL_OK, "" };
    if (n->moving || fit(n, x, 1, false, &f, &none) != PL_OK)
        return;
    double carried = pl_carried(&n->facts);
    n->drift_um_h = -carried * f.slope[0]; /* best focus goes in: the sensor is left too far out */
    n->drift_sigma_um_h = carried * f.sigma[0];
}

/* How fast it cooled when it changed fastest, over an hour at least, or the whole of a short night;
 * in absolute numbers. */
static void cooling(pl_night *n, double *x, double *y)
{
    size_t m = 0;
    double c0, c1, v00, v01, v11, sum, most = -1;
    for (size_t i = 0; i < n->subs; i++)
        if (isfinite(n->sub[i].temperature_c) && isfinite(n->sub[i].time_s)) {
            x[m] = hours(n, i);
            y[m++] = n->sub[i].temperature_c;
        }
    double span = m > 2 ? fmin(1, x[m - 1] - x[0]) : 0;
    for (size_t i = 0, j = 0; i < m && span > 0; i++) {
        while (j + 1 < m && x[j] - x[i] < span - 1e-9)
            j++;
        if (x[j] - x[i] < span - 1e-9 || j < i + 2)
            continue;
        gsl_fit_linear(x + i, 1, y + i, 1, j - i + 1, &c0, &c1, &v00, &v01, &v11, &sum);
        if (fabs(c1) > most) {
            most = fabs(c1);
            n->cooling_c_h = -c1;
        }
    }
}

/* The median of the finite ones of n values; NaN for none. */
static double median_known(double *v, size_t n)
{
    size_t m = 0;
    for (size_t i = 0; i < n; i++)
        if (isfinite(v[i]))
            v[m++] = v[i];
    return m ? pl_median(v, m) : NAN;
}

static void usual_air(pl_night *n, double *work)
{
    for (size_t i = 0; i < n->subs; i++)
        work[i] = n->sub[i].zone_um;
    n->zone_um = median_known(work, n->subs);
    for (size_t i = 0; i < n->subs; i++)
        work[i] = n->sub[i].seeing_arcsec;
    n->seeing_arcsec = median_known(work, n->subs);
    for (size_t i = 0; i < n->subs; i++)
        work[i] = n->sub[i].seeing_arcsec / pow(n->sub[i].airmass, 0.6);
    n->zenith_arcsec = median_known(work, n->subs);
}

/* Minutes by the coefficient and the fastest cooling where both are known, else by the mean drift.
 */
static void cadence(pl_night *n)
{
    double per_c = fabs(n->thermal_um_c) * pl_carried(&n->facts), an_hour = fabs(n->drift_um_h);
    if (fabs(n->thermal_um_c) > 2 * n->thermal_sigma_um_c)
        n->refocus_every_c = n->zone_um / per_c;
    if (isfinite(n->refocus_every_c) && fabs(n->cooling_c_h) > 0)
        n->refocus_every_min = 60 * n->refocus_every_c / fabs(n->cooling_c_h);
    else if (an_hour > 2 * n->drift_sigma_um_h)
        n->refocus_every_min = 60 * n->zone_um / an_hour;
    else
        n->not_before_min = 60 * n->zone_um / (an_hour + 2 * n->drift_sigma_um_h);
}

pl_status pl_night_focus(pl_night *n, pl_err *err)
{
    double *x = calloc(n->subs, sizeof *x), *y = calloc(n->subs, sizeof *y);
    if (!x || !y) {
        free(x);
        free(y);
        return pl_fail(err, PL_ENOMEM, "out of memory");
    }
    usual_air(n, x);
    cooling(n, x, y);
    free(x);
    free(y);
    bool by_position = thermal(n);
    if (isnan(n->alone_um_c))
        by_refocusings(n);
    else if (!n->inseparable)
        lag(n, by_position);
    if (isfinite(n->thermal_um_c) && n->facts.mirror_focal_mm.from == PL_FROM_NOWHERE &&
        strcmp(n->facts.carries.s, "camera") != 0)
        pl_note(&n->notes,
                "mirror_focal_mm is not told: travel of the drawtube is taken for travel "
                "at the sensor, which a reducing corrector makes smaller");
    if (isfinite(n->thermal_um_c))
        pl_carried_note(&n->facts, &n->notes);
    drift(n);
    cadence(n);
    return PL_OK;
}
