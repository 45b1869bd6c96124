/* SPDX-License-Identifier: GPL-3.0-or-later */
/* base.h - how a call ends, what is known and where from. Part of plumb.h. */
#ifndef PL_PUBLIC_BASE_H
#define PL_PUBLIC_BASE_H

#if defined(__GNUC__)
#define PL_API          __attribute__((visibility("default")))
#define PL_PRINTF(f, a) __attribute__((format(printf, f, a)))
#else
#define PL_API
#define PL_PRINTF(f, a)
#endif

typedef enum {
    PL_OK = 0,  /* done */
    PL_EARG,    /* an argument or a setting is out of range */
    PL_ENOMEM,  /* out of memory */
    PL_EIO,     /* the system refused to open, read or write */
    PL_EFORMAT, /* the file is not what it should be */
    PL_ENODATA  /* the input is sound but holds too little to answer */
} pl_status;

/* The caller's; start from { PL_OK, "" }. The first cause wins. */
typedef struct {
    pl_status code;
    char msg[256];
} pl_err;

/* pl_memory_shortages - how many allocations of the library failed since the program began, on any
 * thread. Most give PL_ENOMEM. Some cost only a remark, or one of several fits that the best is
 * chosen of, deep inside a call that gives PL_OK all the same: an answer during which the number
 * grew is not to be told. plumb's own programs say "out of memory" then. */
PL_API size_t pl_memory_shortages(void);

/* pl_malloc - malloc, counted by pl_memory_shortages where it fails. jansson loses letters and
 * digits of what it reads, in silence, when memory is short: hand this to its json_set_alloc_funcs,
 * as plumb's own programs do, and they count. */
PL_API void *pl_malloc(size_t size);

/* pl_notes - sentences that qualify an answer (what was assumed, what was odd); grows as needed.
 * Start from { NULL, 0, 0 }; free with pl_notes_clear. */
typedef struct {
    char **item;
    size_t n, cap;
} pl_notes;

PL_API void pl_notes_clear(pl_notes *notes);

/* pl_file_name - of a path, what stands behind its last slash; all of it where nothing does.
 * Gives: a part of `path`. */
PL_API const char *pl_file_name(const char *path);

/* pl_write_whole - write a file whole or not at all (temporary name beside it, then rename). */
PL_API pl_status pl_write_whole(const char *path, const void *data, size_t size, pl_err *err);

/* A later source outranks an earlier one: command line over profile over header over default. */
typedef enum {
    PL_FROM_NOWHERE = 0,
    PL_FROM_DEFAULT,
    PL_FROM_HEADER,
    PL_FROM_PROFILE,
    PL_FROM_OPTION
} pl_source;

typedef struct {
    double v; /* NaN when unknown */
    pl_source from;
} pl_num;

typedef struct {
    char s[72]; /* "" when unknown */
    pl_source from;
} pl_text;

/* pl_facts - everything plumb can be told about the telescope, the camera, the focuser and one
 * exposure. Each is unknown until some source gives it; pl_facts_table() says which sources can. */
