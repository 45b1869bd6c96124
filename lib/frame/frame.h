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

/* pl_frame_bins - row `by` of the frame binned 2 x 2: sums of four pixels, ADU.
 *   room  in   [2 * width], to work in
 *   out   out  [width / 2], NaN where one of the four is blank
 * Gives: PL_EIO. */
pl_status pl_frame_bins(const pl_frame *frame, int by, float *room, float *out, pl_err *err);

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

/* pl_pixels_are_camera - unsigned 16 bit, stored less 32768, none blank: the usual camera frame. */
bool pl_pixels_are_camera(const struct pl_frame *f);

/* A camera frame's values as FITS stores them; physical values as integers, or as floats. */
typedef enum { PL_STORED, PL_U16, PL_REAL } pl_pixels;

/* pl_pixels_bin - of n bins of 2 x 2 pixels the sums, ADU; of integers exact.
 *   top, low  in   [2 * n] values of two rows */
void pl_pixels_bin(pl_pixels kind, const void *top, const void *low, size_t n, float *out);

/* ---- rice.c */

enum {
    PL_RICE_SPARE = 8
}; /* bytes behind the packed ones that must be there, whatever they hold */

/* pl_rice_unpack - a tile of 16-bit pixels. Damaged bytes give wrong pixels or a failure; none
 * outside is read or written.
 *   in     in   [have + PL_RICE_SPARE] bytes
 *   block  in   pixels that share a number of low bits
 *   plus   in   added to each pixel, modulo 65536
 *   out    out  [n]
 *   left   out  whole bytes of `have` that no pixel needed
 * Gives: false when the bytes end before the pixels. */
bool pl_rice_unpack(const unsigned char *in, size_t have, int block, uint16_t plus, uint16_t *out,
                    size_t n, size_t *left);

/* pl_rice_walk - the same without writing, for pixels of 1, 2 or 4 bytes. */
bool pl_rice_walk(const unsigned char *in, size_t have, int bytes, int block, size_t n,
                  size_t *left);

/* ---- packed.c */

typedef enum { PL_PACKED_GOOD = 0, PL_PACKED_DAMAGED, PL_PACKED_NO_MEMORY } pl_packed;

/* pl_packed_holds - is a tile's end, and its size, where CFITSIO will look for them?
 *   packing       in   RICE_1, GZIP_1, GZIP_2, PLIO_1, HCOMPRESS_1; any other one is good
 *   in            in   [have + PL_RICE_SPARE] bytes
 *   bytes, block  in   as for pl_rice_walk
 *   n             in   the tile's pixels
 *   left          out  bytes of `have` that were not needed, where that can be told; else 0 */
pl_packed pl_packed_holds(int packing, const unsigned char *in, size_t have, int bytes, int block,
                          size_t n, size_t *left);

/* ---- tiles.c */

/* pl_tiles_unpack - the current HDU, a tile-compressed image: its tiles seen to be whole, as far as
 * that can be told before they are unpacked; and unpacked, if they are unsigned 16-bit by Rice.
 *   fd    in   where the file can be read as it is, else -1
 *   jobs  in   threads, < 1: one per processor
 *   out   out  malloc'd [height][width] ADU; untouched when CFITSIO shall unpack them
 * Gives: PL_EFORMAT when a tile is damaged, PL_EIO, PL_ENOMEM. */
pl_status pl_tiles_unpack(fitsfile *f, int fd, int64_t plane, int jobs, uint16_t **out,
                          pl_notes *notes, pl_err *err);

/* ---- promise.c */

/* pl_fits_promise - how long a FITS file must be to hold all that its headers announce (FITS 4.0,
 * 4.4.1.1 and 7.3.1; the last HDU's padding is not asked for).
 *   size  in  of the file as it is
 * Gives: bytes; more than `size` while a header is not complete; 0 when it is no plain FITS and
 * promises nothing. */
int64_t pl_fits_promise(int fd, int64_t size);

/* pl_fits_misleads - what a header says that would end CFITSIO 4.2, and us with it: it divides by
 * the ZTILEn of any compressed image it comes by.
 * Gives: that in words, or NULL. */
const char *pl_fits_misleads(int fd, int64_t size);

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

/* pl_sky_at - level and noise of one phase at a place, interpolated between cell centres.
 *   level, noise  out  either may be NULL */
void pl_sky_at(const pl_sky *sky, int phase, double x, double y, float *level, float *noise);

/* pl_sky_bins - a mesh row widened to the columns of the frame binned 2 x 2.
 *   level    out  [bins] sum of the four phases' levels, ADU
 *   inverse  out  [bins] one over the noise of that sum, 1 / ADU */
void pl_sky_bins(const pl_sky *sky, int row, int bins, float *level, float *inverse);

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
                           const pl_facts *facts, int jobs, char mosaic[8], pl_notes *notes,
                           pl_err *err);

#endif
