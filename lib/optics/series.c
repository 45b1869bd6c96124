/* SPDX-License-Identifier: GPL-3.0-or-later */
/* series.c - what a scene is like at one frame of its series. */
#include "scene.h"

#include <math.h>
#include <stdio.h>

/* Between two values, evenly over the frames; `to` unknown: it stays. */
static double between(double from, double to, double part)
{
    return isnan(to) ? from : from + (to - from) * part;
}

/* How far the drawtube is from where best focus is, um, + = out, beyond what [focus] says. */
static pl_status drawtube_error(const pl_scene *s, double steps, double warmed_c, double raised_deg,
                                pl_notes *notes, double *um, pl_err *err)
{
    double step = 0, outward = 1, best = isnan(s->best_steps) ? steps : s->best_steps;
    *um = -s->thermal_um_c * warmed_c - s->flexure_um_deg * raised_deg;
    if (isnan(steps) || steps == best)
        return PL_OK;
    pl_status st = pl_facts_need(&s->facts, "step_um", &step, err);
    if (st != PL_OK)
        return st;
    if (s->facts.outward.from == PL_FROM_NOWHERE)
        pl_note(notes, "outward is +1 by default: larger focuser numbers move out");
    else
        outward = s->facts.outward.v < 0 ? -1 : 1;
    *um += outward * step * (steps - best);
    return PL_OK;
}

/* Drawtube travel to defocus at the sensor: m^2 when a corrector rides along (plumb-zone's rule).
 */
static double at_sensor(const pl_facts *f, pl_notes *notes)
{
    double carried = pl_carried(f);
    if (f->mirror_focal_mm.from != PL_FROM_NOWHERE && f->mirror_focal_mm.v != f->focal_mm.v &&
        f->carries.from == PL_FROM_NOWHERE)
        pl_note(notes, "the drawtube carries the corrector by default");
    return carried;
}

static void set_fact(pl_num *fact, double v)
{
    *fact = (pl_num){ v, PL_FROM_OPTION };
}

/* Frame whose conditions focus was last made good for. */
static size_t focused_at(const pl_scene *s, size_t frame)
{
    return s->refocus_every > 0 ? frame - frame % (size_t)s->refocus_every : 0;
}

static double part_of(const pl_scene *s, size_t frame)
{
    return s->frames > 1 ? (double)frame / (s->frames - 1) : 0;
}

/* Temperature and altitude of a frame against the first one's. */
static double warmed(const pl_scene *s, size_t frame)
{
    return -s->cooling_c_h * s->cadence_s * (double)frame / 3600;
}

static double raised(const pl_scene *s, size_t frame)
{
    double from = s->facts.altitude_deg.v;
    return isnan(from) ? 0 : between(from, s->altitude_to_deg, part_of(s, frame)) - from;
}

static pl_status refocus(pl_scene *m, const pl_scene *s, size_t frame, pl_notes *notes, pl_err *err)
{
    const pl_facts *f = &s->facts;
    double first = isnan(s->from_steps) ? f->position_steps.v : s->from_steps, um = 0;
    double steps = between(first, s->to_steps, part_of(s, frame));
    size_t since = focused_at(s, frame);
    pl_status st = drawtube_error(s, steps, warmed(s, frame) - warmed(s, since),
                                  raised(s, frame) - raised(s, since), notes, &um, err);
    if (st != PL_OK)
        return st;
    double moved = s->thermal_um_c * warmed(s, since) + s->flexure_um_deg * raised(s, since);
    if (moved != 0 && f->step_um.from != PL_FROM_NOWHERE)
        steps += round(moved / f->step_um.v) * (f->outward.v < 0 ? -1 : 1);
    m->defocus_um += um == 0 ? 0 : um * at_sensor(f, notes);
    if (!isnan(steps))
        set_fact(&m->facts.position_steps, steps);
    return PL_OK;
}

static void dither(const pl_scene *s, size_t frame, double *dx, double *dy)
{
    pl_dice dice;
    gsl_rng *rng = pl_dice_throw(&dice, (uint64_t)s->seed, PL_DICE_DITHER, frame);
    *dx = s->dither_px * (2 * gsl_rng_uniform(rng) - 1);
    *dy = s->dither_px * (2 * gsl_rng_uniform(rng) - 1);
}

pl_status pl_scene_moment(const pl_scene *s, size_t frame, pl_scene *moment, double *dx_px,
                          double *dy_px, pl_notes *notes, pl_err *err)
{
    pl_scene m = *s;
    double later = s->cadence_s * (double)frame, part = part_of(s, frame);
    char date[32];
    if (!isnan(s->altitude_to_deg) && isnan(s->facts.altitude_deg.v))
        return pl_fail(err, PL_ENODATA, "altitude_to_deg needs [exposure] altitude_deg");
    if (s->cooling_c_h != 0 && isnan(s->facts.temperature_c.v))
        return pl_fail(err, PL_ENODATA, "cooling_c_h needs [exposure] temperature_c");
    if (m.facts.date_obs.s[0]) {
        if (!pl_date_later(m.facts.date_obs.s, later, date))
            return pl_fail(err, PL_EARG, "date_obs is \"%.40s\"; YYYY-MM-DDThh:mm:ss is wanted",
                           m.facts.date_obs.s);
        snprintf(m.facts.date_obs.s, sizeof m.facts.date_obs.s, "%s", date);
    }
    if (!isnan(m.facts.temperature_c.v))
        set_fact(&m.facts.temperature_c, m.facts.temperature_c.v + warmed(s, frame));
    if (!isnan(m.facts.altitude_deg.v)) {
        set_fact(&m.facts.altitude_deg, m.facts.altitude_deg.v + raised(s, frame));
        if (m.facts.altitude_deg.v < 1)
            return pl_fail(err, PL_EARG, "altitude_deg is %g; a scene begins at 1",
                           m.facts.altitude_deg.v);
        set_fact(&m.facts.airmass, pl_airmass(m.facts.altitude_deg.v));
    }
    pl_status st = refocus(&m, s, frame, notes, err);
    if (st != PL_OK)
        return st;
    m.seeing_arcsec = between(s->seeing_arcsec, s->seeing_to_arcsec, part);
    if (m.facts.airmass.v > 1)
        m.seeing_arcsec *= pow(m.facts.airmass.v, 0.6); /* Kolmogorov: r0 ~ airmass^(-3/5) */
    dither(s, frame, dx_px, dy_px);
    *moment = m;
    return PL_OK;
}
