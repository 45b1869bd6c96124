/* SPDX-License-Identifier: GPL-3.0-or-later */
/* verdict.c - what the patterns of a field mean, and whether they matter.
 *
 * Tolerances as amplitudes: an ellipticity pattern may reach that of the eccentricity allowed; a
 * size slope twice the FWHM growth allowed, since the field's mean growth is half of its corner's.
 * Flare and corners may reach what coma and trefoil leave when they widen stars by the growth
 * allowed: 0.018 and 0.028 at 5 %, as the root of the growth. These come from wave optics in
 * long-exposure air (tests/reference/flare.py: 0.014 to 0.023 and 0.020 to 0.041 for apertures of
 * 200 to 300 mm, f/3 to f/5, seeing 1.8 to 3.5 arcsec). They hold in focus: 20 um of defocus at f/3
 * makes the same coma flare 1.7 times as much.
 *
 * One fault can wear several patterns. Coma also stretches: by 0.03 in chi at that flare, growing
 * as its square at first, slower above (same script). More stretch than this is tracking, and a
 * star that wandered unevenly flares and has corners too: then neither says anything about the
 * optics. Coma has no corners (spin 3 of the third moments vanishes, also in wave optics); a star
 * smeared one way along a line has as much of them as of flare, with a corner at the flare: a jump
 * in tracking. A field that turned widens and stretches stars away from the pivot. */
#include "../align.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double SIGNIFICANT = 4;
static const double FLARE_OF_5_PERCENT = 0.018, STRETCH_OF_5_PERCENT = 0.03,
                    CORNERS_OF_5_PERCENT = 0.028;

static const pl_cause cause_of[PL_PATTERNS] = {
    PL_CAUSE_TRACKING, PL_CAUSE_TRACKING,    PL_CAUSE_SPACING,
    PL_CAUSE_TILT,     PL_CAUSE_COLLIMATION, PL_CAUSE_MIRROR,
};

static void set_tolerances(pl_field *f)
{
    double e = f->facts.eccentricity.v, g = f->facts.fwhm_growth.v;
    if (f->facts.eccentricity.from == PL_FROM_NOWHERE)
        f->facts.eccentricity = (pl_num){ e = PL_DEFAULT_ECCENTRICITY, PL_FROM_DEFAULT };
    if (f->facts.fwhm_growth.from == PL_FROM_NOWHERE)
        f->facts.fwhm_growth = (pl_num){ g = PL_DEFAULT_GROWTH, PL_FROM_DEFAULT };
    double chi = e * e / (2 - e * e), root = sqrt(g / 0.05);
    double tol[PL_PATTERNS] = {
        chi, chi, chi, 2 * g, root * FLARE_OF_5_PERCENT, root * CORNERS_OF_5_PERCENT
    };
    for (int i = 0; i < PL_PATTERNS; i++)
        f->pattern[i].tolerance = tol[i];
    /* a turning is told half a diagonal from its pivot; what counts is the farthest corner */
    pl_pattern *turn = &f->pattern[PL_TURNING];
    double off = hypot(turn->x_px - 0.5 * (f->width_px - 1), turn->y_px - 0.5 * (f->height_px - 1));
    double far = 1 + off / (0.5 * hypot(f->width_px, f->height_px));
    if (isfinite(far))
        turn->tolerance /= far * far;
}

static bool significant(const pl_pattern *p)
{
    return isfinite(p->amplitude) && p->significance >= SIGNIFICANT;
}

/* Which patterns are only the dress of another one. */
struct dress {
    bool of_coma;     /* the even stretch */
    bool of_tracking; /* flare and corners */
    bool of_turning;  /* even and outward stretch, size slope */
    bool smear;       /* flare and corners together: light smeared along a line */
    bool trace;       /* corners a fifth of the flare and less: no coma is that pure */
};

static double between_axes(double a, double b)
{
    double d = fmod(fabs(a - b), 180);
    return d > 90 ? 180 - d : d;
}

/* Ellipticity that goes with a flare when both come from coma. */
static double coma_stretch(double flare)
{
    double times = flare / FLARE_OF_5_PERCENT;
    return STRETCH_OF_5_PERCENT * pow(times, times < 1 ? 2 : 1.2);
}

