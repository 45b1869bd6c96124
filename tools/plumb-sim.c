/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plumb-sim - what would this telescope's frame look like with these faults, in this air? */
#include "cli.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { OPT_PACKED = 0x400, OPT_KEYS };

struct own {
    const char *out;
    bool packed, keys;
};

static const cli_option options[] = {
    { "out", 'o', "FILE", "where the frame goes (a series: FILE's stem, -0001.fits ...)" },
    { "packed", OPT_PACKED, NULL, "compress the pixels (Rice, lossless)" },
    { "keys", OPT_KEYS, NULL, "print every key of a scene with its meaning; itself a scene" },
    { NULL, 0, NULL, NULL },
};

static const char *const facts[] = {
    "aperture_mm", "focal_mm",      "mirror_focal_mm", "obstruction", "vanes",   "vane_mm",
    "vane_deg",    "pixel_um",      "width_px",        "height_px",   "mosaic",  "saturation_adu",
    "gain_e_adu",  "read_noise_e",  "step_um",         "outward",     "carries", "exposure_s",
    "date_obs",    "temperature_c", "altitude_deg",    NULL,
};

static int take(void *ctx, int letter, const char *value, pl_err *err)
{
    struct own *o = ctx;
    (void)err;
    if (letter == 'o')
        o->out = value;
    else if (letter == OPT_PACKED)
        o->packed = true;
    else
        o->keys = true;
    return 0;
}

static const cli_program program = {
    .name = "plumb-sim",
    .usage = "[OPTION]... -o FILE SCENE",
    .undrawn = true,
    .about = "Renders the frames that a telescope would take of a scene: stars through given air,\n"
             "with given faults of focus, sensor, mirrors and tracking. The truth goes beside\n"
             "them, to FILE's stem.truth.jsonl. The scene is a text, see plumb-scene(5).\n",
    .status = "  0  rendered\n  2  not rendered: the scene or a fact is wrong, or a file cannot be "
              "written\n",
    .options = options,
    .facts = facts,
    .own = take,
};

/* FILE itself, or its stem with a suffix: "dusk.fits" -> "dusk-0003.fits". malloc'd. */
static char *beside(const char *out, const char *suffix)
{
    size_t len, size;
    const char *base = cli_stem(out, &len);
    size_t head = (size_t)(base - out) + len;
    size = head + strlen(suffix) + 1;
    char *path = malloc(size);
    if (path)
        snprintf(path, size, "%.*s%s", (int)head, out, suffix);
    return path;
}

static char *frame_path(const struct own *o, size_t frames, size_t frame)
{
    char suffix[32];
    snprintf(suffix, sizeof suffix, "-%04zu.fits%s", frame + 1, o->packed ? ".fz" : "");
    return frames > 1 ? beside(o->out, suffix) : strdup(o->out);
}

/* The truth of all frames so far: malloc'd, grows. */
struct truth {
    char *text;
    size_t n;
};

static bool add(struct truth *t, char *line)
{
    size_t n = line ? strlen(line) : 0;
    char *text = line ? realloc(t->text, t->n + n + 1) : NULL;
    if (text) {
        memcpy(text + t->n, line, n + 1);
        t->text = text;
        t->n += n;
    }
    return text != NULL;
}

static void remark(const cli *c, const pl_notes *notes)
{
    for (size_t i = 0; i < notes->n && !c->quiet; i++)
        cli_complain(c, NULL, notes->item[i]);
}

/* One frame to its file; its truth to `truth` and, as asked, to stdout. */
static pl_status one(const cli *c, const struct own *o, const pl_scene *scene, size_t frame,
                     struct truth *truth, pl_err *err)
{
    pl_sim sim;
    pl_status st = pl_sim_render(scene, frame, c->jobs, &sim, err);
    if (st != PL_OK)
        return st;
    char *path = frame_path(o, pl_scene_frames(scene), frame);
    st = path ? pl_sim_save(&sim, path, o->packed, err) : PL_ENOMEM;
    if (st == PL_OK) {
        char *line = pl_sim_truth(&sim, path), *text = pl_sim_text(&sim, path);
        if (!cli_is_whole(text) || !add(truth, line))
            st = PL_ENOMEM;
        else
            fputs(c->json ? line : text, stdout);
        free(line);
        free(text);
    }
    if (frame == 0)
        remark(c, &sim.notes);
    free(path);
    pl_sim_clear(&sim);
    return st;
}

/* Whether no file written is one that is read. */
static bool spares(const cli *c, const struct own *o, const pl_scene *scene, const char *truth)
{
    const char *list = pl_scene_list(scene);
    bool good = cli_spares_inputs(c, truth) && !(list && cli_same_file(truth, list)), room = true;
    for (size_t i = 0; i < pl_scene_frames(scene) && good && room; i++) {
        char *path = frame_path(o, pl_scene_frames(scene), i);
        room = path != NULL;
        good = room && cli_spares_inputs(c, path) && !(list && cli_same_file(path, list));
        free(path);
    }
    if (!room)
        cli_failed(c, NULL, &(pl_err){ PL_ENOMEM, "" });
    else if (!good)
        cli_complain(c, NULL, "a file that is read would be written over; give --out another name");
    return good;
}

static int render(const cli *c, const struct own *o, const pl_scene *scene, const char *truth_path)
{
    pl_err err = { PL_OK, "" };
    pl_status st = PL_OK;
    struct truth truth = { NULL, 0 };
    size_t n = pl_scene_frames(scene);
    for (size_t i = 0; i < n && st == PL_OK; i++) {
        cli_progress(c, (int)i, (int)n);
        st = one(c, o, scene, i, &truth, &err);
    }
    cli_progress(c, (int)n, (int)n);
    if (st == PL_OK)
        st = pl_write_whole(truth_path, truth.text, truth.n, &err);
    free(truth.text);
    return st == PL_OK ? EXIT_WITHIN : cli_failed(c, NULL, &err);
}

static int print_keys(const cli *c)
{
    return cli_print(c, pl_scene_template());
}

static int run(cli *c, const struct own *o)
{
    pl_err err = { PL_OK, "" };
    pl_notes notes = { NULL, 0, 0 };
    pl_scene *scene = NULL;
    if (o->keys)
        return print_keys(c);
    if (c->files != 1)
        return cli_misuse(c, "name one scene");
    if (!o->out)
        return cli_misuse(c, "say where the frame goes: --out FILE.fits");
    if (c->png || c->red)
        return cli_misuse(c, "nothing is drawn here; plumb-field --png draws a frame");
    char *truth = beside(o->out, ".truth.jsonl");
    if (!truth)
        return cli_failed(c, NULL, &err);
    int status = EXIT_UNMEASURED;
    if (pl_scene_read(c->file[0], &c->facts, &scene, &notes, &err) != PL_OK) {
        cli_failed(c, c->file[0], &err);
    } else {
        for (size_t i = 0; i < notes.n && !c->quiet; i++)
            cli_complain(c, c->file[0], notes.item[i]);
        if (spares(c, o, scene, truth))
            status = render(c, o, scene, truth);
    }
    pl_notes_clear(&notes);
    pl_scene_free(scene);
    free(truth);
    return status;
}

int main(int argc, char **argv)
{
    cli c;
    struct own o = { 0 };
    int status = cli_parse(&program, argc, argv, &c, &o);
    if (status < 0)
        status = run(&c, &o);
    return cli_close(&c, status);
}
