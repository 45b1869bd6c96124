#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The loop closes: what plumb-donut measures, what plumb-turn says to turn, the turns made on a simulated
# cell, its star measured again, until the answer is: leave it. Says each command and its answer.
# Usage: sh turns.sh, in a folder with evening.ini and the dusk's two donuts, plumb's programs in PATH.
set -eu
export LC_ALL=C
rm -f turns.log
mkdir -p sky

# What the cell is, which nobody is told: where one turn of each screw moves the primary's axis, mm on the
# frame. 20 % off in size, 15 degrees in place, shown mirrored and turned by 70 degrees; turned back, a
# screw loses 4 %. The axis itself, as the dusk's donuts show it, and each screw's last direction.
cat >sky/turns.cell <<'END'
A 3.454 -2.419 0
B -3.628 -5.181 0
C 0.368 4.201 0
axis -1.15 1.55 0
END
printf '318.4 226.7 6.6 0.4\n' >sky/turns.list

scene() { # ROUND: the star as the telescope now is
    awk '$1 == "axis" { printf "[mirrors]\nshadow_x_mm = 3.3\nshadow_y_mm = -3.9\naxis_x_mm = %.4f\naxis_y_mm = %.4f\n", $2, $3 }' sky/turns.cell
    printf '[field]\nlist = turns.list\nseed = %d\n[air]\nseeing_arcsec = 2.4\n[focus]\ndefocus_um = 760.3\n' "$1"
    printf '[zernike]\na6_nm = 18\na10_nm = 9\na11_nm = -14\n'
    printf '[sky]\nlevel_adu = 60\n[camera]\nwidth_px = 640\nheight_px = 440\n'
    printf '[exposure]\nexposure_s = 4\ndate_obs = 2031-10-09T19:%d:00\nposition_steps = 6280\n' $((42 + 3 * $1))
}

turn() { # A=1/4 ...: the cell after these turns
    printf '%s\n' "$@" | tr '=/' '  ' | awk '
        FNR == NR { turns[$1] = NF == 3 ? $2 / $3 : $2; next }
        $1 == "axis" { printf "axis %.4f %.4f 0\n", $2 + x, $3 + y; next }
        {
            t = turns[$1] + 0
            way = t > 0 ? 1 : t < 0 ? -1 : 0
            if (way * $4 < 0) t *= 0.96
            x += t * $2
            y += t * $3
            print $1, $2, $3, way ? way : $4
        }' - sky/turns.cell >sky/turns.next
    mv sky/turns.next sky/turns.cell
}

say() { # COMMAND: typed, and run; its status
    printf '$ %s\n' "$1"
    sh -c "$1"
}

frames='donut-out.fits.fz donut-in.fits.fz' turned=
for round in 1 2 3 4 5 6; do
    say "plumb-donut -q -p evening.ini --json $frames >donut.json" || [ $? = 1 ]
    status=0
    say "plumb-turn learn turns.log donut.json ${turned:+$turned }-p evening.ini --red --png turn.png" >sky/turns.txt || status=$?
    sed '/^$/q' sky/turns.txt
    [ "$status" = 1 ] || exit "$status"
    turned=$(sed -n 's/^  then: plumb-turn learn turns.log NEW.json \(.*\) -p evening.ini$/\1/p' sky/turns.txt)
    # shellcheck disable=SC2086
    turn $turned
    scene "$round" >sky/turns.ini
    frames=donut-turned.fits
    plumb-sim -q -p evening.ini -o sky/$frames sky/turns.ini >/dev/null
    mv sky/$frames .
done
echo "not collimated after 6 rounds" >&2
exit 2
