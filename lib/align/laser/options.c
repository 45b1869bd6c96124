/* SPDX-License-Identifier: GPL-3.0-or-later */
/* options.c - the settings of plumb-laser, their ranges and defaults. */
#include "laser.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Common practice, no source: half a square of millimetre paper; a clock's hand told to a tenth of
 * an hour and the paper held level by eye; an eyepiece's focus at the holder's face; the lens of a
 * short barlow. */
pl_laser_options pl_laser_defaults(void)
{
    return (pl_laser_options){ .reading_mm = { 0.5, PL_FROM_DEFAULT },
                               .turning_deg = { 5, PL_FROM_DEFAULT },
                               .behind_mm = { 0, PL_FROM_DEFAULT },
                               .lens_mm = { 100, PL_FROM_DEFAULT },
                               .evening = pl_zone_defaults() };
}

/* "5000:12" */
static pl_status take_circle(pl_laser_sheets *s, const char *value, pl_err *err)
{
    char at_text[32];
    double at = 0, across = 0;
    const char *gap = strchr(value, ':');
    size_t n = gap ? (size_t)(gap - value) : 0;
    if (!gap || n >= sizeof at_text)
        return pl_fail(err, PL_EARG,
                       "--circle is \"%.40s\"; 5000:12 is wanted: mm to the paper, and mm across "
                       "the circle",
                       value);
    memcpy(at_text, value, n);
    at_text[n] = '\0';
    if (!pl_number(at_text, &at) || !(at >= 100 && at <= 100000) || !pl_number(gap + 1, &across) ||
        !(fabs(across) <= 2000))
        return pl_fail(err, PL_EARG,
                       "--circle is \"%.40s\"; mm to the paper (100 to 100000), a colon, and mm "
                       "across the circle (up to 2000) are wanted",
                       value);
    for (size_t i = 0; i < s->sheets; i++)
        if (s->sheet[i].at_mm == at)
            return pl_fail(err, PL_EARG, "--circle tells of %g mm twice", at);
    if (s->sheets == PL_LASER_SHEETS)
        return pl_fail(err, PL_EARG, "--circle a third time; take the nearest and the farthest");
    bool first = s->sheets == 1 && at < s->sheet[0].at_mm;
    if (first)
        s->sheet[1] = s->sheet[0];
    s->sheet[first ? 0 : s->sheets] = (pl_laser_sheet){ .at_mm = at, .across_mm = across };
    s->sheets++;
    return PL_OK;
}

pl_status pl_laser_set(pl_laser_options *o, const char *name, const char *value, pl_err *err)
{
    static const pl_option table[] = {
        { "reading", "mm", 0.01, 20, offsetof(pl_laser_options, reading_mm) },
        { "angle-error", "degrees", 0.1, 30, offsetof(pl_laser_options, turning_deg) },
        { "behind", "mm", -300, 300, offsetof(pl_laser_options, behind_mm) },
        { "lens", "mm", 10, 1000, offsetof(pl_laser_options, lens_mm) },
    };
    double v;
    if (strcmp(name, "circle") == 0)
        return take_circle(&o->by_eye, value, err);
    const pl_option *row = pl_option_named(table, PL_ARRAY_LEN(table), name);
    if (!row)
        return pl_zone_set(&o->evening, name, value, err);
    pl_status st = pl_option_read(row, name, value, &v, err);
    if (st == PL_OK)
        *(pl_num *)(void *)((char *)o + row->offset) = (pl_num){ v, PL_FROM_OPTION };
    return st;
}
