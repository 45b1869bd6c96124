/* SPDX-License-Identifier: GPL-3.0-or-later */
/* turn.h - adjusting screws (plumb-turn). Part of plumb.h. */
#ifndef PL_PUBLIC_TURN_H
#define PL_PUBLIC_TURN_H

typedef enum {
    PL_TURN_COMA = 0, /* frame's centre to the coma-free point, mm at the sensor */
    PL_TURN_TILT      /* slope of the focal surface, um/mm, + = further out */
} pl_turn_kind;

/* One measurement, and what was turned since the one before. */
typedef struct {
    pl_turn_kind kind;
    double x, y;       /* along the frame's axes, in the unit of its kind */
    double xx, xy, yy; /* their covariance */
    double allowed;    /* the length that passes; NaN: not told */
    double star_x_px,
        star_y_px;              /* where the star stood, FITS pixels as in the JSON; NaN: no star */
    int width_px, height_px;    /* of the frame; 0: not told */
    char date[32];              /* "" when unknown */
    double turn[PL_SCREWS_MAX]; /* of screws A, B, ...; + = clockwise as the person sees it */
} pl_turn_entry;

/* A log, oldest entry first. Start from a cleared one, free with pl_turnlog_clear. */
typedef struct {
    pl_turn_entry *entry; /* [entries] */
    size_t entries, cap;
    pl_notes notes; /* lines that a broken-off run left unfinished */
} pl_turn_log;

/* pl_turn_measured - the measurement in the last line of a file of JSON Lines, by plumb-donut,
 * plumb-sweep or plumb-tilt; nothing turned.
 * Gives: PL_EIO, PL_EFORMAT when it is no such JSON, PL_ENODATA when the vector, its error or the
 * star's place is not in it. */
PL_API pl_status pl_turn_measured(const char *path, pl_turn_entry *out, pl_err *err);

/* pl_turn_told - "A=1/4", "b=-0.125": turns of one screw, + = clockwise, at most 8.
 * Gives: PL_EARG when it is none, or names a screw that `entry` has a turn of already. */
PL_API pl_status pl_turn_told(pl_turn_entry *entry, const char *text, pl_err *err);

/* pl_turnlog_read - plain text, an entry a line; "#" begins a remark. A line that does not end as
 * entries do was broken off: it is left out, and noted.
 *   must_exist  in  false: a missing file is an empty log
 * Gives: PL_EIO, PL_EFORMAT (with the line). */
PL_API pl_status pl_turnlog_read(const char *path, bool must_exist, pl_turn_log *out, pl_err *err);

/* pl_turnlog_accepts - whether a measurement belongs into this log: of the same kind, frames of one
 * size, the star within 5 % of the frame's diagonal of where the first one stood (bare coma grows
 * with the field), nothing turned before the first measurement, not the last one over again.
 * Gives: PL_EARG and a sentence when not. */
PL_API pl_status pl_turnlog_accepts(const pl_turn_log *log, const pl_turn_entry *entry,
                                    pl_err *err);

/* pl_turnlog_append - one line more, at the end and on the disc when this returns. What stood in
 * the file stays as it is. */
PL_API pl_status pl_turnlog_append(const char *path, const pl_turn_entry *entry, pl_err *err);
PL_API void pl_turnlog_clear(pl_turn_log *log);

typedef struct {
    char screws[8];     /* "cell", "plate", "" for what the log is about; or how many, "3", of which
                           nothing else is known */
    bool free;          /* focus may move */
    double focuser_deg; /* where the focuser lies, in the angles of pl_screws; NaN: not told */
} pl_turn_options;

/* What one screw does and shall do. */
typedef struct {
    double turn, exact; /* to be made, rounded for the hand and not; + = clockwise */
    double travel_um;   /* of the screw, + = away from the person; NaN: unknown */
    double x, y;        /* what one turn clockwise does to the vector */
    double x_sigma, y_sigma;
} pl_turn_screw;

/* pl_turns - what plumb-turn says of a log. */
typedef struct {
    pl_turn_entry now; /* the last entry */
    double first_x, first_y;
    size_t rounds;        /* of turning and measuring that lie behind */
    double length, sigma; /* of the vector now */
    char section[8];      /* "cell", "plate"; "": the screws are only counted */
    pl_screws geometry;   /* screws = 0 when they are only counted */
    size_t screws;
    pl_turn_screw screw[PL_SCREWS_MAX];
    bool free;
    bool turn;       /* something is to be turned */
    bool trial;      /* to learn how the screws act, not yet to mend */
    bool either_way; /* a trial for which the other direction serves as well */
    bool part;       /* more than two turns at once: a part of the way */
    double step;     /* the turns are multiples of this */
    double left_x, left_y, left_xx, left_xy, left_yy; /* expected after the turns */
    double left, left_exact; /* rms length expected then, with and without rounding */
    double focus_um;         /* how far focus moves by the turns, at the screws; NaN: unknown */
    double columns_deg, rows_deg; /* as the turns show, in the angles of pl_screws; NaN: unknown */
    bool oriented;                /* the profile told them */
    pl_turn_options options;      /* as told */
    const char *profile;          /* as told, borrowed; NULL: none */
    pl_verdict verdict;
    pl_notes notes;
} pl_turns;

PL_API pl_turn_options pl_turn_defaults(void);

/* pl_turn_set - one option from text: "screws", "free" (value ignored), "focuser".
 * Gives: PL_EARG for an unknown name or value. */
PL_API pl_status pl_turn_set(pl_turn_options *options, const char *name, const char *value,
                             pl_err *err);

/* pl_turn_solve - what to turn next.
 *   profile  in   where [cell] or [plate] stand; NULL: none; must outlive `out`
 *   facts    in   focal_mm (for coma), focuser_deg
 *   out      out  whole, or untouched; free with pl_turn_clear
 * A linear model, v = v0 + sum R_k turns_k, with a Gaussian belief about v and each R_k for every
 * way the camera may show the screws that is not yet ruled out (turned by any angle, mirrored or
 * not), each weighed by how well it foretold what was measured.
 * Gives: PL_ENODATA for a log without an entry, or when the screws' geometry is not told. */
PL_API pl_status pl_turn_solve(const pl_turn_log *log, const char *profile, const pl_facts *facts,
                               const pl_turn_options *options, pl_turns *out, pl_err *err);
PL_API void pl_turn_clear(pl_turns *turns);

/* What to turn, and its picture: the screws as seen from behind, what each gets, where the vector
 * is and goes. `file`: the log. The text spells the command that takes what was turned, with the
 * profile and the options that pl_turn_solve was given. */
PL_API char *pl_turn_text(const pl_turns *turns, const char *file);
PL_API char *pl_turn_json(const pl_turns *turns, const char *file);
PL_API pl_status pl_turn_draw(const pl_turns *turns, const char *file, bool red, const char *png,
                              pl_err *err);

#endif
