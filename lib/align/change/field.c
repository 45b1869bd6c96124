/* SPDX-License-Identifier: GPL-3.0-or-later */
/* field.c - two frames of one camera: what became of the patterns. */
#include "change.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double SCALE_ALIKE = 0.01, NO_WIDER = 0.02;

/* Items in this order; the first PL_PATTERNS are the patterns. */
enum { BOWL = PL_PATTERNS, COMATIC, STRETCHED, WIDTH };

static pl_status comparable(const pl_field *b, const pl_field *a, pl_err *err)
{
    if (b->width_px != a->width_px || b->height_px != a->height_px)
        return pl_fail(
            err, PL_EARG,
            "%d x %d px cannot be compared with the %d x %d px of the frame before: take "
            "two frames of one camera and binning",
            a->width_px, a->height_px, b->width_px, b->height_px);
    if (strcmp(b->mosaic, a->mosaic) != 0)
        return pl_fail(err, PL_EARG,
                       "mosaic %s cannot be compared with %s of the frame before: take two frames "
                       "of one camera",
                       a->mosaic[0] ? a->mosaic : "none", b->mosaic[0] ? b->mosaic : "none");
    if (fabs(a->scale_arcsec_px / b->scale_arcsec_px - 1) > SCALE_ALIKE)
        return pl_fail(err, PL_EARG,
                       "%.4g arcsec/px cannot be compared with the %.4g of the frame before: take "
                       "two frames of one telescope and camera",
                       a->scale_arcsec_px, b->scale_arcsec_px);
    if (fabs(a->facts.origin_x_px.v - b->facts.origin_x_px.v) > 0 ||
        fabs(a->facts.origin_y_px.v - b->facts.origin_y_px.v) > 0 ||
        strcmp(a->facts.row_order.s, b->facts.row_order.s) != 0)
        return pl_fail(err, PL_EARG,
                       "the frame before shows another part of the sensor, or its rows run the "
                       "other way: take two frames stored alike");
    return PL_OK;
}

static pl_status refit(const pl_field *f, pl_pattern_fit *out, const char *which, pl_err *err)
{
    pl_view v = { 0, 0, 0.5 * hypot(f->width_px, f->height_px) };
    if (f->used < PL_PATTERN_STARS)
        return pl_fail(err, PL_ENODATA,
                       "%zu usable stars in the frame %s, %d are needed to compare", f->used, which,
                       PL_PATTERN_STARS);
    pl_sensor_centre(&f->facts, f->width_px, f->height_px, &v.x_px, &v.y_px);
    return pl_patterns_fit(f->star, f->used, &v, out, err);
}

/* ---- the items */

/* A signed amplitude and its error. */
typedef struct {
    double v, sigma;
} amount;

static void add(pl_changes *all, pl_change c, double tolerance)
{
    c.tolerance = tolerance;
    pl_change_add(all, c);
}

static void add_amount(pl_changes *all, const char *name, const char *unit, amount b, amount a,
                       double swell, int order, double tolerance)
{
    add(all, pl_change_numbers_in_air(name, unit, b.v, b.sigma, a.v, a.sigma, swell, order),
        tolerance);
}

static amount of_pattern(const pl_pattern *p)
{
    return (amount){ p->amplitude, p->amplitude_sigma };
}

/* Ellipticity; where not both frames show a turning field it is left out of both. */
static void add_stretch(pl_changes *all, const pl_pattern_fit *b, const pl_pattern_fit *a,
                        const pl_pattern *tolerable, double swell)
{
    bool both = a->p[PL_TURNING].amplitude > 0 && b->p[PL_TURNING].amplitude > 0;
    const pl_vector *vb = both ? &b->vector[PL_EVEN_STRETCH] : &b->unturned,
                    *va = both ? &a->vector[PL_EVEN_STRETCH] : &a->unturned;
    amount ob = { b->unturned_outward, b->unturned_sigma },
           oa = { a->unturned_outward, a->unturned_sigma };
    if (both) {
        ob = of_pattern(&b->p[PL_OUTWARD_STRETCH]);
        oa = of_pattern(&a->p[PL_OUTWARD_STRETCH]);
    }
    add(all, pl_change_vectors_in_air("even stretch", "chi", *vb, *va, 2, swell, 2),
        tolerable[PL_EVEN_STRETCH].tolerance);
    add_amount(all, "turning", "chi", of_pattern(&b->p[PL_TURNING]), of_pattern(&a->p[PL_TURNING]),
               swell, 2, tolerable[PL_TURNING].tolerance);
    add_amount(all, "outward stretch", "chi", ob, oa, swell, 2,
               tolerable[PL_OUTWARD_STRETCH].tolerance);
}

