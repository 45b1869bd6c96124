/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_sweep.c - the bookkeeping of a series through focus: signs, positions, sides, play, scale,
 * what is refused. Stars are made from the same optics as the solver reads them with, so nothing
 * here judges the optics: that is done by test_sizing.c and, on frames rendered by others, by
 * tests/reference/sweep.py. */
#include "../../lib/align/sweep/sweep.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { IN_A_FRAME = 150, FRAMES = 9 };

static const double PIXEL_UM = 4.2, GAIN = 1.2, NOISE = 16, PEAK = 400, BETA = 4;

/* What is true of a made series. */
struct truth {
    size_t frames;
    double position[16], at_um[16], air_um[16]; /* number; defocus of the middle; FWHM of the air */
    double tilt_x, tilt_y, curve, scatter, red, blue;
    int width, height;
    uint64_t seed;
};

static struct truth usual(void)
{
    struct truth t = { .frames = FRAMES,
                       .tilt_x = 4,
                       .tilt_y = -3,
                       .curve = 6,
                       .scatter = 0.02,
                       .width = 1600,
                       .height = 1100,
                       .seed = 7 };
    static const double air[FRAMES] = { 10.1, 9.4, 10.8, 9.9, 10.3, 9.2, 10.6, 10.0, 9.7 };
    for (size_t i = 0; i < FRAMES; i++) {
        t.position[i] = 5000 + 7 * ((double)i - 4);
        t.at_um[i] = (t.position[i] - 5003) * 2.7;
        t.air_um[i] = air[i];
    }
    return t;
}

static void set(pl_num *fact, double v)
{
    *fact = (pl_num){ v, PL_FROM_PROFILE };
}

static pl_facts telescope(void)
{
    pl_facts f = pl_facts_unknown();
    set(&f.aperture_mm, 280);
    set(&f.focal_mm, 870);
    set(&f.mirror_focal_mm, 870);
    set(&f.obstruction, 0.33);
    set(&f.pixel_um, PIXEL_UM);
    set(&f.gain_e_adu, GAIN);
    set(&f.step_um, 2.7);
    set(&f.outward, 1);
    set(&f.um_per_turn, 1600);
    return f;
}

static pl_sizes reading(const pl_sizing *sizing, double fwhm_px)
{
    pl_sizes sizes;
    pl_reading how = { BETA, fmax(6, 2.75 * fwhm_px + 2) * PIXEL_UM,
                       PEAK / (GAIN * NOISE * NOISE) };
    pl_sizing_read(sizing, &how, 0, &sizes);
    return sizes;
}

/* Stars of one frame; red and blue come to focus elsewhere by so many um. */
static void fill(pl_field *f, const struct truth *t, size_t i, const pl_sizes *sizes, gsl_rng *rng)
{
    double half = hypot(t->width, t->height) / 2 * PIXEL_UM / 1000;
    for (size_t k = 0; k < IN_A_FRAME; k++) {
        pl_star *s = &f->star[k];
        s->x_px = gsl_rng_uniform(rng) * (t->width - 1);
        s->y_px = gsl_rng_uniform(rng) * (t->height - 1);
        double x = (s->x_px - 0.5 * (t->width - 1)) * PIXEL_UM / 1000;
        double y = (s->y_px - 0.5 * (t->height - 1)) * PIXEL_UM / 1000;
        double surface = t->tilt_x * x + t->tilt_y * y + t->curve * (x * x + y * y) / (half * half);
        double z = t->at_um[i] - surface, ln_air = log(t->air_um[i]);
        const double shift[3] = { 0, t->red, t->blue };
        double *width[3] = { &s->fwhm_px, &s->red_fwhm_px, &s->blue_fwhm_px };
        double *sigma[3] = { &s->fwhm_sigma_px, &s->red_fwhm_sigma_px, &s->blue_fwhm_sigma_px };
        for (int c = 0; c < 3; c++) {
            double ln = pl_sizes_at(sizes, z - shift[c], ln_air, NULL, NULL);
            *width[c] = exp(ln + gsl_ran_gaussian(rng, t->scatter)) / PIXEL_UM;
            *sigma[c] = t->scatter * *width[c];
        }
        s->peak_adu = PEAK;
        s->flux_adu = 1000;
    }
}

