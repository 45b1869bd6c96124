/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The focal surface: what is told of it against closed forms and random draws made here, and its
 * way to a profile and back. */
#include "../../lib/plumb.h"
#include "../../lib/report/surface_json.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static char folder[] = "/tmp/plumb-surface-XXXXXX";
static char path[64], old[72];

static void make_folder(void)
{
    cr_assert(ne(ptr, mkdtemp(folder), NULL));
    snprintf(path, sizeof path, "%s/scope.ini", folder);
    snprintf(old, sizeof old, "%s~", path);
}

static void drop_folder(void)
{
    unlink(path);
    unlink(old);
    rmdir(folder);
}

static void put(const char *text)
{
    FILE *f = fopen(path, "w");
    cr_assert(ne(ptr, f, NULL));
    cr_assert(ge(int, fputs(text, f), 0));
    cr_assert(eq(int, fclose(f), 0));
}

static char *get(void)
{
    static char text[8192];
    FILE *f = fopen(path, "r");
    cr_assert(ne(ptr, f, NULL));
    text[fread(text, 1, sizeof text - 1, f)] = '\0';
    fclose(f);
    return text;
}

TestSuite(surface, .init = make_folder, .fini = drop_folder);

/* Tilts that hang together, as they do when the stars lie unevenly. */
static pl_surface sample(void)
{
    return (pl_surface){
        .tilt_x_um_mm = 1.2,
        .tilt_y_um_mm = -0.7,
        .curvature_um = 9.1,
        .cov = { { 0.0144, 0.0042, 0.018 }, { 0.0042, 0.0196, -0.0168 }, { 0.018, -0.0168, 0.36 } },
        .width_mm = 23.5,
        .height_mm = 15.7,
        .blur_scale = 0.98,
        .blur_scale_sigma = 0.01,
        .rest_x_um2 = 0.3,
        .rest_y_um2 = -0.1,
        .rest_corner_um2 = 1. / 3,
        .rest_x_sigma_um2 = 0.5,
        .rest_y_sigma_um2 = 0.25,
        .rest_corner_sigma_um2 = 0.125,
        .seeing_um = 10.7,
        .lambda_um = 0.53,
        .best_steps = 12345.6789,
        .best_steps_sigma = 1.25,
        .temperature_c = -3.5,
        .date = "2026-11-26T21:04:05.250",
        .width_px = 6248,
        .height_px = 4176,
        .pixel_um = 3.76,
        .binning = 1
    };
}

/* By hand: S = 1.2 x - 0.7 y + 9.1 (r / h)^2. */
Test(surface, at_a_place)
{
    pl_surface s = sample();
    double h2 = (23.5 * 23.5 + 15.7 * 15.7) / 4, sigma;
    cr_expect(epsilon_eq(dbl, pl_surface_at(&s, 0, 0, &sigma), 0, 1e-15));
    cr_expect(epsilon_eq(dbl, sigma, 0, 1e-15));
    cr_expect(epsilon_eq(dbl, pl_surface_at(&s, 5, -4, NULL), 6 + 2.8 + 9.1 * 41 / h2, 1e-12));
    /* along x the variance is 25 Vxx + 2 * 5 q Vxc + q^2 Vcc, q = 25 / h^2 */
    double q = 25 / h2;
    pl_surface_at(&s, 5, 0, &sigma);
    cr_expect(epsilon_eq(dbl, sigma, sqrt(25 * 0.0144 + 10 * q * 0.018 + q * q * 0.36), 1e-12));
}

/* REFERENCES 9.2: one arc minute is 6.836, 4.567 and 8.221 um across 23.5, 15.7 and 28.262 mm. */
struct minute {
    double x, y, across_um, deg;
};

