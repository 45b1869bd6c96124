/* SPDX-License-Identifier: GPL-3.0-or-later */
/* format.c - numbers with the digits their errors leave them, in the C locale's spelling whatever
 * the locale; texts that anything can show. */
#include "format.h"

#include <locale.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The one place where printf's decimal point becomes a point. */
static pl_digits spelled(const char *fmt, int precision, double v)
{
    pl_digits out;
    snprintf(out.s, sizeof out.s, fmt, precision, v);
    const char *point = localeconv()->decimal_point;
    size_t len = strlen(point);
    char *at = len ? strstr(out.s, point) : NULL;
    if (at && strcmp(point, ".") != 0) {
        *at = '.';
        memmove(at + 1, at + len, strlen(at + len) + 1);
    }
    return out;
}

static pl_digits unknown(void)
{
    return (pl_digits){ "-" };
}

pl_digits pl_fixed(double v, int decimals)
{
    if (!isfinite(v))
        return unknown();
    if (fabs(v) >= 1e12)
        return spelled("%.*g", 6, v);
    pl_digits out = spelled("%.*f", decimals, v);
    if (out.s[0] == '-' && !out.s[1 + strspn(out.s + 1, "0.")])
        memmove(out.s, out.s + 1, strlen(out.s)); /* no negative nought */
    return out;
}

pl_digits pl_signif(double v, int digits)
{
    return isfinite(v) ? spelled("%.*g", digits, v == 0 ? 0.0 : v) : unknown();
}

int pl_decimals(double sigma, int otherwise)
{
    if (!(sigma > 0) || !isfinite(sigma))
        return otherwise;
    /* 0.995 has its second digit where 1.0 has it: round first */
    double d = 1 - floor(log10(pl_round_to(sigma, 2)) + 1e-9);
    return d < 0 ? 0 : d > 6 ? 6 : (int)d;
}

pl_digits pl_measured(double v, double sigma, int otherwise)
{
    if (!isfinite(v))
        return unknown();
    int decimals = pl_decimals(sigma, otherwise);
    pl_digits a = pl_fixed(v, decimals), b = pl_fixed(sigma, decimals), out;
    if (!isfinite(sigma) || strlen(a.s) + strlen(b.s) + 5 > sizeof out.s)
        return a;
    snprintf(out.s, sizeof out.s, "%.20s +- %.20s", a.s, b.s);
    return out;
}

double pl_round_to(double v, int digits)
{
    if (!isfinite(v))
        return v;
    char text[48]; /* printf and strtod share the locale, and round to nearest */
    snprintf(text, sizeof text, "%.*e", digits - 1, v == 0 ? 0.0 : v);
    return strtod(text, NULL);
}

const char *pl_source_name(pl_source from)
{
    switch (from) {
    case PL_FROM_DEFAULT:
        return "default";
    case PL_FROM_HEADER:
        return "header";
    case PL_FROM_PROFILE:
        return "profile";
    case PL_FROM_OPTION:
        return "option";
    case PL_FROM_NOWHERE:
        break;
    }
    return "unknown";
}

/* Length of the valid UTF-8 character at s, 0 when there is none (RFC 3629). */
static size_t utf8_length(const unsigned char *s)
{
    static const struct {
        unsigned char mask, lead, lo, hi; /* lead byte; range of the second one */
        size_t len;
    } form[] = { { 0x80, 0x00, 0x00, 0x00, 1 }, { 0xff, 0xe0, 0xa0, 0xbf, 3 },
                 { 0xff, 0xed, 0x80, 0x9f, 3 }, { 0xf0, 0xe0, 0x80, 0xbf, 3 },
                 { 0xff, 0xf0, 0x90, 0xbf, 4 }, { 0xff, 0xf4, 0x80, 0x8f, 4 },
                 { 0xff, 0xf1, 0x80, 0xbf, 4 }, { 0xfe, 0xf2, 0x80, 0xbf, 4 },
                 { 0xe0, 0xc0, 0x80, 0xbf, 2 } };
    if (s[0] == 0xc0 || s[0] == 0xc1)
        return 0;
    for (size_t i = 0; i < PL_ARRAY_LEN(form); i++) {
        if ((s[0] & form[i].mask) != form[i].lead)
            continue;
        size_t len = form[i].len;
        if (len == 1)
            return 1;
        if (s[1] < form[i].lo || s[1] > form[i].hi)
            return 0;
        for (size_t k = 2; k < len; k++)
            if ((s[k] & 0xc0) != 0x80)
                return 0;
        return len;
    }
    return 0;
}

/* U+0000..001F, 007F and 0080..009F. */
static bool is_control(const unsigned char *s, size_t len)
{
    return (len == 1 && (s[0] < 0x20 || s[0] == 0x7f)) || (len == 2 && s[0] == 0xc2 && s[1] < 0xa0);
}

