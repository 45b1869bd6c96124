/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Focus and air of one exposure: properties and refusals, on stars as wide as the optics' answer
 * says (what the numbers are worth is judged from outside: tests/reference/check.py). */
#include "../../lib/align/check/sense.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <gsl/gsl_errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

TestSuite(sense, .init = (void (*)(void))gsl_set_error_handler_off);

enum { STARS = 300, WIDTH = 1600, HEIGHT = 1100 };

static size_t seen = STARS;      /* of them are in a field */
static const double PITCH = 4.0; /* um; 280 mm f/3 */

static pl_facts facts(void)
{
    pl_facts f = pl_facts_unknown();
    pl_facts_set(&f, "aperture_mm", "280", PL_FROM_OPTION, NULL);
    pl_facts_set(&f, "focal_mm", "840", PL_FROM_OPTION, NULL);
    pl_facts_set(&f, "pixel_um", "4", PL_FROM_OPTION, NULL);
    pl_facts_set(&f, "obstruction", "0.33", PL_FROM_OPTION, NULL);
    pl_facts_set(&f, "gain_e_adu", "1", PL_FROM_OPTION, NULL);
    return f;
}

static pl_surface surface(double tilt_x, double tilt_y, double curvature)
{
    pl_surface s = { .tilt_x_um_mm = tilt_x,
                     .tilt_y_um_mm = tilt_y,
                     .curvature_um = curvature,
                     .width_mm = WIDTH * PITCH / 1000,
                     .height_mm = HEIGHT * PITCH / 1000,
                     .pixel_um = PITCH,
                     .focal_mm = 840,
                     .seeing_um = 10,
                     .lambda_um = 0.55 };
    s.cov[0][0] = s.cov[1][1] = 0.05 * 0.05;
    s.cov[2][2] = 0.3 * 0.3;
    return s;
}

static const pl_sizes *sizes(void)
{
    static pl_sizes table;
    pl_optic o = { .aperture_mm = 280, .f_ratio = 3, .obstruction = 0.33, .lambda_um = 0.55 };
    pl_sizing_range range = { 4, 20, 120, 45, false };
    pl_reading how = { .beta = 3, .radius_um = 37, .bright = 4.9 };
    pl_sizing *s = NULL;
    if (table.z_step > 0)
        return &table;
    cr_assert(eq(int, pl_sizing_new(&o, PITCH, &range, 1, &s, NULL), PL_OK));
    pl_sizing_read(s, &how, 0, &table);
    pl_sizing_free(s);
    return &table;
}

/* Stars in air of 10 um on a sensor at z. way  in  -1: the frame turned by half a turn */
static pl_field field(double z, const pl_surface *s, int way)
{
    pl_field f = { .width_px = WIDTH,
                   .height_px = HEIGHT,
                   .used = seen,
                   .stars = seen,
                   .beta = 3,
                   .sky_adu = 400,
                   .noise_adu = 20,
                   .facts = facts() };
    frames_dice dice = { 7 };
    f.star = calloc(STARS, sizeof *f.star);
    cr_assert(ne(ptr, f.star, NULL));
    for (size_t i = 0; i < STARS; i++) {
        pl_star *t = &f.star[i];
        double x = (frames_uniform(&dice) - 0.5) * (WIDTH - 1),
               y = (frames_uniform(&dice) - 0.5) * (HEIGHT - 1);
        double d = z - pl_surface_at(s, x * PITCH / 1000, y * PITCH / 1000, NULL);
        t->x_px = (WIDTH - 1) / 2.0 + way * x;
        t->y_px = (HEIGHT - 1) / 2.0 + way * y;
        t->fwhm_px = exp(pl_sizes_at(sizes(), d, log(10), NULL, NULL)) / PITCH *
                     (1 + 0.008 * frames_normal(&dice));
        t->fwhm_sigma_px = 0.008 * t->fwhm_px;
        t->peak_adu = 2000;
        t->flux_adu = 30000;
    }
    f.fwhm_px = f.star[0].fwhm_px;
    return f;
}