static pl_field *make(const struct truth *t, const pl_facts *facts)
{
    pl_optic optic = { 280, 870.0 / 280, 0.33, 0.55, 0 };
    pl_sizing_range range = { 4, 30, 250, 130, false };
    pl_sizing *sizing = NULL;
    pl_field *f = calloc(t->frames, sizeof *f);
    pl_dice dice;
    gsl_rng *rng = pl_dice_throw(&dice, t->seed, 1, 1);
    cr_assert(pl_sizing_new(&optic, PIXEL_UM, &range, 0, &sizing, NULL) == PL_OK);
    pl_sizes rough = reading(sizing, 4);
    for (size_t i = 0; i < t->frames; i++) {
        double wide =
            exp(pl_sizes_at(&rough, t->at_um[i], log(t->air_um[i]), NULL, NULL)) / PIXEL_UM;
        f[i] = (pl_field){ .width_px = t->width, .height_px = t->height, .beta = BETA };
        f[i].noise_adu = NOISE;
        f[i].fwhm_px = wide;
        f[i].chi_sigma = 0.01;
        f[i].facts = *facts;
        f[i].used = f[i].stars = IN_A_FRAME;
        f[i].star = calloc(IN_A_FRAME, sizeof *f[i].star);
        if (t->red != 0)
            memcpy(f[i].mosaic, "RGGB", 5);
        if (isfinite(t->position[i]))
            set(&f[i].facts.position_steps, t->position[i]);
        pl_sizes sizes = reading(sizing, wide);
        fill(&f[i], t, i, &sizes, rng);
    }
    pl_sizing_free(sizing);
    return f;
}

static void drop(pl_field *f, size_t frames)
{
    for (size_t i = 0; i < frames; i++)
        free(f[i].star);
    free(f);
}

/* Solve, and free the frames. */
static pl_sweep solved(const struct truth *t, const pl_facts *facts, const pl_sweep_options *o)
{
    pl_sweep s = { 0 };
    pl_err err = { PL_OK, "" };
    gsl_set_error_handler_off();
    pl_field *f = make(t, facts);
    pl_status rc = pl_sweep_solve(f, t->frames, o, 0, &s, &err);
    drop(f, t->frames);
    cr_assert(rc == PL_OK, "%s", err.msg);
    return s;
}

/* Within 4 sigma, and the sigma no larger than `most`. */
static void near(const char *what, double value, double sigma, double truth, double most)
{
    cr_expect(sigma > 0 && sigma < most, "%s: sigma %g", what, sigma);
    cr_expect(fabs(value - truth) < 4 * sigma, "%s: %g +- %g, not %g", what, value, sigma, truth);
}

static void surface_is(const pl_sweep *s, const struct truth *t)
{
    const pl_surface *f = &s->surface;
    near("tilt x", f->tilt_x_um_mm, sqrt(f->cov[0][0]), t->tilt_x, 0.3);
    near("tilt y", f->tilt_y_um_mm, sqrt(f->cov[1][1]), t->tilt_y, 0.3);
    near("curvature", f->curvature_um, sqrt(f->cov[2][2]), t->curve, 1.5);
}

static bool noted(const pl_sweep *s, const char *words)
{
    for (size_t i = 0; i < s->notes.n; i++)
        if (strstr(s->notes.item[i], words))
            return true;
    return false;
}

