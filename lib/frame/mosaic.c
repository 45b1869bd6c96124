/* SPDX-License-Identifier: GPL-3.0-or-later */
/* mosaic.c - see a colour mosaic in the pixels themselves.
 *
 * Of each 2 x 2 square one diagonal is green: its two pixels see the same sky and the same share of
 * a star, those of the other diagonal (red and blue) do not. The sky tells it unless it is grey;
 * then the stars do, whose colours differ. Which of the other two is red cannot be seen. */
#include "frame.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { BOX = 8, MOST_SPOTS = 200, FEWEST_SPOTS = 8 };

/* How far the two pixels of each diagonal differ, and the diagonals from each other. */
struct contrast {
    double main, anti, across;
    size_t n;
};

static pl_status sky_contrast(const pl_sky *sky, struct contrast *c, pl_err *err)
{
    size_t n = (size_t)sky->nx * (size_t)sky->ny;
    double *v = malloc(sizeof *v * n);
    if (!v)
        return pl_fail(err, PL_ENOMEM, "out of memory for the mosaic");
    double *part[3] = { &c->main, &c->anti, &c->across };
    for (int k = 0; k < 3; k++) {
        for (size_t i = 0; i < n; i++) {
            double a = sky->level[0][i], b = sky->level[1][i], d = sky->level[2][i],
                   e = sky->level[3][i];
            v[i] = k == 0 ? a - e : k == 1 ? b - d : 0.5 * (a + e - b - d);
        }
        *part[k] = fabs(pl_median(v, n)) / sky->noise_adu;
    }
    c->n = n;
    free(v);
    return PL_OK;
}

/* Light of one star in each phase, over a box aligned to the squares; false when unusable. */
static bool phase_light(const pl_frame *f, const pl_sky *sky, const pl_spot *s, double light[4])
{
    float px[BOX * BOX], level[4];
    int x0 = ((int)lround(s->x_px) - BOX / 2 + 1) & ~1,
        y0 = ((int)lround(s->y_px) - BOX / 2 + 1) & ~1;
    if (x0 < 0 || y0 < 0 || pl_frame_read(f, x0, y0, BOX, BOX, px, NULL) != PL_OK)
        return false;
    memset(light, 0, 4 * sizeof *light);
    for (int p = 0; p < 4; p++)
        pl_sky_at(sky, p, s->x_px, s->y_px, &level[p], NULL);
    double total = 0;
    for (int i = 0; i < BOX * BOX; i++) {
        int p = 2 * ((i / BOX) & 1) + ((i % BOX) & 1);
        light[p] += px[i] - level[p];
    }
    for (int p = 0; p < 4; p++)
        total += light[p];
    for (int p = 0; p < 4; p++)
        light[p] /= total;
    return total > 60 * sky->noise_adu * BOX; /* noise of the sum is noise * BOX */
}

struct spots {
    const pl_frame *frame;
    const pl_sky *sky;
    const pl_spot *spot;
    double light[MOST_SPOTS][4];
    bool usable[MOST_SPOTS];
};

static void look_at_spot(void *ctx, size_t i, int worker)
{
    (void)worker;
    struct spots *s = ctx;
    s->usable[i] = phase_light(s->frame, s->sky, &s->spot[i], s->light[i]);
}

static struct contrast star_contrast(const pl_frame *f, const pl_sky *sky, const pl_spot *spot,
                                     size_t n, int jobs)
{
    double main[MOST_SPOTS], anti[MOST_SPOTS], across[MOST_SPOTS];
    struct spots s = { .frame = f, .sky = sky, .spot = spot };
    size_t m = 0;
    n = n < MOST_SPOTS ? n : MOST_SPOTS;
    pl_pool_run(jobs, n, look_at_spot, &s);
    for (size_t i = 0; i < n; i++) {
        const double *l = s.light[i];
        if (!s.usable[i])
            continue;
        main[m] = fabs(l[0] - l[3]);
        anti[m] = fabs(l[1] - l[2]);
        across[m++] = fabs(l[0] + l[3] - l[1] - l[2]);
    }
    return (struct contrast){ pl_median(main, m), pl_median(anti, m), pl_median(across, m), m };
}

