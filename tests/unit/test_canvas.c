/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_canvas.c - colours, labels, axes, PNG, files whole or not at all. */
#include "../../lib/report/canvas.h"
#include "answers.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* ---- colours */

struct lab_row {
    double r, g, b, lab[3];
    char source[64];
};
ParameterizedTestParameters(colour, oklab_values)
{
    static struct lab_row rows[] = {
        { 1, 1, 1, { 1.0, 0.0, 0.0 }, "by definition" },
        { 1, 0, 0, { 0.62796, 0.22486, 0.12585 }, "CSS Color 4 and Ottosson 2020, from memory" },
        { 0, 0, 1, { 0.45201, -0.03246, -0.31153 }, "CSS Color 4, from memory" },
        { 0, 1, 0, { 0.86644, -0.23389, 0.17950 }, "CSS Color 4, from memory" }
    };
    return cr_make_param_array(struct lab_row, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct lab_row *r, colour, oklab_values)
{
    double lab[3];
    pl_to_oklab((pl_rgb){ r->r, r->g, r->b }, lab);
    for (int k = 0; k < 3; k++)
        cr_expect(epsilon_eq(dbl, lab[k], r->lab[k], 2e-4), "%s", r->source);
    pl_rgb back = pl_from_oklab(lab);
    cr_expect(epsilon_eq(dbl, back.r, r->r, 1e-3));
    cr_expect(epsilon_eq(dbl, back.g, r->g, 1e-3));
    cr_expect(epsilon_eq(dbl, back.b, r->b, 1e-3));
}

Test(colour, ramp_is_even_and_ordered_by_lightness)
{
    double was[3], now[3], first = 0;
    pl_to_oklab(pl_ramp(false, 0), was);
    for (int i = 1; i <= 20; i++) {
        pl_to_oklab(pl_ramp(false, i / 20.0), now);
        double step = hypot(hypot(now[0] - was[0], now[1] - was[1]), now[2] - was[2]);
        first = i == 1 ? step : first;
        /* a colour outside sRGB would be clipped and its step changed */
        cr_expect(epsilon_eq(dbl, step, first, 0.02 * first), "step %d", i);
        cr_expect(gt(dbl, now[0] - was[0], 0.01));
        memcpy(was, now, sizeof was);
    }
}

/* How a colour looks to eyes without one kind of cone: linear-light matrices of Vienot, Brettel and
 * Mollon 1999 (Color Res. Appl. 24, 243, as commonly tabulated, from memory). */
static void as_seen(pl_rgb c, bool protan, double lab[3])
{
    static const double m[2][2][2] = { { { .29275, .70725 }, { -.02234, 1.02234 } },
                                       { { .11238, .88762 }, { .00401, .99599 } } };
    double v[3] = { c.r, c.g, c.b };
    for (int i = 0; i < 2; i++)
        v[i] = v[i] <= 0.04045 ? v[i] / 12.92 : pow((v[i] + 0.055) / 1.055, 2.4);
    double rg = m[protan][0][0] * v[0] + m[protan][0][1] * v[1];
    double s = rg <= 0.0031308 ? 12.92 * rg : 1.055 * pow(rg, 1 / 2.4) - 0.055;
    pl_to_oklab((pl_rgb){ s, s, c.b }, lab);
}

Test(colour, better_and_worse_differ_to_any_eye)
{
    double was[3], now[3], first = 0;
    pl_to_oklab(pl_ramp_both(false, -1), was);
    for (int i = 1; i <= 20; i++) {
        pl_to_oklab(pl_ramp_both(false, i / 10.0 - 1), now);
        double step = hypot(hypot(now[0] - was[0], now[1] - was[1]), now[2] - was[2]);
        first = i == 1 ? step : first;
        cr_expect(epsilon_eq(dbl, step, first, 0.03 * first), "step %d: %g", i, step);
        memcpy(was, now, sizeof was);
    }
    for (int protan = 0; protan < 2; protan++) {
        as_seen(pl_ramp_both(false, -1), protan, was);
        as_seen(pl_ramp_both(false, 1), protan, now);
        cr_expect(gt(dbl, now[2] - was[2], 0.12), "blue against yellow");
    }
    double t[] = { NAN, -2, 2, INFINITY };
    for (size_t i = 0; i < PL_ARRAY_LEN(t); i++) {
        pl_rgb c = pl_ramp_both(false, t[i]), d = pl_ramp_both(true, t[i]);
        cr_expect(c.r >= 0 && c.r <= 1 && c.g >= 0 && c.g <= 1 && c.b >= 0 && c.b <= 1);
        cr_expect(d.r >= 0 && d.r <= 1 && d.g == 0 && d.b == 0);
    }
}

Test(colour, red_look_is_red_alone)
{
    for (int i = 0; i < PL_TONES; i++) {
        pl_rgb c = pl_tone_rgb(true, (pl_tone)i);
        cr_expect(c.g == 0 && c.b == 0);
    }
    for (int i = 0; i <= 10; i++) {
        pl_rgb c = pl_ramp(true, i / 10.0), d = pl_mix(pl_tone_rgb(true, PL_TONE_PAPER), c, 0.4);
        cr_expect(c.g == 0 && c.b == 0 && d.g == 0 && d.b == 0);
    }
}

Test(colour, ramp_takes_any_number)
{
    double t[] = { NAN, -1, 2, INFINITY, -INFINITY };
    for (size_t i = 0; i < PL_ARRAY_LEN(t); i++) {
        pl_rgb c = pl_ramp(false, t[i]);
        cr_expect(c.r >= 0 && c.r <= 1 && c.g >= 0 && c.g <= 1 && c.b >= 0 && c.b <= 1);
    }
}

/* ---- labels */

static pl_canvas *sheet(int w, int h)
{
    pl_canvas *c = NULL;
    pl_err err = { PL_OK, "" };
    cr_assert(eq(int, pl_canvas_new(w, h, false, &c, &err), PL_OK), "%s", err.msg);
    return c;
}

Test(canvas, refuses_sizes_out_of_range)
{
    pl_err err = { PL_OK, "" };
    pl_canvas *c = NULL;
    cr_expect(eq(int, pl_canvas_new(63, 100, false, &c, &err), PL_EARG));
    cr_expect(eq(int, pl_canvas_new(100, 16385, false, &c, NULL), PL_EARG));
    cr_expect(c == NULL);
    cr_expect(ne(int, err.msg[0], 0));
    pl_canvas_free(NULL);
}

/* The box that is kept must hold all the ink. */
Test(canvas, box_holds_the_ink)
{
    const char *texts[] = { "Agjpqy|()[]", "1234567890", "last column" };
    for (size_t i = 0; i < 6; i++) {
        pl_canvas *c = sheet(400, 400);
        pl_type type = {
            .size = 24, .tone = PL_TONE_INK, .bold = i % 2, .up = i >= 3, .ax = 0.5, .ay = 0.5
        };
        pl_box box = pl_canvas_text(c, &type, 200, 200, texts[i % 3]);
        cairo_surface_flush(c->surface);
        const unsigned char *p = cairo_image_surface_get_data(c->surface);
        int stride = cairo_image_surface_get_stride(c->surface), inked = 0;
        uint32_t paper = *(const uint32_t *)(const void *)p;
        for (int y = 0; y < 400; y++)
            for (int x = 0; x < 400; x++) {
                if (*(const uint32_t *)(const void *)(p + y * stride + 4 * x) == paper)
                    continue;
                inked++;
                cr_expect(x >= box.x - 1.5 && x <= box.x + box.w + 0.5 && y >= box.y - 1.5 &&
                          y <= box.y + box.h + 0.5);
            }
        cr_expect(gt(int, inked, 100));
        pl_canvas_free(c);
    }
}

Test(canvas, placed_labels_keep_apart_and_give_up)
{
    pl_canvas *c = sheet(500, 400);
    const pl_type type = { .size = 17, .tone = PL_TONE_INK };
    pl_box frame = { 20, 20, 460, 360 };
    pl_canvas_take(c, (pl_box){ 240, 190, 20, 20 });
    int placed = 0;
    for (int i = 0; i < 100; i++)
        placed += pl_canvas_place(c, &type, 150 + 20 * (i % 10), 100 + 20 * (i / 10), 10, frame,
                                  "some label");
    cr_expect(eq(sz, c->labels, (size_t)placed));
    cr_expect(gt(int, placed, 8));
    cr_expect(lt(int, placed, 100));
    answers_tidy(c, "");
    for (size_t i = 0; i < c->labels; i++)
        cr_expect(not(answers_overlap(c->label[i].box, c->taken[0])));
    pl_canvas_free(c);
}

Test(canvas, long_text_is_cut_in_the_middle)
{
    pl_canvas *c = sheet(500, 100);
    const pl_type type = { .size = 17, .tone = PL_TONE_INK };
    pl_box box = pl_canvas_text_in(c, &type, 10, 40, 200,
                                   "/a/very/long/path/to/some/directory/frame_0042.fits");
    cr_expect(le(dbl, box.w, 200));
    cr_expect(gt(dbl, box.w, 170));
    cr_expect(eq(int, strncmp(c->label[0].text, "/a/very", 7), 0));
    cr_expect(ne(ptr, strstr(c->label[0].text, "..."), NULL));
    cr_expect(ne(ptr, strstr(c->label[0].text, "0042.fits"), NULL));
    pl_canvas_text_in(c, &type, 10, 80, 2, "no room at all");
    cr_expect(eq(sz, c->labels, 1));
    pl_canvas_free(c);
}

Test(canvas, paragraph_stays_in_its_column)
{
    pl_canvas *c = sheet(500, 500);
    const pl_type type = { .size = 17, .tone = PL_TONE_INK };
    const char *text = "A sentence that needs several lines in a narrow column, with a "
                       "wordthatislongerthanthecolumnisandmustbecut in the middle of it.";
    double h = pl_canvas_wrap(c, &type, (pl_box){ 20, 20, 180, 0 }, 20, text);
    cr_expect(epsilon_eq(dbl, h, 1.3 * 17 * (double)c->labels, 1e-9));
    for (size_t i = 0; i < c->labels; i++)
        cr_expect(le(dbl, c->label[i].box.w, 180));
    answers_tidy(c, "");
    size_t all = c->labels;
    pl_canvas_wrap(c, &type, (pl_box){ 220, 20, 180, 0 }, 2, text);
    cr_expect(eq(sz, c->labels, all + 2));
    const char *last = c->label[c->labels - 1].text;
    cr_expect(eq(str, (char *)last + strlen(last) - 3, "..."));
    cr_expect(eq(dbl, pl_canvas_wrap(c, &type, (pl_box){ 0, 300, 90, 0 }, 3, ""), 0));
    pl_canvas_free(c);
}

Test(canvas, a_line_never_ends_between_a_number_and_its_unit)
{
    pl_canvas *c = sheet(300, 500);
    const pl_type type = { .size = 17, .tone = PL_TONE_INK };
    const char *word[] = { "moved", "moved by 42", "moved by 42 um away" };
    double room = pl_canvas_measure(c, &type, 0, 0, word[1]).w + 1;
    pl_canvas_wrap(c, &type, (pl_box){ 20, 20, room, 0 }, 20, word[2]);
    cr_assert(eq(sz, c->labels, 2));
    cr_expect(eq(str, c->label[0].text, "moved by"));
    cr_expect(eq(str, c->label[1].text, "42 um away"));
    /* one that no line holds is broken where it must be */
    room = pl_canvas_measure(c, &type, 0, 0, word[0]).w;
    pl_canvas_wrap(c, &type, (pl_box){ 20, 200, room, 0 }, 20, "42000 micra");
    cr_expect(eq(sz, c->labels, 4));
    pl_canvas_free(c);
}

Test(canvas, any_bytes_are_text)
{
    pl_canvas *c = sheet(300, 100);
    const pl_type type = { .size = 17, .tone = PL_TONE_INK };
    pl_canvas_text(c, &type, 10, 20, "bad \xff\xc0\x80\xed\xa0\x80 \n\t\x1b[0m end");
    pl_canvas_text_in(c, &type, 10, 60, 60,
                      "\xf0\x9f\x98\x80\xf0\x9f\x98\x80\xf0\x9f\x98\x80 a\xcc");
    cr_expect(eq(int, cairo_status(c->cr), CAIRO_STATUS_SUCCESS));
    cr_expect(eq(int, c->failed, PL_OK));
    pl_canvas_free(c);
}

/* ---- axes */

struct tick_row {
    double lo, hi;
    int wanted;
    double want;
    char label[16];
};
ParameterizedTestParameters(plot, tick_steps)
{
    static struct tick_row rows[] = { /* by hand */
                                      { 0, 10, 5, 2, "6" },          { 0, 1, 5, 0.2, "0.6" },
                                      { -60, 60, 8, 20, "60" },      { 3, 3.05, 5, 0.01, "0.03" },
                                      { 0, 9576, 9, 1000, "3000" },  { 10, 0, 5, 2, "6" },
                                      { 0, 7e-4, 7, 1e-4, "0.0003" }
    };
    return cr_make_param_array(struct tick_row, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct tick_row *r, plot, tick_steps)
{
    double step = pl_tick_step(r->lo, r->hi, r->wanted);
    cr_expect(epsilon_eq(dbl, step, r->want, 1e-9 * r->want));
    cr_expect(eq(str, pl_tick_label(3 * step, step).s, r->label));
    cr_expect(eq(str, pl_tick_label(-1e-17 * step, step).s, pl_tick_label(0, step).s));
}

struct axes_row {
    double x0, x1, y0, y1, top0, top1, right0, right1;
};
ParameterizedTestParameters(plot, axes_are_tidy)
{
    static struct axes_row rows[] = { { -60, 60, 0, 6, -30, 30, 0, 10 },
                                      { 0, 1e6, -1e5, 1e5, 0, 0, 0, 0 },
                                      { 5, -5, 0.001, 0.0017, 0, 1e-3, -1, 1 },
                                      { 20000, 20000.5, 1e12, 2e12, 0, 0, 1e-9, 2e-9 } };
    return cr_make_param_array(struct axes_row, rows, sizeof rows / sizeof *rows);
}
ParameterizedTest(struct axes_row *r, plot, axes_are_tidy)
{
    for (int k = 0; k < 2; k++) {
        pl_canvas *c = sheet(k ? 1000 : 640, k ? 640 : 420);
        pl_plot plot = { .x = { r->x0, r->x1, "defocus at the sensor, um", 0 },
                         .y = { r->y0, r->y1, "FWHM, arcsec", 0 },
                         .top = { r->top0, r->top1, "steps", 0 },
                         .right = { r->right0, r->right1, "FWHM, px", 0 } };
        pl_plot_fit(c, &plot, (pl_box){ 20, 20, c->width - 40, c->height - 40 });
        pl_plot_axes(c, &plot);
        cr_expect(gt(sz, c->labels, 6));
        cr_expect(gt(dbl, plot.box.w, 0.5 * c->width));
        answers_tidy(c, "");
        cr_expect(epsilon_eq(dbl, pl_plot_x(&plot, r->x0), plot.box.x, 1e-6));
        cr_expect(epsilon_eq(dbl, pl_plot_y(&plot, r->y1), plot.box.y, 1e-6));
        cr_expect(eq(int, cairo_status(c->cr), CAIRO_STATUS_SUCCESS));
        pl_canvas_free(c);
    }
}

Test(plot, curves_take_any_number)
{
    pl_canvas *c = sheet(400, 300);
    pl_plot plot = { .x = { 0, 1, NULL, 0 }, .y = { 0, 1, NULL, 0 } };
    double x[] = { 0, 0.1, NAN, 0.3, 1e300, -1e300, 0.5 };
    double y[] = { 0, INFINITY, 0, 1e300, -1e300, 0.5, NAN };
    pl_plot_fit(c, &plot, (pl_box){ 10, 10, 380, 280 });
    pl_plot_line(c, &plot, x, y, 7, 2, 4);
    pl_plot_band(c, &plot, x, y, x, 7);
    pl_plot_points(c, &plot, x, y, y, 7, 3);
    pl_canvas_line(c, x, y, 0, 1);
    pl_canvas_arrow(c, 5, 5, 5, 5, 2);
    cr_expect(eq(int, cairo_status(c->cr), CAIRO_STATUS_SUCCESS));
    pl_canvas_free(c);
}

/* ---- PNG */

static char folder[64];

static void make_folder(void)
{
    snprintf(folder, sizeof folder, "/tmp/plumb-test-XXXXXX");
    cr_assert(ne(ptr, mkdtemp(folder), NULL));
}

static size_t files_in_folder(void)
{
    DIR *d = opendir(folder);
    size_t n = 0;
    for (struct dirent *e; (e = readdir(d));)
        n += e->d_name[0] != '.' || strlen(e->d_name) > 2;
    closedir(d);
    return n;
}

static void drop_folder(void)
{
    DIR *d = opendir(folder);
    for (struct dirent *e; (e = readdir(d));)
        unlinkat(dirfd(d), e->d_name, 0);
    closedir(d);
    rmdir(folder);
}

static const char *in_folder(const char *name)
{
    static char path[128];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    return path;
}

static size_t slurp(const char *path, char *out, size_t room)
{
    FILE *f = fopen(path, "rb");
    cr_assert(ne(ptr, f, NULL));
    size_t n = fread(out, 1, room, f);
    fclose(f);
    return n;
}

static bool holds(const char *bytes, size_t n, const char *what)
{
    size_t len = strlen(what);
    for (size_t i = 0; i + len <= n; i++)
        if (memcmp(bytes + i, what, len) == 0)
            return true;
    return false;
}

Test(png, has_text_size_and_the_same_bytes, .init = make_folder, .fini = drop_folder)
{
    static char a[65536], b[65536];
    size_t n[2] = { 0, 0 };
    for (int i = 0; i < 2; i++) {
        pl_canvas *c = sheet(320, 200);
        const pl_type type = { .size = 20, .tone = PL_TONE_INK };
        pl_canvas_text(c, &type, 20, 40, "a picture");
        const pl_chunk chunk[] = { { "Title", "a title" }, { "Description", "na\xc3\xafve \xff" } };
        cr_assert(eq(int, pl_canvas_write(c, in_folder("a.png"), chunk, 2, NULL), PL_OK));
        n[i] = slurp(in_folder("a.png"), i ? b : a, sizeof a);
        pl_canvas_free(c);
    }
    cr_expect(n[0] == n[1] && memcmp(a, b, n[0]) == 0);
    cr_expect(holds(a, n[0], "tEXtTitle"));
    cr_expect(holds(a, n[0], "a title"));
    cr_expect(holds(a, n[0], "iTXtDescription"));
    cr_expect(holds(a, n[0], "na\xc3\xafve \xef\xbf\xbd"));
    cr_expect(holds(a, n[0], "plumb " PL_VERSION));
    cr_expect(not(holds(a, n[0], "tIME")));
    cairo_surface_t *read = cairo_image_surface_create_from_png(in_folder("a.png"));
    cr_expect(eq(int, cairo_image_surface_get_width(read), 320));
    cr_expect(eq(int, cairo_image_surface_get_height(read), 200));
    cairo_surface_destroy(read);
    cr_expect(eq(sz, files_in_folder(), 1));
}

Test(png, says_why_it_cannot_be_written, .init = make_folder, .fini = drop_folder)
{
    pl_canvas *c = sheet(64, 64);
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_canvas_write(c, in_folder("no/such/a.png"), NULL, 0, &err), PL_EIO));
    cr_expect(ne(ptr, strstr(err.msg, "no/such/a.png"), NULL), "%s", err.msg);
    c->failed = PL_ENOMEM;
    err = (pl_err){ PL_OK, "" };
    cr_expect(eq(int, pl_canvas_write(c, in_folder("a.png"), NULL, 0, &err), PL_ENOMEM));
    cr_expect(eq(sz, files_in_folder(), 0));
    pl_canvas_free(c);
}

