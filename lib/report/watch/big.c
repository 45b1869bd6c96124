/* SPDX-License-Identifier: GPL-3.0-or-later */
/* big.c - a few words in letters that are read from the other end of the tube. */
#include "../report.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

enum { WIDE = 5, HIGH = 7, MOST_LETTERS = 64 };

/* Seven rows of five dots, the left one the highest bit; our own drawing. 1 to 8: arrows, from the
 * right counter-clockwise. */
static const struct {
    char letter;
    unsigned char row[HIGH];
} font[] = {
    { 1, { 0x00, 0x04, 0x02, 0x1f, 0x02, 0x04, 0x00 } },
    { 2, { 0x00, 0x0f, 0x03, 0x05, 0x09, 0x10, 0x00 } },
    { 3, { 0x04, 0x0e, 0x15, 0x04, 0x04, 0x04, 0x04 } },
    { 4, { 0x00, 0x1e, 0x18, 0x14, 0x12, 0x01, 0x00 } },
    { 5, { 0x00, 0x04, 0x08, 0x1f, 0x08, 0x04, 0x00 } },
    { 6, { 0x00, 0x01, 0x12, 0x14, 0x18, 0x1e, 0x00 } },
    { 7, { 0x04, 0x04, 0x04, 0x04, 0x15, 0x0e, 0x04 } },
    { 8, { 0x00, 0x10, 0x09, 0x05, 0x03, 0x0f, 0x00 } },
    { ' ', { 0 } },
    { '+', { 0x00, 0x04, 0x04, 0x1f, 0x04, 0x04, 0x00 } },
    { '-', { 0x00, 0x00, 0x00, 0x1f, 0x00, 0x00, 0x00 } },
    { '.', { 0x00, 0x00, 0x00, 0x00, 0x00, 0x0c, 0x0c } },
    { '%', { 0x18, 0x19, 0x02, 0x04, 0x08, 0x13, 0x03 } },
    { '?', { 0x0e, 0x11, 0x01, 0x02, 0x04, 0x00, 0x04 } },
    { '0', { 0x0e, 0x11, 0x13, 0x15, 0x19, 0x11, 0x0e } },
    { '1', { 0x04, 0x0c, 0x04, 0x04, 0x04, 0x04, 0x0e } },
    { '2', { 0x0e, 0x11, 0x01, 0x06, 0x08, 0x10, 0x1f } },
    { '3', { 0x1e, 0x01, 0x01, 0x0e, 0x01, 0x01, 0x1e } },
    { '4', { 0x02, 0x06, 0x0a, 0x12, 0x1f, 0x02, 0x02 } },
    { '5', { 0x1f, 0x10, 0x1e, 0x01, 0x01, 0x11, 0x0e } },
    { '6', { 0x06, 0x08, 0x10, 0x1e, 0x11, 0x11, 0x0e } },
    { '7', { 0x1f, 0x01, 0x02, 0x04, 0x08, 0x08, 0x08 } },
    { '8', { 0x0e, 0x11, 0x11, 0x0e, 0x11, 0x11, 0x0e } },
    { '9', { 0x0e, 0x11, 0x11, 0x0f, 0x01, 0x02, 0x0c } },
    { 'A', { 0x0e, 0x11, 0x11, 0x1f, 0x11, 0x11, 0x11 } },
    { 'B', { 0x1e, 0x11, 0x11, 0x1e, 0x11, 0x11, 0x1e } },
    { 'C', { 0x0e, 0x11, 0x10, 0x10, 0x10, 0x11, 0x0e } },
    { 'D', { 0x1e, 0x11, 0x11, 0x11, 0x11, 0x11, 0x1e } },
    { 'E', { 0x1f, 0x10, 0x10, 0x1e, 0x10, 0x10, 0x1f } },
    { 'F', { 0x1f, 0x10, 0x10, 0x1e, 0x10, 0x10, 0x10 } },
    { 'G', { 0x0e, 0x11, 0x10, 0x17, 0x11, 0x11, 0x0f } },
    { 'H', { 0x11, 0x11, 0x11, 0x1f, 0x11, 0x11, 0x11 } },
    { 'I', { 0x0e, 0x04, 0x04, 0x04, 0x04, 0x04, 0x0e } },
    { 'J', { 0x07, 0x02, 0x02, 0x02, 0x02, 0x12, 0x0c } },
    { 'K', { 0x11, 0x12, 0x14, 0x18, 0x14, 0x12, 0x11 } },
    { 'L', { 0x10, 0x10, 0x10, 0x10, 0x10, 0x10, 0x1f } },
    { 'M', { 0x11, 0x1b, 0x15, 0x15, 0x11, 0x11, 0x11 } },
    { 'N', { 0x11, 0x19, 0x15, 0x13, 0x11, 0x11, 0x11 } },
    { 'O', { 0x0e, 0x11, 0x11, 0x11, 0x11, 0x11, 0x0e } },
    { 'P', { 0x1e, 0x11, 0x11, 0x1e, 0x10, 0x10, 0x10 } },
    { 'Q', { 0x0e, 0x11, 0x11, 0x11, 0x15, 0x12, 0x0d } },
    { 'R', { 0x1e, 0x11, 0x11, 0x1e, 0x14, 0x12, 0x11 } },
    { 'S', { 0x0f, 0x10, 0x10, 0x0e, 0x01, 0x01, 0x1e } },
    { 'T', { 0x1f, 0x04, 0x04, 0x04, 0x04, 0x04, 0x04 } },
    { 'U', { 0x11, 0x11, 0x11, 0x11, 0x11, 0x11, 0x0e } },
    { 'V', { 0x11, 0x11, 0x11, 0x11, 0x11, 0x0a, 0x04 } },
    { 'W', { 0x11, 0x11, 0x11, 0x15, 0x15, 0x1b, 0x11 } },
    { 'X', { 0x11, 0x11, 0x0a, 0x04, 0x0a, 0x11, 0x11 } },
    { 'Y', { 0x11, 0x11, 0x0a, 0x04, 0x04, 0x04, 0x04 } },
    { 'Z', { 0x1f, 0x01, 0x02, 0x04, 0x08, 0x10, 0x1f } },
};

