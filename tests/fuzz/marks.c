/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fuzz target: any bytes as marks of a laser's spot. What is taken must be judged or refused in
 * words, and told in words and JSON. */
#include "fuzz.h"

#include "../../lib/plumb.h"

#include <gsl/gsl_errno.h>
#include <math.h>

static void must(int good)
{
    if (!good)
        abort();
}

static void judge(const pl_laser_sheets *sheets)
{
    pl_err err = { PL_OK, "" };
    pl_facts facts = pl_facts_unknown();
    pl_laser laser;
    facts.aperture_mm = (pl_num){ 280, PL_FROM_OPTION };
    facts.focal_mm = (pl_num){ 870, PL_FROM_OPTION };
    pl_status st = pl_laser_judge(sheets, &facts, NULL, &laser, &err);
    must(st == PL_OK || err.msg[0] || st == PL_ENOMEM);
    if (st != PL_OK)
        return;
    for (size_t i = 0; i < laser.circles; i++)
        must(laser.circle[i].radius_sigma_mm > 0 && laser.circle[i].scatter_mm >= 0.49);
    must(laser.tilt_mrad.least <= laser.tilt_mrad.most && laser.tilt_mrad.sigma >= 0);
    must(laser.verdict.text[0] && laser.verdict.action[0]);
    char *text = pl_laser_text(&laser, "marks"), *json = pl_laser_json(&laser, "marks");
    must(text && json);
    free(text);
    free(json);
    pl_laser_clear(&laser);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    pl_err err = { PL_OK, "" };
    pl_laser_sheets sheets;
    gsl_set_error_handler_off();
    pl_status st = pl_laser_read(fuzz_file(data, size), &sheets, &err);
    must(st == PL_OK || err.msg[0] || st == PL_ENOMEM);
    if (st != PL_OK)
        return 0;
    must(sheets.sheets >= 1 && sheets.sheets <= PL_LASER_SHEETS);
    judge(&sheets);
    return 0;
}
