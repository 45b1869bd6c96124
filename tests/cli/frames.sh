#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# frames.sh MKFRAME FOLDER - the frames the cases use: some good, most of them wrong in one way.
set -eu
mkframe=$1
here=$(cd "$(dirname "$0")" && pwd)
cd "$2"

field() { # NAME OPTION...: eighty stars on a small frame
    name=$1
    shift
    "$mkframe" --out "$name" --width 480 --height 360 --stars 80 --grid --snr 50:500 --seed 7 "$@"
}

field good.fits
field stretched.fits --stretch 0.4,30
field real.fits --bitpix -32
field packed.fits --compress rice
field mosaic.fits --mosaic RGGB --sky-rgb 300,500,400
"$mkframe" --out small.fits --width 240 --height 180 --stars 30 --grid --snr 50:500 --seed 7
"$mkframe" --out nostars.fits --width 480 --height 360 --stars 0
"$mkframe" --out few.fits --width 480 --height 360 --stars 3 --grid --snr 100
"$mkframe" --out one.fits --width 1 --height 1 --stars 0
"$mkframe" --out tall.fits --width 3 --height 50000 --stars 0
"$mkframe" --out flat.fits --width 200 --height 100 --stars 0 --no-noise
"$mkframe" --out full.fits --width 200 --height 100 --stars 0 --sky 1e6

cp "$here/donut.stars" .
echo '118.4 103.7 2' >bright.stars
donut() { # NAME LINES: a star out of focus, with what LINES of a scene add
    { cat "$here/donut.ini" && printf '%b' "$2"; } >"$1.ini"
    "$(dirname "$mkframe")/../plumb-sim" -q -p "$here/../../samples/evening.ini" \
        -o "$1.fits" "$1.ini" >/dev/null
}

off='[mirrors]\naxis_x_mm = -2\naxis_y_mm = 1\nshadow_x_mm = 6\n[zernike]\na5_nm = 80\n'
in='[focus]\ndefocus_um = -500\n'
hand='[scope]\nvanes = 1\nvane_mm = 100\nvane_deg = 40\n' # covers 60 degrees of the ring's middle
donut donut ''
donut donut-off "$off"
donut donut-off-in "$off$in"
# a step moves best focus by 2.715 um at the sensor; best focus is at 5000
donut donut-steps "${off}[exposure]\nposition_steps = 5221\n"
donut donut-steps-in "$off${in}[exposure]\nposition_steps = 4816\n"
donut donut-short '[mirrors]\naxis_x_mm = 0.8\n[exposure]\nexposure_s = 0.05\n[field]\nlist = bright.stars\n'
donut donut-focused '[focus]\ndefocus_um = 0\n[sky]\ntransparency = 0.02\n'
donut donut-small '[focus]\ndefocus_um = 120\n'
donut donut-clipped '[camera]\nsaturation_adu = 600\n'
donut donut-cut '[camera]\nwidth_px = 128\n'
donut donut-wider '[camera]\nwidth_px = 260\n'
donut donut-hand "$hand"
donut donut-hand-in "$in$hand"
head -c 100000 good.fits >cut.fits
head -c 2000 good.fits >cut-header.fits
: >empty.fits
echo 'exposure started at dusk' >text.fits
head -c 3000 packed.fits >cut-packed.fits
mkdir folder.fits
mkfifo pipe.fits
"${PYTHON:-python3}" "$here/odd.py"