Test(sweep, best_focus_and_surface)
{
    struct truth t = usual();
    pl_facts facts = telescope();
    pl_sweep s = solved(&t, &facts, NULL);
    near("best", s.best_steps, s.best_steps_sigma, 5003, 0.8);
    near("scale", s.blur_scale, s.blur_scale_sigma, 1, 0.03);
    surface_is(&s, &t);
    cr_expect(s.side_known && s.positions && !s.outside && s.used == FRAMES);
    near("last", s.last_um, s.last_sigma_um, t.at_um[FRAMES - 1], 2);
    cr_expect(epsilon_eq(dbl, s.move.sensor_um, -s.last_um, 1e-9));
    cr_expect(epsilon_eq(dbl, s.move.steps, -s.last_um / 2.7, 1e-9));
    cr_expect(isnan(s.backlash_um) && isnan(s.red_um));
    /* typical air 10 um at 870 mm: 206.265 arcsec a mm */
    cr_expect(epsilon_eq(dbl, s.seeing_arcsec, 2.37, 0.1));
    pl_sweep_clear(&s);
}

Test(sweep, numbers_that_fall_moving_out_and_a_corrector_that_rides)
{
    struct truth t = usual();
    pl_facts facts = telescope();
    set(&facts.mirror_focal_mm, 1120);
    set(&facts.outward, -1);
    double m2 = 870.0 / 1120 * 870 / 1120;
    for (size_t i = 0; i < FRAMES; i++) {
        t.position[i] = 300 - 12 * ((double)i - 4);
        t.at_um[i] = -(t.position[i] - 310) * 2.7 * m2;
    }
    pl_sweep s = solved(&t, &facts, NULL);
    near("best", s.best_steps, s.best_steps_sigma, 310, 1.5);
    surface_is(&s, &t);
    cr_expect(epsilon_eq(dbl, s.move.drawtube_um, -s.last_um / m2, 1e-9));
    cr_expect(noted(&s, "carries corrector by default"));
    pl_sweep_clear(&s);
}

static struct truth unnumbered(void)
{
    struct truth t = usual();
    for (size_t i = 0; i < FRAMES; i++)
        t.position[i] = NAN;
    return t;
}

static void stood_at(const pl_sweep *s, const struct truth *t, double sign)
{
    for (size_t i = 0; i < s->frames; i++)
        near("defocus", s->frame[i].defocus_um, s->frame[i].defocus_sigma_um, sign * t->at_um[i],
             5);
}

Test(sweep, without_positions_the_first_side_tells_all)
{
    struct truth t = unnumbered();
    pl_facts facts = telescope();
    pl_sweep_options o = pl_sweep_defaults();
    o.first = PL_SIDE_IN;
    pl_sweep s = solved(&t, &facts, &o);
    cr_expect(s.side_known && !s.positions && isnan(s.best_steps));
    stood_at(&s, &t, 1);
    surface_is(&s, &t);
    cr_expect(epsilon_eq(dbl, s.move.turns, -s.last_um / 1600, 1e-9));
    pl_sweep_clear(&s);
    o.first = PL_SIDE_OUT; /* a wrong word turns everything round */
    s = solved(&t, &facts, &o);
    stood_at(&s, &t, -1);
    pl_sweep_clear(&s);
}

Test(sweep, without_positions_shuffled)
{
    struct truth t = unnumbered();
    static const size_t order[FRAMES] = { 4, 8, 1, 6, 0, 3, 7, 2, 5 };
    double um[FRAMES];
    memcpy(um, t.at_um, sizeof um);
    t.tilt_x = 7;
    for (size_t i = 0; i < FRAMES; i++)
        t.at_um[i] = um[order[i]] + 4 * ((double)i - 4); /* uneven, too */
    pl_facts facts = telescope();
    pl_sweep_options o = pl_sweep_defaults();
    o.first = t.at_um[0] > 0 ? PL_SIDE_OUT : PL_SIDE_IN;
    pl_sweep s = solved(&t, &facts, &o);
    stood_at(&s, &t, 1);
    pl_sweep_clear(&s);
}

