#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The invented evening, as far as the programs go: what a person asks, the command, the answer.
# Usage: sh samples/demo.sh [build]; pictures land in BUILD/demo.
set -eu
cd "$(dirname "$0")/.."
build=${1:-build}
out=$build/demo
mkdir -p "$out"

ask() { # question, command...
    printf '\n# %s\n$ %s\n' "$1" "$(shift && echo "$*" | sed "s|$build/||")"
    shift
    status=0
    "$@" || status=$?
    if [ "$status" -gt 1 ]; then
        echo "the demo stopped: exit status $status" >&2
        exit 1
    fi
    echo "(exit status $status)"
}

ask "At the desk: how exact must focus, collimation and tilt be for my optics?" \
    "$build/plumb-zone" -p samples/evening.ini --png "$out/zone.png"
ask "At dusk, a bright star racked out: which way is the collimation off?" \
    "$build/plumb-donut" -p samples/evening.ini samples/donut-out.fits.fz --png "$out/donut.png"
ask "Once more from the other side of focus: is it the mirror or the secondary's offset?" \
    "$build/plumb-donut" -p samples/evening.ini samples/donut-out.fits.fz samples/donut-in.fits.fz
ask "After the turns: is it collimated now?" \
    "$build/plumb-donut" -p samples/evening.ini samples/donut-true.fits.fz --png "$out/collimated.png"
ask "Did it help? The ring before and after" \
    "$build/plumb-donut" -p samples/evening.ini --against samples/donut-out.fits.fz samples/donut-true.fits.fz --png "$out/helped.png"
ask "At the screws: which one, which way, how far? All simulated: turned, measured, turned again" \
    sh samples/loop.sh "$build" "$out/loop"
ask "Focusing: where is best focus, how sure, and is the sensor square?" \
    "$build/plumb-sweep" -p samples/evening.ini --png "$out/sweep.png" samples/sweep-000?.fits.fz
"$build/plumb-sweep" -p samples/evening.ini --json samples/sweep-000?.fits.fz >"$out/sweep.json" || [ $? = 1 ]
ask "Square the sensor: is it worth it, and which screw?" \
    "$build/plumb-tilt" -p samples/evening.ini --png "$out/tilt.png" "$out/sweep.json"
ask "The same with a focuser that has no numbers: which way to turn the knob?" \
    "$build/plumb-sweep" -p samples/evening.ini --no-positions --first in samples/sweep-000?.fits.fz
cp samples/evening.ini "$out/squared.ini"
"$build/plumb-sweep" -q -p "$out/squared.ini" --save --measured-ok samples/sweep-000?.fits.fz >"$out/kept.txt"
ask "Between two exposures, with that focal surface kept: focus or air, which way, is it worth the time?" \
    "$build/plumb-check" -p "$out/squared.ini" --remaining 40 --refocus-cost 120 --png "$out/check.png" samples/sweep-0005.fits.fz
ask "The same of each exposure as it arrives" \
    sh samples/watch.sh "$build" "$out"
ask "First sub: is the field even?" \
    "$build/plumb-field" -p samples/evening.ini samples/sub-even.fits.fz --png "$out/even.png"
ask "After the mirror was moved: which way is the collimation off?" \
    "$build/plumb-field" -p samples/evening.ini samples/sub-comatic.fits.fz --png "$out/comatic.png"
ask "After the camera was put back: is the sensor square?" \
    "$build/plumb-field" -p samples/evening.ini samples/sub-tilted.fits.fz --png "$out/tilted.png"
ask "A gust: focus, air or tracking? (and dark-adapted eyes)" \
    "$build/plumb-field" -p samples/evening.ini samples/sub-windy.fits.fz --red --png "$out/windy.png"
ask "Next day: how did focus drift, when to refocus, which subs to keep?" \
    "$build/plumb-night" -p samples/evening.ini samples/night.jsonl --png "$out/night.png"

printf '\nPictures:'
printf ' %s' "$out"/*.png "$out"/*/*.png
echo
