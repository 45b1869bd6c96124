/* SPDX-License-Identifier: GPL-3.0-or-later */
/* All stars of a frame: what moves when the frame is moved, brightened, lifted, turned, mirrored;
 * and what does not: the number of threads. */
#include "../../lib/star/star.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <gsl/gsl_errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { SIDE = 384, N = 64 };

static const double FWHM = 3.2;

TestSuite(stars, .init = (void (*)(void))gsl_set_error_handler_off);

/* A square frame of 64 stars, each with its own shape, on noise. */
static double *scene(uint64_t seed)
{
    double *v = calloc(SIDE * SIDE, sizeof *v);
    frames_dice dice = { seed };
    for (int k = 0; k < N; k++) {
        double snr = 40 * exp(3 * frames_uniform(&dice));
        frames_star s = { 48 * (k % 8) + 16 + 16 * frames_uniform(&dice),
                          48 * (k / 8) + 16 + 16 * frames_uniform(&dice),
                          frames_flux(snr, FWHM, 100),
                          FWHM * (0.97 + 0.06 * frames_uniform(&dice)),
                          0.4 * frames_uniform(&dice),
                          180 * frames_uniform(&dice),
                          4 };
        frames_draw_near(v, SIDE, SIDE, &s);
    }
    frames_noise(v, SIDE * SIDE, 100, 2, &dice);
    for (int i = 0; i < SIDE * SIDE; i++)
        v[i] += 1000;
    return v;
}

static pl_stars measure(const double *v, int w, int h, double gain, int jobs)
{
    pl_frame *f = frames_memory(w, h, v);
    pl_facts facts = pl_facts_unknown();
    facts.gain_e_adu = (pl_num){ gain, PL_FROM_OPTION };
    facts.mosaic = (pl_text){ "none", PL_FROM_OPTION };
    pl_stars s = { 0 };
    pl_notes notes = { NULL, 0, 0 };
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_stars_measure(f, &facts, 0, jobs, &s, &notes, &err), PL_OK), "%s",
              err.msg);
    pl_notes_clear(&notes);
    pl_frame_free(f);
    return s;
}

/* The used star nearest to a place; NULL when none is within a pixel. */
static const pl_star *at(const pl_stars *s, double x, double y)
{
    const pl_star *best = NULL;
    double nearest = 1;
    for (size_t i = 0; i < s->used; i++) {
        double d = hypot(s->star[i].x_px - x, s->star[i].y_px - y);
        if (d < nearest) {
            nearest = d;
            best = &s->star[i];
        }
    }
    return best;
}

/* How a transformation moves a place and turns an ellipse. */
typedef struct {
    double xx, xy, x0, yx, yy, y0; /* x' = xx x + xy y + x0, y' = ... */
    double chi1, chi2;             /* factors of chi1, chi2 */
    double scale;                  /* of the flux */
} motion;

/* Pairs of stars in both lists agree within `part` of their errors. Nearly all must be in both. */
static void expect_moved(const pl_stars *a, const pl_stars *b, const motion *m, double part)
{
    size_t both = 0;
    for (size_t i = 0; i < a->used; i++) {
        const pl_star *s = &a->star[i];
        double x = m->xx * s->x_px + m->xy * s->y_px + m->x0,
               y = m->yx * s->x_px + m->yy * s->y_px + m->y0;
        const pl_star *t = at(b, x, y);
        if (!t)
            continue;
        both++;
        cr_expect(epsilon_eq(dbl, t->x_px, x, part * s->x_sigma_px));
        cr_expect(epsilon_eq(dbl, t->y_px, y, part * s->y_sigma_px));
        cr_expect(epsilon_eq(dbl, t->fwhm_px, s->fwhm_px, part * s->fwhm_sigma_px));
        cr_expect(epsilon_eq(dbl, t->chi1, m->chi1 * s->chi1, part * s->chi_sigma));
        cr_expect(epsilon_eq(dbl, t->chi2, m->chi2 * s->chi2, part * s->chi_sigma));
        cr_expect(epsilon_eq(dbl, t->flux_adu, m->scale * s->flux_adu,
                             part * m->scale * s->flux_sigma_adu));
        cr_expect(epsilon_eq(dbl, t->hfd_px, s->hfd_px, part * s->hfd_sigma_px));
        cr_expect(epsilon_eq(dbl, t->snr, s->snr, 0.05 * s->snr));
    }
    cr_expect(ge(sz, both, a->used - 2), "%zu of %zu", both, a->used);
    cr_expect(ge(sz, a->used, N - 6), "%zu of %d stars", a->used, N);
}

