/* SPDX-License-Identifier: GPL-3.0-or-later */
/* marks.c - spot marks as a person writes them down:
 *
 *   at 5000            mm from the holder's face to the paper
 *   0     3.5   12.0   the laser turned by so many degrees; the spot's x and y, mm
 *   45   -0.5   11.0
 */
#include "laser.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_BYTES = 1 << 20, WORDS = 4, FEWEST = 3 };

static const double NEAREST = 100, FARTHEST = 100000, WIDEST = 1000; /* mm */

static bool is_plain(const char *s)
{
    for (; *s; s++)
        if ((unsigned char)*s >= 0x7f || ((unsigned char)*s < 0x20 && *s != '\t' && *s != '\r'))
            return false;
    return true;
}

/* Words of a line, which is cut up. Gives: how many, WORDS + 1 when there are more. */
static size_t words_of(char *line, char **word)
{
    size_t n = 0;
    for (char *s = line; *(s += strspn(s, " \t\r")); n++) {
        if (n == WORDS)
            return WORDS + 1;
        word[n] = s;
        s += strcspn(s, " \t\r");
        if (*s)
            *s++ = '\0';
    }
    return n;
}

static pl_status take_number(const char *word, double most, const char *what, size_t line,
                             double *out, pl_err *err)
{
    double v;
    if (!pl_number(word, &v))
        return pl_fail(err, PL_EFORMAT, "line %zu: \"%.40s\" is no %s; a plain number is wanted%s",
                       line, word, what, strchr(word, ',') ? ", with a point and no comma" : "");
    if (!(fabs(v) <= most))
        return pl_fail(err, PL_EFORMAT, "line %zu: %s of %g; up to %g is believed", line, what, v,
                       most);
    *out = v;
    return PL_OK;
}

static pl_status begin_sheet(pl_laser_sheets *s, char **word, size_t n, size_t line, pl_err *err)
{
    double at = NAN;
    if (n != 2 && !(n == 3 && strcmp(word[2], "mm") == 0))
        return pl_fail(err, PL_EFORMAT,
                       "line %zu: \"at\" takes one number, the distance from the holder's face to "
                       "the paper in mm",
                       line);
    pl_status rc = take_number(word[1], FARTHEST, "distance", line, &at, err);
    if (rc == PL_OK && !(at >= NEAREST))
        rc = pl_fail(err, PL_EFORMAT,
                     "line %zu: a distance of %g mm; at least %g is wanted, in millimetres", line,
                     at, NEAREST);
    for (size_t i = 0; i < s->sheets && rc == PL_OK; i++)
        if (s->sheet[i].at_mm == at)
            rc = pl_fail(err, PL_EFORMAT,
                         "line %zu: %g mm a second time; write all its marks under one \"at\"",
                         line, at);
    if (rc == PL_OK && s->sheets == PL_LASER_SHEETS)
        rc = pl_fail(err, PL_EFORMAT,
                     "line %zu: a third distance; take the nearest and the farthest", line);
    if (rc == PL_OK)
        s->sheet[s->sheets++] = (pl_laser_sheet){ .at_mm = at, .across_mm = NAN };
    return rc;
}

static pl_status take_mark(pl_laser_sheets *s, char **word, size_t n, size_t line, pl_err *err)
{
    pl_laser_mark m;
    if (n != 3)
        return pl_fail(err, PL_EFORMAT,
                       "line %zu: three numbers are wanted: the angle in degrees, x and y in mm",
                       line);
    pl_status rc = take_number(word[0], 360, "angle", line, &m.turned_deg, err);
    if (rc == PL_OK)
        rc = take_number(word[1], WIDEST, "x", line, &m.x_mm, err);
    if (rc == PL_OK)
        rc = take_number(word[2], WIDEST, "y", line, &m.y_mm, err);
    if (rc == PL_OK && s->sheets == 0)
        rc = pl_fail(err, PL_EFORMAT,
                     "line %zu: a mark before its distance; begin with a line such as \"at 5000\", "
                     "mm from the holder's face to the paper",
                     line);
    if (rc != PL_OK)
        return rc;
    pl_laser_sheet *sheet = &s->sheet[s->sheets - 1];
    if (sheet->marks == PL_LASER_MARKS)
        return pl_fail(err, PL_EFORMAT, "line %zu: more than %d marks at %g mm", line,
                       PL_LASER_MARKS, sheet->at_mm);
    sheet->mark[sheet->marks++] = m;
    return PL_OK;
}

static pl_status take_line(pl_laser_sheets *s, char *text, size_t line, pl_err *err)
{
    char *word[WORDS];
    text[strcspn(text, "#")] = '\0';
    if (!is_plain(text))
        return pl_fail(err, PL_EFORMAT,
                       "line %zu is no plain text; write numbers with 0 to 9, a point and a -",
                       line);
    size_t n = words_of(text, word);
    if (n == 0)
        return PL_OK;
    return strcmp(word[0], "at") == 0 ? begin_sheet(s, word, n, line, err)
                                      : take_mark(s, word, n, line, err);
}

static pl_status take_text(pl_laser_sheets *s, char *text, pl_err *err)
{
    static const char bom[] = "\xEF\xBB\xBF"; /* some editors begin a text with it */
    pl_status rc = PL_OK;
    size_t line = 1;
    for (char *t = text + (strncmp(text, bom, 3) == 0 ? 3 : 0); rc == PL_OK && *t; line++) {
        char *begin = t;
        t += strcspn(t, "\n");
        if (*t)
            *t++ = '\0';
        rc = take_line(s, begin, line, err);
    }
    return rc;
}

static pl_status check(const pl_laser_sheets *s, pl_err *err)
{
    if (s->sheets == 0)
        return pl_fail(err, PL_ENODATA,
                       "holds no mark; a line \"at 5000\" (mm), then a line \"angle x y\" for each "
                       "mark, see plumb-laser(1)");
    for (size_t i = 0; i < s->sheets; i++)
        if (s->sheet[i].marks < FEWEST)
            return pl_fail(
                err, PL_ENODATA,
                "%zu mark%s at %g mm; a circle needs %d, and 8 all the way round are good",
                s->sheet[i].marks, s->sheet[i].marks == 1 ? "" : "s", s->sheet[i].at_mm, FEWEST);
    return PL_OK;
}

pl_status pl_laser_read(const char *path, pl_laser_sheets *out, pl_err *err)
{
    pl_laser_sheets s = { .sheets = 0 };
    char *text = NULL;
    size_t n = 0;
    pl_status rc =
        pl_load_text(path, "list of spot marks", "plumb-laser(1)", MOST_BYTES, &text, &n, err);
    if (rc == PL_OK && memchr(text, '\0', n))
        rc =
            pl_fail(err, PL_EFORMAT, "is no list of spot marks: it is no text, see plumb-laser(1)");
    if (rc == PL_OK)
        rc = take_text(&s, text, err);
    free(text);
    if (rc == PL_OK)
        rc = check(&s, err);
    if (rc != PL_OK)
        return rc;
    if (s.sheets == 2 && s.sheet[0].at_mm > s.sheet[1].at_mm) {
        pl_laser_sheet far = s.sheet[0];
        s.sheet[0] = s.sheet[1];
        s.sheet[1] = far;
    }
    *out = s;
    return PL_OK;
}
