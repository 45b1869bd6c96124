/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A night summed up: order, refocusings, lines, grades; made-up exposures, no frames. Many nights,
 * and the errors' truth, are in tests/reference/night.py. */
#include "../../lib/align/night/night.h"
#include "../../lib/optics/optics.h"
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <gsl/gsl_errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const pl_subs NOTHING = { NULL, 0, 0, { NULL, 0, 0 } };

/* n exposures of five minutes, alike but for what a test changes. */
static pl_subs plain(size_t n)
{
    pl_subs subs = NOTHING;
    pl_err err = { PL_OK, "" };
    for (size_t i = 0; i < n; i++) {
        char name[48];
        snprintf(name, sizeof name, "sub-%02zu.fits", i);
        pl_sub *s = pl_sub_blank(&subs, name, &err);
        cr_assert(ne(ptr, s, NULL));
        s->time_s = 1949344860 + 300 * (double)i;
        s->exposure_s = 280;
        s->temperature_c = 9 - 0.1 * (double)i;
        s->defocus_um = 0.5 * ((double)(i * 7 % 5) - 2); /* scatter of 0.7 um */
        s->defocus_sigma_um = 1;
        s->zone_um = 12;
        s->seeing_arcsec = 2.4;
        s->fwhm_px = 2.7;
        s->chi = 0.03;
        s->chi_sigma = 0.004;
        s->stars = 300;
        s->noise_adu = 14;
        s->measured = true;
    }
    return subs;
}

static pl_night sum(pl_subs *subs, double step_um)
{
    pl_night night = { 0 };
    pl_err err = { PL_OK, "" };
    pl_facts facts = pl_facts_unknown();
    if (step_um > 0) {
        facts.step_um = (pl_num){ step_um, PL_FROM_PROFILE };
        facts.outward = (pl_num){ 1, PL_FROM_PROFILE };
    }
    cr_assert(eq(int, pl_night_sum(subs, &facts, &night, &err), PL_OK), "%s", err.msg);
    cr_expect(eq(sz, subs->subs, 0));
    return night;
}

/* Two groups, one slope, errors of one: numpy.linalg.lstsq on [x, g == 0, g == 1]. A thirteenth
 * value, far off, must not be felt; half a percent for its weight's tail. */
Test(night, lines_as_numpy_has_them)
{
    const double x[] = { 0, 1, 2, 3, 4, 5, 0.5, 1.5, 2.5, 3.5, 4.5, 5.5, 3 };
    const double y[] = { 5.3, 6.8, 9.1, 11.4, 12.5, 15.2, -6.1, -3.7, -2.4, 0.1, 2.2, 3.7, 90 };
    pl_lines l;
    pl_lines_fit fit;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_lines_new(13, &l, &err), PL_OK));
    l.n = 13;
    l.columns = 1;
    l.groups = 2;
    for (size_t i = 0; i < 13; i++) {
        l.x[0][i] = x[i];
        l.y[i] = y[i];
        l.sigma[i] = 1;
        l.group[i] = i >= 6;
    }
    cr_assert(eq(int, pl_lines_solve(&l, &fit, &err), PL_OK), "%s", err.msg);
    cr_expect(epsilon_eq(dbl, fit.slope[0], 1.97286, 0.01));
    cr_expect(epsilon_eq(dbl, fit.sigma[0], 0.16903, 0.02));
    l.n = 4;
    cr_expect(eq(int, pl_lines_solve(&l, &fit, &err), PL_ENODATA));
    pl_lines_free(&l);
}

/* The same as a fit of all unknowns at once: offsets are unknowns like the slopes. */
static bool rests_of_all(const double *x, void *ctx, double *rest)
{
    const pl_lines *l = ctx;
    for (size_t i = 0; i < l->n; i++) {
        double y = x[l->columns + l->group[i]];
        for (size_t j = 0; j < l->columns; j++)
            y += x[j] * l->x[j][i];
        rest[i] = (l->y[i] - y) / l->sigma[i];
    }
    for (size_t j = 0; j < l->columns; j++)
        rest[l->n + j] = -x[j] / l->prior[j];
    return true;
}