ParameterizedTestParameters(surface, one_arcmin)
{
    static struct minute rows[] = {
        { 1, 0, 6.836, 0 },
        { 0, 1, 4.567, 90 },
        { -1, 0, 6.836, 180 },
        { 0, -1, 4.567, 270 },
        { 23.5 / 28.2619, 15.7 / 28.2619, 8.221, 33.7457 }, /* along the diagonal */
    };
    return cr_make_param_array(struct minute, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct minute *r, surface, one_arcmin)
{
    double slope = tan(3.14159265358979 / 10800) * 1e3;
    pl_surface s = { .tilt_x_um_mm = slope * r->x,
                     .tilt_y_um_mm = slope * r->y,
                     .width_mm = 23.5,
                     .height_mm = 15.7 };
    pl_surface_told t = pl_surface_tell(&s);
    cr_expect(epsilon_eq(dbl, t.tilt_arcmin, 1, 1e-5));
    cr_expect(epsilon_eq(dbl, t.tilt_deg, r->deg, 1e-3));
    cr_expect(epsilon_eq(dbl, t.across_um, r->across_um, 6e-4));
}

Test(surface, corners_by_hand)
{
    pl_surface s = sample();
    pl_surface_told t = pl_surface_tell(&s);
    double x = 1.2 * 11.75, y = -0.7 * 7.85;
    cr_expect(epsilon_eq(dbl, t.corner_um[PL_X1Y1], -x - y + 9.1, 1e-12));
    cr_expect(epsilon_eq(dbl, t.corner_um[PL_X2Y1], x - y + 9.1, 1e-12));
    cr_expect(epsilon_eq(dbl, t.corner_um[PL_X1Y2], -x + y + 9.1, 1e-12));
    cr_expect(epsilon_eq(dbl, t.corner_um[PL_X2Y2], x + y + 9.1, 1e-12));
    cr_expect(epsilon_eq(dbl, t.across_um, 1.2 * 23.5 + 0.7 * 15.7, 1e-12));
}

/* Two normal numbers (Box and Muller 1958). */
static void normal(double out[2])
{
    double u = sqrt(-2 * log(1 - drand48())), v = 2 * M_PI * drand48();
    out[0] = u * cos(v);
    out[1] = u * sin(v);
}

/* Lower triangle L with L L' = cov (Cholesky, textbook). */
static void triangle(const double c[3][3], double l[3][3])
{
    memset(l, 0, 9 * sizeof l[0][0]);
    for (int i = 0; i < 3; i++)
        for (int j = 0; j <= i; j++) {
            double sum = c[i][j];
            for (int k = 0; k < j; k++)
                sum -= l[i][k] * l[j][k];
            l[i][j] = i == j ? sqrt(sum) : sum / l[j][j];
        }
}

enum { DRAWS = 40000, TOLD = 4 + PL_CORNERS };

static void list(const pl_surface_told *t, double out[TOLD])
{
    const double first[4] = { t->tilt_um_mm, t->tilt_arcmin, t->tilt_deg, t->across_um };
    memcpy(out, first, sizeof first);
    memcpy(out + 4, t->corner_um, sizeof t->corner_um);
}

/* Errors against the scatter of 40000 surfaces drawn from the same covariances: the scatter itself
 * is known to 0.35 %; 3 % leaves room for what is not linear (the tilt is 10 sigma). */
Test(surface, errors_are_the_scatter_of_draws)
{
    pl_surface s = sample();
    pl_surface_told t = pl_surface_tell(&s);
    double l[3][3], mean[TOLD], v[TOLD], sum[TOLD] = { 0 }, square[TOLD] = { 0 };
    const double sigma[TOLD] = { t.tilt_sigma_um_mm,   t.tilt_sigma_arcmin,  t.tilt_sigma_deg,
                                 t.across_sigma_um,    t.corner_sigma_um[0], t.corner_sigma_um[1],
                                 t.corner_sigma_um[2], t.corner_sigma_um[3] };
    list(&t, mean);
    triangle((const double(*)[3])s.cov, l);
    srand48(7);
    for (int n = 0; n < DRAWS; n++) {
        double z[4];
        normal(z);
        normal(z + 2);
        pl_surface d = s;
        d.tilt_x_um_mm += l[0][0] * z[0];
        d.tilt_y_um_mm += l[1][0] * z[0] + l[1][1] * z[1];
        d.curvature_um += l[2][0] * z[0] + l[2][1] * z[1] + l[2][2] * z[2];
        pl_surface_told drawn = pl_surface_tell(&d);
        list(&drawn, v);
        for (int i = 0; i < TOLD; i++) {
            double off = i == 2 ? remainder(v[i] - mean[i], 360) : v[i] - mean[i];
            sum[i] += off;
            square[i] += off * off;
        }
    }
    for (int i = 0; i < TOLD; i++) {
        double m = sum[i] / DRAWS, scatter = sqrt(square[i] / DRAWS - m * m);
        cr_expect(epsilon_eq(dbl, sigma[i] / scatter, 1, 0.03), "number %d", i);
    }
}

/* A direction of which nothing is known has the scatter of the whole circle, 360 / sqrt(12). */
Test(surface, no_tilt_has_no_direction)
{
    pl_surface s = sample();
    s.tilt_x_um_mm = 0.001;
    s.tilt_y_um_mm = 0;
    cr_expect(epsilon_eq(dbl, pl_surface_tell(&s).tilt_sigma_deg, 360 / sqrt(12), 0.1));
    s.tilt_x_um_mm = 0;
    pl_surface_told t = pl_surface_tell(&s);
    cr_expect(isnan(t.tilt_deg));
    cr_expect(epsilon_eq(dbl, t.tilt_um_mm, 0, 1e-15));
    cr_expect(isfinite(t.tilt_sigma_um_mm) && isfinite(t.across_sigma_um));
}

/* Curvature that is not known leaves the tilt as it is, and no corner. */
Test(surface, curvature_unknown)
{
    pl_surface s = sample(), known = sample();
    s.curvature_um = NAN;
    for (int i = 0; i < 3; i++)
        s.cov[i][2] = s.cov[2][i] = NAN;
    pl_surface_told t = pl_surface_tell(&s), k = pl_surface_tell(&known);
    cr_expect(epsilon_eq(dbl, t.across_um, k.across_um, 1e-12));
    cr_expect(epsilon_eq(dbl, t.across_sigma_um, k.across_sigma_um, 1e-12));
    cr_expect(epsilon_eq(dbl, t.tilt_sigma_deg, k.tilt_sigma_deg, 1e-12));
    cr_expect(isnan(t.corner_um[0]) && isnan(t.corner_sigma_um[0]));
    cr_expect(isnan(pl_surface_at(&s, 1, 0, NULL)));
    cr_expect(epsilon_eq(dbl, pl_surface_at(&s, 0, 0, NULL), 0, 1e-15));
}

/* ---- to a profile and back */

static void same(double a, double b, const char *what)
{
    cr_expect(a == b || (isnan(a) && isnan(b)), "%s: %.17g and %.17g", what, a, b);
}

static void same_surface(const pl_surface *a, const pl_surface *b)
{
    same(a->tilt_x_um_mm, b->tilt_x_um_mm, "tilt x");
    same(a->tilt_y_um_mm, b->tilt_y_um_mm, "tilt y");
    same(a->curvature_um, b->curvature_um, "curvature");
    same(a->width_mm, b->width_mm, "width");
    same(a->height_mm, b->height_mm, "height");
    same(a->blur_scale, b->blur_scale, "blur scale");
    same(a->blur_scale_sigma, b->blur_scale_sigma, "its error");
    same(a->rest_x_um2, b->rest_x_um2, "rest x");
    same(a->rest_y_um2, b->rest_y_um2, "rest y");
    same(a->rest_corner_um2, b->rest_corner_um2, "rest corner");
    same(a->rest_x_sigma_um2, b->rest_x_sigma_um2, "error of rest x");
    same(a->rest_y_sigma_um2, b->rest_y_sigma_um2, "error of rest y");
    same(a->rest_corner_sigma_um2, b->rest_corner_sigma_um2, "error of rest corner");
    same(a->seeing_um, b->seeing_um, "seeing");
    same(a->lambda_um, b->lambda_um, "lambda");
    same(a->best_steps, b->best_steps, "steps");
    same(a->best_steps_sigma, b->best_steps_sigma, "their error");
    same(a->temperature_c, b->temperature_c, "temperature");
    same(a->pixel_um, b->pixel_um, "pixel");
    same(a->binning, b->binning, "binning");
    cr_expect(eq(str, (char *)a->date, (char *)b->date));
    cr_expect(eq(int, a->width_px, b->width_px));
    cr_expect(eq(int, a->height_px, b->height_px));
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++) /* errors and correlations are written: the last digit may go */
            cr_expect(fabs(a->cov[i][j] - b->cov[i][j]) <= 4e-16 * fabs(a->cov[i][j]) ||
                          (isnan(a->cov[i][j]) && isnan(b->cov[i][j])),
                      "cov %d %d", i, j);
}

