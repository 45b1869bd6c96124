/* SPDX-License-Identifier: GPL-3.0-or-later */
/* report.h - what the words, the JSON, the table and the map of a field share. Private. */
#ifndef PL_REPORT_H
#define PL_REPORT_H

#include "canvas.h"

/* Inside the library the first pixel's centre is 0, for everybody else it is 1 (FITS). Only what is
 * written for a reader goes through here. */
static inline double pl_fits_px(double px)
{
    return px + 1;
}

/* pl_pattern_title - "even stretch", "turning", "outward stretch", "size slope", "one-sided flare",
 * "three-cornered". */
const char *pl_pattern_title(pl_pattern_name name);

/* pl_pattern_matters - it stands out of the noise, so it has a meaning. */
bool pl_pattern_matters(const pl_pattern *p);

/* pl_patterns_known - at least one could be measured, so "none stands out" is an answer. */
bool pl_patterns_known(const pl_field *field);

/* pl_kind_reason - why such a detection is not used, in a few words. */
const char *pl_kind_reason(pl_kind kind);

/* A known fact as text. */
typedef struct {
    const char *name;
    char value[80];
    double number; /* NaN for a text */
    pl_source from;
} pl_known;

/* pl_field_rests - the facts a field's numbers rest on that are known, in the table's order.
 *   out  out  room for PL_RESTS
 * Gives: how many. */
enum { PL_RESTS = 11 };
size_t pl_field_rests(const pl_facts *facts, pl_known *out);

/* pl_field_canvas - the map as drawn, before it is written: tests look at its labels. */
pl_status pl_field_canvas(const pl_field *field, const pl_frame *frame, const char *file,
                          const pl_look *look, pl_canvas **out, pl_err *err);

/* pl_check_canvas - the same of one exposure's focus. */
pl_status pl_check_canvas(const pl_check *check, const char *file, bool red, pl_canvas **out,
                          pl_err *err);

/* pl_watch_canvas - the running picture as drawn, before it is written. */
pl_status pl_watch_canvas(const pl_history *history, const char *title, bool red, pl_canvas **out,
                          pl_err *err);

#endif