static struct dress undress(const pl_pattern *p)
{
    const pl_pattern *even = &p[PL_EVEN_STRETCH], *flare = &p[PL_FLARE], *turn = &p[PL_TURNING],
                     *corner = &p[PL_CORNERED];
    struct dress d = { .of_turning = significant(turn) };
    double ratio = corner->amplitude / flare->amplitude;
    double off = fmod(fabs(corner->angle_deg - flare->angle_deg), 120);
    d.smear = significant(flare) && significant(corner) && ratio > 0.6 && ratio < 1.5 &&
              fmin(off, 120 - off) < 15;
    d.trace = significant(flare) && corner->amplitude < 0.2 * flare->amplitude;
    if (!significant(even) || !significant(flare))
        return d;
    double coma = coma_stretch(flare->amplitude);
    d.of_coma =
        even->amplitude < 1.5 * coma && between_axes(even->angle_deg, flare->angle_deg) < 25;
    d.of_tracking = !d.of_coma && even->amplitude > 0.5 * coma && even->amplitude > even->tolerance;
    return d;
}

static bool is_dress(const struct dress *d, const pl_pattern *p, int i)
{
    bool stretch = i == PL_EVEN_STRETCH || i == PL_OUTWARD_STRETCH || i == PL_SIZE_SLOPE;
    return (i == PL_EVEN_STRETCH && d->of_coma) ||
           ((i == PL_FLARE || i == PL_CORNERED) && d->of_tracking) ||
           (i == PL_CORNERED && (d->smear || d->trace)) ||
           (stretch && d->of_turning && fabs(p[i].amplitude) < p[PL_TURNING].amplitude);
}

#define SAY(p, ...) snprintf((p)->meaning, sizeof(p)->meaning, __VA_ARGS__)

static void say_stretch(pl_field *f, const pl_pattern_fit *fit)
{
    pl_pattern *p = f->pattern, *even = &p[PL_EVEN_STRETCH], *turn = &p[PL_TURNING],
               *out = &p[PL_OUTWARD_STRETCH];
    SAY(even,
        "all stars stretched alike along %.0f deg (from +x towards +y): tracking, guiding or wind "
        "during the exposure",
        even->angle_deg);
    SAY(turn,
        "stars stretched along circles around column %.0f, row %.0f: the field turned while "
        "exposing "
        "(polar alignment, or an unguided rotation)",
        turn->x_px + 1, turn->y_px + 1);
    const char *bowl = fabs(fit->bowl) < 4 * fit->bowl_sigma ? ""
                       : fit->bowl > 0                       ? "; stars grow towards the corners"
                                                             : "; stars shrink towards the corners";
    SAY(out,
        "corner stars stretched %s%s: corrector spacing or field curvature; try another spacing "
        "and "
        "compare%s",
        out->amplitude > 0 ? "outward" : "across the radius", bowl,
        out->amplitude > 0 ? "" : " (a field that turned about its centre looks the same)");
}

static void say_rest(pl_field *f, const pl_pattern_fit *fit)
{
    pl_pattern *slope = &f->pattern[PL_SIZE_SLOPE], *flare = &f->pattern[PL_FLARE],
               *corner = &f->pattern[PL_CORNERED];
    SAY(slope, "stars grow %s, by %.0f %% from the centre to the corner: sensor or focuser tilt",
        pl_toward(slope->angle_deg), 100 * slope->amplitude);
    SAY(flare,
        "every star flares %s (%.0f deg): coma alike everywhere, the mirror's axis misses the "
        "frame's centre: collimation%s",
        pl_toward(flare->angle_deg), flare->angle_deg,
        fabs(fit->comatic) > 4 * fit->comatic_sigma
            ? "; coma also grows outward, as without a corrector or at a wrong spacing"
            : "");
    SAY(corner,
        "stars are three-cornered, a corner at %.0f deg: a mirror pinched by its clips or cell",
        corner->angle_deg);
}

/* Why a pattern that is only dress is there. */
static const char *why_dress(const struct dress *d, int i)
{
    bool optics = i == PL_FLARE || i == PL_CORNERED;
    if (optics && d->of_tracking)
        return "an uneven drift leaves this too; judge the optics on a frame that tracked well";
    if (i == PL_EVEN_STRETCH && d->of_coma)
        return "as much as the flare below stretches stars: same cause";
    return optics ? "part of the flare above: same cause" : "part of the turning: same cause";
}

static void say_dress(pl_field *f, const struct dress *d)
{
    for (int i = 0; i < PL_PATTERNS; i++) {
        pl_pattern *p = &f->pattern[i];
        if (!significant(p))
            p->meaning[0] = '\0';
        else if (i == PL_FLARE && d->smear && !d->of_tracking)
            SAY(p,
                "every star has a tail %s (%.0f deg), smeared along a line: a jump in tracking "
                "(coma would "
                "leave no corners)",
                pl_toward(p->angle_deg), p->angle_deg);
        else if (is_dress(d, f->pattern, i))
            SAY(p, "%s", why_dress(d, i));
    }
}

