/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The watch's line, its picture and its large letters; made-up answers. */
#include "../../lib/report/report.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static pl_followed made(pl_state state, pl_cause cause, pl_fade fade, double um, double steps)
{
    pl_followed f = { .fade = fade, .verdict = { state, cause, "text", "action" } };
    f.check.move = (pl_travel){ um, 0.6 * um, steps, NAN };
    f.check.eccentricity = 0.35;
    f.past = (pl_past){ .defocus_um = -um,
                        .defocus_sigma_um = 3.4,
                        .fwhm_arcsec = 3.456,
                        .seeing_arcsec = 2.5,
                        .transparency = 0.974 };
    return f;
}

struct short_row {
    pl_state state;
    pl_cause cause;
    pl_fade fade;
    int way;
    double um, steps;
    char want[24];
};

ParameterizedTestParameters(watchreport, one_thing_to_know)
{
    static struct short_row rows[] = {
        { PL_INSIDE, PL_CAUSE_NONE, PL_FADE_NONE, 0, 5, NAN, "ok" },
        { PL_OUTSIDE, PL_CAUSE_FOCUS, PL_FADE_NONE, -1, -35, NAN, "in 21 um" },
        { PL_OUTSIDE, PL_CAUSE_FOCUS, PL_FADE_NONE, 1, 35, 12.4, "out 12 steps" },
        { PL_OUTSIDE, PL_CAUSE_FOCUS, PL_FADE_NONE, 1, 35, -12.4, "out 12 steps" },
        { PL_OUTSIDE, PL_CAUSE_FOCUS, PL_FADE_DEW, -1, -35, NAN, "in 21 um" },
        { PL_OUTSIDE, PL_CAUSE_FOCUS, PL_FADE_NONE, 0, NAN, NAN, "focus" },
        { PL_INSIDE, PL_CAUSE_AIR, PL_FADE_NONE, 0, 5, NAN, "air" },
        { PL_OUTSIDE, PL_CAUSE_TRACKING, PL_FADE_CLOUD, 0, 5, NAN, "tracking" },
        { PL_OUTSIDE, PL_CAUSE_CLOUD, PL_FADE_CLOUD, 0, 5, NAN, "cloud" },
        { PL_OUTSIDE, PL_CAUSE_DEW, PL_FADE_DEW, 0, 5, NAN, "dew?" },
        { PL_UNSURE, PL_CAUSE_NONE, PL_FADE_NONE, 0, NAN, NAN, "cannot tell" },
    };
    return cr_make_param_array(struct short_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct short_row *r, watchreport, one_thing_to_know)
{
    pl_followed f = made(r->state, r->cause, r->fade, r->um, r->steps);
    pl_watch_word w = pl_watch_short(&f);
    cr_expect(eq(str, w.s, r->want));
    cr_expect(eq(int, w.way, r->way), "%s", r->want);
}

/* Columns as they are seen: bytes that begin a character. */
static size_t columns(const char *line)
{
    size_t n = 0;
    for (; *line && *line != '\n'; line++)
        n += ((unsigned char)*line & 0xc0) != 0x80;
    return n;
}

Test(watchreport, a_line_has_80_columns_at_most_and_cannot_drive_the_terminal)
{
    static const char umlauts[] = "\xc3\xa4\xc3\xb6\xc3\xbc\xc3\xa4\xc3\xb6\xc3\xbc\xc3\xa4\xc3\xb6"
                                  "\xc3\xbc\xc3\xa4\xc3\xb6\xc3\xbc\xc3\xa4\xc3\xb6\xc3\xbc.fits";
    const char *const file[] = { "a.fits", "night/a-very-long-name-of-a-frame-000123.fits",
                                 "a\033[2J\n.fits", "\xff\xfe.fits", umlauts };
    setlocale(LC_ALL, "de_DE.UTF-8");
    for (size_t i = 0; i < PL_ARRAY_LEN(file); i++) {
        pl_followed f = made(PL_OUTSIDE, PL_CAUSE_FOCUS, PL_FADE_NONE, -21345, -1234567);
        char *text = pl_watch_text(&f, file[i], "23:14:05");
        cr_expect(columns(text) <= 80, "%zu: %s", columns(text), text);
        cr_expect(strchr(text, '\n') == text + strlen(text) - 1 && !strchr(text, '\033'), "%s",
                  text);
        free(text);
    }
}

/* The head stands over the numbers: the last letter of each word over the last figure. */
Test(watchreport, the_head_fits_its_columns)
{
    pl_followed f = made(PL_INSIDE, PL_CAUSE_NONE, PL_FADE_NONE, -21, NAN);
    char *text = pl_watch_text(&f, "a.fits", "23:14:05");
    const char *head = pl_watch_head();
    static const char *const pair[][2] = { { "FWHM", "3.46" },
                                           { " air", "2.50" },
                                           { "ecc", "0.35" },
                                           { "defocus", "+21+-3" },
                                           { "light", "97%" } };
    for (size_t i = 0; i < PL_ARRAY_LEN(pair); i++) {
        const char *h = strstr(head, pair[i][0]), *v = strstr(text, pair[i][1]);
        cr_assert(h && v, "%s in %s", pair[i][1], text);
        cr_expect(
            eq(long, h - head + (long)strlen(pair[i][0]), v - text + (long)strlen(pair[i][1])),
            "%s", pair[i][0]);
    }
    cr_expect(eq(sz, (size_t)(strstr(head, "what") - head), (size_t)(strstr(text, "ok") - text)));
    free(text);
}

/* ---- large letters */

/* Read back: the pattern of dots of each letter, by this test's own eyes: T and L and an arrow. */
Test(watchreport, large_letters_are_letters)
{
    char *text = pl_big_text("TL", 11, 20, false);
    cr_expect(eq(str, text,
                 "##### #\n"
                 "  #   #\n"
                 "  #   #\n"
                 "  #   #\n"
                 "  #   #\n"
                 "  #   #\n"
                 "  #   #####\n"));
    free(text);
    text = pl_big_text("\001", 5, 7 + 1, false);
    cr_expect(eq(str, text, "\n  #\n   #\n#####\n   #\n  #\n\n"));
    free(text);
}

static void fits(const char *words, int wide, int high, bool utf8)
{
    char *text = pl_big_text(words, wide, high, utf8);
    int lines = 0;
    size_t dots = 0;
    for (char *s = text; *s; s += strcspn(s, "\n") + 1, lines++) {
        cr_expect(columns(s) <= (size_t)wide, "%s in %d: %zu", words, wide, columns(s));
        dots += columns(s);
    }
    cr_expect(lines <= high, "%s: %d lines of %d", words, lines, high);
    cr_expect(dots > 20, "%s", words);
    free(text);
}

Test(watchreport, large_letters_fit_the_terminal)
{
    static const char *const words[] = { "\005 in 21 um", "ok", "\001 out 1200 steps",
                                         "cannot tell" };
    for (size_t i = 0; i < PL_ARRAY_LEN(words); i++)
        for (int wide = 50; wide < 240; wide += 17)
            fits(words[i], wide, wide / 4 + 20, wide % 2);
}

/* A larger terminal, larger letters: dots of 8 x 4 where they fit. */
Test(watchreport, large_letters_grow)
{
    char *text = pl_big_text("I", 5 * 8, 30, false);
    cr_expect(eq(sz, strspn(text, " "), 8));
    cr_expect(eq(sz, strspn(text + 8, "#"), 24));
    free(text);
    text = pl_big_text("I", 5, 30, false);
    cr_expect(eq(sz, strspn(text, " "), 1));
    free(text);
}

/* The star goes where the coma flares; the arrow is that of a map: y up unless the first row is the
 * top. */
Test(watchreport, the_arrow_of_a_donut)
{
    pl_donut d = { .axis_mm = 1.2, .verdict.state = PL_OUTSIDE, .facts = pl_facts_unknown() };
    for (int i = 0; i < 8; i++) {
        d.wave.coma_deg = 45 * i + 20;
        d.facts.row_order.s[0] = '\0';
        cr_expect(eq(int, pl_big_donut(&d).s[0], 1 + i));
        strcpy(d.facts.row_order.s, "TOP-DOWN");
        d.wave.coma_deg = 45 * i;
        cr_expect(eq(int, pl_big_donut(&d).s[0], 1 + (8 - i) % 8));
    }
    cr_expect(strcmp(pl_big_donut(&d).s + 1, " 2.4 mm") == 0);
    d.verdict.state = PL_INSIDE;
    cr_expect(eq(str, pl_big_donut(&d).s, "ok"));
}

/* ---- the picture */

static bool overlap(pl_box a, pl_box b)
{
    return a.x < b.x + b.w && b.x < a.x + a.w && a.y < b.y + b.h && b.y < a.y + a.h;
}

static void labels_stand_apart(const pl_history *h, const char *what)
{
    pl_canvas *c = NULL;
    cr_assert(eq(int, pl_watch_canvas(h, "refocus: move the drawtube in by 21 um", false, &c, NULL),
                 PL_OK));
    for (size_t i = 0; i < c->labels; i++) {
        pl_box a = c->label[i].box;
        cr_expect(a.x >= 0 && a.y >= 0 && a.x + a.w <= c->width && a.y + a.h <= c->height,
                  "%s: clipped: %s", what, c->label[i].text);
        for (size_t k = 0; k < i; k++)
            cr_expect(not(overlap(a, c->label[k].box)), "%s: overlap: %s, %s", what,
                      c->label[i].text, c->label[k].text);
    }
    pl_canvas_free(c);
}

Test(watchreport, a_focus_of_unknown_side_has_its_bound)
{
    pl_followed f = made(PL_INSIDE, PL_CAUSE_NONE, PL_FADE_NONE, NAN, NAN);
    f.past.within_um = 3.2;
    char *text = pl_watch_text(&f, "a.fits", "23:14:05");
    cr_assert(text != NULL);
    cr_expect(strstr(text, "      <4 ") != NULL, "%s", text);
    free(text);
}

Test(watchreport, the_picture_of_any_night)
{
    for (int kind = 0; kind < 6; kind++) {
        pl_history h = { .n = 0 };
        int n = kind == 0 ? 0 : kind == 1 ? 1 : 150;
        for (int i = 0; i < n; i++) {
            pl_past p = { .minutes = kind == 2 ? NAN : 2.5 * i,
                          .defocus_um = kind == 3 || kind == 5 ? NAN : 30 * sin(i / 20.0),
                          .within_um = kind == 5 ? 40 : 0,
                          .defocus_sigma_um = 4,
                          .zone_um = 18,
                          .fwhm_px = 3,
                          .seeing_arcsec = kind == 3 ? NAN : 2.4 + 0.3 * cos(i / 9.0),
                          .transparency = kind == 4 && i % 3 ? NAN : 1 - i / 400.0,
                          .transparency_sigma = 0.02 };
            pl_history_add(&h, &p);
        }
        char what[16];
        snprintf(what, sizeof what, "night %d", kind);
        labels_stand_apart(&h, what);
    }
}
