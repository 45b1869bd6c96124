/* SPDX-License-Identifier: GPL-3.0-or-later */
/* starlist.c - the stars of a scene: read from a list, or drawn. */
#include "scene.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_BYTES = 1 << 24, MOST_WORDS = 4 };

/* The words of one line as numbers. Gives: how many, -1 when one is none, 0 for an empty line. */
static int numbers(char *line, double v[MOST_WORDS])
{
    int n = 0;
    char *save = NULL;
    line[strcspn(line, "#")] = '\0';
    for (char *w = strtok_r(line, " \t\r,", &save); w; w = strtok_r(NULL, " \t\r,", &save))
        if (n == MOST_WORDS || !pl_number(w, &v[n++]))
            return -1;
    return n;
}

static pl_status take_line(char *line, size_t number, pl_scene_star **star, size_t *cap, size_t *n,
                           pl_err *err)
{
    double v[MOST_WORDS] = { 0 };
    int words = numbers(line, v);
    if (words == 0)
        return PL_OK;
    if (words < 3 || fabs(v[0]) > 1e6 || fabs(v[1]) > 1e6 || fabs(v[2]) > 40 || fabs(v[3]) > 10)
        return pl_fail(err, PL_EFORMAT,
                       "line %zu: wanted: x_px y_px mag, or x_px y_px mag colour_mag", number);
    void *items = *star;
    pl_status st = pl_grow(&items, cap, *n, sizeof **star, err);
    *star = items;
    if (st == PL_OK)
        (*star)[(*n)++] =
            (pl_scene_star){ v[0] - 1, v[1] - 1, v[2], v[3] }; /* FITS counts from 1 */
    return st;
}

pl_status pl_starlist_read(const char *path, pl_scene_star **star, size_t *n, pl_err *err)
{
    char *text = NULL;
    size_t size = 0, used = 0, cap = 0, number = 1;
    pl_scene_star *list = NULL;
    pl_status st =
        pl_load_text(path, "list of stars", "plumb-scene(5)", MOST_BYTES, &text, &size, err);
    if (st == PL_OK && memchr(text, '\0', size))
        st = pl_fail(err, PL_EFORMAT, "is no list of stars: not a text");
    for (char *line = text; st == PL_OK && *line; number++) {
        size_t len = strcspn(line, "\n");
        char *next = line + len + (line[len] == '\n');
        line[len] = '\0';
        st = take_line(line, number, &list, &cap, &used, err);
        line = next;
    }
    if (st == PL_OK && used == 0)
        st = pl_fail(err, PL_EFORMAT, "names no star");
    free(text);
    if (st != PL_OK) {
        free(list);
        return st;
    }
    *star = list;
    *n = used;
    return PL_OK;
}

/* Magnitudes whose cumulative count grows as 10^(slope m) between two limits. */
static double draw_mag(const pl_scene *s, gsl_rng *rng)
{
    double least = pow(10, s->mag_slope * (s->mag_bright - s->mag_faint));
    double u = least + (1 - least) * gsl_rng_uniform(rng);
    return s->mag_faint + log10(u) / s->mag_slope;
}

/* Columns of a grid of n near-square cells. */
static int grid_columns(double n, int width, int height)
{
    int columns = (int)lround(sqrt(n * width / height));
    return columns < 1 ? 1 : columns;
}

/* Star i: dice of its own, so that asking for more stars leaves the others where they are. */
static pl_scene_star draw(const pl_scene *s, size_t i, int width, int height)
{
    pl_dice dice;
    gsl_rng *rng = pl_dice_throw(&dice, (uint64_t)s->seed, PL_DICE_FIELD, i);
    pl_scene_star star = { .mag = draw_mag(s, rng) };
    double u = gsl_rng_uniform(rng), v = gsl_rng_uniform(rng);
    double a = gsl_rng_uniform(rng), b = gsl_rng_uniform(rng);
    star.colour_mag =
        s->colour_mag + s->colour_spread_mag * sqrt(-2 * log(1 - a)) * cos(2 * M_PI * b);
    star.x_px = u * width - 0.5;
    star.y_px = v * height - 0.5;
    if (s->layout == PL_LAYOUT_GRID) { /* the middle of a cell, a pixel to and fro */
        int nx = grid_columns(s->stars, width, height), ny = (int)ceil(s->stars / nx);
        star.x_px = ((double)(i % (size_t)nx) + 0.5) * width / nx - 0.5 + (u - 0.5);
        star.y_px = ((double)(i / (size_t)nx) + 0.5) * height / ny - 0.5 + (v - 0.5);
    }
    return star;
}

pl_status pl_starlist_make(const pl_scene *scene, int width, int height, double dx, double dy,
                           pl_scene_star **star, size_t *n, pl_err *err)
{
    size_t count = scene->has_list ? scene->listed_n : (size_t)scene->stars;
    pl_scene_star *list = malloc((count ? count : 1) * sizeof *list);
    if (!list)
        return pl_fail(err, PL_ENOMEM, "out of memory for %zu stars", count);
    for (size_t i = 0; i < count; i++) {
        list[i] = scene->has_list ? scene->listed[i] : draw(scene, i, width, height);
        list[i].x_px += dx;
        list[i].y_px += dy;
    }
    *star = list;
    *n = count;
    return PL_OK;
}
