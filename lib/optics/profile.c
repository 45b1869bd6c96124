/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile.c - read a profile: INI text about telescope, camera and focuser into facts.
 *
 * GLib's GKeyFile takes the text apart. A look at the lines comes first, because GKeyFile neither
 * names the line that is wrong nor hides its bytes from the terminal. */
#include "optics.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <glib.h>

enum { SIZE_MAX_BYTES = 1 << 20, NAME_MAX_BYTES = 47 };

/* Sections and keys of the programs that turn screws and calibrate: known, read by those. */
static const char *const screw_keys[] = { "radius_mm", "angles_deg", "pitch_mm",
                                          "kind",      "clockwise",  NULL };
static const struct {
    const char *name;
    const char *const *keys; /* NULL: those of the facts table */
    bool any;                /* takes whatever stands in it: a program wrote it */
} sections[] = {
    { "scope", NULL, false },       { "camera", NULL, false },     { "focuser", NULL, false },
    { "plate", screw_keys, false }, { "cell", screw_keys, false }, { "tolerance", NULL, false },
    { "surface", NULL, true },
};

/* ---- the file */

static pl_status slurp(int fd, size_t size, char **text, size_t *n, pl_err *err)
{
    size_t used = 0;
    char *s = malloc(size + 1);
    if (!s)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    while (used < size) {
        ssize_t got = read(fd, s + used, size - used);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0) {
            free(s);
            return pl_fail(err, PL_EIO, "cannot be read: %s", strerror(errno));
        }
        if (got == 0)
            break;
        used += (size_t)got;
    }
    s[used] = '\0';
    *text = s;
    *n = used;
    return PL_OK;
}