char *pl_clean(const char *text, pl_cleaning how, bool *changed)
{
    const char *instead = how == PL_CLEAN_PLAIN ? "?" : "\xef\xbf\xbd";
    size_t used = 0, room = strlen(instead);
    char *out = pl_malloc(strlen(text) * room + 1);
    if (!out)
        return NULL;
    bool touched = false;
    for (const unsigned char *s = (const unsigned char *)text; *s;) {
        size_t len = utf8_length(s);
        bool keep = len > 0 && (how == PL_CLEAN_VALID || !is_control(s, len));
        memcpy(out + used, keep ? (const char *)s : instead, keep ? len : room);
        used += keep ? len : room;
        touched |= !keep;
        s += len ? len : 1;
    }
    out[used] = '\0';
    if (changed)
        *changed = touched;
    return out;
}

uint32_t pl_utf8_next(const char **s)
{
    const unsigned char *p = (const unsigned char *)*s;
    size_t len = utf8_length(p);
    uint32_t code = len < 2 ? p[0] : p[0] & (0x7fu >> len);
    for (size_t i = 1; i < len; i++)
        code = code << 6 | (p[i] & 0x3fu);
    *s += len ? len : 1;
    return code;
}

void pl_string_bytes(pl_string *out, const char *bytes, size_t n)
{
    if (out->failed)
        return;
    if (!out->s || out->cap - out->n <= n) {
        size_t want = (out->n + n + 1) * 2;
        char *s = realloc(out->s, want);
        if (!s) {
            pl_memory_short();
            out->failed = true;
            return;
        }
        out->s = s;
        out->cap = want;
    }
    memcpy(out->s + out->n, bytes, n);
    out->n += n;
    out->s[out->n] = '\0';
}

void pl_string_add(pl_string *out, const char *fmt, ...)
{
    char text[1024], *big = NULL;
    va_list ap, again;
    va_start(ap, fmt);
    va_copy(again, ap);
    int n = vsnprintf(text, sizeof text, fmt, ap);
    if (n >= (int)sizeof text && (big = pl_malloc((size_t)n + 1)))
        vsnprintf(big, (size_t)n + 1, fmt, again);
    if (n < 0 || (n >= (int)sizeof text && !big))
        out->failed = true;
    else
        pl_string_bytes(out, big ? big : text, (size_t)n);
    va_end(again);
    va_end(ap);
    free(big);
}

/* A number, a fraction or "+-". */
static bool is_figure(const char *word, size_t n)
{
    return strspn(word, "(0123456789.+-/") >= n;
}

/* What has its number behind it: the screw "A", the key "step_um". */
static bool is_name(const char *word, size_t n)
{
    return (n == 1 && word[0] >= 'A' && word[0] <= 'Z') || memchr(word, '_', n);
}

bool pl_may_break(const char *text, size_t blank)
{
    const char *before = text + blank, *after = text + blank + 1;
    while (before > text && before[-1] != ' ')
        before--;
    size_t m = (size_t)(text + blank - before), n = strcspn(after, " ");
    if (m == 0 || n == 0)
        return true;
    bool figure = is_figure(before, m), next = is_figure(after, n);
    if (figure && next) /* 4 +- 1, 2 1/8 */
        return before[m - 1] != '-' && strcspn(after, "/+") >= n;
    return figure ? after[0] == '(' : !(next && is_name(before, m));
}

/* Bytes of the first word; with all that must not be broken off it when that fits into `room`. */
static size_t word_length(const char *text, size_t room)
{
    size_t word = strcspn(text, " "), whole = word;
    while (text[whole] && text[whole + 1] && !pl_may_break(text, whole))
        whole += 1 + strcspn(text + whole + 1, " ");
    return whole <= room ? whole : word;
}

void pl_string_wrap(pl_string *out, const char *first, int indent, int width, const char *text)
{
    int column = (int)strlen(first);
    bool fresh = true; /* no word on this line yet */
    pl_string_add(out, "%s", first);
    for (text += strspn(text, " "); *text; text += strspn(text, " ")) {
        int len = (int)word_length(text, (size_t)(width - indent));
        if (!fresh && column + 1 + len > width) {
            pl_string_add(out, "\n%*s", indent, "");
            column = indent;
            fresh = true;
        }
        int fit = len; /* a word longer than a line is cut */
        if (fresh && column + len > width && width > column)
            fit = width - column;
        while (fit > 1 && fit < len && ((unsigned char)text[fit] & 0xc0) == 0x80)
            fit--; /* not within a character */
        pl_string_add(out, "%s%.*s", fresh ? "" : " ", fit, text);
        column += fit + !fresh;
        fresh = false;
        text += fit;
    }
    pl_string_add(out, "\n");
}

char *pl_string_take(pl_string *out)
{
    if (!out->failed && !out->s)
        pl_string_bytes(out, "", 0);
    char *s = out->failed ? NULL : out->s;
    if (out->failed)
        free(out->s);
    *out = (pl_string){ 0 };
    return s;
}
