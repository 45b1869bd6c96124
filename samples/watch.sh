#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# A folder watched while exposures arrive; here they come one upon the other, at night minutes apart.
# Usage: sh watch.sh WATCH..., the command that watches subs/ and keeps watch.jsonl, in a folder with the exposures.
set -eu
rm -rf subs watch.jsonl
mkdir subs

# The clock of the evening: a time zone in which it is 21:56 now.
ahead=$(((21 * 60 + 56) * 60 - $(date -u +%s) % 86400))
east=$([ "$ahead" -ge 0 ] && echo - || echo +)
ahead=${ahead#-}
TZ=$(printf 'EVE%s%d:%02d:%02d' "$east" $((ahead / 3600)) $((ahead / 60 % 60)) $((ahead % 60)))
export TZ

"$@" &
watcher=$!
trap 'kill "$watcher" 2>/dev/null || true' EXIT
for sub in sub-0015 sub-0016 sub-0018 sub-0022; do
    cp "$sub.fits" subs/
    waited=0 # until its line is in the log
    until grep -q "$sub" watch.jsonl 2>/dev/null; do
        sleep 0.1
        waited=$((waited + 1))
        [ "$waited" -lt 200 ] || {
            echo "$sub.fits arrived and was not read" >&2
            exit 2
        }
    done
done
trap - EXIT
kill "$watcher"
wait "$watcher"
