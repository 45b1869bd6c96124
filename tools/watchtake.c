/* SPDX-License-Identifier: GPL-3.0-or-later */
/* watchtake.c - one file that arrived: measured, known by its bytes, followed. */
#include "watch.h"

#include <stdio.h>

/* What was read of a file. */
struct reading {
    bool calibration; /* no sky is to be seen in it; nothing was measured */
    pl_field field;   /* or */
    pl_donut donut;
};

static pl_status measure(const watch_voice *v, const char *path, struct reading *r, pl_err *err)
{
    const pl_facts *told = &v->c->facts;
    pl_donut_options how = pl_donut_defaults();
    pl_frame *frame = NULL;
    size_t shortages = pl_memory_shortages();
    pl_status st = pl_frame_open(path, v->c->jobs, &frame, err);
    r->calibration = st == PL_OK && pl_facts_calibration(pl_frame_facts(frame));
    if (st == PL_OK && !r->calibration && v->o->donut)
        st = pl_donut_measure((const pl_frame *const *)&frame, 1, told, &how, v->c->jobs, &r->donut,
                              err);
    else if (st == PL_OK && !r->calibration)
        st = pl_field_measure(frame, told, PL_CHECK_STARS, v->c->jobs, &r->field, err);
    pl_frame_free(frame);
    if (pl_memory_shortages() == shortages)
        return st;
    *err = (pl_err){ PL_ENOMEM, "out of memory" }; /* whatever seems to be the cause */
    return PL_ENOMEM;
}

static pl_status follow_on(watch_voice *v, pl_follow *follow, const pl_arrival *a,
                           const char *digest, pl_field *field, pl_err *err)
{
    pl_followed f = { .fade = PL_FADE_NONE };
    pl_status st = pl_follow_frame(follow, field, pl_file_name(a->path), v->c->jobs, &f, err);
    if (st == PL_OK)
        watch_say_followed(v, &f, a, digest);
    pl_followed_clear(&f);
    return st;
}

/* What a disc, a network or the memory refuse now they may give in a moment. Gives: whether the
 * file arrives again. */
static bool comes_again(const watch_voice *v, pl_watch *watch, const pl_arrival *a, pl_status st,
                        const pl_err *err)
{
    char text[sizeof err->msg + 32];
    bool again = (st == PL_EIO || st == PL_ENOMEM) && pl_watch_again(watch, a);
    snprintf(text, sizeof text, "%s; it is tried again", err->msg[0] ? err->msg : "out of memory");
    if (again)
        watch_remark(v, a->path, text);
    return again;
}

/* Of a content that is new, and whole as it was measured. */
static void conclude(watch_voice *v, pl_watch *watch, pl_follow *follow, const pl_arrival *a,
                     const char *digest, struct reading *r, pl_status st, pl_err *err)
{
    if (r->calibration) {
        watch_remark(v, a->path, "is a calibration frame; left out");
        pl_watchlog_twin(v->log, a, NULL);
        return;
    }
    if (st == PL_OK && v->o->donut)
        watch_say_donut(v, &r->donut, a, digest);
    else if (st == PL_OK)
        st = follow_on(v, follow, a, digest, &r->field, err);
    if (comes_again(v, watch, a, st, err))
        return;
    if (st == PL_ENOMEM)
        cli_failed(v->c, a->path, err);
    else if (st != PL_OK)
        watch_say_unmeasured(v, a, digest, err->msg);
}

/* Its bytes are summed up while it is measured: that takes as long, and mostly they are new. */
void watch_take(watch_voice *v, pl_watch *watch, pl_follow *follow, const pl_arrival *a)
{
    pl_err err = { PL_OK, "" }, why = { PL_OK, "" };
    struct reading r = { .calibration = false };
    char digest[65];
    if (pl_watchlog_knows(v->log, a))
        return;
    pl_digest *sum = pl_digest_begin(a->path);
    pl_status st = measure(v, a->path, &r, &err);
    pl_status summed = pl_digest_end(sum, digest, &why);
    if (!pl_arrival_same(a)) {
        watch_remark(v, a->path,
                     "changed while it was read, or is gone; it is read when it comes again");
    } else if (summed != PL_OK) {
        if (!comes_again(v, watch, a, summed, &why))
            cli_failed(v->c, a->path, &why);
    } else if (pl_watchlog_has(v->log, digest)) {
        watch_remark(v, a->path, "was read before, under this or another name; left out");
        pl_watchlog_twin(v->log, a, NULL);
    } else {
        conclude(v, watch, follow, a, digest, &r, st, &err);
    }
    pl_field_clear(&r.field);
    pl_donut_clear(&r.donut);
}
