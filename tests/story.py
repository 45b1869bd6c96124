#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""story.py BUILD - the demo as a stranger plays it, and its page: whole, self-contained, dark, readable on a phone;
every step with its question, command, answer, picture and what to do next. And that it stops loudly where one breaks.
Chromium is not needed: structure only. The last line is `N passed, N failed`."""
import html.parser
import os
import re
import shutil
import struct
import subprocess
import sys
import tempfile

BUILD = os.path.abspath(sys.argv[1])
TOP = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
VOID = {"meta", "img", "br", "link", "hr", "input"}
PARTS = ["desk", "daylight", "dusk", "focus", "first", "between", "nextday"]
passed = failed = 0


def check(what, good, got=""):
    global passed, failed
    if good:
        passed += 1
    else:
        failed += 1
        print(f"FAIL story: {what}: {str(got)[:600]}")


class Page(html.parser.HTMLParser):
    """The tags, whether they close in order, and the text and pictures of every step."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.tags, self.wrong, self.steps, self.parts, self.ids, self.links = [], set(), [], [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.tags.add(tag)
        kind = attrs.get("class", "")
        self.ids += [attrs["id"]] if "id" in attrs else []
        self.links += [attrs[k] for k in ("src", "href") if k in attrs]
        if tag == "section":
            self.parts.append(attrs["id"])
        if kind == "step":
            self.steps.append({"id": attrs["id"], "img": [], "link": []})
        if self.steps and kind in ("time", "question", "command", "warning", "verdict", "action", "lines", "status", "next"):
            self.steps[-1].setdefault(kind, []).append("")
        if self.steps and tag == "img":
            self.steps[-1]["img"].append(attrs)
        if self.steps and tag == "a":
            self.steps[-1]["link"].append(attrs.get("href"))
        if tag not in VOID:
            self.open.append((tag, kind))

    def handle_endtag(self, tag):
        if not self.open or self.open[-1][0] != tag:
            self.wrong.append((self.getpos(), tag))
        else:
            self.open.pop()

    def handle_data(self, data):
        for _, kind in self.open:
            if self.steps and kind in self.steps[-1] and kind != "step":
                self.steps[-1][kind][-1] += data


def demo(build, folder):
    return subprocess.run(["sh", os.path.join(TOP, "samples/demo.sh"), build, folder], capture_output=True, text=True, timeout=600, cwd=os.path.dirname(folder))


def told():
    """What demo.sh says of each step: its lines by kind, as the page must show them."""
    steps, now = {}, None
    with open(os.path.join(TOP, "samples/demo.sh")) as f:
        for line in f:
            if m := re.match(r'step ("[^"]*"|\S+) (\w+) <<', line):
                now = steps.setdefault(m[2], {})
            elif line.startswith("END"):
                now = None
            elif now is not None and (m := re.match(r"(\w+) +(.*)", line)):
                now.setdefault(m[1], []).append(m[2])
    return steps


def one_line(s):
    return " ".join(s.replace("\n", " ").split())


