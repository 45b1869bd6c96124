#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a fitted Moffat reads of a defocused star, from nothing in lib/: images of waves.py (two-dimensional
FFT, square pixels), a circular Moffat averaged over 8 x 8 points a pixel, scipy's least squares with flux,
width and sky free over a disc, weights of sky and photon noise. Prints the numbers that
tests/unit/test_sizing.c holds lib/optics/sizing.c against."""
import sys
import numpy as np
from scipy.optimize import least_squares
from waves import Blur, Camera, Scope

PIXEL = 4.2
CASES = [  # defocus um, FWHM of the air um, beta, radius of the disc um, bright
    (0, 10, 4, 40, 0), (0, 10, 4, 40, 6), (25, 10, 4, 40, 2), (-25, 10, 4, 40, 2), (50, 8, 10, 55, 2),
    (50, 14, 6, 60, 0), (90, 10, 100, 80, 0), (90, 10, 100, 80, 4), (10, 6, 3, 30, 1), (70, 16, 8, 80, 1)]


def moffat(size, x, y, width, beta):
    line = (np.arange(size * 8) + 0.5) / 8 - 0.5
    u = ((line[None, :] - x) ** 2 + (line[:, None] - y) ** 2) / (width / 2) ** 2
    fine = (1 + (2 ** (1 / beta) - 1) * u) ** -beta
    return fine.reshape(size, 8, size, 8).mean(axis=(1, 3))


def read(camera, defocus, air, beta, radius, bright):
    """FWHM in um, the mean of stars that fall differently on the pixels."""
    scope, size, widths = camera.scope, camera.size, []
    for dx, dy in ((0, 0), (0.5, 0.5), (0.25, 0.4)):
        x, y = size // 2 + dx, size // 2 + dy
        image = camera.star({4: scope.defocus(defocus)}, x, y, Blur(seeing_um=air))
        gy, gx = np.mgrid[:size, :size]
        disc = np.hypot(gx - x, gy - y) * PIXEL < radius
        weight, p = np.ones_like(image), [image.max(), np.log(2.5 * max(1, air / 10)), 0]

        def rest(p):
            model = p[0] * moffat(size, x, y, np.exp(p[1]), beta) + p[2]
            return ((model - image) * np.sqrt(weight))[disc] * 100 / image.max()

        for _ in range(6):  # the photons' noise is told by the fit, as plumb-field does
            p = least_squares(rest, p, x_scale=[image.max(), 0.1, image.max()]).x
            weight = 1 / (1 + bright * p[0] * moffat(size, x, y, np.exp(p[1]), beta) / image.max())
        widths.append(np.exp(p[1]) * PIXEL)
    return np.mean(widths)


def main():
    camera = Camera(Scope(pixel_um=PIXEL), size=48)
    for case in CASES:
        print("    { %g, %g, %g, %g, %g, %.4f }," % (*case, read(camera, *case)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
