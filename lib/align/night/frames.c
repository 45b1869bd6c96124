/* SPDX-License-Identifier: GPL-3.0-or-later */
/* frames.c - exposures of a night from their frames, several at a time. */
#include "night.h"
#include "../check/check.h"

#include <math.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void take_facts(const pl_facts *f, pl_sub *s)
{
    s->exposure_s = f->exposure_s.v;
    s->temperature_c = f->temperature_c.v;
    s->altitude_deg = f->altitude_deg.v;
    s->airmass = f->airmass.v;
    s->position_steps = f->position_steps.v;
    snprintf(s->object, sizeof s->object, "%s", f->object.s);
    snprintf(s->filter, sizeof s->filter, "%s", f->filter.s);
    pl_date_seconds(f->date_obs.s, &s->time_s);
}

static void take_field(const pl_field *f, pl_sub *s)
{
    take_facts(&f->facts, s);
    s->fwhm_px = f->fwhm_px;
    s->fwhm_sigma_px = f->fwhm_sigma_px;
    s->fwhm_arcsec = f->fwhm_px * f->scale_arcsec_px;
    s->eccentricity = f->eccentricity;
    s->chi = f->chi;
    s->chi_sigma = f->chi_sigma;
    s->elongation_deg = f->elongation_deg;
    s->stars = (double)f->used;
    s->light_adu_s = pl_check_light(f);
    s->trails = (double)f->kind[PL_TRAIL];
    s->sky_adu = f->sky_adu;
    s->noise_adu = f->noise_adu;
    s->measured = true;
}

static void take_sense(const pl_sense *c, pl_sub *s)
{
    s->defocus_um = c->defocus_um;
    s->defocus_sigma_um = c->defocus_sigma_um;
    s->size_um = c->size_um;
    s->size_sigma_um = c->size_sigma_um;
    s->zone_um = c->zone_um;
    s->seeing_arcsec = c->seeing_arcsec;
    s->seeing_sigma_arcsec = c->seeing_sigma_arcsec;
    memcpy(s->why, c->reason, sizeof s->why);
    pl_sub_trust(s, c->surface_known, c->surface_fits);
}

/* What the frames have in common. */
struct work {
    const char *const *file;
    const pl_facts *facts;
    const pl_surface *surface;
    int jobs; /* inside one frame */
    pl_sub *sub;
    atomic_bool starved; /* memory was short: no reason to drop an exposure */
};

/* Without a focal surface, or what the optics need, shapes are all that is told. */
static void look(const pl_field *f, struct work *w, pl_sub *s)
{
    pl_sense sense;
    pl_notes notes = { NULL, 0, 0 };
    pl_err err = { PL_OK, "" };
    take_field(f, s);
    pl_status rc = PL_OK;
    if (!w->surface)
        pl_sub_trust(s, false, false);
    else if ((rc = pl_sense_frame(f, w->surface, NULL, w->jobs, &notes, &sense, &err)) == PL_OK)
        take_sense(&sense, s);
    else if (rc == PL_ENOMEM)
        w->starved = true;
    else
        snprintf(s->why, sizeof s->why, "%.199s", err.msg);
    pl_notes_clear(&notes);
}

static void measure(void *ctx, size_t i, int worker)
{
    struct work *w = ctx;
    pl_sub *s = &w->sub[i];
    pl_frame *frame = NULL;
    pl_field field = { 0 };
    pl_err err = { PL_OK, "" };
    (void)worker;
    pl_status rc = pl_frame_open(w->file[i], w->jobs, &frame, &err);
    if (rc == PL_OK) {
        take_facts(pl_frame_facts(frame), s);
        rc = pl_field_measure(frame, w->facts, PL_CHECK_STARS, w->jobs, &field, &err);
    }
    if (rc == PL_OK)
        look(&field, w, s);
    else if (rc == PL_ENOMEM)
        w->starved = true;
    else
        snprintf(s->why, sizeof s->why, "%.199s", err.msg);
    pl_field_clear(&field);
    pl_frame_free(frame);
}

pl_status pl_subs_measure(const char *const *file, size_t n, const pl_facts *facts,
                          const pl_surface *surface, int jobs, pl_subs *subs, pl_err *err)
{
    size_t first = subs->subs;
    jobs = jobs < 1 ? pl_pool_cpus() : jobs;
    int frames = (size_t)jobs < n ? jobs : (int)n;
    for (size_t i = 0; i < n; i++)
        if (!pl_sub_blank(subs, file[i], err))
            return PL_ENOMEM;
    if (n == 0)
        return PL_OK;
    struct work w = { file, facts, surface, jobs / frames, subs->sub + first, false };
    pl_pool_run(frames, n, measure, &w);
    return w.starved ? pl_fail(err, PL_ENOMEM, "out of memory measuring %zu frames", n) : PL_OK;
}
