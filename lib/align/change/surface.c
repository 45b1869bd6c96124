/* SPDX-License-Identifier: GPL-3.0-or-later */
/* surface.c - two focal surfaces: what became of tilt and curvature. */
#include "change.h"

#include <math.h>
#include <stdio.h>

enum { TILT, BOWL };

#define SAY(field, ...) snprintf(field, sizeof(field), __VA_ARGS__)

static pl_vector tilt_of(const pl_surface *s)
{
    return (pl_vector){ s->tilt_x_um_mm, s->tilt_y_um_mm, s->cov[0][0], s->cov[0][1],
                        s->cov[1][1] };
}

static bool differ(double a, double b)
{
    return fabs(a / b - 1) > 0.01;
}

static const char *doing(pl_change_state state)
{
    return state == PL_BETTER ? "fell" : "grew";
}

static void say(pl_changes *c)
{
    const pl_change *t = &c->item[TILT], *b = &c->item[BOWL];
    bool better = t->state == PL_BETTER || b->state == PL_BETTER,
         worse = t->state == PL_WORSE || b->state == PL_WORSE;
    c->state = better && worse ? PL_MIXED : better ? PL_BETTER : worse ? PL_WORSE : PL_SAME;
    if (c->state == PL_MIXED)
        SAY(c->text, "mixed: tilt %s, curvature %s", doing(t->state), doing(b->state));
    else if (c->state != PL_SAME)
        SAY(c->text, "%s: %s %s", better ? "better" : "worse", t->state ? "tilt" : "curvature",
            t->state ? t->text : b->text);
    else if (t->seen)
        SAY(c->text, "no better and no worse: the tilt points another way now, by %.2g um/mm",
            t->moved);
    else if (b->seen)
        SAY(c->text, "no better and no worse: the curvature went past nought to the other side");
    else if (isnan(t->chance))
        SAY(c->text, "the tilt could not be compared: its errors are not known");
    else
        SAY(c->text, "no change that can be seen");
    bool inside = t->seen && c->state != PL_MIXED && t->after <= t->tolerance;
    SAY(c->action, "%s",
        inside                  ? "It is within what this air lets pass: leave it."
        : t->state == PL_BETTER ? "Go on this way with the plate's screws until it is square."
        : t->state == PL_WORSE  ? "Turn the plate's screws back, and past where they were."
        : t->seen               ? "The last turn changed the direction only: turn another screw."
        : b->state == PL_BETTER ? "Go on this way with the corrector's spacing, by half as much."
        : b->state == PL_WORSE  ? "Go back with the corrector's spacing, and past where it was."
        : b->seen               ? "The best spacing lies between: go back by half."
        : isnan(t->chance)      ? "Compare two sweeps, or corners with --error."
                                : "Turn further, or take sweeps with more frames or more stars.");
}

/* What may pass of a tilt in the direction it has. */
static double tolerance(const pl_surface *s, double allowed_um)
{
    pl_surface_told told = pl_surface_tell(s);
    return told.across_um > 0 ? 2 * allowed_um * told.tilt_um_mm / told.across_um : NAN;
}

pl_status pl_surface_change(const pl_surface *before, const pl_surface *after, double allowed_um,
                            pl_changes *out, pl_err *err)
{
    if (differ(before->width_mm, after->width_mm) || differ(before->height_mm, after->height_mm))
        return pl_fail(err, PL_EARG,
                       "a surface of %.1f x %.1f mm cannot be compared with one of %.1f x %.1f mm: "
                       "take two sweeps with one camera",
                       after->width_mm, after->height_mm, before->width_mm, before->height_mm);
    pl_changes c = { 0 };
    pl_change_add(&c,
                  pl_change_vectors("tilt", "um/mm", tilt_of(before), tilt_of(after), 1, false));
    pl_change_add(&c, pl_change_numbers("curvature", "um", before->curvature_um,
                                        sqrt(before->cov[2][2]), after->curvature_um,
                                        sqrt(after->cov[2][2]), false));
    c.item[TILT].tolerance = tolerance(after, allowed_um);
    c.item[BOWL].tolerance = 2 * allowed_um; /* best focus between centre and corners halves it */
    pl_changes_settle(&c);
    say(&c);
    *out = c;
    return PL_OK;
}
