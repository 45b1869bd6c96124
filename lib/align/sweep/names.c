/* SPDX-License-Identifier: GPL-3.0-or-later */
/* names.c - the focuser's positions from the names of the files, when the headers are silent.
 *
 * A name is cut into its runs of digits. What is a date, or a time beside one, is none; of the rest
 * those that differ from name to name are looked at, and those that merely count are put aside. One
 * must be left. A point separates: 12.5 is two numbers, the second of which is no position. */
#include "../align.h"

#include <stdlib.h>
#include <string.h>

enum { MOST_FIELDS = 24, LONGEST = 9 }; /* numbers in a name; digits of a position */

typedef struct {
    size_t fields;
    double value[MOST_FIELDS];
    bool is_date[MOST_FIELDS];    /* or a time */
    bool is_decimal[MOST_FIELDS]; /* behind a number and a point */
} numbers;

/* A run of digits as it stands in the name. */
typedef struct {
    const char *s;
    size_t len;
} run;

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static int two(const char *s)
{
    return 10 * (s[0] - '0') + s[1] - '0';
}

static bool is_month_day(int month, int day)
{
    return month >= 1 && month <= 12 && day >= 1 && day <= 31;
}

static bool is_year(const char *s)
{
    int century = two(s);
    return century == 19 || century == 20;
}

static bool is_clock(int h, int m, int s)
{
    return h < 24 && m < 60 && s < 61;
}

/* "20311009" and "20311009204100", with thousandths too. */
static bool is_packed_date(run r)
{
    return (r.len == 8 || r.len >= 12) && is_year(r.s) && is_month_day(two(r.s + 4), two(r.s + 6));
}

/* Three runs that stand together: 2031-10-09, 20:41:00. */
static bool are_joined(const run *r)
{
    return r[0].s + r[0].len + 1 == r[1].s && r[1].len == 2 && r[1].s + 3 == r[2].s &&
           r[2].len == 2;
}

static size_t mark_dates(const run *r, size_t n, bool *is_date)
{
    size_t found = 0;
    for (size_t i = 0; i < n; i++) {
        if (is_packed_date(r[i])) {
            is_date[i] = true;
            found++;
        } else if (i + 2 < n && r[i].len == 4 && is_year(r[i].s) && are_joined(r + i) &&
                   is_month_day(two(r[i + 1].s), two(r[i + 2].s))) {
            is_date[i] = is_date[i + 1] = is_date[i + 2] = true;
            found++;
        }
    }
    return found;
}

/* How many runs from here on are one time of day: 204100, or 20:41:00. */
static size_t clock_length(const run *r, size_t n)
{
    if (r[0].len == 6 && is_clock(two(r[0].s), two(r[0].s + 2), two(r[0].s + 4)))
        return 1;
    if (n > 2 && r[0].len == 2 && are_joined(r) && is_clock(two(r[0].s), two(r[1].s), two(r[2].s)))
        return 3;
    return 0;
}

static bool is_after_point(const run *r)
{
    return r[0].s[r[0].len] == '.' && r[0].s + r[0].len + 1 == r[1].s;
}

/* Times are told only in names that have a date: else 123456 may be a position. */
static void mark_times(const run *r, size_t n, bool *is_date)
{
    for (size_t i = 0; i < n; i++) {
        size_t len = is_date[i] ? 0 : clock_length(r + i, n - i);
        if (len > 0 && i + len < n && is_after_point(r + i + len - 1))
            len++; /* parts of a second */
        for (size_t k = i; k < i + len && k < n; k++)
            is_date[k] = true;
    }
}

/* A sign belongs to the number unless it joins it to what stands before: a_-20, a--20; not a-20. */
static bool is_negative(const char *base, const char *s)
{
    return s > base && s[-1] == '-' && (s - 1 == base || strchr("_-= (,+", s[-2]) != NULL);
}

static double value_of(const char *base, run r)
{
    double v = 0;
    for (size_t k = 0; k < r.len; k++)
        v = 10 * v + (r.s[k] - '0');
    return is_negative(base, r.s) ? -v : v;
}

/* The numbers in the file's own name; what says FITS holds none. */
static numbers numbers_in(const char *name)
{
    const char *base = pl_file_name(name);
    numbers out = { 0 };
    run r[MOST_FIELDS];
    for (size_t i = 0; i < MOST_FIELDS; i++)
        r[i] = (run){ "", 0 };
    for (const char *s = base; *s && out.fields < MOST_FIELDS;) {
        size_t len = 0;
        while (is_digit(s[len]))
            len++;
        if (len > 0)
            r[out.fields++] = (run){ s, len };
        s += len ? len : 1;
    }
    if (mark_dates(r, out.fields, out.is_date) > 0)
        mark_times(r, out.fields, out.is_date);
    for (size_t i = 0; i < out.fields; i++) {
        out.value[i] = value_of(base, r[i]);
        out.is_date[i] |= r[i].len > LONGEST;
        out.is_decimal[i] = i > 0 && is_after_point(r + i - 1);
    }
    return out;
}

static bool differs(const numbers *all, size_t n, size_t field)
{
    for (size_t i = 0; i < n; i++)
        if (all[i].is_date[field])
            return false;
    for (size_t i = 1; i < n; i++)
        if (all[i].value[field] != all[0].value[field])
            return true;
    return false;
}

/* One more each time; a frame or two may have been thrown away. */
static bool counts(const numbers *all, size_t n, size_t field)
{
    size_t ones = 0;
    for (size_t i = 1; i < n; i++) {
        double more = all[i].value[field] - all[i - 1].value[field];
        if (more < 1)
            return false;
        ones += more == 1;
    }
    return 2 * ones > n - 1;
}

static pl_status choose(const numbers *all, size_t n, double *out, pl_err *err)
{
    size_t chosen = 0, candidates = 0, counters = 0;
    for (size_t i = 1; i < n; i++)
        if (all[i].fields != all[0].fields)
            return pl_fail(err, PL_ENODATA,
                           "the file names are not built alike, so no position is read from them");
    for (size_t f = 0; f < all[0].fields; f++) {
        bool varies = differs(all, n, f), counter = varies && counts(all, n, f);
        counters += counter;
        candidates += varies && !counter;
        chosen = varies && !counter ? f : chosen;
    }
    if (candidates > 1)
        return pl_fail(err, PL_ENODATA,
                       "the file names differ in %zu numbers, and which is the focuser's position "
                       "cannot be told",
                       candidates);
    if (candidates == 0)
        return pl_fail(err, PL_ENODATA, "the file names hold no position%s",
                       counters ? ": the number in which they differ merely counts" : "");
    if (all[0].is_decimal[chosen] && differs(all, n, chosen - 1))
        return pl_fail(err, PL_ENODATA,
                       "whether the point in the file names belongs to a number cannot be told");
    for (size_t i = 0; i < n; i++)
        out[i] = all[i].value[chosen];
    return PL_OK;
}

pl_status pl_sweep_name_positions(const char *const *name, size_t n, double *out, pl_err *err)
{
    if (n < 2)
        return pl_fail(err, PL_ENODATA, "one file name alone tells no position");
    numbers *all = malloc(n * sizeof *all);
    if (!all)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    for (size_t i = 0; i < n; i++)
        all[i] = numbers_in(name[i]);
    pl_status rc = choose(all, n, out, err);
    free(all);
    return rc;
}
