/* SPDX-License-Identifier: GPL-3.0-or-later */
/* turn.c - from a log of turns and measurements to what to turn next. */
#include "turn.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RAD (M_PI / 180)

static const double SURE = 0.7;     /* below it a screw's direction is not known */
static const double SHARP = 0.2;    /* an error this part of the length is a good one */
static const double STRANGE = 11.8; /* chi square of 2: three sigma */

/* ---- options */

pl_turn_options pl_turn_defaults(void)
{
    return (pl_turn_options){ .focuser_deg = NAN };
}

pl_status pl_turn_set(pl_turn_options *o, const char *name, const char *value, pl_err *err)
{
    double v = NAN;
    if (strcmp(name, "free") == 0) {
        o->free = true;
        return PL_OK;
    }
    bool number = pl_number(value, &v);
    if (strcmp(name, "focuser") == 0) {
        if (!number || fabs(v) > 360)
            return pl_fail(err, PL_EARG,
                           "--focuser is \"%.40s\"; degrees from -360 to 360 are "
                           "wanted",
                           value);
        o->focuser_deg = v;
        return PL_OK;
    }
    if (strcmp(name, "screws") != 0)
        return pl_fail(err, PL_EARG, "there is no option \"%.40s\"", name);
    if (strcmp(value, "cell") != 0 && strcmp(value, "plate") != 0 &&
        !(number && v == floor(v) && v >= 2 && v <= PL_SCREWS_MAX))
        return pl_fail(err, PL_EARG,
                       "--screws is \"%.40s\"; cell, plate, or how many there are, 2 "
                       "to %d, is wanted",
                       value, PL_SCREWS_MAX);
    snprintf(o->screws, sizeof o->screws, "%s", value);
    return PL_OK;
}

/* ---- the screws and how the camera may show them */

static pl_status read_screws(pl_turns *t, const char *profile, const pl_turn_options *o,
                             pl_err *err)
{
    const char *natural = t->now.kind == PL_TURN_COMA ? "cell" : "plate";
    double count;
    if (pl_number(o->screws, &count)) {
        t->screws = (size_t)count;
        return PL_OK;
    }
    if (o->screws[0] && strcmp(o->screws, natural) != 0)
        return pl_fail(err, PL_EARG,
                       t->now.kind == PL_TURN_COMA
                           ? "the log is one of coma, which the camera's plate does "
                             "not change; --screws cell is wanted"
                           : "the log is one of the sensor's tilt, which the mirror's "
                             "cell does not change; --screws plate is wanted");
    snprintf(t->section, sizeof t->section, "%s", natural);
    if (profile) {
        pl_status rc = pl_screws_read(profile, natural, &t->geometry, err);
        if (rc != PL_OK)
            return rc;
    }
    t->screws = t->geometry.screws;
    if (t->screws == 0)
        return pl_fail(err, PL_ENODATA,
                       "the screws are not known: a profile (-p) with a section [%s] "
                       "is wanted, or --screws and how many there are, then their "
                       "turns alone must show what they do",
                       natural);
    if (isnan(t->geometry.pitch_mm))
        return pl_fail(
            err, PL_ENODATA,
            "[%s] of the profile has no pitch_mm: how far one turn moves a screw, common "
            "threads are M4 0.7, M5 0.8, M6 1.0 mm (ISO 261)",
            natural);
    return PL_OK;
}

static bool hand_of(const pl_screws *s, int *handed)
{
    *handed = sin((s->rows_deg - s->columns_deg) * RAD) < 0 ? -1 : 1;
    return isfinite(s->columns_deg) && isfinite(s->rows_deg);
}

/* One way for each hand, from a hand's direction whose place on the frame is known. */
static size_t both_hands(double hand_deg, double frame_deg, pl_turn_view *view)
{
    view[0] = (pl_turn_view){ frame_deg - hand_deg, 1 };
    view[1] = (pl_turn_view){ frame_deg + hand_deg, -1 };
    return 2;
}

