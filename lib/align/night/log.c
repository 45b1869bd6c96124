/* SPDX-License-Identifier: GPL-3.0-or-later */
/* log.c - exposures from JSON Lines, as plumb-check --json and plumb-watch write them. */
#include "night.h"

#include <fcntl.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { MOST_BYTES = 256 << 20, MOST_NOTES = 5 };

/* A log being read, and what was left out. */
struct reading {
    const char *path;
    pl_subs *subs;
    size_t taken, bad;
};

/* Within these a number is believed; further out it counts as not told. */
static const struct {
    const char *key;
    size_t offset;
    double lo, hi;
} numbers[] = {
    { "exposure_s", offsetof(pl_sub, exposure_s), 0, 1e6 },
    { "temperature_c", offsetof(pl_sub, temperature_c), -90, 70 },
    { "altitude_deg", offsetof(pl_sub, altitude_deg), -90, 90 },
    { "airmass", offsetof(pl_sub, airmass), 0.9, 50 },
    { "position_steps", offsetof(pl_sub, position_steps), -1e9, 1e9 },
    { "defocus_um", offsetof(pl_sub, defocus_um), -1e5, 1e5 },
    { "defocus_um_sigma", offsetof(pl_sub, defocus_sigma_um), 1e-3, 1e5 },
    { "defocus_size_um", offsetof(pl_sub, size_um), 0, 1e5 },
    { "defocus_size_um_sigma", offsetof(pl_sub, size_sigma_um), 0, 1e5 },
    { "zone_um", offsetof(pl_sub, zone_um), 1e-2, 1e5 },
    { "seeing_arcsec", offsetof(pl_sub, seeing_arcsec), 1e-2, 1e3 },
    { "seeing_arcsec_sigma", offsetof(pl_sub, seeing_sigma_arcsec), 0, 1e3 },
    { "fwhm_px", offsetof(pl_sub, fwhm_px), 1e-2, 1e4 },
    { "fwhm_px_sigma", offsetof(pl_sub, fwhm_sigma_px), 0, 1e4 },
    { "fwhm_arcsec", offsetof(pl_sub, fwhm_arcsec), 1e-2, 1e4 },
    { "eccentricity", offsetof(pl_sub, eccentricity), 0, 1 },
    { "chi", offsetof(pl_sub, chi), 0, 1 },
    { "chi_sigma", offsetof(pl_sub, chi_sigma), 0, 1 },
    { "elongation_deg", offsetof(pl_sub, elongation_deg), -360, 360 },
    { "stars_used", offsetof(pl_sub, stars), 0, 1e9 },
    { "light_adu_s", offsetof(pl_sub, light_adu_s), 1e-9, 1e15 },
    { "trails", offsetof(pl_sub, trails), 0, 1e9 },
    { "sky_adu", offsetof(pl_sub, sky_adu), -1e9, 1e9 },
    { "noise_adu", offsetof(pl_sub, noise_adu), 1e-9, 1e9 },
};

static const char *text_of(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));
    return text ? text : "";
}

static void take_numbers(const json_t *object, pl_sub *s)
{
    for (size_t i = 0; i < PL_ARRAY_LEN(numbers); i++) {
        const json_t *value = json_object_get(object, numbers[i].key);
        double v = json_is_number(value) ? json_number_value(value) : NAN;
        void *at = (char *)s + numbers[i].offset;
        if (v >= numbers[i].lo && v <= numbers[i].hi)
            *(double *)at = v;
    }
    if (isnan(s->defocus_um) || isnan(s->defocus_sigma_um))
        s->defocus_um = s->defocus_sigma_um = NAN;
}

static pl_status take_object(struct reading *r, const json_t *object, pl_err *err)
{
    pl_sub *s = pl_sub_blank(r->subs, text_of(object, "file"), err);
    if (!s)
        return PL_ENOMEM;
    take_numbers(object, s);
    pl_date_seconds(text_of(object, "date_obs"), &s->time_s);
    snprintf(s->object, sizeof s->object, "%s", text_of(object, "object"));
    snprintf(s->filter, sizeof s->filter, "%s", text_of(object, "filter"));
    snprintf(s->why, sizeof s->why, "%s", text_of(object, "reason"));
    pl_sub_trust(s, json_is_true(json_object_get(object, "surface_known")),
                 json_is_true(json_object_get(object, "surface_fits")));
    s->measured = isfinite(s->fwhm_px);
    if (!s->measured)
        snprintf(s->why, sizeof s->why, "%.199s",
                 text_of(object, "error")[0] ? text_of(object, "error")
                                             : "the log holds no width of its stars (fwhm_px)");
    r->taken++;
    return PL_OK;
}

static void left_out(struct reading *r, size_t line, const char *why)
{
    if (r->bad++ < MOST_NOTES)
        pl_note(&r->subs->notes, "line %zu of %.80s is left out: %.80s", line, r->path, why);
}

static pl_status take_line(struct reading *r, const char *text, size_t n, size_t line, pl_err *err)
{
    char why[120];
    json_error_t at;
    pl_status rc = PL_OK;
    if (strspn(text, " \t\r\n") >= n)
        return PL_OK;
    json_t *object = json_loadb(text, n, JSON_REJECT_DUPLICATES, &at);
    const char *program = text_of(object, "program");
    bool ours = strcmp(program, "plumb-check") == 0 || strcmp(program, "plumb-watch") == 0;
    if (ours && text_of(object, "file")[0])
        rc = take_object(r, object, err);
    else {
        snprintf(why, sizeof why, "it is of %.40s; plumb-check or plumb-watch is wanted",
                 program[0] ? program : "no program");
        left_out(r, line,
                 !json_is_object(object) ? "it is no JSON object; was it broken off?"
                 : ours                  ? "it names no file"
                                         : why);
    }
    json_decref(object);
    return rc;
}

pl_status pl_subs_read(const char *path, pl_subs *subs, pl_err *err)
{
    struct reading r = { .path = path, .subs = subs };
    char *text = NULL;
    size_t n = 0, line = 1;
    pl_status rc = pl_load_stream(path, "log", MOST_BYTES, &text, &n, err);
    for (size_t i = 0; rc == PL_OK && i < n; line++) {
        const char *end = memchr(text + i, '\n', n - i);
        size_t length = end ? (size_t)(end - text) - i : n - i;
        rc = take_line(&r, text + i, length, line, err);
        i += length + 1;
    }
    free(text);
    if (r.bad > MOST_NOTES)
        pl_note(&subs->notes, "and %zu more lines of %.80s", r.bad - MOST_NOTES, path);
    if (rc == PL_OK && r.taken == 0)
        rc = pl_fail(err, PL_EFORMAT,
                     "no line of it is an exposure of plumb-check --json or plumb-watch");
    return rc;
}

bool pl_subs_is_log(const char *path)
{
    char first[64];
    struct stat st;
    bool there = stat(path, &st) == 0;
    if (strcmp(path, "-") == 0 || (there && !S_ISREG(st.st_mode) && !S_ISDIR(st.st_mode)))
        return true; /* no frame comes that way */
    int fd = open(path, O_RDONLY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return false;
    ssize_t n = pl_read_at(fd, first, sizeof first - 1, 0);
    close(fd);
    first[n > 0 ? n : 0] = '\0';
    return first[strspn(first, " \t\r\n")] == '{';
}
