/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.c - plumb-laser's answer in words: what keeps eyes and hands whole, the verdict and
 * what to do, the laser, what an alignment with it leaves, what it rests on. Lines of at most 78
 * columns, file names apart. */
#include "laser.h"
#include "../text.h"
#include "../zone/zone.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

bool pl_span_told(const pl_laser_span *s)
{
    return !(s->most - s->least > 1e-9 * fabs(s->most));
}

pl_digits pl_span_words(const pl_laser_span *s, double unit)
{
    if (pl_span_told(s))
        return pl_measured(unit * s->most, unit * s->sigma, 2);
    pl_digits out;
    int digits = pl_decimals(unit * s->sigma, 2);
    snprintf(out.s, sizeof out.s, "%.16s to %.16s", pl_fixed(unit * s->least, digits).s,
             pl_fixed(unit * s->most, digits).s);
    return out;
}

pl_digits pl_span_with(const pl_laser_span *s, double unit, const char *name)
{
    pl_digits out = { "more than is computed" };
    if (isfinite(s->most))
        snprintf(out.s, sizeof out.s, "%.38s %.8s", pl_span_words(s, unit).s, name);
    return out;
}

/* ---- the laser */

static void beam(pl_string *out, const pl_laser *l)
{
    char words[200];
    const double arcmin = 10800 / M_PI / 1e3;
    snprintf(words, sizeof words, "%s mrad = %s arcmin", pl_span_words(&l->tilt_mrad, 1).s,
             pl_span_words(&l->tilt_mrad, arcmin).s);
    pl_text_row(out, "beam's tilt", words);
    snprintf(words, sizeof words, "%s mm at the holder's face",
             pl_span_words(&l->decentre_mm, 1).s);
    pl_text_row(out, "decentre", words);
    if (isnan(l->play_sigma_mrad))
        return;
    if (l->play_mrad > 0)
        snprintf(words, sizeof words,
                 "%s mrad, another each time it is put in: the marks scatter more than their "
                 "reading",
                 pl_measured(l->play_mrad, l->play_sigma_mrad, 2).s);
    else
        snprintf(words, sizeof words, "none that shows above the reading");
    pl_text_row(out, "holder's play", words);
}

static void circle(pl_string *out, const pl_laser_circle *c)
{
    char label[64], words[320];
    snprintf(label, sizeof label, "at %s mm", pl_signif(c->seen.at_mm, 6).s);
    if (c->seen.marks == 0)
        snprintf(words, sizeof words, "radius %s mm, by eye",
                 pl_measured(c->radius_mm, c->radius_sigma_mm, 2).s);
    else
        snprintf(words, sizeof words, "radius %s mm about x %s, y %s; %zu marks, scatter %s mm%s",
                 pl_measured(c->radius_mm, c->radius_sigma_mm, 2).s, pl_fixed(c->middle_x_mm, 1).s,
                 pl_fixed(c->middle_y_mm, 1).s, c->seen.marks, pl_fixed(c->scatter_mm, 2).s,
                 c->oval ? ", along an ellipse" : "");
    pl_text_row(out, label, words);
}

/* ---- what is left */

static void row(pl_string *out, const char *what, const pl_laser_span *s, double unit,
                const char *name, double allowed)
{
    char passes[64] = "-";
    if (isfinite(allowed))
        snprintf(passes, sizeof passes, "%s %s", pl_zone_figure(allowed * unit).s, name);
    pl_string_add(out, "  %-30s%24s%18s\n", what, pl_span_with(s, unit, name).s, passes);
}

static void left(pl_string *out, const pl_laser *l, const pl_laser_left *e)
{
    row(out, "  primary's axis, at the sensor", &e->axis_mm, 1, "mm", l->axis_allowed_mm);
    if (e == &l->bare) {
        row(out, "  coma of that, W131", &e->coma_um, 1, "um", l->coma_allowed_um);
        row(out, "  the same, RMS", &e->coma_nm, 1, "nm", l->coma_allowed_nm);
    }
    row(out, "  stars wider by it", &e->growth, 100, "%", l->growth_allowed);
    row(out, "  image tilted on the sensor", &e->tilt_arcmin, 1, "arcmin", l->tilt_allowed_arcmin);
    if (isfinite(e->corner.most))
        row(out, "  stars wider in the corner", &e->corner, 100, "%", l->growth_allowed);
}

static void leaves(pl_string *out, const pl_laser *l)
{
    pl_string_add(out, "\n  %-30s%24s%18s\n", "Aligned with it, off by", "", "passes");
    row(out, "focuser's axis, at the primary", &l->focuser_mm, 1, "mm", l->focuser_allowed_mm);
    if (l->play_mrad > 0) {
        char words[64];
        snprintf(words, sizeof words, "%s mm", pl_fixed(l->focuser_play_mm, 2).s);
        pl_string_add(out, "  %-30s%24s\n", "  of it by play", words);
    }
    pl_string_add(out, "  primary aligned bare:\n");
    left(out, l, &l->bare);
    pl_string_add(out, "  primary aligned with a diverging (barlowed) beam:\n");
    left(out, l, &l->diverging);
}

/* ---- what it rests on */

static void rests_on(pl_string *out, const pl_laser *l)
{
    char words[240];
    pl_string_add(out, "\n  rests on:\n");
    snprintf(words, sizeof words, "%s mm f/%s, %s mm from the holder's face to the primary",
             pl_signif(l->aperture_mm, 5).s, pl_fixed(l->f_ratio, 2).s, pl_signif(l->path_mm, 5).s);
    pl_text_note(out, words);
    if (l->clockwise)
        pl_text_note(out, "on the paper the spot runs clockwise as the told angles grow (x to the "
                          "right, y up)");
    pl_text_notes(out, &l->notes);
    pl_text_note(out, "Order of adjustment: collimate, then corrector spacing, then tilt, then "
                      "focus. The makers' instructions and local rules come first.");
}

char *pl_laser_text(const pl_laser *l, const char *file)
{
    pl_string out = { 0 };
    pl_string_wrap(&out, "", 0, PL_TEXT_WIDTH, PL_LASER_EYES " " PL_LASER_SUN);
    pl_string_add(&out, "\n");
    pl_text_verdict(&out, file, 0, &l->verdict);
    pl_string_add(&out, "\n");
    beam(&out, l);
    for (size_t i = 0; i < l->circles; i++)
        circle(&out, &l->circle[i]);
    leaves(&out, l);
    rests_on(&out, l);
    return pl_string_take(&out);
}
