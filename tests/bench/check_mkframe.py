#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Checks build/tests/mkframe against scipy, astropy and formulas, never against itself.

usage: check_mkframe.py MKFRAME      one line per check, `N passed, N failed`, exit 1 on failure

Profiles are rebuilt here from their definition (half the peak at half the FWHM, unit integral
by numerical quadrature), not from the formulas of mkframe_star.c."""
import csv
import os
import subprocess
import sys
import tempfile
import time

import numpy as np
from astropy.io import fits
from scipy import integrate, special, stats

MKFRAME = None
HERE = None
COUNT = {True: 0, False: 0}
SIGMA = 2.3548200450309493  # FWHM of a Gaussian in sigma, 2 sqrt(2 ln 2)


def report(name, good, detail):
    good = bool(good)
    COUNT[good] += 1
    print(f"{'ok  ' if good else 'FAIL'} {name}: {detail}", flush=True)


def path(name):
    return os.path.join(HERE, name)


def make(name, *options, stars=None):
    """Run mkframe; `stars` are rows of a list file. Returns the pixels."""
    command = [MKFRAME, "--out", path(name), *[str(o) for o in options]]
    if stars is not None:
        with open(path("list.txt"), "w") as f:
            f.writelines(" ".join(str(v) for v in row) + "\n" for row in stars)
        command += ["--list", path("list.txt")]
    subprocess.run(command, check=True)
    with fits.open(path(name)) as hdus:
        return np.array([h.data for h in hdus if h.data is not None][0])


def truth_of(name):
    with open(path(name)) as f:
        return list(csv.DictReader(f))


CLEAN = ("--no-noise", "--sky", 0, "--pedestal", 0, "--bitpix", -64, "--saturation", 1e9)


# ---- pixel integrals

def profile(beta, major, minor, angle):
    """f(dx, dy) of unit integral. r is the radius in FWHM along each axis; g(1/2) = g(0)/2."""
    if np.isinf(beta):
        def g(r2):
            return np.exp2(-4.0 * r2)
    else:
        k = 4.0 * (2.0 ** (1.0 / beta) - 1.0)

        def g(r2):
            return (1.0 + k * r2) ** -beta
    assert abs(g(0.25) - 0.5) < 1e-12
    total = major * minor * 2 * np.pi * integrate.quad(lambda r: r * g(r * r), 0, np.inf, epsabs=0, epsrel=1e-11)[0]
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    return lambda x, y: g(((x * c + y * s) / major) ** 2 + ((y * c - x * s) / minor) ** 2) / total


def check_profile(beta, fwhm, ecc, angle):
    size, x0, y0, flux = 61, 31.37, 30.81, 1e5
    ratio = np.sqrt(1 - ecc ** 2)
    word = "gauss" if np.isinf(beta) else beta
    img = make("p.fits", "--width", size, "--height", size, *CLEAN, stars=[(x0, y0, flux, fwhm, ecc, angle, word)])
    f = profile(beta, fwhm / np.sqrt(ratio), fwhm * np.sqrt(ratio), angle)
    rng = np.random.default_rng(7)
    places = [(31, 31), (32, 31), (31, 30), (32, 30), (30, 32)]
    places += [(int(x0 + r * np.cos(t)), int(y0 + r * np.sin(t))) for r, t in
               zip(fwhm * np.linspace(0.6, 3.0, 12), rng.uniform(0, 2 * np.pi, 12))]
    places += [] if np.isinf(beta) else [(1, 1), (61, 20), (12, 50)]
    worst = 0.0
    for x, y in places:
        got = img[y - 1, x - 1] / flux
        dx, dy = x - x0, y - y0
        want = integrate.dblquad(lambda v, u: f(u, v), dx - .5, dx + .5, dy - .5, dy + .5, epsabs=0, epsrel=1e-8)[0]
        if np.isinf(beta) and ecc == 0:  # a product of erf, instead
            s = fwhm / SIGMA * np.sqrt(2)
            want = 0.25 * np.prod([special.erf((d + .5) / s) - special.erf((d - .5) / s) for d in (dx, dy)])
        if want > 1e-7:  # drawn down to 1e-8 of the flux
            worst = max(worst, abs(got / want - 1))
    shape = f"ecc {ecc} at {angle} deg" if ecc else "round"
    report(f"pixel integral {word} FWHM {fwhm} {shape}", worst < 1e-4, f"worst {worst:.1e} of the value (limit 1e-4)")


def check_profiles():
    for beta in (np.inf, 2.5, 4.0, 8.0):
        for fwhm in (1.3, 2.0, 4.0, 8.0):
            for ecc, angle in ((0, 0), (0.8, 33.0), (0.6, 90.0)):
                check_profile(beta, fwhm, ecc, angle)
    img = make("p.fits", "--width", 101, "--height", 101, *CLEAN, stars=[(50.2, 51.1, 1000, 5, 0.5, 20, "gauss")])
    report("total flux, Gaussian", abs(img.sum() - 1000) < 1e-2, f"{img.sum():.6f} of 1000")
    img = make("p.fits", "--width", 801, "--height", 801, *CLEAN, stars=[(401, 401, 1000, 4, 0, 0, 3)])
    y, x = np.mgrid[-400:401, -400:401]
    got = img[np.hypot(x, y) < 40].sum()
    k = 4 * (2 ** (1 / 3) - 1) / 16  # enclosed: 1 - (1 + r^2/alpha^2)^(1-beta), Moffat 1969
    want = 1000 * (1 - (1 + k * 40 ** 2) ** -2)
    report("flux within 40 px, Moffat 3", abs(got / want - 1) < 1e-5, f"{got:.4f}, formula {want:.4f}")


# ---- noise

def check_noise_level(sky, gain, ron):
    n = 1000
    img = make("n.fits", "--width", n, "--height", n, "--stars", 0, "--sky", sky, "--gain", gain, "--read-noise", ron,
               "--pedestal", 100, "--bitpix", -64)
    e = (img - 100) * gain
    mean, var = sky * gain, sky * gain + ron ** 2
    fourth = 3 * var ** 2 + sky * gain  # fourth central moment, cumulants add
    z_mean = (e.mean() - mean) / np.sqrt(var / n ** 2)
    z_var = (e.var() - var) / np.sqrt((fourth - var ** 2) / n ** 2)
    report(f"noise at {mean:g} e, read noise {ron} e", abs(z_mean) < 4 and abs(z_var) < 4,
           f"mean off {z_mean:+.2f} sigma, variance off {z_var:+.2f} sigma")
    d = (e - e.mean()) / e.std()
    for name, r in (("columns", (d[:, 1:] * d[:, :-1]).mean()), ("rows", (d[1:] * d[:-1]).mean())):
        report(f"neighbouring {name} at {mean:g} e", abs(r) * n < 4, f"correlation {r:+.1e}")


def check_poisson(mean):
    img = make("n.fits", "--width", 1000, "--height", 1000, "--stars", 0, "--sky", mean, "--gain", 1, "--read-noise", 0,
               "--pedestal", 0).astype(int)
    k = np.arange(stats.poisson.ppf(1e-5, mean), stats.poisson.ppf(1 - 1e-5, mean) + 1).astype(int)
    want = stats.poisson.pmf(k, mean) * img.size
    got = np.bincount(img.ravel(), minlength=k[-1] + 1)[k]
    chi2 = ((got - want) ** 2 / want).sum()
    p = stats.chi2.sf(chi2, len(k) - 1)
    report(f"Poisson law, mean {mean}", p > 1e-4, f"chi2 {chi2:.1f} for {len(k)} bins, p = {p:.3f} (limit 1e-4)")


def check_normal():
    img = make("n.fits", "--width", 2000, "--height", 2000, "--stars", 0, "--sky", 1e4, "--read-noise", 10,
               "--bitpix", -64, "--pedestal", 0)
    z = np.sort((img.ravel() - 1e4) / np.sqrt(1e4 + 100))
    p = stats.kstest(z, "norm").pvalue
    report("normal law", p > 1e-4, f"Kolmogorov-Smirnov p = {p:.3f} on {z.size} pixels")
    for t in (3.0, 3.6, 4.5):
        want = 2 * stats.norm.sf(t) * z.size
        got = (np.abs(z) > t).sum()
        report(f"normal tail beyond {t}", abs(got - want) < 4 * np.sqrt(want), f"{got} pixels, expected {want:.0f}")


def check_noise():
    for level in ((4, 1, 1.5), (30, 1, 3), (1000, 1.5, 5), (400, 0.25, 8)):
        check_noise_level(*level)
    for mean in (0.3, 5, 9.9, 10, 30, 49):
        check_poisson(mean)
    check_normal()
    img = make("n.fits", "--width", 500, "--height", 500, "--stars", 0, "--sky", 400, "--gain", 2)
    want = (800 + 9) / 4 + 1 / 12  # rounding to whole ADU adds 1/12
    report("16 bit noise, ADU", abs(img.var() / want - 1) < 4 * np.sqrt(2 / img.size), f"{img.var():.2f}, expected {want:.2f}")


# ---- truth, SNR, moments

def check_snr():
    sky, gain, ron, fwhm = 300.0, 1.7, 6.0, 3.3
    make("s.fits", "--truth", path("s.csv"), "--stars", 50, "--snr", 80, "--fwhm", fwhm, "--ecc", 0.5, "--sky", sky,
         "--gain", gain, "--read-noise", ron, "--grid")
    want = 80 * np.sqrt(4 * np.pi * (fwhm / SIGMA) ** 2 * (sky * gain + ron ** 2)) / gain
    worst = max(abs(float(r["flux_adu"]) / want - 1) for r in truth_of("s.csv"))
    report("flux from SNR, by hand", worst < 1e-6, f"worst {worst:.1e}")
    options = ("--width", 1500, "--height", 1500, "--stars", 900, "--grid", "--snr", 20, "--fwhm", 5, "--beta", "gauss",
               "--sky", 4000, "--bitpix", -64, "--pedestal", 0, "--border", 20)
    noisy, clean = make("s.fits", "--truth", path("s.csv"), *options), make("c.fits", "--no-noise", *options) - 4000
    ratio = []
    for r in truth_of("s.csv"):
        x, y = round(float(r["x_px"])) - 1, round(float(r["y_px"])) - 1
        box = np.s_[y - 10:y + 11, x - 10:x + 11]
        ratio.append(((noisy[box] - 4000) * clean[box]).sum() / (clean[box] ** 2).sum())
    # matched filter: sigma_F/F = sqrt(B)/sqrt(sum f^2)/F; pixels make sigma^2 1/12 larger; star's own photons
    pixel = np.sqrt(((5 / SIGMA) ** 2 + 1 / 12) / (5 / SIGMA) ** 2)
    got, error = np.std(ratio) * 20 / pixel, 1 / np.sqrt(2 * len(ratio))
    report("SNR against a matched filter", abs(got - 1) < 4 * error + 0.02, f"scatter {got:.3f} of 1/SNR +- {error:.3f}")
    good = all(r["isolated"] == "1" and r["class"] == "star" for r in truth_of("s.csv"))
    report("grid stars stand alone", good, f"{len(ratio)} stars")


def moments(img):
    """Centroid (FITS px), second central moments less the pixel's 1/12, third central moments."""
    y, x = np.mgrid[1:img.shape[0] + 1, 1:img.shape[1] + 1].astype(float)
    w = img / img.sum()
    cx, cy = (w * x).sum(), (w * y).sum()
    dx, dy = x - cx, y - cy
    q = np.array([(w * dx * dx).sum() - 1 / 12, (w * dx * dy).sum(), (w * dy * dy).sum() - 1 / 12])
    return (cx, cy), q, (w * (dx + 1j * dy) ** 2 * (dx - 1j * dy)).sum(), (w * (dx + 1j * dy) ** 3).sum()