Test(surface, profile_and_back_is_exact)
{
    pl_err err = { PL_OK, "" };
    pl_notes notes = { NULL, 0, 0 };
    pl_facts facts = pl_facts_unknown();
    pl_surface s = sample(), back;
    put("# mine\n[scope]\nfocal_mm = 870\n");
    if (!setlocale(LC_ALL, "de_DE.UTF-8")) /* a comma must not get in, where there is one */
        cr_log_info("no locale with a comma here");
    cr_assert(eq(int, pl_surface_save(&s, path, &err), PL_OK), "%s", err.msg);
    cr_assert(eq(int, pl_surface_read(path, &back, &err), PL_OK), "%s", err.msg);
    same_surface(&s, &back);
    cr_expect(ne(ptr, strstr(get(), "# mine"), NULL));
    cr_expect(ne(ptr, strstr(get(), "pixel_um=3.76\n"), NULL)); /* as a person would write it */
    cr_assert(eq(int, pl_profile_read(path, &facts, &notes, &err), PL_OK), "%s", err.msg);
    cr_expect(eq(sz, notes.n, 0));
    pl_notes_clear(&notes);
}

/* What is not known any more leaves no older number behind. */
Test(surface, unknown_numbers_replace_old_ones)
{
    pl_err err = { PL_OK, "" };
    pl_surface s = sample(), back;
    cr_assert(eq(int, pl_surface_save(&s, path, &err), PL_OK), "%s", err.msg);
    s.curvature_um = s.best_steps = s.best_steps_sigma = s.temperature_c = NAN;
    for (int i = 0; i < 3; i++)
        s.cov[i][2] = s.cov[2][i] = NAN;
    s.date[0] = '\0';
    s.width_px = 0;
    cr_assert(eq(int, pl_surface_save(&s, path, &err), PL_OK), "%s", err.msg);
    cr_assert(eq(int, pl_surface_read(path, &back, &err), PL_OK), "%s", err.msg);
    same_surface(&s, &back);
}

