#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""plumb-night on nights whose truth is known: events found and none invented, the thermal coefficient and whether
its error is true, temperature and altitude that changed together, focusers without numbers, logs from many
machines, broken logs; and one night of frames rendered by plumb-sim, measured through the whole program.

usage: night.py BUILD [--quick]
       night.py --sample          prints samples/night.jsonl

Most nights are invented here, as lines of JSON in the form of plumb-check(1): best focus follows temperature and
altitude by numbers drawn beforehand, the focuser stands where somebody put it, and what a line says of focus is the
difference with Gaussian noise of the size it names. Stars widen by defocus and air in quadrature. Limits are the
issue's unless a line says otherwise."""
import datetime
import json
import math
import os
import subprocess
import sys
from dataclasses import dataclass, field

sys.dont_write_bytecode = True
import common  # noqa: E402
import numpy as np  # noqa: E402
from scipy import stats  # noqa: E402

PROFILE = """[scope]
aperture_mm = 280
focal_mm = 870
mirror_focal_mm = 1120
[camera]
pixel_um = 4.2
[focuser]
step_um = 4.5
outward = {outward}
carries = corrector
"""
BLIND = PROFILE.replace("step_um = 4.5\noutward = {outward}\n", "")  # a manual focuser
STEP_UM, CARRIED = 4.5, (870 / 1120) ** 2
SCALE = 206.265 * 4.2 / 870
ALLOWED = 0.42  # eccentricity, when the profile has none
SEEDS = range(200)
SEEN = 6  # jumps of so many sigma and more are looked for; the page says that smaller ones may be missed


# ---- invented nights

@dataclass
class Night:
    seed: int = 1
    start: str = "19:40"          # UTC
    subs: int = 40
    exposure_s: float = 240
    overhead_s: float = 15
    thermal_um_c: float = -14.0   # of drawtube
    flexure_um_deg: float = 0.0
    lag_min: float = 0.0
    start_c: float = 11.0
    fall_c: float = 6.0           # towards which the air falls ...
    time_h: float = 2.5           # ... with this time constant
    altitude: tuple = (62.0, 62.0)
    bow: bool = False             # up to the meridian and down again
    sigma_um: float = 2.5         # error of a defocus
    zone_um: float = 13.0
    refocus: tuple = (14, 27)     # before these exposures
    outward: int = 1
    positions: bool = True
    noise_c: float = 0.03
    guiding: tuple = ()
    cloud: tuple = ()
    trail: tuple = ()
    twilight: tuple = ()
    outlier: tuple = ()           # a defocus that is wrong by eight times its error
    keys: dict = field(default_factory=dict)

    def series(self):
        """Truth and what is seen of it, arrays over the exposures."""
        rng = np.random.default_rng(self.seed)
        i = np.arange(self.subs)
        hour = i * (self.exposure_s + self.overhead_s) / 3600
        air = self.start_c - self.fall_c * (1 - np.exp(-hour / self.time_h))
        part = i / max(1, self.subs - 1)
        low, high = self.altitude
        altitude = low + (high - low) * (np.sin(np.pi * part) if self.bow else part)
        body = air.copy()
        for k in range(1, self.subs if self.lag_min else 0):
            body[k] = body[k - 1] + (air[k] - body[k - 1]) * (1 - math.exp(-(hour[k] - hour[k - 1]) * 60 / self.lag_min))
        best = self.thermal_um_c * (body - body[0]) + self.flexure_um_deg * (altitude - altitude[0])
        steps = np.zeros(self.subs)
        for at in (0, *self.refocus):  # as a routine leaves it: within a third of a step, then whole steps
            steps[at:] = np.round(best[at] / STEP_UM + rng.normal(0, 0.33))
        defocus = CARRIED * (steps * STEP_UM - best)
        airmass = 1 / np.sin(np.radians(altitude))
        seeing = 2.3 * airmass**0.6 * np.exp(rng.normal(0, 0.06, self.subs))
        seen = defocus + rng.normal(0, self.sigma_um, self.subs)
        for k in self.outlier:
            seen[k] += rng.choice([-8, 8]) * self.sigma_um
        return dict(rng=rng, hour=hour, air=air + rng.normal(0, self.noise_c, self.subs), altitude=altitude, airmass=airmass,
                    steps=5000 + self.outward * steps, defocus=defocus, seen=seen, seeing=seeing)

    def lines(self):
        s = self.series()
        rng = s["rng"]
        start = datetime.datetime.fromisoformat(f"2031-10-09T{self.start}")
        lines = []
        for k in range(self.subs):
            width = math.sqrt((s["seeing"][k] / SCALE) ** 2 + 1.2) * math.sqrt(1 + (1.05**2 - 1) * (s["defocus"][k] / self.zone_um) ** 2)
            chi, light, noise = abs(rng.normal(0.03, 0.008)), math.exp(rng.normal(0, 0.02)), math.exp(rng.normal(0, 0.01)) * 14
            if k in self.guiding:
                chi, width = 0.31, width * 1.25
            light *= 0.38 if k in self.cloud else 1
            noise *= 2.2 if k in self.twilight else 1
            stars = min(600, 430 * (light * 14 / noise * 2.9 / width) ** 0.875 * math.exp(rng.normal(0, 0.03)))
            d = dict(program="plumb-check", version="1", schema=1, file=f"sub-{k + 1:04d}.fits", warnings=[],
                     exposure_s=self.exposure_s, date_obs=(start + datetime.timedelta(hours=float(s["hour"][k]))).isoformat(timespec="seconds"),
                     temperature_c=round(float(s["air"][k]), 2), altitude_deg=round(float(s["altitude"][k]), 2), airmass=round(float(s["airmass"][k]), 4),
                     position_steps=float(s["steps"][k]) if self.positions else None, object="open cluster", filter=None,
                     defocus_um=round(float(s["seen"][k]), 2), defocus_um_sigma=self.sigma_um, sign_known=True, surface_known=True, surface_fits=True,
                     defocus_size_um=round(abs(float(s["seen"][k])), 2), defocus_size_um_sigma=self.sigma_um, zone_um=self.zone_um,
                     seeing_arcsec=round(float(s["seeing"][k]), 3), seeing_arcsec_sigma=0.05, fwhm_px=round(width, 3), fwhm_px_sigma=0.01,
                     fwhm_arcsec=round(width * SCALE, 3), eccentricity=round(math.sqrt(2 * chi / (1 + chi)), 3), chi=round(chi, 4), chi_sigma=0.004,
                     elongation_deg=round(float(rng.normal(92, 4)), 1), stars_used=round(stars), sky_adu=round(noise**2 * 1.2, 1), noise_adu=round(noise, 2), reason=None,
                     trails=6 if k in self.trail else 0)
            d.update(self.keys)
            lines.append(json.dumps(d, separators=(",", ":")))
        return lines


