# SPDX-License-Identifier: GPL-3.0-or-later
"""keys.py PLUMB-JSON.5 PROGRAM FILE... - the keys of FILEs (JSON Lines of PROGRAM) against its section of
the manual: what is printed but not named there; for plumb-donut, whose section names all of its keys and
refers to none elsewhere, also what is named and never printed."""
import json
import re
import sys

manual, program, *files = sys.argv[1:]
EVERY = "every object"


def sections(path):
    """Of each section: words set as keys or values (spoken), and those that head an item (named). Items of
    compact lists are values."""
    named, spoken, head, lists = {}, {}, None, []
    with open(path, encoding="utf-8") as text:
        for line in text:
            if line.startswith((".Ss", ".Sh")):
                head = line.split("of ")[-1].strip()
            elif line.startswith(".Bl"):
                lists.append("-compact" in line)
            elif line.startswith(".El"):
                lists.pop()
            elif line.startswith((".Li ", ".It Li ")):
                words = set(re.findall(r"[a-z][a-z0-9_]*", line.partition("Li ")[2]))
                spoken.setdefault(head, set()).update(words)
                if line.startswith(".It") and not lists[-1]:
                    named.setdefault(head, set()).update(words)
    return named, spoken


def keys(value):
    if isinstance(value, list):
        return set().union(*map(keys, value))
    if not isinstance(value, dict):
        return set()
    return set().union(value, *map(keys, value.values()))


named, spoken = sections(manual)
printed = set()
for name in files:
    with open(name, encoding="utf-8") as lines:
        printed |= keys([json.loads(line) for line in lines])
twin = {k for k in printed if k.endswith("_sigma") and k[:-6] in printed}
plain = {k for k in printed - twin if not k.isdigit()}
print("not in the manual:", *sorted(plain - spoken.get(program, set()) - spoken[EVERY]) or ["none"])
if program == "plumb-donut":
    print("never printed:", *sorted(named[program] - printed) or ["none"])
