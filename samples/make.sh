#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Renders the frames of the invented evening again: sh samples/make.sh build/tests/mkframe build/plumb-sim
# The donuts stand in air that moves: minutes each.
# A one-shot-colour camera on a 280 mm f/3.1 Newtonian, 3-minute subs, all of it made up.
set -eu
mkframe=${1:-build/tests/mkframe}
sim=${2:-build/plumb-sim}
cd "$(dirname "$0")/.."
common="--width 1504 --height 1000 --compress rice --mosaic RGGB --sky-rgb 300,420,340 --gain 1.2
  --read-noise 2 --pedestal 200 --stars 700 --flux 900:200000 --beta 3.6 --rg 0.4:1.3 --bg 0.4:1.3
  --nebula 60 --gradient 0.12 --hot 60 --cosmics 25 --pixel-um 4.2 --focal-mm 870 --aperture-mm 280
  --exptime 180 --header FOCUSTEM=7.5 --header AIRMASS=1.2 --roworder TOP-DOWN"
# shellcheck disable=SC2086
{
    "$mkframe" --out samples/sub-even.fits.fz --seed 11 $common --fwhm 2.7 \
        --header OBJECT=demo --date-obs 2031-10-09T20:41:00
    "$mkframe" --out samples/sub-tilted.fits.fz --seed 11 $common --fwhm 2.9 --slope 0.22,35 \
        --header OBJECT=demo --date-obs 2031-10-09T20:45:00
    "$mkframe" --out samples/sub-comatic.fits.fz --seed 11 $common --fwhm 2.7 --flare 0.15,3.0,250 --corners 0.6,1.3,310 \
        --header OBJECT=demo --date-obs 2031-10-09T20:49:00
    "$mkframe" --out samples/sub-windy.fits.fz --seed 11 $common --fwhm 3.0 --stretch 0.3,72 \
        --trails 1 --trail-snr 6 --header OBJECT=demo --date-obs 2031-10-09T20:53:00
}
for name in out in true; do
    "$sim" -q -p samples/evening.ini --packed -o samples/donut-$name.fits.fz samples/donut-$name.ini
done
"$sim" -q -p samples/evening.ini --packed -o samples/sweep.fits.fz samples/sweep.ini
rm samples/sweep.truth.jsonl # half a megabyte: every star of every frame
"${PYTHON:-/usr/bin/python3}" tests/reference/night.py --sample >samples/night.jsonl
