#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""An independent star image in numpy, the judge of plumb's optics and of plumb-donut.

usage: waves.py [--quick]     tests itself: against rays, closed forms, the air's statistics

Nothing here comes from lib/. Physics: Noll 1976 (Zernike), Fried 1966 (long-exposure air), Lane et al.
1992 (subharmonics of a phase screen; from memory). Conventions are DESIGN's: pupil axes as a donut
outside focus shows them, ray shift at the sensor = +2N grad W (gradient per pupil radius), so positive
a4 is a sensor too far out, positive a2 moves the star to +x, positive a8 flares to +x.

How an image is made: E(p) = P(p) exp(2 pi i W / lambda) on a square grid of pupil cells, its Fourier
transform at s is the field at the sensor (kernel exp(-2 pi i s.p / (2 N lambda))), its square the
image on fine pixels `over` to a sensor pixel, fine enough for the intensity (pitch <= lambda N / 2).
Air, jitter, the pixel and the star's place are factors on the image's own transform. The one free
number is the count of fine pixels a side: it is the size of the periodic window and, by the transform,
the fineness of the pupil's cells; doubling it shows what both cost (psf.py does)."""
import os
import sys
from dataclasses import dataclass, field
from math import factorial

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402
from astropy.io import fits  # noqa: E402
from scipy import fft  # noqa: E402

ARCSEC = np.pi / 648000
KOLMOGOROV = 0.976  # FWHM in lambda / r0
COLOURS = {"R": 0.61, "G": 0.53, "B": 0.46}  # um, middles of the three pass bands, chosen


# ---- Zernike polynomials, from Noll's definition

