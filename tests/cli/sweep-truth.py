# SPDX-License-Identifier: GPL-3.0-or-later
"""sweep-truth.py OUT.JSON [positions|blind|first] - hold an answer against samples/sweep.ini: best
focus at 5003 steps of 2.715 um at the sensor, the last frame at 5034, tilt (9, -11) um/mm, curvature
4 um. Tolerances are those the program promises; without positions best focus within 5 um."""
import json
import math
import sys

with open(sys.argv[1], encoding="utf-8") as text:
    told = json.load(text)
how = sys.argv[2] if len(sys.argv) > 2 else "positions"
step_um = 4.5 * (870 / 1120) ** 2
last_um = 31 * step_um
surface, move = told["surface"], told["move"]
side = 1 if told["side_known"] or move["sensor_um"] < 0 else -1


def apart(a, b):
    return abs((a - b + 180) % 360 - 180)


checks = {
    "positions": told["positions"] == (how == "positions"),
    "side": told["side_known"] == (how != "blind"),
    "last frame": abs(side * move["sensor_um"] + last_um) < (8 if how == "positions" else 5),
    "drawtube": abs(move["drawtube_um"] / move["sensor_um"] - 4.5 / step_um) < 1e-3,
    "tilt": abs(surface["tilt_um_mm"] / math.hypot(9, 11) - 1) < 0.1,
    "towards": min(apart(surface["tilt_deg"], math.degrees(math.atan2(-11, 9))),
                   apart(surface["tilt_deg"], math.degrees(math.atan2(11, -9))) if how == "blind" else 360) < 5,
    "curvature": abs(side * surface["curvature_um"] - 4) < 4,
    "errors": all(surface[key + "_sigma"] > 0 for key in ("tilt_um_mm", "tilt_deg", "curvature_um", "best_um")),
    "frames": len(told["frames"]) == len(told["files"]) and told["frames_used"] >= 6,
    "verdict": told["verdict"]["state"] == "outside",
}
if how == "positions":
    checks["best"] = abs(told["best_position_steps"] - 5003) < 3
    checks["blur"] = abs(told["blur_scale"] - 1) < 0.1
else:
    checks["no best"] = told["best_position_steps"] is None
print(" ".join(["wrong:"] + [name for name, good in checks.items() if not good] if not all(checks.values()) else ["true"]))
