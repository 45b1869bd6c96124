/* SPDX-License-Identifier: GPL-3.0-or-later */
/* change.h - two measurements of one thing, compared. Private to libplumb. */
#ifndef PL_CHANGE_H
#define PL_CHANGE_H

#include "../align.h"

/* ---- change.c */

/* pl_change_vectors - a fault with a direction.
 *   spin       in  its angle is that of the components over this
 *   either     in  the sign of each may be the other one (side of focus unknown) */
pl_change pl_change_vectors(const char *name, const char *unit, pl_vector before, pl_vector after,
                            int spin, bool either);

/* pl_change_numbers - a fault without direction: its length is |value|.
 *   either  in  the signs are not known */
pl_change pl_change_numbers(const char *name, const char *unit, double before, double before_sigma,
                            double after, double after_sigma, bool either);

/* pl_changes_holm - which of n comparisons are seen, at PL_CHANGE_ALARM for all of them together;
 * sets chance, seen and state. Those whose chance is NaN are left out.
 *   c  in  [n] pointers, chance uncorrected */
#define PL_CHANGE_ALARM 0.01
enum { PL_CHANGE_MOST = 80 };
void pl_changes_holm(pl_change **c, size_t n);

/* pl_change_past - a signed fault that is plainly there in both, with the other sign. */
bool pl_change_past(const pl_change *c);

/* pl_change_add - one more item, its chance not corrected yet. */
void pl_change_add(pl_changes *all, pl_change c);

/* pl_changes_settle - Holm over the items. */
void pl_changes_settle(pl_changes *all);

/* pl_change_say - the common words on one item: by how much, which way. */
void pl_change_say(pl_change *c);

/* pl_change_..._in_air - the same when stars are `swell` times as wide in the frame after: its
 * amplitude is told as the air of the frame before would show it.
 *   order  in  of the moments it is made of: 2, 3, or 4 for the square of a second one */
pl_change pl_change_vectors_in_air(const char *name, const char *unit, pl_vector before,
                                   pl_vector after, int spin, double swell, int order);
pl_change pl_change_numbers_in_air(const char *name, const char *unit, double before,
                                   double before_sigma, double after, double after_sigma,
                                   double swell, int order);

/* ---- zone.c */

/* pl_zones_compare - the frame cut into boxes, and both frames' stars averaged in each.
 *   swell  in   FWHM of after over that of before
 *   out    out  zone, columns, rows */
pl_status pl_zones_compare(const pl_field *before, const pl_field *after, double swell,
                           pl_changes *out, pl_err *err);

#endif
