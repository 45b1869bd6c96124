# SPDX-License-Identifier: GPL-3.0-or-later
"""The constants in tests/unit/test_nlsq.c: a robust fit by scipy.optimize.least_squares with Tukey's
loss, its cut 4.685 times the scatter of the residuals, which is taken anew until it stays.

    /usr/bin/python3 tests/reference/robust.py
"""
import numpy as np
from scipy.optimize import least_squares

TUNE = 4.685
EXACT = dict(xtol=1e-15, ftol=1e-15, gtol=1e-15)
I = np.arange(40.0)
X = I / 4
Y = 5 * np.exp(-0.3 * X) + 2 + 0.05 * np.sin(7 * I * I) + np.where(I % 7 == 3, 1.5, 0)


def rest(b, prior):
    r = (Y - b[0] * np.exp(-b[1] * X) - b[2]) / 0.02
    return np.append(r, (b[0] - 5.2) / 0.1) if prior else r


def scatter(b, prior):
    n = len(I) + prior
    mad = np.median(np.abs(rest(b, prior)[:len(I)]))
    return 1.482602218505602 * mad * np.sqrt(n / (n - 3))


def tukey(cut, prior):
    """rho of the squared residual, and its derivatives; a prior keeps its square."""
    def loss(z):
        u = np.clip(z / cut, 0, 1)
        rho = np.array([cut / 3 * (1 - (1 - u) ** 3), (1 - u) ** 2, -2 / cut * (1 - u)])
        if prior:
            rho[:, -1] = [z[-1], 1, 0]
        return rho
    return loss


def fit(prior):
    b = least_squares(rest, [4, 0.5, 1.5], args=(prior,), **EXACT).x
    moved = 1.0
    while moved > 1e-12:
        loss = tukey((TUNE * scatter(b, prior)) ** 2, prior)
        new = least_squares(rest, b, args=(prior,), loss=loss, x_scale='jac', **EXACT).x
        moved, b = np.abs(new - b).max(), new
    return [*b, scatter(b, prior)]


for with_prior in (False, True):
    print('with a prior:' if with_prior else 'without:', *('%.9g' % v for v in fit(with_prior)))
