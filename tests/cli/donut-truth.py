# SPDX-License-Identifier: GPL-3.0-or-later
"""donut-truth.py OUT.JSON SIDE DEFOCUS_UM - hold an answer against the scene that frames.sh rendered:
axis off by (-2, 1) mm, secondary by 6 mm along +x, astigmatism of 80 nm along 45 degrees. Tolerances
are those the program promises: coma 4 %, defocus 3 um + 1 %, astigmatism 20 nm."""
import json
import math
import sys

with open(sys.argv[1], encoding="utf-8") as text:
    told = json.load(text)
side, defocus = sys.argv[2], float(sys.argv[3])
known = side != "null"
turned = not known and defocus < 0  # told as if outside: what is even has the other sign
want_shadow = 180 if turned else 0


def apart(a, b, turn):
    return abs((a - b + turn / 2) % turn - turn / 2)


checks = {
    "side": told["side"] == (side if known else None),
    "axis": abs(told["axis_error_mm"] / math.hypot(2, 1) - 1) < 0.04,
    "towards": apart(told["axis_error_deg"], math.degrees(math.atan2(1, -2)), 360) < 3,
    "coma": apart(told["coma_deg"], told["axis_error_deg"] + 180, 360) < 1e-3,
    "defocus": abs(told["defocus_um"] - (defocus if known else abs(defocus))) < 3 + 0.01 * abs(defocus),
    "astigmatism": abs(told["astigmatism_nm"] - 80) < 20,
    "its axis": apart(told["astigmatism_deg"], 45, 180) < 8 if known else told["astigmatism_deg"] is None,
    "shadow": abs(told["secondary_shadow_mm"] - 6) < 1 and apart(told["secondary_shadow_deg"], want_shadow, 360) < 10,
    "verdict": told["verdict"]["state"] == "outside",
}
print(" ".join(["wrong:"] + [name for name, good in checks.items() if not good] if not all(checks.values()) else ["true"]))
