/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sepbench FRAME - the same work by libsep: background, extraction, half-flux radius of each
 * object. As its users call it: 64 px mesh, 3 px median, 1.5 sigma, 5 pixels, its default filter.
 * Prints the number of objects and the median half-flux diameter. */
#include <fitsio.h>
#include <sep.h>
#include <stdio.h>
#include <stdlib.h>

/* The default filter of libsep's Python package: a pyramid of FWHM 2 px. */
static const float filter[9] = { 1, 2, 1, 2, 4, 2, 1, 2, 1 };

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static void must(int status, const char *what)
{
    char text[64];
    if (!status)
        return;
    sep_get_errmsg(status, text);
    fprintf(stderr, "sepbench: %s: %s\n", what, text);
    exit(2);
}

static float *read_frame(const char *path, long axis[2])
{
    fitsfile *f = NULL;
    int status = 0, any;
    fits_open_diskfile(&f, path, READONLY, &status);
    fits_get_img_size(f, 2, axis, &status);
    float *pixels = status ? NULL : malloc((size_t)axis[0] * (size_t)axis[1] * sizeof *pixels);
    if (pixels)
        fits_read_img(f, TFLOAT, 1, (LONGLONG)axis[0] * axis[1], NULL, pixels, &any, &status);
    fits_close_file(f, &status);
    if (!pixels || status) {
        fits_report_error(stderr, status);
        exit(2);
    }
    return pixels;
}

/* Half-flux diameters, the total taken within 6 a as the Python package's guide does. */
static size_t half_flux(const sep_image *im, const sep_catalog *cat, double *diameter)
{
    size_t n = 0;
    double half = 0.5, radius = 0.0;
    for (int i = 0; i < cat->nobj; i++) {
        short flag = 0;
        if (sep_flux_radius(im, cat->x[i], cat->y[i], 6.0 * cat->a[i], 0, 5, 0, NULL, &half, 1,
                            &radius, &flag) == 0)
            diameter[n++] = 2.0 * radius;
    }
    return n;
}

int main(int argc, char **argv)
{
    long axis[2];
    sep_bkg *sky = NULL;
    sep_catalog *cat = NULL;
    if (argc != 2) {
        fputs("usage: sepbench FRAME\n", stderr);
        return 2;
    }
    float *pixels = read_frame(argv[1], axis);
    sep_image im = { .data = pixels, .dtype = SEP_TFLOAT, .w = (int)axis[0], .h = (int)axis[1] };
    must(sep_background(&im, 64, 64, 3, 3, 0.0, &sky), "background");
    must(sep_bkg_subarray(sky, pixels, SEP_TFLOAT), "subtraction");
    sep_set_extract_pixstack(1 << 24);
    must(sep_extract(&im, 1.5f * sky->globalrms, SEP_THRESH_ABS, 5, filter, 3, 3, SEP_FILTER_CONV,
                     32, 0.005, 1, 1.0, &cat),
         "extraction");
    double *diameter = malloc(((size_t)cat->nobj + 1) * sizeof *diameter);
    if (!diameter)
        return 2;
    size_t n = half_flux(&im, cat, diameter);
    qsort(diameter, n, sizeof *diameter, by_value);
    printf("%d objects, half-flux diameter %.3f px\n", cat->nobj, n ? diameter[n / 2] : 0.0);
    free(diameter);
    sep_catalog_free(cat);
    sep_bkg_free(sky);
    free(pixels);
    return 0;
}
