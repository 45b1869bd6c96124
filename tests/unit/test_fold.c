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

static pl_fold_left left_of(const pl_fold *f, double ex, double ey, double tx, double ty)
{
    const double beam[PL_BEAM] = { ex, ey, tx, ty };
    pl_fold_left left;
    cr_assert(pl_fold_trace(f, beam, &left));
    return left;
}

Test(fold, a_true_laser_leaves_nothing)
{
    pl_fold_left a = left_of(&fold, 0, 0, 0, 0);
    for (int i = 0; i < PL_FOLD_LEFT; i++)
        cr_expect(epsilon_eq(dbl, ((double *)&a)[i], 0, 1e-12), "%d", i);
}

/* The primary's axis is the beam's own line: beside the focuser's axis and parallel to it, both
 * axes are as far apart everywhere. */
Test(fold, decentre_alone_shifts_alone)
{
    pl_fold_left a = left_of(&fold, 1.2, -0.5, 0, 0);
    cr_expect(epsilon_eq(dbl, a.axis_mm[0], 1.2, 1e-10));
    cr_expect(epsilon_eq(dbl, a.axis_mm[1], -0.5, 1e-10));
    cr_expect(epsilon_eq(dbl, hypot(a.focuser_mm[0], a.focuser_mm[1]), 1.3, 1e-9));
    cr_expect(epsilon_eq(dbl, hypot(a.tilt_rad[0], a.tilt_rad[1]), 0, 1e-12));
}

/* e + t L (the paraxial line) at the primary; at the focus e - t b for a focus b behind the face.
 * What turning the flat adds to the path is below Q^2 / f. */
Test(fold, a_leaning_beam_runs_along_its_line)
{
    pl_fold f = fold;
    f.behind_mm = 40;
    pl_fold_left a = left_of(&f, 0.3, 0, 2e-3, 0), b = left_of(&f, 0, 0.3, 0, 2e-3);
    double q = 0.3 + 2e-3 * 1080;
    cr_expect(epsilon_eq(dbl, hypot(a.focuser_mm[0], a.focuser_mm[1]), q, 1e-4));
    cr_expect(epsilon_eq(dbl, hypot(b.focuser_mm[0], b.focuser_mm[1]), q, 1e-4));
    cr_expect(epsilon_eq(dbl, a.axis_mm[0], 0.3 - 2e-3 * 40, 1e-10));
    cr_expect(epsilon_eq(dbl, b.axis_mm[1], 0.3 - 2e-3 * 40, 1e-10));
    cr_expect(epsilon_eq(dbl, fabs(a.tilt_rad[0]), 2e-3, 1e-12));
    cr_expect(epsilon_eq(dbl, fabs(b.tilt_rad[1]), 2e-3, 1e-12));
}

/* With the lens on the face, the focus in it: light seems to come from F behind, beside the axis by
 * S = -F t. The axis halves the directions from the vertex, Q beside the focuser's axis, to that
 * and to the target: A = Q / 2 (1 - f / (f + F)) + S / 2 f / (f + F), paraxial. */
Test(fold, a_diverging_beam_forgets_most)
{
    double part = 1120. / 1220, q = 0.5 + 2e-3 * 1120, s = -100 * 2e-3;
    pl_fold_left a = left_of(&fold, 0.5, 0, 2e-3, 0);
    cr_expect(epsilon_eq(dbl, a.spread_axis_mm[0], q / 2 * (1 - part) + s / 2 * part, 1e-5));
    cr_expect(epsilon_eq(dbl, fabs(a.spread_tilt_rad[0]), (q - a.spread_axis_mm[0]) / 1120, 1e-8));
    cr_expect(lt(dbl, fabs(a.spread_axis_mm[0]), 0.1 * 0.5));
}

/* Where the flat turns and how far off it is is forgotten: it only mirrors. */
Test(fold, the_flats_place_does_not_matter)
{
    pl_fold other = fold;
    other.to_focus_mm = 200;
    other.offset_mm = 0;
    pl_fold_left a = left_of(&fold, 0.5, 0.2, 2e-3, 1e-3),
                 b = left_of(&other, 0.5, 0.2, 2e-3, 1e-3);
    for (int i = 0; i < PL_FOLD_LEFT; i += 2) {
        const double *p = (const double *)&a + i, *q = (const double *)&b + i;
        cr_expect(epsilon_eq(dbl, hypot(p[0], p[1]), hypot(q[0], q[1]), 1e-3), "%d", i);
    }
}

Test(fold, a_beam_that_leads_nowhere_is_refused)
{
    const double beam[PL_BEAM] = { 0, 0, 0.2, 0.1 };
    pl_fold_left left;
    cr_expect(not(pl_fold_trace(&fold, beam, &left)));
}
