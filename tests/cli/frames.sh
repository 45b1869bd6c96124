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
head -c 100000 good.fits >cut.fits
head -c 2000 good.fits >cut-header.fits
: >empty.fits
echo 'exposure started at dusk' >text.fits
head -c 3000 packed.fits >cut-packed.fits
mkdir folder.fits
mkfifo pipe.fits
"${PYTHON:-python3}" "$here/odd.py"