Test(surface, settings_tell_how_many_there_are)
{
    pl_surface s = sample();
    pl_setting all[PL_SURFACE_SETTINGS + 1], few[3] = { { NULL, NULL, "" } };
    all[PL_SURFACE_SETTINGS].key = "untouched";
    cr_expect(eq(sz, pl_surface_settings(&s, all, PL_SURFACE_SETTINGS), PL_SURFACE_SETTINGS));
    cr_expect(eq(str, (char *)all[PL_SURFACE_SETTINGS].key, "untouched"));
    cr_expect(eq(sz, pl_surface_settings(&s, few, 2), PL_SURFACE_SETTINGS));
    cr_expect(eq(str, (char *)few[1].section, "surface"));
    cr_expect(eq(ptr, (void *)few[2].key, NULL));
}

/* ---- JSON */

static char *json_of(const pl_surface *s, const char *more)
{
    bool ok = true;
    pl_notes none = { NULL, 0, 0 };
    const char *file = "a.fits";
    pl_json t = pl_json_begin(&ok, "plumb-sweep", &file, 1, &none);
    pl_json_bool(t, "side_known", strcmp(more, "no side") != 0);
    pl_json_surface(t, s, 1.5, 0.25);
    char *line = pl_json_line(t);
    cr_assert(ne(ptr, line, NULL));
    return line;
}

/* Eight digits are written. */
Test(surface, json_and_back)
{
    pl_err err = { PL_OK, "" };
    pl_surface s = sample(), back;
    char *line = json_of(&s, "");
    put(line);
    cr_expect(ne(ptr, strstr(line, "\"best_um\":1.5,\"best_um_sigma\":0.25"), NULL));
    cr_expect(ne(ptr, strstr(line, "\"across_um\":39.19,"), NULL)); /* 28.2 + 10.99 */
    cr_expect(ne(ptr, strstr(line, "\"x1y1\":0.495,"), NULL));      /* -14.1 + 5.495 + 9.1 */
    cr_assert(eq(int, pl_surface_read(path, &back, &err), PL_OK), "%s", err.msg);
    cr_expect(epsilon_eq(dbl, back.rest_corner_um2, 1. / 3, 1e-8));
    back.rest_corner_um2 = s.rest_corner_um2;
    cr_expect(epsilon_eq(dbl, back.best_steps, s.best_steps, 1e-3));
    back.best_steps = s.best_steps;
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++) {
            cr_expect(epsilon_eq(dbl, back.cov[i][j], s.cov[i][j], 2e-8));
            back.cov[i][j] = s.cov[i][j];
        }
    same_surface(&s, &back);
    free(line);
}

Test(surface, json_keeps_what_is_null)
{
    pl_err err = { PL_OK, "" };
    pl_surface s = sample(), back;
    s.curvature_um = s.best_steps = NAN;
    for (int i = 0; i < 3; i++)
        s.cov[i][2] = s.cov[2][i] = NAN;
    char *line = json_of(&s, "");
    put(line);
    cr_assert(eq(int, pl_surface_read(path, &back, &err), PL_OK), "%s", err.msg);
    cr_expect(isnan(back.curvature_um) && isnan(back.best_steps) && isnan(back.cov[0][2]));
    cr_expect(epsilon_eq(dbl, back.cov[0][1], 0.0042, 1e-9));
    free(line);
}

