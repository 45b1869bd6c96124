#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# watch.sh BUILD OUT - a folder watched while exposures arrive: four of the sweep's stand for them.
set -eu
build=$1 out=$2
subs=$out/subs
rm -rf "$subs" "$out/watch.jsonl"
mkdir -p "$subs"
"$build/plumb-watch" -p "$out/squared.ini" --log "$out/watch.jsonl" --png "$out/watch.png" "$subs" &
watcher=$!
trap 'kill "$watcher" 2>/dev/null || true' EXIT
for k in 4 5 3 6; do
    cp "samples/sweep-000$k.fits.fz" "$subs/"
    waited=0 # until its line is in the log
    until [ -e "$out/watch.jsonl" ] && grep -q "sweep-000$k" "$out/watch.jsonl" || [ "$waited" -ge 40 ]; do
        sleep 0.25
        waited=$((waited + 1))
    done
done
kill "$watcher"
wait "$watcher"