Test(sweep, without_positions_a_saved_surface_tells_the_side)
{
    struct truth t = unnumbered();
    pl_facts facts = telescope();
    pl_surface known = { .tilt_x_um_mm = t.tilt_x, .tilt_y_um_mm = t.tilt_y, .curvature_um = 5 };
    known.width_mm = t.width * PIXEL_UM / 1000;
    known.height_mm = t.height * PIXEL_UM / 1000;
    known.cov[0][0] = known.cov[1][1] = 0.04;
    known.cov[2][2] = 1;
    pl_sweep_options o = pl_sweep_defaults();
    pl_sweep s = solved(&t, &facts, &o);
    cr_expect(not(s.side_known));
    cr_expect(noted(&s, "--first in or --first out"));
    pl_sweep_clear(&s);
    o.known = &known;
    s = solved(&t, &facts, &o);
    cr_expect(s.side_known);
    stood_at(&s, &t, 1);
    pl_sweep_clear(&s);
    known.width_mm *= 2; /* of another camera */
    s = solved(&t, &facts, &o);
    cr_expect(not(s.side_known));
    pl_sweep_clear(&s);
}

/* The first frame, far out, has too few stars: the next one takes its word. */
Test(sweep, without_positions_the_first_usable_frame_takes_the_side)
{
    struct truth t = unnumbered();
    pl_facts facts = telescope();
    pl_sweep_options o = pl_sweep_defaults();
    pl_sweep s;
    o.first = PL_SIDE_IN;
    gsl_set_error_handler_off();
    pl_field *f = make(&t, &facts);
    f[0].used = f[FRAMES - 1].used = 6;
    cr_assert(pl_sweep_solve(f, t.frames, &o, 0, &s, NULL) == PL_OK);
    cr_expect(s.side_known);
    cr_expect(noted(&s, "--first is taken for frame 2"));
    cr_expect(isnan(s.frame[0].defocus_um));
    near("last usable", s.last_um, s.last_sigma_um, t.at_um[FRAMES - 2], 5);
    drop(f, t.frames);
    pl_sweep_clear(&s);
}

Test(sweep, a_flat_field_is_told_by_its_order)
{
    struct truth t = unnumbered();
    pl_facts facts = telescope();
    pl_sweep_options o = pl_sweep_defaults();
    t.tilt_x = t.tilt_y = t.curve = 0;
    o.first = PL_SIDE_IN;
    pl_sweep s = solved(&t, &facts, &o);
    for (size_t i = 0; i < FRAMES; i++)
        if (fabs(t.at_um[i]) > 30)
            cr_expect(s.frame[i].defocus_um * t.at_um[i] > 0, "frame %zu", i);
    pl_sweep_clear(&s);
}

Test(sweep, a_flat_field_shuffled_is_not_guessed_at)
{
    struct truth t = unnumbered();
    static const size_t order[FRAMES] = { 4, 8, 1, 6, 0, 3, 7, 2, 5 };
    double um[FRAMES];
    memcpy(um, t.at_um, sizeof um);
    for (size_t i = 0; i < FRAMES; i++)
        t.at_um[i] = um[order[i]];
    t.tilt_x = t.tilt_y = t.curve = 0;
    pl_facts facts = telescope();
    pl_sweep s;
    pl_err err = { PL_OK, "" };
    gsl_set_error_handler_off();
    pl_field *f = make(&t, &facts);
    cr_expect(pl_sweep_solve(f, t.frames, NULL, 0, &s, &err) == PL_ENODATA);
    cr_expect(strstr(err.msg, "on which side of focus") != NULL);
    drop(f, t.frames);
}

Test(sweep, headers_that_never_change_are_not_believed)
{
    struct truth t = usual();
    for (size_t i = 0; i < FRAMES; i++)
        t.position[i] = 1000;
    pl_facts facts = telescope();
    pl_sweep_options o = pl_sweep_defaults();
    o.first = PL_SIDE_IN;
    pl_sweep s = solved(&t, &facts, &o);
    cr_expect(not(s.positions));
    cr_expect(noted(&s, "not believed"));
    stood_at(&s, &t, 1);
    pl_sweep_clear(&s);
}

Test(sweep, a_step_nobody_told)
{
    struct truth t = usual();
    pl_facts facts = telescope();
    facts.step_um = (pl_num){ NAN, PL_FROM_NOWHERE };
    pl_sweep s = solved(&t, &facts, NULL);
    cr_expect(epsilon_eq(dbl, s.step_um, 2.7, 0.08));
    near("best", s.best_steps, s.best_steps_sigma, 5003, 0.8);
    surface_is(&s, &t);
    cr_expect(noted(&s, "step_um is not told"));
    cr_expect(s.facts.step_um.from == PL_FROM_NOWHERE);
    cr_expect(epsilon_eq(dbl, s.move.steps, s.best_steps - t.position[FRAMES - 1], 1e-9));
    pl_sweep_clear(&s);
}