/* What malloc refuses a library may show in errno alone: it counts from the first stroke on. */
Test(png, memory_refused_beneath_is_no_picture, .init = make_folder, .fini = drop_folder)
{
    errno = ENOMEM; /* as POSIX has malloc leave it */
    pl_canvas *c = sheet(64, 64);
    cr_expect(eq(int, pl_canvas_write(c, in_folder("before.png"), NULL, 0, NULL), PL_OK));
    pl_canvas_free(c);
    for (int more = 0; more < 2; more++) {
        pl_err err = { PL_OK, "" };
        c = sheet(64, 64);
        errno = ENOMEM;
        if (more) {
            pl_canvas_tone(c, PL_TONE_INK, 1);
            errno = ENOENT;
        }
        cr_expect(eq(int, pl_canvas_write(c, in_folder("a.png"), NULL, 0, &err), PL_ENOMEM));
        cr_expect(ne(ptr, strstr(err.msg, "out of memory"), NULL), "%s", err.msg);
        pl_canvas_free(c);
    }
    cr_expect(eq(sz, files_in_folder(), 1));
}

/* ---- files whole or not at all */

Test(write_whole, new_and_replaced, .init = make_folder, .fini = drop_folder)
{
    struct stat st;
    char got[16];
    cr_assert(eq(int, pl_write_whole(in_folder("x"), "one", 3, NULL), PL_OK));
    cr_assert(eq(int, chmod(in_folder("x"), 0640), 0));
    cr_assert(eq(int, pl_write_whole(in_folder("x"), "second", 6, NULL), PL_OK));
    cr_expect(eq(sz, slurp(in_folder("x"), got, sizeof got), 6));
    cr_expect(eq(int, memcmp(got, "second", 6), 0));
    stat(in_folder("x"), &st);
    cr_expect(eq(int, (int)(st.st_mode & 0777), 0640));
    cr_expect(eq(int, pl_write_whole(in_folder("empty"), "", 0, NULL), PL_OK));
    cr_expect(eq(sz, files_in_folder(), 2));
}

