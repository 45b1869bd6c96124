/* SPDX-License-Identifier: GPL-3.0-or-later */
/* zone.c - how much tilt may be: the depth of focus in this air, and what an error leaves to
 * say. */
#include "tilt.h"
#include "../../optics/optics.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Chi square with two degrees of freedom that noise passes once in a hundred: -2 ln 0.01. */
static const double ONCE_IN_100 = 9.2103;

pl_tilt_options pl_tilt_defaults(void)
{
    return (pl_tilt_options){ NAN, NAN, { NAN, NAN, NAN, NAN }, NAN, NAN };
}

/* Four numbers, commas between. */
static bool four(const char *s, double v[PL_CORNERS])
{
    for (int i = 0; i < PL_CORNERS; i++) {
        char word[40];
        size_t len = strcspn(s, ",");
        snprintf(word, sizeof word, "%.*s", (int)(len < sizeof word ? len : sizeof word - 1), s);
        s += len;
        if (!pl_number(word, &v[i]) || !(fabs(v[i]) <= 1e5) ||
            *s != (i < PL_CORNERS - 1 ? ',' : '\0'))
            return false;
        s++;
    }
    return true;
}

static pl_status corners(double *um, const char *value, pl_err *err)
{
    double v[PL_CORNERS];
    if (!four(value, v))
        return pl_fail(err, PL_EARG,
                       "--corners is \"%.60s\"; four numbers are wanted, um, with commas between",
                       value);
    memcpy(um, v, sizeof v);
    return PL_OK;
}

pl_status pl_tilt_set(pl_tilt_options *options, const char *name, const char *value, pl_err *err)
{
    const struct {
        const char *name, *unit;
        double lo, hi;
        double *at;
    } row[] = { { "seeing", "arcsec", 0.1, 60, &options->seeing_arcsec },
                { "wavelength", "um", 0.1, 20, &options->wavelength_um },
                { "error", "um", 0, 1e5, &options->corner_error_um },
                { "rotated", "deg", -360, 360, &options->rotated_deg } };
    if (strcmp(name, "corners") == 0)
        return corners(options->corner_um, value, err);
    for (size_t i = 0; i < PL_ARRAY_LEN(row); i++) {
        double v;
        if (strcmp(row[i].name, name) != 0)
            continue;
        if (!pl_number(value, &v) || !(v >= row[i].lo && v <= row[i].hi))
            return pl_fail(err, PL_EARG, "--%s is \"%.60s\"; a number from %g to %g is wanted, %s",
                           name, value, row[i].lo, row[i].hi, row[i].unit);
        *row[i].at = v;
        return PL_OK;
    }
    return pl_fail(err, PL_EARG, "there is no option called %.40s", name);
}

/* ---- the zone */

static bool known(const pl_num *num)
{
    return num->from != PL_FROM_NOWHERE;
}

/* The air: told, the surface's own, or a common one. Its width in focus holds diffraction as well,
 * which at f/3 makes the air 1 to 2 % too wide: left. */
static pl_num air(const pl_surface *s, const pl_facts *f, const pl_tilt_options *o,
                  pl_zone_options *zone)
{
    double own = s->seeing_um * 1e-3 / f->focal_mm.v / PL_ARCSEC_RAD;
    if (!isnan(o->seeing_arcsec))
        return (pl_num){ o->seeing_arcsec, PL_FROM_OPTION };
    if (own >= 0.1 && own <= 60)
        return (pl_num){ own, PL_FROM_PROFILE };
    return zone->seeing;
}

/* Of all that plumb-zone takes by default, what the depth of focus rests on. */
static void pass_on(const pl_notes *from, pl_notes *to)
{
    static const char *const about[] = { "obstruction", "fwhm_growth", "this air", "--seeing",
                                         "--wavelength" };
    for (size_t i = 0; i < from->n; i++)
        for (size_t k = 0; k < PL_ARRAY_LEN(about); k++)
            if (strncmp(from->item[i], about[k], strlen(about[k])) == 0)
                pl_note(to, "%s", from->item[i]);
}

pl_status pl_tilt_zone_of(const pl_surface *s, const pl_facts *facts,
                          const pl_tilt_options *options, pl_tilt_zone *out, pl_notes *notes,
                          pl_err *err)
{
    pl_zone_options zone = pl_zone_defaults();
    pl_zone z;
    *out = (pl_tilt_zone){ NAN, NAN, NAN };
    if (!known(&facts->aperture_mm) || !known(&facts->focal_mm)) {
        pl_note(notes, "what tilt may be is not known: give --aperture-mm and --focal-mm "
                       "([scope], with -p)");
        return PL_OK;
    }
    zone.seeing = air(s, facts, options, &zone);
    if (!isnan(options->wavelength_um) || s->lambda_um > 0)
        zone.wavelength =
            (pl_num){ isnan(options->wavelength_um) ? s->lambda_um : options->wavelength_um,
                      PL_FROM_OPTION };
    pl_status rc = pl_zone_compute(facts, &zone, &z, err);
    if (rc != PL_OK)
        return rc;
    *out = (pl_tilt_zone){ z.growth, z.optic.seeing_arcsec, z.allowed.sensor_um };
    pass_on(&z.notes, notes);
    pl_zone_clear(&z);
    return PL_OK;
}

/* ---- a tilt against it */

bool pl_tilt_stands_out(const pl_surface *s)
{
    double x = s->tilt_x_um_mm, y = s->tilt_y_um_mm;
    double a = s->cov[0][0], b = s->cov[0][1], c = s->cov[1][1], det = a * c - b * b;
    if (!(det > 0)) /* not known, or nought */
        return x != 0 || y != 0;
    return (x * x * c - 2 * x * y * b + y * y * a) / det > ONCE_IN_100;
}

pl_state pl_tilt_state(const pl_surface *s, const pl_surface_told *told, double allowed_um)
{
    double sigma = isnan(told->across_sigma_um) ? 0 : told->across_sigma_um;
    if (told->across_um + sigma <= 2 * allowed_um)
        return PL_INSIDE;
    return told->across_um - sigma > 2 * allowed_um && pl_tilt_stands_out(s) ? PL_OUTSIDE
                                                                             : PL_UNSURE;
}
