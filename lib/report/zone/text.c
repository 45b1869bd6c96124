/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.c - plumb-zone's answer for a person: what to hold first, then the tables, then what
 * all of it rests on. */
#include "zone.h"
#include "../text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { INDENT = 2 };

pl_digits pl_zone_figure(double v)
{
    double size = fabs(v);
    return pl_fixed(v, size >= 99.95 ? 0 : size >= 9.995 ? 1 : size >= 0.9995 ? 2 : 3);
}

void pl_zone_scope(const pl_zone *z, pl_string *out)
{
    pl_string_add(out, "%s mm f/%s", pl_signif(z->optic.aperture_mm, 5).s,
                  pl_fixed(z->optic.f_ratio, 2).s);
    if (z->magnification != 1)
        pl_string_add(out, " (mirror f/%s)", pl_fixed(z->mirror_ratio, 2).s);
    if (z->optic.obstruction > 0)
        pl_string_add(out, ", %s %% obstructed", pl_fixed(100 * z->optic.obstruction, 0).s);
    pl_string_add(out, ", %s um, seeing %s arcsec", pl_signif(z->optic.lambda_um, 4).s,
                  pl_signif(z->optic.seeing_arcsec, 4).s);
}

/* ": 30.6 um of drawtube, 7.7 steps, 11 degrees of the knob", as far as it is known. */
static void add_travel(const pl_travel *t, pl_string *out)
{
    if (fabs(t->drawtube_um - t->sensor_um) > 1e-9 * fabs(t->sensor_um))
        pl_string_add(out, ": %s um of drawtube", pl_zone_figure(t->drawtube_um).s);
    if (isfinite(t->steps))
        pl_string_add(out, ", %s steps", pl_zone_figure(t->steps).s);
    if (t->turns < 0.25)
        pl_string_add(out, ", %s degrees of the knob", pl_signif(360 * t->turns, 2).s);
    else if (isfinite(t->turns))
        pl_string_add(out, ", %s turns of the knob", pl_signif(t->turns, 2).s);
}

void pl_zone_says(const pl_zone *z, pl_string *out)
{
    pl_string_add(out, "Focus within +-%s um at the sensor",
                  pl_zone_figure(z->allowed.sensor_um).s);
    add_travel(&z->allowed, out);
}

/* ---- what to hold */

/* The answer in a sentence. */
static void answer(const pl_zone *z, pl_string *out)
{
    pl_string says = { 0 };
    bool tilt = isfinite(z->tilt_um_mm);
    pl_string_add(&says, "Hold focus within %s um to each side%s the mirror's axis within %s mm",
                  pl_zone_figure(z->allowed.sensor_um).s, tilt ? "," : " and",
                  pl_zone_figure(z->axis_mm).s);
    if (tilt)
        pl_string_add(&says, ", the sensor square within %s arcmin",
                      pl_zone_figure(z->tilt_arcmin).s);
    pl_string_add(&says, ".");
    pl_string_wrap(out, "", 2, PL_TEXT_WIDTH, says.s ? says.s : "");
    out->failed |= says.failed;
    free(pl_string_take(&says));
}

static void hold(const pl_zone *z, pl_string *out)
{
    pl_string focus = { 0 };
    pl_string_add(&focus, "+-%s um at the sensor", pl_zone_figure(z->allowed.sensor_um).s);
    add_travel(&z->allowed, &focus);
    pl_string_wrap(out, "  focus           ", 18, PL_TEXT_WIDTH, focus.s ? focus.s : "");
    free(pl_string_take(&focus));
    pl_string_add(out,
                  "  primary's axis  %s mm from the frame's centre = %s arcmin of the mirror\n",
                  pl_zone_figure(z->axis_mm).s, pl_zone_figure(z->axis_arcmin).s);
    if (isfinite(z->tilt_um_mm))
        pl_string_add(out, "  sensor tilt     %s arcmin = %s um/mm\n",
                      pl_zone_figure(z->tilt_arcmin).s, pl_zone_figure(z->tilt_um_mm).s);
    if (isfinite(z->zone_c))
        pl_string_add(out, "  refocus         every %s C", pl_zone_figure(z->zone_c).s);
    if (isfinite(z->refocus_every_min))
        pl_string_add(out, ", so every %s min at %s C per hour",
                      pl_fixed(z->refocus_every_min, 0).s, pl_signif(z->degrees_per_hour, 4).s);
    pl_string_add(out, isfinite(z->zone_c) ? "\n" : "");
    pl_string_add(out, "  %s min hold     %s subs of %s s: %s min of light\n",
                  pl_signif(z->window_min, 4).s, pl_fixed(z->subs, 0).s, pl_signif(z->sub_s, 4).s,
                  pl_signif(z->light_min, 4).s);
}

