/* SPDX-License-Identifier: GPL-3.0-or-later */
/* peak.h - maxima of smoothed maps, and samples of them. Private to the star room. */
#ifndef PL_PEAK_H
#define PL_PEAK_H

#include "octave.h"

typedef struct {
    pl_bump *item;
    size_t n, cap;
} pl_bumps;

/* What is found along some rows of all octaves, in units of the map's noise as it was expected. */
typedef struct {
    pl_bumps found;
    pl_bumps sample[PL_OCTAVES]; /* scores at fixed places, to learn the maps' true noise */
    pl_err err;
} pl_peaks;

/* pl_bumps_keep - one more. Gives: PL_ENOMEM. */
pl_status pl_bumps_keep(pl_bumps *list, pl_bump b, pl_err *err);

/* pl_peaks_look - the maxima of row y, and its share of the samples.
 *   every  in  cells from sample to sample, counted through the whole map
 * Gives: PL_ENOMEM, also in peaks->err. */
pl_status pl_peaks_look(const pl_octave *o, int y, size_t every, pl_peaks *peaks);

void pl_peaks_clear(pl_peaks *peaks);

#endif
