/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The log of turns: what is written is read again, what was broken off is left out, what is wrong
 * is refused. Expected values by hand. */
#include "../../lib/align/turn/turn.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static char path[] = "/tmp/plumb-turnlog-XXXXXX";

static void begin(void)
{
    close(mkstemp(path));
}

static void end(void)
{
    unlink(path);
}

TestSuite(turnlog, .init = begin, .fini = end);

static void put(const char *text)
{
    FILE *f = fopen(path, "w");
    fputs(text, f);
    fclose(f);
}

static pl_turn_entry coma(double x, double y)
{
    return (pl_turn_entry){ .kind = PL_TURN_COMA,
                            .x = x,
                            .y = y,
                            .xx = 0.0004,
                            .xy = -0.0001,
                            .yy = 0.0009,
                            .allowed = 0.74,
                            .star_x_px = 318.4,
                            .star_y_px = 226.7,
                            .width_px = 640,
                            .height_px = 440,
                            .date = "2031-10-09T19:38:00" };
}

#define WHOLE "coma x=1 y=2 xx=0.01 xy=0 yy=0.01 star=5,6 frame=640x440 A=+0.25 end\n"

Test(turnlog, what_is_written_is_read_again)
{
    pl_turn_entry a = coma(-1.15, 1.55), b = coma(0.3, -0.2);
    pl_turn_log log;
    b.turn[0] = 0.25;
    b.turn[5] = -1.125;
    unlink(path);
    cr_assert(eq(int, pl_turnlog_append(path, &a, NULL), PL_OK));
    cr_assert(eq(int, pl_turnlog_append(path, &b, NULL), PL_OK));
    cr_assert(eq(int, pl_turnlog_read(path, true, &log, NULL), PL_OK));
    cr_assert(eq(sz, log.entries, 2));
    cr_expect(eq(sz, log.notes.n, 0));
    const pl_turn_entry *e = &log.entry[1];
    cr_expect(eq(int, e->kind, PL_TURN_COMA));
    cr_expect(epsilon_eq(dbl, e->x, 0.3, 1e-9));
    cr_expect(epsilon_eq(dbl, e->y, -0.2, 1e-9));
    cr_expect(epsilon_eq(dbl, e->xy, -0.0001, 1e-12));
    cr_expect(epsilon_eq(dbl, e->allowed, 0.74, 1e-9));
    cr_expect(epsilon_eq(dbl, e->star_y_px, 226.7, 1e-9));
    cr_expect(eq(int, e->width_px, 640));
    cr_expect(eq(str, (char *)e->date, "2031-10-09T19:38:00"));
    cr_expect(epsilon_eq(dbl, e->turn[0], 0.25, 1e-9));
    cr_expect(epsilon_eq(dbl, e->turn[5], -1.125, 1e-9));
    cr_expect(eq(dbl, e->turn[1], 0));
    pl_turnlog_clear(&log);
}

Test(turnlog, a_tilt_needs_neither_star_nor_tolerance)
{
    pl_turn_entry e = { .kind = PL_TURN_TILT,
                        .x = 1,
                        .y = 2,
                        .xx = 1,
                        .yy = 1,
                        .allowed = NAN,
                        .star_x_px = NAN,
                        .star_y_px = NAN };
    pl_turn_log log;
    cr_assert(eq(int, pl_turnlog_append(path, &e, NULL), PL_OK));
    cr_assert(eq(int, pl_turnlog_read(path, true, &log, NULL), PL_OK));
    cr_assert(eq(sz, log.entries, 1));
    cr_expect(eq(int, log.entry[0].kind, PL_TURN_TILT));
    cr_expect(isnan(log.entry[0].allowed) && isnan(log.entry[0].star_x_px));
    pl_turnlog_clear(&log);
}

/* Whatever part of the last line reached the disc: the lines before count, and so do later ones. */
Test(turnlog, a_line_broken_off_anywhere_spoils_nothing)
{
    const size_t n = strlen(WHOLE);
    for (size_t cut = 0; cut < n; cut++) {
        char text[512];
        pl_turn_log log;
        pl_turn_entry e = coma(3, 4);
        snprintf(text, sizeof text, "%s%.*s", WHOLE, (int)cut, WHOLE);
        put(text);
        cr_assert(eq(int, pl_turnlog_append(path, &e, NULL), PL_OK));
        cr_assert(eq(int, pl_turnlog_read(path, true, &log, NULL), PL_OK), "cut at %zu", cut);
        size_t whole = cut == n - 1 ? 3 : 2; /* only the line's end was missing */
        cr_expect(eq(sz, log.entries, whole), "cut at %zu", cut);
        cr_expect(eq(sz, log.notes.n, cut > 0 && cut < n - 1), "cut at %zu", cut);
        cr_expect(epsilon_eq(dbl, log.entry[log.entries - 1].y, 4, 1e-9));
        pl_turnlog_clear(&log);
    }
}

Test(turnlog, remarks_and_blank_lines_are_nothing)
{
    pl_turn_log log;
    put("# my evening\n\n  \t\n" WHOLE "# " WHOLE);
    cr_assert(eq(int, pl_turnlog_read(path, true, &log, NULL), PL_OK));
    cr_expect(eq(sz, log.entries, 1));
    pl_turnlog_clear(&log);
}

Test(turnlog, a_missing_log_is_empty_or_refused)
{
    pl_turn_log log;
    unlink(path);
    cr_assert(eq(int, pl_turnlog_read(path, false, &log, NULL), PL_OK));
    cr_expect(eq(sz, log.entries, 0));
    cr_expect(eq(int, pl_turnlog_read(path, true, &log, NULL), PL_EIO));
}

