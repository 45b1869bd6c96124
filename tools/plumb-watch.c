/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-watch - reads exposures as they arrive in a folder: a line each, a log, a picture, and a
 * command when the verdict changes. */
#include "cli.h"

#include <errno.h>
#include <langinfo.h>
#include <locale.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <time.h>
#include <unistd.h>

enum { FIRST = 0x400, LOG = 0x500, ON_CHANGE, BELL, PATIENCE, BIG, DONUT };
enum { WAIT_MS = 500, DRAW_S = 2 };

static const cli_option options[] = {
    { "remaining", FIRST, "MIN", "how long the night still lasts" },
    { "refocus-cost", FIRST + 1, "S", "what refocusing takes" },
    { "drift", FIRST + 2, "UM", "focus drift, um an hour at the sensor, + = outward" },
    { "wavelength", FIRST + 3, "UM", "wavelength, um (default: the surface's)" },
    { "log", LOG, "FILE", "append a line of JSON for each exposure; goes on where it ended" },
    { "on-change", ON_CHANGE, "CMD", "run CMD when the verdict changes, see plumb-watch(1)" },
    { "bell", BELL, NULL, "ring the terminal's bell when there is something to do" },
    { "patience", PATIENCE, "S", "how long to wait for a half-written file (default 60)" },
    { "big", BIG, NULL, "the one thing to know in letters read from the tube's other end" },
    { "donut", DONUT, NULL, "read each frame as plumb-donut does, for the collimation screws" },
    { NULL, 0, NULL, NULL },
};

static const char *const facts[] = {
    "aperture_mm", "focal_mm",       "mirror_focal_mm", "obstruction",  "pixel_um",    "mosaic",
    "gain_e_adu",  "saturation_adu", "step_um",         "outward",      "um_per_turn", "carries",
    "backlash_um", "approach",       "fwhm_growth",     "eccentricity", "row_order",   NULL,
};

struct own {
    pl_check_options check;
    pl_surface surface;
    const char *log, *on_change;
    bool bell, big, donut;
    double patience_s;
};

static int set_patience(struct own *o, const char *value, pl_err *err)
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
    struct own *o = ctx;
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
    .facts = facts,
    .own = own,
};

/* A watch on its way. */
struct night {
    const cli *c;
    const struct own *o;
    pl_watch *watch;
    pl_watchlog *log;
    pl_follow *follow;
    cli_commands commands;
    bool begun; /* `last` is the verdict before */
    pl_state state;
    pl_cause cause;
    char title[240];
    bool to_draw, told_log, told_png, told_out;
    time_t drawn; /* monotonic */
};

static volatile sig_atomic_t ended;

static void end(int number)
{
    ended = number;
}

static time_t now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec;
}

static void remark(const struct night *n, const char *subject, const char *sentence)
{
    if (!n->c->quiet)
        cli_complain(n->c, subject, sentence);
}

/* Said once, and again when it changed for the better in between. */
static void tell(const struct night *n, bool *told, const char *subject, const pl_err *err)
{
    if (err->code != PL_OK && !*told)
        cli_complain(n->c, subject, err->msg[0] ? err->msg : "out of memory");
    if (err->code == PL_OK && *told)
        remark(n, subject, "can be written again");
    *told = err->code != PL_OK;
}

static void run_command(struct night *n, const pl_verdict *v, const char *file)
{
    const char *const setting[] = { "PLUMB_FILE",
                                    file,
                                    "PLUMB_STATE",
                                    pl_state_word(v->state),
                                    "PLUMB_CAUSE",
                                    pl_cause_word(v->cause),
                                    "PLUMB_TEXT",
                                    v->text,
                                    "PLUMB_ACTION",
                                    v->action,
                                    NULL };
    int bad = cli_command(&n->commands, n->o->on_change, setting);
    if (bad == EAGAIN)
        remark(n, "--on-change", "earlier commands still run; this change is left out");
    else if (bad)
        cli_complain(n->c, "--on-change", strerror(bad));
}

/* The first verdict counts as a change when there is something to do. */
static void compare(struct night *n, const pl_verdict *v, const char *file)
{
    bool changed = n->begun ? v->state != n->state || v->cause != n->cause : v->state == PL_OUTSIDE;
    n->begun = true;
    n->state = v->state;
    n->cause = v->cause;
    if (!changed)
        return;
    if (n->o->bell && v->state == PL_OUTSIDE && isatty(STDERR_FILENO))
        fputc('\a', stderr);
    if (n->o->on_change)
        run_command(n, v, file);
}

