/* SPDX-License-Identifier: GPL-3.0-or-later */
/* verdict.c - shoot on, or refocus, or what else is wrong. What is surest comes first: cloud,
 * focus that is plainly off, tracking; then what the costs say; then whether it is the air. */
#include "check.h"
#include "sense.h"

#include <math.h>
#include <stdio.h>

/* Sigma by which a limit must be passed, or kept, to be sure. */
static const double SURE = 2;
/* Part of the reference's stars below which there is cloud. */
static const double CLOUD = 0.4;
/* Air this part wider than the surface's, or stars than the reference's, is worth a word. */
static const double GUST = 1.2;

/* Inside the zone a refocus that gains less is not worth a word. */
static const double LEAST_GAIN_S = 60;

#define SAY(v, ...) snprintf((v)->text, sizeof(v)->text, __VA_ARGS__)
#define DO(v, ...)  snprintf((v)->action, sizeof(v)->action, __VA_ARGS__)

static void set(pl_verdict *v, pl_state state, pl_cause cause)
{
    v->state = state;
    v->cause = cause;
}

/* ---- focus */

static pl_state focus_state(const pl_sense *s)
{
    double error = SURE * s->size_sigma_um;
    if (!isfinite(s->size_um))
        return PL_UNSURE;
    return s->size_um + error < s->zone_um   ? PL_INSIDE
           : s->size_um - error > s->zone_um ? PL_OUTSIDE
                                             : PL_UNSURE;
}

/* A place known to 2 um is told with its sign, yet 1 um of it may lie on either side. */
const char *pl_check_side(const pl_sense *s)
{
    if (!s->sign_known || !(fabs(s->defocus_um) > SURE * s->defocus_sigma_um))
        return "";
    return s->defocus_um > 0 ? "out" : "in";
}

static bool weighed(const pl_check *c)
{
    return isfinite(c->drift_cost_s) && isfinite(c->refocus_cost_s);
}

static double minutes(double seconds)
{
    return round(seconds / 60);
}

/* What to do: the move as hand or motor make it, and what for. */
static void do_refocus(pl_check *c)
{
    pl_verdict *v = &c->verdict;
    bool known = c->sense.sign_known;
    char hand[160] = "", move[180] = "";
    if (known)
        pl_move_say(&c->move, &c->facts, hand, sizeof hand);
    if (hand[0])
        snprintf(move, sizeof move, "That is %s. ", hand);
    if (weighed(c))
        DO(v,
           "%sRefocusing costs %.0f min of the time left, shooting on %.0f, as faint stars count "
           "it.",
           move, minutes(c->refocus_cost_s), minutes(c->drift_cost_s));
    else if (known)
        DO(v, "%s%sake the next exposure, and look whether it helped.", move,
           move[0] ? "T" : "Move, t");
    else
        DO(v, "Move a little and take another: plumb-check --moved UM tells which way.");
}

static void refocus(pl_check *c)
{
    pl_verdict *v = &c->verdict;
    const pl_sense *s = &c->sense;
    set(v, PL_OUTSIDE, PL_CAUSE_FOCUS);
    if (s->sign_known)
        SAY(v, "refocus: move the drawtube %s by %.0f um; the sensor is too far %s",
            c->move.drawtube_um < 0 ? "in" : "out", fabs(c->move.drawtube_um),
            s->defocus_um > 0 ? "out" : "in");
    else
        SAY(v, "refocus: %.0f um off at the sensor, in or out is not known", s->size_um);
    do_refocus(c);
}

static void shoot_on(pl_check *c)
{
    pl_verdict *v = &c->verdict;
    const pl_sense *s = &c->sense;
    set(v, PL_INSIDE, PL_CAUSE_NONE);
    const char *side = pl_check_side(s);
    if (side[0])
        SAY(v, "keep shooting: the sensor is %.0f um too far %s, %.0f are allowed", s->size_um,
            side, s->zone_um);
    else
        SAY(v, "keep shooting: focus is at most %.0f um off, %.0f are allowed",
            s->size_um + SURE * s->size_sigma_um, s->zone_um);
    DO(v, "Nothing to do.");
}

/* Off, but dearer to mend than to bear. */
static void bear_it(pl_check *c)
{
    pl_verdict *v = &c->verdict;
    set(v, PL_INSIDE, PL_CAUSE_FOCUS);
    SAY(v, "keep shooting: %.0f um off focus costs %.0f min of the time left, refocusing %.0f",
        c->sense.size_um, minutes(c->drift_cost_s), minutes(c->refocus_cost_s));
    DO(v,
       "That is for faint stars; smooth nebulae lose sharpness, not depth. Refocus if that is what "
       "you are after.");
}

