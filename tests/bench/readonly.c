/* SPDX-License-Identifier: GPL-3.0-or-later */
/* readonly FRAME... [short|float] - only fits_read_img of the whole frames, one after the other, as
 * unsigned 16-bit pixels (or as float): the yardstick for plumb's speed. Prints each one's shape
 * and one pixel. */
#include <fitsio.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int read_frame(const char *path, int type)
{
    int status = 0, any = 0;
    long axis[2] = { 0, 0 };
    fitsfile *f = NULL;
    fits_open_diskfile(&f, path, READONLY, &status);
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

int main(int argc, char **argv)
{
    int type = TUSHORT, files = argc - 1;
    if (argc > 2 && (!strcmp(argv[argc - 1], "short") || !strcmp(argv[argc - 1], "float")))
        type = !strcmp(argv[files--], "float") ? TFLOAT : TUSHORT;
    if (files < 1) {
        fputs("usage: readonly FRAME... [short|float]\n", stderr);
        return 2;
    }
    for (int i = 1; i <= files; i++)
        if (read_frame(argv[i], type))
            return 2;
    return 0;
}
