/* SPDX-License-Identifier: GPL-3.0-or-later */
/* words.c - what a night says, in sentences that text and picture share. */
#include "night.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* Stars narrower than this are undersampled: two pixels a width. Nyquist's rule for a Gaussian asks
 * for about that; common practice. */
static const double UNDERSAMPLED = 2.0;
/* A night is called stretched when so many of its exposures are. */
static const double MOST = 0.5;

const char *pl_grade_word(pl_grade grade)
{
    return grade == PL_KEEP ? "keep" : grade == PL_DOUBTFUL ? "doubtful" : "drop";
}

pl_digits pl_night_clock(double time_s)
{
    char date[32];
    pl_digits d = { "-" };
    if (isfinite(time_s) && pl_date_utc(time_s, date))
        snprintf(d.s, sizeof d.s, "%.5s", date + 11);
    return d;
}

static void temperatures(const pl_night *n, double *lo, double *hi)
{
    *lo = INFINITY;
    *hi = -INFINITY;
    for (size_t i = 0; i < n->subs; i++)
        if (isfinite(n->sub[i].temperature_c)) {
            *lo = fmin(*lo, n->sub[i].temperature_c);
            *hi = fmax(*hi, n->sub[i].temperature_c);
        }
}

/* Why defocus is not known: of the first exposure that says so. */
static const char *why(const pl_night *n)
{
    for (size_t i = 0; i < n->subs; i++)
        if (n->sub[i].measured && n->sub[i].why[0])
            return n->sub[i].why;
    for (size_t i = 0; i < n->subs; i++)
        if (isfinite(n->sub[i].defocus_um) && isfinite(n->sub[i].temperature_c))
            return "too few exposures between refocusings, or too many refocusings";
    return "the exposures tell no signed defocus, or no temperature";
}

static const char lags[] = ". The mirror's glass lags the air: this is best focus against the "
                           "thermometer, not against the mirror's own temperature";

void pl_night_coefficient(const pl_night *n, pl_string *out)
{
    double lo, hi;
    temperatures(n, &lo, &hi);
    if (n->inseparable) {
        pl_string_add(
            out,
            "cannot separate temperature from altitude, both changed together. Were it all "
            "temperature: %s um of drawtube for a degree; bending of the tube as it moves "
            "could make any part of that",
            pl_measured(n->alone_um_c, n->alone_sigma_um_c, 1).s);
        return;
    }
    if (isnan(n->thermal_um_c)) {
        pl_string_add(out, "not known: %s",
                      hi > lo ? why(n)
                              : "the temperature did not change, or is "
                                "not told");
        return;
    }
    pl_string_add(out,
                  "best focus moves %s um of drawtube for a degree, + = out as it warms (%s to "
                  "%s C)",
                  pl_measured(n->thermal_um_c, n->thermal_sigma_um_c, 1).s, pl_fixed(hi, 1).s,
                  pl_fixed(lo, 1).s);
    if (n->from_positions)
        pl_string_add(out, ": by where the refocusings went, each taken for best focus");
    if (isfinite(n->flexure_um_deg))
        pl_string_add(out, ". Altitude's part was told apart: %s um a degree of altitude",
                      pl_measured(n->flexure_um_deg, n->flexure_sigma_um_deg, 2).s);
    if (isfinite(n->lag_min))
        pl_string_add(out,
                      ". Best focus followed the thermometer some %s min later: the tube or the "
                      "mirror lags, and the coefficient holds for air that cools as here",
                      pl_fixed(n->lag_min, 0).s);
}

void pl_night_thermal(const pl_night *n, pl_string *out)
{
    pl_night_coefficient(n, out);
    if (!n->inseparable && isfinite(n->thermal_um_c))
        pl_string_add(out, "%s", lags);
}

static void minutes(const pl_night *n, pl_string *out)
{
    if (isfinite(n->refocus_every_c))
        pl_string_add(out, "every %s C", pl_signif(n->refocus_every_c, 2).s);
    if (isfinite(n->refocus_every_min))
        pl_string_add(out, "%severy %s min", out->n ? ", or " : "",
                      pl_fixed(n->refocus_every_min, 0).s);
    if (isfinite(n->refocus_every_c) && isfinite(n->refocus_every_min))
        pl_string_add(out, " while it cools as when it cooled fastest here, %s C an hour",
                      pl_fixed(n->cooling_c_h, 1).s);
    if (isfinite(n->not_before_min))
        pl_string_add(out, "%sno drift is seen: %s min without refocusing are safe",
                      out->n ? "; " : "", pl_fixed(n->not_before_min, 0).s);
}

