#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every example of the man pages and of README.md, as a person types it.

usage: examples.py BUILD

The examples of a page run one after the other in a folder of their own, beside which stand the files they
name: the samples, and what only its owner has (my.ini, lights/...) made from them. An example passes when
it ends with status 0 or 1, complains of no option, and answers. Of README.md each line shown must be said,
in that order; `...` stands for any lines."""
import os
import re
import shutil
import subprocess
import sys
import tempfile

TOP = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
SAMPLES = os.path.join(TOP, "samples")
SWEEP = [os.path.join(SAMPLES, f"sweep-000{k}.fits.fz") for k in range(1, 8)]
HAND = "[scope]\nvanes = 1\nvane_mm = 100\nvane_deg = 40\n"  # before the tube
EXAMPLES = re.compile(r"^\.Sh (?:EXAMPLES|THE EVENING)$", re.M)
ENDLESS = "plumb-watch"  # until a signal comes; then it ends well


def run(command, cwd, seconds=60):
    """Status and both outputs of a shell command; what has no end gets SIGTERM after 4 s."""
    if command.lstrip().startswith(ENDLESS):
        command = f"exec timeout --preserve-status -s TERM 4 {command}"
    r = subprocess.run(["sh", "-c", command], cwd=cwd, capture_output=True, text=True, timeout=seconds)
    return r.returncode, r.stdout, r.stderr


def stage(here, build):
    """The files and commands that the examples name."""
    notify = os.path.join(here, "bin", "notify")
    os.mkdir(os.path.dirname(notify))
    with open(notify, "w") as f:
        f.write("#!/bin/sh\n")
    os.chmod(notify, 0o755)
    os.environ["PATH"] = os.pathsep.join([build, os.path.dirname(notify), os.environ["PATH"]])
    os.environ["TASK"] = "1"
    os.symlink(SAMPLES, os.path.join(here, "samples"))
    shutil.copy(os.path.join(SAMPLES, "evening.ini"), os.path.join(here, "my.ini"))
    shutil.copy(os.path.join(SAMPLES, "night.jsonl"), here)  # where there is no parallel to make it
    surface, series = ["plumb-sweep", "-q", "--measured-ok", "-p", "my.ini"], []
    for folder in "lights", "subs":
        os.mkdir(os.path.join(here, folder))
    for k, frame in enumerate(SWEEP):
        series.append(os.path.join(here, f"focus-{k}.fits"))
        shutil.copy(frame, series[-1])
        if k in (2, 3, 4):
            shutil.copy(frame, os.path.join(here, "lights", f"light-{k}.fits"))
    shutil.copy(SWEEP[3], os.path.join(here, "subs", "sub_0001.fits"))
    for name, frame in ("sub_0042", 4), ("before", 2), ("after", 4):  # 22 steps of 4.5 um between these
        shutil.copy(SWEEP[frame], os.path.join(here, name + ".fits"))
    for name, star in ("ring-1", "out"), ("ring-2", "out"), ("after-1", "true"), ("subs/ring", "out"), ("out", "out"), ("in", "in"), ("turned", "true"):
        shutil.copy(os.path.join(SAMPLES, f"donut-{star}.fits.fz"), os.path.join(here, name + ".fits"))
    shutil.copy(os.path.join(SAMPLES, "sub-even.fits.fz"), os.path.join(here, "first.fits"))
    shutil.copy(SWEEP[4], os.path.join(here, "last.fits"))
    shutil.copy(os.path.join(SAMPLES, "laser-marks.txt"), os.path.join(here, "marks.txt"))
    scene = open(os.path.join(TOP, "tests/cli/donut.ini")).read() + HAND
    with open(os.path.join(here, "hand.ini"), "w") as f:
        f.write(scene)
    shutil.copy(os.path.join(TOP, "tests/cli/donut.stars"), here)
    subprocess.run("plumb-sim -q -p my.ini -o hand.fits hand.ini".split(), cwd=here, check=True, capture_output=True)
    subprocess.run(surface + ["--save"] + series, cwd=here, check=True, capture_output=True)
    for name in "before.json", "after.json":
        with open(os.path.join(here, name), "w") as f:
            subprocess.run(surface + ["--json"] + series, cwd=here, check=True, stdout=f)
    stage_demo(here)


def stage_demo(here):
    """The demo's folder once the sensor is square: the profile with its surface, exposures of the night."""
    shutil.copy(os.path.join(SAMPLES, "evening.ini"), here)
    for command in ("plumb-sim -q -p evening.ini -o squared.fits samples/squared.ini",
                    "plumb-sweep -q -p evening.ini --save --measured-ok squared-*.fits", "sh samples/subs.sh"):
        subprocess.run(command, shell=True, cwd=here, check=True, capture_output=True)


