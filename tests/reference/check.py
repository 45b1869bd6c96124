#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""plumb-check on single frames whose truth sweepframes.py made: defocus with its sign, the air, whether it knows
what it cannot know, and whether its errors are true.

usage: check.py BUILD [--quick] [--dump] [decidable weak unknowable far pairs]

The focal surface is calibrated as a user does it: plumb-sweep --save on a series of other stars in other air.
Limits are the project's targets unless a line says otherwise: f/3.1, 250 stars on 1600 x 1100 px, seeing 1.9 to 3.4 arcsec,
|z| up to 45 um."""
import json
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass

sys.dont_write_bytecode = True
import common  # noqa: E402
import numpy as np  # noqa: E402
from sweepframes import LIGHT_UM, SCOPE, Series, profile, through_focus  # noqa: E402

SIZE, STARS, CURVATURE = (1600, 1100), 250, 12.0
MM = np.array(SIZE) * SCOPE.pixel_um * 1e-3


def tilted(across_um, deg):
    """um / mm, so that focus moves by across_um from corner to corner."""
    way = np.array([np.cos(np.radians(deg)), np.sin(np.radians(deg))])
    return tuple(way * across_um / (np.abs(way) @ MM))


def turned(tilt, deg):
    a = np.radians(deg)
    return tilt[0] * np.cos(a) - tilt[1] * np.sin(a), tilt[0] * np.sin(a) + tilt[1] * np.cos(a)


@dataclass
class Case:
    z: float
    seeing: float
    tilt: tuple
    curvature: float
    seed: int

    def series(self, z=None, seeing=None, seed=0):
        return Series(steps=np.array([self.z if z is None else z]), best_steps=0.0, step_um=1.0, tilt=self.tilt, curvature=self.curvature,
                      seeing=seeing or self.seeing, seeing_scatter=0.0, stars=STARS, size=SIZE, positions=False, seed=self.seed + seed)


def cases(count, tilt, curvature, seed, reach=45.0):
    rng = np.random.default_rng(seed)
    return [Case(rng.uniform(-reach, reach), rng.uniform(1.9, 3.4), tilt, curvature, 100000 * seed + i) for i in range(count)]


class Check:
    """plumb-check as a user runs it."""

    def __init__(self, bench):
        self.bench, self.count = bench, 0
        self.program, self.sweep = (os.path.join(bench.build, name) for name in ("plumb-check", "plumb-sweep"))
        for program in (self.program, self.sweep):
            if not os.access(program, os.X_OK):
                sys.exit(f"{program} is not built")

    def folder(self):
        self.count += 1
        path = self.bench.path(f"check-{self.count}")
        os.mkdir(path)
        return path

    def calibrate(self, tilt, curvature, seed):
        """A profile that holds the surface as a noisy series shows it."""
        series = Series(steps=5000 + 6 * np.arange(-5, 6), best_steps=5001.7, step_um=2.5, tilt=tilt, curvature=curvature, seeing=2.6,
                        seeing_scatter=0.1, stars=STARS, size=SIZE, seed=seed)
        folder = self.folder()
        path = os.path.join(folder, "scope.ini")
        with open(path, "w") as f:
            f.write(profile(series))
        frames = series.write(lambda k: os.path.join(folder, f"{k:02d}.fits"))
        run = subprocess.run([self.sweep, "-q", "--measured-ok", "--jobs", "1", "-p", path, "--save", *frames], capture_output=True, text=True)
        if run.returncode:
            sys.exit(f"no calibration: {run.stderr}")
        for frame in frames:
            os.remove(frame)
        return path

    def run(self, path, frames, *words):
        command = [self.program, "-p", path, "--json", "-q", "--jobs", "1", *words, *frames]
        run = subprocess.run(command, capture_output=True, text=True, timeout=300)
        if run.returncode not in (0, 1):
            raise RuntimeError(f"{' '.join(command)}: exit {run.returncode}: {run.stderr}")
        return json.loads(run.stdout.splitlines()[-1])

    def frame(self, path, case):
        folder = self.folder()
        answer = self.run(path, case.series().write(lambda k: os.path.join(folder, "sub.fits")))
        shutil.rmtree(folder)
        return answer

    def pair(self, path, case, moved, gust):
        folder = self.folder()
        first = case.series(z=case.z - moved, seed=50000).write(lambda k: os.path.join(folder, "first.fits"))
        second = case.series(seeing=case.seeing * gust).write(lambda k: os.path.join(folder, "second.fits"))
        answer = self.run(path, first + second, "--moved", f"{moved:g}")
        shutil.rmtree(folder)
        return answer


def numbers(answers, key):
    return np.array([np.nan if a.get(key) is None else a[key] for a in answers], float)


def look(check, path, made):
    return common.side_by_side(lambda case: check.frame(path, case), made)


def pulls(c, name, off, sigma):
    """Fewer than 15 tell their width to worse than 20 %: then it is only said."""
    z = off / sigma
    if len(z) < 15:
        c.say(f"{name}: pulls {' '.join('%+.2f' % v for v in z)}")
        return
    c.within(f"{name}: width of {len(z)} pulls (mean {z.mean():+.2f}, robust {common.mad_width(z):.2f})", np.sqrt(np.mean(z * z)), 0.8, 1.3)


def check_decidable(c, check, count, dump):
    made, answers = [], []
    for i in range(min(10, count)):
        tilt = tilted(45.0, 33.0 + 137.5 * i)
        path = check.calibrate(tilt, CURVATURE, 7000 + i)
        part = cases(max(1, count // 10), tilt, CURVATURE, 110 + i)
        made += part
        answers += look(check, path, part)
    true, z, sigma = np.array([m.z for m in made]), numbers(answers, "defocus_um"), numbers(answers, "defocus_um_sigma")
    told = np.isfinite(z)
    for m, a in zip(made, answers):
        if dump:
            c.say(f"z {m.z:+6.2f} seeing {m.seeing:.2f}: {a['defocus_um']} +- {a['defocus_um_sigma']} chi2 {a['surface_chi2']:.0f}/{a['surface_freedom']} gain {a['surface_chi2_gain']:.1f} "
                  f"air {a['seeing_arcsec']} +- {a['seeing_arcsec_sigma']} other {a['other_side_chi2']}")
    c.above(f"45 um of tilt: part of {len(made)} frames that are told", told.mean(), 0.9, "10 % may be 'cannot tell'")
    off = (z - true)[told]
    c.below(f"45 um of tilt: defocus, um rms (robust {common.mad_width(off):.2f}, mean {off.mean():+.2f})", np.sqrt(np.mean(off ** 2)), 1.5)
    far = told & (np.abs(true) > 5)
    c.above(f"45 um of tilt: sign right of {far.sum()} more than 5 um off", np.mean(z[far] * true[far] > 0), 0.99)
    pulls(c, "45 um of tilt: defocus", off, sigma[told])
    air, air_sigma = numbers(answers, "seeing_arcsec"), numbers(answers, "seeing_arcsec_sigma")
    seeing = np.array([m.seeing for m in made])
    part = (air / seeing - 1)[told]
    c.below(f"45 um of tilt: seeing, the worst off by a part of (rms {np.sqrt(np.mean(part ** 2)):.4f})", np.abs(part).max(), 0.03)
    pulls(c, "45 um of tilt: seeing", (air - seeing)[told], air_sigma[told])


def check_weak(c, check, count, _):
    tilt = tilted(8.0, 120.0)
    made, answers = [], []
    for i in range(min(10, count)):
        path = check.calibrate(tilt, CURVATURE, 7100 + i)
        part = cases(max(1, count // 10), tilt, CURVATURE, 210 + i)
        made += part
        answers += look(check, path, part)
    true, z, size = np.array([m.z for m in made]), numbers(answers, "defocus_um"), numbers(answers, "defocus_size_um")
    told = np.isfinite(z)
    far = told & (np.abs(true) > 5)
    c.say(f"8 um of tilt: told {told.sum()} of {len(made)}")
    c.above(f"8 um of tilt: sign right of {far.sum()} that are claimed", np.mean(z[far] * true[far] > 0) if far.any() else 1.0, 0.95)
    if told.any():
        pulls(c, "8 um of tilt: defocus", (z - true)[told], numbers(answers, "defocus_um_sigma")[told])
    only = np.isfinite(size) & ~told
    if only.any():
        pulls(c, "8 um of tilt: |defocus| alone", (size - np.abs(true))[only], numbers(answers, "defocus_size_um_sigma")[only])


def check_unknowable(c, check, count, dump):
    flat = check.calibrate((0.0, 0.0), 0.0, 7200)
    made = cases(count, (0.0, 0.0), 0.0, 31)
    answers = look(check, flat, made)
    for m, a in zip(made, answers) if dump else ():
        c.say(f"flat: z {m.z:+.1f} seeing {m.seeing:.2f}: {a['defocus_um']} +- {a['defocus_um_sigma']} | {a['defocus_size_um']} +- {a['defocus_size_um_sigma']} air {a['seeing_arcsec']} +- {a['seeing_arcsec_sigma']} other {a['other_side_chi2']} gain {a['surface_chi2_gain']:.1f}")
    c.below(f"flat and square: of {count} frames so many are given a sign", sum(a["sign_known"] for a in answers if abs(a.get("defocus_um") or 0) > 5), 0, "", "d")
    tilt = tilted(45.0, 33.0)
    path = check.calibrate(tilt, CURVATURE, 7300)
    for name, other in (("camera turned by 15 degrees", turned(tilt, 15.0)), ("tilt halved", tuple(np.array(tilt) / 2))):
        made = cases(count, other, CURVATURE, 32)
        answers = look(check, path, made)
        sure = [(m, a) for m, a in zip(made, answers) if a["defocus_um"] is not None]
        for m, a in sure:
            c.say(f"z {m.z:+.1f} seeing {m.seeing:.2f}: {a['defocus_um']:.1f} chi2 {a['surface_chi2']:.0f}/{a['surface_freedom']} gain {a['surface_chi2_gain']:.1f}")
        c.below(f"{name} since: of {count} frames so many are told as if not", len(sure), 0, "", "d")


def check_far(c, check, count, dump):
    """Farther off than anybody shoots on: the way and about how far is what is asked for, and an error that tells."""
    made, answers = [], []
    for i in range(min(6, count)):
        tilt = tilted(45.0, 71.0 + 137.5 * i)
        path = check.calibrate(tilt, CURVATURE, 7500 + i)
        rng = np.random.default_rng(510 + i)
        part = [Case(float(rng.choice([-1, 1]) * rng.uniform(60, 160)), float(rng.uniform(1.9, 3.4)), tilt, CURVATURE, 6000000 + 100 * i + k)
                for k in range(max(1, count // 6))]
        made += part
        answers += look(check, path, part)
    true, z, sigma = np.array([m.z for m in made]), numbers(answers, "defocus_um"), numbers(answers, "defocus_um_sigma")
    told = np.isfinite(z)
    for m, a in zip(made, answers) if dump else ():
        c.say(f"far: z {m.z:+.1f} seeing {m.seeing:.2f}: {a['defocus_um']} +- {a['defocus_um_sigma']} air {a['seeing_arcsec']} +- {a['seeing_arcsec_sigma']} "
              f"chi2 {a['surface_chi2']:.0f}/{a['surface_freedom']} gain {a['surface_chi2_gain']:.1f}")
    c.above(f"60 to 160 um off: part of {len(made)} frames that are told", told.mean(), 0.9, "10 % may be 'cannot tell'")
    c.above(f"60 to 160 um off: sign right of {told.sum()}", np.mean(z[told] * true[told] > 0), 0.99)
    part = (z / true - 1)[told]
    c.below(f"60 to 160 um off: off by a part of, rms (mean {part.mean():+.4f})", np.sqrt(np.mean(part ** 2)), 0.02)
    pulls(c, "60 to 160 um off: defocus", (z - true)[told], sigma[told])
    seeing, air = np.array([m.seeing for m in made]), numbers(answers, "seeing_arcsec")
    pulls(c, "60 to 160 um off: seeing", (air - seeing)[told], numbers(answers, "seeing_arcsec_sigma")[told])


def check_pairs(c, check, count, dump):
    path = check.calibrate((0.0, 0.0), 0.0, 7400)
    rng = np.random.default_rng(5)
    made = cases(count, (0.0, 0.0), 0.0, 41, 30.0)
    work = [(m, float(rng.choice([-1, 1]) * rng.uniform(50, 80)), float(np.exp(rng.normal(0, 0.08 * np.sqrt(2))))) for m in made]
    answers = common.side_by_side(lambda w: check.pair(path, *w), work)
    true, z = np.array([m.z for m in made]), numbers(answers, "defocus_um")
    told = np.isfinite(z)
    for (m, moved, gust), a in zip(work, answers) if dump else ():
        c.say(f"pair: z {m.z:+.1f} moved {moved:+.1f} gust {gust:.2f}: {a['defocus_um']} +- {a['defocus_um_sigma']}")
    far = told & (np.abs(true) > 10)
    c.above(f"pairs on a flat field: sign right of {far.sum()} (told {told.sum()} of {count})", np.mean(z[far] * true[far] > 0) if far.any() else 0, 0.95)
    pulls(c, "pairs on a flat field: defocus", (z - true)[told], numbers(answers, "defocus_um_sigma")[told])


def main():
    words = [w for w in sys.argv[1:] if w in PARTS or w == "--dump"]
    sys.argv = [w for w in sys.argv if w not in words]
    bench, quick = common.arguments("check.py BUILD [--quick] [--dump] [PART...]")
    c, check = common.Checks(), Check(bench)
    through_focus(LIGHT_UM, 220.0)  # 160, and what tilt and curvature add
    for name, (part, full, few) in PARTS.items():
        if name in words or not set(words) & set(PARTS):
            part(c, check, few if quick else full, "--dump" in words)
    return c.finish()


PARTS = {"decidable": (check_decidable, 150, 3), "weak": (check_weak, 60, 2), "unknowable": (check_unknowable, 30, 4),
         "far": (check_far, 48, 2), "pairs": (check_pairs, 30, 4)}

if __name__ == "__main__":
    sys.exit(main())
