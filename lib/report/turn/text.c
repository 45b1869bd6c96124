/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.c - what to turn in words: verdict and action first, then each screw, then the numbers
 * and what they rest on. Lines of at most 78 columns, file names apart. */
#include "../report.h"
#include "../text.h"
#include "turn.h"
#include "../../align/turn/turn.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void travel(double um, char out[80])
{
    out[0] = '\0';
    if (isfinite(um) && um != 0)
        snprintf(out, 80, "%s um %s", pl_fixed(fabs(um), 0).s,
                 um > 0 ? "away from you" : "towards you");
}

static void screws(pl_string *out, const pl_turns *t)
{
    if (!t->turn)
        return;
    pl_string_add(out, "\n  Seen from behind %s, tube level, 12 o'clock up:\n", pl_turn_behind(t));
    for (size_t k = 0; k < t->screws; k++) {
        char way[80];
        travel(t->screw[k].travel_um, way);
        pl_digits place = { "" };
        if (t->geometry.screws)
            place = pl_clock(t->geometry.angle_deg[k]);
        if (t->screw[k].turn == 0)
            pl_string_add(out, "    %c  %-12s  leave it\n", (char)('A' + k), place.s);
        else
            pl_string_add(out, "    %c  %-12s  %s%s%s\n", (char)('A' + k), place.s,
                          pl_turn_words(t->screw[k].turn).s, way[0] ? ", " : "", way);
    }
}

/* A file's name as a shell takes it. */
static void typed(pl_string *out, const char *file)
{
    char *name = pl_clean(file, PL_CLEAN_PLAIN, NULL);
    bool plain = name && name[strspn(name, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
                                           "0123456789._/+,:=@%-")] == '\0';
    out->failed |= !name;
    if (name && plain && name[0]) {
        pl_string_add(out, " %s", name);
    } else if (name) {
        pl_string_add(out, " '");
        for (const char *c = name; *c; c++)
            if (*c == '\'')
                pl_string_add(out, "'\\''");
            else
                pl_string_bytes(out, c, 1);
        pl_string_add(out, "'");
    }
    free(name);
}

/* What was told this time and has to be told again. */
static void again(pl_string *out, const pl_turns *t)
{
    if (t->options.screws[0])
        pl_string_add(out, " --screws %s", t->options.screws);
    if (t->options.free)
        pl_string_add(out, " --free");
    if (isfinite(t->options.focuser_deg))
        pl_string_add(out, " --focuser %s", pl_signif(t->options.focuser_deg, 6).s);
    if (t->profile) {
        pl_string_add(out, " -p");
        typed(out, t->profile);
    }
}

/* The command that takes what was turned, ready to be typed. */
static void next(pl_string *out, const pl_turns *t, const char *file)
{
    if (t->turn) {
        pl_string_add(out, "  then: plumb-turn learn");
        typed(out, file);
        pl_string_add(out, " NEW.json");
        for (size_t k = 0; k < t->screws; k++) {
            char part[16];
            double turn = t->screw[k].turn, whole = floor(fabs(turn));
            pl_turn_spell(turn, part);
            if (turn != 0 && whole > 0 && fabs(turn) != whole)
                pl_string_add(out, " %c=%s", (char)('A' + k), pl_signif(turn, 6).s);
            else if (turn != 0)
                pl_string_add(out, " %c=%s%s", (char)('A' + k), turn < 0 ? "-" : "", part);
        }
        again(out, t);
        pl_string_add(out, "\n");
    }
}

static void left(pl_string *out, const pl_turns *t)
{
    char words[200], part[16];
    if (!t->turn)
        return;
    pl_turn_spell(t->step, part);
    if (t->trial)
        snprintf(words, sizeof words, "up to %s %s: a trial is there to learn from",
                 pl_fixed(t->left, 2).s, pl_turn_unit(t));
    else
        snprintf(words, sizeof words, "about %s %s in steps of 1/%.0f turn, %s to the last degree",
                 pl_fixed(t->left, 2).s, pl_turn_unit(t), 1 / t->step,
                 pl_fixed(t->left_exact, 2).s);
    pl_text_row(out, "expected then", words);
    if (isfinite(t->focus_um)) {
        snprintf(words, sizeof words,
                 fabs(t->focus_um) < 0.5 ? "stays" : "moves by %s um of the screws",
                 pl_fixed(fabs(t->focus_um), 0).s);
        pl_text_row(out, "focus", words);
    }
}

static bool open_yet(const pl_turn_screw *s)
{
    return !(hypot(s->x, s->y) > 1.5 * hypot(s->x_sigma, s->y_sigma) / M_SQRT2);
}

