/* SPDX-License-Identifier: GPL-3.0-or-later */
/* log.c - the log of a watched night: JSON Lines, each content once, whole lines only.
 *
 * A line goes to the file by one write at its end; what a full disc cut off is taken back at once,
 * what a kill cut off when the log is opened again. Lines that could not be written wait in memory,
 * so many at most that it stays flat. */
#include "../json.h"
#include "../report.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

enum { MOST_WAITING = 256 };

struct pl_watchlog {
    int fd; /* -1: none, all is in memory */
    char *path;
    bool renewed; /* since pl_watchlog_renewed was asked */
    pl_keys digest, stamp;
    char *waiting[MOST_WAITING];
    size_t n;
    off_t size; /* of whole lines */
};

/* Sixteen digits of the content's SHA-256: among a million files two agree once in 4e7 logs. */
static uint64_t digest_key(const char *digest)
{
    char head[17];
    snprintf(head, sizeof head, "%.16s", digest);
    return strtoull(head, NULL, 16);
}

/* A file's name without folder, its size and time of change. */
static uint64_t stamp_key(const char *path, int64_t bytes, int64_t modified_ns)
{
    const char *name = pl_file_name(path);
    char *clean = pl_clean(name, PL_CLEAN_VALID, NULL);
    const char *s = clean ? clean : name;
    uint64_t part[3] = { pl_key_of(s, strlen(s)), (uint64_t)bytes, (uint64_t)modified_ns };
    free(clean);
    return pl_key_of(part, sizeof part);
}

bool pl_watchlog_knows(const pl_watchlog *log, const pl_arrival *a)
{
    return pl_keys_get(&log->stamp, stamp_key(a->path, a->bytes, a->modified_ns), NULL);
}

bool pl_watchlog_has(const pl_watchlog *log, const char *digest)
{
    return pl_keys_get(&log->digest, digest_key(digest), NULL);
}

static pl_status remember(pl_watchlog *log, const char *digest, const char *path, int64_t bytes,
                          int64_t modified_ns, pl_err *err)
{
    pl_status rc = pl_keys_put(&log->digest, digest_key(digest), 0, err);
    return rc != PL_OK ? rc : pl_keys_put(&log->stamp, stamp_key(path, bytes, modified_ns), 0, err);
}

pl_status pl_watchlog_twin(pl_watchlog *log, const pl_arrival *a, pl_err *err)
{
    return pl_keys_put(&log->stamp, stamp_key(a->path, a->bytes, a->modified_ns), 0, err);
}

/* ---- reading */

static double number(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    return json_is_number(v) ? json_number_value(v) : NAN;
}

static const char *text(const json_t *o, const char *key)
{
    const char *s = json_string_value(json_object_get(o, key));
    return s ? s : "";
}

static pl_past past_of(const json_t *o)
{
    pl_past p = { .minutes = number(o, "minutes_since_2000"),
                  .defocus_um = number(o, "defocus_um"),
                  .defocus_sigma_um = number(o, "defocus_um_sigma"),
                  .zone_um = number(o, "zone_um"),
                  .within_um =
                      number(o, "defocus_size_um") + 2 * number(o, "defocus_size_um_sigma"),
                  .fwhm_px = number(o, "fwhm_px"),
                  .fwhm_arcsec = number(o, "fwhm_arcsec"),
                  .seeing_arcsec = number(o, "seeing_arcsec"),
                  .transparency = number(o, "transparency"),
                  .transparency_sigma = number(o, "transparency_sigma"),
                  .spread = number(o, "spread"),
                  .spread_sigma = number(o, "spread_sigma"),
                  .airmass = number(o, "airmass") };
    const json_t *v = json_object_get(o, "verdict");
    p.state = PL_UNSURE;
    for (pl_state s = PL_INSIDE; s <= PL_UNSURE; s++)
        if (strcmp(text(v, "state"), pl_state_word(s)) == 0)
            p.state = s;
    for (pl_cause c = PL_CAUSE_NONE; c <= PL_CAUSE_DEW; c++)
        if (strcmp(text(v, "cause"), pl_cause_word(c)) == 0)
            p.cause = c;
    return p;
}

/* An exposure that was held against none is the reference of those after it, with all of its own
 * light. */
