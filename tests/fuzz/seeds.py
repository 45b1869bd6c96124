#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Writes the seeds of the fuzz targets: small FITS files and profiles, sound and hand-made nasty.

usage: seeds.py MKFRAME DIR     DIR/frame/*, DIR/profile/*, DIR/scene/*, DIR/turnlog/*, DIR/nightlog/*, DIR/watchlog/*, DIR/marks/* and
DIR/positions/*; nothing beyond Python is needed"""
import gzip
import os
import struct
import subprocess
import sys


def card(key, value=None):
    if value is None:
        return key.ljust(80)[:80]
    return f"{key:<8}= {value:>20}".ljust(80)[:80]


def block(data, fill):
    return data + fill * (-len(data) % 2880)


def fits(cards, data=b""):
    head = "".join(card(*c) if isinstance(c, tuple) else card(c) for c in [*cards, "END"])
    return block(head.encode("latin-1"), b" ") + block(data, b"\0")


def image(w, h, bitpix=16, *more, data=None, axes=None):
    axes = axes or [w, h]
    cards = [("SIMPLE", "T"), ("BITPIX", bitpix), ("NAXIS", len(axes))]
    cards += [(f"NAXIS{i + 1}", n) for i, n in enumerate(axes)]
    if data is None:
        data = bytes(w * h * abs(bitpix) // 8)
    return fits(cards + list(more), data)


def noise(n, scale=1000):
    """The same pseudo-random 16-bit values everywhere (a linear congruential row)."""
    x, out = 12345, []
    for _ in range(n):
        x = (1103515245 * x + 12345) % 2**31
        out.append(x >> 16)
    return [v % scale for v in out]


def shorts(values):
    return struct.pack(f">{len(values)}h", *values)


def frames():
    n16 = shorts(noise(64 * 48))
    unsigned = (("BZERO", 32768), ("BSCALE", 1))
    facts = (("EXPTIME", "1e400"), ("XPIXSZ", "-0.0"), ("FOCALLEN", "'870mm'"), ("DATE-OBS", "'soon'"), ("CCD-TEMP", "NaN"),
             ("BAYERPAT", "'RGGBRGGBRGGBRGGBRGGBRGGBRGGBRGGBRGGB'"), ("XBAYROFF", 99999999999), ("YBAYROFF", -3), ("ROWORDER", "'DOWN-UP'"))
    return {
        "noise16": image(64, 48, 16, *unsigned, data=n16),
        "noise8": image(64, 48, 8, data=bytes(v % 256 for v in noise(64 * 48))),
        "noise32": image(32, 24, 32, data=struct.pack(">768i", *noise(768))),
        "noise64": image(16, 16, 64, data=struct.pack(">256q", *noise(256))),
        "float": image(32, 32, -32, data=struct.pack(">1024f", *noise(1024))),
        "double": image(16, 16, -64, data=struct.pack(">256d", *noise(256))),
        "float-nan": image(32, 32, -32, data=struct.pack(">I", 0x7FC00000) * 1024),
        "float-inf": image(32, 32, -32, data=struct.pack(">f", float("inf")) * 1024),
        "float-huge": image(32, 32, -32, data=struct.pack(">2f", 3e38, -3e38) * 512),
        "double-huge": image(16, 16, -64, data=struct.pack(">2d", 1e308, -1e308) * 128),
        "constant": image(64, 48, data=shorts([7] * 3072)),
        "saturated": image(64, 48, 16, *unsigned, data=shorts([32767] * 3072)),
        "blank": image(64, 48, 16, ("BLANK", 7), data=shorts([7] * 3072)),
        "blank-some": image(64, 48, 16, ("BLANK", 7), data=shorts([v % 9 for v in noise(3072)])),
        "one-pixel": image(1, 1),
        "column": image(3, 2000),
        "row": image(2000, 1),
        "cube": image(16, 16, data=bytes(1536), axes=[16, 16, 3]),
        "cube-deep": image(16, 16, data=bytes(1024), axes=[16, 16, 2]),
        "four-axes": image(16, 16, data=bytes(512), axes=[16, 16, 1, 1]),
        "no-axes": fits([("SIMPLE", "T"), ("BITPIX", 8), ("NAXIS", 0)]),
        "zero-axis": image(0, 16),
        "huge-axes": image(0, 0, data=b"", axes=[1000000, 1000000]),
        "overflow-axes": image(0, 0, data=b"", axes=[2**31 - 1, 2**31 - 1]),
        "wider-than-long": image(0, 0, data=b"", axes=[2**63 - 1, 2]),
        "minus-axis": image(0, 0, data=b"", axes=[-64, 48]),
        "bitpix-12": image(64, 48, 12, data=n16),
        "bitpix-0": image(64, 48, 0, data=n16),
        "bscale-0": image(64, 48, 16, ("BSCALE", 0), data=n16),
        "bscale-nan": image(64, 48, 16, ("BSCALE", "NaN"), data=n16),
        "bscale-tiny": image(64, 48, 16, ("BSCALE", "1e-300"), ("BZERO", "1e300"), data=n16),
        "bscale-text": image(64, 48, 16, ("BSCALE", "'one'"), data=n16),
        "odd-facts": image(64, 48, 16, *unsigned, *facts, data=n16),
        "no-end": image(64, 48, data=b"")[:800],
        "header-only": image(64, 48, data=b""),
        "cut": image(64, 48, data=n16)[:-2881],
        "empty-tables": image(16, 16) + fits([("XTENSION", "'BINTABLE'"), ("BITPIX", 8), ("NAXIS", 2), ("NAXIS1", 0), ("NAXIS2", 0),
                                              ("PCOUNT", 0), ("GCOUNT", 1), ("TFIELDS", 0)]),
        "extension": fits([("SIMPLE", "T"), ("BITPIX", 8), ("NAXIS", 0), ("EXTEND", "T")])
        + fits([("XTENSION", "'IMAGE   '"), ("BITPIX", 16), ("NAXIS", 2), ("NAXIS1", 64), ("NAXIS2", 48), ("PCOUNT", 0), ("GCOUNT", 1)], n16),
        "gzip": gzip.compress(image(64, 48, data=n16), mtime=0),
        "gzip-cut": gzip.compress(image(64, 48, data=n16), mtime=0)[:900],
        "text": b"once upon a time there was a star\n" * 30,
        "simple-only": b"SIMPLE  =",
        "empty": b"",
    }


def tiles():
    """A tile-compressed image whose descriptors lie."""
    return {
        "tiles-lie": fits([("SIMPLE", "T"), ("BITPIX", 8), ("NAXIS", 0), ("EXTEND", "T")])
        + fits([("XTENSION", "'BINTABLE'"), ("BITPIX", 8), ("NAXIS", 2), ("NAXIS1", 8), ("NAXIS2", 4), ("PCOUNT", 64), ("GCOUNT", 1),
                ("TFIELDS", 1), ("TTYPE1", "'COMPRESSED_DATA'"), ("TFORM1", "'1PB(99)'"), ("ZIMAGE", "T"), ("ZBITPIX", 16), ("ZNAXIS", 2),
                ("ZNAXIS1", 64), ("ZNAXIS2", 4), ("ZTILE1", 64), ("ZTILE2", 1), ("ZCMPTYPE", "'RICE_1'"), ("ZNAME1", "'BLOCKSIZE'"),
                ("ZVAL1", 32)], struct.pack(">8i", 99, 0, 99, 2**30, -1, 5, 3, -7) + bytes(range(64))),
    }


PROFILE = """[scope]
aperture_mm = 280
focal_mm = 870
mirror_focal_mm = 1120
obstruction = 0.33
tube_material = carbon
mirror_material = borosilicate
tube_length_mm = 850
[camera]
pixel_um = 3.76
width_px = 6248
height_px = 4176
mosaic = RGGB
[focuser]
step_um = 4
outward = +1
carries = corrector
[tolerance]
fwhm_growth = 0.05
"""


SURFACE = """[surface]
tilt_x_um_mm = 1.6
tilt_y_um_mm = -0.9
tilt_x_um_mm_sigma = 0.08
tilt_y_um_mm_sigma = 0.1
tilt_xy_correlation = 0.2
curvature_um = -
width_mm = 23.49
height_mm = 15.7
date = 2026-11-26T21:04:05
"""

PLATE = """[plate]
radius_mm = 40
angles_deg = 90, 210, 330
pitch_mm = 0.7
kind = pull
clockwise = out
columns_deg = 12
rows_deg = 282
"""


def surfaces():
    """What plumb-tilt reads: screws and surface of a profile, and JSON."""

    def line(more, four='"tilt_x_um_mm":1.6,"tilt_y_um_mm":-0.9,"width_mm":23.49,"height_mm":15.7'):
        return f'{{"program":"plumb-sweep","surface":{{{four}{more}}}}}\n'.encode()

    extreme = "tilt_x_um_mm = 1e4\ntilt_y_um_mm = -1e4\nwidth_mm = 0.01\nheight_mm = 1e4\n"
    return {
        "tilt": (PROFILE + PLATE + SURFACE).encode(),
        "tilt-push": (PROFILE + PLATE.replace("pull", "push") + SURFACE).encode(),
        "tilt-four": (PROFILE + PLATE.replace("90, 210, 330", "0 90 180 270") + SURFACE).encode(),
        "tilt-extreme": (PROFILE + PLATE.replace("0.7", "0.05") + "[surface]\n" + extreme).encode(),
        "tilt-angles": (PROFILE + PLATE.replace("330", "330,,;5 1e9" + ",7" * 400)).encode(),
        "json": line(',"curvature_um":6,"curvature_um_sigma":0.8,"date":"2026-11-26"'),
        "json-two": line("") * 2,
        "json-null": line(',"curvature_um":null,"pixel_um":null,"date":null'),
        "json-types": line(',"curvature_um":[1],"pixel_um":"3"'),
        "json-sideless": line("").replace(b'{"program', b'{"side_known":false,"program'),
        "json-huge": line(',"curvature_um":1e999,"binning":' + "9" * 400),
        "json-negative": line(',"tilt_x_um_mm_sigma":-1'),
        "json-deep": b'{"surface":' + b"[" * 3000,
        "json-cut": line("")[:60],
        "json-nul": line("") + b"\0{}",
        "json-twins": line(',"tilt_x_um_mm":7'),
    }


def profiles():
    def scope(line):
        return f"[scope]\naperture_mm = 280\nfocal_mm = 870\n{line}\n".encode("latin-1")

    nasty = ["nan", "inf", "-inf", "1e400", "1e-400", "0x10", "12um", "", " ", "1,5", "--1", "٣", "9" * 400, "1e", "-0", "1 2", "\\s", "280;c"]
    out = {f"value-{i}": f"[scope]\naperture_mm = {v}\nfocal_mm = 870\n".encode() for i, v in enumerate(nasty)}
    out |= {
        "whole": PROFILE.encode(),
        "crlf": PROFILE.replace("\n", "\r\n").encode(),
        "bom": b"\xef\xbb\xbf" + PROFILE.encode(),
        "utf16": PROFILE.encode("utf-16"),
        "not-utf8": scope("tube_material = \xff\xfe"),
        "nul": scope("obstruction = 0.3\0 3"),
        "long-word": scope("tube_material = " + "w" * 5000),
        "long-key": scope("k" * 5000 + " = 1"),
        "twice": scope("focal_mm = 900\nfocal_mm = 1"),
        "unknown": b"[scpoe]\naperture_m = 3\n[camera]\npixle_um = 4\n",
        "no-section": b"aperture_mm = 280\n",
        "open-section": b"[scope\naperture_mm = 280\n",
        "no-value": b"[scope]\naperture_mm\n",
        "limits": scope("obstruction = 0.8\nmirror_focal_mm = 1e-300\ntube_length_mm = 1e300\nsecondary_mm = 1e300"),
        "secondary": scope("secondary_mm = 279.999\nsecondary_to_focus_mm = 869.999"),
        "list": scope("obstruction = 1;2;3"),
        "locale": scope("obstruction[de] = 0.3"),
        "empty": b"",
    }
    return out | surfaces()


SCENE = """[field]
seed = 3
stars = 2
layout = grid
[air]
seeing_arcsec = 2
band_um = 0.1
[focus]
defocus_um = 20
[mirrors]
axis_x_mm = 1
corrected = no
[zernike]
a11_nm = 30
[tracking]
drift_arcsec = 2
[sky]
clouds = 0.3
dew = 0.1
[camera]
mosaic = RGGB
hot_pixels = 3
satellites = 1
[exposure]
altitude_deg = 40
temperature_c = 3
date_obs = 2031-10-09T20:41:00
[series]
frames = 3
cooling_c_h = 1
refocus_every = 2
"""


def scenes():
    def air(line):
        return f"[field]\nstars = 1\n[air]\n{line}\n".encode("latin-1")

    nasty = ["nan", "inf", "1e400", "2,5", "", "yes", "9" * 400, "-0"]
    out = {f"value-{i}": air(f"seeing_arcsec = {v}") for i, v in enumerate(nasty)}
    out |= {
        "whole": SCENE.encode(),
        "crlf": SCENE.replace("\n", "\r\n").encode(),
        "no-air": air("seeing_arcsec = 0"),
        "short-waves": air("wavelength_um = 0.3\nband_um = 0.29"),
        "low": b"[exposure]\naltitude_deg = 1\n[camera]\nmosaic = BGGR\n",
        "bad-date": b"[exposure]\ndate_obs = 2031-99-99T99:99:99\n",
        "no-steps": b"[series]\nfrom_steps = 1\nbest_steps = 3\n",
        "huge-shadow": b"[mirrors]\nshadow_x_mm = 2000\n",
        "list-nowhere": b"[field]\nlist = /nowhere\n",
        "unknown": b"[feild]\nstars = 3\n[air]\nseing_arcsec = 4\n",
        "list": b"# x y mag colour\n1 2 12\n-3.5 1e3 13.5 0.4\n9,9,12\n",
        "list-bad": b"1 2\n",
        "list-nul": b"1 2 3\n\0\n",
        "empty": b"",
    }
    return out


def marks():
    near = "at 1000\n0 42 31\n90 41 33\n180 39 31\n270 40 29.5\n"
    far = "at 5000\n0 52 30\n45 49.5 36.5\n120 38 37\n200 33 25\n260 42 19\n310 50 22\n"
    texts = {
        "two": near + far,
        "one": far,
        "clockwise": far.replace("\n0 ", "\n0 ").replace("45 ", "-45 ").replace("120 ", "-120 ").replace("200 ", "-200 "),
        "remarks": "\ufeff# hall\r\n" + near.replace("\n", " # smudged\r\n"),
        "half-turn": "at 5000\n0 1 2\n180 3 4\n0 1 2\n180 3 4\n",
        "third-turn": "at 5000\n0 1 2\n120 1 2\n240 1 2\n",
        "one-angle": "at 5000\n0 1 2\n0 1 3\n0 1 4\n",
        "wide": "at 100\n0 1000 0\n90 0 1000\n180 -1000 0\n270 0 -1000\nat 100000\n0 0 0\n90 0 0\n180 0 0\n",
        "wild": "at 5000\n0 1000 -1000\n3 -1000 1000\n90 999 1\n200 1e-300 -1e-300\n",
        "almost-as-far": near + near.replace("1000", "1000.0001"),
        "many": "at 5000\n" + "".join(f"{a} {a % 7} {a % 5}\n" for a in range(64)),
        "too-many": "at 5000\n" + "0 1 2\n" * 70,
        "nan": "at nan\n0 nan inf\n",
        "empty": "",
    }
    return {name: text.encode() for name, text in texts.items()}


def turnlogs():
    entry = "coma x=-1.15 y=1.55 xx=0.0004 xy=0 yy=0.0004 allowed=0.74 star=318.4,226.7 frame=640x440 date=2031-10-09T19:38:00"
    rounds = f"{entry} end\n{entry} A=+0.25 B=-0.25 end\n"
    donut = ('{"program":"plumb-donut","width_px":640,"height_px":440,"axis_error_mm":1.9,"axis_error_mm_sigma":0.02,'
             '"axis_error_deg":126.5,"axis_allowed_mm":0.75,"donuts":[{"used":true,"snr":60,"x_px":318,"y_px":226}]}\n')
    sweep = ('{"program":"plumb-sweep","side_known":true,"zone_um":8,"surface":{"tilt_x_um_mm":1.2,"tilt_x_um_mm_sigma":0.1,'
             '"tilt_y_um_mm":-0.7,"tilt_y_um_mm_sigma":0.1,"tilt_xy_correlation":0.1,"width_mm":23.5,"height_mm":15.7}}\n')
    texts = {
        "rounds": rounds,
        "broken": rounds + entry[:50],
        "no-end": entry + "\n" + rounds,
        "open-ended": rounds.rstrip("\n"),
        "remarks": "# mine\n\n" + rounds + "#" + rounds,
        "tilt": "tilt x=1 y=-2 xx=0.01 xy=0.001 yy=0.02 end\n" * 3,
        "huge": "tilt x=1e5 y=1e-300 xx=1e-300 xy=0 yy=1e5 allowed=1e-9 A=8 end\ntilt x=0 y=0 xx=1e5 xy=0 yy=1e-300 B=-8 end\n",
        "bad-word": entry + " A=1 A=2 end\n",
        "nan": "tilt x=nan y=inf xx=1 xy=0 yy=1 end\n",
        "many-words": "coma " + "x=1 " * 60 + "end\n",
        "donut": donut,
        "sweep": sweep,
        "nulls": donut.replace("1.9", "null"),
        "deep": "[" * 3000,
        "empty": "",
    }
    return {name: text.encode() for name, text in texts.items()}


def nightlogs():
    sub = ('{"program":"plumb-check","file":"sub-%d.fits","date_obs":"2031-10-09T%02d:%02d:00","exposure_s":240,"temperature_c":%.1f,"altitude_deg":%d,'
           '"position_steps":%s,"defocus_um":%.1f,"defocus_um_sigma":2.0,"zone_um":13,"surface_known":true,"surface_fits":true,"seeing_arcsec":2.4,'
           '"fwhm_px":2.7,"chi":%.2f,"chi_sigma":0.01,"stars_used":%d,"noise_adu":%.1f}\n')
    def night(n, position, end=""):
        return "".join(sub % (k, 20 + k // 12, 5 * (k % 12), 9 - 0.1 * k, 40 + k, position % (5000 + 3 * (k // 8)) if "%" in position else position,
                              -2.0 * (k % 8), 0.3 if k == 5 else 0.02, 90 if k == 6 else 300, 30 if k == 7 else 12) for k in range(n)) + end
    texts = {
        "positions": night(24, "%d"),
        "none": night(24, "null"),
        "few": night(3, "5000"),
        "twice": night(4, "5000") * 2,
        "cut": night(6, "5000")[:-40],
        "huge": night(8, "1e308", '{"program":"plumb-watch","file":"\\u0000","fwhm_px":1e9999}\n'),
        "types": '{"program":"plumb-check","file":"a","fwhm_px":"3","date_obs":7,"chi":[1],"object":null}\n',
        "ages": '{"program":"plumb-check","file":"a","fwhm_px":3,"date_obs":"1800-01-01"}\n{"program":"plumb-check","file":"b","fwhm_px":3,"date_obs":"2999-12-31T23:59:59+05:30"}\n',
        "other": '{"program":"plumb-field","file":"a","fwhm_px":3}\n',
        "deep": "[" * 3000,
        "empty": "",
    }
    return {name: text.encode() for name, text in texts.items()}


def watchlogs():
    def line(k, more="", file="sub-%d.fits"):
        return ('{"program":"plumb-watch","file":"' + file % k + '","sha256":"%064x","bytes":%d,"modified_ns":%d,"reference":%s,"fwhm_px":2.7,"defocus_um":-3.1,'
                '"defocus_um_sigma":2,"zone_um":13,"transparency":%.3f,"transparency_sigma":0.01,"spread":1.0,"spread_sigma":0.01,"airmass":1.2,'
                '"minutes_since_2000":%.1f,"verdict":{"state":"inside","cause":"none"}%s}\n') % (
                    k, 5760 + k, 1949344680000000000 + k, '"sub-0.fits"' if k else "null", 1 - 0.02 * k, 16714000 + 4 * k, more)

    night = "".join(line(k) for k in range(20))
    texts = {
        "night": night,
        "torn": night[:-100],
        "torn-first": night[:200],
        "torn-at-the-brace": line(0) + "{",
        "long": "".join(line(k) for k in range(90)),
        "twice": line(1) + line(1) + line(1, "", "again-%d.fits"),
        "strangers": line(0) + "{}\n[]\n{\"program\":\"plumb-field\"}\nnoise\n\n" + line(1),
        "no-log": "once upon a time",
        "no-log-at-the-end": line(0) + "my remark without an end",
        "not-measured": '{"program":"plumb-watch","file":"a.fits","sha256":"' + "0f" * 32 + '","error":"no stars"}\n' + line(1),
        "short-digest": line(0).replace("0" * 64, "0" * 63),
        "no-digits": line(0).replace("0" * 64, "xyz " * 16),
        "extremes": line(0).replace("2.7", "1e308").replace("13", "-1e308").replace("5760", "-9223372036854775808").replace("16714000.0", "1e300"),
        "beyond": line(0).replace("2.7", "1e999"),
        "nought": line(0).replace('"transparency":1.000', '"transparency":0').replace('"spread":1.0', '"spread":-1'),
        "types": line(0).replace("2.7", '"2.7"').replace("5760", "[5760]").replace('{"state":"inside","cause":"none"}', "7"),
        "long-name": line(0, "", "n" * 3000 + "%d.fits") + line(1).replace("sub-0", "r" * 3000),
        "folders": line(0, "", "/a/b/%d/") + line(1).replace('"sub-0.fits"', '""'),
        "nul": line(0).replace("sub-0", "a\0b") + line(1).replace("sub-1", "a\\u0000b"),
        "carriage-returns": night.replace("\n", "\r\n"),
        "deep": '{"a":' + "[" * 3000 + "\n" + line(0),
        "mark": "\ufeff" + line(0),
        "empty": "",
        "newline": "\n",
    }
    return {name: text.encode() for name, text in texts.items()}


def positions():
    def names(pattern, values):
        return "\n".join(pattern % ((i,) * (pattern.count("%") - 1) + (v,)) for i, v in enumerate(values))

    steps = [4970, 4985, 5000, 5015, 5030]
    texts = {
        "list": "4980,5000,5020",
        "list-signs": "-1e3,+2.5,0,-0",
        "list-gaps": ",,5000,,",
        "list-ends": "5000,5010,",
        "list-words": "nan,inf,0x10,1e400,12um, 5",
        "list-long": ",".join("%d" % k for k in range(4000)),
        "list-digits": "9" * 31 + "," + "9" * 32,
        "names": names("focus_%04d_pos%d.fits", steps),
        "dates": names("2031-10-09_20-41-%02d_F%d.fit.fz", steps),
        "packed": names("20311009T2041%02d.123_%d.fits", steps),
        "seconds": "\n".join("20311009 20:41:0%d.%d f%d" % (i, i, v) for i, v in enumerate(steps)),
        "signs": names("a_%02d_%d", [-20, -10, 0, 10, 20]),
        "points": "\n".join("f12.%d.fits" % k for k in (5, 7, 9)),
        "whole-points": "\n".join("f1%d.%d.fits" % (k, k) for k in (5, 7, 9)),
        "counting": names("sub_%d.fits", [1, 2, 3, 5, 6]),
        "two": "\n".join("a%d_b%d" % (k * k, -k) for k in range(5)),
        "unlike": "a1\nb\nc1_2",
        "many-numbers": "\n".join("_".join("%d" % (i * k) for k in range(60)) for i in range(4)),
        "long-numbers": "\n".join("f" + "1" * n for n in range(1, 14)),
        "nine-digits": "f999999999\nf-999999999\nf 999999999",
        "fits-in-it": names("%d.fits.fits.gz", steps),
        "slashes": "a/5/\nb/6/\nc/7/",
        "bytes": "f\u0665\nf\u0666\nf\u00b2",
        "same": "f5000\nf5000\nf5000",
        "one": "f5000",
        "lines": "\n" * 60,
        "empty": "",
    }
    return {name: text.encode() for name, text in texts.items()}


def main():
    if len(sys.argv) != 3:
        sys.exit("usage: seeds.py MKFRAME DIR")
    maker, top = sys.argv[1:]
    for name, seeds in (("frame", frames() | tiles()), ("profile", profiles()), ("scene", scenes()), ("turnlog", turnlogs()),
                        ("nightlog", nightlogs()), ("watchlog", watchlogs()), ("marks", marks()), ("positions", positions())):
        folder = os.path.join(top, name)
        os.makedirs(folder, exist_ok=True)
        for seed, data in seeds.items():
            with open(os.path.join(folder, seed), "wb") as f:
                f.write(data)
    sky = ["--width", "100", "--height", "76", "--stars", "12", "--grid", "--fwhm", "2.5", "--snr", "60:400"]
    for seed, more in {"stars": [], "stars-mosaic": ["--mosaic", "RGGB"], "stars-rice": ["--compress", "rice"], "stars-8": ["--bitpix", "8", "--sky", "20", "--pedestal", "5", "--snr", "20:60"],
                       "stars-gzip": ["--compress", "gzip"], "stars-float": ["--bitpix", "-32", "--nan", "40"]}.items():
        subprocess.run([maker, "--out", os.path.join(top, "frame", seed), *sky, *more], check=True)


if __name__ == "__main__":
    main()