# The demo's: it begins where its first subs end, and is refocused once focus has left its zone.
EVENING = Night(seed=7, start="20:57", exposure_s=180, overhead_s=60, start_c=7.5, fall_c=9, thermal_um_c=-15.5, zone_um=17.6,
                guiding=(9, 21), cloud=(17,), trail=(5,), twilight=(39,))


# ---- the program and its answer

@dataclass
class Answer:
    status: int
    json: dict
    said: str

    def get(self, key):
        v = (self.json or {}).get(key)
        return math.nan if v is None else v

    @property
    def warnings(self):
        return " | ".join((self.json or {}).get("warnings", []))

    def graded(self, *grades):
        return {f["file"]: f["reason"] or "" for f in self.json["frames"] if f["grade"] in grades}

    def refocused(self):
        return [int(e["before_file"][4:8]) - 1 for e in self.json["refocus_events"]]


class Program:
    def __init__(self, bench):
        self.bench, self.program, self.count = bench, os.path.join(bench.build, "plumb-night"), 0
        if not os.access(self.program, os.X_OK):
            sys.exit(f"{self.program} is not built")

    def run(self, logs, profile, *words, text=False):
        self.count += 1
        paths = []
        for i, lines in enumerate(logs):
            paths.append(self.bench.path(f"night-{self.count}-{i}.jsonl"))
            with open(paths[-1], "w") as f:
                f.write("".join(line + "\n" for line in lines))
        told = self.bench.path(f"night-{self.count}.ini")
        with open(told, "w") as f:
            f.write(profile)
        run = subprocess.run([self.program, "-p", told, *([] if text else ["--json"]), *words, *paths], capture_output=True, text=True, timeout=300)
        if run.returncode not in (0, 1, 2):
            raise RuntimeError(f"exit {run.returncode}: {run.stderr}")
        return run.stdout if text else Answer(run.returncode, json.loads(run.stdout) if run.stdout else None, run.stderr.strip())

    def night(self, night, *words):
        profile = PROFILE.format(outward=f"{night.outward:+d}") if night.positions else BLIND
        return self.run([night.lines()], profile, *words)


