/* SPDX-License-Identifier: GPL-3.0-or-later */
/* grade.c - what each exposure is worth against the typical one of its kind, and its grade
 * with the reason in words. The rules stand in plumb-night(1).
 *
 * Worth is exposure time: under the sky's noise a star's signal to noise squared goes with
 * light^2 / (noise^2 FWHM^2) a second; derived here. */
#include "night.h"
#include "../../optics/optics.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { TRAILS = 4, AROUND = 2 };

/* Worth below which an exposure is doubtful, and dropped. Common practice, no source. */
static const double DOUBTFUL = 0.7, DROP = 0.5;
/* Stretch, as the mean ellipticity, over what is allowed, beyond which it is dropped: an axis ratio
 * of 0.82 where 0.91 is allowed. Common practice, no source. */
static const double FAR_STRETCHED = 2;
/* What air, sky or light must cost to be named. */
static const double NAMED = 0.75;
/* Defocus is its own, not its neighbours', so many errors away from them. */
static const double STANDS_OUT = 4;
/* Light lost that is no cloud: so much, and so many times the night's own scatter. */
static const double CLOUD = 0.15, CLOUD_SCATTER = 4;

/* ---- worth */

static double or_one(double v)
{
    return isfinite(v) ? v : 1;
}

static double defocus_of(const pl_sub *s, double *sigma)
{
    bool sign = isfinite(s->defocus_um);
    *sigma = sign ? s->defocus_sigma_um : s->size_sigma_um;
    return sign ? s->defocus_um : s->size_um;
}

/* Defocus by the neighbours of the same stretch, which drift hardly moves; its own where it stands
 * out of them. */
static double smooth_defocus(const pl_night *n, size_t i, double *sigma)
{
    double v[2 * AROUND + 1], own = defocus_of(&n->sub[i], sigma), each;
    size_t m = 0;
    for (size_t j = i > AROUND ? i - AROUND : 0; j <= i + AROUND && j < n->subs; j++) {
        double z = defocus_of(&n->sub[j], &each);
        if (n->sub[j].stretch == n->sub[i].stretch && isfinite(z))
            v[m++] = z;
    }
    double middle = pl_median(v, m);
    if (isnan(own) || m < 3 || fabs(own - middle) > STANDS_OUT * *sigma)
        return own;
    *sigma *= 1.2533 / sqrt((double)m);
    return middle;
}

static void focus_worth(pl_night *n, size_t i)
{
    pl_sub *s = &n->sub[i];
    double sigma, z = smooth_defocus(n, i, &sigma);
    s->worth_focus = or_one(pl_focus_worth(z, s->zone_um, n->facts.fwhm_growth.v));
    s->out = fabs(z) - 2 * sigma > s->zone_um;
}

static void light_worth(const pl_usual *u, pl_sub *s)
{
    double now = pl_sub_light(s), best = u->light, scatter = u->light_scatter;
    if (!isfinite(now) || isnan(best)) {
        now = pl_sub_light_by_count(s);
        best = u->by_count;
        scatter = u->by_count_scatter;
    }
    double through = fmin(1, or_one(now / best));
    bool cloud = 1 - through > fmax(CLOUD, CLOUD_SCATTER * scatter);
    s->worth_light = cloud ? through * through : 1;
}

static void worth(const pl_usual *u, pl_sub *s)
{
    s->worth_air = or_one(pow(u->in_focus_px / pl_sub_in_focus_px(s), 2));
    s->worth_sky = or_one(pow(u->noise_adu / s->noise_adu, 2));
    light_worth(u, s);
    s->worth = s->worth_focus * s->worth_air * s->worth_sky * s->worth_light;
}

/* ---- grades, in words */

static void say(pl_sub *s, const char *fmt, ...) PL_PRINTF(2, 3);
static void say(pl_sub *s, const char *fmt, ...)
{
    size_t used = strlen(s->reason), room = sizeof s->reason - used;
    int gap = used ? snprintf(s->reason + used, room, "; ") : 0;
    va_list ap;
    if (room <= (size_t)gap)
        return;
    va_start(ap, fmt);
    vsnprintf(s->reason + used + gap, room - (size_t)gap, fmt, ap);
    va_end(ap);
}

static void grade(pl_sub *s, pl_grade g, pl_cause cause)
{
    if (g > s->grade) {
        s->grade = g;
        s->cause = cause;
    }
}

