/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fuzz target: any bytes as a log of exposures. What is taken must lie in range; the night must be
 * summed up or refused in words. */
#include "fuzz.h"

#include "../../lib/plumb.h"

#include <gsl/gsl_errno.h>
#include <math.h>
#include <string.h>

enum { MOST = 80 }; /* exposures: more only lose time */

static void must(int good)
{
    if (!good)
        abort();
}

static void tell(const pl_night *night)
{
    char *text = pl_night_text(night), *json = pl_night_json(night);
    must(text && json);
    free(text);
    free(json);
    for (int g = PL_KEEP; g <= PL_DROP; g++) {
        char *list = pl_night_list(night, (pl_grade)g);
        must(list != NULL);
        free(list);
    }
}

static void sum(pl_subs *subs, const char *step)
{
    pl_err err = { PL_OK, "" };
    pl_night night;
    pl_facts facts = pl_facts_unknown();
    if (step) {
        must(pl_facts_set(&facts, "step_um", step, PL_FROM_OPTION, &err) == PL_OK);
        must(pl_facts_set(&facts, "outward", "1", PL_FROM_OPTION, &err) == PL_OK);
    }
    pl_status st = pl_night_sum(subs, &facts, &night, &err);
    if (st != PL_OK) {
        must(err.msg[0] || st == PL_ENOMEM);
        return;
    }
    must(subs->subs == 0 && night.kept + night.doubtful + night.dropped == night.subs);
    for (size_t i = 0; i < night.subs; i++)
        must(night.sub[i].grade == PL_KEEP || night.sub[i].reason[0]);
    tell(&night);
    pl_night_clear(&night);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const char *path = fuzz_file(data, size);
    gsl_set_error_handler_off();
    for (int i = 0; i < 2; i++) {
        pl_err err = { PL_OK, "" };
        pl_subs subs = { NULL, 0, 0, { NULL, 0, 0 } };
        pl_status st = pl_subs_read(path, &subs, &err);
        must(st == PL_OK ? subs.subs > 0 : err.msg[0] || st == PL_ENOMEM);
        if (subs.subs <= MOST)
            sum(&subs, i ? "4.5" : NULL);
        pl_subs_clear(&subs);
    }
    return 0;
}
