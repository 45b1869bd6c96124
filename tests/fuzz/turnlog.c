/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fuzz target: any bytes as a log of turns, and as a measurement. What is taken must be finite;
 * what is to be turned must be told or refused in words; one line more must be read again. */
#include "fuzz.h"

#include "../../lib/plumb.h"

#include <gsl/gsl_errno.h>
#include <math.h>

static void must(int good)
{
    if (!good)
        abort();
}

static void measurement(const char *path)
{
    pl_err err = { PL_OK, "" };
    pl_turn_entry e;
    pl_status st = pl_turn_measured(path, &e, &err);
    must(st == PL_OK ? isfinite(e.x) && isfinite(e.y) && e.xx > 0 && e.yy > 0
                     : err.msg[0] || st == PL_ENOMEM);
}

static void solve(const pl_turn_log *log, const char *screws)
{
    pl_err err = { PL_OK, "" };
    pl_turns turns;
    pl_facts facts = pl_facts_unknown();
    pl_turn_options o = pl_turn_defaults();
    must(pl_turn_set(&o, "screws", screws, &err) == PL_OK);
    pl_status st = pl_turn_solve(log, NULL, &facts, &o, &turns, &err);
    if (st != PL_OK) {
        must(err.msg[0] || st == PL_ENOMEM);
        return;
    }
    for (size_t k = 0; k < turns.screws; k++)
        must(fabs(turns.screw[k].turn) < 3);
    char *text = pl_turn_text(&turns, "log"), *json = pl_turn_json(&turns, "log");
    must(text && json);
    free(text);
    free(json);
    pl_turn_clear(&turns);
}

static void one_more(const char *path, size_t entries)
{
    pl_err err = { PL_OK, "" };
    pl_turn_log log;
    const pl_turn_entry e = { .kind = PL_TURN_TILT,
                              .x = 1,
                              .y = -2,
                              .xx = 0.1,
                              .yy = 0.1,
                              .allowed = NAN,
                              .star_x_px = NAN,
                              .star_y_px = NAN,
                              .turn = { 0.125 } };
    must(pl_turnlog_append(path, &e, &err) == PL_OK);
    if (pl_turnlog_read(path, true, &log, &err) != PL_OK)
        return; /* a last line that was broken off may have got its end by this */
    must(log.entries >= entries + 1 && log.entry[log.entries - 1].y == -2);
    pl_turnlog_clear(&log);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    pl_err err = { PL_OK, "" };
    pl_turn_log log;
    const char *path = fuzz_file(data, size);
    gsl_set_error_handler_off();
    measurement(path);
    pl_status st = pl_turnlog_read(path, true, &log, &err);
    must(st == PL_OK || err.msg[0] || st == PL_ENOMEM);
    if (st != PL_OK)
        return 0;
    if (log.entries < 40) {
        solve(&log, "3");
        solve(&log, "6");
    }
    size_t entries = log.entries;
    pl_turnlog_clear(&log);
    one_more(path, entries);
    return 0;
}
