/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.c - the parts that all text answers have: verdict, rows of numbers, remarks, facts. */
#include "text.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void pl_text_verdict(pl_string *out, const char *file, size_t more, const pl_verdict *v)
{
    pl_string first = { 0 };
    bool standard = file && strcmp(file, "-") == 0;
    char *name = file ? pl_clean(standard ? "standard input" : file, PL_CLEAN_PLAIN, NULL) : NULL;
    if (file)
        pl_string_add(&first, more ? "%s and %zu more: " : "%s: ", name ? name : "?", more);
    pl_string_wrap(out, first.s ? first.s : "", 2, PL_TEXT_WIDTH, v->text);
    if (v->action[0])
        pl_string_wrap(out, "", 0, PL_TEXT_WIDTH, v->action);
    out->failed |= first.failed || (file && !name);
    free(first.s);
    free(name);
}

void pl_text_row(pl_string *out, const char *label, const char *words)
{
    char first[40];
    snprintf(first, sizeof first, "  %-18s", label);
    pl_string_wrap(out, first, 20, PL_TEXT_WIDTH, words);
}

void pl_text_note(pl_string *out, const char *words)
{
    char *clean = pl_clean(words, PL_CLEAN_PLAIN, NULL);
    if (clean)
        pl_string_wrap(out, "  - ", 4, PL_TEXT_WIDTH, clean);
    out->failed |= !clean;
    free(clean);
}

void pl_text_notes(pl_string *out, const pl_notes *notes)
{
    for (size_t i = 0; i < notes->n; i++)
        pl_text_note(out, notes->item[i]);
}

void pl_text_fact(pl_string *told, const char *name, const char *value, const char *from)
{
    pl_string_add(told, "%s%s %s (%s)", told->n ? ", " : "", name, value, from);
}

void pl_text_word(pl_string *told, const char *name, const pl_text *word)
{
    if (word->from != PL_FROM_NOWHERE)
        pl_text_fact(told, name, word->s, pl_source_name(word->from));
}

void pl_text_facts(pl_string *told, const char *const *name, const pl_num *num, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if (num[i].from != PL_FROM_NOWHERE)
            pl_text_fact(told, name[i], pl_signif(num[i].v, 6).s, pl_source_name(num[i].from));
}