def one_star(*options, x=60.3, y=58.9, shape=(6, 0, 0, "gauss"), size=(121, 121)):
    img = make("m.fits", "--truth", path("m.csv"), "--width", size[0], "--height", size[1], *CLEAN, *options,
               stars=[(x, y, 1e5, *shape)])
    return moments(img), truth_of("m.csv")[0]


def check_moments():
    (c, q, _, _), row = one_star(shape=(6, 0.7, 35, "gauss"))
    major, minor = (SIGMA * np.sqrt(v) for v in sorted(np.linalg.eigvalsh([[q[0], q[1]], [q[1], q[2]]]), reverse=True))
    angle = np.degrees(np.arctan2(2 * q[1], q[0] - q[2])) / 2
    want = [60.3, 58.9, 6.0, np.sqrt(major * minor), 0.7, 35.0]
    got = [*c, np.sqrt(major * minor), float(row["fwhm_px"]), np.sqrt(1 - (minor / major) ** 2), angle]
    worst = max(abs(np.array(got) - want))
    report("centroid, eccentricity, FWHM and angle from moments", worst < 1e-3, f"worst difference {worst:.1e}")
    names = ("x_px", "y_px", "fwhm_px", "fwhm_major_px", "fwhm_minor_px", "eccentricity", "angle_deg")
    worst = max(abs(float(row[n]) - v) for n, v in zip(names, (*c, 6, major, minor, 0.7, 35)))
    report("truth table against moments", worst < 1e-3, f"worst difference {worst:.1e}")


