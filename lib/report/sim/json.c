/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.c - what is true of a simulated frame, under the keys of the programs that measure it.
 */
#include "../json.h"
#include "../report.h"

#include <math.h>
#include <stdio.h>

enum { DONUT_TERMS = 15 }; /* the last Noll term plumb-donut tells */

/* Direction of a vector in [0, 360); NaN for none. */
static double direction(double x, double y)
{
    if (x == 0 && y == 0)
        return NAN;
    double deg = atan2(y, x) * 180 / M_PI;
    return deg < 0 ? deg + 360 : deg;
}

static void vector(pl_json t, const char *length, const char *angle, double x, double y)
{
    pl_json_number(t, length, hypot(x, y));
    pl_json_number(t, angle, direction(x, y));
}

static void waves(pl_json t, const double *nm)
{
    char key[8];
    pl_json o = pl_json_object(t, "zernike_nm");
    for (int j = 4; j <= DONUT_TERMS; j++) {
        snprintf(key, sizeof key, "%d", j);
        pl_json_number(o, key, nm[j]);
    }
    vector(t, "coma_nm", "coma_deg", nm[8], nm[7]);
    pl_json_number(t, "astigmatism_nm", hypot(nm[5], nm[6]));
    pl_json_number(t, "astigmatism_deg", direction(nm[6], nm[5]) / 2);
    pl_json_number(t, "trefoil_nm", hypot(nm[9], nm[10]));
    pl_json_number(t, "spherical_nm", nm[11]);
}

static void surface(pl_json t, const pl_sim *s)
{
    double mm = s->facts.pixel_um.v / 1000, x = (s->width_px - 1) / 2.0 * mm;
    double y = (s->height_px - 1) / 2.0 * mm;
    double half = hypot(s->width_px, s->height_px) / 2 * mm, bend = s->curvature_um;
    bend *= (x * x + y * y) / (half * half);
    pl_json o = pl_json_object(t, "surface");
    pl_json_number(o, "tilt_x_um_mm", s->tilt_x_um_mm);
    pl_json_number(o, "tilt_y_um_mm", s->tilt_y_um_mm);
    double tilt = atan(hypot(s->tilt_x_um_mm, s->tilt_y_um_mm) / 1000);
    pl_json_number(o, "tilt_arcmin", tilt * 180 * 60 / M_PI);
    pl_json_number(o, "tilt_deg", direction(s->tilt_x_um_mm, s->tilt_y_um_mm));
    pl_json_number(o, "curvature_um", s->curvature_um);
    pl_json c = pl_json_object(o, "corner_um");
    for (int i = 0; i < 4; i++) {
        double sx = i % 2 ? x : -x, sy = i / 2 ? y : -y;
        const char *const key[] = { "x1y1", "x2y1", "x1y2", "x2y2" };
        pl_json_number(c, key[i], s->tilt_x_um_mm * sx + s->tilt_y_um_mm * sy + bend);
    }
}

static void star(pl_json o, const pl_sim_star *s)
{
    pl_json_digits(o, "x_px", pl_fits_px(s->x_px), PL_JSON_PLACES);
    pl_json_digits(o, "y_px", pl_fits_px(s->y_px), PL_JSON_PLACES);
    pl_json_number(o, "flux_adu", s->flux_adu);
    pl_json_number(o, "peak_adu", s->peak_adu);
    pl_json_number(o, "mag", s->mag);
    pl_json_number(o, "colour_mag", s->colour_mag);
    pl_json_text(o, "flags", s->saturated ? "saturated" : "star", NULL);
    pl_json_number(o, "defocus_um", s->defocus_um);
}

/* A donut where the geometric blur is wider than twice the star in focus. */
static void donuts(pl_json t, const pl_sim *s)
{
    const pl_facts *f = &s->facts;
    double ratio = f->focal_mm.v / f->aperture_mm.v,
           hole = f->obstruction.v > 0 ? f->obstruction.v : 0;
    double air_px = s->seeing_arcsec / s->scale_arcsec_px;
    json_t *list = pl_json_list(t, "donuts");
    for (size_t i = 0; i < s->stars; i++) {
        const pl_sim_star *d = &s->star[i];
        double outer = fabs(d->defocus_um) / ratio / f->pixel_um.v;
        if (outer < 2 * air_px)
            continue;
        pl_json o = pl_json_item(list, t.ok);
        star(o, d);
        pl_json_number(o, "outer_px", outer);
        pl_json_number(o, "inner_px", hole * outer);
        waves(o, d->zernike_nm);
    }
}

static void optics(pl_json t, const pl_sim *s)
{
    pl_json_number(t, "defocus_um", s->defocus_um);
    waves(t, s->zernike_nm);
    vector(t, "axis_error_mm", "axis_error_deg", s->axis_x_mm, s->axis_y_mm);
    vector(t, "secondary_shadow_mm", "secondary_shadow_deg", s->shadow_x_mm, s->shadow_y_mm);
    surface(t, s);
}

char *pl_sim_truth(const pl_sim *s, const char *file)
{
    bool ok = true;
    pl_json t = pl_json_begin(&ok, "plumb-sim", &file, 1, &s->notes);
    pl_json_count(t, "width_px", (size_t)s->width_px);
    pl_json_count(t, "height_px", (size_t)s->height_px);
    pl_json_number(t, "scale_arcsec_px", s->scale_arcsec_px);
    pl_json_text(t, "mosaic", s->mosaic[0] ? s->mosaic : "none", NULL);
    pl_json_number(t, "sky_adu", s->sky_adu);
    pl_json_number(t, "noise_adu", s->noise_adu);
    pl_json_number(t, "seeing_arcsec", s->seeing_arcsec);
    pl_json_number(t, "fwhm_px", s->fwhm_px);
    pl_json_number(t, "fwhm_arcsec", s->fwhm_px * s->scale_arcsec_px);
    pl_json_number(t, "hfd_px", s->hfd_px);
    pl_json_exposure(t, &s->facts);
    optics(t, s);
    donuts(t, s);
    json_t *list = pl_json_list(t, "stars");
    for (size_t i = 0; i < s->stars; i++)
        star(pl_json_item(list, t.ok), &s->star[i]);
    return pl_json_line(t);
}
