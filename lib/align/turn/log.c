/* SPDX-License-Identifier: GPL-3.0-or-later */
/* log.c - the log of turns and measurements: text, an entry a line, only ever added to.
 *
 *   coma x=-1.15 y=1.55 xx=0.0004 xy=0 yy=0.0004 allowed=0.74 star=318.4,226.7 frame=640x440
 *     date=2031-10-09T19:38:00 A=+0.25 B=-0.125 end
 *
 * (one line). An entry ends in "end": a line without it was broken off and counts as not written.
 */
#include "turn.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { MOST_BYTES = 1 << 20, LINE = 640, WORDS = 32 };

static const char *const kinds[] = { [PL_TURN_COMA] = "coma", [PL_TURN_TILT] = "tilt" };

/* ---- reading */

static bool take_pair(const char *text, char between, double *a, double *b)
{
    char left[64];
    const char *gap = strchr(text, between);
    if (!gap || (size_t)(gap - text) >= sizeof left)
        return false;
    snprintf(left, sizeof left, "%.*s", (int)(gap - text), text);
    return pl_number(left, a) && pl_number(gap + 1, b);
}

static bool take_frame(pl_turn_entry *e, const char *text)
{
    double w, h;
    if (!take_pair(text, 'x', &w, &h) || !(w >= 1 && w <= 1e6 && h >= 1 && h <= 1e6))
        return false;
    e->width_px = (int)w;
    e->height_px = (int)h;
    return true;
}

static bool take_turn(pl_turn_entry *e, const char *word, unsigned *seen)
{
    double v;
    int k = word[0] - 'A';
    if (k < 0 || k >= PL_SCREWS_MAX || word[1] != '=' || (*seen >> k & 1) ||
        !pl_number(word + 2, &v) || fabs(v) > 8)
        return false;
    e->turn[k] = v;
    *seen |= 1U << k;
    return true;
}

static bool take_word(pl_turn_entry *e, const char *word, unsigned *seen)
{
    static const char *const name[] = { "x", "y", "xx", "xy", "yy", "allowed" };
    double *field[] = { &e->x, &e->y, &e->xx, &e->xy, &e->yy, &e->allowed };
    const char *value = strchr(word, '=');
    size_t n = value ? (size_t)(value - word) : 0;
    if (!value)
        return false;
    for (size_t i = 0; i < PL_ARRAY_LEN(name); i++)
        if (strlen(name[i]) == n && memcmp(word, name[i], n) == 0)
            return pl_number(value + 1, field[i]);
    if (strncmp(word, "star=", 5) == 0)
        return take_pair(value + 1, ',', &e->star_x_px, &e->star_y_px);
    if (strncmp(word, "frame=", 6) == 0)
        return take_frame(e, value + 1);
    if (strncmp(word, "date=", 5) == 0)
        return (size_t)snprintf(e->date, sizeof e->date, "%s", value + 1) < sizeof e->date;
    return take_turn(e, word, seen);
}

static bool is_sound(const pl_turn_entry *e)
{
    const double most = 1e6; /* mm or um/mm */
    bool place = e->kind == PL_TURN_TILT ||
                 (isfinite(e->star_x_px) && isfinite(e->star_y_px) && e->width_px > 0);
    return fabs(e->x) < most && fabs(e->y) < most && e->xx > 0 && e->yy > 0 && e->xx < most &&
           e->yy < most && e->xy * e->xy < e->xx * e->yy && place &&
           (isnan(e->allowed) || (e->allowed > 0 && e->allowed < most));
}

static pl_turn_entry blank(pl_turn_kind kind)
{
    return (pl_turn_entry){ .kind = kind,
                            .x = NAN,
                            .y = NAN,
                            .xx = NAN,
                            .xy = NAN,
                            .yy = NAN,
                            .allowed = NAN,
                            .star_x_px = NAN,
                            .star_y_px = NAN };
}

/* Words of a line, which is cut up. Gives: how many, or WORDS when there are too many. */
static size_t words_of(char *line, char **word)
{
    size_t n = 0;
    for (char *s = line; n < WORDS;) {
        s += strspn(s, " \t\r");
        if (!*s)
            break;
        word[n++] = s;
        s += strcspn(s, " \t\r");
        if (*s)
            *s++ = '\0';
    }
    return n;
}

static pl_status take_line(pl_turn_log *log, char *line, size_t number, pl_err *err)
{
    char *word[WORDS];
    unsigned seen = 0;
    size_t n = words_of(line, word);
    if (n == 0 || word[0][0] == '#')
        return PL_OK;
    if (strcmp(word[n - 1], "end") != 0) {
        pl_note(&log->notes, "line %zu of the log was broken off and is left out", number);
        return PL_OK;
    }
    bool tilt = strcmp(word[0], kinds[PL_TURN_TILT]) == 0;
    pl_turn_entry e = blank(tilt ? PL_TURN_TILT : PL_TURN_COMA);
    if (!tilt && strcmp(word[0], kinds[PL_TURN_COMA]) != 0)
        return pl_fail(err, PL_EFORMAT,
                       "line %zu begins with \"%.40s\"; an entry of plumb-turn's "
                       "log begins with coma or tilt",
                       number, word[0]);
    for (size_t i = 1; i + 1 < n; i++)
        if (!take_word(&e, word[i], &seen))
            return pl_fail(err, PL_EFORMAT,
                           "line %zu: \"%.60s\" is not understood; mend it, or put "
                           "a # before the line",
                           number, word[i]);
    if (!is_sound(&e))
        return pl_fail(err, PL_EFORMAT,
                       "line %zu is no whole measurement; mend it, or put a # "
                       "before the line",
                       number);
    pl_status rc = pl_grow((void **)&log->entry, &log->cap, log->entries, sizeof *log->entry, err);
    if (rc == PL_OK)
        log->entry[log->entries++] = e;
    return rc;
}

