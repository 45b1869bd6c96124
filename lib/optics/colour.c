/* SPDX-License-Identifier: GPL-3.0-or-later */
/* colour.c - what the filters of a mosaic see, and where the air puts each colour. */
#include "scene.h"

int pl_colour_of(const char *mosaic, int x, int y)
{
    if (!mosaic[0])
        return PL_GREEN;
    char c = mosaic[2 * (y & 1) + (x & 1)];
    return c == 'R' ? PL_RED : c == 'B' ? PL_BLUE : PL_GREEN;
}

double pl_refraction(double lambda_um)
{
    double s = 1 / (lambda_um * lambda_um);
    return 1e-8 * (6432.8 + 2949810 / (146 - s) + 25540 / (41 - s));
}
