/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Sines and cosines without branches, against the C library's. */
#include "../../lib/optics/phasor.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>

/* Every 64th of a turn and between them: all quarters, their borders, halves that round either way;
 * few turns and many. */
Test(phasor, as_the_c_library_says)
{
    for (int i = -4096; i <= 4096; i++) {
        double part = i / 1024.0, re, im;
        pl_phasor(2, part, &re, &im);
        cr_expect(epsilon_eq(dbl, re, 2 * cos(2 * M_PI * part), 6e-14), "%g turns", part);
        cr_expect(epsilon_eq(dbl, im, 2 * sin(2 * M_PI * part), 6e-14), "%g turns", part);
        pl_phasor(2, part + 1e9, &re, &im); /* exact in a double */
        cr_expect(epsilon_eq(dbl, re, 2 * cos(2 * M_PI * part), 6e-14), "%g turns and many", part);
        cr_expect(epsilon_eq(dbl, im, 2 * sin(2 * M_PI * part), 6e-14), "%g turns and many", part);
    }
}
