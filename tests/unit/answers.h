/* SPDX-License-Identifier: GPL-3.0-or-later */
/* answers.h - what the tests of texts, JSON and pictures ask of each of them. */
#ifndef ANSWERS_H
#define ANSWERS_H

#include "../../lib/report/canvas.h"

#include <jansson.h>

pl_num answers_told(double v); /* by the profile */

/* answers_noted - whether one of the notes holds the words. */
bool answers_noted(const pl_notes *notes, const char *words);

/* ---- text */

/* answers_lines - at most 78 columns of plain characters, and no number that is none. */
void answers_lines(const char *text);

/* answers_words - each of n pieces stands in it. */
void answers_words(const char *text, const char *const *want, size_t n);

/* ---- JSON */

/* answers_parsed - one line that is JSON without a key twice; frees the line. */
json_t *answers_parsed(char *line);

/* answers_number - NaN where it is null; it must be there. */
double answers_number(const json_t *o, const char *key);
bool answers_is(const json_t *o, const char *key, json_type type);

/* ---- pictures */

/* answers_tidy - nothing failed, no label is cut off, and none lies on another.
 *   what  in  told beside a failure */
void answers_tidy(const pl_canvas *c, const char *what);
bool answers_overlap(pl_box a, pl_box b);

/* answers_labels - how many labels hold the text. answers_label - the first that does, or NULL. */
int answers_labels(const pl_canvas *c, const char *text);
const pl_label *answers_label(const pl_canvas *c, const char *text);

/* answers_red - much is lit, and red alone; frees the canvas. */
void answers_red(pl_canvas *c);

/* answers_writes - a PNG of 1600 px, or says why not.
 *   draw  in  what draws it to a path */
void answers_writes(pl_status draw(const void *what, const char *path, pl_err *err),
                    const void *what);

/* answers_pixel, answers_tone - 0xRRGGBB. */
uint32_t answers_pixel(const pl_canvas *c, int x, int y);
uint32_t answers_tone(const pl_canvas *c, pl_tone tone);

#endif
