/* SPDX-License-Identifier: GPL-3.0-or-later */
/* series.c - a series as it was taken: where its frames stood, by whom that is told, and the
 * frames that could not be measured. */
#include "../align.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { FEWEST = 3 };

/* The frames that were measured, in a row. */
typedef struct {
    pl_field *field; /* [fields] borrowed */
    size_t fields;
    double *steps; /* [shots] as told or named */
    double *row;   /* [fields] the same, of the measured ones */
    bool told, named, header;
    char no_header[120]; /* why the headers' positions do not count */
    pl_err no_names;     /* why the names' do not */
} series;

/* From all that were measured; all alike: nobody counted. */
static bool headers_tell(const pl_sweep_shot *shot, size_t n, char *why, size_t size)
{
    size_t told = 0, silent = 0, missing = 0;
    double first = NAN;
    bool differ = false;
    for (size_t i = 0; i < n; i++) {
        double v = shot[i].field ? shot[i].field->facts.position_steps.v : NAN;
        if (isfinite(v)) {
            first = told++ ? first : v;
            differ |= v != first;
        } else if (shot[i].field) {
            missing = silent++ ? missing : i + 1;
        }
    }
    if (told == 0)
        snprintf(why, size, "no header tells the focuser's position");
    else if (silent)
        snprintf(why, size, "frame %zu has no focuser position in its header, others have",
                 missing);
    else if (!differ)
        snprintf(why, size, "every header gives the position %g: not believed", first);
    return told > 0 && silent == 0 && differ;
}

static bool names_tell(const pl_sweep_shot *shot, size_t n, double *steps, pl_err *why)
{
    const char **name = malloc((n + 1) * sizeof *name);
    bool tell = false;
    for (size_t i = 0; name && i < n; i++)
        name[i] = shot[i].name;
    if (name)
        tell = pl_sweep_name_positions(name, n, steps, why) == PL_OK;
    else
        pl_fail_say(why, PL_ENOMEM, "out of memory");
    free(name);
    return tell;
}

static void line_up(const pl_sweep_shot *shot, size_t n, const pl_sweep_options *o, series *s)
{
    for (size_t i = 0; i < n; i++)
        if (shot[i].field)
            s->field[s->fields++] = *shot[i].field;
    const double *told = o->no_positions ? NULL : o->position_steps;
    s->told = told != NULL;
    s->header =
        !s->told && !o->no_positions && headers_tell(shot, n, s->no_header, sizeof s->no_header);
    for (size_t i = 0; told && i < n; i++)
        s->steps[i] = told[i];
    s->named =
        !s->told && !s->header && !o->no_positions && names_tell(shot, n, s->steps, &s->no_names);
    for (size_t i = 0, k = 0; i < n; i++)
        if (shot[i].field)
            s->row[k++] = s->steps[i];
}

static pl_sweep_frame unmeasured(double steps, const char *why)
{
    pl_sweep_frame f = { .position_steps = steps };
    f.position_um = f.defocus_um = f.defocus_sigma_um = NAN;
    f.fwhm_px = f.fwhm_sigma_px = f.hfd_px = f.eccentricity = NAN;
    f.seeing_arcsec = f.seeing_sigma_arcsec = f.temperature_c = NAN;
    snprintf(f.reason, sizeof f.reason, "%s", why ? why : "");
    return f;
}

static pl_status put_back(const pl_sweep_shot *shot, size_t n, const series *s, pl_sweep *out,
                          pl_err *err)
{
    pl_sweep_frame *frame = malloc(n * sizeof *frame);
    if (!frame)
        return pl_fail(err, PL_ENOMEM, "out of memory");
    for (size_t i = 0, k = 0; i < n; i++)
        frame[i] = shot[i].field ? out->frame[k++]
                                 : unmeasured(s->told || s->named ? s->steps[i] : NAN, shot[i].why);
    free(out->frame);
    out->frame = frame;
    out->frames = n;
    return PL_OK;
}

static void remark(const series *s, const pl_sweep_options *o, pl_sweep *out)
{
    if (s->named)
        pl_note(&out->notes, "%s; positions were read from the file names", s->no_header);
    else if (!s->told && !s->header && !o->no_positions)
        pl_note(&out->notes,
                "%s; %s; the blur tells where each frame stood (--positions would be better)",
                s->no_header, s->no_names.msg);
}

static pl_status solve(const pl_sweep_shot *shot, size_t n, const pl_sweep_options *o, series *s,
                       int jobs, pl_sweep *out, pl_err *err)
{
    pl_sweep_options how = *o;
    pl_sweep sweep;
    line_up(shot, n, o, s);
    if (s->fields < FEWEST && n >= FEWEST)
        return pl_fail(err, PL_ENODATA,
                       "%zu of %zu frames could be measured; three or more are needed", s->fields,
                       n);
    how.position_steps = s->told || s->named ? s->row : NULL;
    how.no_positions = !how.position_steps && !s->header;
    pl_status rc = pl_sweep_solve(s->field, s->fields, &how, jobs, &sweep, err);
    if (rc != PL_OK)
        return rc;
    rc = put_back(shot, n, s, &sweep, err);
    if (rc == PL_OK) {
        remark(s, o, &sweep);
        *out = sweep;
    } else {
        pl_sweep_clear(&sweep);
    }
    return rc;
}

pl_status pl_sweep_series(const pl_sweep_shot *shot, size_t n, const pl_sweep_options *options,
                          int jobs, pl_sweep *out, pl_err *err)
{
    pl_sweep_options plain = pl_sweep_defaults();
    series s = { .field = calloc(n + 1, sizeof *s.field),
                 .steps = calloc(n + 1, sizeof *s.steps),
                 .row = calloc(n + 1, sizeof *s.row) };
    pl_status rc = s.field && s.steps && s.row
                       ? solve(shot, n, options ? options : &plain, &s, jobs, out, err)
                       : pl_fail(err, PL_ENOMEM, "out of memory");
    free(s.field);
    free(s.steps);
    free(s.row);
    return rc;
}