static void head(const pl_zone *z, pl_string *out)
{
    pl_string what = { 0 };
    answer(z, out);
    pl_zone_scope(z, &what);
    pl_string_add(&what, ".");
    pl_string_wrap(out, "", 0, PL_TEXT_WIDTH, what.s ? what.s : "");
    if (z->diffraction_rules)
        pl_string_add(out, "What one fault alone may be, quarter wave and lambda/14 at most:\n");
    else
        pl_string_add(out, "What one fault alone may be, the stars growing by %s %%:\n",
                      pl_signif(100 * z->growth, 3).s);
    free(pl_string_take(&what));
    hold(z, out);
    pl_string_add(out, "\nOrder of adjustment: collimate, then corrector spacing, then tilt, then "
                       "focus.\n");
}

/* ---- tables */

static void focus_row(pl_string *out, const char *name, const pl_travel *t)
{
    pl_string_add(out, "  %-31s%10s%13s%10s%10s\n", name, pl_zone_figure(t->sensor_um).s,
                  pl_zone_figure(t->drawtube_um).s, pl_zone_figure(t->steps).s,
                  pl_fixed(t->turns, 3).s);
}

static void focus_table(const pl_zone *z, pl_string *out)
{
    char donut[96], own[96];
    snprintf(donut, sizeof donut, "to make a donut of %s px", pl_signif(z->donut_px, 4).s);
    snprintf(own, sizeof own, "stars %s %% wider (tolerance)", pl_signif(100 * z->growth, 3).s);
    if (z->diffraction_rules)
        snprintf(own, sizeof own, "allowed");
    pl_string_add(out, "\n%-33s%10s%13s%10s%10s\n", "Focus, each side of best", "sensor um",
                  "drawtube um", "steps", "turns");
    focus_row(out, "quarter wave, 2 lambda N^2", &z->quarter);
    focus_row(out, "half of 4.88 lambda N^2", &z->common);
    focus_row(out, "stars 2 % wider", &z->grow_2);
    focus_row(out, "stars 5 % wider", &z->grow_5);
    focus_row(out, "stars 10 % wider", &z->grow_10);
    if (z->diffraction_rules || (z->growth != 0.02 && z->growth != 0.05 && z->growth != 0.10))
        focus_row(out, own, &z->allowed);
    if (isfinite(z->donut_px))
        focus_row(out, donut, &z->donut);
    pl_string_wrap(out, "  ", INDENT, PL_TEXT_WIDTH,
                   "They differ because they ask for different things: a quarter wave keeps the "
                   "image of a perfect telescope in no air (Rayleigh); 4.88 lambda N^2 lets the "
                   "geometric blur become as wide as the Airy disc (common practice, no source; "
                   "0.305 wave); the others are what you see through this air.");
}

static void star_row(pl_string *out, const pl_zone *z, const char *name, double um)
{
    double arcsec = um * z->fwhm_arcsec / z->fwhm_um;
    pl_string_add(out, "  %-31s%10s%13s%10s\n", name, pl_zone_figure(um).s,
                  pl_zone_figure(arcsec).s, pl_zone_figure(um / z->pixel_um).s);
}

static const char *sampling(double fwhm_px)
{
    if (fwhm_px < 1.5)
        return "too coarse to tell shapes well";
    if (fwhm_px < 2)
        return "coarse";
    return fwhm_px <= 4 ? "good (2 to 4 is common practice)" : "fine; binning would lose little";
}

static void star_table(const pl_zone *z, pl_string *out)
{
    pl_string_add(out, "\n%-33s%10s%13s%10s\n", "Star in focus", "um", "arcsec", "px");
    star_row(out, z, "FWHM expected, before pixels", z->fwhm_um);
    star_row(out, z, "half-flux diameter", z->hfd_um);
    star_row(out, z, "FWHM without air", z->diffraction_fwhm_um);
    star_row(out, z, "Airy disc to the first dark ring", z->airy_um);
    star_row(out, z, "pixel that takes all detail", z->nyquist_um);
    if (isfinite(z->pixel_um))
        pl_string_add(out, "  %s arcsec/px; %s px across the star: %s\n",
                      pl_zone_figure(z->scale_arcsec_px).s, pl_zone_figure(z->fwhm_px).s,
                      sampling(z->fwhm_px));
    if (isfinite(z->width_deg) && isfinite(z->height_deg))
        pl_string_add(out, "  field %s x %s deg\n", pl_zone_figure(z->width_deg).s,
                      pl_zone_figure(z->height_deg).s);
    if (isfinite(z->diagonal_mm))
        pl_string_add(out, "  corner %s mm from the centre\n",
                      pl_zone_figure(z->diagonal_mm / 2).s);
}

static void axis_row(pl_string *out, const char *name, double mm, double arcmin)
{
    pl_string_add(out, "  %-37s%14s%18s\n", name, pl_zone_figure(mm).s, pl_zone_figure(arcmin).s);
}