static pl_sense sensed(double z, const pl_surface *there, const pl_surface *told, int way)
{
    pl_field f = field(z, there, way);
    pl_sense s;
    pl_err err = { PL_OK, "" };
    pl_notes notes = { NULL, 0, 0 };
    cr_assert(eq(int, pl_sense_frame(&f, told, NULL, 1, &notes, &s, &err), PL_OK), "%s", err.msg);
    pl_notes_clear(&notes);
    pl_field_clear(&f);
    return s;
}

/* 10 um are 2.456 arcsec at 840 mm. */
Test(sense, sides)
{
    pl_surface s = surface(5, -3, 12);
    for (double z = -30; z <= 30; z += 15) {
        pl_sense a = sensed(z, &s, &s, 1);
        cr_expect(a.sign_known, "%g", z);
        cr_expect(a.surface_fits, "%g: %g of %zu", z, a.chi2, a.freedom);
        cr_expect(fabs(a.defocus_um - z) < 3 * a.defocus_sigma_um, "%g: %g +- %g", z, a.defocus_um,
                  a.defocus_sigma_um);
        cr_expect(epsilon_eq(dbl, a.size_um, fabs(a.defocus_um), 1e-9));
        cr_expect(epsilon_eq(dbl, a.seeing_arcsec, 2.456, 0.03 + 3 * a.seeing_sigma_arcsec));
    }
}

/* A surface upside down and a sensor on the other side are the same picture. */
Test(sense, upside_down)
{
    pl_surface s = surface(5, -3, 12), m = surface(-5, 3, -12);
    pl_sense a = sensed(14, &s, &s, 1), b = sensed(-14, &m, &m, 1);
    cr_expect(epsilon_eq(dbl, a.defocus_um, -b.defocus_um, 0.02 * a.defocus_sigma_um));
    cr_expect(epsilon_eq(dbl, a.seeing_arcsec, b.seeing_arcsec, 1e-4));
}

/* The frame turned by half a turn, and the surface with it. */
Test(sense, turned_round)
{
    pl_surface s = surface(5, -3, 12), t = surface(-5, 3, 12);
    pl_sense a = sensed(14, &s, &s, 1), b = sensed(14, &s, &t, -1);
    cr_expect(epsilon_eq(dbl, a.defocus_um, b.defocus_um, 0.3 * a.defocus_sigma_um));
}

Test(sense, what_cannot_be_told)
{
    pl_surface s = surface(5, -3, 12), flat = surface(0, 0, 0), other = surface(3, 5, 12);
    pl_sense a = sensed(20, &flat, &flat, 1);
    cr_expect(not(a.sign_known), "flat and square");
    cr_expect(isnan(a.defocus_um));
    cr_expect(a.reason[0] != '\0');
    a = sensed(20, &other, &s, 1);
    cr_expect(not(a.surface_fits), "the camera turned");
    cr_expect(not(a.sign_known));
    cr_expect(isnan(a.defocus_um));
    cr_expect(isnan(a.size_um));
    a = sensed(20, &s, NULL, 1);
    cr_expect(not(a.surface_known), "no surface");
    cr_expect(isnan(a.size_um));
    other = s;
    other.focal_mm = 1000;
    a = sensed(20, &s, &other, 1);
    cr_expect(not(a.surface_known), "another telescope");
    cr_expect(ne(ptr, strstr(a.reason, "focal length"), NULL), "%s", a.reason);
    other = s;
    other.pixel_um = 3;
    a = sensed(20, &s, &other, 1);
    cr_expect(ne(ptr, strstr(a.reason, "pixels"), NULL), "%s", a.reason);
    other = s;
    other.width_mm /= 2;
    a = sensed(20, &s, &other, 1);
    cr_expect(ne(ptr, strstr(a.reason, "mm, this frame"), NULL), "%s", a.reason);
}

