#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The loop closes, all of it simulated: a star of a mirror that is off, what plumb-donut says of it, what
# plumb-turn says to turn, the turns made on the simulated cell, and once more, until it says: leave it.
# Usage: sh samples/loop.sh BUILD OUT; everything lands in OUT.
set -eu
export LC_ALL=C
build=$(cd "${1:?usage: loop.sh BUILD OUT}" && pwd)
out=${2:?usage: loop.sh BUILD OUT}
top=$(cd "$(dirname "$0")/.." && pwd)
mkdir -p "$out"
cd "$out"
rm -f loop.log

# What the profile says of the cell. How the camera shows it, it does not say.
awk '/^\[/ { other = $1 != "[cell]" } other' "$top/samples/evening.ini" >loop.ini
cat >>loop.ini <<'END'
[cell]
radius_mm = 110
angles_deg = 90, 210, 330
pitch_mm = 1
kind = pushpull
clockwise = in
END
# What the cell is, which nobody is told: where one turn of each screw moves the primary's axis, mm on the
# frame. 20 % off in size, 15 degrees in place, shown mirrored and turned by 70 degrees; turned back, a
# screw loses 4 %. The axis itself, and each screw's last direction.
cat >loop.cell <<'END'
A 3.454 -2.419 0
B -3.628 -5.181 0
C 0.368 4.201 0
axis 1.3 -1.9 0
END
printf '80.3 75.2 8\n' >loop.list

scene() { # the star as the telescope now is
    awk '$1 == "axis" { printf "[mirrors]\nshadow_x_mm = 3.3\nshadow_y_mm = -3.9\naxis_x_mm = %.4f\naxis_y_mm = %.4f\n", $2, $3 }' loop.cell
    printf '[field]\nlist = loop.list\nseed = %d\n[air]\nseeing_arcsec = 2.4\n' "$1"
    printf '[focus]\ndefocus_um = 600\n[camera]\nwidth_px = 160\nheight_px = 150\n[exposure]\nexposure_s = 10\n'
}

turn() { # A=0.25 ...: the cell after these turns
    printf '%s\n' "$@" | tr '=' ' ' | awk '
        FNR == NR { turns[$1] = $2; next }
        $1 == "axis" { printf "axis %.4f %.4f 0\n", $2 + x, $3 + y; next }
        {
            t = turns[$1] + 0
            way = t > 0 ? 1 : t < 0 ? -1 : 0
            if (way * $4 < 0) t *= 0.96
            x += t * $2
            y += t * $3
            print $1, $2, $3, way ? way : $4
        }' - loop.cell >loop.next
    mv loop.next loop.cell
}

advised() { # the turns in an answer, as plumb-turn takes them
    tr '{' '\n' <"$1" | sed -n 's/.*"name":"\([A-F]\)".*"turns":\([0-9.]*\),"direction":"\([a-z]*\).*/\1=\3\2/p' |
        sed -e 's/=clockwise/=/' -e 's/=counter/=-/'
}

turned=
for round in 0 1 2 3 4 5; do
    scene "$round" >loop.scene
    "$build/plumb-sim" -q -p loop.ini -o loop.fits loop.scene >/dev/null
    "$build/plumb-donut" -q -p loop.ini --json --measured-ok loop.fits >loop.json
    printf '\n$ plumb-turn learn loop.log loop.json %s-p loop.ini\n' "${turned:+$turned }"
    status=0
    # shellcheck disable=SC2086
    "$build/plumb-turn" learn loop.log loop.json $turned -p loop.ini --png "loop-$round.png" >loop.txt || status=$?
    sed -n '1,/^$/p' loop.txt
    [ "$status" = 1 ] || exit "$status"
    "$build/plumb-turn" advise loop.log -p loop.ini --json --measured-ok >loop.advice
    turned=$(advised loop.advice | tr '\n' ' ' | sed 's/ $//')
    # shellcheck disable=SC2086
    turn $turned
done
echo "not collimated after 5 rounds" >&2
exit 2
