/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fold.c - a Newtonian aligned with a laser, traced exactly. Derived here.
 *
 * The primary's vertex is the origin, z points to the sky, the focuser lies at +x: its axis crosses
 * the tube's at (0, 0, f - d), where a flat at 45 degrees folds it. The beam leaves the holder's
 * face beside that axis and leans from it.
 *
 * First the flat turns about the middle C of its face until the beam meets the vertex V. Seen in
 * the flat, V is a point of the beam's own line, as far from C as V is: a line cuts a sphere. Then
 * the primary turns about V until the beam, or with a diverging lens the shadow of its centre mark,
 * comes back to where it should. */
#include "laser.h"

#include <math.h>

typedef struct {
    double x, y, z;
} vec;

typedef struct {
    vec at, way; /* way of length 1 */
} ray;

static vec sum(vec a, vec b, double t) /* a + t b */
{
    return (vec){ a.x + t * b.x, a.y + t * b.y, a.z + t * b.z };
}

static double dot(vec a, vec b)
{
    return a.x * b.x + a.y * b.y + a.z * b.z;
}

static vec unit(vec a)
{
    return sum((vec){ 0, 0, 0 }, a, 1 / sqrt(dot(a, a)));
}

static vec mirrored(vec point, vec on, vec normal) /* a point seen in a plane */
{
    return sum(point, normal, -2 * dot(sum(point, on, -1), normal));
}

static vec meet(ray r, vec on, vec normal) /* where a ray goes through a plane */
{
    return sum(r.at, r.way, dot(sum(on, r.at, -1), normal) / dot(r.way, normal));
}

static ray reflected(ray r, vec on, vec normal)
{
    return (ray){ meet(r, on, normal), sum(r.way, normal, -2 * dot(r.way, normal)) };
}

static const vec V = { 0, 0, 0 };

static const double STEEP = 0.2; /* rad: no beam that was meant to go down a tube */

/* Turn the flat about `middle` until the ray meets V. Gives: its normal. */
static bool turn_flat(ray beam, vec middle, vec *normal)
{
    vec to = sum(beam.at, middle, -1);
    double half = dot(to, beam.way), rest = half * half - dot(to, to) + dot(middle, middle);
    if (!(rest > 0))
        return false;
    vec image = sum(beam.at, beam.way, sqrt(rest) - half); /* of V, behind the flat */
    *normal = unit(sum(image, V, -1));
    return true;
}

/* A ray on the paraboloid with its vertex in V and that axis: from the axis, across it. */
static void on_primary(ray r, double focal, vec axis, double out[2])
{
    vec across = unit(sum((vec){ 0, 1, 0 }, axis, -axis.y));
    vec along = { across.y * axis.z - across.z * axis.y, across.z * axis.x - across.x * axis.z,
                  across.x * axis.y - across.y * axis.x };
    double p = dot(r.at, axis), d = dot(r.way, axis); /* |P|^2 - z^2 = 4 f z, z = p + d t */
    double a = 1 - d * d, b = dot(r.at, r.way) - p * d - 2 * focal * d;
    double c = dot(r.at, r.at) - p * p - 4 * focal * p;
    double t = -c / (b + sqrt(b * b - a * c)); /* the nearer one, also for a = 0 */
    vec hit = sum(r.at, r.way, t);
    out[0] = dot(hit, across);
    out[1] = dot(hit, along);
}

/* The primary's axis, folded back: where it meets the plane of focus, and how it leans there. */
static void on_sensor(const pl_fold *f, vec axis, vec middle, vec normal, double at[2],
                      double lean[2])
{
    const vec focus = { f->to_focus_mm, 0, f->focal_mm - f->to_focus_mm }, out = { 1, 0, 0 };
    ray back = reflected((ray){ V, axis }, middle, normal);
    vec hit = meet(back, focus, out);
    at[0] = hit.y - focus.y;
    at[1] = hit.z - focus.z;
    lean[0] = back.way.y / back.way.x;
    lean[1] = back.way.z / back.way.x;
}

/* The axis that throws the centre mark's shadow, cast from a point, to the target's middle. */
static vec shadow_axis(vec source, vec target, vec middle, vec normal)
{
    vec a = unit(sum(mirrored(source, middle, normal), V, -1));
    vec b = unit(sum(mirrored(target, middle, normal), V, -1));
    return unit(sum(a, b, 1));
}

bool pl_fold_trace(const pl_fold *f, const double beam[PL_BEAM], double left[PL_LEFT])
{
    const double height = f->focal_mm - f->to_focus_mm;
    const vec face = { f->to_focus_mm - f->behind_mm, 0, height };
    const vec middle = { -f->offset_mm, 0, height - f->offset_mm };
    const ray focuser = { face, { -1, 0, 0 } };
    const ray laser = { { face.x, beam[PL_BEAM_X], height + beam[PL_BEAM_Y] },
                        unit((vec){ -1, beam[PL_BEAM_TILT_X], beam[PL_BEAM_TILT_Y] }) };
    vec normal;
    if (!(hypot(beam[PL_BEAM_TILT_X], beam[PL_BEAM_TILT_Y]) < STEEP) ||
        !turn_flat(laser, middle, &normal))
        return false;
    vec axis = unit(sum(meet(laser, middle, normal), V, -1)); /* the beam returns on itself */
    vec source = sum(face, laser.way, -f->lens_mm);           /* through the lens's centre */
    vec spread = shadow_axis(source, face, middle, normal);
    on_primary(reflected(focuser, middle, normal), f->focal_mm, axis, &left[PL_LEFT_FOCUSER]);
    on_sensor(f, axis, middle, normal, &left[PL_LEFT_AXIS], &left[PL_LEFT_TILT]);
    on_sensor(f, spread, middle, normal, &left[PL_LEFT_SPREAD_AXIS], &left[PL_LEFT_SPREAD_TILT]);
    return true;
}
