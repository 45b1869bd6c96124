/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The log: what a kill, a full disc, a second watcher and other programs' lines do to it. */
#include "../../lib/report/report.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>

TestSuite(watchlog, .init = frames_begin, .fini = frames_end);

/* A file that arrived; its digest begins with its number. */
static pl_arrival arrival(int i, char digest[65])
{
    static char path[8][32];
    char *p = path[i % 8];
    snprintf(p, sizeof *path, "subs/%04d.fits", i);
    snprintf(digest, 65, "%08x%056x", (unsigned)i * 2654435761u, i);
    return (pl_arrival){ p, 1000 + i, 1700000000000000000 + i };
}

static pl_watchlog *open_log(const char *path, pl_watched_before *before)
{
    pl_watchlog *log = NULL;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_watchlog_open(path, &log, before, &err), PL_OK), "%s", err.msg);
    return log;
}

static pl_status add(pl_watchlog *log, int i)
{
    char digest[65];
    pl_arrival a = arrival(i, digest);
    char *line = pl_watch_error_json("a fault", &a, digest);
    pl_status rc = pl_watchlog_add(log, &a, digest, line, NULL);
    free(line);
    return rc;
}

static bool has(const pl_watchlog *log, int i)
{
    char digest[65];
    pl_arrival a = arrival(i, digest);
    bool known = pl_watchlog_knows(log, &a);
    cr_assert(eq(int, known, pl_watchlog_has(log, digest)));
    return known;
}

static size_t text_of(const char *path, char *out, size_t size)
{
    FILE *f = fopen(path, "rb");
    cr_assert(f != NULL);
    size_t n = fread(out, 1, size - 1, f);
    fclose(f);
    out[n] = '\0';
    return n;
}

Test(watchlog, goes_on_where_it_ended)
{
    const char *path = frames_path("log");
    pl_watched_before before;
    pl_watchlog *log = open_log(path, &before);
    cr_expect(before.lines == 0 && before.history.n == 0 && !before.torn);
    for (int i = 0; i < 50; i++)
        cr_assert(eq(int, add(log, i), PL_OK));
    pl_watchlog_close(log);
    log = open_log(path, &before);
    cr_expect(eq(sz, before.lines, 50));
    for (int i = 0; i < 50; i++)
        cr_expect(has(log, i), "%d", i);
    cr_expect(not(has(log, 50)));
    pl_watchlog_close(log);
}

/* Killed at any byte of its last line: whole lines stay, the rest goes, and the next one follows.
 */
Test(watchlog, mends_a_torn_end)
{
    char whole[4096], got[4096];
    const char *path = frames_path("log");
    pl_watched_before before;
    pl_watchlog *log = open_log(path, &before);
    add(log, 1);
    add(log, 2);
    pl_watchlog_close(log);
    size_t n = text_of(path, whole, sizeof whole), first = strcspn(whole, "\n") + 1;
    for (size_t cut = first; cut < n; cut += 7) {
        frames_put_bytes(path, whole, cut);
        log = open_log(path, &before);
        cr_expect(eq(int, before.torn, cut > first));
        cr_expect(has(log, 1) && !has(log, 2));
        cr_assert(eq(int, add(log, 2), PL_OK));
        pl_watchlog_close(log);
        cr_assert(text_of(path, got, sizeof got) == n && memcmp(got, whole, n) == 0, "%zu", cut);
    }
}

Test(watchlog, leaves_the_lines_of_others)
{
    char got[4096];
    static const char strange[] = "{\"program\":\"plumb-check\",\"fwhm_px\":3}\nnot even JSON\n";
    const char *path = frames_path("log");
    pl_watched_before before;
    frames_put_bytes(path, strange, strlen(strange));
    pl_watchlog *log = open_log(path, &before);
    cr_expect(before.strange == 2 && before.lines == 0);
    cr_assert(eq(int, add(log, 1), PL_OK));
    pl_watchlog_close(log);
    text_of(path, got, sizeof got);
    cr_expect(strncmp(got, strange, strlen(strange)) == 0);
}

Test(watchlog, refuses_a_second_watcher_and_what_is_no_file)
{
    const char *path = frames_path("log");
    pl_watched_before before;
    pl_watchlog *log = open_log(path, &before), *second = NULL;
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_watchlog_open(path, &second, &before, &err), PL_EIO));
    cr_expect(strstr(err.msg, "another plumb-watch") != NULL, "%s", err.msg);
    pl_watchlog_close(log);
    second = open_log(path, &before);
    pl_watchlog_close(second);
    second = NULL;
    cr_expect(eq(int, pl_watchlog_open("/dev/null", &second, &before, NULL), PL_EIO));
    cr_expect(eq(int, pl_watchlog_open(frames_path("no/where"), &second, &before, NULL), PL_EIO));
    frames_put_bytes(frames_path("notes"), "SIMPLE", 6);
    cr_expect(eq(int, pl_watchlog_open(frames_path("notes"), &second, &before, &err), PL_EIO));
    cr_expect(second == NULL);
}