/* Random values, a tenth of them wild, in groups of eight. */
static void fill_lines(pl_lines *l, size_t groups, size_t columns, uint64_t seed)
{
    frames_dice dice = { seed };
    l->n = 8 * groups;
    l->columns = columns;
    l->groups = groups;
    for (size_t i = 0; i < l->n; i++) {
        l->group[i] = i / 8;
        l->sigma[i] = 0.5 + frames_uniform(&dice);
        l->y[i] = 3 * (double)(i / 8 % 7) +
                  l->sigma[i] * frames_normal(&dice) * (frames_uniform(&dice) < 0.1 ? 30 : 1);
        for (size_t j = 0; j < columns; j++) {
            l->x[j][i] = 4 * frames_uniform(&dice) + (double)(i / 8);
            l->y[i] += (2 - (double)j) * l->x[j][i];
        }
    }
    if (columns > 1)
        l->prior[1] = 1;
}

/* nlsq.c is itself held against scipy and NIST. Both end within some 1e-4 of an error. */
Test(night, lines_as_the_general_fit_has_them)
{
    enum { GROUPS = 12, MOST = PL_LINES_MAX + GROUPS };
    for (uint64_t seed = 1; seed <= 20; seed++) {
        pl_lines l;
        pl_lines_fit fit;
        double x[MOST] = { 0 }, cov[MOST * MOST];
        pl_err err = { PL_OK, "" };
        cr_assert(eq(int, pl_lines_new(8 * GROUPS, &l, &err), PL_OK));
        fill_lines(&l, GROUPS, 1 + seed % 3, seed);
        size_t p = l.columns + GROUPS;
        const pl_nlsq all = { .rest = rests_of_all,
                              .ctx = &l,
                              .n = l.n + l.columns,
                              .firm = l.columns,
                              .p = p,
                              .robust = true };
        cr_assert(eq(int, pl_nlsq_fit(&all, x, cov, NULL, NULL, &err), PL_OK), "%s", err.msg);
        cr_assert(eq(int, pl_lines_solve(&l, &fit, &err), PL_OK), "%s", err.msg);
        for (size_t j = 0; j < l.columns; j++) {
            double sigma = sqrt(cov[j * p + j]);
            cr_expect(epsilon_eq(dbl, fit.slope[j], x[j], 1e-3 * sigma), "%d %zu", (int)seed, j);
            cr_expect(epsilon_eq(dbl, fit.sigma[j], sigma, 1e-3 * sigma), "%d %zu", (int)seed, j);
        }
        pl_lines_free(&l);
    }
}

/* A column that is constant within each group is no slope: the offsets can do all it does. */
Test(night, lines_that_are_not_determined)
{
    pl_lines l;
    pl_lines_fit fit = { .misfit = 7 };
    gsl_set_error_handler_off();
    cr_assert(eq(int, pl_lines_new(8 * 5, &l, NULL), PL_OK));
    fill_lines(&l, 5, 1, 3);
    for (size_t i = 0; i < l.n; i++)
        l.x[0][i] = 1.1 * (double)l.group[i] + 0.3;
    cr_expect(eq(int, pl_lines_solve(&l, &fit, NULL), PL_EARG));
    fill_lines(&l, 5, 1, 3);
    l.groups = 6; /* the last one is empty */
    cr_expect(eq(int, pl_lines_solve(&l, &fit, NULL), PL_EARG));
    cr_expect(epsilon_eq(dbl, fit.misfit, 7, 0));
    pl_lines_free(&l);
}

/* Python's datetime.fromisoformat().timestamp(). */
Test(night, dates_as_seconds)
{
    const struct {
        const char *date;
        double want;
    } rows[] = { { "2017-12-19T18:33:43.317-0700", 1513733623.317 },
                 { "2031-10-09T20:41:00", 1949344860 },
                 { "2031-10-09T20:41:00+05:30", 1949325060 },
                 { "2031-10-09T20:41:00Z", 1949344860 },
                 { "2032-02-29", 1961625600 } };
    for (size_t i = 0; i < PL_ARRAY_LEN(rows); i++) {
        double s = NAN;
        char back[32] = "";
        cr_expect(pl_date_seconds(rows[i].date, &s), "%s", rows[i].date);
        cr_expect(epsilon_eq(dbl, s, rows[i].want, 1e-3), "%s", rows[i].date);
        cr_expect(pl_date_utc(s, back));
    }
    double s = 7;
    cr_expect(not(pl_date_seconds("2031-10-09T20:41:00 local", &s)));
    cr_expect(epsilon_eq(dbl, s, 7, 0));
}