static void recall(const json_t *o, pl_watched_before *before)
{
    const char *reference = text(o, "reference"), *file = text(o, "file");
    if (!json_object_get(o, "fwhm_px")) /* not measured, or a donut */
        return;
    pl_past past = past_of(o);
    if (!reference[0]) {
        reference = pl_file_name(file);
        past.transparency = past.spread = 1;
        past.transparency_sigma = past.spread_sigma = 0;
    }
    pl_history_add(&before->history, &past);
    snprintf(before->verdict, sizeof before->verdict, "%s",
             text(json_object_get(o, "verdict"), "text"));
    if (strcmp(reference, before->reference) != 0)
        for (size_t k = 0; k + 1 < before->history.n; k++) /* told against another one */
            before->history.past[k].transparency = before->history.past[k].spread = NAN;
    snprintf(before->reference, sizeof before->reference, "%.255s", reference);
}

/* A line without its end. What is no line of ours is left in peace, but told. */
static pl_status take_line(pl_watchlog *log, const char *line, size_t n, pl_watched_before *before,
                           pl_err *err)
{
    json_t *o = json_loadb(line, n, 0, NULL);
    const char *digest = text(o, "sha256");
    pl_status rc = PL_OK;
    if (strlen(digest) == 64) {
        rc = remember(log, digest, text(o, "file"), json_integer_value(json_object_get(o, "bytes")),
                      json_integer_value(json_object_get(o, "modified_ns")), err);
        recall(o, before);
        before->lines++;
    } else if (n) {
        before->strange++;
    }
    json_decref(o);
    return rc;
}

/* A torn line is cut off only where it is plainly ours: as far as it goes it begins like one, and
 * lines of ours stand before it or it goes far enough. */
static bool is_ours(const char *line, size_t n, const pl_watched_before *before)
{
    static const char begins[] = "{\"program\":\"plumb-";
    size_t most = sizeof begins - 1;
    return (n >= most || before->lines) && memcmp(line, begins, n < most ? n : most) == 0;
}

/* All lines; a torn one at the end is cut off. */
static pl_status read_lines(pl_watchlog *log, pl_watched_before *before, pl_err *err)
{
    FILE *f = NULL;
    char *line = NULL;
    size_t cap = 0;
    ssize_t n;
    int copy = dup(log->fd);
    pl_status rc = PL_OK;
    if (copy < 0 || !(f = fdopen(copy, "r"))) {
        if (copy >= 0)
            close(copy);
        return pl_fail(err, PL_EIO, "cannot be read: %s", strerror(errno));
    }
    while (rc == PL_OK && (n = getline(&line, &cap, f)) > 0)
        if (line[n - 1] == '\n') {
            rc = take_line(log, line, (size_t)n - 1, before, err);
            log->size += n;
        } else if (is_ours(line, (size_t)n, before)) {
            before->torn = true;
        } else {
            rc = pl_fail(err, PL_EIO,
                         "is no log: its last line has no end and is not "
                         "plumb-watch's; name another file");
        }
    if (rc == PL_OK && ferror(f))
        rc = pl_fail(err, PL_EIO, "cannot be read: %s", strerror(errno));
    free(line);
    fclose(f);
    if (rc == PL_OK && before->torn && ftruncate(log->fd, log->size) != 0)
        rc = pl_fail(err, PL_EIO, "cannot be mended: %s", strerror(errno));
    return rc;
}

/* One that was killed a moment ago may still be dying. */
static bool is_locked_by_another(int fd)
{
    const struct timespec moment = { 0, 50000000 };
    for (int i = 0; i < 20; i++) {
        if (flock(fd, LOCK_EX | LOCK_NB) == 0 || errno != EWOULDBLOCK)
            return false; /* some file systems have no locks */
        nanosleep(&moment, NULL);
    }
    return true;
}

static pl_status open_log(const char *path, int *out, pl_err *err)
{
    struct stat st;
    char first;
    int fd = open(path, O_RDWR | O_APPEND | O_CREAT | O_NONBLOCK | O_CLOEXEC, 0666);
    if (fd < 0)
        return pl_fail(err, PL_EIO, "cannot be written: %s", strerror(errno));
    pl_status rc = PL_OK;
    if (fstat(fd, &st) != 0 || !S_ISREG(st.st_mode))
        rc = pl_fail(err, PL_EIO,
                     "is %s; a log is a file, which can be read again: name one, or leave --log "
                     "out",
                     pl_file_kind(st.st_mode));
    else if (pl_read_at(fd, &first, 1, 0) == 1 && first != '{')
        rc = pl_fail(err, PL_EIO, "is no log: it does not begin with {; name another file");
    else if (is_locked_by_another(fd))
        rc = pl_fail(err, PL_EIO,
                     "another plumb-watch writes it; end that one, or name another log");
    if (rc == PL_OK)
        *out = fd;
    else
        close(fd);
    return rc;
}

