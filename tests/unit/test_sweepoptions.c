/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Settings of plumb-sweep from text. */
#include "../../lib/align/align.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <string.h>

struct option_row {
    char name[16], value[72], says[64]; /* says: of a refusal; "" when it is taken */
    int first, none, positions;
    double last, wavelength; /* 0: as by default */
};

ParameterizedTestParameters(sweepoptions, from_text)
{
    static struct option_row rows[] = {
        { "first", "out", "", PL_SIDE_OUT, 0, 0, 0, 0 },
        { "first", "in", "", PL_SIDE_IN, 0, 0, 0, 0 },
        { "first", "outer", "--first is \"outer\"; in or out is wanted", 0, 0, 0, 0, 0 },
        { "first", "", "in or out is wanted", 0, 0, 0, 0, 0 },
        { "no-positions", "", "", 0, 1, 0, 0, 0 },
        { "positions", "4980,5000,5020", "", 0, 0, 3, 5020, 0 },
        { "positions", "-40,0.5", "", 0, 0, 2, 0.5, 0 },
        { "positions", "7", "", 0, 0, 1, 7, 0 },
        { "positions", "1,2,3,4,5,6,7,8,9", "", 0, 0, 9, 9, 0 },
        { "positions", "", "--positions is \"\"; a number for each frame", 0, 0, 0, 0, 0 },
        { "positions", "1,,2", "a number for each frame", 0, 0, 0, 0, 0 },
        { "positions", "1,2,", "a number for each frame", 0, 0, 0, 0, 0 },
        { "positions", ",1", "a number for each frame", 0, 0, 0, 0, 0 },
        { "positions", "1;2", "a number for each frame", 0, 0, 0, 0, 0 },
        { "positions", "1,nan", "a number for each frame", 0, 0, 0, 0, 0 },
        { "positions", "1,2e9", "a number for each frame", 0, 0, 0, 0, 0 },
        { "positions", "1,0000000000000000000000000000000000000000005", "a number for each", 0, 0,
          0, 0, 0 },
        { "wavelength", "0.65", "", 0, 0, 0, 0, 0.65 },
        { "wavelength", "550", "a number from 0.3 to 2", 0, 0, 0, 0, 0 },
        { "wavelength", "nan", "a number from 0.3 to 2", 0, 0, 0, 0, 0 },
        { "First", "out", "there is no option called First", 0, 0, 0, 0, 0 },
        { "", "out", "there is no option called", 0, 0, 0, 0, 0 },
    };
    return cr_make_param_array(struct option_row, rows, sizeof rows / sizeof *rows);
}

/* What is not named, and all of it after a refusal, stays as by default. */
ParameterizedTest(struct option_row *r, sweepoptions, from_text)
{
    pl_sweep_options o = pl_sweep_defaults();
    pl_err err = { PL_OK, "" };
    pl_status rc = pl_sweep_set(&o, r->name, r->value, &err);
    cr_expect(eq(int, rc, r->says[0] ? PL_EARG : PL_OK), "%s %s", r->name, r->value);
    cr_expect(ne(ptr, strstr(err.msg, r->says), NULL), "%s", err.msg);
    cr_expect(eq(int, pl_sweep_set(&o, r->name, r->value, NULL), rc), "no words wanted");
    cr_expect(eq(int, o.first, r->first));
    cr_expect(eq(int, o.no_positions, r->none));
    cr_expect(eq(sz, o.positions, (size_t)r->positions), "%s", r->value);
    cr_expect(eq(int, o.position_steps != NULL, r->positions > 0));
    if (o.positions)
        cr_expect(epsilon_eq(dbl, o.position_steps[o.positions - 1], r->last, 0));
    cr_expect(eq(int, isnan(o.wavelength_um), r->wavelength == 0));
    cr_expect(eq(ptr, (void *)o.known, NULL));
    pl_sweep_options_clear(&o);
    cr_expect(eq(sz, o.positions, 0));
    pl_sweep_options_clear(&o);
    pl_sweep_options_clear(NULL);
}

/* The last list wins, a refused one does not. */
Test(sweepoptions, told_again)
{
    pl_sweep_options o = pl_sweep_defaults();
    cr_expect(eq(int, pl_sweep_set(&o, "positions", "1,2,3", NULL), PL_OK));
    cr_expect(eq(int, pl_sweep_set(&o, "positions", "4,5", NULL), PL_OK));
    cr_expect(eq(int, pl_sweep_set(&o, "positions", "4,x", NULL), PL_EARG));
    cr_assert(eq(sz, o.positions, 2));
    cr_expect(epsilon_eq(dbl, o.position_steps[0], 4, 0));
    pl_sweep_options_clear(&o);
}
