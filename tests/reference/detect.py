#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""What plumb-field finds, what it takes for a star, and what it turns away.

usage: detect.py BUILD [--quick]

Completeness counts what is kept: flags "star" or "faint". The limits for the hard frames are chosen
here, before a telescope's owner has to live with them: they stand beside each check."""
import sys

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

sys.dont_write_bytecode = True
import common  # noqa: E402

SKY, GAIN, READ_NOISE = 400.0, 1.0, 3.0
VAR = SKY / GAIN + (READ_NOISE / GAIN) ** 2 + 1.0 / 12  # ADU^2 a pixel; rounding adds 1/12
CAMERA = ("--sky", SKY, "--gain", GAIN, "--read-noise", READ_NOISE)
WIDTHS = (1.3, 1.6, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 12.0)
COMPLETE = 0.99  # of isolated stars above SNR 10
FALSE_A_FRAME = 1.0


def fate(truth, answer, radius):
    """What became of each true object: its flag, or "missed". Gives also the unmatched kept stars."""
    got = common.columns(answer["stars"]) if answer else {"x_px": np.array([]), "y_px": np.array([]), "flags": np.array([])}
    at = common.match(truth["x_px"], truth["y_px"], got["x_px"], got["y_px"], radius)
    flags = np.array([got["flags"][i] if i >= 0 else "missed" for i in at])
    kept = np.isin(got["flags"], common.KEPT)
    kept[at[at >= 0]] = False
    return flags, common.rows(got, kept)


def own_noise(truth):
    """SNR from the profile itself (see common.profile_snr), by the noise the frame maker counted with:
    uneven skies have their own at each place."""
    gauss = truth["flux_adu"] / (truth["snr"] * np.sqrt(4 * np.pi) * truth["fwhm_px"] / common.SIGMA)  # noise of a pixel
    return common.profile_snr(truth, 1.0) / gauss


# ---- isolated stars

def grid_frame(bench, beta, fwhm, low, high, stars, seed):
    spacing = max(24.0, 9 * fwhm)
    side = int(spacing * np.sqrt(stars))
    return bench.make(f"g{beta}_{fwhm}_{seed}", "--width", side, "--height", side, "--stars", stars, "--grid", "--border",
                      int(4.2 * fwhm + 4), "--snr", f"{low}:{high}", "--fwhm", fwhm, "--beta",
                      "gauss" if np.isinf(beta) else beta,
                      "--seed", seed, *CAMERA)


def check_isolated(bench, c, quick):
    betas = (np.inf,) if quick else (np.inf, 4.0, 2.5)
    cases = [(b, w) for b in betas for w in WIDTHS]

    def work(case):
        beta, fwhm = case
        frame, truth = grid_frame(bench, beta, fwhm, 10, 40, 400 if quick else 1600, 5)
        answer, complaint = bench.measure(frame)
        flags, _ = fate(truth, answer, max(2.0, 0.75 * fwhm))
        return truth, flags, complaint if answer is None else ""

    for (beta, fwhm), (truth, flags, complaint) in zip(cases, common.side_by_side(work, cases)):
        name = f"isolated, {'Gaussian' if np.isinf(beta) else f'Moffat {beta:g}'} FWHM {fwhm:g}"
        kept, alone = np.isin(flags, common.KEPT), truth["isolated"] == 1
        snr = common.profile_snr(truth, VAR)
        report_complete(c, name + ", SNR of the profile > 10", kept, flags, alone & (snr > 10), complaint)
        # of the Gaussian of that FWHM: near the profile's own but for shallow wings, whose light is spread
        # so wide that such a star of "SNR 10" stands 6 sigma above the noise
        if fwhm >= 2 and 3.5 <= beta < np.inf:
            report_complete(c, name + ", SNR of the like Gaussian > 10", kept, flags, alone & (truth["snr"] > 10), complaint)


def report_complete(c, name, kept, flags, pick, complaint="", limit=COMPLETE):
    lost, count = np.unique(flags[pick & ~kept], return_counts=True)
    why = complaint or ", ".join(f"{n} {w}" for w, n in zip(lost, count)) or "none lost"
    if pick.sum() == 0:
        c.check(name, False, "no such stars in the frame", "some")
        return
    c.above(f"{name}: kept of {pick.sum()} ({why})", kept[pick].mean(), limit,
            "the target" if limit == COMPLETE else "chosen", ".4f")


