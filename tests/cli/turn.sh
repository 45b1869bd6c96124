# SPDX-License-Identifier: GPL-3.0-or-later
# What the cases of plumb-turn share: a profile with screws, and measurements as plumb-donut prints them.
# Sourced, in a case's own folder: measured X_MM Y_MM [STAR_X]
cat >p.ini <<END
[scope]
focal_mm = 870
[cell]
radius_mm = 110
angles_deg = 90, 210, 330
pitch_mm = 1
kind = pushpull
clockwise = in
columns_deg = 0
rows_deg = 90
END
sed '/_deg = [0-9]*$/{/columns\|rows/d}' p.ini >untold.ini

measured() {
    "$PYTHON" - "$@" <<'END'
import json
import math
import sys
x, y = map(float, sys.argv[1:3])
star = float(sys.argv[3]) if len(sys.argv) > 3 else 320.0
print(json.dumps({"program": "plumb-donut", "schema": 1, "width_px": 640, "height_px": 440,
                  "axis_error_mm": math.hypot(x, y), "axis_error_mm_sigma": 0.02,
                  "axis_error_deg": math.degrees(math.atan2(y, x)) % 360, "axis_allowed_mm": 0.75,
                  "date_obs": "2031-10-09T19:38:00",
                  "donuts": [{"used": True, "snr": 60, "x_px": star, "y_px": 224.0}]}))
END
}