/* 1 / sin within what air's curvature leaves at 30 degrees; the horizon: 38, Kasten and Young 1989.
 */
Test(night, airmass)
{
    cr_expect(epsilon_eq(dbl, pl_airmass(90), 1, 1e-4));
    cr_expect(epsilon_eq(dbl, pl_airmass(30), 2, 0.01));
    cr_expect(epsilon_eq(dbl, pl_airmass(0), 38, 1));
}

/* By hand: at the zone's edge the width has grown by `growth`, so worth is 1 / (1 + growth)^2. */
Test(night, worth_of_focus)
{
    cr_expect(epsilon_eq(dbl, pl_focus_worth(0, 12, 0.05), 1, 1e-12));
    cr_expect(epsilon_eq(dbl, pl_focus_worth(-12, 12, 0.05), 1 / (1.05 * 1.05), 1e-12));
    cr_expect(epsilon_eq(dbl, pl_focus_worth(24, 12, 0.05), 1 / (1 + 4 * 0.1025), 1e-12));
}

Test(night, order_by_time_and_the_last_one_of_a_file)
{
    pl_subs subs = plain(6);
    subs.sub[0].time_s += 86400; /* comes last */
    subs.sub[3].time_s = subs.sub[2].time_s;
    memcpy(subs.sub[3].file, "sub-02.fits", sizeof "sub-02.fits");
    pl_night n = sum(&subs, 0);
    cr_expect(eq(sz, n.subs, 5));
    cr_expect(eq(str, n.sub[4].file, (char *)"sub-00.fits"));
    for (size_t i = 0; i < n.subs; i++)
        if (strcmp(n.sub[i].file, "sub-02.fits") == 0)
            cr_expect(epsilon_eq(dbl, n.sub[i].temperature_c, 8.7, 1e-9), "the later one");
    pl_night_clear(&n);
}

Test(night, refocused_by_position)
{
    pl_subs subs = plain(12);
    for (size_t i = 0; i < 12; i++)
        subs.sub[i].position_steps = i < 5 ? 5000 : 5003;
    pl_night n = sum(&subs, 0);
    cr_assert(eq(sz, n.refocuses, 1));
    cr_expect(n.by_position);
    cr_expect(eq(sz, n.refocus[0].after, 5));
    cr_expect(epsilon_eq(dbl, n.refocus[0].to_steps, 5003, 0));
    cr_expect(eq(sz, n.sub[4].stretch, 0));
    cr_expect(eq(sz, n.sub[5].stretch, 1));
    pl_night_clear(&n);
}

/* A corrector of 870 / 1120 makes 0.603 um of a drawtube's um; whether it rides along is told, or
 * is said to be taken for granted. */
Test(night, says_what_the_coefficient_rests_on)
{
    for (int told = 0; told < 2; told++) {
        pl_subs subs = plain(30);
        pl_night n = { 0 };
        pl_facts facts = pl_facts_unknown();
        facts.focal_mm = (pl_num){ 870, PL_FROM_PROFILE };
        facts.mirror_focal_mm = (pl_num){ 1120, PL_FROM_PROFILE };
        if (told)
            pl_facts_set(&facts, "carries", "corrector", PL_FROM_PROFILE, NULL);
        for (size_t i = 0; i < 30; i++)
            subs.sub[i].defocus_um -= 0.4 * (double)i; /* 4 um a degree at the sensor */
        cr_assert(eq(int, pl_night_sum(&subs, &facts, &n, NULL), PL_OK));
        double want = -4 / pow(870.0 / 1120, 2);
        cr_expect(epsilon_eq(dbl, n.thermal_um_c, want, 4 * n.thermal_sigma_um_c));
        size_t said = 0;
        for (size_t i = 0; i < n.notes.n; i++)
            said += strstr(n.notes.item[i], "carries corrector by default") != NULL;
        cr_expect(eq(sz, said, !told));
        char *text = pl_night_text(&n);
        cr_expect(eq(int, strstr(text, "carries corrector (profile)") != NULL, told));
        free(text);
        pl_night_clear(&n);
    }
}