static void stretched(const pl_night *n, pl_sub *s)
{
    double e = n->facts.eccentricity.v, allowed = e * e / (2 - e * e);
    double sure = s->chi - 2 * or_one(s->chi_sigma);
    if (isnan(s->chi) || !(sure > allowed))
        return;
    double ratio = sqrt((1 - s->chi) / (1 + s->chi));
    grade(s, sure > FAR_STRETCHED * allowed ? PL_DROP : PL_DOUBTFUL, PL_CAUSE_TRACKING);
    say(s, "guiding: all stars stretched alike along %.0f deg, axes %.2f to 1", s->elongation_deg,
        ratio);
}

static void out_of_focus(pl_sub *s)
{
    double sigma, z = defocus_of(s, &sigma);
    if (s->out)
        say(s, "focus: %.0f um%s, %.1f times the zone", fabs(z),
            isnan(s->defocus_um) ? " off"
            : z > 0              ? " too far out"
                                 : " too far in",
            fabs(z) / s->zone_um);
}

/* Of soft stars, the part that standing low explains. */
static void soft(const pl_usual *u, pl_sub *s)
{
    double wider = 1 / sqrt(s->worth_air);
    double low = pow(s->airmass / u->airmass, 0.6);
    say(s, "soft: in focus stars would be %.2f times as wide as usual", wider);
    if (low > 1.05)
        say(s, "standing low (airmass %.1f) alone would make it %.2f", s->airmass, low);
}

static void costs(const pl_usual *u, pl_sub *s)
{
    if (s->worth_light < NAMED)
        say(s, "cloud or dew: %.0f %% of the light came through", 100 * sqrt(s->worth_light));
    if (s->worth_sky < NAMED)
        say(s, "bright sky (twilight, Moon): its noise is %.2f times the usual",
            1 / sqrt(s->worth_sky));
    if (s->worth_air < NAMED && s->cause != PL_CAUSE_TRACKING)
        soft(u, s);
}

/* What costs most. */
static pl_cause dearest(const pl_sub *s)
{
    double least = fmin(fmin(s->worth_focus, s->worth_air), fmin(s->worth_sky, s->worth_light));
    return least == s->worth_light   ? PL_CAUSE_CLOUD
           : least == s->worth_focus ? PL_CAUSE_FOCUS
           : least == s->worth_air   ? PL_CAUSE_AIR
                                     : PL_CAUSE_NONE;
}

static void trail(const pl_usual *u, pl_sub *s)
{
    if (s->grade != PL_DROP && s->trails > 2 * u->trails + TRAILS)
        say(s, "a trail crosses it: rejection while stacking takes that out");
}

static void judge(const pl_night *n, const pl_usual *u, pl_sub *s)
{
    if (!s->measured) {
        grade(s, PL_DROP, PL_CAUSE_NONE);
        say(s, "not measured: %.170s", s->why);
        return;
    }
    stretched(n, s);
    out_of_focus(s);
    costs(u, s);
    if (s->worth < DOUBTFUL)
        grade(s, s->worth < DROP ? PL_DROP : PL_DOUBTFUL,
              s->cause == PL_CAUSE_TRACKING ? s->cause : dearest(s));
    if (s->worth < DOUBTFUL)
        say(s, "worth %.2f of the usual", s->worth);
    trail(u, s);
}

static void count(pl_night *n)
{
    for (size_t i = 0; i < n->subs; i++) {
        const pl_sub *s = &n->sub[i];
        n->kept += s->grade == PL_KEEP;
        n->doubtful += s->grade == PL_DOUBTFUL;
        n->dropped += s->grade == PL_DROP;
        if (!s->measured)
            continue;
        bool lost = s->grade == PL_DROP && s->cause != PL_CAUSE_FOCUS;
        if (s->out && !lost) {
            n->left = n->outs ? n->left : i;
            n->outs++;
        }
        n->lost_s += isfinite(s->exposure_s) ? s->exposure_s * (1 - s->worth_focus) : 0;
    }
}

pl_status pl_night_grade(pl_night *n, pl_err *err)
{
    pl_usual *usual = NULL;
    for (size_t i = 0; i < n->subs; i++)
        focus_worth(n, i);
    pl_status rc = pl_night_usual(n, &usual, err);
    if (rc != PL_OK)
        return rc;
    for (size_t i = 0; i < n->subs; i++) {
        worth(&usual[i], &n->sub[i]);
        judge(n, &usual[i], &n->sub[i]);
    }
    free(usual);
    n->left = n->subs;
    count(n);
    return PL_OK;
}
