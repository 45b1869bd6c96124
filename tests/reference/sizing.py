#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a fitted Moffat reads of a defocused star, from nothing in lib/: images of waves.py (two-dimensional
FFT, square pixels), a Moffat averaged over 8 x 8 points a pixel, scipy's least squares with flux, width and sky
free over a disc, weights of sky and photon noise. Prints the numbers that tests/unit/test_sizing.c holds
lib/optics/fitreader.c against: FWHM of a round star, and ln(width along x / along y) of one with astigmatism, for each
um by which its defocus along x is more than along y.

Noll's a6 is W = a6 sqrt(6) rho^2 cos 2 theta; defocus is W = z rho^2 / (8 N^2). Along x rho^2 has z / (8 N^2) +
sqrt(6) a6, along y less as much: defocus differs by 16 sqrt(6) N^2 a6, whatever the obstruction."""
import sys
import numpy as np
from scipy.optimize import least_squares
from waves import Blur, Camera, Scope

PIXEL, APART = 4.2, 6.0
CASES = [  # defocus um, FWHM of the air um, beta, radius of the disc um, bright
    (0, 10, 4, 40, 0), (0, 10, 4, 40, 6), (25, 10, 4, 40, 2), (-25, 10, 4, 40, 2), (50, 8, 10, 55, 2),
    (50, 14, 6, 60, 0), (90, 10, 100, 80, 0), (90, 10, 100, 80, 4), (10, 6, 3, 30, 1), (70, 16, 8, 80, 1)]


def moffat(size, x, y, width, beta, eta=0.0):
    line = (np.arange(size * 8) + 0.5) / 8 - 0.5
    u = (((line[None, :] - x) * np.exp(-eta)) ** 2 + ((line[:, None] - y) * np.exp(eta)) ** 2) / (width / 2) ** 2
    fine = (1 + (2 ** (1 / beta) - 1) * u) ** -beta
    return fine.reshape(size, 8, size, 8).mean(axis=(1, 3))


def fit(image, x, y, disc, beta, bright, start, stretch):
    """Flux, ln width, sky and, where it is asked for, half of ln(width along x / along y)."""
    size, top, weight, p = len(image), image.max(), np.ones_like(image), start + [0.01] * stretch

    def model(p):
        return p[0] * moffat(size, x, y, np.exp(p[1]), beta, *p[3:])

    for _ in range(6):  # the photons' noise is told by the fit, as plumb-field does
        p = least_squares(lambda p: ((model(p) + p[2] - image) * np.sqrt(weight))[disc] * 100 / top, p,
                          x_scale=[top, 0.1, top] + [0.1] * stretch).x
        weight = 1 / (1 + bright * model(p) / top)
    return p


def read(camera, defocus, air, beta, radius, bright):
    """FWHM in um, and the stretch of astigmatism: the mean of stars that fall differently on the pixels."""
    scope, size, widths, stretches = camera.scope, camera.size, [], []
    a6 = APART / (16 * np.sqrt(6) * scope.ratio ** 2)
    for dx, dy in ((0, 0), (0.5, 0.5), (0.25, 0.4)):
        x, y = size // 2 + dx, size // 2 + dy
        gy, gx = np.mgrid[:size, :size]
        disc = np.hypot(gx - x, gy - y) * PIXEL < radius
        for sign in (0, 1, -1):  # both ways: pixels stretch stars that fall beside their middles, too
            image = camera.star({4: scope.defocus(defocus), 6: sign * a6}, x, y, Blur(seeing_um=air))
            p = fit(image, x, y, disc, beta, bright, [image.max(), np.log(2.5 * max(1, air / 10)), 0], sign != 0)
            (stretches if sign else widths).append(sign * 2 * p[3] / APART if sign else np.exp(p[1]) * PIXEL)
    return np.mean(widths), np.mean(stretches)


def main():
    camera = Camera(Scope(pixel_um=PIXEL), size=48)
    for case in CASES:
        print("    { %g, %g, %g, %g, %g, %.4f, %.6f }," % (*case, *read(camera, *case)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
