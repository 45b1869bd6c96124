#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Time a star takes plumb-field, beside scipy's fit of the same profile to the same pixels.

usage: starfit.py BUILD

plumb: whole processes with one thread, 100 and 1100 stars of one frame in turn; the difference of
their medians over the difference in stars, so that reading and searching drop out. scipy:
least_squares (MINPACK's lmder by finite differences) on the pixel-integrated Moffat of
tests/reference/common.py, as in libraries.py, numpy's import and the pixels' reading not counted.
Prints both times, their ratio, and how far the widths are apart."""
import json
import os
import statistics
import subprocess
import sys
import time

import numpy as np

sys.dont_write_bytecode = True
sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "reference"))
import common  # noqa: E402

FEW, MANY, ROUNDS, FITTED = 100, 1100, 9, 40


def milliseconds(bench, frame, best):
    begin = time.monotonic()
    subprocess.run([bench.field, "--jobs", "1", "--best", str(best), "-q", frame], stdout=subprocess.DEVNULL, check=False)
    return 1000 * (time.monotonic() - begin)


def ours(bench, frame):
    """Milliseconds a star."""
    spent = {FEW: [], MANY: []}
    for _ in range(ROUNDS):
        for best, times in spent.items():
            times.append(milliseconds(bench, frame, best))
    fitted = {best: json.loads(subprocess.run([bench.field, "--json", "--best", str(best), frame], capture_output=True,
                                              check=False).stdout)["stars_used"] for best in spent}
    return (statistics.median(spent[MANY]) - statistics.median(spent[FEW])) / (fitted[MANY] - fitted[FEW])


def scipys(bench, frame):
    """Milliseconds a star, and the median relative difference in width."""
    answer, _ = bench.measure(frame)
    star, image = common.columns(answer["stars"]), common.read_image(frame)
    radius, gain = max(6.0, 2.75 * answer["fwhm_px"] + 2), answer["sky_adu"] / answer["noise_adu"] ** 2
    pick = np.flatnonzero((star["flags"] == "star") & (star["snr"] > 50))[:FITTED]
    begin, off = time.monotonic(), []
    for i in pick:
        fit = common.fit_star(image, star["x_px"][i] - 1, star["y_px"][i] - 1, answer["fwhm_px"], answer["beta"], radius, gain)
        if fit:
            off.append(star["fwhm_px"][i] / fit[2] - 1)
    return 1000 * (time.monotonic() - begin) / len(pick), np.median(np.abs(off))


def main():
    bench, _ = common.arguments("starfit.py BUILD")
    frame, _ = bench.make("crowd", "--width", 3000, "--height", 2000, "--stars", 1600, "--grid", "--fwhm", 3, "--beta", 3.5,
                          "--ecc", 0.3, "--snr", "50:500", "--seed", 5, truth=False)
    mine, (other, apart) = ours(bench, frame), scipys(bench, frame)
    print(f"{'one star, against scipy':26s} {mine:9.3f} {other:9.2f} {other / mine:7.0f}  widths {apart:.4f} apart (median)")


if __name__ == "__main__":
    main()
