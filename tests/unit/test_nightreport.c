/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A night in words, JSON and a picture; made-up exposures. */
#include "../../lib/align/night/night.h"
#include "../../lib/report/night/night.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { KNOWN = 1, TIMED = 2, ODD = 4 };

static pl_night night_of(size_t n, unsigned how)
{
    pl_subs subs = { NULL, 0, 0, { NULL, 0, 0 } };
    pl_night night;
    pl_err err = { PL_OK, "" };
    pl_facts facts = pl_facts_unknown();
    for (size_t i = 0; i < n; i++) {
        char name[48];
        snprintf(name, sizeof name, "folder/sub-%04zu.fits", i);
        pl_sub *s = pl_sub_blank(&subs, name, &err);
        cr_assert(ne(ptr, s, NULL));
        s->time_s = how & TIMED ? 1949344860 + 300 * (double)i : NAN;
        s->exposure_s = 280;
        s->fwhm_px = 2.7;
        s->eccentricity = 0.2;
        s->chi = how & ODD && i % 3 == 1 ? 0.4 : 0.02;
        s->noise_adu = how & ODD && i % 5 == 2 ? 40 : 14;
        s->measured = true;
        if (how & KNOWN) {
            s->temperature_c = 9 - 0.05 * (double)i;
            s->position_steps = 5000 + 3 * (double)(i / 12);
            s->defocus_um = -1.3 * (double)(i % 12);
            s->defocus_sigma_um = 2;
            s->zone_um = 12;
            s->seeing_arcsec = 2.4;
        }
    }
    cr_assert(eq(int, pl_night_sum(&subs, &facts, &night, &err), PL_OK), "%s", err.msg);
    return night;
}

static bool overlap(pl_box a, pl_box b)
{
    return a.x < b.x + b.w && b.x < a.x + a.w && a.y < b.y + b.h && b.y < a.y + a.h;
}

Test(nightreport, labels_neither_overlap_nor_are_clipped)
{
    const size_t counts[] = { 1, 2, 15, 40, 300 };
    const unsigned hows[] = { 0, TIMED, KNOWN | TIMED, KNOWN | TIMED | ODD, TIMED | ODD };
    for (size_t i = 0; i < PL_ARRAY_LEN(counts) * PL_ARRAY_LEN(hows); i++) {
        size_t n = counts[i % PL_ARRAY_LEN(counts)];
        unsigned how = hows[i / PL_ARRAY_LEN(counts)];
        pl_night night = night_of(n, how);
        pl_canvas *c = NULL;
        cr_assert(eq(int, pl_night_canvas(&night, i % 2, &c, &(pl_err){ PL_OK, "" }), PL_OK));
        for (size_t a = 0; a < c->labels; a++) {
            pl_box box = c->label[a].box;
            cr_expect(box.x >= 0 && box.y >= 0 && box.x + box.w <= c->width &&
                          box.y + box.h <= c->height,
                      "%zu, %u: clipped: %s", n, how, c->label[a].text);
            for (size_t b = 0; b < a; b++)
                cr_expect(not(overlap(box, c->label[b].box)), "%zu, %u: overlap: %s, %s", n, how,
                          c->label[a].text, c->label[b].text);
        }
        pl_canvas_free(c);
        pl_night_clear(&night);
    }
}

Test(nightreport, json_is_an_object_with_all_exposures)
{
    pl_night night = night_of(40, KNOWN | TIMED | ODD);
    char *text = pl_night_json(&night);
    json_t *o = json_loads(text, 0, NULL);
    cr_assert(ne(ptr, o, NULL));
    cr_expect(eq(sz, json_array_size(json_object_get(o, "frames")), 40));
    cr_expect(eq(sz, json_array_size(json_object_get(o, "refocus_events")), 3));
    cr_expect(eq(sz, (size_t)json_integer_value(json_object_get(o, "dropped")), night.dropped));
    json_t *first = json_array_get(json_object_get(o, "frames"), 0);
    cr_expect(eq(str, (char *)json_string_value(json_object_get(first, "time_utc")),
                 (char *)"2031-10-09T20:41:00.000"));
    json_decref(o);
    free(text);
    pl_night_clear(&night);
}

Test(nightreport, text_keeps_to_its_width_and_one_page)
{
    const size_t counts[] = { 1, 40, 300 };
    for (size_t i = 0; i < PL_ARRAY_LEN(counts); i++) {
        pl_night night = night_of(counts[i], KNOWN | TIMED);
        char *text = pl_night_text(&night);
        size_t lines = 0;
        cr_assert(ne(ptr, text, NULL));
        for (char *s = text; *s; lines++) {
            size_t len = strcspn(s, "\n");
            char *file = strstr(s, "sub-");
            cr_expect(len <= 78 || (file && file < s + len), "%.*s", (int)len, s);
            s += len + (s[len] == '\n');
        }
        cr_expect(lines <= 130, "%zu lines", lines);
        free(text);
        pl_night_clear(&night);
    }
}

Test(nightreport, lists_hold_the_names_as_they_were_given)
{
    pl_night night = night_of(3, TIMED);
    char *kept = pl_night_list(&night, PL_KEEP), *dropped = pl_night_list(&night, PL_DROP);
    cr_expect(eq(str, kept,
                 (char *)"folder/sub-0000.fits\nfolder/sub-0001.fits\n"
                         "folder/sub-0002.fits\n"));
    cr_expect(eq(str, dropped, (char *)""));
    free(kept);
    free(dropped);
    pl_night_clear(&night);
}
