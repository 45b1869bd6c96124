/* SPDX-License-Identifier: GPL-3.0-or-later */
/* watch.h - exposures as they arrive (plumb-watch). Part of plumb.h. */
#ifndef PL_PUBLIC_WATCH_H
#define PL_PUBLIC_WATCH_H

/* pl_watch - a folder, watched by the system's notices and, since shares on a network send none, by
 * reading it again every two seconds. Clocks may step: only the monotonic one is used. */
typedef struct pl_watch pl_watch;

/* A file that is completely written. Modified: nanoseconds since 1970. */
typedef struct {
    char *path; /* malloc'd */
    int64_t bytes, modified_ns;
} pl_arrival;

/* pl_watch_new - begin to watch. All frames that are there already arrive too.
 *   patience_s  in  a file that is shorter than its own header promises is waited for until it did
 *                   not grow for so long; then it arrives as it is
 * Gives: PL_EIO when there is no such folder. Free with pl_watch_free. */
PL_API pl_status pl_watch_new(const char *folder, double patience_s, pl_watch **out, pl_err *err);
PL_API void pl_watch_free(pl_watch *watch);

/* pl_watch_next - the next file: of those complete the one modified first. Names that end in .fits,
 * .fit, .fts, also with .fz or .gz behind, and do not begin with a dot. A file arrives again
 * when it was changed.
 *   wait_ms  in     return by then also without a file; a signal ends the wait too
 *   out      out    path NULL: none has come
 *   notes    inout  the folder is gone or back, or cannot be read and why; a half-written file
 *                  is waited for
 * Gives: PL_ENOMEM.
 * Complete is what its writer closed or renamed, or what did not change for a second (so always
 * where the last block of FITS is not full); and never what is shorter than its headers promise. */
PL_API pl_status pl_watch_next(pl_watch *watch, int wait_ms, pl_arrival *out, pl_notes *notes,
                               pl_err *err);

/* pl_watch_again - a file that could not be read, perhaps for a moment only (a share on a network,
 * a tired disc, short memory), is to arrive again: after 2 s, then after 4, 8, 16 and 32.
 * Gives: false when it came so often, unchanged, or is gone. */
PL_API bool pl_watch_again(pl_watch *watch, const pl_arrival *arrival);

/* pl_watch_waiting - how many complete files pl_watch_next would hand out at once, at least. */
PL_API size_t pl_watch_waiting(const pl_watch *watch);

/* pl_arrival_same - the file has not been touched since. */
PL_API bool pl_arrival_same(const pl_arrival *arrival);
PL_API void pl_arrival_clear(pl_arrival *arrival);

/* pl_file_digest - SHA-256 (FIPS 180-4) of a file's bytes, in hexadecimal digits.
 * Gives: PL_EIO. */
PL_API pl_status pl_file_digest(const char *path, char digest[65], pl_err *err);

/* pl_digest_begin - the same by a thread of its own, while something else is done.
 *   path  in  borrowed until pl_digest_end
 * Gives: NULL when memory is short.
 * pl_digest_end - its answer, as pl_file_digest; PL_ENOMEM of NULL. */
typedef struct pl_digest pl_digest;
PL_API pl_digest *pl_digest_begin(const char *path);
PL_API pl_status pl_digest_end(pl_digest *running, char digest[65], pl_err *err);

/* pl_match - the same stars in two exposures of one field. */
typedef struct {
    size_t stars;                  /* that are in both */
    double shift_x_px, shift_y_px; /* what lay at the first frame's centre lies so far from the
                                      second's */
    double rotation_deg;           /* of the stars, + from +x to +y; (-180, 180] */
    double scale;                  /* 1: none */
    double scatter_px;             /* of one coordinate about that */
    double transparency, transparency_sigma; /* light per second of the second over the first */
    double spread, spread_sigma;             /* width of the second over the first */
} pl_match;

/* pl_match_fields - by pairs of bright stars, then least squares over all. Frames may lie up to
 * half a frame apart, turned by up to a degree, or by that and half a turn. Gives: PL_ENODATA when
 * the stars are not the same ones (too few fit, or no more than chance lets fit), PL_EARG for
 * frames of two sizes. Trust: ratios are medians over stars. Exposure times that are not told count
 * as equal. Shading of the field and a filter are not known here; a profile that changes its form
 * moves the light by a few per cent. */