/* Other programs' lines may stand around it, and lines may be folded. */
Test(surface, json_among_others)
{
    pl_err err = { PL_OK, "" };
    pl_surface back;
    put("{\"program\":\"plumb-field\"}\n\n {\"date_obs\":\"2026-11-26T21:00:00\",\n  \"surface\": "
        "{\n \"tilt_x_um_mm\": 1,\n \"tilt_y_um_mm\":-2,\"width_mm\":20,\"height_mm\":10 } "
        "}\n{}\n");
    cr_assert(eq(int, pl_surface_read(path, &back, &err), PL_OK), "%s", err.msg);
    cr_expect(eq(dbl, back.tilt_y_um_mm, -2));
    cr_expect(eq(str, back.date, "2026-11-26T21:00:00"));
    cr_expect(isnan(back.curvature_um) && isnan(back.cov[0][0]) && isnan(back.pixel_um));
    cr_expect(eq(int, back.width_px, 0));
    cr_expect(isnan(pl_surface_tell(&back).tilt_sigma_deg)); /* no errors were told */
    cr_expect(isnan(pl_surface_tell(&back).across_sigma_um));
}

Test(surface, json_of_unknown_side_is_refused)
{
    pl_err err = { PL_OK, "" };
    pl_surface s = sample(), back = { .width_mm = 99 };
    char *line = json_of(&s, "no side");
    put(line);
    cr_expect(eq(int, pl_surface_read(path, &back, &err), PL_ENODATA));
    cr_expect(ne(ptr, strstr(err.msg, "--first in|out"), NULL), "%s", err.msg);
    cr_expect(eq(dbl, back.width_mm, 99)); /* untouched */
    free(line);
}

struct refused {
    char text[200];
    int code;
    char words[64];
};

#define FOUR "\"tilt_x_um_mm\":1,\"tilt_y_um_mm\":2,\"width_mm\":20,\"height_mm\":10"

ParameterizedTestParameters(surface, refuses)
{
    static struct refused rows[] = {
        { "[scope]\nfocal_mm = 870\n", PL_ENODATA, "holds no [surface]" },
        { "[surface]\ntilt_x_um_mm = x\n", PL_EFORMAT, "[surface] tilt_x_um_mm is \"x\"" },
        { "[surface]\ntilt_x_um_mm = 1\n", PL_EFORMAT, "has no tilt_y_um_mm" },
        { "[surface]\nwidth_mm = -1\n", PL_EFORMAT, "width_mm is -1; a number from 0.01" },
        { "[surface]\ntilt_x_um_mm_sigma = -1\n", PL_EFORMAT, "a number from 0" },
        { "[surface]\ntilt = 1\n", PL_EFORMAT, "tilt is not known" },
        { "[surface]\ndate = monday\n", PL_EFORMAT, "date is \"monday\"" },
        { "{\"surface\":3}\n", PL_ENODATA, "holds no surface" },
        { "{\"surface\":null}\n", PL_ENODATA, "holds no surface" },
        { "{\"surface\":{}}\n", PL_EFORMAT, "has no tilt_x_um_mm" },
        { "{\"surface\":{" FOUR ",\"binning\":\"1\"}}\n", PL_EFORMAT,
          "surface.binning is no numb" },
        { "{\"surface\":{" FOUR ",\"binning\":0}}\n", PL_EFORMAT, "binning is 0; a number from 1" },
        { "{\"surface\":{" FOUR "}}\n{\"surface\":{" FOUR "}}\n", PL_EFORMAT, "holds 2 surfaces" },
        { "{\"surface\":{" FOUR "}\n", PL_EFORMAT, "is no JSON of plumb-sweep" },
        { "{\"surface\":{" FOUR ",\"tilt_xy_correlation\":1,\"tilt_x_curvature_correlation\":1,"
          "\"tilt_y_curvature_correlation\":-1}}\n",
          PL_EFORMAT, "contradict each other" },
        { "", PL_EFORMAT, "plumb-profile(5)" },
    };
    return cr_make_param_array(struct refused, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct refused *r, surface, refuses)
{
    pl_err err = { PL_OK, "" };
    pl_surface s = { .width_mm = 99 };
    put(r->text);
    cr_expect(eq(int, (int)pl_surface_read(path, &s, &err), r->code), "%s", r->text);
    cr_expect(ne(ptr, strstr(err.msg, r->words), NULL), "\"%s\" has no \"%s\"", err.msg, r->words);
    cr_expect(eq(dbl, s.width_mm, 99));
}

Test(surface, no_file)
{
    pl_err err = { PL_OK, "" }, other = { PL_OK, "" };
    pl_surface s;
    cr_expect(eq(int, pl_surface_read(path, &s, &err), PL_EIO));
    cr_expect(eq(int, pl_surface_read(folder, &s, &other), PL_EIO));
}