/* ---- one exposure */

static void say(struct night *n, const char *text)
{
    pl_err err = { PL_OK, "" };
    if (fputs(text, stdout) == EOF || fflush(stdout) != 0) {
        err.code = PL_EIO;
        snprintf(err.msg, sizeof err.msg, "writing the result: %s", strerror(errno));
        if (errno == EPIPE)
            ended = SIGPIPE;
        else
            clearerr(stdout); /* a full disc may empty again */
    }
    tell(n, &n->told_out, NULL, &err);
}

static void tell_log(struct night *n, const pl_err *err)
{
    if (pl_watchlog_renewed(n->log))
        cli_complain(n->c, n->o->log, "was deleted or moved away; a new one is begun");
    tell(n, &n->told_log, n->o->log, err);
}

static void keep(struct night *n, const pl_arrival *a, const char *digest, const char *line)
{
    pl_err err = { PL_OK, "" };
    pl_watchlog_add(n->log, a, digest, line, &err);
    tell_log(n, &err);
}

/* The size of the terminal, or of one. */
static void terminal(int *columns, int *rows)
{
    struct winsize w = { .ws_col = 0 };
    bool known = ioctl(STDOUT_FILENO, TIOCGWINSZ, &w) == 0 && w.ws_col > 0 && w.ws_row > 4;
    *columns = known ? w.ws_col : 80;
    *rows = known ? w.ws_row - 2 : 22; /* the plain line stands below */
}

static void say_big(struct night *n, const char *words)
{
    int columns, rows;
    const char *plain = getenv("NO_COLOR");
    bool shown = isatty(STDOUT_FILENO), red = shown && n->c->red && !(plain && *plain);
    terminal(&columns, &rows);
    char *text = pl_big_text(words, columns, rows, strcmp(nl_langinfo(CODESET), "UTF-8") == 0);
    say(n, shown ? "\033[H\033[2J" : "");
    say(n, red ? "\033[38;5;124m" : "");
    say(n, text ? text : "");
    say(n, red ? "\033[0m" : "");
    free(text);
}

/* What was found goes to the terminal, into the log and to the command. */
static void give(struct night *n, const char *text, const char *line, const pl_watch_word *word,
                 const pl_verdict *v, const pl_arrival *a, const char *digest)
{
    if (!text || !line) {
        cli_complain(n->c, a->path, "out of memory");
        return;
    }
    if (n->o->big && !n->c->json)
        say_big(n, word->s);
    say(n, n->c->json ? line : text);
    keep(n, a, digest, line);
    compare(n, v, a->path);
}

static void clock_of(char out[16])
{
    time_t now = time(NULL);
    struct tm tm;
    out[0] = '\0';
    if (localtime_r(&now, &tm))
        strftime(out, 16, "%H:%M:%S", &tm);
}

static void answer(struct night *n, const pl_followed *f, const pl_arrival *a, const char *digest)
{
    char clock[16];
    clock_of(clock);
    char *line = pl_watch_json(f, a, digest), *text = pl_watch_text(f, a->path, clock);
    pl_watch_word word = pl_big_followed(f);
    give(n, text, line, &word, &f->verdict, a, digest);
    snprintf(n->title, sizeof n->title, "%s", f->verdict.text);
    n->to_draw = true;
    free(line);
    free(text);
}

static void answer_donut(struct night *n, const pl_donut *d, const pl_arrival *a,
                         const char *digest)
{
    char clock[16];
    clock_of(clock);
    char *line = pl_watch_donut_json(d, a, digest);
    char *text = pl_watch_donut_text(d, a->path, clock);
    pl_watch_word word = pl_big_donut(d);
    give(n, text, line, &word, &d->verdict, a, digest);
    free(line);
    free(text);
}

/* A file that cannot be measured has its line too. */
static void refuse(struct night *n, const pl_arrival *a, const char *digest, const char *why)
{
    char *line = pl_watch_error_json(why, a, digest);
    cli_complain(n->c, a->path, why);
    if (line && n->c->json)
        say(n, line);
    if (line)
        keep(n, a, digest, line);
    free(line);
}

