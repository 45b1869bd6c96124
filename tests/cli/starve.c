/* SPDX-License-Identifier: GPL-3.0-or-later */
/* starve - makes each allocation of the library fail once, in turn, and then that one and all after
 * it. Every call must then end in success or in PL_ENOMEM with a sentence, leave its output as it
 * was, and lose no memory. Linked with -Wl,--wrap, so that only the library's own calls go hungry.
 *   starve FRAME PROFILE */
#include "../../lib/plumb.h"

#include <gsl/gsl_errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void *__real_malloc(size_t size);
void *__real_calloc(size_t n, size_t size);
void *__real_realloc(void *old, size_t size);
void __real_free(void *p);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t n, size_t size);
void *__wrap_realloc(void *old, size_t size);
char *__wrap_strdup(const char *text);
void __wrap_free(void *p);

enum { SLOTS = 1 << 14 };

static long countdown = -1; /* allocations until the hunger; -1: never */
static bool to_the_end;
static long reached;
static void *held[SLOTS]; /* what the library holds */
static size_t holding;

static bool hungry(void)
{
    reached++;
    if (countdown < 0 || countdown > 0) {
        countdown -= countdown > 0;
        return false;
    }
    countdown = to_the_end ? 0 : -1;
    return true;
}

static void *hold(void *p)
{
    for (size_t i = 0; p && i < SLOTS; i++)
        if (!held[i]) {
            held[i] = p;
            holding++;
            return p;
        }
    return p;
}

static void let_go(void *p)
{
    for (size_t i = 0; p && i < SLOTS; i++)
        if (held[i] == p) {
            held[i] = NULL;
            holding--;
            return;
        }
}

void *__wrap_malloc(size_t size)
{
    return hungry() ? NULL : hold(__real_malloc(size));
}

void *__wrap_calloc(size_t n, size_t size)
{
    return hungry() ? NULL : hold(__real_calloc(n, size));
}

void *__wrap_realloc(void *old, size_t size)
{
    if (hungry())
        return NULL;
    void *p = __real_realloc(old, size);
    if (p) {
        let_go(old);
        hold(p);
    }
    return p;
}

char *__wrap_strdup(const char *text)
{
    size_t n = strlen(text) + 1;
    char *p = __wrap_malloc(n);
    return p ? memcpy(p, text, n) : NULL;
}

void __wrap_free(void *p)
{
    let_go(p);
    __real_free(p);
}

static const char *frame_path, *profile_path;

static int complain(const char *what, long at)
{
    printf("%s, allocation %ld%s\n", what, at, to_the_end ? " and all after it" : "");
    return 1;
}

/* A failure must say so; success under hunger is fine (a note may be dropped). */
static int judge(const char *what, pl_status st, const pl_err *err, long at)
{
    if (st != PL_OK && (st != PL_ENOMEM || !err->msg[0])) {
        printf("status %d \"%s\": ", st, err->msg);
        return complain(what, at);
    }
    return 0;
}

static int frame(long at)
{
    pl_err err = { PL_OK, "" };
    pl_frame *frame = NULL;
    pl_field f = { .width_px = 77 };
    pl_facts told = pl_facts_unknown();
    pl_status st = pl_frame_open(frame_path, 1, &frame, &err);
    int wrong = judge("pl_frame_open", st, &err, at);
    if (st != PL_OK)
        return wrong + (frame ? complain("pl_frame_open touched its output", at) : 0);
    st = pl_field_measure(frame, &told, 0, 1, &f, &err);
    wrong += judge("pl_field_measure", st, &err, at);
    if (st != PL_OK && f.width_px != 77)
        wrong += complain("pl_field_measure touched its output", at);
    if (st == PL_OK) {
        free(pl_field_text(&f, "x"));
        free(pl_field_json(&f, "x", true));
        free(pl_field_table(&f, "x"));
        pl_field_clear(&f);
    }
    pl_frame_free(frame);
    return wrong;
}

static int profile(long at)
{
    pl_err err = { PL_OK, "" };
    pl_facts facts = pl_facts_unknown(), before = facts;
    pl_notes notes = { NULL, 0, 0 };
    pl_status st = pl_profile_read(profile_path, &facts, &notes, &err);
    int wrong = judge("pl_profile_read", st, &err, at);
    if (st != PL_OK && memcmp(&facts, &before, sizeof facts) != 0)
        wrong += complain("pl_profile_read touched its output", at);
    pl_notes_clear(&notes);
    return wrong;
}