static size_t views(pl_turns *t, const pl_facts *facts, double focuser_deg, pl_turn_view *view)
{
    const pl_screws *s = &t->geometry;
    int handed;
    size_t n = 1;
    view[0] = (pl_turn_view){ NAN, 0 };
    t->oriented = hand_of(s, &handed);
    if (t->oriented)
        view[0] = (pl_turn_view){ handed > 0 ? -s->columns_deg : s->columns_deg, handed };
    else if (isfinite(s->columns_deg))
        n = both_hands(s->columns_deg, 0, view);
    else if (isfinite(s->rows_deg))
        n = both_hands(s->rows_deg, 90, view);
    else if (isfinite(focuser_deg) && isfinite(facts->focuser_deg.v))
        n = both_hands(focuser_deg, facts->focuser_deg.v, view);
    if (isfinite(s->clockwise) || isnan(view[0].turn_deg))
        return n;
    for (size_t i = 0; i < n; i++) /* clockwise may be either way */
        view[n + i] = (pl_turn_view){ view[i].turn_deg + 180, view[i].handed };
    t->oriented = false;
    return 2 * n;
}

static pl_status believe(pl_turns *t, const pl_facts *facts, const pl_turn_options *o,
                         pl_turn_belief *b, pl_err *err)
{
    pl_turn_view view[4];
    double tilt = 1000, pitch = t->geometry.pitch_mm;
    if (t->geometry.screws == 0) {
        double v = hypot(t->first_x, t->first_y);
        pl_turn_prior_blank(t->screws, 2 * fmax(v, isfinite(t->now.allowed) ? t->now.allowed : 0),
                            b);
        return PL_OK;
    }
    if (t->now.kind == PL_TURN_COMA) {
        pl_status rc = pl_facts_need(facts, "focal_mm", &tilt, err);
        if (rc != PL_OK)
            return rc;
    }
    double way = isfinite(t->geometry.clockwise) ? t->geometry.clockwise : 1;
    if (isfinite(o->focuser_deg) && isnan(facts->focuser_deg.v))
        pl_note(&t->notes,
                "--focuser helps only with focuser_deg in the profile: plumb-donut --hand "
                "--save");
    return pl_turn_prior(&t->geometry, way * tilt * pitch, view,
                         views(t, facts, o->focuser_deg, view), b, err);
}

static pl_status replay(pl_turns *t, const pl_turn_log *log, pl_turn_belief *b, pl_err *err)
{
    pl_turn_begin(b, &log->entry[0]);
    for (size_t i = 1; i < log->entries; i++) {
        const pl_turn_entry *e = &log->entry[i];
        const double noise[3] = { e->xx, e->xy, e->yy };
        for (size_t k = t->screws; k < PL_SCREWS_MAX; k++)
            if (e->turn[k] != 0)
                return pl_fail(err, PL_EARG, "the log turns screw %c, and there are but %zu screws",
                               (char)('A' + k), t->screws);
        double chi = pl_turn_update(b, e->turn, e->x, e->y, noise);
        if (chi > STRANGE)
            pl_note(
                &t->notes,
                "round %zu did not do what its turns explain: is a screw locked or slack, a turn "
                "written down wrong, something else moved? If so begin a new log",
                i);
    }
    return PL_OK;
}

/* ---- what to do */

static void judge(pl_turns *t)
{
    const pl_turn_entry *e = &t->now;
    double x = e->x / t->length, y = e->y / t->length, most = e->allowed;
    t->sigma = t->length > 0 ? sqrt(e->xx * x * x + 2 * e->xy * x * y + e->yy * y * y)
                             : sqrt(0.5 * (e->xx + e->yy));
    if (isnan(most)) {
        most = 2 * t->sigma;
        pl_note(&t->notes,
                "what may be off is not told by the measurement: taken as twice its error");
    }
    t->verdict.state = t->length - t->sigma > most    ? PL_OUTSIDE
                       : t->length + t->sigma <= most ? PL_INSIDE
                                                      : PL_UNSURE;
}

