#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Series of frames through focus whose truth is known, for the judge of plumb-sweep.

usage: sweepframes.py [--quick]     tests itself: against waves.py star by star

Nothing here comes from lib/. A star's image is waves.py's: diffraction at the defocus the star has where it
stands, long-exposure Kolmogorov air, tracking, the pixel. So that thousands of stars take seconds, its
transform is kept for defoci 4 um apart and interpolated with four of them (cubic); air, tracking, pixel and the
star's place are factors on it. The window is 64 px; what would lie outside is folded back into it.

Conventions are DESIGN's: S(x, y) = tilt_x x + tilt_y y + curvature (r / half diagonal)^2 um at the sensor, x and
y in mm from the frame's middle; a sensor at z has a defocus of z - S; positive is too far out."""
import os
import sys
from dataclasses import dataclass, field

sys.dont_write_bytecode = True
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402
from scipy import fft  # noqa: E402
from waves import COLOURS, KOLMOGOROV, Blur, Camera, Frame, Scope  # noqa: E402

WINDOW, GRID, STEP_UM = 64, 128, 4.0
LIGHT_UM, REACH_UM = 0.55, 260.0
SCOPE = Scope(obstruction=0.35)
START = np.datetime64("2026-01-15T21:30:00")


class Through:
    """Transforms of a star's image at all defoci within reach, for one wavelength. astigmatism: Noll's terms 5 and
    6, um RMS; without, the image is the same on both sides of focus."""

    def __init__(self, scope, light_um, reach_um, astigmatism=(0.0, 0.0)):
        cam = Camera(scope, ((light_um, 1.0),), WINDOW)
        cam = Camera(scope, ((light_um, 1.0),), WINDOW, fine=2 * WINDOW * cam.over)
        row = np.r_[0:GRID // 2, -GRID // 2:0] * 2
        self.scope, self.light, self.reach = scope, light_um, reach_um
        self.twofold, (a5, a6), most = not any(astigmatism), astigmatism, np.ceil(reach_um / STEP_UM) + 2
        self.first = 0 if self.twofold else -most
        self.nodes = np.array([cam.spectrum(light_um, {4: scope.defocus(k * STEP_UM), 5: a5, 6: a6})[row, :GRID + 1:2].real
                               for k in np.arange(self.first, most + 1)])
        self.fy = fft.fftfreq(GRID, 0.5)[:, None]  # cycles / px
        self.fx = fft.rfftfreq(GRID, 0.5)[None, :]

    def passes(self, seeing_px, trail_px=(0.0, 0.0), trail_deg=0.0):
        """Air (its FWHM at LIGHT_UM), tracking (sigmas), pixel."""
        width = seeing_px * (self.light / LIGHT_UM) ** -0.2
        a = np.radians(trail_deg)
        u, v = self.fx * np.cos(a) + self.fy * np.sin(a), self.fy * np.cos(a) - self.fx * np.sin(a)
        return (np.exp(-3.44 * (np.hypot(self.fx, self.fy) * width / KOLMOGOROV) ** (5 / 3)
                       - 2 * np.pi ** 2 * ((u * trail_px[0]) ** 2 + (v * trail_px[1]) ** 2))
                * np.sinc(self.fx) * np.sinc(self.fy))

    def smear(self, sigma_px, deg):
        """Tracking along one axis."""
        a = np.radians(deg)
        return np.exp(-2 * np.pi ** 2 * ((self.fx * np.cos(a) + self.fy * np.sin(a)) * sigma_px) ** 2)

    def stars(self, z_um, x, y, passes):
        """Unit stars at (x, y) from their stamp's first pixel: [n][WINDOW][WINDOW]."""
        at = (np.abs(z_um) if self.twofold else z_um) / STEP_UM - self.first
        k = np.floor(at).astype(int)
        if k.max(initial=0) + 2 >= len(self.nodes) or not self.twofold and k.min(initial=1) < 1:
            raise ValueError(f"defocus beyond {self.reach} um")
        t = at - k
        weights = (-t * (t - 1) * (t - 2) / 6, (t + 1) * (t - 1) * (t - 2) / 2, -(t + 1) * t * (t - 2) / 2, (t + 1) * t * (t - 1) / 6)
        spectrum = sum(w[:, None, None] * self.nodes[np.abs(k + d)] for d, w in zip((-1, 0, 1, 2), weights)) * passes
        spectrum = spectrum * np.exp(-2j * np.pi * self.fy[None] * y[:, None, None]) * np.exp(-2j * np.pi * self.fx[None] * x[:, None, None])
        return 4 * fft.irfft2(spectrum, s=(GRID, GRID))[:, ::2, ::2]


@dataclass
class Series:
    """A series and its truth. steps: the focuser's numbers, in the order of the exposures."""
    steps: np.ndarray
    best_steps: float
    step_um: float = 4.0            # drawtube travel
    outward: int = 1
    mirror_focal_mm: float = SCOPE.focal_mm
    backlash_um: float = 0.0        # drawtube; while the numbers fall it stands so much further out
    tilt: tuple = (0.0, 0.0)        # um / mm
    curvature: float = 0.0          # um
    seeing: float = 2.5             # arcsec
    seeing_scatter: float = 0.08    # log-normal
    stars: int = 300
    size: tuple = (1600, 1100)
    mosaic: str = ""
    colour_um: dict = field(default_factory=dict)  # best focus of a colour less green's
    cloud: tuple = ()               # frames under cloud
    trailed: tuple = ()             # frames with a tracking error
    astigmatism_nm: float = 0.0     # RMS over the full disc
    astigmatism_deg: float = 0.0    # along which stars outside focus are stretched
    shake_px: float = 0.0           # RMS of each frame's own smear, along a random axis
    smear_px: tuple = (0.0, 0.0)    # of all frames alike: sigma and direction in degrees
    positions: bool = True          # in the headers
    dither_px: float = 4.0
    drift_px: float = 0.5           # a frame
    turn_deg: float = 0.02          # a frame
    flux: tuple = (4e3, 2.5e5)      # ADU, as many to each octave
    seed: int = 1

    def __post_init__(self):
        rng = np.random.default_rng([self.seed, 1])
        n = len(self.steps)
        self.steps = np.asarray(self.steps, float)
        self.air = self.seeing * np.exp(self.seeing_scatter * rng.standard_normal(n))
        self.shift = rng.normal(0, self.dither_px, (n, 2)) + self.drift_px * np.arange(n)[:, None] * [1, -0.6]
        self.x, self.y = self._scatter_stars(rng)
        self.light = np.exp(rng.uniform(*np.log(self.flux), len(self.x)))
        self.tint = rng.choice(2, len(self.x))
        self.shake, self.shake_deg = self.shake_px * np.abs(rng.standard_normal(n)), rng.uniform(0, 180, n)

    def _scatter_stars(self, rng, apart=18.0):
        """Places from the middle of the field, no two closer than `apart`."""
        half, found = np.array(self.size) / 2 + 20, np.empty((0, 2))
        while len(found) < self.stars:
            p = rng.uniform(-half, half)
            if not len(found) or np.hypot(*(found - p).T).min() > apart:
                found = np.vstack([found, p])
        return found.T

    @property
    def drawtube_um(self):
        """Where the drawtube stands, from best focus, + = out."""
        back = np.r_[False, np.diff(self.steps) < 0]
        back[0] = len(back) > 1 and back[1]
        return self.outward * (self.steps - self.best_steps) * self.step_um + self.outward * back * self.backlash_um

    @property
    def terms_um(self):
        """Noll's 5 and 6: W = a6 sqrt(6) rho^2 cos 2 theta is high along x."""
        a = np.radians(2 * self.astigmatism_deg)
        return self.astigmatism_nm * 1e-3 * np.sin(a), self.astigmatism_nm * 1e-3 * np.cos(a)

    @property
    def lines_um(self):
        """Between the focal lines: along an axis W020 is more by sqrt(6) a, across it less, and defocus is 8 N^2 W020."""
        return 16 * np.sqrt(6) * SCOPE.ratio ** 2 * self.astigmatism_nm * 1e-3

    @property
    def defocus_um(self):
        """Of the sensor's middle, at the sensor."""
        return self.drawtube_um * (SCOPE.focal_mm / self.mirror_focal_mm) ** 2

    @property
    def mm(self):
        return np.array(self.size) * SCOPE.pixel_um * 1e-3

    @property
    def across_um(self):
        return np.abs(self.tilt) @ self.mm

    def surface(self, x, y):
        """S at pixels counted from 0."""
        px = SCOPE.pixel_um * 1e-3
        u, v = (x - (self.size[0] - 1) / 2) * px, (y - (self.size[1] - 1) / 2) * px
        return self.tilt[0] * u + self.tilt[1] * v + self.curvature * (u * u + v * v) / (self.mm @ self.mm / 4)

    def places(self, k):
        """Pixels of the stars in frame k, counted from 0."""
        a = np.radians(self.turn_deg * k)
        x, y = self.x * np.cos(a) - self.y * np.sin(a), self.x * np.sin(a) + self.y * np.cos(a)
        return x + (self.size[0] - 1) / 2 + self.shift[k, 0], y + (self.size[1] - 1) / 2 + self.shift[k, 1]

    def render(self, k):
        x, y = self.places(k)
        inside = (x > -8) & (y > -8) & (x < self.size[0] + 7) & (y < self.size[1] + 7)
        x, y, light, tint = x[inside], y[inside], self.light[inside], self.tint[inside]
        cloud, trail = k in self.cloud, (2.2, 0.0) if k in self.trailed else (0.0, 0.0)
        frame = Frame(*self.size, sky_adu=900.0 if cloud else 400.0, gradient_adu=(30.0, 20.0), mosaic=self.mosaic or None)
        seeing_px = SCOPE.on_sensor(self.air[k]) / SCOPE.pixel_um
        x0, y0 = np.floor(x).astype(int) - WINDOW // 2, np.floor(y).astype(int) - WINDOW // 2
        z = self.defocus_um[k] - self.surface(x, y)
        grid = through_focus(LIGHT_UM, astigmatism=self.terms_um)
        smear = grid.smear(self.shake[k], self.shake_deg[k]) * grid.smear(*self.smear_px)
        for part in np.array_split(np.arange(len(x)), max(1, len(x) // 40)):
            made = {}
            for colour, light_um in (COLOURS if self.mosaic else {"": LIGHT_UM}).items():
                through = through_focus(light_um, astigmatism=self.terms_um)
                made[colour] = through.stars(z[part] - self.colour_um.get(colour, 0.0), x[part] - x0[part], y[part] - y0[part],
                                             through.passes(seeing_px, trail, 35.0) * smear)
            for i, j in enumerate(part):
                stamp = {c: v[i] for c, v in made.items()} if self.mosaic else made[""][i]
                frame.add(stamp, x0[j], y0[j], light[j] * (0.12 if cloud else 1.0),
                          ({"R": 1.3, "G": 1.0, "B": 0.6} if tint[j] else {"R": 0.7, "G": 1.0, "B": 0.9}) if self.mosaic else None)
        return frame

    def cards(self, k):
        date = START + np.timedelta64(30 * k, "s")
        cards = {"DATE_OBS": str(date), "XBINNING": 1, "YBINNING": 1, "FOCUSTEM": 8.0}
        if self.positions:
            cards["FOCUSPOS"] = float(self.steps[k]) if self.steps[k] % 1 else int(self.steps[k])
        return cards

    def write(self, path_of, only=None):
        """path_of(k): where frame k goes. only: frames to write anew. Gives the paths."""
        paths = [path_of(k) for k in range(len(self.steps))]
        for k in range(len(paths)) if only is None else only:
            self.render(k).write(paths[k], self.seed * 1000 + k, SCOPE, exposure_s=20.0, **self.cards(k))
        return paths


_through = {}


def through_focus(light_um, reach_um=REACH_UM, astigmatism=(0.0, 0.0)):
    if (light_um, astigmatism) not in _through:
        _through[light_um, astigmatism] = Through(SCOPE, light_um, reach_um, astigmatism)
    return _through[light_um, astigmatism]


def profile(series, **said):
    """Text of a profile that tells the truth, unless `said` differs."""
    told = dict(pixel_um=SCOPE.pixel_um, aperture_mm=SCOPE.aperture_mm, focal_mm=SCOPE.focal_mm, mirror_focal_mm=series.mirror_focal_mm,
                obstruction=SCOPE.obstruction, step_um=series.step_um, outward=series.outward)
    told.update(said)
    sections = {"scope": ("aperture_mm", "focal_mm", "mirror_focal_mm", "obstruction"), "camera": ("pixel_um",),
                "focuser": ("step_um", "outward", "um_per_turn")}
    return "".join(f"[{name}]\n" + "".join(f"{k} = {told[k]}\n" for k in keys if told.get(k) is not None)
                   for name, keys in sections.items()) + "carries = corrector\n"


def main():
    """Stars by interpolation against waves.py's own, twice as fine."""
    import common
    c, rng, worst, quick = common.Checks(), np.random.default_rng(5), 0.0, "--quick" in sys.argv[1:]
    through = through_focus(LIGHT_UM, 100.0 if quick else REACH_UM)
    cam = Camera(SCOPE, ((LIGHT_UM, 1.0),), 2 * WINDOW, fine=1280 if quick else 2560)
    for z in (1.7, -97.7) if quick else (0.0, 1.7, -13.9, 46.2, -97.7, 158.1):
        seeing, trail, (x, y) = rng.uniform(1.5, 4), rng.uniform(0, 2, 2), rng.uniform(31, 33, 2)
        want = cam.star({4: SCOPE.defocus(z)}, x + 32, y + 32, Blur(SCOPE.on_sensor(seeing), tuple(trail * SCOPE.pixel_um), 35.0))
        got = through.stars(np.array([z]), np.array([x]), np.array([y]),
                            through.passes(SCOPE.on_sensor(seeing) / SCOPE.pixel_um, trail, 35.0))[0]
        off = np.linalg.norm(got - want[32:-32, 32:-32]) / np.linalg.norm(want)
        worst = max(worst, off)
        c.say(f"defocus {z:+.1f} um, seeing {seeing:.2f}\": relative L2 {off:.1e}, light {got.sum():.5f}")
    terms = (0.018, -0.012)
    through = Through(SCOPE, LIGHT_UM, 60.0, terms)
    for z in (-37.7, 21.1):
        want = cam.star({4: SCOPE.defocus(z), 5: terms[0], 6: terms[1]}, 63.8, 64.3, Blur(SCOPE.on_sensor(2.0)))
        got = through.stars(np.array([z]), np.array([31.8]), np.array([32.3]), through.passes(SCOPE.on_sensor(2.0) / SCOPE.pixel_um))[0]
        worst = max(worst, np.linalg.norm(got - want[32:-32, 32:-32]) / np.linalg.norm(want))
    c.below("interpolated stars against waves.py, relative L2, the worst", worst, 2e-3, "the window's fold", ".1e")
    return c.finish()


if __name__ == "__main__":
    sys.exit(main())
