/* SPDX-License-Identifier: GPL-3.0-or-later */
/* options.c - the settings of plumb-sweep that are no facts of the telescope. */
#include "../align.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double FARTHEST = 1e9; /* steps */

static const pl_option wavelength = { "wavelength", "um", 0.3, 2,
                                      offsetof(pl_sweep_options, wavelength_um) };

pl_sweep_options pl_sweep_defaults(void)
{
    return (pl_sweep_options){ .first = PL_SIDE_UNKNOWN, .wavelength_um = NAN };
}

void pl_sweep_options_clear(pl_sweep_options *o)
{
    if (!o)
        return;
    free((void *)o->position_steps);
    o->position_steps = NULL;
    o->positions = 0;
}

/* One number of a list, up to the comma. */
static bool one_position(const char *text, size_t len, double *out)
{
    char word[32];
    if (len == 0 || len >= sizeof word)
        return false;
    memcpy(word, text, len);
    word[len] = '\0';
    return pl_number(word, out) && fabs(*out) <= FARTHEST;
}

static pl_status set_positions(const char *value, pl_sweep_options *o, pl_err *err)
{
    size_t n = 0;
    double *list = malloc((strlen(value) / 2 + 1) * sizeof *list); /* a digit and a comma each */
    if (!list)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    for (const char *s = value;; s++) {
        size_t len = strcspn(s, ",");
        if (!one_position(s, len, &list[n])) {
            free(list);
            return pl_fail(err, PL_EARG,
                           "--positions is \"%.60s\"; a number for each frame is wanted, as in "
                           "4980,5000,5020",
                           value);
        }
        n++;
        s += len;
        if (!*s)
            break;
    }
    pl_sweep_options_clear(o);
    o->position_steps = list;
    o->positions = n;
    return PL_OK;
}

pl_status pl_sweep_set(pl_sweep_options *o, const char *name, const char *value, pl_err *err)
{
    if (strcmp(name, "first") == 0)
        return pl_set_side(name, value, &o->first, err);
    if (strcmp(name, "positions") == 0)
        return set_positions(value, o, err);
    if (strcmp(name, "no-positions") == 0) {
        o->no_positions = true;
        return PL_OK;
    }
    return pl_option_read(strcmp(name, wavelength.name) == 0 ? &wavelength : NULL, name, value,
                          &o->wavelength_um, err);
}
