/* SPDX-License-Identifier: GPL-3.0-or-later */
/* words.c - a tilt in one line, and what to do about it. */
#include "../align.h"
#include "tilt.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

void pl_tilt_amount(const pl_surface_told *t, char *out, size_t size)
{
    if (isnan(t->across_sigma_um))
        snprintf(out, size, "%.1f um", t->across_um);
    else
        snprintf(out, size, "%.1f +- %.1f um", t->across_um, t->across_sigma_um);
}

static void text(pl_tilt *t)
{
    pl_verdict *v = &t->verdict;
    char um[64];
    double may = 2 * t->allowed_um;
    pl_tilt_amount(&t->told, um, sizeof um);
    if (isnan(t->allowed_um))
        snprintf(v->text, sizeof v->text,
                 "best focus runs %s from corner to corner; whether that matters cannot be told",
                 um);
    else if (v->cause == PL_CAUSE_SPACING)
        snprintf(
            v->text, sizeof v->text,
            "corrector spacing first: bend %.1f um, tilt %s, of %.1f um that this air lets pass",
            fabs(t->surface.curvature_um), um, may);
    else if (v->state == PL_OUTSIDE)
        snprintf(v->text, sizeof v->text,
                 "tilted, and worth touching: %s from corner to corner, of %.1f um that this air "
                 "lets pass",
                 um, may);
    else if (v->state == PL_INSIDE)
        snprintf(v->text, sizeof v->text,
                 "square: %s from corner to corner, of %.1f um that this air lets pass", um, may);
    else
        snprintf(v->text, sizeof v->text,
                 "cannot tell: %s from corner to corner, and %.1f um is what this air lets pass",
                 um, may);
}

/* "A 1/16 turn clockwise, C 1/16 turn counter-clockwise; leave B" */
static void list_turns(const pl_tilt *t, char *out, size_t size)
{
    size_t used = 0, still = 0;
    char leave[40] = "";
    out[0] = '\0';
    for (size_t i = 0; i < t->plate.screws && used < size; i++) {
        char what[64], name = (char)('A' + i);
        pl_plate_say(t, i, what, sizeof what);
        if (t->part > 0 && t->screw[i].hand_turns == 0)
            still += (size_t)snprintf(leave + still, sizeof leave - still, "%s%c",
                                      still ? ", " : "; leave ", name);
        else
            used +=
                (size_t)snprintf(out + used, size - used, "%s%c %s", used ? ", " : "", name, what);
    }
    if (used < size)
        snprintf(out + used, size - used, "%s", used ? leave : leave + 2);
}

static void turn_screws(pl_tilt *t)
{
    char list[220];
    list_turns(t, list, sizeof list);
    snprintf(t->verdict.action, sizeof t->verdict.action,
             "Support the camera, then%s: %s. Focus, and measure again.",
             t->part ? "" : " move the plate at", list);
}

static void tell_orientation(pl_tilt *t)
{
    snprintf(t->verdict.action, sizeof t->verdict.action,
             "Tell where the frame's edges are, seen from behind ([plate] columns_deg, rows_deg); "
             "until then no screw is named. The camera must come out, towards you, %s: by %.0f um "
             "at the screws' distance, and go in as much opposite.",
             pl_toward(t->told.tilt_deg), pl_plate_lever_um(t));
}

static void shim(pl_tilt *t)
{
    snprintf(t->verdict.action, sizeof t->verdict.action,
             "Shim the camera so that it comes out, towards you, %s: %.4f mm for each mm from edge "
             "to edge of the shimmed face. For turns of screws put the plate into the profile: see "
             "[plate] in plumb-profile(5).",
             pl_toward(t->told.tilt_deg), t->told.tilt_um_mm * 1e-3);
}

bool pl_tilt_acts(const pl_tilt *t)
{
    return t->verdict.cause == PL_CAUSE_TILT ||
           (t->verdict.state == PL_UNSURE && (t->significant || isnan(t->allowed_um)));
}

static void how_to_square(pl_tilt *t)
{
    if (t->named)
        turn_screws(t);
    else if (t->plate.screws > 0)
        tell_orientation(t);
    else
        shim(t);
}

static void say(pl_tilt *t, const char *words)
{
    snprintf(t->verdict.action, sizeof t->verdict.action, "%s", words);
}

void pl_tilt_words(pl_tilt *t)
{
    const pl_verdict *v = &t->verdict;
    text(t);
    if (v->cause == PL_CAUSE_SPACING)
        say(t, "Change the corrector's spacing by half a millimetre, measure again, and go on the "
               "way that lessens the bend. Leave the tilt until then.");
    else if (v->state == PL_INSIDE)
        say(t, "Leave it.");
    else if (v->state == PL_OUTSIDE || isnan(t->allowed_um))
        how_to_square(t);
    else if (t->significant)
        say(t, "It stands at the limit: leave it, or measure with more frames.");
    else
        say(t, "Measure with more frames or more stars before you touch a screw.");
}