PL_API pl_status pl_match_fields(const pl_field *before, const pl_field *after, pl_match *out,
                                 pl_err *err);

/* What one exposure of a night leaves behind. NaN: unknown. */
typedef struct {
    double minutes; /* start of the exposure, since 2000; NaN without DATE-OBS */
    double defocus_um, defocus_sigma_um, zone_um;
    double within_um; /* |defocus| is less, two errors in hand; where the side is not known */
    double fwhm_px, fwhm_arcsec, seeing_arcsec;
    double transparency, transparency_sigma, spread, spread_sigma; /* against the reference */
    double airmass;
    pl_state state;
    pl_cause cause;
} pl_past;

enum { PL_PAST = 120 };

/* The last exposures, oldest first. Start from { .n = 0 }. */
typedef struct {
    pl_past past[PL_PAST];
    size_t n;
} pl_history;

PL_API void pl_history_add(pl_history *history, const pl_past *past);

/* pl_history_standing - the verdict of the last exposure. */
PL_API pl_standing pl_history_standing(const pl_history *history);

typedef enum { PL_FADE_NONE = 0, PL_FADE_CLOUD, PL_FADE_FALL, PL_FADE_DEW } pl_fade;

/* pl_history_fade - what the stars' light did over the last dozen exposures of one field, the air's
 * usual extinction (0.2 mag for each airmass, common practice) taken off.
 * Gives: CLOUD, the last one is more than 30 % below the best; FALL, it fell steadily by more than
 * 15 %; DEW, that while the stars spread by more than 5 %; else NONE. Each beyond 4 sigma. */
PL_API pl_fade pl_history_fade(const pl_history *history);

/* pl_follow - exposures of a night as they come: each one's focus and air (pl_check_frame), and its
 * stars' light and width against those of a reference, the sharpest of the first five exposures of
 * a field. A few fields and filters are kept in mind, the one not seen longest is forgotten. An
 * exposure with less than half the reference's stars, and not those, is held against it all the
 * same: cloud hides fields; three of them in a row are a new field. */
typedef struct pl_follow pl_follow;

/* pl_followed - one exposure's whole answer; free with pl_followed_clear. */
typedef struct {
    pl_check check;
    bool matched; /* `match` against the reference holds */
    pl_match match;
    char reference[256]; /* its file's name; "": none, or this exposure itself is the new one */
    pl_fade fade;
    pl_verdict verdict; /* check's, unless the sky rules */
    pl_past past;       /* what the history keeps of it */
} pl_followed;

/* pl_follow_new
 *   surface  in  as for pl_check_frame, borrowed; NULL: none
 *   options  in  NULL: the defaults */
PL_API pl_status pl_follow_new(const pl_surface *surface, const pl_check_options *options,
                               pl_follow **out, pl_err *err);
PL_API void pl_follow_free(pl_follow *follow);

/* pl_follow_frame - the next exposure.
 *   field  inout  measured; emptied when it becomes the reference
 *   name   in     of its file
 * Gives: as pl_check_frame; nothing is learnt on failure. */
PL_API pl_status pl_follow_frame(pl_follow *follow, pl_field *field, const char *name, int jobs,
                                 pl_followed *out, pl_err *err);
PL_API void pl_followed_clear(pl_followed *followed);

/* pl_follow_refer - take this exposure for a reference. */
PL_API void pl_follow_refer(pl_follow *follow, pl_field *field, const char *name);

/* pl_follow_go_on - go on where a watch broke off.
 *   history  in  of the exposures before
 *   path     in  of their reference, which is measured anew; NULL: none. One that is not to be had
 *                any more is done without
 *   told     in  as for pl_field_measure */
PL_API void pl_follow_go_on(pl_follow *follow, const pl_history *history, const char *path,
                            const pl_facts *told, int jobs);

/* pl_follow_history - borrowed, may be changed. */
PL_API pl_history *pl_follow_history(pl_follow *follow);

/* pl_watchlog - JSON Lines, one for each content that arrived, found again by its SHA-256. */
typedef struct pl_watchlog pl_watchlog;

/* What a log holds already. */
typedef struct {
    size_t lines, strange; /* of ours, and of others; these stay as they are */
    bool torn;             /* its last line had no end, and was cut off */
    pl_history history;
    char verdict[240];   /* on the last of them, in words; "": none */
    char reference[256]; /* that the last exposures were held against; "": none */
} pl_watched_before;

