# SPDX-License-Identifier: GPL-3.0-or-later
"""odd.py - frames that mkframe cannot make, written byte by byte into the current folder."""
import struct


def header(bitpix, width, height, *more):
    cards = ["SIMPLE  =                    T", f"BITPIX  = {bitpix:20d}", "NAXIS   =                    2",
             f"NAXIS1  = {width:20d}", f"NAXIS2  = {height:20d}", *more, "END"]
    return b"".join(card.ljust(80).encode("latin-1") for card in cards).ljust(2880)


def put(name, head, pixels=b""):
    size = len(pixels) + -len(pixels) % 2880
    with open(name, "wb") as out:
        out.write(head + pixels.ljust(size, b"\0"))


put("nan.fits", header(-32, 200, 100), struct.pack(">f", float("nan")) * 20000)
put("inf.fits", header(-32, 200, 100), struct.pack(">f", float("inf")) * 20000)
put("blank.fits", header(16, 200, 100, "BLANK   =                    7"), struct.pack(">h", 7) * 20000)
put("liar.fits", header(16, 3000, 2000), b"\0" * 5760)
put("giant.fits", header(16, 2147483647, 2147483647), b"\0" * 2880)
put("seventeen.fits", header(17, 200, 100), b"\0" * 40000)
put("zero-scale.fits", header(16, 200, 100, "BSCALE  =                  0.0"), b"\1\2" * 20000)
put("spectrum.fits", b"".join(c.ljust(80).encode() for c in [
    "SIMPLE  =                    T", "BITPIX  =                   16", "NAXIS   =                    1",
    "NAXIS1  =                  100", "END"]).ljust(2880), b"\0" * 200)