# ---- the evening of 40

def names(*at):
    return {f"sub-{k + 1:04d}.fits" for k in at}


def judge(c, a, night, title):
    off = a.get("thermal_um_per_c") / night.thermal_um_c - 1
    c.below(f"{title}: thermal coefficient off", abs(off), 0.10, "the target")
    c.check(f"{title}: refocused before", a.refocused() == list(night.refocus), a.refocused(), f"{list(night.refocus)}")
    dropped = set(a.graded("drop"))
    odd = night.guiding + night.cloud + night.twilight
    c.check(f"{title}: dropped", dropped == names(*odd), sorted(dropped), f"{sorted(names(*odd))}")
    reasons = a.graded("drop", "doubtful", "keep")
    for at, word in ((night.guiding, "guiding"), (night.cloud, "cloud"), (night.twilight, "sky"), (night.trail, "trail")):
        for name in sorted(names(*at)):
            c.check(f"{title}: {name} says {word}", word in reasons[name], reasons[name][:60], "the reason in words")
    kept = set(a.graded("keep"))
    c.check(f"{title}: the trail does no harm", names(*night.trail) <= kept, sorted(names(*night.trail) - kept), "kept")
    invented = [n for n, why in reasons.items() if why and n not in names(*odd, *night.trail) and "focus" not in why]
    c.check(f"{title}: nothing invented", not invented, invented, "no reason but focus on the others")


def evening(c, p, night, title):
    judge(c, p.night(night), night, title)


def cadence(c, p):
    night = EVENING
    a = p.night(night)
    every = night.zone_um / (CARRIED * abs(night.thermal_um_c))
    c.within("refocus every, over zone / (m^2 thermal)", a.get("refocus_every_c") / every, 0.9, 1.1, "by hand")
    s = night.series()
    worth = 1 / (1 + (1.05**2 - 1) * (s["defocus"] / night.zone_um) ** 2)
    lost = float(np.sum(night.exposure_s * (1 - worth)))
    c.within("what focus cost, over the truth's", a.get("lost_to_focus_s") / lost, 0.7, 1.3, "quadrature of widths; noise adds sigma^2 to z^2")
    c.check("status", a.status == (1 if np.any(np.abs(s["defocus"]) > 1.5 * night.zone_um) else a.status), a.status, "1 when focus left the zone")


# ---- pulls and false events

