#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Five exposures of the invented night, rendered: focus that drifts in while the air cools, the one after
# refocusing, a cloud, a gust. samples/night.jsonl tells of the same night, whole.
# Usage: sh subs.sh, in a folder with evening.ini, plumb's programs in PATH.
set -eu
export LC_ALL=C
mkdir -p sky

while read -r sub time celsius steps defocus seeing light drift; do
    cat >"sky/$sub.ini" <<END
[field]
stars = 400
mag_bright = 9
mag_faint = 14.5
seed = 51
[air]
seeing_arcsec = $seeing
[focus]
defocus_um = $defocus
tilt_x_um_mm = 0.4
tilt_y_um_mm = -0.5
curvature_um = 4
[tracking]
drift_arcsec = $drift
drift_deg = 92
[sky]
level_adu = 250
transparency = $light
[camera]
width_px = 720
height_px = 480
hot_pixels = 20
[exposure]
exposure_s = 180
date_obs = 2031-10-09T$time:00
temperature_c = $celsius
altitude_deg = 62
position_steps = $steps
object = open cluster
END
    plumb-sim -q -p evening.ini -o "sky/$sub.fits" "sky/$sub.ini" >/dev/null
    mv "sky/$sub.fits" .
done <<END
sub-0014 21:49 4.8 5000 -24 2.29 1    0
sub-0015 21:53 4.7 5010  2  2.41 1    0
sub-0016 21:57 4.5 5010  3  2.21 1    0
sub-0018 22:05 4.2 5010 -3  2.22 0.37 0
sub-0022 22:21 3.6 5010 -10 2.50 1    5.5
END
