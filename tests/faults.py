#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""faults.py BUILD [--quick] [--allocations N] [--calls N] [--every N] [--jobs N] [ROW...] - every program with faults from BUILD/faulty (tests/fault.c):
each of its own allocations fails once, and once with all after it, those of GSL and jansson among them, and some of
cairo's; each of its calls to the system fails, finds the disc full, is interrupted or cut short; SIGTERM and SIGKILL come
at each. Then:

  the program ends with status 2 and a sentence, or as it does without the fault, having printed the same to the last byte;
  it never crashes or hangs; by a signal it ends as signals end;
  a file it writes is whole, the old or the new one; a log is as it was, or one line longer; a killed one may leave a torn
  last line and a hidden .part file, all others none;
  run again it does its work as if nothing had been.

Every allocation, cairo's too, or --allocations (1500) of them evenly spread; of the calls, where there are more than --calls
(60), so many evenly spread and the last ones: a frame is read in strips that are all alike. --quick takes a few of each of a
few programs, --every N each N-th fault. Last line: N passed, N failed."""
import argparse
import concurrent.futures
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time

HERE = os.path.dirname(os.path.abspath(__file__))
LAST = 20
QUICK = ("field", "turn", "night", "sim")
PROFILE = os.path.join(HERE, "..", "samples", "evening.ini")
SCREWS = """[scope]
focal_mm = 870
[cell]
radius_mm = 110
angles_deg = 90, 210, 330
pitch_mm = 1
kind = pushpull
clockwise = in
columns_deg = 0
rows_deg = 90
"""
SCENE = "[field]\nstars = 25\nlayout = grid\nmag_bright = 7\nmag_faint = 8.5\n"
SERIES = "[series]\nframes = 5\nfrom_steps = 4970\nto_steps = 5030\nbest_steps = 5000\n"
MEASURED = {"program": "plumb-donut", "schema": 1, "width_px": 640, "height_px": 440, "axis_error_mm": 2.2, "axis_error_mm_sigma": 0.02,
            "axis_error_deg": 63, "axis_allowed_mm": 0.75, "date_obs": "2031-10-09T19:38:00",
            "donuts": [{"used": True, "snr": 60, "x_px": 320, "y_px": 224.0}]}
OLD = b"what was here before\n"
AGAIN = b"; it is tried again\n"
TORN = b"is taken off\n"  # a log's last line; it comes anew


class Row:
    """A command; what it writes: name -> what is there before (None: nothing); the one that is a log."""

    def __init__(self, name, command, writes=None, log=None):
        self.name, self.writes, self.log = name, writes or {}, log
        self.program = command.split()[0]
        self.command = command.split()


def rows(made):
    with open(PROFILE, "rb") as f:
        profile = f.read()
    entry = b"coma x=-1.15 y=1.55 xx=0.0004 xy=0 yy=0.0004 allowed=0.74 star=318,226 frame=640x440 date=2031-10-09T19:30:00 end\n"
    p, png = f"-p {PROFILE}", {"a.png": OLD}
    watch = f"plumb-watch -j 1 {p} --log w.jsonl --png a.png {made}/folder"
    return [
        Row("zone", f"plumb-zone {p} --png a.png", png),
        Row("field", f"plumb-field -j 1 {p} --table a.ecsv --json --stars {made}/small.fits", {"a.ecsv": OLD}),
        Row("field-png", f"plumb-field -j 1 {made}/packed.fits --png a.png --against {made}/small.fits", png),
        Row("donut", f"plumb-donut -j 1 {p} {made}/donut.fits --png a.png", png),
        Row("donut-save", f"plumb-donut -j 1 -p p.ini --hand --side out --save {made}/hand.fits", {"p.ini": profile, "p.ini~": None}),
        Row("sweep", f"plumb-sweep -j 1 {p} --json {made}/s-0001.fits {made}/s-0002.fits {made}/s-0003.fits {made}/s-0004.fits {made}/s-0005.fits"),
        Row("sweep-save", f"plumb-sweep -j 1 -p p.ini --save --png a.png {made}/s-0001.fits {made}/s-0002.fits {made}/s-0003.fits "
            f"{made}/s-0004.fits {made}/s-0005.fits", {"p.ini": profile, "p.ini~": None, **png}),
        Row("check", f"plumb-check -j 1 -p {HERE}/cli/check.ini --png a.png {made}/s-0002.fits", png),
        Row("tilt", f"plumb-tilt -p {HERE}/cli/tilt.ini --png a.png", png),
        Row("tilt-frame", f"plumb-tilt -j 1 {p} --json {made}/s-0003.fits"),
        Row("turn", f"plumb-turn learn t.log {made}/donut.json A=-1/4 B=1/4 -p {made}/screws.ini --png a.png", {"t.log": entry, **png}, "t.log"),
        Row("night", f"plumb-night {p} --kept kept --dropped dropped --png a.png {made}/night.jsonl", {"kept": OLD, "dropped": None, **png}),
        Row("night-frames", f"plumb-night -j 1 {p} --json {made}/s-0002.fits {made}/s-0003.fits {made}/s-0004.fits"),
        Row("laser", f"plumb-laser {p} {HERE}/../samples/laser-marks.txt --png a.png", png),
        Row("laser-eye", f"plumb-laser {p} --json --circle 5000:12 --circle 1000:3"),
        Row("sim", f"plumb-sim -j 1 {p} --width-px 40 --height-px 30 --packed -o a.fits {made}/scene.ini", {"a.fits": OLD, "a.truth.jsonl": OLD}),
        Row("watch", watch, {"w.jsonl": None, **png}, "w.jsonl"),
        Row("watch-on", watch, {"w.jsonl": Run.read(made, "w.jsonl"), **png}, "w.jsonl"),
    ]


def make(build, made, quick=False):
    """The inputs; with quick only those of QUICK."""
    sim = [f"{build}/plumb-sim", "-q", "-p", PROFILE, "-o"]
    for name, text in {"scene": "[field]\nstars = 3\n", "series": SCENE + SERIES,
                       "donut": "[field]\nlist = one\n[focus]\ndefocus_um = 400\n", "hand":
                       "[field]\nlist = one\n[focus]\ndefocus_um = 400\n[scope]\nvanes = 1\nvane_mm = 100\nvane_deg = 40\n"}.items():
        with open(f"{made}/{name}.ini", "w") as f:
            f.write(text)
    with open(f"{made}/one", "w") as f:
        f.write("75 60 4\n")
    with open(f"{made}/screws.ini", "w") as f:
        f.write(SCREWS)
    with open(f"{made}/donut.json", "w") as f:
        json.dump(MEASURED, f)
    with open(os.path.join(HERE, "..", "samples", "night.jsonl")) as f, open(f"{made}/night.jsonl", "w") as out:
        out.writelines(f.readlines()[:12])
    for what in (["small.fits", "--bitpix", "16"], ["packed.fits", "--compress", "rice"]):
        subprocess.run([f"{build}/tests/mkframe", "--width", "160", "--height", "120", "--stars", "30", "--grid", "--snr", "50:500", "--seed", "7",
                        "--out", f"{made}/{what[0]}", *what[1:]], check=True)
    if quick:
        return
    for frame in ("donut", "hand"):
        subprocess.run(sim + [f"{made}/{frame}.fits", "--width-px", "150", "--height-px", "120", f"{made}/{frame}.ini"], check=True, stdout=subprocess.DEVNULL)
    subprocess.run(sim + [f"{made}/s.fits", "--width-px", "200", "--height-px", "150", f"{made}/series.ini"], check=True, stdout=subprocess.DEVNULL)
    os.mkdir(f"{made}/folder")
    shutil.copy(f"{made}/small.fits", f"{made}/folder/sub.fits")
    Run(build, next(r for r in rows(made) if r.name == "watch"), made, programs=".")


class Run:
    """A command that ran in a folder: status, what it printed, the files."""

    def __init__(self, build, row, folder, fault=None, programs="faulty"):
        env = dict(os.environ, FAULT_COUNT=os.path.join(folder, ".count"), **({"FAULT": fault} if fault else {}))
        command = [os.path.join(build, programs, row.command[0])] + row.command[1:]
        with open(f"{folder}/.out", "wb") as out, open(f"{folder}/.err", "wb") as err:
            process = subprocess.Popen(command, cwd=folder, env=env, stdin=subprocess.DEVNULL, stdout=out, stderr=err)
        if row.program == "plumb-watch":
            self.until_line(process, folder)
        try:
            self.status = process.wait(60)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            self.status = "no end"
        self.out, self.err = self.read(folder, ".out"), self.read(folder, ".err")
        self.files = self.all_of(row, folder)
        self.parts = [n for n in os.listdir(folder) if n.endswith(".part")]

    @staticmethod
    def all_of(row, folder):
        return {name: Run.read(folder, name) for name in row.writes}

    @staticmethod
    def until_line(process, folder):
        """The watch has no end of its own: it gets one when its line is there, or it says why none is."""
        end = time.monotonic() + 20
        while process.poll() is None and time.monotonic() < end:
            log, begun, said = Run.read(folder, "w.jsonl"), Run.read(folder, ".out"), Run.read(folder, ".err")
            if (begun and log and log.endswith(b"\n")) or (said and said.endswith(b"\n") and not said.endswith((AGAIN, TORN))):
                break
            time.sleep(0.01)
        try:
            process.wait(0 if Run.read(folder, ".out") else 2)  # what cannot begin ends of itself
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGTERM)

    @staticmethod
    def read(folder, name):
        try:
            with open(os.path.join(folder, name), "rb") as f:
                return f.read()
        except FileNotFoundError:
            return None

    def counted(self, folder):
        return [int(n) for n in Run.read(folder, ".count").split()]


def fresh(top, row):
    """A folder for it with what is to be there before."""
    folder = tempfile.mkdtemp(dir=top, prefix=row.name + "-")
    for name, old in row.writes.items():
        if old is not None:
            with open(os.path.join(folder, name), "wb") as f:
                f.write(old)
    return folder


def wrong(row, fault, good, got, again):
    """What is not as it should be, in words."""
    kind = fault.split(":")[0]
    deadly = {"term": -signal.SIGTERM, "kill": -signal.SIGKILL}.get(kind)
    allowed = [deadly] if deadly else [good.status] if kind in ("short", "eintr") else [good.status, 2]
    if kind == "draw":  # cairo 1.16's rasteriser, where its memory is short, jumps to a frame that is gone; the C library or cairo may see it
        seen = b"longjmp causes" in got.err or b"_cairo_error: Assertion" in got.err
        allowed += [-signal.SIGSEGV, -signal.SIGBUS] + [-signal.SIGABRT] * seen
    if kind == "term" and row.program == "plumb-watch":
        allowed = [0, 2] if got.out else [0, 2, deadly]  # before it says a word it ends as others do
    if got.status not in allowed:
        yield f"status {got.status}: {got.err[-300:]}"
    if got.status == 2 and not got.err.strip():
        yield "status 2 without a word"
    named = kind == "eio" and row.name == "night-frames" and b".fits: " in got.err  # a night without one of its frames
    if got.status == good.status and got.out != good.out and not named and row.program != "plumb-watch":
        yield f"prints something else: {got.out[:200]}"
    if got.parts and kind != "kill":
        yield f"leaves {got.parts}"
    for name, old in row.writes.items():
        torn = name == row.log and kind in ("kill", "term") and got.files[name] and good.files[name].startswith(got.files[name])
        now = got.files[name]
        if now not in (old, good.files[name]) and not torn and not (name == row.log and old is None and now == b""):
            yield f"{name} is neither old nor new: {now!r:.120}"
    if row.program == "plumb-turn" and got.status == 2 and got.files[row.log] != row.writes[row.log] and b"was added" not in got.err:
        yield "a line was added, and it does not say so"
    is_known = row.program == "plumb-turn" and again.status == 2 and b"is in the log already" in again.err
    if again.status != good.status and not is_known:
        yield f"run again: status {again.status}: {again.err[-300:]}"
    for name in row.writes:
        if name != row.log and not is_known and again.files[name] != good.files[name] and not name.endswith("~"):
            yield f"run again: {name} is not the new one"
    if row.log and not again.files[row.log].endswith(good.files[row.log].splitlines(True)[-1]):
        yield f"run again: {row.log} ends {again.files[row.log][-200:]}"
    if got.err.endswith(AGAIN) and not kind.startswith("alloc+") and got.files[row.log] != good.files[row.log]:
        yield "is said to be tried again, and no line comes of it"
    if row.program == "plumb-watch" and again.files[row.log] != good.files[row.log]:
        yield "run again: the log has not just its line"


def spread(n, most):
    return sorted({*(i * n // min(n, most) for i in range(min(n, most))), *range(max(0, n - LAST), n)})


def faults(allocations, drawn, calls, a):
    if a.quick:  # the last calls: open, write, fsync, close, rename
        write, sync, rename = calls - 4, calls - 3, calls - 1
        return [f"alloc:{allocations // 3}", f"alloc:{allocations - 2}", f"alloc+:{allocations // 2}", f"eio:{sync}", f"eio:{rename}", f"full:{write}",
                f"term:{write}", f"term:{rename}", f"kill:{write}", f"kill:{rename}", "short:0", "eintr:0"]
    return [f"{k}:{n}" for k in ("alloc", "alloc+") for n in spread(allocations, a.allocations)] + [f"draw:{n}" for n in spread(drawn, a.allocations)] + \
           [f"{k}:{n}" for k in ("eio", "full", "term", "kill") for n in spread(calls, a.calls)] + ["short:0", "eintr:0"]


def try_row(build, top, row, a, pool):
    folder = fresh(top, row)
    good = Run(build, row, folder)
    if good.status not in (0, 1):
        return 0, [f"{row.name}: without a fault: status {good.status}: {good.err[-300:]}"]
    allocations, drawn, calls = good.counted(folder)
    old = Run.all_of(row, fresh(top, row))

    def one(fault):
        here = fresh(top, row)
        got = Run(build, row, here, fault)
        for name in got.parts:
            os.unlink(os.path.join(here, name))
        untouched = fault.startswith(("alloc", "draw")) and got.files == old and row.program != "plumb-watch"
        said = list(wrong(row, fault, good, got, good if untouched else Run(build, row, here)))
        shutil.rmtree(here)
        return [f"{row.name} {fault}: {s}" for s in said]

    tried = faults(allocations, drawn, calls, a)[::a.every]
    said = list(pool.map(one, tried))
    print(f"{row.name:13} {allocations} allocations, {drawn} of cairo, {calls} calls: {len(tried)} faults tried", flush=True)
    return sum(not s for s in said), [s[0] for s in said if s]


def main():
    p = argparse.ArgumentParser()
    p.add_argument("build")
    p.add_argument("--quick", action="store_true")
    p.add_argument("--allocations", type=int, default=1500, metavar="N")
    p.add_argument("--calls", type=int, default=60, metavar="N")
    p.add_argument("--every", type=int, default=1, metavar="N")
    p.add_argument("--jobs", type=int, default=2, metavar="N")
    p.add_argument("row", nargs="*")
    p.add_argument("--keep", metavar="FOLDER", help="make inputs and folders there, print the commands, and end")
    a = p.parse_intermixed_args()
    if a.keep:
        make(os.path.abspath(a.build), a.keep)
        for row in rows(a.keep):
            os.rename(fresh(a.keep, row), f"{a.keep}/{row.name}")
            print(row.name, *row.command)
        return 0
    top = tempfile.mkdtemp(prefix="plumb-faults-")
    good, bad = 0, []
    try:
        build, made = os.path.abspath(a.build), os.path.join(top, "made")
        os.mkdir(made)
        make(build, made, a.quick)
        with concurrent.futures.ThreadPoolExecutor(a.jobs) as pool:
            for row in rows(made):
                if row.name in (a.row or (QUICK if a.quick else [row.name])):
                    well, said = try_row(build, top, row, a, pool)
                    good, bad = good + well, bad + said
    finally:
        shutil.rmtree(top, ignore_errors=True)
    for line in bad:
        print("FAIL " + line)
    print(f"{good} passed, {len(bad)} failed")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
