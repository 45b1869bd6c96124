/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.h - objects of plumb-json(5): numbers rounded in decimal, unknown as null, any text made
 * valid. Private to `report`. */
#ifndef PL_JSON_H
#define PL_JSON_H

#include "format.h"

#include <jansson.h>

enum {
    PL_JSON_DIGITS = 6, /* significant, of every number */
    PL_JSON_PLACES = 8  /* of positions: thousandths of a pixel across any sensor */
};

/* An object being filled, and whether memory sufficed so far. */
typedef struct {
    json_t *object;
    bool *ok;
} pl_json;

/* pl_json_begin - a new object with program, version, schema, file(s) and warnings: what all
 * objects have. Ends with pl_json_line. */
pl_json pl_json_begin(bool *ok, const char *program, const char *const *file, size_t files,
                      const pl_notes *warnings);

/* pl_json_line - the object as one line, malloc'd; NULL when memory was short. Frees the object. */
char *pl_json_line(pl_json t);

void pl_json_number(pl_json t, const char *key, double v);
void pl_json_digits(pl_json t, const char *key, double v, int digits);
void pl_json_count(pl_json t, const char *key, size_t n);
void pl_json_bool(pl_json t, const char *key, bool yes);

/* pl_json_text - text whose bytes may be anything; `changed` as pl_clean, may be NULL. Empty is
 * null. */
void pl_json_text(pl_json t, const char *key, const char *text, bool *changed);

/* pl_json_measured - a measured number and its twin KEY_sigma. */
void pl_json_measured(pl_json t, const char *key, double v, double sigma);

/* pl_json_position - a pixel coordinate and its twin, counted from 1 as FITS does. */
void pl_json_position(pl_json t, const char *key, double px, double sigma);

pl_json pl_json_object(pl_json parent, const char *key);
json_t *pl_json_list(pl_json parent, const char *key);
pl_json pl_json_item(json_t *list, bool *ok);

/* pl_json_field, pl_json_donut, pl_json_tilt - a whole line, open for more. */
pl_json pl_json_field(bool *ok, const pl_field *f, const char *file, bool with_stars);
pl_json pl_json_donut(bool *ok, const pl_donut *d, const char *const *file);
pl_json pl_json_tilt(bool *ok, const pl_tilt *tilt, const char *file);

void pl_json_verdict(pl_json t, const pl_verdict *verdict);

/* pl_json_exposure - what header or command line say of one exposure. */
void pl_json_exposure(pl_json t, const pl_facts *facts);

#endif
