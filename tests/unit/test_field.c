/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One frame from pixels to verdict. */
#include "../../lib/align/align.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <gsl/gsl_errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { W = 480, H = 400, N = 80 };

TestSuite(field, .init = (void (*)(void))gsl_set_error_handler_off);

/* Stars of FWHM 3 px and the given eccentricity along `deg`, all alike. */
static pl_frame *scene(int stars, double ecc, double deg)
{
    double *v = calloc(W * H, sizeof *v);
    frames_dice dice = { 71 };
    for (int n = 0; n < stars; n++) {
        frames_star s = { 46 * (n % 10) + 18 + 16 * frames_uniform(&dice),
                          48 * (n / 10) + 18 + 16 * frames_uniform(&dice),
                          frames_flux(50 * exp(2 * frames_uniform(&dice)), 3, 100),
                          3,
                          ecc,
                          deg,
                          4 };
        frames_draw_near(v, W, H, &s);
    }
    frames_noise(v, W * H, 100, 2, &dice);
    for (int i = 0; i < W * H; i++)
        v[i] += 1000;
    pl_frame *f = frames_memory(W, H, v);
    free(v);
    return f;
}

static pl_facts facts(void)
{
    pl_facts f = pl_facts_unknown();
    f.gain_e_adu = (pl_num){ 2, PL_FROM_OPTION };
    f.mosaic = (pl_text){ "none", PL_FROM_OPTION };
    return f;
}

/* An eccentricity of 0.6 along 40 degrees, by its definition: chi = e^2 / (2 - e^2) = 0.2195. */
Test(field, a_stretched_field)
{
    pl_frame *frame = scene(N, 0.6, 40);
    pl_facts told = facts();
    pl_field f;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_field_measure(frame, &told, 0, 2, &f, &err), PL_OK), "%s", err.msg);
    cr_expect(ge(sz, f.used, 70));
    cr_expect(epsilon_eq(dbl, f.fwhm_px, 3, 5 * f.fwhm_sigma_px + 0.01));
    cr_expect(epsilon_eq(dbl, f.eccentricity, 0.6, 0.03));
    cr_expect(epsilon_eq(dbl, f.chi, 0.2195, 0.02));
    cr_expect(epsilon_eq(dbl, f.elongation_deg, 40, 3));
    cr_expect(eq(int, f.verdict.state, PL_OUTSIDE), "%s", f.verdict.text);
    cr_expect(eq(int, f.verdict.cause, PL_CAUSE_TRACKING));
    cr_expect(isnan(f.scale_arcsec_px) && isnan(f.red_x_px));
    pl_field_clear(&f);
    pl_frame_free(frame);
}

/* Round stars: within tolerance; scale 206.265 um / mm x 3.76 / 900 = 0.8617 (by hand). */
Test(field, a_good_field)
{
    pl_frame *frame = scene(N, 0, 0);
    pl_facts told = facts();
    pl_field f;
    frame->facts.pixel_um = (pl_num){ 3.76, PL_FROM_HEADER };
    frame->facts.focal_mm = (pl_num){ 870, PL_FROM_HEADER };
    told.focal_mm = (pl_num){ 900, PL_FROM_OPTION };
    cr_assert(eq(int, pl_field_measure(frame, &told, 0, 2, &f, NULL), PL_OK));
    cr_expect(epsilon_eq(dbl, f.scale_arcsec_px, 0.86173, 1e-5));
    cr_expect(eq(int, f.verdict.state, PL_INSIDE), "%s", f.verdict.text);
    cr_expect(lt(dbl, f.eccentricity, 0.2));
    size_t in_cells = 0;
    for (size_t i = 0; i < f.cells; i++)
        in_cells += f.cell[i].stars;
    cr_expect(eq(sz, in_cells, f.used));
    pl_field_clear(&f);
    pl_field_clear(&f);
    pl_field_clear(NULL);
    pl_frame_free(frame);
}

/* Byte for byte the same on 1, 2 and 3 threads, as far as it has no padding: through its JSON. */
Test(field, same_on_any_number_of_threads)
{
    pl_frame *frame = scene(N, 0.4, 100);
    pl_facts told = facts();
    char *first = NULL;
    for (int jobs = 1; jobs <= 3; jobs++) {
        pl_field f;
        cr_assert(eq(int, pl_field_measure(frame, &told, 0, jobs, &f, NULL), PL_OK));
        char *json = pl_field_json(&f, "x", true);
        if (first)
            cr_expect(eq(str, json, first), "%d threads", jobs);
        else
            first = strdup(json);
        free(json);
        pl_field_clear(&f);
    }
    free(first);
    pl_frame_free(frame);
}

/* No stars, too few, or a field that is no sky: ENODATA, a sentence, the output untouched. */
Test(field, refusals)
{
    static const char says[3][24] = { "", "needed: 5", "same number" };
    for (int k = 0; k < 3; k++) {
        pl_frame *frame = scene(k == 1 ? 3 : 0, 0, 0);
        for (int i = 0; k == 2 && i < W * H; i++)
            frame->memf[i] = 1000;
        pl_facts told = facts();
        pl_field f = { .width_px = 77 };
        pl_err err = { PL_OK, "" };
        cr_expect(eq(int, pl_field_measure(frame, &told, 0, 2, &f, &err), PL_ENODATA));
        cr_expect(ne(ptr, strstr(err.msg, says[k]), NULL), "\"%s\" without \"%s\"", err.msg,
                  says[k]);
        cr_expect(eq(int, f.width_px, 77));
        pl_frame_free(frame);
    }
}
