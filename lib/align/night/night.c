/* SPDX-License-Identifier: GPL-3.0-or-later */
/* night.c - exposures of a night put in order, and summed up. */
#include "night.h"
#include "../../optics/optics.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void pl_subs_clear(pl_subs *subs)
{
    if (!subs)
        return;
    for (size_t i = 0; i < subs->subs; i++)
        free(subs->sub[i].file);
    free(subs->sub);
    pl_notes_clear(&subs->notes);
    *subs = (pl_subs){ NULL, 0, 0, { NULL, 0, 0 } };
}

void pl_night_clear(pl_night *n)
{
    if (!n)
        return;
    pl_subs own = { n->sub, n->subs, 0, { NULL, 0, 0 } };
    pl_subs_clear(&own);
    free(n->refocus);
    pl_notes_clear(&n->notes);
    *n = (pl_night){ 0 };
}

pl_sub *pl_sub_blank(pl_subs *subs, const char *file, pl_err *err)
{
    if (pl_grow((void **)&subs->sub, &subs->cap, subs->subs, sizeof *subs->sub, err) != PL_OK)
        return NULL;
    pl_sub *s = &subs->sub[subs->subs];
    *s = (pl_sub){ .file = strdup(file) };
    double *const unknown[] = { &s->time_s,
                                &s->exposure_s,
                                &s->temperature_c,
                                &s->altitude_deg,
                                &s->airmass,
                                &s->position_steps,
                                &s->defocus_um,
                                &s->defocus_sigma_um,
                                &s->size_um,
                                &s->size_sigma_um,
                                &s->zone_um,
                                &s->seeing_arcsec,
                                &s->seeing_sigma_arcsec,
                                &s->fwhm_px,
                                &s->fwhm_sigma_px,
                                &s->fwhm_arcsec,
                                &s->eccentricity,
                                &s->chi,
                                &s->chi_sigma,
                                &s->elongation_deg,
                                &s->stars,
                                &s->light_adu_s,
                                &s->trails,
                                &s->sky_adu,
                                &s->noise_adu,
                                &s->worth,
                                &s->worth_focus,
                                &s->worth_air,
                                &s->worth_sky,
                                &s->worth_light };
    for (size_t i = 0; i < PL_ARRAY_LEN(unknown); i++)
        *unknown[i] = NAN;
    if (!s->file) {
        pl_fail_say(err, PL_ENOMEM, "out of memory");
        return NULL;
    }
    subs->subs++;
    return s;
}

void pl_sub_trust(pl_sub *s, bool known, bool fits)
{
    if (known && fits)
        return;
    s->defocus_um = s->defocus_sigma_um = s->size_um = s->size_sigma_um = NAN;
    s->zone_um = s->seeing_arcsec = s->seeing_sigma_arcsec = NAN;
    snprintf(s->why, sizeof s->why, "%s",
             known ? "its stars do not fit the saved focal surface"
                   : "no focal surface is saved in the profile (plumb-sweep --save)");
}

/* ---- order */

/* A file and where its exposure stood; for sorting. */
struct entry {
    const char *file;
    double time_s;
    size_t at;
};

static bool same_time(const struct entry *p, const struct entry *q)
{
    return p->time_s == q->time_s || (isnan(p->time_s) && isnan(q->time_s));
}

static int by_file(const void *a, const void *b)
{
    const struct entry *p = a, *q = b;
    int c = strcmp(p->file, q->file);
    if (c || same_time(p, q))
        return c ? c : (p->at > q->at) - (p->at < q->at);
    return isnan(q->time_s) || p->time_s < q->time_s ? -1 : 1;
}

static int by_time(const void *a, const void *b)
{
    const struct entry *p = a, *q = b;
    if (isnan(p->time_s) != isnan(q->time_s))
        return isnan(p->time_s) ? -1 : 1;
    if (p->time_s != q->time_s && !isnan(p->time_s))
        return p->time_s < q->time_s ? -1 : 1;
    return (p->at > q->at) - (p->at < q->at);
}

/* The last one of each file and time goes in front: two nights may call theirs alike. Gives: how
 * many these are. */
static size_t last_of_each(struct entry *e, size_t n, pl_notes *notes)
{
    size_t kept = 0;
    qsort(e, n, sizeof *e, by_file);
    for (size_t i = 0; i < n; i++)
        if (i + 1 == n || strcmp(e[i].file, e[i + 1].file) != 0 || !same_time(&e[i], &e[i + 1])) {
            struct entry last = e[i];
            e[i] = e[kept];
            e[kept++] = last;
        }
    if (kept < n)
        pl_note(notes, "%zu exposure%s told more than once: the last one counts", n - kept,
                n - kept == 1 ? " was" : "s were");
    return kept;
}

