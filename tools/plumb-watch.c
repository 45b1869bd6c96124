/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-watch - reads exposures as they arrive in a folder: a line each, a log, a picture, and a
 * command when the verdict changes. */
#include "watch.h"

#include <locale.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { FIRST = 0x400, LOG = 0x500, ON_CHANGE, BELL, PATIENCE, BIG, DONUT };
enum { WAIT_MS = 500 };

static const cli_option options[] = {
    CLI_CHECK_OPTIONS(FIRST),
    { "log", LOG, "FILE", "append a line of JSON for each exposure; goes on where it ended" },
    { "on-change", ON_CHANGE, "CMD", "run CMD when the verdict changes, see plumb-watch(1)" },
    { "bell", BELL, NULL, "ring the terminal's bell when there is something to do" },
    { "patience", PATIENCE, "S", "how long to wait for a half-written file (default 60)" },
    { "big", BIG, NULL, "the one thing to know in letters read from the tube's other end" },
    { "donut", DONUT, NULL, "read each frame as plumb-donut does, for the collimation screws" },
    { NULL, 0, NULL, NULL },
};

static int set_patience(watch_options *o, const char *value, pl_err *err)
{
    char *end;
    o->patience_s = strtod(value, &end);
    if (end != value && !*end && o->patience_s >= 1 && o->patience_s <= 86400)
        return 0;
    err->code = PL_EARG;
    snprintf(err->msg, sizeof err->msg, "--patience is \"%.40s\"; 1 to 86400 s is wanted", value);
    return -1;
}

static int own(void *ctx, int letter, const char *value, pl_err *err)
{
    watch_options *o = ctx;
    switch (letter) {
    case LOG:
        o->log = value;
        return 0;
    case ON_CHANGE:
        o->on_change = value;
        return 0;
    case BELL:
        o->bell = true;
        return 0;
    case BIG:
        o->big = true;
        return 0;
    case DONUT:
        o->donut = true;
        return 0;
    case PATIENCE:
        return set_patience(o, value, err);
    default:
        return pl_check_set(&o->check, options[letter - FIRST].name, value, err) == PL_OK ? 0 : -1;
    }
}

static const cli_program program = {
    .name = "plumb-watch",
    .usage = "[OPTION]... FOLDER",
    .about =
        "Waits for exposures in a folder and reads each when it is completely written: focus,\n"
        "air, and the stars' light against the first ones. Ends by Ctrl-C.\n",
    .status = "  0  ended by a signal\n"
              "  2  the folder or the log cannot be used, or the answer could not be written\n",
    .together = true,
    .options = options,
    .facts = cli_check_facts,
    .own = own,
};

static volatile sig_atomic_t ended;

static void end(int number)
{
    ended = number;
}

static void catch_signals(void)
{
    struct sigaction at_end = { .sa_handler = end }, ignore = { .sa_handler = SIG_IGN };
    sigaction(SIGINT, &at_end, NULL);
    sigaction(SIGTERM, &at_end, NULL);
    sigaction(SIGHUP, &at_end, NULL);
    sigaction(SIGPIPE, &ignore, NULL);
    sigaction(SIGXFSZ, &ignore, NULL); /* a limit on files is a full disc, no reason to die */
}

/* A watch on its way. */
struct night {
    watch_voice voice;
    pl_watch *watch;
    pl_watchlog *log;
    pl_follow *follow;
};

static void pass_on(const watch_voice *v, const char *subject, pl_notes *notes)
{
    for (size_t i = 0; i < notes->n; i++)
        watch_remark(v, subject, notes->item[i]);
    pl_notes_clear(notes);
}

/* The next file; none while no more lines of the log can wait. */
static pl_status next(const struct night *n, const char *folder, pl_arrival *a, pl_err *err)
{
    pl_notes notes = { NULL, 0, 0 };
    pl_status st = PL_OK;
    if (pl_watchlog_full(n->log))
        nanosleep(&(struct timespec){ 1, 0 }, NULL);
    else
        st = pl_watch_next(n->watch, WAIT_MS, a, &notes, err);
    pass_on(&n->voice, folder, &notes);
    return st;
}

static int watch(struct night *n, const cli *c)
{
    pl_err err = { PL_OK, "" };
    watch_voice *v = &n->voice;
    const pl_history *history = pl_follow_history(n->follow);
    while (!ended && !v->closed) {
        pl_arrival a = { NULL, 0, 0 };
        if (next(n, c->file[0], &a, &err) != PL_OK)
            return cli_failed(c, c->file[0], &err);
        cli_commands_reap(&v->commands);
        if (a.path)
            watch_take(v, n->watch, n->follow, &a);
        else
            watch_say_waiting(v);
        pl_arrival_clear(&a);
        watch_draw(v, history, pl_watch_waiting(n->watch) == 0);
    }
    watch_draw(v, history, true);
    watch_say_waiting(v);
    return pl_watchlog_waiting(n->log) ? EXIT_UNMEASURED : EXIT_WITHIN;
}

