/* SPDX-License-Identifier: GPL-3.0-or-later */
/* follow.c - exposures of a night as they come, each against a reference of its field. */
#include "../align.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { FIELDS = 4, FIRST_FRAMES = 5, PATIENCE = 3, DRIFT = 24 };

typedef struct {
    pl_field field;
    char name[256];
    int frames;    /* seen of this field */
    uint64_t last; /* when it was used last */
    bool there;
} reference;

struct pl_follow {
    const pl_surface *surface;
    pl_check_options options;
    reference ref[FIELDS];
    uint64_t now;
    int current;   /* index of the field of `history`; -1: none */
    int strangers; /* exposures in a row that showed no known field */
    pl_history history;
    pl_check check[DRIFT]; /* the last ones, without notes: how focus drifts */
    size_t checks;
};

pl_status pl_follow_new(const pl_surface *surface, const pl_check_options *options, pl_follow **out,
                        pl_err *err)
{
    pl_follow *f = calloc(1, sizeof *f);
    if (!f)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    f->surface = surface;
    f->options = options ? *options : pl_check_defaults();
    f->current = -1;
    *out = f;
    return PL_OK;
}

void pl_follow_free(pl_follow *follow)
{
    for (int i = 0; follow && i < FIELDS; i++)
        pl_field_clear(&follow->ref[i].field);
    free(follow);
}

pl_history *pl_follow_history(pl_follow *follow)
{
    return &follow->history;
}

/* The exposure goes into the place of a reference, and is emptied. */
static void settle(pl_follow *f, int i, pl_field *field, const char *name, int frames)
{
    reference *r = &f->ref[i];
    pl_field_clear(&r->field);
    *r = (reference){ *field, "", frames, ++f->now, true };
    snprintf(r->name, sizeof r->name, "%.255s", name);
    *field = (pl_field){ 0 };
}

static int oldest(const pl_follow *f)
{
    int old = 0;
    for (int i = 1; i < FIELDS; i++)
        if (f->ref[i].last < f->ref[old].last)
            old = i;
    return old;
}

void pl_follow_refer(pl_follow *follow, pl_field *field, const char *name)
{
    follow->current = oldest(follow);
    settle(follow, follow->current, field, name, FIRST_FRAMES);
}

void pl_follow_go_on(pl_follow *follow, const pl_history *history, const char *path,
                     const pl_facts *told, int jobs)
{
    pl_frame *frame = NULL;
    pl_field field = { 0 };
    follow->history = *history;
    if (path && pl_frame_open(path, jobs, &frame, NULL) == PL_OK &&
        !pl_facts_calibration(pl_frame_facts(frame)) &&
        pl_field_measure(frame, told, PL_CHECK_STARS, jobs, &field, NULL) == PL_OK)
        pl_follow_refer(follow, &field, pl_file_name(path));
    pl_frame_free(frame);
    pl_field_clear(&field);
}

/* The reference of this field, seen through the same filter. -1: there is none. */
static int find(pl_follow *f, const pl_field *field, pl_match *match)
{
    for (int step = 0; step < FIELDS; step++) {
        int i = (step + (f->current < 0 ? 0 : f->current)) % FIELDS; /* most often the last one */
        const reference *r = &f->ref[i];
        if (r->there && strcmp(r->field.facts.filter.s, field->facts.filter.s) == 0 &&
            pl_match_fields(&r->field, field, match, NULL) == PL_OK)
            return i;
    }
    return -1;
}

/* The history tells of one field. Another one begins a new one: its light is of other stars. */
static void turn_to(pl_follow *f, int i)
{
    if (f->current != i)
        for (size_t k = 0; k < f->history.n; k++)
            f->history.past[k].transparency = f->history.past[k].spread = NAN;
    f->current = i;
    f->ref[i].last = ++f->now;
}

/* What was told against the old reference, told against the new one. */
static void rescale(pl_history *h, const pl_match *m)
{
    for (size_t k = 0; k < h->n; k++) {
        h->past[k].transparency /= m->transparency;
        h->past[k].transparency_sigma /= m->transparency;
        h->past[k].spread /= m->spread;
        h->past[k].spread_sigma /= m->spread;
    }
}

static double minutes_of(const pl_facts *facts)
{
    const double since = 86400.0 * (double)pl_days_from_civil(2000, 1, 1);
    double s = NAN;
    pl_date_seconds(facts->date_obs.s, &s);
    return (s - since) / 60;
}

/* An exposure without a match is the new reference, or is veiled: then its light is not known. */
static pl_past past_of(const pl_followed *o, bool veiled)
{
    const pl_check *c = &o->check;
    bool known = o->matched;
    double whole = veiled ? NAN : 1;
    return (pl_past){ .minutes = minutes_of(&c->facts),
                      .defocus_um = c->sense.defocus_um,
                      .defocus_sigma_um = c->sense.defocus_sigma_um,
                      .zone_um = c->sense.zone_um,
                      .within_um = c->sense.size_um + 2 * c->sense.size_sigma_um,
                      .fwhm_px = c->fwhm_px,
                      .fwhm_arcsec = c->fwhm_px * c->scale_arcsec_px,
                      .seeing_arcsec = c->sense.seeing_arcsec,
                      .transparency = known ? o->match.transparency : whole,
                      .transparency_sigma = known ? o->match.transparency_sigma : 0,
                      .spread = known ? o->match.spread : whole,
                      .spread_sigma = known ? o->match.spread_sigma : 0,
                      .airmass = c->facts.airmass.v };
}

