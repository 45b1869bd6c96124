#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""plumb-field on one frame and on the same frame shifted, turned, mirrored, brighter, dearer, rebinned: the answers must
change exactly as the pixels did. What changed is done to the pixels by numpy and needs no truth.

usage: properties.py BUILD [--quick]

The noise is the same in both frames, so differences are far smaller than the errors; each limit is a part of a star's own
1-sigma error and says where that part comes from."""
import sys

import numpy as np
from astropy.io import fits

sys.dont_write_bytecode = True
import common  # noqa: E402

W, H, GAIN = 480, 360, 1.3
SCENE = ("--width", W, "--height", H, "--stars", 90, "--grid", "--border", 14, "--snr", "40:600", "--fwhm", 3.4, "--gain", GAIN,
         "--stretch", "0.25,25", "--slope", "0.15,70")
SIZES = ("fwhm_px", "fwhm_major_px", "fwhm_minor_px", "hfd_px")
# Parts of an error. Exact: what floats leave of sums of a hundred pixels, 1e-6 of a star, with SNR 600. Sampled: the sky
# is sampled by rows and cells, bumps are found on pixels binned 2 x 2: other rows, other cells, other phases, and through
# them other masks, and a star at a threshold that is in or out of a robust mean. Rebinned: each star keeps its photons, but they are told by
# fewer and other sums of the same noise; that moves an answer by about its error.
# (of a star's numbers, RMS; of a frame's, each)
EXACT, SAMPLED, REBINNED = (0.01, 0.01), (0.2, 1), (1, 3)


def write(bench, name, pixels):
    path = bench.path(name + ".fits")
    fits.PrimaryHDU(np.ascontiguousarray(pixels, dtype=">f4")).writeto(path, overwrite=True)
    return path


def measure(bench, name, pixels, gain, mosaic="none"):
    return bench.measure(write(bench, name, pixels), "--gain-e-adu", gain, "--mosaic", mosaic)[0]


class Change:
    """What was done to the pixels, and what must become of a star: its place, sizes, chi, flux."""

    def __init__(self, pixels, limit, place=lambda x, y: (x, y), size=1, chi=(1, 1), flux=1, noise=1, sky=lambda s: s, gain=GAIN,
                 mosaic="none"):
        self.pixels, self.limit, self.place, self.size, self.chi, self.flux = pixels, limit, place, size, chi, flux
        self.noise, self.sky, self.gain, self.mosaic = noise, sky, gain, mosaic


def changes(mosaic):
    """Each of a frame of [H][W] pixels; on a mosaic only what keeps its colours apart, with the pattern as it is then."""
    odd = {"none": "none", "RGGB": "GRBG"}[mosaic]
    turned = {"none": "none", "RGGB": "GBRG"}[mosaic]  # rot90 of RGGB, first row first
    both = {
        "nothing done": Change(lambda p: p, EXACT, mosaic=mosaic),
        "500 ADU more": Change(lambda p: p + 500, EXACT, sky=lambda s: s + 500, mosaic=mosaic),
        "twice the ADU": Change(lambda p: 2 * p, EXACT, flux=2, noise=2, sky=lambda s: 2 * s, gain=GAIN / 2, mosaic=mosaic),
        "shifted by 7, 4": Change(lambda p: np.roll(p, (4, 7), (0, 1)), SAMPLED, lambda x, y: (x + 7, y + 4), mosaic=odd),
        "mirrored": Change(lambda p: p[:, ::-1], SAMPLED, lambda x, y: (W + 1 - x, y), chi=(1, -1), mosaic=odd),
        "turned by 90 deg": Change(lambda p: np.rot90(p, -1), SAMPLED, lambda x, y: (H + 1 - y, x), chi=(-1, -1), mosaic=turned),
    }
    if mosaic == "none":
        both["rebinned"] = Change(lambda p: p.reshape(H // 2, 2, W // 2, 2).sum((1, 3)), REBINNED, lambda x, y: (x / 2 + 0.25, y / 2 + 0.25),
                                  size=0.5, noise=2, sky=lambda s: 4 * s)
    return both


def angle_between(a, b):
    return (a - b + 90) % 180 - 90


def compare(c, name, was, now, change):
    if was is None or now is None:
        c.check(f"{name}: measured", False, "not measured", "both frames are measured")
        return
    old, new = common.columns(was["stars"]), common.columns(now["stars"])
    old, new = (common.rows(t, t["flags"] == "star") for t in (old, new))
    x, y = change.place(old["x_px"], old["y_px"])
    inside = (np.minimum(x, y) > 12) & (old["snr"] > 30)  # a rolled frame's borders are other stars' middles
    at = common.match(x[inside], y[inside], new["x_px"], new["y_px"], 0.5)
    c.above(f"{name}: stars found again", np.mean(at >= 0), 0.97, "one in ninety may change its kind at a threshold")
    a, b = common.rows(common.rows(old, inside), at >= 0), common.rows(new, at[at >= 0])
    x, y = change.place(a["x_px"], a["y_px"])
    off = {"x": (b["x_px"] - x) / b["x_px_sigma"], "y": (b["y_px"] - y) / b["y_px_sigma"],
           "flux": (b["flux_adu"] / change.flux - a["flux_adu"]) / a["flux_adu_sigma"]}
    off |= {n: (b[n] / change.size - a[n]) / (b[n + "_sigma"] / change.size if n + "_sigma" in b else np.inf) for n in SIZES}
    off |= {k: (b[k] - s * a[k]) / a[k + "_sigma"] for k, s in zip(("chi1", "chi2"), change.chi)}
    worst = max(off, key=lambda k: np.sqrt(np.mean(off[k] ** 2)))
    c.below(f"{name}: the stars' numbers, worst is {worst}", np.sqrt(np.mean(off[worst] ** 2)), change.limit[0], "RMS of the change over the error")
    frame = {n: (now[n] / change.size - was[n]) / was[n + "_sigma"] for n in ("fwhm_px", "hfd_px")}
    frame |= {k: (now[k] - was[k]) / was[k + "_sigma"] for k in ("chi",)}
    worst = max(frame, key=lambda k: abs(frame[k]))
    c.below(f"{name}: the frame's numbers, worst is {worst}", abs(frame[worst]), change.limit[1], "change over the error")
    turned = angle_between(now["elongation_deg"], 0.5 * np.degrees(np.arctan2(
        change.chi[1] * np.sin(2 * np.radians(was["elongation_deg"])), change.chi[0] * np.cos(2 * np.radians(was["elongation_deg"])))))
    c.below(f"{name}: the direction of the stretch", abs(turned) / was["elongation_deg_sigma"], change.limit[1], "change over the error")
    few = 0.1 if change.limit is REBINNED else 0.02  # 1 / sqrt(pixels of a cell): 2500, or 625 with more of the stars' wings
    c.below(f"{name}: sky", abs(now["sky_adu"] - change.sky(was["sky_adu"])) / (change.noise * was["noise_adu"]), few, "of a pixel's noise")
    c.below(f"{name}: noise", abs(now["noise_adu"] / (change.noise * was["noise_adu"]) - 1), few, "relative")


def main():
    bench, quick = common.arguments("properties.py BUILD [--quick]")
    c = common.Checks()
    frames = [(mosaic, seed) for seed in range(1 if quick else 6) for mosaic in ("none", "RGGB")]
    for mosaic, seed in frames:
        path, _ = bench.make(f"{mosaic}-{seed}", *SCENE, "--mosaic", mosaic, "--seed", 40 + seed, truth=False)
        pixels = common.read_image(path)
        was = measure(bench, "was", pixels, GAIN, mosaic)
        todo = changes(mosaic)
        found = common.side_by_side(lambda k: measure(bench, f"{mosaic}-{k}".replace(" ", "-"), todo[k].pixels(pixels), todo[k].gain, todo[k].mosaic), todo)
        for name, now in zip(todo, found):
            compare(c, f"{mosaic} {seed}, {name}", was, now, todo[name])
    return c.finish()


if __name__ == "__main__":
    sys.exit(main())