pl_status pl_watchlog_open(const char *path, pl_watchlog **out, pl_watched_before *before,
                           pl_err *err)
{
    pl_watchlog *log = calloc(1, sizeof *log);
    *before = (pl_watched_before){ .reference = "" };
    if (!log)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    log->fd = -1;
    pl_status rc = path ? open_log(path, &log->fd, err) : PL_OK;
    if (rc == PL_OK && path && !(log->path = strdup(path)))
        rc = pl_fail(err, PL_ENOMEM, "out of memory");
    if (rc == PL_OK && path)
        rc = read_lines(log, before, err);
    if (rc == PL_OK)
        *out = log;
    else
        pl_watchlog_close(log);
    return rc;
}

void pl_watchlog_close(pl_watchlog *log)
{
    if (!log)
        return;
    for (size_t i = 0; i < log->n; i++)
        free(log->waiting[i]);
    pl_keys_clear(&log->digest);
    pl_keys_clear(&log->stamp);
    if (log->fd >= 0)
        close(log->fd);
    free(log->path);
    free(log);
}

/* ---- writing */

/* One line, whole or not at all, and on the disc. */
static int append(pl_watchlog *log, const char *line)
{
    size_t size = strlen(line), done = 0;
    int bad = 0;
    while (done < size && !bad) {
        ssize_t n = write(log->fd, line + done, size - done);
        if (n > 0)
            done += (size_t)n;
        else if (n == 0 || errno != EINTR)
            bad = n == 0 ? ENOSPC : errno;
    }
    if (!bad && fdatasync(log->fd) != 0 && errno != EINVAL && errno != ENOTSUP)
        bad = errno;
    if (!bad)
        log->size += (off_t)size;
    else if (ftruncate(log->fd, log->size) != 0)
        bad = errno;
    return bad;
}

/* A log that was deleted or moved away is begun anew: what goes to a file without a name is lost.
 */
static pl_status stay(pl_watchlog *log, pl_err *err)
{
    struct stat named, open;
    int fd = -1;
    bool there = stat(log->path, &named) == 0 && fstat(log->fd, &open) == 0 &&
                 named.st_dev == open.st_dev && named.st_ino == open.st_ino;
    pl_status rc = there ? PL_OK : open_log(log->path, &fd, err);
    if (there || rc != PL_OK)
        return rc;
    if (fstat(fd, &open) != 0 || open.st_size > 0) {
        close(fd);
        return pl_fail(err, PL_EIO, "is another file now; end this watch and begin it anew");
    }
    close(log->fd);
    log->fd = fd;
    log->size = 0;
    log->renewed = true;
    return PL_OK;
}

bool pl_watchlog_renewed(pl_watchlog *log)
{
    bool was = log->renewed;
    log->renewed = false;
    return was;
}

size_t pl_watchlog_waiting(const pl_watchlog *log)
{
    return log->n;
}

bool pl_watchlog_full(const pl_watchlog *log)
{
    return log->n == MOST_WAITING;
}

pl_status pl_watchlog_flush(pl_watchlog *log, pl_err *err)
{
    size_t done = 0;
    int bad = 0;
    pl_status rc = log->fd >= 0 && log->n ? stay(log, err) : PL_OK;
    if (rc != PL_OK)
        return rc;
    while (done < log->n && !bad && log->fd >= 0)
        if ((bad = append(log, log->waiting[done])) == 0)
            free(log->waiting[done++]);
    if (log->fd < 0)
        for (; done < log->n; done++)
            free(log->waiting[done]);
    memmove(log->waiting, log->waiting + done, (log->n - done) * sizeof *log->waiting);
    log->n -= done;
    return bad ? pl_fail(err, PL_EIO, "cannot be written: %s; %zu lines wait", strerror(bad),
                         log->n)
               : PL_OK;
}

pl_status pl_watchlog_add(pl_watchlog *log, const pl_arrival *a, const char *digest,
                          const char *line, pl_err *err)
{
    char *copy = pl_watchlog_full(log) ? NULL : strdup(line);
    if (!copy)
        return pl_fail(err, PL_ENOMEM, "no room for another line");
    pl_status rc = remember(log, digest, a->path, a->bytes, a->modified_ns, err);
    if (rc != PL_OK) {
        free(copy);
        return rc;
    }
    log->waiting[log->n++] = copy;
    return pl_watchlog_flush(log, err);
}