def examples(page):
    """Commands of a page's EXAMPLES or of its evening, in order; text that a page shows with `cat FILE` becomes that file."""
    with open(page) as f:
        text = f.read()
    text = EXAMPLES.split(text)[1].split("\n.Sh ")[0].replace("\\e", "\\")
    commands = []
    for piece in re.findall(r"^\.Dl ([^\n]*)$|^\.Bd -literal[^\n]*\n(.*?)^\.Ed$", text, re.M | re.S):
        if piece[0]:
            commands.append(piece[0].removeprefix("$ "))
            continue
        body = piece[1].replace("\\\n", "")
        for part in re.split(r"^(?=\$ )", body, flags=re.M) if "$ " == body[:2] else body.splitlines():
            part = part.removeprefix("$ ")
            if part.startswith("cat "):
                name, content = part[4:].split("\n", 1)
                commands.append(f"cat > {name} <<'END'\n{content}END")
            elif part.startswith("["):  # part of a scene: keys, no command
                break
            elif part.strip():
                commands.append(part.strip())
    return commands


def complaint(command, cwd):
    """What is wrong with an example; '' when nothing is."""
    status, out, err = run(command, cwd)
    if status not in (0, 1):
        return f"status {status}: {err.strip()[-200:]}"
    if "usage:" in err or "option" in err:
        return err.strip()[-200:]
    made = re.findall(r"(?:>| --png| --table| --kept| --log| -o) +([\w./$-]+)", command)
    if not out.strip() and not made:
        return "says nothing"
    for name in made:
        path = os.path.join(cwd, name.replace("$TASK", os.environ["TASK"]))
        if not os.path.exists(path):
            return f"{name} was not made"
    return ""


def shown(block, cwd):
    """What README.md shows and the program does not say; '' when all is said."""
    head, *lines = block.strip("\n").split("\n")
    said = run(head.removeprefix("$ "), cwd)[1].splitlines()
    for line in lines:
        if line.strip() == "...":
            continue
        if line not in said:
            return f"not said: {line}"
        said = said[said.index(line) + 1:]
    return ""


def main():
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    build = os.path.abspath(sys.argv[1])
    passed, failed, skipped = 0, 0, 0
    with tempfile.TemporaryDirectory() as here:
        stage(here, build)
        todo = []
        for page in sorted(os.listdir(os.path.join(TOP, "man"))):
            path = os.path.join(TOP, "man", page)
            if EXAMPLES.search(open(path).read()):
                todo += [(page, c, complaint) for c in examples(path)]
        with open(os.path.join(TOP, "README.md")) as f:
            blocks = re.findall(r"^```\n(\$ plumb-.*?)^```$", f.read(), re.M | re.S)
        todo += [("README.md", b, shown) for b in blocks]
        for page, command, judge in todo:
            needs = [w for w in ("jq", "parallel") if re.search(rf"\b{w}\b", command) and not shutil.which(w)]
            if needs or "-S " in command:
                print(f"skip {page}: {command}: needs {needs[0] if needs else 'other computers'}")
                skipped += 1
                continue
            wrong = judge(command, here)
            print(f"{'FAIL' if wrong else 'ok'} {page}: {command.splitlines()[0]}" + (f": {wrong}" if wrong else ""))
            passed, failed = passed + (not wrong), failed + bool(wrong)
    print(f"{passed} passed, {failed} failed, {skipped} skipped")
    return failed > 0


sys.exit(main())
