/* SPDX-License-Identifier: GPL-3.0-or-later */
/* answers.c - what the tests of texts, JSON and pictures ask of each of them. */
#include "answers.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

pl_num answers_told(double v)
{
    return (pl_num){ v, PL_FROM_PROFILE };
}

bool answers_noted(const pl_notes *notes, const char *words)
{
    for (size_t i = 0; i < notes->n; i++)
        if (strstr(notes->item[i], words))
            return true;
    return false;
}

void answers_lines(const char *text)
{
    for (const char *s = text; *s; s += strcspn(s, "\n"), s += *s == '\n') {
        cr_expect(le(sz, strcspn(s, "\n"), 78), "%.90s", s);
        for (const char *c = s; *c && *c != '\n'; c++)
            cr_expect(31 < *c && *c < 127, "%.90s", s);
    }
    cr_expect(eq(ptr, strstr(text, "nan"), NULL), "%s", text);
}

void answers_words(const char *text, const char *const *want, size_t n)
{
    cr_assert(ne(ptr, (void *)text, NULL));
    for (size_t i = 0; i < n; i++)
        cr_expect(ne(ptr, strstr(text, want[i]), NULL), "no \"%s\" in:\n%s", want[i], text);
}

json_t *answers_parsed(char *line)
{
    json_error_t why;
    cr_assert(ne(ptr, line, NULL));
    cr_expect(eq(sz, strcspn(line, "\n"), strlen(line) - 1), "one line");
    json_t *o = json_loads(line, JSON_REJECT_DUPLICATES, &why);
    cr_assert(ne(ptr, o, NULL), "%s", why.text);
    free(line);
    return o;
}

double answers_number(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    cr_expect(ne(ptr, (void *)v, NULL), "no %s", key);
    return v && json_is_number(v) ? json_number_value(v) : NAN;
}

bool answers_is(const json_t *o, const char *key, json_type type)
{
    const json_t *v = json_object_get(o, key);
    return v && json_typeof(v) == type;
}

bool answers_overlap(pl_box a, pl_box b)
{
    return a.x < b.x + b.w && b.x < a.x + a.w && a.y < b.y + b.h && b.y < a.y + a.h;
}

void answers_tidy(const pl_canvas *c, const char *what)
{
    cr_expect(eq(int, (int)c->failed, PL_OK), "%s", what);
    cr_expect(eq(int, cairo_status(c->cr), CAIRO_STATUS_SUCCESS), "%s", what);
    for (size_t i = 0; i < c->labels; i++) {
        pl_box a = c->label[i].box;
        cr_expect(a.x >= 0 && a.y >= 0 && a.x + a.w <= c->width && a.y + a.h <= c->height,
                  "%s: clipped: %s", what, c->label[i].text);
        for (size_t k = i + 1; k < c->labels; k++)
            cr_expect(not(answers_overlap(a, c->label[k].box)), "%s: overlap: %s, %s", what,
                      c->label[i].text, c->label[k].text);
    }
}

int answers_labels(const pl_canvas *c, const char *text)
{
    int n = 0;
    for (size_t i = 0; i < c->labels; i++)
        n += strstr(c->label[i].text, text) != NULL;
    return n;
}

const pl_label *answers_label(const pl_canvas *c, const char *text)
{
    for (size_t i = 0; i < c->labels; i++)
        if (strstr(c->label[i].text, text))
            return &c->label[i];
    return NULL;
}

uint32_t answers_pixel(const pl_canvas *c, int x, int y)
{
    const unsigned char *p = cairo_image_surface_get_data(c->surface);
    return *(const uint32_t *)(const void *)(p + y * cairo_image_surface_get_stride(c->surface) +
                                             4 * x) &
           0xffffff;
}

uint32_t answers_tone(const pl_canvas *c, pl_tone t)
{
    pl_rgb v = pl_tone_rgb(c->red, t);
    return (uint32_t)lround(255 * v.r) << 16 | (uint32_t)lround(255 * v.g) << 8 |
           (uint32_t)lround(255 * v.b);
}

void answers_red(pl_canvas *c)
{
    long lit = 0, other = 0;
    for (int y = 0; y < c->height; y++)
        for (int x = 0; x < c->width; x++) {
            lit += answers_pixel(c, x, y) >> 16 > 60;
            other += (answers_pixel(c, x, y) & 0xffff) != 0;
        }
    cr_expect(gt(long, lit, 5000));
    cr_expect(eq(long, other, 0));
    pl_canvas_free(c);
}

void answers_writes(pl_status draw(const void *what, const char *path, pl_err *err),
                    const void *what)
{
    char path[] = "/tmp/plumb-answer-XXXXXX";
    pl_err err = { PL_OK, "" };
    int fd = mkstemp(path);
    cr_assert(ge(int, fd, 0));
    close(fd);
    cr_expect(eq(int, draw(what, path, &err), PL_OK), "%s", err.msg);
    cairo_surface_t *read = cairo_image_surface_create_from_png(path);
    cr_expect(eq(int, cairo_image_surface_get_width(read), 1600));
    cairo_surface_destroy(read);
    unlink(path);
    cr_expect(eq(int, draw(what, "/nowhere/answer.png", &err), PL_EIO));
}