def noll(j):
    """(n, m) of Noll's j; m > 0: cosine, m < 0: sine."""
    n = 0
    while (n + 1) * (n + 2) // 2 < j:
        n += 1
    k = j - n * (n + 1) // 2  # 1 .. n + 1 within the order
    m = 2 * (k // 2) if n % 2 == 0 else 2 * ((k - 1) // 2) + 1
    return n, m if j % 2 == 0 else -m


def zernike(j, x, y):
    """Z_j, RMS 1 over the full disc."""
    n, m = noll(j)
    r, a, am = np.hypot(x, y), np.arctan2(y, x), abs(m)
    radial = sum((-1) ** s * factorial(n - s) / (factorial(s) * factorial((n + am) // 2 - s) * factorial((n - am) // 2 - s))
                 * r ** (n - 2 * s) for s in range((n - am) // 2 + 1))
    if m == 0:
        return np.sqrt(n + 1) * radial
    return np.sqrt(2 * (n + 1)) * radial * (np.cos(am * a) if m > 0 else np.sin(am * a))


def wave(terms, x, y):
    """Wavefront in um of {j: um RMS}."""
    return sum((c * zernike(j, x, y) for j, c in terms.items() if c), np.zeros(np.shape(x)))


# ---- the telescope

@dataclass(frozen=True)
class Scope:
    """Lengths in the pupil in pupil radii. Vanes hold the secondary: they start at its shadow's centre."""
    aperture_mm: float = 280.0
    focal_mm: float = 870.0
    obstruction: float = 0.33
    shadow: tuple = (0.0, 0.0)
    vanes: int = 0
    vane_width: float = 0.0
    vane_deg: float = 0.0
    pixel_um: float = 3.76

    @property
    def ratio(self):
        return self.focal_mm / self.aperture_mm

    def defocus(self, um):
        """a4 in um RMS of a sensor so far out: W020 = defocus / (8 N^2) = 2 sqrt(3) a4."""
        return um / (16 * np.sqrt(3) * self.ratio ** 2)

    def on_sensor(self, arcsec):
        """An angle on the sky as a length at the sensor."""
        return arcsec * ARCSEC * self.focal_mm * 1e3

    def open_at(self, x, y):
        """Where the pupil lets light through."""
        out = (np.hypot(x, y) <= 1) & (np.hypot(x - self.shadow[0], y - self.shadow[1]) >= self.obstruction)
        for along, across in self._vanes(x, y):
            out &= ~((along >= 0) & (np.abs(across) <= self.vane_width / 2))
        return out

    def near_edge(self, x, y, reach):
        """Where an edge may lie within reach."""
        out = np.abs(np.hypot(x, y) - 1) < reach
        if self.obstruction > 0:
            out |= np.abs(np.hypot(x - self.shadow[0], y - self.shadow[1]) - self.obstruction) < reach
        for along, across in self._vanes(x, y):
            out |= (along > -reach) & (np.abs(np.abs(across) - self.vane_width / 2) < reach)
        return out

    def _vanes(self, x, y):
        for k in range(self.vanes):
            a = np.radians(self.vane_deg + 360.0 * k / self.vanes)
            u, v = x - self.shadow[0], y - self.shadow[1]
            yield u * np.cos(a) + v * np.sin(a), v * np.cos(a) - u * np.sin(a)


class Pupil:
    """Cells of pitch `cell` round the pupil: x, y where the light of each cell has its middle, and the
    open share of each. Cells cut by an edge are cut into parts x parts."""

    def __init__(self, scope, cell, parts=12):
        half = int(np.ceil(1 / cell)) + 1
        self.half, self.cell = half, cell
        line = np.arange(-half, half + 1) * cell
        self.x, self.y = np.meshgrid(line, line)
        self.share = scope.open_at(self.x, self.y).astype(float)
        cut = np.nonzero(scope.near_edge(self.x, self.y, 0.75 * cell))
        inner = ((np.arange(parts) + 0.5) / parts - 0.5) * cell
        dx, dy = (v.ravel() for v in np.meshgrid(inner, inner))
        for part in np.array_split(np.arange(len(cut[0])), max(1, len(cut[0]) // 4000)):
            at = cut[0][part], cut[1][part]
            px, py = self.x[at][:, None] + dx, self.y[at][:, None] + dy
            lit = scope.open_at(px, py)
            count = lit.sum(axis=1)
            some = np.maximum(count, 1)
            self.share[at] = count / parts ** 2
            self.x[at] = np.where(count > 0, (px * lit).sum(axis=1) / some, self.x[at])
            self.y[at] = np.where(count > 0, (py * lit).sum(axis=1) / some, self.y[at])

    def on_grid(self, phase, n):
        """The pupil's field, centred on cell (0, 0) of an n x n grid in FFT order. Unit power by the open
        area: a cut cell's share stands for light that also falls outside the window."""
        grid = np.zeros((n, n), np.result_type(phase.dtype, np.complex64))
        h = self.half
        block = (self.share / np.sqrt(self.share.sum())).astype(phase.dtype) * np.exp(np.complex64(1j) * phase)
        at = np.arange(-h, h + 1)
        grid[np.ix_(at, at)] = block
        return grid


# ---- the image

@dataclass(frozen=True)
class Blur:
    """Seeing: FWHM of the long exposure at the first wavelength, um; jitter: sigmas, um."""
    seeing_um: float = 0.0
    jitter_um: tuple = (0.0, 0.0)
    jitter_deg: float = 0.0
    pixel: bool = True


@dataclass
class Camera:
    """A square of size x size pixels, and how finely it is computed."""
    scope: Scope
    lights: tuple = ((0.55, 1.0),)  # (um, weight)
    size: int = 64
    fine: int = 0                   # fine pixels a side; 0: about three times the image
    pupils: dict = field(default_factory=dict, repr=False)

    def __post_init__(self):
        shortest = min(v for v, _ in self.lights)
        self.over = int(np.ceil(self.scope.pixel_um / (shortest * self.scope.ratio / 2)))
        if not self.fine:
            self.fine = fft.next_fast_len(3 * self.size * self.over)
        self.fine += -self.fine % self.over  # whole pixels in the window
        self.pitch = self.scope.pixel_um / self.over
        self.fy = fft.fftfreq(self.fine, self.pitch)[:, None]  # cycles / um
        self.fx = fft.rfftfreq(self.fine, self.pitch)[None, :]

    def pupil(self, lam):
        if lam not in self.pupils:
            # image period fine * pitch = 2 N lambda / cell
            self.pupils[lam] = Pupil(self.scope, 2 * self.scope.ratio * lam / (self.fine * self.pitch))
        return self.pupils[lam]

    def spectrum(self, lam, terms, extra=None):
        """Transform of the image of unit light without blur; extra: radians on the pupil's cells."""
        p = self.pupil(lam)
        phase = 2 * np.pi / lam * wave(terms, p.x, p.y)
        if extra is not None:
            phase = phase + extra
        amplitude = fft.fft2(p.on_grid(phase, self.fine), overwrite_x=True)
        return fft.rfft2(amplitude.real ** 2 + amplitude.imag ** 2) / self.fine ** 2

    def passes(self, blur, lam):
        """Air, jitter and pixel as a factor on the spectrum."""
        out = np.ones(np.broadcast(self.fx, self.fy).shape)
        if blur.seeing_um > 0:
            width = blur.seeing_um * (lam / self.lights[0][0]) ** -0.2
            out *= np.exp(-3.44 * (np.hypot(self.fx, self.fy) * width / KOLMOGOROV) ** (5 / 3))
        if any(blur.jitter_um):
            a = np.radians(blur.jitter_deg)
            u, v = self.fx * np.cos(a) + self.fy * np.sin(a), self.fy * np.cos(a) - self.fx * np.sin(a)
            out *= np.exp(-2 * np.pi ** 2 * ((u * blur.jitter_um[0]) ** 2 + (v * blur.jitter_um[1]) ** 2))
        if blur.pixel:
            out *= np.sinc(self.fx * self.scope.pixel_um) * np.sinc(self.fy * self.scope.pixel_um)
        return out

    def sample(self, spectrum, x, y):
        """The image at pixel centres, the star at (x, y) px from the first one's centre."""
        step = self.scope.pixel_um
        place = np.exp(-2j * np.pi * (self.fx * x + self.fy * y) * step)
        whole = fft.irfft2(spectrum * place, s=(self.fine, self.fine))
        return whole[:self.size * self.over:self.over, :self.size * self.over:self.over] * self.over ** 2

    def star(self, terms, x, y, blur=Blur()):
        """Unit light (over the whole plane) on the pixels, [size][size]."""
        total = sum(w for _, w in self.lights)
        whole = sum(w / total * self.spectrum(v, terms) * self.passes(blur, v) for v, w in self.lights)
        return self.sample(whole, x, y)

    def short(self, air, exposure_s, wind, start_mm, terms, x, y, blur=Blur(), step_mm=15.0):
        """Moving air over the pupil, not averaged out. One wavelength, the first.
        air: Screen for that wavelength; wind: (x, y) mm/s; blur: without seeing."""
        lam = self.lights[0][0]
        p, wind = self.pupil(lam), np.asarray(wind, float)
        count = max(2, int(np.ceil(np.hypot(*wind) * exposure_s / step_mm)))
        axis = np.arange(-p.half, p.half + 1) * p.cell * self.scope.aperture_mm / 2
        still = (2 * np.pi / lam * wave(terms, p.x, p.y)).astype(np.float32)
        image = np.zeros((self.fine, self.fine), np.float32)
        for k in range(count):
            at = np.asarray(start_mm) + wind * exposure_s * (k + 0.5) / count
            phase = still + air.patch(at[0] + axis, at[1] + axis).astype(np.float32)
            amplitude = fft.fft2(p.on_grid(phase, self.fine), overwrite_x=True)
            image += amplitude.real ** 2 + amplitude.imag ** 2
        spectrum = fft.rfft2(image.astype(float)) / (count * self.fine ** 2)
        return self.sample(spectrum * self.passes(blur, lam), x, y)


class Screen:
    """Kolmogorov phase in radians, periodic over cells x pitch_mm, with what is larger added as
    subharmonics. PSD 0.0229 r0^(-5/3) f^(-11/3), f in cycles per length (Noll 1976, from memory)."""

    def __init__(self, r0_mm, seed, cells=4096, pitch_mm=6.0, octaves=4):
        rng = np.random.default_rng(seed)
        self.pitch, self.cells = pitch_mm, cells
        f = fft.fftfreq(cells, pitch_mm)
        f = np.hypot(f[None, :], f[:, None]).astype(np.float32)
        f[0, 0] = np.inf
        root = np.sqrt(0.0229 * r0_mm ** (-5 / 3)) * f ** (-11 / 6) / (cells * pitch_mm)
        wild = rng.standard_normal((2, cells, cells), dtype=np.float32)
        wild = root * (wild[0] + 1j * wild[1])
        self.phase = np.ascontiguousarray(fft.fft2(wild, overwrite_x=True).real)
        self.low = []  # (fx, fy, amplitude, phase)
        for octave in range(1, octaves + 1):
            df = 1 / (cells * pitch_mm) / 3 ** octave
            for kx in (-1, 0, 1):
                for ky in (-1, 0, 1):
                    if kx or ky:
                        a = rng.standard_normal(2) * np.sqrt(0.0229) * r0_mm ** (-5 / 6) * (
                            df * np.hypot(kx, ky)) ** (-11 / 6) * df
                        self.low.append((kx * df, ky * df, np.hypot(*a), np.arctan2(a[1], a[0])))

    def patch(self, x, y):
        """Phase at the crossings of x (columns) and y (rows), mm; cubic between cells (Keys 1981, from
        memory). What is larger than the screen enters as the tilt it is over a mirror."""
        ix, wx = self._cubic(x)
        iy, wy = self._cubic(y)
        part = self.phase[np.ix_(iy % self.cells, ix % self.cells)]
        mx, my = x.mean(), y.mean()
        slope = np.zeros(2)
        for fx, fy, a, p in self.low:
            slope -= 2 * np.pi * np.array([fx, fy]) * a * np.sin(2 * np.pi * (fx * mx + fy * my) + p)
        return wy @ part @ wx.T + slope[0] * (x - mx)[None, :] + slope[1] * (y - my)[:, None]

    def _cubic(self, at):
        at = at / self.pitch
        first = int(np.floor(at.min())) - 1
        cells = np.arange(first, int(np.floor(at.max())) + 3)
        d = np.abs(at[:, None] - cells[None, :])
        near, far = (1.5 * d - 2.5) * d * d + 1, ((-0.5 * d + 2.5) * d - 4) * d + 2
        return cells, np.where(d < 1, near, np.where(d < 2, far, 0.0)).astype(np.float32)


# ---- frames

class Frame:
    """Electrons on a sky, then noise and ADU. Pixels here start at 0; y up is the second axis."""

    def __init__(self, width, height, sky_adu=400.0, gradient_adu=(0.0, 0.0), gain=0.8, read_noise=3.0, pedestal=200.0,
                 full=65535, mosaic=None):
        x, y = np.meshgrid(np.arange(width) / max(1, width - 1) - 0.5, np.arange(height) / max(1, height - 1) - 0.5)
        self.adu = sky_adu + gradient_adu[0] * x + gradient_adu[1] * y
        self.gain, self.read_noise, self.pedestal, self.full, self.mosaic = gain, read_noise, pedestal, full, mosaic
        if mosaic:
            for k, tint in enumerate(self._tints({"R": 0.7, "G": 1.0, "B": 0.8})):  # the sky's colour
                self.adu[k // 2::2, k % 2::2] *= tint

    def _tints(self, by_colour):
        return [by_colour[c] for c in self.mosaic]

    def add(self, stamp, x, y, flux_adu, tint=None):
        """A stamp whose first pixel is (x, y). On a mosaic: stamp {colour: array}, tint {colour: factor}."""
        planes = [(stamp, 1.0, slice(None), slice(None))] if not self.mosaic else [
            (stamp[c], t, k // 2, k % 2) for k, (c, t) in enumerate(zip(self.mosaic, self._tints(tint)))]
        for image, factor, row, column in planes:
            h, w = image.shape
            y0, y1, x0, x1 = max(0, y), min(self.adu.shape[0], y + h), max(0, x), min(self.adu.shape[1], x + w)
            if y0 >= y1 or x0 >= x1:
                continue
            part = flux_adu * factor * image[y0 - y:y1 - y, x0 - x:x1 - x]
            if self.mosaic:
                keep = np.zeros(part.shape, bool)
                keep[(row - y0) % 2::2, (column - x0) % 2::2] = True
                part = part * keep
            self.adu[y0:y1, x0:x1] += part

    def expose(self, seed):
        rng = np.random.default_rng(seed)
        electrons = rng.poisson(np.maximum(self.adu * self.gain, 0)) + self.read_noise * rng.standard_normal(self.adu.shape)
        return np.clip(np.rint(electrons / self.gain + self.pedestal), 0, self.full)

    def write(self, path, seed, scope, exposure_s=600.0, **cards):
        """16 bits, unsigned by BZERO. Gives the pixels."""
        pixels = self.expose(seed)
        hdu = fits.PrimaryHDU(pixels.astype(np.uint16))
        head = {"EXPTIME": exposure_s, "FOCALLEN": scope.focal_mm, "APTDIA": scope.aperture_mm, "XPIXSZ": scope.pixel_um,
                "YPIXSZ": scope.pixel_um, "EGAIN": self.gain, "RDNOISE": self.read_noise, "SATURATE": self.full,
                "IMAGETYP": "Light Frame", "DATE-OBS": "2026-01-15T21:30:00"}
        if self.mosaic:
            head["BAYERPAT"] = self.mosaic
        head.update({k.replace("_", "-"): v for k, v in cards.items()})
        hdu.header.update(head)
        hdu.writeto(path, overwrite=True)
        return pixels


def ring_pixels(scope, defocus_um):
    """How many pixels a geometric ring covers."""
    return np.pi / 4 * (1 - scope.obstruction ** 2) * (defocus_um / scope.ratio / scope.pixel_um) ** 2


def flux_of(scope, defocus_um, snr, frame, sky_adu):
    """Light in ADU whose ring has that mean signal to noise per pixel, by the noise of Frame."""
    dark = sky_adu * frame.gain + frame.read_noise ** 2  # e^2
    signal = (snr ** 2 + np.sqrt(snr ** 4 + 4 * snr ** 2 * dark)) / 2  # s^2 = snr^2 (s + dark)
    return signal / frame.gain * ring_pixels(scope, defocus_um)


# ---- the model's own test

def ray_image(scope, terms, size, x, y, sigma_um, cells=900):
    """The same image by rays s = 2 N grad W (differences of W), each a Gaussian dot on the pixels."""
    line = (np.arange(cells) + 0.5) / cells * 2 - 1
    px, py = (v.ravel() for v in np.meshgrid(line, line))
    lit = scope.open_at(px, py)
    px, py, h = px[lit], py[lit], 1e-5
    shift = [2 * scope.ratio * (wave(terms, px + h * (k == 0), py + h * (k == 1)) -
                                wave(terms, px - h * (k == 0), py - h * (k == 1))) / (2 * h) / scope.pixel_um for k in (0, 1)]
    fine = 4
    edge = (np.arange(size * fine + 1) / fine) - 0.5
    grid = np.histogram2d(y + shift[1], x + shift[0], bins=(edge, edge))[0] / len(px)
    f = fft.fftfreq(size * fine, 1 / fine)
    f2 = f[:, None] ** 2 + f[None, :] ** 2
    smooth = fft.ifft2(fft.fft2(grid) * np.exp(-2 * np.pi ** 2 * f2 * (sigma_um / scope.pixel_um) ** 2)).real
    return smooth.reshape(size, fine, size, fine).sum(axis=(1, 3))


def mirror_rays(aperture, focal, theta, defocus_um, points):
    """Exact: rays of a star at the angle theta (its image at +theta f) onto a paraboloid z = r^2 / 4f and
    on to the plane z = f + defocus. points: on the mirror in radii. Gives the place on the sensor, um."""
    a = aperture / 2
    x, y = points[0] * a, points[1] * a
    z = (x * x + y * y) / (4 * focal)
    into = np.array([np.sin(theta), 0, -np.cos(theta)])[:, None]
    normal = np.array([-x / (2 * focal), -y / (2 * focal), np.ones_like(x)])
    normal /= np.sqrt((normal ** 2).sum(axis=0))
    out = into - 2 * (into * normal).sum(axis=0) * normal
    run = (focal + defocus_um * 1e-3 - z) / out[2]
    return np.array([x + run * out[0], y + run * out[1]]) * 1e3


def test_zernike(c):
    x, y = np.random.default_rng(1).uniform(-0.7, 0.7, (2, 500))
    r2 = x * x + y * y
    literal = {2: 2 * x, 3: 2 * y, 4: np.sqrt(3) * (2 * r2 - 1), 5: 2 * np.sqrt(6) * x * y, 6: np.sqrt(6) * (x * x - y * y),
               7: np.sqrt(8) * (3 * r2 - 2) * y, 8: np.sqrt(8) * (3 * r2 - 2) * x, 9: np.sqrt(8) * (3 * x * x * y - y ** 3),
               10: np.sqrt(8) * (x ** 3 - 3 * x * y * y), 11: np.sqrt(5) * (6 * r2 * r2 - 6 * r2 + 1),
               12: np.sqrt(10) * (4 * r2 - 3) * (x * x - y * y), 13: np.sqrt(10) * (4 * r2 - 3) * 2 * x * y}
    c.below("Zernike 2..13 against Noll 1976 table I written out", max(np.abs(zernike(j, x, y) - v).max() for j, v in
            literal.items()), 1e-12, form=".1e")
    g, w = np.polynomial.legendre.leggauss(20)
    r, a = np.meshgrid((g + 1) / 2, np.arange(64) * np.pi / 32)
    z = np.array([zernike(j, r * np.cos(a), r * np.sin(a)) for j in range(1, 23)])
    gram = np.einsum("iab,jab,ab->ij", z, z, r * w / 2 / 32)  # over pi: mean over the disc
    c.below("their Gram matrix to 22, off the unit matrix", np.abs(gram - np.eye(22)).max(), 1e-12, "quadrature", ".1e")


def test_rays(c):
    """Far from focus and well blurred the wave image is the ray image but for the diffraction at the
    rims: a Fresnel zone is 0.08 of the pupil's radius here, the blur 0.14."""
    scope, sigma = Scope(shadow=(0.10, -0.06), vanes=3, vane_width=0.15, vane_deg=20.0, pixel_um=7.52), 36.0
    for sign in (1, -1):
        terms = {2: 1.5, 3: -1.0, 4: sign * scope.defocus(1600), 5: 0.5, 6: -0.5, 7: -0.5, 8: 0.5, 9: 0.4, 10: 0.4, 11: 0.3}
        got = Camera(scope, size=128, fine=2304).star(terms, 62.3, 64.8, Blur(jitter_um=(sigma, sigma)))
        size = np.linalg.norm(got)
        good = np.linalg.norm(got - ray_image(scope, terms, 128, 62.3, 64.8, sigma)) / size
        c.below(f"image of a ring at {sign * 1600:+d} um against rays 2 N grad W, relative L2", good, 0.05,
                "diffraction at the rims and vanes")
        worst = {}
        for j in terms:
            other = ray_image(scope, {**terms, j: -terms[j]}, 128, 62.3, 64.8, sigma)
            worst[j] = np.linalg.norm(got - other) / size
        j = min(worst, key=worst.get)
        c.above(f"  the same with the sign of any one term turned, the least (a{j})", worst[j], 0.15)


def test_paraboloid(c):
    """A ring outside focus shows the pupil turned by 180 degrees: the mirror's point p is seen at -p."""
    a, f, theta = 200.0, 1000.0, 3e-3
    scope = Scope(a, f, 0.3)
    x, y = np.random.default_rng(2).uniform(-1, 1, (2, 4000))
    lit = np.hypot(x, y) < 1
    x, y = x[lit], y[lit]
    for defocus in (0.0, 500.0, -500.0):
        spot = mirror_rays(a, f, theta, defocus, (-x, -y))
        terms = {4: scope.defocus(defocus), 8: theta * a * 1e3 / (32 * scope.ratio ** 2) / 8.4853}
        h = 1e-5
        want = 2 * scope.ratio * np.array([wave(terms, x + h, y) - wave(terms, x - h, y),
                                           wave(terms, x, y + h) - wave(terms, x, y - h)]) / (2 * h)
        spot, want = (v - v.mean(axis=1, keepdims=True) for v in (spot, want))
        c.below(f"exact paraboloid f/5, star 3 mm off towards +x, defocus {defocus:+.0f} um: rays against a4 and "
                "+a8, relative", np.sqrt(((spot - want) ** 2).sum() / (spot ** 2).sum()), 0.09,
                "third order: 1/16N^2, and the astigmatism of 4.5, half a um of 6 RMS in focus")
        if defocus == 0:
            c.above("  its flare points away from the axis: skewness along x", (spot[0] ** 3).mean() /
                    (spot[0] ** 2).mean() ** 1.5, 0.3)


def first_zero(image, pitch):
    """Radius of the first minimum along +x, from the middle, by a parabola."""
    k = next(i for i in range(1, len(image)) if image[i] < image[i - 1] and image[i] <= image[i + 1])
    a, b, d = image[k - 1:k + 2]
    return pitch * (k + (a - d) / (2 * (a - 2 * b + d)))


def half_width(image, pitch):
    k = int(np.nonzero(image < image[0] / 2)[0][0])
    return 2 * pitch * np.interp(-image[0] / 2, -image[k - 2:k + 2], np.arange(k - 2, k + 2))


def test_closed_forms(c):
    unit = 0.55 * Scope().ratio
    for eps, zero, fwhm in ((0.0, 1.2197, 1.0290), (0.33, 1.0977, 0.9720), (0.5, 1.0009, 0.9117)):
        scope = Scope(obstruction=eps, pixel_um=unit / 40)
        cam = Camera(scope, size=80, fine=4096)
        line = cam.star({}, 0, 0, Blur(pixel=False))[0]
        c.within(f"obstruction {eps:g}: first dark ring over lambda N", first_zero(line, 1 / 40) / zero, 0.998, 1.002,
                 "REFERENCES 1.5", ".5f")
        c.within(f"obstruction {eps:g}: FWHM over lambda N", half_width(line, 1 / 40) / fwhm, 0.998, 1.002, "REFERENCES 1.5",
                 ".5f")
    wide = Camera(Scope(20000.0, 60000.0, 0.0, pixel_um=0.05 * 60), size=120, fine=1200)
    wide.over, wide.pitch = 1, 3.0  # air alone: no telescope of that size is computed
    wide.fy, wide.fx = fft.fftfreq(1200, 3.0)[:, None], fft.rfftfreq(1200, 3.0)[None, :]
    line = wide.sample(wide.passes(Blur(200.0, pixel=False), 0.55), 0, 0)[0]
    c.within("air alone: FWHM over the one asked for", half_width(line, 3.0) / 200.0, 0.998, 1.002, "REFERENCES 5.2: 0.9755 "
             "with 3.44, 0.976 used", ".5f")
    cam = Camera(Scope(), size=64)
    a, b = (cam.star({4: 0.3}, 31 + d, 32.0, Blur(10.0)) for d in (0, 1))
    c.below("moved by a whole pixel, relative L2", np.linalg.norm(a[:, 1:-2] - b[:, 2:-1]) / np.linalg.norm(a), 1e-12,
            form=".1e")


def test_air(c, quick):
    """Moving screens: Noll's variances, and the long exposure they add up to."""
    r0, aperture = 60.0, 280.0
    line = (np.arange(64) + 0.5) / 32 - 1
    x, y = np.meshgrid(line, line)
    lit = np.hypot(x, y) <= 1
    modes = np.array([zernike(j, x[lit], y[lit]) for j in range(1, 12)])
    inverse = np.linalg.inv(modes @ modes.T) @ modes
    got = []
    for seed in range(2 if quick else 6):
        air = Screen(r0, seed, cells=2048, pitch_mm=8.0)
        for k in range(900):
            at = np.random.default_rng([seed, k]).uniform(0, 16384, 2)
            got.append(inverse @ air.patch(at[0] + line * aperture / 2, at[1] + line * aperture / 2)[lit])
    var = np.array(got).var(axis=0) / (aperture / r0) ** (5 / 3)
    for name, js, want, tol in (("defocus", (4,), 0.023218, 0.10), ("astigmatism", (5, 6), 0.023218, 0.10),
                                ("coma", (7, 8), 0.0061914, 0.08), ("trefoil", (9, 10), 0.0061914, 0.08)):
        mean = np.mean([var[j - 1] for j in js])
        c.within(f"phase screens: variance of {name} over Noll's", mean / want, 1 - tol, 1 + tol,
                 "REFERENCES 2.4; tolerance: the sample, and cells of 8 mm")
    mean = np.mean([var[1], var[2]])
    c.within("phase screens: variance of tilt over Noll's", mean / 0.44888, 0.6, 1.3,
             "REFERENCES 2.4; few independent eddies this large")
    if quick:
        return
    scope, seeing = Scope(), 2.5
    cam = Camera(scope, size=64, fine=640)
    r0 = KOLMOGOROV * 0.55e-3 / (seeing * ARCSEC)
    blur, terms = Blur(scope.on_sensor(seeing)), {4: scope.defocus(500), 8: 0.1}
    long = cam.star(terms, 32, 32, blur)
    image = np.zeros_like(long)
    for seed in range(4):
        air = Screen(r0, 100 + seed)
        image += cam.short(air, 40.0, (9000.0, 4000.0), (0.0, 0.0), terms, 32, 32, step_mm=300.0) / 4
    c.below("160 s of moving air against the long-exposure formula, relative L2",
            np.linalg.norm(image - long) / np.linalg.norm(long), 0.05, "what 160 s leave of speckles and motion")


def test_frame(c):
    frame = Frame(300, 200, sky_adu=500.0, gain=0.5, read_noise=4.0, pedestal=100.0)
    a, b = frame.expose(1), frame.expose(2)
    c.within("noise of a frame over photons, read noise and rounding", (a - b).var() / 2 / ((500 * 0.5 + 16) / 0.25 + 1 / 12),
             0.97, 1.03, "60000 pixels: 0.6 %")
    c.within("its level", a.mean(), 599.5, 600.5, "500 and a pedestal of 100")
    frame = Frame(64, 64, mosaic="GRBG")
    sky = frame.adu.copy()
    frame.add({k: np.ones((20, 20)) for k in "RGB"}, 11, 13, 10.0, {"R": 1.0, "G": 2.0, "B": 3.0})
    lit = (frame.adu - sky)[13:33, 11:31]
    good = np.allclose(lit[1::2, 1::2], 20) and np.allclose(lit[0::2, 0::2], 20) and np.allclose(lit[1::2, 0::2], 10) and (
        np.allclose(lit[0::2, 1::2], 30))
    c.check("a stamp on a mosaic GRBG: each pixel has its own colour's light", good, good, "as placed by hand")


def main():
    import common
    quick = "--quick" in sys.argv[1:]
    c = common.Checks()
    test_zernike(c)
    test_rays(c)
    test_paraboloid(c)
    test_closed_forms(c)
    test_air(c, quick)
    test_frame(c)
    return c.finish()


if __name__ == "__main__":
    sys.dont_write_bytecode = True
    sys.exit(main())