/* Six hundred refocusings, each to a place of its own: what a degree does is told all the same. */
Test(night, many_refocusings)
{
    enum { N = 2400 };
    pl_subs subs = plain(N);
    for (size_t i = 0; i < N; i++) {
        subs.sub[i].position_steps = 5000 + (double)(i / 4 * 13 % 50);
        subs.sub[i].temperature_c = 5 + 0.5 * (double)(i % 4);
        subs.sub[i].defocus_um += 15 * subs.sub[i].temperature_c + 7 * (double)(i / 4 % 3);
    }
    pl_night n = sum(&subs, 0);
    cr_expect(eq(sz, n.refocuses, N / 4 - 1));
    cr_expect(not(n.moving));
    cr_expect(lt(dbl, n.thermal_sigma_um_c, 0.1));
    cr_expect(epsilon_eq(dbl, n.thermal_um_c, -15, 4 * n.thermal_sigma_um_c));
    pl_night_clear(&n);
}

/* A sawtooth: two jumps that a straight drift would pass through. */
Test(night, refocused_by_jumps)
{
    pl_subs subs = plain(30);
    for (size_t i = 0; i < 30; i++)
        subs.sub[i].defocus_um -= 1.5 * (double)(i % 10);
    pl_night n = sum(&subs, 0);
    cr_assert(eq(sz, n.refocuses, 2));
    cr_expect(eq(sz, n.refocus[0].after, 10));
    cr_expect(eq(sz, n.refocus[1].after, 20));
    cr_expect(lt(dbl, n.refocus[0].from_um, -9));
    /* 1.5 um in five minutes, 0.1 C: best focus moves 15 um of drawtube for a degree, in as it
     * warms... the sensor is too far in when best focus went out */
    cr_expect(epsilon_eq(dbl, n.thermal_um_c, -15, 4 * n.thermal_sigma_um_c));
    cr_expect(epsilon_eq(dbl, n.drift_um_h, -18, 4 * n.drift_sigma_um_h));
    pl_night_clear(&n);
}

Test(night, one_wild_exposure_is_no_refocusing)
{
    pl_subs subs = plain(20);
    subs.sub[9].defocus_um = -25;
    pl_night n = sum(&subs, 0);
    cr_expect(eq(sz, n.refocuses, 0));
    pl_night_clear(&n);
}

Test(night, grades)
{
    pl_subs subs = plain(14);
    subs.sub[2].chi = 0.15; /* allowed: 0.42^2 / (2 - 0.42^2) = 0.097; twice that drops */
    subs.sub[3].chi = 0.30;
    subs.sub[4].noise_adu = 28; /* worth a quarter */
    subs.sub[5].stars = 80;     /* (80 / 300)^(1 / 0.875) = 0.22 of the light */
    subs.sub[6].fwhm_px = 3.4;  /* (2.7 / 3.4)^2 = 0.63 */
    subs.sub[7].measured = false;
    subs.sub[7].fwhm_px = NAN;
    strcpy(subs.sub[7].why, "no stars");
    pl_night n = sum(&subs, 0);
    const struct {
        size_t at;
        pl_grade grade;
        const char *says;
    } rows[] = { { 1, PL_KEEP, "" },        { 2, PL_DOUBTFUL, "guiding" },
                 { 3, PL_DROP, "guiding" }, { 4, PL_DROP, "2.00 times" },
                 { 5, PL_DROP, "22 %" },    { 6, PL_DOUBTFUL, "1.26" },
                 { 7, PL_DROP, "no stars" } };
    for (size_t i = 0; i < PL_ARRAY_LEN(rows); i++) {
        const pl_sub *s = &n.sub[rows[i].at];
        cr_expect(eq(int, s->grade, rows[i].grade), "%zu: %s", rows[i].at, s->reason);
        cr_expect(ne(ptr, strstr(s->reason, rows[i].says), NULL), "%zu: %s", rows[i].at, s->reason);
    }
    cr_expect(eq(sz, n.kept, 8));
    cr_expect(eq(sz, n.doubtful, 2));
    cr_expect(eq(sz, n.dropped, 4));
    pl_night_clear(&n);
}