/* Each transformation of the pixels, against the frame as it is. */
static void expect_follows(int (*from)(int, int), const motion *m, double factor, double lift,
                           double gain, double part)
{
    double *v = scene(31), *w = malloc(sizeof *w * SIDE * SIDE);
    for (int y = 0; y < SIDE; y++)
        for (int x = 0; x < SIDE; x++)
            w[y * SIDE + x] = factor * v[from(x, y)] + lift;
    pl_stars a = measure(v, SIDE, SIDE, 2, 1), b = measure(w, SIDE, SIDE, gain, 1);
    expect_moved(&a, &b, m, part);
    pl_stars_clear(&a);
    pl_stars_clear(&b);
    free(v);
    free(w);
}

static int same(int x, int y)
{
    return y * SIDE + x;
}

static int mirrored(int x, int y)
{
    return y * SIDE + SIDE - 1 - x;
}

static int turned(int x, int y) /* (x, y) -> (S - 1 - y, x) */
{
    return (SIDE - 1 - x) * SIDE + y;
}

static int shifted(int x, int y) /* by (32, 64), going around */
{
    return (y + SIDE - 64) % SIDE * SIDE + (x + SIDE - 32) % SIDE;
}

/* A fit that starts elsewhere stops elsewhere, by a quarter of its errors at most;
 * sky and beta are measured anew each time and move by a little. */
Test(stars, follow_a_brighter_frame)
{
    expect_follows(same, &(motion){ 1, 0, 0, 0, 1, 0, 1, 1, 4 }, 4, 0, 0.5, 0.25);
}

Test(stars, follow_a_higher_sky)
{
    expect_follows(same, &(motion){ 1, 0, 0, 0, 1, 0, 1, 1, 1 }, 1, 5000, 2, 0.25);
}

Test(stars, follow_a_mirror)
{
    expect_follows(mirrored, &(motion){ -1, 0, SIDE - 1, 0, 1, 0, 1, -1, 1 }, 1, 0, 2, 0.5);
}

Test(stars, follow_a_quarter_turn)
{
    expect_follows(turned, &(motion){ 0, -1, SIDE - 1, 1, 0, 0, -1, -1, 1 }, 1, 0, 2, 0.5);
}

/* Shifted around the frame's edge by whole cells: stars near the seam are gone, the others move. */
Test(stars, follow_a_shift)
{
    double *v = scene(31), *w = malloc(sizeof *w * SIDE * SIDE);
    for (int i = 0; i < SIDE * SIDE; i++)
        w[i] = v[shifted(i % SIDE, i / SIDE)];
    pl_stars a = measure(v, SIDE, SIDE, 2, 1), b = measure(w, SIDE, SIDE, 2, 1);
    size_t both = 0;
    for (size_t i = 0; i < a.used; i++) {
        const pl_star *s = &a.star[i], *t = at(&b, s->x_px + 32, s->y_px + 64);
        if (!t)
            continue;
        both++;
        cr_expect(epsilon_eq(dbl, t->x_px, s->x_px + 32, 0.5 * s->x_sigma_px));
        cr_expect(epsilon_eq(dbl, t->fwhm_px, s->fwhm_px, 0.5 * s->fwhm_sigma_px));
        cr_expect(epsilon_eq(dbl, t->flux_adu, s->flux_adu, 0.5 * s->flux_sigma_adu));
    }
    cr_expect(ge(sz, both, 36), "%zu stars in both", both);
    pl_stars_clear(&a);
    pl_stars_clear(&b);
    free(v);
    free(w);
}

/* The same bytes on 1, 2, 3 and 7 threads, whole list. Structs without padding but the last member:
 * compared up to it, and it apart. */
