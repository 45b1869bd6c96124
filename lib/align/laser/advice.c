/* SPDX-License-Identifier: GPL-3.0-or-later */
/* advice.c - trust it, diverge it, adjust it, cure its holder, or cannot tell. */
#include "laser.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* "3.21 +- 0.12", or "0.3 to 5.1" where one distance leaves it open. */
static void say(const pl_laser_span *s, char out[64])
{
    double least = s->least, most = s->most;
    int digits = most >= 9.995 ? 1 : 2;
    if (most - least > 0.5 * pow(10, -digits))
        snprintf(out, 64, "%.*f to %.*f", digits, least, digits, most);
    else
        snprintf(out, 64, "%.*f +- %.*f", digits, most, digits, s->sigma);
}

/* Whether the play of the holder, which turns no screw of the laser, is by itself too much. */
static bool play_rules(const pl_laser *l)
{
    double allowed = l->focuser_allowed_mm;
    return isfinite(allowed) && l->play_mrad > 0 &&
           l->focuser_play_mm * (1 - l->play_sigma_mrad / l->play_mrad) > allowed;
}

static pl_laser_advice advice_of(const pl_laser *l)
{
    if (l->bare.state == PL_INSIDE)
        return PL_LASER_TRUST;
    if (l->bare.state == PL_UNSURE)
        return PL_LASER_DOUBT;
    if (play_rules(l))
        return PL_LASER_HOLDER;
    return l->diverging.state == PL_INSIDE ? PL_LASER_DIVERGE : PL_LASER_ADJUST;
}

/* "it leaves the primary's axis off by 0.12 +- 0.03 mm (0.82 passes), the sensor tilted ..."; what
 * passes is no reason not to trust the laser, and is left out then. */
static void say_left(const pl_laser *l, const pl_laser_left *left, char out[180])
{
    char axis[64], tilt[64], passes[32] = "";
    bool out_by_tilt =
        l->bare.state == PL_OUTSIDE && left->tilt_arcmin.most > l->tilt_allowed_arcmin;
    bool out_by_axis = l->bare.state == PL_OUTSIDE && left->axis_mm.most > l->axis_allowed_mm;
    int n = snprintf(out, 180, "it leaves ");
    say(&left->axis_mm, axis);
    say(&left->tilt_arcmin, tilt);
    if (isfinite(l->axis_allowed_mm))
        snprintf(passes, sizeof passes, " (%.2f passes)", l->axis_allowed_mm);
    if (out_by_axis || !out_by_tilt)
        n += snprintf(out + n, 180 - (size_t)n, "the primary's axis off by %s mm%s", axis, passes);
    if (isfinite(l->tilt_allowed_arcmin) && (out_by_tilt || !out_by_axis))
        snprintf(out + n, 180 - (size_t)n, "%sthe sensor tilted by %s arcmin (%.2f passes)",
                 out_by_tilt && !out_by_axis ? "" : ", ", tilt, l->tilt_allowed_arcmin);
}

static void advise_trust(pl_verdict *v)
{
    snprintf(v->action, sizeof v->action,
             "With the secondary bring the beam to the primary's centre mark, then with the "
             "primary back on itself; check on a star.");
}

static void advise_diverging(pl_verdict *v)
{
    snprintf(v->action, sizeof v->action,
             "With the secondary bring the bare beam to the primary's centre mark; then put the "
             "diverging lens in, and with the primary bring the mark's shadow to the middle of the "
             "target.");
}

/* Towards the middle of the circle on the farther paper, where a tilt shows best. What decentre is
 * left no screw takes away: then the spot is brought to the middle where the primary would be, so
 * that at least the focuser's axis meets it. */
static void advise_adjusting(const pl_laser *l, pl_verdict *v)
{
    const pl_laser_circle *far = &l->circle[l->circles - 1];
    char where[64] = "";
    if (far->seen.marks > 0)
        snprintf(where, sizeof where, " at x %.1f, y %.1f", far->middle_x_mm, far->middle_y_mm);
    if (l->decentred)
        snprintf(
            v->action, sizeof v->action,
            "It is off centre, which its screws do not mend: as its maker says, bring the spot "
            "on paper at %.0f mm, as far as your primary is, to the middle of its circle, until "
            "it stays there as you turn the laser; then use a diverging (barlowed) beam.",
            l->path_mm);
    else
        snprintf(
            v->action, sizeof v->action,
            "By its own screws, as its maker says, move the spot on the paper at %g mm by %.1f "
            "mm to the middle of its circle%s, until it stays there as you turn the laser; "
            "then mark anew.",
            far->seen.at_mm, far->radius_mm, where);
}

static void advise_holder(pl_verdict *v)
{
    snprintf(v->action, sizeof v->action,
             "Adjusting the laser does not help: clamp it always alike, by the same screw and "
             "against the same side, or take a holder that fits; then mark anew.");
}

static void advise_doubt(const pl_laser *l, pl_verdict *v)
{
    const pl_laser_circle *far = &l->circle[l->circles - 1];
    bool marks = far->seen.marks > 0;
    if (l->circles == 1)
        snprintf(v->action, sizeof v->action, "Mark the circle at a second distance too, about %s.",
                 far->seen.at_mm > 2000 ? "1 m" : "5 m");
    else if (far->odd >= 0 || l->circle[0].odd >= 0)
        snprintf(v->action, sizeof v->action, "Measure again the mark that is named below.");
    else if (!marks)
        snprintf(v->action, sizeof v->action,
                 "Mark the spot at eight angles on each paper instead of reading the circle by "
                 "eye.");
    else if (l->play_mrad > 0)
        snprintf(v->action, sizeof v->action,
                 "The laser plays in its holder: clamp it always alike, and mark anew.");
    else
        snprintf(v->action, sizeof v->action,
                 "Take more marks, the papers further apart, or read them finer (--reading).");
    size_t n = strlen(v->action);
    if (l->diverging.state == PL_INSIDE)
        snprintf(v->action + n, sizeof v->action - n,
                 " Until then use a diverging (barlowed) beam, which passes either way.");
}

void pl_laser_advise(pl_laser *l)
{
    static const char *const head[] = { "trust it",
                                        "use it only with a diverging (barlowed) beam; bare",
                                        "adjust it first", "cure the play of its holder first",
                                        "cannot tell" };
    pl_verdict *v = &l->verdict;
    char left[180];
    l->advice = advice_of(l);
    say_left(l, &l->bare, left);
    v->state = l->bare.state;
    v->cause = v->state == PL_OUTSIDE ? PL_CAUSE_COLLIMATION : PL_CAUSE_NONE;
    snprintf(v->text, sizeof v->text, "%s%s%s", head[l->advice],
             l->advice == PL_LASER_DIVERGE ? " " : ": ", left);
    switch (l->advice) {
    case PL_LASER_TRUST:
        advise_trust(v);
        break;
    case PL_LASER_DIVERGE:
        advise_diverging(v);
        break;
    case PL_LASER_ADJUST:
        advise_adjusting(l, v);
        break;
    case PL_LASER_HOLDER:
        advise_holder(v);
        break;
    case PL_LASER_DOUBT:
        advise_doubt(l, v);
        break;
    }
}
