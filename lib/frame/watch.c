/* SPDX-License-Identifier: GPL-3.0-or-later */
/* watch.c - a folder in which exposures arrive: which files are completely written, each once.
 *
 * What inotify tells is looked at at once. All else (shares on a network, a queue that ran over,
 * the folder mounted anew) comes to light when the folder is read again. Of a file little is kept:
 * a key of its name, its size and time of change; its name only while it waits. */
#include "frame.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/inotify.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

enum {
    RESCAN_MS = 2000,
    SETTLE_MS = 1000,
    LOOK_MS = 100,
    TELL_MS = 10000,
    TRIES = 5, /* besides the first one, each twice as long after the one before */
    EVENTS = 1 << 14,
    FITS_BLOCK = 2880
};

static const uint32_t MASK = IN_CLOSE_WRITE | IN_MOVED_TO | IN_CREATE | IN_MODIFY | IN_ONLYDIR;

typedef struct {
    uint64_t key; /* of its name */
    char *name;   /* while it waits; NULL: handed out, as it was then */
    int64_t bytes, modified_ns;
    ino_t inode;
    int64_t since_ms; /* it has been like this */
    int64_t hold_ms;  /* not to be looked at before */
    int tries;        /* how often it was handed out again as it is */
    bool closed;      /* by its writer, since it changed last */
    bool open;        /* a writer was seen at work and has not closed it */
    bool told, there;
} item;

struct pl_watch {
    char *folder;
    int dir, notices; /* -1: none */
    int64_t patience_ms, rescan_ms, now_ms;
    item *item; /* [items] */
    size_t items, cap;
    pl_keys at;  /* name's key to index */
    int trouble; /* why the folder cannot be read, as errno; 0: it can */
};

