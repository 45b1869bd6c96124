/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fuzz target: any bytes as the log that plumb-watch goes on with. Refused, the file stays as it
 * was; taken, nothing but a torn last line is gone, and the next line stands behind it and is known
 * when the log is opened again. */
#include "fuzz.h"

#include "../../lib/align/align.h"

#include <gsl/gsl_errno.h>
#include <string.h>
#include <sys/stat.h>

static const char digest[] = "00112233445566778899aabbccddeeff00112233445566778899aabbccddeeff";

static void must(int good)
{
    if (!good)
        abort();
}

static void is_prefix(const char *path, const uint8_t *data, size_t size, size_t want)
{
    static uint8_t there[1 << 16];
    FILE *f = fopen(path, "rb");
    must(f != NULL);
    size_t n = fread(there, 1, sizeof there, f);
    fclose(f);
    must(n == want && n <= size && memcmp(there, data, n) == 0);
}

static size_t whole_lines(const uint8_t *data, size_t size)
{
    while (size && data[size - 1] != '\n')
        size--;
    return size;
}

/* What goes on from it: whatever numbers it held. */
static void use(const pl_watched_before *b)
{
    pl_follow *follow = NULL;
    must(b->history.n <= PL_PAST && memchr(b->reference, 0, sizeof b->reference));
    must(pl_follow_new(NULL, NULL, &follow, NULL) == PL_OK);
    pl_follow_go_on(follow, &b->history, NULL, NULL, 1);
    pl_standing standing = pl_history_standing(pl_follow_history(follow));
    must(standing.told == (b->history.n > 0));
    pl_history_fade(pl_follow_history(follow));
    pl_follow_free(follow);
}

static void again(const char *path, const pl_arrival *a, size_t lines, size_t strange)
{
    pl_watchlog *log = NULL;
    pl_watched_before b;
    must(pl_watchlog_open(path, &log, &b, NULL) == PL_OK);
    must(!b.torn && b.lines == lines + 1 && b.strange == strange);
    must(pl_watchlog_has(log, digest) && pl_watchlog_knows(log, a));
    pl_watchlog_close(log);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char line[512];
    const char *path = fuzz_file(data, size);
    pl_arrival a = { "sub.fits", 5760, 1949344680000000000 };
    pl_watched_before b;
    pl_watchlog *log = NULL;
    pl_err err = { PL_OK, "" };
    gsl_set_error_handler_off();
    if (pl_watchlog_open(path, &log, &b, &err) != PL_OK) {
        must(!log && err.msg[0]);
        is_prefix(path, data, size, size);
        return 0;
    }
    is_prefix(path, data, size, b.torn ? whole_lines(data, size) : size);
    if (!pl_watchlog_has(log, digest)) {
        snprintf(line, sizeof line,
                 "{\"program\":\"plumb-watch\",\"file\":\"%s\",\"sha256\":\"%s\",\"bytes\":%lld,"
                 "\"modified_ns\":%lld}\n",
                 a.path, digest, (long long)a.bytes, (long long)a.modified_ns);
        must(pl_watchlog_add(log, &a, digest, line, &err) == PL_OK);
        pl_watchlog_close(log);
        again(path, &a, b.lines, b.strange);
    } else {
        pl_watchlog_close(log);
    }
    use(&b);
    return 0;
}