/* Of a letter that was not drawn, the one that asks. */
static const unsigned char *glyph(char letter)
{
    const unsigned char *asks = NULL;
    char upper = (char)toupper((unsigned char)letter);
    for (size_t i = 0; i < PL_ARRAY_LEN(font); i++)
        if (font[i].letter == upper)
            return font[i].row;
        else if (font[i].letter == '?')
            asks = font[i].row;
    return asks;
}

/* How large a dot is, and the words cut at blanks into lines. */
typedef struct {
    int across, down;
    size_t most; /* letters a line */
} layout;

/* Letters of the next line: whole words, as many as fit; one that does not is cut. */
static size_t next_line(const char *s, size_t most)
{
    size_t end = strlen(s), fits = 0;
    if (end <= most)
        return end;
    for (size_t i = 0; i <= most; i++)
        if (s[i] == ' ')
            fits = i;
    return fits ? fits : most;
}

static size_t lines_of(const char *s, size_t most, bool *cut)
{
    size_t lines = 0;
    for (; *s; lines++) {
        size_t n = next_line(s, most);
        *cut |= s[n] && s[n] != ' ';
        s += n;
        s += strspn(s, " ");
    }
    return lines;
}

/* The largest dots at which all words stay whole and all lines fit; else the smallest. */
static layout layout_of(const char *words, int columns, int rows)
{
    static const layout sizes[] = {
        { 8, 4, 0 }, { 6, 3, 0 }, { 4, 2, 0 }, { 2, 1, 0 }, { 1, 1, 0 }
    };
    layout l = sizes[PL_ARRAY_LEN(sizes) - 1];
    for (size_t i = 0; i < PL_ARRAY_LEN(sizes); i++) {
        bool cut = false;
        l = sizes[i];
        int most = (columns + l.across) / ((WIDE + 1) * l.across);
        l.most = most < 1 ? 1 : (size_t)most;
        if (most >= 1 && (int)lines_of(words, l.most, &cut) * (HIGH * l.down + 1) <= rows && !cut)
            break;
    }
    return l;
}

static void draw_row(pl_string *out, const char *s, size_t n, int row, int across, const char *dot)
{
    int blanks = 0; /* none are left at a line's end */
    for (size_t i = 0; i < n; i++)
        for (int x = 0; x <= WIDE; x++) {
            bool on = x < WIDE && glyph(s[i])[row] >> (WIDE - 1 - x) & 1;
            blanks += on ? 0 : across;
            if (on && blanks)
                pl_string_add(out, "%*s", blanks, "");
            for (int k = 0; on && k < across; k++)
                pl_string_add(out, "%s", dot);
            blanks = on ? 0 : blanks;
        }
    pl_string_add(out, "\n");
}

char *pl_big_text(const char *words, int columns, int rows, bool utf8)
{
    pl_string out = { 0 };
    char s[MOST_LETTERS + 1];
    snprintf(s, sizeof s, "%s", words + strspn(words, " "));
    layout l = layout_of(s, columns, rows);
    for (const char *line = s; *line;) {
        size_t n = next_line(line, l.most);
        for (int row = 0; row < HIGH * l.down; row++)
            draw_row(&out, line, n, row / l.down, l.across, utf8 ? "\xe2\x96\x88" : "#");
        line += n;
        line += strspn(line, " ");
        pl_string_add(&out, "%s", *line ? "\n" : "");
    }
    return pl_string_take(&out);
}

/* The arrow of a direction on the frame, as maps show it: y up unless the first row is the top. */
static char arrow(double deg, const pl_facts *facts)
{
    bool top_down = strcmp(facts->row_order.s, "TOP-DOWN") == 0;
    long eighth = lround((top_down ? -deg : deg) / 45) % 8;
    return (char)(1 + (eighth + 8) % 8);
}

pl_watch_word pl_big_followed(const pl_followed *f)
{
    pl_watch_word w = pl_watch_short(f), big = { "", w.way };
    snprintf(big.s, sizeof big.s, "%s%.40s", w.way > 0 ? "\001 " : w.way < 0 ? "\005 " : "", w.s);
    return big;
}

pl_watch_word pl_big_donut(const pl_donut *d)
{
    pl_watch_word w = { "ok", 0 };
    if (d->verdict.state == PL_OUTSIDE && isfinite(d->axis_mm))
        snprintf(w.s, sizeof w.s, "%c %.20s mm", arrow(d->wave.coma_deg, &d->facts),
                 pl_fixed(2 * d->axis_mm, 1).s);
    else if (d->verdict.state == PL_UNSURE)
        snprintf(w.s, sizeof w.s, "cannot tell");
    return w;
}