/* Both diagonals alike: no mosaic. One alike and the other not: that one is green. */
static pl_green judge(const struct contrast *c, double least, double ratio)
{
    double more = fmax(c->main, c->anti), less = fmin(c->main, c->anti);
    if (more < least)
        return c->across < least ? PL_GREEN_NONE : PL_GREEN_UNSEEN;
    if (less > ratio * more)
        return PL_GREEN_UNSEEN;
    return c->main < c->anti ? PL_GREEN_MAIN : PL_GREEN_ANTI;
}

static pl_green green_of(const char *pattern)
{
    if (!pattern[0])
        return PL_GREEN_NONE;
    return pattern[0] == 'G' ? PL_GREEN_MAIN : PL_GREEN_ANTI;
}

/* What to measure as where the pixels do not bear out what was told: the told pattern one row on,
 * which is what a frame stored from its other edge shows; untold, the commoner of two that fit. */
static void second_guess(pl_green seen, const char *told, char mosaic[8])
{
    if (seen == PL_GREEN_NONE)
        mosaic[0] = '\0';
    else if (told[0])
        snprintf(mosaic, 8, "%.2s%.2s", told + 2, told);
    else
        snprintf(mosaic, 8, "%s", seen == PL_GREEN_MAIN ? "GRBG" : "RGGB");
}

static void say_guess(pl_green seen, const char *told, const char *mosaic, pl_notes *notes)
{
    if (seen == PL_GREEN_NONE)
        pl_note(notes, "a %s mosaic was told, the pixels show none: measured as mono", told);
    else if (told[0])
        pl_note(notes,
                "a %s mosaic was told, but the pixels show green on the other diagonal: measured "
                "as %s, as if the rows were stored from the other edge",
                told, mosaic);
    else
        pl_note(notes,
                "no mosaic is named in the header; the pixels show one: measured as %s (red and "
                "blue may be exchanged)",
                mosaic);
}

pl_status pl_mosaic_decide(const pl_frame *frame, const pl_sky *sky, const pl_spot *spots, size_t n,
                           const pl_facts *facts, int jobs, char mosaic[8], pl_notes *notes,
                           pl_err *err)
{
    const char *told = strcmp(facts->mosaic.s, "none") == 0 ? "" : facts->mosaic.s;
    if (facts->mosaic.from == PL_FROM_OPTION) { /* the command line is believed */
        snprintf(mosaic, 8, "%.4s", told);
        return PL_OK;
    }
    struct contrast sky_c;
    pl_status st = sky_contrast(sky, &sky_c, err);
    if (st != PL_OK)
        return st;
    struct contrast star_c = star_contrast(frame, sky, spots, n, jobs);
    /* A quarter of a pixel's noise between sky phases, a tenth of a star's light between pixels:
     * above readout patterns and sampling of sharp stars, far below real colours. */
    pl_green by_sky = judge(&sky_c, 0.25, 0.35), by_star = judge(&star_c, 0.08, 0.6);
    if (star_c.n < FEWEST_SPOTS)
        by_star = PL_GREEN_UNSEEN;
    pl_green seen = by_sky == PL_GREEN_MAIN || by_sky == PL_GREEN_ANTI ? by_sky : by_star;
    if (seen == PL_GREEN_UNSEEN && !told[0])
        seen = PL_GREEN_NONE;
    if (seen == PL_GREEN_UNSEEN || seen == green_of(told)) {
        snprintf(mosaic, 8, "%.4s", told);
        return PL_OK;
    }
    second_guess(seen, told, mosaic);
    say_guess(seen, told, mosaic, notes);
    return PL_OK;
}
