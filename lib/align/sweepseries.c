/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sweepseries.c - a series as it was taken: where the headers say the frames stood, and the frames
 * that could not be measured. */
#include "align.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

bool pl_sweep_header_positions(const pl_field *field, size_t frames)
{
    bool differ = false;
    for (size_t i = 0; i < frames; i++) {
        double v = field[i].facts.position_steps.v;
        if (!isfinite(v))
            return false;
        differ |= v != field[0].facts.position_steps.v;
    }
    return differ;
}

static pl_sweep_frame unmeasured(double steps, const char *why)
{
    pl_sweep_frame f = { .position_steps = steps };
    f.position_um = f.defocus_um = f.defocus_sigma_um = NAN;
    f.fwhm_px = f.fwhm_sigma_px = f.hfd_px = f.eccentricity = NAN;
    f.seeing_arcsec = f.seeing_sigma_arcsec = f.temperature_c = NAN;
    snprintf(f.reason, sizeof f.reason, "%s", why);
    return f;
}

pl_status pl_sweep_leave_out(pl_sweep *sweep, size_t at, double steps, const char *why, pl_err *err)
{
    if (at > sweep->frames)
        return pl_fail(err, PL_EARG, "there is no place %zu among %zu frames", at, sweep->frames);
    pl_sweep_frame *f = realloc(sweep->frame, (sweep->frames + 1) * sizeof *f);
    if (!f)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    memmove(f + at + 1, f + at, (sweep->frames - at) * sizeof *f);
    f[at] = unmeasured(steps, why);
    sweep->frame = f;
    sweep->frames++;
    return PL_OK;
}