pl_status pl_turnlog_read(const char *path, bool must_exist, pl_turn_log *out, pl_err *err)
{
    pl_turn_log log = { NULL, 0, 0, { NULL, 0, 0 } };
    char *text = NULL;
    size_t n = 0, number = 1;
    if (!must_exist && access(path, F_OK) != 0 && errno == ENOENT) {
        *out = log;
        return PL_OK;
    }
    pl_status rc = pl_load_text(path, "log of turns", "plumb-turn(1)", MOST_BYTES, &text, &n, err);
    if (rc == PL_OK && memchr(text, '\0', n))
        rc = pl_fail(err, PL_EFORMAT, "is no log of turns: it is no text, see plumb-turn(1)");
    for (char *s = text; rc == PL_OK && s && *s; number++) {
        char *line = s;
        s += strcspn(s, "\n");
        if (*s)
            *s++ = '\0';
        rc = take_line(&log, line, number, err);
    }
    free(text);
    if (rc != PL_OK) {
        pl_turnlog_clear(&log);
        return rc;
    }
    *out = log;
    return PL_OK;
}

void pl_turnlog_clear(pl_turn_log *log)
{
    free(log->entry);
    pl_notes_clear(&log->notes);
    *log = (pl_turn_log){ NULL, 0, 0, { NULL, 0, 0 } };
}

/* ---- writing */

/* A line that grows; longer than any entry. */
struct line {
    char s[LINE];
    size_t n;
};

static void add(struct line *l, const char *text)
{
    size_t n = strlen(text);
    if (l->n + n < sizeof l->s) {
        memcpy(l->s + l->n, text, n + 1);
        l->n += n;
    }
}

/* A number in the C spelling of any locale. */
static void add_number(struct line *l, const char *before, const char *form, double v)
{
    char text[32];
    snprintf(text, sizeof text, form, v);
    for (char *s = text; *s; s++)
        *s = *s == ',' ? '.' : *s;
    add(l, before);
    add(l, text);
}

static void write_place(const pl_turn_entry *e, struct line *l)
{
    if (isfinite(e->star_x_px)) {
        add_number(l, " star=", "%.1f", e->star_x_px);
        add_number(l, ",", "%.1f", e->star_y_px);
    }
    if (e->width_px > 0) {
        add_number(l, " frame=", "%.0f", e->width_px);
        add_number(l, "x", "%.0f", e->height_px);
    }
    if (e->date[0] && !strpbrk(e->date, " \t\r\n")) {
        add(l, " date=");
        add(l, e->date);
    }
}

static void write_entry(const pl_turn_entry *e, struct line *l)
{
    add(l, kinds[e->kind]);
    add_number(l, " x=", "%.7g", e->x);
    add_number(l, " y=", "%.7g", e->y);
    add_number(l, " xx=", "%.7g", e->xx);
    add_number(l, " xy=", "%.7g", e->xy);
    add_number(l, " yy=", "%.7g", e->yy);
    if (isfinite(e->allowed))
        add_number(l, " allowed=", "%.6g", e->allowed);
    write_place(e, l);
    for (int k = 0; k < PL_SCREWS_MAX; k++) {
        char name[] = { ' ', (char)('A' + k), '=', '\0' };
        if (e->turn[k] != 0)
            add_number(l, name, "%+.6g", e->turn[k]);
    }
    add(l, " end\n");
}

/* Whether the file does not end in a line's end. */
static bool is_open_ended(int fd)
{
    struct stat st;
    char last;
    return fstat(fd, &st) == 0 && st.st_size > 0 && pl_read_at(fd, &last, 1, st.st_size - 1) == 1 &&
           last != '\n';
}

pl_status pl_turnlog_append(const char *path, const pl_turn_entry *entry, pl_err *err)
{
    struct line line = { "\n", 1 }; /* ends what was broken off, if need be */
    int fd = open(path, O_RDWR | O_APPEND | O_CREAT | O_NONBLOCK | O_CLOEXEC, 0666);
    if (fd < 0)
        return pl_fail(err, PL_EIO, "cannot be written: %s", strerror(errno));
    write_entry(entry, &line);
    const char *from = is_open_ended(fd) ? line.s : line.s + 1;
    size_t size = strlen(from), done = 0;
    off_t before = lseek(fd, 0, SEEK_END);
    int bad = 0;
    while (done < size && !bad) {
        ssize_t n = write(fd, from + done, size - done);
        if (n > 0)
            done += (size_t)n;
        else if (n == 0 || errno != EINTR)
            bad = n == 0 ? ENOSPC : errno;
    }
    if (!bad && fsync(fd) != 0 && errno != EINVAL && errno != ENOTSUP)
        bad = errno;
    if (bad && before >= 0 && ftruncate(fd, before) != 0) /* no half a line, nor one it denies */
        bad = errno;
    close(fd); /* the line is on the disc: nothing is left to fail */
    return bad ? pl_fail(err, PL_EIO, "cannot be written: %s", strerror(bad)) : PL_OK;
}
