/* SPDX-License-Identifier: GPL-3.0-or-later */
/* watchsay.c - what plumb-watch says: lines on stdout and in the log, complaints, large letters,
 * the picture, and the user's command on a change. */
#include "watch.h"

#include <errno.h>
#include <langinfo.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

enum { DRAW_S = 2 };

void watch_remark(const watch_voice *v, const char *subject, const char *sentence)
{
    if (!v->c->quiet)
        cli_complain(v->c, subject, sentence);
}

/* Said once, and again when it changed for the better in between. */
static void tell(const watch_voice *v, bool *told, const char *subject, const pl_err *err)
{
    if (err->code != PL_OK && !*told)
        cli_complain(v->c, subject, err->msg[0] ? err->msg : "out of memory");
    if (err->code == PL_OK && *told)
        watch_remark(v, subject, "can be written again");
    *told = err->code != PL_OK;
}

static void run_command(watch_voice *v, const pl_verdict *now, const char *file)
{
    const char *const setting[] = { "PLUMB_FILE",
                                    file,
                                    "PLUMB_STATE",
                                    pl_state_word(now->state),
                                    "PLUMB_CAUSE",
                                    pl_cause_word(now->cause),
                                    "PLUMB_TEXT",
                                    now->text,
                                    "PLUMB_ACTION",
                                    now->action,
                                    NULL };
    int bad = cli_command(&v->commands, v->o->on_change, setting);
    if (bad == EAGAIN)
        watch_remark(v, "--on-change", "earlier commands still run; this change is left out");
    else if (bad)
        cli_complain(v->c, "--on-change", strerror(bad));
}

static void alert(watch_voice *v, const pl_verdict *now, const char *file)
{
    if (!pl_verdict_news(&v->standing, now))
        return;
    if (v->o->bell && now->state == PL_OUTSIDE && isatty(STDERR_FILENO))
        fputc('\a', stderr);
    if (v->o->on_change)
        run_command(v, now, file);
}

static void say(watch_voice *v, const char *text)
{
    pl_err err = { PL_OK, "" };
    if (fputs(text, stdout) == EOF || fflush(stdout) != 0) {
        err.code = PL_EIO;
        snprintf(err.msg, sizeof err.msg, "writing the result: %s", strerror(errno));
        if (errno == EPIPE)
            v->closed = true;
        else
            clearerr(stdout); /* a full disc may empty again */
    }
    tell(v, &v->told_out, NULL, &err);
}

static void tell_log(watch_voice *v, const pl_err *err)
{
    if (pl_watchlog_renewed(v->log))
        cli_complain(v->c, v->o->log, "was deleted or moved away; a new one is begun");
    tell(v, &v->told_log, v->o->log, err);
}

static void keep(watch_voice *v, const pl_arrival *a, const char *digest, const char *line)
{
    pl_err err = { PL_OK, "" };
    pl_watchlog_add(v->log, a, digest, line, &err);
    tell_log(v, &err);
}

/* The size of the terminal, or of one. */
static void terminal(int *columns, int *rows)
{
    struct winsize w = { .ws_col = 0 };
    bool known = ioctl(STDOUT_FILENO, TIOCGWINSZ, &w) == 0 && w.ws_col > 0 && w.ws_row > 4;
    *columns = known ? w.ws_col : 80;
    *rows = known ? w.ws_row - 2 : 22; /* the plain line stands below */
}

static void say_big(watch_voice *v, const char *words)
{
    int columns, rows;
    const char *plain = getenv("NO_COLOR");
    bool shown = isatty(STDOUT_FILENO), red = shown && v->c->red && !(plain && *plain);
    terminal(&columns, &rows);
    char *text = pl_big_text(words, columns, rows, strcmp(nl_langinfo(CODESET), "UTF-8") == 0);
    say(v, shown ? "\033[H\033[2J" : "");
    say(v, red ? "\033[38;5;124m" : "");
    say(v, text ? text : "");
    say(v, red ? "\033[0m" : "");
    free(text);
}

/* What was found goes to the terminal, into the log and to the command. */
static void give(watch_voice *v, const char *text, const char *line, const pl_watch_word *word,
                 const pl_verdict *now, const pl_arrival *a, const char *digest)
{
    if (!text || !line) {
        cli_complain(v->c, a->path, "out of memory");
        return;
    }
    if (v->o->big && !v->c->json)
        say_big(v, word->s);
    say(v, v->c->json ? line : text);
    keep(v, a, digest, line);
    alert(v, now, a->path);
}

static void clock_of(char out[16])
{
    time_t now = time(NULL);
    struct tm tm;
    out[0] = '\0';
    if (localtime_r(&now, &tm))
        strftime(out, 16, "%H:%M:%S", &tm);
}

void watch_say_followed(watch_voice *v, const pl_followed *f, const pl_arrival *a,
                        const char *digest)
{
    char clock[16];
    clock_of(clock);
    char *line = pl_watch_json(f, a, digest), *text = pl_watch_text(f, a->path, clock);
    pl_watch_word word = pl_big_followed(f);
    give(v, text, line, &word, &f->verdict, a, digest);
    snprintf(v->title, sizeof v->title, "%s", f->verdict.text);
    v->to_draw = true;
    free(line);
    free(text);
}

void watch_say_donut(watch_voice *v, const pl_donut *d, const pl_arrival *a, const char *digest)
{
    char clock[16];
    clock_of(clock);
    char *line = pl_watch_donut_json(d, a, digest);
    char *text = pl_watch_donut_text(d, a->path, clock);
    pl_watch_word word = pl_big_donut(d);
    give(v, text, line, &word, &d->verdict, a, digest);
    free(line);
    free(text);
}

void watch_say_unmeasured(watch_voice *v, const pl_arrival *a, const char *digest, const char *why)
{
    char *line = pl_watch_error_json(why, a, digest);
    cli_complain(v->c, a->path, why);
    if (line && v->c->json)
        say(v, line);
    if (line)
        keep(v, a, digest, line);
    free(line);
}

void watch_say_waiting(watch_voice *v)
{
    pl_err err = { PL_OK, "" };
    if (pl_watchlog_waiting(v->log) == 0)
        return;
    pl_watchlog_flush(v->log, &err);
    tell_log(v, &err);
}

void watch_say_head(watch_voice *v)
{
    if (!v->c->json && !v->o->big && !v->o->donut)
        say(v, pl_watch_head());
}

/* ---- the picture */

static time_t now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec;
}

void watch_draw(watch_voice *v, const pl_history *history, bool at_leisure)
{
    pl_err err = { PL_OK, "" };
    if (!v->c->png || !v->to_draw || !(at_leisure || now_s() - v->drawn >= DRAW_S))
        return;
    pl_watch_draw(history, v->title, v->c->red, v->c->png, &err);
    tell(v, &v->told_png, NULL, &err);
    v->to_draw = err.code != PL_OK;
    v->drawn = now_s();
}