def check_threshold(bench, c):
    """SNR-10 stars of FWHM 8 px peak at 1.7 sigma: five pixels above three sigma, side by side, do not
    see them. That is what the matched filter is for."""
    frame, truth = grid_frame(bench, np.inf, 8.0, 10, 10.001, 900, 9)
    image = common.read_image(frame)
    sky, noise = np.median(image), common.mad_width(image)
    label, n = ndimage.label(image > sky + 3 * noise, structure=np.ones((3, 3)))
    big = np.flatnonzero(np.bincount(label.ravel(), minlength=n + 1)[1:] >= 5) + 1
    centre = np.array(ndimage.center_of_mass(label > 0, label, big)).reshape(-1, 2) + 1 if len(big) else np.zeros((0, 2))
    at = common.match(truth["x_px"], truth["y_px"], centre[:, 1], centre[:, 0], 8.0)
    c.below("SNR-10 stars of FWHM 8 px seen by a plain threshold (5 pixels above 3 sigma)", (at >= 0).mean(), 0.5,
            "the test is worth nothing if it sees them")
    answer, complaint = bench.measure(frame)
    flags, _ = fate(truth, answer, 6.0)
    # no margin is left at exactly SNR 10: half of them measure below it, yet they must be seen
    report_complete(c, "SNR-10 stars of FWHM 8 px seen by plumb-field", np.isin(flags, common.KEPT), flags,
                    truth["isolated"] == 1, complaint)


# ---- hard frames, by true class

STARS = ("star", "saturated", "blended", "edge")
CLASSES = STARS + ("hot", "cosmic", "trail", "galaxy")
# Limits below are chosen here, for what a person measuring a field can bear: isolated stars kept, the
# most of a class that may be taken for a star (good or faint), false ones a frame of 1800 x 1200.
MOST_KEPT = {"saturated": 0.0, "blended": 0.25, "hot": 0.01, "cosmic": 0.01, "galaxy": 0.05}
MOST_FALSE = {"star": 1.0, "faint": 5.0}
FRAMES = {
    "crowded": (0.97, "--stars", 4000, "--fwhm", 2.6, "--beta", 3.5, "--snr", "10:800"),
    "nebulous": (0.98, "--stars", 900, "--fwhm", 3.0, "--beta", 3.5, "--snr", "10:800", "--nebula", 100, "--gradient", 0.6,
                 "--vignette", 0.3),
    "very nebulous": (0.95, "--stars", 900, "--fwhm", 3.0, "--beta", 3.5, "--snr", "10:800", "--nebula", 300, "--gradient", 0.6,
                      "--vignette", 0.3),
    "dirty": (0.98, "--stars", 700, "--fwhm", 2.8, "--beta", 3.5, "--snr", "10:800", "--hot", 600, "--cosmics", 300,
              "--trails", 2, "--galaxies", 150, "--blends", 100, "--saturated", 40, "--dead-columns", 3, "--border", -5),
    "dirty, wide stars": (0.98, "--stars", 400, "--fwhm", 6.0, "--beta", 3.0, "--snr", "10:800", "--hot", 600, "--cosmics", 300,
                          "--trails", 1, "--galaxies", 60, "--blends", 60, "--saturated", 20, "--border", -5),
    "dirty, narrow stars": (0.97, "--stars", 900, "--fwhm", 1.6, "--beta", 3.5, "--snr", "15:800", "--hot", 600, "--cosmics", 300,
                            "--trails", 1, "--galaxies", 150, "--blends", 100, "--saturated", 40, "--border", -5),
}


def check_hard(bench, c, quick):
    names = ("nebulous", "dirty") if quick else tuple(FRAMES)
    seeds = (3,) if quick else (3, 4, 5)

    def work(case):
        name, seed = case
        frame, truth = bench.make(f"h{list(FRAMES).index(name)}_{seed}", "--width", 1800, "--height", 1200, "--seed", seed,
                                  *CAMERA, *FRAMES[name][1:])
        answer, complaint = bench.measure(frame)
        flags, extra = fate(truth, answer, max(2.0, 0.75 * float(np.median(truth["fwhm_px"][truth["class"] == "star"]))))
        return truth, flags, extra, twice(truth, extra), complaint if answer is None else ""

    cases = [(n, s) for n in names for s in seeds]
    done = list(zip(cases, common.side_by_side(work, cases)))
    for name in names:
        report_hard(c, name, [r for (n, _), r in done if n == name])