typedef struct {
    /* [scope] */
    pl_num aperture_mm;     /* clear diameter of the primary */
    pl_num focal_mm;        /* effective focal length, with any corrector */
    pl_num mirror_focal_mm; /* the primary's own focal length */
    pl_num obstruction;     /* diameter of the central obstruction / aperture, [0, 0.8] */
    pl_num vanes;           /* number of spider vanes */
    pl_num vane_mm;         /* their thickness */
    pl_num vane_deg;        /* direction of the first one, as a donut outside focus shows it */
    pl_num focuser_deg;     /* direction of the focuser there: plumb-donut --hand */
    pl_text corrected;      /* "yes": a corrector takes away the coma that grows with the field */
    pl_text tube_material;  /* see pl_material_cte */
    pl_text mirror_material;
    pl_num tube_length_mm;        /* length of tube that joins focuser and primary */
    pl_num secondary_mm;          /* minor axis of the flat */
    pl_num secondary_to_focus_mm; /* from the flat's centre to the focus */
    /* [camera] */
    pl_num pixel_um;            /* pixel pitch of the frame, after binning */
    pl_num width_px, height_px; /* of the whole sensor */
    pl_text mosaic;             /* RGGB, GRBG, GBRG, BGGR as stored from pixel (1,1), or "none" */
    pl_num saturation_adu;      /* pixels at or above this are clipped */
    pl_num gain_e_adu;          /* electrons per ADU */
    pl_num read_noise_e;
    /* [focuser] */
    pl_num step_um;     /* drawtube travel of one motor step */
    pl_num outward;     /* +1: larger numbers move out; -1: in */
    pl_num um_per_turn; /* drawtube travel of one turn of the knob */
    pl_text carries;    /* "corrector": it rides along with the camera; or "camera" */
    pl_num backlash_um;
    pl_text approach; /* "in" or "out": direction of the last move */
    /* [tolerance] */
    pl_num fwhm_growth;  /* allowed growth of FWHM, a fraction */
    pl_num eccentricity; /* allowed eccentricity of the typical star */
    /* one exposure: header or command line only */
    pl_num exposure_s;
    pl_text date_obs;      /* start, UTC, FITS date format */
    pl_num temperature_c;  /* ambient or focuser, not the sensor's */
    pl_num position_steps; /* the focuser's number */
    pl_num altitude_deg;
    pl_num airmass;
    pl_num latitude_deg, longitude_deg;
    pl_num binning_x, binning_y;
    pl_num origin_x_px, origin_y_px; /* sub-frame's corner on the sensor, binned pixels */
    pl_text row_order;               /* "TOP-DOWN": the first stored row is the top one */
    pl_text frame_kind;              /* see pl_facts_calibration */
    pl_text object, filter, scope_name, camera_name;
} pl_facts;

/* One row of the table that knows every fact: the only place for spellings and ranges. */
typedef struct {
    const char *name;        /* key in the profile; with '-' for '_' the option of the programs */
    const char *section;     /* section in the profile, or NULL */
    const char *keywords[8]; /* FITS spellings, first found wins; NULL ends */
    const char *help;        /* what it is, with its unit */
    double lo, hi;           /* allowed range; lo > hi marks a text */
    const char *words;       /* for a text: the allowed words, space separated, or NULL: any */
    size_t offset;           /* of the field in pl_facts */
} pl_fact;

/* pl_facts_table - the rows, in the order of pl_facts.
 *   n  out  how many rows
 * Gives: static storage. */
PL_API const pl_fact *pl_facts_table(size_t *n);

PL_API pl_facts pl_facts_unknown(void);

/* pl_facts_set - give one fact from text.
 *   name   in  as in the table
 *   value  in  a number with nothing behind it, or a word
 * Gives: PL_OK (also when a stronger source already holds it); PL_EARG when the name is unknown,
 * the text is no number, or the value is out of range. */
PL_API pl_status pl_facts_set(pl_facts *facts, const char *name, const char *value, pl_source from,
                              pl_err *err);

/* pl_facts_merge - take each fact of `other` that comes from a stronger source. */
PL_API void pl_facts_merge(pl_facts *facts, const pl_facts *other);

/* pl_facts_need - a fact the answer cannot do without.
 * Gives: PL_ENODATA and a sentence naming the option, the profile key and the FITS keyword that
 * would have given it, when it is unknown. */
PL_API pl_status pl_facts_need(const pl_facts *facts, const char *name, double *value, pl_err *err);

/* pl_facts_calibration - whether frame_kind tells of an exposure that is not of the sky: a dark,
 * flat, bias, offset or zero, in any spelling (common practice, no source). */
PL_API bool pl_facts_calibration(const pl_facts *facts);

#endif