/* A small scene of everything, rendered and written. */
static int scene(long at)
{
    pl_err err = { PL_OK, "" };
    pl_scene *scene = NULL;
    pl_notes notes = { NULL, 0, 0 };
    pl_sim sim = { .width_px = 77 };
    pl_status st = pl_scene_read("starve.ini", NULL, &scene, &notes, &err);
    int wrong = judge("pl_scene_read", st, &err, at);
    if (st != PL_OK && scene)
        wrong += complain("pl_scene_read touched its output", at);
    if (st == PL_OK) {
        st = pl_sim_render(scene, 0, 1, &sim, &err);
        wrong += judge("pl_sim_render", st, &err, at);
        if (st != PL_OK && sim.width_px != 77)
            wrong += complain("pl_sim_render touched its output", at);
    }
    if (sim.adu) {
        st = pl_sim_save(&sim, "starve.fits", true, &err);
        wrong += judge("pl_sim_save", st, &err, at);
        free(pl_sim_truth(&sim, "x"));
        free(pl_sim_text(&sim, "x"));
        pl_sim_clear(&sim);
    }
    pl_notes_clear(&notes);
    pl_scene_free(scene);
    return wrong;
}

static int write_scene(void)
{
    FILE *f = fopen("starve.ini", "w");
    if (!f)
        return -1;
    fputs("[scope]\naperture_mm = 280\nfocal_mm = 870\nvanes = 4\n[camera]\npixel_um = 4.2\n"
          "width_px = 40\nheight_px = 30\nmosaic = RGGB\nsatellites = 1\n[field]\nstars = 3\n"
          "[sky]\ndew = 0.1\nclouds = 0.3\n[focus]\nfocsu_um = 3\n[exposure]\naltitude_deg = 50\n"
          "exposure_s = 0.001\n[air]\nturbulence = moving\n",
          f);
    return fclose(f);
}

/* Measured once, well fed; then drawn or told in hunger. */
static pl_frame *the_frame;
static pl_field the_field;
static pl_zone the_zone;
static pl_facts the_facts;

static int map(long at)
{
    pl_err err = { PL_OK, "" };
    pl_look look = { .jobs = 1 };
    return judge("pl_field_draw",
                 pl_field_draw(&the_field, the_frame, "x", &look, "starve.png", &err), &err, at);
}

static int zone(long at)
{
    pl_err err = { PL_OK, "" };
    pl_zone z;
    pl_status st = pl_zone_compute(&the_facts, NULL, &z, &err);
    int wrong = judge("pl_zone_compute", st, &err, at);
    if (st == PL_OK) {
        free(pl_zone_text(&z));
        free(pl_zone_json(&z));
        pl_zone_clear(&z);
    }
    return wrong;
}

static int chart(long at)
{
    pl_err err = { PL_OK, "" };
    return judge("pl_zone_draw", pl_zone_draw(&the_zone, false, "starve.png", &err), &err, at);
}

/* `most` of a job's allocations, evenly spread, one after the other. The first run is not counted:
 * the libraries underneath fill their caches. */
static int sweep(const char *name, int (*job)(long), long most)
{
    int wrong = job(-1);
    reached = 0;
    size_t before = holding;
    wrong += job(-1);
    long total = reached;
    if (holding != before)
        wrong += complain("memory lost without any hunger", -1);
    if (total < 1)
        wrong += complain("nothing was allocated, so nothing tested", total);
    for (long at = 0; at < total; at += 1 + total / most) {
        before = holding;
        countdown = at;
        wrong += job(at);
        countdown = -1;
        if (holding != before) {
            printf("%zu blocks lost: ", holding - before);
            wrong += complain(name, at);
        }
    }
    return wrong;
}

int main(int argc, char **argv)
{
    int wrong = 0;
    if (argc != 3)
        return 2;
    frame_path = argv[1];
    profile_path = argv[2];
    gsl_set_error_handler_off();
    the_facts = pl_facts_unknown();
    if (write_scene() != 0 || pl_frame_open(frame_path, 1, &the_frame, NULL) != PL_OK ||
        pl_field_measure(the_frame, &the_facts, 0, 1, &the_field, NULL) != PL_OK ||
        pl_profile_read(profile_path, &the_facts, NULL, NULL) != PL_OK ||
        pl_zone_compute(&the_facts, NULL, &the_zone, NULL) != PL_OK)
        return complain("the well-fed run failed", -1);
    for (int all = 0; all < 2; all++) {
        to_the_end = all;
        wrong += sweep("frame", frame, all ? 40 : 200) + sweep("profile", profile, 200);
        wrong += sweep("map", map, 15) + sweep("zone", zone, 10) + sweep("chart", chart, 6);
        wrong += sweep("scene", scene, all ? 30 : 80);
    }
    pl_zone_clear(&the_zone);
    pl_field_clear(&the_field);
    pl_frame_free(the_frame);
    if (holding)
        wrong += complain("memory lost in the end", (long)holding);
    return wrong ? 1 : 0;
}
