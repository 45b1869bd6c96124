# SPDX-License-Identifier: GPL-3.0-or-later
"""against.py BUILD [--quick] - `--against` on whole frames: two frames of one telescope show no change that
can be seen (other stars, other air), a known adjustment shows, and how faults fade in worse air.

Frames are mkframe's analytic stars, which share no code with the library, and plumb-sim's wave optics."""
import json
import math
import subprocess

from common import Checks, arguments, side_by_side

PROFILE = ["-p", "samples/evening.ini"]
SCENE = ("[field]\nstars = 200\nmag_bright = 10\nmag_faint = 13.5\n[exposure]\nexposure_s = 60\n"
         "[camera]\nwidth_px = 1000\nheight_px = 700\n")
DONUT = ("[field]\nstars = 1\nlayout = grid\nmag_bright = 8\nmag_faint = 8\n[exposure]\nexposure_s = 10\n"
         "[camera]\nwidth_px = 400\nheight_px = 300\n[focus]\ndefocus_um = 600\n")
bench, quick = arguments("against.py BUILD [--quick]")
checks = Checks()


def sim(name, text):
    scene, frame = bench.path(name + ".ini"), bench.path(name + ".fits")
    with open(scene, "w") as f:
        f.write(text)
    subprocess.run([bench.build + "/plumb-sim", "-q", "-j1", *PROFILE, "-o", frame, scene], check=True,
                   stdout=subprocess.DEVNULL)
    return frame


def analytic(name, seed, fwhm, fault):
    return bench.make(name, "--seed", seed, "--width", 1000, "--height", 700, "--stars", 200, "--snr", "40:600",
                      "--fwhm", fwhm, *fault, truth=False)[0]


def compare(program, after, before):
    run = subprocess.run([f"{bench.build}/{program}", "-j1", *PROFILE, "--json", after, "--against", before],
                         capture_output=True, text=True)
    if run.returncode > 1:
        raise RuntimeError(run.stderr)
    return json.loads(run.stdout)["change"]


def seen(change):
    """FWHM apart: the air may change."""
    items = [k["name"] for k in change["items"] if k["seen"] and k["name"] != "FWHM"]
    return items + [f"zone {t}" for z in change["zones"] for t in ("size", "stretch") if z[t]["seen"]]


# ---- nothing changed

SIM = ["", "[mirrors]\naxis_x_mm = 0.9\naxis_y_mm = 0.5\n",
       "[focus]\ntilt_x_um_mm = 4\ncurvature_um = 25\ndefocus_um = 10\n",
       "[mirrors]\npinch_nm = 60\n[zernike]\na6_nm = 30\n[focus]\ndefocus_um = 8\n"]
MADE = [[], ["--stretch", "0.35,30"], ["--slope", "0.15,200"], ["--flare", "0.15,3.0,250"]]
AIRS = [(2.5, 2.5), (2.5, 2.75), (2.2, 2.6), (3.0, 2.5)]