/* ---- where an earlier watch ended */

static void tell_before(const watch_voice *v, const pl_watched_before *b)
{
    char text[120];
    if (!v->o->log)
        watch_remark(v, NULL, "no --log: nothing is kept when this ends");
    if (b->torn)
        watch_remark(v, v->o->log, "its last line was cut short, and is taken off");
    snprintf(text, sizeof text, "%zu of its lines: not of plumb-watch, left as found", b->strange);
    if (b->strange)
        watch_remark(v, v->o->log, text);
}

static bool go_on(struct night *n, const cli *c, const pl_watched_before *b)
{
    size_t size = strlen(c->file[0]) + strlen(b->reference) + 2;
    size_t shortages = pl_memory_shortages();
    char *path = b->reference[0] ? malloc(size) : NULL;
    if (path)
        snprintf(path, size, "%s/%s", c->file[0], b->reference);
    bool room = path || !b->reference[0];
    if (room)
        pl_follow_go_on(n->follow, &b->history, path, &c->facts, c->jobs);
    n->voice.standing = pl_history_standing(&b->history);
    n->voice.to_draw = b->history.n > 0;
    snprintf(n->voice.title, sizeof n->voice.title, "%s", b->verdict);
    free(path);
    return room && pl_memory_shortages() == shortages;
}

static int begin(struct night *n, const cli *c, const watch_options *o, const pl_surface *surface)
{
    pl_err err = { PL_OK, "" };
    pl_watched_before before;
    if (pl_watchlog_open(o->log, &n->log, &before, &err) != PL_OK)
        return cli_failed(c, o->log, &err);
    if (pl_watch_new(c->file[0], o->patience_s, &n->watch, &err) != PL_OK)
        return cli_failed(c, c->file[0], &err);
    if (pl_follow_new(surface, &o->check, &n->follow, &err) != PL_OK)
        return cli_failed(c, NULL, &err);
    n->voice = (watch_voice){ .c = c, .o = o, .log = n->log };
    tell_before(&n->voice, &before);
    if (!go_on(n, c, &before))
        return cli_failed(c, NULL, &(pl_err){ PL_ENOMEM, "" });
    watch_say_head(&n->voice);
    return watch(n, c);
}

/* ---- the command line */

/* Frames are read here, whichever they are: none is to be written over. */
static bool spares_frames(const cli *c, const char *path)
{
    pl_frame *frame = NULL;
    bool is_frame = path && pl_frame_open(path, c->jobs, &frame, NULL) == PL_OK;
    pl_frame_free(frame);
    if (is_frame)
        cli_complain(c, path, "is a frame, and is never written to; give another name");
    return !is_frame;
}

static bool apart(const cli *c, const char *log)
{
    bool good = !c->png || !log || !cli_same_file(c->png, log);
    if (!good)
        cli_complain(c, c->png, "was named for two things; give each a file of its own");
    return good;
}

/* -1 to go on, else the exit status. */
static int check_words(const cli *c, const watch_options *o)
{
    if (c->files != 1)
        return cli_misuse(c, "name the folder in which exposures arrive");
    if (o->donut && c->png)
        return cli_misuse(c, "--png draws the night, and --donut follows none");
    bool spares = cli_spares_inputs(c, c->png) && cli_spares_inputs(c, o->log) &&
                  apart(c, o->log) && spares_frames(c, c->png) && spares_frames(c, o->log);
    return spares ? -1 : EXIT_UNMEASURED;
}

static int run(const cli *c, const watch_options *o)
{
    struct night n = { .watch = NULL };
    pl_surface surface;
    bool known = false;
    int status = check_words(c, o);
    if (status < 0)
        status = cli_surface(c, &surface, &known);
    if (status >= 0)
        return status;
    catch_signals();
    status = begin(&n, c, o, known ? &surface : NULL);
    pl_watch_free(n.watch);
    pl_watchlog_close(n.log);
    pl_follow_free(n.follow);
    return status;
}

int main(int argc, char **argv)
{
    cli c;
    watch_options o = { .check = pl_check_defaults(), .patience_s = 60 };
    setlocale(LC_CTYPE, ""); /* can the terminal show blocks? */
    int rc = cli_parse(&program, argc, argv, &c, &o);
    if (rc < 0)
        rc = run(&c, &o);
    return cli_close(&c, rc);
}
