/* SPDX-License-Identifier: GPL-3.0-or-later */
/* readonly FRAME [short|float] - only fits_read_img of the whole frame as unsigned 16-bit pixels
 * (or as float): the yardstick for plumb-field's speed. Prints the shape and one pixel. */
#include <fitsio.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int main(int argc, char **argv)
{
    int status = 0, any = 0, type = argc == 3 && !strcmp(argv[2], "float") ? TFLOAT : TUSHORT;
    long axis[2] = { 0, 0 };
    fitsfile *f = NULL;
    if (argc < 2) {
        fputs("usage: readonly FRAME [short|float]\n", stderr);
        return 2;
    }
    fits_open_diskfile(&f, argv[1], READONLY, &status);
    if (!status && fits_get_hdu_num(f, &any) == 1) {
        fits_get_img_size(f, 2, axis, &status);
        if (axis[0] == 0) /* tile-compressed: the image is in the first extension */
            fits_movabs_hdu(f, 2, NULL, &status);
    }
    fits_get_img_size(f, 2, axis, &status);
    size_t n = (size_t)axis[0] * (size_t)axis[1];
    void *pixels = status ? NULL : malloc(n * (type == TFLOAT ? sizeof(float) : sizeof(uint16_t)));
    if (pixels)
        fits_read_img(f, type, 1, (LONGLONG)n, NULL, pixels, &any, &status);
    if (!pixels || status) {
        fits_report_error(stderr, status);
        return 2;
    }
    printf("%ld %ld %g\n", axis[0], axis[1],
           type == TFLOAT ? (double)((float *)pixels)[n / 2] : (double)((uint16_t *)pixels)[n / 2]);
    free(pixels);
    fits_close_file(f, &status);
    return 0;
}
