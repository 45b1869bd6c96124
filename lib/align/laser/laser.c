/* SPDX-License-Identifier: GPL-3.0-or-later */
/* laser.c - the whole answer of plumb-laser, and what it rests on. */
#include "laser.h"

#include <math.h>

static const double APART = 1.2; /* a distance over the other, at least */

static void note_default(pl_laser *l, const pl_num *num, const char *option, const char *unit,
                         const char *what)
{
    if (num->from == PL_FROM_DEFAULT)
        pl_note(&l->notes, "--%s %g %s by default: %s", option, num->v, unit, what);
}

static void note_settings(pl_laser *l)
{
    const pl_laser_options *o = &l->options;
    bool marks = l->circle[0].seen.marks > 0;
    note_default(l, &o->reading_mm, "reading", "mm",
                 marks ? "the error of a mark's x or y" : "the error of each edge of a circle");
    if (marks)
        note_default(l, &o->turning_deg, "angle-error", "deg",
                     "of each angle, and of how the papers are turned to each other");
    note_default(l, &o->behind_mm, "behind", "mm",
                 "the primary's focus lies in the plane of the holder's face");
    note_default(l, &o->lens_mm, "lens", "mm", "the diverging lens's focal length, its size");
}

static void note_circles(pl_laser *l)
{
    for (size_t i = 0; i < l->circles; i++) {
        const pl_laser_circle *c = &l->circle[i];
        if (c->odd >= 0)
            pl_note(&l->notes,
                    "the mark at %g deg on the paper at %g mm lies off the circle of the others: a "
                    "slip of the pen, or the laser slipped; measure it again",
                    c->seen.mark[c->odd].turned_deg, c->seen.at_mm);
        else if (c->oval)
            pl_note(&l->notes,
                    "at %g mm the spots lie on an ellipse, half axes %.1f and %.1f mm: the holder "
                    "or the barrel is not round, or the paper was not square to the beam",
                    c->seen.at_mm, c->long_mm, c->short_mm);
    }
}

static void note_limits(pl_laser *l)
{
    if (l->circle[0].seen.marks == 0 && l->circles == 2)
        pl_note(&l->notes, "by eye: with the laser at one angle the spot stood on the same side of "
                           "both circles, to 20 deg; write a width with a - where it stood on the "
                           "opposite side");
    if (l->circles == 1)
        pl_note(&l->notes, "one distance tells decentre + tilt x distance together; from, to: all "
                           "of it the one, all of it the other, as long as they do not cancel");
    if (isnan(l->axis_allowed_mm))
        pl_note(&l->notes, "which error of the axis passes is more than is computed for this air: "
                           "tell a smaller --seeing or --fwhm-growth");
    if (isnan(l->tilt_allowed_arcmin))
        pl_note(&l->notes, "the sensor's size is not known, so its tilt is not judged: --field, or "
                           "the sensor's --width-px, --height-px and --pixel-um ([camera])");
    if (l->play_mrad > 0)
        pl_note(&l->notes, "play is that of the holder it was measured in: measure in the one that "
                           "you align with");
}

static pl_status check(const pl_laser_sheets *s, pl_err *err)
{
    if (s->sheets == 0)
        return pl_fail(err, PL_ENODATA, "no marks and no circle");
    if (s->sheets == 1)
        return PL_OK;
    if ((s->sheet[0].marks == 0) != (s->sheet[1].marks == 0))
        return pl_fail(err, PL_EARG,
                       "marks at one distance and a circle by eye at the other: take "
                       "marks at both, or circles");
    if (!(s->sheet[1].at_mm >= APART * s->sheet[0].at_mm))
        return pl_fail(err, PL_EARG,
                       "%g and %g mm are too near each other to tell tilt from decentre; take one "
                       "several times as far as the other",
                       s->sheet[0].at_mm, s->sheet[1].at_mm);
    return PL_OK;
}

pl_status pl_laser_judge(const pl_laser_sheets *sheets, const pl_facts *facts,
                         const pl_laser_options *options, pl_laser *out, pl_err *err)
{
    pl_laser l = { .circles = sheets->sheets,
                   .options = options ? *options : pl_laser_defaults(),
                   .facts = *facts };
    pl_status rc = check(sheets, err);
    if (rc == PL_OK)
        rc = pl_laser_fit(sheets, &l.options, l.circle, &l.clockwise, err);
    if (rc == PL_OK)
        rc = pl_laser_leave(&l, err);
    if (rc != PL_OK) {
        pl_laser_clear(&l);
        return rc;
    }
    note_settings(&l);
    note_circles(&l);
    note_limits(&l);
    pl_laser_advise(&l);
    *out = l;
    return PL_OK;
}

void pl_laser_clear(pl_laser *laser)
{
    if (laser)
        pl_notes_clear(&laser->notes);
}
