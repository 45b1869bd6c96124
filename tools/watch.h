/* SPDX-License-Identifier: GPL-3.0-or-later */
/* watch.h - the parts of plumb-watch: what it hears (an arrival) and what it says. */
#ifndef PLUMB_WATCH_H
#define PLUMB_WATCH_H

#include "cli.h"

#include <time.h>

typedef struct {
    pl_check_options check;
    const char *log, *on_change;
    bool bell, big, donut;
    double patience_s;
} watch_options;

/* ---- watchsay.c: to the terminal, into the log, to the user's command, as a picture */

/* Start from { .c = c, .o = options, .log = log }. */
typedef struct {
    const cli *c;
    const watch_options *o;
    pl_watchlog *log; /* borrowed */
    bool closed;      /* nobody reads stdout any more */
    bool told_log, told_png, told_out;
    pl_standing standing;
    cli_commands commands;
    char title[240]; /* of the picture: the last verdict */
    bool to_draw;
    time_t drawn; /* monotonic */
} watch_voice;

/* watch_remark - what --quiet keeps back. */
void watch_remark(const watch_voice *v, const char *subject, const char *sentence);

void watch_say_head(watch_voice *v);

/* watch_say_followed, watch_say_donut - what was found in an exposure. */
void watch_say_followed(watch_voice *v, const pl_followed *f, const pl_arrival *a,
                        const char *digest);
void watch_say_donut(watch_voice *v, const pl_donut *d, const pl_arrival *a, const char *digest);

/* watch_say_unmeasured - a file that cannot be measured has its line too. */
void watch_say_unmeasured(watch_voice *v, const pl_arrival *a, const char *digest, const char *why);

/* watch_say_waiting - lines that could not be written are tried again. */
void watch_say_waiting(watch_voice *v);

/* watch_draw - the picture, when there is something new in it.
 *   at_leisure  in  nothing else is to do: draw at once, else not oftener than every few seconds */
void watch_draw(watch_voice *v, const pl_history *history, bool at_leisure);

/* ---- watchtake.c: one arrival */

/* watch_take - measure a file whose content is new, and say what was found; have one that cannot be
 * read arrive again. */
void watch_take(watch_voice *v, pl_watch *watch, pl_follow *follow, const pl_arrival *a);

#endif
