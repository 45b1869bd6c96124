/* SPDX-License-Identifier: GPL-3.0-or-later */
/* change.h - did it help? (--against). Part of plumb.h. */
#ifndef PL_PUBLIC_CHANGE_H
#define PL_PUBLIC_CHANGE_H

/* What became of one fault between two measurements. */
typedef enum { PL_SAME = 0, PL_BETTER, PL_WORSE, PL_MIXED } pl_change_state;

/* One thing compared. The fault is a length (of a vector, of a signed number); `better` is a
 * shorter one. */
typedef struct {
    char name[32];
    const char *unit;                                /* "" for none */
    double before, before_sigma, after, after_sigma; /* signed where the fault has a sign */
    double change, change_sigma;                     /* of the fault's length: after less before */
    double moved, moved_sigma, moved_deg; /* difference of two vectors; NaN where there is none */
    double tolerance;                     /* of the fault's length; NaN: none */
    double chance; /* that the errors alone make so much, corrected for all that is compared (Holm);
                      NaN: not compared */
    bool seen;     /* it changed beyond the errors */
    pl_change_state state; /* never PL_MIXED */
    char text[160];        /* what that says, in words */
} pl_change;

/* One box of the frame, both frames cut alike. */
typedef struct {
    double x_px, y_px; /* its middle */
    size_t before_stars, after_stars;
    pl_change size;    /* how far its FWHM departs from the mean of all zones, a fraction */
    pl_change stretch; /* its mean ellipticity chi */
    double before_deg, after_deg; /* axis of that */
} pl_zone_change;

enum { PL_CHANGES_MAX = 12 };

/* pl_changes - everything that is told of two measurements of one telescope, the second after an
 * adjustment. Free with pl_changes_clear. */
typedef struct {
    pl_change item[PL_CHANGES_MAX];
    size_t items;
    pl_zone_change *zone; /* [rows][columns], from column 1 and row 1; NULL: none */
    size_t columns, rows;
    pl_change_state state; /* of what the adjustment can have done */
    char text[240];        /* one line: what became of it */
    char action[320];      /* what to do about it */
    pl_notes notes;
} pl_changes;

/* pl_field_change - two frames of one camera, compared pattern by pattern and zone by zone.
 * Amplitudes of `after` are told as the air of `before` would show them.
 * Gives: PL_EARG when the frames cannot be compared (size, mosaic, scale, place on the sensor),
 * PL_ENODATA when one has too few stars for patterns.
 * Statistics: a difference is seen where Holm's procedure (1979, Scand. J. Statist. 6, 65, from
 * memory) rejects "nothing changed" at 1 % for all items together, and at 1 % for all zones. */
PL_API pl_status pl_field_change(const pl_field *before, const pl_field *after, pl_changes *out,
                                 pl_err *err);

/* pl_donut_change - the same of two answers from donuts. Defocus is compared but not judged. */
PL_API pl_status pl_donut_change(const pl_donut *before, const pl_donut *after, pl_changes *out,
                                 pl_err *err);

/* pl_surface_change - the same of two focal surfaces: tilt vector, curvature.
 *   allowed_um  in  defocus each side that may pass, as in pl_tilt; NaN: not known
 * Gives: PL_EARG when they are of two sensors. A surface without errors is not compared. */
PL_API pl_status pl_surface_change(const pl_surface *before, const pl_surface *after,
                                   double allowed_um, pl_changes *out, pl_err *err);
PL_API void pl_changes_clear(pl_changes *changes);

/* What changed. `against`: the frame or frames of the measurement before, as the user called them.
 * pl_changes_text - the verdict, what to do, then a line for each thing compared.
 * ..._json_against - as the program's own line, with the object "change". */
PL_API char *pl_changes_text(const pl_changes *changes, const char *file,
                             const char *const *against, size_t n);
PL_API char *pl_field_json_against(const pl_field *field, const char *file, bool with_stars,
                                   const pl_changes *changes, const char *against);
PL_API char *pl_donut_json_against(const pl_donut *donut, const char *const *file,
                                   const pl_changes *changes, const char *const *against, size_t n);
PL_API char *pl_tilt_json_against(const pl_tilt *tilt, const char *file, const pl_changes *changes,
                                  const char *against);

/* The picture of what changed: for a field its zones and its patterns, before and after; for
 * donuts the coma vectors with their errors; for focal surfaces the tilt vectors. */
PL_API pl_status pl_field_change_draw(const pl_field *after, const pl_changes *changes,
                                      const char *against, const char *file, bool red,
                                      const char *png, pl_err *err);
PL_API pl_status pl_donut_change_draw(const pl_donut *before, const pl_donut *after,
                                      const pl_changes *changes, const char *against,
                                      const char *file, bool red, const char *png, pl_err *err);
PL_API pl_status pl_tilt_change_draw(const pl_surface *before, const pl_tilt *after,
                                     const pl_changes *changes, const char *against,
                                     const char *file, bool red, const char *png, pl_err *err);

#endif