/* Too little is known to mend: how the screws act is open, and caution does not lead inside. */
static bool is_trial(const pl_turns *t, const pl_turn_belief *b, const double *turn, double left)
{
    double mean[2], sigma[2], sure = 1;
    bool moves = false;
    for (size_t k = 0; k < t->screws; k++) {
        sure = fmin(sure, pl_turn_response(b, k, mean, sigma));
        moves |= turn[k] != 0;
    }
    return sure < SURE && !(moves && left < t->now.allowed);
}

static pl_status plan(pl_turns *t, const pl_turn_belief *b, pl_err *err)
{
    const double noise[3] = { t->now.xx, t->now.xy, t->now.yy };
    double exact[PL_SCREWS_MAX] = { 0 }, turn[PL_SCREWS_MAX] = { 0 };
    pl_turn_loss loss;
    pl_turn_weigh(b, &loss);
    t->left_exact = sqrt(pl_turn_best(&loss, t->free, exact));
    t->part = pl_turn_shorten(t->screws, exact);
    t->step = pl_turn_round(&loss, t->free, exact, t->now.allowed, turn);
    t->trial = is_trial(t, b, turn, sqrt(pl_turn_cost(&loss, turn)));
    if (t->trial) {
        t->part = false;
        t->step = pl_turn_trial(b, t->free, noise, turn, err);
        if (t->step == 0)
            return PL_ENOMEM;
    }
    double effect = pl_turn_cost(&loss, turn), along = 0;
    t->left = sqrt(effect);
    for (size_t k = 0; k < t->screws; k++) {
        t->screw[k].turn = turn[k];
        t->screw[k].exact = t->trial ? turn[k] : exact[k];
        t->turn |= turn[k] != 0;
        along += loss.g[k] * turn[k];
    }
    t->either_way =
        t->trial && fabs(along) < 0.1 * sqrt(loss.c * fmax(0, effect - loss.c - 2 * along));
    return PL_OK;
}

static void travels(pl_turns *t)
{
    double um = 1000 * t->geometry.pitch_mm * t->geometry.clockwise;
    t->focus_um = t->geometry.screws ? 0 : NAN;
    for (size_t k = 0; k < t->screws; k++) {
        t->screw[k].travel_um = t->geometry.screws ? um * t->screw[k].turn : NAN;
        t->focus_um += t->screw[k].travel_um / (double)t->screws;
    }
}

/* The turn of hand angles into the frame's that brings the geometry closest to what was learned. */
static pl_status orientation(pl_turns *t, const pl_turn_belief *b, pl_err *err)
{
    double slope[PL_SCREWS_MAX][2], re[2] = { 0 }, im[2] = { 0 }, sure = 1;
    t->columns_deg = t->rows_deg = NAN;
    if (t->geometry.screws == 0 || isnan(t->geometry.clockwise))
        return PL_OK;
    pl_status rc = pl_turn_slopes(&t->geometry, slope, err);
    for (size_t k = 0; k < t->screws && rc == PL_OK; k++) {
        double r[2], sigma[2], way = t->geometry.clockwise;
        sure = fmin(sure, pl_turn_response(b, k, r, sigma));
        for (int hand = 0; hand < 2; hand++) {
            double y = hand ? -slope[k][1] : slope[k][1];
            re[hand] += way * (slope[k][0] * r[0] + y * r[1]);
            im[hand] += way * (slope[k][0] * r[1] - y * r[0]);
        }
    }
    if (rc != PL_OK || sure < SURE)
        return rc;
    bool mirrored = hypot(re[1], im[1]) > hypot(re[0], im[0]);
    double turn = atan2(im[mirrored], re[mirrored]) / RAD;
    t->columns_deg = fmod((mirrored ? turn : -turn) + 720, 360);
    t->rows_deg = fmod(t->columns_deg + (mirrored ? 270 : 90), 360);
    return PL_OK;
}

