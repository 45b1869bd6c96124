/* SPDX-License-Identifier: GPL-3.0-or-later */
/* donut.c - two answers from donuts: what became of coma and the rest.
 *
 * Errors hold the air's share. What depends on the side of focus is compared by its length alone
 * while a side is unknown, at the more alike of both signs. */
#include "change.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { COMA, AXIS, ASTIGMATISM, TREFOIL, SPHERICAL, SHADOW, DEFOCUS };

#define SAY(field, ...) snprintf(field, sizeof(field), __VA_ARGS__)

static bool differ(double a, double b)
{
    return fabs(a / b - 1) > 0.01;
}

static pl_status comparable(const pl_donut *b, const pl_donut *a, pl_err *err)
{
    if (b->width_px != a->width_px || b->height_px != a->height_px)
        return pl_fail(err, PL_EARG,
                       "%d x %d px cannot be compared with the %d x %d px of the frames before: "
                       "take both with one camera and binning",
                       a->width_px, a->height_px, b->width_px, b->height_px);
    if (strcmp(b->mosaic, a->mosaic) != 0)
        return pl_fail(err, PL_EARG,
                       "mosaic %s cannot be compared with %s of the frames before: take both with "
                       "one camera",
                       a->mosaic[0] ? a->mosaic : "none", b->mosaic[0] ? b->mosaic : "none");
    if (differ(b->facts.pixel_um.v, a->facts.pixel_um.v) ||
        differ(b->facts.focal_mm.v, a->facts.focal_mm.v) ||
        differ(b->facts.aperture_mm.v, a->facts.aperture_mm.v))
        return pl_fail(err, PL_EARG,
                       "pixel size, focal length or aperture differ from those of the frames "
                       "before: take both with one telescope and camera");
    return PL_OK;
}

/* Two Zernike terms, cosine and sine, with at least the error that is told of their length. */
static pl_vector terms(const pl_wavefront *w, int cosine, int sine, double sigma)
{
    double x = w->zernike_nm[cosine], y = w->zernike_nm[sine], r = fmax(hypot(x, y), 1e-9);
    double xx = pow(w->zernike_sigma_nm[cosine], 2), yy = pow(w->zernike_sigma_nm[sine], 2);
    double more = fmax(0, sigma * sigma - (xx * x * x + yy * y * y) / (r * r));
    return (pl_vector){ x, y, xx + more, 0, yy + more };
}

static pl_vector times(pl_vector v, double by)
{
    return (pl_vector){ by * v.x, by * v.y, by * by * v.xx, by * by * v.xy, by * by * v.yy };
}

/* From length and direction. */
static pl_vector polar(double r, double sigma, double deg, double deg_sigma)
{
    double a = deg * M_PI / 180, c = cos(a), s = sin(a);
    double across = fmax(sigma, r * fmin(1, deg_sigma * M_PI / 180));
    double u = sigma * sigma, v = across * across;
    return (pl_vector){ r * c, r * s, u * c * c + v * s * s, (u - v) * c * s,
                        u * s * s + v * c * c };
}

static void add(pl_changes *all, pl_change c, double tolerance)
{
    c.tolerance = tolerance;
    pl_change_add(all, c);
}

static void add_items(pl_changes *all, const pl_donut *b, const pl_donut *a)
{
    const pl_wavefront *p = &b->wave, *q = &a->wave;
    bool either = b->side == PL_SIDE_UNKNOWN || a->side == PL_SIDE_UNKNOWN;
    pl_vector before = terms(p, 8, 7, p->coma_sigma_nm), after = terms(q, 8, 7, q->coma_sigma_nm);
    add(all, pl_change_vectors("coma", "nm", before, after, 1, false), a->growth_coma_nm);
    /* the axis lies the other way, so many millimetres for each nanometre */
    double mm = -a->growth_mm / a->growth_coma_nm;
    add(all, pl_change_vectors("axis error", "mm", times(before, mm), times(after, mm), 1, false),
        a->growth_mm);
    add(all,
        pl_change_vectors("astigmatism", "nm", terms(p, 6, 5, p->astigmatism_sigma_nm),
                          terms(q, 6, 5, q->astigmatism_sigma_nm), 2, either),
        a->ideal_coma_nm);
    add(all,
        pl_change_vectors("trefoil", "nm", terms(p, 10, 9, p->trefoil_sigma_nm),
                          terms(q, 10, 9, q->trefoil_sigma_nm), 3, false),
        a->ideal_coma_nm);
    add(all,
        pl_change_numbers("spherical", "nm", p->spherical_nm, p->spherical_sigma_nm,
                          q->spherical_nm, q->spherical_sigma_nm, either),
        a->ideal_coma_nm);
    add(all,
        pl_change_vectors(
            "shadow offset", "mm",
            polar(p->shadow_mm, p->shadow_sigma_mm, p->shadow_deg, p->shadow_sigma_deg),
            polar(q->shadow_mm, q->shadow_sigma_mm, q->shadow_deg, q->shadow_sigma_deg), 1, either),
        NAN);
    add(all,
        pl_change_numbers("defocus", "um", p->defocus_um, p->defocus_sigma_um, q->defocus_um,
                          q->defocus_sigma_um, either),
        NAN);
}

