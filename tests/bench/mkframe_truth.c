/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The truth about what was drawn: classes, who stands alone, and the table. */
#include <stdio.h>

#include "mkframe.h"

/* Rules of the truth table, in FWHM (major axis) of the star itself. */
static const double NEAR_EDGE = 2.0;       /* closer to a border: class edge */
static const double BLEND_WITHIN = 2.0;    /* another star this close .. */
static const double BLEND_SHARE = 0.2;     /* .. with this share of its flux: class blended */
static const double ISOLATED_WITHIN = 4.0; /* isolated: no other star this close .. */
static const double ISOLATED_SHARE =
    0.05; /* .. with this share of its flux, nor of its peak from afar */
static const double SPOT_WITHIN =
    2.0; /* nor a hot pixel, cosmic ray, dead column, NaN this close */

static bool star_like(const struct source *s)
{
    return s->kind == STAR || s->kind == SATURATED || s->kind == BLENDED || s->kind == EDGE;
}

static bool on_frame(const struct cfg *c, const struct source *s)
{
    return s->x >= 0.5 && s->y >= 0.5 && s->x < (double)c->width + 0.5 &&
           s->y < (double)c->height + 0.5;
}

static double edge_distance(const struct cfg *c, const struct source *s)
{
    return fmin(fmin(s->x - 0.5, (double)c->width + 0.5 - s->x),
                fmin(s->y - 0.5, (double)c->height + 0.5 - s->y));
}

/* Does the light of the nine central pixels, before noise, reach the clipping level? */
static bool clipped(const struct cfg *c, const struct source *s, const struct plane *p)
{
    for (long y = lround(s->y) - 1; y <= lround(s->y) + 1; y++)
        for (long x = lround(s->x) - 1; x <= lround(s->x) + 1; x++) {
            if (x < 1 || y < 1 || x > p->width || y > p->height)
                continue;
            int colour = p->colour[2 * ((y - 1) & 1) + ((x - 1) & 1)];
            double light = p->adu[(size_t)(y - 1) * (size_t)p->width + (size_t)(x - 1)];
            if (light + sky_at(c, (double)x, (double)y, colour) + c->pedestal >= c->saturation)
                return true;
        }
    return false;
}

static double trail_distance(const struct source *trail, const struct source *s)
{
    return fabs((s->y - trail->y) * cos(trail->angle * DEG) -
                (s->x - trail->x) * sin(trail->angle * DEG));
}

/* Does `other`, at `gap` px, spoil the measurement of star s? */
static bool spoils(const struct source *s, const struct source *other, double gap)
{
    switch (other->kind) {
    case TRAIL:
        return trail_distance(other, s) < ISOLATED_WITHIN * s->major + 2.0 * other->fwhm;
    case GALAXY:
        return gap < ISOLATED_WITHIN * s->major + 2.0 * other->major;
    case DEAD_COLUMN:
        return fabs(other->x - s->x) < SPOT_WITHIN * s->major + 1.0;
    case HOT:
    case NAN_PIXEL:
    case COSMIC:
        return gap < SPOT_WITHIN * s->major + other->reach;
    default:
        return (gap < ISOLATED_WITHIN * s->major && other->flux > ISOLATED_SHARE * s->flux) ||
               other->flux * star_density(other, gap) > ISOLATED_SHARE * s->flux * star_peak(s);
    }
}

static void label_star(const struct cfg *c, struct scene *all, struct source *s,
                       const struct plane *p)
{
    s->isolated = true;
    if (s->kind == SATURATED)
        s->kind = STAR; /* meant to be clipped; whether it is, the plane says below */
    for (long k = 0; k < all->count; k++) {
        const struct source *o = &all->item[k];
        double dx = o->x - s->x, dy = o->y - s->y, far = ISOLATED_WITHIN * s->major + o->reach;

        if (o == s || (star_like(o) && dx * dx + dy * dy > far * far))
            continue;
        double gap = hypot(dx, dy);
        if (star_like(o) && gap < BLEND_WITHIN * s->major && o->flux > BLEND_SHARE * s->flux)
            s->kind = BLENDED;
        s->isolated = s->isolated && !spoils(s, o, gap);
    }
    if (edge_distance(c, s) < NEAR_EDGE * s->major)
        s->kind = EDGE;
    if (clipped(c, s, p))
        s->kind = SATURATED;
    if (s->kind != STAR || edge_distance(c, s) < ISOLATED_WITHIN * s->major)
        s->isolated = false;
}

void label_scene(const struct cfg *c, struct scene *s, const struct plane *p)
{
    for (long i = 0; i < s->count; i++)
        if (star_like(&s->item[i]))
            label_star(c, s, &s->item[i], p);
}

/* A dead column or a NaN pixel is no object: not listed. */
void write_truth(const struct cfg *c, const struct scene *s)
{
    static const char *const name[] = { "star", "saturated", "blended", "edge",
                                        "hot",  "cosmic",    "trail",   "galaxy" };
    FILE *f;
    bool failed;

    if (!c->truth)
        return;
    f = fopen(c->truth, "w");
    if (!f)
        die("%s: cannot be written", c->truth);
    fputs("class,x_px,y_px,flux_adu,snr,fwhm_px,fwhm_major_px,fwhm_minor_px,eccentricity,angle_deg,"
          "beta,rg,bg,isolated\n",
          f);
    for (long i = 0; i < s->count; i++) {
        const struct source *n = &s->item[i];
        if (n->kind == DEAD_COLUMN || n->kind == NAN_PIXEL || !on_frame(c, n))
            continue;
        fprintf(f, "%s,%.5f,%.5f,%.4f,%.4f,%.5f,%.5f,%.5f,%.6f,%.4f,%.4f,%.4f,%.4f,%d\n",
                name[n->kind], n->x, n->y, n->flux, n->snr, n->fwhm, n->major, n->minor, n->ecc,
                n->angle, n->kind == GALAXY ? NAN : n->beta, n->rg, n->bg, n->isolated ? 1 : 0);
    }
    failed = ferror(f) != 0;
    if (fclose(f) != 0 || failed)
        die("%s: cannot be written", c->truth);
}