static void axis_table(const pl_zone *z, pl_string *out)
{
    char own[96];
    snprintf(own, sizeof own, "stars %s %% wider in this seeing", pl_signif(100 * z->growth, 3).s);
    if (z->diffraction_rules)
        snprintf(own, sizeof own, "allowed");
    pl_string_add(out, "\n%-39s%14s%18s\n", "Primary's axis off the frame's centre", "mm at sensor",
                  "arcmin at mirror");
    axis_row(out, own, z->axis_mm, z->axis_arcmin);
    axis_row(out, "coma of lambda/14 RMS, the ideal", z->ideal_mm, z->ideal_arcmin);
    if (isfinite(z->corner_coma_um))
        pl_string_add(out, "  without a corrector the corner shows %s um = %s arcsec of coma\n",
                      pl_zone_figure(z->corner_coma_um).s, pl_zone_figure(z->corner_coma_arcsec).s);
}

/* ---- temperature, secondary, time */

static void temperature(const pl_zone *z, pl_string *out)
{
    if (!isfinite(z->thermal_um_c))
        return;
    pl_string_add(out, "\nTemperature\n  Cooling by 1 C moves best focus %s by %s um of drawtube",
                  z->thermal_um_c < 0 ? "out" : "in", pl_zone_figure(fabs(z->thermal_um_c)).s);
    pl_string_add(out, " (%s to %s)\n", pl_zone_figure(-z->thermal_high_um_c).s,
                  pl_zone_figure(-z->thermal_low_um_c).s);
    pl_string_wrap(out, "  ", INDENT, PL_TEXT_WIDTH,
                   "Tube and mirror at one temperature; in brackets the spread of such materials, "
                   "+ = out. A night's own frames tell it better.");
}

static void secondary(const pl_zone *z, pl_string *out)
{
    const pl_secondary *s = &z->secondary;
    if (!isfinite(s->offset_mm))
        return;
    pl_string_add(out, "\nSecondary: away from the focuser and as much towards the primary\n");
    pl_string_add(out, "  %s mm centres the fully lit field, %s mm wide (use this one)\n",
                  pl_zone_figure(s->offset_mm).s, pl_zone_figure(s->lit_mm).s);
    pl_string_add(out, "  %s mm makes its outline concentric seen from the focus\n",
                  pl_zone_figure(s->concentric_mm).s);
    if (s->lit_mm == 0)
        pl_string_add(out, "  it is too small: the axial cone needs %s mm\n",
                      pl_zone_figure(s->needed_mm).s);
}

static void refocusing(const pl_zone *z, pl_string *out)
{
    if (isnan(z->refocuses))
        return;
    pl_string_add(out, "  refocusing in that time: %s x %s s, costs %s subs of %s\n",
                  pl_fixed(z->refocuses, 0).s, pl_signif(z->refocus_cost_s, 4).s,
                  pl_fixed(z->subs_undisturbed - z->subs, 0).s, pl_fixed(z->subs_undisturbed, 0).s);
}

static void budget(const pl_zone *z, pl_string *out)
{
    pl_string_add(
        out, "\nTime\n  %s min of %s s and %s s overhead each: %s subs, %s min of light\n",
        pl_signif(z->window_min, 4).s, pl_signif(z->sub_s, 4).s, pl_signif(z->overhead_s, 4).s,
        pl_fixed(z->subs, 0).s, pl_signif(z->light_min, 4).s);
    refocusing(z, out);
    pl_string_add(out, "  f/%s gives each mm^2 of the sensor %s times the light of f/%s\n",
                  pl_fixed(z->optic.f_ratio, 2).s, pl_signif(z->speed, 3).s,
                  pl_signif(z->other_ratio, 3).s);
}

static void left_out(const pl_notes *list, pl_string *out)
{
    if (list->n)
        pl_string_add(out, "\nLeft out\n");
    for (size_t i = 0; i < list->n; i++)
        pl_string_wrap(out, "  ", 4, PL_TEXT_WIDTH, list->item[i]);
}

static void rests_on(const pl_notes *list, pl_string *out)
{
    pl_string all = { 0 };
    for (size_t i = 0; i < list->n; i++)
        pl_string_add(&all, "%s%s", i ? "; " : "", list->item[i]);
    if (list->n)
        pl_string_add(out, "\nNot told, so assumed\n");
    if (all.s)
        pl_string_wrap(out, "  ", INDENT, PL_TEXT_WIDTH, all.s);
    out->failed |= all.failed;
    free(pl_string_take(&all));
}

char *pl_zone_text(const pl_zone *z)
{
    pl_string out = { 0 };
    head(z, &out);
    focus_table(z, &out);
    axis_table(z, &out);
    star_table(z, &out);
    temperature(z, &out);
    secondary(z, &out);
    budget(z, &out);
    left_out(&z->missing, &out);
    rests_on(&z->notes, &out);
    return pl_string_take(&out);
}
