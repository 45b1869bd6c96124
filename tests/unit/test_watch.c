/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A folder in which files arrive in all the ways they do. Times are this test's own clock's. */
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

TestSuite(watch, .init = frames_begin, .fini = frames_end, .timeout = 60);

static const frames_layout PLAIN = { 16, 100, 50, 0, NULL, false, 0 };

static double now(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static char *folder(void)
{
    static char path[512];
    snprintf(path, sizeof path, "%s", frames_path("subs"));
    mkdir(path, 0777);
    return path;
}

static const char *at(const char *name)
{
    static char path[600];
    snprintf(path, sizeof path, "%s/%s", folder(), name);
    return path;
}

static pl_watch *begin(double patience)
{
    pl_watch *w = NULL;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_watch_new(folder(), patience, &w, &err), PL_OK), "%s", err.msg);
    return w;
}

/* The next one has this name, and comes between `least` and `most` seconds from now; "" for none.
 */
static void expect(pl_watch *w, const char *name, double least, double most, pl_notes *notes)
{
    pl_arrival a;
    pl_notes own = { NULL, 0, 0 };
    double start = now();
    cr_assert(eq(int, pl_watch_next(w, (int)(1000 * most), &a, notes ? notes : &own, NULL), PL_OK));
    double took = now() - start;
    const char *slash = a.path ? strrchr(a.path, '/') : NULL;
    cr_assert(eq(str, (char *)(slash ? slash + 1 : ""), (char *)name), "after %.2f s", took);
    cr_expect(took >= least, "%s after %.2f s", name, took);
    cr_expect(a.path == NULL || pl_arrival_same(&a), "%s", name);
    pl_arrival_clear(&a);
    pl_notes_clear(&own);
}

static void part_of(const char *name, const char *whole, long from, long to)
{
    char *bytes = malloc((size_t)to);
    FILE *f = fopen(whole, "rb");
    cr_assert(f && fread(bytes, 1, (size_t)to, f) == (size_t)to);
    fclose(f);
    f = fopen(name, from ? "ab" : "wb");
    cr_assert(f && fwrite(bytes + from, 1, (size_t)(to - from), f) == (size_t)(to - from));
    fclose(f);
    free(bytes);
}

Test(watch, written_renamed_and_there_before)
{
    frames_put(at("before.fits"), &PLAIN, NULL);
    pl_watch *w = begin(60);
    expect(w, "before.fits", 0.9, 8, NULL); /* who knows whether it is still written */
    frames_put(at("written.fit"), &PLAIN, NULL);
    expect(w, "written.fit", 0, 8, NULL);
    frames_put(at(".hidden"), &PLAIN, NULL);
    char hidden[600];
    snprintf(hidden, sizeof hidden, "%s", at(".hidden"));
    cr_assert(eq(int, rename(hidden, at("renamed.FITS")), 0));
    expect(w, "renamed.FITS", 0, 8, NULL);
    expect(w, "", 2.4, 2.5, NULL); /* the folder was read again meanwhile: none comes twice */
    pl_watch_free(w);
}

Test(watch, ignores_what_is_no_frame_by_its_name)
{
    pl_watch *w = begin(60);
    frames_put(at(".fits"), &PLAIN, NULL);
    frames_put(at(".x.fits"), &PLAIN, NULL);
    frames_put(at("notes.txt"), &PLAIN, NULL);
    frames_put(at("fits"), &PLAIN, NULL);
    mkdir(at("folder.fits"), 0777);
    expect(w, "", 1.4, 1.5, NULL);
    frames_put(at("a.fts.gz"), &PLAIN, NULL);
    expect(w, "a.fts.gz", 0, 8, NULL);
    pl_watch_free(w);
}

Test(watch, waits_for_the_rest)
{
    pl_watch *w = begin(60);
    const char *whole = frames_path("whole.fits");
    frames_put(whole, &PLAIN, NULL);
    part_of(at("a.fits"), whole, 0, 5000);
    expect(w, "", 1.9, 2, NULL);
    part_of(at("a.fits"), whole, 5000, 2880 * 5);
    expect(w, "a.fits", 0, 8, NULL);
    part_of(at("b.fits"), whole, 0, 1); /* not even a header */
    expect(w, "", 1.4, 1.5, NULL);
    pl_watch_free(w);
}

/* All pixels are there, the last block is not full: some programs leave it so. */
Test(watch, a_second_for_the_padding)
{
    pl_watch *w = begin(60);
    frames_layout bare = PLAIN;
    bare.missing = 700;
    frames_put(at("bare.fits"), &bare, NULL);
    expect(w, "bare.fits", 0.8, 8, NULL);
    pl_watch_free(w);
}

Test(watch, but_not_for_ever)
{
    pl_watch *w = begin(2);
    frames_layout cut = PLAIN;
    cut.missing = 6000;
    frames_put(at("cut.fits"), &cut, NULL);
    expect(w, "cut.fits", 1.5, 10, NULL);
    expect(w, "", 0.9, 1, NULL);
    pl_watch_free(w);
}

