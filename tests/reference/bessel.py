#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""What scipy says of Bessel functions of orders 0 and 2: the numbers of tests/unit/test_bessel.c."""
from scipy.special import jn

for v in (0, 0.01, 0.125, 0.6, 1.9, 2.404825557695773, 7.77, 33.3, 150.123, 612.5):
    print("    { %.16g, %.15f, %.15f }," % (v, jn(0, v), jn(2, v)))
