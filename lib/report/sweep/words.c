/* SPDX-License-Identifier: GPL-3.0-or-later */
/* words.c - what a series through focus says, in sentences: where best focus is, which way
 * and how far to go, what to do next. */
#include "../report.h"
#include "sweep.h"
#include "../../align/align.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

void pl_sweep_position(const pl_sweep *s, pl_string *out)
{
    double sigma = s->best_steps_sigma;
    int decimals = sigma < 0.95 ? 1 : 0;
    pl_string_add(out, "%s", pl_fixed(s->best_steps, decimals).s);
    if (isfinite(sigma))
        pl_string_add(out, " +- %s", pl_fixed(sigma, decimals).s);
}

/* ---- the move */

static const char *way(double travel)
{
    return travel < 0 ? "in" : "out";
}

/* Backlash in steps, NaN when nothing is known of it. */
static double slack_steps(const pl_sweep *s)
{
    return (isfinite(s->backlash_um) ? s->backlash_um : s->facts.backlash_um.v) / s->step_um;
}

static void move_steps(const pl_sweep *s, pl_string *out)
{
    char text[96];
    pl_move_steps(s->move.steps, slack_steps(s), s->facts.approach.s, true, text, sizeof text);
    pl_string_add(out, "%s", round(s->move.steps) == 0 ? "less than a step" : text);
}

static void move_turns(const pl_sweep *s, pl_string *out)
{
    pl_string_add(out, "%s", pl_turns_words(s->move.turns).s);
    if (s->side_known)
        pl_string_add(out, " %sward", way(s->move.turns));
}

static void move_length(const pl_sweep *s, pl_string *out)
{
    bool tube = isfinite(s->move.drawtube_um);
    double um = tube ? s->move.drawtube_um : s->move.sensor_um;
    pl_string_add(out, "%s um%s", pl_fixed(fabs(um), 0).s, tube ? "" : " at the sensor");
    if (s->side_known)
        pl_string_add(out, " %s", way(um));
}

void pl_sweep_moves(const pl_sweep *s, pl_string *out)
{
    if (isfinite(s->move.steps) && s->positions)
        move_steps(s, out);
    else if (isfinite(s->move.turns))
        move_turns(s, out);
    else if (isfinite(s->move.drawtube_um) || isfinite(s->move.sensor_um))
        move_length(s, out);
    else
        pl_string_add(out, "an unknown way");
}

/* ---- the sentence to act on */

/* The last frame itself, unless that could not be measured. */
static void from_where(const pl_sweep *s, pl_string *out)
{
    size_t last = s->frames;
    while (last > 1 && (s->frame[last - 1].stars == 0 || isnan(s->frame[last - 1].defocus_um)))
        last--;
    if (last == s->frames)
        pl_string_add(out, "from the last frame");
    else
        pl_string_add(out, "from frame %zu", last);
}

/* Without a known side, the way of the focuser's last move still is a guide for the hand. */
static const char *as_before(const pl_sweep *s)
{
    const pl_sweep_frame *last = NULL, *before = NULL;
    for (size_t i = 0; i < s->frames; i++)
        if (s->frame[i].used) {
            before = last;
            last = &s->frame[i];
        }
    if (!last || !before)
        return ", in or out is not known";
    double moved = last->defocus_um - before->defocus_um;
    if (!(fabs(moved) > 2 * hypot(last->defocus_sigma_um, before->defocus_sigma_um)))
        return ", in or out is not known";
    return moved * last->defocus_um > 0 ? ", back the way you came (in or out is not known)"
                                        : ", on as you were going (in or out is not known)";
}

static void says_beyond(const pl_sweep *s, pl_string *out)
{
    pl_string_add(out, "best focus lies beyond the frames");
    if (isfinite(s->best_steps)) {
        pl_string_add(out, ", near ");
        pl_sweep_position(s, out);
        pl_string_add(out, " steps");
    }
    pl_string_add(out, "; go ");
    from_where(s, out);
    pl_string_add(out, ": ");
    pl_sweep_moves(s, out);
    if (!s->side_known)
        pl_string_add(out, "%s", as_before(s));
}

void pl_sweep_says(const pl_sweep *s, pl_string *out)
{
    if (s->outside) {
        says_beyond(s, out);
        return;
    }
    if (isfinite(s->best_steps)) {
        pl_string_add(out, "best focus at ");
        pl_sweep_position(s, out);
        pl_string_add(out, " steps");
    } else {
        pl_string_add(out, "best focus found to %s um", pl_signif(s->best_sigma_um, 2).s);
    }
    pl_string_add(out, "; ");
    from_where(s, out);
    pl_string_add(out, ": ");
    pl_sweep_moves(s, out);
    if (!s->side_known)
        pl_string_add(out, "%s", as_before(s));
}

/* ---- judging */

static const double SURE = 2; /* sigma, as in the verdict */