def judge_step(step, want, folder):
    name = step["id"]
    for kind in ("time", "question", "command", "status", "next"):
        check(f"{name} has its {kind}", step.get(kind) and all(one_line(s) for s in step[kind]), step)
    said = step.get("verdict") or step.get("lines")
    check(f"{name} is answered", said and one_line(said[0]), step)
    if not all(step.get(kind) for kind in ("question", "command", "next", "img")) or not said:
        return
    check(f"{name} asks what demo.sh asks", one_line(step["question"][0]) == " ".join(want["ask"]), step["question"])
    check(f"{name} tells what is next", one_line(step["next"][0]) == "Next " + " ".join(want["next"]), step["next"])
    check(f"{name} shows what is typed", step["command"][: len(want["run"])] == want["run"], step["command"])
    check(f"{name} draws for eyes used to the dark", "--red" in want["run"][-1], want["run"])
    with open(os.path.join(folder, name + ".txt")) as f:
        answer = [line for line in f.read().splitlines() if not line.startswith("$ ")]
    if answer[0].startswith("Laser: "):
        warning = answer[: answer.index("")]
        check(f"{name} warns first", [one_line(s) for s in step.get("warning", [])] == [one_line(" ".join(warning))], step)
        answer = answer[len(warning) + 1:]
    shown = one_line(said[0])
    check(f"{name} tells its exit status", re.fullmatch(r"exit status (0|1: act)", step["status"][0]), step["status"])
    check(f"{name} begins as the program does", shown.startswith(one_line(answer[0])), (shown, answer[0]))
    check(f"{name} shows one picture, and leads to it", len(step["img"]) == 1 and step["link"] == [name + ".png"], step)
    img = step["img"][0]
    with open(os.path.join(folder, img["src"]), "rb") as f:
        head = f.read(24)
    check(f"{name}: its picture is a PNG", head[:8] == b"\x89PNG\r\n\x1a\n", head)
    size = struct.unpack(">II", head[16:24])
    check(f"{name}: room is kept for it", (img.get("width"), img.get("height")) == tuple(map(str, size)), (img, size))
    check(f"{name}: its alternative says what is to be seen", img.get("alt") == " ".join(want["alt"]) and len(img["alt"]) > 40, img.get("alt"))


def judge_page(folder):
    with open(os.path.join(folder, "index.html"), encoding="utf-8") as f:
        text = f.read()
    page, want = Page(text), told()
    check("every tag is closed, in order", not page.wrong and not page.open, (page.wrong, page.open))
    check("no script, no frame, nothing loaded", not page.tags & {"script", "iframe", "link", "object", "embed", "base"}, page.tags)
    check("no address", not re.search(r"https?:|url\(|@import|@font-face", text))
    check("no name twice", len(page.ids) == len(set(page.ids)), page.ids)
    check("links lead somewhere", all(s[1:] in page.ids if s[0] == "#" else os.path.isfile(os.path.join(folder, s)) for s in page.links), page.links)
    for path in (TOP, BUILD, folder, "/tmp/", "/home/", os.path.expanduser("~") + "/"):
        check(f"no {path} in it", path not in text)
    check("parts in the order of the evening", page.parts == PARTS, page.parts)
    check("steps in the order of demo.sh", [s["id"] for s in page.steps] == list(want), [s["id"] for s in page.steps])
    times = [s["time"][0] for s in page.steps if re.fullmatch(r"\d\d:\d\d", s["time"][0])]
    check("time goes on", times[:-1] == sorted(times[:-1]) and len(times) >= 10, times)  # the last is the next day's
    for step in page.steps:
        judge_step(step, want[step["id"]], folder)
    check("a phone's width is the page's", '<meta name="viewport" content="width=device-width, initial-scale=1">' in text)
    check("pictures never wider than the page", re.search(r"^img \{[^}]*max-width: 100%", text, re.M))
    check("what cannot be narrower scrolls by itself", re.search(r"^details pre \{[^}]*overflow-x: auto", text, re.M))
    check("no width in fixed units", not re.search(r"[^-]width: *[0-9.]+(px|rem|em)(?!\))", re.sub(r"width: 9px", "", text)), "")
    colours = re.findall(r"#[0-9a-fA-F]{3,8}\b", re.sub(r'href="#\w+"', "", text))
    check("no blue in any colour", len(colours) > 5 and all(re.fullmatch(r"#[0-9a-f]{4}00", c) for c in colours), colours)
    check("dark before anything is drawn", re.search(r"^html \{\s*background: #000000", text, re.M) and "color-scheme: dark" in text)