Test(night, out_of_the_zone_in_time_that_counts)
{
    pl_subs subs = plain(12);
    for (size_t i = 8; i < 12; i++)
        subs.sub[i].defocus_um += 20;
    pl_night n = sum(&subs, 0);
    cr_expect(eq(sz, n.left, 8));
    cr_expect(eq(int, n.verdict.state, PL_OUTSIDE));
    /* four exposures of 280 s at 20 of 12 um: each loses 1 - 1 / (1 + 0.1025 (20 / 12)^2) */
    cr_expect(epsilon_eq(dbl, n.lost_s, 4 * 280 * (1 - 1 / (1 + 0.1025 * 400 / 144)), 10));
    pl_night_clear(&n);

    subs = plain(12);
    for (size_t i = 8; i < 12; i++) {
        subs.sub[i].defocus_um += 20;
        subs.sub[i].chi = 0.4; /* lost anyhow */
    }
    n = sum(&subs, 0);
    cr_expect(eq(int, n.verdict.state, PL_INSIDE));
    pl_night_clear(&n);
}

Test(night, temperature_and_altitude_together)
{
    pl_subs subs = plain(20);
    for (size_t i = 0; i < 20; i++) {
        subs.sub[i].altitude_deg = 40 + 2 * (double)i;
        subs.sub[i].defocus_um -= 0.8 * (double)i;
    }
    pl_night n = sum(&subs, 0);
    cr_expect(n.inseparable);
    cr_expect(isnan(n.thermal_um_c) && isnan(n.refocus_every_c));
    cr_expect(epsilon_eq(dbl, n.alone_um_c, -8, 4 * n.alone_sigma_um_c));
    cr_expect(gt(dbl, n.refocus_every_min, 0));
    pl_night_clear(&n);
}

Test(night, without_a_surface_nothing_is_told_of_focus)
{
    pl_subs subs = plain(8);
    for (size_t i = 0; i < 8; i++)
        pl_sub_trust(&subs.sub[i], i < 4, false);
    pl_night n = sum(&subs, 4.5);
    cr_expect(isnan(n.thermal_um_c) && isnan(n.zone_um) && isnan(n.refocus_every_min));
    cr_expect(eq(int, n.verdict.state, PL_UNSURE));
    cr_expect(eq(sz, n.kept, 8));
    pl_night_clear(&n);
}

Test(night, nothing_measured_is_refused)
{
    pl_subs subs = plain(2);
    pl_night n = { .kept = 77 };
    pl_err err = { PL_OK, "" };
    pl_facts facts = pl_facts_unknown();
    subs.sub[0].measured = subs.sub[1].measured = false;
    cr_expect(eq(int, pl_night_sum(&subs, &facts, &n, &err), PL_ENODATA));
    cr_expect(eq(sz, n.kept, 77));
    cr_expect(eq(sz, subs.subs, 2));
    pl_subs_clear(&subs);
    cr_expect(eq(int, pl_night_sum(&subs, &facts, &n, &(pl_err){ PL_OK, "" }), PL_ENODATA));
    pl_subs_clear(&subs);
}

/* ---- lines of JSON */

static pl_status read_lines(const char *text, pl_subs *subs, pl_err *err)
{
    char path[] = "/tmp/plumb-night-XXXXXX";
    int fd = mkstemp(path);
    cr_assert(fd >= 0 && write(fd, text, strlen(text)) == (ssize_t)strlen(text));
    close(fd);
    cr_expect(eq(int, pl_subs_is_log(path), text[0] == '{'));
    pl_status rc = pl_subs_read(path, subs, err);
    unlink(path);
    return rc;
}

