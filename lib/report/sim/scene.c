/* SPDX-License-Identifier: GPL-3.0-or-later */
/* scene.c - every key of a scene with what it means: a scene in itself, all by default. */
#include "../../optics/scene.h"
#include "../format.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static void value(pl_string *out, const pl_scene_key *k)
{
    if (isnan(k->preset)) {
        pl_string_add(out, "# %s =\n", k->key);
    } else if (k->words) {
        const char *w = k->words;
        for (int i = 0; i < (int)k->preset; i++)
            w += strcspn(w, " ") + 1;
        pl_string_add(out, "%s = %.*s\n", k->key, (int)strcspn(w, " "), w);
    } else {
        pl_string_add(out, "%s = %s\n", k->key, pl_signif(k->preset, 9).s);
    }
}

static void meaning(pl_string *out, const pl_scene_key *k)
{
    pl_string line = { 0 };
    pl_string_add(&line, "%s", k->help);
    if (k->words)
        pl_string_add(&line, "; one of: %s", k->words);
    else
        pl_string_add(&line, "; %s to %s%s%s%s", pl_signif(k->lo, 9).s, pl_signif(k->hi, 9).s,
                      *k->unit ? " " : "", k->unit, k->whole ? ", whole" : "");
    pl_string_add(out, "# %s\n", line.s ? line.s : "");
    free(pl_string_take(&line));
}

char *pl_scene_template(void)
{
    pl_string out = { 0 };
    size_t n;
    const pl_scene_key *k = pl_scene_table(&n);
    for (size_t i = 0; i < n; i++) {
        if (i == 0 || strcmp(k[i].section, k[i - 1].section) != 0) {
            pl_string_add(&out, "%s[%s]\n", i ? "\n" : "", k[i].section);
            if (strcmp(k[i].section, "field") == 0)
                pl_string_add(
                    &out,
                    "# stars from a file instead: x_px y_px mag [colour_mag] a line\n# list =\n");
        }
        meaning(&out, &k[i]);
        value(&out, &k[i]);
    }
    return pl_string_take(&out);
}
