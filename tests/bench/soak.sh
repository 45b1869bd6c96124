#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# soak.sh BUILD - plumb-field on ever new skies, sound and damaged, for SOAK_SECONDS (default 600).
# It must end by itself with status 0, 1 or 2, say why when it is 2, take no more memory than a frame
# of that size may, and give the same bytes with one thread as with four. The number that began a
# round is printed with every failure: SOAK_SEED=N starts there again.
set -u
export LC_ALL=C
build=${1:?usage: soak.sh BUILD}
field=$build/plumb-field maker=$build/tests/mkframe
seconds=${SOAK_SECONDS:-600} seed=${SOAK_SEED:-1}
passed=0 failed=0
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT
trap 'exit 130' INT TERM
end=$(($(date +%s) + seconds))

draw() { # LIMIT: the next pseudo-random number below LIMIT, in $n
    state=$(((state * 1103515245 + 12345) % 2147483648))
    n=$((state / 65536 % $1))
}

pick() { # WORD...: one of them, in $word
    draw $#
    shift "$n"
    word=$1
}

sky() { # a frame from the seed
    draw 700; width=$((n + 16))
    draw 500; height=$((n + 16))
    draw 150; stars=$n
    pick 1.3 2 3 5 9; fwhm=$word
    set -- --seed "$seed" --width $width --height $height --stars "$stars" --fwhm "$fwhm"
    pick 0 0.3 0.7; set -- "$@" --ecc "$word"
    pick 8 16 32 -32 -64; bitpix=$word; set -- "$@" --bitpix "$word"
    pick none none RGGB GBRG; set -- "$@" --mosaic "$word"
    [ "$bitpix" -lt 0 ] || { pick none none rice gzip; set -- "$@" --compress "$word"; }
    pick 0 40; set -- "$@" --hot "$word" --cosmics "$word"
    pick 0 1 3; set -- "$@" --trails "$word" --galaxies "$word" --saturated "$word" --blends "$word"
    pick 0 0 500; set -- "$@" --nebula "$word"
    pick 0 0.5; set -- "$@" --gradient "$word" --vignette "$word"
    "$maker" --out "$dir/frame.fits" "$@" 2>"$dir/maker"
}

damage() { # sometimes: cut it, or write noise over a part; compressed pixels are left whole
    size=$(wc -c <"$dir/frame.fits")
    draw 6
    case $n in
    0)
        draw "$size"
        head -c "$n" "$dir/frame.fits" >"$dir/cut" && mv "$dir/cut" "$dir/frame.fits"
        ;;
    1)
        draw 2880; at=$n
        draw 40
        printf '%s' "$seed$state$seed$state$seed$state" | head -c "$n" |
            dd of="$dir/frame.fits" bs=1 seek="$at" conv=notrunc 2>/dev/null
        ;;
    esac
}

complain() {
    failed=$((failed + 1))
    echo "FAIL seed $seed: $*"
    sed 's/^/    /' "$dir/err1" | head -n 5
}

measure() { # JOBS
    # shellcheck disable=SC3045 # dash and bash have it; elsewhere there is no limit
    (ulimit -v 2000000 2>/dev/null; exec timeout 60 "$field" -j "$1" --json --stars "$dir/frame.fits") \
        >"$dir/out$1" 2>"$dir/err$1"
}

while [ "$(date +%s)" -lt "$end" ]; do
    state=$seed
    draw 2; draw 2
    if sky; then
        damage
        measure 1; one=$?
        measure 4; four=$?
        if [ $one -gt 2 ]; then
            complain "status $one"
        elif [ $one != $four ] || ! cmp -s "$dir/out1" "$dir/out4"; then
            complain "four threads answer otherwise than one (status $four and $one)"
        elif [ $one = 2 ] && [ ! -s "$dir/err1" ]; then
            complain "status 2 without a word"
        else
            passed=$((passed + 1))
        fi
    fi
    seed=$((seed + 1))
done
echo "$passed passed, $failed failed"
[ "$failed" = 0 ]