void pl_night_drift(const pl_night *n, pl_string *out)
{
    minutes(n, out);
    if (!out->n) {
        pl_string_add(out, "not known%s",
                      n->moving ? ": the focuser moved between most exposures" : "");
        return;
    }
    if (isfinite(n->zone_um))
        pl_string_add(out, ". That leads from best focus to the edge of the zone, %s um each side",
                      pl_signif(n->zone_um, 3).s);
    if (isfinite(n->drift_um_h))
        pl_string_add(out, "; left alone, focus drifted %s um an hour at the sensor in the mean",
                      pl_measured(n->drift_um_h, n->drift_sigma_um_h, 1).s);
}

void pl_night_left(const pl_night *n, pl_string *out)
{
    double part = n->exposed_s > 0 ? n->lost_s / n->exposed_s : NAN;
    if (isnan(n->zone_um)) {
        pl_string_add(out, "cannot be told: %s", why(n));
        return;
    }
    if (n->left < n->subs)
        pl_string_add(out, "at %s UT, and was out in %zu exposure%s; ",
                      pl_night_clock(n->sub[n->left].time_s).s, n->outs, n->outs == 1 ? "" : "s");
    else
        pl_string_add(out, "never, as far as can be told; ");
    pl_string_add(out, "defocus cost as much as %s min of exposure, %s %%",
                  pl_fixed(n->lost_s / 60, 1).s, pl_fixed(100 * part, 1).s);
}

static void highest_lowest(const pl_night *n, double *lo, double *hi)
{
    *lo = INFINITY;
    *hi = 0;
    for (size_t i = 0; i < n->subs; i++)
        if (isfinite(n->sub[i].airmass)) {
            *lo = fmin(*lo, n->sub[i].airmass);
            *hi = fmax(*hi, n->sub[i].airmass);
        }
}

void pl_night_air(const pl_night *n, pl_string *out)
{
    double lo, hi;
    highest_lowest(n, &lo, &hi);
    if (isnan(n->seeing_arcsec)) {
        pl_string_add(out, "not told apart from focus and tracking");
        return;
    }
    pl_string_add(out, "typically %s arcsec", pl_fixed(n->seeing_arcsec, 2).s);
    if (!isfinite(n->zenith_arcsec))
        return;
    pl_string_add(out, ", %s at the zenith", pl_fixed(n->zenith_arcsec, 2).s);
    double wider = pow(hi / lo, 0.6);
    if (wider >= 1.005) /* 1.01 as printed */
        pl_string_add(out,
                      "; airmass %s to %s alone widens it %s times (airmass^0.6), which is not in "
                      "the drift of focus",
                      pl_fixed(lo, 2).s, pl_fixed(hi, 2).s, pl_fixed(wider, 2).s);
}

static double median_of(const pl_night *n, size_t offset)
{
    double *v = calloc(n->subs + 1, sizeof *v), m = NAN;
    size_t k = 0;
    for (size_t i = 0; v && i < n->subs; i++) {
        const void *at = (const char *)&n->sub[i] + offset;
        double x = *(const double *)at;
        if (isfinite(x))
            v[k++] = x;
    }
    m = k ? pl_median(v, k) : NAN;
    if (!v)
        pl_memory_short();
    free(v);
    return m;
}

void pl_night_shape(const pl_night *n, pl_string *out)
{
    size_t stretched = 0;
    double px = median_of(n, offsetof(pl_sub, fwhm_px)),
           e = median_of(n, offsetof(pl_sub, eccentricity));
    for (size_t i = 0; i < n->subs; i++)
        stretched += n->sub[i].cause == PL_CAUSE_TRACKING;
    pl_string_add(out, "FWHM %s px, eccentricity %s; %zu of %zu exposures stretched by guiding",
                  pl_fixed(px, 2).s, pl_fixed(e, 2).s, stretched, n->subs);
    if ((double)stretched > MOST * (double)n->measured)
        pl_string_add(out, ": the mount, not the moment, is the trouble");
    if (px < UNDERSAMPLED)
        pl_string_add(out,
                      ". Stars this narrow are undersampled: a defocus or an air that widens "
                      "them by less than a pixel hides in the pixels, and stretch hides what is "
                      "left");
}