def check_third_moments():
    part, d, a = 0.2, 4.0, np.radians(40)
    (c, q, spin1, spin3), _ = one_star("--flare", "0.2,4,40", shape=(5, 0, 0, "gauss"))
    third = part * (1 - part) * (1 - 2 * part) * d ** 3  # of two points, about their mean
    worst = max(abs(spin1 - third * np.exp(1j * a)), abs(spin3 - third * np.exp(3j * a))) / third
    report("third moments of --flare", worst < 1e-3, f"|spin 1| {abs(spin1):.4f}, formula {third:.4f}, worst {worst:.1e}")
    extra = q[0] + q[2] - 2 * (5 / SIGMA) ** 2
    report("second moments of --flare", abs(extra - part * (1 - part) * d * d) < 1e-3, f"{extra:.4f}, formula {.16 * d * d:.4f}")
    report("--flare keeps the centroid", np.hypot(c[0] - 60.3, c[1] - 58.9) < 1e-4, f"({c[0]:.5f}, {c[1]:.5f})")
    (c, _, spin1, spin3), _ = one_star("--corners", "0.3,3,25", shape=(5, 0, 0, "gauss"))
    want = 0.3 * 27 * np.exp(3j * np.radians(25))
    report("third moments of --corners", abs(spin3 - want) < 1e-3 * abs(want) and abs(spin1) < 1e-3 * abs(want),
           f"spin 3 {spin3:.4f}, formula {want:.4f}; spin 1 {abs(spin1):.1e}")
    (_, _, spin1, spin3), _ = one_star("--flare", "0.2,4,40", "--corners", "0.3,3,25", shape=(5, 0, 0, "gauss"))
    both = want + third * np.exp(3j * a)
    report("flare and corners add", abs(spin3 - both) < 2e-3 * abs(both), f"spin 3 {spin3:.4f}, formula {both:.4f}")