/* Over the frame r^2 has a mean of a third, r of a half: so much more may the corner have. */
static void add_rest(pl_changes *all, const pl_pattern_fit *b, const pl_pattern_fit *a,
                     const pl_field *after, double swell)
{
    const pl_pattern *p = after->pattern;
    add(all,
        pl_change_vectors_in_air("size slope", "fraction", b->vector[PL_SIZE_SLOPE],
                                 a->vector[PL_SIZE_SLOPE], 1, swell, 2),
        p[PL_SIZE_SLOPE].tolerance);
    add(all,
        pl_change_vectors_in_air("one-sided flare", "sigma^3", b->vector[PL_FLARE],
                                 a->vector[PL_FLARE], 1, swell, 3),
        p[PL_FLARE].tolerance);
    add(all,
        pl_change_vectors_in_air("three-cornered", "sigma^3", b->vector[PL_CORNERED],
                                 a->vector[PL_CORNERED], 3, swell, 3),
        p[PL_CORNERED].tolerance);
    add_amount(all, "bowl", "fraction", (amount){ b->bowl, b->bowl_sigma },
               (amount){ a->bowl, a->bowl_sigma }, swell, 2, 3 * after->facts.fwhm_growth.v);
    add_amount(all, "outward flare", "sigma^3", (amount){ b->comatic, b->comatic_sigma },
               (amount){ a->comatic, a->comatic_sigma }, swell, 3, 2 * p[PL_FLARE].tolerance);
}

/* The square of an ellipticity is what has an even error: eccentricities near nought have none. */
static amount square_of(double e, double sigma)
{
    double high = (e + sigma) * (e + sigma), low = e * e;
    double chi_high = high / (2 - fmin(high, 1)), chi = low / (2 - low);
    return (amount){ chi * chi, chi_high * chi_high - chi * chi };
}

static amount root_of(double square, double sigma)
{
    double chi = sqrt(square), high = sqrt(square + sigma), e = sqrt(2 * chi / (1 + chi));
    return (amount){ e, sqrt(2 * high / (1 + high)) - e };
}

static void add_eccentricity(pl_changes *all, const pl_field *before, const pl_field *after,
                             double swell)
{
    amount b = square_of(before->eccentricity, before->eccentricity_sigma),
           a = square_of(after->eccentricity, after->eccentricity_sigma);
    pl_change c =
        pl_change_numbers_in_air("eccentricity", "", b.v, b.sigma, a.v, a.sigma, swell, 4);
    a = root_of(c.after, c.after_sigma);
    c.before = before->eccentricity;
    c.before_sigma = before->eccentricity_sigma;
    c.after = a.v;
    c.after_sigma = a.sigma;
    double sure = fabs(c.change) / c.change_sigma; /* of the squares; the same for their roots */
    c.change = c.after - c.before;
    c.change_sigma = sure > 0 ? fabs(c.change) / sure : hypot(c.before_sigma, c.after_sigma);
    add(all, c, after->facts.eccentricity.v);
}

/* Patterns in their own order, then the others. */
static void add_items(pl_changes *all, const pl_field *b, const pl_field *a,
                      const pl_pattern_fit *fb, const pl_pattern_fit *fa, double swell)
{
    add_stretch(all, fb, fa, a->pattern, swell);
    add_rest(all, fb, fa, a, swell);
    add_eccentricity(all, b, a, swell);
    pl_change_add(all, pl_change_numbers("FWHM", "px", b->fwhm_px, b->fwhm_sigma_px, a->fwhm_px,
                                         a->fwhm_sigma_px, false));
}

/* ---- words */

/* What an adjustment can have done, not the mount or the air. */
static bool is_optics(size_t i)
{
    return i >= PL_OUTWARD_STRETCH && i <= COMATIC;
}

static pl_change_state overall(const pl_changes *c)
{
    bool better = false, worse = false;
    for (size_t i = 0; i < c->items; i++) {
        better |= is_optics(i) && c->item[i].state == PL_BETTER;
        worse |= is_optics(i) && c->item[i].state == PL_WORSE;
    }
    return better && worse ? PL_MIXED : better ? PL_BETTER : worse ? PL_WORSE : PL_SAME;
}