/* Four cells cannot confirm a surface; one that is far off they refuse. */
Test(sense, few_stars)
{
    pl_surface s = surface(5, -3, 12), other = surface(-40, 50, 12);
    seen = 26;
    pl_sense a = sensed(20, &s, &s, 1), b = sensed(20, &other, &s, 1);
    cr_expect(not(a.surface_checked), "%zu cells", a.cells);
    cr_expect(ne(ptr, strstr(a.reason, "too few"), NULL), "%s", a.reason);
    cr_expect(not(a.sign_known));
    cr_expect(b.surface_checked, "%zu cells, chi square %g of %zu", b.cells, b.chi2, b.freedom);
    cr_expect(not(b.surface_fits));
    cr_expect(ne(ptr, strstr(b.reason, "no longer"), NULL), "%s", b.reason);
    cr_expect(not(b.sign_known));
}

/* Binned pixels on the same sensor are the same camera. */
Test(sense, binned)
{
    pl_surface s = surface(5, -3, 12), fine = s;
    fine.pixel_um = PITCH / 2;
    fine.binning = 1;
    pl_field f = field(20, &s, 1);
    pl_facts_set(&f.facts, "binning_x", "2", PL_FROM_OPTION, NULL);
    f.facts.binning_x = (pl_num){ 2, PL_FROM_HEADER };
    pl_sense a;
    pl_notes notes = { NULL, 0, 0 };
    cr_assert(eq(int, pl_sense_frame(&f, &fine, NULL, 1, &notes, &a, NULL), PL_OK));
    cr_expect(a.surface_known);
    cr_expect(a.sign_known);
    pl_notes_clear(&notes);
    pl_field_clear(&f);
}

/* A flat field: only the move tells. */
Test(sense, pair)
{
    pl_surface flat = surface(0, 0, 0);
    pl_field f[2] = { field(-20, &flat, 1), field(30, &flat, 1) };
    pl_sense_options o = pl_sense_defaults();
    pl_notes notes = { NULL, 0, 0 };
    pl_sense a;
    o.moved_um = 50;
    cr_assert(eq(int, pl_sense_pair(f, &flat, &o, 1, &notes, &a, NULL), PL_OK));
    cr_expect(a.sign_known);
    cr_expect(fabs(a.defocus_um - 30) < 2.5 * a.defocus_sigma_um, "%g +- %g", a.defocus_um,
              a.defocus_sigma_um);
    cr_expect(a.defocus_sigma_um < 12, "%g", a.defocus_sigma_um);
    o.moved_um = 0;
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_sense_pair(f, &flat, &o, 1, &notes, &a, &err), PL_EARG));
    cr_expect(ne(ptr, strstr(err.msg, "--moved"), NULL));
    pl_notes_clear(&notes);
    pl_field_clear(&f[0]);
    pl_field_clear(&f[1]);
}

Test(sense, refusals)
{
    pl_surface s = surface(5, -3, 12);
    pl_field f = field(20, &s, 1);
    pl_notes notes = { NULL, 0, 0 };
    pl_sense a = { .cells = 77 };
    pl_err err = { PL_OK, "" };
    f.used = 19;
    cr_expect(eq(int, pl_sense_frame(&f, &s, NULL, 1, &notes, &a, &err), PL_ENODATA));
    cr_expect(ne(ptr, strstr(err.msg, "usable stars: 19"), NULL), "%s", err.msg);
    f.used = STARS;
    f.facts = pl_facts_unknown();
    err = (pl_err){ PL_OK, "" };
    cr_expect(eq(int, pl_sense_frame(&f, &s, NULL, 1, &notes, &a, &err), PL_ENODATA));
    cr_expect(ne(ptr, strstr(err.msg, "aperture"), NULL), "%s", err.msg);
    cr_expect(eq(sz, a.cells, (size_t)77), "untouched");
    pl_notes_clear(&notes);
    pl_field_clear(&f);
}