def chi_of(q):
    return (q[0] - q[2] + 2j * q[1]) / (q[0] + q[2])


def check_patterns():
    def near(name, got, want, tol=1e-3):
        report(name, abs(got - want) < tol, f"{got:.5f}, expected {want:.5f}")

    (_, q, _, _), _ = one_star("--stretch", "0.2,70")
    near("--stretch: chi", chi_of(q), 0.2 * np.exp(2j * np.radians(70)))
    near("--stretch: trace kept", q[0] + q[2], 2 * (6 / SIGMA) ** 2)
    size, centre, half = (401, 301), np.array([201, 151.0]), 0.5 * np.hypot(401, 301)
    x, y = 330.0, 90.0
    z = complex(x - centre[0], y - centre[1]) / half
    for chi in (0.3, -0.25):
        (_, q, _, _), _ = one_star("--outward", chi, x=x, y=y, size=size)
        near(f"--outward {chi}: chi", chi_of(q), chi * z * z)
    (_, q, _, _), _ = one_star("--turning", "0.3,80,200", x=x, y=y, size=size)
    tangent = 1j * complex(x - 80, y - 200) / half
    k = 2 * 0.3 / (1 - 0.3) * (6 / SIGMA) ** 2 * abs(tangent) ** 2
    mean = q[0] + q[2] - 2 * (6 / SIGMA) ** 2
    near("--turning: moment added", mean, k)
    near("--turning: along the tangent", q[0] - q[2] + 2j * q[1], k * (tangent / abs(tangent)) ** 2)
    (_, q, _, _), row = one_star("--slope", "0.3,90", x=200, y=226, size=size)
    near("--slope: FWHM half way to the border", SIGMA * np.sqrt((q[0] + q[2]) / 2), 6 * (1 + 0.3 * 75 / 150.5), 2e-3)