/* A frame of the sky, open. PL_ENODATA and no sentence: of no sky. */
static pl_status open_light(struct night *n, const char *path, pl_frame **frame, pl_err *err)
{
    pl_status st = pl_frame_open(path, n->c->jobs, frame, err);
    return st == PL_OK && pl_facts_calibration(pl_frame_facts(*frame)) ? PL_ENODATA : st;
}

/* What was measured of a frame: one of both. */
struct reading {
    pl_field field;
    pl_donut donut;
};

static pl_status measure(struct night *n, const char *path, struct reading *r, pl_err *err)
{
    pl_frame *frame = NULL;
    pl_donut_options how = pl_donut_defaults();
    const pl_facts *told = &n->c->facts;
    pl_status st = open_light(n, path, &frame, err);
    if (st == PL_OK && n->o->donut)
        st = pl_donut_measure((const pl_frame *const *)&frame, 1, told, &how, n->c->jobs, &r->donut,
                              err);
    else if (st == PL_OK)
        st = pl_field_measure(frame, told, PL_CHECK_STARS, n->c->jobs, &r->field, err);
    pl_frame_free(frame);
    return st;
}

static pl_status follow(struct night *n, const pl_arrival *a, const char *digest, pl_field *field,
                        pl_err *err)
{
    pl_followed f = { .fade = PL_FADE_NONE };
    pl_status st = pl_follow_frame(n->follow, field, pl_file_name(a->path), n->c->jobs, &f, err);
    if (st == PL_OK)
        answer(n, &f, a, digest);
    pl_followed_clear(&f);
    return st;
}

/* Of a content that is new, and whole as it was measured. */
static void conclude(struct night *n, const pl_arrival *a, const char *digest, struct reading *r,
                     pl_status st, pl_err *err)
{
    if (st == PL_ENODATA && !err->msg[0]) {
        remark(n, a->path, "is a calibration frame; left out");
        pl_watchlog_twin(n->log, a, NULL);
        return;
    }
    if (st == PL_OK && n->o->donut)
        answer_donut(n, &r->donut, a, digest);
    else if (st == PL_OK)
        st = follow(n, a, digest, &r->field, err);
    if (st == PL_ENOMEM)
        cli_complain(n->c, a->path, err->msg);
    else if (st != PL_OK)
        refuse(n, a, digest, err->msg);
}

/* Its bytes are summed up while it is measured: that takes as long, and mostly they are new. */
static void take(struct night *n, const pl_arrival *a)
{
    pl_err err = { PL_OK, "" }, why = { PL_OK, "" };
    struct reading r = { .field.star = NULL };
    char digest[65];
    if (pl_watchlog_knows(n->log, a))
        return;
    pl_digest *sum = pl_digest_begin(a->path);
    pl_status st = measure(n, a->path, &r, &err);
    pl_status summed = pl_digest_end(sum, digest, &why);
    if (!pl_arrival_same(a)) {
        remark(n, a->path, "changed while it was read, or is gone; it is read when it comes again");
    } else if (summed != PL_OK) {
        cli_complain(n->c, a->path, why.msg);
    } else if (pl_watchlog_has(n->log, digest)) {
        remark(n, a->path, "was read before, under this or another name; left out");
        pl_watchlog_twin(n->log, a, NULL);
    } else {
        conclude(n, a, digest, &r, st, &err);
    }
    pl_field_clear(&r.field);
    pl_donut_clear(&r.donut);
}

/* ---- the picture */

static void draw(struct night *n)
{
    pl_err err = { PL_OK, "" };
    if (!n->c->png || !n->to_draw)
        return;
    pl_watch_draw(pl_follow_history(n->follow), n->title, n->c->red, n->c->png, &err);
    tell(n, &n->told_png, NULL, &err);
    n->to_draw = err.code != PL_OK;
    n->drawn = now_s();
}

/* ---- the night */

static void pass_on(struct night *n, const char *subject, pl_notes *notes)
{
    for (size_t i = 0; i < notes->n; i++)
        remark(n, subject, notes->item[i]);
    pl_notes_clear(notes);
}

/* Lines that could not be written are tried again; while no more can wait, files do. */
static void write_waiting(struct night *n)
{
    pl_err err = { PL_OK, "" };
    if (pl_watchlog_waiting(n->log) == 0)
        return;
    pl_watchlog_flush(n->log, &err);
    tell_log(n, &err);
}

