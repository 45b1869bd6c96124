/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fuzz target: any bytes as a profile, or as JSON with a focal surface. What is taken must lie in
 * its allowed range; what plumb-zone and plumb-tilt make of it must be told or refused in words. */
#include "fuzz.h"

#include "../../lib/plumb.h"

#include <gsl/gsl_errno.h>
#include <math.h>
#include <string.h>

static void must(int good)
{
    if (!good)
        abort();
}

static void check_ranges(const pl_facts *facts)
{
    size_t n;
    const pl_fact *row = pl_facts_table(&n);
    for (size_t i = 0; i < n; i++) {
        const char *field = (const char *)facts + row[i].offset;
        pl_num num;
        if (row[i].lo > row[i].hi) {
            must(memchr(field, '\0', sizeof(((pl_text *)NULL)->s)) != NULL);
            continue;
        }
        memcpy(&num, field, sizeof num);
        must(num.from == PL_FROM_NOWHERE || (num.v >= row[i].lo && num.v <= row[i].hi));
    }
}

static void zone(const pl_facts *facts)
{
    pl_zone zone;
    pl_err err = { PL_OK, "" };
    pl_status st = pl_zone_compute(facts, NULL, &zone, &err);
    if (st != PL_OK) {
        must(err.msg[0] || st == PL_ENOMEM);
        return;
    }
    char *text = pl_zone_text(&zone), *json = pl_zone_json(&zone);
    must(text && json);
    free(text);
    free(json);
    pl_zone_clear(&zone);
}

/* Screws NULL: the plate was refused. */
static void tilt(const char *path, const pl_facts *facts, const pl_screws *plate)
{
    pl_err err = { PL_OK, "" };
    pl_surface surface;
    pl_tilt t;
    pl_status st = pl_surface_read(path, &surface, &err);
    must(st == PL_OK || err.msg[0] || st == PL_ENOMEM);
    if (st != PL_OK)
        return;
    must(isfinite(surface.tilt_x_um_mm) && surface.width_mm > 0 && surface.height_mm > 0);
    st = pl_tilt_judge(&surface, facts, plate, NULL, &t, &err);
    must(st == PL_OK || err.msg[0] || st == PL_ENOMEM);
    if (st != PL_OK)
        return;
    char *text = pl_tilt_text(&t, path), *json = pl_tilt_json(&t, path);
    must(text && json);
    free(text);
    free(json);
    pl_tilt_clear(&t);
}

static bool screws(const char *path, pl_screws *plate)
{
    pl_err err = { PL_OK, "" };
    pl_status st = pl_screws_read(path, "plate", plate, &err);
    must(st == PL_OK || err.msg[0] || st == PL_ENOMEM);
    must(st != PL_OK || plate->screws == 0 || (plate->screws >= 3 && plate->radius_mm > 0));
    return st == PL_OK;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    pl_err err = { PL_OK, "" };
    pl_notes notes = { NULL, 0, 0 };
    pl_facts facts = pl_facts_unknown();
    gsl_set_error_handler_off();
    pl_screws plate;
    const char *path = fuzz_file(data, size);
    pl_status st = pl_profile_read(path, &facts, &notes, &err);
    must(st == PL_OK || err.msg[0] || st == PL_ENOMEM);
    check_ranges(&facts);
    if (st == PL_OK)
        zone(&facts);
    tilt(path, &facts, screws(path, &plate) ? &plate : NULL);
    pl_notes_clear(&notes);
    return 0;
}