/* Also with a time of change that lies in the past: clocks step. */
Test(watch, comes_again_when_it_was_changed)
{
    pl_watch *w = begin(60);
    frames_put(at("a.fits"), &PLAIN, NULL);
    expect(w, "a.fits", 0, 8, NULL);
    frames_layout larger = PLAIN;
    larger.width = 200;
    frames_put(at("a.fits"), &larger, NULL);
    expect(w, "a.fits", 0, 8, NULL);
    const struct timespec past[] = { { 1000, 0 }, { 1000, 0 } };
    utimensat(AT_FDCWD, at("a.fits"), past, 0); /* no notice comes of that: the folder is read */
    expect(w, "a.fits", 0.5, 10, NULL);
    unlink(at("a.fits"));
    expect(w, "", 2.4, 2.5, NULL);
    frames_put(at("a.fits"), &PLAIN, NULL);
    expect(w, "a.fits", 0, 8, NULL);
    pl_watch_free(w);
}

/* Twice 2 s apart at first; five times in all, and anew when it was changed. */
Test(watch, comes_again_when_it_could_not_be_read)
{
    double stored[100 * 50] = { 0 };
    frames_put(at("a.fits"), &PLAIN, stored);
    pl_arrival a = { (char *)at("a.fits"), 0, 0 };
    pl_watch *w = begin(60);
    expect(w, "a.fits", 0, 3, NULL);
    cr_expect(pl_watch_again(w, &a));
    expect(w, "a.fits", 1.9, 4, NULL);
    cr_expect(pl_watch_again(w, &a));
    expect(w, "", 3, 3.5, NULL);
    frames_put(at("b.fits"), &PLAIN, stored); /* nobody waits for it */
    expect(w, "b.fits", 0, 3, NULL);
    expect(w, "a.fits", 0, 5, NULL);
    expect(w, "", 1, 1.5, NULL);
    frames_put(at("a.fits"), &PLAIN, stored);
    expect(w, "a.fits", 0, 3, NULL);
    cr_expect(pl_watch_again(w, &a));
    expect(w, "a.fits", 1.9, 4, NULL);
    a.path = "nowhere.fits";
    cr_expect(not(pl_watch_again(w, &a)));
    pl_watch_free(w);
}

Test(watch, a_thousand_at_once_by_time_of_change)
{
    enum { N = 1000 };
    char name[32];
    for (int i = 0; i < N; i++) {
        snprintf(name, sizeof name, "%d.fits", i);
        const struct timespec when[] = { { 5000 - i, 0 }, { 5000 - i, 0 } };
        frames_put(at(name), &PLAIN, NULL);
        utimensat(AT_FDCWD, at(name), when, 0);
    }
    pl_watch *w = begin(60);
    for (int i = N - 1; i >= 0; i--) {
        snprintf(name, sizeof name, "%d.fits", i);
        expect(w, name, 0, 8, NULL);
        if (i == N - 1)
            cr_expect(eq(sz, pl_watch_waiting(w), N - 1));
    }
    expect(w, "", 0, 0.1, NULL);
    pl_watch_free(w);
}

/* A file in the folder's place: the reason is the system's own. */
static void expect_trouble(pl_watch *w)
{
    pl_notes notes = { NULL, 0, 0 };
    char place[512], aside[600];
    snprintf(place, sizeof place, "%s", folder());
    snprintf(aside, sizeof aside, "%s-of-before", place);
    cr_assert(eq(int, rename(place, aside), 0));
    close(open(place, O_WRONLY | O_CREAT, 0600));
    expect(w, "", 2.9, 3, &notes);
    cr_assert(notes.n == 1 && strstr(notes.item[0], "cannot be read: Not a directory"), "%zu notes",
              notes.n);
    pl_notes_clear(&notes);
    unlink(place);
    cr_assert(eq(int, rename(aside, place), 0));
    expect(w, "", 2.9, 3, &notes);
    cr_assert(notes.n == 1 && strstr(notes.item[0], "can be read again"), "%zu notes", notes.n);
    pl_notes_clear(&notes);
}

Test(watch, survives_its_folder)
{
    pl_watch *w = begin(60);
    pl_notes notes = { NULL, 0, 0 };
    char aside[600];
    snprintf(aside, sizeof aside, "%s-aside", folder());
    expect(w, "", 0.1, 0.2, NULL);
    cr_assert(eq(int, rename(folder(), aside), 0));
    rmdir(frames_path("subs"));
    expect(w, "", 2.9, 3, &notes);
    cr_assert(notes.n == 1 && strstr(notes.item[0], "is gone"), "%zu notes", notes.n);
    pl_notes_clear(&notes);
    frames_put(at("new.fits"), &PLAIN, NULL); /* makes the folder anew */
    expect(w, "new.fits", 0, 8, &notes);
    cr_expect(notes.n == 1 && strstr(notes.item[0], "is back"), "%zu notes", notes.n);
    pl_notes_clear(&notes);
    expect_trouble(w);
    frames_put(at("newer.fits"), &PLAIN, NULL); /* notices are on again */
    expect(w, "newer.fits", 0, 8, NULL);
    pl_watch_free(w);
}

Test(watch, refuses)
{
    pl_watch *w = NULL;
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_watch_new(frames_path("nowhere"), 60, &w, &err), PL_EIO));
    cr_expect(strstr(err.msg, "cannot be watched") != NULL, "%s", err.msg);
    cr_expect(eq(int, pl_watch_new("", 60, &w, NULL), PL_EIO));
    cr_expect(w == NULL);
}
