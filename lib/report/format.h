/* SPDX-License-Identifier: GPL-3.0-or-later */
/* format.h - numbers and texts as people and programs read them. Private to `report`. */
#ifndef PL_FORMAT_H
#define PL_FORMAT_H

#include "../base/base.h"

/* Room for any number these functions write. */
typedef struct {
    char s[48];
} pl_digits;

/* pl_fixed - `decimals` digits behind the point, a point in every locale; "-" for NaN and infinity.
 * A magnitude of 1e12 and more is written with an exponent. Never "-0.00". */
pl_digits pl_fixed(double v, int decimals);

/* pl_signif - `digits` significant digits, shortest spelling (%g), a point in every locale. */
pl_digits pl_signif(double v, int digits);

/* pl_decimals - digits behind the point that an error of `sigma` leaves meaning: two significant
 * ones of the error, in [0, 6]; `otherwise` when sigma is unknown or 0. */
int pl_decimals(double sigma, int otherwise);

/* pl_measured - "3.412 +- 0.021", digits by the error; "3.4" when the error is unknown, "-" when
 * the value is. otherwise  in  decimals when there is no error to go by */
pl_digits pl_measured(double v, double sigma, int otherwise);

/* pl_round_to - v rounded to `digits` significant decimal digits; NaN and infinity as they are. */
double pl_round_to(double v, int digits);

/* pl_source_name - "default", "header", "profile", "option". */
const char *pl_source_name(pl_source from);

/* How a text with bytes that cannot be shown is made whole. A bad byte is one that is no part of
 * valid UTF-8 (RFC 3629: no overlong form, surrogate or value above 10FFFF). */
typedef enum {
    PL_CLEAN_VALID, /* bad bytes become U+FFFD, one each; control characters stay (JSON) */
    PL_CLEAN_SHOWN, /* control characters too: one line of valid UTF-8 (pictures, PNG chunks) */
    PL_CLEAN_PLAIN  /* the same with '?' for U+FFFD (terminals) */
} pl_cleaning;

/* pl_clean - malloc'd copy; NULL when memory is short.
 *   changed  out  whether something had to be replaced; may be NULL */
char *pl_clean(const char *text, pl_cleaning how, bool *changed);

/* pl_utf8_next - the character at *s, which is valid UTF-8 and not at its end; moves on. */
uint32_t pl_utf8_next(const char **s);

/* ---- text that grows */

/* Sticky: once memory was short, `failed` stays and nothing more is added. Start from { 0 }. */
typedef struct {
    char *s;
    size_t n, cap;
    bool failed;
} pl_string;

void pl_string_add(pl_string *out, const char *fmt, ...) PL_PRINTF(2, 3);
void pl_string_bytes(pl_string *out, const char *bytes, size_t n);
/* pl_may_break - whether a line may end at the blank text[blank]: not between a number and what it
 * counts, nor within "4 +- 1" or "2 1/8", nor between "A" or "step_um" and its number. */
bool pl_may_break(const char *text, size_t blank);
/* pl_string_wrap - a paragraph in lines of at most `width` characters, each after `indent` blanks,
 * the first one after `first` instead (its blanks count). */
void pl_string_wrap(pl_string *out, const char *first, int indent, int width, const char *text);
/* pl_string_take - the text, now the caller's; NULL when memory was short. Resets `out`. */
char *pl_string_take(pl_string *out);

#endif
