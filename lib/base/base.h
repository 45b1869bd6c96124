/* SPDX-License-Identifier: GPL-3.0-or-later */
/* base.h - what every room stands on: outcome, growable arrays, threads, robust statistics, least
 * squares. Private to libplumb. */
#ifndef PL_BASE_H
#define PL_BASE_H

#include "../plumb.h"

#include <gsl/gsl_rng.h>
#include <sys/types.h>

#define PL_ARRAY_LEN(a) (sizeof(a) / sizeof *(a))

/* PL_WIDE - a function compiled twice, for vectors of 16 and of 32 bytes; the processor's own is
 * chosen at the start. Each element sees the same operations in the same order: same bytes.
 * PL_INTO - of what it calls: becomes a part of it. */
#if defined(__x86_64__) && defined(__GLIBC__) && !defined(__clang__) &&                            \
    !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
#define PL_WIDE __attribute__((target_clones("avx2", "default")))
#else
#define PL_WIDE
#endif
#define PL_INTO static inline __attribute__((always_inline))

/* ---- status.c */

/* pl_memory_short - count an allocation that failed and that no PL_ENOMEM will tell of: pl_fail
 * counts its own, also those whose pl_err is NULL. */
void pl_memory_short(void);

/* pl_fail - record the first cause and hand its code back: return pl_fail(err, PL_EARG, ...). */
void pl_fail_say(pl_err *err, pl_status code, const char *fmt, ...) PL_PRINTF(3, 4);

static inline pl_status pl_same(pl_status code)
{
    return code;
}

/* A macro, so that compilers and analysers see that a failure comes back. */
#define pl_fail(err, code, ...) (pl_fail_say(err, code, __VA_ARGS__), pl_same(code))

/* pl_note - add one sentence; dropped when memory is short, which is counted. */
void pl_note(pl_notes *notes, const char *fmt, ...) PL_PRINTF(2, 3);

/* pl_grow - make room for one more item in a growable array.
 *   items  inout  the array, reallocated when full
 *   cap    inout  its capacity in items
 *   n      in     items in use
 *   size   in     bytes an item
 * Gives: PL_ENOMEM with the array as it was. */
pl_status pl_grow(void **items, size_t *cap, size_t n, size_t size, pl_err *err);

/* ---- facts.c */

/* pl_number - a whole text as a finite number ("12um", "nan", "" are none), C spelling in any
 * locale. */
bool pl_number(const char *text, double *value);

/* ---- settings.c */

/* A number that an option sets: its range, and where it belongs in the program's options. */
typedef struct {
    const char *name, *unit; /* "": none */
    double lo, hi;
    size_t offset;
} pl_option;

/* pl_option_named - the row of table [n] for an option. Gives: NULL where there is none. */
const pl_option *pl_option_named(const pl_option *table, size_t n, const char *name);

/* pl_option_read - the number of "--NAME VALUE".
 *   row  in  of the table; NULL: there is no such option
 * Gives: PL_EARG, and `out` untouched, for no such option, no number, or one out of range. */
pl_status pl_option_read(const pl_option *row, const char *name, const char *value, double *out,
                         pl_err *err);

/* pl_set_side - "in" or "out". Gives: PL_EARG. */
pl_status pl_set_side(const char *name, const char *value, pl_side *out, pl_err *err);

/* ---- date.c */

/* pl_days_from_civil - days since 1970-01-01 of a Gregorian date, and back. */
long pl_days_from_civil(long y, long m, long d);
void pl_civil_from_days(long z, long *y, long *m, long *d);

/* pl_date_later - a FITS date, so many seconds later, to the millisecond.
 * Gives: false, and `out` untouched, when `date` is none. */
bool pl_date_later(const char *date, double seconds, char out[32]);

/* pl_date_seconds - since 1970-01-01 UTC; an offset to UTC behind the time ("-0700", "+05:30")
 * counts. Gives: false, and `seconds` untouched, when `date` is none. */
bool pl_date_seconds(const char *date, double *seconds);

/* pl_date_utc - the other way round, to the millisecond. */
bool pl_date_utc(double seconds, char out[32]);

/* ---- dice.c */

/* A random number generator for one small piece of work. */
typedef struct {
    gsl_rng rng;
    uint64_t state;
} pl_dice;

/* pl_dice_throw - set it up for GSL's distributions.
 *   seed, purpose, place  in  what the numbers depend on: the user's seed, what they are for, which
 *                             row or star
 * Gives: &dice->rng, good as long as `dice` stays where it is. */
gsl_rng *pl_dice_throw(pl_dice *dice, uint64_t seed, uint64_t purpose, uint64_t place);

/* ---- keys.c */

/* A set of 64-bit keys, each with a number: open addressing. Start from { 0 }; nothing is taken out
 * but all. */
typedef struct {
    uint64_t *key;
    size_t *value;
    size_t n, cap;
} pl_keys;

/* pl_key_of - a key for n bytes: FNV-1a, 64 bit (Fowler, Noll, Vo; constants from memory). */
uint64_t pl_key_of(const void *bytes, size_t n);

/* pl_keys_put - add a key, or give it another number.
 * Gives: PL_ENOMEM with the set as it was. */
pl_status pl_keys_put(pl_keys *keys, uint64_t key, size_t value, pl_err *err);
bool pl_keys_get(const pl_keys *keys, uint64_t key, size_t *value); /* value may be NULL */
void pl_keys_clear(pl_keys *keys);