static const char *const action_of[PL_PATTERNS] = {
    "Look at the guiding log, balance and cable drag; shield from wind; then compare.",
    "Improve the polar alignment, or guide nearer to the frame's centre; then compare.",
    "Collimate first; then change the corrector's spacing a little, one way, and compare.",
    "Collimate first; then square the sensor: a focus sweep tells which way and how far.",
    "Collimate before anything else: a defocused star shows which way.",
    "Loosen the mirror's clips until they just do not touch; support the mirror while you do.",
};

/* Costs in units of the tolerance, so that unlike patterns can be ranked. */
static double cost(const pl_pattern *p, double sigmas)
{
    return significant(p) ? (fabs(p->amplitude) + sigmas * p->amplitude_sigma) / p->tolerance : 0;
}

/* The pattern to act on: one surely outside before one that may be, then the costliest; -1: none.
 */
static int worst_pattern(const pl_field *f, const struct dress *d)
{
    int worst = -1;
    double most = 0;
    for (int i = 0; i < PL_PATTERNS; i++) {
        const pl_pattern *p = &f->pattern[i];
        double rank = cost(p, 0) + (cost(p, -1) > 1 ? 1e6 : 0);
        if (is_dress(d, f->pattern, i) || rank <= most)
            continue;
        worst = i;
        most = rank;
    }
    return worst;
}

static void judge_worst(pl_field *f, int worst, bool smear)
{
    static const char *const what[PL_PATTERNS] = {
        "all stars are stretched alike", "the field turned while exposing",
        "the corners are stretched",     "stars grow across the field",
        "every star flares to one side", "stars are three-cornered",
    };
    const pl_pattern *p = &f->pattern[worst];
    pl_verdict *v = &f->verdict;
    const char *seen = smear ? "every star has a tail, smeared along a line," : what[worst];
    double low = cost(p, -1), high = cost(p, 1);
    v->state = low > 1 ? PL_OUTSIDE : high > 1 ? PL_UNSURE : PL_INSIDE;
    v->cause = v->state == PL_INSIDE ? PL_CAUSE_NONE : smear ? PL_CAUSE_TRACKING : cause_of[worst];
    char where[80] = "";
    if (worst == PL_EVEN_STRETCH)
        snprintf(where, sizeof where, " along %.0f deg", p->angle_deg);
    else if (worst == PL_SIZE_SLOPE || worst == PL_FLARE)
        snprintf(where, sizeof where, " %s", pl_toward(p->angle_deg));
    if (v->state == PL_OUTSIDE)
        snprintf(v->text, sizeof v->text, "%s%s: %.*f times what is tolerable", seen, where,
                 cost(p, 0) < 9.95, cost(p, 0));
    else
        snprintf(v->text, sizeof v->text, "%s: %s%s, %.0f %% of what is tolerable",
                 v->state == PL_UNSURE ? "at the limit" : "good", seen, where, 100 * cost(p, 0));
    if (v->state == PL_INSIDE)
        snprintf(v->action, sizeof v->action, "Nothing to do: it is visible in the numbers only.");
    else
        snprintf(v->action, sizeof v->action, "%s", action_of[smear ? PL_EVEN_STRETCH : worst]);
}

void pl_field_judge(pl_field *f, const pl_pattern_fit *fit)
{
    memcpy(f->pattern, fit->p, sizeof f->pattern);
    set_tolerances(f);
    struct dress d = undress(f->pattern);
    say_stretch(f, fit);
    say_rest(f, fit);
    say_dress(f, &d);
    pl_verdict *v = &f->verdict;
    int worst = worst_pattern(f, &d);
    if (!isfinite(f->pattern[0].amplitude)) {
        v->state = PL_UNSURE;
        v->cause = PL_CAUSE_NONE;
        snprintf(v->text, sizeof v->text,
                 "cannot tell: %zu usable stars, %d are needed to judge a field", f->used,
                 PL_PATTERN_STARS);
        snprintf(v->action, sizeof v->action, "Expose longer, or point at a richer field.");
    } else if (worst < 0) {
        v->state = PL_INSIDE;
        v->cause = PL_CAUSE_NONE;
        snprintf(v->text, sizeof v->text, "even field: no fault's pattern stands out of the noise");
        snprintf(v->action, sizeof v->action, "Nothing to do.");
    } else
        judge_worst(f, worst, d.smear && worst == PL_FLARE);
}
