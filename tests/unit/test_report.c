/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_report.c - a field in words, JSON, a table and a map; made-up fields, no frames. */
#include "../../lib/report/field/map.h"
#include "answers.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <gsl/gsl_errno.h>
#include <jansson.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* ---- numbers */

struct measured_row {
    double v, sigma;
    int otherwise;
    char want[40];
};
ParameterizedTestParameters(format, digits_follow_the_error)
{
    static struct measured_row rows[] = {
        /* by hand: two significant digits of the error */
        { 3.41234, 0.0213, 2, "3.412 +- 0.021" },
        { 3.41234, 0.213, 2, "3.41 +- 0.21" },
        { 3.41234, 0.0996, 2, "3.41 +- 0.10" },
        { 1234.56, 21.3, 2, "1235 +- 21" },
        { 1234.56, 213, 2, "1235 +- 213" },
        { -0.0004, 0.3, 2, "0.00 +- 0.30" },
        { 3.41234, NAN, 2, "3.41" },
        { 3.41234, 0, 1, "3.4 +- 0.0" },
        { NAN, 0.1, 2, "-" },
        { INFINITY, 0.1, 2, "-" },
        { 3.4, 1e-12, 2, "3.400000 +- 0.000000" },
    };
    return cr_make_param_array(struct measured_row, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct measured_row *r, format, digits_follow_the_error)
{
    cr_expect(eq(str, pl_measured(r->v, r->sigma, r->otherwise).s, r->want));
}

Test(format, extreme_numbers_stay_short)
{
    cr_expect(eq(str, pl_fixed(1e300, 3).s, "1e+300"));
    cr_expect(eq(str, pl_fixed(-0.0, 1).s, "0.0"));
    cr_expect(eq(str, pl_signif(-0.0, 3).s, "0"));
    cr_expect(eq(str, pl_signif(NAN, 3).s, "-"));
    cr_expect(lt(sz, strlen(pl_measured(-1e300, 1e300, 2).s), 47));
    cr_expect(eq(dbl, pl_round_to(123456.789, 6), 123457.0));
    cr_expect(isnan(pl_round_to(NAN, 6)));
}

struct clean_row {
    char in[24], valid[24], plain[24];
};
ParameterizedTestParameters(format, texts_are_made_whole)
{
    /* RFC 3629 section 3 and 10: overlong, surrogate, too large, cut short */
    static struct clean_row rows[] = {
        { "plain", "plain", "plain" },
        { "\xc3\xbc \xe2\x82\xac \xf0\x9f\x98\x80", "\xc3\xbc \xe2\x82\xac \xf0\x9f\x98\x80",
          "\xc3\xbc \xe2\x82\xac \xf0\x9f\x98\x80" },
        { "a\xff", "a\xef\xbf\xbd", "a?" },
        { "\xc0\x80", "\xef\xbf\xbd\xef\xbf\xbd", "??" },
        { "\xe0\x80\x80", "\xef\xbf\xbd\xef\xbf\xbd\xef\xbf\xbd", "???" },
        { "\xed\xa0\x80", "\xef\xbf\xbd\xef\xbf\xbd\xef\xbf\xbd", "???" },
        { "\xf4\x90\x80\x80", "\xef\xbf\xbd\xef\xbf\xbd\xef\xbf\xbd\xef\xbf\xbd", "????" },
        { "\xe2\x82", "\xef\xbf\xbd\xef\xbf\xbd", "??" },
        { "a\nb\x1b\x7f\xc2\x85", "a\nb\x1b\x7f\xc2\x85", "a?b???" },
    };
    return cr_make_param_array(struct clean_row, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct clean_row *r, format, texts_are_made_whole)
{
    bool changed = false;
    char *valid = pl_clean(r->in, PL_CLEAN_VALID, &changed);
    char *plain = pl_clean(r->in, PL_CLEAN_PLAIN, NULL);
    cr_expect(eq(str, valid, r->valid));
    cr_expect(eq(str, plain, r->plain));
    cr_expect(eq(int, changed, strcmp(r->in, r->valid) != 0));
    free(valid);
    free(plain);
}

Test(format, paragraphs_wrap)
{
    pl_string out = { 0 };
    pl_string_wrap(&out, "- ", 2, 20, "one two three  four five sixseveneightnineteneleven x");
    char *s = pl_string_take(&out);
    cr_expect(eq(str, s, "- one two three four\n  five\n  sixseveneightninet\n  eneleven x\n"));
    for (char *line = strtok(s, "\n"); line; line = strtok(NULL, "\n"))
        cr_expect(le(sz, strlen(line), 20), "%s", line);
    free(s);
}

/* A number keeps its unit: common practice, no source. */
Test(format, a_line_never_ends_between_a_number_and_its_unit)
{
    static const struct {
        const char *in, *out;
    } row[] = {
        { "moved away by 42 um", "moved away by\n42 um\n" },
        { "it is 12.5 +- 0.3 um", "it is\n12.5 +- 0.3 um\n" },
        { "turn A by 1 3/8 out", "turn A by\n1 3/8 out\n" },
        { "turn screw A 1/8 out", "turn screw\nA 1/8 out\n" },
        { "a narrow one (5 %)", "a narrow one\n(5 %)\n" },
        { "frames 11 12 13 14 15", "frames 11 12\n13 14 15\n" },
        { "at 1234567890 micrometres", "at 1234567890\nmicrometres\n" }, /* too long together */
        { "key step_um 4.5 (set)", "key\nstep_um 4.5\n(set)\n" },
        { "with 3", "with 3\n" },
    };
    for (size_t i = 0; i < PL_ARRAY_LEN(row); i++) {
        pl_string out = { 0 };
        pl_string_wrap(&out, "", 0, 14, row[i].in);
        char *s = pl_string_take(&out);
        cr_expect(eq(str, s, (char *)row[i].out));
        free(s);
    }
}

/* ---- made-up fields */

static double noise(unsigned *seed) /* even in [-1, 1) */
{
    *seed = *seed * 1664525u + 1013904223u;
    return (double)*seed / 2147483648.0 - 1;
}

/* n stars of FWHM 3 px (growing by `slope` to the corner along x), 2 % noise, ellipticity by
 * chance. */
static pl_field field_of(int w, int h, size_t n, double slope)
{
    pl_field f;
    gsl_set_error_handler_off(); /* as plumb.h asks */
    memset(&f, 0, sizeof f);
    f.facts = pl_facts_unknown();
    f.width_px = w;
    f.height_px = h;
    f.scale_arcsec_px = NAN;
    f.found = n + 7;
    f.fitted = f.used = f.stars = f.kind[PL_STAR] = n;
    f.kind[PL_SATURATED] = 5;
    f.kind[PL_SHARP] = 2;
    f.sky_adu = 1000.5;
    f.noise_adu = 8.25;
    f.fwhm_px = 3.41234;
    f.fwhm_sigma_px = 0.0213;
    f.hfd_px = 3.9;
    f.hfd_sigma_px = 0.03;
    f.eccentricity = 0.42;
    f.eccentricity_sigma = 0.012;
    f.elongation_deg = 34;
    f.elongation_sigma_deg = 2.1;
    f.chi = 0.1;
    f.chi_sigma = 0.004;
    f.beta = 3.2;
    f.red_x_px = f.red_y_px = f.red_sigma_px = NAN;
    f.blue_x_px = f.blue_y_px = f.blue_sigma_px = NAN;
    f.star = calloc(n + 1, sizeof *f.star);
    unsigned seed = 11;
    for (size_t i = 0; i < n; i++) {
        pl_star *s = &f.star[i];
        s->x_px = 0.5 * (w - 1) * (1 + noise(&seed));
        s->y_px = 0.5 * (h - 1) * (1 + noise(&seed));
        s->fwhm_px = 3 * (1 + slope * (s->x_px / w - 0.5) + 0.02 * noise(&seed));
        s->fwhm_sigma_px = 0.05;
        s->fwhm_major_px = s->fwhm_px * (1.05 + 0.05 * noise(&seed));
        s->fwhm_minor_px = s->fwhm_px / 1.05;
        s->angle_deg = 90 * (1 + noise(&seed));
        s->flux_adu = 1e5;
        s->beta = 3.2;
        s->red_x_px = NAN;
        s->kind = PL_STAR;
    }
    for (int i = 0; i < PL_PATTERNS; i++)
        f.pattern[i] = (pl_pattern){ .amplitude = 0.003,
                                     .amplitude_sigma = 0.004,
                                     .unit = "chi",
                                     .angle_deg = NAN,
                                     .x_px = NAN,
                                     .y_px = NAN,
                                     .tolerance = 0.05 };
    f.verdict.state = PL_OUTSIDE;
    f.verdict.cause = PL_CAUSE_TRACKING;
    snprintf(f.verdict.text, sizeof f.verdict.text, "stars are stretched by 0.42");
    snprintf(f.verdict.action, sizeof f.verdict.action, "look after the guiding");
    return f;
}

static void add_cells(pl_field *f, size_t n)
{
    f->cell = calloc(n, sizeof *f->cell);
    f->cells = n;
    for (size_t i = 0; i < n; i++)
        f->cell[i] = (pl_cell){ .x_px = (double)(i + 1) * f->width_px / (double)(n + 1),
                                .y_px = 99,
                                .x_mm = NAN,
                                .y_mm = NAN,
                                .stars = 12,
                                .fwhm_px = 3.1,
                                .fwhm_sigma_px = 0.02,
                                .chi1 = 0.1,
                                .chi2 = 0.02,
                                .chi_sigma = 0.01,
                                .eccentricity = 0.4,
                                .eccentricity_sigma = 0.03,
                                .angle_deg = 5 };
}

static void telling(pl_field *f, pl_pattern_name name, double angle)
{
    pl_pattern *p = &f->pattern[name];
    p->amplitude = 0.12;
    p->amplitude_sigma = 0.004;
    p->significance = 30;
    p->angle_deg = angle;
    snprintf(
        p->meaning, sizeof p->meaning,
        "%s: stars say something about the telescope towards the last column, and the sentence "
        "is long enough to need several lines",
        pl_pattern_title(name));
}

/* As pl_field_clear, which lives in another room. */
static void drop(pl_field *f)
{
    free(f->star);
    free(f->cell);
    pl_notes_clear(&f->notes);
}

/* Every number unknown. */
static pl_field unknown_field(void)
{
    pl_field f = field_of(100, 80, 0, 0);
    f.sky_adu = f.noise_adu = f.fwhm_px = f.fwhm_sigma_px = f.hfd_px = f.hfd_sigma_px = NAN;
    f.eccentricity = f.eccentricity_sigma = f.elongation_deg = f.elongation_sigma_deg = NAN;
    f.chi = f.chi_sigma = f.beta = NAN;
    for (int i = 0; i < PL_PATTERNS; i++)
        f.pattern[i] = (pl_pattern){ NAN, NAN, NULL, 0, NAN, NAN, NAN, NAN, "" };
    f.verdict = (pl_verdict){ PL_UNSURE, PL_CAUSE_NONE, "", "" };
    return f;
}

/* ---- words */

static void expect_lines(const char *text, const char *file)
{
    char *copy = strdup(text);
    for (char *line = strtok(copy, "\n"); line; line = strtok(NULL, "\n")) {
        if (!strstr(line, file))
            cr_expect(le(sz, strlen(line), 78), "%s", line);
        for (const char *c = line; *c; c++)
            cr_expect(31 < *c && *c < 127, "%s", line);
    }
    free(copy);
}

Test(field_text, verdict_first_and_fits_positions)
{
    pl_field f = field_of(3000, 2000, 200, 0);
    add_cells(&f, 6);
    telling(&f, PL_TURNING, NAN);
    f.pattern[PL_TURNING].x_px = 499;
    f.pattern[PL_TURNING].y_px = 1200;
    f.facts.pixel_um = (pl_num){ 3.76, PL_FROM_HEADER };
    f.facts.eccentricity = (pl_num){ 0.4, PL_FROM_DEFAULT };
    pl_note(&f.notes, "the header said RGGB, the pixels say otherwise");
    char *s = pl_field_text(&f, "a.fits");
    const char *start = "a.fits: stars are stretched by 0.42\nlook after the guiding\n\n";
    cr_expect(eq(int, strncmp(s, start, strlen(start)), 0), "%s", s);
    const char *want[] = { "207 found, 200 fitted, 200 used",
                           "3.412 +- 0.021 px",
                           "one beta for the frame",
                           "3000 x 2000 px",
                           "mosaic none",
                           "     100     12", /* y 99 is FITS's 100 */
                           "about x 500, y 1201",
                           "turning",
                           "0.1200 +- 0.0040",
                           "saturated",
                           "rests on:",
                           "eccentricity 0.4 (default)",
                           "pixel_um 3.76 (header)",
                           "the header said RGGB" };
    for (size_t i = 0; i < PL_ARRAY_LEN(want); i++)
        cr_expect(ne(ptr, strstr(s, want[i]), NULL), "%s", want[i]);
    cr_expect(eq(ptr, strstr(s, "even field"), NULL));
    expect_lines(s, "a.fits");
    free(s);
    drop(&f);
}

Test(field_text, nothing_known_is_dashes)
{
    pl_field f = unknown_field();
    char *s = pl_field_text(&f, "b.fits");
    cr_expect(ne(ptr, strstr(s, "too few stars to tell"), NULL));
    cr_expect(eq(ptr, strstr(s, "even field"), NULL));
    cr_expect(eq(ptr, strstr(s, "nan"), NULL), "%s", s);
    cr_expect(eq(ptr, strstr(s, "inf"), NULL));
    expect_lines(s, "b.fits");
    free(s);
    drop(&f);
}

Test(field_text, hostile_name_is_one_line)
{
    pl_field f = field_of(100, 80, 3, 0);
    char *s = pl_field_text(&f, "evil\n\x1b[31m\xff.fits");
    cr_expect(eq(int, strncmp(s, "evil??[31m?.fits: ", 18), 0), "%s", s);
    cr_expect(ne(ptr, strstr(s, "even field"), NULL)); /* nothing significant: it says so */
    free(s);
    drop(&f);
}

/* ---- JSON */

static json_t *parsed(const pl_field *f, const char *file, bool stars)
{
    char *s = pl_field_json(f, file, stars);
    json_error_t e;
    cr_assert(ne(ptr, s, NULL));
    cr_expect(eq(ptr, strchr(s, '\n'), s + strlen(s) - 1), "one line");
    json_t *j = json_loads(s, JSON_REJECT_DUPLICATES, &e);
    cr_assert(ne(ptr, j, NULL), "%s", e.text);
    free(s);
    return j;
}

static bool is_null(const json_t *j)
{
    return json_is_null(j);
}

static double number_at(const json_t *j, const char *key)
{
    bool is_number = json_is_number(json_object_get(j, key));
    cr_assert(is_number, "%s", key);
    return json_number_value(json_object_get(j, key));
}

Test(field_json, keys_units_and_twins)
{
    pl_field f = field_of(3000, 2000, 20, 0);
    add_cells(&f, 2);
    telling(&f, PL_TURNING, NAN);
    f.pattern[PL_TURNING].x_px = 499;
    f.pattern[PL_TURNING].y_px = 1200;
    f.scale_arcsec_px = 0.5;
    f.facts.exposure_s = (pl_num){ 120, PL_FROM_HEADER };
    f.facts.fwhm_growth = (pl_num){ 0.05, PL_FROM_DEFAULT };
    f.star[0].x_px = 0;
    f.star[0].y_px = 1234.56789;
    json_t *j = parsed(&f, "a.fits", true);
    cr_expect(eq(dbl, number_at(j, "schema"), 1));
    cr_expect(eq(dbl, number_at(j, "fwhm_px"), 3.41234));
    cr_expect(eq(dbl, number_at(j, "fwhm_px_sigma"), 0.0213));
    cr_expect(eq(dbl, number_at(j, "fwhm_arcsec"), 1.70617));
    cr_expect(eq(dbl, number_at(j, "stars_found"), 27));
    cr_expect(eq(dbl, number_at(j, "stars_saturated"), 5));
    cr_expect(eq(dbl, number_at(j, "exposure_s"), 120));
    cr_expect(eq(dbl, number_at(json_object_get(j, "rejected"), "sharp"), 2));
    const char *null[] = { "red_x_px", "temperature_c", "airmass", "beta_sigma", "date_obs" };
    for (size_t i = 0; i < PL_ARRAY_LEN(null); i++)
        cr_expect(is_null(json_object_get(j, null[i])), "%s", null[i]);
    json_t *v = json_object_get(j, "verdict");
    cr_expect(eq(str, (char *)json_string_value(json_object_get(v, "state")), "outside"));
    cr_expect(eq(str, (char *)json_string_value(json_object_get(v, "cause")), "tracking"));
    json_t *p = json_array_get(json_object_get(j, "patterns"), PL_TURNING);
    cr_expect(eq(str, (char *)json_string_value(json_object_get(p, "name")), "turning"));
    cr_expect(eq(dbl, number_at(p, "x_px"), 500));
    cr_expect(is_null(json_object_get(p, "angle_deg")));
    json_t *z = json_array_get(json_object_get(j, "zones"), 0);
    cr_expect(eq(dbl, number_at(z, "y_px"), 100));
    cr_expect(is_null(json_object_get(z, "x_mm")));
    json_t *s = json_array_get(json_object_get(j, "stars"), 0);
    cr_expect(eq(dbl, number_at(s, "x_px"), 1));
    cr_expect(epsilon_eq(dbl, number_at(s, "y_px"), 1235.56789, 1e-4));
    cr_expect(eq(str, (char *)json_string_value(json_object_get(s, "flags")), "star"));
    json_t *k = json_array_get(json_object_get(j, "facts"), 0);
    cr_expect(eq(str, (char *)json_string_value(json_object_get(k, "from")), "default"));
    json_decref(j);
    drop(&f);
}

Test(field_json, unknown_is_null_and_stars_are_optional)
{
    pl_field f = unknown_field();
    json_t *j = parsed(&f, "", false);
    const char *key;
    json_t *value;
    json_object_foreach(j, key, value) if (json_is_real(value))
        cr_expect(false, "%s is a number", key);
    cr_expect(eq(ptr, json_object_get(j, "stars"), NULL));
    cr_expect(is_null(json_object_get(j, "file")));
    json_decref(j);
    drop(&f);
}

Test(field_json, hostile_names_are_valid)
{
    pl_field f = field_of(100, 80, 1, 0);
    json_t *j = parsed(&f, "line\nbreak \"quoted\" \\ \x01 \xff.fits", false);
    cr_expect(eq(str, (char *)json_string_value(json_object_get(j, "file")),
                 "line\nbreak \"quoted\" \\ \x01 \xef\xbf\xbd.fits"));
    json_t *w = json_object_get(j, "warnings");
    cr_expect(eq(sz, json_array_size(w), 1));
    json_decref(j);
    j = parsed(&f, "\xc3\xbc.fits", false);
    cr_expect(eq(sz, json_array_size(json_object_get(j, "warnings")), 0));
    json_decref(j);
    drop(&f);
}

static long until_scarce;

static void *scarce(size_t size)
{
    return until_scarce-- == 0 ? NULL : malloc(size);
}

/* Jansson (2.14) passes over memory that fails it at a key: the line then lacks it. */
Test(field_json, each_allocation_fails_once)
{
    pl_field f = field_of(3000, 2000, 3, 0);
    char *whole = pl_field_json(&f, "a.fits", true);
    bool more = true;
    cr_assert(ne(ptr, whole, NULL));
    json_set_alloc_funcs(scarce, free);
    for (long n = 0; more; n++) {
        until_scarce = n;
        char *line = pl_field_json(&f, "a.fits", true);
        more = until_scarce < 0;
        cr_expect(line == NULL || strcmp(line, whole) == 0, "%ld: %s", n, line);
        cr_expect(more || line != NULL, "%ld", n);
        free(line);
    }
    json_set_alloc_funcs(malloc, free);
    free(whole);
    drop(&f);
}

/* ---- locale */

/* All numbers keep their point where the language writes a comma. */
Test(locale, a_comma_changes_nothing)
{
    const char *names[] = { "de_DE.UTF-8", "de_DE.utf8", "fr_FR.UTF-8", "nl_NL.UTF-8", "de_DE" };
    pl_field f = field_of(300, 200, 5, 0);
    f.facts.pixel_um = (pl_num){ 3.76, PL_FROM_HEADER };
    char *a[3] = { pl_field_text(&f, "a"), pl_field_json(&f, "a", true), pl_field_table(&f, "a") };
    bool comma = false;
    for (size_t i = 0; i < PL_ARRAY_LEN(names) && !comma; i++)
        comma = setlocale(LC_ALL, names[i]) && strcmp(localeconv()->decimal_point, ",") == 0;
    char *b[3] = { pl_field_text(&f, "a"), pl_field_json(&f, "a", true), pl_field_table(&f, "a") };
    setlocale(LC_ALL, "C");
    for (int i = 0; i < 3; i++) {
        cr_expect(eq(str, a[i], b[i]));
        free(a[i]);
        free(b[i]);
    }
    drop(&f);
    if (!comma)
        cr_skip_test("no locale with a decimal comma here");
}

/* ---- table */

Test(field_table, every_row_is_whole)
{
    pl_field f = field_of(300, 200, 50, 0);
    f.star[0].x_px = 0;
    f.star[1].fwhm_px = NAN;
    f.star[2].kind = PL_SATURATED;
    char *s = pl_field_table(&f, "odd \"name\"\n\xff.fits");
    cr_expect(eq(int, strncmp(s, "# %ECSV 1.0\n# ---\n", 18), 0));
    cr_expect(ne(ptr, strstr(s, "{name: x_px, unit: pix, datatype: float64"), NULL));
    cr_expect(ne(ptr, strstr(s, "\"odd \\\"name\\\"\\U0000000A\\U0000FFFD.fits\""), NULL));
    size_t columns = 0, rows = 0;
    for (char *line = strtok(s, "\n"); line; line = strtok(NULL, "\n")) {
        if (line[0] == '#')
            continue;
        size_t n = 1;
        for (const char *c = line; *c; c++)
            n += *c == ' ';
        columns = columns ? columns : n;
        cr_expect(eq(sz, n, columns), "%s", line);
        if (rows == 1)
            cr_expect(eq(int, strncmp(line, "1 ", 2), 0), "%s", line);
        if (rows == 2)
            cr_expect(ne(ptr, strstr(line, "nan"), NULL));
        if (rows == 3)
            cr_expect(ne(ptr, strstr(line, " saturated"), NULL));
        rows++;
    }
    cr_expect(eq(sz, rows, 51));
    free(s);
    drop(&f);
}

/* ---- map */

static pl_canvas *drawn(const pl_field *f, const char *file, bool red)
{
    pl_err err = { PL_OK, "" };
    pl_canvas *c = NULL;
    const pl_look look = { red, true, 1 };
    cr_assert(eq(int, pl_field_canvas(f, NULL, file, &look, &c, &err), PL_OK), "%s", err.msg);
    cairo_surface_flush(c->surface);
    return c;
}

struct map_row {
    int w, h;
    size_t stars, cells;
    double slope, scale;
    int patterns;
    bool top_down;
    char file[40];
};
ParameterizedTestParameters(field_map, labels_are_tidy)
{
    static struct map_row rows[] = {
        { 6248, 4176, 2000, 20, 0.2, 0.9, 6, false, "a.fits" },
        { 650, 500, 60, 9, 0.3, NAN, 1, false, "b.fits" },
        { 9576, 3192, 400, 12, 0.1, 1e-3, 4, false, "wide" },
        { 2000, 3000, 100, 9, -0.3, 2, 2, true, "portrait" },
        { 4656, 3520, 1, 0, 0, 0.5, 0, false, "one star" },
        { 3, 50000, 0, 0, 0, NAN, 0, false, "" },
        { 50000, 3, 0, 0, 0, NAN, 3, true, "x" },
        { 1, 1, 0, 0, 0, 1e9, 0, false, "tiny" },
        { 300, 300, 40, 4, 0.5, 1, 6, false, "evil\n\x1b[0m\xff\xfe" },
    };
    return cr_make_param_array(struct map_row, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct map_row *r, field_map, labels_are_tidy)
{
    pl_field f = field_of(r->w, r->h, r->stars, r->slope);
    f.scale_arcsec_px = r->scale;
    if (r->cells)
        add_cells(&f, r->cells);
    for (int i = 0; i < r->patterns; i++)
        telling(&f, (pl_pattern_name)i, i == PL_OUTWARD_STRETCH ? NAN : 40);
    if (r->patterns > PL_TURNING)
        f.pattern[PL_TURNING].x_px = f.pattern[PL_TURNING].y_px = 0.3 * r->w;
    snprintf(f.facts.row_order.s, sizeof f.facts.row_order.s, "%s", r->top_down ? "TOP-DOWN" : "");
    memset(f.verdict.action, 'w', 150); /* a word that fits no line */
    for (int red = 0; red < 2; red++) {
        pl_canvas *c = drawn(&f, r->file, red);
        answers_tidy(c, "");
        cr_expect(eq(int, c->failed, PL_OK));
        cr_expect(eq(int, cairo_status(c->cr), CAIRO_STATUS_SUCCESS));
        cr_expect(le(int, c->width, 1700));
        cr_expect(le(int, c->height, 1700));
        pl_canvas_free(c);
    }
    drop(&f);
}

static pl_box label_box(const pl_canvas *c, const char *text)
{
    for (size_t i = 0; i < c->labels; i++)
        if (strcmp(c->label[i].text, text) == 0)
            return c->label[i].box;
    cr_assert(false, "no label %s", text);
    return (pl_box){ 0, 0, 0, 0 };
}

Test(field_map, contours_only_where_the_field_varies)
{
    pl_field even = field_of(3000, 2000, 400, 0), slope = field_of(3000, 2000, 400, 0.3);
    even.scale_arcsec_px = slope.scale_arcsec_px = 1;
    pl_canvas *a = drawn(&even, "a", false), *b = drawn(&slope, "b", false);
    cr_expect(eq(int, answers_labels(a, "equal FWHM"), 0));
    cr_expect(eq(int, answers_labels(b, "equal FWHM"), 1));
    cr_expect(ge(int, answers_labels(b, "3.0\""), 1)); /* FWHM 3 px at 1 arcsec/px, mid-field */
    pl_canvas_free(a);
    pl_canvas_free(b);
    drop(&even);
    drop(&slope);
}

Test(field_map, surface_recovers_a_made_up_one)
{
    pl_field f = field_of(2001, 1001, 300, 0);
    double half = 0.5 * hypot(2001, 1001);
    unsigned seed = 5;
    for (size_t i = 0; i < f.stars; i++) {
        pl_star *s = &f.star[i];
        double u = (s->x_px - 1000) / half, v = (s->y_px - 500) / half;
        s->fwhm_px = 3 + 0.4 * u - 0.2 * v + 0.5 * (u * u + v * v) + 0.02 * noise(&seed);
    }
    f.star[0].fwhm_px = 30; /* one outlier */
    pl_relief s;
    cr_assert(pl_relief_fit(&f, &s));
    cr_expect(epsilon_eq(dbl, pl_relief_at(&s, &f, 1000, 500), 3.0, 0.005)); /* by construction */
    cr_expect(epsilon_eq(dbl, pl_relief_at(&s, &f, 1000 + half, 500), 3.9, 0.03));
    f.stars = 10;
    cr_expect(not(pl_relief_fit(&f, &s)));
    drop(&f);
}

/* One long star near row 1: its ink is at the bottom, or at the top when the header says TOP-DOWN.
 */
Test(field_map, row_one_is_where_the_header_says)
{
    for (int down = 0; down < 2; down++) {
        pl_field f = field_of(1000, 800, 1, 0);
        f.star[0] = (pl_star){ .x_px = 500,
                               .y_px = 80,
                               .fwhm_px = 3,
                               .fwhm_sigma_px = 0.1,
                               .fwhm_major_px = 4,
                               .fwhm_minor_px = 3.9,
                               .angle_deg = 0 };
        snprintf(f.facts.row_order.s, sizeof f.facts.row_order.s, "%s", down ? "TOP-DOWN" : "");
        pl_canvas *c = drawn(&f, "a", false);
        pl_box one = label_box(c, "row 1"), last = label_box(c, "last row");
        cr_expect(eq(int, one.y > last.y, !down));
        pl_box left = label_box(c, "column 1"), right = label_box(c, "last column");
        cr_expect(lt(dbl, left.x, right.x));
        uint32_t paper = answers_pixel(c, 2, 2);
        int mid = (int)(0.5 * (one.x + one.x + one.w)), inked = -1;
        int from = (int)fmin(one.y, last.y) + 40, to = (int)fmax(one.y, last.y) - 80;
        for (int y = from; y < to; y++)
            if (answers_pixel(c, mid, y) != paper)
                inked = y;
        cr_expect(gt(int, inked, 0));
        cr_expect(eq(int, inked > (from + to) / 2, !down));
        pl_canvas_free(c);
        drop(&f);
    }
}

Test(field_map, red_look_lights_red_alone)
{
    pl_field f = field_of(3000, 2000, 300, 0.3);
    add_cells(&f, 6);
    telling(&f, PL_SIZE_SLOPE, 10);
    answers_red(drawn(&f, "a", true));
    drop(&f);
}

Test(field_map, writes_a_png_or_says_why)
{
    char path[] = "/tmp/plumb-map-XXXXXX", bytes[8] = "";
    pl_err err = { PL_OK, "" };
    pl_field f = field_of(300, 200, 30, 0);
    const pl_look look = { false, true, 1 };
    cr_assert(ge(int, close(mkstemp(path)), 0));
    cr_assert(eq(int, pl_field_draw(&f, NULL, "a.fits", &look, path, &err), PL_OK), "%s", err.msg);
    FILE *in = fopen(path, "rb");
    cr_expect(eq(sz, fread(bytes, 1, 8, in), 8));
    cr_expect(eq(int, memcmp(bytes, "\x89PNG\r\n\x1a\n", 8), 0)); /* PNG specification 5.2 */
    fclose(in);
    unlink(path);
    cr_expect(eq(int, pl_field_draw(&f, NULL, "a", &look, "/no/such/x.png", &err), PL_EIO));
    f.width_px = 0;
    cr_expect(eq(int, pl_field_draw(&f, NULL, "a", &look, path, NULL), PL_EARG));
    cr_expect(ne(int, access(path, F_OK), 0));
    drop(&f);
}
