#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""plumb-field on real frames beside libsep, scipy, photutils and astropy.

usage: libraries.py BUILD [--quick]

Frames: the folder named by PLUMB_DATA (no default; unset: skipped, in words), and the ISAAC frame of
Debian's package eso-midas-testdata. sepstars.c is compiled here against libsep; without it those
checks are skipped and counted."""
import glob
import io
import os
import subprocess
import sys

import numpy as np
from astropy.table import Table
from scipy.spatial import cKDTree
from scipy.stats import spearmanr

sys.dont_write_bytecode = True
import common  # noqa: E402

HERE = os.path.dirname(os.path.abspath(__file__))
SAMPLED = 2.5    # px of FWHM: below, windowed centroids feel the pixels and scipy's fit is the judge
ONE_SIDED = 0.1  # px between libsep's windowed centroid and its barycentre: beyond, a star has no one centre
BRIGHT = 50      # SNR
FITS_A_FRAME = 60
GUIDED, WANDERED = 1.10, 1.20  # libsep's median axis ratio a/b of a calm frame, and of a guiding error


def build_sepstars(bench):
    """Path of the program, or None when libsep is not here."""
    out = bench.path("sepstars")
    made = subprocess.run([os.environ.get("CC", "cc"), "-std=c11", "-D_XOPEN_SOURCE=700", "-O2", os.path.join(HERE, "sepstars.c"),
                           "-o", out, "-lsep", "-lcfitsio", "-lm"], capture_output=True, text=True)
    return out if made.returncode == 0 else None


def sep_stars(program, frame, threshold=5):
    text = subprocess.run([program, frame, str(threshold)], capture_output=True, text=True, check=True).stdout
    return np.atleast_1d(np.genfromtxt(io.StringIO(text), delimiter=",", names=True))


def frames_at_hand(c, quick):
    """(name, path) of every real frame there is."""
    out = [("ISAAC", p) for p in sorted(glob.glob("/usr/lib/eso-midas/*/test/prim/ISAAC*.fits"))[:1]]
    if not out:
        c.skip("ISAAC frame", "no eso-midas-testdata")
    data = os.environ.get("PLUMB_DATA")
    if not data:
        c.skip("real frames of the data folder", "no PLUMB_DATA")
        return out
    night = sorted(glob.glob(os.path.join(data, "night-real", "*.fits")))
    sharp = [p for p in sorted(glob.glob(os.path.join(data, "practice", "*.fits.fz"))) if "donut" not in p]
    more = [p for room in ("osc-real", "field-real") for p in sorted(glob.glob(os.path.join(data, room, "*.fits")))]
    chosen = night[::12] + sharp[:2] + more if quick else night + sharp + more
    if not chosen:
        c.skip("real frames of the data folder", f"nothing in {data}")
    return out + [(os.path.join(*p.split(os.sep)[-2:]), p) for p in chosen]


def lonely(star, radius):
    """Which stars have no other detection of any kind within radius."""
    xy = np.column_stack([star["x_px"], star["y_px"]])
    return cKDTree(xy).query(xy, k=2)[0][:, 1] > radius


def stamp_radius(answer, star):
    used = star["flags"] == "star"
    stretch = np.median(star["fwhm_major_px"][used] / star["fwhm_px"][used])
    return max(6.0, 2.75 * answer["fwhm_px"] * stretch + 2)


def bright_alone(answer, star, gap=None):
    """Bright stars well inside the frame with nothing else within gap (None: all that a stamp touches)."""
    r = stamp_radius(answer, star)
    gap = r + answer["fwhm_px"] if gap is None else gap
    inside = (star["x_px"] > r + 2) & (star["y_px"] > r + 2) & (star["x_px"] < answer["width_px"] - r) & (
        star["y_px"] < answer["height_px"] - r)
    return np.flatnonzero((star["flags"] == "star") & (star["snr"] > BRIGHT) & inside & lonely(star, gap))


def without_neighbours(star, i, shape, radius):
    """Pixels nearer than `radius` to no other detection than star i."""
    py, px = np.mgrid[0:shape[0], 0:shape[1]]
    ok = np.ones(shape, bool)
    for j in np.flatnonzero(np.hypot(star["x_px"] - star["x_px"][i], star["y_px"] - star["y_px"][i]) < 60):
        if j != i:
            ok &= np.hypot(px + 1 - star["x_px"][j], py + 1 - star["y_px"][j]) > radius
    return ok


def green_pixels(mosaic, shape):
    if mosaic == "none":
        return None
    yes = np.array([p == "G" for p in mosaic]).reshape(2, 2)
    return np.tile(yes, (shape[0] // 2 + 1, shape[1] // 2 + 1))[:shape[0], :shape[1]]


# ---- one frame

def against_scipy(c, name, answer, star, image, quick):
    """The same model by another hand: pixel-integrated Moffat, plumb's beta, the same circle of pixels,
    photon noise from the gain plumb assumes when the header tells none (sky / noise^2)."""
    pick, most, crowded = bright_alone(answer, star), 20 if quick else FITS_A_FRAME, False
    if len(pick) < 8:  # a crowded frame: take those with near neighbours, and leave the neighbours' pixels out
        pick, crowded = bright_alone(answer, star, 4 * answer["fwhm_px"]), True
    pick = pick[np.linspace(0, len(pick) - 1, min(len(pick), most)).astype(int)] if len(pick) else pick
    radius, green = stamp_radius(answer, star), green_pixels(answer["mosaic"], image.shape)
    gain = answer["sky_adu"] / answer["noise_adu"] ** 2
    fits = [(i, common.fit_star(image, star["x_px"][i] - 1, star["y_px"][i] - 1, star["fwhm_px"][i], answer["beta"], radius, gain,
                                without_neighbours(star, i, image.shape, 2 * answer["fwhm_px"]) if crowded else green))
            for i in pick]
    fits = [(i, f) for i, f in fits if f is not None]
    if len(fits) < 4:
        c.skip(f"{name}: scipy's fit", f"only {len(fits)} bright stars stand alone")
        return
    at = np.array([i for i, _ in fits])
    got = np.array([f for _, f in fits])
    off = np.hypot(got[:, 0] + 1 - star["x_px"][at], got[:, 1] + 1 - star["y_px"][at])
    ratio = star["fwhm_px"][at] / got[:, 2] - 1
    c.below(f"{name}: centroids of {len(at)} stars against scipy's fit, 90 % within {np.quantile(off, 0.9):.4f} px, median px",
            np.median(off), 0.05, "the target", ".4f")
    c.below(f"{name}: FWHM {answer['fwhm_px']:.3f} against scipy's fit, 90 % within {np.quantile(np.abs(ratio), 0.9):.4f}, "
            f"median {np.median(ratio):+.4f}, median of |difference|", np.median(np.abs(ratio)), 0.02, "the target", ".4f")


def against_sep(c, name, answer, star, program, frame):
    if answer["mosaic"] != "none":
        c.skip(f"{name}: libsep's centroids", "a mosaic: libsep knows none; scipy's fit judges")
        return
    sep = sep_stars(program, frame)
    sep = sep[(sep["flag"] == 0) & (sep["winflag"] == 0) & np.isfinite(sep["x"])]
    pick = bright_alone(answer, star)
    at = common.match(star["x_px"][pick], star["y_px"][pick], sep["x"], sep["y"], 2.0)
    mine = pick[at >= 0]
    if len(mine) < 8:
        c.skip(f"{name}: libsep's centroids", f"only {len(mine)} bright stars stand alone in both")
        return
    off = np.hypot(star["x_px"][mine] - sep["x"][at[at >= 0]], star["y_px"][mine] - sep["y"][at[at >= 0]])
    text = f"{name}: centroids of {len(mine)} stars against libsep's, median {np.median(off):.4f} px, 90 % within " \
        f"{np.quantile(off, 0.9):.4f} px"
    if answer["fwhm_px"] < SAMPLED:
        c.say(f"{text}; FWHM {answer['fwhm_px']:.2f} < {SAMPLED} px: scipy's fit judges")
        return
    theirs = sep[at[at >= 0]]
    apart = np.hypot(np.median(theirs["x"] - theirs["x_all"]), np.median(theirs["y"] - theirs["y_all"]))
    if apart > ONE_SIDED:
        c.skip(text, f"stars so one-sided that libsep's own two centres lie {apart:.2f} px apart, all to one side; "
                     "scipy's fit judges")
        return
    c.below(text, np.median(off), 0.05, "the target", ".4f")


def against_photutils(c, name, answer, star, image):
    """Bright sources of another detector: plumb-field lists each, as star or as what it is instead."""
    from photutils.detection import DAOStarFinder

    sky, noise = answer["sky_adu"], answer["noise_adu"]
    image, width = np.where(np.isfinite(image), image, sky) - sky, max(2.0, answer["fwhm_px"])
    found = DAOStarFinder(threshold=25 * noise, fwhm=width)(image)
    # what disturbs: whatever rises at all, clipped and long things with it
    other = DAOStarFinder(threshold=10 * noise, fwhm=width, sharplo=0, sharphi=100, roundlo=-100, roundhi=100)(image)
    if found is None or len(found) < 20:
        c.skip(f"{name}: photutils' stars", "too few")
        return
    x, y = np.array(found["xcentroid"]) + 1, np.array(found["ycentroid"]) + 1
    inside = (x > 10) & (y > 10) & (x < answer["width_px"] - 10) & (y < answer["height_px"] - 10)
    crowd = cKDTree(np.column_stack([other["xcentroid"], other["ycentroid"]]) + 1)
    alone = inside & (crowd.query(np.column_stack([x, y]), k=2)[0][:, 1] > 6 * width)
    near = cKDTree(np.column_stack([star["x_px"], star["y_px"]])).query(np.column_stack([x, y])[alone])[0]
    c.above(f"{name}: of {alone.sum()} lone bright sources of photutils listed", (near < max(3.0, answer["fwhm_px"])).mean(),
            0.98, "chosen")


def table_and_json(bench, c, name, frame, answer):
    """The ECSV table as astropy reads it: the same stars and numbers as the JSON."""
    path = bench.path("stars.ecsv")
    subprocess.run([bench.field, "--quiet", "--best", "0", "--measured-ok", "--table", path, frame], check=True,
                   stdout=subprocess.DEVNULL)
    table, star = Table.read(path, format="ascii.ecsv"), common.columns(answer["stars"])
    c.check(f"{name}: astropy reads as many stars from the table", len(table) == len(star["x_px"]), len(table), len(star["x_px"]))
    if len(table) != len(star["x_px"]):
        return
    worst, where = 0.0, ""
    twins = {"chi1_sigma": "chi_sigma", "chi2_sigma": "chi_sigma"}
    for key in star:
        if key == "flags":
            continue
        column = np.ma.filled(np.ma.asarray(table[twins.get(key, key)], dtype=float), np.nan)
        blank = np.isnan(column) != np.isnan(star[key])
        both = np.isfinite(column) & np.isfinite(star[key]) & (star[key] != 0)
        off = np.abs(column[both] / star[key][both] - 1).max() if both.any() else 0.0
        off = np.inf if blank.any() else off
        if off > worst:
            worst, where = off, key
    c.below(f"{name}: table and JSON agree in every number, worst in {where or 'none'}", worst, 6e-4,
            "the table's four digits of an error; a blank is null", ".1e")
    c.check(f"{name}: table and JSON agree in flags", list(table["flags"]) == list(star["flags"]), len(table), "all")
    units = {n: str(table[n].unit) for n in ("x_px", "flux_adu", "angle_deg")}
    c.check(f"{name}: units astropy knows", units == {"x_px": "pix", "flux_adu": "adu", "angle_deg": "deg"}, units,
            "pix, adu, deg")


def check_frame(bench, c, name, frame, program, quick):
    answer, complaint = bench.measure(frame)
    if answer is None:
        c.check(f"{name}: measured", False, complaint, "measured")
        return
    star, image = common.columns(answer["stars"]), common.read_image(frame)
    against_scipy(c, name, answer, star, image, quick)
    if program:
        against_sep(c, name, answer, star, program, frame)
    if answer["mosaic"] == "none" and not name.startswith("field-real"):
        against_photutils(c, name, answer, star, image)
    return answer


# ---- the night with guiding errors

def sep_shape(program, frame):
    """Median axis ratio and mean ellipticity of the bright unsaturated stars, by libsep's moments."""
    t = sep_stars(program, frame, 10)
    t = t[(t["flag"] == 0) & (t["b"] > 0)]
    t = t[np.argsort(-t["flux"])][5:100]
    chi = (t["a"] ** 2 - t["b"] ** 2) / (t["a"] ** 2 + t["b"] ** 2) * np.exp(2j * t["theta"])
    mean = np.median(chi.real) + 1j * np.median(chi.imag)
    return np.median(t["a"] / t["b"]), abs(mean), np.degrees(np.angle(mean)) / 2 % 180