Test(sweep, a_step_told_wrong_is_found_out)
{
    struct truth t = usual();
    pl_facts facts = telescope();
    static const double told[] = { 2.35, 0.9, 8 };
    for (size_t k = 0; k < PL_ARRAY_LEN(told); k++) {
        set(&facts.step_um, told[k]);
        pl_sweep s = solved(&t, &facts, NULL);
        near("scale", s.blur_scale, s.blur_scale_sigma, 2.7 / told[k], 0.15);
        cr_expect(epsilon_eq(dbl, s.move.steps, s.best_steps - t.position[FRAMES - 1], 1e-9));
        near("best", s.best_steps, s.best_steps_sigma, 5003, 0.8);
        surface_is(&s, &t);
        pl_sweep_clear(&s);
    }
}

Test(sweep, play_between_both_directions)
{
    struct truth t = usual();
    pl_facts facts = telescope();
    const double play = 15;
    double y = -1e9;
    t.frames = 14;
    for (size_t i = 0; i < t.frames; i++) {
        double x = i < 7 ? -75 + 24 * (double)i : 81 - 24 * (double)(i - 7);
        t.position[i] = 5000 + x / 2.7;
        y = fmax(x - play / 2, fmin(x + play / 2, y));
        t.at_um[i] = y;
        t.air_um[i] = 10 + 0.7 * sin(3.0 * (double)i);
    }
    pl_sweep s = solved(&t, &facts, NULL);
    near("play", s.backlash_um, s.backlash_sigma_um, play, 3);
    /* reached moving out: the drawtube lags by half the play */
    near("best", s.best_steps, s.best_steps_sigma, 5000 + play / 2 / 2.7, 0.8);
    cr_expect(noted(&s, "reached moving out"));
    pl_sweep_clear(&s);
    snprintf(facts.approach.s, sizeof facts.approach.s, "in");
    s = solved(&t, &facts, NULL);
    near("best", s.best_steps, s.best_steps_sigma, 5000 - play / 2 / 2.7, 0.8);
    pl_sweep_clear(&s);
}

Test(sweep, best_focus_beyond_the_frames)
{
    struct truth t = usual();
    pl_facts facts = telescope();
    for (size_t i = 0; i < FRAMES; i++)
        t.at_um[i] = (t.position[i] - 4950) * 2.7;
    pl_sweep s = solved(&t, &facts, NULL);
    cr_expect(s.outside && s.verdict.state == PL_UNSURE);
    cr_expect(s.move.sensor_um < 0, "best focus lies further in");
    cr_expect(strstr(s.verdict.text, "further in") != NULL);
    pl_sweep_clear(&s);
}

Test(sweep, colours)
{
    struct truth t = usual();
    pl_facts facts = telescope();
    t.red = 6;
    t.blue = -8;
    pl_sweep_options o = pl_sweep_defaults();
    o.wavelength_um = 0.55;
    pl_sweep s = solved(&t, &facts, &o);
    near("red", s.red_um, s.red_sigma_um, 6, 1.5);
    near("blue", s.blue_um, s.blue_sigma_um, -8, 1.5);
    pl_sweep_clear(&s);
}

Test(sweep, verdicts)
{
    struct truth t = usual();
    pl_facts facts = telescope();
    t.tilt_x = t.tilt_y = t.curve = 0;
    pl_sweep s = solved(&t, &facts, NULL);
    cr_expect(s.verdict.state == PL_INSIDE && s.verdict.cause == PL_CAUSE_NONE);
    pl_sweep_clear(&s);
    t.tilt_x = 12;
    s = solved(&t, &facts, NULL);
    cr_expect(s.verdict.state == PL_OUTSIDE && s.verdict.cause == PL_CAUSE_TILT);
    cr_expect(strstr(s.verdict.text, "towards the last column") != NULL);
    pl_sweep_clear(&s);
    t.tilt_x = 0;
    t.curve = -60;
    s = solved(&t, &facts, NULL);
    cr_expect(s.verdict.state == PL_OUTSIDE && s.verdict.cause == PL_CAUSE_SPACING);
    cr_expect(strstr(s.verdict.text, "further in") != NULL);
    pl_sweep_clear(&s);
}