/* ---- path.c */

/* pl_file_kind - st_mode in words: "a file", "a directory", "a pipe" ... */
const char *pl_file_kind(unsigned mode);

/* ---- load.c */

/* pl_read_at - up to `want` bytes from there on, however many calls that takes; fewer only at the
 * file's end. Gives: how many, or -1 with errno. */
ssize_t pl_read_at(int fd, void *buf, size_t want, off_t at);

/* pl_load_text - a regular file, whole, with a 0 behind it.
 *   what, page  in   "profile", "plumb-profile(5)": for the sentence when it is none
 *   most        in   bytes
 *   text, n     out  malloc'd, and its length
 * Gives: PL_EIO, PL_EFORMAT when it is larger, PL_ENOMEM. */
pl_status pl_load_text(const char *path, const char *what, const char *page, size_t most,
                       char **text, size_t *n, pl_err *err);

/* pl_load_stream - the same of a file or a pipe, which is read to its end; "-" is standard input.
 * Waits for no pipe that nobody writes into, and for no terminal. */
pl_status pl_load_stream(const char *path, const char *what, size_t most, char **text, size_t *n,
                         pl_err *err);

/* ---- pool.c */

typedef void pl_job(void *ctx, size_t item, int worker);

enum { PL_POOL_MAX = 64 }; /* workers at most */

int pl_pool_cpus(void);

/* pl_pool_run - call job(ctx, i, worker) once for each i in [0, items), on up to `jobs` threads.
 *   jobs  in  threads; < 1 means one per processor
 * Workers are numbered [0, jobs). Order of calls is not defined; a job must write only to what
 * belongs to its item or its worker; it may run a pool itself. Falls back to fewer threads, at
 * least the caller's. Threads stay asleep for the next call, with all signals blocked. */
void pl_pool_run(int jobs, size_t items, pl_job *job, void *ctx);

/* ---- robust.c: all reorder their input; n = 0 gives NaN */

double pl_median(double *v, size_t n);
float pl_medianf(float *v, size_t n);

/* pl_quantile - value below which a fraction q in [0, 1] of v lies (linear between ranks). */
double pl_quantile(double *v, size_t n, double q);

/* pl_mad_sigma - 1.4826 x median |v - centre|: a Gaussian's sigma, blind to outliers. */
double pl_mad_sigma(double *v, size_t n, double centre);

/* pl_robust_mean - median, and a MAD-clipped mean's standard error.
 *   centre, sigma, error  out  location, scatter of one value, standard error of the median;
 *   any may be NULL */
void pl_robust_mean(double *v, size_t n, double *centre, double *sigma, double *error);

/* ---- lsq.c */

/* pl_lsq_fit - weighted, robust linear least squares (Tukey bisquare); p at most 12.
 *   rows  in   [n][p] row-major design matrix, divided by sigma already
 *   rhs   in   [n] measured values, divided by sigma already
 *   coef  out  [p]
 *   cov   out  [p][p] for unit-variance rows, scaled by the robust scatter of the residuals when
 *              that exceeds 1; may be NULL
 *   scale out  that scatter (1 = errors were right); may be NULL
 * Gives: PL_ENODATA when n <= p, PL_EARG when the rows do not determine the answer; outputs
 * untouched then. */
pl_status pl_lsq_fit(const double *rows, const double *rhs, size_t n, size_t p, double *coef,
                     double *cov, double *scale, pl_err *err);

/* ---- nlsq.c */

/* pl_residuals - measured minus model (or the other way), divided by sigma.
 *   x     in   [p]
 *   rest  out  [n]; the last `firm` of them are priors
 * Gives: false when x is out of the model's range. */
typedef bool pl_residuals(const double *x, void *ctx, double *rest);

/* pl_slopes - their derivatives.
 *   jacobian  out  [n][p], nought to begin with
 * Gives: as pl_residuals. */
typedef bool pl_slopes(const double *x, void *ctx, double *jacobian);

typedef struct {
    pl_residuals *rest;
    pl_slopes *slope; /* NULL: by differences, 2 p calls of `rest` a step */
    void *ctx;
    size_t n, firm, p; /* values; how many of them, at the end, keep their weight; unknowns */
    bool robust;       /* Tukey's bisquare; else plain least squares */
} pl_nlsq;

/* pl_nlsq_fit - nonlinear least squares (Levenberg-Marquardt), for p up to some 200 and n up to
 * some 20000. Differences step by 6e-6 of a parameter's size, the largest it had so far; one that
 * starts at 0 is sized by what it does to the residuals.
 *   x       inout  [p] start, answer
 *   cov     out    [p][p] for unit-variance rows with their final weights (Gaussian errors: 2 % too
 *                  wide for a robust fit, but true where whole groups of rows have dropped out),
 *                  scaled by scale^2 when that exceeds 1; may be NULL
 *   scale   out    scatter of the rows (1 = errors were right): robust from the median of what is
 *                  not firm, else the root mean square of all; may be NULL
 *   weight  out    [n] final weights, 1 for plain fits; may be NULL
 * Gives: PL_ENODATA when n <= p, PL_EARG when the rows do not determine the answer, the start is
 * out of range or no minimum is reached, PL_ENOMEM; outputs untouched then. GSL's error handler
 * must be off. */
pl_status pl_nlsq_fit(const pl_nlsq *problem, double *x, double *cov, double *scale, double *weight,
                      pl_err *err);

#endif
