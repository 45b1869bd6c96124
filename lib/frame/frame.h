/* SPDX-License-Identifier: GPL-3.0-or-later */
/* frame.h - a file of pixels, what its header says, its colours, its sky. Private to libplumb. */
#ifndef PL_FRAME_H
#define PL_FRAME_H

#include "../base/base.h"

#include <fitsio.h>
#include <sys/types.h>

struct pl_frame {
    int width, height;
    /* plain files: pixels stay on disc */
    int fd;                     /* -1 when the pixels are in memory */
    int64_t bytes, modified_ns; /* of the file when it was opened */
    off_t start;                /* of the first pixel */
    int bitpix;
    double bscale, bzero;
    bool has_blank;
    int64_t blank;
    /* anything else: decoded once, one of these */
    uint16_t *mem16; /* [height][width] physical ADU */
    float *memf;     /* [height][width] physical ADU, NaN = blank */
    pl_facts facts;
    pl_notes notes;
};

/* ---- fits.c */

/* pl_frame_settled - nobody has written to the file since it was opened: what was measured is one
 * exposure, not parts of two.
 * Gives: PL_EIO. */
pl_status pl_frame_settled(const pl_frame *frame, pl_err *err);

/* pl_cfitsio_ready - before any thread's first use of CFITSIO; any number of times. */
void pl_cfitsio_ready(void);

/* ---- header.c */

/* pl_header_facts - fill facts from the header of the current HDU through the table of spellings.
 * A value out of range is left out and noted; temperatures in kelvin are turned into Celsius. */
void pl_header_facts(fitsfile *f, pl_facts *facts, pl_notes *notes);

/* ---- pixels.c */

/* pl_pixels_convert - n stored big-endian values to physical floats.
 *   raw  in   n * |bitpix| / 8 bytes as FITS stores them
 *   out  out  [n] ADU, NaN where blank */
void pl_pixels_convert(const struct pl_frame *f, const void *raw, size_t n, float *out);

/* ---- promise.c */

/* pl_fits_promise - how long a FITS file must be to hold all that its headers announce (FITS 4.0,
 * 4.4.1.1 and 7.3.1; the last HDU's padding is not asked for).
 *   size  in  of the file as it is
 * Gives: bytes; more than `size` while a header is not complete; 0 when it is no plain FITS and
 * promises nothing. */
int64_t pl_fits_promise(int fd, int64_t size);

/* ---- sky.c */

/* pl_sky - level and noise of the sky on a mesh of square cells, robust against stars.
 * On a mosaic each of the four phases (2 * (y & 1) + (x & 1)) has its own level and noise; on a
 * mono frame the four are equal. */
typedef struct {
    int nx, ny, cell;          /* cells and their side, px */
    float *level[4];           /* [ny][nx] ADU, phase by phase */
    float *noise[4];           /* [ny][nx] ADU, one sigma of one pixel */
    double sky_adu, noise_adu; /* medians over mesh and phases */
} pl_sky;

/* pl_sky_measure - sample rows spread over the frame; every phase apart.
 * Gives: PL_ENODATA when all pixels are blank. */
pl_status pl_sky_measure(const pl_frame *frame, int jobs, pl_sky *out, pl_err *err);
void pl_sky_clear(pl_sky *sky);

/* pl_sky_merge_phases - a mono frame: make the four phases one. */
void pl_sky_merge_phases(pl_sky *sky);

/* pl_sky_row - level and noise of one phase along row y, interpolated between cell centres.
 *   x0, step, n  in   columns x0, x0 + step, ...
 *   level, noise out  [n]; either may be NULL */
void pl_sky_row(const pl_sky *sky, int phase, double y, double x0, double step, int n, float *level,
                float *noise);

/* ---- mosaic.c */

typedef struct {
    double x_px, y_px;
} pl_spot;

/* Which diagonal of each 2 x 2 square is green. */
typedef enum { PL_GREEN_NONE = 0, PL_GREEN_MAIN, PL_GREEN_ANTI, PL_GREEN_UNSEEN } pl_green;

/* pl_mosaic_decide - the mosaic by header and pixels; where they disagree the pixels win.
 *   spots, n  in   bright stars, for frames whose sky is grey
 *   facts     in   the merged facts: a mosaic given on the command line is believed, one
 *                   of the header or the profile only where the pixels bear it out
 *   mosaic    out  "RGGB" ... or "" for mono
 *   notes     out  what was seen and what was not believed */
pl_status pl_mosaic_decide(const pl_frame *frame, const pl_sky *sky, const pl_spot *spots, size_t n,
                           const pl_facts *facts, char mosaic[8], pl_notes *notes, pl_err *err);

#endif