static int watch(struct night *n)
{
    pl_err err = { PL_OK, "" };
    pl_notes notes = { NULL, 0, 0 };
    while (!ended) {
        pl_arrival a = { NULL, 0, 0 };
        cli_commands_reap(&n->commands);
        if (pl_watchlog_full(n->log)) {
            struct timespec pause = { 1, 0 };
            nanosleep(&pause, NULL);
        } else if (pl_watch_next(n->watch, WAIT_MS, &a, &notes, &err) != PL_OK) {
            cli_complain(n->c, n->c->file[0], err.msg);
            return EXIT_UNMEASURED;
        }
        pass_on(n, n->c->file[0], &notes);
        if (a.path)
            take(n, &a);
        else
            write_waiting(n);
        pl_arrival_clear(&a);
        if (pl_watch_waiting(n->watch) == 0 || now_s() - n->drawn >= DRAW_S)
            draw(n);
    }
    draw(n);
    write_waiting(n);
    return pl_watchlog_waiting(n->log) ? EXIT_UNMEASURED : EXIT_WITHIN;
}

/* The reference of the exposures before, measured anew. */
static void refer_again(struct night *n, const pl_watched_before *b)
{
    pl_frame *frame = NULL;
    pl_field field = { 0 };
    size_t size = strlen(n->c->file[0]) + strlen(b->reference) + 2;
    char *path = malloc(size);
    *pl_follow_history(n->follow) = b->history;
    if (path && b->reference[0]) {
        snprintf(path, size, "%s/%s", n->c->file[0], b->reference);
        if (open_light(n, path, &frame, NULL) == PL_OK &&
            pl_field_measure(frame, &n->c->facts, PL_CHECK_STARS, n->c->jobs, &field, NULL) ==
                PL_OK)
            pl_follow_refer(n->follow, &field, b->reference);
    }
    pl_frame_free(frame);
    pl_field_clear(&field);
    free(path);
}

static void go_on(struct night *n, const pl_watched_before *b)
{
    char text[120];
    if (!n->o->log)
        remark(n, NULL, "no --log: nothing is kept when this ends");
    if (b->torn)
        remark(n, n->o->log, "its last line was cut short, and is taken off");
    snprintf(text, sizeof text, "%zu of its lines: not of plumb-watch, left as found", b->strange);
    if (b->strange)
        remark(n, n->o->log, text);
    refer_again(n, b);
    if (b->history.n) {
        n->begun = true;
        n->state = b->history.past[b->history.n - 1].state;
        n->cause = b->history.past[b->history.n - 1].cause;
    }
}

static int begin(struct night *n, const pl_surface *surface)
{
    pl_err err = { PL_OK, "" };
    pl_watched_before before;
    if (pl_watchlog_open(n->o->log, &n->log, &before, &err) != PL_OK)
        return cli_failed(n->c, n->o->log, &err);
    if (pl_watch_new(n->c->file[0], n->o->patience_s, &n->watch, &err) != PL_OK)
        return cli_failed(n->c, n->c->file[0], &err);
    if (pl_follow_new(surface, &n->o->check, &n->follow, &err) != PL_OK)
        return cli_failed(n->c, NULL, &err);
    go_on(n, &before);
    if (!n->c->json && !n->o->big && !n->o->donut)
        say(n, pl_watch_head());
    return watch(n);
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

static int run(const cli *c, struct own *o)
{
    struct night n = { .c = c, .o = o };
    bool known;
    if (c->files != 1)
        return cli_misuse(c, "name the folder in which exposures arrive");
    if (o->donut && c->png)
        return cli_misuse(c, "--png draws the night, and --donut follows none");
    if (!cli_spares_inputs(c, c->png) || !cli_spares_inputs(c, o->log) || !apart(c, o->log) ||
        !spares_frames(c, c->png) || !spares_frames(c, o->log))
        return EXIT_UNMEASURED;
    int status = cli_surface(c, &o->surface, &known);
    if (status >= 0)
        return status;
    catch_signals();
    status = begin(&n, known ? &o->surface : NULL);
    pl_watch_free(n.watch);
    pl_watchlog_close(n.log);
    pl_follow_free(n.follow);
    return status;
}

int main(int argc, char **argv)
{
    cli c;
    struct own o = { .check = pl_check_defaults(), .patience_s = 60 };
    setlocale(LC_CTYPE, ""); /* can the terminal show blocks? */
    int rc = cli_parse(&program, argc, argv, &c, &o);
    if (rc < 0)
        rc = run(&c, &o);
    return cli_close(&c, rc);
}