/* The sky's word, where the exposure's own verdict asks for nothing. */
static void judge(pl_followed *o)
{
    static const char *const says[] = { "", "cloud", "fading: cloud?",
                                        "fading and spreading: dew?" };
    pl_verdict *v = &o->verdict;
    *v = o->check.verdict;
    if (o->fade == PL_FADE_NONE || v->state == PL_OUTSIDE)
        return;
    v->state = PL_OUTSIDE;
    v->cause = o->fade == PL_FADE_DEW ? PL_CAUSE_DEW : PL_CAUSE_CLOUD;
    snprintf(v->text, sizeof v->text, "%s: %.0f %% of the reference's light%s", says[o->fade],
             100 * o->match.transparency, o->fade == PL_FADE_DEW ? ", wider stars" : "");
    snprintf(v->action, sizeof v->action, "%s",
             o->fade == PL_FADE_DEW
                 ? "look at the optics; if there is dew, warm them and do not wipe"
                 : "look at the sky; leave the focus alone");
}

/* Few stars, and not those of any reference: cloud hides a field more often than a new one has few.
 * After some such exposures in a row it is a new one after all. */
static bool is_veiled(const pl_follow *f, const pl_field *field)
{
    return f->current >= 0 && f->strangers < PATIENCE &&
           2 * field->used < f->ref[f->current].field.used;
}

/* A sharper one of the first exposures of a field becomes its reference. */
static void prefer(pl_follow *f, pl_field *field, const char *name, const pl_followed *o)
{
    reference *r = &f->ref[f->current];
    if (r->frames < FIRST_FRAMES && o->match.spread < 1 - 2 * o->match.spread_sigma &&
        o->match.transparency > 0.9) {
        rescale(&f->history, &o->match);
        settle(f, f->current, field, name, r->frames);
    }
    r->frames++;
}

/* Costs and verdict by the drift that the last exposures show. */
static void drift(pl_follow *f, pl_check *check)
{
    if (f->checks == DRIFT)
        memmove(f->check, f->check + 1, --f->checks * sizeof *f->check);
    f->check[f->checks++] = *check;
    pl_check_follow(f->check, f->checks, &f->options);
    pl_notes notes = f->check[f->checks - 1].notes; /* it may have grown */
    *check = f->check[f->checks - 1];
    check->notes = notes;
    f->check[f->checks - 1].notes = (pl_notes){ NULL, 0, 0 };
}

static void learn(pl_follow *f, pl_field *field, const char *name, pl_followed *o, bool veiled)
{
    if (!veiled && !o->matched)
        turn_to(f, oldest(f));
    o->past = past_of(o, veiled);
    pl_history_add(&f->history, &o->past);
    o->fade = o->matched ? pl_history_fade(&f->history) : PL_FADE_NONE;
    judge(o);
    o->past.state = o->verdict.state;
    o->past.cause = o->verdict.cause;
    f->history.past[f->history.n - 1] = o->past;
    f->strangers = veiled ? f->strangers + 1 : 0;
    if (o->matched)
        prefer(f, field, name, o);
    else if (!veiled)
        settle(f, f->current, field, name, 1);
}

pl_status pl_follow_frame(pl_follow *follow, pl_field *field, const char *name, int jobs,
                          pl_followed *out, pl_err *err)
{
    pl_followed o = { .fade = PL_FADE_NONE };
    size_t before = pl_memory_shortages();
    int i = find(follow, field, &o.match);
    o.matched = i >= 0;
    bool veiled = !o.matched && is_veiled(follow, field);
    int against = o.matched ? i : veiled ? follow->current : -1;
    pl_status rc =
        pl_check_frame(field, follow->surface, against < 0 ? NULL : &follow->ref[against].field,
                       &follow->options, jobs, &o.check, err);
    if (pl_memory_shortages() != before) { /* whatever seems to be the cause */
        if (err)
            *err = (pl_err){ PL_OK, "" };
        rc = pl_fail(err, PL_ENOMEM, "out of memory");
    }
    if (rc != PL_OK) {
        pl_check_clear(&o.check);
        return rc;
    }
    drift(follow, &o.check);
    if (against >= 0)
        memcpy(o.reference, follow->ref[against].name, sizeof o.reference);
    if (o.matched)
        turn_to(follow, i);
    learn(follow, field, name, &o, veiled);
    *out = o;
    return PL_OK;
}

void pl_followed_clear(pl_followed *followed)
{
    if (!followed)
        return;
    pl_check_clear(&followed->check);
    *followed = (pl_followed){ .fade = PL_FADE_NONE };
}
