/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The tests' own stars against closed forms: a judge must be judged. */
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <math.h>
#include <stdlib.h>

/* A round Gaussian over a pixel is a product of differences of erf (closed form). */
Test(frames, gaussian_pixels)
{
    static const double fwhm[] = { 1.0, 1.3, 2, 2.9, 3.1, 5, 12 };
    for (size_t k = 0; k < sizeof fwhm / sizeof *fwhm; k++) {
        enum { N = 25 };
        frames_star s = { 12.3, 11.8, 1000, fwhm[k], 0, 0, INFINITY };
        double v[N * N] = { 0 }, sigma = fwhm[k] / 2.3548200450309493 * sqrt(2);
        frames_draw(v, 0, 0, N, N, &s);
        for (int i = 0; i < N * N; i++) {
            double x = i % N - s.x, y = i / N - s.y;
            double want = 250 * (erf((x + 0.5) / sigma) - erf((x - 0.5) / sigma)) *
                          (erf((y + 0.5) / sigma) - erf((y - 0.5) / sigma));
            cr_assert(epsilon_eq(dbl, v[i], want, 1e-5), "FWHM %g pixel %d", fwhm[k], i);
        }
    }
}

/* Moffat: light inside r is 1 - (1 + r^2 / a^2)^(1 - beta); a large square against that circle's.
 */
Test(frames, moffat_holds_its_flux)
{
    enum { N = 401 };
    double *v = calloc(N * N, sizeof *v), inside = 0;
    frames_star s = { 200, 200, 1000, 4, 0.6, 30, 3 };
    frames_draw(v, 0, 0, N, N, &s);
    for (int i = 0; i < N * N; i++)
        inside += v[i];
    cr_expect(epsilon_eq(dbl, inside, 1000, 0.01));
    free(v);
    s = (frames_star){ 200, 200, 1000, 4, 0, 0, 3 };
    v = calloc(N * N, sizeof *v);
    frames_draw(v, 0, 0, N, N, &s);
    double r = 30.2, a = 2 / sqrt(pow(2, 1.0 / 3) - 1), sum = 0;
    for (int i = 0; i < N * N; i++)
        sum += v[i] * fmin(1, fmax(0, r - hypot(i % N - 200, i / N - 200) + 0.5));
    cr_expect(epsilon_eq(dbl, sum, 1000 * (1 - pow(1 + r * r / (a * a), -2)), 0.02));
    free(v);
}
