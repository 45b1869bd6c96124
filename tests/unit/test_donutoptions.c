/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Settings of plumb-donut from text. */
#include "../../lib/align/donut/donut.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <string.h>

struct option_row {
    char name[16], value[16], says[64]; /* says: of a refusal; "" when it is taken */
    int side, last, pair;
    double seeing, wavelength; /* 0: as by default */
};

ParameterizedTestParameters(donutoptions, from_text)
{
    static struct option_row rows[] = {
        { "side", "out", "", PL_SIDE_OUT, 11, 0, 0, 0 },
        { "side", "in", "", PL_SIDE_IN, 11, 0, 0, 0 },
        { "side", "left", "--side is \"left\"; in or out is wanted", 0, 11, 0, 0, 0 },
        { "side", "", "in or out is wanted", 0, 11, 0, 0, 0 },
        { "side", "outside", "in or out is wanted", 0, 11, 0, 0, 0 },
        { "terms", "11", "", 0, 11, 0, 0, 0 },
        { "terms", "15", "", 0, 15, 0, 0, 0 },
        { "terms", "12", "--terms is \"12\"; 11 or 15 is wanted", 0, 11, 0, 0, 0 },
        { "terms", "15.0", "11 or 15 is wanted", 0, 11, 0, 0, 0 },
        { "pair", "", "", 0, 11, 1, 0, 0 },
        { "pair", "anything", "", 0, 11, 1, 0, 0 },
        { "seeing", "2.5", "", 0, 11, 0, 2.5, 0 },
        { "seeing", "0.3", "", 0, 11, 0, 0.3, 0 },
        { "seeing", "20", "", 0, 11, 0, 20, 0 },
        { "seeing", "0.29", "--seeing is \"0.29\"; a number from 0.3 to 20 arcsec is wanted", 0, 11,
          0, 0, 0 },
        { "seeing", "20.1", "a number from 0.3 to 20 arcsec is wanted", 0, 11, 0, 0, 0 },
        { "seeing", "nan", "a number from 0.3 to 20", 0, 11, 0, 0, 0 },
        { "seeing", "inf", "a number from 0.3 to 20", 0, 11, 0, 0, 0 },
        { "seeing", "2.5arcsec", "a number from 0.3 to 20", 0, 11, 0, 0, 0 },
        { "seeing", "2,5", "a number from 0.3 to 20", 0, 11, 0, 0, 0 },
        { "seeing", "", "a number from 0.3 to 20", 0, 11, 0, 0, 0 },
        { "wavelength", "0.65", "", 0, 11, 0, 0, 0.65 },
        { "wavelength", "550", "a number from 0.3 to 2", 0, 11, 0, 0, 0 },
        { "wavelength", "-0.5", "a number from 0.3 to 2", 0, 11, 0, 0, 0 },
        { "Side", "out", "there is no option called Side", 0, 11, 0, 0, 0 },
        { "", "out", "there is no option called", 0, 11, 0, 0, 0 },
    };
    return cr_make_param_array(struct option_row, rows, sizeof rows / sizeof *rows);
}

/* What is not named, and all of it after a refusal, stays as by default. */
ParameterizedTest(struct option_row *r, donutoptions, from_text)
{
    pl_donut_options o = pl_donut_defaults();
    pl_err err = { PL_OK, "" };
    pl_status rc = pl_donut_set(&o, r->name, r->value, &err);
    cr_expect(eq(int, rc, r->says[0] ? PL_EARG : PL_OK), "%s %s", r->name, r->value);
    cr_expect(ne(ptr, strstr(err.msg, r->says), NULL), "%s", err.msg);
    cr_expect(eq(int, pl_donut_set(&o, r->name, r->value, NULL), rc), "no words wanted");
    cr_expect(eq(int, o.side, r->side));
    cr_expect(eq(int, o.last, r->last));
    cr_expect(eq(int, o.pair, r->pair));
    cr_expect(r->seeing > 0 ? o.seeing_arcsec == r->seeing : isnan(o.seeing_arcsec));
    cr_expect(r->wavelength > 0 ? o.wavelength_um == r->wavelength : isnan(o.wavelength_um));
}
