#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The same field once as mono and once as raw colour mosaic: does the mosaic change the answer?

usage: mosaic.py BUILD [--quick]

Every star has its own colour (red/green and blue/green from 0.3 to 1.5), the sky a gradient and a
colour of its own, or none. The header is right, silent, or names green on the other diagonal; red
and blue exchanged is no error that pixels can show. Limits are the project's targets."""
import itertools
import sys

import numpy as np

sys.dont_write_bytecode = True
import common  # noqa: E402

PATTERNS = ("RGGB", "GRBG", "GBRG", "BGGR")
WRONG = {"RGGB": "GRBG", "GRBG": "BGGR", "GBRG": "RGGB", "BGGR": "GBRG"}
WIDTHS = (1.8, 2.5, 4.0)
HEADERS = ("right", "silent", "wrong")
SKIES = {"coloured": (250, 500, 380), "grey": (500, 500, 500)}
BRIGHT = 300  # SNR above which noise alone gives a round star an eccentricity below 0.12


def exchanged(pattern):
    return pattern.translate(str.maketrans("RB", "BR"))


def field(fwhm, *more):
    return ("--width", 1500, "--height", 1100, "--stars", 600, "--grid", "--border", 24, "--snr", "20:1000", "--fwhm", fwhm,
            "--beta", 3.5, "--gradient", 0.4, "--gradient-angle", 20, "--vignette", 0.2, "--seed", int(10 * fwhm), *more)


def mono(bench, fwhm):
    frame, truth = bench.make(f"mono{fwhm}", *field(fwhm, "--sky", 500))
    return bench.measure(frame)[0], truth


def mosaic(bench, case):
    pattern, fwhm, header, sky = case
    told = {"right": pattern, "silent": "none", "wrong": WRONG[pattern]}[header]
    rgb = ",".join(str(v) for v in SKIES[sky])
    frame, truth = bench.make("_".join(str(v) for v in case),
                              *field(fwhm, "--mosaic", pattern, "--bayerpat", told, "--sky-rgb", rgb, "--rg", "0.3:1.5",
                                     "--bg", "0.3:1.5"))
    return bench.measure(frame), truth


def roundness(answer, truth):
    """Median eccentricity of the bright stars."""
    got = common.columns(answer["stars"])
    bright = truth["snr"] > BRIGHT
    at = common.match(truth["x_px"][bright], truth["y_px"][bright], got["x_px"], got["y_px"], 2.0)
    used = at[(at >= 0) & (got["flags"][at] == "star")]
    return np.median(got["eccentricity"][used]), len(used)


def check_case(c, case, found, truth, plain, plain_truth):
    pattern, fwhm, header, sky = case
    name = f"{pattern} FWHM {fwhm:g}, header {header}, sky {sky}"
    answer, complaint = found
    if answer is None:
        c.check(name, False, complaint, "measured")
        return
    same = np.array_equal(truth["x_px"], plain_truth["x_px"]) and np.array_equal(truth["flux_adu"], plain_truth["flux_adu"])
    if not same:
        c.check(f"{name}: same field", False, "other stars", "the frame maker's promise")
    right = (pattern,) if header == "right" else (pattern, exchanged(pattern))
    c.check(f"{name}: named", answer["mosaic"] in right, answer["mosaic"], " or ".join(right))
    c.below(f"{name}: median FWHM {answer['fwhm_px']:.4f}, mono {plain['fwhm_px']:.4f}",
            abs(answer["fwhm_px"] / plain["fwhm_px"] - 1), 0.015, "the target", ".4f")
    c.below(f"{name}: median FWHM against the truth", abs(answer["fwhm_px"] / fwhm - 1), 0.015, "the target", ".4f")
    here, n = roundness(answer, truth)
    there, _ = roundness(plain, plain_truth)
    c.below(f"{name}: eccentricity of {n} stars of SNR > {BRIGHT}, {here:.3f}, mono {there:.3f}, raised by", here - there, 0.05,
            "the target")
    c.below(f"{name}: field's eccentricity {answer['eccentricity']:.3f}, mono {plain['eccentricity']:.3f}, raised by",
            answer["eccentricity"] - plain["eccentricity"], 0.05, "the target")


def check_mono(c, fwhm, answer):
    """A mono frame with an uneven sky is not taken for a mosaic."""
    c.check(f"mono FWHM {fwhm:g}: named", answer["mosaic"] == "none", answer["mosaic"], "none")
    c.below(f"mono FWHM {fwhm:g}: median FWHM against the truth", abs(answer["fwhm_px"] / fwhm - 1), 0.003, "the target",
            ".4f")


def check_lie(bench, c):
    """A header that names a mosaic over pixels that show none."""
    frame, _ = bench.make("lie", *field(2.5, "--sky", 500, "--bayerpat", "RGGB"))
    answer, complaint = bench.measure(frame)
    c.check("mono, header says RGGB: named", answer and answer["mosaic"] == "none", answer["mosaic"] if answer else complaint,
            "none")


def main():
    bench, quick = common.arguments("mosaic.py BUILD [--quick]")
    c = common.Checks()
    cases = list(itertools.product(PATTERNS, WIDTHS, HEADERS, SKIES))
    if quick:
        cases = [("RGGB", 1.8, "right", "coloured"), ("GRBG", 1.8, "silent", "coloured"), ("GBRG", 2.5, "wrong", "coloured"),
                 ("BGGR", 1.8, "silent", "grey"), ("RGGB", 4.0, "silent", "coloured"), ("GRBG", 2.5, "wrong", "grey")]
    widths = sorted({case[1] for case in cases})
    plain = dict(zip(widths, common.side_by_side(lambda w: mono(bench, w), widths)))
    for w in widths:
        check_mono(c, w, plain[w][0])
    check_lie(bench, c)
    for case, (found, truth) in zip(cases, common.side_by_side(lambda k: mosaic(bench, k), cases)):
        check_case(c, case, found, truth, *plain[case[1]])
    return c.finish()


if __name__ == "__main__":
    sys.exit(main())