/* ---- words */

static void say_coma(pl_changes *c, const pl_donut *a)
{
    const pl_change *k = &c->item[COMA], *mm = &c->item[AXIS];
    bool inside = a->verdict.state == PL_INSIDE;
    if (k->state == PL_BETTER) {
        SAY(c->text, "better: axis error from %.2f to %.2f mm, coma from %.0f to %.0f nm",
            mm->before, mm->after, k->before, k->after);
        SAY(c->action, "%s",
            inside ? "It is within what this air lets pass: leave it."
                   : "Go on: what is left, and which way the star must go, stands below.");
    } else if (k->state == PL_WORSE) {
        SAY(c->text, "worse: axis error from %.2f to %.2f mm, coma from %.0f to %.0f nm",
            mm->before, mm->after, k->before, k->after);
        SAY(c->action,
            "Turn back what was turned last; which way the star must go stands below. If "
            "nobody touched it, the mirror moved by itself: compare two altitudes.");
    } else {
        SAY(c->text, "the axis moved by %.2f mm %s, the error is as large as before", mm->moved,
            pl_toward(mm->moved_deg));
        SAY(c->action, "The last turn went across: turn another screw. If nobody touched it, the "
                       "mirror moved by itself: compare two altitudes.");
    }
}

static void say_other(pl_changes *c)
{
    static const char *const hint[] = {
        [ASTIGMATISM] = "Astigmatism comes from a strained mirror or flat, or from warm air in the "
                        "tube: compare once more.",
        [TREFOIL] = "Trefoil comes from the mirror's clips and cell.",
        [SPHERICAL] =
            "Spherical aberration comes from the corrector's spacing, or a mirror that is "
            "still cooling.",
    };
    int best = -1;
    for (int i = ASTIGMATISM; i <= SPHERICAL; i++)
        if (c->item[i].seen && (best < 0 || c->item[i].chance < c->item[best].chance))
            best = i;
    if (best >= 0) {
        const pl_change *k = &c->item[best];
        SAY(c->text, "coma is as before; %s %s", k->name, k->text);
        SAY(c->action, "%s", hint[best]);
    } else if (c->item[SHADOW].seen) {
        SAY(c->text, "the wavefront is as before; the secondary's shadow moved by %.1f mm",
            c->item[SHADOW].moved);
        SAY(c->action, "The secondary moved, not the mirror's axis.");
    } else {
        SAY(c->text, "no change that can be seen");
        SAY(c->action, "Turn further before you compare, or take five frames each time: the air "
                       "hides smaller changes.");
    }
}

static void say(pl_changes *c, const pl_donut *a)
{
    bool better = false, worse = false;
    for (int i = COMA; i <= SPHERICAL; i++) {
        better |= c->item[i].state == PL_BETTER;
        worse |= c->item[i].state == PL_WORSE;
    }
    c->state = better && worse ? PL_MIXED : better ? PL_BETTER : worse ? PL_WORSE : PL_SAME;
    if (!c->item[COMA].seen) {
        say_other(c);
        return;
    }
    say_coma(c, a);
    for (int i = ASTIGMATISM; i <= SPHERICAL; i++)
        if (c->item[i].state != PL_SAME)
            snprintf(c->text + strlen(c->text), sizeof c->text - strlen(c->text), "; %s %s",
                     c->item[i].name, c->item[i].state == PL_BETTER ? "fell" : "grew");
}

pl_status pl_donut_change(const pl_donut *before, const pl_donut *after, pl_changes *out,
                          pl_err *err)
{
    pl_changes c = { 0 };
    pl_status rc = comparable(before, after, err);
    if (rc != PL_OK)
        return rc;
    add_items(&c, before, after);
    pl_changes_settle(&c);
    for (size_t i = COMA; i < SHADOW; i++)
        if (c.item[i].seen && isfinite(c.item[i].moved_deg) && i <= AXIS)
            SAY(c.item[i].text, "%s; moved by %.3g %s %s",
                c.item[i].state == PL_BETTER  ? "fell"
                : c.item[i].state == PL_WORSE ? "grew"
                                              : "no better and no worse",
                c.item[i].moved, c.item[i].unit, pl_toward(c.item[i].moved_deg));
    for (size_t i = SHADOW; i <= DEFOCUS; i++) {
        c.item[i].state = PL_SAME;
        if (c.item[i].seen)
            SAY(c.item[i].text, "%s",
                i == SHADOW ? "the secondary moved" : "refocused: not judged");
    }
    if (before->side == PL_SIDE_UNKNOWN || after->side == PL_SIDE_UNKNOWN)
        pl_note(&c.notes, "astigmatism, spherical and shadow are compared without their signs, as "
                          "the side of focus is unknown (--side)");
    say(&c, after);
    *out = c;
    return PL_OK;
}
