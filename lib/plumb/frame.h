/* SPDX-License-Identifier: GPL-3.0-or-later */
/* frame.h - a FITS file, read in strips. Part of plumb.h. */
#ifndef PL_PUBLIC_FRAME_H
#define PL_PUBLIC_FRAME_H

/* pl_frame - one open frame. Plain files are read from disc when asked, never held in memory;
 * compressed ones are decoded once into 16-bit or float pixels. */
typedef struct pl_frame pl_frame;

/* pl_frame_open - open the first two-dimensional image of a FITS file (a cube of three planes gives
 * its green one), and read what its header says.
 *   path  in   goes to the disc as it is: no bracket, URL, pipe or '!' syntax
 *   jobs  in   threads for decoding, < 1: one per processor
 * Gives: PL_EIO when it cannot be opened, PL_EFORMAT when it is no FITS image or is cut short. */
PL_API pl_status pl_frame_open(const char *path, int jobs, pl_frame **out, pl_err *err);
PL_API void pl_frame_free(pl_frame *frame);

PL_API int pl_frame_width(const pl_frame *frame);
PL_API int pl_frame_height(const pl_frame *frame);

/* pl_frame_facts - what the header says; borrowed, lives as long as the frame. */
PL_API const pl_facts *pl_frame_facts(const pl_frame *frame);

/* pl_frame_notes - what was odd about the file; borrowed. */
PL_API const pl_notes *pl_frame_notes(const pl_frame *frame);

/* pl_frame_read - a rectangle of physical pixel values (BZERO and BSCALE applied).
 *   x, y, w, h  in   inside the frame
 *   out         out  [h][w], ADU, NaN where blank
 * Gives: PL_EARG outside the frame, PL_EIO when the file got shorter meanwhile.
 * Threads: any number on one frame. */
PL_API pl_status pl_frame_read(const pl_frame *frame, int x, int y, int w, int h, float *out,
                               pl_err *err);

/* pl_frame_thumb - the frame binned down by whole squares, for a picture.
 *   bin  in   even, so that a colour mosaic turns grey
 *   out  out  [height / bin][width / bin], mean ADU, NaN where all is blank */
PL_API pl_status pl_frame_thumb(const pl_frame *frame, int bin, int jobs, float *out, pl_err *err);

/* pl_sim_save - a simulated frame as FITS, 16 bit unsigned, header by the table of facts; written
 * whole or not at all.
 *   packed  in  Rice tile compression */
PL_API pl_status pl_sim_save(const pl_sim *sim, const char *path, bool packed, pl_err *err);

#endif
