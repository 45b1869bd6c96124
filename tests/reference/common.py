# SPDX-License-Identifier: GPL-3.0-or-later
"""What the reference tests share: making frames, measuring them with the built program, matching
with the truth, an independent profile, and counting checks.

Nothing here comes from lib/: the program is run as a user runs it, and the profile is rebuilt from
its definition (half the peak on the half-maximum ellipse, unit integral), integrated over pixels by
numpy's Gauss-Legendre points."""
import atexit
import csv
import json
import os
import shutil
import subprocess
import sys
import tempfile
import warnings
from concurrent.futures import ThreadPoolExecutor

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # two cases side by side; not each on all processors

import numpy as np  # noqa: E402
from astropy.io import fits  # noqa: E402
from astropy.utils.exceptions import AstropyWarning  # noqa: E402
from scipy.optimize import least_squares  # noqa: E402
from scipy.spatial import cKDTree  # noqa: E402

SIGMA = 2.0 * np.sqrt(2.0 * np.log(2.0))  # FWHM of a Gaussian in sigma
SHAPED = ("star",)
KEPT = ("star", "faint")  # taken for a star; faint ones have no shape
AT_ONCE = min(2, os.cpu_count() or 1)


class Checks:
    """One line per check; the last line counts them."""

    def __init__(self):
        self.passed = self.failed = self.skipped = 0

    def check(self, name, good, value, limit):
        """`limit` says in words what was wanted and where it comes from."""
        good = bool(good)
        self.passed += good
        self.failed += not good
        print(f"{'ok  ' if good else 'FAIL'} {name}: {value} (limit {limit})", flush=True)

    def below(self, name, value, limit, source="", form=".3f"):
        """Passes when value is a number not above limit."""
        self.check(name, value <= limit, format(value, form), f"{limit:g}{', ' + source if source else ''}")

    def above(self, name, value, limit, source="", form=".3f"):
        self.check(name, value >= limit, format(value, form), f"at least {limit:g}{', ' + source if source else ''}")

    def within(self, name, value, lo, hi, source="", form=".3f"):
        self.check(name, lo <= value <= hi, format(value, form), f"{lo:g} to {hi:g}{', ' + source if source else ''}")

    def say(self, text):
        print(f"     {text}", flush=True)

    def skip(self, name, why):
        self.skipped += 1
        print(f"skip {name}: skipped: {why}", flush=True)

    def finish(self):
        print(f"{self.passed} passed, {self.failed} failed, {self.skipped} skipped")
        return 1 if self.failed else 0


class Bench:
    """The built programs and a directory of its own."""

    def __init__(self, build):
        self.build = os.path.abspath(build)
        self.field = os.path.abspath(os.path.join(build, "plumb-field"))
        self.mkframe = os.path.abspath(os.path.join(build, "tests", "mkframe"))
        for program in (self.field, self.mkframe):
            if not os.access(program, os.X_OK):
                sys.exit(f"{program} is not built")
        self.dir = tempfile.mkdtemp(prefix="plumb-reference-")
        atexit.register(shutil.rmtree, self.dir, ignore_errors=True)

    def path(self, name):
        return os.path.join(self.dir, name)

    def make(self, name, *options, truth=True):
        """A frame by mkframe. Gives its path and the truth as a dict of arrays."""
        frame, table = self.path(name + ".fits"), self.path(name + ".csv")
        command = [self.mkframe, "--out", frame, *(["--truth", table] if truth else []), *[str(o) for o in options]]
        subprocess.run(command, check=True)
        return frame, read_truth(table) if truth else None

    def measure(self, frame, *options):
        """plumb-field on one frame. Gives its JSON (None when it could not measure) and its stderr."""
        command = [self.field, "--json", "--stars", "--best", "0", "--jobs", "1", *[str(o) for o in options], frame]
        run = subprocess.run(command, capture_output=True, text=True)
        if run.returncode not in (0, 1, 2):
            raise RuntimeError(f"{' '.join(command)}: exit {run.returncode}: {run.stderr}")
        return (json.loads(run.stdout) if run.returncode < 2 else None), run.stderr.strip()


def arguments(usage):
    """BUILD [--quick]. Gives (Bench, quick)."""
    words = [w for w in sys.argv[1:] if w != "--quick"]
    if len(words) != 1:
        sys.exit(f"usage: {usage}")
    return Bench(words[0]), "--quick" in sys.argv[1:]


def side_by_side(work, cases):
    """work(case) for each case, some at once; results in order."""
    with ThreadPoolExecutor(AT_ONCE) as crew:
        return list(crew.map(work, cases))


