/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The facts: every row of the table, who outranks whom, what is refused. */
#include "../../lib/base/base.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

static const pl_num *num(const pl_facts *facts, const pl_fact *row)
{
    return (const pl_num *)(const void *)((const char *)facts + row->offset);
}

static const pl_text *text(const pl_facts *facts, const pl_fact *row)
{
    return (const pl_text *)(const void *)((const char *)facts + row->offset);
}

static bool unchanged(const pl_facts *a, const pl_facts *b)
{
    return memcmp(a, b, sizeof *a) == 0;
}

/* No name, place in the struct or keyword twice; keywords as FITS 4.0 (4.1.2.1) allows them. */
Test(facts, the_table_is_sound)
{
    static const char allowed[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_";
    size_t n;
    const pl_fact *row = pl_facts_table(&n);
    for (size_t i = 0; i < n; i++) {
        cr_expect(gt(sz, strlen(row[i].help), 0), "%s", row[i].name);
        for (size_t j = 0; j < i; j++) {
            cr_expect(ne(str, (char *)row[i].name, (char *)row[j].name));
            cr_expect(lt(sz, row[j].offset, row[i].offset), "%s: order of pl_facts", row[i].name);
        }
        for (const char *const *k = row[i].keywords; *k; k++) {
            cr_expect(le(sz, strlen(*k), 8), "%s", *k);
            cr_expect(eq(sz, strspn(*k, allowed), strlen(*k)), "%s", *k);
        }
    }
}

Test(facts, nothing_is_known_at_first)
{
    size_t n;
    pl_facts facts = pl_facts_unknown();
    const pl_fact *row = pl_facts_table(&n);
    for (size_t i = 0; i < n; i++) {
        bool is_text = row[i].lo > row[i].hi;
        pl_source from = is_text ? text(&facts, &row[i])->from : num(&facts, &row[i])->from;
        cr_expect(eq(int, from, PL_FROM_NOWHERE), "%s", row[i].name);
        cr_expect(is_text ? !text(&facts, &row[i])->s[0] : isnan(num(&facts, &row[i])->v));
    }
}

Test(facts, every_number_keeps_its_range)
{
    size_t n;
    const pl_fact *row = pl_facts_table(&n);
    for (size_t i = 0; i < n; i++) {
        if (row[i].lo > row[i].hi)
            continue;
        const double at[4] = { row[i].lo, row[i].hi, row[i].lo - 1, row[i].hi * 1.5 + 1 };
        for (int k = 0; k < 4; k++) {
            char value[40];
            pl_err err = { PL_OK, "" };
            pl_facts facts = pl_facts_unknown(), before = facts;
            snprintf(value, sizeof value, "%.17g", at[k]);
            pl_status st = pl_facts_set(&facts, row[i].name, value, PL_FROM_OPTION, &err);
            cr_expect(eq(int, st, k < 2 ? PL_OK : PL_EARG), "%s = %s", row[i].name, value);
            if (k < 2)
                cr_expect(eq(dbl, num(&facts, &row[i])->v, at[k]), "%s", row[i].name);
            else
                cr_expect(unchanged(&facts, &before), "%s", row[i].name);
        }
    }
}

Test(facts, every_word_is_taken_in_any_case)
{
    size_t n;
    const pl_fact *row = pl_facts_table(&n);
    for (size_t i = 0; i < n; i++) {
        pl_facts facts = pl_facts_unknown(), before = facts;
        if (row[i].lo <= row[i].hi || !row[i].words)
            continue;
        char words[128], *rest = words, *word;
        snprintf(words, sizeof words, "%s", row[i].words);
        while ((word = strtok_r(rest, " ", &rest))) {
            char lower[32];
            size_t len = 0;
            for (; word[len]; len++)
                lower[len] =
                    word[len] >= 'A' && word[len] <= 'Z' ? (char)(word[len] + 32) : word[len];
            lower[len] = '\0';
            cr_assert(
                eq(int, pl_facts_set(&facts, row[i].name, lower, PL_FROM_HEADER, NULL), PL_OK));
            cr_expect(eq(str, (char *)text(&facts, &row[i])->s, word));
        }
        facts = before;
        cr_expect(
            eq(int, pl_facts_set(&facts, row[i].name, "cheese", PL_FROM_OPTION, NULL), PL_EARG));
        cr_expect(eq(int, pl_facts_set(&facts, row[i].name, "", PL_FROM_OPTION, NULL), PL_EARG));
        cr_expect(unchanged(&facts, &before));
    }
}

struct number_row {
    char text[72];
    int ok;
    double want;
};

ParameterizedTestParameters(facts, numbers)
{
    static struct number_row rows[] = {
        { "0", 1, 0 },
        { "-12.5", 1, -12.5 },
        { "+3", 1, 3 },
        { "1e3", 1, 1000 },
        { ".5", 1, 0.5 },
        { "5.", 1, 5 },
        { "1E-2", 1, 0.01 },
        { "12um", 0, 0 },
        { "nan", 0, 0 },
        { "inf", 0, 0 },
        { "-inf", 0, 0 },
        { "", 0, 0 },
        { " 1", 0, 0 },
        { "1 ", 0, 0 },
        { "1,5", 0, 0 },
        { "0x10", 0, 0 },
        { "1e999", 0, 0 },
        { "--1", 0, 0 },
        { ".", 0, 0 },
        { "e5", 0, 0 },
        { "1e", 0, 0 },
        { "1.2.3", 0, 0 },
        { "+", 0, 0 },
        { "\t1", 0, 0 },
        { "1e-400", 1, 0 },
        { "0000000000000000000000000000000000000000000000000000000000000001", 0, 0 }, /* 64 */
    };
    return cr_make_param_array(struct number_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct number_row *r, facts, numbers)
{
    double v = -7;
    setlocale(LC_ALL, "de_DE.UTF-8"); /* a comma locale, where it is installed */
    cr_assert(eq(int, pl_number(r->text, &v), r->ok), "\"%s\"", r->text);
    cr_expect(epsilon_eq(dbl, v, r->ok ? r->want : -7, 1e-12), "\"%s\"", r->text);
}

/* Command line over profile over header over default, in whatever order they come. */
Test(facts, a_stronger_source_wins)
{
    static const pl_source order[] = { PL_FROM_PROFILE, PL_FROM_DEFAULT, PL_FROM_OPTION,
                                       PL_FROM_HEADER };
    static const double want[] = { 100, 100, 102, 102 };
    pl_facts facts = pl_facts_unknown();
    for (int i = 0; i < 4; i++) {
        char value[16], word[2][8] = { "RGGB", "BGGR" };
        snprintf(value, sizeof value, "%d", 100 + i);
        cr_assert(eq(int, pl_facts_set(&facts, "aperture_mm", value, order[i], NULL), PL_OK));
        cr_assert(eq(int, pl_facts_set(&facts, "mosaic", word[i == 2], order[i], NULL), PL_OK));
        cr_expect(eq(dbl, facts.aperture_mm.v, want[i]));
        cr_expect(eq(str, facts.mosaic.s, word[want[i] > 101]));
    }
    cr_assert(eq(int, pl_facts_set(&facts, "aperture_mm", "300", PL_FROM_OPTION, NULL), PL_OK));
    cr_expect(eq(dbl, facts.aperture_mm.v, 300), "the later of two alike");
}

Test(facts, merging_takes_the_stronger)
{
    pl_facts a = pl_facts_unknown(), b = pl_facts_unknown();
    pl_facts_set(&a, "aperture_mm", "280", PL_FROM_OPTION, NULL);
    pl_facts_set(&b, "aperture_mm", "300", PL_FROM_HEADER, NULL);
    pl_facts_set(&a, "focal_mm", "870", PL_FROM_HEADER, NULL);
    pl_facts_set(&b, "focal_mm", "900", PL_FROM_PROFILE, NULL);
    pl_facts_set(&b, "object", "a field", PL_FROM_HEADER, NULL);
    pl_facts_merge(&a, &b);
    cr_expect(eq(dbl, a.aperture_mm.v, 280));
    cr_expect(eq(dbl, a.focal_mm.v, 900));
    cr_expect(eq(int, a.focal_mm.from, PL_FROM_PROFILE));
    cr_expect(eq(str, a.object.s, "a field"));
    cr_expect(isnan(a.pixel_um.v));
}

Test(facts, a_long_text_is_cut)
{
    char longer[200];
    pl_facts facts = pl_facts_unknown();
    memset(longer, 'a', sizeof longer - 1);
    longer[sizeof longer - 1] = '\0';
    cr_assert(eq(int, pl_facts_set(&facts, "object", longer, PL_FROM_HEADER, NULL), PL_OK));
    cr_expect(eq(sz, strlen(facts.object.s), sizeof facts.object.s - 1));
}

Test(facts, unknown_names_are_refused)
{
    pl_facts facts = pl_facts_unknown(), before = facts;
    double v = -7;
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_facts_set(&facts, "apertur", "1", PL_FROM_OPTION, &err), PL_EARG));
    cr_expect(ne(ptr, strstr(err.msg, "apertur"), NULL));
    cr_expect(eq(int, pl_facts_need(&facts, "apertur", &v, NULL), PL_EARG));
    cr_expect(eq(int, pl_facts_need(&facts, "mosaic", &v, NULL), PL_EARG), "a text is no number");
    cr_expect(eq(dbl, v, -7));
    cr_expect(unchanged(&facts, &before));
}

/* The sentence names all three sources of a missing fact. */
Test(facts, a_missing_fact_says_how_to_give_it)
{
    pl_facts facts = pl_facts_unknown();
    pl_err err = { PL_OK, "" };
    double v = -7;
    cr_assert(eq(int, pl_facts_need(&facts, "focal_mm", &v, &err), PL_ENODATA));
    cr_expect(ne(ptr, strstr(err.msg, "--focal-mm"), NULL), "%s", err.msg);
    cr_expect(ne(ptr, strstr(err.msg, "[scope] focal_mm"), NULL), "%s", err.msg);
    cr_expect(ne(ptr, strstr(err.msg, "FOCALLEN"), NULL), "%s", err.msg);
    cr_expect(eq(dbl, v, -7));
    pl_facts_set(&facts, "focal_mm", "870", PL_FROM_DEFAULT, NULL);
    cr_assert(eq(int, pl_facts_need(&facts, "focal_mm", &v, NULL), PL_OK));
    cr_expect(eq(dbl, v, 870));
}