/* Brings the exposures into order of time, each file once; those told again come behind.
 *   kept  out  how many are to count */
static pl_status put_in_order(pl_subs *subs, size_t *kept, pl_notes *notes, pl_err *err)
{
    struct entry *e = calloc(subs->subs + 1, sizeof *e);
    pl_sub *sub = calloc(subs->subs + 1, sizeof *sub);
    if (!e || !sub) {
        free(e);
        free(sub);
        return pl_fail(err, PL_ENOMEM, "out of memory");
    }
    for (size_t i = 0; i < subs->subs; i++)
        e[i] = (struct entry){ subs->sub[i].file, subs->sub[i].time_s, i };
    *kept = last_of_each(e, subs->subs, notes);
    qsort(e, *kept, sizeof *e, by_time);
    for (size_t i = 0; i < subs->subs; i++)
        sub[i] = subs->sub[e[i].at];
    free(e);
    free(subs->sub);
    subs->sub = sub;
    subs->cap = subs->subs + 1;
    return PL_OK;
}

/* ---- what exposures have in common */

/* Airmass from the altitude where only that is told. */
static void complete(pl_night *n)
{
    size_t timeless = 0;
    for (size_t i = 0; i < n->subs; i++) {
        pl_sub *s = &n->sub[i];
        if (isnan(s->airmass) && s->altitude_deg > 0 && s->altitude_deg <= 90)
            s->airmass = pl_airmass(s->altitude_deg);
        n->measured += s->measured;
        n->exposed_s += isfinite(s->exposure_s) ? s->exposure_s : 0;
        timeless += isnan(s->time_s);
    }
    if (timeless)
        pl_note(&n->notes,
                "%zu exposure%s no date (date_obs): they stand first, as they were given", timeless,
                timeless == 1 ? " has" : "s have");
}

static void settle(pl_facts *f)
{
    if (f->fwhm_growth.from == PL_FROM_NOWHERE)
        f->fwhm_growth = (pl_num){ PL_DEFAULT_GROWTH, PL_FROM_DEFAULT };
    if (f->eccentricity.from == PL_FROM_NOWHERE)
        f->eccentricity = (pl_num){ PL_DEFAULT_ECCENTRICITY, PL_FROM_DEFAULT };
}

static pl_night blank(const pl_facts *facts)
{
    pl_night n = { .facts = *facts };
    double *const unknown[] = {
        &n.thermal_um_c,      &n.thermal_sigma_um_c, &n.flexure_um_deg, &n.flexure_sigma_um_deg,
        &n.alone_um_c,        &n.alone_sigma_um_c,   &n.lag_min,        &n.drift_um_h,
        &n.drift_sigma_um_h,  &n.cooling_c_h,        &n.zone_um,        &n.refocus_every_c,
        &n.refocus_every_min, &n.not_before_min,     &n.seeing_arcsec,  &n.zenith_arcsec
    };
    for (size_t i = 0; i < PL_ARRAY_LEN(unknown); i++)
        *unknown[i] = NAN;
    settle(&n.facts);
    return n;
}

static pl_status sum(pl_night *n, pl_err *err)
{
    complete(n);
    if (n->measured == 0)
        return pl_fail(err, PL_ENODATA, "none of %zu exposure%s could be measured", n->subs,
                       n->subs == 1 ? "" : "s");
    pl_status rc = pl_night_moves(n, err);
    if (rc == PL_OK)
        rc = pl_night_focus(n, err);
    if (rc == PL_OK)
        rc = pl_night_grade(n, err);
    if (rc == PL_OK)
        pl_night_judge(n);
    return rc;
}

pl_status pl_night_sum(pl_subs *subs, const pl_facts *facts, pl_night *out, pl_err *err)
{
    pl_night n = blank(facts);
    for (size_t i = 0; i < subs->notes.n; i++)
        pl_note(&n.notes, "%s", subs->notes.item[i]);
    pl_status rc = put_in_order(subs, &n.subs, &n.notes, err);
    n.sub = subs->sub; /* borrowed until all is well */
    if (rc == PL_OK)
        rc = sum(&n, err);
    if (rc != PL_OK) {
        n.sub = NULL;
        n.subs = 0;
        pl_night_clear(&n);
        return rc;
    }
    for (size_t i = n.subs; i < subs->subs; i++)
        free(subs->sub[i].file);
    subs->sub = NULL;
    subs->subs = 0;
    pl_subs_clear(subs);
    *out = n;
    return PL_OK;
}