# ---- mosaic, formats, labels

def check_mosaic():
    star = [(40.4, 37.2, 1e5, 4, 0.3, 20, 3, 0.5, 1.4)]
    mono = make("a.fits", "--width", 80, "--height", 70, *CLEAN, stars=star)
    for pattern in ("RGGB", "GRBG", "GBRG", "BGGR"):
        img = make("b.fits", "--width", 80, "--height", 70, *CLEAN, "--mosaic", pattern, stars=star)
        tint = np.array([{"R": 0.5, "G": 1.0, "B": 1.4}[p] for p in pattern]).reshape(2, 2)
        worst = np.abs(img - mono * np.tile(tint, (35, 40))).max()
        report(f"mosaic {pattern}", worst < 0.05 and fits.getheader(path("b.fits"))["BAYERPAT"] == pattern,
               f"worst {worst:.1e} ADU of {mono.max():.0f}")
    make("b.fits", "--stars", 0, "--mosaic", "RGGB", "--bayerpat", "none")
    silent = "BAYERPAT" not in fits.getheader(path("b.fits"))
    make("b.fits", "--stars", 0, "--mosaic", "RGGB", "--bayerpat", "BGGR", "--roworder", "TOP-DOWN", "--header", "EXPTIME=7",
         "--header", "CCD-TEMP=-9.5", "--header", "FILTER=clear glass")
    h = fits.getheader(path("b.fits"))
    report("header: silent, lying, extra keywords", silent and (h["BAYERPAT"], h["ROWORDER"], h["EXPTIME"], h["CCD-TEMP"],
           h["FILTER"]) == ("BGGR", "TOP-DOWN", 7, -9.5, "clear glass"), f"EXPTIME {h['EXPTIME']!r} CCD-TEMP {h['CCD-TEMP']!r}")
    img = make("b.fits", "--stars", 0, *CLEAN, "--mosaic", "GBRG", "--sky-rgb", "10,20,30", "--width", 4, "--height", 4)
    report("sky of each colour", img[:2, :2].tolist() == [[20, 30], [10, 20]], str(img[:2, :2].tolist()))
    (c, _, _, _) = moments(make("b.fits", "--width", 81, "--height", 81, *CLEAN, "--mosaic", "RGGB", "--dispersion", "2,-2,90",
                                stars=[(41, 41, 1e5, 8, 0, 0, "gauss", 1, 0)])[::2, ::2])
    report("--dispersion moves red", abs(2 * c[1] - 1 - 43) < 1e-3, f"red centroid y = {2 * c[1] - 1:.4f}, expected 43")