/* The optics' item of that state whose change weighs most, in tolerances; -1: none. */
static int weightiest(const pl_changes *c, pl_change_state state)
{
    int best = -1;
    double most = 0;
    for (size_t i = 0; i < c->items; i++) {
        double weight = fabs(c->item[i].change) / c->item[i].tolerance;
        if (!is_optics(i) || c->item[i].state != state || weight <= most)
            continue;
        best = (int)i;
        most = weight;
    }
    return best;
}

static bool optics_seen(const pl_changes *c)
{
    for (size_t i = 0; i < c->items; i++)
        if (c->item[i].seen && is_optics(i))
            return true;
    return false;
}

static void count_zones(const pl_changes *c, size_t *better, size_t *worse)
{
    *better = *worse = 0;
    for (size_t k = 0; k < c->columns * c->rows; k++) {
        const pl_zone_change *z = &c->zone[k];
        bool up = z->size.state == PL_WORSE || z->stretch.state == PL_WORSE;
        bool down = z->size.state == PL_BETTER || z->stretch.state == PL_BETTER;
        *better += down && !up;
        *worse += up && !down;
    }
}

static const char *const go_on[] = {
    [PL_OUTWARD_STRETCH] = "Go on this way with the corrector's spacing, by half as much",
    [PL_SIZE_SLOPE] = "Go on this way with the tilt, by half as much",
    [PL_FLARE] = "Go on this way with the collimation, by half as much",
    [PL_CORNERED] = "Leave the mirror's clips like this",
    [BOWL] = "Go on this way with the corrector's spacing, by half as much",
    [COMATIC] = "Go on this way with the corrector's spacing, by half as much",
};
static const char *const go_back[] = {
    [PL_OUTWARD_STRETCH] = "Go back with the corrector's spacing",
    [PL_SIZE_SLOPE] = "Go back with the tilt",
    [PL_FLARE] = "Go back with the collimation",
    [PL_CORNERED] = "Loosen the mirror's clips again; support the mirror while you do",
    [BOWL] = "Go back with the corrector's spacing",
    [COMATIC] = "Go back with the corrector's spacing",
};

/* What the pattern is a sign of. */
static const char *const fault[] = {
    [PL_OUTWARD_STRETCH] = "corrector spacing",
    [PL_SIZE_SLOPE] = "tilt",
    [PL_FLARE] = "collimation",
    [PL_CORNERED] = "a pinched mirror",
    [BOWL] = "corrector spacing",
    [COMATIC] = "corrector spacing",
};

#define SAY(field, ...) snprintf(field, sizeof(field), __VA_ARGS__)

static void say_better(pl_changes *c, int which)
{
    const pl_change *k = &c->item[which];
    SAY(c->text, "better: %s %s (%s)", k->name, k->text, fault[which]);
    SAY(c->action, "%s.",
        pl_change_past(k) ? "You went past the best: it lies between, nearer to where you are now"
        : fabs(k->after) < k->tolerance ? "It is within what is tolerable now: leave it"
                                        : go_on[which]);
}

static void say_worse(pl_changes *c, int which)
{
    const pl_change *k = &c->item[which];
    SAY(c->text, "worse: %s %s (%s)", k->name, k->text, fault[which]);
    bool was_off = fabs(k->before) > k->tolerance && which != PL_CORNERED;
    SAY(c->action, "%s%s.",
        pl_change_past(k) ? "You went past the best: it lies between, nearer to where you were"
                          : go_back[which],
        was_off && !pl_change_past(k) ? ", and past where it was" : "");
}

static void say_mixed(pl_changes *c, int down, int up)
{
    SAY(c->text, "mixed: %s %s (%s), but %s %s (%s)", c->item[down].name, c->item[down].text,
        fault[down], c->item[up].name, c->item[up].text, fault[up]);
    SAY(c->action, "Keep what helped; for the other: %s.", go_back[up]);
}

static void say_optics(pl_changes *c)
{
    int down = weightiest(c, PL_BETTER), up = weightiest(c, PL_WORSE);
    if (down >= 0 && up >= 0)
        say_mixed(c, down, up);
    else if (down >= 0)
        say_better(c, down);
    else if (up >= 0)
        say_worse(c, up);
}