/* pl_watchlog_open - open or begin a log, lock it and read what it holds.
 *   path  in  NULL: none, all is kept in memory
 * Gives: PL_EIO, also when another process holds it. Free with pl_watchlog_close, which does not
 * write. */
PL_API pl_status pl_watchlog_open(const char *path, pl_watchlog **out, pl_watched_before *before,
                                  pl_err *err);
PL_API void pl_watchlog_close(pl_watchlog *log);

/* pl_watchlog_knows - a file of this name, size and time of change is in it: not to be read again.
 * pl_watchlog_has - this content is.
 * pl_watchlog_twin - know this file from now on: its content is in it under another name. */
PL_API bool pl_watchlog_knows(const pl_watchlog *log, const pl_arrival *arrival);
PL_API bool pl_watchlog_has(const pl_watchlog *log, const char *digest);
PL_API pl_status pl_watchlog_twin(pl_watchlog *log, const pl_arrival *arrival, pl_err *err);

/* pl_watchlog_add - one line more, at the file's end and on the disc when this returns PL_OK.
 *   line  in  with its end
 * Gives: PL_EIO when it cannot be written: it waits, and goes with the next one or with
 * pl_watchlog_flush. PL_ENOMEM: nothing was taken. */
PL_API pl_status pl_watchlog_add(pl_watchlog *log, const pl_arrival *arrival, const char *digest,
                                 const char *line, pl_err *err);
PL_API pl_status pl_watchlog_flush(pl_watchlog *log, pl_err *err);
/* pl_watchlog_renewed - whether it was deleted or moved away since this was asked last; a new one
 * was begun under its name. */
PL_API bool pl_watchlog_renewed(pl_watchlog *log);
PL_API size_t pl_watchlog_waiting(const pl_watchlog *log); /* lines not written yet */
PL_API bool pl_watchlog_full(const pl_watchlog *log);      /* no more of them can wait */

/* pl_watch_json - the log's line of one exposure: plumb-check's, and what only a watcher knows.
 * pl_watch_error_json - of a file that could not be measured. */
PL_API char *pl_watch_json(const pl_followed *followed, const pl_arrival *arrival,
                           const char *digest);
PL_API char *pl_watch_error_json(const char *why, const pl_arrival *arrival, const char *digest);
/* The same of a frame read for its donuts: plumb-donut's line, and what only a watcher knows. */
PL_API char *pl_watch_donut_json(const pl_donut *donut, const pl_arrival *arrival,
                                 const char *digest);

/* pl_watch_short - the one thing to know, in a few words: "in 21 um", "cloud", "ok". */
typedef struct {
    char s[48];
    int way; /* -1: inwards, +1: outwards, 0: neither */
} pl_watch_word;
PL_API pl_watch_word pl_watch_short(const pl_followed *followed);

/* pl_watch_text - one line of at most 80 columns.
 *   clock  in  what the watch shows, "23:14:05" */
PL_API char *pl_watch_text(const pl_followed *followed, const char *file, const char *clock);

/* pl_watch_donut_text - the same of donuts, what to do in a second line. */
PL_API char *pl_watch_donut_text(const pl_donut *donut, const char *file, const char *clock);

/* pl_watch_head - what stands over such lines. */
PL_API const char *pl_watch_head(void);

/* pl_watch_draw - the night so far: focus in its zone, the air, the stars' light.
 *   title  in  the verdict */
PL_API pl_status pl_watch_draw(const pl_history *history, const char *title, bool red,
                               const char *png, pl_err *err);

/* pl_big_text - a few words (letters, figures, "+-.%?") in letters of block graphics, to be read
 * from the other end of the tube: as large as fits.
 *   columns, rows  in  of the terminal
 *   utf8           in  else '#'
 * Gives: malloc'd lines; NULL when memory is short. */
PL_API char *pl_big_text(const char *words, int columns, int rows, bool utf8);

/* The words for it, with an arrow in front: of focus to the left for inwards, to the right for
 * outwards; of donuts the way the star must go, as maps of the frame show it, and how far. */
PL_API pl_watch_word pl_big_followed(const pl_followed *followed);
PL_API pl_watch_word pl_big_donut(const pl_donut *donut);

#endif
