/* SPDX-License-Identifier: GPL-3.0-or-later */
/* header.c - what a FITS header says, through the one table of spellings. */
#include "frame.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* A keyword's value as text: quotes off, trailing blanks off. False when absent or empty. */
static bool key_text(fitsfile *f, const char *key, char out[FLEN_VALUE])
{
    int status = 0;
    char raw[FLEN_VALUE] = "";
    fits_read_key(f, TSTRING, key, raw, NULL, &status);
    if (status)
        return false;
    char *start = raw + strspn(raw, " ");
    size_t n = strlen(start);
    while (n && isspace((unsigned char)start[n - 1]))
        n--;
    for (size_t i = 0; i < n; i++) /* headers are ASCII; keep what came from elsewhere harmless */
        out[i] = isprint((unsigned char)start[i]) ? start[i] : '?';
    out[n] = '\0';
    return n > 0;
}

/* "12 34 56.7", "-12:34:56": degrees. */
static bool sexagesimal(const char *text, double *deg)
{
    double part[3] = { 0, 0, 0 };
    int n = 0, used = 0;
    bool minus = text[0] == '-';
    const char *s = text + (text[0] == '-' || text[0] == '+');
    for (; n < 3; n++) {
        char word[32];
        if (sscanf(s, "%31[0-9.]%n", word, &used) != 1 || !pl_number(word, &part[n]))
            return false;
        s += used;
        if (*s == '\0')
            break;
        if (*s != ' ' && *s != ':')
            return false;
        s++;
    }
    double v = part[0] + part[1] / 60 + part[2] / 3600;
    *deg = minus ? -v : v;
    return n > 0;
}

/* "11 C" and the like: a number with its unit behind; D for the exponent too (FITS 4.0, 4.2.4). */
static bool number_with_unit(const char *text, double *v)
{
    char word[32];
    if (sscanf(text, "%31[-+0-9.eEdD]", word) != 1)
        return false;
    for (char *c = word; *c; c++)
        *c = *c == 'D' || *c == 'd' ? 'E' : *c;
    return pl_number(word, v);
}

/* FITS wants UTC (4.0, 4.4.2.2); some files write local time with an offset behind it, "-0700". */
static void date_to_utc(char date[FLEN_VALUE], pl_notes *notes)
{
    int y, mo, d, h, mi, used = 0, oh, om;
    double s;
    char sign;
    if (sscanf(date, "%4d-%2d-%2dT%2d:%2d:%30lf%n", &y, &mo, &d, &h, &mi, &s, &used) != 6 ||
        sscanf(date + used, "%c%2d%*[:]%2d", &sign, &oh, &om) < 2)
        return;
    if (sscanf(date + used, "%c%2d:%2d", &sign, &oh, &om) != 3 &&
        sscanf(date + used, "%c%2d%2d", &sign, &oh, &om) != 3)
        return;
    if ((sign != '+' && sign != '-') || y < 1800 || y > 2999 || mo < 1 || mo > 12 || d < 1 ||
        d > 31 || h < 0 || h > 23 || mi < 0 || mi > 59 || !(s >= 0 && s < 61))
        return;
    long offset = (sign == '-' ? -1 : 1) * (oh * 60L + om);
    long minutes = pl_days_from_civil(y, mo, d) * 1440 + h * 60L + mi - offset;
    long day = minutes >= 0 ? minutes / 1440 : (minutes - 1439) / 1440, yy, mm, dd;
    minutes -= day * 1440;
    pl_civil_from_days(day, &yy, &mm, &dd);
    snprintf(date, FLEN_VALUE, "%04ld-%02ld-%02ldT%02ld:%02ld:%06.3f", yy, mm, dd, minutes / 60,
             minutes % 60, s);
    if (offset)
        pl_note(notes, "DATE-OBS is local time with an offset; turned into UTC");
}

/* The mosaic as stored from pixel (1,1): the pattern shifted by XBAYROFF, YBAYROFF; a frame stored
 * from the bottom row up has it counted from the top (ROWORDER; common practice, no source). */
static void shift_mosaic(fitsfile *f, char value[FLEN_VALUE])
{
    char text[FLEN_VALUE];
    double dx = 0, dy = 0;
    long side[2] = { 0, 0 };
    int status = 0;
    if (strlen(value) != 4)
        return;
    if (key_text(f, "XBAYROFF", text))
        number_with_unit(text, &dx);
    if (key_text(f, "YBAYROFF", text))
        number_with_unit(text, &dy);
    fits_get_img_size(f, 2, side, &status);
    if (key_text(f, "ROWORDER", text) && strcasecmp(text, "BOTTOM-UP") == 0)
        dy += side[1] % 2 == 0;
    char turned[5] = "";
    int ox = (int)lround(dx) & 1, oy = (int)lround(dy) & 1;
    for (int i = 0; i < 4; i++)
        turned[i] = (char)toupper((unsigned char)value[((i >> 1) ^ oy) * 2 + ((i & 1) ^ ox)]);
    snprintf(value, FLEN_VALUE, "%s", turned);
}

static bool parse_value(const pl_fact *row, const char *text, double *v)
{
    return pl_number(text, v) || (strstr(row->name, "_deg") && sexagesimal(text, v)) ||
           number_with_unit(text, v);
}

static void take_number(const pl_fact *row, const char *key, const char *text, pl_facts *facts,
                        pl_notes *notes)
{
    double v;
    char plain[40];
    if (!parse_value(row, text, &v))
        return;
    if (strcmp(row->name, "temperature_c") == 0 && v > 150) {
        pl_note(notes, "%s = %g taken as kelvin", key, v);
        v -= 273.15;
    }
    snprintf(plain, sizeof plain, "%.9g", v);
    pl_err err = { PL_OK, "" };
    if (pl_facts_set(facts, row->name, plain, PL_FROM_HEADER, &err) != PL_OK && v != 0)
        pl_note(notes, "%s in the header is left out: %.180s", key, err.msg);
}

static void take_text(fitsfile *f, const pl_fact *row, const char *key, char *text, pl_facts *facts,
                      pl_notes *notes)
{
    if (strcmp(row->name, "mosaic") == 0)
        shift_mosaic(f, text);
    if (strcmp(row->name, "date_obs") == 0)
        date_to_utc(text, notes);
    pl_err err = { PL_OK, "" };
    if (pl_facts_set(facts, row->name, text, PL_FROM_HEADER, &err) != PL_OK)
        pl_note(notes, "%s in the header is left out: %.180s", key, err.msg);
}

void pl_header_facts(fitsfile *f, pl_facts *facts, pl_notes *notes)
{
    size_t n;
    const pl_fact *rows = pl_facts_table(&n);
    for (size_t i = 0; i < n; i++) {
        char text[FLEN_VALUE];
        const char *const *key = rows[i].keywords;
        while (*key && !key_text(f, *key, text))
            key++;
        if (!*key)
            continue;
        if (rows[i].lo > rows[i].hi)
            take_text(f, &rows[i], *key, text, facts, notes);
        else
            take_number(&rows[i], *key, text, facts, notes);
    }
}
