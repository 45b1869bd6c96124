#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""watchsoak.py BUILD [--arrivals N] [--seed S] - plumb-watch on a folder where everything happens:
files written whole, in pieces, renamed into place, many at once; duplicates, renamed, deleted,
rewritten and broken ones; calibration frames; names that mean something to a shell; a full disc for
the log; and SIGKILL at random times, after which it is started again. Then, of the log:

  every content that lies in the folder has exactly one line, and no content has two;
  no line is of a content that was never complete;
  every line is whole, and a broken frame's line says why;
  the command on a change never reads a file's name as its own text;
  memory stays flat; the watch ends with status 0 by SIGTERM.

SHA-256 is Python's own. Last line: N passed, N failed."""
import argparse
import hashlib
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time

MEMORY_KIB = 2048  # a watch may grow by, once it has drawn its first picture (which takes 8500)
PATIENCE = 3.0  # s, of the watch: what is written in pieces here is written faster


class Night:
    def __init__(self, build, top, rng):
        self.build, self.top, self.rng = build, top, rng
        self.folder = os.path.join(top, "subs")
        self.log = os.path.join(top, "night.jsonl")
        self.png = os.path.join(top, "night.png")
        self.marker = os.path.join(top, "pwned")
        os.mkdir(self.folder)
        self.base = [self.make(i) for i in range(6)]
        self.serial = 0
        self.whole = {}  # digest: whether it can be measured (None: is to have no line)
        self.names = []
        self.process = None
        self.kills = self.fulls = self.stalls = 0
        self.err = open(os.path.join(top, "stderr"), "ab")

    def make(self, i):
        """A frame, and whether it can be measured. The first one has stars enough for an answer, the
        others for little more than a word: they are quick."""
        path = os.path.join(self.top, "base.fits")
        size = ["--width", "240", "--height", "180", "--stars", "40", "--grid"] if i == 0 else \
               ["--width", "120", "--height", "90", "--stars", "8"]
        subprocess.run([f"{self.build}/tests/mkframe", "--out", path, "--snr", "60:400", "--seed",
                        str(i)] + size, check=True)
        said = subprocess.run([f"{self.build}/plumb-check", "-q", path], stdout=subprocess.DEVNULL,
                              stderr=subprocess.DEVNULL)
        with open(path, "rb") as f:
            return f.read(), said.returncode != 2

    # ---- contents

    def frame(self, kind="Light Frame"):
        """A frame that no other one is equal to: two cards before END."""
        which = self.rng.randrange(len(self.base))
        data, self.measurable = bytearray(self.base[which][0]), self.base[which][1]
        end = data.index(b"END" + b" " * 77)
        self.serial += 1
        cards = f"SERIAL  = {self.serial:20d}".ljust(80) + f"IMAGETYP= '{kind}'".ljust(80)
        cards += "END".ljust(80)
        assert data[end + 80:end + 240].strip() == b"", "no room in the header"
        data[end:end + len(cards)] = cards.encode()
        return bytes(data)

    def broken(self):
        data = self.frame()
        way = self.rng.randrange(3)
        if way == 0:
            return data[:self.rng.randrange(1, len(data) - 3000)]
        if way == 1:
            return self.rng.randbytes(self.rng.randrange(10, 5000))
        return data.replace(b"BITPIX  =", b"BITPOX  =", 1)

    def know(self, data, measurable):
        self.whole[hashlib.sha256(data).hexdigest()] = measurable

    # ---- arrivals

    def name(self):
        odd = ["", "", "", "", " a b", "'q'", '"', f"$(touch {self.marker.replace('/', '_')})",
               ";touch pwned;", "`touch pwned`", "\n", "\udcff\udcfe", "*", "&"]
        stem = f"{self.serial:06d}{self.rng.choice(odd)}"
        name = os.path.join(self.folder, stem + self.rng.choice([".fits", ".fit", ".FITS", ".fts"]))
        self.names.append(name)
        return name

    def put(self, name, data):
        with open(name, "wb") as f:
            f.write(data)

    def moved_in(self, data):
        part = os.path.join(self.folder, ".part")
        self.put(part, data)
        os.rename(part, self.name())

    def in_pieces(self, data):
        with open(self.name(), "wb", buffering=0) as f:
            cut = sorted(self.rng.randrange(len(data)) for _ in range(3))
            for a, b in zip([0] + cut, cut + [len(data)]):
                f.write(data[a:b])
                self.pause(0.1, data[:b])

    def closed_half_way(self, data):
        name, cut = self.name(), self.rng.randrange(1, len(data))
        self.put(name, data[:cut])
        self.pause(0.3, data[:cut])
        with open(name, "ab") as f:
            f.write(data[cut:])

    def pause(self, seconds, so_far):
        """Where the machine was too busy to go on in time, what is there so far may be read."""
        start = time.monotonic()
        time.sleep(self.rng.random() * seconds)
        if time.monotonic() - start > PATIENCE / 2:
            self.stalls += 1
            self.whole.setdefault(hashlib.sha256(so_far).hexdigest(), False)

    def some_name(self):
        self.names = [n for n in self.names if os.path.exists(n)]
        return self.rng.choice(self.names) if self.names else None

    def arrive(self):
        data = self.frame()
        what, old = self.rng.random(), self.some_name()
        if what < 0.72 or not old:
            self.know(data, self.measurable)
            way = self.rng.choice([self.moved_in, self.moved_in, self.in_pieces,
                                   self.closed_half_way, lambda d: self.put(self.name(), d)])
            way(data)
        elif what < 0.78:
            data = self.broken()
            self.know(data, False)
            self.moved_in(data)
        elif what < 0.82:
            with open(old, "rb") as f:
                self.moved_in(f.read())
        elif what < 0.86:
            os.rename(old, self.name())
        elif what < 0.90:
            os.unlink(old)
        elif what < 0.94:
            self.know(data, self.measurable)
            self.put(old, data)  # what it was before may have been read or not
        elif what < 0.97:
            data = self.frame(self.rng.choice(["Dark Frame", "FLAT", "bias"]))
            self.know(data, None)
            self.moved_in(data)
        else:
            self.put(os.path.join(self.folder, self.rng.choice(["notes.txt", ".hidden.fits"])),
                     data)

    # ---- the watch

    def start(self, quiet=True):
        command = 'test -z "$PLUMB_STATE" || true'
        self.started = time.time()
        self.process = subprocess.Popen(
            [f"{self.build}/plumb-watch", "--log", self.log, "--patience", str(PATIENCE), "-j", "1",
             "--on-change", command, "--png", self.png]
            + (["-q"] if quiet else []) + [self.folder],
            stdout=subprocess.DEVNULL, stderr=self.err, cwd=self.top)

    def kill(self):
        self.process.kill()
        self.process.wait()
        self.kills += 1
        self.start()

    def fill_disc(self):
        """No file may grow: as long as this lasts the log cannot be written."""
        size = os.path.getsize(self.log) if os.path.exists(self.log) else 0
        limit = size + self.rng.randrange(1500)
        resource.prlimit(self.process.pid, resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
        self.fulls += 1

    def empty_disc(self):
        whole = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
        resource.prlimit(self.process.pid, resource.RLIMIT_FSIZE, whole)

    def has_drawn(self):
        """Since its last start: fonts and the canvas stay with a process from its first picture on."""
        return os.path.exists(self.png) and os.path.getmtime(self.png) > self.started

    def resident_kib(self):
        with open(f"/proc/{self.process.pid}/status") as f:
            return next(int(line.split()[1]) for line in f if line.startswith("VmRSS"))

    # ---- the log

    def lines(self):
        with open(self.log, "rb") as f:
            return f.read().split(b"\n")

    def digests(self):
        out = []
        for line in self.lines():
            try:
                out.append(json.loads(line)["sha256"])
            except (ValueError, KeyError):
                pass
        return out

    def wanted(self):
        here = set()
        for name in os.listdir(self.folder):
            if name.startswith(".") or name.endswith(".txt"):
                continue
            with open(os.path.join(self.folder, name), "rb") as f:
                here.add(hashlib.sha256(f.read()).hexdigest())
        return {d for d in here if self.whole.get(d) is not None}


def soak(night, arrivals, quick):
    """Arrivals, kills and full discs; gives (KiB resident early, late) of the last, unkilled part."""
    rng, early, last_kill = night.rng, 0, int(0.6 * arrivals)
    night.start()
    full_until = 0
    for i in range(arrivals):
        if i % max(1, arrivals // 10) == arrivals // 20:
            for _ in range(min(1000, arrivals // 10)):  # many at once
                data = night.frame()
                night.know(data, night.measurable)
                night.moved_in(data)
        night.arrive()
        if i < last_kill and rng.random() < (0.05 if quick else 0.01):
            night.kill()
            full_until = 0
        elif rng.random() < (0.02 if quick else 0.003) and not full_until:
            night.fill_disc()
            full_until = i + 20
        elif full_until and i >= full_until:
            night.empty_disc()
            full_until = 0
        if not early and i >= last_kill + (arrivals - last_kill) // 4 and night.has_drawn():
            early = night.resident_kib()
        time.sleep(rng.random() * 0.02)
    if full_until:
        night.empty_disc()
    wait_for(night, 60 + arrivals * 0.3)
    return early, night.resident_kib()


def wait_for(night, seconds):
    end = time.monotonic() + seconds
    while time.monotonic() < end and night.process.poll() is None:
        if night.wanted() <= set(night.digests()):
            break
        time.sleep(0.5)
    time.sleep(2.5)  # what should not come may come now


def judge(night, early, late):
    digests, wanted = night.digests(), night.wanted()
    lines = night.lines()
    night.process.send_signal(signal.SIGTERM)
    status = night.process.wait(30)
    objects = [json.loads(line) for line in lines[:-1]]
    checks = {
        "every content in the folder has a line": not wanted - set(digests),
        "no content has two lines": len(digests) == len(set(digests)),
        "every line is of a content that was once complete":
            all(night.whole.get(d) is not None for d in digests),
        "every line is whole": lines[-1] == b"" and len(digests) == len(lines) - 1,
        "broken frames say why": all(("error" in o) != night.whole[o["sha256"]] for o in objects
                                     if o["sha256"] in night.whole),
        "no file's name was run": not os.path.exists(os.path.join(night.top, "pwned"))
                                  and not [n for n in os.listdir(night.top) if "pwned" in n],
        f"memory is flat: {early} KiB, then {late}": 0 < early and late < early + MEMORY_KIB,
        f"status 0 by SIGTERM: {status}": status == 0,
    }
    for what, good in checks.items():
        print(("ok   " if good else "FAIL ") + what)
    missing = wanted - set(digests)
    for d in sorted(missing)[:5]:
        print("     no line:", d)
    for o in [o for o in objects if ("error" in o) == night.whole.get(o["sha256"])][:5]:
        print("     not as it should be:", o.get("file"), o.get("error"))
    for o in [o for o in objects if night.whole.get(o["sha256"]) is None][:5]:
        print("     a line too many:", json.dumps(o)[:400], o.get("error"), o.get("bytes"),
              "a calibration frame" if o["sha256"] in night.whole else "")
    return list(checks.values())


def main():
    p = argparse.ArgumentParser()
    p.add_argument("build")
    p.add_argument("--arrivals", type=int, default=10000)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--quick", action="store_true")
    a = p.parse_args()
    if a.quick:
        a.arrivals = 320
    top = tempfile.mkdtemp(prefix="plumb-watch-")
    try:
        night = Night(os.path.abspath(a.build), top, random.Random(a.seed))
        started = time.monotonic()
        early, late = soak(night, a.arrivals // 2, a.quick)
        good = judge(night, early, late)
        print(f"{night.serial} contents, {len(night.digests())} lines, {night.kills} kills, "
              f"{night.fulls} full discs, {night.stalls} stalls, {time.monotonic() - started:.0f} s")
        print(f"{sum(good)} passed, {len(good) - sum(good)} failed")
        return 0 if all(good) else 1
    finally:
        shutil.rmtree(top, ignore_errors=True)


if __name__ == "__main__":
    sys.exit(main())