Test(stars, same_on_any_number_of_threads)
{
    double *v = scene(32);
    pl_stars one = measure(v, SIDE, SIDE, 2, 1);
    static const int jobs[] = { 2, 3, 7 };
    for (int k = 0; k < 3; k++) {
        pl_stars many = measure(v, SIDE, SIDE, 2, jobs[k]);
        cr_assert(eq(sz, many.stars, one.stars));
        for (size_t i = 0; i < one.stars; i++) {
            cr_assert(eq(int, memcmp(&one.star[i], &many.star[i], offsetof(pl_star, kind)), 0));
            cr_assert(eq(int, one.star[i].kind, many.star[i].kind));
        }
        cr_expect(one.fwhm == many.fwhm && one.beta == many.beta && one.used == many.used);
        pl_stars_clear(&many);
    }
    pl_stars_clear(&one);
    free(v);
}

/* Used ones first, by flux; counts that add up; the frame's own width and beta. */
Test(stars, the_list_is_in_order)
{
    double *v = scene(33);
    pl_stars s = measure(v, SIDE, SIDE, 2, 1);
    size_t all = 0;
    for (int k = 0; k < PL_KINDS; k++)
        all += s.kind[k];
    cr_expect(eq(sz, all, s.stars));
    cr_expect(eq(sz, s.kind[PL_STAR], s.used));
    cr_expect(ge(sz, s.found, s.stars));
    for (size_t i = 0; i < s.stars; i++)
        cr_assert(eq(int, s.star[i].kind == PL_STAR, i < s.used));
    for (size_t i = 1; i < s.used; i++)
        cr_assert(le(dbl, s.star[i].flux_adu, s.star[i - 1].flux_adu));
    cr_expect(epsilon_eq(dbl, s.fwhm, FWHM, 0.05 * FWHM));
    cr_expect(epsilon_eq(dbl, s.beta, 4, 0.8));
    cr_expect(epsilon_eq(dbl, s.sky_adu, 1000, 2));
    cr_expect(epsilon_eq(dbl, s.noise_adu, 10, 0.3));
    pl_stars_clear(&s);
    pl_stars_clear(&s);
    free(v);
}

/* "At most so many" is kept roughly to, and they are spread: each quarter of the frame has some. */
Test(stars, the_best_are_spread)
{
    double *v = scene(34);
    pl_frame *f = frames_memory(SIDE, SIDE, v);
    pl_facts facts = pl_facts_unknown();
    facts.gain_e_adu = (pl_num){ 2, PL_FROM_OPTION };
    pl_stars s = { 0 };
    int quarter[4] = { 0 };
    cr_assert(eq(int, pl_stars_measure(f, &facts, 16, 1, &s, NULL, NULL), PL_OK));
    for (size_t i = 0; i < s.used; i++)
        quarter[2 * (s.star[i].y_px > SIDE / 2) + (s.star[i].x_px > SIDE / 2)]++;
    for (int q = 0; q < 4; q++)
        cr_expect(ge(int, quarter[q], 2), "quarter %d has %d", q, quarter[q]);
    cr_expect(ge(sz, s.used, 10));
    cr_expect(le(sz, s.used, 16 + 18 + 16), "far more than asked for: %zu", s.used);
    pl_stars_clear(&s);
    pl_frame_free(f);
    free(v);
}

Test(stars, refusals_leave_the_output)
{
    double *v = malloc(sizeof *v * 64 * 64);
    for (int i = 0; i < 64 * 64; i++)
        v[i] = 1000;
    pl_frame *f = frames_memory(64, 64, v);
    pl_facts facts = pl_facts_unknown();
    pl_stars s = { .used = 77 };
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_stars_measure(f, &facts, 0, 2, &s, NULL, &err), PL_ENODATA));
    cr_expect(eq(sz, s.used, 77));
    cr_expect(eq(int, err.code, PL_ENODATA));
    pl_frame_free(f);
    free(v);
}

Test(stars, kinds_have_names)
{
    for (int k = 0; k < PL_KINDS; k++)
        for (int j = 0; j < k; j++)
            cr_expect(ne(str, (char *)pl_kind_name(k), (char *)pl_kind_name(j)));
    cr_expect(eq(str, (char *)pl_kind_name(PL_SATURATED), "saturated"));
    cr_expect(eq(str, (char *)pl_kind_name(PL_KINDS), "unknown"));
    cr_expect(eq(str, (char *)pl_kind_name((pl_kind)-1), "unknown"));
}