def check_formats():
    options = ("--no-noise", "--width", 300, "--height", 200, "--seed", 5, "--sky", 40, "--pedestal", 20, "--snr", "5:30",
               "--nebula", 30, "--vignette", 0.3, "--gradient", 0.4)
    exact = make("e.fits", *options, "--bitpix", -64)
    for bits in (8, 16, 32, -32):
        for how in ("none", "gzip", "rice"):
            img = make("f.fits", *options, "--bitpix", bits, "--compress", how)
            top = {8: 255, 16: 65535}.get(bits, 1e9)
            want = np.minimum(np.floor(exact + 0.5), top) if bits > 0 else exact
            limit = 0 if bits > 0 else 1e-4 if how != "rice" else 0.5
            worst = np.abs(img.astype(float) - want).max()
            report(f"BITPIX {bits}, {how}", worst <= limit, f"worst {worst:.1e} ADU")
    corner = make("f.fits", *CLEAN, "--stars", 0, "--sky", 100, "--vignette", 0.3, "--width", 1001, "--height", 1001)
    report("vignette", abs(corner[0, 0] - 70) < 0.1 and abs(corner[500, 500] - 100) < 1e-9, f"corner {corner[0, 0]:.2f} of 100")
    img = make("f.fits", "--bitpix", -32, "--nan", 40, "--stars", 20)
    report("NaN pixels", 38 <= np.isnan(img).sum() <= 40, f"{np.isnan(img).sum()} of 40")
    img = make("f.fits", "--dead-columns", 3, "--stars", 20, "--read-noise", 0)
    report("dead columns", (img == 500).all(axis=0).sum() == 3, f"{(img == 500).all(axis=0).sum()} of 3")


TROUBLE = ("--hot", 60, "--cosmics", 40, "--trails", 1, "--galaxies", 20, "--blends", 15, "--saturated", 6, "--stars", 300)


def check_determinism():
    def bytes_of(name):
        with open(path(name), "rb") as f:
            return f.read()

    for extra in (("--bitpix", 16), ("--bitpix", -32, "--compress", "rice")):
        make("d1.fits", "--truth", path("d1.csv"), *TROUBLE, *extra)
        time.sleep(1.1)
        make("d2.fits", "--truth", path("d2.csv"), *TROUBLE, *extra)
        report(f"same options, same bytes {extra}", bytes_of("d1.fits") == bytes_of("d2.fits") and
               bytes_of("d1.csv") == bytes_of("d2.csv"), f"{len(bytes_of('d1.fits'))} bytes")
    make("d2.fits", *TROUBLE, "--seed", 2)
    report("other seed, other bytes", bytes_of("d1.fits") != bytes_of("d2.fits"), "differ")
    make("d2.fits", "--truth", path("d2.csv"), "--stars", 300, "--mosaic", "RGGB", "--nebula", 0)
    keys = ("x_px", "y_px", "flux_adu")
    first, second = ([tuple(r[k] for k in keys) for r in truth_of(n)[:300]] for n in ("d1.csv", "d2.csv"))
    report("trouble and mosaic leave the stars in place", first == second, f"{len(first)} stars")


