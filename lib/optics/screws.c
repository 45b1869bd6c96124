/* SPDX-License-Identifier: GPL-3.0-or-later */
/* screws.c - the adjusting screws of a plate or a mirror's cell, as the profile tells them. */
#include "optics.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { FEWEST = 3 };                /* three points make a plane */
static const double APART_DEG = 5;  /* nearer than that, two screws are one written twice */
static const double SQUARE_DEG = 1; /* columns and rows are at right angles on any sensor */
static const char ANGLES[] = "3 to 6 angles in degrees, each one once";

/* An angle in [0, 360). */
static double turned(double deg)
{
    double in = fmod(deg, 360);
    return in < 0 ? in + 360 : in;
}

/* Between two directions, [0, 180]. */
static double between(double a, double b)
{
    double d = turned(a - b);
    return d > 180 ? 360 - d : d;
}

static pl_status number(const char *key, const char *value, double lo, double hi, double *out,
                        pl_err *err)
{
    double v;
    if (!pl_number(value, &v) || !(v >= lo && v <= hi))
        return pl_fail(err, PL_EFORMAT, "%s is \"%.40s\"; a number from %g to %g is wanted", key,
                       value, lo, hi);
    *out = v;
    return PL_OK;
}

static pl_status direction(const char *key, const char *value, double *out, pl_err *err)
{
    double deg;
    pl_status rc = number(key, value, -360, 360, &deg, err);
    if (rc == PL_OK)
        *out = turned(deg);
    return rc;
}

/* One angle of the list. */
static pl_status add_angle(pl_screws *s, const char *word, pl_err *err)
{
    double deg;
    if (s->screws == PL_SCREWS_MAX)
        return pl_fail(err, PL_EFORMAT, "angles_deg holds more than %d; wanted: %s", PL_SCREWS_MAX,
                       ANGLES);
    pl_status rc = direction("angles_deg", word, &deg, err);
    if (rc != PL_OK)
        return rc;
    for (size_t i = 0; i < s->screws; i++)
        if (between(s->angle_deg[i], deg) < APART_DEG)
            return pl_fail(err, PL_EFORMAT,
                           "angles_deg has %g and %g, less than %g degrees apart; wanted: %s",
                           s->angle_deg[i], deg, APART_DEG, ANGLES);
    s->angle_deg[s->screws++] = deg;
    return PL_OK;
}

static pl_status angles(pl_screws *s, const char *value, pl_err *err)
{
    static const char gap[] = ", \t";
    pl_status rc = PL_OK;
    s->screws = 0;
    for (value += strspn(value, gap); *value && rc == PL_OK; value += strspn(value, gap)) {
        char word[40];
        size_t n = strcspn(value, gap);
        snprintf(word, sizeof word, "%.*s", (int)(n < sizeof word ? n : sizeof word - 1), value);
        rc = add_angle(s, word, err);
        value += n;
    }
    if (rc == PL_OK && s->screws < FEWEST)
        return pl_fail(err, PL_EFORMAT, "angles_deg holds %zu; wanted: %s", s->screws, ANGLES);
    return rc;
}

static pl_status kind(pl_screws *s, const char *value, pl_err *err)
{
    static const char *const word[] = { "push", "pull", "pushpull" };
    for (size_t i = 0; i < PL_ARRAY_LEN(word); i++)
        if (strcmp(value, word[i]) == 0) {
            snprintf(s->kind, sizeof s->kind, "%s", value);
            return PL_OK;
        }
    return pl_fail(err, PL_EFORMAT, "kind is \"%.40s\"; push, pull or pushpull is wanted", value);
}

static pl_status clockwise(pl_screws *s, const char *value, pl_err *err)
{
    bool in = strcmp(value, "in") == 0;
    if (!in && strcmp(value, "out") != 0)
        return pl_fail(err, PL_EFORMAT,
                       "clockwise is \"%.40s\"; in (away from you) or out (towards you) is wanted",
                       value);
    s->clockwise = in ? 1 : -1;
    return PL_OK;
}

static pl_status take(void *ctx, const char *section, const char *key, const char *value,
                      pl_err *err)
{
    pl_screws *s = ctx;
    (void)section;
    if (strcmp(key, "radius_mm") == 0)
        return number(key, value, 1, 10000, &s->radius_mm, err);
    if (strcmp(key, "angles_deg") == 0)
        return angles(s, value, err);
    if (strcmp(key, "pitch_mm") == 0)
        return number(key, value, 0.05, 20, &s->pitch_mm, err);
    if (strcmp(key, "kind") == 0)
        return kind(s, value, err);
    if (strcmp(key, "clockwise") == 0)
        return clockwise(s, value, err);
    return direction(key, value, strcmp(key, "rows_deg") == 0 ? &s->rows_deg : &s->columns_deg,
                     err);
}

/* What the keys say together. */
static pl_status agree(const pl_screws *s, const char *section, pl_err *err)
{
    if (s->screws > 0 && isnan(s->radius_mm))
        return pl_fail(err, PL_EFORMAT,
                       "[%s] angles_deg is given but not radius_mm: how far the screws are from "
                       "the axis, mm",
                       section);
    if (s->screws == 0 && !isnan(s->radius_mm))
        return pl_fail(err, PL_EFORMAT,
                       "[%s] radius_mm is given but not angles_deg: where the screws are; wanted: "
                       "%s",
                       section, ANGLES);
    if (fabs(between(s->columns_deg, s->rows_deg) - 90) > SQUARE_DEG)
        return pl_fail(err, PL_EFORMAT,
                       "[%s] columns_deg %g and rows_deg %g are %g degrees apart; the last column "
                       "and the last row are 90 apart on any sensor",
                       section, s->columns_deg, s->rows_deg, between(s->columns_deg, s->rows_deg));
    return PL_OK;
}

pl_status pl_screws_read(const char *path, const char *section, pl_screws *out, pl_err *err)
{
    pl_screws s = {
        .radius_mm = NAN, .pitch_mm = NAN, .clockwise = NAN, .columns_deg = NAN, .rows_deg = NAN
    };
    if (strcmp(section, "plate") != 0 && strcmp(section, "cell") != 0)
        return pl_fail(err, PL_EARG, "section [%.40s] holds no screws; plate and cell do", section);
    pl_status rc = pl_profile_section(path, section, take, &s, err);
    if (rc == PL_OK)
        rc = agree(&s, section, err);
    if (rc == PL_OK)
        *out = s;
    return rc;
}