static int64_t clock_ms(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

static bool is_frame_name(const char *name)
{
    static const char *const suffix[] = { ".fits", ".fit", ".fts" };
    size_t n = strlen(name);
    if (name[0] == '.')
        return false;
    if (n > 3 && (strcasecmp(name + n - 3, ".fz") == 0 || strcasecmp(name + n - 3, ".gz") == 0))
        n -= 3;
    for (size_t i = 0; i < PL_ARRAY_LEN(suffix); i++) {
        size_t m = strlen(suffix[i]);
        if (n > m && strncasecmp(name + n - m, suffix[i], m) == 0)
            return true;
    }
    return false;
}

static int64_t modified(const struct stat *st)
{
    return (int64_t)st->st_mtim.tv_sec * 1000000000 + st->st_mtim.tv_nsec;
}

/* ---- what lies in the folder */

static pl_status item_of(pl_watch *w, const char *name, item **out, pl_err *err)
{
    uint64_t key = pl_key_of(name, strlen(name));
    size_t i;
    if (pl_keys_get(&w->at, key, &i)) {
        *out = &w->item[i];
        return PL_OK;
    }
    pl_status rc = pl_grow((void **)&w->item, &w->cap, w->items, sizeof *w->item, err);
    if (rc == PL_OK)
        rc = pl_keys_put(&w->at, key, w->items, err);
    if (rc != PL_OK)
        return rc;
    w->item[w->items] = (item){ .key = key, .bytes = -1, .since_ms = w->now_ms };
    *out = &w->item[w->items++];
    return PL_OK;
}

/* A name that was told or read: is there anything new about it?
 *   event  in  inotify's mask; 0: the folder was read */
static pl_status look(pl_watch *w, const char *name, uint32_t event, pl_err *err)
{
    struct stat st;
    item *it;
    if (!is_frame_name(name) || fstatat(w->dir, name, &st, 0) != 0 || !S_ISREG(st.st_mode))
        return PL_OK;
    pl_status rc = item_of(w, name, &it, err);
    if (rc != PL_OK)
        return rc;
    it->there = true;
    if (it->bytes != st.st_size || it->modified_ns != modified(&st) || it->inode != st.st_ino) {
        char *copy = it->name ? it->name : strdup(name);
        if (!copy)
            return pl_fail(err, PL_ENOMEM, "out of memory for a file's name");
        *it = (item){ .key = it->key,
                      .name = copy,
                      .bytes = st.st_size,
                      .modified_ns = modified(&st),
                      .inode = st.st_ino,
                      .since_ms = w->now_ms,
                      .open = it->name && it->open,
                      .there = true };
    }
    if (event & IN_MODIFY)
        it->open = true;
    if (event & (IN_CLOSE_WRITE | IN_MOVED_TO)) {
        it->open = false;
        it->closed = true;
        it->hold_ms = 0;
    }
    return PL_OK;
}

/* Items whose file is gone make room. */
static pl_status sweep(pl_watch *w, pl_err *err)
{
    size_t n = 0;
    for (size_t i = 0; i < w->items; i++)
        if (w->item[i].there)
            w->item[n++] = w->item[i];
        else
            free(w->item[i].name);
    if (n == w->items)
        return PL_OK;
    w->items = n;
    pl_keys_clear(&w->at);
    pl_status rc = PL_OK;
    for (size_t i = 0; i < n && rc == PL_OK; i++)
        rc = pl_keys_put(&w->at, w->item[i].key, i, err);
    return rc;
}

/* A descriptor of the folder and of its notices, also after it was mounted anew. */
static bool reopen(pl_watch *w)
{
    int dir = open(w->folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (dir < 0)
        return false;
    struct stat was, is;
    bool same = w->dir >= 0 && fstat(w->dir, &was) == 0 && fstat(dir, &is) == 0 &&
                was.st_dev == is.st_dev && was.st_ino == is.st_ino;
    if (same) {
        close(dir);
        return true;
    }
    if (w->dir >= 0)
        close(w->dir);
    if (w->notices >= 0)
        close(w->notices);
    w->dir = dir;
    w->notices = inotify_init1(IN_NONBLOCK | IN_CLOEXEC);
    if (w->notices >= 0 && inotify_add_watch(w->notices, w->folder, MASK) < 0) {
        close(w->notices);
        w->notices = -1; /* then the folder is read again and again */
    }
    return true;
}

static void say_trouble(pl_watch *w, int trouble, pl_notes *notes)
{
    if (trouble == w->trouble)
        return;
    if (trouble == ENOENT)
        pl_note(notes, "the folder is gone; waiting for it");
    else if (trouble)
        pl_note(notes, "the folder cannot be read: %s; trying again", strerror(trouble));
    else
        pl_note(notes,
                w->trouble == ENOENT ? "the folder is back" : "the folder can be read again");
    w->trouble = trouble;
}

/* NULL: at the end (errno 0), or it cannot be read on. */
static const char *next_name(DIR *d)
{
    errno = 0;
    /* cppcheck-suppress readdirCalled ; no other thread reads this stream */
    const struct dirent *e = readdir(d);
    return e ? e->d_name : NULL;
}

static pl_status read_folder(pl_watch *w, pl_notes *notes, pl_err *err)
{
    pl_status rc = PL_OK;
    DIR *d = reopen(w) ? opendir(w->folder) : NULL;
    say_trouble(w, d ? 0 : errno, notes);
    w->rescan_ms = w->now_ms + RESCAN_MS;
    if (!d)
        return PL_OK;
    for (size_t i = 0; i < w->items; i++)
        w->item[i].there = false;
    const char *name;
    while (rc == PL_OK && (name = next_name(d)))
        rc = look(w, name, 0, err);
    bool whole = errno == 0;
    closedir(d);
    return rc == PL_OK && whole ? sweep(w, err) : rc;
}

/* ---- notices */

static pl_status take_notices(pl_watch *w, pl_err *err)
{
    union {
        char bytes[EVENTS];
        struct inotify_event aligned;
    } buf;
    pl_status rc = PL_OK;
    ssize_t n;
    while (rc == PL_OK && w->notices >= 0 &&
           (n = read(w->notices, buf.bytes, sizeof buf.bytes)) > 0)
        for (ssize_t at = 0; at < n && rc == PL_OK;) {
            const struct inotify_event *e = (const void *)(buf.bytes + at);
            at += (ssize_t)(sizeof *e + e->len);
            if (e->mask & (IN_Q_OVERFLOW | IN_IGNORED))
                w->rescan_ms = 0;
            else if (e->len)
                rc = look(w, e->name, e->mask, err);
        }
    return rc;
}

/* ---- which one is complete */

static bool is_due(const pl_watch *w, const item *it)
{
    int64_t quiet = w->now_ms - it->since_ms;
    if (!it->name || w->now_ms < it->hold_ms)
        return false;
    return it->closed || quiet >= (it->open ? w->patience_ms : SETTLE_MS);
}

/* Whether the file holds what its headers promise, or was waited for long enough. */
static bool is_complete(pl_watch *w, item *it, pl_notes *notes)
{
    int64_t quiet = w->now_ms - it->since_ms;
    int fd = openat(w->dir, it->name, O_RDONLY | O_NONBLOCK | O_CLOEXEC);
    int64_t promised = fd < 0 ? 0 : pl_fits_promise(fd, it->bytes);
    if (fd >= 0)
        close(fd);
    bool padded = promised == 0 || it->bytes % FITS_BLOCK == 0; /* else more may come, or not */
    if (quiet >= w->patience_ms || (promised <= it->bytes && (padded || quiet >= SETTLE_MS)))
        return true;
    it->hold_ms = w->now_ms + LOOK_MS;
    if (!it->told && quiet >= TELL_MS) {
        pl_note(notes, "%.120s is half-written (%lld bytes) and does not grow; waiting", it->name,
                (long long)it->bytes);
        it->told = true;
    }
    return false;
}

static bool before(const item *a, const item *b)
{
    if (a->modified_ns != b->modified_ns)
        return a->modified_ns < b->modified_ns;
    return strcmp(a->name, b->name) < 0;
}

static item *first_due(pl_watch *w)
{
    item *first = NULL;
    for (size_t i = 0; i < w->items; i++)
        if (is_due(w, &w->item[i]) && (!first || before(&w->item[i], first)))
            first = &w->item[i];
    return first;
}

static pl_status hand_out(pl_watch *w, item *it, pl_arrival *out, pl_err *err)
{
    size_t size = strlen(w->folder) + strlen(it->name) + 2;
    char *path = malloc(size);
    if (!path)
        return pl_fail(err, PL_ENOMEM, "out of memory for a file's name");
    const char *slash = w->folder[strlen(w->folder) - 1] == '/' ? "" : "/";
    snprintf(path, size, "%s%s%s", w->folder, slash, it->name);
    out->path = path;
    out->bytes = it->bytes;
    out->modified_ns = it->modified_ns;
    free(it->name);
    it->name = NULL;
    return PL_OK;
}

static pl_status try_once(pl_watch *w, pl_arrival *out, pl_notes *notes, pl_err *err)
{
    w->now_ms = clock_ms();
    pl_status rc = take_notices(w, err);
    if (rc == PL_OK && w->now_ms >= w->rescan_ms)
        rc = read_folder(w, notes, err);
    item *it;
    while (rc == PL_OK && (it = first_due(w)))
        if (is_complete(w, it, notes))
            return hand_out(w, it, out, err);
    return rc;
}

/* Sleep until something may have changed. */
static bool rest(pl_watch *w, int64_t end_ms)
{
    int64_t until = end_ms < w->rescan_ms ? end_ms : w->rescan_ms;
    for (size_t i = 0; i < w->items; i++)
        if (w->item[i].name && until > w->now_ms + LOOK_MS)
            until = w->now_ms + LOOK_MS;
    int64_t ms = until - clock_ms();
    struct pollfd p = { w->notices, POLLIN, 0 };
    return ms <= 0 || poll(&p, w->notices >= 0, (int)ms) >= 0 || errno != EINTR;
}

pl_status pl_watch_next(pl_watch *watch, int wait_ms, pl_arrival *out, pl_notes *notes, pl_err *err)
{
    int64_t end = clock_ms() + wait_ms;
    *out = (pl_arrival){ NULL, 0, 0 };
    for (;;) {
        pl_status rc = try_once(watch, out, notes, err);
        if (rc != PL_OK || out->path || watch->now_ms >= end || !rest(watch, end))
            return rc;
    }
}

bool pl_watch_again(pl_watch *watch, const pl_arrival *a)
{
    const char *name = pl_file_name(a->path);
    size_t i;
    if (!pl_keys_get(&watch->at, pl_key_of(name, strlen(name)), &i))
        return false;
    item *it = &watch->item[i];
    if (it->name)
        return true; /* changed meanwhile: it comes anyway */
    if (it->tries == TRIES || !(it->name = strdup(name)))
        return false;
    it->hold_ms = clock_ms() + ((int64_t)RESCAN_MS << it->tries++);
    return true;
}

size_t pl_watch_waiting(const pl_watch *watch)
{
    size_t n = 0;
    for (size_t i = 0; i < watch->items; i++)
        n += is_due(watch, &watch->item[i]);
    return n;
}

pl_status pl_watch_new(const char *folder, double patience_s, pl_watch **out, pl_err *err)
{
    pl_watch *w = calloc(1, sizeof *w);
    char *copy = *folder ? strdup(folder) : NULL;
    if (!w || (*folder && !copy)) {
        free(w);
        free(copy);
        return pl_fail(err, PL_ENOMEM, "out of memory");
    }
    w->folder = copy;
    w->dir = w->notices = -1;
    w->patience_ms = (int64_t)(1000 * patience_s);
    if (!copy || !reopen(w)) {
        int why = copy ? errno : ENOENT;
        pl_watch_free(w);
        return pl_fail(err, PL_EIO, "cannot be watched: %s", strerror(why));
    }
    *out = w;
    return PL_OK;
}

void pl_watch_free(pl_watch *watch)
{
    if (!watch)
        return;
    for (size_t i = 0; i < watch->items; i++)
        free(watch->item[i].name);
    free(watch->item);
    pl_keys_clear(&watch->at);
    if (watch->dir >= 0)
        close(watch->dir);
    if (watch->notices >= 0)
        close(watch->notices);
    free(watch->folder);
    free(watch);
}

bool pl_arrival_same(const pl_arrival *a)
{
    struct stat st;
    return stat(a->path, &st) == 0 && st.st_size == a->bytes && modified(&st) == a->modified_ns;
}

void pl_arrival_clear(pl_arrival *arrival)
{
    free(arrival->path);
    *arrival = (pl_arrival){ NULL, 0, 0 };
}
