/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A Newtonian aligned with a bad laser: cases that need no trace. tests/reference/laser.py has the
 * trace. */
#include "../../lib/align/laser/laser.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>

static const pl_fold fold = {
    .focal_mm = 1120, .to_focus_mm = 270, .offset_mm = 5.1, .behind_mm = 0, .lens_mm = 100
};

typedef struct {
    double v[PL_LEFT];
} left;

static left left_of(const pl_fold *f, double ex, double ey, double tx, double ty)
{
    const double beam[PL_BEAM] = { ex, ey, tx, ty };
    left l;
    cr_assert(pl_fold_trace(f, beam, l.v));
    return l;
}

static double length(const double *v)
{
    return hypot(v[0], v[1]);
}

Test(fold, a_true_laser_leaves_nothing)
{
    left a = left_of(&fold, 0, 0, 0, 0);
    for (int i = 0; i < PL_LEFT; i++)
        cr_expect(epsilon_eq(dbl, a.v[i], 0, 1e-12), "%d", i);
}

/* The primary's axis is the beam's own line: beside the focuser's axis and parallel to it, both
 * axes are as far apart everywhere. */
Test(fold, decentre_alone_shifts_alone)
{
    left a = left_of(&fold, 1.2, -0.5, 0, 0);
    cr_expect(epsilon_eq(dbl, a.v[PL_LEFT_AXIS], 1.2, 1e-10));
    cr_expect(epsilon_eq(dbl, a.v[PL_LEFT_AXIS + 1], -0.5, 1e-10));
    cr_expect(epsilon_eq(dbl, length(a.v + PL_LEFT_FOCUSER), 1.3, 1e-9));
    cr_expect(epsilon_eq(dbl, length(a.v + PL_LEFT_TILT), 0, 1e-12));
}

/* e + t L (the paraxial line) at the primary; at the focus e - t b for a focus b behind the face.
 * What turning the flat adds to the path is below Q^2 / f. */
Test(fold, a_leaning_beam_runs_along_its_line)
{
    pl_fold f = fold;
    f.behind_mm = 40;
    left a = left_of(&f, 0.3, 0, 2e-3, 0), b = left_of(&f, 0, 0.3, 0, 2e-3);
    double q = 0.3 + 2e-3 * 1080;
    cr_expect(epsilon_eq(dbl, length(a.v + PL_LEFT_FOCUSER), q, 1e-4));
    cr_expect(epsilon_eq(dbl, length(b.v + PL_LEFT_FOCUSER), q, 1e-4));
    cr_expect(epsilon_eq(dbl, a.v[PL_LEFT_AXIS], 0.3 - 2e-3 * 40, 1e-10));
    cr_expect(epsilon_eq(dbl, b.v[PL_LEFT_AXIS + 1], 0.3 - 2e-3 * 40, 1e-10));
    cr_expect(epsilon_eq(dbl, fabs(a.v[PL_LEFT_TILT]), 2e-3, 1e-12));
    cr_expect(epsilon_eq(dbl, fabs(b.v[PL_LEFT_TILT + 1]), 2e-3, 1e-12));
}

/* With the lens on the face, the focus in it: light seems to come from F behind, beside the axis by
 * S = -F t. The axis halves the directions from the vertex, Q beside the focuser's axis, to that
 * and to the target: A = Q / 2 (1 - f / (f + F)) + S / 2 f / (f + F), paraxial. */
Test(fold, a_diverging_beam_forgets_most)
{
    double part = 1120. / 1220, q = 0.5 + 2e-3 * 1120, s = -100 * 2e-3;
    left a = left_of(&fold, 0.5, 0, 2e-3, 0);
    cr_expect(epsilon_eq(dbl, a.v[PL_LEFT_SPREAD_AXIS], q / 2 * (1 - part) + s / 2 * part, 1e-5));
    cr_expect(epsilon_eq(dbl, fabs(a.v[PL_LEFT_SPREAD_TILT]), (q - a.v[PL_LEFT_SPREAD_AXIS]) / 1120,
                         1e-8));
    cr_expect(lt(dbl, fabs(a.v[PL_LEFT_SPREAD_AXIS]), 0.1 * 0.5));
}

/* Where the flat turns and how far off it is is forgotten: it only mirrors. */
Test(fold, the_flats_place_does_not_matter)
{
    pl_fold other = fold;
    other.to_focus_mm = 200;
    other.offset_mm = 0;
    left a = left_of(&fold, 0.5, 0.2, 2e-3, 1e-3), b = left_of(&other, 0.5, 0.2, 2e-3, 1e-3);
    for (int i = 0; i < PL_LEFT; i += 2)
        cr_expect(epsilon_eq(dbl, length(a.v + i), length(b.v + i), 1e-3), "%d", i);
}

Test(fold, a_beam_that_leads_nowhere_is_refused)
{
    const double beam[PL_BEAM] = { 0, 0, 0.2, 0.1 };
    double l[PL_LEFT] = { 7 };
    cr_expect(not(pl_fold_trace(&fold, beam, l)));
    cr_expect(eq(dbl, l[0], 7), "untouched");
}
