/* SPDX-License-Identifier: GPL-3.0-or-later */
/* cost.c - what refocusing costs of the time left, and what not refocusing costs.
 *
 * A faint star on a bright sky: light F t in t seconds, noise sqrt(sky A t) over A, the area whose
 * noise counts, 1 / integral of P^2 for a best-weighted measurement; of a profile of a given shape
 * that is as FWHM^2. So t FWHM^-2 has to be the same for the same signal to noise, and a second at
 * a width F is worth (F0 / F)^2 seconds at the width F0 of focus. Derived here; a smooth nebula
 * fills its pixels at any width and loses sharpness only. */
#include "check.h"

#include <math.h>

enum { STEPS = 200 };

/* Width at z: of both sides while the side is unknown. */
static double width_at(const pl_sense *s, double z)
{
    double at = (z / s->far_um + 1) / 2 * (PL_SENSE_CURVE - 1);
    int i = (int)fmax(0, fmin(PL_SENSE_CURVE - 2, floor(at)));
    return s->curve_px[i] + (at - i) * (s->curve_px[i + 1] - s->curve_px[i]);
}

static double worth(const pl_sense *s, double z)
{
    double now = s->sign_known ? width_at(s, z) : 0.5 * (width_at(s, z) + width_at(s, -z));
    double ratio = width_at(s, 0) / now; /* both as this exposure is read */
    return ratio * ratio;
}

/* Seconds lost of `time_s` that begins at z, while focus moves outward and leaves the sensor too
 * far in: the middle of each step. */
static double lost(const pl_sense *s, double z, double um_s, double time_s)
{
    double sum = 0, each = time_s / STEPS;
    for (int i = 0; i < STEPS; i++)
        sum += (1 - worth(s, z - um_s * each * (i + 0.5))) * each;
    return fmax(0, sum);
}

void pl_check_costs(pl_check *c, const pl_check_options *o)
{
    const pl_sense *s = &c->sense;
    double time = 60 * o->remaining_min, sub = c->facts.exposure_s.v;
    double drift = isfinite(c->drift_um_h) ? c->drift_um_h / 3600 : 0;
    double z = s->sign_known ? s->defocus_um : s->size_um;
    c->drift_cost_s = c->refocus_cost_s = NAN;
    if (!isfinite(time) || !isfinite(z))
        return;
    c->drift_cost_s = lost(s, z, drift, time);
    if (!isfinite(o->refocus_cost_s))
        return;
    double pause = o->refocus_cost_s;
    if (sub > 0)
        pause = ceil(pause / sub - 1e-9) * sub; /* what is begun too late is no sub */
    pause = fmin(pause, time);
    c->refocus_cost_s = pause + lost(s, 0, drift, time - pause);
}