def judge_words(run, folder):
    check("the demo runs", run.returncode == 0, run.stderr)
    check("and complains of nothing", run.stderr == "", run.stderr)
    check("the terminal says where the page is", run.stdout.rstrip().endswith(os.path.join(os.path.basename(folder), "index.html")), run.stdout[-200:])
    for step in told().values():
        check("the terminal asks: " + step["ask"][0], one_line(" ".join(step["ask"])) in one_line(run.stdout))
    check("nothing unfinished is left", not [f for f in os.listdir(folder) if f.startswith(".") or f.endswith(".tmp")], os.listdir(folder))


def judge_broken(scratch):
    """A program that fails: the demo does, by name, and an older page is gone."""
    build, folder = os.path.join(scratch, "lame"), os.path.join(scratch, "broken")
    os.makedirs(build)
    os.makedirs(folder)
    for name in os.listdir(BUILD):
        if name.startswith("plumb-") and name != "plumb-donut":
            os.symlink(os.path.join(BUILD, name), os.path.join(build, name))
    with open(os.path.join(build, "plumb-donut"), "w") as f:
        f.write("#!/bin/sh\necho 'plumb-donut: no star' >&2\nexit 2\n")
    os.chmod(f.name, 0o755)
    with open(os.path.join(folder, "index.html"), "w") as f:
        f.write("yesterday's")
    run = demo(build, folder)
    check("a broken step stops the demo", run.returncode == 2, run.returncode)
    check("and is named", re.search(r"^the evening stopped: donut: ", run.stderr, re.M) and "no star" in run.stderr, run.stderr)
    check("no page then", not os.path.exists(os.path.join(folder, "index.html")))


SMALL = """set -eu
samples=$1
cd "$2"
. "$samples/page.sh"
page_begin
part desk 'At the desk' <<END
Words & <more> "words".
END
step 17:00 odd <<'END'
ask   Is 1 < 2 & "so"?
run   printf 'a.fits: x < y & "z" > w\\n  and so on\\nDo it.\\n\\nAll of <it>.\\n'; cp given.png odd.png
alt   A "picture" of <nothing> & more.
%s
END
page_end
"""


def judge_small(scratch, picture):
    """What means something to HTML is shown, not obeyed; a step that lacks something is refused."""
    for name, line, good in (("whole", "next  Go on.", True), ("lacking", "", False), ("unknown", "next  Go on.\nnote  What?", False)):
        folder = os.path.join(scratch, name)
        os.makedirs(folder)
        shutil.copy(picture, os.path.join(folder, "given.png"))
        run = subprocess.run(["sh", "-c", SMALL % line, "sh", os.path.join(TOP, "samples"), folder], capture_output=True, text=True)
        made = os.path.exists(os.path.join(folder, "index.html"))
        check(f"a step that is {name}", (run.returncode == 0) == good and made == good, run.stderr)
    with open(os.path.join(scratch, "whole", "index.html")) as f:
        text = f.read()
    page = Page(text)
    step = page.steps[0]
    check("odd characters: closed in order", not page.wrong and not page.open, page.wrong)
    check("odd characters: question", step["question"] == ['Is 1 < 2 & "so"?'], step["question"])
    check("odd characters: verdict, made whole", [one_line(s) for s in step["verdict"]] == ['a.fits: x < y & "z" > w and so on'], step["verdict"])
    check("odd characters: what to do", step["action"] == ["Do it."], step["action"])
    check("odd characters: alternative", step["img"][0]["alt"] == 'A "picture" of <nothing> & more.', step["img"])
    check("odd characters: the whole answer", "All of &lt;it&gt;." in text)


def main():
    with tempfile.TemporaryDirectory(prefix="plumb-story-") as scratch:
        folder = os.path.join(scratch, "evening")
        run = demo(BUILD, folder)
        judge_words(run, folder)
        if run.returncode == 0:
            judge_page(folder)
            judge_small(scratch, os.path.join(folder, "zone.png"))
        judge_broken(scratch)
    print(f"{passed} passed, {failed} failed")
    return failed > 0


if __name__ == "__main__":
    sys.exit(main())