static void response(pl_string *out, const pl_turns *t, size_t k)
{
    const pl_turn_screw *s = &t->screw[k];
    double size = hypot(s->x, s->y), error = hypot(s->x_sigma, s->y_sigma) / M_SQRT2;
    char words[240], label[24];
    snprintf(label, sizeof label, "1 turn of %c", (char)('A' + k));
    snprintf(words, sizeof words, "%s %s at %s +- %s deg on the frame",
             pl_measured(size, error, 1).s, pl_turn_unit(t),
             pl_fixed(fmod(atan2(s->y, s->x) * 180 / M_PI + 360, 360), 0).s,
             pl_fixed(error / size * 180 / M_PI, 0).s);
    pl_text_row(out, label, open_yet(s) ? "not yet known" : words);
}

/* What a turn of each screw does, where that is known. */
static void responses(pl_string *out, const pl_turns *t)
{
    size_t open = 0;
    for (size_t k = 0; k < t->screws; k++)
        open += open_yet(&t->screw[k]);
    if (open == t->screws)
        pl_text_row(out, "the screws", "what a turn of each does is not yet known");
    for (size_t k = 0; k < t->screws && open < t->screws; k++)
        response(out, t, k);
}

static void numbers(pl_string *out, const pl_turns *t)
{
    const pl_turn_entry *e = &t->now;
    char words[200];
    double deg = atan2(e->y, e->x) * 180 / M_PI;
    bool told = t->length > 2 * t->sigma;
    pl_string_add(out, "\n");
    snprintf(words, sizeof words, "%s +- %s %s%s%s", pl_fixed(t->length, 2).s,
             pl_fixed(t->sigma, 2).s, pl_turn_unit(t), told ? " " : "", told ? pl_toward(deg) : "");
    pl_text_row(out, e->kind == PL_TURN_COMA ? "primary's axis" : "focus lies out", words);
    snprintf(words, sizeof words, "%s %s", pl_fixed(e->allowed, 2).s, pl_turn_unit(t));
    pl_text_row(out, "it may be off", words);
    left(out, t);
    responses(out, t);
}

static void how(pl_string *out, const pl_turns *t)
{
    bool coma = t->now.kind == PL_TURN_COMA;
    if (!t->turn)
        return;
    pl_string_add(out, "\n  before you turn:\n");
    pl_text_note(
        out, coma ? "Support the mirror and the tube before loosening anything; loosen locking "
                    "screws first, force none, and turn a little at a time."
                  : "Hold the camera before loosening anything; loosen locking screws first, force "
                    "none, and turn a little at a time.");
    const char *kind = t->geometry.kind;
    if (t->geometry.screws && (strcmp(kind, "push") == 0 || strcmp(kind, "pull") == 0))
        pl_text_note(
            out, "These screws act one way only: make the turns that loosen first, then those that "
                 "tighten.");
    if (coma)
        pl_text_note(
            out,
            "Between turns bring the star back with the mount. By night only: never towards the "
            "Sun.");
    pl_text_note(
        out, coma ? "Order: collimate, then corrector spacing, then tilt, then focus."
                  : "Order: collimation and corrector spacing come first, then tilt, then focus.");
}

static void rests_on(pl_string *out, const pl_turns *t)
{
    char words[480];
    const pl_screws *g = &t->geometry;
    pl_string_add(out, "\n  rests on:\n");
    snprintf(words, sizeof words, "%zu measurement%s, %zu round%s of turns", t->rounds + 1,
             t->rounds ? "s" : "", t->rounds, t->rounds == 1 ? "" : "s");
    pl_text_note(out, words);
    if (g->screws)
        snprintf(
            words, sizeof words,
            "[%s] of the profile: %zu screws at %s mm, pitch %s mm, %s; trusted to some 30 %% and "
            "20 deg until their turns have shown more",
            t->section, g->screws, pl_signif(g->radius_mm, 4).s, pl_signif(g->pitch_mm, 4).s,
            g->clockwise > 0   ? "clockwise moves in, away from you"
            : g->clockwise < 0 ? "clockwise moves out, towards you"
                               : "which way clockwise moves is not told");
    else
        snprintf(words, sizeof words, "nothing known of the %zu screws but their turns", t->screws);
    pl_text_note(out, words);
    if (isfinite(t->columns_deg) && !t->oriented) {
        snprintf(
            words, sizeof words,
            "by the turns the frame's last column lies at %s, its last row at %s; to spare the "
            "trials next time: columns_deg = %s, rows_deg = %s in [%s]",
            pl_clock(t->columns_deg).s, pl_clock(t->rows_deg).s, pl_fixed(t->columns_deg, 0).s,
            pl_fixed(t->rows_deg, 0).s, t->section);
        pl_text_note(out, words);
    }
    pl_text_notes(out, &t->notes);
}

char *pl_turn_text(const pl_turns *t, const char *file)
{
    pl_string out = { 0 };
    pl_text_verdict(&out, file, 0, &t->verdict);
    screws(&out, t);
    next(&out, t, file);
    numbers(&out, t);
    how(&out, t);
    rests_on(&out, t);
    return pl_string_take(&out);
}
