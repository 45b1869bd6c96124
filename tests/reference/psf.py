#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""plumb's image of a star beside numpy's, pixel by pixel.

usage: psf.py BUILD [--quick]

psfimage.c is compiled here against BUILD/libplumb.a; waves.py is the independent model. Two questions
for each case: is numpy's own image converged (its window doubled, and with it its pupil's cells
halved), and is ours the same. The library's grid is a window whose sides meet. On three
times the size it would choose, a grid of its own, little wraps round: 1e-3 is asked, flux and all.
On the size it chooses: 2e-3, which adds (0.002 x 30)^2 = 0.004 to chi-square per pixel at a signal to
noise of 30, less than its own scatter over a ring of 2000 pixels."""
import os
import subprocess
import sys
from dataclasses import dataclass, field

sys.dont_write_bytecode = True
import common  # noqa: E402
import numpy as np  # noqa: E402
from waves import Blur, Camera, Scope  # noqa: E402

HERE = os.path.dirname(os.path.abspath(__file__))
GREEN = ((0.55, 1.0),)
WIDE = ((0.50, 1.0), (0.55, 1.5), (0.60, 0.8))
BROAD = ((0.46, 0.7), (0.53, 1.0), (0.61, 0.8))


@dataclass
class Case:
    name: str
    defocus_um: float = 0.0
    nm: dict = field(default_factory=dict)  # other Zernikes
    seeing: float = 2.5                     # arc seconds
    scope: dict = field(default_factory=dict)
    lights: tuple = GREEN
    at: tuple = (0.0, 0.0)
    jitter_um: tuple = (0.0, 0.0)
    jitter_deg: float = 0.0


F3 = {"aperture_mm": 280.0, "focal_mm": 870.0}
F4 = {"aperture_mm": 200.0, "focal_mm": 800.0, "obstruction": 0.30}
F5 = {"aperture_mm": 150.0, "focal_mm": 750.0, "obstruction": 0.25}
CASES = (
    Case("in focus", at=(0.31, -0.22)),
    Case("in focus, sharp air, f/5", seeing=1.0, scope=F5, at=(-0.4, 0.1)),
    Case("in focus, coma 150 nm", nm={7: 90, 8: -120}, seeing=1.5),
    Case("300 um outside", 300, at=(0.25, 0.4)),
    Case("300 um inside, f/4", -300, seeing=1.5, scope=F4, at=(0.1, -0.45)),
    Case("600 um outside, coma 150 nm", 600, {7: -100, 8: 110}, at=(0.37, 0.11)),
    Case("600 um inside, trefoil 80 nm, astigmatism 100 nm", -600, {5: 60, 6: -80, 9: 50, 10: -62}, at=(-0.2, 0.3)),
    Case("800 um outside, spherical 60 nm, second orders", 800, {11: 60, 12: 20, 15: -25, 16: 30, 22: -20}, seeing=2.0),
    Case("600 um outside, shadow off by 8 % of the radius, 4 vanes", 600, {8: 40},
         scope={"shadow": (0.06, -0.053), "vanes": 4, "vane_width": 0.02, "vane_deg": 30.0}, at=(0.5, 0.5)),
    Case("600 um inside, the same, 3 broad vanes", -600, {8: 40}, seeing=4.0,
         scope={"shadow": (-0.08, 0.0), "vanes": 3, "vane_width": 0.05, "vane_deg": 10.0}),
    Case("1200 um outside, three lights", 1200, {6: 50, 8: 80}, lights=WIDE, at=(0.15, 0.35)),
    Case("1200 um inside, three colours, f/4", -1200, {7: 60, 11: -40}, seeing=3.0, scope=F4, lights=BROAD),
    Case("600 um outside, f/5, large pixels", 600, {8: -60}, scope={**F5, "pixel_um": 6.5}, at=(-0.33, 0.21)),
    Case("tracking error, coma, 40 um outside", 40, {8: 100}, jitter_um=(6.0, 2.0), jitter_deg=35.0, at=(0.3, 0.2)),
    Case("500 um outside, no air but 1 arc second, no obstruction", 500, {9: 60}, seeing=1.0, scope={"obstruction": 0.0}),
)
QUICK = (0, 2, 4, 6, 8, 10, 13)


def build_psfimage(bench):
    """Path of the program; it must build: a private header that changed is found here."""
    out = bench.path("psfimage")
    libs = subprocess.run(["pkg-config", "--cflags", "--libs", "cfitsio", "fftw3", "libpng", "gsl", "cairo", "jansson", "glib-2.0"],
                          capture_output=True, text=True, check=True).stdout.split()
    subprocess.run([os.environ.get("CC", "cc"), "-std=c11", "-D_XOPEN_SOURCE=700", "-O2", "-pthread",
                    os.path.join(HERE, "psfimage.c"), os.path.join(bench.build, "libplumb.a"), "-o", out, *libs, "-lm"], check=True)
    return out


def library_image(program, case, size):
    s = Scope(**{**F3, **case.scope})
    terms = terms_of(case, s)
    words = [len(case.lights), *[v for light in case.lights for v in light], s.ratio, s.pixel_um, size,
             s.on_sensor(case.seeing), *case.jitter_um, case.jitter_deg, *case.at, s.obstruction, *s.shadow, s.vanes,
             s.vane_width, s.vane_deg, len(terms), *[v for t in terms.items() for v in t]]
    line = " ".join(repr(float(v)) if isinstance(v, float) else str(v) for v in words) + "\n"
    run = subprocess.run([program], input=line.encode(), capture_output=True)
    if run.returncode != 0:
        return None, run.stderr.decode().strip()
    raw = np.frombuffer(run.stdout)
    side = int(raw[0])
    return raw[1:].reshape(side, side), ""


def terms_of(case, scope):
    terms = {j: v * 1e-3 for j, v in case.nm.items()}
    return {4: scope.defocus(case.defocus_um), **terms} if case.defocus_um else terms


def numpy_image(case, size, finer=1):
    """A window of six images, and of 400 px at least."""
    s = Scope(**{**F3, **case.scope})
    cam = Camera(s, case.lights, size)
    cam = Camera(s, case.lights, size, finer * max(2 * cam.fine, 400 * cam.over))
    middle = size // 2
    blur = Blur(s.on_sensor(case.seeing), case.jitter_um, case.jitter_deg)
    return cam.star(terms_of(case, s), middle + case.at[0], middle + case.at[1], blur)


def middle_of(image, size):
    """The middle size x size, pixel (side / 2) on pixel (size / 2)."""
    o = image.shape[0] // 2 - size // 2
    return image[o:o + size, o:o + size]


def apart(a, b):
    return np.linalg.norm(a - b) / np.linalg.norm(b)


def judge(c, program, case, converge):
    own, why = library_image(program, case, 0)
    wide, why2 = library_image(program, case, -3)
    if own is None or wide is None:
        c.check(case.name, False, why or why2, "an image")
        return
    size = own.shape[0]
    want = numpy_image(case, size)
    if converge:
        finer = numpy_image(case, size, 2)
        c.below(f"{case.name}: numpy's own, window doubled and cells halved, relative L2", apart(want, finer), 5e-4,
                "half of what is asked of the library", ".1e")
        want = finer
    c.below(f"{case.name}: on three times the library's own {size} px against numpy, relative L2",
            apart(middle_of(wide, size), want), 1e-3, "the target", ".1e")
    c.below(f"{case.name}: on the library's own {size} px against numpy, relative L2", apart(own, want), 2e-3,
            "what wraps round", ".1e")


def main():
    bench, quick = common.arguments("psf.py BUILD [--quick]")
    c = common.Checks()
    program = build_psfimage(bench)
    for k, case in enumerate(CASES):
        if not quick or k in QUICK:
            judge(c, program, case, converge=not quick or k in QUICK[::3])
    return c.finish()


if __name__ == "__main__":
    sys.exit(main())