/* One frame through cloud (few stars), one smeared: the rest must not notice. */
Test(sweep, odd_frames_change_little_and_are_named)
{
    struct truth t = usual();
    pl_facts facts = telescope();
    pl_sweep plain = solved(&t, &facts, NULL), s = { 0 };
    pl_field *f = make(&t, &facts);
    f[6].used = 12;
    for (size_t k = 0; k < IN_A_FRAME; k++)
        f[2].star[k].fwhm_px *= 1.5;
    f[2].chi = 0.4;
    f[2].elongation_deg = 40;
    cr_assert(pl_sweep_solve(f, t.frames, NULL, 0, &s, NULL) == PL_OK);
    cr_expect(fabs(s.best_steps - plain.best_steps) < plain.best_steps_sigma);
    cr_expect(fabs(s.surface.tilt_x_um_mm - plain.surface.tilt_x_um_mm) <
              sqrt(plain.surface.cov[0][0]));
    cr_expect(strstr(s.frame[6].reason, "cloud") != NULL);
    cr_expect(strstr(s.frame[2].reason, "stretched at 40 deg") != NULL);
    drop(f, t.frames);
    pl_sweep_clear(&s);
    pl_sweep_clear(&plain);
}

/* What cannot be: one clear sentence each. */
static void refused(pl_field *f, size_t frames, const pl_sweep_options *o, const char *words)
{
    pl_sweep s;
    pl_err err = { PL_OK, "" };
    memset(&s, 0x5a, sizeof s);
    pl_sweep before = s;
    cr_expect(pl_sweep_solve(f, frames, o, 0, &s, &err) != PL_OK, "not refused: %s", words);
    cr_expect(strstr(err.msg, words) != NULL, "\"%s\" does not say \"%s\"", err.msg, words);
    cr_expect(memcmp(&s, &before, sizeof s) == 0);
}

Test(sweep, refusals)
{
    struct truth t = usual();
    pl_facts facts = telescope();
    gsl_set_error_handler_off();
    pl_field *f = make(&t, &facts);
    pl_sweep_options o = pl_sweep_defaults();
    double steps[FRAMES] = { 5, 5, 5, 5, 5, 5, 5, 5, 5 };
    refused(f, 2, NULL, "three or more are needed");
    o.position_steps = steps;
    refused(f, FRAMES, &o, "focus never moved");
    f[3].width_px = 800;
    refused(f, FRAMES, NULL, "frame 4 is 800 x 1100");
    f[3].width_px = t.width;
    memcpy(f[3].mosaic, "RGGB", 5);
    refused(f, FRAMES, NULL, "a colour mosaic");
    f[3].mosaic[0] = 0;
    set(&f[5].facts.binning_x, 2);
    set(&f[0].facts.binning_x, 1);
    refused(f, FRAMES, NULL, "binning");
    f[5].facts.binning_x = f[0].facts.binning_x;
    f[8].facts.position_steps = (pl_num){ NAN, PL_FROM_NOWHERE };
    refused(f, FRAMES, NULL, "frame 9 has no focuser position");
    f[8].facts.position_steps = (pl_num){ 5028, PL_FROM_HEADER };
    f[0].facts.aperture_mm = (pl_num){ NAN, PL_FROM_NOWHERE };
    refused(f, FRAMES, NULL, "aperture_mm");
    set(&f[0].facts.aperture_mm, 280);
    free(f[2].star);
    f[2] = f[1];
    refused(f, FRAMES, NULL, "the same exposure");
    f[2].star = NULL;
    f[2].used = 0;
    drop(f, FRAMES);
}
