/* SPDX-License-Identifier: GPL-3.0-or-later */
/* secondary.c - where the diagonal flat of a Newtonian belongs. Derived here.
 *
 * A flat at 45 degrees cuts a cone in an ellipse whose centre lies away from the focuser and
 * towards the primary. In the plane of the fold, with d from the flat's centre to the focus and the
 * flat's edges m/2 above and below the axis, a line of slope t from the primary's rim to the flat's
 * edge moves the centre by
 *
 *     o = m t / 2.
 *
 * The fully lit field lies in the middle when the lines from both rims have the same slope:
 *
 *     D/2 - t (f - s - d) = m (1 - t^2) / 2,    s = D^2 / 16 f: how far forward the rim is.
 *
 * The textbook's m (D - m) / 4 (f - d) is 1 % less. The axial cone, t = (D/2) / (f - s), is cut in
 * an ellipse of axes 2 d t / sqrt(1 - t^2) and 2 sqrt(2) d t / (1 - t^2); a flat is sqrt(2) times
 * as long as wide, so the length decides and it must be 2 d t / (1 - t^2) wide. A flat whose
 * outline is to look concentric from the focus needs another offset:
 *
 *     o = (sqrt(d^2 + m^2) - d) / 2. */
#include "optics.h"

#include <math.h>

static pl_status check(double aperture, double focal, double minor, double to_focus, pl_err *err)
{
    if (!(aperture > 0 && aperture <= 20000 && focal >= aperture && focal <= 50 * aperture))
        return pl_fail(err, PL_EARG,
                       "aperture %g mm with a mirror of %g mm focal length: the ratio "
                       "must lie in [1, 50]",
                       aperture, focal);
    if (!(minor > 0 && minor < aperture))
        return pl_fail(err, PL_EARG, "secondary_mm %g is not in (0, aperture_mm %g)", minor,
                       aperture);
    if (!(to_focus > minor / 2 && to_focus < 0.9 * focal))
        return pl_fail(err, PL_EARG,
                       "secondary_to_focus_mm %g is not between half the secondary "
                       "and 0.9 of the mirror's focal length, %g to %g",
                       to_focus, minor / 2, 0.9 * focal);
    return PL_OK;
}

pl_status pl_secondary_place(double aperture_mm, double mirror_focal_mm, double minor_mm,
                             double to_focus_mm, pl_secondary *out, pl_err *err)
{
    pl_status rc = check(aperture_mm, mirror_focal_mm, minor_mm, to_focus_mm, err);
    if (rc != PL_OK)
        return rc;
    double m = minor_mm, d = to_focus_mm;
    double rim = mirror_focal_mm - aperture_mm * aperture_mm / (16 * mirror_focal_mm);
    double cone = aperture_mm / 2 / rim, reach = rim - d;
    double t = (reach - sqrt(reach * reach - m * (aperture_mm - m))) / m;
    double lit = aperture_mm - 2 * t * rim; /* where that line meets the focal plane, twice */
    *out = (pl_secondary){ .needed_mm = 2 * d * cone / (1 - cone * cone),
                           .offset_mm = m * t / 2,
                           .concentric_mm = (sqrt(d * d + m * m) - d) / 2,
                           .lit_mm = lit > 0 ? lit : 0 };
    return PL_OK;
}