static void say_moved(pl_changes *c)
{
    const char *what = "a pattern";
    bool past = false;
    for (size_t i = 0; i < c->items; i++)
        if (is_optics(i) && c->item[i].seen) {
            what = c->item[i].name;
            past = pl_change_past(&c->item[i]);
            break;
        }
    if (past) {
        SAY(c->text, "no better and no worse: %s went past nought to the other side", what);
        SAY(c->action, "The best lies half-way between: go back by half.");
    } else {
        SAY(c->text, "no better and no worse: %s points another way now, as large as before", what);
        SAY(c->action, "The last turn changed its direction only: turn another screw.");
    }
}

static void say_rest(pl_changes *c, bool zones)
{
    const pl_change *w = &c->item[WIDTH];
    double part = 100 * fabs(w->after / w->before - 1);
    if (c->item[PL_EVEN_STRETCH].seen || c->item[PL_TURNING].seen) {
        SAY(c->text, "tracking changed; the optics show no change that can be seen");
        SAY(c->action, "Stretch alike everywhere, or about a point: tracking, guiding or wind, not "
                       "an adjustment of the optics.");
    } else if (zones || c->item[STRETCHED].seen) {
        SAY(c->text, "shapes changed here and there, no pattern over the field did");
        SAY(c->action, "Look at the map; take a deeper frame, or more stars, to tell why.");
    } else if (w->seen && part > 100 * NO_WIDER) {
        SAY(c->text, "no change of shapes that can be seen; all stars alike %.0f %% %s", part,
            w->after > w->before ? "wider" : "narrower");
        SAY(c->action, "All alike: air or focus, not this adjustment.");
    } else {
        SAY(c->text, "no change that can be seen");
        SAY(c->action,
            "It did not help and did no harm, as far as these frames tell: turn further, "
            "or take frames with more stars.");
    }
}

static void say(pl_changes *c)
{
    size_t better, worse;
    count_zones(c, &better, &worse);
    c->state = overall(c);
    if (c->state != PL_SAME)
        say_optics(c);
    else if (optics_seen(c))
        say_moved(c);
    else
        say_rest(c, better + worse > 0);
    if (c->item[PL_FLARE].seen || c->item[PL_EVEN_STRETCH].seen)
        pl_note(&c->notes, "if nobody touched the telescope, the mirror or the focuser moved by "
                           "itself: compare frames at one altitude, and at two");
    for (size_t i = 0; i <= PL_TURNING; i++)
        if (c->item[i].seen)
            snprintf(c->item[i].text + strlen(c->item[i].text),
                     sizeof c->item[i].text - strlen(c->item[i].text), "%s",
                     c->item[PL_FLARE].seen ? ": tracking, or flare" : ": tracking");
    pl_change *w = &c->item[WIDTH];
    if (w->seen && c->state == PL_SAME)
        SAY(w->text, "%s: air or focus, not this adjustment",
            w->after > w->before ? "all wider" : "all narrower");
    if (c->zone && c->columns * c->rows > 1)
        pl_note(&c->notes, "of %zu zones %zu are better, %zu worse", c->columns * c->rows, better,
                worse);
}

pl_status pl_field_change(const pl_field *before, const pl_field *after, pl_changes *out,
                          pl_err *err)
{
    pl_changes c = { 0 };
    pl_pattern_fit b, a;
    double swell = after->fwhm_px / before->fwhm_px;
    pl_status rc = comparable(before, after, err);
    if (rc == PL_OK)
        rc = refit(before, &b, "before", err);
    if (rc == PL_OK)
        rc = refit(after, &a, "after", err);
    if (rc == PL_OK) {
        add_items(&c, before, after, &b, &a, swell);
        pl_changes_settle(&c);
        rc = pl_zones_compare(before, after, swell, &c, err);
    }
    if (rc == PL_OK) {
        if (fabs(swell - 1) > NO_WIDER)
            pl_note(
                &c.notes,
                "what the frame after shows is told as in the air of the frame before: stars are "
                "%.0f %% %s now, and a fault shows %s in it",
                100 * fabs(swell - 1), swell > 1 ? "wider" : "narrower",
                swell > 1 ? "less" : "more");
        say(&c);
        *out = c;
    } else
        pl_changes_clear(&c);
    return rc;
}