/* O_NONBLOCK: a pipe without a writer is refused, not waited for. */
static pl_status load(const char *path, char **text, size_t *n, pl_err *err)
{
    struct stat st;
    pl_status rc;
    int fd = open(path, O_RDONLY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return pl_fail(err, PL_EIO, "cannot be opened: %s", strerror(errno));
    if (fstat(fd, &st) != 0)
        rc = pl_fail(err, PL_EIO, "cannot be read: %s", strerror(errno));
    else if (!S_ISREG(st.st_mode))
        rc = pl_fail(err, PL_EIO, "is %s; a profile is a file, see plumb-profile(5)",
                     S_ISDIR(st.st_mode) ? "a directory" : "no regular file");
    else if (st.st_size > SIZE_MAX_BYTES)
        rc = pl_fail(err, PL_EFORMAT, "is no profile: %lld bytes, 1 MiB at most",
                     (long long)st.st_size);
    else
        rc = slurp(fd, (size_t)st.st_size, text, n, err);
    close(fd);
    return rc;
}

/* ---- the lines */

static bool printable(const char *s, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if ((unsigned char)s[i] < 0x20 && s[i] != '\t' && s[i] != '\r')
            return false;
    return true;
}

static bool plain_name(const char *s, size_t n)
{
    while (n > 0 && (s[n - 1] == ' ' || s[n - 1] == '\t'))
        n--;
    for (size_t i = 0; i < n; i++)
        if (!((s[i] >= 'a' && s[i] <= 'z') || (s[i] >= 'A' && s[i] <= 'Z') ||
              (s[i] >= '0' && s[i] <= '9') || s[i] == '_' || s[i] == '-'))
            return false;
    return n > 0;
}

/* What is wrong with one line; NULL when nothing is. */
static const char *fault_of(const char *s, size_t n, bool *in_section)
{
    while (n > 0 && (s[n - 1] == '\r' || s[n - 1] == ' ' || s[n - 1] == '\t'))
        n--;
    while (n > 0 && (*s == ' ' || *s == '\t')) {
        s++;
        n--;
    }
    if (n == 0 || *s == '#')
        return NULL;
    if (*s == '[') {
        *in_section = true;
        return s[n - 1] == ']' && plain_name(s + 1, n - 2) ? NULL : "a section is written [name]";
    }
    const char *equal = memchr(s, '=', n);
    if (!equal || !plain_name(s, (size_t)(equal - s)))
        return "wanted: [section], key = value, or # and a remark";
    return *in_section ? NULL : "a key stands before the first [section]";
}

static pl_status check_lines(const char *text, size_t n, pl_err *err)
{
    bool in_section = false;
    size_t line = 1;
    if (!printable(text, strcspn(text, "\n")) || memchr(text, '\0', n))
        return pl_fail(err, PL_EFORMAT, "is no profile: not a text");
    for (const char *s = text; *s; line++) {
        size_t len = strcspn(s, "\n");
        const char *fault =
            printable(s, len) ? fault_of(s, len, &in_section) : "a control character stands in it";
        if (fault)
            return pl_fail(err, PL_EFORMAT, "line %zu: %s", line, fault);
        s += len + (s[len] == '\n');
    }
    return PL_OK;
}

/* ---- the nearest known name */

/* Edit distance (Levenshtein 1966): letters to add, drop or change. Long names are cut. */
static int distance(const char *a, const char *b)
{
    int row[NAME_MAX_BYTES + 1];
    int m = (int)strnlen(a, NAME_MAX_BYTES), n = (int)strnlen(b, NAME_MAX_BYTES);
    for (int j = 0; j <= n; j++)
        row[j] = j;
    for (int i = 1; i <= m; i++) {
        int diagonal = row[0];
        row[0] = i;
        for (int j = 1; j <= n; j++) {
            int best = diagonal + (a[i - 1] != b[j - 1]);
            diagonal = row[j];
            if (row[j] + 1 < best)
                best = row[j] + 1;
            if (row[j - 1] + 1 < best)
                best = row[j - 1] + 1;
            row[j] = best;
        }
    }
    return row[n];
}

/* Offers the name; keeps it when it is nearer than what there was. */
static void offer(const char *wanted, const char *name, const char *section, int *least,
                  const char **best, const char **where)
{
    int d = distance(wanted, name);
    if (d >= *least)
        return;
    *least = d;
    *best = name;
    *where = section;
}

static void note_section(pl_notes *notes, const char *name)
{
    int least = 4;
    const char *best = NULL, *where = NULL;
    for (size_t i = 0; i < PL_ARRAY_LEN(sections); i++)
        offer(name, sections[i].name, NULL, &least, &best, &where);
    if (best)
        pl_note(notes, "section [%.40s] is not known and was not read; is [%s] meant?", name, best);
    else
        pl_note(notes, "section [%.40s] is not known and was not read", name);
}

static void note_key(pl_notes *notes, const char *section, const char *key)
{
    size_t n;
    const pl_fact *rows = pl_facts_table(&n);
    int least = 2 + (int)strlen(key) / 2;
    const char *best = NULL, *where = NULL;
    for (size_t i = 0; i < n; i++)
        if (rows[i].section)
            offer(key, rows[i].name, rows[i].section, &least, &best, &where);
    for (size_t i = 0; i < PL_ARRAY_LEN(sections); i++)
        for (const char *const *k = sections[i].keys; k && *k; k++)
            offer(key, *k, sections[i].name, &least, &best, &where);
    if (best)
        pl_note(notes, "[%s] %.40s is not known and was not read; is [%s] %s meant?", section, key,
                where, best);
    else
        pl_note(notes, "[%s] %.40s is not known and was not read", section, key);
}

/* ---- the values */

static bool is_fact(const char *section, const char *key)
{
    size_t n;
    const pl_fact *rows = pl_facts_table(&n);
    for (size_t i = 0; i < n; i++)
        if (rows[i].section && strcmp(rows[i].section, section) == 0 &&
            strcmp(rows[i].name, key) == 0)
            return true;
    return false;
}

static pl_status take_value(GKeyFile *file, const char *section, const char *key, pl_facts *facts,
                            pl_err *err)
{
    pl_err why = { PL_OK, "" };
    char *value = g_key_file_get_value(file, section, key, NULL);
    if (!value)
        return pl_fail(err, PL_EFORMAT, "[%s] %.40s cannot be read", section, key);
    for (size_t n = strlen(value); n > 0 && strchr(" \t\r", value[n - 1]); n--)
        value[n - 1] = '\0';
    if (pl_facts_set(facts, key, value, PL_FROM_PROFILE, &why) != PL_OK)
        pl_fail(err, PL_EFORMAT, "[%s] %.230s", section, why.msg);
    g_free(value);
    return why.code ? PL_EFORMAT : PL_OK;
}

static pl_status take_section(GKeyFile *file, size_t which, pl_facts *facts, pl_notes *notes,
                              size_t *taken, pl_err *err)
{
    const char *section = sections[which].name;
    char **key = g_key_file_get_keys(file, section, NULL, NULL);
    pl_status rc = PL_OK;
    for (size_t i = 0; key && key[i] && rc == PL_OK; i++) {
        bool later = sections[which].any;
        for (const char *const *k = sections[which].keys; k && *k; k++)
            later |= strcmp(*k, key[i]) == 0;
        if (is_fact(section, key[i]))
            rc = take_value(file, section, key[i], facts, err);
        else if (!later)
            note_key(notes, section, key[i]);
        *taken += later || is_fact(section, key[i]);
    }
    g_strfreev(key);
    return rc;
}

static pl_status take_all(GKeyFile *file, pl_facts *facts, pl_notes *notes, pl_err *err)
{
    size_t taken = 0;
    pl_status rc = PL_OK;
    char **group = g_key_file_get_groups(file, NULL);
    for (size_t i = 0; group[i] && rc == PL_OK; i++) {
        size_t k = 0;
        while (k < PL_ARRAY_LEN(sections) && strcmp(sections[k].name, group[i]) != 0)
            k++;
        if (k < PL_ARRAY_LEN(sections))
            rc = take_section(file, k, facts, notes, &taken, err);
        else
            note_section(notes, group[i]);
    }
    g_strfreev(group);
    if (rc == PL_OK && taken == 0)
        return pl_fail(err, PL_EFORMAT,
                       "holds no setting that is known, see plumb-profile(5)%s%.120s",
                       notes && notes->n ? ": " : "", notes && notes->n ? notes->item[0] : "");
    return rc;
}

static pl_status parse(const char *text, size_t n, pl_facts *facts, pl_notes *notes, pl_err *err)
{
    if (n >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0) { /* byte order mark */
        text += 3;
        n -= 3;
    }
    pl_status rc = check_lines(text, n, err);
    if (rc != PL_OK)
        return rc;
    GKeyFile *file = g_key_file_new();
    if (n == 0 || g_key_file_load_from_data(file, text, n, G_KEY_FILE_NONE, NULL))
        rc = take_all(file, facts, notes, err);
    else
        rc = pl_fail(err, PL_EFORMAT, "is no profile, see plumb-profile(5)");
    g_key_file_free(file);
    return rc;
}

pl_status pl_profile_read(const char *path, pl_facts *facts, pl_notes *notes, pl_err *err)
{
    char *text = NULL;
    size_t n = 0;
    pl_facts read = *facts;
    pl_status rc = load(path, &text, &n, err);
    if (rc == PL_OK && text)
        rc = parse(text, n, &read, notes, err);
    if (rc == PL_OK)
        *facts = read;
    free(text);
    return rc;
}
