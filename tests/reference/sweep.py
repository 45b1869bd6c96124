#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""plumb-sweep on series whose truth sweepframes.py made: best focus, focal surface, frames gone wrong,
backlash, series without positions, colours, wrong input, and whether its errors are true.

usage: sweep.py BUILD [--quick]

The program is run as a user runs it, with a profile that tells the scope. Limits are the project's targets unless a line
says otherwise: seeing 2.5 arcsec varying 8 % from frame to frame, 11 frames, 300 stars on 1600 x 1100 px, f/3.1.
The pulls take 200 small series (7 frames of 800 x 600 px, 150 stars), half of them of an even field; those of
astigmatism 40."""
import json
import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass, replace

sys.dont_write_bytecode = True
import common  # noqa: E402
import numpy as np  # noqa: E402
from sweepframes import LIGHT_UM, REACH_UM, SCOPE, Series, profile, through_focus  # noqa: E402

ELEVEN, SEVEN = np.arange(-5, 6), np.arange(-3, 4)
SMALL = dict(stars=150, size=(800, 600))
SURFACES = (
    ("tilt and curvature", dict(steps=5000 + 5 * ELEVEN, best_steps=5003.3, tilt=(4.0, -3.0), curvature=9.0, seed=11)),
    ("larger numbers inward, corrector riding along", dict(steps=200 - 9 * ELEVEN, best_steps=195.4, step_um=2.0, outward=-1,
     mirror_focal_mm=820.0, tilt=(-1.5, 7.0), curvature=-6.0, seed=12)),
    ("curvature alone", dict(steps=5000 + 6 * ELEVEN, best_steps=4996.1, curvature=15.0, seed=13)),
    ("an even field", dict(steps=5000 + 5 * ELEVEN, best_steps=5001.2, seed=14)),
    ("poor air", dict(steps=5000 + 7 * ELEVEN, best_steps=5002.0, tilt=(3.0, 5.0), curvature=5.0, seeing=3.6, seed=15)),
    ("strong tilt, good air", dict(steps=5000 + 5 * ELEVEN, best_steps=4998.3, tilt=(-9.0, 6.0), curvature=4.0, seeing=1.7, seed=16)),
)
QUICK_SURFACES = (0,)


# ---- the program and its answer

@dataclass
class Answer:
    status: int
    json: dict
    said: str

    def get(self, *keys):
        """A number of the answer; NaN where there is none."""
        at = self.json or {}
        for key in keys:
            at = (at or {}).get(key) if not isinstance(at, list) else at[key]
        return np.nan if at is None else at

    def frames(self, key):
        return np.array([np.nan if f.get(key) is None else f[key] for f in self.json["frames"]], float)

    @property
    def words(self):
        verdict = (self.json or {}).get("verdict") or {}
        return " | ".join([str(verdict.get("text")), str(verdict.get("action")), *(self.json or {}).get("warnings", [])])

    @property
    def cause(self):
        return ((self.json or {}).get("verdict") or {}).get("cause")


class Sweep:
    """plumb-sweep as a user runs it."""

    def __init__(self, bench):
        self.bench, self.program, self.count = bench, os.path.join(bench.build, "plumb-sweep"), 0
        if not os.access(self.program, os.X_OK):
            sys.exit(f"{self.program} is not built")

    def folder(self):
        self.count += 1
        path = self.bench.path(f"series-{self.count}")
        os.mkdir(path)
        return path

    def run(self, folder, text, paths, *words):
        told = os.path.join(folder, "scope.ini")
        with open(told, "w") as f:
            f.write(text)
        command = [self.program, "-p", told, "--json", "-q", "--jobs", "1", *words, *paths]
        run = subprocess.run(command, capture_output=True, text=True, timeout=300)
        if run.returncode not in (0, 1, 2):
            raise RuntimeError(f"{' '.join(command)}: exit {run.returncode}: {run.stderr}")
        answers = [json.loads(line) for line in run.stdout.splitlines() if line.strip()]
        return Answer(run.returncode, answers[-1] if answers else None, run.stderr.strip())

    def series(self, series, *words, **said):
        """Frames made, measured, thrown away."""
        folder = self.folder()
        try:
            return self.run(folder, profile(series, **said), series.write(in_folder(folder)), *words)
        finally:
            shutil.rmtree(folder)


def in_folder(folder):
    return lambda k: os.path.join(folder, f"f{chr(97 + k // 5)}{chr(97 + k % 5)}.fits")  # names without numbers


def read(c, name, answer, *needed):
    """Whether there is an answer, with numbers where they are needed; if not, that is one failure."""
    lacks = [".".join(map(str, keys)) for keys in needed if answer.json and not np.isfinite(answer.get(*keys))]
    if answer.json is None or lacks:
        c.check(name, False, f"exit {answer.status}, {answer.said or 'unknown: ' + ', '.join(lacks)}", "measured")
        return False
    return True


BEST, SURFACE = ("best_position_steps",), tuple(("surface", k) for k in ("tilt_x_um_mm", "tilt_y_um_mm", "curvature_um"))


def best_off(series, answer):
    """Error of best focus and its sigma, um at the sensor."""
    um = series.step_um * (SCOPE.focal_mm / series.mirror_focal_mm) ** 2
    return (answer.get("best_position_steps") - series.best_steps) * um, answer.get("best_position_steps_sigma") * um


def judge_best(c, name, series, answer, limit=2.0, source=""):
    off, sigma = best_off(series, answer)
    c.below(f"{name}: best focus off by {off:+.2f} um", abs(off), limit, source, ".2f")
    c.below(f"{name}: the same in its error of {sigma:.2f} um", abs(off) / sigma, 3.0, "", ".2f")


def judge_surface(c, name, series, answer):
    tilt = np.array([answer.get("surface", "tilt_x_um_mm"), answer.get("surface", "tilt_y_um_mm")])
    across, told = np.abs(tilt - series.tilt) @ series.mm, answer.get("surface", "curvature_um")
    c.below(f"{name}: tilt {tilt[0]:.2f} {tilt[1]:.2f} um/mm, true {series.tilt[0]:g} {series.tilt[1]:g}, corner to corner off by um",
            across, max(2.0, 0.05 * series.across_um), f"2 um or 5 % of {series.across_um:.0f}", ".2f")
    if series.across_um > 20:
        turn = answer.get("surface", "tilt_deg") - np.degrees(np.arctan2(series.tilt[1], series.tilt[0]))
        c.below(f"{name}: its direction, degrees off", abs((turn + 180) % 360 - 180), 5.0, "", ".2f")
    c.below(f"{name}: curvature {told:.2f} um, true {series.curvature:g}, off by um", abs(told - series.curvature), 2.0, "", ".2f")


# ---- best focus and surface

def check_surfaces(c, sweep, quick):
    cases = [SURFACES[i] for i in QUICK_SURFACES] if quick else SURFACES
    made = [Series(**case) for _, case in cases]
    for (name, _), series, answer in zip(cases, made, common.side_by_side(sweep.series, made)):
        if not read(c, name, answer, BEST, *SURFACE):
            continue
        judge_best(c, name, series, answer)
        judge_surface(c, name, series, answer)
        scale, sigma = answer.get("blur_scale"), answer.get("blur_scale_sigma")
        c.check(f"{name}: step size and focal ratio agree with the blur", abs(scale - 1) < max(3 * sigma, 0.03),
                f"{scale:.3f} +- {sigma:.3f}", "1 within 3 errors, or 3 %: the profile is right")
        if not any(series.tilt):
            c.check(f"{name}: called square", answer.cause != "tilt", answer.words, "no word of tilt as a cause")
        off = np.abs(answer.frames("defocus_um") - series.defocus_um).max()
        c.below(f"{name}: where each frame stood, um off at the most", off, 4.0, "chosen: twice best focus's", ".2f")


# ---- frames gone wrong

def check_spoiled(c, sweep):
    series = Series(steps=5000 + 5 * ELEVEN, best_steps=5003.3, tilt=(4.0, -3.0), curvature=9.0, seed=21)
    folder, spoiled = sweep.folder(), replace(series, cloud=(2,), trailed=(7,))
    paths, text = series.write(in_folder(folder)), profile(series)
    clean = sweep.run(folder, text, paths)
    spoiled.write(in_folder(folder), only=(2, 7))
    answer, name = sweep.run(folder, text, paths), "a clouded frame and one with a tracking error"
    shutil.rmtree(folder)
    if not (read(c, name, clean, BEST, *SURFACE) and read(c, name, answer, BEST, *SURFACE)):
        return
    judge_best(c, name, series, answer)
    for keys in (BEST, *SURFACE):
        sigma = answer.get(*keys[:-1], keys[-1] + "_sigma")
        c.below(f"{name}: {keys[-1]} moves by so many of its errors", abs(answer.get(*keys) - clean.get(*keys)) / sigma, 1.0, "", ".2f")


def check_backlash(c, sweep):
    there = 5000 + 6 * np.r_[ELEVEN, ELEVEN[::-1]]
    series = Series(steps=there, best_steps=5002.4, backlash_um=15.0, tilt=(2.0, 2.0), curvature=5.0, seed=22)
    answer, name = sweep.series(series), "a series in both directions, the numbers lagging 15 um"
    if not read(c, name, answer, BEST, ("backlash_um",)):
        return
    c.below(f"{name}: backlash {answer.get('backlash_um'):.2f} um, off by um", abs(answer.get("backlash_um") - 15.0), 3.0, "", ".2f")
    c.below(f"{name}: its error", answer.get("backlash_um_sigma"), 3.0, "chosen: as the limit", ".2f")
    off = best_off(series, answer)[0]
    c.below(f"{name}: best focus, going out, inward or the middle of both, off by um", min(abs(off + d) for d in (0.0, 7.5, 15.0)), 2.0,
            "", ".2f")
    judge_surface(c, name, series, answer)
    one = Series(steps=5000 + 8 * SEVEN, best_steps=5002.4, seed=23, **SMALL)
    answer, name = sweep.series(one), "a series in one direction"
    c.check(f"{name}: no backlash is made up", not np.isfinite(answer.get("backlash_um")), answer.get("backlash_um"), "null")


# ---- without positions

def blind_series(seed, **other):
    rng = np.random.default_rng([seed, 9])
    steps = 20 * ELEVEN + rng.uniform(-7, 7, len(ELEVEN))
    steps[:] = rng.permutation(steps)
    case = dict(steps=steps, best_steps=6.0, step_um=1.0, seeing_scatter=0.15, positions=False, tilt=(5.0, -4.0), curvature=8.0, seed=seed)
    return Series(**{**case, **other})


def judge_blind(c, name, series, answer, signed=True):
    if not read(c, name, answer):
        return
    got, sigma, true = answer.frames("defocus_um"), answer.frames("defocus_um_sigma"), series.defocus_um
    if not signed and np.nansum(got * true) < 0:
        got = -got
    off, good = got - true, np.isfinite(got)
    c.above(f"{name}: frames of {len(true)} that have a place", good.sum(), 0.8 * len(true), "chosen", "d")
    c.below(f"{name}: best focus as the frames' places tell it (median), um off", abs(np.nanmedian(off)), 5.0, "", ".2f")
    c.below(f"{name}: best focus as seen from the last frame, um off", abs(off[-1]), 5.0, "", ".2f")
    c.below(f"{name}: any frame's place, in its errors, at the most", np.nanmax(np.abs(off) / sigma), 4.0, "chosen: of 11, 4 sigma", ".2f")
    c.say(f"{name}: places off by {' '.join('%+.1f' % v for v in off)} um, side known: {answer.json.get('side_known')}")


def side_of_first(series):
    return "out" if series.defocus_um[0] > 0 else "in"


def check_even(c, sweep, plain):
    """An even field tells neither sides nor, in one frame, air from defocus: a place is off by what that frame's air differs from
    the others', which at 15 % is 3 um a hundred out, and tens of um near focus. So best focus is asked of all of a series, and of
    the places that their errors say so."""
    name, pulls, best = "no positions, an even field, frames in their order, first told", [], []
    for seed in range(100, 108):
        series = blind_series(seed, tilt=(0.0, 0.0), curvature=0.0, size=(1200, 900), stars=200)
        series = replace(series, steps=np.sort(series.steps))
        answer = sweep.series(series, "--first", "in", **plain)
        if answer.json:
            off = answer.frames("defocus_um") - series.defocus_um
            pulls.extend(off / answer.frames("defocus_um_sigma"))
            best.append(np.median(off))
    c.above(f"{name}: series of 8 that are answered", len(best), 7, "chosen", "d")
    c.below(f"{name}: best focus as the frames' places tell it (median), um off, RMS", np.sqrt(np.mean(np.square(best))), 5.0, "", ".2f")
    width = 1.4826 * np.median(np.abs(pulls))
    c.check(f"{name}: width of the places' pulls, {len(pulls)}, by their median", 0.7 < width < 1.4, f"{width:.2f}", "0.7 to 1.4")


def check_blind(c, sweep, quick):
    plain = dict(step_um=None, outward=None, um_per_turn=600)
    for seed in (31,) if quick else (31, 32, 33, 34):
        series = blind_series(seed, **(dict(size=(1200, 900), stars=200) if quick else {}))
        judge_blind(c, f"no positions, unequal steps, shuffled, seeing +-15 %, seed {seed}", series,
                    sweep.series(series, "--first", side_of_first(series), **plain))
    if quick:
        return
    check_even(c, sweep, plain)
    series = blind_series(36)
    answer = sweep.series(series, **plain)
    judge_blind(c, "no positions, no side told", series, answer, signed=False)
    c.check("  its side is not claimed", answer.json and answer.json.get("side_known") is False, (answer.json or {}).get("side_known"),
            "false: images are alike on both sides")
    series = replace(blind_series(37), positions=True, steps=5000 + 4 * np.random.default_rng(7).permutation(ELEVEN), step_um=5.0,
                     best_steps=5001.2)
    judge_blind(c, "positions there, --no-positions", series, sweep.series(series, "--no-positions", "--first", side_of_first(series), **plain))


# ---- what else a series tells

def check_step(c, sweep):
    series = Series(steps=5000 + 5 * ELEVEN, best_steps=5003.3, seed=41)  # with fewer stars each frame's air makes up for less
    name, answer = "a step size 12 % too large in the profile", sweep.series(series, step_um=series.step_um * 1.12)
    if not read(c, name, answer, ("blur_scale",)):
        return
    scale, sigma = answer.get("blur_scale"), answer.get("blur_scale_sigma")
    c.below(f"{name}: blur over what it says {scale:.3f} +- {sigma:.3f}, off 1/1.12 by", abs(scale - 1 / 1.12), 0.03, "chosen: a quarter of it")
    c.check(f"{name}: it is said", re.search(r"step|focal", answer.words), answer.words, "a sentence that names the step or the focal length")


def check_beyond(c, sweep, quick):
    for word, side in (("in", 1),) if quick else (("in", 1), ("out", -1)):
        series = Series(steps=5000 + side * (10 + 5 * np.arange(7)), best_steps=5000.0, tilt=(2.0, 0.0), seed=42, **SMALL)
        name, answer = f"best focus lies further {word} than all frames", sweep.series(series)
        if not read(c, name, answer):
            continue
        heard = set(re.findall(r"\b(in|out)(?:wards?)?\b", answer.words))
        c.check(f"{name}: it says which way to go on", word in heard, answer.words, f"the word {word}ward")


def check_names(c, sweep):
    series = Series(steps=5000 + 8 * SEVEN, best_steps=5003.0, tilt=(6.0, 3.0), seed=43, positions=False, **SMALL)
    folder = sweep.folder()
    paths = series.write(lambda k: os.path.join(folder, f"focus_{int(series.steps[k])}_night2.fits"))
    by_name = sweep.run(folder, profile(series), paths)
    by_list = sweep.run(folder, profile(series), paths, "--positions", ",".join(f"{s:g}" for s in series.steps))
    shutil.rmtree(folder)
    if read(c, "positions from file names", by_name, BEST):
        judge_best(c, "positions from file names", series, by_name, 4.0, "chosen: a small series")
    if read(c, "positions told", by_list, BEST):
        c.check("positions told: the same answer", by_list.get(*BEST) == by_name.get(*BEST), by_list.get(*BEST), by_name.get(*BEST))


def check_colours(c, sweep):
    series = Series(steps=5000 + 5 * ELEVEN, best_steps=5002.0, mosaic="RGGB", colour_um={"R": 6.0, "B": -8.0}, tilt=(3.0, 2.0), curvature=5.0,
                    flux=(1e4, 3e5), seed=44)
    name, answer = "a raw mosaic, red +6 um, blue -8 um", sweep.series(series)
    if not read(c, name, answer, BEST, *SURFACE):
        return
    judge_best(c, f"{name}: green", series, answer)
    judge_surface(c, name, series, answer)
    for key, true in (("red_um", 6.0), ("blue_um", -8.0)):
        if read(c, f"{name}: {key}", answer, (key,)):
            off, sigma = answer.get(key) - true, answer.get(key + "_sigma")
            c.below(f"{name}: {key} {off + true:.2f} +- {sigma:.2f}, off by um", abs(off), 2.0, "chosen: as best focus", ".2f")
            c.below(f"{name}: {key}, off by so many errors", abs(off) / sigma, 3.5, "", ".2f")


# ---- astigmatism

LINES = ("astigmatism_um",)


def lines_off(series, answer):
    """Error of the two focal lines as (cos, sin) of twice their angle, a complex number, in its sigma."""
    e = answer.get(*LINES) * np.exp(2j * np.radians(answer.get("astigmatism_deg")))
    return (e - series.lines_um * np.exp(2j * np.radians(series.astigmatism_deg))) / answer.get("astigmatism_um_sigma")


def astigmatic_cases():
    bent, small = dict(astigmatism_nm=25.0, astigmatism_deg=30.0), dict(steps=5000 + 5 * ELEVEN, best_steps=5001.2, **SMALL)
    yield "astigmatism of 25 nm at 30 deg, a frame with a tracking error", Series(trailed=(8,), seed=61, **small, **bent)
    yield "astigmatism without a tracking error, the same series", Series(seed=61, **small, **bent)
    yield "astigmatism, every frame smeared its own way", Series(shake_px=0.3, seed=62, **small, **bent)
    yield "astigmatism on a tilted sensor, in poor air", Series(tilt=(6.0, 3.0), curvature=8.0, seeing=3.4, seed=63, **small, **bent)
    yield "astigmatism of 60 nm at 140 deg", Series(astigmatism_nm=60.0, astigmatism_deg=140.0, seed=64, **small)
    yield "astigmatism on a raw mosaic", Series(mosaic="RGGB", flux=(1e4, 3e5), seed=65, **small, **bent)
    yield "no astigmatism, all frames smeared alike, most of them inside", Series(**{**small, "best_steps": 5012.0}, smear_px=(1.0, 70.0), seed=66)


def check_astigmatism(c, sweep, quick):
    answers = []
    for name, series in list(astigmatic_cases())[:1 if quick else None]:
        answers.append(answer := sweep.series(series))
        if not read(c, name, answer, LINES, ("astigmatism_nm",), ("astigmatism_deg",)):
            continue
        um, sigma = answer.get(*LINES), answer.get("astigmatism_um_sigma")
        c.below(f"{name}: {um:.2f} +- {sigma:.2f} um, off by so many errors", abs(lines_off(series, answer)), 3.5, "", ".2f")
        if not series.astigmatism_nm:
            continue
        c.below(f"{name}: its error as a part of it", sigma / um, 0.15, "chosen", ".3f")
        off = (answer.get("astigmatism_deg") - series.astigmatism_deg + 90) % 180 - 90
        c.below(f"{name}: {answer.get('astigmatism_deg'):.1f} deg, off by", abs(off), 5.0, "chosen", ".1f")
        c.within(f"{name}: nm over the truth", answer.get("astigmatism_nm") / series.astigmatism_nm, 0.95, 1.05, "a few per cent")
    if quick:
        return
    moved = abs(answers[0].get(*LINES) - answers[1].get(*LINES)) / answers[1].get("astigmatism_um_sigma")
    c.below("a tracking error moves the answer by so many errors", moved, 1.0, "", ".2f")
    series = replace(blind_series(37), astigmatism_nm=25.0, astigmatism_deg=30.0)
    told = sweep.series(series, "--first", side_of_first(series), **dict(step_um=None, outward=None))
    if read(c, "astigmatism, no positions, first told", told, LINES, ("astigmatism_deg",)):
        c.below("astigmatism, no positions, first told: off by so many errors", abs(lines_off(series, told)), 3.5, "", ".2f")
    check_astigmatism_pulls(c, sweep)


def check_astigmatism_pulls(c, sweep, count=40):
    """Half of the series have none. Of 80 pulls the width would be known to 8 %; series share their sigma, and smears are no
    Gaussian, hence the limits."""
    def made(seed):
        best = 5000 + np.random.default_rng([seed, 9]).uniform(-6, 6)
        return Series(steps=5000 + 8 * SEVEN, best_steps=best, shake_px=0.3, astigmatism_nm=25.0 * (seed % 2), astigmatism_deg=30.0,
                      seed=20000 + seed, **SMALL)
    series = [made(seed) for seed in range(count)]
    pairs = [(s, a) for s, a in zip(series, common.side_by_side(sweep.series, series)) if np.isfinite(a.get(*LINES))]
    c.above(f"astigmatism told in small series of {count}", len(pairs), 0.95 * count, "chosen", "d")
    z = np.array([(v.real, v.imag) for v in (lines_off(s, a) for s, a in pairs)])
    c.within(f"astigmatism: width of {z.size} pulls (robust {common.mad_width(z.ravel()):.2f})", np.sqrt(np.mean(z * z)), 0.75, 1.3)
    alarms = sum(a.get(*LINES) > 3.5 * a.get("astigmatism_um_sigma") for s, a in pairs if not s.astigmatism_nm)
    c.below("series without astigmatism in which some is found", alarms, 0, "", "d")


def check_bright_few(c, sweep):
    """Few stars still tell best focus; what cannot be told of the surface is not made up."""
    series = Series(steps=5000 + 6 * ELEVEN, best_steps=5001.4, stars=14, size=(800, 600), flux=(3e4, 2.5e5), seed=45)
    name, answer = "14 stars", sweep.series(series)
    if read(c, name, answer, BEST):
        judge_best(c, name, series, answer, 4.0, "chosen")


# ---- wrong input: one clear sentence, exit 2

def check_wrong(c, sweep, quick):
    series = Series(steps=5000 + 8 * SEVEN, best_steps=5003.0, seed=51, **{**SMALL, "stars": 60})
    folder = sweep.folder()
    paths, text = series.write(in_folder(folder)), profile(series, pixel_um=None)
    bare = profile(series, pixel_um=None, step_um=None, outward=None)

    def altered(name, k, **cards):
        path = os.path.join(folder, name)
        series.render(k).write(path, 77, SCOPE, exposure_s=20.0, **{**series.cards(k), **cards})
        return path

    same = replace(series, steps=np.full(3, 5006.0), positions=False, seeing_scatter=0.0, dither_px=0.0)
    alike = same.write(lambda k: os.path.join(folder, f"same{chr(97 + k)}.fits"))
    small = replace(series, size=(640, 480), seed=52).write(lambda k: os.path.join(folder, "size.fits"), only=(0,))
    cases = [("one frame", text, paths[:1]),
             ("the same frame three times", text, [paths[1]] * 3),
             ("three frames alike, no positions", bare, alike),
             ("another camera among them", text, paths[:3] + [altered("pitch.fits", 3, XPIXSZ=2.4, YPIXSZ=2.4)]),
             ("another binning among them", text, paths[:3] + [altered("bin.fits", 3, XBINNING=2, YBINNING=2)]),
             ("another frame size among them", text, paths[1:4] + small[:1]),
             ("a frame that is not there", text, paths[:3] + [os.path.join(folder, "none.fits")])]
    for name, told, frames in cases[:4] if quick else cases:
        answer = sweep.run(folder, told, frames)
        lines = [v for v in answer.said.splitlines() if not v.startswith(("usage:", "Try "))]
        c.check(f"{name}: exit 2 and one sentence", answer.status == 2 and len(lines) == 1 and lines[0].startswith("plumb-sweep: "),
                f"exit {answer.status}: {' / '.join(lines) or answer.words}", "exit 2, one line (and the usage)")
    shutil.rmtree(folder)


# ---- errors

def small_series(seed):
    rng = np.random.default_rng([seed, 5])
    surface = {} if seed % 2 else dict(tilt=tuple(rng.normal(0, 5, 2)), curvature=rng.normal(0, 6))
    return Series(steps=5000 + 8 * SEVEN, best_steps=5000 + rng.uniform(-6, 6), seed=10000 + seed, **SMALL, **surface)


def check_pulls(c, sweep, count=200):
    """The width is the RMS about the truth, so a bias counts; of 200 it is known to 5 %."""
    made = [small_series(seed) for seed in range(count)]
    answers = common.side_by_side(sweep.series, made)
    pairs = [(s, a) for s, a in zip(made, answers) if a.json and all(np.isfinite(a.get(*k)) for k in (BEST, *SURFACE))]
    c.above(f"small series measured of {count}", len(pairs), 0.98 * count, "chosen", "d")
    if not pairs:
        return
    pulls = {"best focus": [np.divide(*best_off(s, a)) for s, a in pairs]}
    for name, key, true in (("tilt along x", "tilt_x_um_mm", lambda s: s.tilt[0]), ("tilt along y", "tilt_y_um_mm", lambda s: s.tilt[1]),
                            ("curvature", "curvature_um", lambda s: s.curvature)):
        pulls[name] = [(a.get("surface", key) - true(s)) / a.get("surface", key + "_sigma") for s, a in pairs]
    for name, z in pulls.items():
        z = np.array(z)
        c.within(f"{name}: width of {len(z)} pulls (mean {z.mean():+.2f}, robust {common.mad_width(z):.2f})", np.sqrt(np.mean(z * z)), 0.8, 1.3)
    even = [a for s, a in pairs if not any(s.tilt)]
    false = sum(a.cause == "tilt" for a in even)
    c.below(f"even fields of {len(even)} called tilted", false, 0.02 * len(even), "2 %", "d")


def main():
    bench, quick = common.arguments("sweep.py BUILD [--quick]")
    c, sweep = common.Checks(), Sweep(bench)
    through_focus(LIGHT_UM, 160.0 if quick else REACH_UM)
    check_surfaces(c, sweep, quick)
    check_blind(c, sweep, quick)
    check_beyond(c, sweep, quick)
    check_wrong(c, sweep, quick)
    check_astigmatism(c, sweep, quick)
    check_step(c, sweep)
    if not quick:
        check_spoiled(c, sweep)
        check_backlash(c, sweep)
        check_names(c, sweep)
        check_bright_few(c, sweep)
        check_colours(c, sweep)
        check_pulls(c, sweep)
    return c.finish()


if __name__ == "__main__":
    sys.exit(main())
