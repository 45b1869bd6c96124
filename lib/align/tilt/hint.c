/* SPDX-License-Identifier: GPL-3.0-or-later */
/* hint.c - what one frame alone says of tilt: stars widen one way. How far the sensor leans,
 * and to which side, needs another position of the focuser. */
#include "../align.h"

#include <math.h>
#include <stdio.h>

static bool shows(const pl_pattern *p)
{
    return p->significance > 0 && p->meaning[0] != '\0' && p->amplitude > p->tolerance;
}

pl_tilt_hint pl_tilt_of_field(const pl_field *f)
{
    const pl_pattern *p = &f->pattern[PL_SIZE_SLOPE];
    bool plain = isfinite(p->amplitude) && p->significance > 0 && p->meaning[0] != '\0';
    pl_tilt_hint h = { .slope = p->amplitude,
                       .slope_sigma = p->amplitude_sigma,
                       .slope_deg = plain ? p->angle_deg : NAN,
                       .collimation_first =
                           shows(&f->pattern[PL_FLARE]) || shows(&f->pattern[PL_TURNING]),
                       .verdict = { .state = PL_UNSURE, .cause = PL_CAUSE_NONE } };
    if (isnan(p->amplitude))
        snprintf(h.verdict.text, sizeof h.verdict.text,
                 "cannot tell: too few stars for how their size runs over the field");
    else if (plain)
        snprintf(h.verdict.text, sizeof h.verdict.text,
                 "stars widen by %.1f +- %.1f %% %s: relative, and without a sign",
                 100 * p->amplitude, 100 * p->amplitude_sigma, pl_toward(p->angle_deg));
    else
        snprintf(h.verdict.text, sizeof h.verdict.text,
                 "no slope of star size stands out (%.1f +- %.1f %%): tilt may still hide in focus",
                 100 * p->amplitude, 100 * p->amplitude_sigma);
    snprintf(
        h.verdict.action, sizeof h.verdict.action,
        "%sOne frame cannot tell whether the sensor there is too far out or too far in, nor by "
        "how much: take a series through focus (plumb-sweep) and give its answer here.",
        h.collimation_first ? "Collimate first: the stars show a mirror out of line. " : "");
    return h;
}