static pl_status fill(pl_turns *t, const pl_turn_belief *b, pl_err *err)
{
    double turn[PL_SCREWS_MAX], mean[2], cov[3];
    for (size_t k = 0; k < t->screws; k++) {
        double sigma[2];
        pl_turn_response(b, k, mean, sigma);
        t->screw[k].x = fabs(mean[0]) > 1e-9 * sigma[0] ? mean[0] : 0; /* no sums' dust */
        t->screw[k].y = fabs(mean[1]) > 1e-9 * sigma[1] ? mean[1] : 0;
        t->screw[k].x_sigma = sigma[0];
        t->screw[k].y_sigma = sigma[1];
        turn[k] = t->screw[k].turn;
    }
    pl_turn_forecast(b, turn, mean, cov);
    t->left_x = mean[0];
    t->left_y = mean[1];
    t->left_xx = cov[0];
    t->left_xy = cov[1];
    t->left_yy = cov[2];
    travels(t);
    return orientation(t, b, err);
}

bool pl_turn_at_limit(const pl_turns *t)
{
    return t->verdict.state == PL_UNSURE && t->sigma < SHARP * t->length;
}

static void forget(pl_turns *t)
{
    memset(t->screw, 0, sizeof t->screw);
    t->turn = t->trial = t->either_way = t->part = false;
    t->left = t->left_exact = NAN;
    t->step = 0;
}

static pl_status solve(pl_turns *t, const pl_turn_log *log, const pl_facts *facts,
                       const pl_turn_options *o, pl_turn_belief *b, pl_err *err)
{
    pl_status rc = believe(t, facts, o, b, err);
    if (rc == PL_OK)
        rc = replay(t, log, b, err);
    if (rc != PL_OK)
        return rc;
    judge(t);
    t->left = t->left_exact = NAN;
    if (t->verdict.state == PL_OUTSIDE || pl_turn_at_limit(t))
        rc = plan(t, b, err);
    if (t->verdict.state == PL_UNSURE && t->trial) /* no trial for so little */
        forget(t);
    if (rc == PL_OK)
        rc = fill(t, b, err);
    if (rc == PL_OK)
        pl_turn_advise(t);
    return rc;
}

pl_status pl_turn_solve(const pl_turn_log *log, const char *profile, const pl_facts *facts,
                        const pl_turn_options *options, pl_turns *out, pl_err *err)
{
    if (log->entries == 0)
        return pl_fail(err, PL_ENODATA, "holds no measurement%s",
                       log->notes.n ? ", only a line that was broken off: is it a log of turns?"
                                    : " yet; begin with plumb-turn learn LOG MEASURED.json");
    pl_turns t = { .now = log->entry[log->entries - 1],
                   .first_x = log->entry[0].x,
                   .first_y = log->entry[0].y,
                   .rounds = log->entries - 1,
                   .free = options->free,
                   .options = *options,
                   .profile = profile };
    t.length = hypot(t.now.x, t.now.y);
    pl_turn_belief *b = malloc(sizeof *b);
    pl_status rc = b ? PL_OK : pl_fail(err, PL_ENOMEM, "out of memory");
    for (size_t i = 0; i < log->notes.n; i++)
        pl_note(&t.notes, "%s", log->notes.item[i]);
    if (rc == PL_OK)
        rc = read_screws(&t, profile, options, err);
    if (rc == PL_OK)
        rc = solve(&t, log, facts, options, b, err);
    free(b);
    if (rc == PL_OK)
        *out = t;
    else
        pl_turn_clear(&t);
    return rc;
}

void pl_turn_clear(pl_turns *t)
{
    pl_notes_clear(&t->notes);
}