Test(turnlog, nowhere_to_write_is_told)
{
    pl_err err = { PL_OK, "" };
    pl_turn_entry e = coma(1, 1);
    cr_expect(eq(int, pl_turnlog_append("/nowhere/at/all.log", &e, &err), PL_EIO));
    cr_expect(strstr(err.msg, "cannot be written") != NULL);
}

struct wrong {
    char line[200];
    char said[40];
};

ParameterizedTestParameters(turnlog, wrong)
{
    static struct wrong rows[] = {
        { "flat x=1 y=2 xx=0.01 xy=0 yy=0.01 end", "begins with \"flat\"" },
        { "coma x=one y=2 xx=0.01 xy=0 yy=0.01 star=5,6 frame=6x4 end", "\"x=one\" is not" },
        { "coma x=1 y=2 xx=0.01 xy=0 yy=0.01 star=5,6 frame=6x4 G=1 end", "\"G=1\" is not" },
        { "coma x=1 y=2 xx=0.01 xy=0 yy=0.01 star=5,6 frame=6x4 A=9 end", "\"A=9\" is not" },
        { "coma x=1 y=2 xx=0.01 xy=0 yy=0.01 star=5,6 frame=6x4 A=1 A=1 end", "\"A=1\" is not" },
        { "coma x=1 y=2 xx=0.01 xy=0 yy=0.01 star=5 frame=6x4 end", "\"star=5\" is not" },
        { "coma x=1 y=2 xx=0.01 xy=0 yy=0.01 star=5,6 frame=6 end", "\"frame=6\" is not" },
        { "coma x=1 y=2 xx=0.01 xy=0 yy=0.01 frame=6x4 end", "no whole measurement" },
        { "coma x=1 xx=0.01 xy=0 yy=0.01 star=5,6 frame=6x4 end", "no whole measurement" },
        { "coma x=1 y=2 xx=0 xy=0 yy=0.01 star=5,6 frame=6x4 end", "no whole measurement" },
        { "coma x=1 y=2 xx=0.01 xy=1 yy=0.01 star=5,6 frame=6x4 end", "no whole measurement" },
        { "coma x=1 y=2 xx=0.01 xy=0 yy=0.01 allowed=-1 star=5,6 frame=6x4 end", "no whole" },
    };
    return cr_make_param_array(struct wrong, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct wrong *r, turnlog, wrong)
{
    char text[512];
    pl_err err = { PL_OK, "" };
    pl_turn_log log = { NULL, 77, 0, { NULL, 0, 0 } };
    snprintf(text, sizeof text, "%s%s\n", WHOLE, r->line);
    put(text);
    cr_expect(eq(int, pl_turnlog_read(path, true, &log, &err), PL_EFORMAT));
    cr_expect(strstr(err.msg, r->said) != NULL, "%s", err.msg);
    cr_expect(strstr(err.msg, "line 2") != NULL, "%s", err.msg);
    cr_expect(eq(sz, log.entries, 77));
}

Test(turnlog, bytes_that_are_no_text_are_refused)
{
    pl_turn_log log;
    FILE *f = fopen(path, "w");
    fwrite("coma\0x", 1, 6, f);
    fclose(f);
    cr_expect(eq(int, pl_turnlog_read(path, true, &log, NULL), PL_EFORMAT));
}

/* ---- what belongs into it */

Test(turnlog, a_star_elsewhere_is_refused)
{
    pl_turn_entry first = coma(1, 1), next = coma(1, 1);
    pl_turn_log log = { &first, 1, 1, { NULL, 0, 0 } };
    pl_err err = { PL_OK, "" };
    double far = 0.05 * hypot(640, 440);
    next.x = 1.1;
    next.star_x_px = first.star_x_px + 0.99 * far;
    cr_expect(eq(int, pl_turnlog_accepts(&log, &next, NULL), PL_OK));
    next.star_x_px = first.star_x_px + 1.01 * far;
    cr_expect(eq(int, pl_turnlog_accepts(&log, &next, &err), PL_EARG));
    cr_expect(strstr(err.msg, "coma grows with the field") != NULL, "%s", err.msg);
}

Test(turnlog, another_kind_or_frame_is_refused)
{
    pl_turn_entry first = coma(1, 1), next = coma(1, 1);
    pl_turn_log log = { &first, 1, 1, { NULL, 0, 0 } };
    next.height_px = 441;
    cr_expect(eq(int, pl_turnlog_accepts(&log, &next, NULL), PL_EARG));
    next = first;
    next.kind = PL_TURN_TILT;
    cr_expect(eq(int, pl_turnlog_accepts(&log, &next, NULL), PL_EARG));
}

/* A command that was typed twice must not turn the screws twice. */
Test(turnlog, the_last_measurement_over_again_is_refused)
{
    pl_turn_entry first = coma(1, 1), next = coma(1, 1);
    pl_turn_log log = { &first, 1, 1, { NULL, 0, 0 } };
    pl_err err = { PL_OK, "" };
    next.turn[0] = 0.25;
    cr_expect(eq(int, pl_turnlog_accepts(&log, &next, &err), PL_EARG));
    cr_expect(strstr(err.msg, "already") != NULL, "%s", err.msg);
    next.y = 1.001;
    cr_expect(eq(int, pl_turnlog_accepts(&log, &next, NULL), PL_OK));
}

Test(turnlog, turns_before_the_first_measurement_are_refused)
{
    pl_turn_entry e = coma(1, 1);
    pl_turn_log log = { NULL, 0, 0, { NULL, 0, 0 } };
    cr_expect(eq(int, pl_turnlog_accepts(&log, &e, NULL), PL_OK));
    e.turn[1] = 0.5;
    cr_expect(eq(int, pl_turnlog_accepts(&log, &e, NULL), PL_EARG));
}