pl_state pl_sweep_against(double departure, double sigma, double allowed)
{
    double size = fabs(departure), error = isfinite(sigma) ? SURE * sigma : 0;
    return size + error < allowed ? PL_INSIDE : size - error > allowed ? PL_OUTSIDE : PL_UNSURE;
}

bool pl_sweep_has_surface(const pl_sweep *s)
{
    return isfinite(s->surface.tilt_x_um_mm) && isfinite(s->surface.tilt_y_um_mm);
}

/* The verdict speaks of both together; what it names keeps its state, alone or not. */
static pl_state state_of(const pl_sweep *s, pl_cause cause, double departure, double sigma)
{
    bool judged = s->verdict.text[0] && !s->outside;
    if (judged && (s->verdict.state == PL_INSIDE || s->verdict.cause == cause))
        return s->verdict.state;
    return pl_sweep_against(departure, sigma, s->zone_um);
}

pl_state pl_sweep_tilt_state(const pl_sweep *s)
{
    pl_surface_told t = pl_surface_tell(&s->surface);
    return state_of(s, PL_CAUSE_TILT, t.across_um / 2, t.across_sigma_um / 2);
}

pl_state pl_sweep_bend_state(const pl_sweep *s)
{
    return state_of(s, PL_CAUSE_SPACING, s->surface.curvature_um / 2,
                    sqrt(s->surface.cov[2][2]) / 2);
}

/* ---- what next */

static void next_spacing(const pl_sweep *s, pl_string *out)
{
    double bend = s->surface.curvature_um;
    pl_state state = pl_sweep_bend_state(s);
    if (!isfinite(bend))
        pl_string_add(out, "spacing: how flat the field is could not be told");
    else if (state == PL_INSIDE)
        pl_string_add(out, "spacing: the field is flat enough");
    else if (state == PL_UNSURE)
        pl_string_add(out, "spacing: cannot tell whether the field is flat enough");
    else
        pl_string_add(out,
                      "spacing: best focus of the corners lies %s um %s the centre's: change "
                      "the corrector's spacing a little, one way, and sweep again",
                      pl_fixed(fabs(bend), 0).s,
                      !s->side_known ? "away from"
                      : bend > 0     ? "further out than"
                                     : "further in than");
}

static void next_tilt(const pl_sweep *s, pl_string *out)
{
    pl_surface_told t = pl_surface_tell(&s->surface);
    pl_state state = pl_sweep_tilt_state(s);
    if (!pl_sweep_has_surface(s))
        pl_string_add(out, "tilt: could not be told");
    else if (state == PL_INSIDE)
        pl_string_add(out, "tilt: the sensor is square enough");
    else if (state == PL_UNSURE)
        pl_string_add(out, "tilt: cannot tell whether the sensor is square enough");
    else if (!s->side_known)
        pl_string_add(out, "tilt: more than focus allows; for the direction tell the side of the "
                           "first frame by --first in or out");
    else
        pl_string_add(out,
                      "tilt: the sensor's side %s must move out, %s um from corner to corner: "
                      "plumb-tilt tells which screw",
                      pl_toward(t.tilt_deg), pl_fixed(t.across_um, 0).s);
}

static void next_focus(const pl_sweep *s, pl_string *out)
{
    pl_string_add(out, "focus: ");
    if (!s->outside) {
        from_where(s, out);
        pl_string_add(out, " ");
    }
    pl_sweep_moves(s, out);
    pl_string_add(out, s->outside ? ", and take a series around there" : "");
}

void pl_sweep_next(const pl_sweep *s, int step, pl_string *out)
{
    switch (step) {
    case 0:
        pl_string_add(out, "collimation: make sure of it first, a mirror that is off bends the "
                           "focal surface too (plumb-donut)");
        break;
    case 1:
        next_spacing(s, out);
        break;
    case 2:
        next_tilt(s, out);
        break;
    default:
        next_focus(s, out);
    }
}

/* What to act on first: focus when nothing before it is known to be off. */
static int first_step(const pl_sweep *s)
{
    if (s->outside)
        return 3;
    if (pl_sweep_bend_state(s) == PL_OUTSIDE)
        return 1;
    return pl_sweep_tilt_state(s) == PL_OUTSIDE ? 2 : 3;
}

pl_verdict pl_sweep_verdict(const pl_sweep *s)
{
    pl_verdict v = s->verdict;
    pl_string says = { 0 }, next = { 0 };
    pl_sweep_says(s, &says);
    pl_sweep_next(s, first_step(s), &next);
    if (!v.text[0] && says.s)
        snprintf(v.text, sizeof v.text, "%s", says.s);
    if (!v.action[0] && next.s)
        snprintf(v.action, sizeof v.action, "Next, %s.", next.s);
    free(pl_string_take(&says));
    free(pl_string_take(&next));
    return v;
}