def read_truth(table):
    with open(table) as f:
        rows = list(csv.DictReader(f))
    names = rows[0].keys() if rows else ()
    return {n: np.array([r[n] for r in rows]) if n == "class" else np.array([float(r[n]) for r in rows]) for n in names}


def read_image(frame):
    """Pixels of the first image, as float64, NaN where blank."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", AstropyWarning)  # odd cards in real headers are not at issue here
        with fits.open(frame) as hdus:
            return next(np.array(h.data, dtype=float) for h in hdus if getattr(h, "data", None) is not None and h.is_image)


def columns(stars):
    """The stars of a JSON answer as a dict of arrays, null as NaN."""
    names = stars[0].keys() if stars else ()
    return {n: np.array([s[n] for s in stars]) if n == "flags" else
            np.array([np.nan if s[n] is None else s[n] for s in stars], dtype=float) for n in names}


def rows(table, keep):
    return {n: v[keep] for n, v in table.items()}


def match(x1, y1, x2, y2, radius):
    """For each point of the first list the index of its nearest in the second, or -1; mutual."""
    out = np.full(len(x1), -1)
    if len(x1) == 0 or len(x2) == 0:
        return out
    a, b = np.column_stack([x1, y1]), np.column_stack([x2, y2])
    near, back = cKDTree(b).query(a), cKDTree(a).query(b)[1]
    good = (near[0] <= radius) & (back[near[1]] == np.arange(len(a)))
    out[good] = near[1][good]
    return out


def mad_width(v):
    """Robust width: 1.4826 times the median of |v - median v|, one for a unit normal."""
    return 1.4826 * np.median(np.abs(v - np.median(v)))


# ---- the profile, from its definition

def offsets(minor):
    """Quadrature points for one pixel: abscissae and weights on [-1/2, 1/2]; more where the star is narrow."""
    x, w = np.polynomial.legendre.leggauss(8 if minor < 1.6 else 6 if minor < 2.5 else 4 if minor < 5 else 3)
    return x / 2, w / 2


def unit_star(x, y, size, eta1, eta2, beta, px, py, rule):
    """Light of a star of unit flux on the pixels px, py (arrays of pixel centres).

    Half axes at half the peak are exp(size +- eta), the major one at half the angle of (eta1, eta2);
    infinite beta is a Gaussian. f = norm (1 + k u)^-beta, u = 1 on that ellipse, k = 2^(1/beta) - 1."""
    eta, turn = np.hypot(eta1, eta2), 0.5 * np.arctan2(eta2, eta1)
    a, b, c, s = np.exp(size + eta), np.exp(size - eta), np.cos(turn), np.sin(turn)
    node, weight = rule
    axx, ayy, axy = (c / a) ** 2 + (s / b) ** 2, (s / a) ** 2 + (c / b) ** 2, 2 * c * s * (a ** -2 - b ** -2)
    total = np.zeros(np.shape(px))
    for dy, wy in zip(node, weight):
        v = py + dy - y
        for dx, wx in zip(node, weight):
            u = px + dx - x
            q = u * (axx * u + axy * v) + ayy * v * v
            total += wx * wy * (np.exp2(-q) if np.isinf(beta) else np.exp(-beta * np.log1p((2 ** (1 / beta) - 1) * q)))
    if np.isinf(beta):
        return total * np.log(2) / (np.pi * a * b)
    return total * (beta - 1) * (2 ** (1 / beta) - 1) / (np.pi * a * b)


def profile_snr(truth, var):
    """Flux over its error when place and shape are known, in noise of variance `var` a pixel (ADU^2):
    F sqrt(sum p^2) / sqrt(var), p the pixel-integrated profile; plumb.h's snr less the star's own
    photons. A Gaussian of 2 px and more has the frame maker's SNR; a Moffat has less (0.72 of it at
    beta 2.5), and so has a star not much wider than a pixel."""
    kinds = {}
    out = np.zeros(len(truth["snr"]))
    for i, (x, y, flux, beta, major, minor, angle) in enumerate(zip(*(truth[n] for n in (
            "x_px", "y_px", "flux_adu", "beta", "fwhm_major_px", "fwhm_minor_px", "angle_deg")))):
        fx, fy = np.floor(4 * (x % 1)) / 4 + 0.125, np.floor(4 * (y % 1)) / 4 + 0.125  # place in the pixel, to 1/8
        key = (fx, fy, beta, major, minor, angle)
        if key not in kinds:
            px, py = disc(fx, fy, max(5.0, 4 * major))
            p = unit_star(fx, fy, 0.5 * np.log(major * minor) - np.log(2), *eta_of(major, minor, angle), beta, px, py,
                          offsets(minor))
            kinds[key] = np.sqrt((p ** 2).sum())
        out[i] = flux * kinds[key] / np.sqrt(var)
    return out


def eta_of(major, minor, angle_deg):
    eta, a = 0.5 * np.log(major / minor), np.radians(2 * angle_deg)
    return eta * np.cos(a), eta * np.sin(a)


def disc(x, y, radius):
    """Centres of the pixels within radius of the pixel that holds (x, y), and that pixel."""
    cx, cy, r = int(np.rint(x)), int(np.rint(y)), int(np.ceil(radius))
    py, px = np.mgrid[cy - r:cy + r + 1, cx - r:cx + r + 1]
    inside = np.hypot(px - x, py - y) <= radius
    return px[inside].astype(float), py[inside].astype(float)


def slopes(shape, beta, px, py, rule):
    """Unit-flux model and its derivatives by (x, y, size, eta1, eta2), central differences."""
    out = [unit_star(*shape, beta, px, py, rule)]
    for j in range(5):
        step = np.zeros(5)
        step[j] = 1e-4
        out.append((unit_star(*(shape + step), beta, px, py, rule) - unit_star(*(shape - step), beta, px, py, rule)) / 2e-4)
    return np.array(out)


def bound(parts, flux, var, gain):
    """Cramer-Rao: inverse Fisher matrix of (flux, x, y, size, eta1, eta2, sky); beta fixed.

    parts: slopes(); var: a pixel of empty sky, ADU^2; the star's own photons add flux/gain.
    The term from the variance's own dependence on the model is left out, as it is of order one
    electron per pixel against the signal (Winick 1986, from memory)."""
    g = np.vstack([parts[:1], flux * parts[1:], np.ones((1, parts.shape[1]))])
    return np.linalg.inv((g / (var + flux * parts[0] / gain)) @ g.T)


def fit_star(image, x, y, fwhm, beta, radius, gain, use=None):
    """scipy's fit of the pixel-integrated profile, beta fixed; image in 0-based rows and columns.

    Gives (x, y, fwhm, major, minor, angle_deg, flux, sky) or None. Weights: empty sky from the
    pixels' own scatter beyond the star, and the model's photons; taken anew once."""
    px, py = disc(x, y, radius)
    inside = (px >= 0) & (py >= 0) & (px < image.shape[1]) & (py < image.shape[0])
    px, py = px[inside], py[inside]
    at = py.astype(int), px.astype(int)
    data = image[at].astype(float)
    good = np.isfinite(data) & (use[at] if use is not None else True)
    px, py, data = px[good], py[good], data[good]
    far = np.hypot(px - x, py - y) > 0.75 * radius
    if far.sum() < 12 or len(data) < 30:
        return None
    sky, noise = np.median(data[far]), mad_width(data[far])
    core = np.hypot(px - x, py - y) < fwhm
    near = np.hypot(px - x, py - y) < 1.5 * fwhm + 1  # further out the profile is smooth: two points do
    fine, coarse = offsets(max(1.2, 0.8 * fwhm)), tuple(v / n for v, n in zip(np.polynomial.legendre.leggauss(2), (2, 2)))
    p = np.array([max((data - sky)[core].sum() * 1.3, 10 * noise), x, y, np.log(fwhm / 2), 0.02, 0.01, sky])
    scale = np.array([p[0], 1, 1, 1, 1, 1, max(noise, 1e-9)])
    weight = 1 / np.full(len(data), max(noise, 1e-9))

    def star(v):
        out = np.empty(len(data))
        for part, rule in ((near, fine), (~near, coarse)):
            out[part] = unit_star(*v[1:6], beta, px[part], py[part], rule)
        return v[0] * out

    def rest(q):
        return (data - q[6] * scale[6] - star(q * scale)) * weight

    for _ in range(3):
        try:
            answer = least_squares(rest, p / scale, method="lm", max_nfev=400)
        except ValueError:
            return None
        p = answer.x * scale
        weight = 1 / np.sqrt(max(noise, 1e-9) ** 2 + np.maximum(star(p), 0) / gain)
    if not answer.success or not p[0] > 0:
        return None
    eta, width = np.hypot(p[4], p[5]), 2 * np.exp(p[3])
    return p[1], p[2], width, width * np.exp(eta), width * np.exp(-eta), np.degrees(np.arctan2(p[5], p[4])) / 2 % 180, p[0], p[6]