Test(night, a_line_is_read_as_it_says)
{
    pl_subs subs = NOTHING;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int,
                 read_lines("{\"program\":\"plumb-watch\",\"file\":\"a.fits\",\"fwhm_px\":2.5,"
                            "\"date_obs\":\"2031-10-09T20:41:00\",\"defocus_um\":-4.5,"
                            "\"defocus_um_sigma\":0.5,\"surface_known\":true,\"surface_fits\":true,"
                            "\"altitude_deg\":null,\"stars_used\":\"many\",\"news\":[1]}\n",
                            &subs, &err),
                 PL_OK),
              "%s", err.msg);
    const pl_sub *s = subs.sub;
    cr_expect(s->measured);
    cr_expect(epsilon_eq(dbl, s->defocus_um, -4.5, 0));
    cr_expect(epsilon_eq(dbl, s->time_s, 1949344860, 0));
    cr_expect(isnan(s->altitude_deg) && isnan(s->stars));
    pl_subs_clear(&subs);
}

Test(night, lines_that_are_none)
{
    pl_subs subs = NOTHING;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int,
                 read_lines("{\"program\":\"plumb-check\",\"file\":\"a\",\"fwhm_px\":3}\n\n{\"pro\n"
                            "{\"program\":\"plumb-field\",\"file\":\"b\"}\n"
                            "{\"program\":\"plumb-check\"}",
                            &subs, &err),
                 PL_OK));
    cr_expect(eq(sz, subs.subs, 1));
    cr_assert(eq(sz, subs.notes.n, 3));
    cr_expect(ne(ptr, strstr(subs.notes.item[0], "line 3"), NULL), "%s", subs.notes.item[0]);
    cr_expect(ne(ptr, strstr(subs.notes.item[1], "plumb-field"), NULL), "%s", subs.notes.item[1]);
    cr_expect(ne(ptr, strstr(subs.notes.item[2], "line 5"), NULL), "%s", subs.notes.item[2]);
    pl_subs_clear(&subs);
    cr_expect(eq(int, read_lines("{}\n", &subs, &err), PL_EFORMAT));
    pl_subs_clear(&subs);
    cr_expect(eq(int, pl_subs_read("/nowhere/at/all", &subs, &(pl_err){ PL_OK, "" }), PL_EIO));
}

/* The focuser slips by 15 um at each refocusing: its positions must not be believed, nor a lag be
 * seen in what they leave. The truth, -10 um a degree, is put in by hand. */
Test(night, slipping_positions_are_not_believed)
{
    enum { SUBS = 90, STRETCH = 15 };
    pl_subs subs = plain(SUBS);
    double steps = 5000, slip = 0;
    for (size_t i = 0; i < SUBS; i++) {
        pl_sub *s = &subs.sub[i];
        s->temperature_c = 5 + 8 * exp(-(double)i / 40) + 0.5 * sin((double)i / 9);
        if (i && i % STRETCH == 0) {
            steps += 3;
            slip += i % (2 * STRETCH) ? 15 : -4;
        }
        s->position_steps = steps;
        s->defocus_um += (steps - 5000) * 4.5 + slip + 10 * (s->temperature_c - 13);
    }
    pl_night n = sum(&subs, 4.5);
    cr_expect(fabs(n.thermal_um_c + 10) < 4 * n.thermal_sigma_um_c, "%g +- %g", n.thermal_um_c,
              n.thermal_sigma_um_c);
    cr_expect(n.thermal_sigma_um_c < 1, "%g", n.thermal_sigma_um_c);
    cr_expect(isnan(n.lag_min), "%g", n.lag_min);
    bool said = false;
    for (size_t i = 0; i < n.notes.n; i++)
        said |= strstr(n.notes.item[i], "do not add up") != NULL;
    cr_expect(said);
    pl_night_clear(&n);
}

/* Two nights call their exposures alike; a line told again is the same exposure. */
Test(night, the_same_names_on_another_night)
{
    pl_subs subs = plain(6);
    for (size_t i = 0; i < 3; i++) {
        memcpy(subs.sub[i + 3].file, subs.sub[i].file, strlen(subs.sub[i].file) + 1);
        subs.sub[i + 3].time_s = subs.sub[i].time_s + (i ? 86400 : 0);
    }
    pl_night n = sum(&subs, 0);
    cr_expect(eq(sz, n.subs, 5));
    pl_night_clear(&n);
}
