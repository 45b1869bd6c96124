/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sepstars - what libsep measures on a frame, for libraries.py to compare with.
 *
 * usage: sepstars FRAME [THRESHOLD]
 * Prints CSV: windowed centroid and barycentre in FITS pixels, flux, ellipse, half-flux radius,
 * flags. The weight of the windowed centroid is a Gaussian as wide as the half-flux radius says
 * (sigma = 2 r50 / 2.355, as sep's documentation advises). Exit status: 0, or 2 when the frame or a
 * library refused. */
#include <fitsio.h>
#include <math.h>
#include <sep.h>
#include <stdio.h>
#include <stdlib.h>

struct image {
    float *pixel;         /* [h][w] */
    unsigned char *blank; /* [h][w] 1: no value */
    int w, h;
};

static int read_frame(const char *path, struct image *out)
{
    fitsfile *f = NULL;
    int status = 0, axes = 0, bitpix, type = 0, hdu = 1;
    long size[3] = { 0, 0, 0 };

    fits_open_diskfile(&f, path, READONLY, &status);
    while (status == 0) { /* the first image that has pixels */
        fits_movabs_hdu(f, hdu++, &type, &status);
        axes = 0;
        if (status == 0 && type == IMAGE_HDU)
            fits_get_img_param(f, 3, &bitpix, &axes, size, &status);
        if (axes >= 2)
            break;
    }
    if (status == 0) {
        size_t n = (size_t)size[0] * (size_t)size[1];
        float nan = NAN;
        *out =
            (struct image){ malloc(n * sizeof(float)), calloc(n, 1), (int)size[0], (int)size[1] };
        if (out->pixel && out->blank)
            fits_read_img(f, TFLOAT, 1, (long)n, &nan, out->pixel, NULL, &status);
        else
            status = 1;
        for (size_t i = 0; status == 0 && i < n; i++)
            if (!isfinite(out->pixel[i])) {
                out->blank[i] = 1;
                out->pixel[i] = 0;
            }
    }
    int ignored = 0;
    if (f)
        fits_close_file(f, &ignored);
    return status;
}

static void print_star(const sep_image *im, const sep_catalog *cat, int i)
{
    double x = cat->x[i], y = cat->y[i], half = 0.5, r50 = NAN, wx = NAN, wy = NAN;
    double flux = cat->flux[i];
    short flag = 0, ignored = 0;
    int rounds = 0;

    sep_flux_radius(im, x, y, 6.0 * cat->a[i] + 1, 0, 5, 0, &flux, &half, 1, &r50, &ignored);
    int status = sep_windowed(im, x, y, 2 * r50 / 2.354820045, 11, 0, &wx, &wy, &rounds, &flag);
    printf("%.5f,%.5f,%.5f,%.5f,%.6g,%.4f,%.4f,%.5f,%.4f,%d,%d\n", wx + 1, wy + 1, x + 1, y + 1,
           flux, (double)cat->a[i], (double)cat->b[i], (double)cat->theta[i], r50, cat->flag[i],
           status ? -1 : flag);
}

static int stars_of(struct image *frame, double threshold)
{
    static const float kernel[9] = { 1, 2, 1, 2, 4, 2, 1, 2, 1 };
    sep_image im = { .data = frame->pixel,
                     .mask = frame->blank,
                     .dtype = SEP_TFLOAT,
                     .mdtype = SEP_TBYTE,
                     .w = frame->w,
                     .h = frame->h,
                     .maskthresh = 0.5 };
    sep_bkg *sky = NULL;
    sep_catalog *cat = NULL;
    int status = sep_background(&im, 64, 64, 3, 3, 0.0, &sky);

    sep_set_extract_pixstack(2000000);
    if (status == 0)
        status = sep_bkg_subarray(sky, frame->pixel, SEP_TFLOAT);
    if (status == 0)
        status = sep_extract(&im, (float)threshold * sep_bkg_globalrms(sky), SEP_THRESH_ABS, 5,
                             kernel, 3, 3, SEP_FILTER_CONV, 32, 0.005, 1, 1.0, &cat);
    if (status == 0) {
        puts("x,y,x_all,y_all,flux,a,b,theta,r50,flag,winflag");
        for (int i = 0; i < cat->nobj; i++)
            print_star(&im, cat, i);
    }
    sep_catalog_free(cat);
    sep_bkg_free(sky);
    return status;
}

int main(int argc, char **argv)
{
    struct image frame = { NULL, NULL, 0, 0 };
    double threshold = argc > 2 ? strtod(argv[2], NULL) : 5.0;

    if (argc < 2 || read_frame(argv[1], &frame) != 0) {
        fprintf(stderr, "sepstars: %s: no image to be read\n", argc < 2 ? "FRAME" : argv[1]);
        free(frame.pixel);
        free(frame.blank);
        return 2;
    }
    int status = stars_of(&frame, threshold);
    free(frame.pixel);
    free(frame.blank);
    if (status != 0)
        fprintf(stderr, "sepstars: libsep: status %d\n", status);
    return status ? 2 : 0;
}