/* A limit on the file's size cuts a line in the middle, as a full disc does. */
Test(watchlog, loses_nothing_on_a_full_disc)
{
    char got[8192];
    const char *path = frames_path("log");
    struct rlimit full, was;
    struct stat st;
    pl_watched_before before;
    pl_watchlog *log = open_log(path, &before);
    signal(SIGXFSZ, SIG_IGN);
    cr_assert(eq(int, add(log, 0), PL_OK));
    stat(path, &st);
    getrlimit(RLIMIT_FSIZE, &was);
    full = was;
    full.rlim_cur = (rlim_t)st.st_size + 100;
    setrlimit(RLIMIT_FSIZE, &full);
    for (int i = 1; i < 4; i++)
        cr_expect(eq(int, add(log, i), PL_EIO));
    cr_expect(eq(sz, pl_watchlog_waiting(log), 3));
    cr_expect(has(log, 3)); /* not to be measured again */
    struct stat after;
    stat(path, &after);
    cr_expect(after.st_size == st.st_size, "nothing half-written stays");
    setrlimit(RLIMIT_FSIZE, &was);
    cr_expect(eq(int, add(log, 4), PL_OK));
    cr_expect(eq(sz, pl_watchlog_waiting(log), 0));
    pl_watchlog_close(log);
    text_of(path, got, sizeof got);
    char *at = got;
    for (int i = 0; i < 5; i++) {
        char name[32];
        snprintf(name, sizeof name, "subs/%04d.fits", i);
        at = strstr(at, name);
        cr_assert(at != NULL, "%s", name);
    }
}

Test(watchlog, no_more_waits_than_it_may)
{
    pl_watched_before before;
    struct rlimit full = { 1, RLIM_INFINITY };
    pl_watchlog *log = open_log(frames_path("log"), &before);
    signal(SIGXFSZ, SIG_IGN);
    setrlimit(RLIMIT_FSIZE, &full);
    int i = 0;
    while (!pl_watchlog_full(log) && i < 5000)
        cr_assert(eq(int, add(log, i++), PL_EIO));
    cr_expect(i < 5000);
    cr_expect(eq(int, add(log, i), PL_ENOMEM));
    cr_expect(not(has(log, i)));
    pl_watchlog_close(log);
}

/* An exposure's own line comes back as what it was. */
Test(watchlog, recalls_the_past)
{
    char digest[65];
    pl_arrival a = arrival(3, digest);
    pl_followed f = { .matched = true,
                      .match = { .transparency = 0.75, .transparency_sigma = 0.01, .spread = 1.1 },
                      .reference = "first.fits",
                      .verdict = { PL_OUTSIDE, PL_CAUSE_DEW, "dew?", "warm it" } };
    f.check.facts = pl_facts_unknown();
    f.check.sense.defocus_um = -12.5;
    f.check.fwhm_px = 3.25;
    f.past = (pl_past){ .minutes = 13945678.25 };
    pl_watched_before before;
    pl_watchlog *log = open_log(frames_path("log"), &before);
    char *line = pl_watch_json(&f, &a, digest);
    cr_assert(eq(int, pl_watchlog_add(log, &a, digest, line, NULL), PL_OK));
    free(line);
    add(log, 4); /* one that could not be measured leaves no past */
    pl_watchlog_close(log);
    log = open_log(frames_path("log"), &before);
    cr_assert(before.history.n == 1 && before.lines == 2);
    const pl_past *p = &before.history.past[0];
    cr_expect(epsilon_eq(dbl, p->minutes, 13945678.25, 1e-3));
    cr_expect(epsilon_eq(dbl, p->defocus_um, -12.5, 1e-9));
    cr_expect(epsilon_eq(dbl, p->fwhm_px, 3.25, 1e-9));
    cr_expect(epsilon_eq(dbl, p->transparency, 0.75, 1e-9));
    cr_expect(p->state == PL_OUTSIDE && p->cause == PL_CAUSE_DEW && isnan(p->airmass));
    cr_expect(eq(str, before.reference, "first.fits"));
    cr_expect(eq(str, before.verdict, "dew?"));
    pl_watchlog_close(log);
}

/* One that was held against none shows another field, and begins it: with all of its light. */
Test(watchlog, recalls_a_reference)
{
    pl_watched_before before;
    pl_watchlog *log = open_log(frames_path("log"), &before);
    static const char *const reference[] = { "", "0000.fits", "" };
    for (int i = 0; i < 3; i++) {
        char digest[65];
        pl_arrival a = arrival(i, digest);
        pl_followed f = { .matched = i == 1,
                          .match = { .transparency = 0.75, .spread = 1.1 },
                          .verdict = { PL_INSIDE, PL_CAUSE_NONE, "", "" } };
        snprintf(f.reference, sizeof f.reference, "%s", reference[i]);
        f.check.facts = pl_facts_unknown();
        char *line = pl_watch_json(&f, &a, digest);
        cr_assert(eq(int, pl_watchlog_add(log, &a, digest, line, NULL), PL_OK));
        free(line);
        pl_watchlog_close(log);
        log = open_log(frames_path("log"), &before);
        const pl_past *p = before.history.past;
        cr_assert(eq(sz, before.history.n, (size_t)i + 1));
        cr_expect(i == 2 ? isnan(p[0].transparency) : p[0].transparency == 1);
        cr_expect(eq(dbl, p[i].transparency, i == 1 ? 0.75 : 1));
        cr_expect(eq(dbl, p[i].spread, i == 1 ? 1.1 : 1));
        cr_expect(eq(str, before.reference, i == 2 ? "0002.fits" : "0000.fits"));
    }
    pl_watchlog_close(log);
}

Test(watchlog, without_a_file_all_is_in_memory)
{
    pl_watched_before before;
    pl_watchlog *log = open_log(NULL, &before);
    for (int i = 0; i < 1000; i++)
        cr_assert(eq(int, add(log, i), PL_OK));
    cr_expect(has(log, 0) && has(log, 999) && !has(log, 1000));
    cr_expect(eq(sz, pl_watchlog_waiting(log), 0));
    pl_watchlog_close(log);
}