def twice(truth, extra):
    """Which kept detections without a true object of their own lie on a star that has its own."""
    stars = np.isin(truth["class"], STARS)
    if len(extra["x_px"]) == 0 or not stars.any():
        return np.zeros(len(extra["x_px"]), bool)
    tree = cKDTree(np.column_stack([truth["x_px"], truth["y_px"]])[stars])
    return tree.query(np.column_stack([extra["x_px"], extra["y_px"]]))[0] < 0.5


def print_table(c, name, truth, flags, lone):
    words = sorted(set(flags))
    c.say(f"{name}: what became of each true class, in per cent")
    c.say(f"  {'true class':<22}{'objects':>8}" + "".join(f"{w:>10}" for w in words))
    table = [("star, isolated", lone), ("star, not isolated", (truth["class"] == "star") & ~lone)]
    for label, pick in table + [(k, truth["class"] == k) for k in CLASSES[1:]]:
        if pick.any():
            c.say(f"  {label:<22}{pick.sum():>8}" + "".join(f"{100 * (flags[pick] == w).mean():>10.1f}" for w in words))


def report_hard(c, name, results):
    truth = {k: np.concatenate([r[0][k] for r in results]) for k in results[0][0]}
    flags = np.concatenate([r[1] for r in results])
    kept, lone = np.isin(flags, common.KEPT), (truth["class"] == "star") & (truth["isolated"] == 1)
    print_table(c, name, truth, flags, lone)
    snr = np.zeros(len(kept))
    snr[lone] = own_noise(common.rows(truth, lone))
    report_complete(c, f"{name}: isolated stars of SNR > 10", kept, flags, lone & (snr > 10),
                    " ".join(r[4] for r in results).strip(), FRAMES[name][0])
    for kind, most in MOST_KEPT.items():
        pick = truth["class"] == kind
        if pick.sum() >= 20:
            c.below(f"{name}: {pick.sum()} true {kind} taken for stars", kept[pick].mean(), most, "chosen", ".4f")
    for flag, most in MOST_FALSE.items():
        n = np.mean([(r[2]["flags"] == flag).sum() for r in results])
        c.below(f"{name}: false ones called {flag} a frame", n, most, "chosen", ".2f")
    c.below(f"{name}: stars listed twice a frame", np.mean([r[3].sum() for r in results]), 0, "no star is two", ".2f")


# ---- trouble without stars

TROUBLE = ("--width", 2400, "--height", 1600, "--hot", 1000, "--cosmics", 150, "--trails", 1, *CAMERA)


def check_trouble(bench, c, quick):
    """Noise, hot pixels, cosmic rays and one trail; alone, and with a few stars that give the program a
    field to judge by. "No stars" (exit 2) finds none."""
    seeds = range(1, 4 if quick else 13)

    def work(case):
        seed, stars = case
        frame, truth = bench.make(f"t{seed}_{stars}", *TROUBLE, "--seed", 100 + seed, "--stars", stars, "--snr", "30:500",
                                  "--fwhm", 3, "--beta", 3.5, "--grid", "--trail-snr", (3, 5, 8, 20)[seed % 4])
        answer, complaint = bench.measure(frame)
        if answer is None:
            return [], complaint
        _, extra = fate(common.rows(truth, np.isin(truth["class"], STARS)), answer, 3.0)
        return list(extra["flags"]), ", ".join(f"{f} {s:.1f} at {x:.0f},{y:.0f}" for f, s, x, y in
                                             zip(extra["flags"], extra["snr"], extra["x_px"], extra["y_px"]))

    for stars in (0, 100):
        cases = [(s, stars) for s in seeds]
        found = common.side_by_side(work, cases)
        for (seed, _), (flags, what) in zip(cases, found):
            if flags:
                c.say(f"seed {100 + seed}: {len(flags)} false: {what[:300]}")
        name = f"{'pure trouble' if stars == 0 else f'trouble and {stars} stars'}, 2400 x 1600, {len(cases)} frames"
        for word, kinds in (("star", ("star",)), ("star or faint", common.KEPT)):
            n = np.mean([np.isin(flags, kinds).sum() for flags, _ in found])
            c.check(f"{name}: false ones called {word} a frame", n < FALSE_A_FRAME, f"{n:.2f}",
                    f"below {FALSE_A_FRAME:g}, the target")


def main():
    bench, quick = common.arguments("detect.py BUILD [--quick]")
    c = common.Checks()
    check_isolated(bench, c, quick)
    check_threshold(bench, c)
    check_hard(bench, c, quick)
    check_trouble(bench, c, quick)
    return c.finish()


if __name__ == "__main__":
    sys.exit(main())
