/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.h - the parts that all text answers have. Private to `report`. */
#ifndef PL_TEXT_H
#define PL_TEXT_H

#include "format.h"

enum { PL_TEXT_WIDTH = 78 };

/* pl_text_verdict - "FILE and 2 more: TEXT", then the action.
 *   file  in  NULL: none
 *   more  in  files that are not named */
void pl_text_verdict(pl_string *out, const char *file, size_t more, const pl_verdict *verdict);

/* pl_text_row - "  LABEL             WORDS", the words under each other. */
void pl_text_row(pl_string *out, const char *label, const char *words);

/* pl_text_note, pl_text_notes - "  - WORDS", whatever bytes they hold. */
void pl_text_note(pl_string *out, const char *words);
void pl_text_notes(pl_string *out, const pl_notes *notes);

/* pl_text_fact - "NAME VALUE (FROM)" behind a comma. */
void pl_text_fact(pl_string *told, const char *name, const char *value, const char *from);

/* pl_text_word - the same of a fact that is a word, where it is told. */
void pl_text_word(pl_string *told, const char *name, const pl_text *word);

/* pl_text_facts - n of them, those that are known. */
void pl_text_facts(pl_string *told, const char *const *name, const pl_num *num, size_t n);

#endif