def same(i):
    kind, airs, frames = i % 4, AIRS[i // 8 % 4], []
    for k in (0, 1):
        seed, name = 1000 + 2 * i + k, f"same{i}_{k}"
        if i // 4 % 2:
            frames.append(analytic(name, seed, 3.0, MADE[kind]))
        else:
            frames.append(sim(name, SCENE + f"[field]\nseed = {seed}\n" + SIM[kind] +
                              f"[air]\nseeing_arcsec = {airs[k]}\n"))
    change = compare("plumb-field", frames[1], frames[0])
    what = seen(change)
    if what:
        checks.say(f"pair {i}: {', '.join(what)}: {change['text']}")
    return bool(what), change["state"] != "same"


def false_alarms():
    n = 8 if quick else 192
    got = side_by_side(same, range(n))
    limit = 0.02 * n + 2 * math.sqrt(0.02 * 0.98 * n)  # 2 % and two binomial errors
    checks.below(f"anything seen in {n} pairs of one telescope", sum(g[0] for g in got), limit, "2 %", "d")
    checks.below("of those, called better or worse", sum(g[1] for g in got), limit, "2 %", "d")


# ---- a known adjustment

CHANGES = [
    ("axis error 2 mm to 0.5 mm", "[mirrors]\naxis_x_mm = 2\n", "[mirrors]\naxis_x_mm = 0.5\n", "one-sided flare", "better"),
    ("axis error 0.5 mm to 2 mm", "[mirrors]\naxis_x_mm = 0.5\n", "[mirrors]\naxis_x_mm = 2\n", "one-sided flare", "worse"),
    ("axis error of 1.5 mm turned by 90 degrees", "[mirrors]\naxis_x_mm = 1.5\n", "[mirrors]\naxis_y_mm = 1.5\n",
     "one-sided flare", "moved"),
    ("curvature 60 um to 15 um", "[focus]\ncurvature_um = 60\n", "[focus]\ncurvature_um = 15\n", "bowl", "better"),
    ("tilt 10 to 2 um/mm, out of focus", "[focus]\ndefocus_um = 25\ntilt_x_um_mm = 10\n",
     "[focus]\ndefocus_um = 25\ntilt_x_um_mm = 2\n", "size slope", "better"),
    ("pinch 0 to 100 nm", "", "[mirrors]\npinch_nm = 100\n", "three-cornered", "worse"),
    ("pinch 100 to 0 nm", "[mirrors]\npinch_nm = 100\n", "", "three-cornered", "better"),
]


def changed(case):
    title, before, after, item, _ = case
    tag = "".join(c for c in title if c.isalnum())
    a = sim(tag + "b", SCENE + "[field]\nseed = 5\n[air]\nseeing_arcsec = 2.3\n" + before)
    b = sim(tag + "a", SCENE + "[field]\nseed = 6\n[air]\nseeing_arcsec = 2.6\n" + after)
    return next(k for k in compare("plumb-field", b, a)["items"] if k["name"] == item)


def adjustments():
    cases = CHANGES[:2] if quick else CHANGES
    for (title, _, _, item, want), got in zip(cases, side_by_side(changed, cases)):
        state = "moved" if got["state"] == "same" and got["seen"] else got["state"]
        checks.check(f"{title}: {item}", state == want,
                     f"{state}, {got['before']:.4f} to {got['after']:.4f} +- {got['change_sigma']:.4f}", want)


def donuts():
    """The axis by the scene, against what plumb-donut says of the difference."""
    before = sim("donut-b", DONUT + "[mirrors]\naxis_x_mm = 2\n")
    after = sim("donut-a", DONUT + "[field]\nseed = 9\n[mirrors]\naxis_x_mm = 0.5\naxis_y_mm = -0.4\n")
    items = {k["name"]: k for k in compare("plumb-donut", after, before)["items"]}
    axis = items["axis error"]
    checks.check("donuts: axis error 2 mm to 0.64 mm", axis["state"] == "better", axis["state"], "better")
    pull = (axis["moved"] - math.hypot(1.5, 0.4)) / axis["moved_sigma"]
    checks.within("donuts: length of the move, off the truth in errors", pull, -3, 3)
    turn = (axis["moved_deg"] - math.degrees(math.atan2(-0.4, -1.5)) % 360 + 180) % 360 - 180
    checks.within("donuts: its direction, off by deg", turn, -3, 3)
    others = [n for n in ("astigmatism", "trefoil", "spherical", "shadow offset") if items[n]["seen"]]
    checks.check("donuts: nothing else changed", not others, others or "nothing", "nothing")


# ---- another air

FADES = [  # amplitudes fall as FWHM^-power, within the bounds of lib/align/change/change.c
    ("defocus with astigmatism", "[zernike]\na6_nm = 100\n[focus]\ndefocus_um = 15\n", "even stretch", 1.75, 0.25),
    ("tracking", "[tracking]\njitter_arcsec = 0.8\njitter_across_arcsec = 0.1\n", "even stretch", 1.75, 0.25),
    ("tilt", "[focus]\ntilt_x_um_mm = 12\ndefocus_um = 20\n", "size slope", 1.75, 0.25),
    ("three corners", "[mirrors]\npinch_nm = 120\n", "three-cornered", 1.9, 1.3),
    ("strong coma", "[mirrors]\naxis_x_mm = 2\n", "one-sided flare", 1.9, 1.3),
]


def fade(case):
    _, fault, item, _, _ = case
    tag = case[0].replace(" ", "")
    got = []
    for seeing in (2.2, 3.0):
        field = bench.measure(sim(f"{tag}{seeing}", SCENE + f"[air]\nseeing_arcsec = {seeing}\n" + fault), *PROFILE)[0]
        got.append((field["fwhm_px"], abs(next(p for p in field["patterns"] if p["name"] == item)["amplitude"])))
    return -math.log(got[1][1] / got[0][1]) / math.log(got[1][0] / got[0][0])


def fading():
    cases = FADES[:1] if quick else FADES
    for (title, _, _, power, doubt), got in zip(cases, side_by_side(fade, cases)):
        checks.within(f"{title} fades as FWHM to the power of minus", got, power - doubt, power + doubt, "as the code has it")


adjustments()
donuts()
fading()
false_alarms()
raise SystemExit(checks.finish())