def pulls(c, p, quick, positions):
    title = "with positions" if positions else "without positions"
    pull, off, wrong, missed, invented = [], [], 0, 0, 0
    for seed in list(SEEDS)[: (24 if positions else 60) if quick else None]:
        rng = np.random.default_rng(1000 + seed)
        refocus = tuple(sorted(rng.choice(np.arange(6, 35, 7), 2, replace=False)))
        night = Night(seed=seed, positions=positions, refocus=refocus, thermal_um_c=rng.uniform(-22, -9), altitude=(rng.uniform(30, 50), rng.uniform(55, 75)),
                      bow=True, flexure_um_deg=rng.normal(0, 0.5), outlier=tuple(rng.choice(40, 1)))
        s = night.series()
        if not positions and min(abs(s["defocus"][k] - s["defocus"][k - 1]) for k in refocus) < SEEN * night.sigma_um:
            continue  # a smaller jump nobody sees; what that does to the coefficient the page says
        a = p.night(night)
        pull.append((a.get("thermal_um_per_c") - night.thermal_um_c) / a.get("thermal_um_per_c_sigma"))
        off.append(a.get("thermal_um_per_c_sigma") / abs(night.thermal_um_c))
        jumps = [k for k in refocus if s["steps"][k] != s["steps"][k - 1]]
        slack = (0,) if positions else (-1, 0, 1)
        missed += len([k for k in jumps if not {k + d for d in slack} & set(a.refocused())])
        near = {k + d for k in refocus for d in slack}
        invented += len([k for k in a.refocused() if k not in near])
    pull = np.array(pull)
    known = pull[np.isfinite(pull)]
    c.above(f"{title}: nights whose coefficient is told", len(known) / len(pull), 0.9, "altitude goes up and down, it can be told apart", ".2f")
    c.within(f"{title}: scatter of pulls", float(np.std(known)), 0.75, 1.3 if quick else 1.2, "1 when errors are true")
    c.below(f"{title}: mean pull", abs(float(np.mean(known))), 3.3 / math.sqrt(len(known)), "no bias: 3.3 errors of a mean")
    c.below(f"{title}: worst pull", float(np.max(np.abs(known))), 4.2, "of 200 Gaussian ones 3.3 is usual")
    c.say(f"typical error of the coefficient {np.nanmedian(off):.1%}")
    c.check(f"{title}: refocusings missed", missed <= (0 if positions else len(pull) // 20), missed, "none by positions; by jumps 1 in 40 of those over 6 sigma")
    c.check(f"{title}: refocusings invented", invented <= (0 if positions else max(1, len(pull) // 100)), invented, f"over {len(pull)} nights; 1 in 100 without positions")


def quiet(c, p, quick):
    """Nights nobody touched, nothing wrong with: no event at all."""
    invented = graded = 0
    count = 20 if quick else 100
    for seed in range(count):
        a = p.night(Night(seed=3000 + seed, refocus=(), positions=False, fall_c=0.6, subs=60))
        invented += len(a.refocused())
        graded += len(a.graded("drop"))
    c.check("quiet nights: refocusings invented", invented <= max(1, count // 100), invented, f"of {count} nights of 60, no more than 1 in 100")
    c.check("quiet nights: exposures dropped", graded == 0, graded, "none")


# ---- temperature and altitude

def hour_of_fifteen(c, p, quick):
    told = []
    count = 20 if quick else 100
    unknown = 0
    for seed in range(count):
        rng = np.random.default_rng(seed)
        night = Night(seed=4000 + seed, subs=15, refocus=(), fall_c=6.7, start_c=9, time_h=5.05, altitude=(45, 58), thermal_um_c=-14, flexure_um_deg=rng.normal(0, 0.7))
        a = p.night(night)
        if a.get("temperature_inseparable") is True:
            unknown += 1
            continue
        told.append((a.get("thermal_um_per_c") - night.thermal_um_c) / a.get("thermal_um_per_c_sigma"))
    c.check("15 subs, 1.2 C, altitude moving: told or said to be inseparable", unknown + len(told) == count and not np.isnan(told).any(), f"{unknown} of {count} inseparable", "one or the other")
    c.check("its errors, where told", not told or np.max(np.abs(told)) < 4, f"{np.max(np.abs(told)) if told else 0:.2f}", "pulls below 4")
    text = p.run([Night(seed=4000, subs=15, refocus=(), fall_c=6.7, start_c=9, time_h=5.05, altitude=(45, 58)).lines()], PROFILE.format(outward="+1"), text=True)
    c.check("it says so", "cannot separate temperature from" in " ".join(text.split()), "cannot separate" in text, "in words")
    still = p.night(Night(seed=4100, subs=15, refocus=(), fall_c=6.7, start_c=9, time_h=5.05, altitude=(50, 50)))
    pull = (still.get("thermal_um_per_c") + 14) / still.get("thermal_um_per_c_sigma")
    c.below("altitude at rest: pull", abs(pull), 3.5, "told, with a true error")


def lag(c, p):
    late = p.night(Night(seed=50, subs=60, refocus=(20, 40), lag_min=45, time_h=0.8, fall_c=7, sigma_um=1.5, thermal_um_c=-16))
    prompt = [p.night(Night(seed=60 + k, subs=60, refocus=(20, 40), time_h=0.8, fall_c=7, sigma_um=1.5, thermal_um_c=-16)).get("lag_min") for k in range(10)]
    c.within("a lag of 45 min is seen, min", late.get("lag_min"), 30, 60, "steps of 15 min are tried")
    c.check("no lag is invented", all(np.isnan(prompt)), [v for v in prompt if not np.isnan(v)], "none in 10 nights")


# ---- other focusers, other logs

def focusers(c, p):
    inward = p.night(Night(seed=80, outward=-1))
    c.below("numbers that grow inward: coefficient off", abs(inward.get("thermal_um_per_c") / -14 - 1), 0.1)
    flat = [json.loads(line) for line in EVENING.lines()]
    for d in flat:
        d.update(defocus_um=None, defocus_um_sigma=None, defocus_size_um=None, zone_um=None, seeing_arcsec=None, sign_known=False, reason="the profile has no focal surface (plumb-sweep --save)")
    a = p.run([[json.dumps(d) for d in flat]], PROFILE.format(outward="+1"))
    c.check("no focal surface: no coefficient of two refocusings", np.isnan(a.get("thermal_um_per_c")), a.get("thermal_um_per_c"), "null")
    c.check("no focal surface: status and state", a.status == 0 and a.json["verdict"]["state"] == "unsure", (a.status, a.json["verdict"]["state"]), "0, unsure")
    many = Night(seed=81, subs=60, refocus=(10, 20, 30, 40, 50))
    flat = [json.loads(line) for line in many.lines()]
    for d in flat:
        d.update(defocus_um=None, defocus_um_sigma=None, defocus_size_um=None, zone_um=None)
    a = p.run([[json.dumps(d) for d in flat]], PROFILE.format(outward="+1"))
    s = many.series()
    at = list(many.refocus)
    by_hand = stats.linregress([json.loads(many.lines()[k])["temperature_c"] for k in at], [(s["steps"][k] - 5000) * STEP_UM for k in at])
    c.below("no focal surface, five refocusings: coefficient beside scipy's line", abs(a.get("thermal_um_per_c") / by_hand.slope - 1), 1e-4, "scipy.stats.linregress", ".1e")
    c.below("its error beside scipy's", abs(a.get("thermal_um_per_c_sigma") / by_hand.stderr - 1), 1e-3, "the same", ".1e")


def logs(c, p):
    lines = EVENING.lines()
    profile = PROFILE.format(outward="+1")
    whole = p.run([lines], profile)
    parts = p.run([lines[1::3], lines[::3], lines[2::3]], profile)
    same = json.dumps(whole.json, sort_keys=True) == json.dumps(parts.json, sort_keys=True)
    c.check("three machines' logs, shuffled: the same answer", same, same, "byte for byte")
    twice = p.run([lines, lines[:7]], profile)
    c.check("told twice: counted once, and said", twice.json["frames"] == whole.json["frames"] and "7 exposures were told more than once" in twice.warnings, twice.warnings[:60], "40 frames")
    broken = p.run([[*lines[:12], lines[12][:200], "junk", *lines[12:], '{"program":"plumb-field","file":"x.fits","fwhm_px":3}', ""]], profile)
    c.check("broken lines are left out with their number", broken.json["frames"] == whole.json["frames"] and "line 13 " in broken.warnings and "line 14 " in broken.warnings and "plumb-field" in broken.warnings, broken.warnings[:80], "lines 13, 14, and the other program")
    other = p.run([['{"program":"plumb-field","file":"x.fits","fwhm_px":3}']], profile)
    c.check("another program's log is refused", other.status == 2 and "plumb-check" in other.said, other.said[-70:], "2, in words")


# ---- rendered frames, through the whole program

SCENE = """[field]
list = {list}
seed = {seed}
[air]
seeing_arcsec = {seeing:.3f}
[focus]
defocus_um = {defocus:.2f}
tilt_x_um_mm = 9
tilt_y_um_mm = -11
curvature_um = 4
[tracking]
jitter_arcsec = 0.3
drift_arcsec = {drift}
drift_deg = 80
[sky]
level_adu = {level}
transparency = {light}
[camera]
width_px = 720
height_px = 480
hot_pixels = 20
satellites = {satellites}
[exposure]
exposure_s = 60
date_obs = {date}
temperature_c = {temperature:.2f}
altitude_deg = {altitude:.2f}
position_steps = {steps:.0f}
object = open cluster
"""
SAMPLES = os.path.join(os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__)))), "samples")


def calibrated(p):
    """A profile with the focal surface that the demo's own series through focus saved."""
    profile = p.bench.path("evening.ini")
    with open(os.path.join(SAMPLES, "evening.ini")) as f, open(profile, "w") as g:
        g.write(f.read())
    frames = [os.path.join(SAMPLES, f"sweep-{k:04d}.fits.fz") for k in range(1, 8)]
    run = subprocess.run([os.path.join(p.bench.build, "plumb-sweep"), "-q", "-p", profile, "--save", *frames], capture_output=True, text=True)
    if run.returncode > 1:
        raise RuntimeError(run.stderr)
    return profile


def render(p, night, profile):
    """The frames of a night, 130 stars each, the same ones a little shifted."""
    s = night.series()
    rng = np.random.default_rng(night.seed)
    stars = np.column_stack([rng.uniform(10, 710, 130), rng.uniform(10, 470, 130), 13.5 - rng.exponential(1.0, 130).clip(0, 5)])
    start = datetime.datetime(2031, 10, 9, 19, 40)

    def one(k):
        path = p.bench.path(f"sub-{k + 1:04d}.fits")
        shift = np.random.default_rng(k).uniform(-3, 3, 2)
        with open(p.bench.path(f"sub-{k}.list"), "w") as f:
            f.write("".join(f"{x + shift[0]:.2f} {y + shift[1]:.2f} {m:.3f}\n" for x, y, m in stars))
        with open(p.bench.path(f"sub-{k}.ini"), "w") as f:
            f.write(SCENE.format(list=f"sub-{k}.list", seed=k + 1, seeing=s["seeing"][k], defocus=s["defocus"][k], drift=5.5 if k in night.guiding else 0,
                                 level=1500 if k in night.twilight else 150, light=0.35 if k in night.cloud else 1, satellites=1 if k in night.trail else 0,
                                 date=(start + datetime.timedelta(hours=float(s["hour"][k]))).isoformat(timespec="seconds"), temperature=s["air"][k],
                                 altitude=s["altitude"][k], steps=s["steps"][k]))
        run = subprocess.run([os.path.join(p.bench.build, "plumb-sim"), "-q", "-p", profile, "-o", path, p.bench.path(f"sub-{k}.ini")], capture_output=True, text=True)
        if run.returncode:
            raise RuntimeError(run.stderr)
        return path

    return common.side_by_side(one, range(night.subs)), s


def frames(c, p, quick):
    night = Night(seed=9, subs=11, refocus=(6,), guiding=(3,), cloud=(8,), trail=(5,), twilight=(10,), start_c=12, time_h=0.6) if quick else \
        Night(seed=9, guiding=(9, 21), cloud=(17,), trail=(5,), twilight=(39,))
    profile = calibrated(p)
    paths, s = render(p, night, profile)
    run = subprocess.run([p.program, "-p", profile, "--json", *paths], capture_output=True, text=True, timeout=300)
    a = Answer(run.returncode, json.loads(run.stdout) if run.stdout else None, run.stderr.strip())
    for f in a.json["frames"]:
        f["file"] = os.path.basename(f["file"])
    for e in a.json["refocus_events"]:
        e["before_file"] = os.path.basename(e["before_file"])
    judge(c, a, night, "rendered night")
    z = np.array([math.nan if f["defocus_um"] is None else f["defocus_um"] for f in a.json["frames"]])
    plain = [k for k in range(night.subs) if k not in night.guiding + night.cloud + night.twilight]
    silent = int(np.sum(~np.isfinite(z[plain])))
    c.check("rendered night: plain exposures whose defocus is not told", silent <= max(1, 0.1 * len(plain)), f"{silent} of {len(plain)}", "a tenth, of few one")
    c.below("rendered night: its error, um, root mean square", float(np.sqrt(np.nanmean((z[plain] - s["defocus"][plain]) ** 2))), 3.0, "a fifth of the zone")
    lines = subprocess.run([os.path.join(p.bench.build, "plumb-check"), "-p", profile, "--json", "-q", *paths[:5]], capture_output=True, text=True).stdout.splitlines()
    b = p.run([lines], open(profile).read())
    two = [[[f[key] for key in ("time_utc", "defocus_um", "seeing_arcsec", "fwhm_px", "zone_um")] for f in x.json["frames"][:5]] for x in (a, b)]
    c.check("by plumb-check's lines the same exposures", two[0] == two[1], two[1][0], "two ways in, number by number")


def stretch(path):
    """Mean ellipticity of the brightest unsaturated stars, by numpy's moments under a round Gaussian."""
    with common.warnings.catch_warnings():
        common.warnings.simplefilter("ignore")
        image = common.fits.getdata(path).astype(float)
    image -= np.median(image)
    y, x = np.mgrid[-6:7, -6:7]
    weight, chi = np.exp(-(x**2 + y**2) / 18), []
    order = np.argsort(image[8:-8, 8:-8], axis=None)[::-1][:4000]
    taken = np.zeros(image.shape, bool)
    for at in order:
        r, q = np.array(np.unravel_index(at, (image.shape[0] - 16, image.shape[1] - 16))) + 8
        if taken[r, q] or image[r, q] > 3000:
            continue
        taken[max(0, r - 10):r + 11, max(0, q - 10):q + 11] = True
        w = weight * np.clip(image[r - 6:r + 7, q - 6:q + 7], 0, None)
        cx, cy = (w * x).sum() / w.sum(), (w * y).sum() / w.sum()
        xx, yy, xy = ((w * (x - cx) ** 2).sum(), (w * (y - cy) ** 2).sum(), (w * (x - cx) * (y - cy)).sum())
        chi.append(((xx - yy) / (xx + yy), 2 * xy / (xx + yy)))
    return float(np.hypot(*np.median(chi[:80], axis=0)))


def real(c, p):
    """A real night of undersampled stars, focus never touched, 290 to 284 K: nothing may be said of focus."""
    folder = os.path.join(os.environ.get("PLUMB_DATA", ""), "night-real")
    if not os.environ.get("PLUMB_DATA") or not os.path.isdir(folder):
        c.skip("the real night", "no PLUMB_DATA")
        return
    paths = sorted(os.path.join(folder, f) for f in os.listdir(folder) if f.endswith(".fits"))
    optics = ["--aperture-mm", "152", "--focal-mm", "538", "--pixel-um", "13.6"]  # 5.21 arcsec a pixel
    for words in ([], optics):
        title = "real night" + (", optics told" if words else "")
        run = subprocess.run([p.program, "--json", *words, *paths], capture_output=True, text=True, timeout=300)
        a = Answer(run.returncode, json.loads(run.stdout) if run.stdout else None, run.stderr.strip())
        silent = all(np.isnan(a.get(key)) for key in ("thermal_um_per_c", "zone_um", "refocus_every_min")) and all(f["defocus_um"] is None for f in a.json["frames"])
        c.check(f"{title}: says nothing of focus", a.status == 0 and silent and a.json["verdict"]["state"] == "unsure", a.json["verdict"]["text"], "no surface, no sign")
        c.check(f"{title}: no refocusing", not a.json["refocus_events"], len(a.json["refocus_events"]), "the position never changed")
        first = a.json["frames"][0]["time_utc"]
        c.check(f"{title}: time is UTC", first == "2017-12-20T01:33:43.317", first, "UT-OBS of the header; DATE-OBS is local with an offset")
        mine = [stretch(path) for path in paths]
        by_rank = stats.spearmanr(mine, [f["eccentricity"] for f in a.json["frames"]]).statistic
        c.above(f"{title}: stretch beside numpy's moments, rank correlation", by_rank, 0.8, "another way of measuring, order only")
        worst, dropped = set(np.argsort(mine)[-12:]), {i for i, f in enumerate(a.json["frames"]) if f["grade"] == "drop"}
        c.check(f"{title}: the twelve most stretched by numpy are dropped", worst <= dropped, sorted(worst - dropped), "as guiding errors")
    text = " ".join(subprocess.run([p.program, *paths], capture_output=True, text=True).stdout.split())
    c.check("real night: undersampled stars are said to be", "undersampled" in text, "undersampled" in text, "1.9 px")


def main():
    if sys.argv[1:] == ["--sample"]:
        print("\n".join(EVENING.lines()))
        return 0
    bench, quick = common.arguments(__doc__)
    c, p = common.Checks(), Program(bench)
    evening(c, p, EVENING, "40 subs")
    evening(c, p, Night(seed=8, guiding=(3, 30), cloud=(20,), trail=(12,), twilight=(0,), positions=False, thermal_um_c=-18), "40 subs, no positions")
    cadence(c, p)
    pulls(c, p, quick, True)
    pulls(c, p, quick, False)
    quiet(c, p, quick)
    hour_of_fifteen(c, p, quick)
    lag(c, p)
    focusers(c, p)
    logs(c, p)
    frames(c, p, quick)
    if not quick:
        real(c, p)
    return c.finish()


if __name__ == "__main__":
    sys.exit(main())
