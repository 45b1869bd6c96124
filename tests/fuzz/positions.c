/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fuzz target: any bytes as --positions of plumb-sweep, and their lines as names of files that may
 * tell the focuser's positions. What is taken must be finite and one for each; the folder that
 * files lie in must not count. */
#include "fuzz.h"

#include "../../lib/align/align.h"

#include <math.h>
#include <string.h>

enum { MOST = 40, FOLDER = 16 }; /* names: more only lose time */

static void must(int good)
{
    if (!good)
        abort();
}

static void as_option(const char *text)
{
    pl_err err = { PL_OK, "" };
    pl_sweep_options o = pl_sweep_defaults();
    pl_status st = pl_sweep_set(&o, "positions", text, &err);
    size_t commas = 0;
    for (const char *s = text; *s; s++)
        commas += *s == ',';
    must(st == PL_OK ? o.positions == commas + 1 : err.msg[0] && !o.position_steps);
    for (size_t i = 0; i < o.positions; i++)
        must(isfinite(o.position_steps[i]) != 0);
    pl_sweep_options_clear(&o);
}

/* Puts a 0 behind each line. */
static size_t lines_of(char *text, const char **line)
{
    size_t n = 0;
    for (char *s = text; s && *s && n < MOST;) {
        line[n++] = s;
        if ((s = strchr(s, '\n')))
            *s++ = '\0';
    }
    return n;
}

static pl_status read_names(const char *const *name, size_t n, double *out)
{
    pl_err err = { PL_OK, "" };
    for (size_t i = 0; i < n; i++)
        out[i] = NAN;
    pl_status st = pl_sweep_name_positions(name, n, out, &err);
    must(st == PL_OK || err.msg[0]);
    bool differ = false;
    for (size_t i = 0; i < n; i++) {
        must(st == PL_OK ? fabs(out[i]) < 1e9 : isnan(out[i]));
        differ = differ || out[i] != out[0];
    }
    must(st != PL_OK || differ);
    return st;
}

static void as_names(char *text)
{
    static char moved[MOST][FOLDER + 32768];
    const char *line[MOST], *again[MOST];
    double here[MOST], there[MOST];
    size_t n = lines_of(text, line);
    bool files = true; /* a folder's name is looked at whole */
    for (size_t i = 0; i < n; i++) {
        files = files && line[i][0] && line[i][strlen(line[i]) - 1] != '/';
        snprintf(moved[i], sizeof moved[i], "/2031-10-%02zu/%zu/%s", i % 28 + 1, i, line[i]);
        again[i] = moved[i];
    }
    pl_status st = read_names(line, n, here);
    must(read_names(again, n, there) == st || !files);
    for (size_t i = 0; i < n && st == PL_OK && files; i++)
        must(here[i] == there[i]);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *text = malloc(size + 1);
    must(text != NULL);
    memcpy(text, data, size);
    text[size] = '\0';
    as_option(text);
    as_names(text);
    free(text);
    return 0;
}
