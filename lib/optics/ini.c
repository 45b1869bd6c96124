/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ini.c - read INI text (profiles, scenes) key by key, against a list of the names that are known.
 *
 * GLib's GKeyFile takes the text apart. A look at the lines comes first, because GKeyFile neither
 * names the line that is wrong nor hides its bytes from the terminal. */
#include "ini.h"

#include <stdlib.h>
#include <string.h>
#include <glib.h>

enum { MOST_BYTES = 1 << 20, NAME_MAX_BYTES = 47 };

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

static pl_status check_lines(const pl_ini *ini, const char *text, size_t n, pl_err *err)
{
    bool in_section = false;
    size_t line = 1;
    if (!printable(text, strcspn(text, "\n")) || memchr(text, '\0', n))
        return pl_fail(err, PL_EFORMAT, "is no %s: not a text", ini->what);
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

static void note_section(const pl_ini *ini, pl_notes *notes, const char *name)
{
    int least = 4;
    const char *best = NULL, *where = NULL;
    for (size_t i = 0; i < ini->names; i++)
        offer(name, ini->name[i].section, NULL, &least, &best, &where);
    if (best)
        pl_note(notes, "section [%.40s] is not known and was not read; is [%s] meant?", name, best);
    else
        pl_note(notes, "section [%.40s] is not known and was not read", name);
}

static void note_key(const pl_ini *ini, pl_notes *notes, const char *section, const char *key)
{
    int least = 2 + (int)strlen(key) / 2;
    const char *best = NULL, *where = NULL;
    for (size_t i = 0; i < ini->names; i++)
        if (ini->name[i].key)
            offer(key, ini->name[i].key, ini->name[i].section, &least, &best, &where);
    if (best)
        pl_note(notes, "[%s] %.40s is not known and was not read; is [%s] %s meant?", section, key,
                where, best);
    else
        pl_note(notes, "[%s] %.40s is not known and was not read", section, key);
}

/* ---- the values */

/* One pass over a file. */
struct pass {
    const pl_ini *ini;
    GKeyFile *file;
    void *ctx;
    pl_notes *notes;
    size_t taken;
};

/* How the list knows a name: 0 not, 1 to be taken, 2 another's affair. `key` NULL: the section. */
static int known(const pl_ini *ini, const char *section, const char *key)
{
    for (size_t i = 0; i < ini->names; i++) {
        const pl_ini_name *n = &ini->name[i];
        if (strcmp(n->section, section) == 0 && (!key || !n->key || strcmp(n->key, key) == 0))
            return n->later ? 2 : 1;
    }
    return 0;
}

static pl_status take_value(struct pass *p, const char *section, const char *key, pl_err *err)
{
    pl_err why = { PL_OK, "" };
    char *value = g_key_file_get_value(p->file, section, key, NULL);
    if (!value)
        return pl_fail(err, PL_EFORMAT, "[%s] %.40s cannot be read", section, key);
    for (size_t n = strlen(value); n > 0 && strchr(" \t\r", value[n - 1]); n--)
        value[n - 1] = '\0';
    if (p->ini->take(p->ctx, section, key, value, &why) != PL_OK)
        pl_fail(err, PL_EFORMAT, "[%s] %.230s", section, why.msg);
    g_free(value);
    return why.code ? PL_EFORMAT : PL_OK;
}

static pl_status take_section(struct pass *p, const char *section, pl_err *err)
{
    char **key = g_key_file_get_keys(p->file, section, NULL, NULL);
    pl_status rc = PL_OK;
    for (size_t i = 0; key && key[i] && rc == PL_OK; i++) {
        int how = known(p->ini, section, key[i]);
        if (how == 1)
            rc = take_value(p, section, key[i], err);
        else if (how == 0)
            note_key(p->ini, p->notes, section, key[i]);
        p->taken += how != 0;
    }
    g_strfreev(key);
    return rc;
}

static pl_status take_all(struct pass *p, pl_err *err)
{
    const pl_notes *notes = p->notes;
    pl_status rc = PL_OK;
    char **group = g_key_file_get_groups(p->file, NULL);
    for (size_t i = 0; group[i] && rc == PL_OK; i++) {
        if (known(p->ini, group[i], NULL))
            rc = take_section(p, group[i], err);
        else
            note_section(p->ini, p->notes, group[i]);
    }
    g_strfreev(group);
    if (rc == PL_OK && p->taken == 0)
        return pl_fail(err, PL_EFORMAT, "holds no setting that is known, see %s%s%.120s",
                       p->ini->page, notes && notes->n ? ": " : "",
                       notes && notes->n ? notes->item[0] : "");
    return rc;
}

static pl_status parse(const char *text, size_t n, struct pass *p, pl_err *err)
{
    if (n >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0) { /* byte order mark */
        text += 3;
        n -= 3;
    }
    pl_status rc = check_lines(p->ini, text, n, err);
    if (rc != PL_OK)
        return rc;
    p->file = g_key_file_new();
    if (n == 0 || g_key_file_load_from_data(p->file, text, n, G_KEY_FILE_NONE, NULL))
        rc = take_all(p, err);
    else
        rc = pl_fail(err, PL_EFORMAT, "is no %s, see %s", p->ini->what, p->ini->page);
    g_key_file_free(p->file);
    return rc;
}

pl_status pl_ini_read(const char *path, const pl_ini *ini, void *ctx, pl_notes *notes, pl_err *err)
{
    char *text = NULL;
    size_t n = 0;
    struct pass p = { .ini = ini, .ctx = ctx, .notes = notes };
    pl_status rc = pl_load_text(path, ini->what, ini->page, MOST_BYTES, &text, &n, err);
    if (rc == PL_OK && text)
        rc = parse(text, n, &p, err);
    free(text);
    return rc;
}