Test(write_whole, follows_a_link, .init = make_folder, .fini = drop_folder)
{
    struct stat st;
    char target[128], got[8];
    snprintf(target, sizeof target, "%s", in_folder("real"));
    cr_assert(eq(int, pl_write_whole(target, "old", 3, NULL), PL_OK));
    cr_assert(eq(int, symlink("real", in_folder("link")), 0));
    cr_assert(eq(int, pl_write_whole(in_folder("link"), "new", 3, NULL), PL_OK));
    lstat(in_folder("link"), &st);
    cr_expect(ne(int, S_ISLNK(st.st_mode), 0));
    slurp(target, got, sizeof got);
    cr_expect(eq(int, memcmp(got, "new", 3), 0));
}

Test(write_whole, refuses_with_a_sentence, .init = make_folder, .fini = drop_folder)
{
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_write_whole(folder, "x", 1, &err), PL_EIO));
    cr_expect(ne(ptr, strstr(err.msg, "is a directory"), NULL), "%s", err.msg);
    cr_expect(eq(int, pl_write_whole("", "x", 1, NULL), PL_EARG));
    err = (pl_err){ PL_OK, "" };
    cr_expect(eq(int, pl_write_whole(in_folder("none/x"), "x", 1, &err), PL_EIO));
    cr_expect(ne(ptr, strstr(err.msg, "No such file"), NULL), "%s", err.msg);
    cr_expect(eq(sz, files_in_folder(), 0));
}

Test(write_whole, full_disc)
{
    pl_err err = { PL_OK, "" };
    if (access("/dev/full", W_OK) != 0)
        cr_skip_test("no /dev/full here");
    cr_expect(eq(int, pl_write_whole("/dev/full", "x", 1, &err), PL_EIO));
    cr_expect(ne(ptr, strstr(err.msg, "/dev/full"), NULL), "%s", err.msg);
}