static void at_limit(pl_check *c)
{
    pl_verdict *v = &c->verdict;
    set(v, PL_UNSURE, PL_CAUSE_FOCUS);
    SAY(v, "keep shooting for now: focus is at the limit, %.0f +- %.0f um of %.0f allowed",
        c->sense.size_um, c->sense.size_sigma_um, c->sense.zone_um);
    DO(v, "Look at the next exposures.");
}

static void judge_focus(pl_check *c)
{
    pl_state state = focus_state(&c->sense);
    if (weighed(c)) {
        double gain = c->drift_cost_s - c->refocus_cost_s;
        if (gain > (state == PL_INSIDE ? LEAST_GAIN_S : 0))
            refocus(c);
        else if (state == PL_OUTSIDE)
            bear_it(c);
        else
            shoot_on(c);
    } else if (state == PL_OUTSIDE)
        refocus(c);
    else if (state == PL_INSIDE)
        shoot_on(c);
    else
        at_limit(c);
}

/* ---- what is not focus */

static bool cloudy(pl_check *c)
{
    pl_verdict *v = &c->verdict;
    if (!(c->star_ratio < CLOUD))
        return false;
    set(v, PL_OUTSIDE, PL_CAUSE_CLOUD);
    SAY(v, "cloud: %zu stars left, %.0f %% of the reference's", c->stars, 100 * c->star_ratio);
    DO(v, "Wait, or look up.");
    return true;
}

static bool dragged(pl_check *c)
{
    pl_verdict *v = &c->verdict;
    if (c->field.state != PL_OUTSIDE || c->field.cause != PL_CAUSE_TRACKING)
        return false;
    set(v, PL_OUTSIDE, PL_CAUSE_TRACKING);
    SAY(v, "tracking, not focus: %.200s", c->field.text);
    DO(v, "%s", c->field.action);
    return true;
}

/* Focus is fine, and the air is not what it was. */
static void blame_air(pl_check *c)
{
    pl_verdict *v = &c->verdict;
    const pl_sense *s = &c->sense;
    bool worse =
        s->seeing_arcsec > GUST * s->usual_arcsec || c->softer - SURE * c->softer_sigma > GUST - 1;
    if (v->state != PL_INSIDE || v->cause != PL_CAUSE_NONE || !worse || isnan(s->seeing_arcsec))
        return;
    v->cause = PL_CAUSE_AIR;
    SAY(v, "the air: %.1f arcsec seeing, focus is fine", s->seeing_arcsec);
    DO(v, "Keep shooting, or wait for better air; refocusing would not help.");
}

/* ---- without a surface that tells */

static void by_reference(pl_check *c)
{
    pl_verdict *v = &c->verdict;
    double growth = isfinite(c->facts.fwhm_growth.v) ? c->facts.fwhm_growth.v : PL_DEFAULT_GROWTH;
    double error = SURE * c->softer_sigma;
    if (c->softer + error < growth) {
        set(v, PL_INSIDE, PL_CAUSE_NONE);
        SAY(v, "keep shooting: stars are as sharp as in the reference (%+.0f %%)", 100 * c->softer);
        DO(v, "Nothing to do.");
    } else {
        set(v, PL_UNSURE, PL_CAUSE_NONE);
        SAY(v, "cannot tell focus from air: stars are %.0f +- %.0f %% %s than in the reference",
            fabs(100 * c->softer), 100 * c->softer_sigma, c->softer < 0 ? "sharper" : "wider");
        DO(v, "Take a second exposure after a known move (--moved), or sweep once and save the "
              "surface: plumb-sweep --save.");
    }
}

static void cannot_tell(pl_check *c)
{
    pl_verdict *v = &c->verdict;
    set(v, PL_UNSURE, PL_CAUSE_NONE);
    SAY(v, "cannot tell: %.210s", c->sense.reason);
    DO(v, "%s",
       c->stars < PL_SENSE_STARS || (c->sense.surface_known && !c->sense.surface_checked)
           ? "Look up; else expose longer, or point at a richer field."
       : c->sense.surface_known && !c->sense.surface_fits
           ? "Sweep anew (plumb-sweep --save); was the camera turned, the sensor squared, the "
             "mirror "
             "collimated since?"
           : "Take a second exposure after a known move (--moved), or sweep once and save the "
             "surface: plumb-sweep --save.");
}

void pl_check_judge(pl_check *c)
{
    bool known = isfinite(c->sense.size_um);
    if (cloudy(c))
        return;
    if (!(known && focus_state(&c->sense) == PL_OUTSIDE) && dragged(c))
        return;
    if (known)
        judge_focus(c);
    else if (isfinite(c->softer))
        by_reference(c);
    else
        cannot_tell(c);
    blame_air(c);
}
