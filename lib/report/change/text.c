/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.c - did it help, in words: the answer and what to do, then a line for each thing
 * compared. Lines of at most 78 columns, file names apart. */
#include "change.h"
#include "../report.h"
#include "../text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_ZONES = 4 };

const char *pl_change_word(pl_change_state state)
{
    return state == PL_BETTER  ? "better"
           : state == PL_WORSE ? "worse"
           : state == PL_MIXED ? "mixed"
                               : "same";
}

static void headline(pl_string *out, const pl_changes *c, const char *file,
                     const char *const *against, size_t n)
{
    pl_string first = { 0 };
    char *after = pl_clean(file, PL_CLEAN_PLAIN, NULL),
         *before = pl_clean(against[0], PL_CLEAN_PLAIN, NULL);
    pl_string_add(&first, "%s against %s", after ? after : "?", before ? before : "?");
    if (n > 1)
        pl_string_add(&first, " and %zu more", n - 1);
    pl_string_add(&first, ": ");
    if (first.s)
        pl_string_wrap(out, first.s, 2, PL_TEXT_WIDTH, c->text);
    pl_string_wrap(out, "", 0, PL_TEXT_WIDTH, c->action);
    out->failed |= first.failed || !after || !before;
    free(first.s);
    free(after);
    free(before);
}

/* "better -94 %". */
static void verdict_word(const pl_change *k, char *out, size_t size)
{
    double part = 100 * k->change / fabs(k->before);
    bool sure = k->state != PL_SAME && fabs(k->before) > 3 * k->before_sigma && fabs(part) < 200;
    const char *word = isnan(k->chance)      ? "-"
                       : k->state != PL_SAME ? pl_change_word(k->state)
                       : k->seen             ? "moved"
                                             : "same";
    if (sure)
        snprintf(out, size, "%s %s%s %%", word, part > 0 ? "+" : "", pl_fixed(part, 0).s);
    else
        snprintf(out, size, "%s", word);
}

static void item(pl_string *out, const pl_change *k)
{
    char name[60], word[80];
    snprintf(name, sizeof name, "%s%s%s", k->name, k->unit[0] ? ", " : "", k->unit);
    verdict_word(k, word, sizeof word);
    pl_string_add(out, "  %-24s %-18s %-18s %s\n", name,
                  pl_measured(k->before, k->before_sigma, 3).s,
                  pl_measured(k->after, k->after_sigma, 3).s, word);
    if (k->seen && strpbrk(k->text, ",;:"))
        pl_string_wrap(out, "    ", 4, PL_TEXT_WIDTH, k->text);
}

/* "+8.1 +- 0.9 %" of a fraction. */
static pl_digits percent(double v, double sigma)
{
    return pl_measured(100 * v, 100 * sigma, 1);
}

static void zone(pl_string *out, const pl_zone_change *z)
{
    pl_string_add(out, "  around column %s, row %s\n", pl_fixed(pl_fits_px(z->x_px), 0).s,
                  pl_fixed(pl_fits_px(z->y_px), 0).s);
    if (z->size.seen)
        pl_string_add(out, "    %-22s %-18s %-18s %s\n", "off the mean FWHM, %",
                      percent(z->size.before, z->size.before_sigma).s,
                      percent(z->size.after, z->size.after_sigma).s, pl_change_word(z->size.state));
    if (z->stretch.seen)
        pl_string_add(out, "    %-22s %-18s %-18s %s\n", "stretch, chi",
                      pl_measured(z->stretch.before, z->stretch.before_sigma, 3).s,
                      pl_measured(z->stretch.after, z->stretch.after_sigma, 3).s,
                      pl_change_word(z->stretch.state));
}

/* By how many standard errors the zone changed; 0: none that is seen. */
static double telling(const pl_zone_change *z)
{
    double size = z->size.seen ? fabs(z->size.change) / z->size.change_sigma : 0;
    double stretch = z->stretch.seen ? fabs(z->stretch.change) / z->stretch.change_sigma : 0;
    return fmax(size, stretch);
}

static int most_telling_first(const void *a, const void *b)
{
    const pl_zone_change *p = *(const pl_zone_change *const *)a,
                         *q = *(const pl_zone_change *const *)b;
    double x = telling(p), y = telling(q);
    return x != y ? (x < y ? 1 : -1) : p < q ? -1 : p > q;
}

/* Those that changed, the most telling alone where they are many; JSON and the picture have all. */
static void zones(pl_string *out, const pl_changes *c)
{
    size_t all = c->columns * c->rows, n = 0;
    const pl_zone_change **seen = malloc((all + 1) * sizeof *seen);
    if (!seen) {
        out->failed = true;
        return;
    }
    for (size_t k = 0; k < all; k++)
        if (c->zone[k].size.seen || c->zone[k].stretch.seen)
            seen[n++] = &c->zone[k];
    qsort(seen, n, sizeof *seen, most_telling_first);
    if (n)
        pl_string_add(out, "  %zu of %zu zones changed%s\n", n, all,
                      n > MOST_ZONES ? "; seen best:" : ":");
    for (size_t i = 0; i < n && i < MOST_ZONES; i++)
        zone(out, seen[i]);
    free(seen);
}

char *pl_changes_text(const pl_changes *c, const char *file, const char *const *against, size_t n)
{
    pl_string out = { 0 };
    headline(&out, c, file, against, n);
    pl_string_add(&out, "\n  %-24s %-18s %s\n", "", "before", "after");
    for (size_t i = 0; i < c->items; i++)
        item(&out, &c->item[i]);
    zones(&out, c);
    for (size_t i = 0; i < c->notes.n; i++)
        pl_string_wrap(&out, "  - ", 4, PL_TEXT_WIDTH, c->notes.item[i]);
    return pl_string_take(&out);
}