def check_night(bench, c, program, quick):
    data = os.environ.get("PLUMB_DATA")
    frames = sorted(glob.glob(os.path.join(data, "night-real", "*.fits")))[::2 if quick else 1] if data else []
    if not frames or not program:
        c.skip("guiding errors of the night", "no PLUMB_DATA" if not data else "no frames" if not frames else "no libsep")
        return
    answers = [a for a, _ in common.side_by_side(bench.measure, frames)]
    shape = np.array([sep_shape(program, f) for f in frames])
    c.check("night: every frame measured", all(answers), sum(a is not None for a in answers), len(frames))
    if not all(answers):
        return
    chi = np.array([a["chi"] for a in answers])
    ecc = np.array([a["eccentricity"] for a in answers])
    rank = spearmanr(chi, shape[:, 1])[0]
    c.above(f"night: ellipticity of {len(frames)} frames ranks as libsep's moments do, Spearman", rank, 0.95, "chosen")
    calm, bad = shape[:, 0] < GUIDED, shape[:, 0] > WANDERED
    c.check(f"night: each of {bad.sum()} frames with guiding errors (libsep: a/b > {WANDERED}) above each of {calm.sum()} calm "
            f"ones (a/b < {GUIDED}) in eccentricity",
            ecc[bad].min() > ecc[calm].max(), f"{ecc[bad].min():.3f} against {ecc[calm].max():.3f}", "they must stand out")
    cause = [a["verdict"]["cause"] for a, b in zip(answers, bad) if b]
    c.check("night: their verdict", all(w == "tracking" for w in cause), ", ".join(sorted(set(cause))), "tracking")
    turn = np.array([(a["elongation_deg"] - d + 90) % 180 - 90 for a, d in zip(answers, shape[:, 2])])
    c.below("night: their direction against libsep's, worst, degrees", np.abs(turn[bad]).max(), 8, "chosen", ".1f")


def main():
    bench, quick = common.arguments("libraries.py BUILD [--quick]")
    c = common.Checks()
    program = build_sepstars(bench)
    if not program:
        c.skip("libsep", "sep.h or libsep is not here (package libsep-dev)")
    first = None
    for name, frame in frames_at_hand(c, quick):
        answer = check_frame(bench, c, name, frame, program, quick)
        if answer and first is None:
            first = (name, frame, answer)
    if first is None:
        frame, _ = bench.make("plain", "--snr", "20:500")
        first = ("made frame", frame, bench.measure(frame)[0])
    table_and_json(bench, c, *first)
    check_night(bench, c, program, quick)
    return c.finish()


if __name__ == "__main__":
    sys.exit(main())