def check_labels():
    make("l.fits", "--truth", path("l.csv"), *TROUBLE)
    rows = truth_of("l.csv")
    count = {k: sum(r["class"] == k for r in rows) for k in ("star", "saturated", "blended", "edge", "hot", "cosmic", "trail", "galaxy")}
    report("classes", count["hot"] == 60 and count["cosmic"] == 40 and count["trail"] == 1 and count["galaxy"] == 20
           and count["saturated"] >= 6 and count["blended"] >= 20, str(count))
    stars = [r for r in rows if r["class"] in ("star", "saturated", "blended", "edge")]
    v = np.array([[float(r[k]) for k in ("x_px", "y_px", "flux_adu", "fwhm_major_px")] for r in stars])
    bad = 0
    for i, r in enumerate(stars):
        gap = np.hypot(*(v[:, :2] - v[i, :2]).T)
        gap[i] = np.inf
        crowded = ((gap < 4 * v[i, 3]) & (v[:, 2] > 0.05 * v[i, 2])).any()
        bad += r["isolated"] == "1" and (crowded or r["class"] != "star")
    report("isolated stars have no neighbour", bad == 0, f"{sum(r['isolated'] == '1' for r in stars)} isolated of {len(stars)}, {bad} wrong")
    img = fits.getdata(path("l.fits")).astype(float)
    seen = [img[round(float(r["y_px"])) - 1, round(float(r["x_px"])) - 1] for r in rows if r["class"] == "hot"]
    want = [min(float(r["flux_adu"]) + 900, 65535) for r in rows if r["class"] == "hot"]
    worst = max((a - b) / np.sqrt(b) for a, b in zip(seen, want))
    low = min((a - b) / np.sqrt(b) for a, b in zip(seen, want))
    report("hot pixels where the truth says", low > -5, f"{low:+.1f} to {worst:+.1f} sigma (stars may lie under them)")
    clip = [img[round(float(r["y_px"])) - 1, round(float(r["x_px"])) - 1] for r in rows if r["class"] == "saturated"]
    report("saturated stars are clipped", min(clip) > 65000, f"lowest centre {min(clip):.0f}")


def check_refusals():
    bad = [(), ("--bitpix", "12"), ("--width", "0"), ("--fwhm", "nan"), ("--fwhm", "3:2"), ("--snr", "12px"), ("--beta", "1"),
           ("--nan", "3"), ("--mosaic", "RGBG"), ("--header", "LONGKEYWORD=1"), ("--list", path("none.txt")), ("--ecc", "1"),
           ("--sky", "0", "--read-noise", "0"), ("--stretch", "0.9,0", "--ecc", "0.9", "--angle", "0"), ("extra",), ("--wrong",)]
    for options in bad:
        out = () if options == () else ("--out", path("r.fits"))
        r = subprocess.run([MKFRAME, *out, *options], capture_output=True, text=True)
        name = " ".join(options).replace(HERE + "/", "") or "no --out"
        report(f"refused: {name}", r.returncode == 2 and r.stderr.count("\n") == 1 and not r.stdout,
               r.stderr.strip().replace(HERE + "/", "") or "silence")
    r = subprocess.run([MKFRAME, "--out", path("no/such/dir.fits")], capture_output=True, text=True)
    report("refused: no such directory", r.returncode == 2, r.stderr.strip().replace(HERE + "/", ""))
    r = subprocess.run([MKFRAME, "--help"], capture_output=True, text=True)
    report("--help", r.returncode == 0 and "--turning" in r.stdout and not r.stderr, f"{len(r.stdout.splitlines())} lines")


def check_speed():
    start = time.monotonic()
    subprocess.run([MKFRAME, "--out", path("big.fits"), "--truth", path("big.csv"), "--width", "9576", "--height", "6388",
                    "--stars", "4000", "--beta", "2.5:5", "--fwhm", "2:4", "--ecc", "0:0.6", "--snr", "10:1000"], check=True)
    took = time.monotonic() - start
    report("9576 x 6388 with 4000 stars", took < 8, f"{took:.2f} s (limit 8 s)")
    os.unlink(path("big.fits"))


def main():
    global MKFRAME, HERE
    if len(sys.argv) != 2 or not os.access(sys.argv[1], os.X_OK):
        sys.exit("usage: check_mkframe.py MKFRAME (the program built from mkframe*.c)")
    MKFRAME = os.path.abspath(sys.argv[1])
    with tempfile.TemporaryDirectory() as HERE:
        for check in (check_profiles, check_noise, check_snr, check_moments, check_third_moments, check_patterns,
                      check_mosaic, check_formats, check_determinism, check_labels, check_refusals, check_speed):
            check()
    print(f"{COUNT[True]} passed, {COUNT[False]} failed")
    return 1 if COUNT[False] else 0


if __name__ == "__main__":
    sys.exit(main())
